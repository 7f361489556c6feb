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
	rejoinMM = 2.5  // a stretch of line so near a path may be its end, and what is so near hangs together
	leadMM   = 10.0 // from a piece of line to the beginning of a path that left it for a skip between them
	leadBack = 8    // cells by which it may end after that, 1.3 mm: the pen drops along an arc
	endMM    = 3.0  // of a path's last piece of ink,
	endInk   = 0.8  // and this share of it inked: what follows is what print leaves
	endCells = 3    // after it that a path still goes
)

// follow finds each pen's line.
func (t *tracer) follow() {
	t.lines = make([]*line, len(t.p.Pens))
	aside := make([]int, t.frame.Rows) // as far as lineApart
	for r := range aside {
		aside[r] = int(math.Ceil(lineApart * t.form.Outer() / (t.frame.Radius + float64(r)*stepMM)))
	}
	for k := range t.planes {
		t.typ[k] = typical(t.planes[k], aside, t.noise[k])
	}
	f := t.finder()
	paths := f.exchange(f.all())
	f.firstTurns(paths)
	t.draw(paths)
	paths = f.oneInk(paths)
	keep := func(other [][]step, most int) { // what leaves less of other lines
		if t.draw(other); t.strayLength() < most {
			paths = other
		} else {
			t.draw(paths)
		}
	}
	if last, left := t.lastInk(paths), t.strayLength(); left > 0 && last < f.end {
		// A path goes on to the end of the frame, and may leave the end of its line for what makes that cheap.
		f.end = last
		keep(f.all(), left)
	}
	if left := t.strayLength(); left > 0 {
		// What is left of print may be cheaper than its line where that runs with another pen's.
		f.plain = true
		keep(f.all(), 4*left/5)
	}
	if other := f.leaveAtOnce(paths); other != nil {
		keep(other, t.strayLength()+1)
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
		t.settle(l, i)
		for k := range i {
			if t.plane[k] == t.plane[i] {
				t.tellApart(k, i)
			}
		}
	}
	t.strays = make([][][]step, len(t.planes))
	for k := range t.planes {
		t.strays[k] = t.stray(k, true)
	}
}

// rejoin gives a path the end, or the beginning, that it left for writing beside it: a steep stroke gets on little in
// time, so that a path may gain more by a few letters. Only a piece of line that no pen claims, which touches the path
// and is longer than all ink that the path has from there on and twice as long as what of that hangs together; or than
// what the path has meanwhile, whose rest stays then; or one that ends shortly before the path begins, for to wait costs
// a path less than an early skip. better: it was given.
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
	later := func(col int) int { // the path's first cell in a later column
		k := slices.IndexFunc(path, func(s step) bool { return s.col > col })
		if k < 0 {
			return len(path)
		}
		return k
	}
	if at, ok := nearest(first, 1); ok {
		out = onward(slices.Clone(path[:at+1]), first)
		switch end := later(last.col); {
		case less(path[at:]):
			return onward(append(out, piece[1:]...), step{t.frame.Columns/2 - 1, last.row}), true
		case end < len(path) && less(path[at:end]):
			return append(onward(append(out, piece[1:]...), path[end]), path[end+1:]...), true
		}
	}
	if at, ok := nearest(last, -1); ok {
		begin := later(first.col - 1)
		instead := func(from int) bool {
			part := slices.Clone(path[from : at+1])
			slices.Reverse(part)
			return less(part)
		}
		switch {
		case instead(0):
			return append(onward(slices.Clone(piece), path[at]), path[at+1:]...), true
		case begin > 0 && begin <= at && instead(begin):
			out = append(onward(slices.Clone(path[:begin]), first), piece[1:]...)
			return append(onward(out, path[at]), path[at+1:]...), true
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

// half is the evidence on a plane at half the resolution, none on a crease.
func (t *tracer) half(plane []float32, col, row int) float32 {
	if t.creased != nil && t.creased[col*(t.frame.Rows/2)+row] {
		return 0
	}
	a, b := plane[2*col*t.frame.Rows:], plane[(2*col+1)*t.frame.Rows:]
	return (a[2*row] + a[2*row+1] + b[2*row] + b[2*row+1]) / 4
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
	for k := range t.planes {
		t.forks(k)
	}
	t.openEvents()
	for i := range t.lines {
		t.paperEvents(i)
		res.Series[i].Samples = t.samples(i)
	}
	t.turnedEvents()
	t.hiddenEvents(begins)
	for k := range t.planes {
		t.laps(k)
	}
	res.Events = t.events
	for _, e := range res.Events {
		if e.Kind == series.EventAmbig {
			res.weaken(e)
		}
	}
	return res
}

// weaken makes weak what a pen has drawn during an event that leaves open whether it is the pen's.
func (r *Result) weaken(e series.Event) {
	for _, s := range r.Series {
		for i := range s.Samples {
			if p := &s.Samples[i]; s.Pen == e.Pen && p.Quality == series.Good && !p.Time.Before(e.From) && !p.Time.After(e.To) {
				p.Quality, p.Reason = series.Weak, e.Text
			}
		}
	}
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
		s.Rival = t.form.Temperature(p.radius+p.rival) - s.Temperature
		s.UTemperature = math.Hypot(p.u/t.form.MMPerDegree(p.radius), s.Rival/math.Sqrt2)
		if p.blind {
			s.Rival = math.NaN()
		}
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
				m.u, m.rival, m.blind = math.Max(p.u, q.u), q.rival+(p.rival-q.rival)*f, p.blind || q.blind
				m.ink, m.weak, m.reason = p.ink && q.ink, p.weak || q.weak, cmp.Or(p.reason, q.reason)
				out = append(out, one(m))
			}
		}
		out = append(out, one(p))
	}
	return out
}
