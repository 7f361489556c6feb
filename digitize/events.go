package digitize

import (
	"fmt"
	"math"
	"time"

	"penarm/digitize/series"
)

const (
	standMM    = 5.5   // a stroke this long
	standFlat  = 0.005 // that gets on by at most this much, mm along time a mm of stroke, is a clock that stands: no vat is so quick
	standWide  = 0.10  // farthest that its vertices wander along time
	terraceMM  = 3.2   // a level piece this long
	terraceMin = 10.0  // and this many minutes
	terraceOff = 0.04  // that keeps its level to this, mm,
	terraceIn  = 0.12  // between pieces that slope (mm a mm) the same way
	terraceAs  = 1.6   // and nearly as steeply, is a chart that was turned
	blotTimes  = 2.0   // ink this many times wider than the line's
	blotMM     = 0.8   // over this length is a blot or writing on the line
	strayMM    = 15.0  // unclaimed ink this long in one piece is another line, not writing
	strayFar   = 0.8   // mm from every traced line
)

// paperEvents lists what the lines themselves show beside temperature: gaps, a standing clock, blots.
func (t *tracer) paperEvents(i int, at func(float64) time.Time) {
	v := t.lines[i].v
	pen := t.p.Pens[i].Name
	add := func(kind series.Kind, a, b int, text string) {
		x, y := t.p.Face.Warp.Pixel(v[(a+b)/2].x, v[(a+b)/2].y)
		t.events = append(t.events, series.Event{Kind: kind, Pen: pen, From: at(v[a].hours), To: at(v[b].hours), X: x, Y: y, Text: text})
	}
	for k := 1; k < len(v); k++ {
		if !v[k-1].ink || v[k].ink {
			continue
		}
		e := k
		for e < len(v)-1 && !v[e].ink {
			e++
		}
		add(series.EventGap, k-1, e, fmt.Sprintf("no ink for %.1f minutes", (v[e].hours-v[k-1].hours)*60))
		k = e
	}
	t.standing(v, add, at)
	t.terraces(v, add)
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
	for k := 0; k < len(v); k++ {
		e := k
		for e < len(v) && v[e].ink && !v[e].fixed && v[e].wide > limit && !t.meets(i, v[e]) {
			e++
		}
		if float64(e-k)*alongMM >= blotMM {
			add(series.EventBlot, k, e-1, "wide ink on the line: a blot, or writing across it")
		}
		k = e
	}
}

// standing finds strokes along one arc: the clock stood while the pen moved.
func (t *tracer) standing(v []vertex, add func(series.Kind, int, int, string), at func(float64) time.Time) {
	along := make([]float64, len(v)) // mm along time at the vertex's own radius, not forced to rise
	for k, p := range v {
		c, _ := t.cell(p.x, p.y)
		along[k] = c * t.frame.HourStep * 3600 * t.form.MMPerSecond(p.radius)
	}
	for k := 0; k < len(v); k++ {
		if !v[k].ink || v[k].fixed {
			continue
		}
		mmS := 3600 * t.form.MMPerSecond(v[k].radius)
		e, weak := k, 0
		for e < len(v)-1 && v[e+1].ink && !v[e+1].fixed && math.Abs(v[e+1].hours-v[k].hours)*mmS <= standWide {
			e++
			if v[e].weak {
				weak++
			}
		}
		d := math.Abs(v[e].radius - v[k].radius)
		if d < standMM || weak*2 > e-k {
			continue
		}
		// Straight line through the stroke: how far does it get on in time?
		var n, sr, sh, srr, srh float64
		for m := k; m <= e; m++ {
			h := along[m] * v[k].radius / v[m].radius
			n, sr, sh = n+1, sr+v[m].radius, sh+h
			srr, srh = srr+v[m].radius*v[m].radius, srh+v[m].radius*h
		}
		if slope := (n*srh - sr*sh) / (n*srr - sr*sr); math.Abs(slope) > standFlat {
			continue
		}
		add(series.EventStopped, k, e, fmt.Sprintf("the clock stood: the line runs along the arc of %s from %.0f to %.0f °%s, and what follows is late",
			at(v[k].hours).Format("15:04"), t.form.Temperature(v[k].radius), t.form.Temperature(v[e].radius), t.form.Unit))
		k = e
	}
}

