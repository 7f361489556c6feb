package digitize

import "math"

// Where other ink crosses a line, the best fit of one profile is drawn towards it. A careful
// person sees the line none the less: its own ink lies there without a break, whatever lies beside it,
// and it goes on as it came. So here a line's course through such a stretch is the one that its ink
// covers wholly, what is darker or lies beside counting little, and that bends as a line does: a
// Markov chain of second order over offsets from the course found before, summed forward and backward
// (Rabiner, Proceedings of the IEEE 77(2), 1989). The shares are common practice, no source.
const (
	tangleMM     = 0.05  // a centre that other ink may have moved by this much is looked at again
	tangleJoin   = 1.2   // mm of plain line between such stretches that part them
	tangleEnd    = 8     // plain vertices at either end that hold the course
	tangleInk    = 25    // plain vertices beside a stretch that tell how dark the line is there
	tangleKnot   = 3     // vertices between knots, 0.24 mm: the wobble of a pen is longer
	tangleStep   = 0.04  // mm between offsets and between points of a profile, as acrossMM
	tangleFar    = 20    // farthest offset, in steps
	tangleAgain  = 0.4   // mm of offset from which the search is done again from the course found
	tangleRounds = 5     // of that
	tangleTurn   = 6     // most that the offset changes from knot to knot, in steps: 45 degrees
	tangleWide   = 65    // points of a profile: 1.28 mm to either side
	tangleAlien  = 0.2   // share of points that hold other ink
	tangleSkip   = 0.01  // share of points where the line's own ink is missing
	tangleBlind  = 0.7   // share of either where ink of another colour lies
	tangleHidden = 0.25  // share of the typical density from which such ink counts
	tangleSpan   = 1.5   // other ink is anything up to this many times as dense as the typical
	tangleBlot   = 2.5   // times a stroke's width: wider ink is a blot
	tangleBend   = 0.03  // mean change of a line's slope from knot to knot, mm
	tangleCorner = 0.005 // share of knots at which a line turns a corner of any angle
	tangleBlots  = 4.0   // and so do neighbouring sections of a blot, beside that
	tangleLooks  = 4.0   // neighbouring points of other ink are one stroke: they count as one look

	offsets = 2*tangleFar + 1
	turns   = 2*tangleTurn + 1
)

// disentangle finds the course of pen i's line anew in the stretches where its strokes hold more than the pen's own.
func (t *tracer) disentangle(i int) {
	l := t.lines[i]
	v := l.v
	if l.pen == nil {
		return
	}
	for k := range v {
		v[k].ink = v[k].amount > noInk
	}
	usual := l.habit(nil)
	if math.IsInf(usual.second, 1) {
		return
	}
	other := t.around(i)
	tangled := make([]bool, len(v))
	for k := range v {
		p := &v[k]
		tangled[k] = !p.fixed && p.ink && !other.has(p.x, p.y) && (p.rest > misfit || usual.alien(p, l.width) > tangleMM*tangleMM)
	}
	join := int(tangleJoin / alongMM)
	for k := 0; k < len(v); k++ {
		if !tangled[k] {
			continue
		}
		last := k
		for e := k; e < len(v) && e-last <= join && !v[e].fixed && v[e].ink; e++ {
			if tangled[e] {
				last = e
			}
		}
		from, to := k, last+1
		for from > 0 && k-from < tangleEnd && !v[from-1].fixed {
			from--
		}
		for to < len(v) && to-last <= tangleEnd && !v[to].fixed {
			to++
		}
		before, ok1 := l.density(tangled, k, -1)
		after, ok2 := l.density(tangled, last, 1)
		if !ok1 {
			before = after
		}
		if !ok2 {
			after = before
		}
		if ok1 || ok2 {
			for n := 0; n < tangleRounds && t.untangle(l, from, to, tangled, t.plane[i], before, after) > tangleAgain; n++ {
			}
		}
		k = last
	}
}

// density is how dense the line is where it is plain, in units of the typical, looked for from a vertex on one way.
func (l *line) density(tangled []bool, from, way int) (amount float64, ok bool) {
	var own []float32
	for i := from; i >= 0 && i < len(l.v) && len(own) < tangleInk && (i-from)*way < 4*tangleInk; i += way {
		if p := l.v[i]; p.ink && !p.fixed && !p.weak && !tangled[i] {
			own = append(own, float32(p.amount))
		}
	}
	if len(own) < tangleInk/3 {
		return 0, false
	}
	return float64(median(own)), true
}

