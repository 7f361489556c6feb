package digitize

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"penarm/digitize/series"
)

const (
	startSlack  = 0.25 // hours after the expected start within which the trace may begin
	lateSlack   = 0.05 // hours that a pen may touch the chart after another
	corridorMM  = 0.5  // to either side of a line that another pen of its colour should not take again
	corridorFee = 0.2  // a mm
	furtherFee  = 0.45 // the same for lines that no path of a pen has found
	turnTouchMM = 3.0  // of two turns' lines run as one where they cross
	turnStepMM  = 1.0  // a line that goes on into the next turn does so within this
	rejoinMM    = 2.5  // a stretch of line so near a path may be its end, and what is so near hangs together
	leadMM      = 10.0 // from a piece of line to the beginning of a path that left it for a skip between them
	leadBack    = 8    // cells by which it may end after that, 1.3 mm: the pen drops along an arc
	endMM       = 3.0  // of a path's last piece of ink,
	endInk      = 0.8  // and this share of it inked: what follows is what print leaves
	endCells    = 3    // after it that a path still goes
	idleMM      = 2.0  // a line that stays within this is an idle vat's
	busyMM      = 5.0  // and one that does not within this is not
)

// follow finds each pen's line.
func (t *tracer) follow() {
	cols, rows := t.frame.Columns/2, t.frame.Rows/2 // of paths: centring does the rest
	width := float32(math.Abs(t.turn*t.frame.HourStep) * (t.form.Inner() + t.form.Outer()))
	t.lines = make([]*line, len(t.p.Pens))
	for k := range t.planes {
		t.typ[k] = typical(t.planes[k], t.noise[k])
	}
	least := t.p.Pens[0].AheadMinutes
	for _, p := range t.p.Pens {
		least = math.Min(least, p.AheadMinutes)
	}
	end := cols
	find := func(i int, taken [][]span, fee float32) []step { // the best path of pen i beside others on its plane
		plane, typ := t.planes[t.plane[i]], t.typ[t.plane[i]]
		ahead := (t.p.Pens[i].AheadMinutes - least) / 60 // of the pen that touches the paper first
		wait := int((freeBefore + startSlack + ahead) / (2 * t.frame.HourStep))
		late := wait
		if len(taken) > 0 {
			late = int((freeBefore + lateSlack + ahead) / (2 * t.frame.HourStep))
		}
		return bestPath(end, rows, width, 2*stepMM, wait, late, func(col int, cost []float32) {
			for r := range cost {
				cost[r] = inkCost(t.half(plane, col, r) / typ)
			}
			t.sheet.hide(t.sheet.cover, cost, t.frame.Hour+(2*float64(col)+0.5)*t.frame.HourStep, 0, 2, costCover)
			for _, other := range taken {
				for r := max(0, other[col].low); r <= min(rows-1, other[col].high); r++ {
					cost[r] += fee
				}
			}
		})
	}
	taken := map[int][][]span{} // of each plane: the corridors of what was found
	take := func(k int, path []step) { taken[k] = append(taken[k], t.corridor(spans(path, cols))) }
	best := func() (paths [][]step) {
		clear(taken)
		for i, k := range t.plane {
			paths = append(paths, find(i, taken[k], corridorFee))
			take(k, paths[i])
		}
		return paths
	}
	paths := best()
	for range t.p.Pens { // what one pen's path gives back, another's may take
		for i, k := range t.plane {
			if !t.wholeTurn(paths[i], k) { // a second turn may lie over the first
				continue
			}
			for j := range t.plane { // each pen of the plane has drawn one
				if t.plane[j] != k {
					continue
				}
				other := find(i, taken[k], furtherFee)
				first, found := t.firstTurn(paths[i], other, k, taken[k])
				take(k, other)
				if found {
					paths[i] = first
					break
				}
			}
		}
		clear(taken)
		for i, k := range t.plane {
			take(k, paths[i])
		}
	}
	t.draw(paths)
	if last, left := t.lastInk(paths), t.strayLength(); left > 0 && last < cols {
		// A path goes on to the end of the frame, and may leave the end of its line for what makes that cheap.
		end = last
		shorter := best()
		if t.draw(shorter); t.strayLength() < left {
			paths = shorter
		} else {
			t.draw(paths)
		}
	}
	if t.rejoinAll(paths) {
		t.draw(paths)
	}
}

