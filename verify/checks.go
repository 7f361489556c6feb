package verify

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"penarm/verify/entries"
	"penarm/verify/rules"
)

// vat of the chart's recorder, nil where it is not known.
func (j *judge) vat() *entries.Vat {
	if j.Plant == nil || j.Recorder == nil {
		return nil
	}
	return j.Plant.Vat(j.Recorder.Vat)
}

// emptying and filling: where the vat is emptied hot the hold must outlast the
// emptying, where the milk came in hot the filling, where both apply both. Where it
// is not written whether one applies, the check is put too, and passes only if the
// hold is long enough either way.
func (j *judge) emptying(m *matter, h held, o rules.Option) (out []Check) {
	if j.Rules.HotEmptying == nil {
		return nil
	}
	outside, hot := m.Cooling == "outside", m.Preheated != nil && *m.Preheated
	maybeOutside, maybeHot := m.Cooling == "", m.Preheated == nil
	if !outside && !hot && !maybeOutside && !maybeHot {
		return nil
	}
	var empty, fill *float64
	if v := j.vat(); v != nil {
		empty, fill = v.EmptyingMinutes, v.FillingMinutes
	}
	need, may := o.Minutes, o.Minutes // with what is written, and with all that may apply
	var words, unknown []string
	add := func(name, key, reason string, sure, maybe bool, minutes *float64) {
		switch {
		case !sure && !maybe:
		case minutes == nil:
			unknown = append(unknown, fmt.Sprintf("the %s time of this vat is not on file and cannot be shown: measure it and give %s", name, key))
		case sure:
			need, may = need+*minutes, may+*minutes
			words = append(words, fmt.Sprintf("%g min %s", *minutes, name))
		default:
			may += *minutes
			unknown = append(unknown, reason)
		}
	}
	add("emptying", "emptying_minutes", "whether the vat was emptied hot is not written (cooling)", outside, maybeOutside, empty)
	add("filling", "filling_minutes", "whether the milk came in hot is not written (preheated)", hot, maybeHot, fill)
	said := strings.Join(append([]string{fmt.Sprintf("for the legal %g min", o.Minutes)}, words...), " and ")
	one := func(name string, sure, maybe bool) {
		if !sure && !maybe {
			return
		}
		c := j.lengthCheck(name, h, need, *j.Rules.HotEmptying, said)
		if len(unknown) > 0 {
			missing := outside && empty == nil || hot && fill == nil || maybeOutside && empty == nil || maybeHot && fill == nil
			if v, _ := h.lasts(may); c.Verdict == Pass && (missing || v != Pass) {
				c.Verdict = Undecided
			}
			c.Reason += "; " + strings.Join(unknown, "; ")
		}
		// A question that nobody answered cannot fail a batch.
		if !sure && c.Verdict == Fail {
			if v, _ := h.lasts(o.Minutes); v != Fail {
				c.Verdict = Undecided
			}
		}
		out = append(out, c)
	}
	one("emptying", outside, maybeOutside)
	one("filling", hot, maybeHot)
	return out
}

