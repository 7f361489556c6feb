package scan

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"runtime/debug"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/klippa-app/go-pdfium"
	"github.com/klippa-app/go-pdfium/enums"
	pdfiumerrors "github.com/klippa-app/go-pdfium/errors"
	"github.com/klippa-app/go-pdfium/references"
	"github.com/klippa-app/go-pdfium/requests"
	"github.com/klippa-app/go-pdfium/structs"
	"github.com/klippa-app/go-pdfium/webassembly"
	"github.com/tetratelabs/wazero"
	"github.com/tetratelabs/wazero/api"
	"github.com/tetratelabs/wazero/experimental"
	"golang.org/x/sys/unix"

	"penarm/calibrate/picture"
)

// PDFs are read by PDFium in a WebAssembly sandbox that has no files and is
// bounded in memory and time: a hostile page costs itself, never the process.
const (
	pdfMemory = 184 << 20 // bytes; rendering a page that is a colour scan of 10 × 10 inches at 600 dpi takes 180 million
	pdfTime   = 60 * time.Second
	pdfPoint  = 72.0 // points an inch
	renderDPI = 300
	renderMax = 60e6 // pixels of a rendered page
)

// sandboxes starts PDFium when the first PDF comes. Compiling it takes seconds,
// loading its machine code from the user's cache folder a tenth of one.
var sandboxes = sync.OnceValues(func() (pdfium.Pool, error) {
	config := wazero.NewRuntimeConfig().
		WithCoreFeatures(api.CoreFeaturesV2 | experimental.CoreFeaturesExceptionHandling).
		WithCloseOnContextDone(true)
	if dir, err := os.UserCacheDir(); err == nil {
		if c, err := wazero.NewCompilationCacheWithDir(filepath.Join(dir, "penarm", "pdfium")); err == nil {
			config = config.WithCompilationCache(c)
		}
	}
	return webassembly.Init(webassembly.Config{
		Context: experimental.WithMemoryAllocator(context.Background(), experimental.MemoryAllocatorFunc(reserve)),
		MaxIdle: 1, MaxTotal: runtime.NumCPU(),
		FSConfig: wazero.NewFSConfig(),
		Stdout:   io.Discard, Stderr: io.Discard,
		RuntimeConfig: config,
	})
})

// reserved is a sandbox's memory: address space that takes memory only where it is
// used, so that it grows without being copied.
type reserved []byte

// refused counts how often a sandbox did not get what it asked for. PDFium then leaves
// out what it cannot show, in silence.
var refused atomic.Int64

// spare are the reserved that no sandbox uses. Their addresses stay valid, for a
// sandbox that ran out of time is closed under a reader.
var spare struct {
	sync.Mutex
	all []reserved
}

func reserve(_, _ uint64) experimental.LinearMemory {
	spare.Lock()
	defer spare.Unlock()
	if n := len(spare.all) - 1; n >= 0 {
		m := spare.all[n]
		spare.all = spare.all[:n]
		return m
	}
	m, err := unix.Mmap(-1, 0, pdfMemory, unix.PROT_NONE, unix.MAP_ANON|unix.MAP_PRIVATE)
	if err != nil {
		return reserved(nil) // which cannot grow
	}
	return reserved(m)
}

// Reallocate gives nil where the sandbox has had its share, or the process its own.
func (m reserved) Reallocate(size uint64) []byte {
	if size > uint64(len(m)) || unix.Mprotect(m[:size], unix.PROT_READ|unix.PROT_WRITE) != nil {
		refused.Add(1)
		return nil
	}
	return m[:size]
}

// Free gives the memory back, zeroed, and keeps the addresses.
func (m reserved) Free() {
	if m == nil || unix.Madvise(m, unix.MADV_DONTNEED) != nil {
		return
	}
	spare.Lock()
	defer spare.Unlock()
	spare.all = append(spare.all, m)
}

// document is one PDF open in its own sandbox.
type document struct {
	pdfium.Pdfium
	ref  references.FPDF_DOCUMENT
	data []byte
}

