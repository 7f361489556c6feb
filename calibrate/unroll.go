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

// latticeMM is the distance between exact evaluations of the map. Between them
// it is taken as bilinear; the sagitta left over, latticeMM²/(8·radius), stays
// under a micrometre at the radii of charts.
const latticeMM = 0.5

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
			dst[k] = make([]float32, n)
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

	// Exact positions at the lattice, two lattice columns at a time.
	lr := (f.Rows-1)/cr + 2
	lag, radius := make([]float64, lr), make([]float64, lr)
	for i := range lag {
		radius[i] = math.Max(0.1, f.Radius+float64(i*cr)*f.RadiusStep)
		lag[i] = face.Form.Lag(radius[i])
	}
	exact := func(c int, xs, ys []float64) {
		a := turn * (f.Hour + float64(c)*f.HourStep)
		for i, r := range radius {
			sin, cos := math.Sincos(a + lag[i])
			xs[i], ys[i] = face.Warp.Pixel(r*cos, r*sin)
		}
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

func cell(step float64) int {
	if step <= 0 || step > latticeMM {
		return 1
	}
	return int(latticeMM / step)
}

// column samples one column of the frame, its positions given every cr rows.
func column(pic *picture.Picture, lx, ly []float64, cr, rows int, dst [][]float32, at int) {
	w, h := pic.Width, pic.Height
	ch := pic.Channels
	stride := w * ch
	xmax, ymax := float64(w-1), float64(h-1)
	pix := pic.Pix
	for i := 0; i*cr < rows; i++ {
		x, y := lx[i], ly[i]
		dx, dy := (lx[i+1]-x)/float64(cr), (ly[i+1]-y)/float64(cr)
		end := min((i+1)*cr, rows)
		for r := i * cr; r < end; r++ {
			if !(x >= 0 && y >= 0 && x < xmax && y < ymax) {
				for k := range dst {
					dst[k][at+r] = Outside
				}
				x, y = x+dx, y+dy
				continue
			}
			ix, iy := int(x), int(y)
			fx, fy := float32(x-float64(ix)), float32(y-float64(iy))
			o := iy*stride + ix*ch
			if ch == 3 {
				p, q := pix[o:o+6:o+6], pix[o+stride:o+stride+6:o+stride+6]
				for k := range 3 {
					a, b := float32(p[k]), float32(q[k])
					a += (float32(p[k+3]) - a) * fx
					b += (float32(q[k+3]) - b) * fx
					dst[k][at+r] = a + (b-a)*fy
				}
			} else {
				a, b := float32(pix[o]), float32(pix[o+stride])
				a += (float32(pix[o+1]) - a) * fx
				b += (float32(pix[o+stride+1]) - b) * fx
				dst[0][at+r] = a + (b-a)*fy
			}
			x, y = x+dx, y+dy
		}
	}
}