// outletCheck: the outlet may not open before the legal time has passed since the hold began.
func (j *judge) outletCheck(m *matter, h held, o rules.Option) *Check {
	if j.Rules.Outlet == nil {
		return nil
	}
	c := &Check{Check: "outlet", Verdict: Undecided, Counts: true, Unit: "min", Limit: clip(o.Minutes), Source: j.Rules.Outlet.String()}
	switch {
	case !m.hasOutlet:
		c.Reason = "outlet_opened is not written: it cannot be shown that the outlet stayed shut for the legal time"
	case !j.HourKnown:
		c.Reason = "the hours of this chart are not known: a written time cannot be set against them"
	case h.hold == nil:
		c.Reason = "the batch shows no hold to count from"
	default:
		minutes := (m.outlet - h.run.from) / 60
		u := math.Hypot(h.run.uFrom, math.Hypot(m.uOutlet, j.uHour)) / 60
		c.Measured, c.U = clip(minutes), clip(u)
		c.Verdict = j.against(minutes, u, o.Minutes)
		c.Reason = fmt.Sprintf("outlet opened at %s, %.1f min after the hold began at %s", m.OutletOpened, minutes, h.hold.Start.Clock())
		slow, behind := j.slow(h.run.from)/60, -j.startOff(startTells)/60
		switch {
		case j.against(minutes-slow, u, o.Minutes) != c.Verdict:
			c.Verdict = Undecided
			c.Reason += fmt.Sprintf("; but the chart's clock ran slow at its test and may be %.1f min behind the writer's by then", slow)
		case c.Verdict == Pass && h.whole > h.shown && h.lower < o.Minutes:
			c.Verdict = Undecided
			c.Reason += "; but no line is sure through the legal time"
		case h.run.gap && (h.sure.to <= h.sure.from || j.against((m.outlet-h.sure.from)/60, u, o.Minutes) != c.Verdict):
			c.Verdict = Undecided
			c.Reason += "; but no line is sure in part of that time"
		case j.rival != 0 && j.against(minutes+j.rival/60, u, o.Minutes) != c.Verdict:
			c.Verdict = Undecided
			c.Reason += fmt.Sprintf("; but the trace starts %.0f min off the written %s: are the chart's hours right?", j.rival/60, j.Entries.OnChart)
		case c.Verdict == Pass && behind > 0 && j.against(minutes-behind, u, o.Minutes) != Pass:
			c.Verdict = Undecided
			c.Reason += fmt.Sprintf("; but the trace starts %.0f min before the written %s: do the chart's clock and the writer's agree?", behind, j.Entries.OnChart)
		case h.run.from > j.doubtAfter:
			c.Verdict = Undecided
			c.Reason += "; the chart's clock may have stood or been turned before"
		case h.doubt != "":
			c.Verdict = Undecided
			c.Reason += "; " + h.doubt
		case c.Verdict == Fail && m.strays(h):
			c.Verdict = Undecided
			c.Reason += "; but written readings lie outside of the hold too: are the chart's hours right?"
		case c.Verdict == Undecided:
			c.Reason += fmt.Sprintf("; too close to call with the written minute's half minute, late enough with a probability of %.2f", Conforms(minutes, u, o.Minutes))
		}
		c.Places = []Place{j.place("product", m.outlet, m.outlet, "outlet opened")}
	}
	return c
}

// slow is by how many seconds a clock that ran slow at its test has fallen behind by a time, since the chart was put on.
func (j *judge) slow(t float64) float64 {
	c := j.clockCheck()
	if c == nil || c.ChartMinutes >= c.TrueMinutes {
		return 0
	}
	return (c.TrueMinutes/c.ChartMinutes - 1) * math.Max(0, t-j.product.begins)
}

// late says in words by how much the chart shows a batch hot after its vat was to be empty, or after milk that is cooled in
// the vat was let out: so it looks where the chart was turned or its clock set, or where what is written is wrong.
// Empty where the two agree within lateMin.
func (j *judge) late(m *matter, h held, o rules.Option) string {
	if !m.hasOutlet || !j.HourKnown || h.hold == nil || h.doubt != "" || m.outlet-h.run.from < o.Minutes*60 {
		return ""
	}
	due, what := m.outlet, "cooled milk was let out"
	if m.Cooling != "in-vat" {
		v := j.vat()
		if v == nil || v.EmptyingMinutes == nil {
			return ""
		}
		due, what = due+*v.EmptyingMinutes*60, "the vat was to be empty"
	}
	over := h.run.to - due - (h.run.to-j.product.nodes[0].t)*(1-j.fast)
	if over-j.k*math.Hypot(h.run.uTo, math.Hypot(m.uOutlet, j.uHour)) < lateMin*60 {
		return ""
	}
	return fmt.Sprintf("batch %s is hot on the chart for %.0f min after %s by the outlet's written time, %s: was the chart turned, its clock set, or is the time written wrong?",
		m.Batch.Batch, over/60, what, m.OutletOpened)
}

// lateMin is by how much a hold may outlast what is written: clocks read by eye, slow drains. Common practice, no source.
const lateMin = 8.0

// strays: some written reading lies beside the hold, so that the chart's clock and the writer's may differ.
func (m *matter) strays(h held) bool {
	return slices.ContainsFunc(m.times, func(t float64) bool { return t < h.run.from-besides || t > h.run.to+besides })
}

// against judges a figure that must reach a lower limit: JCGM 106:2012 section 8.3.
func (j *judge) against(v, u, limit float64) Verdict {
	switch {
	case v-j.k*u >= limit-exact:
		return Pass
	case v+j.k*u < limit-exact:
		return Fail
	}
	return Undecided
}

