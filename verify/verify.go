package verify

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"penarm/calibrate/form"
	"penarm/digitize/series"
	"penarm/verify/entries"
	"penarm/verify/rules"
)

// Problem is everything that a chart is judged by. Recorder, Entries and Form may
// be nil. HourKnown: the series' clock times are certain; where they are not, only
// durations are judged.
type Problem struct {
	Series       []series.Series
	Events       []series.Event
	Plant        *entries.Plant
	Recorder     *entries.Recorder
	Entries      *entries.Entries
	Rules        *rules.RuleSet
	Form         *form.Form
	ExpectedForm string
	HourKnown    bool
}

// judge is one chart being judged.
type judge struct {
	Problem
	unit       string
	k          float64 // guard band in standard uncertainties
	product    *trace
	airspace   *trace       // nil where the recorder has no such pen
	fast       float64      // factor on shown minutes, below 1 where the clock ran fast
	doubtAfter float64      // chart times from here on do not follow the clock: it stood or was turned
	first      float64      // seconds that written times are resolved from
	strokes    [][2]float64 // where the line runs along one time and no event says so
	uHour      float64      // standard uncertainty in seconds of the chart's clock against written times
	off        float64      // seconds by which the trace starts after on_chart; 0 within 15 min
	rival      float64      // the same where the written times fit the hours so moved as well; else 0
}

// written is the standard uncertainty in seconds of a time written to the minute:
// uniform within half a minute to either side, JCGM 100:2008 4.3.7.
var written = 30 / math.Sqrt(3)

// Verify judges a chart. It fills the findings but for Scan, Calibration and
// Provenance. Pure: the same problem gives the same findings.
func Verify(p Problem) *Findings {
	f := &Findings{Schema: "penarm.findings/1", Batches: []Batch{}, Checks: []Check{}, Form: p.ExpectedForm}
	if p.Form != nil {
		f.Form = p.Form.Form
	}
	if p.Recorder != nil {
		f.Recorder = p.Recorder.Recorder
	}
	if p.Entries != nil {
		f.ChartDate = p.Entries.ChartDate
		if f.Recorder == "" {
			f.Recorder = p.Entries.Recorder
		}
	}
	if p.Rules == nil {
		f.Checks = append(f.Checks, Check{Check: "record", Verdict: Undecided, Counts: true, Reason: "no rule set: nothing can be judged"})
		f.Verdict = Undecided
		return f
	}
	f.Rules = p.Rules.Rules
	j := newJudge(p)
	if f.ChartDate == "" && len(j.product.nodes) > 0 && j.HourKnown {
		f.ChartDate = j.product.at(j.product.nodes[0].t).Format("2006-01-02")
	}
	loose := []run(nil)
	if p.Entries == nil {
		f.Batches = j.unnamed()
	} else {
		f.Batches, loose = j.named()
	}
	f.Checks = j.chart(f.Batches, loose)
	f.Verdict = worstOf(f.Checks)
	for _, b := range f.Batches {
		f.Verdict = Worst(f.Verdict, b.Verdict)
	}
	return f
}

func worstOf(cs []Check) Verdict {
	w := Pass
	for _, c := range cs {
		if c.Counts {
			w = Worst(w, c.Verdict)
		}
	}
	return w
}

// unsure are the events behind which the paper's line proves nothing.
func unsure(e series.Event) bool {
	return e.Kind == series.EventAmbig || e.Kind == series.EventStopped || e.Kind == series.EventTurned || e.Kind == series.EventLap
}

