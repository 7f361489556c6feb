package verify

import (
	"fmt"
	"math"
	"slices"
	"time"

	"penarm/verify/entries"
)

// reading is a written reading on the trace's clock.
type reading struct {
	at, u float64
	known bool // its time is written
	value float64
	label string
}

// matter is one written batch, matched to the trace.
type matter struct {
	*entries.Batch
	indicating, air []reading
	outlet, uOutlet float64
	hasOutlet       bool
	from, to        float64 // its window
	times           []float64
	compared        []comparison
}

// comparison of the pen with the indicating thermometer at one written reading.
type comparison struct {
	reading
	pen, u float64 // pen's reading, and the standard uncertainty of the difference
	seen   bool
	far    bool // too far apart to have been read at the time written
}

func (c comparison) high() float64 { return c.pen - c.value }

// matters resolves all written times, batch after batch, and draws the windows.
func (j *judge) matters() []*matter {
	var out []*matter
	after := j.first
	for i := range j.Entries.Batches {
		b := &j.Entries.Batches[i]
		m := &matter{Batch: b}
		m.outlet, m.uOutlet, m.hasOutlet = j.when(b.OutletOpened, j.first)
		list := func(rs []entries.Reading) (l []reading) {
			for _, r := range rs {
				x := reading{value: j.own(r.Reads), label: fmt.Sprintf("%s at %s", degrees(r.Reads, j.plantUnit()), r.At)}
				if x.at, x.u, x.known = j.when(r.At, j.first); x.known {
					m.times = append(m.times, x.at)
				}
				l = append(l, x)
			}
			return l
		}
		m.indicating, m.air = list(b.Indicating), list(b.Airspace)
		out = append(out, m)
	}
	// A chart of several days: later batches come after earlier ones.
	if n := len(j.product.nodes); n > 0 && j.product.nodes[n-1].t-j.product.nodes[0].t > 24*3600 {
		for _, m := range out {
			after = m.advance(after)
		}
	}
	for _, m := range out {
		m.from, m.to = math.Inf(-1), math.Inf(1)
		me := m.anchor()
		if m.hasOutlet {
			m.to = m.outlet
		}
		for _, o := range out {
			switch {
			case o == m || math.IsNaN(me):
			case o.hasOutlet && o.outlet < me:
				m.from = math.Max(m.from, o.outlet)
			case !m.hasOutlet && len(o.times) > 0 && slices.Min(o.times) > me:
				m.to = math.Min(m.to, slices.Min(o.times))
			}
		}
	}
	return out
}

// anchor is the latest written time of a batch, NaN where there is none.
func (m *matter) anchor() float64 {
	if m.hasOutlet {
		return m.outlet
	}
	if len(m.times) > 0 {
		return slices.Max(m.times)
	}
	return math.NaN()
}

// advance moves a batch's times by whole days until none lies before after.
func (m *matter) advance(after float64) float64 {
	const day = 24 * 3600
	low := m.anchor()
	if math.IsNaN(low) {
		return after
	}
	for _, t := range m.times {
		low = math.Min(low, t)
	}
	d := day * math.Max(0, math.Ceil((after-low)/day))
	m.outlet += d
	for _, l := range [][]reading{m.indicating, m.air} {
		for i := range l {
			l[i].at += d
		}
	}
	for i := range m.times {
		m.times[i] += d
	}
	return m.anchor()
}

// heat is a stretch of the trace in which a vat is hot: within ten degrees F below
// the level and above. A dip inside it is a dip; a colder stretch means that the vat
// was emptied or the milk cooled. Common practice, no source.
const heatBelowF = 10.0

func (j *judge) heats(level float64) []run {
	return j.product.runs(level-heatBelowF/PerF(j.unit), shift{}, true)
}

// share is what of the trace belongs to a batch at a level.
type share struct {
	heats []run
	from  float64 // no run that starts earlier, the batch before still emptying
	to    float64 // nor one that starts later, after the outlet was opened
	doubt string  // why it is not sure that this is the batch's
	read  bool    // written readings lie in its heats
	all   bool    // every heat it may be is in heats: where all are too short it fails for all the doubt
}

func (s share) has(r run) bool {
	if r.from > s.to || r.to < s.from {
		return false
	}
	return slices.ContainsFunc(s.heats, func(h run) bool { return r.from <= h.to && r.to >= h.from })
}

