package calibrate

import (
	"context"
	"fmt"
	"math"
	"slices"

	"penarm/calibrate/form"
	"penarm/calibrate/internal/lsq"
	"penarm/calibrate/picture"
)

// Facts are what a person can read off an unused form; the rest is measured.
type Facts struct {
	Number        string
	Unit          string  // "F" or "C"
	InnerAt       float64 // temperature of the innermost circle
	OuterAt       float64 // temperature of the outermost circle
	RotationHours float64
	TimeRuns      string  // "clockwise" or "counterclockwise"
	Labels        string  // "clock" or "elapsed"
	DiameterMM    float64 // of the paper; 0: where its edge is seen
	HubHoleMM     float64
	DPI           float64 // 0: as the file says
	Mark          Mark    // one printed hour, and a pixel near where its arc meets the outermost circle
}

// Limits of enrolling.
const (
	enrollStep  = 0.05 // mm, of the radial profile
	enrollBand  = 0.4  // mm of radius over which arcs are sampled while their lean is unknown
	enrollPitch = 1.0  // mm between such bands
	ringsAgree  = 0.02 // mm by which circles may lie off the scale that is written down
	combRough   = 0.1  // mm by which neighbouring bands may show an arc off a smooth curve
	arcsAgree   = 0.08 // mm by which arcs may lie off the arm's circle
)

// Enroll measures a printed form on the scan of an unused one: circles, which of
// them are heavy, arcs, lean, pivot and arm. Lengths count by the scan's
// resolution. The face comes with its hour set by the mark. It refuses, with a
// *Refusal, what it cannot settle.
func Enroll(ctx context.Context, pic *picture.Picture, facts Facts) (*Face, error) {
	dpi := facts.DPI
	if dpi == 0 {
		dpi = math.Sqrt(pic.DPIX * pic.DPIY)
	}
	if dpi < 100 || dpi > 2400 {
		return nil, &Refusal{"enroll", "the file does not say its resolution: give it with --dpi, as the scanner was set"}
	}
	found, err := starts(pic, manyEdges)
	if err != nil {
		return nil, err
	}
	var refusal error
	for _, s := range found {
		for _, m := range s.sheets() {
			face, err := s.enroll(ctx, facts, &m, mmPerInch/dpi)
			if err == nil {
				return face, nil
			}
			if refusal == nil {
				refusal = err
			}
			if err := ctx.Err(); err != nil {
				return nil, err
			}
		}
	}
	return nil, refusal
}

const mmPerInch = 25.4

// enroll goes from one plane, in which the sheet lies so, to the form; mm is the size of a pixel.
func (s *start) enroll(ctx context.Context, facts Facts, m *rectify, mm float64) (*Face, error) {
	w, ok := m.warp(s.plane.pic, m.s*mm)
	if !ok {
		return nil, &Refusal{"enroll", "the circles do not settle the chart's plane: scan the form flat"}
	}
	w, lines, err := align(s.plane, w)
	if err != nil {
		return nil, err
	}
	f := &form.Form{
		Form: facts.Number, Unit: facts.Unit, RotationHours: facts.RotationHours, TimeRuns: facts.TimeRuns,
		Labels: form.Labels{Kind: facts.Labels}, DiameterMM: facts.DiameterMM, HubHoleMM: facts.HubHoleMM,
	}
	if err := scaleOf(f, facts, lines); err != nil {
		return nil, err
	}
	if f.DiameterMM == 0 {
		if f.DiameterMM = paperEdge(s.plane, &w, f.Outer()); f.DiameterMM == 0 {
			return nil, &Refusal{"enroll", "the paper's edge is not seen: give its diameter with --diameter, in mm"}
		}
	}
	if err := combOf(f, s.plane, &w); err != nil {
		return nil, err
	}
	// What the fit has to bend all round is no warp of the paper but the form's own:
	// a flatbed's pixels are true, so they say how long its millimetres are.
	var t *fitted
	for range 3 {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if t, err = refine(s.plane, w, newPattern(f), f); err != nil {
			return nil, err
		}
		k := t.warp.pixels(f.Outer()) * mm
		if err := t.measure(f, mm); err != nil {
			return nil, err
		}
		w = t.warp
		w.Degree, w.X, w.Y, w.K1 = 0, nil, nil, 0
		w.H = multiply(w.H, [9]float64{1 / k, 0, 0, 0, 1 / k, 0, 0, 0, 1})
	}
	round(f)
	if t, err = refine(s.plane, w, newPattern(f), f); err != nil {
		return nil, err
	}
	face, err := t.mark(f, facts.Mark)
	if err != nil {
		return nil, err
	}
	if by := otherRange(f, t.numerals(f, false)); by != 0 {
		return nil, &Refusal{"enroll", rangeWords(f, by) + " than you say: look at the innermost and the outermost circle again"}
	}
	return face, nil
}

