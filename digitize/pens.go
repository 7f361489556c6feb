package digitize

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"penarm/digitize/series"
)

// Two pens of one colour, or in a grey picture: the paths follow the ink, but
// say nothing of which pen drew which stretch between two meetings. Here every
// stretch is weighed on its own.
const (
	meetMM      = 0.5   // nearer than this the lines are one
	shyMM       = 1.0   // so near paths come at a crossing that they turn away from
	cornerMM    = 2.0   // the same where going straight on leads each into the other's line,
	cornerTurn  = 4.9   // by so much in squared turns, rad²: each turns by a right angle or more, 2·(π/2)²
	bridgeInk   = 0.35  // share of the typical density somewhere between two lines where they meet: else there is paper
	sharedMM    = 1.0   // of line that two pens have in one stroke: more than where they cross
	bareMM      = 0.3   // of bare paper over which a path came to such a stroke or left it,
	bareFarMM   = 3.0   // as near to it
	stretchMM   = 1.5   // shorter partings are not weighed
	inkSpread   = 0.12  // of the logarithm of a stroke's weight over inkMM
	inkMM       = 2.0   // of line that counts as one independent look at the ink
	inkDrift    = 0.30  // of the same between stretches of one pen
	sameDrift   = 0.40  // where both pens are said to write one ink: its weight tells hardly anything
	settled     = 3.0   // log odds, 20 to 1, from which a stretch's pen is known
	hotterOdds  = 3.5   // log odds; common practice, no source: the air above the milk is kept hotter while it is held
	hotterMost  = 20.0  // °F: so much and more apart, a vat is being washed or its air not heated
	dipOdds     = 3.2   // log odds; common practice, no source: cold milk cools the product's bulb first
	dipLeast    = 8.0   // °F by which one bulb dips lower then, and below where its line begins and ends
	toldOdds    = 3.5   // log odds that one written temperature gives: on drawn charts all of 264 stretches with one or more were right; no source
	toldMinutes = 3.0   // that a written time may be off
	toldNear    = 2.0   // °F that the line of the pen may be off a written temperature
	toldFar     = 4.0   // °F from which the other line is off it
	bendSD      = 0.1   // rad, by how much a line's course before or after a meeting differs from what it would be did it bend on,
	bendMostOn  = 0.5   // rad, most that it does so,
	bendOther   = 0.4   // where it does not turn a corner or is pulled aside, which so many do
	armFrom     = 5     // vertices from a meeting, 0.4 mm, from which on a line's course is taken: past the other's pull,
	armTo       = 60    // up to so many, 4.8 mm,
	armLeast    = 10    // and at least so many
	armBend     = 2.0   // rad/mm, most that it is taken to bend
	linkMost    = 2.5   // log odds that the ink before and after a meeting can give
	linkSpread  = 0.085 // of the logarithm of a stroke's weight there over inkMM
	linkDrift   = 0.21  // of the same from one side of a meeting to the other,
	inkNear     = 0.07  // or of a crossing
	inkLeast    = 0.4   // looks at the ink on each side, 0.8 mm
	crossMM     = 4.0   // longest meeting that counts as a crossing
	turnMost    = 6.0   // log odds that the way through a meeting can give
	turnOdd     = -6.0  // log likelihood of any four arms of a meeting: what pulls one way aside does so to the other
	linkFar     = 12.0  // mm from which a meeting is so long that what comes hardly tells what goes
	startOdds   = 3.2   // the pen that writes ahead begins later on the paper
	hueDrift    = 0.025 // of a stroke's hue between stretches, a share of its density: what the scan and the print do to it
	hueMost     = 0.40  // farthest that two inks of one plane lie apart in it
	hueOdds     = 6.0   // log odds from which hue settles what habits deny
	hueAlone    = 2.0   // log odds from which a stroke that both share is the other's alone; 2.7 where its hue is, of inks 0.12 apart
	hueShyMM    = 1.6   // as shyMM where hue tells the pens apart
	huePieces   = 4     // of a stretch, which must agree
)

// stretch is a piece of both lines between two meetings, [from, to) of the vertices of each.
type stretch struct {
	a0, a1, b0, b1 int
	diff, sd       float64 // of the logarithms of the strokes' weights, first line less second; sd +Inf: too little of either is plain
	hue, hueSD     float64 // of the strokes' hues, first line less second; hueSD 0: not known
	link           float64 // log odds that each line goes on as itself over the meeting before
	prior          float64 // log odds that the first line is the first pen, by what pens do
	odds           float64 // the same after the ink was weighed
	weighed        bool
}