// airspaceCheck: the written readings and the airspace pen through the whole hold, at
// or above the legal temperature of the product, not that of the milk, plus the margin.
func (j *judge) airspaceCheck(m *matter, s share, h held, legal float64) *Check {
	a := j.Rules.Airspace
	if a == nil {
		return nil
	}
	margin, ok := j.margin(a.Margin)
	if !ok {
		return nil
	}
	limit := legal + margin
	c := &Check{Check: "airspace", Verdict: Pass, Counts: true, Unit: j.unit, Limit: clip(limit), Source: a.Cited.String()}
	var why []string
	low := math.Inf(1)
	for _, r := range m.air {
		if r.value < low {
			low = r.value
		}
		if r.value < limit-exact {
			c.Verdict = Fail
			why = append(why, fmt.Sprintf("written %s is below %s", r.label, j.deg(limit)))
		}
	}
	if c.Verdict == Pass {
		if v, w := j.readingsInHold(m, s, h); v != Pass {
			c.Verdict = v
			why = append(why, w)
		}
	}
	v, w, penLow, u, places := j.airspacePen(h, limit)
	switch {
	case v == "" && len(m.air) == 0:
		c.Verdict = Worst(c.Verdict, Undecided)
		why = append(why, "no airspace reading is written")
	case v == "" && len(m.air) < a.Readings:
		c.Verdict = Worst(c.Verdict, Undecided)
		why = append(why, fmt.Sprintf("%d of %d readings written", len(m.air), a.Readings))
	case v != "":
		if h.doubt != "" {
			v, w = Undecided, w+"; "+h.doubt
		}
		if v == Pass && len(m.air) == 0 { // the recorder is the record, the thermometer the official one
			v, w = Undecided, w+", but no airspace reading is written"
		}
		c.Verdict = Worst(c.Verdict, v)
		why = append(why, w)
		if penLow < low {
			low, c.U = penLow, clip(u)
		}
		c.Places = places
	}
	if !math.IsInf(low, 0) {
		c.Measured = clip(low)
	}
	if len(why) == 0 {
		why = append(why, fmt.Sprintf("every written reading at or above %s, the legal %s and %s", j.deg(limit), j.deg(legal), j.deg(margin)))
	}
	c.Reason = strings.Join(why, "; ")
	return c
}

// besides is how far in seconds beside the hold a reading may be written and still be
// taken as made at its start or end. Common practice, no source.
const besides = 120.0

// readingsInHold: a reading made before or after the batch's time at the legal
// temperature, dips within it and all, shows nothing of the hold.
func (j *judge) readingsInHold(m *matter, s share, h held) (Verdict, string) {
	if len(m.air) == 0 || h.hold == nil {
		return Pass, ""
	}
	if !j.HourKnown {
		return Undecided, "the hours of this chart are not known: whether the readings lie in the hold cannot be told"
	}
	from, to := j.heldAt(s, h)
	for _, r := range m.air {
		if !r.known {
			return Undecided, fmt.Sprintf("a reading of %s has no time", j.deg(r.value))
		}
		if r.at < from-besides || r.at > to+besides {
			return Undecided, fmt.Sprintf("written %s lies outside of the hold", r.label)
		}
	}
	early := func(r reading) bool { return r.at < (from+to)/2 }
	if n := len(m.air); j.Rules.Airspace.Readings > 1 && n > 1 && (!slices.ContainsFunc(m.air, early) || !slices.ContainsFunc(m.air, func(r reading) bool { return !early(r) })) {
		return Undecided, "all readings lie nearer to one end of the hold, none at the other"
	}
	return Pass, ""
}

// heldAt is from when to when the batch was at its legal temperature, dips within it and all.
func (j *judge) heldAt(s share, h held) (from, to float64) {
	from, to = h.run.from, h.run.to
	for _, heat := range s.heats {
		if heat.from > h.run.to || heat.to < h.run.from {
			continue
		}
		for _, r := range j.product.runs(h.legal, shift{fixed: -h.lowered}, true) {
			if s.has(r) && r.from <= heat.to && r.to >= heat.from {
				from, to = math.Min(from, r.from), math.Max(to, r.to)
			}
		}
	}
	return from, to
}