// mark sets the hour by a mark that may lie beside its arc, on the numeral: the nearest arc of its kind counts.
func (t *fitted) mark(f *form.Form, m Mark) (*Face, error) {
	h, r := t.locate(f, m.X, m.Y)
	all, per := f.Arcs()
	every := f.TimeArcs.EveryMinutes / 60
	if math.Abs(math.Remainder(m.Hours*60, f.TimeArcs.MajorMinutes)) > 1e-6 {
		per = 1 // a fine arc
	}
	steps := (h - m.Hours) / every / float64(per)
	if !(r >= 0.8*f.Outer() && r <= f.DiameterMM/2+5 && math.Abs(steps-math.Round(steps)) <= 0.35) {
		return nil, &Refusal{"mark", fmt.Sprintf("the mark at (%.0f, %.0f) is not where a printed arc meets the outermost circle: mark the arc of an hour there", m.X, m.Y)}
	}
	if err := t.setZero(int(math.Round(steps))*per%all, f); err != nil {
		return nil, err
	}
	return t.face(f, HourMark), nil
}

// pixels is the mean length in pixels of one mm of the print within the radius.
func (w *Warp) pixels(radius float64) float64 {
	const around = 36
	sum := 0.0
	for k := range around {
		s, c := math.Sincos(float64(k) * math.Pi / around)
		ax, ay := w.Pixel(radius*c, radius*s)
		bx, by := w.Pixel(-radius*c, -radius*s)
		sum += math.Hypot(ax-bx, ay-by) / (2 * radius) / around
	}
	return sum
}

// line is a printed circle: radius and how far it stands out.
type line struct{ r, contrast float64 }

// align makes the circles of the rough map round, with their own mean profile
// as the pattern, and lists them.
func align(pl *plane, w Warp) (Warp, []line, error) {
	var lines []line
	for range 3 {
		p := meanPattern(pl, &w)
		lines = circles(p)
		if len(lines) < 5 {
			return w, nil, &Refusal{"enroll", fmt.Sprintf("only %d printed circles stand out: scan the unused form flat, in colour, at 300 dpi", len(lines))}
		}
		p.inner, p.outer = lines[0].r, lines[len(lines)-1].r
		var err error
		if w, _, err = bridge(pl, w, p); err != nil {
			return w, nil, &Refusal{"enroll", "the printed circles cannot be made round: scan the form flat"}
		}
	}
	lines = circles(meanPattern(pl, &w))
	if len(lines) < 5 {
		return w, nil, &Refusal{"enroll", "the printed circles do not stand out: scan the unused form flat, in colour, at 300 dpi"}
	}
	return w, lines, nil
}