// tellApart decides for each stretch which line belongs to which pen, swaps where needed, and marks what stays open.
func (t *tracer) tellApart(i, j int) {
	a, b := t.lines[i].v, t.lines[j].v
	if len(a) == 0 || len(b) == 0 {
		return
	}
	t.disown(t.lines[i], b)
	t.disown(t.lines[j], a)
	near := t.nearest(a, b, meetMM)
	t.lines[i].runsTogether(b, near)
	t.lines[j].runsTogether(a, t.nearest(b, a, meetMM))
	t.addCrossings(a, b, near, t.plane[i])
	st := stretches(a, b, near)
	look := inkLook(a, b)
	for k := range st {
		t.measure(&st[k], i, j, look)
		if k > 0 {
			st[k].link = through(a, b, near, st[k].a0, st[k].b0, look)
		}
	}
	weigh(st)
	t.join(st, i, j)
	t.disownHues(i, j)
}

// addCrossings adds crossings to the meetings: there two paths may each take up the other's line and never touch. Meetings
// that are none are taken away.
func (t *tracer) addCrossings(a, b []vertex, near []int, plane int) {
	add := func(within float64, cross func(k, m int) bool) {
		wide := t.nearest(a, b, within)
		for from, to := range runs(len(a), func(k int) bool { return wide[k] >= 0 }) {
			met, closest, least := false, from, math.Inf(1)
			for k := from; k < to; k++ {
				met = met || near[k] >= 0
				if d := math.Hypot(a[k].x-b[wide[k]].x, a[k].y-b[wide[k]].y); d < least {
					closest, least = k, d
				}
			}
			if !met && float64(to-from)*alongMM <= crossMM && cross(closest, wide[closest]) {
				copy(near[from:to], wide[from:to])
			}
		}
	}
	shy := shyMM
	if t.hue != nil { // what is parted too often is joined again by hue
		shy = hueShyMM
	}
	add(shy, func(k, m int) bool { return true })
	add(cornerMM, func(k, m int) bool { // two steep lines meet in a sharp angle, in which both paths turn back
		w, ok := armsOf(a, b, k, k, m, m)
		turned := func(from, to arm) float64 { d := cyclic(to.course-from.course, 2*math.Pi); return d * d }
		return ok && w.straightOn(turned) > w.crossedOver(turned)+cornerTurn
	})
	t.dropUnbridged(a, b, near, plane)
}

// dropUnbridged takes meetings away between which and the other line there is paper all along: lines that near go by each other.
func (t *tracer) dropUnbridged(a, b []vertex, near []int, plane int) {
	const parts = 8 // of the way between
	inked := func(p, q vertex) bool {
		for k := 1; k < parts; k++ {
			f := float64(k) / parts
			if t.amount(t.planes[plane], p.x+(q.x-p.x)*f, p.y+(q.y-p.y)*f) < bridgeInk*t.typ[plane] {
				return false
			}
		}
		return true
	}
	for from, to := range runs(len(a), func(k int) bool { return near[k] >= 0 }) {
		bridged := false
		for k := from; k < to && !bridged; k++ {
			bridged = inked(a[k], b[near[k]])
		}
		for k := from; k < to && !bridged; k++ {
			near[k] = -1
		}
	}
}

// measure finds what one stretch itself says of whose it is: by its ink, its hue, what pens do and what is written.
func (t *tracer) measure(s *stretch, i, j int, look [4]float64) {
	first, second := t.p.Pens[i], t.p.Pens[j]
	a, b := t.lines[i].v[s.a0:s.a1], t.lines[j].v[s.b0:s.b1]
	if s.weighed = s.weighed && inkOf(a) >= stretchMM && inkOf(b) >= stretchMM; !s.weighed {
		return
	}
	wa, na := weight(t.lines[i].v, s.a0, s.a1, look)
	wb, nb := weight(t.lines[j].v, s.b0, s.b1, look)
	if s.sd = math.Inf(1); na >= 1 && nb >= 1 { // else only habits, what is written and crossings tell
		drift := inkDrift
		if first.Ink != "" && first.Ink == second.Ink {
			drift = sameDrift
		}
		s.diff = wa - wb
		s.sd = math.Sqrt(inkSpread*inkSpread*(1/na+1/nb) + drift*drift)
		ha, sa := t.hueOf(a, t.plane[i])
		if hb, sb := t.hueOf(b, t.plane[i]); sa > 0 && sb > 0 {
			s.hue, s.hueSD = ha-hb, math.Sqrt(sa*sa/na+sb*sb/nb+hueDrift*hueDrift)
		}
	}
	s.prior = t.habits(a, b, first.Name, second.Name) + t.told(a, b, i, j) + t.ahead(s, i, j)
}

