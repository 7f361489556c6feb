package calibrate

import (
	"math"

	"penarm/calibrate/picture"
)

// Frame is a grid in the face's own coordinates: columns are printed time,
// rows are radius, so that printed arcs are columns and printed circles rows.
// Column c stands at Hour + c·HourStep printed hours (not reduced to one
// turn), row r at Radius + r·RadiusStep mm.
type Frame struct {
	Hour, HourStep     float64
	Columns            int
	Radius, RadiusStep float64
	Rows               int
}

// Outside is the value that Unroll leaves where the frame lies outside the picture.
const Outside = -1

// latticeMM is the distance between points of the map that is taken as bilinear between them; the sagitta
// left over, latticeMM²/(8·radius), stays under two micrometres at the radii of charts. Along an arc the map is evaluated only every
// knotMM, and cubic between: what that leaves, knotMM⁴/(24·arm³), is far less.
const (
	latticeMM = 0.5
	knotMM    = 4.0
)

// Unroll resamples the picture into the frame, bilinearly: one plane a channel,
// values 0–255, stored column by column (plane[c·Rows + r]), Outside where the
// picture ends. Planes of dst are reused where they are large enough; dst may be nil.
func Unroll(pic *picture.Picture, face *Face, f Frame, dst [][]float32) [][]float32 {
	n := f.Columns * f.Rows
	for len(dst) < pic.Channels {
		dst = append(dst, nil)
	}
	dst = dst[:pic.Channels]
	for k := range dst {
		if cap(dst[k]) < n {
			dst[k] = picture.Large[float32](n)
		}
		dst[k] = dst[k][:n]
	}
	if n == 0 {
		return dst
	}
	turn := face.Form.Direction() * 2 * math.Pi / face.Form.RotationHours
	widest := math.Abs(turn*f.HourStep) * math.Max(1, f.Radius+float64(f.Rows)*f.RadiusStep)
	cc := cell(widest)
	cr := cell(f.RadiusStep)

	// Exact positions at knots of the lattice, from there at all of it, two lattice columns at a time.
	lr := (f.Rows-1)/cr + 2
	along := newCubic(lr, int(knotMM/(float64(cr)*f.RadiusStep)))
	lag, radius := make([]float64, along.knots), make([]float64, along.knots)
	for i := range lag {
		radius[i] = math.Max(0.1, f.Radius+float64(i*along.every*cr)*f.RadiusStep)
		lag[i] = face.Form.Lag(radius[i])
	}
	kx, ky := make([]float64, along.knots), make([]float64, along.knots)
	exact := func(c int, xs, ys []float64) {
		a := turn * (f.Hour + float64(c)*f.HourStep)
		for i, r := range radius {
			sin, cos := math.Sincos(a + lag[i])
			kx[i], ky[i] = face.Warp.Pixel(r*cos, r*sin)
		}
		along.fill(kx, xs)
		along.fill(ky, ys)
	}
	x0, y0 := make([]float64, lr), make([]float64, lr)
	x1, y1 := make([]float64, lr), make([]float64, lr)
	lx, ly := make([]float64, lr), make([]float64, lr)
	exact(0, x1, y1)
	for c := 0; c < f.Columns; c += cc {
		x0, x1, y0, y1 = x1, x0, y1, y0
		exact(c+cc, x1, y1)
		for k := 0; k < cc && c+k < f.Columns; k++ {
			t := float64(k) / float64(cc)
			for i := range lx {
				lx[i] = x0[i] + (x1[i]-x0[i])*t
				ly[i] = y0[i] + (y1[i]-y0[i])*t
			}
			column(pic, lx, ly, cr, f.Rows, dst, (c+k)*f.Rows)
		}
	}
	return dst
}

// cubic interpolates n values by cubics through every so many-th of them (Lagrange's formula on four knots; Abramowitz and
// Stegun, 25.2.13), which may go on beyond the last.
type cubic struct {
	every, knots int
	weight       [][4]float64 // of the four knots, by place after the second
}

// fewKnots is the number up to which values are cheaper to give all.
const fewKnots = 6

func newCubic(n, every int) cubic {
	if every < 2 || n <= fewKnots {
		return cubic{every: 1, knots: n}
	}
	c := cubic{every: every, knots: max(4, (n+every-2)/every+1), weight: make([][4]float64, 3*every+1)}
	for i := range c.weight {
		p := float64(i)/float64(every) - 1 // from the second knot on
		c.weight[i] = [4]float64{-p * (p - 1) * (p - 2) / 6, (p*p - 1) * (p - 2) / 2, -p * (p + 1) * (p - 2) / 2, p * (p*p - 1) / 6}
	}
	return c
}

// fill gives all values from those of the knots.
func (c *cubic) fill(knots, all []float64) {
	if c.every == 1 {
		copy(all, knots)
		return
	}
	for i := range all {
		k := min(max(i/c.every-1, 0), c.knots-4)
		q, w := knots[k:k+4], &c.weight[i-k*c.every]
		all[i] = w[0]*q[0] + w[1]*q[1] + w[2]*q[2] + w[3]*q[3]
	}
}

func cell(step float64) int {
	if step <= 0 || step > latticeMM {
		return 1
	}
	return int(latticeMM / step)
}

// column samples one column of the frame, its positions given every cr rows.
func column(pic *picture.Picture, lx, ly []float64, cr, rows int, dst [][]float32, at int) {
	ch := pic.Channels
	stride := pic.Width * ch
	xmax, ymax := uint64(toFixed(float64(pic.Width-1))), uint64(toFixed(float64(pic.Height-1)))
	to := func(k int) []float32 { return dst[min(k, ch-1)][at:][:rows] }
	first, second, third := to(0), to(1), to(2)
	for i := 0; i*cr < rows; i++ {
		x, y := toFixed(lx[i]), toFixed(ly[i])
		dx, dy := toFixed((lx[i+1]-lx[i])/float64(cr)), toFixed((ly[i+1]-ly[i])/float64(cr))
		for r := i * cr; r < min((i+1)*cr, rows); r, x, y = r+1, x+dx, y+dy {
			if uint64(x) >= xmax || uint64(y) >= ymax { // what is negative is large, too
				first[r], second[r], third[r] = Outside, Outside, Outside
				continue
			}
			o := int(y>>fixedBits)*stride + int(x>>fixedBits)*ch
			if ch == 1 {
				first[r] = float32(bilinear(pic.Pix, o, 1, stride, x, y)) * (1.0 / weightOne)
				continue
			}
			top, low := pic.Pix[o:][:6], pic.Pix[o+stride:][:6]
			first[r] = float32(between(top[0], top[3], low[0], low[3], x, y)) * (1.0 / weightOne)
			second[r] = float32(between(top[1], top[4], low[1], low[4], x, y)) * (1.0 / weightOne)
			third[r] = float32(between(top[2], top[5], low[2], low[5], x, y)) * (1.0 / weightOne)
		}
	}
}