// terraces finds level pieces that break a slope which then goes on as before:
// the chart was turned under the pen, or the clock was set.
func (t *tracer) terraces(v []vertex, add func(series.Kind, int, int, string)) {
	const flank = 16 // vertices, 1.3 mm
	slope := func(a, b int) (float64, bool) {
		if a, b = max(0, a), min(len(v)-1, b); b-a < flank/2 {
			return 0, false
		}
		dx := (v[b].hours - v[a].hours) * 3600 * t.form.MMPerSecond(v[a].radius)
		for k := a; k <= b; k++ {
			if !v[k].ink || v[k].fixed {
				return 0, false
			}
		}
		return (v[b].radius - v[a].radius) / math.Max(dx, 1e-3), true
	}
	for k := 0; k < len(v); k++ {
		if !v[k].ink {
			continue
		}
		e := k
		lo, hi := v[k].radius, v[k].radius
		for e < len(v)-1 && v[e+1].ink && !v[e+1].fixed {
			r := v[e+1].radius
			if math.Max(hi, r)-math.Min(lo, r) > 2*terraceOff {
				break
			}
			lo, hi = math.Min(lo, r), math.Max(hi, r)
			e++
		}
		if float64(e-k)*alongMM < terraceMM || (v[e].hours-v[k].hours)*60 < terraceMin {
			continue
		}
		const corner = 3 // vertices of either corner, rounded by smoothing
		before, ok1 := slope(k-corner-flank, k-corner)
		after, ok2 := slope(e+corner, e+corner+flank)
		if ok1 && ok2 && before*after > 0 && math.Min(math.Abs(before), math.Abs(after)) > terraceIn {
			if q := before / after; q < terraceAs && q > 1/terraceAs {
				add(series.EventTurned, k, e, fmt.Sprintf("level for %.0f minutes between equal slopes: the chart was turned, or its clock set", (v[e].hours-v[k].hours)*60))
			}
		}
		k = max(k, e-1)
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

// stray looks for a line that no pen claims: the chart left on for a second
// turn, or turned by hand. It is the best path over what is left, at half the resolution.
func (t *tracer) stray(plane int, at func(pen int, hours float64) time.Time) {
	cols, rows := t.frame.Columns/2, t.frame.Rows/2
	taken := make([]bool, cols*rows)
	reach := int(math.Round(strayFar / (2 * stepMM)))
	pen := -1
	for i, l := range t.lines {
		if t.plane[i] != plane {
			continue
		}
		if pen < 0 {
			pen = i
		}
		for _, p := range l.v {
			c, r := t.cell(p.x, p.y)
			for dc := -reach; dc <= reach; dc++ {
				for dr := -reach; dr <= reach; dr++ {
					if ic, ir := int(c/2)+dc, int(r/2)+dr; ic >= 0 && ic < cols && ir >= 0 && ir < rows {
						taken[ic*rows+ir] = true
					}
				}
			}
		}
	}
	if pen < 0 {
		return
	}
	typ := t.typ[plane]
	width := make([]float32, rows)
	for r := range width {
		width[r] = 2 * stepMM
	}
	e := func(c, r int) float32 {
		if taken[c*rows+r] {
			return 0
		}
		return t.planes[plane][2*c*t.frame.Rows+2*r] / typ
	}
	path := bestPath(cols, rows, width, 2*stepMM, 0, func(col int, cost []float32) {
		for r := range cost {
			cost[r] = inkCost(e(col, r))
		}
	})
	length, skip, from := 0.0, 0.0, 0
	for k := 1; k < len(path); k++ {
		p, q := path[k-1], path[k]
		a := t.turn * t.frame.HourStep * 2 * float64(q.col-p.col) * (t.frame.Radius + float64(2*q.row)*stepMM)
		d := math.Hypot(a, float64(q.row-p.row)*2*stepMM)
		if e(q.col, q.row) > 0.5 {
			length, skip = length+d, 0
		} else if skip += d; skip > 0.5 {
			from, length = k, 0
		}
		// Writing runs up and down; a line gets on in time.
		along := math.Abs(t.turn) * t.frame.HourStep * 2 * float64(q.col-path[from].col) * t.form.Inner()
		if length >= strayMM && along >= strayMM/4 {
			m := path[(from+k)/2]
			x, y := t.point(float64(2*m.col), float64(2*m.row))
			px, py := t.p.Face.Warp.Pixel(x, y)
			h0, h1 := t.frame.Hour+float64(2*path[from].col)*t.frame.HourStep, t.frame.Hour+float64(2*q.col)*t.frame.HourStep
			t.events = append(t.events, series.Event{Kind: series.EventLap, Pen: t.p.Pens[pen].Name, From: at(pen, h0), To: at(pen, h1), X: px, Y: py,
				Text: "a further line of the same ink: the chart went round again, or was turned"})
			return
		}
	}
}