// ahead is the log odds that a stretch's first line is pen i's by which line begins, or ends, later on the paper.
func (t *tracer) ahead(s *stretch, i, j int) float64 {
	ahead := (t.p.Pens[j].AheadMinutes - t.p.Pens[i].AheadMinutes) / 60
	if math.Abs(ahead) <= 1.0/60 {
		return 0
	}
	a, b := t.lines[i].v, t.lines[j].v
	lag := 0.0
	if s.a0 == 0 && !meet(a, b, 0, 0) {
		lag = b[s.b0].hours - a[s.a0].hours
	} else if s.a1 == len(a) && !meet(a, b, len(a)-1, len(b)-1) {
		lag = b[s.b1-1].hours - a[s.a1-1].hours
	}
	if d := lag / ahead; math.Abs(math.Abs(d)-1) < 0.5 {
		return math.Copysign(startOdds, d)
	}
	return 0
}

// join puts the pens' lines together again of the stretches that were weighed, and marks those that stay open.
func (t *tracer) join(st []stretch, i, j int) {
	usualHue := hueApart(st)
	var a, b []vertex
	for _, s := range st {
		pa, pb := t.lines[i].v[s.a0:s.a1], t.lines[j].v[s.b0:s.b1]
		// Where the ink says the contrary of what the bulbs always do, a person must look, but not where he sees its hue.
		seen := s.hueSD > 0 && math.Abs(s.odds) >= hueOdds
		// Each line may be partly one pen's, partly the other's.
		hue := math.Abs(s.hue)
		mixed := s.hueSD > 0 && usualHue > hueDrift &&
			(hue < usualHue/2 || math.Abs(hue-usualHue) > 3*s.hueSD || t.huesTurn(pa, pb, t.plane[i], usualHue))
		if s.weighed && (math.Abs(s.odds) < settled || mixed || !seen && s.prior*s.odds < 0 && math.Abs(s.prior) >= settled) {
			t.leaveOpen(pa, pb, i, whichDrew)
			t.leaveOpen(pb, pa, j, whichDrew)
		}
		if s.weighed && s.odds < 0 {
			pa, pb = pb, pa
		}
		a, b = append(a, pa...), append(b, pb...)
	}
	for _, v := range [][]vertex{a, b} {
		for k := 1; k < len(v); k++ {
			v[k].hours = math.Max(v[k].hours, v[k-1].hours)
		}
	}
	t.lines[i].v, t.lines[j].v = fromInkToInk(a), fromInkToInk(b)
}

// fromInkToInk leaves out what is bare before and after a line.
func fromInkToInk(v []vertex) []vertex {
	for len(v) > 0 && !v[0].ink {
		v = v[1:]
	}
	for len(v) > 0 && !v[len(v)-1].ink {
		v = v[:len(v)-1]
	}
	return v
}

// disown takes from a line the ink of the other where it came to it, or left it, over bare paper: there its own
// pen has written nothing, and its path took the other's line across the gap.
func (t *tracer) disown(l *line, other []vertex) {
	v := l.v
	near := t.nearest(v, other, fullWidth*l.width)
	bare := func(from, way int) int { // the end of the bare paper next to the stroke; from itself where there is none
		end, blank := from, 0
		for k := from + way; k >= 0 && k < len(v) && float64((k-from)*way)*alongMM <= bareFarMM; k += way {
			if v[k].amount < noInk {
				blank++
				end = k
			}
		}
		if float64(blank)*alongMM < bareMM {
			return from
		}
		return end
	}
	for k, e := range runs(len(v), func(i int) bool { return near[i] >= 0 }) {
		from, to := bare(k, -1), bare(e-1, 1)+1
		if (from < k || to > e) && float64(e-1-k)*alongMM >= sharedMM {
			for m := from; m < to; m++ {
				v[m].ink = false
			}
		}
	}
}

