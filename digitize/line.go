package digitize

import (
	"math"
	"slices"

	"penarm/digitize/series"
)

const (
	alongMM      = 0.08 // between vertices of a line
	acrossMM     = 0.04 // between points of a profile across it
	points       = 33   // of a profile: 0.64 mm to either side
	shiftStep    = 0.02 // of the search for the centre
	maxSteps     = 12   // farthest shift of the centre in one round, in steps
	stepsAcross  = 2    // acrossMM in steps
	strokeSteps  = points/2*stepsAcross + maxSteps + 2
	profilesMost = 1000 // that a mean profile is taken from
	edgeDoubt    = 0.05 // standard deviation of a stroke's profile about the mean one, a share of its height
	noInk        = 0.30 // share of the typical density below which there is no ink
	remains      = 2.5  // standard deviations of what removing the print leaves in black and white, where a path along it takes the darkest,
	remainsFar   = 38   // for so many vertices, 3 mm, on one side at least
	rounds       = 4    // of centring
	centreMM     = 0.3  // standard deviation of the smoothing between them
	misfit       = 0.30 // share of a profile that its stroke does not explain, above which a vertex is weak
	gapS         = 30.0 // longest skip that is no gap, seconds of chart time
	gapMM        = 2.5  // the same along the line
	rimVertices  = 20   // 1.6 mm at the end of an inked run
	rimMost      = 4    // vertices that an end is off by, at most
	fewest       = 8    // vertices of a line
	paleShare    = 0.5  // of the density that three tenths of the line exceed: a run of less is pale
	keepMM       = 6.0  // an inked run this long is the pen's wherever it lies
	keepPiece    = 38   // vertices, 3 mm, whose ends are looked at for that
	keepHours    = 0.75 // shorter ones only this near to another
	smoothMM     = 0.15 // standard deviation of what takes the raggedness off
	wobbleHalf   = 18   // vertices, ±1.4 mm: twice the length of a pen's wobble
	// A parabola follows part of the wobble itself: at its middle it takes 9/(4n) of the variance, n the
	// independent looks in the window, about eight for a wobble of 0.35 mm to either side.
	wobbleTaken = 1.18
	// How long a wobble is, twice the window tells: of a normal process whose correlation is Gaussian it leaves this share of the
	// variance, and so much more by the share that the window itself leaves of that; within 0.04 from 0.1 to 0.6 mm of its length.
	wobbleSeen  = 0.28
	wobbleGrows = 0.69
	wobbleOwn   = 0.7 // share of the variance on steep lines that is the pen's, the rest the vat's and the corners'; from drawn charts, no source

	// What makes a vertex uncertain; common practice where no reason is given, no source.
	fitMost  = 0.1  // mm, of the fit: a stroke that is seen at all is not farther off
	fitLeft  = 0.5  // of the fit's variance: smoothing takes the rest at least
	weakMM   = 0.15 // of a weak stroke, at least: about its own standard deviation
	bendOff  = 0.02 // mm a rad/mm: of a bend smoothing takes smoothMM²/2 = 0.011, centring some of the rest
	bendMost = 5.0  // rad/mm
)

// wideStroke is why a vertex is weak where more ink lies than the line's own, or the line went to and fro.
const wideStroke = "the stroke is wide, crossed or frayed"

// vertex is one point of a traced line.
type vertex struct {
	x, y   float64 // mm in the print
	amount float64 // density at the centre, in units of the typical
	fit    float64 // standard uncertainty of the centre from noise alone, mm
	rest   float64 // root of the share of the profile's energy that the stroke does not explain
	second float64 // second moment of the ink about the centre, mm²
	wide   float64 // blackness across the stroke over its typical density, mm: width however dark
	u      float64 // standard uncertainty across the line as it counts at one time, mm: see lean
	doubt  float64 // standard uncertainty of the centre where other ink crosses the line, as disentangle finds it, mm; 0 elsewhere
	rival  float64 // how far out from here another line lies that may be the pen's, mm: its square is twice the further variance of the radius
	blind  bool    // it has no ink there
	ink    bool
	fixed  bool // a narrow tip: neither centred nor smoothed
	weak   bool
	reason string
	hours  float64 // printed hours, counted on from the seam
	radius float64
}

// line is one pen's trace.
type line struct {
	v      []vertex
	width  float64 // standard deviation of the stroke's profile, mm
	ragged float64 // rms wobble of this line about its own smooth course, mm
	left   float64 // what smoothing leaves of it
	unseen float64 // rms of the vat's own unrest that is too quick for a stroke of this width to show, mm
	pen    *stroke // its profile
	edge   float64 // by how much the width varies that its lower edge is reckoned with, mm; 0 for the centre
}

// polyline resamples a path of cells of two by two at equal distances along the paper.
func (t *tracer) polyline(path []step) []vertex {
	var out []vertex
	var px, py, left float64
	for i, s := range path {
		x, y := t.point(2*float64(s.col)+0.5, 2*float64(s.row)+0.5)
		if i == 0 {
			out = append(out, vertex{x: x, y: y})
			px, py, left = x, y, alongMM
			continue
		}
		for {
			d := math.Hypot(x-px, y-py)
			if d < left || d == 0 {
				left -= d
				px, py = x, y
				break
			}
			f := left / d
			px, py = px+(x-px)*f, py+(y-py)*f
			out = append(out, vertex{x: px, y: py})
			left = alongMM
		}
	}
	return out
}

