// Package across asks what no single chart shows: copies, missing days, drift,
// habits. Every finding is a question to a person with its figures, never a verdict:
// each has an innocent answer too.
package across

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"penarm/verify"
	"penarm/verify/archive/ledger"
)

// The kinds of questions, in the order in which they are asked.
const (
	SameTrace  = "same trace"
	Overlap    = "overlap"
	NoChart    = "no chart"
	Drift      = "drift"
	Readings   = "readings"
	Crowding   = "crowding"
	Cooling    = "cooling"
	ClockCheck = "clock check"
	Retention  = "retention"
)

// Ask draws the questions from all charts that were read. today is for what runs
// out by a date. The order of the records does not matter.
func Ask(records []ledger.Record, plants []ledger.Plant, today time.Time) []ledger.Question {
	records = slices.Clone(records)
	slices.SortFunc(records, func(a, b ledger.Record) int { return cmp.Compare(a.Name, b.Name) })
	out, first := copies(records, sameTraces(records))
	recorders := grouped(records, func(r ledger.Record) string { return r.Recorder })
	for _, g := range recorders {
		out = append(out, overlaps(g, first)...)
	}
	for _, g := range recorders {
		out = append(out, missingDays(g)...)
	}
	for _, g := range recorders {
		out = append(out, drift(g)...)
	}
	out = append(out, habits(records)...)
	for _, g := range recorders {
		out = append(out, crowding(g)...)
	}
	for _, g := range grouped(records, func(r ledger.Record) string { return r.Vat }) {
		out = append(out, slower(g)...)
	}
	for _, p := range plants {
		out = append(out, clocks(p, recorders)...)
		out = append(out, retention(p, records, today)...)
	}
	return out
}

// group is the charts of one subject (recorder, vat, operator) of a plant, by date and name.
type group struct {
	plant, subject string
	charts         []ledger.Record
}

func grouped(records []ledger.Record, subject func(ledger.Record) string) []group {
	index := map[[2]string]*group{}
	var all []*group
	for _, r := range records {
		key := [2]string{r.Plant, subject(r)}
		if key[1] == "" {
			continue
		}
		g := index[key]
		if g == nil {
			g = &group{plant: key[0], subject: key[1]}
			index[key] = g
			all = append(all, g)
		}
		g.charts = append(g.charts, r)
	}
	var out []group
	for _, g := range all {
		slices.SortStableFunc(g.charts, func(a, b ledger.Record) int { return cmp.Compare(a.Date, b.Date) })
		out = append(out, *g)
	}
	slices.SortFunc(out, func(a, b group) int {
		return cmp.Or(cmp.Compare(a.plant, b.plant), cmp.Compare(a.subject, b.subject))
	})
	return out
}

func (g group) ask(kind, question, evidence string, charts ...string) ledger.Question {
	return ledger.Question{Kind: kind, Plant: g.plant, Subject: g.subject, Question: question, Evidence: evidence, Charts: charts}
}

// dated says whether a chart's own date and times are known.
func dated(r ledger.Record) bool { return r.Date != "" && r.From.Year() > 1 }

// label names a chart with its recorder and date.
func label(r ledger.Record) string {
	var s []string
	for _, t := range []string{r.Recorder, r.Date} {
		if t != "" {
			s = append(s, t)
		}
	}
	if len(s) == 0 {
		return r.Name
	}
	return r.Name + " (" + strings.Join(s, ", ") + ")"
}

// copies words the pairs of charts with one trace. Of many copies of one chart each is
// asked about once, not with every other, and by the pair that tells most. first gives
// the first chart of all that show the same trace, of those that have copies.
func copies(records []ledger.Record, pairs []pair) (out []ledger.Question, first map[string]string) {
	above := map[int]int{}
	top := func(i int) int {
		for {
			j, ok := above[i]
			if !ok {
				return i
			}
			i = j
		}
	}
	for _, differ := range []struct {
		words string
		on    func(a, b ledger.Record) bool
	}{
		{" under two recorders: is one a copy, or is a recorder misnamed?", func(a, b ledger.Record) bool { return unlike(a.Recorder, b.Recorder) }},
		{" under two dates: is one a copy, or was it filed under a wrong date?", func(a, b ledger.Record) bool { return unlike(a.Date, b.Date) }},
		{": is one a copy, or was one chart scanned twice?", func(a, b ledger.Record) bool { return true }},
	} {
		for _, p := range pairs {
			a, b := records[p.a], records[p.b]
			i, j := top(p.a), top(p.b)
			if i == j || !differ.on(a, b) {
				continue
			}
			above[max(i, j)] = min(i, j)
			q := ledger.Question{
				Kind: SameTrace, Plant: a.Plant, Subject: a.Recorder, Charts: []string{a.Name, b.Name},
				Question: fmt.Sprintf("%s and %s show the same trace%s", label(a), label(b), differ.words),
				Evidence: fmt.Sprintf("%d of %d common minutes agree within %.1f °F", p.agree, p.common, tolerance/10.0),
			}
			if a.SHA256 == b.SHA256 {
				q.Evidence += "; the two files are the same to the last byte"
			}
			out = append(out, q)
		}
	}
	first = map[string]string{}
	for i := range above {
		j := top(i)
		first[records[i].Name], first[records[j].Name] = records[j].Name, records[j].Name
	}
	return out, first
}

