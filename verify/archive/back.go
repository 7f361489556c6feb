package archive

import (
	"bytes"
	"image/jpeg"

	"penarm/calibrate"
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
	err = jpeg.Encode(&b, pic.Image(), &jpeg.Options{Quality: 80})
	return back{page, calibrate.Written(pic), b.Bytes()}, err
}