// lastInk is the column just after the last piece of ink on any path, or of a line that none claims.
func (t *tracer) lastInk(paths [][]step) int {
	long := int(math.Round(endMM / (2 * stepMM))) // cells
	last := 0
	for i, path := range paths {
		inked := make([]bool, len(path))
		n := 0
		for k, s := range path {
			if inked[k] = t.inkedCell(s, t.plane[i]); inked[k] {
				n++
			}
			if k >= long && inked[k-long] {
				n--
			}
			if float64(n) >= endInk*float64(long) {
				last = max(last, s.col)
			}
		}
	}
	for _, strays := range t.strays {
		for _, s := range strays {
			last = max(last, s[len(s)-1].col)
		}
	}
	return last + endCells
}

// inkedCell says whether a cell of paths is as dense on a plane as half a line.
func (t *tracer) inkedCell(s step, plane int) bool {
	return t.half(t.planes[plane], s.col, s.row) > 0.5*t.typ[plane]
}

// strayLength is how many cells of paths are in pieces of line that no pen claims.
func (t *tracer) strayLength() (n int) {
	for _, strays := range t.strays {
		for _, s := range strays {
			n += len(s)
		}
	}
	return n
}

// rejoinAll gives the paths what they left of their lines, as rejoin does, and what starts the trace before them; any: there was some.
func (t *tracer) rejoinAll(paths [][]step) (any bool) {
	for k := range t.planes {
		if i, s := t.lead(k); s != nil {
			c, _ := t.cell(t.lines[i].v[0].x, t.lines[i].v[0].y) // what the path has before it is bare paper
			begin := slices.IndexFunc(paths[i], func(s step) bool { return 2*s.col >= int(c) })
			paths[i], any = before(s, paths[i][max(begin, 0):]), true
		}
	}
	for k, strays := range t.strays {
		for _, s := range strays {
			for i := range paths {
				if t.plane[i] != k {
					continue
				}
				if path, better := t.rejoin(paths[i], s, k); better {
					paths[i], any = path, true
					break // a stretch is one pen's
				}
			}
		}
	}
	return any
}

// draw makes the pens' lines of their paths, and finds what they leave.
func (t *tracer) draw(paths [][]step) {
	t.open = nil
	for i, k := range t.plane {
		t.lines[i] = t.refine(paths[i], t.planes[k], float64(t.typ[k]), float64(t.noise[k]))
	}
	for i, l := range t.lines {
		t.finish(l, i)
	}
	for i, l := range t.lines {
		t.settle(l, float64(t.typ[t.plane[i]]))
		for k := range i {
			if t.plane[k] == t.plane[i] {
				t.tellApart(k, i)
			}
		}
	}
	t.strays = make([][][]step, len(t.planes))
	for k := range t.planes {
		t.strays[k] = t.stray(k)
	}
}

