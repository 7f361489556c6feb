package digitize

import (
	"fmt"
	"math"

	"penarm/digitize/series"
)

const (
	standMM     = 5.5    // a stroke this long,
	standClear  = 3.0    // of which so much is no narrow tip,
	standDrift  = 0.035  // and gets on by at most this much from end to end, mm along time, is a clock that stands: no vat is so quick
	standLean   = 0.0024 // or by this much a mm: maps of drawn strokes are off by 0.0017, bulbs put into hot milk take 0.0035, no source
	standEnd    = 0.5    // mm of either end, where the line turns into and out of it, that do not count
	standWide   = 0.10   // farthest that its vertices wander along time
	standAside  = 0.4    // mm that the end of a path may lie beside such a stroke
	standBeside = 25     // vertices, 2 mm, before and after the stroke
	standPace   = 0.04   // mm along time a mm of line: the least that a vat's line gets on
	blotTimes   = 2.0    // ink this many times wider than the line's
	blotMM      = 0.8    // over this length is a blot or writing on the line,
	blotHides   = 5.0    // minutes, so long a one hides what the vat did, no source,
	blotAside   = 0.5    // mm to either side of the line,
	blotShows   = 1.3    // where ink is less dense by so much, and the line shows through
)

// paperEvents lists what the lines themselves show beside temperature: gaps, a standing clock, blots.
func (t *tracer) paperEvents(i int) {
	v := t.lines[i].v
	for from, to := range runs(len(v), func(k int) bool { return !v[k].ink }) { // a line begins and ends in ink
		a, b := v[from-1], v[to]
		x, y := t.p.Face.Pixel((a.hours+b.hours)/2, (a.radius+b.radius)/2) // the path over bare paper may lie anywhere
		t.report(series.EventGap, i, a.hours, b.hours, x, y, fmt.Sprintf("no sure ink for %.1f minutes", (b.hours-a.hours)*60))
	}
	if ink := t.instead[i]; ink != "" && len(v) > 0 {
		t.reportOn(series.EventInk, i, 0, 0, fmt.Sprintf("drawn in %s, the recorder's ink is %s: was the pen changed, or is it another's line?", ink, t.p.Pens[i].Ink))
	}
	if t.lent[i] && len(v) > 0 {
		t.reportOn(series.EventLoose, i, 0, len(v)-1, "taken for the pen's, though drawn in the other pen's ink: was the pen changed, or did the chart go round again?")
	}
	t.standing(i)
	t.standingAtEnd(i)
	var wide []float32
	for _, p := range v {
		if usable(p) {
			wide = append(wide, float32(p.wide))
		}
	}
	if len(wide) == 0 {
		return
	}
	limit := blotTimes * float64(median(wide))
	blot := func(k int) bool { return v[k].ink && !v[k].fixed && v[k].wide > limit && !t.meets(i, v[k]) }
	for from, to := range runs(len(v), blot) {
		if float64(to-from)*alongMM >= blotMM {
			t.reportOn(series.EventBlot, i, from, to-1, "wide ink on the line: a blot, or writing across it")
			t.hideUnder(i, from, to)
		}
	}
}

// hideUnder makes blind what a long blot hides of a pen's line: between its ends it is a guess.
func (t *tracer) hideUnder(i, from, to int) {
	v := t.lines[i].v[from:to]
	if (v[len(v)-1].hours-v[0].hours)*60 < blotHides {
		return
	}
	ink := t.planes[t.plane[i]]
	nx, ny := normals(v)
	var on, aside []float32
	for k, p := range v {
		on = append(on, t.amount(ink, p.x, p.y))
		for _, d := range []float64{-blotAside, blotAside} {
			aside = append(aside, t.amount(ink, p.x+d*nx[k], p.y+d*ny[k]))
		}
	}
	if median(on) > blotShows*median(aside) {
		return
	}
	for k := range v {
		v[k].weak, v[k].blind, v[k].reason = true, true, "a blot hides the line"
	}
}

// hiddenEvents tells on the clock of one pen where the sheet is covered or torn off: of what may be drawn there nothing is known.
func (t *tracer) hiddenEvents(pen int) {
	s := t.sheet
	if s.off == nil {
		return
	}
	for _, piece := range pieces(s.wide, s.high, func(i int) bool { return s.off[i] }) {
		in := make([]bool, s.wide)
		band, area := 0, 0.0
		for _, i := range piece {
			in[i/s.high] = true
			band += i % s.high
			area += s.area(i, t.frame)
		}
		if area < coverLeast {
			continue
		}
		first := 0 // a column of it after one that is not: the turn has no beginning
		for c := range in {
			if in[c] && !in[(c+s.wide-1)%s.wide] {
				first = c
			}
		}
		columns := 0
		for in[(first+columns)%s.wide] && columns < s.wide {
			columns++
		}
		hour := func(c float64) float64 { return c / float64(s.wide) * s.rotation }
		from := t.frame.Hour + math.Mod(hour(float64(first))-t.frame.Hour+2*s.rotation, s.rotation)
		x, y := t.p.Face.Pixel(from+hour(float64(columns))/2, s.radius(float64(band)/float64(len(piece)), t.frame))
		t.report(series.EventHidden, pen, from, from+hour(float64(columns)), x, y, "something covers it, or it is torn off: what may be drawn there is not known")
	}
}

