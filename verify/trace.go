package verify

import (
	"cmp"
	"math"
	"slices"
	"time"

	"penarm/digitize/series"
)

// node is one inked sample: seconds after the trace's origin, the temperature and
// its standard uncertainty in the series' unit, that of the time in seconds, and how far below and
// above the temperature the line lies that may be the pen's in its place; weak: faint, skipped or crossed by other ink.
type node struct {
	t, temp, uTemp, uTime, below, above float64
	weak                                bool
}

// trace is a series made ready for judging. broken[i] says that the paper shows
// nothing sure between node i and node i+1.
type trace struct {
	origin   time.Time
	begins   float64 // first ink, sure or not
	flattest float64 // see flattestF; in the series' unit
	nodes    []node
	broken   []bool
	backward []time.Time // samples that ran back in time, dropped
	known    map[asked][]run
}

// asked is one question to the trace for its runs.
type asked struct {
	level float64
	shift
	gapsAbove bool
}

// at and sec convert between the trace's seconds and clock time.
func (tr *trace) at(sec float64) time.Time {
	return tr.origin.Add(time.Duration(math.Round(sec*1e3)) * time.Millisecond)
}
func (tr *trace) sec(t time.Time) float64 { return t.Sub(tr.origin).Seconds() }

// newTrace drops the gaps and whatever the unsure events cover, but where a sample tells of its rival. A step longer than three
// usual ones is a gap too, a logger's missing rows: never one of a minute, and always one
// of a minute and a half, in which a dip could hide. Common practice, no source.
func newTrace(s series.Series, unit string, origin time.Time, unsure []series.Event) *trace {
	n := len(s.Samples)
	tr := &trace{origin: origin, flattest: flattestF / PerF(unit), nodes: make([]node, 0, n), broken: make([]bool, 0, n), known: map[asked][]run{}}
	steps := make([]float64, 0, n)
	gap, inked := false, false
	var before, after []node // hidden by events at the ends of the trace
	hottest := math.Inf(-1)  // of what is not
	for _, p := range s.Samples {
		t := tr.sec(p.Time)
		blank := p.Quality == series.Gap || !(math.Abs(p.Temperature) < 1e3)
		if !blank && !inked {
			tr.begins, inked = t, true
		}
		n := len(tr.nodes)
		own := math.Sqrt(math.Max(0, p.UTemperature*p.UTemperature-p.Rival*p.Rival/2))
		here := node{t, p.Temperature, sane(own), sane(p.UTime), math.Max(0, -p.Rival), math.Max(0, p.Rival), p.Quality == series.Weak && p.Reason != series.Tip && p.Rival == 0}
		if blank || math.IsNaN(p.Rival) || covered(unsure, p.Time) {
			gap = true
			switch {
			case blank:
			case n == 0:
				before = append(before, here)
			default:
				after = append(after, here)
			}
			continue
		}
		if n > 0 && t < tr.nodes[n-1].t {
			tr.backward = append(tr.backward, p.Time)
			continue
		}
		if n > 0 {
			tr.broken = append(tr.broken, gap || len(unsure) > 0 && crossed(unsure, tr.at(tr.nodes[n-1].t), p.Time))
			if !gap {
				steps = append(steps, t-tr.nodes[n-1].t)
			}
		}
		gap, after, hottest = false, nil, math.Max(hottest, here.temp)
		tr.nodes = append(tr.nodes, here)
	}
	// A heat may be hidden at an end of the trace, with nothing sure beyond it.
	hot := func(n node) bool { return n.temp >= hottest-heatBelowF/PerF(unit) }
	switch n := len(before); {
	case len(tr.nodes) == 0 && n > 1:
		tr.nodes, tr.broken = []node{before[0], before[n-1]}, []bool{true}
	case len(tr.nodes) > 0 && slices.ContainsFunc(before, hot) && before[0].t <= tr.nodes[0].t:
		tr.nodes, tr.broken = append(before[:1], tr.nodes...), append([]bool{true}, tr.broken...)
	}
	if slices.ContainsFunc(after, hot) && after[len(after)-1].t > tr.nodes[len(tr.nodes)-1].t {
		tr.nodes, tr.broken = append(tr.nodes, after[len(after)-1]), append(tr.broken, true)
	}
	if len(steps) > 0 {
		slices.Sort(steps)
		longest := math.Min(90, math.Max(60, 3*steps[len(steps)/2]))
		for i := range tr.broken {
			tr.broken[i] = tr.broken[i] || tr.nodes[i+1].t-tr.nodes[i].t > longest
		}
	}
	return tr
}

// sane is an uncertainty that can be reckoned with: what is none proves nothing.
func sane(u float64) float64 {
	if !(u >= 0 && u < 1e3) {
		return 1e3
	}
	return u
}

func covered(evs []series.Event, t time.Time) bool {
	return slices.ContainsFunc(evs, func(e series.Event) bool { return !t.Before(e.From) && !t.After(e.To) })
}

