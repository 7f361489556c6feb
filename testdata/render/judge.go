package render

import (
	"math"
	"sort"
)

// longest is the longest unbroken run at or above a level: its ends, crossings
// interpolated between samples. Samples under gap count as above or below.
func longest(t, v []float64, gap []bool, level float64, gapAbove bool) (start, end float64, ok bool) {
	above := func(i int) bool {
		if gap != nil && gap[i] {
			return gapAbove
		}
		return v[i] >= level
	}
	inked := func(i int) bool { return gap == nil || !gap[i] }
	for i := 0; i < len(t); i++ {
		if !above(i) {
			continue
		}
		j := i
		for j+1 < len(t) && above(j+1) {
			j++
		}
		s, e := t[i], t[j]
		if i > 0 && inked(i) && inked(i-1) && v[i] != v[i-1] {
			s = t[i] - (t[i]-t[i-1])*(v[i]-level)/(v[i]-v[i-1])
		}
		if j+1 < len(t) && inked(j) && inked(j+1) && v[j] != v[j+1] {
			e = t[j] + (t[j+1]-t[j])*(v[j]-level)/(v[j]-v[j+1])
		}
		if !ok || e-s > end-start {
			start, end, ok = s, e, true
		}
		i = j
	}
	return start, end, ok
}

// How far off a fair reading may be before the accepted verdicts must not hang on it.
const (
	fairMM = 0.12
	fairS  = 15.0
)

// set of verdicts, kept in the order pass, undecided, fail.
func set(v ...string) []string {
	rank := map[string]int{"pass": 0, "undecided": 1, "fail": 2}
	seen := map[string]bool{}
	out := []string{}
	for _, s := range v {
		if !seen[s] {
			seen[s] = true
			out = append(out, s)
		}
	}
	sort.Slice(out, func(i, j int) bool { return rank[out[i]] < rank[out[j]] })
	return out
}

func has(s []string, v string) bool {
	for _, x := range s {
		if x == v {
			return true
		}
	}
	return false
}

// worst is the set of verdicts that several checks, each free within its own set, can come to.
func worst(sets [][]string) []string {
	order := []string{"pass", "undecided", "fail"}
	var out []string
	for k, v := range order {
		reach, possible := false, true
		for _, s := range sets {
			fits := false
			for _, w := range order[:k+1] {
				fits = fits || has(s, w)
			}
			possible = possible && fits
			reach = reach || has(s, v)
		}
		if possible && (reach || (k == 0)) {
			out = append(out, v)
		}
	}
	return set(out...)
}

// span judges a length of hold: shown with the gap below and above, against the need in minutes.
func span(below, above, need float64) string {
	switch {
	case below >= need:
		return "pass"
	case above < need:
		return "fail"
	}
	return "undecided"
}

// judged is what the drawn truth says of one batch.
type judged struct {
	level, lowered, diff float64
	start, end           float64
	minutes              float64
	below, above, whole  float64 // minutes: gaps below, gaps above, reading not lowered
	lowest, lowestInside float64
	hold                 bool
	need                 float64
	diffKnown            bool
	checks               map[string][]string
}