// disownHues takes from both pens' lines the strokes that they share but whose hue is the other pen's alone: there its own
// has written nothing, and its path took the other's line round a skip. Where both have, densities add, and the hue is
// the mean of theirs, each as its strokes weigh.
func (t *tracer) disownHues(i, j int) {
	if t.hue == nil {
		return
	}
	plane := t.plane[i]
	pens := [2]*line{t.lines[i], t.lines[j]}
	var near [2][]int
	var own, heavy [2]float64
	for k, l := range pens {
		near[k] = t.nearest(l.v, pens[1-k].v, fullWidth*l.width)
		var alone []vertex
		var wide []float32
		for m, p := range l.v {
			if near[k][m] < 0 && usable(p) {
				alone, wide = append(alone, p), append(wide, float32(p.wide))
			}
		}
		hue, sd := t.hueOf(alone, plane)
		if sd == 0 {
			return
		}
		own[k], heavy[k] = hue, float64(median(wide))
	}
	both := (own[0]*heavy[0] + own[1]*heavy[1]) / (heavy[0] + heavy[1])
	sq := func(x float64) float64 { return x * x }
	for k, l := range pens {
		for from, to := range runs(len(l.v), func(m int) bool { return near[k][m] >= 0 }) {
			hue, sd := t.hueOf(l.v[from:to], plane)
			looks := float64(to-from) * alongMM / inkMM
			if looks < 1 || sd == 0 {
				continue
			}
			if odds := (sq(hue-both) - sq(hue-own[1-k])) / (2 * (sd*sd/looks + hueDrift*hueDrift)); odds >= hueAlone {
				for m := from; m < to; m++ {
					l.v[m].ink = false
				}
			}
		}
		l.v = fromInkToInk(l.v)
	}
}

// huesTurn says whether two lines change hues on their way, so that each is partly one pen's and partly the other's.
func (t *tracer) huesTurn(a, b []vertex, plane int, apart float64) bool {
	var low, high float64
	for k := range huePieces {
		ha, sa := t.hueOf(a[len(a)*k/huePieces:len(a)*(k+1)/huePieces], plane)
		hb, sb := t.hueOf(b[len(b)*k/huePieces:len(b)*(k+1)/huePieces], plane)
		if sa > 0 && sb > 0 {
			odds := 2 * apart * (ha - hb) / (sa*sa + sb*sb + hueDrift*hueDrift)
			low, high = math.Min(low, odds), math.Max(high, odds)
		}
	}
	return low < -settled && high > settled
}

// hueApart is how far the pens lie apart in hue: the median over the stretches.
func hueApart(st []stretch) float64 {
	var all []float32
	for _, s := range st {
		if s.weighed && s.hueSD > 0 {
			all = append(all, float32(math.Abs(s.hue)))
		}
	}
	return float64(median(all))
}

// meet says whether an end of one line lies on the other: there a path ends wherever the other has taken the ink.
func meet(a, b []vertex, i, j int) bool {
	on := func(p vertex, v []vertex) bool {
		for _, q := range v {
			if math.Hypot(q.x-p.x, q.y-p.y) < meetMM {
				return true
			}
		}
		return false
	}
	return on(a[i], b) || on(b[j], a)
}

// runsTogether widens the uncertainty of a line where it and another run in one stroke, given the other's
// vertex nearest to each of its own: both are then read in the middle of both. Two strokes of one weight at a
// distance d have their second moment widened by d²/4, so each centre is off by the root of what it is
// widened by, or of what would not show beside its usual scatter.
func (l *line) runsTogether(other []vertex, near []int) {
	usual := l.habit(func(i int) bool { return near[i] < 0 })
	if math.IsInf(usual.second, 1) {
		usual = l.habit(nil)
	}
	stroke := fullWidth * l.width
	for i := range l.v {
		p := &l.v[i]
		if k := near[i]; k >= 0 && math.Hypot(other[k].x-p.x, other[k].y-p.y) < stroke {
			p.u = math.Sqrt(p.u*p.u + math.Max(0, p.second-usual.second) + usual.scatter)
		}
	}
}

// nearest gives for each vertex of a the index of the nearest one of b, or −1
// beyond so many mm. Both run forward in time, so the search only moves along.
func (t *tracer) nearest(a, b []vertex, within float64) []int {
	out := make([]int, len(a))
	slow := t.form.MMPerSecond(t.form.Inner()) * 3600 // mm an hour where it is least
	from := 0
	for k, p := range a {
		out[k] = -1
		reach := within / slow
		for from < len(b)-1 && b[from].hours < p.hours-reach {
			from++
		}
		best := within
		for m := from; m < len(b) && b[m].hours <= p.hours+reach; m++ {
			if d := math.Hypot(b[m].x-p.x, b[m].y-p.y); d < best && b[m].ink && p.ink {
				best, out[k] = d, m
			}
		}
	}
	return out
}

