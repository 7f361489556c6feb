package digitize

import (
	"math"
	"slices"

	"penarm/calibrate"
)

// In columns of the survey, 384 a turn, unless said.
const (
	freeBefore   = 0.1 // hours before the first touch that still belong to the trace
	seamLeast    = 2   // without ink, at least, where one turn may end and the next begin
	seamNear     = 1.0 // hours from there to where the trace should begin;
	seamFar      = 16  // without ink are needed farther off: less is a skip of a line all round the chart
	seamLonger   = 2   // times as long as another, and such a stretch is the blank, the other a skip
	numeralFree  = 6   // free of ink beside numerals,
	numeralWide  = 11  // which take so many at most
	numeralSplit = 1   // that do not part one: an arc through it
	numeralOff   = 0.8 // off whole heavy arcs, that numerals recur
	numeralAlike = 2   // others that recur so;
	numeralSame  = 0.5 // correlation over the radius from which one does: the same numerals
	faintWide    = 6   // that stray faint ink takes
	arcAlone     = 2   // free of ink beside what is left of an arc
)

// findInk says which survey columns hold ink of any pen, and how dense a line typically is.
func (t *tracer) findInk(s samplePlanes) {
	rows := s.frame.Rows
	n := len(t.noise)
	out := make([][]float32, n)
	for k := range out {
		out[k] = make([]float32, len(s.planes[0]))
	}
	in, part := make([][]float32, t.m.channels), make([][]float32, n)
	for c := range s.frame.Columns {
		for k := range in {
			in[k] = s.planes[k][c*rows : (c+1)*rows]
		}
		for k := range part {
			part[k] = out[k][c*rows : (c+1)*rows]
		}
		t.evidence(in, part, nil, nil)
	}
	t.learnDoubt(s.frame, out)
	t.inked = make([]bool, s.frame.Columns)
	t.typ = make([]float32, n)
	dark := make([]float32, s.frame.Columns)
	next := slices.Repeat([]int{1}, rows)
	for k := range out {
		t.typ[k] = typical(out[k], next, t.noise[k])
		for c := range s.frame.Columns {
			col := out[k][c*rows : (c+1)*rows]
			for r := 2; r < rows; r++ {
				v := min(col[r], col[r-1])
				if t.m.bilevel { // two dots of its print may touch
					v = min(v, col[r-2])
				}
				if v /= t.typ[k]; v > 0.5 {
					t.inked[c] = true
					dark[c] = max(dark[c], v)
				}
			}
		}
	}
	t.dropArcs(s.frame)
	amounts := make([]float32, rows)
	t.dropNumerals(dark, func(col int) []float32 {
		clear(amounts)
		for k := range out {
			for r, v := range out[k][col*rows : (col+1)*rows] {
				amounts[r] += min(1, v/t.typ[k])
			}
		}
		return amounts
	})
}

// dropArcs forgets what is seen of single arcs, too narrow for a line and with no ink beside it: print that arcs' usual profile does not
// account for, as where the press had the colours out of register.
func (t *tracer) dropArcs(f calibrate.Frame) {
	n := len(t.inked)
	for c := range n {
		e := c + 1
		if t.inked[e%n] {
			e++
		}
		_, _, _, arc := t.m.arcAt(f.Hour + float64(c)*f.HourStep)
		_, _, _, next := t.m.arcAt(f.Hour + float64(e-1)*f.HourStep)
		if t.inked[c] && (arc || next) && !t.anyInked(c-arcAlone, c) && !t.anyInked(e, e+arcAlone) {
			t.inked[c], t.inked[(e-1)%n] = false, false
		}
	}
}

// anyInked says whether any of the survey's columns [from, to), counted on over the turn, holds ink.
func (t *tracer) anyInked(from, to int) bool {
	n := len(t.inked)
	for c := from; c < to; c++ {
		if t.inked[(c+n)%n] {
			return true
		}
	}
	return false
}

