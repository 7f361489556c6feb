package archive

import (
	"bytes"
	"image"
	"image/jpeg"

	"penarm/calibrate"
	"penarm/calibrate/picture"
)

// back is the back of a chart: kept beside the chart's result, and said to be
// written on where it carries ink.
type back struct {
	page    int
	written bool
	jpeg    []byte
}

func (c *Checker) back(path string, page int) (back, error) {
	pic, err := c.open.Open(path, page)
	if err != nil {
		return back{}, err
	}
	var b bytes.Buffer
	err = jpeg.Encode(&b, imageOf(pic), &jpeg.Options{Quality: 80})
	return back{page, calibrate.Written(pic), b.Bytes()}, err
}

// imageOf is the picture as the standard library has it.
func imageOf(p *picture.Picture) image.Image {
	r := image.Rect(0, 0, p.Width, p.Height)
	if p.Channels == 1 {
		return &image.Gray{Pix: p.Pix, Stride: p.Width, Rect: r}
	}
	m := image.NewRGBA(r)
	for i, j := 0, 0; i < len(p.Pix); i, j = i+3, j+4 {
		m.Pix[j], m.Pix[j+1], m.Pix[j+2], m.Pix[j+3] = p.Pix[i+2], p.Pix[i+1], p.Pix[i], 255
	}
	return m
}
