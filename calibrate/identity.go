package calibrate

import (
	"fmt"
	"math"
	"slices"

	"penarm/calibrate/form"
	"penarm/calibrate/internal/lsq"
)

// Limits of what the print may show that the form does not say, chosen between scans of a form and of its
// near relatives with room on both sides. Strengths count of the print's own.
const (
	leastEnd    = 0.3  // of an arc's or a circle's usual strength, at the end of the scale
	mostBeyond  = 0.5  // of the same, where the scale would go on
	betterHeavy = 0.15 // correlation by which another choice of heavy lines may lie better on the print
	leastHeavy  = 0.5  // of that choice, else the print tells none
	mostUneven  = 0.6  // correlation of every k-th of the fine lines being there and the others not
	mostAbsent  = 0.3  // strength of what is not there, of what is
	mostSwell   = 0.16 // of the circles' spacing, by which a sheet on the glass may swell from its middle outwards
	mostSwellMM = 0.15 // the same: damp paper does
	cameraTilt  = 0.03 // change of scale from the middle to the rim: on the glass it is under 0.002, in photographs 0.08 and more
	mostBulge   = 0.1  // of the circles' spacing, by which any sheet may swell otherwise than a lens makes it seem
	mostBulgeMM = 0.06 // the same
	heavyLead   = 1.25 // of one half of the heavy lines over the other, from which they are two kinds
	sureMean    = 4.0  // standard errors
)

// contradicted looks for what the print shows and the form does not say. The tests of the fit ask whether what the
// form says is there; a near relative of the form (a scale with one step more or less, other heavy lines, half the
// arcs) passes them, above all where the scan has lost fine lines.
func (t *fitted) contradicted(f *form.Form) *Refusal {
	no := func(test, format string, args ...any) *Refusal {
		return &Refusal{test, fmt.Sprintf(format, args...) + ": name the form it is, or correct the file of form " + f.Form}
	}
	circles := f.Circles()
	p := newPattern(f)
	plain, bulge := t.swell(p.inner, p.outer)
	swollen := (t.plane.pic.Bilevel || t.thinned) && plain > math.Max(mostSwell*p.spacing(), mostSwellMM)
	onGlass := math.Hypot(t.warp.H[6], t.warp.H[7])*p.outer < cameraTilt*math.Abs(t.warp.H[8])
	elsewhere := no("circles", "the circles do not lie as form %s says, but by %.2f mm further out or in", f.Form, plain)
	if bulge > math.Max(mostBulge*p.spacing(), mostBulgeMM) || swollen && onGlass {
		return elsewhere
	}
	n := len(circles)
	radii := make([]float64, 0, 2*n-1)
	for i, c := range circles {
		if i > 0 {
			radii = append(radii, 0.5*(c.RadiusMM+circles[i-1].RadiusMM))
		}
		radii = append(radii, c.RadiusMM)
	}
	further := func(end, next int, by float64) float64 { // where the scale would have its next circle
		return f.Radius(circles[end].At + math.Copysign(by, circles[end].At-circles[next].At))
	}
	inner, outer := []float64{further(0, 1, f.MinorRing), further(0, 1, f.MajorRing)}, []float64{further(n-1, n-2, f.MinorRing), further(n-1, n-2, f.MajorRing)}
	strong := t.strengths(slices.Concat(radii, inner, outer))
	lines := kinds{per: int(math.Round(f.MajorRing / f.MinorRing)), first: firstHeavy(circles[1 : n-1])}
	for i := 1; i < len(radii)-1; i++ {
		if i%2 == 0 {
			lines.own = append(lines.own, strong[i])
		} else {
			lines.mids = append(lines.mids, strong[i])
		}
	}
	for k, end := range [2]int{0, n - 1} {
		next := [2]int{1, n - 2}[k]
		which := [2]string{"innermost", "outermost"}[k]
		beyond, inside := t.arcsEnd(f, circles[end].RadiusMM, circles[end].RadiusMM-circles[next].RadiusMM)
		on := strong[len(radii)+2*k:]
		switch {
		case inside < leastEnd && strong[2*end] < leastEnd*lines.usual(circles[end].Major):
			return no("edges", "the print ends before the %s circle of form %s", which, f.Form)
		case beyond > mostBeyond && (on[0] > mostBeyond*lines.usual(false) || on[1] > mostBeyond*lines.usual(true)):
			return no("edges", "circles and arcs go on beyond the %s circle of form %s", which, f.Form)
		}
	}
	_, perMajor := f.Arcs()
	around := kinds{per: perMajor, own: t.arcStrengths(f, 0, 1), mids: t.arcStrengths(f, 1, 2), thirds: t.arcStrengths(f, 1, 3)}
	switch {
	case swollen && (!lines.plainlyHeavy() || !around.plainlyHeavy()): // a camera's lens may do that, but another form, too
		return elsewhere
	case lines.otherHeavy():
		return no("circles", "other circles are heavy than form %s says", f.Form)
	case around.otherHeavy() || t.fewArcs && around.twoKinds():
		return no("arcs", "other time arcs are heavy than form %s says (rotation_hours, major_minutes)", f.Form)
	case lines.sparse() || lines.more(lines.mids):
		return no("circles", "the fine circles lie otherwise than form %s says", f.Form)
	case around.sparse() || around.more(around.mids) || around.more(around.thirds):
		return no("arcs", "the fine time arcs lie otherwise than form %s says", f.Form)
	}
	return nil
}