// gauss gives the weights of a Gaussian of standard deviation sd, in steps.
func gauss(sd float64) []float64 {
	n := int(math.Ceil(3 * sd))
	g := make([]float64, 2*n+1)
	var s float64
	for i := range g {
		d := float64(i-n) / sd
		g[i] = math.Exp(-d * d / 2)
		s += g[i]
	}
	for i := range g {
		g[i] /= s
	}
	return g
}

// smooth runs a Gaussian of sd mm over the vertices' positions; ends are held.
func smooth(v []vertex, sd float64) {
	if len(v) < 3 {
		return
	}
	g := gauss(sd / alongMM)
	n := len(g) / 2
	xs, ys := make([]float64, len(v)), make([]float64, len(v))
	room := make([]int, len(v)) // vertices to the nearest fixed one or end
	for i := range v {
		room[i] = 0
		if i > 0 && !v[i].fixed {
			room[i] = room[i-1] + 1
		}
	}
	for i, left := len(v)-1, 0; i >= 0; i-- {
		if v[i].fixed || i == len(v)-1 {
			left = 0
		}
		room[i] = min(room[i], left)
		left++
	}
	for i := range v {
		m := min(n, room[i]) // a window that stays symmetric keeps straight ends straight
		var x, y, w float64
		for k := -m; k <= m; k++ {
			f := g[k+n]
			x, y, w = x+f*v[i+k].x, y+f*v[i+k].y, w+f
		}
		xs[i], ys[i] = x/w, y/w
	}
	for i := range v {
		v[i].x, v[i].y = xs[i], ys[i]
	}
}

// normals are unit vectors across the line at each vertex.
func normals(v []vertex) (nx, ny []float64) {
	nx, ny = make([]float64, len(v)), make([]float64, len(v))
	for i := range v {
		a, b := v[max(0, i-2)], v[min(len(v)-1, i+2)]
		dx, dy := b.x-a.x, b.y-a.y
		d := math.Hypot(dx, dy)
		if d == 0 {
			nx[i] = 1
			continue
		}
		nx[i], ny[i] = -dy/d, dx/d
	}
	return nx, ny
}

// profiles samples the evidence across the line at every vertex, averaged over
// three neighbours, with each point's weight: the inverse of its noise, to
// which print adds because under print the ink is hardly seen.
func (t *tracer) profiles(v []vertex, plane []float32, typ, noise float64) []profile {
	nx, ny := normals(v)
	floor := float32(noise*noise + edgeDoubt*edgeDoubt*typ*typ)
	raw := make([][points]float32, len(v))
	out := make([]profile, len(v))
	const half = points / 2
	for i := range v {
		q := &out[i]
		w := t.crossing(v[i].x, v[i].y, half*acrossMM*nx[i], half*acrossMM*ny[i])
		a, b, u := t.m.blockAt(t.frame.Hour + w.col*t.frame.HourStep)
		from, to := w.columns()
		arc := t.m.anyArc(t.frame.Hour+from*t.frame.HourStep, t.frame.Hour+to*t.frame.HourStep)
		for k := range points {
			c, r := w.at(float64(k-half) / half)
			raw[i][k] = t.read(plane, c, r)
			p := t.m.within(a, b, u, t.frame.Hour+c*t.frame.HourStep, int(r+0.5), arc) * t.doubt
			q.w[k] = 1 / (floor + p*p)
		}
	}
	for i := range v {
		a, b, c := &raw[max(0, i-1)], &raw[i], &raw[min(len(v)-1, i+1)]
		for k := range points {
			out[i].e[k] = (a[k] + b[k] + c[k]) / 3
		}
	}
	return out
}

// crossing is a short way across a line, in cells: those along it lie on a parabola
// through its ends and middle.
type crossing struct{ col, row, c0, r0, c1, r1 float64 }

// crossing goes from (x−dx, y−dy) to (x+dx, y+dy), mm.
func (t *tracer) crossing(x, y, dx, dy float64) crossing {
	col, row := t.cell(x, y)
	c0, r0 := t.cell(x-dx, y-dy)
	c1, r1 := t.cell(x+dx, y+dy)
	turn := t.form.RotationHours / t.frame.HourStep
	return crossing{col, row, cyclic(c0-col, turn), r0 - row, cyclic(c1-col, turn), r1 - row}
}

// at gives the cell at s, -1 to 1.
func (w *crossing) at(s float64) (col, row float64) {
	return w.col + s*(w.c1-w.c0)/2 + s*s*(w.c1+w.c0)/2, w.row + s*(w.r1-w.r0)/2 + s*s*(w.r1+w.r0)/2
}

// columns are the ends of the way in time.
func (w *crossing) columns() (from, to float64) {
	a, _ := w.at(-1)
	b, _ := w.at(1)
	return min(a, b, w.col), max(a, b, w.col)
}

// profile is one cross section of a line.
type profile struct {
	e [points]float32 // evidence
	w [points]float32 // weight
}