// withPDF opens the PDF and calls f with it; when time is up, the sandbox is
// closed under it. A trap or panic below becomes an error.
func withPDF(data []byte, within time.Duration, f func(d document) error) (err error) {
	var late atomic.Bool
	before := refused.Load()
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("%v", r)
		}
		var e *Error
		switch {
		case late.Load(): // even where all seems well: the sandbox may have been closed under a read
			err = fault(printAnew, "the PDF was not read within %v", within)
		case refused.Load() != before:
			err = tooMuch(err)
		case err == nil || errors.As(err, &e):
		case errors.Is(err, pdfiumerrors.ErrPassword), errors.Is(err, pdfiumerrors.ErrSecurity):
			err = fault("save it without a password", "the PDF is locked with a password")
		case strings.Contains(err.Error(), "wasm error"): // followed by the machine's own calls, line by line
			err = tooMuch(err)
		default:
			e = fault(copyAnew, "the PDF cannot be read (%v)", err)
			e.Err = err
			err = e
		}
	}()
	debug.FreeOSMemory() // what the last scan left: the sandbox needs the room
	pool, err := sandboxes()
	if err != nil {
		return err
	}
	instance, err := pool.GetInstance(within)
	if err != nil {
		return err
	}
	timer := time.AfterFunc(within, func() {
		late.Store(true)
		instance.Kill()
	})
	defer func() {
		if timer.Stop() {
			instance.Close()
		}
	}()
	doc, err := instance.OpenDocument(&requests.OpenDocument{FileReader: bytes.NewReader(data), FileReaderSize: int64(len(data))})
	if err != nil {
		return err
	}
	return f(document{instance, doc.Document, data})
}

const printAnew = "print it to a new PDF or save the pages as PNG"

// tooMuch is for what PDFium has no words for.
func tooMuch(err error) *Error {
	e := fault(printAnew, "the PDF is damaged, or takes more than %d MB to show", pdfMemory>>20)
	e.Err = err
	return e
}

// count gives the number of pages.
func (d document) count() (int, error) {
	n, err := d.FPDF_GetPageCount(&requests.FPDF_GetPageCount{Document: d.ref})
	switch {
	case err != nil:
		return 0, err
	case n.PageCount < 1:
		return 0, fault(copyAnew, "the PDF has no page")
	case n.PageCount > maxPages:
		return 0, fault("split the file", "the PDF has more than %d pages", maxPages)
	}
	return n.PageCount, nil
}

func pdfPages(data []byte) (n int, err error) {
	err = withPDF(data, pdfTime, func(d document) error {
		n, err = d.count()
		return err
	})
	return n, err
}

// openPDF gives the page's own image, pixel for pixel, where the page is one
// image and nothing else that shows; else it renders the page.
func openPDF(data []byte, page int) (pic *picture.Picture, err error) {
	err = withPDF(data, pdfTime, func(d document) error {
		n, err := d.count()
		if err != nil {
			return err
		}
		if page > n {
			return noPage(page, n)
		}
		loaded, err := d.FPDF_LoadPage(&requests.FPDF_LoadPage{Document: d.ref, Index: page - 1})
		if err != nil {
			return err
		}
		ref := requests.Page{ByReference: &loaded.Page}
		own, dpi, err := d.ownImage(ref)
		if err != nil {
			return err
		}
		if own == nil || masked.Match(data) {
			pic, err = d.render(ref, dpi)
			return err
		}
		pic, err = d.extract(ref, own)
		return err
	})
	return pic, err
}

// What the dictionary of an image says where its own pixels are not what the page shows: that it is a stencil or has a
// mask (ISO 32000-1, 8.9.6), and where those of its JPEG are not, that values are the other way round (8.9.5.2).
// Dictionaries of images always stand uncompressed.
var (
	masked   = regexp.MustCompile(`/(?:ImageMask\s+true|S?Mask\s*(?:\[|\d+\s+\d+\s+R))`)
	reversed = regexp.MustCompile(`/Decode\s*\[\s*1`)
)

// placed is an image object of a page.
type placed struct {
	ref           references.FPDF_PAGEOBJECT
	width, height int
	dpiX, dpiY    float64 // along the image's own rows and columns
	orientation   int     // as EXIF counts, page's rotation included; 0 where skewed
}

