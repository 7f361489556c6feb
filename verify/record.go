package verify

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"

	"penarm/digitize/series"
)

// chart gives the checks of the whole chart.
func (j *judge) chart(bs []Batch, loose []run) []Check {
	out := []Check{j.record(bs), j.chartEntries(bs, loose)}
	if c := j.clock(); c != nil {
		out = append(out, *c)
	}
	if c := j.form(bs); c != nil {
		out = append(out, *c)
	}
	return out
}

// record: what stands on the paper besides a clean line. A second lap is a violation
// by itself; a stopped or turned chart, a line that no pen claims and a gap inside a hold need a person; the rest is listed. The worst comes first.
func (j *judge) record(bs []Batch) Check {
	c := Check{Check: "record", Verdict: Pass, Counts: true, Source: j.Rules.Record.String()}
	why := map[Verdict][]string{}
	note := func(v Verdict, words string, p ...Place) {
		c.Verdict = Worst(c.Verdict, v)
		why[v] = append(why[v], words)
		c.Places = append(c.Places, p...)
	}
	if len(j.product.nodes) == 0 {
		note(Undecided, "the product pen shows nothing")
	}
	listed := func(pen string, from, to time.Time) Verdict {
		for _, b := range bs {
			if b.Hold != nil && pen != "airspace" && from.Before(b.Hold.End.Time) && to.After(b.Hold.Start.Time) {
				return Undecided
			}
		}
		return Pass
	}
	var kinds []series.Kind
	events := map[series.Kind][]series.Event{}
	for _, e := range j.Events {
		if len(events[e.Kind]) == 0 {
			kinds = append(kinds, e.Kind)
		}
		events[e.Kind] = append(events[e.Kind], e)
	}
	for _, kind := range kinds {
		v := Pass
		switch kind {
		case series.EventLap:
			v = Fail
		case series.EventStopped, series.EventTurned, series.EventNoBlank, series.EventLoose:
			v = Undecided
		case series.EventAmbig:
			for _, e := range events[kind] {
				v = Worst(v, listed(e.Pen, e.From, e.To))
			}
		case series.EventBlot, series.EventInk, series.EventStart, series.EventHidden:
		default:
			continue
		}
		var places []Place
		for _, e := range events[kind] {
			places = append(places, Place{Pen: e.Pen, From: LocalTime{e.From}, To: LocalTime{e.To}, Text: e.Text})
		}
		note(v, together(events[kind]), places...)
	}
	for _, tr := range []struct {
		pen string
		*trace
	}{{"product", j.product}, {"airspace", j.airspace}} {
		if tr.trace == nil {
			continue
		}
		var gaps [][2]float64 // outside holds
		for _, g := range tr.gaps() {
			from, to := tr.at(g[0]), tr.at(g[1])
			switch {
			case j.told(tr.pen, from, to):
			case listed(tr.pen, from, to) == Pass:
				gaps = append(gaps, g)
			default:
				p := j.place(tr.pen, g[0], g[1], "gap")
				note(Undecided, fmt.Sprintf("gap of the %s pen %s, inside a hold", tr.pen, spans([]Place{p})), p)
			}
		}
		if n := len(gaps); n > 0 {
			words, places := fmt.Sprintf("gap of the %s pen", tr.pen), make([]Place, n)
			if n > fewTold {
				words = fmt.Sprintf("%d gaps of the %s pen", n, tr.pen)
			}
			for i, g := range gaps {
				places[i] = j.place(tr.pen, g[0], g[1], "gap")
			}
			note(Pass, fmt.Sprintf("%s %s", words, spans(places)), places...)
		}
		if len(tr.backward) > 0 {
			note(Undecided, fmt.Sprintf("the %s pen runs back in time at %s", tr.pen, LocalTime{tr.backward[0]}.Clock()))
		}
	}
	for _, s := range j.strokes {
		note(Undecided, fmt.Sprintf("the line runs along one time at %s: had the clock stood?", LocalTime{j.product.at(s[0])}.minute()), j.place("product", s[0], s[1], "along one time"))
	}
	for _, b := range bs {
		if b.late != "" {
			end := j.product.sec(b.Hold.End.Time)
			note(Undecided, b.late, j.place("product", end, end, "hot after the outlet's written time"))
		}
	}
	j.span(note)
	if j.Form != nil && j.ExpectedForm != "" && j.Form.Form != j.ExpectedForm {
		note(Undecided, fmt.Sprintf("the chart is form %s, the recorder's is %s", j.Form.Form, j.ExpectedForm))
	}
	c.Reason = "one line without a gap inside a hold, no second lap, no sign of a stopped or turned chart"
	if len(why) > 0 {
		c.Reason = strings.Join(slices.Concat(why[Fail], why[Undecided], why[Pass]), "; ")
	}
	return c
}

// fewTold is how many places of one kind are told one by one; of more the last time is.
const fewTold = 3

