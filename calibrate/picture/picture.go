// Package picture holds one decoded picture as plain memory: the currency
// between the rooms that look at paper. It knows nothing of files or charts.
package picture

import "image"

// Picture is one upright picture: Width × Height pixels, row by row, Channels
// bytes a pixel. With three channels a pixel is blue, green, red; with one it
// is grey. The centre of the top left pixel is (0, 0), x runs right, y down.
type Picture struct {
	Width, Height int
	Channels      int     // 1 or 3
	Pix           []uint8 // len = Width*Height*Channels
	DPIX, DPIY    float64 // as the file says it, 0 where it does not; a hint, never the scale
	Bilevel       bool    // black and white alone
	Source        string  // how the pixels were got, in words: "jpeg", "pdf: rendered at 300 dpi"
}

// Image is the picture as the standard library has it; a grey one shares its pixels.
func (p *Picture) Image() image.Image {
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

// Plane copies out one channel (0 blue, 1 green, 2 red; of a grey picture always the only one).
func (p *Picture) Plane(channel int) []uint8 {
	if p.Channels == 1 {
		return p.Pix
	}
	out := Large[uint8](p.Width * p.Height)
	const eight = 8 // bounds are looked at once for so many
	to, from, n := out, p.Pix[channel:], p.Channels
	for len(to) >= eight && len(from) > eight*n {
		a, b := from[:7*n+1], to[:eight]
		b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7] = a[0], a[n], a[2*n], a[3*n], a[4*n], a[5*n], a[6*n], a[7*n]
		from, to = from[eight*n:], to[eight:]
	}
	for i := range to {
		to[i] = from[i*n]
	}
	return out
}

// Inside says whether the four pixels around (x, y) all lie in the picture, so that Sample may be called.
func (p *Picture) Inside(x, y float64) bool {
	return x >= 0 && y >= 0 && x < float64(p.Width-1) && y < float64(p.Height-1)
}

// Sample is the bilinear value (0–255) of one channel at pixel coordinates (x, y), which must be Inside.
func (p *Picture) Sample(x, y float64, channel int) float32 {
	ix, iy := int(x), int(y)
	fx, fy := float32(x-float64(ix)), float32(y-float64(iy))
	if p.Channels == 1 {
		channel = 0
	}
	i := (iy*p.Width+ix)*p.Channels + channel
	j := i + p.Width*p.Channels
	a, b := float32(p.Pix[i]), float32(p.Pix[i+p.Channels])
	c, d := float32(p.Pix[j]), float32(p.Pix[j+p.Channels])
	top := a + (b-a)*fx
	return top + (c+(d-c)*fx-top)*fy
}
