// Package scan turns a file into upright pictures: JPEG, PNG, TIFF of any
// number of pages, PDF. It is the only package that touches OpenCV, and it
// believes no file: everything that can be checked in Go is checked before
// OpenCV sees a byte, since an exception there would end the process.
package scan

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"syscall"

	"penarm/calibrate/picture"
)

// Limits on what is opened. A 300 dpi colour scan of a 254 mm chart has about
// 11 megapixels; an A3 page at 600 dpi has 70.
const (
	maxFile   = 512 << 20 // bytes
	maxSide   = 16_000    // pixels
	maxPixels = 150e6
	maxPages  = 10_000
)

// Error says which file could not be read, what is wrong with it and what to do.
type Error struct {
	File   string // as the caller named it
	What   string
	Remedy string
	Err    error // the cause, where there is one behind What
}

func (e *Error) Error() string { return e.File + ": " + e.What + ": " + e.Remedy }

func (e *Error) Unwrap() error { return e.Err }

// Remedies that several faults share.
const (
	copyAnew = "scan it again or copy the file anew"
	saveAs   = "save it as JPEG, PNG, TIFF or PDF"
	scanLow  = "scan it again at 300 dpi"
)

// fault is an Error that does not know its file yet.
func fault(remedy, format string, args ...any) *Error {
	return &Error{What: fmt.Sprintf(format, args...), Remedy: remedy}
}

// Pages counts the pictures in the file: the pages of a PDF, the full-size
// pages of a TIFF, 1 for JPEG and PNG. Errors are *Error.
func Pages(path string) (int, error) {
	n, err := pages(path)
	if err != nil {
		return 0, named(path, err)
	}
	return n, nil
}

// Open reads one page (the first is 1) as an upright picture: orientation
// applied, 8 bits a channel, grey or colour, laid on white where it was
// transparent. Errors are *Error.
func Open(path string, page int) (*picture.Picture, error) {
	pic, err := open(path, page)
	if err != nil {
		return nil, named(path, err)
	}
	return pic, nil
}

// named puts the file's name to an error from within the package.
func named(path string, err error) error {
	var e *Error
	if !errors.As(err, &e) {
		e = fault(copyAnew, "%v", err)
		e.Err = err
	}
	e.File = path
	return e
}

func pages(path string) (int, error) {
	data, err := read(path)
	if err != nil {
		return 0, err
	}
	switch sniff(data) {
	case "jpeg", "png":
		return 1, nil
	case "tiff":
		t, err := parseTIFF(data)
		if err != nil {
			return 0, err
		}
		return len(t.pages), nil
	case "pdf":
		return pdfPages(data)
	}
	return 0, unread(data)
}

func open(path string, page int) (*picture.Picture, error) {
	data, err := read(path)
	if err != nil {
		return nil, err
	}
	kind := sniff(data)
	if page < 1 || page > 1 && (kind == "jpeg" || kind == "png") {
		return nil, noPage(page, 1)
	}
	var h *header
	switch kind {
	case "jpeg":
		h, err = parseJPEG(data)
	case "png":
		h, err = parsePNG(data)
	case "tiff":
		h, err = turnTo(data, page)
	case "pdf":
		return openPDF(data, page)
	default:
		err = unread(data)
	}
	if err != nil {
		return nil, err
	}
	return decode(data, h)
}

func noPage(page, n int) *Error {
	return fault("ask for a page from 1 on that is in the file", "there is no page %d, the file has %d", page, n)
}

// read takes a regular file (or a link to one) into memory.
func read(path string) ([]byte, error) {
	// Without O_NONBLOCK, opening a FIFO would wait for a writer for ever.
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, unopened(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, unopened(err)
	}
	switch {
	case info.IsDir():
		return nil, fault("name the scans in it", "is a folder, not a file")
	case !info.Mode().IsRegular():
		return nil, fault("name a scan", "is not a regular file")
	case info.Size() == 0:
		return nil, fault(copyAnew, "the file is empty")
	case info.Size() > maxFile:
		return nil, fault(scanLow, "the file has %d MB, more than %d", info.Size()>>20, maxFile>>20)
	}
	// The size can lie (a file still being written), so the limit holds while reading too.
	data := make([]byte, info.Size(), info.Size()+1)
	n, err := io.ReadFull(f, data)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		return nil, unopened(err)
	}
	return data[:n], nil
}

func unopened(err error) *Error {
	what := err
	var pe *fs.PathError
	if errors.As(err, &pe) {
		what = pe.Err
	}
	return &Error{What: "the file cannot be opened: " + what.Error(), Remedy: "check its name and its permissions", Err: err}
}

// sniff tells the type by the first bytes: a scan's name proves nothing.
func sniff(data []byte) string {
	switch {
	case bytes.HasPrefix(data, []byte("\xff\xd8\xff")):
		return "jpeg"
	case bytes.HasPrefix(data, []byte("\x89PNG\r\n\x1a\n")):
		return "png"
	case bytes.HasPrefix(data, []byte("II*\x00")), bytes.HasPrefix(data, []byte("MM\x00*")),
		bytes.HasPrefix(data, []byte("II+\x00")), bytes.HasPrefix(data, []byte("MM\x00+")):
		return "tiff"
	case bytes.Contains(data[:min(len(data), 1024)], []byte("%PDF-")):
		return "pdf"
	}
	return ""
}

// unread names the types that people do send and that are not read.
func unread(data []byte) *Error {
	for _, k := range []struct {
		at   int
		mark string
		name string
	}{
		{4, "ftyphei", "HEIC"}, {4, "ftypmif1", "HEIC"}, {4, "ftypavif", "AVIF"},
		{8, "WEBP", "WebP"}, {0, "BM", "BMP"}, {0, "GIF8", "GIF"},
		{0, "\x00\x00\x00\x0cjP  ", "JPEG 2000"}, {0, "\xff\x4f\xff\x51", "JPEG 2000"},
	} {
		if len(data) >= k.at && bytes.HasPrefix(data[k.at:], []byte(k.mark)) {
			return fault(saveAs, "is a %s picture, which is not read", k.name)
		}
	}
	return fault(saveAs, "is no JPEG, PNG, TIFF or PDF")
}

// header is what a file says of one picture before it is decoded.
type header struct {
	kind          string
	width, height int // as stored, before orientation
	dpiX, dpiY    float64
	orientation   int // 1–8 as in EXIF 2.32 and TIFF 6.0, tag 274
	channels      int // 1 or 3, as the decoder will most likely give them
	bilevel       bool
	premultiplied bool // colour is already multiplied by alpha once decoded
	cmyk          bool // a JPEG of four inks
}

// check refuses sizes that are impossible or would exhaust memory.
func (h *header) check() error {
	if h.width < 1 || h.height < 1 {
		return fault(copyAnew, "the header gives a picture of %d × %d pixels", h.width, h.height)
	}
	if h.width > maxSide || h.height > maxSide || float64(h.width)*float64(h.height) > maxPixels {
		return fault(scanLow, "the header gives %d × %d pixels, more than %d a side or %.0f megapixels",
			h.width, h.height, maxSide, maxPixels/1e6)
	}
	return nil
}
