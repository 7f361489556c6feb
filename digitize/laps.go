package digitize

import (
	"math"
	"slices"

	"penarm/calibrate"
	"penarm/digitize/series"
)

const (
	blankShare  = 1.0 / 120 // of the turn: a chart taken off leaves at least this blank, six minutes on a 12 h form
	stopMM      = 0.6       // nearer than this to a ring beyond the scale a line has come from the pen's stop
	hiddenShare = 1.0 / 20  // of the turn: so long a rest on print may hide that there is no blank
	roundInk    = 0.9       // share of a line round the whole turn that is inked
)

// Of further lines, which no pen claims.
const (
	strayMM       = 10.0  // unclaimed ink this long in one piece is another line, not writing
	strayInk      = 0.95  // and this share of it inked
	strayPiece    = 3.0   // with chords of pieces this long, mm,
	strayStraight = 0.75  // of this share of its length
	strayWhole    = 0.975 // and either so much of it inked
	strayTaut     = 0.9   // or its chords so long: writing in one go has more pauses than a line, and more bends
	strayLong     = 20.0  // nobody writes so much in one go: here
	strayLongInk  = 0.9   // so much that is inked is enough,
	strayDiagonal = 0.7   // and chords of so much: along cells, a straight line may be √2 times as long as it is
	strayFar      = 0.8   // mm from every traced line
	startMM       = 2.0   // but this much that starts at the written time, before all other ink, is the trace's beginning,
	startNear     = 0.1   // within so many hours of that time
	strayGap      = 0.5   // mm from ink to ink that part two pieces
	markMM        = 14.0  // a piece shorter than this from end to end, and along cells than √2 times as much,
	markFree      = 2.0   // with no line so near either of its ends is a staple or a mark, unless such pieces together are twice as long
	loneMM        = 30.0  // and such a piece shorter than this may be a hair: a pen that goes round again comes from somewhere
	hairWeight    = 0.4   // of the ink of a pen's line: less is not a pen's
	hairMM        = 0.8   // to either side that is summed
	hairEvery     = 5     // vertices of a line, 0.4 mm
	circleRow     = 2.0   // rows from a circle, 0.16 mm,
	circleShare   = 0.9   // within which so much of a piece in black and white lies that may be print, and is where it is shorter than strayLong
	circleThin    = 0.75  // of a line's usual blackness: less along a circle is the circle alone
	meetHours     = 0.5   // a further line that comes to a pen's or from it may be the pen's for as long before or after, as a hold lasts
	crowdMM       = 3.0   // to either side of such a line
	crowdInk      = 0.12  // more of the paper than this is inked
	crowdShare    = 0.4   // beside so much of it at most
)

// goesRound says whether a line leaves no blank on the whole turn, as a chart that
// was put on and taken off again within one turn does.
func (t *tracer) goesRound(v []vertex) bool {
	if len(v) == 0 || v[len(v)-1].hours-v[0].hours < (1-blankShare)*t.form.RotationHours {
		return false
	}
	inked := 0
	for _, p := range v {
		if p.ink {
			inked++
		}
	}
	return float64(inked) >= roundInk*float64(len(v))
}

// endOnCircle says whether a line ends or begins along one printed circle, for as long as a chart is off the recorder at least: in black
// and white the circle may be what goes on there. It is, where all that is thinner than the line.
func (t *tracer) endOnCircle(l *line) (along, thin bool) {
	for _, circles := range t.m.circleRows {
		for _, at := range circles {
			on := func(k int) bool { return math.Abs((l.v[k].radius-t.frame.Radius)/stepMM-at) <= circleRow }
			for from, to := range runs(len(l.v), on) {
				if from > 0 && to < len(l.v) || l.v[to-1].hours-l.v[from].hours < blankShare*t.form.RotationHours {
					continue
				}
				var wide []float32
				for _, p := range l.v[from:to] {
					wide = append(wide, float32(p.wide))
				}
				return true, float64(median(wide)) < circleThin*l.habit(nil).wide
			}
		}
	}
	return false, false
}