func crossed(evs []series.Event, a, b time.Time) bool {
	return slices.ContainsFunc(evs, func(e series.Event) bool { return a.Before(e.To) && b.After(e.From) || a.Equal(b) && a.Equal(e.From) })
}

// run is an unbroken stretch at or above a level, in the trace's seconds. uFrom and
// uTo are the standard uncertainties of its ends in seconds, tFrom and tTo the part of
// them that the samples' times have.
type run struct {
	from, to   float64
	uFrom, uTo float64
	tFrom, tTo float64
	open       bool // it touches an end of the trace: the paper does not show all of it
	gap        bool // a gap lies within it, or makes one of its ends
	inked      bool // ink, and not a gap alone, shows it
	astray     bool // with a dip that weak ink alone shows
}

func (r run) minutes() float64 { return (r.to - r.from) / 60 }

// u is the standard uncertainty of the run's minutes.
func (r run) u() float64 { return math.Hypot(r.uFrom, r.uTo) / 60 }

// shift is what is added to each node before it is compared: fixed, and by times its own uncertainty.
type shift struct{ fixed, by float64 }

// runs lists the stretches at or above the level, gaps counted as below it or as above it.
// The batches of a chart ask for the same ones: they share the answer, which none may change.
func (tr *trace) runs(level float64, s shift, gapsAbove bool) []run {
	q := asked{level, s, gapsAbove}
	out, ok := tr.known[q]
	if !ok && len(tr.nodes) > 0 {
		out = tr.findRuns(level, s, gapsAbove)
		tr.known[q] = out
	}
	return out
}

func (tr *trace) findRuns(level float64, s shift, gapsAbove bool) (out []run) {
	value := func(i int) float64 {
		n := tr.nodes[i]
		v := n.temp + s.fixed + s.by*n.uTemp
		if gapsAbove {
			return v + n.above
		}
		return v - n.below
	}
	var cur *run
	begin := func(t, u, uTime float64) { cur = &run{from: t, uFrom: u, tFrom: uTime} }
	end := func(t, u, uTime float64) {
		cur.to, cur.uTo, cur.tTo = t, u, uTime
		out = append(out, *cur)
		cur = nil
	}
	above := value(0) >= level
	if above {
		begin(tr.nodes[0].t, tr.nodes[0].uTime, tr.nodes[0].uTime)
		cur.open, cur.inked = true, true
	}
	for i := 0; i+1 < len(tr.nodes); i++ {
		a, b := tr.nodes[i], tr.nodes[i+1]
		next := value(i+1) >= level
		switch {
		case tr.broken[i] && gapsAbove:
			if cur == nil {
				begin(a.t, a.uTime, a.uTime)
			}
			cur.gap = true
			if !next {
				end(b.t, b.uTime, b.uTime)
			} else {
				cur.inked = true
			}
		case tr.broken[i]:
			if cur != nil {
				cur.gap = true
				end(a.t, a.uTime, a.uTime)
			}
			if next {
				begin(b.t, b.uTime, b.uTime)
				cur.gap, cur.inked = true, true
			}
		case above != next:
			t, u, uTime := tr.crossing(i, level, value)
			if next {
				begin(t, u, uTime)
				cur.inked = true
			} else {
				end(t, u, uTime)
			}
		}
		above = next
	}
	if cur != nil {
		cur.open = true
		last := tr.nodes[len(tr.nodes)-1]
		end(last.t, last.uTime, last.uTime)
	}
	return out
}

// inked takes off the ends of a run what only a gap counted as above adds to them.
func (tr *trace) inked(r run, level, fixed float64) run {
	ns := tr.within(r.from, r.to)
	for len(ns) > 1 && ns[0].temp+fixed < level {
		ns = ns[1:]
		r.from, r.uFrom, r.tFrom = ns[0].t, ns[0].uTime, ns[0].uTime
	}
	for len(ns) > 1 && ns[len(ns)-1].temp+fixed < level {
		ns = ns[:len(ns)-1]
		last := ns[len(ns)-1]
		r.to, r.uTo, r.tTo = last.t, last.uTime, last.uTime
	}
	return r
}

// crossing of the level between node i and the next, linear between them, with its
// standard uncertainty: that of the temperature over the local slope, and that of
// the time, uTime, in quadrature (JCGM 100:2008 5.1.2).
func (tr *trace) crossing(i int, level float64, value func(int) float64) (t, u, uTime float64) {
	a, b := tr.nodes[i], tr.nodes[i+1]
	va, vb := value(i), value(i+1)
	t = a.t + (b.t-a.t)*(level-va)/(vb-va)
	uTemp := (a.uTemp + b.uTemp) / 2
	uTime = (a.uTime + b.uTime) / 2
	slope := math.Abs(tr.slope(i, t))
	if math.IsInf(slope, 0) || uTemp == 0 {
		return t, uTime, uTime
	}
	return t, math.Hypot(uTemp/math.Max(slope, tr.flattest), uTime), uTime
}