// unlike says whether two words that are there differ.
func unlike(a, b string) bool { return a != b && a != "" && b != "" }

// overlaps: one recorder writes one chart at a time. first is as copies gives it: copies
// of one chart do not overlap with each other, and only one of them with another chart.
func overlaps(g group, first map[string]string) []ledger.Question {
	var timed []ledger.Record
	for _, r := range g.charts {
		if dated(r) {
			timed = append(timed, r)
		}
	}
	slices.SortStableFunc(timed, func(a, b ledger.Record) int { return a.From.Compare(b.From) })
	asked := map[[2]string]bool{}
	var out []ledger.Question
	for i, a := range timed {
		for _, b := range timed[i+1:] {
			if !b.From.Before(a.To) {
				break
			}
			end := a.To
			if b.To.Before(end) {
				end = b.To
			}
			of := [2]string{cmp.Or(first[a.Name], a.Name), cmp.Or(first[b.Name], b.Name)}
			slices.Sort(of[:])
			// Charts are changed within minutes, and a written start may be 15 min off.
			common := end.Sub(b.From)
			if common <= 15*time.Minute || of[0] == of[1] || asked[of] {
				continue
			}
			asked[of] = true
			out = append(out, g.ask(Overlap,
				fmt.Sprintf("%s and %s overlap in time on recorder %s, which writes one chart at a time: which of the two dates or recorders is wrong?", label(a), label(b), g.subject),
				fmt.Sprintf("%.0f min in common, %s to %s", common.Minutes(), b.From.Format("2006-01-02 15:04"), end.Format("15:04")), a.Name, b.Name))
		}
	}
	return out
}

// missingDays: days without a chart on weekdays on which the recorder otherwise has
// one: on at least 4 in 5 of those within eight weeks, and at least four of them.
func missingDays(g group) []ledger.Question {
	have := map[string]string{} // date → chart
	var first, last time.Time
	for _, r := range g.charts {
		t, err := time.Parse(time.DateOnly, r.Date)
		if err != nil {
			continue
		}
		have[r.Date] = r.Name
		if first.IsZero() || t.Before(first) {
			first = t
		}
		if t.After(last) {
			last = t
		}
	}
	var out []ledger.Question
	var run []string
	before := ""
	flush := func(after string) {
		if len(run) == 0 {
			return
		}
		days, evidence := run[0], "a chart is there on most of the same weekdays around"
		if len(run) > 1 {
			days = fmt.Sprintf("%s to %s (%d days of operation)", run[0], run[len(run)-1], len(run))
		}
		out = append(out, g.ask(NoChart, fmt.Sprintf("Recorder %s has no chart for %s: did the vat stand still, or where is it?", g.subject, days), evidence, before, after))
		run = nil
	}
	for d := first; !d.After(last) && !first.IsZero(); d = d.AddDate(0, 0, 1) {
		key := d.Format(time.DateOnly)
		if name, ok := have[key]; ok {
			flush(name)
			before = name
			continue
		}
		with, all := 0, 0
		for w := -8; w <= 8; w++ {
			other := d.AddDate(0, 0, 7*w)
			if w == 0 || other.Before(first) || other.After(last) {
				continue
			}
			all++
			if have[other.Format(time.DateOnly)] != "" {
				with++
			}
		}
		if with >= 4 && 5*with >= 4*all {
			run = append(run, key)
		}
	}
	return out
}