// hidesBlank says whether what is missing to a whole turn would lie on print that is as dark as the line: it ends
// beside its own start, as a line that comes round on an idle vat does, or both lie at a ring beyond the scale that
// runs all the way between them, where the pen rests on its stop. Where the sheet is torn off or covered it shows no blank either.
func (t *tracer) hidesBlank(v []vertex, plane int) bool {
	if len(v) == 0 {
		return false
	}
	a, b := v[len(v)-1], v[0]
	missing := b.hours + t.form.RotationHours - a.hours
	if t.sheet.off != nil {
		const looks = 200
		blank := 0
		for i := range looks {
			s := (float64(i) + 0.5) / looks
			if row := int((a.radius + s*(b.radius-a.radius) - t.frame.Radius) / stepMM); !t.sheet.off[t.sheet.cell(a.hours+s*missing, max(row, 0))] {
				blank++
			}
		}
		if float64(blank)/looks*missing < blankShare*t.form.RotationHours {
			return true
		}
	}
	if missing <= hiddenShare*t.form.RotationHours && math.Abs(a.radius-b.radius) <= restMM {
		return t.darkAlong(a.hours, missing, a.radius, b.radius, plane) > 0.5
	}
	for row := range t.frame.Rows {
		r := t.frame.Radius + float64(row)*stepMM
		if math.Max(math.Abs(r-a.radius), math.Abs(r-b.radius)) <= stopMM && t.m.beyond(row) && t.darkAlong(a.hours, missing, r, r, plane) >= roundInk {
			return true
		}
	}
	return false
}

// darkAlong is the share of a way through so many hours, from one radius to another, along which the print that was
// learnt is as dark as a plane's line, and the scan itself is, too: there print might be missing.
func (t *tracer) darkAlong(hour, hours, from, to float64, plane int) float64 {
	const looks = 100
	row := func(radius float64) int {
		return min(max(int(math.Round((radius-t.frame.Radius)/stepMM)), 0), t.frame.Rows-1)
	}
	limit := 0.5 * t.typ[plane]
	var where []int
	for i := range looks {
		s := (float64(i) + 0.5) / looks
		if t.m.at(hour+s*hours, row(from+s*(to-from))) > limit {
			where = append(where, i)
		}
	}
	if 2*len(where) <= looks {
		return float64(len(where)) / looks
	}
	top := max(min(row(from), row(to))-1, 0)
	f := calibrate.Frame{Hour: hour + hours/(2*looks), HourStep: hours / looks, Columns: looks,
		Radius: t.frame.Radius + float64(top)*stepMM, RadiusStep: stepMM, Rows: min(max(row(from), row(to))+2, t.frame.Rows) - top}
	planes := calibrate.Unroll(t.pic, t.p.Face, f, nil)
	dark := 0
	for _, i := range where {
		here := row(from+(float64(i)+0.5)/looks*(to-from)) - top
		most := float32(0)
		for ch, p := range planes {
			col := p[i*f.Rows : (i+1)*f.Rows]
			t.m.onPaper(col, ch, f.Hour+float64(i)*f.HourStep, top)
			for _, v := range col[max(0, here-1):min(len(col), here+2)] {
				most = max(most, v)
			}
		}
		if most > limit {
			dark++
		}
	}
	return float64(dark) / looks
}

// laps looks for what a second turn of the chart leaves, on one plane: a line that comes round to
// its own start, and further lines, which a chart turned by hand leaves too.
func (t *tracer) laps(plane int) {
	for i, l := range t.lines {
		if t.plane[i] != plane {
			continue
		}
		var kind series.Kind
		var text string
		round, along, thin := t.goesRound(l.v), false, false
		if round && t.m.bilevel {
			along, thin = t.endOnCircle(l)
		}
		switch {
		case along && thin:
			continue
		case along:
			kind, text = series.EventNoBlank, "the line comes to its end along a printed circle, which in black and white may go on for it: whether the chart went round again cannot be seen"
		case round:
			kind, text = series.EventLap, "the line leaves no blank on the whole turn: the chart went round again"
			t.strays[plane] = t.stray(plane, false)
		case t.hidesBlank(l.v, plane):
			kind, text = series.EventNoBlank, "from here to where it starts the line would lie on print as dark as itself, or where the sheet is torn off or covered: whether the chart went round again cannot be seen"
		default:
			continue
		}
		t.reportOn(kind, i, len(l.v)-1, len(l.v)-1, text)
	}
	t.further(plane)
}