// near is how far in seconds a written time may lie beside a stretch and still be meant for it: the minute it is written to.
const near = 60.0

// match finds the batch's heats: those of its window; where there are several, those that the written readings lie in.
func (j *judge) match(m *matter, level float64) share {
	s := share{from: math.Inf(-1), to: math.Inf(1)}
	if m.hasOutlet {
		s.to = m.outlet + near
	}
	var window, read []run
	for _, h := range j.heats(level) {
		if slices.ContainsFunc(m.times, func(t float64) bool { return t >= h.from-near && t <= h.to+near }) {
			read = append(read, h)
		}
		if h.from >= m.from-near && h.from <= m.to+near && (h.inked || h.minutes() > 10) {
			window = append(window, h)
		}
	}
	// A time mistyped into the heat of another batch does not give that heat to this one.
	if own := slices.DeleteFunc(slices.Clone(read), func(h run) bool { return h.to < m.from || h.from > m.to+near }); len(own) > 0 {
		read = own
	}
	if len(read) > 0 {
		s.heats, s.read = read, true
		if !math.IsInf(m.from, 0) && slices.Min(m.times) > m.from {
			s.from = m.from
		}
		return s
	}
	hot := slices.DeleteFunc(slices.Clone(window), func(h run) bool { return !j.reaches(h, level) })
	if len(hot) == 0 {
		hot = window
	}
	s.heats = hot
	switch {
	case len(m.times) > 0 && j.anyHold(level):
		s.doubt = "no written reading lies in a heat of this batch: are its times and the chart's hours right?"
	case len(m.times) > 0:
	case len(hot) > 1:
		s.doubt = fmt.Sprintf("%d heats lie in the batch's time and no written reading tells which: one may be a wash", len(hot))
	case math.IsInf(m.to, 1) && len(j.Entries.Batches) > 1:
		s.doubt = "neither the outlet's time nor a reading is written: is this the batch's hold?"
	}
	return s
}

// moved is the batch with all that is written of it that many seconds later.
func (m *matter) moved(by float64) *matter {
	o := *m
	o.outlet, o.from, o.to = m.outlet+by, m.from+by, m.to+by
	o.times = slices.Clone(m.times)
	for i := range o.times {
		o.times[i] += by
	}
	return &o
}

// startsBelow: the line comes up from the cold end of the scale, so that what was drawn
// before, below it, left no ink: a late start disputes no hours.
func (j *judge) startsBelow() bool {
	if j.Form == nil || len(j.Form.Rings) < 2 || len(j.product.nodes) == 0 || j.off < 0 {
		return false
	}
	inner, outer := j.Form.Temperature(j.Form.Inner()), j.Form.Temperature(j.Form.Outer())
	first := Converted(j.product.nodes[0].temp, j.unit, j.Form.Unit)
	return first < math.Min(inner, outer)+math.Abs(outer-inner)/20
}

// fits counts the batches whose written readings, moved by some seconds, lie in a heat.
func (j *judge) fits(ms []*matter, by float64) (n int) {
	base, _ := j.temperatures()
	for _, m := range ms {
		if slices.ContainsFunc(j.heats(base), func(h run) bool {
			return slices.ContainsFunc(m.times, func(t float64) bool { return t+by >= h.from-near && t+by <= h.to+near })
		}) {
			n++
		}
	}
	return n
}

// matchBoth matches by the chart's hours, and by rival ones where there are such: where
// both find a heat and not the same one, either may be it.
func (j *judge) matchBoth(m *matter, level float64) share {
	s := j.match(m, level)
	if j.rival == 0 {
		return s
	}
	if o := j.match(m.moved(j.rival), level); o.read && len(s.heats) > 0 && o.heats[0] != s.heats[0] {
		s.doubt = fmt.Sprintf("the trace starts %.0f min off the written %s, and by that the batch's hold is another: are the chart's hours right?", j.rival/60, j.Entries.OnChart)
	}
	return s
}

// anyHold: the chart shows some run that would be listed as a hold.
func (j *judge) anyHold(level float64) bool {
	return slices.ContainsFunc(j.product.runs(level, shift{}, true), func(r run) bool { return r.minutes() >= shown })
}

// reaches: the heat may hold a run at or above the level.
func (j *judge) reaches(h run, level float64) bool {
	return slices.ContainsFunc(j.product.runs(level, shift{by: j.k}, true), func(r run) bool { return r.from <= h.to && r.to >= h.from })
}

