package digitize

import (
	"iter"
	"math"
	"slices"
)

const (
	startSlack  = 0.25 // hours after the expected start within which the trace may begin
	lateSlack   = 0.05 // hours that a pen may touch the chart after another
	corridorMM  = 0.5  // to either side of a line that another pen of its colour should not take again
	corridorFee = 0.2  // a mm
	furtherFee  = 0.45 // the same for lines that no path of a pen has found
	leaveMM     = 1.0  // of ink of its own that a path gains by an end of its own, and of another's that it leaves for that
	jumpMM      = 1.0  // of bare paper that a path jumps over,
	gainMM      = 2.0  // and of it that two paths cost less, at least: in less, print and faint ink have a say
	exchanges   = 3    // at most
	lineShare   = 0.2  // of the ink of the other pen's line: a line of less is writing
	turnTouchMM = 3.0  // of two turns' lines run as one where they cross
	turnStepMM  = 1.0  // a line that goes on into the next turn does so within this
	idleMM      = 2.0  // a line that stays within this is an idle vat's
	busyMM      = 5.0  // and one that does not within this is not
)

// finder looks for the best paths, in cells of two by two of the planes'.
type finder struct {
	*tracer
	cols, rows int
	end        int              // the column before which a path ends
	leave      int              // the column from which on a pen may have left the chart
	width      float32          // mm a column
	plain      bool             // only what is as dense as half a line is ink
	least      float64          // minutes that the first pen writes ahead
	taken      map[int][][]span // of each plane: the corridors of what was found
}

func (t *tracer) finder() *finder {
	f := &finder{tracer: t, cols: t.frame.Columns / 2, rows: t.frame.Rows / 2, taken: map[int][][]span{}} // centring does the rest
	f.end, f.leave = f.cols, f.cols
	f.width = float32(math.Abs(t.turn*t.frame.HourStep) * (t.form.Inner() + t.form.Outer()))
	f.least = math.Inf(1)
	for _, p := range t.p.Pens {
		f.least = math.Min(f.least, p.AheadMinutes)
	}
	return f
}

// best is the best path of pen i beside what was found on its plane, with a fee a mm along that.
func (f *finder) best(i int, fee float32) []step {
	k := f.plane[i]
	wait := f.within(i, startSlack)
	late := wait
	if len(f.taken[k]) > 0 {
		late = f.within(i, lateSlack)
	}
	return bestPath(f.end, f.rows, f.width, 2*stepMM, wait, late, func(col int, cost []float32) {
		for r := range cost {
			cost[r] = f.price(k, col, r)
		}
		f.sheet.hide(f.sheet.cover, cost, f.frame.Hour+(2*float64(col)+0.5)*f.frame.HourStep, 0, 2, costCover)
		for _, other := range f.taken[k] {
			for r := max(0, other[col].low); r <= min(f.rows-1, other[col].high); r++ {
				cost[r] += fee
			}
		}
	})
}

// price is what a cell of a plane costs a mm by its ink.
func (f *finder) price(plane, col, row int) float32 {
	e := f.half(f.planes[plane], col, row) / f.typ[plane]
	if f.plain && e < 0.5 {
		e = 0
	}
	if col >= f.leave {
		return min(inkCost(e), costWait)
	}
	return inkCost(e)
}

// within is the column so many hours after the one in which pen i is expected to touch the paper.
func (f *finder) within(i int, slack float64) int {
	ahead := (f.p.Pens[i].AheadMinutes - f.least) / 60 // of the pen that touches it first
	return int((freeBefore + slack + ahead) / (2 * f.frame.HourStep))
}

// take keeps further paths on a plane off one.
func (f *finder) take(plane int, path []step) {
	f.taken[plane] = append(f.taken[plane], f.corridor(spans(path, f.cols)))
}

// all is the best path of every pen, one after the other.
func (f *finder) all() (paths [][]step) {
	clear(f.taken)
	for i, k := range f.plane {
		paths = append(paths, f.best(i, corridorFee))
		f.take(k, paths[i])
	}
	return paths
}