// further reports the lines on one plane that no pen claims.
func (t *tracer) further(plane int) {
	hour := func(s step) float64 { return t.frame.Hour + float64(2*s.col)*t.frame.HourStep }
	pixel := func(s step) (x, y float64) {
		return t.p.Face.Warp.Pixel(t.point(float64(2*s.col), float64(2*s.row)))
	}
	var left *leavings
	for _, s := range t.strays[plane] {
		x, y := pixel(s[len(s)/2])
		from, to := hour(s[0]), hour(s[len(s)-1])
		if i := t.lacking(plane, from, to); i >= 0 {
			t.report(series.EventLoose, i, from, to, x, y, "the pen's own is not seen there: is it the pen's, or did the chart go round again?")
			continue
		}
		if t.m.bilevel && t.onCircle(s) {
			t.report(series.EventNoBlank, slices.Index(t.plane, plane), from, to, x, y, "a further line, along one printed circle: whether it is print or the chart went round again cannot be seen")
			continue
		}
		if t.together(plane, from, to) {
			for i := range t.lines { // either may have drawn it
				t.report(series.EventAmbig, i, from, to, x, y, "a further line where both pens seem to run together: which pen drew which is not settled")
			}
			continue
		}
		if left == nil {
			left = t.leavings(plane, far)
		}
		begin, end := s[0], s[len(s)-1]
		kind, text := series.EventLap, "a further line of the same ink: the chart went round again, or was turned"
		switch {
		case t.shaded(s):
			kind, text = series.EventLoose, "along the edge of a stain or a shadow: is it a line, and did the chart go round again?"
		case math.Hypot(left.mm(begin, end)) < loneMM && left.free(begin) && left.free(end):
			kind, text = series.EventLoose, "a short line with no other near its ends: a hair or a mark, or did the chart go round again?"
		}
		for i := range t.lines { // it may be any pen's that writes with this ink
			if t.plane[i] != plane {
				continue
			}
			t.report(kind, i, from, to, x, y, text)
			for _, end := range []struct {
				at       step
				from, to float64
			}{{begin, from - meetHours, from}, {end, to, to + meetHours}} {
				if !left.free(end.at) {
					x, y := pixel(end.at)
					t.report(series.EventAmbig, i, end.from, end.to, x, y, "a further line comes to the pen's or leaves it: which one is the pen's is not settled")
				}
			}
		}
	}
}

// lacking is a pen of a plane that has no ink for most of its way through a time; −1 where none lacks it.
func (t *tracer) lacking(plane int, from, to float64) int {
	for i, l := range t.lines {
		if t.plane[i] != plane {
			continue
		}
		inked, seen := 0, 0
		for _, p := range l.v {
			if p.hours >= from && p.hours <= to {
				seen++
				if p.ink && t.amount(t.planes[plane], p.x, p.y) > 0.5*t.typ[plane] {
					inked++
				}
			}
		}
		if 2*inked <= seen {
			return i
		}
	}
	return -1
}

// together says whether two lines of one plane run as one for a third or more of a time.
func (t *tracer) together(plane int, from, to float64) bool {
	if len(t.lines) < 2 || t.plane[0] != plane || t.plane[1] != plane {
		return false
	}
	met, seen := 0, 0
	a := t.lines[0].v
	for k, m := range t.nearest(a, t.lines[1].v, meetMM) {
		if a[k].hours >= from && a[k].hours <= to {
			seen++
			if m >= 0 {
				met++
			}
		}
	}
	return 3*met >= seen && met > 0
}

