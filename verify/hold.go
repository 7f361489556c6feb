package verify

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"penarm/verify/rules"
)

// held is a batch's hold, measured. All minutes are as the clock test corrects them.
type held struct {
	legal        float64
	hold         *Hold
	run          run     // the one reported
	sure         run     // the longest with gaps counted as below
	shown        float64 // longest run, gaps counted as below
	whole        float64 // longest run, gaps counted as above
	lower, upper float64 // what the guard band leaves of the one, and adds to the other
	u            float64 // of the run reported
	cut          bool    // the run may go on beyond an end of the trace
	astray       bool    // upper holds a dip that weak ink alone shows
	doubt        string
	all          bool    // as of share
	lowered      float64 // degrees that the recorder reads high
	places       []Place
}

// measure finds the batch's longest unbroken run at or above the legal temperature and
// how long it is at least and at most. JCGM 106:2012 section 8: the guard band is k
// standard uncertainties of the minutes, and the run of the whole trace shifted by what
// its samples have in common. A gap is below for the least and above for the most.
func (j *judge) measure(s share, legal float64, cs []comparison) held {
	h := held{legal: legal, doubt: s.doubt, all: s.all}
	if len(j.product.nodes) == 0 { // ink too faint for the scan is no proof that the milk was cold
		h.doubt, h.all = "no line of the product pen was found: look at the paper", false
	}
	high, most, least := math.Inf(-1), math.Inf(-1), math.Inf(-1) // that the recorder reads: as compared, at most and at least
	for _, c := range cs {
		if c.far && c.high() > 0 {
			h.doubt = fmt.Sprintf("the pen stands %.1f above the indicating thermometer's %s: was it read then?", c.high(), c.label)
		}
		if c.seen {
			high, most, least = math.Max(high, c.high()), math.Max(most, c.high()+j.k*c.u), math.Max(least, c.high()-j.k*c.u)
		}
	}
	h.lowered = math.Max(0, high)
	longest := func(sh shift, above bool) run { return longestOf(j.either.runs(legal, sh, above), s, above) }
	below, above := longest(shift{fixed: -h.lowered}, false), longest(shift{fixed: -h.lowered}, true)
	below, above = j.bounded(below, legal, -h.lowered, false), j.bounded(above, legal, -h.lowered, true)
	shortest := longest(shift{fixed: -math.Max(0, most), by: -j.k}, false)
	largest := longestOf(j.either.joined(j.either.runs(legal, shift{fixed: -math.Max(0, least), by: j.k}, true)), s, true)

	h.shown, h.whole = below.minutes()*j.fast, above.minutes()*j.fast
	h.lower = math.Min(shortest.minutes(), below.minutes()-j.k*below.u()) * j.fast
	h.upper = math.Max(largest.minutes(), above.minutes()+j.k*above.u()) * j.fast
	h.cut, h.astray = largest.open || above.open, largest.astray
	h.run, h.sure = below, below
	if above.gap && above.inked {
		if r := j.either.inked(above, legal, -h.lowered); r.minutes() > below.minutes() {
			h.run = r
		}
	}
	if h.run.minutes() <= 0 {
		return h
	}
	h.u = h.run.u() * j.fast
	low := j.lowest(h.run)
	h.hold = &Hold{Start: LocalTime{j.product.at(h.run.from)}, End: LocalTime{j.product.at(h.run.to)},
		Minutes: *clip(h.run.minutes() * j.fast), UMinutes: *clip(h.u), Lowest: *clip(low.temp - h.lowered), ULowest: *clip(low.uTemp), LowestAt: LocalTime{j.product.origin.Add(time.Duration(low.t * 1e9))}}
	for _, g := range j.either.gaps() {
		if g[0] >= h.run.from-1 && g[1] <= h.run.to+1 {
			h.places = append(h.places, j.place("product", g[0], g[1], "no sure ink"))
		}
	}
	return h
}

// beyond tells of a reading written for a time before the chart's line begins, or after it ends: ink too faint for the scan is no
// proof that the milk was cold.
func (j *judge) beyond(m *matter) string {
	n := len(j.product.nodes)
	if n == 0 || !j.HourKnown {
		return ""
	}
	for _, r := range slices.Concat(m.indicating, m.air) {
		if r.known && (r.at < j.product.begins-besides || r.at > j.product.nodes[n-1].t+besides) {
			return fmt.Sprintf("written %s lies where no line of the product pen was found: look at the paper", r.label)
		}
	}
	return ""
}