// airspacePen judges the pen through the hold; no verdict where there is no such pen or no hold.
func (j *judge) airspacePen(h held, limit float64) (v Verdict, why string, low, u float64, places []Place) {
	if j.airspace == nil || h.hold == nil {
		return "", "", 0, 0, nil
	}
	from, to := h.run.from, h.run.to
	nodes, gaps := j.airspace.within(from, to), j.airspace.gaps()
	low = math.Inf(1)
	least, at := math.Inf(1), from
	below, since := 0.0, math.Inf(1) // longest time surely below, in seconds, and its start
	for _, n := range nodes {
		if n.temp < low {
			low, u, at = n.temp, n.uTemp, n.t
		}
		least = math.Min(least, n.temp-j.k*n.uTemp)
		switch cold := n.temp+j.k*n.uTemp < limit && n.t >= from+j.k*h.run.uFrom && n.t <= to-j.k*h.run.uTo; {
		case cold && n.weak: // other ink may have led the reader there
		case cold:
			if slices.ContainsFunc(gaps, func(g [2]float64) bool { return g[0] >= since && g[1] <= n.t }) {
				since = n.t
			}
			since = math.Min(since, n.t)
			below = math.Max(below, n.t-since)
		default:
			since = math.Inf(1)
		}
	}
	if len(nodes) == 0 {
		return Undecided, "the airspace pen shows nothing through the hold", math.Inf(1), 0, nil
	}
	places = []Place{j.place("airspace", at, at, fmt.Sprintf("lowest airspace %s", j.deg(low)))}
	blind := nodes[0].t > from+30 || nodes[len(nodes)-1].t < to-30
	for _, g := range gaps {
		blind = blind || g[0] < to && g[1] > from
	}
	switch {
	case below >= narrow:
		return Fail, fmt.Sprintf("the airspace pen falls to %s in the hold", j.deg(low)), low, u, places
	case blind:
		return Undecided, "the airspace pen has no sure ink in part of the hold", low, u, places
	case least >= limit:
		return Pass, fmt.Sprintf("the airspace pen stays at or above %s through the hold", j.deg(low)), low, u, places
	}
	return Undecided, fmt.Sprintf("the airspace pen comes to %s, too close to %s to call", j.deg(low), j.deg(limit)), low, u, places
}