// meanProfile is the median cross section of the pen's line.
func meanProfile(all []profile, typ float64) (mean [points]float64) {
	var buf []float32
	every := max(1, len(all)/profilesMost)
	for k := range points {
		buf = buf[:0]
		for i := 0; i < len(all); i += every {
			if float64(all[i].e[points/2]) > 0.5*typ {
				buf = append(buf, all[i].e[k])
			}
		}
		if len(buf) > 0 {
			mean[k] = float64(median(buf))
		}
	}
	return mean
}

// strokeWidth is the standard deviation of the Gaussian that fits a profile best, mm.
func strokeWidth(mean *[points]float64) float64 {
	best, at := 0.0, 0.18
	for sd := 0.08; sd <= 0.5; sd += 0.005 {
		var a, b float64
		for k, v := range mean {
			d := float64(k-points/2) * acrossMM / sd
			g := math.Exp(-d * d / 2)
			a += g * v
			b += g * g
		}
		if q := a * a / b; q > best {
			best, at = q, sd
		}
	}
	return at
}

// stroke is the profile that a pen of one width leaves, symmetric about its
// centre: a Gaussian until learn has seen this pen's own.
type stroke struct {
	sd    float64
	reach int                  // steps from the centre that count
	table [strokeSteps]float64 // at offsets i·shiftStep
	slope [strokeSteps]float64 // its derivative, 1/mm
}

func newStroke(sd float64) *stroke {
	s := &stroke{sd: sd, reach: min(strokeSteps-1, int(3.2*sd/shiftStep))}
	for i := range s.table {
		d := float64(i) * shiftStep / sd
		s.table[i] = math.Exp(-d * d / 2)
	}
	s.derive()
	return s
}

func (s *stroke) derive() {
	for i := 1; i < strokeSteps-1; i++ {
		s.slope[i] = (s.table[i+1] - s.table[i-1]) / (2 * shiftStep)
	}
}

// learn takes over the shape of the mean profile: a wide nib leaves a flat top
// and a blurred scan long skirts, and where print takes the weight from one side
// of the line a wrong shape would pull the centre to the other.
func (s *stroke) learn(mean *[points]float64) {
	const half = points / 2
	at := func(k int) float64 { return (mean[half-k] + mean[half+k]) / 2 }
	floor := at(half)
	top := at(0) - floor
	if top <= 0 {
		return
	}
	for i := range s.table {
		k, odd := i/stepsAcross, i%stepsAcross
		v := 0.0
		switch {
		case k >= half:
		case odd == 0:
			v = at(k) - floor
		default:
			f := float64(odd) / stepsAcross
			v = at(k)*(1-f) + at(k+1)*f - floor
		}
		s.table[i] = math.Max(0, v) / top
	}
	s.derive()
}

// centre fits the stroke to one weighted profile: the shift is where
// (Σ w·e·g)² / Σ w·g² is largest, which is the maximum-likelihood one for white
// noise.
func (s *stroke) centre(q *profile) centred {
	const half = points / 2
	var we [points]float64
	for k := range points {
		we[k] = float64(q.w[k]) * float64(q.e[k])
	}
	best, at, amps := -1.0, 0, 0.0
	var v [2*maxSteps + 1]float64
	try := func(i int) {
		var num, den float64
		lo, hi := max(0, half-(s.reach-i)/stepsAcross), min(points-1, half+(s.reach+i)/stepsAcross)
		for k := lo; k <= hi; k++ {
			j := (k-half)*stepsAcross - i
			g := s.table[max(j, -j)]
			num += we[k] * g
			den += float64(q.w[k]) * g * g
		}
		if num <= 0 {
			return
		}
		f := num * num / den
		v[i+maxSteps] = f
		if f > best {
			best, at, amps = f, i+maxSteps, num/den
		}
	}
	const stride = 3 // 0.06 mm: no stroke is so narrow that its top hides between
	for i := -maxSteps; i <= maxSteps; i += stride {
		try(i)
	}
	for i, top := max(-maxSteps, at-maxSteps-stride+1), min(maxSteps, at-maxSteps+stride-1); best >= 0 && i <= top; i++ {
		if (i+maxSteps)%stride > 0 {
			try(i)
		}
	}
	if best < 0 {
		return centred{bound: 1, rest: 1}
	}
	out := centred{amp: amps, shift: float64(at-maxSteps) * shiftStep, bound: 1}
	if at > 0 && at < 2*maxSteps {
		if d := v[at-1] - 2*v[at] + v[at+1]; d < 0 {
			out.shift += shiftStep * 0.5 * (v[at-1] - v[at+1]) / d
		}
	}
	var info, miss, all, ink, ink2 float64
	for k := range points {
		d := math.Abs(float64(k-half)*acrossMM-out.shift) / shiftStep
		j := int(d)
		if j >= s.reach {
			continue
		}
		f := d - float64(j)
		slope := out.amp * (s.slope[j] + (s.slope[j+1]-s.slope[j])*f)
		info += float64(q.w[k]) * slope * slope
		if d*shiftStep < 2.5*s.sd {
			g := out.amp * (s.table[j] + (s.table[j+1]-s.table[j])*f)
			e := float64(q.e[k])
			miss += (e - g) * (e - g)
			all += g * g
			ink += e
			ink2 += e * d * d * shiftStep * shiftStep
		}
	}
	if info > 0 {
		out.bound = 1 / math.Sqrt(info)
	}
	if all > 0 {
		out.rest = math.Sqrt(miss / all)
	}
	if ink > 0 {
		out.second = ink2 / ink
	}
	return out
}