// untangle moves the tangled among the vertices [from, to) onto the most likely course and gives the
// farthest move. before and after are the line's density on either side.
func (t *tracer) untangle(l *line, from, to int, tangled []bool, plane int, before, after float64) (most float64) {
	base := append([]vertex{}, l.v[from:to]...)
	smooth(base, centreMM)
	nx, ny := normals(base)
	n := (len(base) + tangleKnot - 1) / tangleKnot
	if n < 4 {
		return 0
	}
	typ := float64(t.typ[plane])
	share := t.share()
	like := make([][offsets]float64, n)
	for k := range like {
		var q section
		for d := -1; d <= 1; d++ {
			i := min(max(k*tangleKnot+d, 0), len(base)-1)
			t.across(base[i].x, base[i].y, nx[i], ny[i], plane, &q)
		}
		here := before + (after-before)*float64(k)/float64(n-1)
		like[k] = q.covered(l.pen, [3]float64{0.85 * typ * math.Min(before, after), typ * here, 1.15 * typ * math.Max(before, after)}, typ, share*tangleLooks)
	}
	bend := make([]float64, n) // how the base itself turns, as a second difference along its normal
	for k := 1; k < n-1; k++ {
		i := k * tangleKnot
		a, b, c := base[i-tangleKnot], base[i], base[i+min(tangleKnot, len(base)-1-i)]
		bend[k] = (a.x-2*b.x+c.x)*nx[i] + (a.y-2*b.y+c.y)*ny[i]
	}
	mean, sd := likeliest(like, bend)
	for i := range base {
		if !tangled[from+i] {
			continue
		}
		k := min(i/tangleKnot, n-2)
		f := math.Min(1, float64(i-k*tangleKnot)/tangleKnot)
		s := mean[k] + (mean[k+1]-mean[k])*f
		p := &l.v[from+i]
		p.x, p.y = base[i].x+s*nx[i], base[i].y+s*ny[i]
		p.doubt = math.Max(sd[k], sd[k+1])
		most = math.Max(most, math.Abs(s))
	}
	return most
}

// likeliest gives each knot's offset, mm, and its standard deviation, from the likelihood of every offset
// and from how the base bends there.
func likeliest(like [][offsets]float64, bend []float64) (mean, sd []float64) {
	n := len(like)
	// turn[k][d]: the chance that the slope changes by d−2·tangleTurn steps at knot k.
	turn := make([][2*turns - 1]float64, n)
	for k := range turn {
		for d := range turn[k] {
			x := float64(d-2*tangleTurn)*tangleStep + bend[k]
			turn[k][d] = (1-tangleCorner)*math.Exp(-math.Abs(x)/tangleBend)*tangleStep/(2*tangleBend) + tangleCorner/(2*turns-1)
		}
	}
	type chain [offsets][turns]float64 // offset, and its change from the knot before
	scale := func(c *chain) {
		s := 0.0
		for o := range c {
			for _, p := range c[o] {
				s += p
			}
		}
		for o := range c {
			for d := range c[o] {
				c[o][d] /= s
			}
		}
	}
	fore, back := make([]chain, n), make([]chain, n)
	for k := range n {
		for o := range offsets {
			for d := range turns {
				q := o - (d - tangleTurn) // the offset before
				switch {
				case k == 0:
					fore[k][o][d] = like[k][o]
				case q >= 0 && q < offsets:
					s := 0.0
					for b, p := range fore[k-1][q] {
						s += p * turn[k-1][d-b+2*tangleTurn]
					}
					fore[k][o][d] = s * like[k][o]
				}
			}
		}
		scale(&fore[k])
	}
	for k := n - 1; k >= 0; k-- {
		for o := range offsets {
			for b := range turns {
				if k == n-1 {
					back[k][o][b] = 1
					continue
				}
				for d := range turns {
					if q := o + d - tangleTurn; q >= 0 && q < offsets {
						back[k][o][b] += back[k+1][q][d] * turn[k][d-b+2*tangleTurn] * like[k+1][q]
					}
				}
			}
		}
		scale(&back[k])
	}
	mean, sd = make([]float64, n), make([]float64, n)
	for k := range n {
		var s, m, q float64
		for o := range offsets {
			x := float64(o-tangleFar) * tangleStep
			for d := range turns {
				p := fore[k][o][d] * back[k][o][d]
				s, m, q = s+p, m+p*x, q+p*x*x
			}
		}
		mean[k] = m / s
		sd[k] = math.Sqrt(math.Max(tangleStep*tangleStep/12, q/s-mean[k]*mean[k])) // no better than the steps
	}
	return mean, sd
}

