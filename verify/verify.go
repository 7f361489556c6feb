package verify

import (
	"math"
	"slices"
	"strconv"
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
	either     *trace       // the product's, bounded by the other line where either may be the pen's; product where none may
	airspace   *trace       // nil where the recorder has no such pen
	fast       float64      // factor on shown minutes, below 1 where the clock ran fast
	doubtAfter float64      // chart times from here on do not follow the clock: it stood or was turned
	first      float64      // seconds that written times are resolved from
	strokes    [][2]float64 // where the line runs along one time and no event says so
	uHour      float64      // standard uncertainty in seconds of the chart's clock against written times
	off        float64      // seconds by which the trace starts after on_chart; 0 within 15 min
	rival      float64      // the same where the written times fit the hours so moved as well; else 0
}

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
		if start := j.product.at(j.product.nodes[0].t); start.Year() > 1 { // else no date is written: the trace counts from day one
			f.ChartDate = start.Format(time.DateOnly)
		}
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
	return e.Kind == series.EventAmbig || e.Kind == series.EventLoose || e.Kind == series.EventStopped || e.Kind == series.EventTurned || e.Kind == series.EventLap
}

func newJudge(p Problem) *judge {
	j := &judge{Problem: p, unit: "F", k: p.Rules.GuardBand.Value, fast: 1, doubtAfter: math.Inf(1)}
	if p.Plant != nil {
		j.unit = p.Plant.Unit
	}
	origin := p.origin()
	j.product = &trace{origin: origin}
	j.either = j.product
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
			j.product, j.either = tr, tr
			if plain := slices.DeleteFunc(slices.Clone(evs), func(e series.Event) bool { return e.Rivals }); len(plain) < len(evs) {
				j.either = newTrace(s, j.unit, origin, plain)
			}
		case "airspace":
			j.airspace = tr
		}
	}
	for _, e := range p.Events {
		if e.Kind == series.EventStopped || e.Kind == series.EventTurned {
			j.doubtAfter = math.Min(j.doubtAfter, j.product.sec(e.From))
		}
	}
	for _, s := range j.product.strokes(strokeF / PerF(j.unit)) {
		if !j.told("product", j.product.at(s[0]-60), j.product.at(s[1]+60)) {
			j.strokes = append(j.strokes, s)
			j.doubtAfter = math.Min(j.doubtAfter, s[0])
		}
	}
	if c := j.clockCheck(); c != nil && c.ChartMinutes > c.TrueMinutes {
		j.fast = c.TrueMinutes / c.ChartMinutes
	}
	if p.Form != nil && p.Form.Labels.Kind == "elapsed" {
		j.uHour = entries.WrittenU // the printed hours count from on_chart, itself written to the minute
	}
	j.resolveFrom()
	j.off = j.startOff(startLists)
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

// startOff is by how many seconds the trace starts after the written on_chart, where that is more than so many: most
// charts agree within 15 min (FDA Guide to Inspections of Low Acid Canned Food Manufacturers, Part 2, on recorders).
func (j *judge) startOff(least float64) float64 {
	if j.Entries == nil || !j.HourKnown || len(j.product.nodes) == 0 {
		return 0
	}
	at, _, ok := j.when(j.Entries.OnChart, j.first)
	if !ok {
		return 0
	}
	const day = 24 * 3600.0
	off := math.Remainder(j.product.begins-at, day)
	if math.Abs(off) <= least {
		return 0
	}
	return off
}

// startLists are the seconds from which a start off the written time is listed, startTells those from which the minutes
// between a written time and a place on the chart are not credited with it: rounding takes less. Common practice, no source.
const (
	startLists = 15 * 60.0
	startTells = 5 * 60.0
)

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
	ofDay, u, ok := entries.Clock(s)
	if !ok {
		return 0, 0, false
	}
	return j.product.sec(entries.Next(j.product.at(after), ofDay)), u, true
}

func (j *judge) plantUnit() string {
	if j.Plant == nil {
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

// PerF is how many degrees Fahrenheit a degree of the unit, "F" or "C", is: what is kept
// in °F is divided by it, so that a course is judged alike in both.
func PerF(unit string) float64 {
	if unit == "C" {
		return 1.8
	}
	return 1
}

// named judges the written batches; the runs of ten minutes or more that belong to none come back beside them, and the heats of
// as much that hold no such run.
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
		noteHold(&b, note)
		out = append(out, b)
	}
	base, ok := j.law(j.Rules.Rows[0].Options[0].Temperature)
	if !ok {
		return out, nil
	}
	unclaimed := func(of, by []run) []run {
		return slices.DeleteFunc(slices.Clone(of), func(r run) bool {
			return r.minutes() < shown || !r.inked || slices.ContainsFunc(by, func(h run) bool { return r.from <= h.to && r.to >= h.from })
		})
	}
	loose = unclaimed(j.product.runs(base, shift{}, true), used)
	j.mismatched(out, loose)
	return out, append(loose, unclaimed(j.heats(base), append(used, loose...))...)
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
			h := j.measure(share{heats: []run{r}, from: math.Inf(-1), to: math.Inf(1)}, j.legalOf(o), nil)
			b := Batch{Batch: strconv.Itoa(len(out) + 1), Unit: j.unit, Legal: h.legal, Hold: h.hold}
			b.Checks = append([]Check{j.holdCheck(h, o)}, j.information(h, o)...)
			if w := j.wash(r, base, base); w != "" {
				b.Checks[0].Reason += "; it may be " + w
			}
			b.Verdict = worstOf(b.Checks)
			if i == 0 || milder(b.Verdict, best.Verdict) {
				best = b
			}
		}
		out = append(out, best)
	}
	return out
}

// printed is the figure that the law prints in the chart's own unit, for the two that it prints are no exact conversions
// of each other (63 °C is 145.4 °F); else the one in the series' unit.
func (j *judge) printed(t rules.Temperature) (v float64, unit string, ok bool) {
	if j.Form != nil {
		if v, ok = t.In(j.Form.Unit); ok {
			return v, j.Form.Unit, true
		}
	}
	v, ok = t.In(j.unit)
	return v, j.unit, ok
}

// law is a temperature of the law, as printed, in the series' unit.
func (j *judge) law(t rules.Temperature) (float64, bool) {
	v, unit, ok := j.printed(t)
	return Converted(v, unit, j.unit), ok
}

// margin is law for a difference of temperatures.
func (j *judge) margin(t rules.Temperature) (float64, bool) {
	v, unit, ok := j.printed(t)
	return v * PerF(unit) / PerF(j.unit), ok
}

func (j *judge) legalOf(o rules.Option) float64 { v, _ := j.law(o.Temperature); return v }

// deg is a temperature in words, to the hundredth.
func (j *judge) deg(v float64) string { return degrees(v, j.unit) }

func degrees(v float64, unit string) string {
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64) + " °" + unit
}

func clip(v float64) *float64 { v = math.Round(v*1e4) / 1e4; return &v }
