package evidence

import (
	"encoding/binary"
	"image"
	"image/color"
	"math"
	"slices"
	"sync"

	"codeberg.org/go-fonts/dejavu/dejavusans"
	"codeberg.org/go-fonts/dejavu/dejavusansbold"
	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"

	"penarm/calibrate/picture"
	"penarm/digitize/series"
)

// Colours are told apart by the three common kinds of colour blindness and by
// their grey; nothing is said by a colour alone.
var (
	ink     = color.RGBA{25, 25, 35, 255}    // words, hold brackets
	paper   = color.RGBA{255, 255, 255, 255} //
	fitted  = color.RGBA{190, 0, 110, 255}   // the print as fitted
	product = color.RGBA{225, 105, 0, 255}   // the product pen as read
	air     = color.RGBA{0, 125, 200, 255}   // the airspace pen as read
	legal   = color.RGBA{25, 25, 35, 255}    // the legal temperature
	shade   = color.RGBA{222, 226, 234, 255} // the hold
	amber   = color.RGBA{255, 214, 70, 255}  // numbered marks
	quiet   = color.RGBA{105, 108, 118, 255} // second words
	faint   = color.RGBA{205, 208, 214, 255} // grid
)

// penColour is the colour of a pen as read: orange for the product and blue for the
// airspace, the other way round where the product's own ink is reddish and would hide the orange.
func (in *Input) penColour(pen string) color.RGBA {
	if (pen == "airspace") != in.reddish() {
		return air
	}
	return product
}

// reddish says whether the ink of the product pen is nearer to orange than to blue,
// by the median of red less blue at its well read samples, against the paper beside them.
func (in *Input) reddish() bool {
	s, p := in.pen("product"), in.Picture
	if s == nil || p == nil || p.Channels < 3 {
		return false
	}
	warmth := func(q point) (int, bool) {
		x, y := int(math.Round(q.x)), int(math.Round(q.y))
		if x < 0 || y < 0 || x >= p.Width || y >= p.Height {
			return 0, false
		}
		i := (y*p.Width + x) * p.Channels
		return int(p.Pix[i+2]) - int(p.Pix[i]), true
	}
	var all []int
	for i := 0; i < len(s.Samples); i += 1 + len(s.Samples)/200 {
		v := s.Samples[i]
		if v.Quality != series.Good {
			continue
		}
		hours, r := in.hours(s.Pen, v.Time), in.radius(v.Temperature, s.Unit)
		on, ok1 := warmth(in.at(hours, r))
		off, ok2 := warmth(in.at(hours, r+2*besideMM))
		if ok1 && ok2 {
			all = append(all, on-off)
		}
	}
	if len(all) == 0 {
		return false
	}
	slices.Sort(all)
	return all[len(all)/2] > 25
}

// canvas is a picture of blue, green and red that is drawn on. Coordinates and widths are
// pixels, (0, 0) the centre of the top left one, of a picture k times smaller than pic.
type canvas struct {
	pic     *picture.Picture
	clip    image.Rectangle // nothing is drawn outside, in pixels of pic
	k       float64
	cover   []uint8 // how far the stroke in work covers each pixel: a stroke blends once, also where it crosses itself
	touched []int32
}

// newCanvas gives a white canvas of w × h pixels.
func newCanvas(w, h int, k float64) *canvas {
	p := &picture.Picture{Width: w, Height: h, Channels: 3, Pix: picture.Large[uint8](3 * w * h)}
	whiten(p.Pix)
	return &canvas{pic: p, clip: image.Rect(0, 0, w, h), k: k, cover: make([]uint8, w*h)}
}

func whiten(pix []uint8) {
	if len(pix) == 0 {
		return
	}
	pix[0] = 255
	for n := 1; n < len(pix); n *= 2 {
		copy(pix[n:], pix[:n])
	}
}

// pixel is where a point lies in pic.
func (c *canvas) pixel(p point) point {
	return point{(p.x+0.5)*c.k - 0.5, (p.y+0.5)*c.k - 0.5}
}

// touch lets the stroke in work cover the pixel at least that far.
func (c *canvas) touch(x, y int, v uint8) {
	i := y*c.pic.Width + x
	if v <= c.cover[i] {
		return
	}
	if c.cover[i] == 0 {
		c.touched = append(c.touched, int32(i))
	}
	c.cover[i] = v
}

// capsule covers the points within width/2 of the segment, soft over one pixel.
func (c *canvas) capsule(a, b point, width float64) {
	a, b = c.pixel(a), c.pixel(b)
	r := width*c.k/2 + 0.5
	x0, x1 := max(c.clip.Min.X, int(math.Floor(math.Min(a.x, b.x)-r))), min(c.clip.Max.X-1, int(math.Ceil(math.Max(a.x, b.x)+r)))
	y0, y1 := max(c.clip.Min.Y, int(math.Floor(math.Min(a.y, b.y)-r))), min(c.clip.Max.Y-1, int(math.Ceil(math.Max(a.y, b.y)+r)))
	dx, dy := b.x-a.x, b.y-a.y
	l2 := dx*dx + dy*dy
	for y := y0; y <= y1; y++ {
		for x := x0; x <= x1; x++ {
			px, py := float64(x)-a.x, float64(y)-a.y
			if l2 > 0 {
				t := math.Max(0, math.Min(1, (px*dx+py*dy)/l2))
				px, py = px-t*dx, py-t*dy
			}
			d2 := px*px + py*py
			if d2 >= r*r {
				continue
			}
			c.touch(x, y, uint8(255*math.Min(1, r-math.Sqrt(d2))))
		}
	}
}