// thin says whether a path holds less than hairWeight of the ink that the pens' lines on its plane do: a hair, a scratch.
func (t *tracer) thin(path []step, plane int) bool {
	const reach = int(hairMM / stepMM)
	ink := t.planes[plane]
	// The lesser of the sums along a column and along a row is at most √2 of the one straight across.
	across := func(s step) float32 {
		var column, row float32
		for d := -reach; d <= reach; d++ {
			if r := s.row + d; r >= 0 && r < t.frame.Rows {
				column += ink[s.col*t.frame.Rows+r]
			}
			if c := s.col + d; c >= 0 && c < t.frame.Columns {
				row += ink[c*t.frame.Rows+s.row]
			}
		}
		return min(column, row)
	}
	var here, lines []float32
	for _, s := range path {
		here = append(here, across(step{2 * s.col, 2 * s.row}))
	}
	for i, l := range t.lines {
		for k := 0; k < len(l.v) && t.plane[i] == plane; k += hairEvery {
			if !usable(l.v[k]) {
				continue
			}
			c, r := t.cell(l.v[k].x, l.v[k].y)
			if s := (step{int(c + 0.5), int(r + 0.5)}); s.col >= 0 && s.col < t.frame.Columns && s.row >= 0 && s.row < t.frame.Rows {
				lines = append(lines, across(s))
			}
		}
	}
	return len(lines) > 0 && median(here) < hairWeight*median(lines)
}

// shaded says whether most of a path lies in shade or at its edge, which may look like ink.
func (t *tracer) shaded(path []step) bool {
	if t.sheet.shade == nil {
		return false
	}
	in := 0
	for _, s := range path {
		if t.sheet.shade[t.sheet.cell(t.frame.Hour+float64(2*s.col)*t.frame.HourStep, 2*s.row)] {
			in++
		}
	}
	return 2*in > len(path)
}

// onCircle says whether a path runs along one printed circle: in black and white that may be blacker in one place than in
// most, as beside a dark line, which a threshold that follows the picture is moved by.
func (t *tracer) onCircle(path []step) bool {
	for _, circles := range t.m.circleRows {
		for _, at := range circles {
			on := 0
			for _, s := range path {
				if math.Abs(float64(2*s.row)+0.5-at) <= circleRow {
					on++
				}
			}
			if float64(on) >= circleShare*float64(len(path)) {
				return true
			}
		}
	}
	return false
}

// leavings is what is left on a plane beside the pens' lines, in cells of paths.
type leavings struct {
	*tracer
	ink        []float32 // of the plane
	typ        float32
	cols, rows int
	taken      []bool  // near a pen's line
	along      float64 // a column at the innermost circle, mm
}

// leavings of a plane, but for what lies so many mm beside a line: lines on another one count, too, because inks are never parted wholly.
func (t *tracer) leavings(plane int, beside func(l *line) float64) *leavings {
	l := &leavings{tracer: t, ink: t.planes[plane], typ: t.typ[plane], cols: t.frame.Columns / 2, rows: t.frame.Rows / 2}
	l.along = math.Abs(t.turn) * t.frame.HourStep * 2 * t.form.Inner()
	l.taken = make([]bool, l.cols*l.rows)
	for _, line := range t.lines {
		for _, p := range line.v {
			c, r := t.cell(p.x, p.y)
			l.about(l.taken, int(c/2), int(r/2), beside(line))
		}
	}
	return l
}

// far is how far beside a line a stray one lies.
func far(*line) float64 { return strayFar }

// about marks the cells within so many mm of one.
func (l *leavings) about(marked []bool, col, row int, within float64) {
	reach := int(math.Round(within / (2 * stepMM)))
	for c := max(0, col-reach); c <= min(l.cols-1, col+reach); c++ {
		for r := max(0, row-reach); r <= min(l.rows-1, row+reach); r++ {
			marked[c*l.rows+r] = true
		}
	}
}

// inked is the evidence left in a cell, in units of the typical density.
func (l *leavings) inked(c, r int) float32 {
	if l.taken[c*l.rows+r] || l.creased != nil && l.creased[c*l.rows+r] {
		return 0
	}
	return l.ink[2*c*l.frame.Rows+2*r] / l.typ
}