// centred is where a stroke lies in a profile.
type centred struct {
	shift  float64 // of its centre, mm
	amp    float64 // its height
	bound  float64 // standard uncertainty of shift by the Cramér–Rao bound for the profile's weights, mm
	rest   float64 // root of the share of the profile's energy that the stroke does not explain
	second float64 // second moment of the ink about the centre, mm²
}

// refine moves a path's vertices onto the centre of the ink.
func (t *tracer) refine(path []step, plane []float32, typ, noise float64) *line {
	l := &line{v: t.polyline(path)}
	if len(l.v) < fewest {
		return l
	}
	smooth(l.v, centreMM)
	share := t.share()
	var pen *stroke
	for round := range rounds {
		all := t.profiles(l.v, plane, typ, noise)
		if round < rounds-1 { // the better the centres, the truer the width
			mean := meanProfile(all, typ)
			l.width = strokeWidth(&mean)
			pen = newStroke(l.width)
			if round > 0 {
				pen.learn(&mean)
			}
			if round == 0 {
				if v, any := t.reachTips(l.v, plane, typ, l.width); any {
					l.v = v
					all = t.profiles(l.v, plane, typ, noise)
				}
			}
		}
		nx, ny := normals(l.v)
		for i := range l.v {
			p := &l.v[i]
			c := pen.centre(&all[i])
			s := c.shift
			p.amount, p.fit, p.rest, p.second = c.amp/typ, c.bound*math.Sqrt(share), c.rest, c.second
			p.wide = 0
			for _, e := range all[i].e {
				p.wide += float64(e) * acrossMM / typ
			}
			p.weak, p.reason = false, ""
			switch {
			case math.Abs(s) > (maxSteps-1)*shiftStep && round == rounds-1:
				p.weak, p.reason = true, "the ink lies beside the line"
				s = 0
			case p.rest > misfit:
				p.weak, p.reason = true, wideStroke
			case p.amount < 0.5:
				p.weak, p.reason = true, "the ink is faint"
			}
			if p.fixed {
				p.weak, p.reason = true, series.Tip
				continue
			}
			p.x, p.y = p.x+s*nx[i], p.y+s*ny[i]
		}
		if round < rounds-1 {
			smooth(l.v, centreMM)
		}
	}
	l.pen = pen
	return l
}

// finish looks again at where other ink crosses the centred line of pen i, takes the raggedness off, and moves it to its edge where
// that is asked for.
func (t *tracer) finish(l *line, i int) {
	l.ragged = l.usualWobble()
	t.disentangle(i)
	smooth(l.v, smoothMM)
	l.left, l.unseen = l.unrest()
	if t.p.LowerEdge {
		t.lower(l)
	}
}

// lower moves a line to its lower-temperature edge, where the stroke has half its height: half as far again from the
// centre where the ink beside is half as wide again. Along an arc no edge is the lower one, and the centre stays.
func (t *tracer) lower(l *line) {
	if l.pen == nil {
		return
	}
	way := -1.0 // outwards, to colder
	if t.form.Temperature(t.form.Outer()) < t.form.Temperature(t.form.Inner()) {
		way = 1
	}
	half, usual := l.pen.half(), l.habit(nil).wide
	nx, ny := normals(l.v)
	var wide, off []float32
	for i := range l.v {
		p := &l.v[i]
		wide = wide[:0]
		for _, q := range l.v[max(0, i-wobbleHalf):min(len(l.v), i+wobbleHalf+1)] {
			if q.ink && !q.fixed {
				wide = append(wide, float32(q.wide))
			}
		}
		here := usual
		if len(wide) > 0 {
			here = float64(median(wide)) // what crosses the line is narrower than the window
			off = append(off, float32(here/usual-1))
		}
		const steep = 0.3 // cosine of the angle to the arc from which an edge is plainly the lower one
		r := math.Hypot(p.x, p.y)
		lean := r * t.form.LagSlope(r) // of the arc, off the radius
		out := (p.x*nx[i] + p.y*ny[i] + lean*(p.x*ny[i]-p.y*nx[i])) / (r * math.Hypot(1, lean))
		d := way * half * here / usual * math.Max(-1, math.Min(1, out/steep))
		p.x, p.y = p.x+d*nx[i], p.y+d*ny[i]
	}
	if len(off) > 0 {
		l.edge = half * fromMAD * float64(mad(off, 0))
	}
}

// half is where the stroke has half its height, mm from its centre.
func (s *stroke) half() float64 {
	for i := 1; i < strokeSteps; i++ {
		if a, b := s.table[i-1], s.table[i]; b < 0.5 {
			return shiftStep * (float64(i) - (0.5-b)/(a-b))
		}
	}
	return shiftStep * strokeSteps
}