// rejoin gives a path the end, or the beginning, that it left for writing beside it: a steep stroke gets on little in
// time, so that a path may gain more by a few letters. Only a piece of line that no pen claims, which touches the path
// and is longer than all ink that the path has from there on and twice as long as what of that hangs together; or one that
// ends shortly before the path begins, for to wait costs a path less than an early skip. better: it was given.
func (t *tracer) rejoin(path, piece []step, plane int) (out []step, better bool) {
	mm := func(a, b step) float64 { // between cells of paths
		x, y := t.point(2*float64(a.col), 2*float64(a.row))
		u, v := t.point(2*float64(b.col), 2*float64(b.row))
		return math.Hypot(u-x, v-y)
	}
	long := 0.0
	for k := range piece[1:] {
		long += mm(piece[k], piece[k+1])
	}
	less := func(part []step) bool { // it holds less ink, and not half as much before its first gap
		all, joined, bare := 0.0, 0.0, 0.0
		for k := 1; k < len(part); k++ {
			d := mm(part[k-1], part[k])
			if !t.inkedCell(part[k], plane) {
				bare += d
				continue
			}
			if all += d; bare < rejoinMM {
				joined, bare = all, 0
			}
		}
		return all < long && 2*joined < long
	}
	nearest := func(to step, way int) (at int, ok bool) { // and from there back, or on, to a cell that is not later, or not earlier
		least := rejoinMM
		for k, s := range path {
			if d := mm(s, to); d <= least {
				least, at, ok = d, k, true
			}
		}
		for ok && way*(path[at].col-to.col) > 0 {
			at -= way
			ok = at >= 0 && at < len(path) && mm(path[at], to) <= 2*rejoinMM
		}
		return at, ok
	}
	first, last := piece[0], piece[len(piece)-1]
	if begin := path[0]; last.col-begin.col <= leadBack && first.col < begin.col && mm(last, begin) <= leadMM {
		return before(piece, path), true
	}
	if at, ok := nearest(first, 1); ok && less(path[at:]) {
		out = onward(slices.Clone(path[:at+1]), first)
		return onward(append(out, piece[1:]...), step{t.frame.Columns/2 - 1, last.row}), true
	}
	if at, ok := nearest(last, -1); ok {
		before := slices.Clone(path[:at+1])
		if slices.Reverse(before); less(before) {
			return append(onward(slices.Clone(piece), path[at]), path[at+1:]...), true
		}
	}
	return path, false
}

// before is a path that begins with a piece before it.
func before(piece, path []step) []step {
	return append(onward(slices.Clone(piece), path[0]), path[1:]...)
}

// onward goes on from a path's last cell to a cell of the same or a later column, from cell to cell.
func onward(path []step, to step) []step {
	from := path[len(path)-1]
	n := max(to.col-from.col, to.row-from.row, from.row-to.row)
	for k := 1; k <= n; k++ {
		path = append(path, step{from.col + k*(to.col-from.col)/n, from.row + k*(to.row-from.row)/n})
	}
	return path
}

// span is the rows of a path in one column.
type span struct{ low, high int }

var nowhere = span{math.MaxInt32, -math.MaxInt32}

func (s span) with(row int) span { return span{min(s.low, row), max(s.high, row)} }

// spans gives a path's rows in each of so many columns.
func spans(path []step, cols int) []span {
	all := make([]span, cols)
	for c := range all {
		all[c] = nowhere
	}
	for _, s := range path {
		all[s.col] = all[s.col].with(s.row)
	}
	return all
}

// corridor gives the rows in each column that lie within corridorMM of a path, given its own: on a steep line a path
// beside it in time is on the same stroke though rows away.
func (t *tracer) corridor(path []span) []span {
	across := 2 * t.frame.HourStep * math.Abs(t.turn) // a column, mm a mm of radius
	radius := func(row int) float64 { return t.frame.Radius + 2*stepMM*float64(row) }
	all := make([]span, len(path))
	for c := range all {
		all[c] = nowhere
		far := int(corridorMM / (across * radius(0)))
		for d := max(-far, -c); d <= far && c+d < len(path); d++ {
			s := path[c+d]
			if s == nowhere {
				continue
			}
			aside := across * math.Abs(float64(d))
			if d != 0 { // columns widen outwards
				s.high = min(s.high, int((corridorMM/aside-t.frame.Radius)/(2*stepMM)))
			}
			if s.high < s.low {
				continue
			}
			reach := func(row int) int {
				x := aside * radius(row)
				return int(math.Round(math.Sqrt(math.Max(0, corridorMM*corridorMM-x*x)) / (2 * stepMM)))
			}
			all[c] = all[c].with(s.low - reach(s.low)).with(s.high + reach(s.high))
		}
	}
	return all
}

