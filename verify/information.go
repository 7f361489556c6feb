package verify

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"penarm/verify/rules"
)

// information beside the verdict: cooling after the hold, and equivalent minutes. Neither ever counts.
func (j *judge) information(h held, o rules.Option) (out []Check) {
	if h.hold == nil {
		return nil
	}
	if c := j.cooling(h); c != nil {
		out = append(out, *c)
	}
	if l := j.Rules.Lethality; l != nil {
		if z, ok := l.Z.In(j.unit); ok {
			m := Equivalent(j.either.times(h.sure.from, h.sure.to), j.either.temps(h.sure.from, h.sure.to, -h.lowered), h.legal, z) * j.fast
			out = append(out, Check{Check: "lethality", Verdict: Pass, Measured: clip(m), Unit: "min", Source: l.Cited.String(),
				Reason: fmt.Sprintf("equivalent minutes at %s with z = %s: information only, it never shortens the required hold", j.deg(h.legal), j.deg(z))})
		}
	}
	return out
}

func (tr *trace) times(from, to float64) (out []float64) {
	for _, n := range tr.within(from, to) {
		out = append(out, n.t)
	}
	return out
}

func (tr *trace) temps(from, to, add float64) (out []float64) {
	for _, n := range tr.within(from, to) {
		out = append(out, n.temp-n.below+add)
	}
	return out
}

// Equivalent gives the minutes at the reference temperature that a course of
// temperatures is worth: the integral of 10^((T − reference)/z) dt, trapezia of the
// integrand. seconds and temperatures have one length; z is in the temperatures' unit.
// Bigelow's model of thermal death; information only.
func Equivalent(seconds, temperatures []float64, reference, z float64) (minutes float64) {
	last := 0.0
	for i, v := range temperatures {
		rate := math.Exp((v - reference) / z * math.Ln10)
		if i > 0 {
			minutes += (seconds[i] - seconds[i-1]) / 60 * (rate + last) / 2
		}
		last = rate
	}
	return minutes
}

// coolMarksF are temperatures to which the time of cooling is told besides the law's own.
var coolMarksF, coolMarksC = []float64{120, 70}, []float64{50, 20}

// cooling tells how long the trace takes from the hold's end to the marks, sets it against
// the plant's own limits where it has some, and fits Newton's law of cooling to what the
// chart shows of it. A vat's history is told where many charts are read.
func (j *judge) cooling(h held) *Check {
	if h.cut {
		return nil
	}
	c := &Check{Check: "cooling", Verdict: Pass, Unit: "min", Source: "information: no law read gives a time for cooling"}
	marks := coolMarksF
	if j.unit == "C" {
		marks = coolMarksC
	}
	if t := j.Rules.CoolTo; t != nil {
		if v, ok := t.Temperature.In(j.unit); ok {
			marks = append(append([]float64{}, marks...), v)
			c.Source = t.Cited.String() + "; no time is given"
		}
	}
	end, low := h.run.to, math.Inf(1)
	fall := j.product.within(end, math.Inf(1))
	first := len(j.product.nodes) - len(fall)
	for i, n := range fall {
		if first+i > 0 && j.product.broken[first+i-1] && n.t > end+1 || n.temp > low+2/PerF(j.unit) {
			fall = fall[:i] // a gap, or it is heated again
			break
		}
		low = math.Min(low, n.temp)
	}
	if len(fall) < 10 || fall[len(fall)-1].t-end < 120 {
		return nil
	}
	reached := func(v float64) (minutes float64, ok bool) {
		i := slices.IndexFunc(fall, func(n node) bool { return n.temp <= v })
		if i < 0 {
			return (fall[len(fall)-1].t - end) / 60, false
		}
		return (fall[i].t - end) / 60, true
	}
	var why []string
	for _, m := range marks {
		if minutes, ok := reached(m); ok {
			why = append(why, fmt.Sprintf("%.0f min to %s", minutes, j.deg(m)))
			c.Measured = clip(minutes)
		}
	}
	if v := j.vat(); v != nil {
		for _, l := range v.CoolingLimits {
			minutes, ok := reached(j.own(l.To))
			words, verdict := fmt.Sprintf("the plant wants %s within %g min", degrees(l.To, j.plantUnit()), l.Minutes), Pass
			switch {
			case ok && minutes > l.Minutes:
				words, verdict = fmt.Sprintf("%s, it took %.0f", words, minutes), Fail
			case !ok && minutes > l.Minutes:
				words, verdict = fmt.Sprintf("%s, it was not so cold after %.0f", words, minutes), Fail
			case !ok:
				words, verdict = words+", the line ends or is heated again before", Undecided
			}
			if !milder(verdict, c.Verdict) {
				c.Measured, c.Limit = clip(minutes), clip(l.Minutes)
			}
			c.Verdict = Worst(c.Verdict, verdict)
			why = append(why, words)
		}
	}
	// A hundred points along the course say as much as thousands, for neighbours err together.
	step := len(fall)/100 + 1
	var fx, fy []float64
	for i := 0; i < len(fall); i += step {
		fx, fy = append(fx, fall[i].t-end), append(fy, fall[i].temp)
	}
	// A constant known to no better than a half says nothing.
	if n, ok := fitCooling(fx, fy); ok && 2*n.UTau < n.Tau/2 {
		why = append(why, strings.ReplaceAll(fmt.Sprintf("falls like a body in a coolant of %.1f ± %.1f °%s with a time constant of %.1f ± %.1f min",
			n.Coolant, 2*n.UCoolant, j.unit, n.Tau/60, 2*n.UTau/60), "of -", "of −"))
	}
	if len(why) == 0 {
		return nil
	}
	c.Reason = strings.Join(why, "; ")
	return c
}