func newJudge(p Problem) *judge {
	j := &judge{Problem: p, unit: "F", k: p.Rules.GuardBand.Value, fast: 1, doubtAfter: math.Inf(1)}
	if p.Plant != nil && p.Plant.Unit != "" {
		j.unit = p.Plant.Unit
	}
	origin := p.origin()
	j.product = &trace{origin: origin}
	for _, s := range p.Series {
		if s.Pen == "product" && len(s.Samples) > 0 && s.Unit != "" {
			j.unit = s.Unit
		}
	}
	for _, s := range p.Series {
		var evs []series.Event
		for _, e := range p.Events {
			if unsure(e) && (e.Pen == "" || e.Pen == s.Pen) {
				evs = append(evs, e)
			}
		}
		switch tr := newTrace(s, j.unit, origin, evs); s.Pen {
		case "product":
			j.product = tr
		case "airspace":
			j.airspace = tr
		}
	}
	for _, e := range p.Events {
		if e.Kind == series.EventStopped || e.Kind == series.EventTurned {
			j.doubtAfter = math.Min(j.doubtAfter, j.product.sec(e.From))
		}
	}
	for _, s := range j.product.strokes(strokeF / perF(j.unit)) {
		if !j.told("product", j.product.at(s[0]-60), j.product.at(s[1]+60)) {
			j.strokes = append(j.strokes, s)
			j.doubtAfter = math.Min(j.doubtAfter, s[0])
		}
	}
	if c := j.clockCheck(); c != nil && c.ChartMinutes > c.TrueMinutes {
		j.fast = c.TrueMinutes / c.ChartMinutes
	}
	if p.Form != nil && p.Form.Labels.Kind == "elapsed" {
		j.uHour = written // the printed hours count from on_chart, itself written to the minute
	}
	j.resolveFrom()
	j.off = j.startOff()
	return j
}

// origin is a time on the chart to count seconds from: the product pen's first sample, that of another
// pen where the product's left none, else the first event. Near it has to be, as a time.Duration spans 292 years.
func (p Problem) origin() time.Time {
	var near []time.Time
	for _, s := range p.Series {
		switch {
		case len(s.Samples) == 0:
		case s.Pen == "product":
			return s.Samples[0].Time
		default:
			near = append(near, s.Samples[0].Time)
		}
	}
	for _, e := range p.Events {
		near = append(near, e.From)
	}
	if len(near) == 0 {
		return time.Time{}
	}
	return near[0]
}

// startOff is by how many seconds the trace starts after the written on_chart, where that
// is more than 15 min: most charts agree within these (FDA Guide to Inspections of Low Acid
// Canned Food Manufacturers, Part 2, on recorders).
func (j *judge) startOff() float64 {
	if j.Entries == nil || !j.HourKnown || len(j.product.nodes) == 0 {
		return 0
	}
	at, _, ok := j.when(j.Entries.OnChart, j.first)
	if !ok {
		return 0
	}
	const day = 24 * 3600.0
	off := math.Remainder(j.product.begins-at, day)
	if math.Abs(off) <= 15*60 {
		return 0
	}
	return off
}

const strokeF = 12.0

func (j *judge) clockCheck() *entries.ClockCheck {
	if j.Recorder == nil {
		return nil
	}
	return j.Recorder.ClockCheck
}

// resolveFrom sets the instant from which a written time of day is the next one:
// half of what the trace leaves free of a day before its start, at most three hours.
func (j *judge) resolveFrom() {
	if len(j.product.nodes) == 0 {
		return
	}
	start, end := j.product.nodes[0].t, j.product.nodes[len(j.product.nodes)-1].t
	j.first = start - math.Min(3*3600, math.Max(1800, (24*3600-(end-start))/2))
}

// when resolves a time written as HH:MM or HH:MM:SS, not before after, into the
// trace's seconds with its standard uncertainty; false where nothing is written.
func (j *judge) when(s string, after float64) (t, u float64, ok bool) {
	layout := "15:04"
	if strings.Count(s, ":") == 2 {
		layout = "15:04:05"
	}
	c, err := time.Parse(layout, s)
	if err != nil {
		return 0, 0, false
	}
	u = written
	if layout == "15:04:05" {
		u /= 60
	}
	from := j.product.at(after)
	at := time.Date(from.Year(), from.Month(), from.Day(), c.Hour(), c.Minute(), c.Second(), 0, time.UTC)
	if at.Before(from) {
		at = at.AddDate(0, 0, 1)
	}
	return j.product.sec(at), u, true
}

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

func (j *judge) plantUnit() string {
	if j.Plant == nil || j.Plant.Unit == "" {
		return j.unit
	}
	return j.Plant.Unit
}