const (
	tipArmMM   = 2.8  // a reversal whose two arms
	tipRiseMM  = 0.7  // both rise this much within that length is a narrow tip
	tipStepMM  = 0.04 // of the walk to its end
	tipFarMM   = 12.0 // longest walk
	tipLevelMM = 0.9  // the walk begins this far before the reversal
	tipApartMM = 1.2  // and only where the strokes are this near there
	tipLeanMM  = 0.4
	tipAsideMM = 0.12 // an edge moves at most this far in one step
)

// reachTips follows the ink at narrow reversals out to its end. Where two arms
// run together in one stroke the cheapest path cuts the tip, and no price on
// paths cures it, because along ink every way is cheap.
func (t *tracer) reachTips(v []vertex, plane []float32, typ, width float64) (with []vertex, any bool) {
	arm := int(math.Round(tipArmMM / alongMM))
	r := make([]float64, len(v))
	for i, p := range v {
		r[i] = math.Hypot(p.x, p.y)
	}
	var out []vertex
	done := 0
	for i := arm / 4; i < len(v)-arm/4; i++ {
		lo, hi := max(0, i-arm), min(len(v)-1, i+arm)
		for _, sign := range []float64{1, -1} { // outward and inward tips
			top := true
			for k := max(0, i-arm/2); k <= min(len(v)-1, i+arm/2) && top; k++ {
				top = sign*(r[i]-r[k]) >= 0 && (k >= i || r[k] != r[i])
			}
			if !top {
				continue
			}
			var left, right float64
			for k := lo; k < i; k++ {
				left = math.Max(left, sign*(r[i]-r[k]))
			}
			for k := i + 1; k <= hi; k++ {
				right = math.Max(right, sign*(r[i]-r[k]))
			}
			if left < tipRiseMM || right < tipRiseMM {
				continue
			}
			from, to := i, i
			for from > lo && sign*(r[i]-r[from]) < tipLevelMM {
				from--
			}
			for to < hi && sign*(r[i]-r[to]) < tipLevelMM {
				to++
			}
			if walk := t.walkTip(v, from, i, to, plane, typ, width); len(walk) > 0 && from >= done {
				out = append(out, v[done:from+1]...)
				out = append(out, walk...)
				done = to
			}
			i += arm / 2
			break
		}
	}
	return append(out, v[done:]...), done > 0
}

// walkTip gives the vertices that belong between from and to, one on either
// stroke before they run together: along both strokes to the end of the ink,
// less half a stroke. None where that does not reach beyond the reversal at i.
// The outer edges of the ink say where each stroke runs.
func (t *tracer) walkTip(v []vertex, from, i, to int, plane []float32, typ, width float64) []vertex {
	const back = 12 // vertices, 1 mm
	a, b := v[from], v[to]
	a2, b2 := v[max(0, from-back)], v[min(len(v)-1, to+back)]
	dx, dy := a.x-a2.x+b.x-b2.x, a.y-a2.y+b.y-b2.y
	d, apart := math.Hypot(dx, dy), math.Hypot(a.x-b.x, a.y-b.y)
	if d < 0.5 || apart > tipApartMM {
		return nil
	}
	dx, dy = dx/d, dy/d
	// Positive offsets lie towards the stroke that leaves the tip.
	sx, sy := -dy, dx
	if (b.x-a.x)*sx+(b.y-a.y)*sy < 0 {
		sx, sy = dy, -dx
	}
	side := sx*-dy + sy*dx // +1 or −1: keeps its hand when the way turns
	stroke := fullWidth * width
	x, y := (a.x+b.x)/2, (a.y+b.y)/2
	lo, hi := -apart/2-stroke/2, apart/2+stroke/2
	var in, out []vertex
	reached := 0.0
	for n := 0; float64(n)*tipStepMM < tipFarMM; n++ {
		x, y = x+dx*tipStepMM, y+dy*tipStepMM
		first, last := math.Inf(1), math.Inf(-1)
		for o := lo - tipAsideMM; o <= hi+tipAsideMM; o += tipStepMM / 2 {
			if float64(t.amount(plane, x+sx*o, y+sy*o)) > 0.5*typ {
				first, last = math.Min(first, o), math.Max(last, o)
			}
		}
		if first > last {
			break
		}
		lo, hi = first, last
		mid := (lo + hi) / 2
		p, q := mid, mid
		if hi-lo > stroke {
			p, q = lo+stroke/2, hi-stroke/2
		}
		in = append(in, vertex{x: x + sx*p, y: y + sy*p, fixed: true})
		out = append(out, vertex{x: x + sx*q, y: y + sy*q, fixed: true})
		reached = (x-v[i].x)*dx + (y-v[i].y)*dy - stroke/2
		// A gentle pull to the middle, so that the way follows a bending stroke.
		pull := math.Max(-tipStepMM, math.Min(tipStepMM, mid)) / 4
		x, y = x+sx*pull, y+sy*pull
		lo, hi = lo-pull, hi-pull
		turn := pull / tipStepMM / 4
		dx, dy = dx+turn*sx, dy+turn*sy
		l := math.Hypot(dx, dy)
		dx, dy = dx/l, dy/l
		sx, sy = -side*dy, side*dx
	}
	keep := len(in) - int(stroke/2/tipStepMM)
	if reached < 0.1 || keep < 2 {
		return nil
	}
	// A tip points along the arcs. A way that leaves along time follows another line.
	ca, ra := t.cell(v[i].x, v[i].y)
	ce, re := t.cell((in[keep-1].x+out[keep-1].x)/2, (in[keep-1].y+out[keep-1].y)/2)
	if math.Abs(ce-ca)*stepMM > tipLeanMM+0.35*math.Abs(re-ra)*stepMM {
		return nil
	}
	var walk []vertex
	for k := 1; k < keep; k += 2 { // alongMM apart
		walk = append(walk, in[k])
	}
	for k := keep - 1; k > 0; k -= 2 {
		walk = append(walk, out[k])
	}
	return walk
}