// stretches cuts both lines in the middle of every meeting, or where they come nearest at a crossing that they shy away from.
func stretches(a, b []vertex, near []int) []stretch {
	var st []stretch
	a0, b0 := 0, 0
	apart := 0
	emit := func(a1, b1 int) {
		st = append(st, stretch{a0: a0, a1: a1, b0: b0, b1: b1, weighed: float64(apart)*alongMM >= stretchMM})
		a0, b0, apart = a1, b1, 0
	}
	last := 0
	for from, to := range runs(len(a), func(k int) bool { return near[k] >= 0 }) {
		apart += from - last
		cut := (from + to) / 2
		off := func(k int) float64 { return math.Hypot(a[k].x-b[near[k]].x, a[k].y-b[near[k]].y) }
		if off(cut) > meetMM { // they shy away from a crossing: where they come nearest
			for k := from; k < to; k++ {
				if off(k) < off(cut) {
					cut = k
				}
			}
		}
		if float64(apart)*alongMM >= stretchMM && near[cut] > b0 {
			emit(cut, near[cut])
		}
		last = to
	}
	apart += len(a) - last
	emit(len(a), len(b))
	return st
}

// steepness sorts vertices by how fast the pen moved: a fast stroke is paler, whichever pen drew it.
func steepness(v []vertex, k int) int {
	p, q := v[max(0, k-3)], v[min(len(v)-1, k+3)]
	d := math.Hypot(q.x-p.x, q.y-p.y)
	if d == 0 {
		return 0
	}
	switch s := math.Abs(q.radius-p.radius) / d; {
	case s < 0.3:
		return 0
	case s < 0.7:
		return 1
	case s < 0.9:
		return 2
	default:
		return 3
	}
}

// inkLook is the median logarithm of a stroke's weight in each class of steepness, over both lines.
func inkLook(a, b []vertex) (look [4]float64) {
	var v [4][]float32
	for _, l := range [][]vertex{a, b} {
		for k := range l {
			if usable(l[k]) {
				c := steepness(l, k)
				v[c] = append(v[c], float32(math.Log(l[k].wide)))
			}
		}
	}
	for c := range v {
		if len(v[c]) > 0 {
			look[c] = float64(median(v[c]))
		}
	}
	return look
}

// inkOf is how many mm of a line are inked.
func inkOf(v []vertex) (mm float64) {
	for _, p := range v {
		if p.ink {
			mm += alongMM
		}
	}
	return mm
}

func usable(p vertex) bool { return p.ink && !p.weak && !p.fixed && p.wide > 0 }

// weight is the median logarithm of the stroke's weight beyond its class's over the vertices [from, to), and the number of independent looks.
func weight(v []vertex, from, to int, look [4]float64) (w, n float64) {
	var all []float32
	for k := from; k < to; k++ {
		if usable(v[k]) {
			all = append(all, float32(math.Log(v[k].wide)-look[steepness(v, k)]))
		}
	}
	if len(all) == 0 {
		return 0, 0
	}
	return float64(median(all)), float64(len(all)) * alongMM / inkMM
}

// hueOf is the median hue of a line's strokes on a plane, as a share of their density, and the standard deviation of one
// vertex about it; 0 where hue tells nothing or too few vertices are plain.
func (t *tracer) hueOf(v []vertex, plane int) (hue, sd float64) {
	if t.hue == nil {
		return 0, 0
	}
	var all []float32
	for _, p := range v {
		if !usable(p) {
			continue
		}
		col, row := t.cell(p.x, p.y)
		c, r := int(col+0.5), int(row+0.5)
		if c < 1 || r < 1 || c >= t.frame.Columns-1 || r >= t.frame.Rows-1 {
			continue
		}
		var h, e float32
		for i := c - 1; i <= c+1; i++ {
			for k := r - 1; k <= r+1; k++ {
				h, e = h+float32(t.hue[i*t.frame.Rows+k])/100, e+t.planes[plane][i*t.frame.Rows+k]
			}
		}
		if e > 0 {
			all = append(all, h/e)
		}
	}
	const few = 8
	if len(all) < few {
		return 0, 0
	}
	m := median(all)
	return float64(m), math.Max(0.01, fromMAD*float64(mad(all, m)))
}