// bounded keeps the uncertainty of a run's ends within what the whole trace, shifted by k
// standard uncertainties up and down, allows: the slope at a crossing says nothing of the
// minutes around it, and a flat one there would let a hold last beyond all ink near the limit.
func (j *judge) bounded(r run, legal, fixed float64, gaps bool) run {
	if r.to <= r.from {
		return r
	}
	from, to := r.to-r.from, r.to-r.from // how far each end may move, in seconds
	touch := func(o run) bool { return o.from <= r.to && o.to >= r.from }
	lower := slices.DeleteFunc(slices.Clone(j.either.runs(legal, shift{fixed, -j.k}, gaps)), func(o run) bool { return !touch(o) })
	if n := len(lower); n > 0 {
		from, to = lower[0].from-r.from, r.to-lower[n-1].to
	}
	for _, o := range j.either.runs(legal, shift{fixed, j.k}, gaps) {
		if touch(o) {
			from, to = math.Max(from, r.from-o.from), math.Max(to, o.to-r.to)
		}
	}
	r.uFrom = math.Min(r.uFrom, math.Hypot(from/j.k, r.tFrom))
	r.uTo = math.Min(r.uTo, math.Hypot(to/j.k, r.tTo))
	return r
}

func longestOf(rs []run, s share, gaps bool) (best run) {
	for _, r := range rs {
		if s.has(r) && r.to-r.from > best.to-best.from && (r.from >= s.from-near || gaps && r.gap) {
			best = r
		}
	}
	return best
}

// narrow is the width in seconds of a dip that no pen can draw: less than a third of a
// line's width on a chart of 12 h. It keeps a hold from passing but does not fail it. Common practice, no source.
const narrow = 15.0

// astray is the longest dip in seconds that other ink may have led the reader into, a word written over the line, where at
// least astrayWeak of it is weak. Common practice, no source.
const (
	astray     = 600.0
	astrayWeak = 0.8
)

// joined bridges such dips, for the most that a hold may last.
func (tr *trace) joined(rs []run) (out []run) {
	weak := func(from, to float64) bool {
		ns, n := tr.within(from, to), 0
		for _, p := range ns {
			if p.weak {
				n++
			}
		}
		return to-from < astray && n > 0 && float64(n) >= astrayWeak*float64(len(ns))
	}
	for _, r := range rs {
		if n := len(out); n > 0 && (r.from-out[n-1].to < narrow || weak(out[n-1].to, r.from)) {
			l := &out[n-1]
			l.astray = l.astray || r.from-l.to >= narrow
			l.to, l.uTo, l.tTo, l.open, l.gap, l.inked = r.to, r.uTo, r.tTo, l.open || r.open, l.gap || r.gap, l.inked || r.inked
			continue
		}
		out = append(out, r)
	}
	return out
}

// lowest of the run more than two minutes inside both ends; of the whole of a shorter one.
func (j *judge) lowest(r run) node {
	from, to := r.from+120, r.to-120
	if from >= to {
		from, to = r.from, r.to
	}
	for _, inside := range [][]node{j.either.within(from, to), j.either.within(r.from, r.to)} {
		if len(inside) > 0 {
			n := slices.MinFunc(inside, func(a, b node) int { return cmp.Compare(a.temp-a.below, b.temp-b.below) })
			n.temp -= n.below
			return n
		}
	}
	mid := (r.from + r.to) / 2
	v, u, _ := j.either.value(mid)
	return node{t: mid, temp: v, uTemp: u}
}

func (j *judge) place(pen string, from, to float64, text string) Place {
	return Place{Pen: pen, From: LocalTime{j.product.at(from)}, To: LocalTime{j.product.at(to)}, Text: text}
}

// exact absorbs the rounding of sums of seconds, in minutes.
const exact = 1e-6

