package calibrate

import (
	"math"
	"sort"

	"penarm/calibrate/form"
	"penarm/calibrate/internal/lsq"
	"penarm/calibrate/picture"
)

// edge is a small block of the picture with one clear direction: (nx, ny) is the
// unit normal of the line in it.
type edge struct{ x, y, nx, ny, energy float64 }

// edges finds the blocks with one clear direction by the structure tensor of
// the relative gradient (Förstner and Gülch 1987; Bigün and Granlund 1987).
func edges(pic *picture.Picture, channel int) []edge {
	long := max(pic.Width, pic.Height)
	step := max(1, (long+2000)/4000) // coarser differences on very fine scans
	size := 8 * step
	pitch := max(size, long/200)
	n := pic.Channels
	at := func(x, y int) float64 { return float64(pic.Pix[(y*pic.Width+x)*n+channel]) }
	var out []edge
	for y0 := step; y0+size+step < pic.Height; y0 += pitch {
		for x0 := step; x0+size+step < pic.Width; x0 += pitch {
			var xx, xy, yy, sum float64
			for y := y0; y < y0+size; y += step {
				for x := x0; x < x0+size; x += step {
					gx, gy := at(x+step, y)-at(x-step, y), at(x, y+step)-at(x, y-step)
					xx, xy, yy = xx+gx*gx, xy+gx*gy, yy+gy*gy
					sum += at(x, y)
				}
			}
			e := xx + yy
			c := math.Hypot(xx-yy, 2*xy)
			if e == 0 || c < 0.5*e {
				continue
			}
			s, co := math.Sincos(0.5 * math.Atan2(2*xy, xx-yy))
			m := sum/64 + 8
			out = append(out, edge{float64(x0) + float64(size)/2, float64(y0) + float64(size)/2, co, s, e / (64 * m * m)})
		}
	}
	return out
}

// votes gives the places that most normals pass through, best first: the centre
// of concentric circles (a Hough transform for centres).
func votes(pic *picture.Picture, es []edge, keep int) [][2]float64 {
	const cells = 110
	long := float64(max(pic.Width, pic.Height))
	cell := long / (cells - 10)
	grid := make([]float64, cells*cells)
	ox, oy := float64(pic.Width)/2-cell*cells/2, float64(pic.Height)/2-cell*cells/2
	for _, e := range es {
		// walk the normal over all columns (or rows) of the grid
		if math.Abs(e.nx) > math.Abs(e.ny) {
			for i := range cells {
				x := ox + (float64(i)+0.5)*cell
				j := int(math.Floor((e.y + (x-e.x)*e.ny/e.nx - oy) / cell))
				if j >= 0 && j < cells {
					grid[j*cells+i]++
				}
			}
		} else {
			for j := range cells {
				y := oy + (float64(j)+0.5)*cell
				i := int(math.Floor((e.x + (y-e.y)*e.nx/e.ny - ox) / cell))
				if i >= 0 && i < cells {
					grid[j*cells+i]++
				}
			}
		}
	}
	smooth := make([]float64, cells*cells)
	for j := 1; j < cells-1; j++ {
		for i := 1; i < cells-1; i++ {
			for b := -1; b <= 1; b++ {
				for a := -1; a <= 1; a++ {
					smooth[j*cells+i] += grid[(j+b)*cells+i+a]
				}
			}
		}
	}
	var out [][2]float64
	for range keep {
		best := 0
		for i, v := range smooth {
			if v > smooth[best] {
				best = i
			}
		}
		if smooth[best] == 0 {
			break
		}
		bi, bj := best%cells, best/cells
		out = append(out, [2]float64{ox + (float64(bi)+0.5)*cell, oy + (float64(bj)+0.5)*cell})
		for j := max(0, bj-4); j <= min(cells-1, bj+4); j++ {
			for i := max(0, bi-4); i <= min(cells-1, bi+4); i++ {
				smooth[j*cells+i] = 0
			}
		}
	}
	return out
}

// rectify is a homography from pixels to a plane in which the chart's circles
// are circles about the origin; scale and turn are still unknown. Unit: s pixels at the centre.
type rectify struct {
	s                      float64
	cx, cy, e1, e2, g1, g2 float64
}

// offset is how far the normal of the edge, seen in the plane, passes the origin, and the edge's distance from it.
func (m *rectify) offset(e *edge) (off, radius float64) {
	u, v := (e.x-m.cx)/m.s, (e.y-m.cy)/m.s
	w := 1 + m.g1*u + m.g2*v
	x, y := ((1+m.e1)*u+m.e2*v)/w, (m.e2*u+(1-m.e1)*v)/w
	tu, tv := -e.ny, e.nx // along the line
	tw := m.g1*tu + m.g2*tv
	tx, ty := ((1+m.e1)*tu+m.e2*tv-x*tw)/w, (m.e2*tu+(1-m.e1)*tv-y*tw)/w
	t := math.Hypot(tx, ty)
	return (x*tx + y*ty) / t, math.Hypot(x, y)
}