// own gives a written reading in the series' unit, where the two differ.
func (j *judge) own(v float64) float64 { return Converted(v, j.plantUnit(), j.unit) }

// Converted takes a temperature from one unit, "F" or "C", to the other; °F = 1.8·°C + 32 (NIST SP 811, B.8).
func Converted(v float64, from, to string) float64 {
	switch {
	case from == to:
		return v
	case to == "C":
		return (v - 32) / 1.8
	}
	return v*1.8 + 32
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
	return j.product.runs(level-heatBelowF/perF(j.unit), shift{}, true)
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
	base, _ := j.temperatures(nil)
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

// named judges the written batches; the runs of ten minutes or more that belong to none come back beside them.
func (j *judge) named() (out []Batch, loose []run) {
	out = []Batch{}
	ms := j.matters()
	if !j.startsBelow() && j.fits(ms, j.off) >= j.fits(ms, 0) {
		j.rival = j.off
	}
	for _, m := range ms {
		m.compared = j.compare(m)
	}
	if j.Rules.Agreement != nil && j.Rules.Agreement.Every == "chart" {
		shareComparisons(ms)
	}
	used := []run{}
	for i, m := range ms {
		rows, note := class(j.Rules, m.Batch)
		var bs []Batch
		for _, row := range rows {
			b, r := j.bestOption(m, row, i, len(ms))
			bs = append(bs, b)
			used = append(used, r...)
		}
		b := bs[len(bs)-1]
		if len(bs) == 2 {
			b = j.settle(bs[0], bs[1])
		}
		if note != "" {
			noteHold(&b, note)
		}
		out = append(out, b)
	}
	base, ok := j.law(j.Rules.Rows[0].Options[0].Temperature)
	if !ok {
		return out, nil
	}
	for _, r := range j.product.runs(base, shift{}, true) {
		if r.minutes() >= shown && r.inked && !slices.ContainsFunc(used, func(h run) bool { return r.from <= h.to && r.to >= h.from }) {
			loose = append(loose, r)
		}
	}
	j.mismatched(out, loose)
	return out, loose
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
	base, hottest := j.temperatures(bs)
	for _, r := range loose {
		if j.wash(r, base, hottest) != "" {
			continue
		}
		for i := range bs {
			if bs[i].Hold == nil || bs[i].Hold.Minutes < shown {
				bs[i].reopen(Fail, fmt.Sprintf("a hold that no batch names lies at %s: is it this one's, and are the chart's hours right?", j.product.at(r.from).Format("15:04")))
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

func noteHold(b *Batch, note string) {
	for i := range b.Checks {
		if b.Checks[i].Check == "hold" {
			b.Checks[i].Reason += "; " + note
		}
	}
}

// shareComparisons: the law wants one comparison a chart or shift, so a batch without one takes those of the others.
func shareComparisons(ms []*matter) {
	var all []comparison
	for _, m := range ms {
		all = append(all, m.compared...)
	}
	for _, m := range ms {
		if len(m.compared) == 0 {
			m.compared = all
		}
	}
}

// settle two judgements of one batch, by the milder and by the stricter row, where a
// question that chooses between them is unanswered: what passes by the stricter passes,
// what fails by the milder fails, all else is undecided.
func (j *judge) settle(mild, strict Batch) Batch {
	out := strict
	out.Checks = slices.Clone(strict.Checks)
	for i, c := range out.Checks {
		k := slices.IndexFunc(mild.Checks, func(o Check) bool { return o.Check == c.Check })
		switch {
		case c.Verdict == Pass || k < 0:
		case mild.Checks[k].Verdict == Fail:
			out.Checks[i] = mild.Checks[k]
		case mild.Checks[k].Verdict != c.Verdict:
			out.Checks[i].Verdict = Undecided
			out.Checks[i].Reason += fmt.Sprintf("; at or above %s it is %s", j.deg(mild.Legal), mild.Checks[k].Verdict)
		}
	}
	if strict.Hold == nil {
		out.Hold = mild.Hold
	}
	out.Verdict = worstOf(out.Checks)
	return out
}

// shown is the shortest run in minutes that is listed as a hold where no entry names it.
const shown = 10.0

// unnamed lists the holds of a chart without entries and judges their length by the base row.
func (j *judge) unnamed() []Batch {
	out := []Batch{}
	row := j.Rules.Rows[0]
	base, ok := j.law(row.Options[0].Temperature)
	if !ok {
		return out
	}
	for _, r := range j.product.runs(base, shift{}, true) {
		if r.minutes() < shown || !r.inked {
			continue
		}
		var best Batch
		for i, o := range row.Options {
			b := Batch{Batch: strconv.Itoa(len(out) + 1), Unit: j.unit}
			h := j.measure(share{heats: []run{r}, from: math.Inf(-1), to: math.Inf(1)}, j.legalOf(o), nil)
			j.fill(&b, h, o)
			b.Checks = []Check{j.holdCheck(h, o)}
			b.Checks = append(b.Checks, j.information(h, o)...)
			if w := j.wash(r, base, base); w != "" {
				b.Checks[0].Reason += "; it may be " + w
			}
			b.Verdict = worstOf(b.Checks)
			if i == 0 || rank(b.Verdict) < rank(best.Verdict) {
				best = b
			}
		}
		out = append(out, best)
	}
	return out
}

// Wash water is taken further above the legal temperature than milk is, or is heated faster
// than a vat of milk can be: washF degrees above it, or washRiseF degrees a minute over the
// thirty degrees F below it. Common practice, no source.
const (
	washF     = 7.0
	washRiseF = 5.0
)

// wash tells in words by what a run at or above the level looks like a wash, and not like
// milk of at most the hottest legal temperature; empty where it looks like milk.
func (j *judge) wash(r run, level, hottest float64) string {
	unit := perF(j.unit)
	if top, _ := j.product.top(r.from, r.to); top > hottest+washF/unit {
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

// law gives a temperature of the law in the series' unit: the figure that it prints in the chart's own unit, for the
// two that it prints are no exact conversions of each other (63 °C is 145.4 °F); else the one in the series' unit.
func (j *judge) law(t rules.Temperature) (float64, bool) {
	if j.Form != nil && j.Form.Unit != j.unit {
		if v, ok := t.In(j.Form.Unit); ok {
			return Converted(v, j.Form.Unit, j.unit), true
		}
	}
	return t.In(j.unit)
}

func (j *judge) legalOf(o rules.Option) float64 { v, _ := j.law(o.Temperature); return v }

func (tr *trace) top(from, to float64) (v float64, at float64) {
	v = math.Inf(-1)
	for _, n := range tr.within(from, to) {
		if n.temp > v {
			v, at = n.temp, n.t
		}
	}
	return v, at
}

func rank(v Verdict) int { return map[Verdict]int{Pass: 0, Undecided: 1, Fail: 2}[v] }

// bestOption judges a batch by every option of its row, any of which suffices, and
// gives the best outcome with the heats it took.
func (j *judge) bestOption(m *matter, row rules.Row, i, n int) (best Batch, used []run) {
	options, note := j.reduced(m, row)
	first := true
	for _, o := range options {
		if _, ok := j.law(o.Temperature); !ok {
			continue
		}
		b, s := j.batch(m, o, row, i, n)
		used = append(used, s.heats...)
		if first || rank(b.Verdict) < rank(best.Verdict) || b.Verdict == best.Verdict && rank(holdOf(b)) < rank(holdOf(best)) {
			best, first = b, false
		}
	}
	if first {
		best = Batch{Batch: m.Batch.Batch, Product: m.Product, Unit: j.unit, Verdict: Undecided, Checks: []Check{{Check: "hold", Verdict: Undecided, Counts: true,
			Source: row.Options[0].Cited.String(), Reason: fmt.Sprintf("%s prints no temperature in °%s and the program converts none: choose a rule set that does", j.Rules.Title, j.unit)}}}
	}
	if note != "" {
		noteHold(&best, note)
	}
	return best, used
}

func holdOf(b Batch) Verdict {
	for _, c := range b.Checks {
		if c.Check == "hold" {
			return c.Verdict
		}
	}
	return Undecided
}

// reduced adds to the row's options the shorter holds of hotter milk, for whole
// degrees above the law's threshold, where the entries claim them and hold a passed
// phosphatase test. Down to one minute: the formula's zero and less is never accepted.
func (j *judge) reduced(m *matter, row rules.Row) ([]rules.Option, string) {
	r := j.Rules.Reduction
	switch {
	case !m.ClaimsReduction:
		return row.Options, ""
	case r == nil:
		return row.Options, "a shorter hold is claimed, which this rule set does not know"
	case row.Row != j.Rules.Rows[0].Row:
		return row.Options, "a shorter hold is claimed, but nothing in the law adapts it to this product"
	case m.Phosphatase != "pass":
		return row.Options, "a shorter hold is claimed, which needs a passed phosphatase test in the entries"
	}
	above, ok1 := r.Above.In(j.unit)
	from, ok2 := r.From.In(j.unit)
	if !ok1 || !ok2 {
		return row.Options, "a shorter hold is claimed, which the law prints in the other unit only"
	}
	options := slices.Clone(row.Options)
	full := row.Options[0].Minutes
	for t := math.Floor(above) + 1; full-r.MinutesPerDegree*(t-from) >= 1; t++ {
		o := rules.Option{Reduced: true, Minutes: full - r.MinutesPerDegree*(t-from), Cited: r.Cited}
		if j.unit == "F" {
			o.Temperature.F = &t
		} else {
			o.Temperature.C = &t
		}
		options = append(options, o)
	}
	return options, "a shorter hold is claimed with a passed phosphatase test; where it would be under one minute it is refused"
}

// batch judges one written batch by one option of its row.
func (j *judge) batch(m *matter, o rules.Option, row rules.Row, i, n int) (Batch, share) {
	legal := j.legalOf(o)
	b := Batch{Batch: m.Batch.Batch, Product: m.Product, Unit: j.unit}
	s := j.matchBoth(m, legal)
	if !j.HourKnown {
		s = j.byOrder(legal, i, n)
	}
	h := j.measure(s, legal, m.compared)
	j.fill(&b, h, o)
	b.Checks = append(b.Checks, j.holdCheck(h, o))
	if o.Highest != nil {
		b.Checks = append(b.Checks, j.highestCheck(h, o))
	}
	b.Checks = append(b.Checks, j.emptying(m, h, o)...)
	if c := j.outletCheck(m, h, o); c != nil {
		b.Checks = append(b.Checks, *c)
	}
	air := legal
	if o.Reduced { // hotter milk does not ask for hotter air
		air = j.legalOf(row.Options[0])
	}
	if c := j.airspaceCheck(m, s, h, air); c != nil {
		b.Checks = append(b.Checks, *c)
	}
	if c := j.agreementCheck(m, s, h); c != nil {
		b.Checks = append(b.Checks, *c)
	}
	b.Checks = append(b.Checks, j.batchEntries(m))
	if c := j.marked(m, h); c != nil {
		b.Checks = append(b.Checks, *c)
	}
	b.Checks = append(b.Checks, j.information(h, o)...)
	b.late = j.late(m, h, o)
	b.Verdict = worstOf(b.Checks)
	return b, s
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
			top = math.Max(top, j.own(r.Reads)+aboveReadF/perF(j.unit))
		}
	}
	runs := j.product.runs(level, shift{by: j.k}, true)
	hot := slices.DeleteFunc(slices.Clone(j.heats(level)), func(h run) bool {
		v, _ := j.product.top(h.from, h.to)
		return !h.inked || !math.IsInf(top, 0) && v > top || !slices.ContainsFunc(runs, func(r run) bool {
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

func (j *judge) fill(b *Batch, h held, o rules.Option) {
	b.Legal = j.legalOf(o)
	b.Hold = h.hold
}

// deg is a temperature in words, to the hundredth.
func (j *judge) deg(v float64) string { return degrees(v, j.unit) }

func degrees(v float64, unit string) string {
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64) + " °" + unit
}

func clip(v float64) *float64 { v = math.Round(v*1e4) / 1e4; return &v }