// meanPattern is the median of the radial profiles all round as a pattern, so
// that numerals and labels, which stand in a few places, drop out.
func meanPattern(pl *plane, w *Warp) *pattern {
	const most = 170.0 // mm: no chart is larger
	n := int(most / enrollStep)
	all := make([][]float32, sectors)
	for s := range sectors {
		sum, count := make([]float32, n), make([]uint8, n)
		for k := range spokes {
			phi := (float64(s) + (float64(k)+0.5)/spokes) * 2 * math.Pi / sectors
			pl.spoke(w, phi, 0, enrollStep, sum, count)
		}
		q := mean(sum, count, spokes)
		blur(q.v, 0.06/enrollStep)
		q.highPass(int(patternHigh / enrollStep))
		all[s] = q.v
	}
	p := &pattern{v: make([]float32, n)}
	col := make([]float64, sectors)
	for i := range p.v {
		for s := range all {
			col[s] = float64(all[s][i])
		}
		p.v[i] = float32(median(col))
	}
	return p
}

// circles lists the peaks of the pattern that follow each other at an even pace: the temperature scale.
func circles(p *pattern) []line {
	var peaks []line
	var heights []float64
	for i := int(8 / enrollStep); i < len(p.v)-8; i++ {
		if p.v[i] <= p.v[i-1] || p.v[i] < p.v[i+1] {
			continue
		}
		l, m, r := float64(p.v[i-1]), float64(p.v[i]), float64(p.v[i+1])
		low := math.Inf(1)
		for k := -8; k <= 8; k++ {
			low = math.Min(low, float64(p.v[i+k]))
		}
		at := float64(i)
		if d := l - 2*m + r; d < 0 {
			at += 0.5 * (l - r) / d
		}
		peaks = append(peaks, line{at * enrollStep, m - low})
		heights = append(heights, m-low)
	}
	least := 0.2 * quantile(heights, 0.9)
	peaks = slices.DeleteFunc(peaks, func(l line) bool { return l.contrast < least })
	// the longest run without a gap of more than 1.8 times the one before
	var best []line
	for i := 0; i < len(peaks); {
		j := i + 1
		for j < len(peaks) {
			gap := peaks[j].r - peaks[j-1].r
			if j-i >= 2 {
				before := peaks[j-1].r - peaks[j-2].r
				if gap > 1.8*before || gap < before/1.8 {
					break
				}
			}
			j++
		}
		if j-i > len(best) {
			best = peaks[i:j]
		}
		i = max(i+1, j-1)
	}
	return best
}

// Steps that scales and arcs are printed in.
var (
	degreeSteps = []float64{0.1, 0.2, 0.25, 0.5, 1, 2, 2.5, 5, 10, 20, 50}
	minuteSteps = []float64{1, 2, 2.5, 3, 4, 5, 6, 7.5, 10, 12, 15, 20, 30, 60, 120, 180, 240, 360, 480, 720, 1440}
)

// scaleOf settles the temperature of every circle and which are heavy.
func scaleOf(f *form.Form, facts Facts, lines []line) error {
	f.Rings = []form.Ring{{At: facts.InnerAt, RadiusMM: lines[0].r}, {At: facts.OuterAt, RadiusMM: lines[len(lines)-1].r}}
	span := math.Abs(facts.OuterAt - facts.InnerAt)
	for _, step := range degreeSteps {
		f.MinorRing, f.MajorRing = step, step
		if n := span / step; n >= 4 && n < 2000 && len(f.Circles()) == len(lines) {
			break
		}
		f.MinorRing = 0
	}
	if f.MinorRing == 0 {
		return &Refusal{"enroll", fmt.Sprintf("%d printed circles from %g to %g degrees make no round step: look again at the temperatures of the innermost and the outermost circle",
			len(lines), facts.InnerAt, facts.OuterAt)}
	}
	// heavy circles: the step that parts strong from faint best
	marks := f.Circles()
	least := math.Inf(1)
	f.MajorRing = 5 * f.MinorRing
	for _, k := range []float64{2, 4, 5, 10, 20} {
		major := k * f.MinorRing
		value := func(i int) (float64, bool) {
			q := marks[i].At / major
			return lines[i].contrast, math.Abs(q-math.Round(q)) < 1e-6
		}
		// the ends of a scale may be heavy whatever they are
		if left, heavier := parted(1, len(marks)-1, value); heavier && left < least {
			least, f.MajorRing = left, major
		}
	}
	radii := make([]float64, len(lines))
	for i, l := range lines {
		radii[i] = l.r
	}
	return ringsOf(f, radii)
}

