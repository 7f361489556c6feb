package evidence

import (
	"image"
	"image/color"
	"image/draw"
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

// canvas is a picture that is drawn on. Coordinates and widths are pixels, (0, 0) the
// centre of the top left one, of a picture k times smaller than img.
type canvas struct {
	img     *image.RGBA
	k       float64
	cover   []uint8 // how far the stroke in work covers each pixel: a stroke blends once, also where it crosses itself
	touched []int32
}

func newCanvas(img *image.RGBA, k float64) *canvas {
	return &canvas{img: img, k: k, cover: make([]uint8, img.Rect.Dx()*img.Rect.Dy())}
}

// pixel is where a point lies in img.
func (c *canvas) pixel(p point) point {
	return point{(p.x+0.5)*c.k - 0.5, (p.y+0.5)*c.k - 0.5}
}

// capsule covers the points within width/2 of the segment, soft over one pixel.
func (c *canvas) capsule(a, b point, width float64) {
	w, h := c.img.Rect.Dx(), c.img.Rect.Dy()
	a, b = c.pixel(a), c.pixel(b)
	r := width*c.k/2 + 0.5
	x0, x1 := max(0, int(math.Floor(math.Min(a.x, b.x)-r))), min(w-1, int(math.Ceil(math.Max(a.x, b.x)+r)))
	y0, y1 := max(0, int(math.Floor(math.Min(a.y, b.y)-r))), min(h-1, int(math.Ceil(math.Max(a.y, b.y)+r)))
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
			v := uint8(255 * math.Min(1, r-math.Sqrt(d2)))
			if i := y*w + x; v > c.cover[i] {
				if c.cover[i] == 0 {
					c.touched = append(c.touched, int32(i))
				}
				c.cover[i] = v
			}
		}
	}
}

// blend lays the colour where the stroke covers and makes the canvas ready for the next stroke.
func (c *canvas) blend(col color.RGBA) {
	w := c.img.Rect.Dx()
	for _, i := range c.touched {
		a := uint32(c.cover[i]) * uint32(col.A) / 255
		c.cover[i] = 0
		p := c.img.Pix[(int(i)/w)*c.img.Stride+(int(i)%w)*4:]
		p[0] = uint8((uint32(p[0])*(255-a) + uint32(col.R)*a + 127) / 255)
		p[1] = uint8((uint32(p[1])*(255-a) + uint32(col.G)*a + 127) / 255)
		p[2] = uint8((uint32(p[2])*(255-a) + uint32(col.B)*a + 127) / 255)
	}
	c.touched = c.touched[:0]
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
	r := image.Rect(int(math.Round(x0*c.k)), int(math.Round(y0*c.k)), int(math.Round(x1*c.k)), int(math.Round(y1*c.k)))
	draw.Draw(c.img, r, image.NewUniform(color.NRGBA(col)), image.Point{}, draw.Over)
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
	d := font.Drawer{Dst: c.img, Src: image.NewUniform(col), Face: l.face}
	q := c.pixel(point{p.x - align*l.width(s), p.y + 0.36*l.size})
	d.Dot = fixed.Point26_6{X: fixed.Int26_6(64 * q.x), Y: fixed.Int26_6(64 * q.y)}
	d.DrawString(s)
}

// tag writes s centred at p on a light ground, so that it reads over print and ink.
func (c *canvas) tag(l *letters, p point, s string, col color.RGBA) {
	w := l.width(s)/2 + 0.2*l.size
	c.fill(p.x-w, p.y-0.62*l.size, p.x+w, p.y+0.62*l.size, color.RGBA{255, 255, 255, 205})
	c.text(l, p, 0.5, s, col)
}

// resize gives the picture as RGBA of w × h pixels: the mean over each new
// pixel's footprint when it shrinks, linear between pixels when it grows.
func resize(p *picture.Picture, w, h int) *image.RGBA {
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	xs := taps(p.Width, w)
	ch := p.Channels
	wide := p.Width * ch
	acc := make([]uint32, wide)
	for y, t := range taps(p.Height, h) {
		// Rows first: long runs of neighbouring bytes are what a processor is quick at.
		for k, wt := range t.weights {
			src := p.Pix[(t.from+k)*wide : (t.from+k+1)*wide]
			acc := acc[:len(src)]
			if k == 0 {
				for i, v := range src {
					acc[i] = wt * uint32(v)
				}
				continue
			}
			for i, v := range src {
				acc[i] += wt * uint32(v)
			}
		}
		o := out.Pix[y*out.Stride : y*out.Stride+4*w]
		for x, t := range xs {
			var b, g, r uint32
			from := acc[t.from*ch : (t.from+len(t.weights))*ch]
			if ch == 3 {
				for k, wt := range t.weights {
					v := from[3*k : 3*k+3 : 3*k+3]
					b, g, r = b+wt*(v[0]>>spare), g+wt*(v[1]>>spare), r+wt*(v[2]>>spare)
				}
			} else {
				for k, wt := range t.weights {
					b += wt * (from[k] >> spare)
				}
				g, r = b, b
			}
			q := o[4*x : 4*x+4 : 4*x+4]
			q[0], q[1], q[2], q[3] = uint8((r+half)>>(2*shift-spare)), uint8((g+half)>>(2*shift-spare)), uint8((b+half)>>(2*shift-spare)), 255
		}
	}
	return out
}

const (
	shift = 14                         // bits of a weight
	spare = 6                          // bits dropped between rows and columns: 8 + 2·shift − spare must fit 32
	half  = 1 << (2*shift - spare - 1) // of the last bit kept
)

// tap is which old pixels make one new one, weights in 1/2^shift.
type tap struct {
	from    int
	weights []uint32
}

func taps(old, new int) []tap {
	out := make([]tap, new)
	s := float64(old) / float64(new)
	for i := range out {
		mid, reach := (float64(i)+0.5)*s-0.5, math.Max(1, s) // triangle when growing, box when shrinking
		lo, hi := max(0, int(math.Ceil(mid-reach))), min(old-1, int(math.Floor(mid+reach)))
		var w []float64
		sum := 0.0
		for j := lo; j <= hi; j++ {
			d := math.Abs(float64(j) - mid)
			v := 1 - d
			if s > 1 {
				v = math.Min(1, s/2+0.5-d)
			}
			v = math.Max(0, v)
			w, sum = append(w, v), sum+v
		}
		for len(w) > 1 && w[0] == 0 {
			w, lo = w[1:], lo+1
		}
		for len(w) > 1 && w[len(w)-1] == 0 {
			w = w[:len(w)-1]
		}
		t := tap{from: lo}
		left := uint32(1 << shift)
		for j, v := range w {
			k := uint32(math.Round(v / sum * (1 << shift)))
			if j == len(w)-1 || k > left {
				k = left
			}
			left -= k
			t.weights = append(t.weights, k)
		}
		out[i] = t
	}
	return out
}