// drift: the recorder against its indicating thermometer over months.
func drift(g group) []ledger.Question {
	var x, y []float64
	var charts []string
	for _, r := range g.charts {
		t, err := time.Parse(time.DateOnly, r.Date)
		if err != nil {
			continue
		}
		for _, w := range r.Readings {
			if w.Recorded == nil || math.Abs(*w.Recorded-w.Reads) > 10 {
				continue // not read at that time
			}
			x, y = append(x, float64(t.Unix())/month), append(y, *w.Recorded-w.Reads)
			charts = append(charts, r.Name)
		}
	}
	l, ok := fit(x, y)
	if !ok || !l.sure() {
		return nil
	}
	unit := g.charts[0].Unit
	moved := l.slope * (x[len(x)-1] - x[0])
	if math.Abs(moved) < 0.5/verify.PerF(unit) { // half of what a recorder may be off: 1 °F (PMO Appendix H, from memory)
		return nil
	}
	return []ledger.Question{g.ask(Drift,
		fmt.Sprintf("Recorder %s moves %s its indicating thermometer: is it due for adjustment, or is the thermometer?", g.subject, direction(l.slope, "up from", "down from")),
		fmt.Sprintf("recorder less indicating changes by %s °%s a month, %+.1f °%s in all, over %d comparisons", l.figure(), unit, moved, unit, l.n),
		charts[0], charts[len(charts)-1])}
}

func direction(v float64, up, down string) string {
	if v > 0 {
		return up
	}
	return down
}

// habits of whoever writes the indicating readings.
func habits(records []ledger.Record) []ledger.Question {
	var out []ledger.Question
	for _, g := range grouped(records, func(r ledger.Record) string { return r.Recorder + "\x00" + r.Operator }) {
		recorder, operator, _ := strings.Cut(g.subject, "\x00")
		if recorder == "" {
			continue
		}
		g.subject = strings.TrimSpace(recorder + " " + operator)
		who := "recorder " + recorder
		if operator != "" {
			who = operator + " at recorder " + recorder
		}
		var reads, off []float64
		var charts []string
		for _, r := range g.charts {
			for _, w := range r.Readings {
				reads = append(reads, w.Reads)
				charts = append(charts, r.Name)
				if w.Recorded != nil {
					off = append(off, math.Abs(*w.Recorded-w.Reads))
				}
			}
		}
		if len(reads) < few {
			continue
		}
		step := resolution(reads)
		distinct := slices.Compact(slices.Sorted(slices.Values(reads)))
		ends := []string{charts[0], charts[len(charts)-1]}
		switch digit, p := lastDigit(reads, step); {
		case len(distinct) == 1:
			out = append(out, g.ask(Readings, fmt.Sprintf("The indicating readings of %s never differ: are they read each time?", who),
				fmt.Sprintf("%d readings, all %g", len(reads), reads[0]), ends...))
		case p < chance:
			out = append(out, g.ask(Readings, fmt.Sprintf("The indicating readings of %s end in %d nearly always: are they read to the last digit?", who, digit),
				fmt.Sprintf("%d readings to %g°; were all ten digits alike likely, so many would end in %d with a chance below %.1g", len(reads), step, digit, math.Max(p, 1e-12)), ends...))
		case len(off) >= few && slices.Max(off) <= step/2+0.25/verify.PerF(g.charts[0].Unit):
			out = append(out, g.ask(Readings, fmt.Sprintf("The indicating readings of %s never differ from the pen by more than they are rounded: is the thermometer read, or the chart?", who),
				fmt.Sprintf("%d readings to %g°, the largest difference %.2f°", len(off), step, slices.Max(off)), ends...))
		}
	}
	return out
}

const (
	few    = 15    // readings, below which nothing is asked of a habit
	chance = 0.001 // that a question of habit rises from chance alone
)

// resolution is the largest of 1, 0.5 and 0.1 degree that all readings are multiples of.
func resolution(reads []float64) float64 {
	for _, step := range []float64{1, 0.5} {
		if !slices.ContainsFunc(reads, func(v float64) bool { return math.Abs(math.Remainder(v, step)) > 1e-6 }) {
			return step
		}
	}
	return 0.1
}

// lastDigit gives the commonest tenth of readings written to a tenth and how likely it
// would be so common were all ten alike (binomial, for any of the ten). Coarser readings
// say nothing: a vat held well shows the same whole degree every day.
func lastDigit(reads []float64, step float64) (digit int, p float64) {
	if step != 0.1 {
		return 0, 1
	}
	var n [10]int
	for _, v := range reads {
		n[(int(math.Round(v*10))%10+10)%10]++
	}
	for d := range n {
		if n[d] > n[digit] {
			digit = d
		}
	}
	return digit, math.Min(1, 10*binomialTail(n[digit], len(reads), 0.1))
}

