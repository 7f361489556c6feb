package calibrate

import (
	"math"

	"penarm/calibrate/form"
)

// Sampling of the time arcs.
const (
	bandMM  = 2.0 // of radius, over which an arc is averaged
	bandFan = 5   // rows a band
	arcMM   = 0.1
)

// comb is what the time arcs show under a map whose circles fit.
type comb struct {
	phase   float64 // angle at the outermost circle of one of the arcs, in (−½, ½] of their spacing
	between float64 // height of the next peak away from it, of the peak
}

// bands are the middles of the radius bands, of every so many-th one.
func bands(f *form.Form, every int) []float64 {
	in, out := f.Inner()+0.5, f.Outer()-0.5
	n := max(3, int((out-in)/bandMM))
	var r []float64
	for i := 0; i < n; i += every {
		r = append(r, in+(out-in)*(float64(i)+0.5)/float64(n))
	}
	return r
}

// findComb samples the print along its own arcs and folds it at their spacing.
func findComb(pl *plane, w *Warp, f *form.Form) comb {
	arcs, _ := f.Arcs()
	per := max(8, int(math.Ceil(2*math.Pi*f.Outer()/float64(arcs)/0.24)))
	n := arcs * per
	var fold [combSectors][]float64
	for k := range fold {
		fold[k] = make([]float64, per)
	}
	sum, count := make([]float32, n), make([]uint8, n)
	pl = pl.blunt()
	for _, mid := range bands(f, 3) { // a third of them tell the phase
		clear(sum)
		clear(count)
		ring(pl, w, f, mid, n, sum, count)
		q := mean(sum, count, combFan)
		mm := 2 * math.Pi * mid / float64(n)
		half := int(math.Min(1.5, 0.35*mm*float64(per)) / mm)
		q.highPass(max(2, half))
		clip(q.v, 2.5)
		for i, v := range q.v {
			if q.ok[i] {
				fold[i*combSectors/n][i%per] += float64(v)
			}
		}
	}
	// in every sector the best place near by, for paper may have moved along the circles here and there
	total := make([]float64, per)
	near := int(math.Min(combReachMM/(2*math.Pi*f.Outer()/float64(n)), 0.1*float64(per)))
	wide := make([]float64, per)
	for _, one := range fold {
		for i := range wide {
			wide[i] = one[i]
			for d := 1; d <= near; d++ {
				wide[i] = math.Max(wide[i], math.Max(one[(i+d)%per], one[(i+per-d)%per]))
			}
		}
		m := median(wide)
		for i, v := range wide {
			total[i] += v - m
		}
	}
	best := 0
	for i, v := range total {
		if v > total[best] {
			best = i
		}
	}
	// the middle of what is nearly as good
	var at, weight float64
	for d := -2 * near; d <= 2*near; d++ {
		if v := total[(best+d+per)%per]; v > 0.8*total[best] {
			at, weight = at+v*float64(d), weight+v
		}
	}
	var c comb
	for i, v := range total {
		if d := (i - best + per) % per; min(d, per-d) > per/4 && total[best] > 0 {
			c.between = math.Max(c.between, v/total[best])
		}
	}
	at = float64(best)/float64(per) + at/math.Max(weight, 1e-9)/float64(per)
	if at > 0.5 {
		at--
	}
	c.phase = at * 2 * math.Pi / float64(arcs)
	return c
}

// Where arcs are looked for together, before the paper's movement along the circles is known.
const (
	combFan     = 3 // rows a band
	combSectors = 12
	combReachMM = 1.5 // at the outermost circle, to either side
)

// ring samples one band all round along the circles, every column following the arc's lag: n columns.
func ring(pl *plane, w *Warp, f *form.Form, mid float64, n int, sum []float32, count []uint8) {
	knot := max(1, int(3/(2*math.Pi*mid/float64(n))))
	for k := range combFan {
		r := mid + bandMM*((float64(k)+0.5)/combFan-0.5)
		lag := f.Lag(r)
		pl.curve(w, n, knot, func(i int) (float64, float64) {
			s, c := math.Sincos(2*math.Pi*float64(i)/float64(n) + lag)
			return r * c, r * s
		}, sum, count)
	}
}

// clip bounds values at k times their robust scale, and divides by it.
func clip(v []float32, k float64) {
	var abs []float64
	for i := 0; i < len(v); i += len(v)/300 + 1 {
		abs = append(abs, math.Abs(float64(v[i])))
	}
	s := 1.4826 * median(abs)
	if s <= 0 {
		return
	}
	for i, x := range v {
		v[i] = float32(max(-k, min(k, float64(x)/s)))
	}
}