// dropNumerals forgets short stretches of ink far from any other that are faint, or recur so many heavy arcs on, or once at the same
// radii: printed numerals, which neither circles nor arcs account for, and stray writing. dark is how dense the ink of each column is
// at most, amount how much of it lies in each row, in shares of a line's.
func (t *tracer) dropNumerals(dark []float32, amount func(col int) []float32) {
	n := len(t.inked)
	type spot struct {
		run     // of survey columns, counted on over the turn
		faint   bool
		profile []float32 // over the radius
	}
	var alone []spot
	for c := range n {
		if !t.inked[c] || t.anyInked(c-numeralSplit, c) {
			continue
		}
		e := c
		var most, profile []float32
		for t.anyInked(e, e+numeralSplit+1) && e < c+n {
			if t.inked[e%n] {
				most = append(most, dark[e%n])
			}
			e++
		}
		if e-c > numeralWide || t.anyInked(c-numeralFree, c) || t.anyInked(e, e+numeralFree) {
			continue
		}
		for col := c; col < e; col++ {
			for r, v := range amount(col % n) {
				if col == c {
					profile = append(profile, v)
				} else {
					profile[r] += v
				}
			}
		}
		alone = append(alone, spot{run{c, e}, e-c <= faintWide && median(most) < 0.75, profile})
	}
	heavy := float64(n) * t.m.major / t.m.rotation
	drawn := false // something plainly is; what is left of print recurs, too
	for k, typ := range t.typ {
		drawn = drawn || typ > paleInk*leastInk(t.noise[k])
	}
	for i, a := range alone {
		alike := 0
		for k, b := range alone {
			if d := float64(b.from+b.to-a.from-a.to) / 2; i == k || math.Abs(cyclic(d, heavy)) > numeralOff {
				continue
			}
			if alike++; correlation(a.profile, b.profile) > numeralSame {
				alike = numeralAlike
				break
			}
		}
		if a.faint || drawn && alike >= numeralAlike {
			for c := a.from; c < a.to; c++ {
				t.inked[c%n] = false
			}
		}
	}
}

// correlation is Pearson's coefficient of two series of one length; 0 where one of them is constant.
func correlation(a, b []float32) float64 {
	var ma, mb float64
	for i := range a {
		ma, mb = ma+float64(a[i]), mb+float64(b[i])
	}
	ma, mb = ma/float64(len(a)), mb/float64(len(b))
	var ab, aa, bb float64
	for i := range a {
		x, y := float64(a[i])-ma, float64(b[i])-mb
		ab, aa, bb = ab+x*y, aa+x*x, bb+y*y
	}
	if aa == 0 || bb == 0 {
		return 0
	}
	return ab / math.Sqrt(aa*bb)
}

func (t *tracer) anyInk() bool { return slices.Contains(t.inked, true) }

// unroll finds the seam, where one turn begins and ends, and fills the evidence
// planes from there over the span that holds ink.
func (t *tracer) unroll() {
	n := len(t.inked)
	rot := t.form.RotationHours
	hour := rot / float64(n)
	first := slices.Index(t.inked, true)
	var free []run // without ink, in survey columns, counted on over the turn
	for from, to := range runs(n, func(i int) bool { return !t.inked[(first+i)%n] }) {
		free = append(free, run{first + from, first + to})
	}
	start, span := float64(first)*hour, rot
	expected, every, known := t.expectedStart()
	long := func(r run) int { return r.to - r.from }
	off := func(r run) float64 { return math.Abs(cyclic(float64(r.to)*hour-expected, every)) } // hours from where the trace should begin
	rather := func(a, b run) bool {                                                            // the trace begins at the end of a: that is nearer to where it should, or the longer
		if known {
			if near := off(a) < seamNear; near != (off(b) < seamNear) {
				return near
			} else if near && long(a) < seamLonger*long(b) && long(b) < seamLonger*long(a) {
				return off(a) < off(b)
			}
		}
		return long(a) > long(b)
	}
	best := -1
	for i, r := range free {
		least := seamLeast
		if known && off(r) >= seamNear {
			least = seamFar
		}
		if long(r) >= least && (best < 0 || rather(r, free[best])) {
			best = i
		}
	}
	switch {
	case best >= 0:
		start = float64(free[best].to)*hour - freeBefore
		span = rot - float64(long(free[best]))*hour + 2*freeBefore
	case known:
		start = expected
	}
	span = math.Min(span, rot)
	t.frame.Hour = start
	t.frame.Columns = int(span / t.frame.HourStep)

	t.fillPlanes()
	t.findCreases()
}

// expectedStart is the printed hour where the trace should begin, and after how many hours such an hour comes again, if that is known.
func (t *tracer) expectedStart() (hour, every float64, known bool) {
	if t.p.OnChart.IsZero() || t.p.Face.Hour == calibrate.HourOnChart {
		return 0, 0, false
	}
	if t.form.Labels.Kind == "elapsed" {
		return 0, t.form.RotationHours, true
	}
	on := t.p.OnChart
	h := float64(on.Hour()) + float64(on.Minute())/60 + float64(on.Second())/3600
	every = hoursRecur(t.form)
	return math.Mod(h, every), every, true
}