// mm is the way from one cell to another, along time and along the radius.
func (l *leavings) mm(p, q step) (x, y float64) {
	return l.along * float64(q.col-p.col) * (l.frame.Radius + float64(2*q.row)*stepMM) / l.form.Inner(), float64(q.row-p.row) * 2 * stepMM
}

// clumps gathers the cells in the columns [from, to) where ink is left by what lies within strayGap of one another.
func (l *leavings) clumps(from, to int) (found [][]step) {
	reach := int(math.Round(strayGap / (2 * stepMM)))
	dark := make([]bool, l.cols*l.rows) // and not yet in a clump
	for c := from; c < to; c++ {
		for r := range l.rows {
			dark[c*l.rows+r] = l.inked(c, r) > 0.5
		}
	}
	for c := from; c < to; c++ {
		for r := range l.rows {
			if !dark[c*l.rows+r] {
				continue
			}
			dark[c*l.rows+r] = false
			clump := []step{{c, r}}
			for n := 0; n < len(clump); n++ {
				for nc := max(from, clump[n].col-reach); nc <= min(to-1, clump[n].col+reach); nc++ {
					for nr := max(0, clump[n].row-reach); nr <= min(l.rows-1, clump[n].row+reach); nr++ {
						if dark[nc*l.rows+nr] {
							dark[nc*l.rows+nr] = false
							clump = append(clump, step{nc, nr})
						}
					}
				}
			}
			found = append(found, clump)
		}
	}
	return found
}

// search gives the best path through every clump of what is left in the columns [from, to) that is enough for so many mm of a line.
func (l *leavings) search(from, to int, least float64) (paths [][]step) {
	for _, clump := range l.clumps(from, to) {
		if float64(len(clump))*3*stepMM >= least {
			paths = append(paths, l.through(clump))
		}
	}
	return paths
}

// through is the best path through a clump.
func (l *leavings) through(clump []step) []step {
	low, high := clump[0], clump[0]
	for _, s := range clump {
		low, high = step{min(low.col, s.col), min(low.row, s.row)}, step{max(high.col, s.col), max(high.row, s.row)}
	}
	rows := high.row - low.row + 1
	costs := make([]float32, (high.col-low.col+1)*rows)
	for i := range costs {
		costs[i] = inkCost(0)
	}
	for _, s := range clump {
		costs[(s.col-low.col)*rows+s.row-low.row] = inkCost(l.inked(s.col, s.row))
	}
	path := bestPath(high.col-low.col+1, rows, 2*stepMM, 2*stepMM, 0, 0, func(col int, cost []float32) {
		copy(cost, costs[col*rows:])
	})
	for i := range path {
		path[i].col, path[i].row = path[i].col+low.col, path[i].row+low.row
	}
	return path
}

// cut parts a path where it goes on over bare paper.
func (l *leavings) cut(path []step) (parts [][]step) {
	from, last := 0, 0
	for k, s := range path {
		if l.inked(s.col, s.row) <= 0.5 {
			continue
		}
		if math.Hypot(l.mm(path[last], s)) > strayGap {
			parts = append(parts, path[from:last+1])
			from = k
		}
		last = k
	}
	return append(parts, path[from:last+1])
}

// measure gives how long a part of a path is, how much of it is inked, and how long its chords are, mm.
func (l *leavings) measure(part []step) (long, inked, chords float64) {
	turn, piece := part[0], 0.0
	for k, q := range part[1:] {
		d := math.Hypot(l.mm(part[k], q))
		if l.inked(q.col, q.row) > 0.5 {
			inked += d
		}
		if long, piece = long+d, piece+d; piece >= strayPiece || k == len(part)-2 {
			chords += math.Hypot(l.mm(turn, q))
			turn, piece = q, 0
		}
	}
	return long, inked, chords
}