// blend lays the colour where the stroke covers and makes the canvas ready for the next stroke.
func (c *canvas) blend(col color.RGBA) {
	for _, i := range c.touched {
		over(c.pic.Pix[3*int(i):3*int(i)+3], col, uint32(c.cover[i])*uint32(col.A)/255)
		c.cover[i] = 0
	}
	c.touched = c.touched[:0]
}

// over lays a colour on a pixel, a of 255 parts.
func over(p []uint8, col color.RGBA, a uint32) {
	p[0] = uint8((uint32(p[0])*(255-a) + uint32(col.B)*a + 127) / 255)
	p[1] = uint8((uint32(p[1])*(255-a) + uint32(col.G)*a + 127) / 255)
	p[2] = uint8((uint32(p[2])*(255-a) + uint32(col.R)*a + 127) / 255)
}

// stroke draws a polyline; dash gives on and off lengths in pixels, nil is solid.
func (c *canvas) stroke(pts []point, width float64, col color.RGBA, dash ...float64) {
	if len(dash) == 0 {
		for i := 1; i < len(pts); i++ {
			c.capsule(pts[i-1], pts[i], width)
		}
		c.blend(col)
		return
	}
	k, left := 0, dash[0]
	for i := 1; i < len(pts); i++ {
		a, b := pts[i-1], pts[i]
		for {
			l := math.Hypot(b.x-a.x, b.y-a.y)
			if l <= left {
				if k%2 == 0 {
					c.capsule(a, b, width)
				}
				left -= l
				break
			}
			m := point{a.x + (b.x-a.x)*left/l, a.y + (b.y-a.y)*left/l}
			if k%2 == 0 {
				c.capsule(a, m, width)
			}
			a, k = m, (k+1)%len(dash)
			left = dash[k]
		}
	}
	c.blend(col)
}

func (c *canvas) disc(p point, radius float64, col color.RGBA) {
	c.capsule(p, p, 2*radius)
	c.blend(col)
}

func (c *canvas) fill(x0, y0, x1, y1 float64, col color.RGBA) {
	r := image.Rect(int(math.Round(x0*c.k)), int(math.Round(y0*c.k)), int(math.Round(x1*c.k)), int(math.Round(y1*c.k))).Intersect(c.clip)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := c.pic.Pix[3*y*c.pic.Width:]
		for x := r.Min.X; x < r.Max.X; x++ {
			over(row[3*x:3*x+3], col, uint32(col.A))
		}
	}
}

func (c *canvas) box(x0, y0, x1, y1, width float64, col color.RGBA) {
	c.stroke([]point{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}, {x0, y0}}, width, col)
}

// The parsed fonts are kept: parsing costs more than a page of words.
var fonts = sync.OnceValues(func() ([2]*opentype.Font, error) {
	var out [2]*opentype.Font
	for i, b := range [][]byte{dejavusans.TTF, dejavusansbold.TTF} {
		f, err := opentype.Parse(b)
		if err != nil {
			return out, err
		}
		out[i] = f
	}
	return out, nil
})

// letters draws words of one size and weight.
type letters struct {
	face font.Face
	size float64
	k    float64 // of the canvas that they are for
}

func newLetters(size float64, bold bool, k float64) (*letters, error) {
	fs, err := fonts()
	if err != nil {
		return nil, err
	}
	f := fs[0]
	if bold {
		f = fs[1]
	}
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: size * k, DPI: 72, Hinting: font.HintingNone})
	return &letters{face, size, k}, err
}

func (l *letters) width(s string) float64 {
	return float64(font.MeasureString(l.face, s)) / 64 / l.k
}

// text writes s with its middle left at p; align 0 begins, 0.5 centres, 1 ends at p.
func (c *canvas) text(l *letters, p point, align float64, s string, col color.RGBA) {
	q := c.pixel(point{p.x - align*l.width(s), p.y + 0.36*l.size})
	dot := fixed.Point26_6{X: fixed.Int26_6(64 * q.x), Y: fixed.Int26_6(64 * q.y)}
	before := rune(-1)
	for _, letter := range s {
		if before >= 0 {
			dot.X += l.face.Kern(before, letter)
		}
		r, mask, at, advance, ok := l.face.Glyph(dot, letter)
		if !ok {
			continue
		}
		in := r.Intersect(c.clip)
		for y := in.Min.Y; y < in.Max.Y; y++ {
			for x := in.Min.X; x < in.Max.X; x++ {
				_, _, _, a := mask.At(at.X+x-r.Min.X, at.Y+y-r.Min.Y).RGBA()
				c.touch(x, y, uint8(a>>8))
			}
		}
		dot.X += advance
		before = letter
	}
	c.blend(col)
}