// section is a long profile across a line: at each point the evidence, its variance, and whether ink of
// another colour lies there, which may hide the line's own.
type section struct {
	e, v   [tangleWide]float64
	hidden [tangleWide]bool
}

// across adds a third of what lies across the line at a point.
func (t *tracer) across(x, y, nx, ny float64, plane int, q *section) {
	const half = tangleWide / 2
	w := t.crossing(x, y, half*tangleStep*nx, half*tangleStep*ny)
	typ, noise := float64(t.typ[plane]), float64(t.noise[plane])
	floor := noise*noise + edgeDoubt*edgeDoubt*typ*typ
	for k := range tangleWide {
		c, r := w.at(float64(k-half) / half)
		p := float64(t.m.at(t.frame.Hour+c*t.frame.HourStep, int(r+0.5)) * t.doubt)
		q.e[k] += float64(t.read(t.planes[plane], c, r)) / 3
		q.v[k] += (floor + p*p) / 3
		if ic, ir := int(c+0.5), int(r+0.5); t.other != nil && ic >= 0 && ir >= 0 && ic < t.frame.Columns && ir < t.frame.Rows {
			q.hidden[k] = q.hidden[k] || float64(t.other[ic*t.frame.Rows+ir]) > 100*tangleHidden*typ
		}
	}
}

// covered is the likelihood of each offset of the line, the greatest being 1, whichever of the heights its
// stroke may have. So many points count as one look.
func (q *section) covered(pen *stroke, heights [3]float64, typ, looks float64) (like [offsets]float64) {
	const half = tangleWide / 2
	var inked []float32
	for _, e := range q.e {
		if e > 0.4*typ {
			inked = append(inked, float32(e))
		}
	}
	// Within a blot, ink wider than any stroke, the line adds to a level of ink, or is lost in it.
	blot := math.Inf(1)
	if float64(len(inked))*tangleStep > tangleBlot*fullWidth*pen.sd {
		blot = float64(median(inked))
		looks *= tangleBlots
	}
	var alien, bare [tangleWide]float64
	chance := func(k int, g float64) float64 {
		e, v := q.e[k], q.v[k]
		odd := tangleAlien
		if e < g {
			odd = tangleSkip
		}
		if q.hidden[k] {
			odd = tangleBlind
		}
		bell := func(r float64) float64 { return math.Exp(-r * r / (2 * v)) }
		other := alien[k]
		if !math.IsInf(blot, 1) {
			other += bell(e-g-blot) / 2
		}
		return (1-odd)*bell(e-g) + odd*other
	}
	for k := range q.e {
		alien[k] = math.Sqrt(2*math.Pi*q.v[k]) / (tangleSpan * typ)
		if !math.IsInf(blot, 1) {
			alien[k] += math.Exp(-(q.e[k]-blot)*(q.e[k]-blot)/(2*q.v[k])) / 2
		}
		bare[k] = chance(k, 0)
	}
	// What no height of the stroke reaches says the same for all offsets.
	best := 0.0
	for o := range like {
		for _, height := range heights {
			odds := 1.0
			for k := range q.e {
				j := (k - half - (o - tangleFar)) * stepsAcross
				if j = max(j, -j); j < strokeSteps && pen.table[j] > 0 {
					odds *= chance(k, height*pen.table[j]) / bare[k]
				}
			}
			like[o] = math.Max(like[o], odds)
		}
		best = math.Max(best, like[o])
	}
	for o := range like {
		like[o] = math.Pow(like[o]/best, 1/math.Max(1, looks))
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