// ownImage finds the image that is the whole page, nil where there is none
// such. dpi is the finest resolution among the page's images, 0 without any.
func (d document) ownImage(page requests.Page) (own *placed, dpi float64, err error) {
	count, err := d.FPDFPage_CountObjects(&requests.FPDFPage_CountObjects{Page: page})
	if err != nil {
		return nil, 0, err
	}
	turn, err := d.FPDFPage_GetRotation(&requests.FPDFPage_GetRotation{Page: page})
	if err != nil {
		return nil, 0, err
	}
	annotations, err := d.FPDFPage_GetAnnotCount(&requests.FPDFPage_GetAnnotCount{Page: page})
	if err != nil {
		return nil, 0, err
	}
	alone := annotations.Count == 0
	for i := range count.Count {
		object, err := d.FPDFPage_GetObject(&requests.FPDFPage_GetObject{Page: page, Index: i})
		if err != nil {
			return nil, 0, err
		}
		kind, err := d.FPDFPageObj_GetType(&requests.FPDFPageObj_GetType{PageObject: object.PageObject})
		if err != nil {
			return nil, 0, err
		}
		switch kind.Type {
		case enums.FPDF_PAGEOBJ_IMAGE:
			im, err := d.place(object.PageObject, int(turn.PageRotation))
			if err != nil {
				return nil, 0, err
			}
			dpi = max(dpi, im.dpiX, im.dpiY)
			through, err := d.FPDFPageObj_HasTransparency(&requests.FPDFPageObj_HasTransparency{PageObject: object.PageObject})
			if err != nil {
				return nil, 0, err
			}
			if own != nil || im.orientation == 0 || through.HasTransparency {
				alone = false
			}
			own = im
		case enums.FPDF_PAGEOBJ_TEXT: // scanners lay what they recognised under the image, invisibly
			mode, err := d.FPDFTextObj_GetTextRenderMode(&requests.FPDFTextObj_GetTextRenderMode{PageObject: object.PageObject})
			if err != nil {
				return nil, 0, err
			}
			if mode.TextRenderMode != enums.FPDF_TEXTRENDERMODE_INVISIBLE {
				alone = false
			}
		default:
			alone = false
		}
	}
	if !alone {
		own = nil
	}
	return own, dpi, nil
}

func (d document) place(ref references.FPDF_PAGEOBJECT, quarterTurns int) (*placed, error) {
	size, err := d.FPDFImageObj_GetImagePixelSize(&requests.FPDFImageObj_GetImagePixelSize{ImageObject: ref})
	if err != nil {
		return nil, err
	}
	m, err := d.FPDFPageObj_GetMatrix(&requests.FPDFPageObj_GetMatrix{PageObject: ref})
	if err != nil {
		return nil, err
	}
	im := &placed{ref: ref, width: int(size.Width), height: int(size.Height), orientation: placement(m.Matrix, quarterTurns)}
	if w := math.Hypot(float64(m.Matrix.A), float64(m.Matrix.B)); w > 0 {
		im.dpiX = float64(im.width) / w * pdfPoint
	}
	if h := math.Hypot(float64(m.Matrix.C), float64(m.Matrix.D)); h > 0 {
		im.dpiY = float64(im.height) / h * pdfPoint
	}
	return im, nil
}