// tag writes s centred at p on a light ground, so that it reads over print and ink.
func (c *canvas) tag(l *letters, p point, s string, col color.RGBA) {
	w := l.width(s)/2 + 0.2*l.size
	c.fill(p.x-w, p.y-0.62*l.size, p.x+w, p.y+0.62*l.size, color.RGBA{255, 255, 255, 205})
	c.text(l, p, 0.5, s, col)
}

// resize draws the part of the picture inside from on the top left w × h pixels of the
// canvas: the mean over each new pixel's footprint when it shrinks, linear between pixels when it grows.
func (c *canvas) resize(p *picture.Picture, from image.Rectangle, w, h int) {
	ch := p.Channels
	wide := from.Dx() * ch
	xs, ys := taps(from.Dx(), w), taps(from.Dy(), h)
	// Eight bytes of a row at once, in two words of four sums of 16 bits: the
	// weights add up to 256, so that no sum runs over.
	const lanes, round = 0x00ff00ff00ff00ff, 0x0080008000800080
	even, odd := make([]uint64, (wide+7)/8), make([]uint64, (wide+7)/8)
	row := make([]uint8, 8*len(even)+8*ch*xs.n) // behind its end: what weights of 0 take in
	last := make([]uint8, 8*len(even))
	for y := range h {
		for k := range ys.n {
			wt := ys.weights[y*ys.n+k]
			if wt == 0 && k > 0 {
				continue
			}
			start := ((from.Min.Y+ys.from[y]+k)*p.Width + from.Min.X) * ch
			src := p.Pix[start:]
			if len(src) < len(last) { // the end of the picture is no multiple of eight
				copy(last, src)
				src = last
			}
			for i := range even {
				v := binary.LittleEndian.Uint64(src[8*i:])
				if k == 0 {
					even[i], odd[i] = (v&lanes)*wt+round, (v>>8&lanes)*wt+round
					continue
				}
				even[i] += (v & lanes) * wt
				odd[i] += (v >> 8 & lanes) * wt
			}
		}
		for i, e := range even {
			binary.LittleEndian.PutUint64(row[8*i:], e>>8&lanes|odd[i]&^lanes)
		}
		out := c.pic.Pix[3*y*c.pic.Width:][:3*w]
		for x := range w {
			var sum uint64 = round
			at := xs.from[x] * ch
			for _, wt := range xs.weights[x*xs.n : (x+1)*xs.n] {
				v := uint64(binary.LittleEndian.Uint32(row[at:]))
				sum += (v&0xff | v&0xff00<<8 | v&0xff0000<<16) * wt
				at += ch
			}
			o := out[3*x : 3*x+3 : 3*x+3]
			if ch == 1 {
				o[0], o[1], o[2] = uint8(sum>>8), uint8(sum>>8), uint8(sum>>8)
				continue
			}
			o[0], o[1], o[2] = uint8(sum>>8), uint8(sum>>24), uint8(sum>>40)
		}
	}
}

// tapped says which n old pixels, from the first one on, make each new one, and
// their weights in 1/256, n for each new pixel.
type tapped struct {
	n       int
	from    []int
	weights []uint64
}

func taps(old, new int) tapped {
	s := float64(old) / float64(new)
	reach := math.Max(1, s) // triangle when growing, box when shrinking
	out := tapped{n: int(reach*2) + 2, from: make([]int, new)}
	out.weights = make([]uint64, out.n*new)
	most := 1
	exact := make([]float64, out.n)
	for i := range out.from {
		mid := (float64(i)+0.5)*s - 0.5
		weight := func(j int) float64 {
			d := math.Abs(float64(j) - mid)
			if s > 1 {
				return math.Max(0, math.Min(1, s/2+0.5-d))
			}
			return math.Max(0, 1-d)
		}
		lo, hi := max(0, int(math.Ceil(mid-reach))), min(old-1, int(math.Floor(mid+reach)))
		for lo < hi && weight(lo) == 0 {
			lo++
		}
		for lo < hi && weight(hi) == 0 {
			hi--
		}
		sum := 0.0
		for j := lo; j <= hi; j++ {
			exact[j-lo] = weight(j)
			sum += exact[j-lo]
		}
		// Each weight is rounded so that all up to it add up best: together they are 256.
		upTo, given := 0.0, uint64(0)
		for j, v := range exact[:hi-lo+1] {
			upTo += v
			w := uint64(math.Round(256*upTo/sum)) - given
			out.weights[i*out.n+j] = w
			given += w
		}
		out.from[i] = lo
		most = max(most, hi-lo+1)
	}
	for i := range out.from { // no more than are needed
		copy(out.weights[i*most:(i+1)*most], out.weights[i*out.n:])
	}
	out.n, out.weights = most, out.weights[:most*new]
	return out
}