// tangents makes the lines of the picture circles about one centre: six
// parameters by reweighted Gauss-Newton with a narrowing kernel, so that arcs,
// writing and the desk are outliers. The share and median energy of the edges that agree come back.
func tangents(es []edge, cx, cy, s float64) (m rectify, share, energy float64) {
	m = rectify{s: s, cx: cx, cy: cy}
	for stride := len(es)/6000 + 1; ; {
		for round, sigma := range []float64{0.05, 0.04, 0.03, 0.02, 0.015, 0.01, 0.007, 0.005, 0.005} {
			n := lsq.New(6)
			for i := 0; i < len(es); i += stride {
				e := &es[i]
				r0, rad := m.offset(e)
				if rad < 0.05 || math.Abs(r0) > 4*sigma {
					continue
				}
				w := math.Exp(-r0 * r0 / (2 * sigma * sigma))
				var row [6]float64
				p := [6]*float64{&m.cx, &m.cy, &m.e1, &m.e2, &m.g1, &m.g2}
				h := [6]float64{1e-3 * m.s, 1e-3 * m.s, 1e-4, 1e-4, 1e-4, 1e-4}
				for k := range p {
					old := *p[k]
					*p[k] = old + h[k]
					r1, _ := m.offset(e)
					*p[k] = old
					row[k] = (r1 - r0) / h[k] * h[k] / 1e-3
				}
				n.Add(row[:], -r0, w)
			}
			for k := range 6 {
				n.Ridge(k, 1e-6)
			}
			x, err := n.Solve()
			if err != nil {
				return m, 0, 0
			}
			d := func(k int, h float64) float64 { return math.Max(-0.1, math.Min(0.1, x[k]*h/1e-3)) }
			m.cx += x[0] * m.s
			m.cy += x[1] * m.s
			if round > 1 { // first the centre alone: the shape is not to be bent by a bad centre
				m.e1, m.e2, m.g1, m.g2 = m.e1+d(2, 1e-4), m.e2+d(3, 1e-4), m.g1+d(4, 1e-4), m.g2+d(5, 1e-4)
			}
		}
		break
	}
	var es2 []float64
	for i := range es {
		if r, rad := m.offset(&es[i]); math.Abs(r) < 0.012 && rad > 0.05 {
			es2 = append(es2, es[i].energy)
		}
	}
	if len(es2) == 0 || math.Hypot(m.e1, m.e2) > 0.4 || math.Hypot(m.g1, m.g2) > 0.6 {
		return m, 0, 0
	}
	sort.Float64s(es2)
	return m, float64(len(es2)) / float64(len(es)), es2[len(es2)/2]
}

// warp is the map from mm to pixels when one unit of the plane is mm long.
func (m *rectify) warp(pic *picture.Picture, mm float64) (Warp, bool) {
	a := [9]float64{ // pixel to plane
		(1 + m.e1) / m.s, m.e2 / m.s, -((1+m.e1)*m.cx + m.e2*m.cy) / m.s,
		m.e2 / m.s, (1 - m.e1) / m.s, -(m.e2*m.cx + (1-m.e1)*m.cy) / m.s,
		m.g1 / m.s, m.g2 / m.s, 1 - (m.g1*m.cx+m.g2*m.cy)/m.s,
	}
	inv, ok := invert(a)
	if !ok {
		return Warp{}, false
	}
	w := Warp{H: multiply(inv, [9]float64{1 / mm, 0, 0, 0, 1 / mm, 0, 0, 0, 1})}
	w.CX, w.CY = float64(pic.Width-1)/2, float64(pic.Height-1)/2
	w.F = float64(max(pic.Width, pic.Height)) / 2
	return w, true
}

func multiply(a, b [9]float64) (c [9]float64) {
	for i := range 3 {
		for j := range 3 {
			c[3*i+j] = a[3*i]*b[j] + a[3*i+1]*b[3+j] + a[3*i+2]*b[6+j]
		}
	}
	return c
}

func invert(a [9]float64) (b [9]float64, ok bool) {
	b = [9]float64{
		a[4]*a[8] - a[5]*a[7], a[2]*a[7] - a[1]*a[8], a[1]*a[5] - a[2]*a[4],
		a[5]*a[6] - a[3]*a[8], a[0]*a[8] - a[2]*a[6], a[2]*a[3] - a[0]*a[5],
		a[3]*a[7] - a[4]*a[6], a[1]*a[6] - a[0]*a[7], a[0]*a[4] - a[1]*a[3],
	}
	d := a[0]*b[0] + a[1]*b[3] + a[2]*b[6]
	if d == 0 || math.IsNaN(d) {
		return b, false
	}
	for i := range b {
		b[i] /= d
	}
	return b, true
}