// half is the evidence on a plane at half the resolution, none on a crease.
func (t *tracer) half(plane []float32, col, row int) float32 {
	if t.creased != nil && t.creased[col*(t.frame.Rows/2)+row] {
		return 0
	}
	a, b := plane[2*col*t.frame.Rows:], plane[(2*col+1)*t.frame.Rows:]
	return (a[2*row] + a[2*row+1] + b[2*row] + b[2*row+1]) / 4
}

// wholeTurn says whether a path lies on ink all round the chart, as after more than one turn.
func (t *tracer) wholeTurn(path []step, plane int) bool {
	if float64(t.frame.Columns)*t.frame.HourStep < (1-blankShare)*t.form.RotationHours {
		return false
	}
	inked := 0
	for _, s := range path {
		if t.inkedCell(s, plane) {
			inked++
		}
	}
	return float64(inked) >= roundInk*float64(len(path))
}

// firstTurn gives the path of the first turn where the chart went round again, from the cheapest path and the
// best one beside it. The cheapest is the shorter line wherever there are two, and where that stays level and
// the other does not, it is the second turn's: a chart is forgotten on an idle vat (common practice, no source).
// Not so where the other comes without a step from the end of the turn. taken: the corridors of all paths found
// on the plane; the other is a line of its own only where it is off all of them. found: the other has a part in it.
func (t *tracer) firstTurn(path, other []step, plane int, taken [][]span) (first []step, found bool) {
	cols := t.frame.Columns / 2
	p, q := spans(path, cols), spans(other, cols)
	mm := func(rows int) float64 { return 2 * stepMM * float64(rows) }
	off := func(a, b span) float64 { return mm(max(a.low-b.high, b.low-a.high)) }
	onward := func(all []span) bool { return off(all[0], p[cols-1]) < turnStepMM }
	second := onward(q) && !onward(p) // the other path comes from the end of the turn
	over := make([]bool, cols)        // columns in which the other path takes over
	inked, long := make([]int, cols), make([]int, cols)
	for _, s := range other {
		long[s.col]++
		if t.inkedCell(s, plane) {
			inked[s.col]++
		}
	}
	alone := func(c int) bool { // the other path lies on ink that no path has taken
		return 2*inked[c] > long[c] && !slices.ContainsFunc(taken, func(s []span) bool { return off(q[c], s[c]) <= 0 })
	}
	touch := int(math.Round(turnTouchMM / (2 * stepMM)))
	for from := 0; from < cols; from++ {
		if !alone(from) {
			continue
		}
		to := from + 1 // a line of its own up to here; crossings do not end it
		for c := to; c < cols && c-to < touch; c++ {
			if alone(c) {
				to = c + 1
			}
		}
		ink, all := 0, 0
		level, course := nowhere, nowhere
		for c := from; c < to; c++ {
			ink, all = ink+inked[c], all+long[c]
			level, course = level.with(p[c].low).with(p[c].high), course.with(q[c].low).with(q[c].high)
		}
		second = second && float64(2*from)*t.frame.HourStep <= startSlack // later both turns ran as one before
		line := mm(all) >= strayMM && float64(ink) >= strayInk*float64(all)
		if line && !second && mm(level.high-level.low) <= idleMM && mm(course.high-course.low) >= busyMM {
			found = true
			for c := from; c < to; c++ {
				over[c] = true
			}
		}
		from = to
	}
	if !found {
		return path, false
	}
	i, k := 0, 0
	for c := range cols {
		for ; i < len(path) && path[i].col == c; i++ {
			if !over[c] {
				first = append(first, path[i])
			}
		}
		for ; k < len(other) && other[k].col == c; k++ {
			if over[c] {
				first = append(first, other[k])
			}
		}
	}
	return first, true
}

