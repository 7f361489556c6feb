package across

import (
	"math"
	"slices"
	"time"

	"penarm/verify/archive/ledger"
)

// How traces are compared. The figures are from charts scanned twice, the second time
// turned and smaller or photocopied in grey: nine in ten of their minutes agree within
// a third of a degree, where the start is fitted to some seconds.
const (
	tolerance = 3    // tenths of °F
	skew      = 0.08 // minutes by which the times of two readings may differ
	shortest  = 40   // minutes of line, below which a trace is too common to tell anything
	rise      = 300  // tenths of °F: nor does one that moves less
	coarse    = 5    // minutes between the points looked at first
	slack     = 4    // minutes by which a trace's start, or a chart's hour, may be misread
)

// pair is two records, by index, whose traces agree.
type pair struct{ a, b, agree, common int }

// shape is a trace made ready to be compared: from its first to its last ink.
type shape struct {
	index  int
	t      ledger.Trace
	minute int // of the day at which it starts, -1 not known
}

// bounds are how far a line that agrees with a shape may lie from it. They are made
// for one shape at a time, as thousands would fill the memory.
type bounds struct {
	*shape
	lo, hi []int16    // least and greatest within slack of every coarse minute
	near   [][2]int16 // least and greatest within a minute of every minute
}

// of makes the bounds of a shape, in the memory of the last one.
func (b *bounds) of(s *shape) {
	b.shape, b.lo, b.hi, b.near = s, b.lo[:0], b.hi[:0], b.near[:0]
	for m := 0; m < len(s.t); m += coarse {
		lo, hi := around(s.t, m, slack)
		b.lo, b.hi = append(b.lo, lo), append(b.hi, hi)
	}
	for m := range s.t {
		lo, hi := around(s.t, m, 1)
		b.near = append(b.near, [2]int16{lo - 2*tolerance, hi + 2*tolerance})
	}
}

// sameTraces finds the pairs of records that show one line. The series itself is
// compared, so that it does not matter how a chart was scanned. Two traces are laid
// upon each other by their starts, their ends, and the time of day, for either end may be cut off.
func sameTraces(records []ledger.Record) []pair {
	var shapes []shape
	for i, r := range records {
		if s, ok := shaped(i, r); ok {
			shapes = append(shapes, s)
		}
	}
	var out []pair
	var a bounds
	for i := range shapes {
		a.of(&shapes[i])
		for j := i + 1; j < len(shapes); j++ {
			if p, ok := same(&a, &shapes[j]); ok {
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
	if len(ink) < shortest || int(slices.Max(ink))-int(slices.Min(ink)) < rise {
		return shape{}, false
	}
	s := shape{index: index, t: t, minute: -1}
	if !r.From.IsZero() {
		first := r.From.Add(time.Minute - time.Nanosecond).Truncate(time.Minute)
		s.minute = (first.Hour()*60 + first.Minute() + skipped) % 720
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
func same(a *bounds, b *shape) (pair, bool) {
	lags := append(make([]int, 0, 3), 0)
	add := func(lag int) {
		if !slices.ContainsFunc(lags, func(l int) bool { return lag >= l-slack && lag <= l+slack }) {
			lags = append(lags, lag)
		}
	}
	add(len(a.t) - len(b.t))
	if a.minute >= 0 && b.minute >= 0 {
		lag := ((b.minute-a.minute)%720 + 720) % 720
		if lag >= 360 {
			lag -= 720
		}
		add(lag)
	}
	var best pair
	for _, lag := range lags {
		if !near(a, b, lag) {
			continue
		}
		whole, roughly := lag, pair{}
		for l := lag - slack; l <= lag+slack; l++ {
			if p := rough(a, b, l); p.agree*max(1, roughly.common) > roughly.agree*p.common {
				whole, roughly = l, p
			}
		}
		if !enough(a.shape, b, roughly) {
			continue
		}
		for step := -20; step <= 20; step++ {
			if p := exact(a.shape, b, float64(whole)+float64(step)/20); p.agree*max(1, best.common) > best.agree*p.common {
				best = p
			}
		}
	}
	return best, enough(a.shape, b, best)
}

// enough: 93 in 100 common minutes, over four fifths of the shorter trace.
func enough(a, b *shape, p pair) bool {
	return p.common >= shortest && 5*p.common >= 4*min(len(a.t), len(b.t)) && 100*p.agree >= 93*p.common
}

// near is quick: it looks at few points, with room for the slack, and gives up soon.
func near(a *bounds, b *shape, lag int) bool {
	off, seen := 0, 0
	for k := range a.lo {
		m := k*coarse - lag
		if m < 0 || m >= len(b.t) || a.lo[k] == ledger.NoInk || b.t[m] == ledger.NoInk {
			continue
		}
		seen++
		if v := b.t[m]; v < a.lo[k]-2*tolerance || v > a.hi[k]+2*tolerance {
			if off++; off > 2+len(a.lo)/14 {
				return false
			}
		}
	}
	return seen >= 4 && off*10 <= seen
}

// rough counts the common minutes and those in which b passes near a's minute or one
// of its neighbours; it gives up, with none, where these will be too few.
func rough(a *bounds, b *shape, lag int) pair {
	p := pair{a: a.index, b: b.index}
	from, to := max(0, -lag), min(len(b.t), len(a.t)-lag)
	off := 0
	for m := from; m < to; m++ {
		v := b.t[m]
		if v == ledger.NoInk || a.t[m+lag] == ledger.NoInk {
			continue
		}
		p.common++
		if w := a.near[m+lag]; v >= w[0] && v <= w[1] {
			p.agree++
		} else if off++; 100*off > 7*(to-from) {
			return pair{}
		}
	}
	return p
}

// exact counts the same with a read between its minutes.
func exact(a, b *shape, lag float64) pair {
	p := pair{a: a.index, b: b.index}
	whole := math.Floor(lag)
	f := lag - whole
	for m, v := range b.t {
		i := m + int(whole)
		if v == ledger.NoInk || i < 0 || i+1 >= len(a.t) || a.t[i] == ledger.NoInk || a.t[i+1] == ledger.NoInk {
			continue
		}
		p.common++
		slope := float64(a.t[i+1]) - float64(a.t[i])
		if math.Abs(float64(a.t[i])+slope*f-float64(v)) <= tolerance+skew*math.Abs(slope) {
			p.agree++
		}
	}
	return p
}