// flattestF is the flattest slope in °F a second that a crossing is judged by: flatter ones
// would give an hour or more of uncertainty, where the shifted traces decide instead.
const flattestF = 1e-4

// slope about a crossing in degrees a second: least squares over half a minute to
// either side, so that the raggedness of neighbouring samples does not steepen it.
func (tr *trace) slope(i int, t float64) float64 {
	lo, hi := i, i+1
	for lo > 0 && !tr.broken[lo-1] && t-tr.nodes[lo-1].t <= 30 {
		lo--
	}
	for hi+1 < len(tr.nodes) && !tr.broken[hi] && tr.nodes[hi+1].t-t <= 30 {
		hi++
	}
	var n, st, sv, stt, stv float64
	for _, p := range tr.nodes[lo : hi+1] {
		d := p.t - t
		n, st, sv, stt, stv = n+1, st+d, sv+p.temp, stt+d*d, stv+d*p.temp
	}
	den := n*stt - st*st
	if den < 1e-9 {
		return math.Inf(1)
	}
	return (n*stv - st*sv) / den
}

// within gives the nodes between two times.
func (tr *trace) within(from, to float64) []node {
	lo, _ := slices.BinarySearchFunc(tr.nodes, from, func(n node, t float64) int { return cmp.Compare(n.t, t) })
	hi := lo
	for hi < len(tr.nodes) && tr.nodes[hi].t <= to {
		hi++
	}
	return tr.nodes[lo:hi]
}

// top is the hottest temperature between two times.
func (tr *trace) top(from, to float64) float64 {
	v := math.Inf(-1)
	for _, n := range tr.within(from, to) {
		v = math.Max(v, n.temp)
	}
	return v
}

// mean of the trace over a stretch, from its values on a fine grid, with the
// standard uncertainty that the reading and the spread over the stretch give; false where a gap lies in it.
func (tr *trace) mean(from, to float64) (v, u float64, ok bool) {
	const steps = 24
	var sum, sq, uu float64
	for k := 0; k <= steps; k++ {
		x, ux, ok := tr.value(from + (to-from)*float64(k)/steps)
		if !ok {
			return 0, 0, false
		}
		sum, sq, uu = sum+x, sq+x*x, uu+ux
	}
	n := float64(steps + 1)
	v = sum / n
	return v, math.Sqrt(math.Max(0, sq/n-v*v) + uu*uu/(n*n)), true
}

// value between samples, linear; false beyond the trace and in a gap.
func (tr *trace) value(t float64) (v, u float64, ok bool) {
	i, found := slices.BinarySearchFunc(tr.nodes, t, func(n node, t float64) int { return cmp.Compare(n.t, t) })
	if found {
		return tr.nodes[i].temp, tr.nodes[i].uTemp, true
	}
	if i == 0 || i == len(tr.nodes) || tr.broken[i-1] {
		return 0, 0, false
	}
	a, b := tr.nodes[i-1], tr.nodes[i]
	q := (t - a.t) / (b.t - a.t)
	return a.temp + q*(b.temp-a.temp), a.uTemp + q*(b.uTemp-a.uTemp), true
}

// gaps lists the broken stretches, one where ink is seen between two for less than a second: a steep line in shreds.
func (tr *trace) gaps() (out [][2]float64) {
	for i, b := range tr.broken {
		if !b {
			continue
		}
		from, to := tr.nodes[i].t, tr.nodes[i+1].t
		if n := len(out); n > 0 && from < out[n-1][1]+1 {
			out[n-1][1] = to
		} else {
			out = append(out, [2]float64{from, to})
		}
	}
	return out
}

// strokes lists where the line runs along one time: twelve degrees F (dip in the
// series' unit) or more within three seconds over four samples or more, and little more in
// the seconds beside, more of them where times are less sure. A bulb that hot milk reaches may
// rise as fast, but goes on rising by its lag; a line that breaks off so had its clock stand. Common practice, no source.
func (tr *trace) strokes(dip float64) (out [][2]float64) {
	for i, j := 0, 0; j < len(tr.nodes); j++ {
		if j > 0 && tr.broken[j-1] {
			i = j
		}
		for tr.nodes[j].t-tr.nodes[i].t > 3 {
			i++
		}
		a, b := tr.nodes[i], tr.nodes[j]
		if j-i < 3 || math.Abs(b.temp-a.temp) < dip+4*(a.uTemp+b.uTemp) || a.uTime > 5 || b.uTime > 5 {
			continue
		}
		from, to, beside := a.temp, b.temp, 6+a.uTime+b.uTime
		if v, _, ok := tr.value(a.t - beside); ok {
			from = v
		}
		if v, _, ok := tr.value(b.t + beside); ok {
			to = v
		}
		if math.Abs(to-from) > 1.2*math.Abs(b.temp-a.temp) {
			continue
		}
		if n := len(out); n > 0 && a.t <= out[n-1][1]+3 {
			out[n-1][1] = b.t
		} else {
			out = append(out, [2]float64{a.t, b.t})
		}
	}
	return out
}
