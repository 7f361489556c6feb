package digitize

import "math"

// Where other ink crosses a line, the best fit of one profile is drawn towards it. A careful
// person sees the line none the less: its own ink lies there without a break, whatever lies beside it,
// and it goes on as it came. So here a line's course through such a stretch is the one that its ink
// covers wholly, what is darker or lies beside counting little, and that bends as a line does: a
// Markov chain of second order over offsets from the course found before, summed forward and backward
// (Rabiner, Proceedings of the IEEE 77(2), 1989).
const (
	tangleMM     = 0.05  // a centre that other ink may have moved by this much is looked at again
	tangleJoin   = 1.2   // mm of plain line between such stretches that part them
	tangleEnd    = 8     // plain vertices at either end that hold the course
	tangleKnot   = 3     // vertices between knots, 0.24 mm: the wobble of a pen is longer
	tangleFar    = 20    // farthest offset, in steps
	tangleStep   = 0.04  // mm: acrossMM, so that a stroke moved by whole steps falls on points of the profile
	tangleTurn   = 6     // most that the offset changes from knot to knot, in steps: 45 degrees
	tangleWide   = 65    // points of a profile: 1.28 mm to either side
	tangleInk    = 25    // plain vertices beside a stretch that tell how dark the line is there
	tangleAlien  = 0.2   // share of points that hold other ink
	tangleSpan   = 1.5   // its density is anything up to this many times the typical
	tangleBlot   = 2.5   // times a stroke's width: wider ink is a blot
	tangleBlind  = 0.7   // the same where ink of another colour lies
	tangleHidden = 0.25  // share of the typical density from which that is so
	tangleSkip   = 0.01  // share of points where the line's own ink is missing
	tangleBend   = 0.03  // mean change of the offset's slope from knot to knot, mm
	tangleCorner = 0.005 // share of knots at which a line turns a corner of any angle
	tangleLooks  = 4.0   // neighbouring points of other ink are one stroke: they count as one look
)

// disentangle finds the course of pen i's line anew in the stretches where its strokes hold more than the pen's own.
func (t *tracer) disentangle(i int) {
	l := t.lines[i]
	v := l.v
	if l.pen == nil {
		return
	}
	other := t.around(i)
	for i := range v {
		v[i].ink = v[i].amount > noInk
	}
	usual := l.habit(nil)
	if math.IsInf(usual.second, 1) {
		return
	}
	k := t.plane[i]
	tangled := make([]bool, len(v))
	for i := range v {
		p := &v[i]
		tangled[i] = !p.fixed && p.ink && !other.has(p.x, p.y) && (p.rest > misfit || usual.alien(p, l.width) > tangleMM*tangleMM)
	}
	join := int(tangleJoin / alongMM)
	for i := 0; i < len(v); i++ {
		if !tangled[i] {
			continue
		}
		e, last := i, i
		for e < len(v) && e-last <= join && !v[e].fixed && v[e].ink {
			if tangled[e] {
				last = e
			}
			e++
		}
		t.untangle(l, max(0, i-tangleEnd), min(len(v), last+1+tangleEnd), tangled, k)
		i = last
	}
}