// oneInk lets both pens write in the ink of one where the other has drawn no line, if anything, in its own, and one is left that no pen
// claims: a pen was changed, and which line is whose is to be weighed, or the chart went round again, which is asked. It gives the
// paths, drawn: those of before where that leaves more than half of it.
func (f *finder) oneInk(paths [][]step) [][]step {
	if len(f.plane) < 2 || f.plane[0] == f.plane[1] {
		return paths
	}
	var ink [2]int
	for i, l := range f.lines {
		for _, p := range l.v {
			if p.ink {
				ink[i]++
			}
		}
	}
	j := slices.IndexFunc([]int{0, 1}, func(i int) bool { return f.unseen[i] || lineShare*float64(ink[1-i]) > float64(ink[i]) })
	if j < 0 || f.unseen[1-j] {
		return paths
	}
	k, left := f.plane[1-j], 0
	for _, s := range f.strays[k] {
		left += len(s)
	}
	if left == 0 {
		return paths
	}
	plane, planes, typ, noise := f.plane, f.planes, f.typ, f.noise
	f.plane, f.planes, f.typ, f.noise = []int{0, 0}, planes[k:k+1], typ[k:k+1], noise[k:k+1]
	other := f.all()
	f.firstTurns(other)
	if f.draw(other); 2*f.strayLength() <= left {
		f.lent[j], f.instead[j] = true, ""
		return other
	}
	f.plane, f.planes, f.typ, f.noise = plane, planes, typ, noise
	f.draw(paths)
	return paths
}

// leaveAtOnce gives paths that may end where their own pens do: all leave the chart at once, so that the line of one that writes less
// ahead ends before another's on the paper, along which its path else goes on. Nil where none has more ink of its own so.
func (f *finder) leaveAtOnce(paths [][]step) (out [][]step) {
	last, most := f.lastInk(paths), 0.0
	for _, p := range f.p.Pens {
		most = math.Max(most, p.AheadMinutes)
	}
	more := int(math.Round(leaveMM / (2 * stepMM))) // cells
	for i, k := range f.plane {
		lag := int(math.Round((most - f.p.Pens[i].AheadMinutes) / 60 / (2 * f.frame.HourStep)))
		clear(f.taken)
		for j := range f.plane {
			if j != i && f.plane[j] == k {
				f.take(k, paths[j])
			}
		}
		if lag == 0 || len(f.taken[k]) == 0 {
			continue
		}
		end := f.end
		f.leave, f.end = last-lag, min(end, last)
		other := f.best(i, corridorFee)
		f.leave, f.end = f.cols, end
		at, from := parting(paths[i], other, last-lag)
		if at < 0 {
			continue
		}
		own, shared := f.inkOn(paths[i][at:], k)
		if gained, _ := f.inkOn(other[from:], k); shared >= more && gained >= own+more {
			if out == nil {
				out = slices.Clone(paths)
			}
			out[i] = append(slices.Clone(paths[i][:at]), other[from:]...)
		}
	}
	return out
}

// exchange gives two pens of one plane paths of which one has the other's rest, or beginning, from where they cross, and the other is looked
// for again beside that, where they cost less together: whichever was found first may have gone from its line to the other's by the writing
// between them, so that the other could but jump over bare paper to what was left. Where the chart went round again, firstTurns sees to it.
func (f *finder) exchange(paths [][]step) [][]step {
	if len(paths) < 2 || f.plane[0] != f.plane[1] || slices.ContainsFunc(paths, func(p []step) bool { return f.wholeTurn(p, f.plane[0]) }) {
		return paths
	}
	cost := f.cost(paths)
	for range exchanges {
		better := false
		for other := range f.exchanged(paths) {
			if c := f.cost(other); c < cost-costBlank*gainMM {
				paths, cost, better = other, c, true
				break
			}
		}
		if !better {
			break
		}
	}
	return paths
}