// together tells events of one kind in one sentence, each different remark once.
func together(events []series.Event) string {
	events = slices.Clone(events)
	slices.SortStableFunc(events, func(a, b series.Event) int { return a.From.Compare(b.From) })
	first, n := events[0], len(events)
	if first.Kind == series.EventAmbig && n > 1 {
		last := slices.MaxFunc(events, func(a, b series.Event) int { return a.To.Compare(b.To) })
		return fmt.Sprintf("%s in %d stretches from %s to %s: which is which is not settled", first.Kind.Words(), n, LocalTime{first.From}.minute(), LocalTime{last.To}.minute())
	}
	told := n
	if n > fewTold+1 { // one more takes no more room than to say so
		told = fewTold
	}
	var times, remarks []string
	figures := func(r rune) rune {
		if unicode.IsDigit(r) {
			return -1
		}
		return r
	}
	seen := map[string]bool{}
	for i, e := range events {
		if i < told {
			times = append(times, LocalTime{e.From}.minute())
		}
		if like := strings.Map(figures, e.Text); e.Text != "" && !seen[like] {
			seen[like] = true
			remarks = append(remarks, e.Text)
		}
	}
	words := first.Kind.Words() + " at " + strings.Join(times, ", ")
	if told < n {
		words += fmt.Sprintf(" and %d times more until %s", n-told, LocalTime{events[n-1].From}.minute())
	}
	if len(remarks) > 0 {
		words += " (" + strings.Join(remarks, "; ") + ")"
	}
	return words
}

// spans tells from when to when places last, of many the first and the last.
func spans(places []Place) string {
	of := func(p Place) string {
		return fmt.Sprintf("from %s to %s", p.From.Clock(), p.To.Clock())
	}
	if n := len(places); n > fewTold {
		return fmt.Sprintf("between %s and %s, the first %s", places[0].From.minute(), places[n-1].To.minute(), of(places[0]))
	}
	var all []string
	for _, p := range places {
		all = append(all, of(p))
	}
	return strings.Join(all, ", ")
}

// told: an event already names what breaks the trace there.
func (j *judge) told(pen string, from, to time.Time) bool {
	for _, e := range j.Events {
		if unsure(e) && (e.Pen == "" || e.Pen == pen) && !from.After(e.To) && !to.Before(e.From) {
			return true
		}
	}
	return false
}

// span: a chart used beyond the time it is made for, and a start off the written one.
func (j *judge) span(note func(Verdict, string, ...Place)) {
	n := len(j.product.nodes)
	if n == 0 {
		return
	}
	first, last := j.product.nodes[0].t, j.product.nodes[n-1].t
	if j.Form != nil && j.Form.RotationHours > 0 {
		// Half a division of time is left to the reading.
		if over := last - first - j.Form.RotationHours*3600; over > j.Form.TimeArcs.EveryMinutes*30+60 {
			note(Fail, fmt.Sprintf("the chart turns once in %g h and was left on %.0f min longer", j.Form.RotationHours, over/60), j.place("product", last-over, last, "beyond one turn"))
		}
	}
	told := slices.ContainsFunc(j.Events, func(e series.Event) bool { return e.Kind == series.EventStart })
	if j.off != 0 && !told {
		note(Pass, fmt.Sprintf("the trace starts %.0f min off the written %s", j.off/60, j.Entries.OnChart), j.place("product", first, first, "start of the trace"))
	}
}

// chartEntries asks for what must be written once a chart, and tells the holds that no batch names.
func (j *judge) chartEntries(bs []Batch, loose []run) Check {
	c := Check{Check: "entries", Verdict: Pass, Counts: true}
	missing, sources := wanted(j.Rules.ChartEntries, func(entry string) (n, want int) {
		switch {
		case entry == "plant" && j.Plant != nil:
			return filled(j.Plant.Plant), 1
		case j.Entries == nil:
		case entry == "recorder":
			return filled(j.Entries.Recorder), 1
		case entry == "chart_date":
			return filled(j.Entries.ChartDate), 1
		case entry == "operator":
			return filled(j.Entries.Operator), 1
		}
		return 0, 1
	})
	c.Source = strings.Join(sources, "; ")
	switch {
	case j.Entries == nil:
		c.Verdict = Fail
		c.Reason = fmt.Sprintf("no entries for this chart: %d hold(s) shown are judged for their length only", len(bs))
		return c
	case len(missing) > 0:
		c.Verdict = Fail
		c.Reason = "not written: " + strings.Join(missing, ", ")
	case len(bs) == 0:
		c.Verdict = Fail
		c.Reason = "no batch is written"
	default:
		c.Reason = "all required entries of the chart are there"
	}
	base, hottest := j.temperatures()
	for _, r := range loose {
		what := j.wash(r, base, hottest)
		if what == "" {
			what = "a hold that no batch names: were its entries forgotten?"
			if top := j.product.top(r.from, r.to); top < base {
				what = fmt.Sprintf("a heat to %s that no batch names: were its entries forgotten?", j.deg(top))
			}
			c.Verdict = Worst(c.Verdict, Undecided)
		}
		c.Reason += fmt.Sprintf("; %s from %s to %s", what, LocalTime{j.product.at(r.from)}.minute(), LocalTime{j.product.at(r.to)}.minute())
		c.Places = append(c.Places, j.place("product", r.from, r.to, what))
	}
	return c
}