// standing finds strokes along one arc: the clock stood while the pen moved. A narrow tip at an end of one, where the line before or
// after runs together with it, makes it longer; straight it must be without it.
func (t *tracer) standing(i int) {
	v := t.lines[i].v
	hour := make([]float64, len(v)) // not forced to rise
	for k, p := range v {
		c, _ := t.cell(p.x, p.y)
		hour[k] = t.frame.Hour + c*t.frame.HourStep
	}
	for k := 0; k < len(v); k++ {
		if !v[k].ink || v[k].fixed {
			continue
		}
		perHour := 3600 * t.form.MMPerSecond(v[k].radius) // mm
		along := func(m int, tip bool) bool {             // what had to be forced to rise by much is no one's stroke
			return m >= 0 && m < len(v) && v[m].ink && v[m].fixed == tip &&
				math.Abs(v[m].hours-v[k].hours)*perHour <= standWide && math.Abs(v[m].hours-hour[m])*perHour <= standWide
		}
		e, weak := k, 0
		for along(e+1, false) {
			e++
			if v[e].weak && v[e].rival == 0 && v[e].reason != wideStroke { // whichever pen drew it, and however often, it is a stroke
				weak++
			}
		}
		clear := math.Abs(v[e].radius - v[k].radius)
		if clear < standClear || weak*2 > e-k {
			continue
		}
		from, to := k, e
		for along(from-1, true) {
			from--
		}
		for along(to+1, true) {
			to++
		}
		first, last := k, e // the ends of the stroke, in a tip perhaps
		for m := from; m <= to; m++ {
			switch d := math.Abs(v[last].radius - v[first].radius); {
			case m < k && math.Abs(v[last].radius-v[m].radius) > d:
				first = m
			case m > e && math.Abs(v[m].radius-v[first].radius) > d:
				last = m
			}
		}
		if math.Abs(v[last].radius-v[first].radius) < standMM {
			continue
		}
		// Straight line through the stroke: how far does it get on in time?
		var n, sr, sh, srr, srh float64
		for m := k; m <= e; m++ {
			if math.Min(math.Abs(v[m].radius-v[k].radius), math.Abs(v[m].radius-v[e].radius)) < standEnd {
				continue
			}
			h := (hour[m] - hour[k]) * perHour
			n, sr, sh = n+1, sr+v[m].radius, sh+h
			srr, srh = srr+v[m].radius*v[m].radius, srh+v[m].radius*h
		}
		if slope := (n*srh - sr*sh) / (n*srr - sr*sr); math.Abs(slope)*clear > math.Max(standDrift, standLean*clear) {
			continue
		}
		// A fast fill goes on nearly as fast; a clock that stood goes on at the pace of the vat.
		stands := func(at, way int) bool {
			o := at
			for o+way >= 0 && o+way < len(v) && v[o+way].fixed {
				o += way
			}
			o = min(max(o+way*standBeside, 0), len(v)-1)
			return math.Abs(hour[o]-hour[at])*perHour < standPace*math.Abs(float64(o-at))*alongMM
		}
		if stands(first, -1) || stands(last, 1) {
			continue
		}
		t.reportOn(series.EventStopped, i, first, last, fmt.Sprintf("the clock stood: the line runs along the arc of %s from %.0f to %.0f °%s, and what follows is late",
			t.when(i, v[k].hours).Format("15:04"), t.form.Temperature(v[first].radius), t.form.Temperature(v[last].radius), t.form.Unit))
		k = to
	}
}

// standingAtEnd finds a stroke along one arc in which a line begins or ends: the clock stood until the chart was taken off, or when
// it was put on. Paths, which get on in time, may leave it out. In black and white it may be what is left of the arc in print.
func (t *tracer) standingAtEnd(i int) {
	v := t.lines[i].v
	if len(v) == 0 || t.m.bilevel {
		return
	}
	ink, least := t.planes[t.plane[i]], noInk*t.typ[t.plane[i]]
	for _, k := range []int{0, len(v) - 1} {
		col, row := t.cell(v[k].x, v[k].y)
		perCol := t.frame.HourStep * 3600 * t.form.MMPerSecond(v[k].radius) // mm
		darkest := func(from, r, off float64) (at float64, most float32) {
			for d := -off; d <= off; d += standWide / 2 {
				if a := t.read(ink, from+d/perCol, r); a > most {
					most, at = a, from+d/perCol
				}
			}
			return at, most
		}
		if at, most := darkest(col, row, standAside); most > least { // an end may lie beside the middle of the stroke
			col = at
		}
		reach := func(way float64) float64 { // radius up to which there is ink along the arc
			on, end := col, row
			for r := row; math.Abs(r-end)*stepMM <= standEnd; r += way {
				at, most := darkest(on, r, standWide)
				if most > least && math.Abs(at-col)*perCol <= 2*standWide {
					on, end = at, r
				}
			}
			return t.frame.Radius + end*stepMM
		}
		low, high := reach(-1), reach(1)
		own := 0.0 // mm of it that the line takes, so that standing has judged it
		for _, p := range v {
			if math.Abs(p.hours-v[k].hours)*3600*t.form.MMPerSecond(p.radius) <= 2*standWide {
				own += alongMM
			}
		}
		if high-low < standMM || 2*own > high-low {
			continue
		}
		t.reportOn(series.EventStopped, i, k, k, fmt.Sprintf("the clock stood: the line has an end along the arc of %s, from %.0f to %.0f °%s",
			t.when(i, v[k].hours).Format("15:04"), t.form.Temperature(low), t.form.Temperature(high), t.form.Unit))
	}
}

// meets says whether another pen's line of the same ink runs within a stroke of a vertex.
func (t *tracer) meets(i int, p vertex) bool {
	for j, l := range t.lines {
		if j == i || t.plane[j] != t.plane[i] {
			continue
		}
		for _, q := range l.v {
			if math.Abs(q.x-p.x) < 1 && math.Abs(q.y-p.y) < 1 {
				return true
			}
		}
	}
	return false
}