func firstHeavy(cs []form.Circle) int {
	return slices.IndexFunc(cs, func(c form.Circle) bool { return c.Major })
}

// kinds are the strengths of lines of two kinds in turn: of every per one, from first on, is heavy. mids and thirds
// are those of the places halfway and a third of the way between two lines.
type kinds struct {
	own, mids, thirds []float64
	per, first        int
}

func (k *kinds) heavy(i int) bool { return k.first >= 0 && (i-k.first)%k.per == 0 }

// usual is the median strength of the heavy or of the fine lines.
func (k *kinds) usual(heavy bool) float64 {
	var v []float64
	for i, s := range k.own {
		if k.heavy(i) == heavy {
			v = append(v, s)
		}
	}
	if len(v) == 0 {
		v = k.own
	}
	return median(v)
}

// plainlyHeavy says whether the lines that are said to be heavy stand out.
func (k *kinds) plainlyHeavy() bool { return agreement(k.own, k.heavy) > leastHeavy }

// otherHeavy says whether other lines stand out than those that are said to be heavy.
func (k *kinds) otherHeavy() bool {
	said := agreement(k.own, k.heavy)
	for _, per := range []int{k.per, 2 * k.per, 3 * k.per, k.per / 2, k.per / 3} {
		if per < 2 || len(k.own) < 3*per {
			continue
		}
		for first := range per {
			other := agreement(k.own, func(i int) bool { return i%per == first })
			if other > leastHeavy && other > said+betterHeavy {
				return true
			}
		}
	}
	return false
}

// twoKinds says whether every second of the heavy lines stands out from the others: where fine lines are lost,
// what is left may be heavy and fine lines of another form.
func (k *kinds) twoKinds() bool {
	var heavy []float64
	var kind [2][]float64
	for i, s := range k.own {
		if k.heavy(i) {
			kind[len(heavy)%2] = append(kind[len(heavy)%2], s)
			heavy = append(heavy, s)
		}
	}
	lead := median(kind[0]) / median(kind[1])
	return len(heavy)%2 == 0 && (lead > heavyLead || lead < 1/heavyLead) && math.Abs(agreement(heavy, func(i int) bool { return i%2 == 0 })) > mostUneven
}

// sparse says whether of the fine lines only every so many-th is there.
func (k *kinds) sparse() bool {
	for every := 2; every <= k.per/2; every++ {
		if k.per%every > 0 {
			continue
		}
		var fine, on, off []float64
		var there []bool
		for i, s := range k.own {
			if k.heavy(i) {
				continue
			}
			fine, there = append(fine, s), append(there, (i-k.first)%every == 0)
			if there[len(there)-1] {
				on = append(on, s)
			} else {
				off = append(off, s)
			}
		}
		if median(off) < mostAbsent*median(on) && agreement(fine, func(i int) bool { return there[i] }) > mostUneven {
			return true
		}
	}
	return false
}