// placement turns the matrix that lays the unit square of an image on the page
// (ISO 32000-1, 8.3 and 8.9.5) and the page's clockwise quarter turns into an
// EXIF orientation; 0 where the image lies askew.
func placement(m structs.FPDF_FS_MATRIX, quarterTurns int) int {
	// The image's rows run along right and its columns along down, on a screen whose y runs down.
	right := [2]float64{float64(m.A), -float64(m.B)}
	down := [2]float64{-float64(m.C), float64(m.D)}
	for range quarterTurns {
		right, down = [2]float64{-right[1], right[0]}, [2]float64{-down[1], down[0]}
	}
	sign := func(v [2]float64) [2]int {
		const askew = 1e-3
		x, y := math.Abs(v[0]), math.Abs(v[1])
		switch {
		case y <= askew*x && x > 0:
			return [2]int{int(math.Copysign(1, v[0])), 0}
		case x <= askew*y && y > 0:
			return [2]int{0, int(math.Copysign(1, v[1]))}
		}
		return [2]int{}
	}
	return map[[2][2]int]int{
		{{1, 0}, {0, 1}}:   1,
		{{-1, 0}, {0, 1}}:  2,
		{{-1, 0}, {0, -1}}: 3,
		{{1, 0}, {0, -1}}:  4,
		{{0, 1}, {1, 0}}:   5,
		{{0, 1}, {-1, 0}}:  6,
		{{0, -1}, {-1, 0}}: 7,
		{{0, -1}, {1, 0}}:  8,
	}[[2][2]int{sign(right), sign(down)}]
}

// extract takes an image's own pixels: a plain JPEG goes to the same decoder as
// a JPEG file, anything else is decoded, not resampled, by PDFium.
func (d document) extract(page requests.Page, im *placed) (*picture.Picture, error) {
	h := &header{width: im.width, height: im.height}
	if err := h.check(); err != nil {
		return nil, err
	}
	meta, err := d.FPDFImageObj_GetImageMetadata(&requests.FPDFImageObj_GetImageMetadata{Page: page, ImageObject: im.ref})
	if err != nil {
		return nil, err
	}
	pic, err := d.jpeg(im, meta.ImageMetadata.Colorspace)
	if err != nil {
		return nil, err
	}
	if pic == nil {
		bitmap, err := d.FPDFImageObj_GetBitmap(&requests.FPDFImageObj_GetBitmap{ImageObject: im.ref})
		if err != nil {
			return nil, tooMuch(err)
		}
		if pic, err = d.pixels(bitmap.Bitmap); err != nil {
			return nil, err
		}
		toGrey(pic)
		pic.Bilevel = meta.ImageMetadata.BitsPerPixel == 1 || pic.Channels == 1 && twoLevels(pic.Pix)
	}
	pic.DPIX, pic.DPIY = im.dpiX, im.dpiY
	pic.Source = "pdf: the page's own image"
	orient(pic, im.orientation)
	return pic, nil
}

// jpeg decodes an image that is a grey or colour JPEG; nil where it is none.
func (d document) jpeg(im *placed, space enums.FPDF_COLORSPACE) (*picture.Picture, error) {
	n, err := d.FPDFImageObj_GetImageFilterCount(&requests.FPDFImageObj_GetImageFilterCount{ImageObject: im.ref})
	if err != nil || n.Count != 1 {
		return nil, err
	}
	filter, err := d.FPDFImageObj_GetImageFilter(&requests.FPDFImageObj_GetImageFilter{ImageObject: im.ref})
	if err != nil || filter.ImageFilter != "DCTDecode" || reversed.Match(d.data) {
		return nil, err
	}
	switch space {
	case enums.FPDF_COLORSPACE_DEVICEGRAY, enums.FPDF_COLORSPACE_DEVICERGB, enums.FPDF_COLORSPACE_CALGRAY,
		enums.FPDF_COLORSPACE_CALRGB, enums.FPDF_COLORSPACE_ICCBASED:
	default:
		return nil, nil
	}
	raw, err := d.FPDFImageObj_GetImageDataRaw(&requests.FPDFImageObj_GetImageDataRaw{ImageObject: im.ref})
	if err != nil {
		return nil, err
	}
	if sniff(raw.Data) != "jpeg" {
		return nil, fault(copyAnew, "the PDF's image is damaged")
	}
	h, err := parseJPEG(raw.Data)
	if err != nil || h.cmyk {
		return nil, err
	}
	h.orientation = 1 // the page alone says how the image lies
	return decode(raw.Data, h)
}