// compare reads the pen at each written indicating reading: its mean over the minute
// the time is written to, for the reading may be of any instant of it.
func (j *judge) compare(m *matter) (out []comparison) {
	for _, r := range m.indicating {
		c := comparison{reading: r}
		if r.known && j.HourKnown && r.at < j.doubtAfter {
			half := math.Hypot(r.u, j.uHour) * math.Sqrt(3)
			c.pen, c.u, c.seen = j.product.mean(r.at-half, r.at+half)
			c.far = c.seen && (c.high() < -j.apart() || c.high() > 2*j.apart())
			if j.rival != 0 { // by the other hours the pen must stand there too
				pen, u, ok := j.product.mean(r.at+j.rival-half, r.at+j.rival+half)
				c.far = c.far || ok && j.against(r.value-pen, u, 0) != j.against(-c.high(), c.u, 0)
			}
			c.seen = c.seen && !c.far
		}
		out = append(out, c)
	}
	return out
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

// agreementCheck: the recorder may not read higher than the indicating thermometer.
func (j *judge) agreementCheck(m *matter, s share, h held) *Check {
	a := j.Rules.Agreement
	if a == nil {
		return nil
	}
	c := &Check{Check: "agreement", Verdict: Pass, Counts: true, Unit: j.unit, Limit: clip(0), Source: a.Cited.String()}
	if len(m.compared) == 0 {
		c.Verdict, c.Reason = Undecided, "no indicating reading is written: the recorder cannot be compared"
		return c
	}
	var why []string
	worst := math.Inf(-1)
	for _, x := range m.compared {
		if !x.seen {
			c.Verdict = Worst(c.Verdict, Undecided)
			why = append(why, fmt.Sprintf("written %s: %s", x.label, j.unseen(x)))
			continue
		}
		v := j.against(-x.high(), x.u, 0)
		c.Verdict = Worst(c.Verdict, v)
		if x.high() > worst {
			worst = x.high()
			c.Measured, c.U = clip(x.high()), clip(x.u)
		}
		switch v {
		case Pass:
			why = append(why, fmt.Sprintf("pen %.2f, indicating %s", x.pen, x.label))
		case Fail:
			why = append(why, fmt.Sprintf("the recorder reads %.2f above the indicating thermometer: pen %.2f, indicating %s", x.high(), x.pen, x.label))
		default:
			why = append(why, fmt.Sprintf("too close to call: pen %.2f ± %.2f, indicating %s, not above it with a probability of %.2f", x.pen, j.k*x.u, x.label, Conforms(-x.high(), x.u, 0)))
		}
		c.Places = append(c.Places, j.place("product", x.at, x.at, "indicating "+x.label))
	}
	if c.Verdict == Pass && a.Every == "batch" && h.hold != nil {
		from, to := j.heldAt(s, h)
		if !slices.ContainsFunc(m.compared, func(x comparison) bool { return x.at >= from-besides && x.at <= to+besides }) {
			c.Verdict = Undecided
			why = append(why, "none of them lies in the hold")
		}
	}
	c.Reason = strings.Join(why, "; ")
	return c
}

// apart: a recorder is good to 1 °F (PMO Appendix H, from memory), so one that seems to
// stand five degrees F below the indicating thermometer, or ten above it, was not read at
// the time written. Common practice, no source; the side that condemns a hold is the wider.
func (j *judge) apart() float64 { return 5 / PerF(j.unit) }

func (j *judge) unseen(x comparison) string {
	switch {
	case x.far:
		return fmt.Sprintf("the pen stands at %s at that time: was it read then, and are the chart's hours right?", j.deg(x.pen))
	case !x.known:
		return "its time is not written"
	case !j.HourKnown:
		return "the hours of this chart are not known"
	case x.at >= j.doubtAfter:
		return "the chart's clock may have stood or been turned before"
	}
	return "no sure ink at that time"
}

// wanted goes through what the rule set wants written, and have tells how often an entry is there and is wanted.
func wanted(list []rules.Entry, have func(entry string) (n, want int)) (missing, sources []string) {
	for _, e := range list {
		switch n, want := have(e.Entry); {
		case n >= want:
		case want > 1:
			missing = append(missing, fmt.Sprintf("%s (%d of %d, at the start and the end of the hold)", e.Entry, n, want))
		default:
			missing = append(missing, e.Entry)
		}
		if s := e.Cited.String(); !slices.Contains(sources, s) {
			sources = append(sources, s)
		}
	}
	return missing, sources
}

// batchEntries asks for what the rule set wants written of each batch.
func (j *judge) batchEntries(m *matter) Check {
	c := Check{Check: "entries", Verdict: Pass, Counts: true}
	missing, sources := wanted(j.Rules.BatchEntries, func(entry string) (n, want int) {
		switch entry {
		case "product":
			return filled(m.Product), 1
		case "amount":
			return filled(m.Amount), 1
		case "outlet_opened":
			return max(filled(m.OutletOpened), filled(m.HoldMarked.End)), 1
		case "batch":
			if m.Unnumbered {
				return 0, 1
			}
			return filled(m.Batch.Batch), 1
		case "hold_marked":
			return filled(m.HoldMarked.End), 1
		case "indicating":
			return timed(m.indicating), 1
		case "airspace":
			if j.Rules.Airspace != nil {
				return timed(m.air), j.Rules.Airspace.Readings
			}
			return timed(m.air), 1
		}
		return 0, 1
	})
	c.Source = strings.Join(sources, "; ")
	c.Reason = "all required entries are there"
	if len(sources) == 0 {
		c.Reason = "this rule set asks for none"
	}
	switch {
	case len(missing) > 0:
		c.Verdict, c.Reason = Fail, "not written: "+strings.Join(missing, ", ")
	case len(m.compared) == 0:
		c.Verdict, c.Reason = Undecided, c.Reason+", but no indicating reading is written"
	}
	if m.Unusual != "" {
		c.Reason += fmt.Sprintf("; unusual occurrence written: %q", m.Unusual)
	}
	return c
}

func filled(s string) int {
	if strings.TrimSpace(s) == "" {
		return 0
	}
	return 1
}

// timed counts the readings at different written times.
func timed(rs []reading) int {
	seen := map[float64]bool{}
	for _, r := range rs {
		if r.known {
			seen[r.at] = true
		}
	}
	return len(seen)
}

// marked tells the hold as inscribed on the chart beside the one the pen shows; information.
func (j *judge) marked(m *matter, h held) *Check {
	from, u1, ok1 := j.when(m.HoldMarked.Start, j.first)
	to, u2, ok2 := j.when(m.HoldMarked.End, j.first)
	if !ok1 || !ok2 {
		return nil
	}
	minutes := math.Mod(to-from+24*3600, 24*3600) / 60
	c := &Check{Check: "marked", Verdict: Pass, Unit: "min", Measured: clip(minutes), U: clip(math.Hypot(u1, u2) / 60), Source: "inscribed on the chart",
		Reason: fmt.Sprintf("marked from %s to %s, %.1f min; the pen shows %.1f min", m.HoldMarked.Start, m.HoldMarked.End, minutes, h.shown)}
	if h.hold == nil || minutes > h.upper+j.k**c.U {
		c.Verdict = Undecided
		c.Reason += ": the marks claim more than the pen shows"
	}
	return c
}