// untangle works on the vertices [from, to).
func (t *tracer) untangle(l *line, from, to int, tangled []bool, onto int) {
	v, plane, typ, noise, share := l.v, t.planes[onto], float64(t.typ[onto]), float64(t.noise[onto]), t.share()
	plain := func(i int) bool { return v[i].ink && !v[i].fixed && !tangled[i] && !v[i].weak }
	beside := func(at, way int) float64 {
		var own []float32
		for i := at; i >= 0 && i < len(v) && len(own) < tangleInk && (at-i)*way > -4*tangleInk; i += way {
			if plain(i) {
				own = append(own, float32(v[i].amount))
			}
		}
		if len(own) < tangleInk/3 {
			return math.NaN()
		}
		return float64(median(own))
	}
	left, right := beside(from+tangleEnd-1, -1), beside(to-tangleEnd, 1)
	switch {
	case math.IsNaN(left) && math.IsNaN(right):
		return
	case math.IsNaN(left):
		left = right
	case math.IsNaN(right):
		right = left
	}
	for from < to && v[from].fixed {
		from++
	}
	for to > from && v[to-1].fixed {
		to--
	}
	base := append([]vertex{}, v[from:to]...)
	smooth(base, 0.3)
	nx, ny := normals(base)
	n := (len(base) + tangleKnot - 1) / tangleKnot
	if n < 4 {
		return
	}
	const states = 2*tangleFar + 1
	const turns = 2*tangleTurn + 1
	like := make([][states]float64, n)
	var q section
	for k := range n {
		i := k * tangleKnot
		q = section{}
		for d := -1; d <= 1; d++ {
			j := min(max(i+d, 0), len(base)-1)
			t.across(base[j].x, base[j].y, nx[j], ny[j], plane, typ, noise, &q)
		}
		f := float64(k) / float64(n-1)
		like[k] = q.covered(l.pen, typ*(left+(right-left)*f), typ*math.Min(left, right), typ*math.Max(left, right), typ, share)
	}
	// bend[k]: how the base itself turns at knot k, as a second difference along its normal.
	bend := make([]float64, n)
	for k := 1; k < n-1; k++ {
		a, b, c := base[(k-1)*tangleKnot], base[k*tangleKnot], base[(k+1)*tangleKnot]
		i := k * tangleKnot
		bend[k] = (a.x-2*b.x+c.x)*nx[i] + (a.y-2*b.y+c.y)*ny[i]
	}
	// turn[k][d] is the chance that the slope changes by d−2·tangleTurn steps at knot k.
	turn := make([][2*turns - 1]float64, n)
	for k := range turn {
		for d := range turn[k] {
			x := float64(d-2*tangleTurn)*tangleStep + bend[k]
			turn[k][d] = (1-tangleCorner)*math.Exp(-math.Abs(x)/tangleBend)*tangleStep/(2*tangleBend) + tangleCorner/(2*turns-1)
		}
	}
	type chain [states][turns]float64
	fore, back := make([]chain, n), make([]chain, n)
	scale := func(c *chain) {
		s := 0.0
		for o := range c {
			for d := range c[o] {
				s += c[o][d]
			}
		}
		for o := range c {
			for d := range c[o] {
				c[o][d] /= s
			}
		}
	}
	for k := range n {
		for o := range states {
			for d := range turns {
				if k == 0 {
					fore[k][o][d] = like[k][o]
					continue
				}
				p := o - (d - tangleTurn) // offset before
				if p < 0 || p >= states {
					continue
				}
				if k == 1 {
					fore[k][o][d] = like[k][o] * fore[0][p][0]
					continue
				}
				s := 0.0
				for b := range turns {
					s += fore[k-1][p][b] * turn[k-1][d-b+2*tangleTurn]
				}
				fore[k][o][d] = s * like[k][o]
			}
		}
		scale(&fore[k])
	}
	for k := n - 1; k >= 0; k-- {
		for o := range states {
			for b := range turns {
				if k == n-1 {
					back[k][o][b] = 1
					continue
				}
				s := 0.0
				for d := range turns {
					q := o + d - tangleTurn
					if q < 0 || q >= states {
						continue
					}
					s += back[k+1][q][d] * turn[k][d-b+2*tangleTurn] * like[k+1][q]
				}
				back[k][o][b] = s
			}
		}
		scale(&back[k])
	}
	mean, sd := make([]float64, n), make([]float64, n)
	for k := range n {
		var s, m, q float64
		for o := range states {
			for d := range turns {
				p := fore[k][o][d] * back[k][o][d]
				x := float64(o-tangleFar) * tangleStep
				s, m, q = s+p, m+p*x, q+p*x*x
			}
		}
		mean[k] = m / s
		sd[k] = math.Sqrt(math.Max(tangleStep*tangleStep/12, q/s-mean[k]*mean[k]))
	}
	for i := range base {
		if !tangled[from+i] {
			continue
		}
		k := min(i/tangleKnot, n-2)
		f := math.Min(1, float64(i-k*tangleKnot)/tangleKnot)
		s := mean[k] + (mean[k+1]-mean[k])*f
		p := &v[from+i]
		p.x, p.y = base[i].x+s*nx[i], base[i].y+s*ny[i]
		p.doubt = math.Max(sd[k], sd[k+1])
	}
}