// parted is what two classes leave of the variance of the values from a to b, and whether the first class is the stronger.
func parted(a, b int, value func(i int) (v float64, first bool)) (left float64, heavier bool) {
	var n, sum, sq [2]float64
	for i := a; i < b; i++ {
		v, first := value(i)
		k := 1
		if first {
			k = 0
		}
		n[k], sum[k], sq[k] = n[k]+1, sum[k]+v, sq[k]+v*v
	}
	if n[0] < 1 || n[1] < 1 {
		return math.Inf(1), false
	}
	return sq[0] - sum[0]*sum[0]/n[0] + sq[1] - sum[1]*sum[1]/n[1], sum[0]/n[0] > 1.15*sum[1]/n[1]
}

// ringsOf writes the radii of all circles as few rings: the ends of the scale,
// and one wherever straight lines between those so far lie off a circle
// (Douglas and Peucker 1973); then all circles settle these few.
func ringsOf(f *form.Form, radii []float64) error {
	marks := f.Circles()
	at := func(i, a, b int) float64 { // of circle i, the share of b against a
		return (marks[i].At - marks[a].At) / (marks[b].At - marks[a].At)
	}
	knots := []int{0, len(marks) - 1}
	for k := 0; k+1 < len(knots); {
		a, b := knots[k], knots[k+1]
		worst, most := 0, ringsAgree
		for i := a + 1; i < b; i++ {
			u := at(i, a, b)
			if off := math.Abs(radii[i] - (1-u)*radii[a] - u*radii[b]); off > most {
				worst, most = i, off
			}
		}
		if worst == 0 {
			k++
			continue
		}
		knots = slices.Insert(knots, k+1, worst)
	}
	eq := lsq.New(len(knots))
	row := make([]float64, len(knots))
	for i, k := 0, 0; i < len(marks); i++ {
		if i > knots[k+1] {
			k++
		}
		clear(row)
		row[k+1] = at(i, knots[k], knots[k+1])
		row[k] = 1 - row[k+1]
		eq.Add(row, radii[i], 1)
	}
	r, err := eq.Solve()
	if err != nil {
		return &Refusal{"enroll", "the printed circles do not settle the scale: scan the form flat, at 300 dpi"}
	}
	f.Rings = f.Rings[:0]
	for k, i := range knots {
		f.Rings = append(f.Rings, form.Ring{At: marks[i].At, RadiusMM: r[k]})
	}
	return nil
}

// paperEdge is the diameter of the sheet, 0 where its edge does not show.
func paperEdge(pl *plane, w *Warp, outer float64) float64 {
	const reach, half = 30.0, 8 // mm beyond the print; samples to each side of an edge
	n := int(reach / 0.1)
	all := make([][]float32, 0, sectors)
	for s := range sectors {
		sum, count := make([]float32, n), make([]uint8, n)
		for k := range spokes {
			pl.spoke(w, (float64(s)+(float64(k)+0.5)/spokes)*2*math.Pi/sectors, outer+3, 0.1, sum, count)
		}
		all = append(all, mean(sum, count, spokes).v)
	}
	best, at := 0.0, 0
	col := make([]float64, sectors)
	for i := half; i < n-half; i++ {
		for s, v := range all {
			in, out := 0.0, 0.0
			for k := range half {
				in += float64(v[i-1-k]) / half
				out += float64(v[i+k]) / half
			}
			col[s] = math.Abs(out - in)
		}
		if m := median(col); m > best {
			best, at = m, i
		}
	}
	if best < 0.015 {
		return 0
	}
	return 2 * (outer + 3 + 0.1*float64(at))
}

