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
	// The equations hold products of two monomials, which are monomials again: sums over those up to twice the
	// degree, one for each pair of components of the normals, are all that the sightings have to be gone through for.
	products := termCount(2 * degree)
	at := make([]float64, products*len(ss)) // monomials of one place after the other
	for i := range ss {
		terms(2*degree, ss[i].x/scale, ss[i].y/scale, at[i*products:][:0])
	}
	sums := make([]float64, 3*products)
	xx, xy, yy := sums[:products], sums[products:2*products], sums[2*products:]
	bx, by := make([]float64, n), make([]float64, n)
	coef, rms, err := reweight(ss, 2*n, ridge, func(eq *lsq.Normal, weight []float64) {
		clear(sums)
		clear(bx)
		clear(by)
		for i, w := range weight {
			if w == 0 {
				continue
			}
			s := &ss[i]
			mono := at[i*products:][:products]
			wxx, wxy, wyy := w*s.nx*s.nx, w*s.nx*s.ny, w*s.ny*s.ny
			xx, xy, yy := xx[:len(mono)], xy[:len(mono)], yy[:len(mono)]
			for k, t := range mono {
				xx[k] += wxx * t
				xy[k] += wxy * t
				yy[k] += wyy * t
			}
			wx, wy := w*s.nx*s.off, w*s.ny*s.off
			for k, t := range mono[:n] {
				bx[k] += wx * t
				by[k] += wy * t
			}
		}
		for a, i := 0, 0; a <= degree; a++ {
			for q := 0; q <= a; q, i = q+1, i+1 {
				eq.Sum(i, bx[i])
				eq.Sum(n+i, by[i])
				for b, j := 0, 0; b <= degree; b++ {
					for r := 0; r <= b; r, j = r+1, j+1 {
						k := termCount(a+b-1) + q + r
						if j <= i {
							eq.Product(i, j, xx[k])
							eq.Product(n+i, n+j, yy[k])
						}
						eq.Product(n+i, j, xy[k])
					}
				}
			}
		}
	}, func(i int, coef []float64) float64 {
		var dx, dy float64
		for k, t := range at[i*products:][:n] {
			dx += t * coef[k]
			dy += t * coef[n+k]
		}
		return dx*ss[i].nx + dy*ss[i].ny
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

// Cells in which sightings of one kind are taken together, and what the field is chosen by.
const (
	cellAngles = 48
	cellRadii  = 16
	keepMM     = 0.1   // from the median of a cell: further off is ink or dirt
	betterFit  = 0.97  // of the residual, from a higher degree, that makes it worth its terms
	goodFitMM  = 0.003 // residual below which no higher degree is asked for
)

// cells makes one sighting of all that lie in a cell of the turn and the radius: the mean of those near the
// cell's median. Ink along a line takes a whole row of crossings with it, but not a cell.
func cells(ss []sighting, scale float64) []sighting {
	var in [cellAngles * cellRadii][]int
	for i, s := range ss {
		a := int((math.Atan2(s.y, s.x)/(2*math.Pi) + 1) * cellAngles)
		b := min(cellRadii-1, int(math.Hypot(s.x, s.y)/scale*cellRadii))
		k := a%cellAngles*cellRadii + b
		in[k] = append(in[k], i)
	}
	var out []sighting
	var off []float64
	for _, list := range in {
		if len(list) == 0 {
			continue
		}
		off = off[:0]
		for _, i := range list {
			off = append(off, ss[i].off)
		}
		m := median(off)
		var c sighting
		for _, i := range list {
			s := &ss[i]
			if math.Abs(s.off-m) > keepMM {
				continue
			}
			c.x, c.y, c.off = c.x+s.weight*s.x, c.y+s.weight*s.y, c.off+s.weight*s.off
			c.nx, c.ny, c.weight = c.nx+s.weight*s.nx, c.ny+s.weight*s.ny, c.weight+s.weight
		}
		if c.weight <= 0 {
			continue
		}
		c.x, c.y, c.off = c.x/c.weight, c.y/c.weight, c.off/c.weight
		n := math.Hypot(c.nx, c.ny)
		c.nx, c.ny = c.nx/n, c.ny/n
		out = append(out, c)
	}
	return out
}

// bestField fits fields of rising degree, from that of the map's own on up to most, and keeps the lowest that leaves little more than the
// next.
func bestField(all []sighting, scale float64, least, most int) (x, y []float64, degree int, err error) {
	last := math.Inf(1) // rms left
	for d := max(least, leastDegree); d <= max(least, most); d += 2 {
		nx, ny, rms, err := field(all, d, scale)
		if err != nil {
			return nil, nil, 0, err
		}
		if rms >= betterFit*last {
			break
		}
		if x, y, degree, last = nx, ny, d, rms; rms < goodFitMM {
			break
		}
	}
	return x, y, degree, nil
}

// turn gives sightings in the frame of the map whose angle 0 was the angle phi.
func turn(ss []sighting, phi float64) {
	s, c := math.Sincos(phi)
	for i := range ss {
		p := &ss[i]
		p.x, p.y = c*p.x+s*p.y, c*p.y-s*p.x
		p.nx, p.ny = c*p.nx+s*p.ny, c*p.ny-s*p.nx
	}
}