// Lines of the radial pattern, mm. Margin is the empty paper asked for beyond both ends of the scale.
const (
	lineSD      = 0.15
	patternHigh = 1.2 // half of the running mean that is subtracted
	patternRMS  = 15.0
	margin      = 4.5
	patternStep = 0.05
)

// pattern is the radial print of a form, sampled every patternStep mm from r0: heavy circles 2, fine 1, a running mean subtracted.
type pattern struct {
	r0      float64
	v       []float32
	circles []form.Circle
	inner   float64
	outer   float64
}

func newPattern(f *form.Form) *pattern {
	p := &pattern{circles: f.Circles(), inner: f.Inner(), outer: f.Outer()}
	p.r0 = p.inner - 20
	n := int((p.outer-p.inner+40)/patternStep) + 1
	q := profile{v: make([]float32, n), ok: make([]bool, n)}
	for i := range q.v {
		q.ok[i] = true
	}
	for _, c := range p.circles {
		h := 1.0
		if c.Major {
			h = 2
		}
		at := (c.RadiusMM - p.r0) / patternStep
		for i := int(at - 20); i <= int(at+20); i++ {
			d := (float64(i) - at) * patternStep / lineSD
			q.v[i] += float32(h * math.Exp(-d*d/2))
		}
	}
	q.highPass(int(patternHigh / patternStep))
	p.v = q.v
	return p
}

// at is the pattern at a radius, 0 far outside.
func (p *pattern) at(r float64) float32 {
	i := int((r-p.r0)/patternStep + 0.5)
	if i < 0 || i >= len(p.v) {
		return 0
	}
	return p.v[i]
}

// scales correlates the radial profiles of the rectified plane with the
// pattern at every scale and gives the best few lengths of the plane's unit in mm.
func scales(pl *plane, m *rectify, p *pattern, keep int) []float64 {
	w, ok := m.warp(pl.pic, 1)
	if !ok {
		return nil
	}
	const sectors, spokes = 8, 16
	short, long := float64(min(pl.pic.Width, pl.pic.Height)), float64(max(pl.pic.Width, pl.pic.Height))
	step := math.Max(1, long/3500) / m.s // of the plane's unit
	n := int(0.85 * long / m.s / step)
	var prof [sectors]profile
	for s := range prof {
		sum, count := make([]float32, n), make([]uint8, n)
		for k := range spokes {
			pl.curve(&w, n, 16, func(i int) (float64, float64) {
				si, co := math.Sincos((float64(s) + float64(k)/spokes) * 2 * math.Pi / sectors)
				r := float64(i) * step
				return r * co, r * si
			}, sum, count)
		}
		prof[s] = mean(sum, count, spokes)
	}
	lo, hi := 0.2*short, 0.75*long // the outermost circle, pixels
	type cand struct{ mm, score float64 }
	var all []cand
	dlog := 0.09 / p.outer
	buf := profile{v: make([]float32, n), ok: make([]bool, n)}
	for l := math.Log(lo); l < math.Log(hi); l += dlog {
		mm := p.outer / (math.Exp(l) / m.s) // mm a unit
		ds := mm * step                     // mm a sample
		a, b := int(math.Max(0, (p.inner-margin)/ds)), min(n, int((p.outer+margin)/ds))
		total := 0.0
		for s := range prof {
			e := min(n, b+int(patternHigh/ds)+1)
			f := max(0, a-int(patternHigh/ds)-1)
			q := profile{v: buf.v[f:e], ok: prof[s].ok[f:e]}
			copy(q.v, prof[s].v[f:e])
			q.highPass(int(patternHigh / ds))
			q.level(int(patternRMS / ds))
			var pt, pp, tt float64
			for i := a; i < b; i++ {
				if q.ok[i-f] {
					v, t := float64(q.v[i-f]), float64(p.at(float64(i)*ds))
					pt, pp, tt = pt+v*t, pp+v*v, tt+t*t
				}
			}
			if pp > 0 && tt > 0 {
				total += pt / math.Sqrt(pp*tt)
			}
		}
		all = append(all, cand{mm, total / sectors})
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].score > all[j].score })
	var out []float64
next:
	for _, c := range all {
		for _, o := range out {
			if math.Abs(math.Log(c.mm/o)) < 0.012 {
				continue next
			}
		}
		if out = append(out, c.mm); len(out) == keep {
			break
		}
	}
	return out
}
