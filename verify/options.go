package verify

import (
	"fmt"
	"math"
	"slices"

	"penarm/verify/rules"
)

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
		if first || milder(b.Verdict, best.Verdict) || b.Verdict == best.Verdict && milder(holdOf(b), holdOf(best)) {
			best, first = b, false
		}
	}
	if first {
		best = Batch{Batch: m.Batch.Batch, Product: m.Product, Unit: j.unit, Verdict: Undecided, Checks: []Check{{Check: "hold", Verdict: Undecided, Counts: true,
			Source: row.Options[0].Cited.String(), Reason: fmt.Sprintf("%s prints no temperature in °%s and the program converts none: choose a rule set that does", j.Rules.Title, j.unit)}}}
	}
	noteHold(&best, note)
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
	s := j.matchBoth(m, legal)
	if !j.HourKnown {
		s = j.byOrder(legal, i, n)
	}
	h := j.measure(s, legal, m.compared)
	if v, _ := h.lasts(o.Minutes); v == Fail {
		if why := j.beyond(m); why != "" {
			h.doubt, h.all = why, false
		}
	}
	b := Batch{Batch: m.Batch.Batch, Product: m.Product, Unit: j.unit, Legal: legal, Hold: h.hold, Checks: []Check{j.holdCheck(h, o)}}
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

// noteHold adds words, where there are any, to what is said of a batch's hold.
func noteHold(b *Batch, note string) {
	for i := range b.Checks {
		if note != "" && b.Checks[i].Check == "hold" {
			b.Checks[i].Reason += "; " + note
		}
	}
}