// share is how many points of a profile count as one: they are nearer to each other than the picture's pixels.
func (t *tracer) share() float64 {
	pixel := t.pixelMM()
	return math.Max(1, pixel/acrossMM) * math.Max(1, pixel/(3*alongMM))
}

// pixelMM is the size of a pixel on the paper.
func (t *tracer) pixelMM() float64 {
	r := (t.form.Inner() + t.form.Outer()) / 2
	x0, y0 := t.p.Face.Warp.Pixel(r, 0)
	x1, y1 := t.p.Face.Warp.Pixel(r+1, 0)
	x2, y2 := t.p.Face.Warp.Pixel(r, 1)
	return 2 / (math.Hypot(x1-x0, y1-y0) + math.Hypot(x2-x0, y2-y0))
}

// hidden is the share of the variance that a level line has about the parabola through its neighbourhood, by
// which the temperature itself differs from the line's centre. A stroke shows a mean over its own width, and
// smoothing widens that. For a Brownian course, whose variance grows by D a mm, the middle is off a mean of standard
// deviation s by 2·s·D·∫Q² = 0.234·s·D (Q: upper tail of the normal distribution, 0 to ∞), off a parabola
// over ±h by 2·h·D·∫((4−9t+5t³)/8)²dt = 0.0804·h·D (0 to 1). A round nib of width w has s = w/4.
func (l *line) hidden() float64 {
	s := math.Hypot(smoothMM, fullWidth*l.width/4)
	return 0.234 * s / (0.0804 * wobbleHalf * alongMM)
}

// level says whether a line runs along a circle at a vertex, or nearly so.
func (l *line) level(i int) bool {
	a, b := l.v[max(0, i-3)], l.v[min(len(l.v)-1, i+3)]
	return math.Abs(math.Hypot(a.x, a.y)-math.Hypot(b.x, b.y)) < 0.3*math.Hypot(a.x-b.x, a.y-b.y)
}

// usualWobble is this pen's raggedness on this paper, mm, from what a wobble of the usual length leaves; 0.02 where too little is plain.
func (l *line) usualWobble() float64 {
	if sd, ok := l.wobble(wobbleHalf, func(int) bool { return true }); ok {
		return wobbleTaken * sd
	}
	return 0.02
}

// unrest is by how much a line wanders about its own smooth course, and how much of the vat's own unrest its stroke does not show, mm.
// Where the line is steep, unrest moves it along itself: what is seen there is the pen's.
func (l *line) unrest() (pen, unseen float64) {
	steep := func(i int) bool { return !l.level(i) }
	near, ok := l.wobble(wobbleHalf, steep)
	far, sure := l.wobble(2*wobbleHalf, steep)
	if pen = l.usualWobble(); sure && ok && far > near {
		pen = far * math.Sqrt(wobbleOwn/(wobbleSeen+wobbleGrows*near*near/(far*far)))
	}
	if !ok {
		near = pen / wobbleTaken
	}
	if level, ok := l.wobble(wobbleHalf, l.level); ok && level > near {
		unseen = math.Sqrt((level*level - near*near) * l.hidden())
	}
	return pen, unseen
}

// wobble takes the distance of each vertex from the parabola through so many to either side of it, that count as it does; ok: of enough of them
// to tell their standard deviation, mm, strays left aside.
func (l *line) wobble(half int, counts func(i int) bool) (sd float64, ok bool) {
	nx, ny := normals(l.v)
	var off []float32
	for i := half; i < len(l.v)-half; i += 3 {
		if !counts(i) || !counts(i-half) || !counts(i+half) { // a corner is no wobble
			continue
		}
		good := true
		var s0, s2, s4, t0, t2 float64
		for k := -half; k <= half; k++ {
			p := l.v[i+k]
			if p.weak || p.amount < noInk {
				good = false
				break
			}
			d := (p.x-l.v[i].x)*nx[i] + (p.y-l.v[i].y)*ny[i]
			kk := float64(k * k)
			s0, s2, s4 = s0+1, s2+kk, s4+kk*kk
			t0, t2 = t0+d, t2+kk*d
		}
		if good {
			off = append(off, float32((s4*t0-s2*t2)/(s0*s4-s2*s2)))
		}
	}
	if len(off) < 20 {
		return 0, false
	}
	return fromMAD * float64(mad(off, 0)), true
}

