package scan

/*
#cgo CXXFLAGS: --std=c++11
#include "shim.h"
*/
import "C"

import (
	"bytes"
	"errors"
	"image/jpeg"
	"io"
	"unsafe"

	"gocv.io/x/gocv"

	"penarm/calibrate/picture"
)

// One worker process runs on each core, so OpenCV's own threads would only
// fight over them.
func init() { C.penarm_setup() }

// decode lets OpenCV decode data as stored and brings the result into the form
// of a picture.Picture. The usual kinds of scan are decoded straight into the
// picture's memory; the others go through a Mat.
func decode(data []byte, h *header) (*picture.Picture, error) {
	broken := func(why string) error {
		name := map[string]string{"jpeg": "JPEG", "png": "PNG", "tiff": "TIFF"}[h.kind]
		return fault(copyAnew, "the %s's pixels cannot be decoded%s", name, why)
	}
	p := &picture.Picture{
		Width: h.width, Height: h.height, Channels: h.channels,
		DPIX: h.dpiX, DPIY: h.dpiY, Source: h.kind,
	}
	p.Pix = picture.Large[uint8](p.Width * p.Height * p.Channels)
	m := gocv.NewMat()
	defer m.Close()
	var message [256]C.char
	switch C.penarm_decode(unsafe.Pointer(&data[0]), C.int(len(data)), unsafe.Pointer(&p.Pix[0]), C.int(p.Width), C.int(p.Height),
		C.int(p.Channels), unsafe.Pointer(m.Ptr()), &message[0], C.size_t(len(message))) {
	case 0:
	case 1:
		if m.Cols() != h.width || m.Rows() != h.height {
			return nil, broken(" (the header gives another size than the pixels)")
		}
		p.Channels = m.Channels()
		if p.Channels != 1 && p.Channels != 3 && p.Channels != 4 {
			return nil, fault(saveAs, "the picture has %d channels, which is not read", p.Channels)
		}
		var err error
		if p.Pix, err = bytesOf(m); err != nil {
			return nil, broken(" (" + err.Error() + ")")
		}
	default:
		why := C.GoString(&message[0])
		if why != "" {
			why = " (" + why + ")"
		}
		return nil, broken(why)
	}
	if h.kind == "jpeg" && flatEnd(p) && endsEarly(data) {
		return nil, fault(copyAnew, "the JPEG's pixels end before the picture does")
	}
	layOnWhite(p, h.premultiplied)
	if h.bilevel || twoLevels(p.Pix) {
		toGrey(p)
		p.Bilevel = h.bilevel || p.Channels == 1
	}
	orient(p, h.orientation)
	return p, nil
}

// flatEnd says whether the last row is of one colour all along, as where a decoder had nothing left to fill it with.
func flatEnd(p *picture.Picture) bool {
	row := p.Pix[(p.Height-1)*p.Width*p.Channels:]
	return bytes.Equal(row[p.Channels:], row[:len(row)-p.Channels])
}

// endsEarly says whether the data of a JPEG end before its pixels do: its markers may all be there. OpenCV does not tell;
// Go's decoder does, which takes three times as long.
func endsEarly(data []byte) bool {
	_, err := jpeg.Decode(bytes.NewReader(data))
	var broken jpeg.FormatError
	return errors.As(err, &broken) || errors.Is(err, io.ErrUnexpectedEOF)
}

// bytesOf copies a Mat out as 8 bits a channel.
func bytesOf(m gocv.Mat) ([]uint8, error) {
	switch m.Type() &^ (7 << 3) { // depth alone
	case gocv.MatTypeCV8U:
		pix, err := m.DataPtrUint8()
		return bytes.Clone(pix), err
	case gocv.MatTypeCV16U:
		pix, err := m.DataPtrUint16()
		out := make([]uint8, len(pix))
		for i, v := range pix {
			out[i] = uint8((uint32(v) + 128) / 257) // 65535 → 255, rounded
		}
		return out, err
	}
	return nil, errors.New("the samples have neither 8 nor 16 bits")
}

// layOnWhite takes the fourth channel, alpha, away as paper would.
func layOnWhite(p *picture.Picture, premultiplied bool) {
	if p.Channels != 4 {
		return
	}
	n := p.Width * p.Height
	for i := range n {
		src, dst := p.Pix[4*i:4*i+4], p.Pix[3*i:3*i+3]
		a := uint32(src[3])
		for c := range dst {
			v := uint32(src[c]) * 255
			if !premultiplied {
				v = uint32(src[c]) * a
			}
			dst[c] = uint8(min(255, (v+(255-a)*255+127)/255))
		}
	}
	p.Pix, p.Channels = p.Pix[:3*n:3*n], 3
}

// toGrey keeps one channel of a colour picture that has no colour.
func toGrey(p *picture.Picture) {
	if p.Channels != 3 {
		return
	}
	for i := 0; i < len(p.Pix); i += 3 {
		if p.Pix[i] != p.Pix[i+1] || p.Pix[i] != p.Pix[i+2] {
			return
		}
	}
	n := p.Width * p.Height
	out := make([]uint8, n)
	for i := range out {
		out[i] = p.Pix[3*i]
	}
	p.Pix, p.Channels = out, 1
}

// twoLevels says whether all samples are black or white: eight bits may hold what had one.
func twoLevels(pix []uint8) bool {
	for _, v := range pix {
		if v != 0 && v != 255 {
			return false
		}
	}
	return true
}

// orient turns the stored picture upright: EXIF 2.32 and TIFF 6.0, tag 274,
// where o says on which sides the stored first row and first column belong.
func orient(p *picture.Picture, o int) {
	if o <= 1 || o > 8 {
		return
	}
	w, h := p.Width, p.Height
	// Pixel (x, y) of the upright picture is the stored pixel start + x·dx + y·dy.
	var start, dx, dy int
	switch o {
	case 2: // right to left
		start, dx, dy = w-1, -1, w
	case 3: // upside down
		start, dx, dy = w*h-1, -1, -w
	case 4: // bottom to top
		start, dx, dy = (h-1)*w, 1, -w
	case 5: // rows are columns
		start, dx, dy = 0, w, 1
	case 6: // a quarter turn clockwise makes it upright
		start, dx, dy = (h-1)*w, -w, 1
	case 7:
		start, dx, dy = w*h-1, -w, -1
	case 8: // a quarter turn counterclockwise
		start, dx, dy = w-1, w, -1
	}
	if o >= 5 {
		p.Width, p.Height = h, w
		p.DPIX, p.DPIY = p.DPIY, p.DPIX
	}
	out := make([]uint8, len(p.Pix))
	const tile = 32 // keeps both sides of a transposition in the cache
	for y0 := 0; y0 < p.Height; y0 += tile {
		for x0 := 0; x0 < p.Width; x0 += tile {
			x1 := min(x0+tile, p.Width)
			for y := y0; y < min(y0+tile, p.Height); y++ {
				from := start + x0*dx + y*dy
				to := y*p.Width + x0
				if p.Channels == 1 {
					for range x1 - x0 {
						out[to] = p.Pix[from]
						to, from = to+1, from+dx
					}
					continue
				}
				for range x1 - x0 {
					d, s := out[3*to:3*to+3:3*to+3], p.Pix[3*from:3*from+3:3*from+3]
					d[0], d[1], d[2] = s[0], s[1], s[2]
					to, from = to+1, from+dx
				}
			}
		}
	}
	p.Pix = out
}