// alone says whether there is no ink beside most of a part of a path: where a line has none, print and writing have.
func (l *leavings) alone(part []step) bool {
	own := make([]bool, l.cols*l.rows)
	for _, s := range part {
		l.about(own, s.col, s.row, strayFar)
	}
	crowd := int(math.Round(crowdMM / (2 * stepMM)))
	crowded := 0
	for _, s := range part {
		dark, seen := 0, 0
		for r := max(0, s.row-crowd); r <= min(l.rows-1, s.row+crowd); r++ {
			if own[s.col*l.rows+r] {
				continue
			}
			seen++
			if l.ink[2*s.col*l.frame.Rows+2*r] > 0.4*l.typ {
				dark++
			}
		}
		if float64(dark) > crowdInk*float64(seen) {
			crowded++
		}
	}
	return float64(crowded) < crowdShare*float64(len(part))
}

// free says whether no pen's line is near a cell.
func (l *leavings) free(s step) bool { return l.clear(s, markFree) }

// clear says whether no taken cell is within so many mm of one.
func (l *leavings) clear(s step, within float64) bool {
	near := int(math.Round(within / (2 * stepMM)))
	for c := max(0, s.col-near); c <= min(l.cols-1, s.col+near); c++ {
		if slices.Contains(l.taken[c*l.rows+max(0, s.row-near):c*l.rows+min(l.rows, s.row+near+1)], true) {
			return false
		}
	}
	return true
}

// line says whether a part of a path is a line at least so long, and how much of it is inked, mm. Writing runs up and down; a line gets
// on in time. It is inked throughout, where writing lifts the pen, and no zigzag of letters, and where it is to lie free, no other ink is beside it.
func (l *leavings) line(part []step, plane int, least float64, free bool) (inked float64, ok bool) {
	long, inked, chords := l.measure(part)
	whole := inked >= strayInk*long && chords >= strayStraight*long && (inked >= strayWhole*long || chords >= strayTaut*long)
	print := l.m.bilevel && inked < strayLong && l.onCircle(part) // a longer one may be an idle vat's
	if inked >= strayLong {
		whole = inked >= strayLongInk*long && chords >= strayDiagonal*long
	}
	return inked, whole && inked >= least && l.along*float64(part[len(part)-1].col-part[0].col) >= least/4 &&
		(!free || l.alone(part)) && !l.thin(part, plane) && !print
}

// stray gives the stretches of a line on a plane that no pen claims, as pieces of a path: those that lie free, or all where there is known
// to be such a line.
func (t *tracer) stray(plane int, free bool) (found [][]step) {
	l := t.leavings(plane, far)
	var marks [][]step
	marked := 0.0
	for _, path := range l.search(0, l.cols, strayMM) {
		for _, part := range l.cut(path) {
			switch inked, ok := l.line(part, plane, strayMM, free); {
			case !ok:
			case inked < math.Sqrt2*markMM && math.Hypot(l.mm(part[0], part[len(part)-1])) < markMM && l.free(part[0]) && l.free(part[len(part)-1]):
				marks, marked = append(marks, part), marked+inked
			default:
				found = append(found, part)
			}
		}
	}
	if marked > 2*markMM {
		found = append(found, marks...)
	}
	return found
}

// lead gives a short piece of line on a plane that starts where the chart was put on at the time written, before any pen's line there
// begins, and the pen whose begins first: it is the trace's beginning, left for a skip after it. No piece where there is no such.
func (t *tracer) lead(plane int) (pen int, piece []step) {
	begins, every, known := t.expectedStart()
	if !known {
		return 0, nil
	}
	first := math.Inf(1)
	for i, l := range t.lines {
		if t.plane[i] == plane && len(l.v) > 0 && l.v[0].hours < first {
			first, pen = l.v[0].hours, i
		}
	}
	early := cyclic(first-begins, every)                              // hours
	if !(early*3600*t.form.MMPerSecond(t.form.Outer()) > startMM/2) { // no room for one
		return 0, nil
	}
	column := func(hours float64) int { return int(math.Round((hours - t.frame.Hour) / (2 * t.frame.HourStep))) }
	l := t.leavings(plane, far)
	for _, path := range l.search(max(0, column(first-early-startNear)), min(l.cols, column(first)+leadBack), startMM) {
		for _, part := range l.cut(path) {
			if _, ok := l.line(part, plane, startMM, true); ok && part[0].col <= column(first-early+startNear) {
				return pen, part
			}
		}
	}
	return 0, nil
}