// settle decides where there is ink, keeps the runs that are the pen's, and
// gives every vertex of a pen's line its time, radius and uncertainty.
func (t *tracer) settle(l *line, pen int) {
	if len(l.v) < fewest {
		l.v = nil
		return
	}
	t.place(l.v, t.frame.Hour)
	t.inkAlong(l.v, float64(t.typ[t.plane[pen]]))
	t.leaveCreases(l.v)
	for i, p := range t.p.Pens { // air does fall so fast where a lid is opened; in one ink the line may be either's
		if p.Name != "airspace" && t.plane[i] == t.plane[pen] {
			t.leaveDetours(l.v)
			break
		}
	}
	kept := l.keepLong(l.dropPale(l.joinSkips()))
	if len(kept) == 0 {
		l.v = nil
		return
	}
	l.trimRims(kept)
	t.uncertain(l)
}

// place gives vertices their time, which never falls, counted on from an hour, and their radius.
func (t *tracer) place(v []vertex, hour float64) {
	last := math.Inf(-1)
	for i := range v {
		p := &v[i]
		c, r := t.cell(p.x, p.y)
		hour += cyclic(t.frame.Hour+c*t.frame.HourStep-hour, t.form.RotationHours) // on from the vertex before, over the seam
		last = math.Max(last, hour)
		p.hours, p.radius = last, t.frame.Radius+r*stepMM
	}
}

// inkAlong decides at which vertices there is ink, and more of it than what is left of the print there.
func (t *tracer) inkAlong(v []vertex, typ float64) {
	n := len(v)
	over := make([]float64, n+1) // running sum of the amount over what is left of the print
	for i, p := range v {
		over[i+1] = over[i] + p.amount
		if t.m.bilevel {
			_, r := t.cell(p.x, p.y)
			over[i+1] -= remains * float64(t.doubt*t.m.at(p.hours, int(r+0.5))) / typ
		}
	}
	for i := range v {
		a, b := max(0, i-2), min(n, i+3)
		sum := 0.0
		for _, p := range v[a:b] {
			sum += p.amount
		}
		print := over[b] < over[a] && (over[min(n, i+remainsFar)] < over[i] || over[i+1] < over[max(0, i+1-remainsFar)])
		v[i].ink = sum/float64(b-a) > noInk && !print
	}
}

// joinSkips gives the inked runs. A skip that is no gap joins those beside it.
func (l *line) joinSkips() (joined []run) {
	for from, to := range runs(len(l.v), func(i int) bool { return l.v[i].ink }) {
		if k := len(joined) - 1; k >= 0 {
			skip := joined[k].to
			a, b := l.v[skip-1], l.v[from]
			if (b.hours-a.hours)*3600 <= gapS && float64(from-skip)*alongMM <= gapMM {
				for i := skip; i < from; i++ {
					l.v[i].ink, l.v[i].weak, l.v[i].reason = true, true, "the pen skipped"
				}
				joined[k].to = to
				continue
			}
		}
		joined = append(joined, run{from, to})
	}
	return joined
}

// amounts are the densities at some vertices.
func amounts(v []vertex) []float32 {
	all := make([]float32, len(v))
	for i, p := range v {
		all[i] = float32(p.amount)
	}
	return all
}

// dropPale leaves out what is much paler than the line: what the print left, not the pen's.
func (l *line) dropPale(inked []run) (dark []run) {
	var all []float32
	for _, r := range inked {
		all = append(all, amounts(l.v[r.from:r.to])...)
	}
	line := quantile(all, 0.7)
	for _, r := range inked {
		if float64(median(amounts(l.v[r.from:r.to]))) >= paleShare*float64(line) {
			dark = append(dark, r)
		}
	}
	return dark
}

// keepLong keeps the long runs, and the shorter ones near such a one in time; before the first of the long ones and after the last
// only those that are not weak for the most part: else where a trace begins would be told by what is left of the print.
func (l *line) keepLong(inked []run) (kept []run) {
	long := func(r run) bool { // without the zigzags of numerals and letters
		mm := 0.0
		for i := r.from; i < r.to-1; i += keepPiece {
			a, b := l.v[i], l.v[min(i+keepPiece, r.to-1)]
			mm += math.Hypot(b.x-a.x, b.y-a.y)
		}
		return mm >= keepMM
	}
	apart := func(a, b run) float64 { // hours, of whichever comes first
		return math.Max(l.v[b.from].hours-l.v[a.to-1].hours, l.v[a.from].hours-l.v[b.to-1].hours)
	}
	sure := func(r run) bool {
		weak := 0
		for _, p := range l.v[r.from:r.to] {
			if p.weak {
				weak++
			}
		}
		return 2*weak <= r.to-r.from
	}
	first := slices.IndexFunc(inked, long)
	last := len(inked) - 1
	for last >= 0 && !long(inked[last]) {
		last--
	}
	for i, r := range inked {
		near := func(other run) bool { return long(other) && apart(r, other) < keepHours }
		if long(r) || (i > first && i < last || sure(r)) && slices.ContainsFunc(inked, near) {
			kept = append(kept, r)
		}
	}
	return kept
}