// habits is the log odds that a is the pen of the first name, by what the two bulbs do in a vat.
func (t *tracer) habits(a, b []vertex, first, second string) float64 {
	sign := 0.0
	switch {
	case first == "product" && second == "airspace":
		sign = 1
	case first == "airspace" && second == "product":
		sign = -1
	default:
		return 0
	}
	high := (t.form.Temperature(t.form.Inner()) + t.form.Temperature(t.form.Outer())) / 2
	stats := func(v []vertex) (flatHigh []float32, low float64) {
		low = math.Inf(1)
		for k, p := range v {
			if !p.ink {
				continue
			}
			T := t.form.Temperature(p.radius)
			low = math.Min(low, T)
			if T > high && steepness(v, k) == 0 {
				flatHigh = append(flatHigh, float32(T))
			}
		}
		return flatHigh, low
	}
	degree := t.degree()
	ha, la := stats(a)
	hb, lb := stats(b)
	odds := 0.0
	const held = 30 // vertices, 2.4 mm of flat line
	if len(ha) > held && len(hb) > held {
		if d := float64(median(hb)-median(ha)) / degree; math.Abs(d) > 1 && math.Abs(d) < hotterMost {
			odds += hotterOdds * math.Copysign(1, d)
		}
	}
	lower := a
	if lb < la {
		lower = b
	}
	if ends := math.Min(t.form.Temperature(lower[0].radius), t.form.Temperature(lower[len(lower)-1].radius)); math.Min(la, lb) < ends-dipLeast*degree && math.Abs(la-lb) > dipLeast*degree {
		odds += dipOdds * math.Copysign(1, lb-la)
	}
	return sign * odds
}

// degree is one °F in the form's unit.
func (t *tracer) degree() float64 {
	if t.form.Unit == "C" {
		return 1 / 1.8
	}
	return 1
}

// told is the log odds that a is pen i's line and b pen j's by the temperatures that a person wrote down: each that
// one line had about that time and the other had not says whose it is. Where the recorder reads otherwise than
// the thermometers by more than the lines lie apart, it says nothing.
func (t *tracer) told(a, b []vertex, i, j int) (odds float64) {
	degree := t.degree()
	start := math.Min(t.lines[i].v[0].hours-t.p.Pens[i].AheadMinutes/60, t.lines[j].v[0].hours-t.p.Pens[j].AheadMinutes/60)
	zero := newClock(t.p, start).zero
	off := func(v []vertex, pen int, w Told) float64 { // how far the line passes by what is told
		h := w.At.Sub(zero).Hours() + t.p.Pens[pen].AheadMinutes/60
		low, high := math.Inf(1), math.Inf(-1)
		for _, p := range v {
			if p.ink && math.Abs(p.hours-h) <= toldMinutes/60 {
				T := t.form.Temperature(p.radius)
				low, high = math.Min(low, T), math.Max(high, T)
			}
		}
		return math.Max(low-w.Temperature, w.Temperature-high)
	}
	for _, w := range t.p.Told {
		own, sign := i, 1.0
		switch w.Pen {
		case t.p.Pens[i].Name:
		case t.p.Pens[j].Name:
			own, sign = j, -1
		default:
			continue
		}
		switch da, db := off(a, own, w), off(b, own, w); {
		case da <= toldNear*degree && db >= toldFar*degree && !math.IsInf(db, 1):
			odds += sign * toldOdds
		case db <= toldNear*degree && da >= toldFar*degree && !math.IsInf(da, 1):
			odds -= sign * toldOdds
		}
	}
	return odds
}

