package calibrate

import (
	"math"

	"penarm/calibrate/internal/lsq"
)

// termCount is the number of monomials of total degree ≤ d.
func termCount(d int) int { return (d + 1) * (d + 2) / 2 }

// field fits a displacement of the degree to the sightings and gives its coefficients.
func field(ss []sighting, degree int, scale float64) (x, y []float64, rms float64, err error) {
	n := termCount(degree)
	total := 0.0
	for i := range ss {
		total += ss[i].weight
	}
	// a small ridge above the first degree keeps the field quiet where nothing was seen
	ridge := func(i int) float64 {
		if i%n < 3 {
			return 1e-9 * total
		}
		return 1e-6 * total
	}
	var buf [mostTerms]float64
	coef, rms, err := solve(ss, 2*n, ridge, func(px, py float64, bx, by []float64) {
		t := terms(degree, px/scale, py/scale, buf[:0])
		clear(bx)
		clear(by)
		copy(bx[:n], t)
		copy(by[n:], t)
	})
	if err != nil {
		return nil, nil, 0, err
	}
	return coef[:n], coef[n:], rms, nil
}

// shift adds a displacement to the map's own. The scale must be the same.
func (w *Warp) shift(degree int, scale float64, x, y []float64) {
	if degree > w.Degree || len(w.X) < termCount(degree) {
		n := termCount(degree)
		nx, ny := make([]float64, n), make([]float64, n)
		copy(nx, w.X)
		copy(ny, w.Y)
		w.X, w.Y, w.Degree = nx, ny, degree
	} else {
		w.X, w.Y = append([]float64(nil), w.X...), append([]float64(nil), w.Y...)
	}
	w.Scale = scale
	for i := range x {
		w.X[i] += x[i]
		w.Y[i] += y[i]
	}
}

// turn gives the map whose angle 0 is the old map's angle phi.
func (w *Warp) turn(phi float64) (Warp, error) {
	s, c := math.Sincos(phi)
	out := *w
	out.H = multiply(w.H, [9]float64{c, -s, 0, s, c, 0, 0, 0, 1})
	if w.Degree == 0 {
		return out, nil
	}
	// polynomials of a total degree are closed under rotation: solve for the new coefficients on more points than there are
	n := termCount(w.Degree)
	ex, ey := lsq.New(n), lsq.New(n)
	buf, old := make([]float64, 0, n), make([]float64, 0, n)
	for i := range 3 * w.Degree {
		for j := range 3 * w.Degree {
			si, co := math.Sincos(2 * math.Pi * (float64(j) + 0.3*float64(i)) / float64(3*w.Degree))
			r := math.Sqrt((float64(i) + 0.5) / float64(3*w.Degree))
			x, y := r*co, r*si
			old = terms(w.Degree, c*x-s*y, s*x+c*y, old)
			var dx, dy float64
			for k, t := range old {
				dx += t * w.X[k]
				dy += t * w.Y[k]
			}
			buf = terms(w.Degree, x, y, buf)
			ex.Add(buf, c*dx+s*dy, 1)
			ey.Add(buf, c*dy-s*dx, 1)
		}
	}
	var err error
	if out.X, err = ex.Solve(); err != nil {
		return out, err
	}
	out.Y, err = ey.Solve()
	return out, err
}

// heldOut is the rms of block medians (30° × an eighth of the radius) of what a
// field fitted to one half of the sightings leaves in the other half, circles and arcs each.
func heldOut(circles, arcs []sighting, degree int, scale float64) float64 {
	var sum, cnt float64
	for half := range 2 {
		var fit []sighting
		for _, set := range [][]sighting{circles, arcs} {
			for _, s := range set {
				if s.group%2 == half {
					fit = append(fit, s)
				}
			}
		}
		x, y, _, err := field(fit, degree, scale)
		if err != nil {
			return math.Inf(1)
		}
		n := termCount(degree)
		buf := make([]float64, 0, n)
		for _, set := range [][]sighting{circles, arcs} {
			var blocks [12 * 8][]float64
			for _, s := range set {
				if s.group%2 == half {
					continue
				}
				buf = terms(degree, s.x/scale, s.y/scale, buf)
				v := s.off
				for k, t := range buf {
					v -= t * (x[k]*s.nx + y[k]*s.ny)
				}
				a := int((math.Atan2(s.y, s.x)/(2*math.Pi) + 0.5) * 12)
				b := int(math.Hypot(s.x, s.y) / scale * 7.99)
				i := min(a, 11)*8 + min(b, 7)
				blocks[i] = append(blocks[i], v)
			}
			for _, b := range blocks {
				if len(b) > 0 {
					m := median(b)
					sum += m * m
					cnt++
				}
			}
		}
	}
	if cnt == 0 {
		return math.Inf(1)
	}
	return math.Sqrt(sum / cnt)
}