// newtonian is a fitted course T(t) = Coolant + (Start − Coolant)·exp(−t/Tau): degrees
// and seconds, with standard uncertainties from the scatter about the fit.
type newtonian struct{ Start, Coolant, UCoolant, Tau, UTau float64 }

// fitCooling fits Newton's law of cooling by least squares: for each time constant
// the other two are linear; the best one is found by golden section over ten seconds to ten hours.
// False where the course is too straight to tell a time constant.
func fitCooling(seconds, temperatures []float64) (n newtonian, ok bool) {
	if len(seconds) < 4 {
		return n, false
	}
	xs := make([]float64, len(seconds))
	fit := func(logTau float64) (a, b, rss float64) {
		var s, sx, sy, sxx, sxy float64
		tau := math.Exp(logTau)
		for i, t := range seconds {
			x, y := math.Exp(-t/tau), temperatures[i]
			xs[i] = x
			s, sx, sy, sxx, sxy = s+1, sx+x, sy+y, sxx+x*x, sxy+x*y
		}
		den := s*sxx - sx*sx
		if den < 1e-12*s*s {
			return 0, 0, math.Inf(1)
		}
		b = (s*sxy - sx*sy) / den
		a = (sy - b*sx) / s
		for i, x := range xs {
			d := temperatures[i] - a - b*x
			rss += d * d
		}
		return a, b, rss
	}
	lo, hi := math.Log(10), math.Log(36000)
	const golden = 0.6180339887498949
	x1, x2 := hi-golden*(hi-lo), lo+golden*(hi-lo)
	_, _, f1 := fit(x1)
	_, _, f2 := fit(x2)
	for hi-lo > 1e-5 {
		if f1 <= f2 {
			hi, x2, f2 = x2, x1, f1
			x1 = hi - golden*(hi-lo)
			_, _, f1 = fit(x1)
		} else {
			lo, x1, f1 = x1, x2, f2
			x2 = lo + golden*(hi-lo)
			_, _, f2 = fit(x2)
		}
	}
	best := (lo + hi) / 2
	a, b, rss := fit(best)
	if b <= 0 || best > math.Log(35000) || best < math.Log(11) {
		return n, false
	}
	n = newtonian{Start: a + b, Coolant: a, Tau: math.Exp(best)}
	n.UCoolant, n.UTau, ok = coolingUncertainty(seconds, n, rss)
	return n, ok && n.UTau < n.Tau/2
}

// coolingUncertainty: inverse of the normal matrix times the residual variance (JCGM 100:2008 H.3 in three parameters).
func coolingUncertainty(seconds []float64, n newtonian, rss float64) (uCoolant, uTau float64, ok bool) {
	var m [3][3]float64
	for _, t := range seconds {
		e := math.Exp(-t / n.Tau)
		g := [3]float64{1 - e, e, (n.Start - n.Coolant) * e * t / (n.Tau * n.Tau)}
		for r := range g {
			for c := range g {
				m[r][c] += g[r] * g[c]
			}
		}
	}
	minor := func(a, b, c, d float64) float64 { return a*d - b*c }
	c00 := minor(m[1][1], m[1][2], m[2][1], m[2][2])
	c22 := minor(m[0][0], m[0][1], m[1][0], m[1][1])
	det := m[0][0]*c00 - m[0][1]*minor(m[1][0], m[1][2], m[2][0], m[2][2]) + m[0][2]*minor(m[1][0], m[1][1], m[2][0], m[2][1])
	if !(det > 0) {
		return 0, 0, false
	}
	s2 := rss / float64(max(1, len(seconds)-3))
	return math.Sqrt(s2 * c00 / det), math.Sqrt(s2 * c22 / det), true
}