// judge decides one batch by the drawn lines, accepting undecided wherever a
// reading that is a little off (fairMM, fairS) would turn the verdict.
func (s *Scene) judge(b *Batch) judged {
	p := s.pen("product")
	lo, hi := sort.SearchFloat64s(p.T0, b.Fill), sort.SearchFloat64s(p.T0, b.Close)
	t, v, gap := p.Clock[lo:hi], p.Value[lo:hi], p.Gap[lo:hi]
	j := judged{level: b.Legal, need: 30, checks: map[string][]string{}}
	k := s.ratio
	dT := fairMM / s.mmPerDegree(b.Legal)
	minutes := func(level float64, above bool) float64 {
		a, z, ok := longest(t, v, gap, level, above)
		if !ok {
			return 0
		}
		return (z - a) / 60 * k
	}
	j.whole = minutes(b.Legal, true)

	// Agreement of recording and indicating thermometer.
	agree := "pass"
	loose := false
	if len(b.Indicating) == 0 {
		j.checks["agreement"] = set("undecided", "fail")
	} else {
		q := b.Indicating[0]
		at, ok := p.at(q.At)
		a, _ := p.at(q.At - 30)
		z, _ := p.at(q.At + 30)
		j.diff, j.diffKnown = at-q.Reads, ok
		slack := dT + math.Max(math.Abs(a-at), math.Abs(z-at))
		if j.diff > 0 {
			agree = "fail"
			j.lowered = j.diff
		}
		loose = math.Abs(j.diff) < slack || !ok
		j.checks["agreement"] = set(agree)
		if loose {
			j.checks["agreement"] = set(agree, "undecided")
		}
	}
	j.level += j.lowered

	j.start, j.end, j.hold = longest(t, v, gap, j.level, true)
	j.minutes = (j.end - j.start) / 60
	j.below, j.above = minutes(j.level, false), minutes(j.level, true)
	j.lowest, j.lowestInside = math.Inf(1), math.Inf(1)
	for i := range t {
		if !gap[i] && t[i] >= j.start && t[i] <= j.end {
			j.lowest = math.Min(j.lowest, v[i])
			if t[i] > j.start+120 && t[i] < j.end-120 {
				j.lowestInside = math.Min(j.lowestInside, v[i])
			}
		}
	}
	length := func(need float64) []string {
		nominal := span(j.below, j.above, need)
		out := []string{nominal}
		for _, d := range []float64{-dT, 0, dT} {
			for _, m := range []float64{-fairS / 60, 0, fairS / 60} {
				if span(minutes(j.level+d, false)+m, minutes(j.level+d, true)+m, need) != nominal {
					out = append(out, "undecided")
				}
			}
		}
		if loose && j.whole != j.above {
			out = append(out, "undecided")
		}
		if s.blotted(j.start, j.end) || s.turnedIn(j.start, j.end) {
			out = append(out, "undecided")
		}
		return set(out...)
	}
	hold := length(30)
	if s.turnedIn(j.start, j.end) {
		hold = set("pass", "undecided", "fail") // record does not pass; what the shown length is worth is open
	}
	more := ""
	if b.Outside {
		j.need += s.Vat.Emptying
		more = "emptying"
	}
	if b.Preheated {
		j.need += s.Vat.Filling
		if more == "" {
			more = "filling"
		} else {
			j.checks["filling"] = length(j.need)
		}
	}
	j.checks["hold"] = hold
	if more != "" {
		full := length(j.need)
		j.checks[more] = full
		if more == "emptying" && b.Preheated {
			j.checks["filling"] = full
		}
		// Whether the legal time alone or the whole need stands under "hold" is a matter of layout.
		j.checks["hold"] = set(append(append([]string{}, hold...), full...)...)
	}

	// Outlet, against the beginning of the hold.
	switch {
	case b.NoOutlet:
		j.checks["outlet"] = set("undecided", "fail")
	case !j.hold || has(hold, "fail") || j.below < 30:
		j.checks["outlet"] = set("pass", "undecided", "fail")
	default:
		spare := b.Outlet - j.start - 1800/k
		verdict := "pass"
		if spare < 0 {
			verdict = "fail"
		}
		j.checks["outlet"] = set(verdict)
		early, _, _ := longest(t, v, gap, j.level+dT, true)
		late, _, _ := longest(t, v, gap, j.level-dT, true)
		if math.Abs(spare) < fairS+30+math.Max(math.Abs(early-j.start), math.Abs(late-j.start)) {
			j.checks["outlet"] = set(verdict, "undecided")
		}
	}

	// Airspace: what is written, and its own pen through the hold.
	limit := b.Legal + s.margin()
	if len(b.Airspace) == 0 {
		j.checks["airspace"] = set("undecided", "fail")
	} else {
		a := "pass"
		open := false
		for _, q := range b.Airspace {
			if q.Reads < limit {
				a = "fail"
			}
		}
		if q := s.pen("airspace"); q != nil {
			d := fairMM / s.mmPerDegree(limit)
			least, tight := math.Inf(1), math.Inf(1)
			for i, c := range q.Clock {
				if q.Gap[i] || q.Flag[i] == '4' {
					continue
				}
				if c >= j.start && c <= j.end {
					least = math.Min(least, q.Value[i])
				}
				if c >= j.start-60 && c <= j.end+60 {
					tight = math.Min(tight, q.Value[i])
				}
			}
			if j.hold && least < limit {
				a = "fail"
			}
			open = math.Abs(least-limit) < d || (least >= limit && tight < limit+d) || s.sameInk()
		}
		j.checks["airspace"] = set(a)
		if open || !j.hold {
			j.checks["airspace"] = set(a, "undecided")
		}
		if written := len(b.Airspace); written < 2 {
			j.checks["airspace"] = set(append(j.checks["airspace"], "undecided", "fail")...)
		}
	}
	j.checks["entries"] = set("pass")
	if len(b.Indicating) == 0 || len(b.Airspace) < 2 || b.NoOutlet {
		j.checks["entries"] = set("undecided", "fail")
	}
	return j
}

// margin of the airspace over the legal temperature: 5 °F or 3 °C (Pasteurized Milk Ordinance, item 16p(A)2, from memory).
func (s *Scene) margin() float64 {
	f := 5.0
	if s.Form.Unit == "C" {
		f = 3 * 1.8
	}
	if s.Unit == "C" {
		return f / 1.8
	}
	return f
}