// combOf finds the arcs: how many, which are heavy, and the arm that drew them.
func combOf(f *form.Form, pl *plane, w *Warp) error {
	n := int(2 * math.Pi * f.Outer() / 0.1)
	type band struct {
		r float64
		v []float32
	}
	var bands []band // between the circles, from the outermost in
	marks := f.Circles()
	for i := len(marks) - 1; i > 0; i-- {
		r := 0.5 * (marks[i].RadiusMM + marks[i-1].RadiusMM)
		if len(bands) > 0 && bands[len(bands)-1].r-r < enrollPitch {
			continue
		}
		wide := math.Min(enrollBand, 0.5*(marks[i].RadiusMM-marks[i-1].RadiusMM))
		sum, count := make([]float32, n), make([]uint8, n)
		const fan = 3
		for k := range fan {
			rk := r + wide*((float64(k)+0.5)/fan-0.5)
			pl.curve(w, n, max(1, int(1.5/(2*math.Pi*rk/float64(n)))), func(i int) (float64, float64) {
				s, c := math.Sincos(2 * math.Pi * float64(i) / float64(n))
				return rk * c, rk * s
			}, sum, count)
		}
		q := mean(sum, count, fan)
		mm := 2 * math.Pi * r / float64(n)
		q.highPass(int(1.2 / mm))
		blur(q.v, 0.1/mm)
		bands = append(bands, band{r, q.v})
	}
	// follow gives the angle of one arc in every band, as a comb of so many arcs
	// shows it, and how clearly; rough is by how much (mm) that is no smooth curve.
	follow := func(arcs int) (phi, sure []float64, rough float64) {
		phi, sure = make([]float64, len(bands)), make([]float64, len(bands))
		for b, band := range bands {
			// folded at the comb's pitch, the arcs lie on each other
			per := n / arcs
			fold := make([]float64, per)
			for i, v := range band.v {
				_, at := math.Modf(float64(i) * float64(arcs) / float64(n))
				fold[min(per-1, int(at*float64(per)))] += float64(v)
			}
			top, sq := 0, 0.0
			for i, v := range fold {
				sq += v * v
				if v > fold[top] {
					top = i
				}
			}
			l, m, r := fold[(top+per-1)%per], fold[top], fold[(top+1)%per]
			at := float64(top) + 0.5
			if d := l - 2*m + r; d < 0 {
				at += 0.5 * (l - r) / d
			}
			phi[b] = at / float64(per) * 2 * math.Pi / float64(arcs)
			sure[b] = m / math.Sqrt(sq/float64(per)+1e-12)
		}
		least := 0.4 * quantile(sure, 0.75)
		pitch := 2 * math.Pi / float64(arcs)
		var r, at []float64 // the bands that show it, and the curve through them
		for b, band := range bands {
			const last = 12
			from := max(0, len(r)-last)
			expect := phi[b]
			switch {
			case len(r)-from == 1:
				expect = at[from]
			case len(r) > from:
				expect = onLine(r[from:], at[from:], band.r)
			}
			phi[b] = expect + math.Remainder(phi[b]-expect, pitch)
			if sure[b] > least {
				r, at = append(r, band.r), append(at, phi[b])
			}
		}
		if len(r) < 8 {
			return phi, sure, math.Inf(1)
		}
		off := make([]float64, len(r))
		for i := range r {
			from, to := max(0, i-4), min(len(r), i+5)
			off[i] = math.Abs(at[i]-onLine(r[from:to], at[from:to], r[i])) * r[i]
		}
		return phi, sure, quantile(off, 0.7)
	}
	// stand is how far every arc of the comb stands out of the places between, over the outer bands.
	stand := func(arcs int, phi []float64) []float64 {
		c := make([]float64, arcs)
		for b := range len(bands) * 2 / 3 {
			v := bands[b].v
			at := func(angle float64) float64 {
				i := int(math.Round(angle/(2*math.Pi)*float64(n)))%n + n
				return float64(v[i%n])
			}
			half := math.Min(0.5*2*math.Pi/float64(arcs), 0.8/bands[b].r)
			for a := range c {
				angle := phi[b] + 2*math.Pi*float64(a)/float64(arcs)
				c[a] += at(angle) - 0.5*(at(angle-half)+at(angle+half))
			}
		}
		return c
	}
	// The finest comb whose every arc stands out, and not just a little: a comb
	// followed down the wrong way meets lines here and there.
	type comb struct {
		arcs                int
		minutes             float64
		phi, sure, contrast []float64
	}
	var combs []comb
	strongest := 0.0
	for _, minutes := range minuteSteps {
		k := f.RotationHours * 60 / minutes
		if k < 4 || k != math.Round(k) || 2*math.Pi*f.Outer()/k < 0.9 {
			continue
		}
		phi, sure, rough := follow(int(k))
		contrast := stand(int(k), phi)
		if low, high := quantile(contrast, 0.25), quantile(contrast, 0.95); rough < combRough && high > 0 && low > 0.3*high {
			combs = append(combs, comb{int(k), minutes, phi, sure, contrast})
			strongest = math.Max(strongest, median(contrast))
		}
	}
	combs = slices.DeleteFunc(combs, func(c comb) bool { return median(c.contrast) < 0.25*strongest })
	if len(combs) == 0 {
		return &Refusal{"enroll", fmt.Sprintf("no even comb of time arcs was found on one turn of %g hours: check --hours", f.RotationHours)}
	}
	arcs, phi, sure, contrast := combs[0].arcs, combs[0].phi, combs[0].sure, combs[0].contrast
	f.TimeArcs.EveryMinutes = combs[0].minutes
	least := math.Inf(1)
	f.TimeArcs.MajorMinutes = f.TimeArcs.EveryMinutes
	for _, minutes := range minuteSteps {
		per := minutes / f.TimeArcs.EveryMinutes
		if per < 2 || per != math.Round(per) || arcs%int(per) != 0 {
			continue
		}
		for first := range int(per) {
			left, heavier := parted(0, arcs, func(i int) (float64, bool) { return contrast[i], i%int(per) == first })
			if heavier && left < 0.97*least {
				least, f.TimeArcs.MajorMinutes = left, minutes
			}
		}
	}
	var r, lag []float64
	typical := quantile(sure, 0.75)
	for b, band := range bands {
		if sure[b] > 0.5*typical {
			r, lag = append(r, band.r), append(lag, phi[b])
		}
	}
	return armOf(f, r, lag)
}