// lasts judges a hold against the minutes asked for.
func (h held) lasts(minutes float64) (Verdict, string) {
	var why []string
	v := Undecided
	switch {
	case h.lower >= minutes-exact:
		v = Pass
	case h.upper < minutes-exact:
		v = Fail
	}
	if v == Fail && h.cut {
		v = Undecided
		why = append(why, "the trace begins or ends hot: the rest may stand on another chart")
	}
	if v == Undecided && len(why) == 0 {
		switch {
		case h.astray:
			why = append(why, fmt.Sprintf("%.1f min but for a dip that only faint ink shows, or such as other ink crosses: look at the paper", h.upper))
		case h.whole > h.shown:
			why = append(why, fmt.Sprintf("%.1f min without the part where no line is sure, %.1f min with it", h.shown, h.whole))
		default:
			why = append(why, fmt.Sprintf("between %.1f and %.1f min at the guard band: look at the paper", math.Max(0, h.lower), h.upper))
		}
	}
	if h.doubt != "" && (v != Fail || !h.all) {
		v = Undecided
		why = append(why, h.doubt)
	}
	return v, strings.Join(why, "; ")
}

// lengthCheck is a check on the hold's minutes.
func (j *judge) lengthCheck(name string, h held, minutes float64, c rules.Cited, words string) Check {
	v, why := h.lasts(minutes)
	out := Check{Check: name, Verdict: v, Counts: true, Unit: "min", Limit: clip(minutes), Measured: clip(h.shown), U: clip(h.u), Source: c.String()}
	if h.hold == nil {
		out.U = nil
		out.Reason = fmt.Sprintf("no run at or above %s %s", j.deg(h.legal), words)
	} else {
		out.Reason = fmt.Sprintf("longest unbroken run at or above %s from %s to %s %s", j.deg(h.legal), h.hold.Start.Clock(), h.hold.End.Clock(), words)
		out.Places = append([]Place{j.place("product", h.run.from, h.run.to, name)}, h.places...)
	}
	if j.Form != nil && j.Form.Unit != j.unit {
		out.Reason += fmt.Sprintf("; that is %s, as the chart is printed", degrees(Converted(h.legal, j.unit, j.Form.Unit), j.Form.Unit))
	}
	if slices.ContainsFunc(j.either.within(h.run.from, h.run.to), func(n node) bool { return n.below+n.above > 0 }) {
		out.Reason += "; where two lines compete, by the colder"
	}
	if h.lowered > 0 {
		out.Reason += fmt.Sprintf("; lowered by %.2f °%s, the recorder reading above the indicating thermometer", h.lowered, j.unit)
	}
	if j.fast < 1 {
		out.Reason += fmt.Sprintf("; shown minutes times %.4f, the clock having run fast at its test", j.fast)
	}
	if why != "" {
		out.Reason += "; " + why
	}
	return out
}

func (j *judge) holdCheck(h held, o rules.Option) Check {
	return j.lengthCheck("hold", h, o.Minutes, o.Cited, fmt.Sprintf("for the legal %g min", o.Minutes))
}

// highestCheck is of the few laws that also have an upper limit.
func (j *judge) highestCheck(h held, o rules.Option) Check {
	limit, _ := j.law(*o.Highest)
	c := Check{Check: "highest", Counts: true, Limit: clip(limit), Unit: j.unit, Source: o.Cited.String(), Verdict: Undecided, Reason: "no hold to judge"}
	if h.hold == nil {
		return c
	}
	top, uTop, sure, may := math.Inf(-1), 0.0, math.Inf(-1), math.Inf(-1)
	for _, n := range j.either.within(h.run.from, h.run.to) {
		if n.temp > top {
			top, uTop = n.temp, n.uTemp
		}
		sure, may = math.Max(sure, n.temp-n.below-j.k*n.uTemp), math.Max(may, n.temp+n.above+j.k*n.uTemp)
	}
	c.Measured, c.U = clip(top), clip(uTop)
	c.Reason = fmt.Sprintf("highest of the hold against the law's upper limit of %s", j.deg(limit))
	switch {
	case h.doubt != "":
		c.Reason += "; " + h.doubt
	case may <= limit && len(h.places) == 0:
		c.Verdict = Pass
	case sure > limit:
		c.Verdict = Fail
	}
	return c
}