// section is a long profile across a line: at each point the evidence, its variance, and whether ink of another colour lies there,
// which may hide the line's own.
type section struct {
	e, v   [tangleWide]float64
	hidden [tangleWide]bool
}

// across adds a third of what lies across the line at a point.
func (t *tracer) across(x, y, nx, ny float64, plane []float32, typ, noise float64, q *section) {
	const half = tangleWide / 2
	dx, dy := half*tangleStep*nx, half*tangleStep*ny
	col, row := t.cell(x, y)
	c0, r0 := t.cell(x-dx, y-dy)
	c1, r1 := t.cell(x+dx, y+dy)
	turn := t.form.RotationHours / t.frame.HourStep
	c0, c1 = cyclic(c0-col, turn), cyclic(c1-col, turn)
	r0, r1 = r0-row, r1-row
	floor := noise*noise + edgeDoubt*edgeDoubt*typ*typ
	for k := range tangleWide {
		s := float64(k-half) / half
		c := col + s*(c1-c0)/2 + s*s*(c1+c0)/2
		r := row + s*(r1-r0)/2 + s*s*(r1+r0)/2
		p := float64(t.m.at(t.frame.Hour+c*t.frame.HourStep, int(r+0.5)) * t.doubt)
		q.e[k] += float64(t.read(plane, c, r)) / 3
		q.v[k] += (floor + p*p) / 3
		if ic, ir := int(c+0.5), int(r+0.5); t.other != nil && ic >= 0 && ir >= 0 && ic < t.frame.Columns && ir < t.frame.Rows {
			q.hidden[k] = q.hidden[k] || float64(t.other[ic*t.frame.Rows+ir]) > 100*tangleHidden*typ
		}
	}
}

// covered is the likelihood of each offset of the line, the greatest being 1.
func (q *section) covered(pen *stroke, amount, least, most, typ, share float64) (like [2*tangleFar + 1]float64) {
	const half = tangleWide / 2
	// Within a blot, ink wider than any stroke, the line lies on a level of ink.
	var inked []float32
	for _, e := range q.e {
		if e > 0.4*typ {
			inked = append(inked, float32(e))
		}
	}
	blot := math.Inf(1)
	if float64(len(inked))*tangleStep > tangleBlot*2.355*pen.sd {
		blot = float64(median(inked))
	}
	best := math.Inf(-1)
	for o := range like {
		top := math.Inf(-1)
		for _, a := range []float64{0.85 * least, amount, 1.15 * most} {
			sum := 0.0
			for k := range q.e {
				j := (k - half - (o - tangleFar)) * stepsAcross
				j = max(j, -j)
				g := 0.0
				if j < strokeSteps {
					g = a * pen.table[j]
				}
				r := q.e[k] - g
				odd := tangleAlien
				if r < 0 {
					odd = tangleSkip
				}
				if q.hidden[k] {
					odd = tangleBlind
				}
				sum += math.Log((1-odd)*math.Exp(-r*r/(2*q.v[k])) + odd*(math.Sqrt(2*math.Pi*q.v[k])/(tangleSpan*typ)+math.Exp(-(r-blot)*(r-blot)/(2*q.v[k]))))
			}
			top = math.Max(top, sum)
		}
		like[o] = top / (math.Max(share, 1) * tangleLooks)
		best = math.Max(best, like[o])
	}
	for o := range like {
		like[o] = math.Exp(like[o] - best)
	}
	return like
}

// cells marks a part of the paper in squares of a millimetre.
type cells map[[2]int]bool

func (c cells) has(x, y float64) bool { return c[[2]int{int(math.Floor(x)), int(math.Floor(y))}] }

// around is where another pen of the same ink runs within one to two millimetres: which line is whose is weighed there, not here.
func (t *tracer) around(i int) cells {
	c := cells{}
	for j, l := range t.lines {
		if j == i || t.plane[j] != t.plane[i] {
			continue
		}
		for _, p := range l.v {
			x, y := int(math.Floor(p.x)), int(math.Floor(p.y))
			for dx := -1; dx <= 1; dx++ {
				for dy := -1; dy <= 1; dy++ {
					c[[2]int{x + dx, y + dy}] = true
				}
			}
		}
	}
	return c
}