// onLine is the value at x of the straight line through the points, by least squares.
func onLine(xs, ys []float64, x float64) float64 {
	var n, sx, sy, sxx, sxy float64
	for i := range xs {
		n, sx, sy, sxx, sxy = n+1, sx+xs[i], sy+ys[i], sxx+xs[i]*xs[i], sxy+xs[i]*ys[i]
	}
	d := n*sxx - sx*sx
	if d == 0 {
		return sy / n
	}
	k := (n*sxy - sx*sy) / d
	return (sy-k*sx)/n + k*x
}

// armOf fits pivot and arm to where arcs lie (radians, any zero) at the radii, by Gauss and Newton from several starts.
func armOf(f *form.Form, r, lag []float64) error {
	if len(r) < 8 {
		return &Refusal{"enroll", "the time arcs show over too little of the radius: scan the unused form flat, in colour, at 300 dpi"}
	}
	f.TimeArcs.Lean = "clockwise"
	if first, last := slices.Min(r), slices.Max(r); (lag[slices.Index(r, last)] - lag[slices.Index(r, first)]) < 0 {
		f.TimeArcs.Lean = "counterclockwise"
	}
	best, pivot, arm := math.Inf(1), 0.0, 0.0
	residual := func(p, a float64) (rms float64, off []float64, ok bool) {
		f.TimeArcs.PivotMM, f.TimeArcs.ArmMM = p, a
		if math.Abs(p-a) >= f.Inner() || p+a <= f.Outer() {
			return 0, nil, false
		}
		off = make([]float64, len(r))
		mean := 0.0
		for i := range r {
			off[i] = lag[i] - f.Lag(r[i])
			mean += off[i] / float64(len(r))
		}
		for i := range off {
			off[i] = (off[i] - mean) * r[i]
			rms += off[i] * off[i] / float64(len(r))
		}
		return math.Sqrt(rms), off, true
	}
	for _, ratio := range []float64{1.05, 1.15, 1.25, 1.4} {
		for _, more := range []float64{-2, 1, 4, 10} {
			p := ratio * f.Outer()
			a := p + more
			for range 25 {
				_, off, ok := residual(p, a)
				if !ok {
					break
				}
				const h = 0.01
				_, op, okP := residual(p+h, a)
				_, oa, okA := residual(p, a+h)
				if !okP || !okA {
					break
				}
				eq := lsq.New(2)
				eq.Ridge(0, 1e-9)
				eq.Ridge(1, 1e-9)
				for i := range off {
					eq.Add([]float64{(off[i] - op[i]) / h, (off[i] - oa[i]) / h}, off[i], 1)
				}
				d, err := eq.Solve()
				if err != nil {
					break
				}
				p += math.Max(-10, math.Min(10, d[0]))
				a += math.Max(-10, math.Min(10, d[1]))
			}
			if rms, _, ok := residual(p, a); ok && rms < best {
				best, pivot, arm = rms, p, a
			}
		}
	}
	f.TimeArcs.PivotMM, f.TimeArcs.ArmMM = pivot, arm
	if best > arcsAgree*5 {
		return &Refusal{"enroll", fmt.Sprintf("the time arcs lie on no circle about a pivot (%.2f mm off): scan the unused form flat, at 300 dpi", best)}
	}
	return nil
}

