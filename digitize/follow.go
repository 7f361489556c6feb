package digitize

import (
	"fmt"
	"math"
	"time"

	"penarm/digitize/series"
)

const (
	startSlack  = 0.25 // hours after the expected start within which the trace may begin
	corridorMM  = 0.5  // to either side of a line that another pen of its colour should not take again
	corridorFee = 0.45 // a mm
)

// follow finds each pen's line.
func (t *tracer) follow() {
	cols, rows := t.frame.Columns/2, t.frame.Rows/2 // of paths: centring does the rest
	width := make([]float32, rows)
	for r := range width {
		width[r] = float32(math.Abs(t.turn*t.frame.HourStep) * (t.form.Inner() + t.form.Outer()))
	}
	t.lines = make([]*line, len(t.p.Pens))
	for k := range t.planes {
		t.typ[k] = typical(t.planes[k], t.noise[k])
	}
	var taken map[int][]step
	for i, pen := range t.p.Pens {
		plane := t.planes[t.plane[i]]
		typ := t.typ[t.plane[i]]
		wait := int((freeBefore + startSlack + pen.AheadMinutes/60) / (2 * t.frame.HourStep))
		fee := make([][]int, cols)
		for _, s := range taken[t.plane[i]] {
			fee[s.col] = append(fee[s.col], s.row)
		}
		reach := int(math.Round(corridorMM / (2 * stepMM)))
		path := bestPath(cols, rows, width, 2*stepMM, wait, func(col int, cost []float32) {
			a, b := plane[2*col*t.frame.Rows:], plane[(2*col+1)*t.frame.Rows:]
			for r := range cost {
				cost[r] = inkCost((a[2*r] + a[2*r+1] + b[2*r] + b[2*r+1]) / (4 * typ))
			}
			if f := fee[col]; len(f) > 0 {
				lo, hi := f[0], f[0]
				for _, r := range f {
					lo, hi = min(lo, r), max(hi, r)
				}
				for r := max(0, lo-reach); r <= min(rows-1, hi+reach); r++ {
					cost[r] += corridorFee
				}
			}
		})
		if taken == nil {
			taken = map[int][]step{}
		}
		taken[t.plane[i]] = append(taken[t.plane[i]], path...)
		t.lines[i] = t.refine(path, plane, float64(typ), float64(t.noise[t.plane[i]]))
	}
	for i, l := range t.lines {
		t.finish(l, i)
	}
	for i, l := range t.lines {
		t.settle(l)
		for k := range i {
			if t.plane[k] == t.plane[i] {
				t.tellApart(k, i)
			}
		}
	}
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
	start := math.Inf(1)
	for i, l := range t.lines {
		if len(l.v) > 0 {
			start = math.Min(start, l.v[0].hours-t.p.Pens[i].AheadMinutes/60)
		}
	}
	if math.IsInf(start, 1) {
		return res
	}
	clk := newClock(t.p, start)
	res.ZeroAt = clk.zero
	first := clk.at(start)
	if on := t.p.OnChart; !on.IsZero() {
		if off := first.Sub(on); off.Abs() > 15*time.Minute {
			x, y := t.pixel(t.lines[0], 0)
			t.events = append(t.events, series.Event{Kind: series.EventStart, Pen: t.p.Pens[0].Name, From: first, To: first, X: x, Y: y,
				Text: fmt.Sprintf("the trace starts at %s, the entry says %s", first.Format("15:04"), on.Format("15:04"))})
		}
	}
	t.openEvents(func(pen string, h float64) series.Event {
		e := series.Event{}
		for _, p := range t.p.Pens {
			if p.Name == pen {
				e.From = clk.at(h - p.AheadMinutes/60)
			}
		}
		return e
	})
	for i, l := range t.lines {
		ahead := t.p.Pens[i].AheadMinutes / 60
		res.Series[i].Samples = t.samples(l, func(h float64) time.Time { return clk.at(h - ahead) })
		t.paperEvents(i, func(h float64) time.Time { return clk.at(h - ahead) })
	}
	penAt := func(pen int, h float64) time.Time { return clk.at(h - t.p.Pens[pen].AheadMinutes/60) }
	t.turnedEvents(penAt)
	for k := range t.planes {
		t.laps(k, penAt)
	}
	res.Events = t.events
	return res
}

func (t *tracer) pixel(l *line, i int) (x, y float64) {
	if i < 0 || i >= len(l.v) {
		return 0, 0
	}
	return t.p.Face.Warp.Pixel(l.v[i].x, l.v[i].y)
}

// everyS is the longest time between samples, seconds.
const everyS = 5.0

// samples puts a line's vertices on the clock, with more between where they lie far apart in time.
func (t *tracer) samples(l *line, at func(float64) time.Time) []series.Sample {
	var out []series.Sample
	one := func(p vertex) series.Sample {
		s := series.Sample{Time: at(p.hours), Quality: series.Good, Reason: p.reason}
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
	for i, p := range l.v {
		if i > 0 {
			q := l.v[i-1]
			n := int((p.hours - q.hours) * 3600 / everyS)
			for k := 1; k <= n; k++ {
				f := float64(k) / float64(n+1)
				m := p
				m.hours, m.radius = q.hours+(p.hours-q.hours)*f, q.radius+(p.radius-q.radius)*f
				m.u, m.spread = math.Max(p.u, q.u), math.Max(p.spread, q.spread)
				m.ink, m.weak = p.ink && q.ink, p.weak || q.weak
				out = append(out, one(m))
			}
		}
		out = append(out, one(p))
	}
	return out
}