// mismatched leaves open what hangs on which hold is whose: two batches that claim one
// hold, and a batch that fails while a hold that no batch names may be its own.
func (j *judge) mismatched(bs []Batch, loose []run) {
	for i := range bs {
		for k := range bs[:i] {
			a, b := bs[i].Hold, bs[k].Hold
			if a != nil && b != nil && a.Start.Add(time.Minute).Before(b.End.Time) && b.Start.Add(time.Minute).Before(a.End.Time) {
				bs[i].reopen(Pass, "batch "+bs[k].Batch+" claims the same hold")
				bs[k].reopen(Pass, "batch "+bs[i].Batch+" claims the same hold")
			}
		}
	}
	base, hottest := j.temperatures()
	for _, r := range loose {
		if j.wash(r, base, hottest) != "" {
			continue
		}
		for i := range bs {
			if bs[i].Hold == nil || bs[i].Hold.Minutes < shown {
				bs[i].reopen(Fail, fmt.Sprintf("a hold that no batch names lies at %s: is it this one's, and are the chart's hours right?", LocalTime{j.product.at(r.from)}.minute()))
			}
		}
	}
}

// reopen makes the checks of a batch's minutes undecided where they were decided so.
func (b *Batch) reopen(was Verdict, why string) {
	for i := range b.Checks {
		if c := &b.Checks[i]; c.Verdict == was && slices.Contains([]string{"hold", "emptying", "filling", "outlet"}, c.Check) {
			c.Verdict = Undecided
			c.Reason += "; " + why
		}
	}
	b.Verdict = worstOf(b.Checks)
}

// byOrder matches where the chart's clock is not known: the batches lie on the paper
// in their written order. With as many heats that hold ten minutes as batches each takes
// its own; else every heat is a candidate and the doubt is said. A heat aboveReadF above
// every written indicating reading is a wash.
func (j *judge) byOrder(level float64, i, n int) share {
	s := share{from: math.Inf(-1), to: math.Inf(1)}
	top := math.Inf(-1)
	for _, b := range j.Entries.Batches {
		for _, r := range b.Indicating {
			top = math.Max(top, j.own(r.Reads)+aboveReadF/PerF(j.unit))
		}
	}
	runs := j.product.runs(level, shift{by: j.k}, true)
	hot := slices.DeleteFunc(slices.Clone(j.heats(level)), func(h run) bool {
		return !h.inked || !math.IsInf(top, 0) && j.product.top(h.from, h.to) > top || !slices.ContainsFunc(runs, func(r run) bool {
			return r.from <= h.to && r.to >= h.from && r.minutes() >= shown
		})
	})
	if len(hot) == n {
		s.heats = hot[i : i+1]
		return s
	}
	s.heats, s.all = hot, true
	if len(hot) > 0 {
		s.doubt = fmt.Sprintf("the hours of this chart are not known and it shows %d heats for %d batches", len(hot), n)
	}
	return s
}

// aboveReadF: no milk of the chart is so far above all that was read of it. Common practice, no source.
const aboveReadF = 5.0

// Wash water is taken further above the legal temperature than milk is, or is heated faster
// than a vat of milk can be: washF degrees above it, or washRiseF degrees a minute over the
// thirty degrees F below it. Common practice, no source.
const (
	washF     = 7.0
	washRiseF = 5.0
)

// wash tells in words by what a run at or above the level looks like a wash, and not like
// milk held at no more than the hottest legal temperature; empty where it looks like milk.
func (j *judge) wash(r run, level, hottest float64) string {
	unit := PerF(j.unit)
	if top := j.product.top(r.from, r.to); top > hottest+washF/unit {
		return fmt.Sprintf("a wash by its %s", j.deg(top))
	}
	i := len(j.product.within(math.Inf(-1), r.from)) - 1
	if i < 0 {
		return ""
	}
	low := j.product.nodes[i]
	for ; i >= 0 && !j.product.broken[i]; i-- {
		n := j.product.nodes[i]
		if n.temp > low.temp+2/unit || low.temp < level-30/unit {
			break
		}
		if n.temp < low.temp {
			low = n
		}
	}
	if rise := (level - low.temp) * unit; rise > 15 && rise/(r.from-low.t)*60 > washRiseF {
		return fmt.Sprintf("a wash by its rise of %.0f °%s in %.0f min", rise/unit, j.unit, (r.from-low.t)/60)
	}
	return ""
}