// measure takes the form's lengths from the scan, whose pixels are of the size
// mm: radii from the fitted circles, pivot and arm from the mean turn of the
// arcs at every radius.
func (t *fitted) measure(f *form.Form, mm float64) error {
	p := newPattern(f)
	long := func(r float64) float64 { return r * t.warp.pixels(r) * mm }
	c := cross(t.plane, &t.warp, p, 0.30, 240)
	radii := make([]float64, len(p.circles))
	for i, circle := range p.circles {
		var off []float64
		for b := range c.blocks {
			if o := c.off[b*c.circles+i]; !math.IsNaN(o) {
				off = append(off, o)
			}
		}
		radii[i] = long(circle.RadiusMM + median(off))
	}
	a := crossArcs(t.plane, &t.warp, f, 0.5, 1)
	var r, lag []float64
	for b, mid := range a.mids {
		var off []float64
		for k := range a.arcs {
			if o := a.off[k*len(a.mids)+b]; !math.IsNaN(o) {
				off = append(off, o)
			}
		}
		if len(off) < 4 {
			continue
		}
		r = append(r, long(mid))
		lag = append(lag, f.Lag(mid)+(t.warp.twist(mid)+median(off))/mid)
	}
	if err := ringsOf(f, radii); err != nil {
		return err
	}
	return armOf(f, r, lag)
}

// twist is the mean displacement along the circle of the radius, mm.
func (w *Warp) twist(r float64) float64 {
	if w.Degree == 0 {
		return 0
	}
	const around = 36
	buf := make([]float64, 0, len(w.X))
	v := 0.0
	for k := range around {
		s, c := math.Sincos(2 * math.Pi * float64(k) / around)
		buf = terms(w.Degree, r*c/w.Scale, r*s/w.Scale, buf)
		for j, t := range buf {
			v += t * (c*w.Y[j] - s*w.X[j]) / around
		}
	}
	return v
}

// round writes lengths to the hundredth of a millimetre, as a form file has them.
func round(f *form.Form) {
	hundredth := func(v *float64) { *v = math.Round(100**v) / 100 }
	for i := range f.Rings {
		hundredth(&f.Rings[i].RadiusMM)
	}
	hundredth(&f.TimeArcs.PivotMM)
	hundredth(&f.TimeArcs.ArmMM)
	hundredth(&f.DiameterMM)
}