// render draws the whole page at the resolution of its images.
func (d document) render(page requests.Page, dpi float64) (*picture.Picture, error) {
	w, err := d.FPDF_GetPageWidthF(&requests.FPDF_GetPageWidthF{Page: page})
	if err != nil {
		return nil, err
	}
	h, err := d.FPDF_GetPageHeightF(&requests.FPDF_GetPageHeightF{Page: page})
	if err != nil {
		return nil, err
	}
	width, height := float64(w.PageWidth)/pdfPoint, float64(h.PageHeight)/pdfPoint
	if dpi == 0 {
		dpi = renderDPI
	}
	dpi = min(max(dpi, 100), 400, math.Sqrt(renderMax/(width*height)), maxSide/max(width, height))
	dpi = math.Floor(dpi + 1e-6)
	nx, ny := int(math.Round(width*dpi)), int(math.Round(height*dpi))
	if dpi < 50 || nx < 1 || ny < 1 {
		return nil, fault("print it to A4 or letter", "the PDF's page measures %.0f × %.0f inches", width, height)
	}
	bitmap, err := d.FPDFBitmap_Create(&requests.FPDFBitmap_Create{Width: nx, Height: ny})
	if err != nil {
		return nil, err
	}
	const white = 0xffffffff
	if _, err = d.FPDFBitmap_FillRect(&requests.FPDFBitmap_FillRect{Bitmap: bitmap.Bitmap, Width: nx, Height: ny, Color: white}); err != nil {
		return nil, err
	}
	if _, err = d.FPDF_RenderPageBitmap(&requests.FPDF_RenderPageBitmap{
		Bitmap: bitmap.Bitmap, Page: page, SizeX: nx, SizeY: ny, Flags: enums.FPDF_RENDER_FLAG_ANNOT,
	}); err != nil {
		return nil, err
	}
	pic, err := d.pixels(bitmap.Bitmap)
	if err != nil {
		return nil, err
	}
	toGrey(pic)
	pic.DPIX, pic.DPIY = float64(nx)/width, float64(ny)/height
	pic.Source = fmt.Sprintf("pdf: rendered at %.0f dpi", dpi)
	return pic, nil
}

// pixels copies a bitmap out of the sandbox.
func (d document) pixels(ref references.FPDF_BITMAP) (*picture.Picture, error) {
	format, err := d.FPDFBitmap_GetFormat(&requests.FPDFBitmap_GetFormat{Bitmap: ref})
	if err != nil {
		return nil, err
	}
	w, err := d.FPDFBitmap_GetWidth(&requests.FPDFBitmap_GetWidth{Bitmap: ref})
	if err != nil {
		return nil, err
	}
	h, err := d.FPDFBitmap_GetHeight(&requests.FPDFBitmap_GetHeight{Bitmap: ref})
	if err != nil {
		return nil, err
	}
	stride, err := d.FPDFBitmap_GetStride(&requests.FPDFBitmap_GetStride{Bitmap: ref})
	if err != nil {
		return nil, err
	}
	buffer, err := d.FPDFBitmap_GetBuffer(&requests.FPDFBitmap_GetBuffer{Bitmap: ref})
	if err != nil {
		return nil, err
	}
	bytesPer := map[enums.FPDF_BITMAP_FORMAT]int{
		enums.FPDF_BITMAP_FORMAT_GRAY: 1, enums.FPDF_BITMAP_FORMAT_BGR: 3,
		enums.FPDF_BITMAP_FORMAT_BGRX: 4, enums.FPDF_BITMAP_FORMAT_BGRA: 4,
	}[format.Format]
	if bytesPer == 0 || w.Width < 1 || h.Height < 1 || stride.Stride < w.Width*bytesPer {
		return nil, errors.New("unknown form of bitmap")
	}
	p := &picture.Picture{Width: w.Width, Height: h.Height, Channels: bytesPer}
	p.Pix = make([]uint8, 0, w.Width*h.Height*bytesPer)
	for y := range h.Height {
		row := buffer.Buffer[y*stride.Stride:][:w.Width*bytesPer]
		if format.Format == enums.FPDF_BITMAP_FORMAT_BGRX {
			for x := 3; x < len(row); x += 4 {
				row[x] = 255 // the unused byte is no alpha
			}
		}
		p.Pix = append(p.Pix, row...)
	}
	layOnWhite(p, false)
	return p, nil
}