// through weighs a meeting around the given vertices: do the lines rather go straight on (positive log odds), or does each take up
// the other's course? Its constants are the likeliest for 880 meetings on 160 drawn charts; there is no source.
func through(a, b []vertex, near []int, ia, ib int, look [4]float64) float64 {
	lo, hi := ia, ia
	for lo > 0 && near[lo-1] >= 0 {
		lo--
	}
	for hi < len(a)-1 && near[hi] >= 0 {
		hi++
	}
	if near[lo] < 0 {
		return 0
	}
	jlo, jhi := near[lo], ib
	for k := hi; k >= lo; k-- {
		if near[k] >= 0 {
			jhi = near[k]
			break
		}
	}
	sq := func(d float64) float64 { return d * d }
	odds, long := 0.0, float64(hi-lo)*alongMM
	// The same pen is as dark after the meeting as it was before.
	const aside, far = 8, 40 // vertices: past the other's ink, 0.6 mm, and on for 2.6 mm
	ink := func(v []vertex, from, to int) (w, n float64) { return weight(v, max(0, from), min(len(v), to), look) }
	ain, n1 := ink(a, lo-far, lo-aside)
	bin, n2 := ink(b, jlo-far, jlo-aside)
	aout, n3 := ink(a, hi+aside, hi+far)
	bout, n4 := ink(b, jhi+aside, jhi+far)
	if n := min(n1, n2, n3, n4); n > inkLeast {
		drift := inkNear
		if long > crossMM {
			drift = linkDrift
		}
		odds = (sq(ain-bout) + sq(bin-aout) - sq(ain-aout) - sq(bin-bout)) / (2 * (2*linkSpread*linkSpread/n + drift*drift))
		odds = math.Max(-linkMost, math.Min(linkMost, odds))
	}
	if w, ok := armsOf(a, b, lo, hi, jlo, jhi); ok {
		turn := logSum(w.straightOn(bends), turnOdd) - logSum(w.crossedOver(bends), turnOdd)
		odds += math.Max(-turnMost, math.Min(turnMost, turn))
	}
	return odds / (1 + math.Pow(long/linkFar, 4))
}

// arm is a line where it comes to a meeting or leaves it: the point nearest to that, its direction there, radians, and how
// it bends, radians a mm.
type arm struct{ x, y, course, bend float64 }

// armOf fits a parabola to the vertices from armFrom to armTo before (way −1) or after (1) the one given; false where
// too few of them are inked.
func armOf(v []vertex, at, way int) (arm, bool) {
	var powers, points []float64
	for k := armFrom; k < armTo; k++ {
		i := at + way*k
		if i < 0 || i >= len(v) {
			break
		}
		if d := float64((k-armFrom)*way) * alongMM; v[i].ink {
			powers, points = append(powers, 1, d, d*d), append(points, v[i].x, v[i].y)
		}
	}
	n := len(points) / 2
	if n < armLeast {
		return arm{}, false
	}
	var c mat.Dense
	if c.Solve(mat.NewDense(n, 3, powers), mat.NewDense(n, 2, points)) != nil {
		return arm{}, false
	}
	dx, dy := c.At(1, 0), c.At(1, 1)
	bend := 2 * (dx*c.At(2, 1) - dy*c.At(2, 0)) / math.Pow(math.Hypot(dx, dy), 3)
	return arm{c.At(0, 0), c.At(0, 1), math.Atan2(dy, dx), math.Max(-armBend, math.Min(armBend, bend))}, true
}

// arms are the four of a meeting of two lines: each line's before and after it.
type arms struct{ before, after [2]arm }

// armsOf are those of the meeting over the vertices lo … hi of one line and jlo … jhi of the other; false where one of them ends there.
func armsOf(a, b []vertex, lo, hi, jlo, jhi int) (w arms, ok bool) {
	ok = true
	for i, end := range []struct {
		v        []vertex
		from, to int
	}{{a, lo, hi}, {b, jlo, jhi}} {
		var comes, goes bool
		w.before[i], comes = armOf(end.v, end.from, -1)
		w.after[i], goes = armOf(end.v, end.to, 1)
		ok = ok && comes && goes
	}
	return w, ok
}

// straightOn sums a measure over both lines, each going on as itself; crossedOver where each takes up the other's course.
func (w *arms) straightOn(of func(from, to arm) float64) float64 {
	return of(w.before[0], w.after[0]) + of(w.before[1], w.after[1])
}

func (w *arms) crossedOver(of func(from, to arm) float64) float64 {
	return of(w.before[0], w.after[1]) + of(w.before[1], w.after[0])
}

// bends is the logarithm of how likely one line has two arms, by how far the angles of both to the straight way from one to
// the other are from those of a line that bends on as they do: most are near, of the others all are alike.
func bends(from, to arm) float64 {
	x, y := to.x-from.x, to.y-from.y
	way, half := math.Atan2(y, x), math.Hypot(x, y)/2
	one := func(angle, bend float64) float64 {
		d := (cyclic(angle, 2*math.Pi) - math.Max(-bendMostOn, math.Min(bendMostOn, half*bend))) / bendSD
		return math.Log((1-bendOther)*math.Exp(-d*d/2)/(bendSD*math.Sqrt(2*math.Pi)) + bendOther/(2*math.Pi))
	}
	return one(way-from.course, from.bend) + one(to.course-way, to.bend)
}