// crowding: more holds in the first minute above the legal time than in the second,
// beyond chance. A smooth spread of holds has at most about as many there.
func crowding(g group) []ledger.Question {
	first, second := 0, 0
	var charts []string
	limit := 0.0
	for _, r := range g.charts {
		for _, h := range r.Holds {
			switch over := h.Minutes - h.Limit; {
			case over >= 0 && over < 1:
				first++
				charts, limit = append(charts, r.Name), h.Limit
			case over >= 1 && over < 2:
				second++
			}
		}
	}
	p := binomialTail(first, first+second, 0.5)
	if first < few || p >= chance {
		return nil
	}
	return []ledger.Question{g.ask(Crowding,
		fmt.Sprintf("Holds on recorder %s crowd in the first minute above the legal time: is the outlet opened by the clock on the chart?", g.subject),
		fmt.Sprintf("%d holds within a minute above the limit (%g min), %d in the next; were both alike likely, the chance is %.1g", first, limit, second, math.Max(p, 1e-12)),
		charts[0], charts[len(charts)-1])}
}

// slower: a vat that takes longer to cool, month by month.
func slower(g group) []ledger.Question {
	var x, y []float64
	var charts []string
	for _, r := range g.charts {
		if t, err := time.Parse(time.DateOnly, r.Date); err == nil && r.Cooling != nil {
			x, y = append(x, float64(t.Unix())/month), append(y, *r.Cooling)
			charts = append(charts, r.Name)
		}
	}
	l, ok := fit(x, y)
	if !ok || l.slope <= 0 || !l.sure() {
		return nil
	}
	start := l.at(x[0])
	if more := l.at(x[len(x)-1]) - start; start <= 0 || more < 0.15*start {
		return nil
	}
	return []ledger.Question{g.ask(Cooling,
		fmt.Sprintf("Vat %s cools slower month by month: is the jacket fouled, or the cooling water warmer?", g.subject),
		fmt.Sprintf("%.1f min for the first 40 °F (22 °C) became %.1f min, %s min a month, over %d charts", start, l.at(x[len(x)-1]), l.figure(), l.n),
		charts[0], charts[len(charts)-1])}
}

// clocks: the clock of a recorder is to be tested every so many months.
func clocks(p ledger.Plant, recorders []group) []ledger.Question {
	if p.ClockMonths == nil {
		return nil
	}
	var out []ledger.Question
	for _, g := range recorders {
		i := slices.IndexFunc(p.Recorders, func(r ledger.Recorder) bool { return r.Recorder == g.subject })
		if g.plant != p.Plant || i < 0 {
			continue
		}
		last := ""
		name := ""
		for _, r := range g.charts {
			if r.Date >= last {
				last, name = r.Date, r.Name
			}
		}
		tested := p.Recorders[i].ClockDate
		switch t, err := time.Parse(time.DateOnly, tested); {
		case last == "":
		case err != nil:
			out = append(out, g.ask(ClockCheck, fmt.Sprintf("No test of the clock of recorder %s is on file: when was it last tested?", g.subject),
				fmt.Sprintf("asked for every %g months: %s", *p.ClockMonths, p.ClockSource), name))
		case last > addMonths(t, *p.ClockMonths).Format(time.DateOnly):
			out = append(out, g.ask(ClockCheck, fmt.Sprintf("The clock of recorder %s was last tested on %s: was a later test made?", g.subject, tested),
				fmt.Sprintf("asked for every %g months (%s); the latest chart is of %s", *p.ClockMonths, p.ClockSource, last), name))
		}
	}
	return out
}

// retention: charts that the rule set does not ask to be kept any longer within a month.
func retention(p ledger.Plant, records []ledger.Record, today time.Time) []ledger.Question {
	if p.RetentionMonths == nil {
		return nil
	}
	var soon []ledger.Record
	for _, r := range records {
		t, err := time.Parse(time.DateOnly, r.Date)
		if err != nil || r.Plant != p.Plant {
			continue
		}
		if end := addMonths(t, *p.RetentionMonths); !end.Before(time.Date(today.Year(), today.Month(), today.Day(), 0, 0, 0, 0, time.UTC)) && end.Before(today.AddDate(0, 1, 0)) {
			soon = append(soon, r)
		}
	}
	if len(soon) == 0 {
		return nil
	}
	slices.SortStableFunc(soon, func(a, b ledger.Record) int { return cmp.Compare(a.Date, b.Date) })
	g := group{plant: p.Plant, subject: p.Plant}
	return []ledger.Question{g.ask(Retention,
		fmt.Sprintf("The time for which %d charts must be kept ends within a month: is any of them still in question?", len(soon)),
		fmt.Sprintf("kept for %g months (%s); their dates are %s to %s", *p.RetentionMonths, p.RetentionSource, soon[0].Date, soon[len(soon)-1].Date),
		soon[0].Name, soon[len(soon)-1].Name)}
}

func addMonths(t time.Time, months float64) time.Time { return t.AddDate(0, int(math.Ceil(months)), 0) }