// temperatures are the base row's legal one and the hottest that any row wants: a batch
// that nobody names may be of any product.
func (j *judge) temperatures() (base, hottest float64) {
	base, _ = j.law(j.Rules.Rows[0].Options[0].Temperature)
	hottest = base
	for _, r := range j.Rules.Rows {
		for _, o := range r.Options {
			hottest = math.Max(hottest, j.legalOf(o))
		}
	}
	return base, hottest
}

// clock judges the recorder's last time-accuracy test: a chart that ran fast proves
// less time than it shows; a slow one is not credited.
func (j *judge) clock() *Check {
	t := j.clockCheck()
	if t == nil {
		return nil
	}
	c := &Check{Check: "clock", Verdict: Pass, Counts: true, Measured: clip(t.ChartMinutes), Limit: clip(t.TrueMinutes), Unit: "min", Source: j.Rules.ClockFast.String(),
		Reason: fmt.Sprintf("%g min on the chart for %g min by the watch on %s", t.ChartMinutes, t.TrueMinutes, t.Date)}
	if j.fast < 1 {
		c.Verdict = Fail
		c.Reason += ": the chart runs fast"
	}
	if n := j.Rules.ClockMonths; n != nil && len(j.product.nodes) > 0 {
		if tested, err := time.Parse(time.DateOnly, t.Date); err == nil {
			on := j.product.at(j.product.nodes[0].t)
			switch {
			case on.After(tested.AddDate(0, int(n.Value), 1)):
				c.Reason += fmt.Sprintf("; the test is older than %g months", n.Value)
			case on.Before(tested) && on.Year() > 1: // a chart without a date counts from the year 1
				c.Reason += "; the test was made after this chart"
			}
		}
	}
	return c
}

// form compares the printed blank with the rule set's limits; information.
func (j *judge) form(bs []Batch) *Check {
	l, f := j.Rules.Form, j.Form
	if l == nil || f == nil || len(f.Rings) < 2 {
		return nil
	}
	cold, ok := j.Rules.Rows[0].Options[0].Temperature.In(f.Unit)
	if !ok {
		return nil
	}
	hot := cold
	for _, b := range bs {
		if b.Unit == f.Unit {
			hot = math.Max(hot, b.Legal)
		}
	}
	c := &Check{Check: "form", Verdict: Pass, Source: l.Cited.String()}
	var why []string
	note := func(v Verdict, format string, a ...any) {
		c.Verdict = Worst(c.Verdict, v)
		why = append(why, fmt.Sprintf(format, a...))
	}
	low, high := f.Temperature(f.Inner()), f.Temperature(f.Outer())
	if low > high {
		low, high = high, low
	}
	const eps = 1e-6
	if v, ok := l.Span.In(f.Unit); ok && high-low < v-eps {
		note(Fail, "the scale spans %g°, at least %g° wanted", high-low, v)
	}
	if v, ok := l.Around.In(f.Unit); ok && (low > cold-v+eps || high < hot+v-eps) {
		note(Fail, "the scale of %g° to %g° does not reach %g° below %g° and above %g°", low, high, v, cold, hot)
	}
	if v, ok := l.Division.In(f.Unit); ok && f.MinorRing > v+eps {
		note(Fail, "divisions of %g°, at most %g° wanted", f.MinorRing, v)
	}
	space := math.Min(f.MMPerDegree(f.Radius(cold)), f.MMPerDegree(f.Radius(hot))) * f.MinorRing
	switch {
	case space >= l.SpacingMM-eps:
	case l.SpacingThinMM > 0 && space >= l.SpacingThinMM-eps:
		note(Undecided, "divisions %.2f mm apart, less than %g mm: %g mm are enough where the line is thin enough to tell from the print", space, l.SpacingMM, l.SpacingThinMM)
	default:
		note(Fail, "divisions %.2f mm apart, at least %g mm wanted", space, l.SpacingMM)
	}
	if l.TimeMinutes > 0 && f.TimeArcs.EveryMinutes > l.TimeMinutes+eps {
		note(Fail, "time divisions of %g min, at most %g min wanted", f.TimeArcs.EveryMinutes, l.TimeMinutes)
	}
	// Chord of one time division on the circle of a legal temperature: 2r·sin(half its angle).
	chord := 2 * math.Min(f.Radius(cold), f.Radius(hot)) * math.Sin(math.Pi*f.TimeArcs.EveryMinutes/(f.RotationHours*60))
	if chord < l.TimeChordMM-eps {
		note(Fail, "time divisions %.1f mm long, at least %g mm wanted", chord, l.TimeChordMM)
	}
	if l.RotationHours > 0 && f.RotationHours > l.RotationHours+eps {
		note(Fail, "one turn in %g h, at most %g h wanted", f.RotationHours, l.RotationHours)
	}
	c.Reason = "the printed form keeps the limits"
	if len(why) > 0 {
		c.Reason = strings.Join(why, "; ")
	}
	return c
}