// trimRims leaves the line from the first of the kept runs to the last, ink in them alone. Looking for ink over several
// vertices sees it before it is there: it ends where it has half its density.
func (l *line) trimRims(kept []run) {
	for i := range l.v {
		l.v[i].ink = false
	}
	for k := range kept {
		r := &kept[k]
		half := func(from, to int) float64 { return 0.5 * float64(median(amounts(l.v[from:to]))) }
		first, last := half(r.from, min(r.to, r.from+rimVertices)), half(max(r.from, r.to-rimVertices), r.to)
		for n := 0; n < rimMost && r.from < r.to-1 && l.v[r.from].amount < first; n++ {
			r.from++
		}
		for n := 0; n < rimMost && r.from < r.to-1 && l.v[r.to-1].amount < last; n++ {
			r.to--
		}
		for i := r.from; i < r.to; i++ {
			l.v[i].ink = true
		}
	}
	l.v = l.v[kept[0].from:kept[len(kept)-1].to]
}

// uncertain gives every vertex its standard uncertainty across the line.
func (t *tracer) uncertain(l *line) {
	usual := l.habit(nil)
	for i := range l.v {
		p := &l.v[i]
		a, b, c := l.v[max(0, i-4)], *p, l.v[min(len(l.v)-1, i+4)]
		ax, ay, bx, by := b.x-a.x, b.y-a.y, c.x-b.x, c.y-b.y
		bend := 0.0 // curvature, rad/mm
		if la, lb := math.Hypot(ax, ay), math.Hypot(bx, by); la > 0 && lb > 0 {
			bend = math.Min(bendMost, math.Abs(math.Atan2(ax*by-ay*bx, ax*bx+ay*by))/((la+lb)/2))
		}
		fit := math.Min(fitMost, p.fit)
		alien := usual.alien(p, l.width)
		if p.weak {
			alien = math.Max(alien, weakMM*weakMM)
		}
		if p.doubt > 0 {
			alien, fit = p.doubt*p.doubt, 0
		}
		if way := math.Hypot(c.x-a.x, c.y-a.y); way > 0 { // temperature moves a line along the radius; what it widens is seen already
			alien = math.Max(alien, l.unseen*l.unseen*math.Max(0, 1-math.Pow((c.radius-a.radius)/way, 2)))
		}
		noise := fitLeft * math.Max(0, fit*fit-usual.fit*usual.fit) // as much as is usual is in what is left of the raggedness
		u2 := l.left*l.left + noise + bendOff*bendOff*bend*bend + t.p.Face.UMM*t.p.Face.UMM + alien + l.edge*l.edge
		p.u = math.Sqrt(u2) * t.lean(a, c)
	}
}

// habit is what is usual of a line's strokes where it is plain: the pen's own texture, which
// raggedness already counts.
type habit struct {
	fit, rest, second, wide float64 // medians
	scatter                 float64 // standard deviation of second
}

// habit is taken from the vertices that count; nil: all.
func (l *line) habit(counts func(i int) bool) habit {
	var fit, rest, second, wide []float32
	for i, p := range l.v {
		if p.ink && !p.weak && (counts == nil || counts(i)) {
			fit, rest = append(fit, float32(p.fit)), append(rest, float32(p.rest))
			second, wide = append(second, float32(p.second)), append(wide, float32(p.wide))
		}
	}
	if len(rest) == 0 {
		return habit{second: math.Inf(1), wide: 1}
	}
	middle := median(second)
	h := habit{fit: float64(median(fit)), rest: float64(median(rest)), second: float64(middle), wide: float64(median(wide))}
	h.scatter = fromMAD * float64(mad(second, middle))
	return h
}

// alien is the variance of the centre, mm², that a vertex owes to what its stroke has beyond the habit: other
// ink, print or dirt, or the line itself where it went to and fro within its own width.
//
// What the fit leaves unexplained has no part along the direction that shifts the centre, but there it is as
// large as along the others: a profile of five standard deviations of the stroke holds about four independent
// looks, two of which go into height and centre, and a share q of the energy of a Gaussian along its slope
// shifts it by √2·q standard deviations, so that each of the two that are left stands for a shift of rest·width.
//
// Ink of f times the stroke's weight at a distance d widens the stroke's second moment by f·d²/(1+f)² and moves
// its centroid by f·d/(1+f), the root of f times as much. A pen that goes over its own line widens it without
// adding to its weight: a quarter at least stands for that.
func (h habit) alien(p *vertex, width float64) float64 {
	f := math.Max(0.25, math.Min(1, p.wide/h.wide-1))
	return width*width*math.Max(0, p.rest*p.rest-h.rest*h.rest) + f*math.Max(0, p.second-h.second-h.scatter)
}

// lean is by how much farther apart two lines that run side by side as from a to b lie along the arc of one
// time than a frame with arcs square to circles says: there a distance of 1 across is √(1+slope²) along the
// arc, on the paper it is the way along the line over the paper's way in the same time.
func (t *tracer) lean(a, b vertex) float64 {
	const most = 1.5 // arcs lean by less than this; a turning point has no direction
	square := math.Hypot((b.hours-a.hours)*3600*t.form.MMPerSecond(b.radius), b.radius-a.radius)
	way := math.Hypot(b.x-a.x, b.y-a.y)
	if square == 0 {
		return 1
	}
	return math.Max(1/most, math.Min(most, way/square))
}