// weigh gives each stretch its log odds. The pens differ in the weight of
// their strokes by an unknown amount, and in hue by an unknown one of known sign, over which the posterior is averaged; for
// each pair of amounts the stretches are a chain of two states, summed forward and backward.
func weigh(st []stretch) {
	const half, width = 24, 0.025
	const hueSteps = 16
	n := len(st)
	hues := 1
	for _, s := range st {
		if s.hueSD > 0 {
			hues = hueSteps + 1
		}
	}
	amounts := (2*half + 1) * hues
	keep, swap := make([][]float64, amounts), make([][]float64, amounts)
	total := make([]float64, amounts)
	most := math.Inf(-1)
	for i := range total {
		d, h := float64(i/hues-half)*width, float64(i%hues)*hueMost/hueSteps
		at := func(k int) (float64, float64) { // log likelihood of keeping and of swapping
			s := st[k]
			if !s.weighed {
				return 0, 0
			}
			x, y := (s.diff-d)/s.sd, (s.diff+d)/s.sd
			keep, swap := -x*x/2+s.prior/2, -y*y/2-s.prior/2
			if s.hueSD > 0 {
				x, y = (s.hue-h)/s.hueSD, (s.hue+h)/s.hueSD
				keep, swap = keep-x*x/2, swap-y*y/2
			}
			return keep, swap
		}
		fk, fs := make([]float64, n), make([]float64, n)
		for k := range st {
			fk[k], fs[k] = at(k)
			if k > 0 {
				h := st[k].link / 2
				fk[k] += logSum(fk[k-1]+h, fs[k-1]-h)
				fs[k] += logSum(fk[k-1]-h, fs[k-1]+h)
			}
		}
		keep[i], swap[i] = make([]float64, n), make([]float64, n)
		bk, bs := 0.0, 0.0
		for k := n - 1; k >= 0; k-- {
			keep[i][k], swap[i][k] = fk[k]+bk, fs[k]+bs
			lk, ls := at(k)
			h := st[k].link / 2
			bk, bs = logSum(bk+lk+h, bs+ls-h), logSum(bk+lk-h, bs+ls+h)
		}
		total[i] = logSum(fk[n-1], fs[n-1])
		most = math.Max(most, total[i])
	}
	for k := range st {
		var a, b float64
		for i := range total {
			a += math.Exp(keep[i][k] - most)
			b += math.Exp(swap[i][k] - most)
		}
		st[k].odds = math.Log((a + 1e-12) / (b + 1e-12))
	}
}

func logSum(a, b float64) float64 {
	return math.Max(a, b) + math.Log1p(math.Exp(-math.Abs(a-b)))
}

// What is not settled where two lines compete.
const (
	whichDrew = "which pen drew which"
	whichIs   = "which of them the pen drew"
)

// leaveOpen marks a stretch of a pen's line in whose place another may be the pen's, and what is not settled: the truth may be either
// with equal odds, so the variance is half their distance squared.
func (t *tracer) leaveOpen(v, other []vertex, pen int, what string) {
	k := 0
	for i := range v {
		for k < len(other)-1 && other[k].hours < v[i].hours {
			k++
		}
		several := v[i].rival != 0 // one distance does not tell of two rivals
		v[i].blind = true
		if len(other) > 0 {
			a, b, f := other[max(0, k-1)], other[k], 1.0
			if d := b.hours - a.hours; d > 0 {
				f = math.Max(0, math.Min(1, (v[i].hours-a.hours)/d))
			}
			v[i].rival = a.radius + (b.radius-a.radius)*f - v[i].radius
			v[i].blind = several || !a.ink || !b.ink || math.Abs(v[i].hours-b.hours)*3600 > gapS
		}
		v[i].weak, v[i].reason = true, "two lines compete: "+what+" is not settled"
	}
	if len(v) > 0 {
		t.open = append(t.open, open{pen, v[0], v[len(v)/2], v[len(v)-1], what})
	}
}

// open is a stretch of a pen's line in which two compete.
type open struct {
	pen             int
	from, amid, end vertex
	what            string // is not settled
}

func (t *tracer) openEvents() {
	for _, o := range t.open {
		x, y := t.p.Face.Warp.Pixel(o.amid.x, o.amid.y)
		t.report(series.EventAmbig, o.pen, o.from.hours, o.end.hours, x, y,
			fmt.Sprintf("two lines compete for %.0f minutes: %s is not settled", (o.end.hours-o.from.hours)*60, o.what))
		t.events[len(t.events)-1].Rivals = true
	}
}