// arcCrossings are the arcs seen band by band: off[a*bands+b] mm along the circle, NaN where not seen.
type arcCrossings struct {
	arcs     int
	mids     []float64
	off      []float64
	contrast []float64
	share    float64 // of the places in the picture at which an arc was found
}

func crossArcs(pl *plane, w *Warp, f *form.Form, window float64, every int) arcCrossings {
	arcs, per := f.Arcs()
	out := arcCrossings{arcs: arcs, mids: bands(f, every)}
	nb := len(out.mids)
	out.off, out.contrast = make([]float64, arcs*nb), make([]float64, arcs*nb)
	inside := 0
	for b, mid := range out.mids {
		gap := 2 * math.Pi * mid / float64(arcs)
		reach, valley := math.Min(window, 0.35*gap), math.Min(0.5, 0.45*gap)
		half := int(math.Ceil((reach+valley)/arcMM)) + 4
		n := 2 * half
		sum, count := make([]float32, n), make([]uint8, n)
		radii, lags := [bandFan]float64{}, [bandFan]float64{}
		for k := range lags {
			radii[k] = mid + bandMM*((float64(k)+0.5)/bandFan-0.5)
			lags[k] = f.Lag(radii[k])
		}
		for a := range arcs {
			clear(sum)
			clear(count)
			phi := 2 * math.Pi * float64(a) / float64(arcs)
			si, co := math.Sincos(phi + lags[bandFan/2])
			near := w.near(mid*co, mid*si)
			for k, r := range radii { // straight across: so near the arc the bend of the circle does not matter
				s, c := math.Sincos(phi + lags[k])
				pl.curve(&near, n, n, func(i int) (float64, float64) {
					off := float64(i-half) * arcMM
					return r*c - off*s, r*s + off*c
				}, sum, count)
			}
			q := mean(sum, count, bandFan)
			i := a*nb + b
			if q.ok[half] {
				inside++
			}
			blur(q.v, 0.12/arcMM)
			out.off[i], out.contrast[i] = peak(q, float64(half), reach/arcMM, valley/arcMM)
			out.off[i] *= arcMM
		}
	}
	// compare every crossing with the usual contrast of its class of arcs in that
	// band; a class that is much fainter than arcs are elsewhere is not printed there
	var found []float64
	for i, o := range out.off {
		if !math.IsNaN(o) {
			found = append(found, out.contrast[i])
		}
	}
	least := 0.25 * quantile(found, 0.75)
	kept := 0
	for b := range nb {
		for class := range per {
			var col []float64
			for a := class; a < arcs; a += per {
				if !math.IsNaN(out.off[a*nb+b]) {
					col = append(col, out.contrast[a*nb+b])
				}
			}
			m := median(col)
			for a := class; a < arcs; a += per {
				if c := out.contrast[a*nb+b]; c < 0.35*m || c > 5*m || m < least || m <= 0 {
					out.off[a*nb+b] = math.NaN()
				} else if !math.IsNaN(out.off[a*nb+b]) {
					kept++
				}
			}
		}
	}
	out.share = float64(kept) / math.Max(1, float64(inside))
	return out
}

// heavy finds which class of arcs has most contrast: the index of its first arc.
func (c *arcCrossings) heavy(per int) (first int) {
	nb := len(c.mids)
	most := 0.0
	for class := range per {
		var col []float64
		for a := class; a < c.arcs; a += per {
			for b := range nb {
				if !math.IsNaN(c.off[a*nb+b]) {
					col = append(col, c.contrast[a*nb+b])
				}
			}
		}
		if m := median(col); m > most {
			first, most = class, m
		}
	}
	return first
}

// sightings as the fit wants them: an arc's own normal leans as the arc does.
func (c arcCrossings) sightings(f *form.Form) []sighting {
	var out []sighting
	nb := len(c.mids)
	for b, mid := range c.mids {
		lag, slope := f.Lag(mid), mid*f.LagSlope(mid)
		norm := math.Hypot(1, slope)
		for a := range c.arcs {
			o := c.off[a*nb+b]
			if math.IsNaN(o) {
				continue
			}
			si, co := math.Sincos(2*math.Pi*float64(a)/float64(c.arcs) + lag)
			// normal = (t − slope·r)/|…|, t along the circle, r outwards
			nx, ny := (-si-slope*co)/norm, (co-slope*si)/norm
			out = append(out, sighting{x: mid * co, y: mid * si, nx: nx, ny: ny, off: o / norm, weight: 4})
		}
	}
	return out
}