// more says whether there are lines at the places between those that are said to be there, as strong as the fine ones.
func (k *kinds) more(between []float64) bool {
	n, s, ss := float64(len(between)), 0.0, 0.0
	for _, v := range between {
		s, ss = s+v, ss+v*v
	}
	if n == 0 {
		return false
	}
	sd := math.Sqrt(math.Max(0, ss/n-s*s/n/n) / n)
	least := k.usual(false)
	if k.per == 1 {
		least *= mostAbsent // these are heavy
	}
	return s/n > sureMean*sd && median(between) > mostBeyond*least
}

// agreement is the correlation of the strengths with being heavy; what stands out most counts no more than the strongest twentieth.
func agreement(v []float64, heavy func(i int) bool) float64 {
	most := quantile(v, 0.95)
	var n, s, ss, h, hs float64
	for i, x := range v {
		x = math.Min(x, most)
		n, s, ss = n+1, s+x, ss+x*x
		if heavy(i) {
			h, hs = h+1, hs+x
		}
	}
	vx, vh := ss/n-s*s/n/n, h/n-h*h/n/n
	if !(vx > 0 && vh > 0) {
		return 0
	}
	return (hs/n - s/n*h/n) / math.Sqrt(vx*vh)
}

// strengths is by how much the print is darker along circles of the given radii (mm) than a little further in and
// out: the median over the turn.
func (t *fitted) strengths(radii []float64) []float64 {
	const groups, fan, sideMM = 60, 4, 0.45
	side := make([]int, len(radii))
	sorted := slices.Compact(slices.Sorted(slices.Values(radii))) // the next fine circle may be the next heavy one, too
	for i, r := range radii {
		at, _ := slices.BinarySearch(sorted, r)
		gap := sideMM
		if at > 0 {
			gap = math.Min(gap, r-sorted[at-1])
		}
		if at+1 < len(sorted) {
			gap = math.Min(gap, sorted[at+1]-r)
		}
		side[i] = int(math.Round(gap / radialMM))
	}
	r0 := sorted[0] - 1
	n := int((sorted[len(sorted)-1]+1-r0)/radialMM) + 1
	sum, count := make([]float32, n), make([]uint8, n)
	seen := make([][]float64, len(radii))
	pl := t.plane.blunt()
	for g := range groups {
		clear(sum)
		clear(count)
		for k := range fan {
			pl.spoke(&t.warp, 2*math.Pi*(float64(g)+float64(k)/fan)/groups, r0, radialMM, sum, count)
		}
		q := mean(sum, count, fan)
		for i, r := range radii {
			if s, ok := q.stands(int(math.Round((r-r0)/radialMM)), side[i]); ok {
				seen[i] = append(seen[i], s)
			}
		}
	}
	out := make([]float64, len(radii))
	for i, v := range seen {
		out[i] = median(v)
	}
	return out
}

// stands is by how much the profile stands higher at a place than so many places to either side.
func (p profile) stands(at, side int) (float64, bool) {
	a, b := at-side, at+side
	if side < 1 || a < 0 || b >= len(p.v) || !p.ok[a] || !p.ok[b] || !p.ok[at] {
		return 0, false
	}
	return float64(0.25*(p.v[at-1]+2*p.v[at]+p.v[at+1]) - 0.5*(p.v[a]+p.v[b])), true
}

// across samples the print across an arc, at the angle phi of its outer end and at the radius r, to the side (mm) both ways.
func (t *fitted) across(f *form.Form, phi, r, side float64, sum []float32, count []uint8) {
	half := len(sum) / 2
	phi += f.Lag(r)
	t.plane.curve(&t.warp, len(sum), 16, func(i int) (float64, float64) {
		s, c := math.Sincos(phi + float64(i-half)*side/float64(half)/r)
		return r * c, r * s
	}, sum, count)
}

// acrossHalf is the number of samples to either side of an arc.
const acrossHalf = 5