func (t *tracer) empty() *Result {
	res := &Result{}
	for _, p := range t.p.Pens {
		res.Series = append(res.Series, series.Series{Pen: p.Name, Unit: t.form.Unit})
	}
	return res
}

// result turns lines into series on the clock.
func (t *tracer) result() *Result {
	res := t.empty()
	start, begins := math.Inf(1), 0
	for i, l := range t.lines {
		if len(l.v) > 0 && l.v[0].hours-t.p.Pens[i].AheadMinutes/60 < start {
			start, begins = l.v[0].hours-t.p.Pens[i].AheadMinutes/60, i
		}
	}
	if math.IsInf(start, 1) {
		return res
	}
	t.clock = newClock(t.p, start)
	res.ZeroAt = t.clock.zero
	first, on := t.clock.at(start), t.p.OnChart
	if !on.IsZero() && first.Sub(on).Abs() > 15*time.Minute {
		t.reportOn(series.EventStart, begins, 0, 0, fmt.Sprintf("the trace starts at %s, the entry says %s", first.Format("15:04"), on.Format("15:04")))
	}
	t.openEvents()
	for i := range t.lines {
		res.Series[i].Samples = t.samples(i)
		t.paperEvents(i)
	}
	t.turnedEvents()
	for k := range t.planes {
		t.laps(k)
	}
	res.Events = t.events
	return res
}

// when is the instant at which a pen wrote at a printed hour.
func (t *tracer) when(pen int, hours float64) time.Time {
	return t.clock.at(hours - t.p.Pens[pen].AheadMinutes/60)
}

// report adds an event of a pen from one printed hour to another, at a pixel of the picture.
func (t *tracer) report(kind series.Kind, pen int, from, to, x, y float64, text string) {
	t.events = append(t.events, series.Event{Kind: kind, Pen: t.p.Pens[pen].Name, From: t.when(pen, from), To: t.when(pen, to), X: x, Y: y, Text: text})
}

// reportOn adds an event of a pen's line from vertex a to b.
func (t *tracer) reportOn(kind series.Kind, pen, a, b int, text string) {
	v := t.lines[pen].v
	x, y := t.p.Face.Warp.Pixel(v[(a+b)/2].x, v[(a+b)/2].y)
	t.report(kind, pen, v[a].hours, v[b].hours, x, y, text)
}

// everyS is the longest time between samples, seconds.
const everyS = 5.0

// samples puts the vertices of a pen's line on the clock, with more between where they lie far apart in time.
func (t *tracer) samples(pen int) []series.Sample {
	var out []series.Sample
	one := func(p vertex) series.Sample {
		s := series.Sample{Time: t.when(pen, p.hours), Quality: series.Good, Reason: p.reason}
		if !p.ink {
			s.Quality, s.Temperature, s.Reason = series.Gap, math.NaN(), ""
			s.UTemperature, s.UTime = math.NaN(), math.NaN()
			return s
		}
		if p.weak {
			s.Quality = series.Weak
		}
		s.Temperature = t.form.Temperature(p.radius)
		s.UTemperature = math.Hypot(p.u, p.spread) / t.form.MMPerDegree(p.radius)
		s.UTime = p.u / t.form.MMPerSecond(p.radius)
		return s
	}
	v := t.lines[pen].v
	for i, p := range v {
		if i > 0 {
			q := v[i-1]
			n := int((p.hours - q.hours) * 3600 / everyS)
			for k := 1; k <= n; k++ {
				f := float64(k) / float64(n+1)
				m := p
				m.hours, m.radius = q.hours+(p.hours-q.hours)*f, q.radius+(p.radius-q.radius)*f
				m.u, m.spread = math.Max(p.u, q.u), math.Max(p.spread, q.spread)
				m.ink, m.weak, m.reason = p.ink && q.ink, p.weak || q.weak, cmp.Or(p.reason, q.reason)
				out = append(out, one(m))
			}
		}
		out = append(out, one(p))
	}
	return out
}