// exchanged are such pairs of paths, for each jump over bare paper.
func (f *finder) exchanged(paths [][]step) iter.Seq[[][]step] {
	return func(yield func([][]step) bool) {
		for i, own := range paths {
			other := paths[1-i]
			for from, to := range runs(len(own), func(k int) bool { return !f.inkedCell(own[k], f.plane[i]) }) {
				if float64(to-from)*2*stepMM < jumpMM {
					continue
				}
				var instead [][]step
				if a, b := firstCommon(own, other, own[from].col); a >= 0 {
					instead = append(instead, append(slices.Clone(other[:b]), own[a:]...))
				}
				if a, b := parting(own, other, own[to-1].col+1); a >= 0 {
					instead = append(instead, append(slices.Clone(own[:a]), other[b:]...))
				}
				for _, one := range instead {
					clear(f.taken)
					f.take(f.plane[i], one)
					out := [][]step{one, one}
					out[i] = f.best(i, corridorFee)
					if !yield(out) {
						return
					}
				}
			}
		}
	}
}

// cost is what two paths of one plane cost together, as bestPath has it, the second paying corridorFee beside the first.
func (f *finder) cost(paths [][]step) (sum float64) {
	k := f.plane[0]
	first := f.corridor(spans(paths[0], f.cols))
	for i, path := range paths {
		begin, late := path[0].col, 0
		if i > 0 {
			late = max(0, begin-f.within(i, lateSlack))
		}
		sum += float64(f.width) * (costWait*float64(begin-late) + costLate*float64(late))
		for n, s := range path {
			c := float64(f.price(k, s.col, s.row))
			if h := f.frame.Hour + (2*float64(s.col)+0.5)*f.frame.HourStep; f.sheet.cover != nil && f.sheet.cover[f.sheet.cell(h, 2*s.row)] {
				c = costCover
			}
			if i > 0 && s.row >= first[s.col].low && s.row <= first[s.col].high {
				c += corridorFee
			}
			if n > 0 && path[n-1].col == s.col {
				sum += 2 * stepMM * c
			} else {
				sum += float64(f.width) * c
			}
		}
	}
	return sum
}

// firstCommon is where in two paths the first cell from a column on stands that both have, −1 where there is none.
func firstCommon(a, b []step, col int) (inA, inB int) {
	at := make(map[step]int, len(b))
	for m, s := range b {
		at[s] = m
	}
	for k, s := range a {
		if m, ok := at[s]; ok && s.col >= col {
			return k, m
		}
	}
	return -1, -1
}

// parting is where in two paths the last cell before a column stands that both have, −1 where there is none.
func parting(a, b []step, col int) (inA, inB int) {
	at := make(map[step]int, len(a))
	for k, s := range a {
		at[s] = k
	}
	for m := len(b) - 1; m >= 0; m-- {
		if k, ok := at[b[m]]; ok && b[m].col < col {
			return k, m
		}
	}
	return -1, -1
}

// inkOn is how many cells of a path lie on ink off the corridors that are taken, and in them.
func (f *finder) inkOn(path []step, plane int) (own, shared int) {
	for _, s := range path {
		in := func(c []span) bool { return s.row >= c[s.col].low && s.row <= c[s.col].high }
		switch {
		case !f.inkedCell(s, plane):
		case slices.ContainsFunc(f.taken[plane], in):
			shared++
		default:
			own++
		}
	}
	return own, shared
}

// firstTurns gives the pens the paths of the first turn where a second lies over it.
func (f *finder) firstTurns(paths [][]step) {
	for range f.p.Pens { // what one pen's path gives back, another's may take
		for i, k := range f.plane {
			if !f.wholeTurn(paths[i], k) {
				continue
			}
			for j := range f.plane { // each pen of the plane has drawn one
				if f.plane[j] != k {
					continue
				}
				other := f.best(i, furtherFee)
				first, found := f.firstTurn(paths[i], other, k, f.taken[k])
				f.take(k, other)
				if found {
					paths[i] = first
					break
				}
			}
		}
		clear(f.taken)
		for i, k := range f.plane {
			f.take(k, paths[i])
		}
	}
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
