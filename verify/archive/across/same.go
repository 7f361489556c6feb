package across

import (
	"slices"
	"time"

	"penarm/verify/archive/ledger"
)

// How traces are compared, in minutes and tenths of °F.
const (
	tolerance = 6   // two readings of one line on paper and on its photocopy differ by less
	shortest  = 40  // minutes of line, below which a trace is too common to tell anything
	range0    = 300 // tenths: nor does one that moves less than 30 °F
	coarse    = 10  // minutes between the points looked at first
	slack     = 4   // minutes by which a trace's start, or a chart's hour, may be misread
)

// pair is two records, by index, whose traces agree.
type pair struct{ a, b, agree, common int }

// shape is a trace made ready to be compared: from its first to its last ink.
type shape struct {
	index  int
	t      ledger.Trace
	minute int     // of the day at which it starts, -1 not known
	lo, hi []int16 // least and greatest within slack of every coarse minute
}

// sameTraces finds the pairs of records that show one line. The series itself is
// compared, so that it does not matter how a chart was scanned. Two traces are laid
// upon each other by their starts, and by the time of day for those whose start is cut off.
func sameTraces(records []ledger.Record) []pair {
	var shapes []shape
	for i, r := range records {
		if s, ok := shaped(i, r); ok {
			shapes = append(shapes, s)
		}
	}
	var out []pair
	for i := range shapes {
		a := &shapes[i]
		for j := i + 1; j < len(shapes); j++ {
			if p, ok := same(a, &shapes[j]); ok {
				out = append(out, p)
			}
		}
	}
	return out
}

func shaped(index int, r ledger.Record) (shape, bool) {
	t := r.Trace
	skipped := 0
	for len(t) > 0 && t[0] == ledger.NoInk {
		t = t[1:]
		skipped++
	}
	for len(t) > 0 && t[len(t)-1] == ledger.NoInk {
		t = t[:len(t)-1]
	}
	ink := slices.DeleteFunc(slices.Clone(t), func(v int16) bool { return v == ledger.NoInk })
	if len(ink) < shortest || int(slices.Max(ink))-int(slices.Min(ink)) < range0 {
		return shape{}, false
	}
	s := shape{index: index, t: t, minute: -1}
	if !r.From.IsZero() {
		first := r.From.Add(time.Minute - time.Nanosecond).Truncate(time.Minute)
		s.minute = (first.Hour()*60 + first.Minute() + skipped) % 720
	}
	for m := 0; m < len(t); m += coarse {
		lo, hi := around(t, m, slack)
		s.lo, s.hi = append(s.lo, lo), append(s.hi, hi)
	}
	return s, true
}

// around gives the least and greatest value within w minutes of m: NoInk where there is none.
func around(t ledger.Trace, m, w int) (lo, hi int16) {
	lo, hi = ledger.NoInk, ledger.NoInk
	for _, v := range t[max(0, m-w):max(0, min(len(t), m+w+1))] {
		if v == ledger.NoInk {
			continue
		}
		if lo == ledger.NoInk || v < lo {
			lo = v
		}
		if hi == ledger.NoInk || v > hi {
			hi = v
		}
	}
	return lo, hi
}

// same compares two shapes at the lags that are possible: b's minute 0 at a's minute lag.
func same(a, b *shape) (pair, bool) {
	lags := []int{0}
	if a.minute >= 0 && b.minute >= 0 {
		lag := ((b.minute-a.minute)%720 + 720) % 720
		if lag >= 360 {
			lag -= 720
		}
		if lag < -slack || lag > slack {
			lags = append(lags, lag)
		}
	}
	var best pair
	for _, lag := range lags {
		if !near(a, b, lag) {
			continue
		}
		for l := lag - slack; l <= lag+slack; l++ {
			if p := agreement(a, b, l); p.agree*max(1, best.common) > best.agree*p.common {
				best = p
			}
		}
	}
	// Nineteen in twenty minutes, over four fifths of the shorter trace.
	return best, best.common >= shortest && 5*best.common >= 4*min(len(a.t), len(b.t)) && 20*best.agree >= 19*best.common
}

// near is quick: it looks at few points, with room for the slack, and gives up soon.
func near(a, b *shape, lag int) bool {
	off, seen := 0, 0
	for k := range a.lo {
		m := k*coarse - lag
		if m < 0 || m >= len(b.t) || a.lo[k] == ledger.NoInk || b.t[m] == ledger.NoInk {
			continue
		}
		seen++
		if v := b.t[m]; v < a.lo[k]-tolerance || v > a.hi[k]+tolerance {
			if off++; off > 2+len(a.lo)/12 {
				return false
			}
		}
	}
	return seen >= 4 && off*8 <= seen
}

// agreement counts the common minutes and those in which either line passes within
// the tolerance of the other's minute, which lets them be up to a minute apart where it is steep.
func agreement(a, b *shape, lag int) pair {
	p := pair{a: a.index, b: b.index}
	for m, v := range b.t {
		if v == ledger.NoInk || m+lag < 0 || m+lag >= len(a.t) || a.t[m+lag] == ledger.NoInk {
			continue
		}
		p.common++
		lo, hi := around(a.t, m+lag, 1)
		if v >= lo-tolerance && v <= hi+tolerance {
			p.agree++
		}
	}
	return p
}