// arcStrengths is the same as strengths at the place k n-ths of the way from every arc to the next: the median over the radius.
func (t *fitted) arcStrengths(f *form.Form, k, n int) []float64 {
	most, rows := 8, 3 // bands looked at, and lines in each
	if t.plane.pic.Bilevel {
		most, rows = 24, 6 // dots say little each
	}
	all, _ := f.Arcs()
	out := make([]float64, all)
	mids := bands(f, 1)
	var sum [2*acrossHalf + 1]float32
	var count [2*acrossHalf + 1]uint8
	for a := range out {
		var seen []float64
		for b := 0; b < len(mids); b += 1 + len(mids)/most {
			clear(sum[:])
			clear(count[:])
			gap := 2 * math.Pi / float64(all)
			side := math.Min(0.5, 0.45*gap*mids[b]/float64(n))
			for row := range rows {
				t.across(f, gap*(float64(a)+float64(k)/float64(n)), mids[b]+bandMM*((float64(row)+0.5)/float64(rows)-0.5), side, sum[:], count[:])
			}
			if s, ok := mean(sum[:], count[:], rows).stands(acrossHalf, acrossHalf); ok {
				seen = append(seen, s)
			}
		}
		out[a] = median(seen)
	}
	return out
}

// arcsEnd is how strong the heavy arcs are between the circle of radius end and where the next one would lie, a gap
// (mm, outwards) further, and a gap less far, of what they are in the middle of the scale.
func (t *fitted) arcsEnd(f *form.Form, end, gap float64) (beyond, inside float64) {
	all, per := f.Arcs()
	var sum [2*acrossHalf + 1]float32
	var count [2*acrossHalf + 1]uint8
	zone := func(mid, wide float64) float64 {
		const rows = 7
		total, n := 0.0, 0.0
		for a := 0; a < all; a += per {
			clear(sum[:])
			clear(count[:])
			for k := range rows {
				t.across(f, 2*math.Pi*float64(a)/float64(all), mid+wide*((float64(k)+0.5)/rows-0.5), 0.6, sum[:], count[:])
			}
			if s, ok := mean(sum[:], count[:], rows).stands(acrossHalf, acrossHalf); ok {
				total, n = total+math.Max(-1, math.Min(s, 1)), n+1
			}
		}
		return total / math.Max(1, n)
	}
	usual := zone(0.5*(f.Inner()+f.Outer()), 0.5*(f.Outer()-f.Inner()))
	if usual <= 0 {
		return 0, 1
	}
	return zone(end+0.5*gap, 0.5*math.Abs(gap)) / usual, zone(end-0.5*gap, 0.5*math.Abs(gap)) / usual
}

// swell is by how much (mm) circles lie further out or in, mean over the turn, than one scale for all of them lets
// them: a map without its homography. A sheet that lies flat stretches, but alike at every radius. A lens adds
// the cube of the radius; bulge is what is left then. A scale taken for the next one is further out by the same everywhere.
func (t *fitted) swell(inner, outer float64) (plain, bulge float64) {
	inv, ok := invert(t.warp.H)
	if !ok {
		return math.Inf(1), math.Inf(1) // what cannot be looked at does not stand
	}
	const n, around = 12, 36
	var r, v [n]float64
	line, cube := lsq.New(1), lsq.New(2)
	for i := range n {
		r[i] = inner + (outer-inner)*float64(i)/(n-1)
		for k := range around {
			s, c := math.Sincos(2 * math.Pi * float64(k) / around)
			px, py := t.warp.Pixel(r[i]*c, r[i]*s)
			d := inv[6]*px + inv[7]*py + inv[8]
			x, y := (inv[0]*px+inv[1]*py+inv[2])/d, (inv[3]*px+inv[4]*py+inv[5])/d
			v[i] += ((x-r[i]*c)*c + (y-r[i]*s)*s) / around
		}
		u := r[i] / outer
		line.Add([]float64{u}, v[i], 1)
		cube.Add([]float64{u, u * u * u}, v[i], 1)
	}
	a, err := line.Solve()
	b, err2 := cube.Solve()
	if err != nil || err2 != nil {
		return math.Inf(1), math.Inf(1)
	}
	for i := range n {
		u := r[i] / outer
		plain = math.Max(plain, math.Abs(v[i]-a[0]*u))
		bulge = math.Max(bulge, math.Abs(v[i]-b[0]*u-b[1]*u*u*u))
	}
	return plain, bulge
}
