package calibrate

import (
	"cmp"
	"errors"
	"math"
	"slices"

	"penarm/calibrate/internal/lsq"
	"penarm/calibrate/rank"
)

// sighting is one piece of printed line found in the picture: the curve whose
// normal at (x, y) mm is (nx, ny) lies off mm further along that normal than the map says.
type sighting struct {
	x, y, nx, ny float64
	off          float64
	weight       float64
}

// cutMM is the residual (mm) up to which no sighting is dropped: a stretch of paper
// that the field does not follow yet is no outlier, however well the rest fits.
const cutMM = 0.1

// solve fits a displacement with the given basis to the sightings: basis fills
// for a point the x and y components of every function. Reweighted least squares
// after Huber, with the scale from the median and a cut at six times it.
func solve(ss []sighting, n int, ridge func(i int) float64, basis func(x, y float64, bx, by []float64)) (coef []float64, rms float64, err error) {
	bx, by := make([]float64, n), make([]float64, n)
	rows := make([]float64, n*len(ss))
	for i := range ss {
		s := &ss[i]
		basis(s.x, s.y, bx, by)
		for k := range n {
			rows[i*n+k] = bx[k]*s.nx + by[k]*s.ny
		}
	}
	return reweight(ss, n, ridge, func(eq *lsq.Normal, weight []float64) {
		for i, w := range weight {
			if w > 0 {
				eq.Add(rows[i*n:(i+1)*n], ss[i].off, w)
			}
		}
	}, func(i int, coef []float64) float64 {
		v := 0.0
		for k, r := range rows[i*n : (i+1)*n] {
			v += coef[k] * r
		}
		return v
	})
}

// reweight is the loop of solve: gather adds the sightings with their weights to the equations, and
// value is what coefficients make of a sighting's place, along its normal.
func reweight(ss []sighting, n int, ridge func(i int) float64, gather func(eq *lsq.Normal, weight []float64), value func(i int, coef []float64) float64) (coef []float64, rms float64, err error) {
	res, abs, weight := make([]float64, len(ss)), make([]float64, len(ss)), make([]float64, len(ss))
	for i := range ss {
		res[i] = ss[i].off
	}
	for range 4 {
		for i, r := range res {
			abs[i] = math.Abs(r)
		}
		scale := math.Max(1.4826*median(abs), 1e-4)
		cut := math.Max(6*scale, cutMM)
		for i, a := range abs {
			switch weight[i] = ss[i].weight; {
			case a > cut:
				weight[i] = 0
			case a > 1.5*scale:
				weight[i] *= 1.5 * scale / a
			}
		}
		eq := lsq.New(n)
		for k := range n {
			eq.Ridge(k, ridge(k))
		}
		gather(eq, weight)
		if coef, err = eq.Solve(); err != nil {
			return nil, 0, err
		}
		sum, cnt := 0.0, 0
		for i := range ss {
			v := ss[i].off - value(i, coef)
			res[i] = v
			if math.Abs(v) <= cut {
				sum += v * v
				cnt++
			}
		}
		rms = math.Sqrt(sum / math.Max(1, float64(cnt)))
	}
	return coef, rms, nil
}

// quantile is the ⌊q·n⌋-th smallest value, 0 of nothing; v keeps its order. No value may be NaN.
func quantile(v []float64, q float64) float64 { return pick(slices.Clone(v), q) }

// pick is the same of values whose order is of no more use.
func pick[T cmp.Ordered](v []T, q float64) (none T) {
	if len(v) == 0 {
		return none
	}
	return rank.Select(v, min(len(v)-1, int(q*float64(len(v)))))
}

func median(v []float64) float64 { return quantile(v, 0.5) }

// Sampling of the radial profiles, mm and counts.
const (
	sectors   = 72
	radialMM  = 0.1
	endsReach = 8.0 // shifts of the ends test, at least
	spokes    = 4   // of a sector
	widestMM  = 0.5 // of a printed line
)

// radial is the set of radial profiles of all sectors under one map, and the pattern on the same places.
type radial struct {
	r0   float64
	t    []float32   // pattern
	tt   []float64   // running sums of its square
	v    [][]float32 // density, running mean subtracted, levelled, 0 where not seen
	vv   [][]float64 // running sums of the square
	seen [][]int32   // running count of what the picture holds
}

// radials samples straight spokes in all sectors.
func radials(pl *plane, w *Warp, p *pattern) *radial { return radialsIn(pl, w, p, 1) }

// radialsIn does so in every so many-th sector.
func radialsIn(pl *plane, w *Warp, p *pattern, every int) *radial {
	r0 := math.Max(2, p.inner-margin-p.reach())
	n := int((p.outer+margin+p.reach()-r0)/radialMM) + 1
	out := &radial{r0: r0, t: make([]float32, n), v: make([][]float32, sectors), vv: make([][]float64, sectors), seen: make([][]int32, sectors)}
	for i := range out.t {
		out.t[i] = p.at(r0 + float64(i)*radialMM)
	}
	out.tt = squares(out.t)
	inner, outer := int((p.inner-r0)/radialMM), int((p.outer-r0)/radialMM)
	count := make([]uint8, n)
	pl = pl.blunt()
	for s := 0; s < sectors; s += every {
		sum := make([]float32, n)
		clear(count)
		for k := range spokes {
			phi := (float64(s) + (float64(k)+0.5)/spokes) * 2 * math.Pi / sectors
			pl.spoke(w, phi, r0, radialMM, sum, count)
		}
		q := mean(sum, count, spokes)
		q.cover(inner, outer, int(widestMM/radialMM))
		seen := q.highPass(int(patternHigh / radialMM))
		q.bound(inner, outer)
		q.level(int(patternRMS/radialMM), seen)
		out.v[s], out.vv[s], out.seen[s] = q.v, squares(q.v), seen
	}
	return out
}

// match lays the pattern between the places i0 and i1 over the profile of sector
// s, moved outwards by shift places: the sums of the products and of the squares, and the share of places seen.
func (rd *radial) match(s, i0, i1, shift int) (pt, pp, tt, seen float64) {
	all := i1 - i0
	i0 = max(i0, 0, -shift)
	i1 = min(i1, len(rd.t), len(rd.t)-shift)
	if i0 >= i1 {
		return 0, 0, 0, 0
	}
	vv, sn := rd.vv[s], rd.seen[s]
	return dot(rd.v[s][i0+shift:i1+shift], rd.t[i0:i1]), vv[i1+shift] - vv[i0+shift], rd.tt[i1] - rd.tt[i0],
		float64(sn[i1+shift]-sn[i0+shift]) / float64(all)
}

// place is the index of a radius.
func (rd *radial) place(r float64) int { return int(math.Round((r - rd.r0) / radialMM)) }

// slide finds, in every sector and every 5 mm of radius, by how much a piece
// of the pattern is off. A piece of ±7 mm holds heavy and fine circles, so it does not slip by one.
func (rd *radial) slide(p *pattern, reach float64) []sighting {
	const half, pitch = 7.0, 5.0
	var out []sighting
	n := int(math.Round(reach / radialMM))
	score := make([]float64, 2*n+1)
	for s := range sectors {
		if rd.v[s] == nil {
			continue
		}
		phi := (float64(s) + 0.5) * 2 * math.Pi / sectors
		si, co := math.Sincos(phi)
		for r := p.inner; r <= p.outer; r += pitch {
			from, to := rd.place(r-half), rd.place(r+half)
			best := -1
			for i := range score {
				pt, pp, tt, seen := rd.match(s, from, to, i-n)
				score[i] = 0
				if seen > 0.7 && pp > 0 && tt > 0 {
					score[i] = pt / math.Sqrt(pp*tt)
				}
				if best < 0 || score[i] > score[best] {
					best = i
				}
			}
			if best <= 0 || best >= 2*n || score[best] < 0.3 {
				continue
			}
			off := float64(best-n) * radialMM
			if d := score[best-1] - 2*score[best] + score[best+1]; d < 0 {
				off += radialMM * 0.5 * (score[best-1] - score[best+1]) / d
			}
			out = append(out, sighting{x: r * co, y: r * si, nx: co, ny: si, off: off, weight: score[best] * score[best]})
		}
	}
	return out
}

// bridge moves a rough map onto the circles with what a flat sheet and a lens
// can do and nothing else: a homography and one lens term. A free field would
// invent movement along the circles, which circles alone do not see. The profiles it gives are those of the sectors it looked at.
func bridge(pl *plane, w Warp, p *pattern) (Warp, *radial, error) {
	for _, reach := range []float64{1.3, 1.3, 0.6, 0.6} {
		rd := radialsIn(pl, &w, p, roughly)
		ss := rd.slide(p, reach)
		if len(ss) < fewPieces {
			return w, nil, errFew
		}
		if rmsOff(ss) < closeMM {
			return w, rd, nil
		}
		left, err := w.bend(ss, p.outer)
		if err != nil {
			return w, nil, err
		}
		if left < closeMM {
			break
		}
	}
	return w, radialsIn(pl, &w, p, roughly), nil
}

// What a rough map is moved by.
const (
	roughly   = 3  // every so many-th sector
	fewPieces = 20 // of the pattern found in them: fewer settle nothing
)

// closeMM is by how much circles may lie off before single crossings are looked for: a fraction of a line's width.
const closeMM = 0.08

// ease moves a map onto the circles of warped paper, by a field that is held from moving along them. Circles a few tenths of a
// millimetre off blur in the mean over the turn until fine ones seem lost.
func ease(pl *plane, w Warp, rd *radial, p *pattern) (Warp, *radial, error) {
	const hold = 0.1 // of the weight of a sighting, that it is not to move along the circle
	for range 2 {
		in := cells(rd.slide(p, 0.9*p.spacing()), p.outer)
		for _, s := range in {
			in = append(in, sighting{x: s.x, y: s.y, nx: -s.ny, ny: s.nx, weight: hold * s.weight})
		}
		x, y, _, err := field(in, easeDegree, p.outer)
		if err != nil {
			return w, rd, err
		}
		w.shift(easeDegree, p.outer, x, y)
		rd = radials(pl, &w, p)
	}
	return w, rd, nil
}

const easeDegree = 3

// bend takes the homography and the lens term of the map to the sightings, and gives the rms that is left.
func (w *Warp) bend(ss []sighting, scale float64) (left float64, err error) {
	old := *w
	const n = 9
	ridge := func(i int) float64 { return 1e-4 }
	coef, left, err := solve(ss, n, ridge, func(x, y float64, bx, by []float64) {
		u, v := x/scale, y/scale
		clear(bx)
		clear(by)
		bx[0], by[1] = 1, 1
		bx[2], bx[3], by[4], by[5] = u, v, u, v
		bx[6], by[6] = -u*u, -u*v
		bx[7], by[7] = -u*v, -v*v
		// the lens term, drawn back from pixels to the plane
		const k = 0.01
		lens := old
		lens.K1 += k
		px, py := old.Pixel(x, y)
		qx, qy := lens.Pixel(x, y)
		dx, dy := old.back(x, y, qx-px, qy-py)
		bx[8], by[8] = dx, dy
	})
	if err != nil {
		return 0, err
	}
	m := [9]float64{
		1 + coef[2]/scale, coef[3] / scale, coef[0],
		coef[4] / scale, 1 + coef[5]/scale, coef[1],
		coef[6] / scale / scale, coef[7] / scale / scale, 1,
	}
	w.H = multiply(w.H, m)
	w.K1 += 0.01 * coef[8]
	return left, nil
}

// back draws a small movement in pixels at the image of (x, y) back to mm.
func (w *Warp) back(x, y, dpx, dpy float64) (dx, dy float64) {
	h := w.near(x, y).H
	a, b, c, d := h[0], h[1], h[3], h[4]
	det := a*d - b*c
	if det == 0 {
		return 0, 0
	}
	return (d*dpx - b*dpy) / det, (a*dpy - c*dpx) / det
}

// ends is the outcome of the ends test over a group of sectors.
type ends struct {
	shift float64 // of the best match, mm
	score float64 // of the best match
	lead  float64 // of no shift over shifts by a fine circle or more; below 0 where one of those is better
	seen  float64 // share of the places that the picture holds
}

// together takes the profiles of the sectors from first on for one: sums of products and squares with the pattern are
// those of all of them that were sampled, of which there are so many.
func (rd *radial) together(first, count int) (all *radial, sampled float64) {
	n := len(rd.t)
	v, vv, seen := make([]float32, n), make([]float64, n+1), make([]int32, n+1)
	for s := first; s < first+count; s++ {
		k := s % sectors
		if rd.v[k] == nil {
			continue
		}
		sampled++
		for i, x := range rd.v[k] {
			v[i] += x
		}
		for i, x := range rd.vv[k] {
			vv[i] += x
			seen[i] += rd.seen[k][i]
		}
	}
	return &radial{rd.r0, rd.t, rd.tt, [][]float32{v}, [][]float64{vv}, [][]int32{seen}}, sampled
}

// ends asks at which shift, of those up to reach mm, the whole pattern with its empty margins lies
// best in the sectors from first on: anything but 0 means that circles were taken for others.
func (rd *radial) ends(p *pattern, first, count int, reach float64) ends {
	a, b := rd.place(p.inner-margin), rd.place(p.outer+margin)
	all, sampled := rd.together(first, count)
	most := int(reach / radialMM)
	score := make([]float64, 2*most+1)
	var e ends
	best := most
	for i := range score {
		score[i] = -1
		pt, pp, tt, seen := all.match(0, a, b, i-most)
		if pp > 0 && tt > 0 {
			score[i] = pt / math.Sqrt(pp*tt*sampled)
		}
		if i == most {
			e.seen = seen / sampled
		}
	}
	for i, v := range score {
		if v > score[best] {
			best = i
		}
	}
	e.shift, e.score = float64(best-most)*radialMM, score[best]
	gap := p.spacing()
	near, far := -1.0, -1.0
	for i, v := range score {
		if math.Abs(float64(i-most)*radialMM) > 0.6*gap {
			far = math.Max(far, v)
		} else {
			near = math.Max(near, v)
		}
	}
	e.lead = near - far
	return e
}

// scaleEnd is how high, of the circles next to it, the circle at one end of the scale stands, and what is in the place
// where the next one beyond it would be.
type scaleEnd struct {
	at, beyond float64
	next       float64 // height of those next ones
}

// scaleEnds looks at nothing but the innermost and the outermost circle, in the sectors from first on.
func (rd *radial) scaleEnds(p *pattern, first, count int) (in, out scaleEnd) {
	n := len(rd.t)
	sum := make([]float64, n)
	for s := first; s < first+count; s++ {
		for i, v := range rd.v[s%sectors] {
			sum[i] += float64(v)
		}
	}
	peak := func(r, gap float64) float64 {
		m := math.Inf(-1)
		for i := max(0, rd.place(r-0.25*gap)); i <= min(n-1, rd.place(r+0.25*gap)); i++ {
			m = math.Max(m, sum[i])
		}
		return m
	}
	c := p.circles
	look := func(end, inwards int) scaleEnd {
		var next []float64
		for k := 1; k <= 10; k++ {
			i := end + k*inwards
			if i < 1 || i > len(c)-2 {
				break
			}
			next = append(next, peak(c[i].RadiusMM, math.Min(c[i+1].RadiusMM-c[i].RadiusMM, c[i].RadiusMM-c[i-1].RadiusMM)))
		}
		usual := math.Max(median(next), 1e-9)
		gap := c[end+inwards].RadiusMM - c[end].RadiusMM
		return scaleEnd{peak(c[end].RadiusMM, math.Abs(gap)) / usual, peak(c[end].RadiusMM-gap, math.Abs(gap)) / usual, usual}
	}
	return look(0, 1), look(len(c)-1, -1)
}

// step is +1 where there is a circle one beyond the outermost and none where the innermost should be, −1 the other way
// round, which is what a slip by one circle looks like; else 0. plain says that both ends of the scale are clear to
// see: their circles are there, and none beyond.
func (rd *radial) step(p *pattern, first, count int) (step int, plain bool) {
	const line = 0.5 // of the usual height
	in, out := rd.scaleEnds(p, first, count)
	switch {
	case math.Min(in.next, out.next) < 0.4*math.Max(in.next, out.next):
		return 0, false // one end is torn off or covered
	case out.beyond > line && in.at <= line && in.beyond <= line:
		step = 1
	case in.beyond > line && out.at <= line && out.beyond <= line:
		step = -1
	}
	return step, math.Min(in.at, out.at) > plainAt && math.Max(in.beyond, out.beyond) < plainBeyond
}

// count looks for every circle in the whole turn: the share that is not there,
// and how high what lies between two circles stands, of the usual height of a circle. lost says that the scan or
// a copy has lost the fine circles to its threshold, all of them or here and there; heavier is how high the
// heavy circles stand, of the fine ones.
func (rd *radial) count(p *pattern) (missing, extra float64, lost bool, heavier float64) {
	sum := make([]float64, len(rd.t))
	for _, v := range rd.v {
		for i, x := range v {
			sum[i] += float64(x)
		}
	}
	most := func(from, to float64) float64 {
		m := math.Inf(-1)
		for i := max(0, rd.place(from)); i <= min(len(sum)-1, rd.place(to)); i++ {
			m = math.Max(m, sum[i])
		}
		return m
	}
	var at, between []float64
	for i, c := range p.circles {
		at = append(at, most(c.RadiusMM-radialMM, c.RadiusMM+radialMM))
		if i > 0 {
			from, gap := p.circles[i-1].RadiusMM, c.RadiusMM-p.circles[i-1].RadiusMM
			between = append(between, most(from+0.3*gap, c.RadiusMM-0.3*gap))
		}
	}
	var heavy, fine []float64
	for i, c := range p.circles {
		if c.Major {
			heavy = append(heavy, at[i])
		} else {
			fine = append(fine, at[i])
		}
	}
	usual := quantile(at, 0.75)
	for _, v := range at {
		if v < 0.3*usual {
			missing += 1 / float64(len(at))
		}
	}
	strong := median(heavy)
	lost = len(heavy) >= fewHeavy && (usual < 0.2*strong || missing > mostMissing && quantile(heavy, 0.1) > 0.3*strong && !p.regular(at, 0.3*usual))
	heavier = 1
	if m := median(fine); m > 0 {
		heavier = strong / m
	}
	return missing, median(between) / math.Max(usual, 1e-9), lost, heavier
}

// fewHeavy is the number of heavy circles from which they tell a form without the fine ones.
const fewHeavy = 6

// regular says whether the circles lower than least are those that a form with wider spacing does not have:
// between heavy circles only every k-th is there. What a threshold takes away is not so even.
func (p *pattern) regular(at []float64, least float64) bool {
	var heavy []int
	for i, c := range p.circles {
		if c.Major {
			heavy = append(heavy, i)
		}
	}
	n := heavy[2] - heavy[1]
	for k := 2; k <= n; k++ {
		if n%k != 0 {
			continue
		}
		var on, there, off, gone float64
		for i, c := range p.circles {
			switch j := (i - heavy[1] + n*len(at)) % n; {
			case c.Major:
			case j%k == 0:
				on++
				if at[i] >= least {
					there++
				}
			default:
				off++
				if at[i] < least {
					gone++
				}
			}
		}
		if off > 0 && there >= 0.8*on && gone >= 0.8*off {
			return true
		}
	}
	return false
}

// leadOver is the lead that the pattern has, where it lies right on the print q, over itself moved by a circle or
// more, up to reach mm: small on a uniform form, and smaller where heavy circles are hardly heavier than fine ones.
func (p *pattern) leadOver(q *pattern, reach float64) float64 {
	from, to := int((p.inner-margin-p.r0)/patternStep), int((p.outer+margin-p.r0)/patternStep)
	a := p.v[from:to]
	aa := dot(a, a)
	at := func(shift int) float64 {
		b := q.v[from+shift : to+shift]
		return dot(a, b) / math.Sqrt(aa*dot(b, b))
	}
	next := -1.0
	for s := int(math.Round(0.6 * p.spacing() / patternStep)); s < int(reach/patternStep); s += 2 { // a line is wider
		next = max(next, at(s), at(-s))
	}
	return at(0) - next
}

// like is the pattern with its heavy circles only as much heavier than the fine ones as on a print where they stand
// heavier times as high once the running mean is subtracted.
func (p *pattern) like(heavier float64) *pattern {
	even := patternOf(p.circles, p.inner, p.outer, 1)
	height := func(q *pattern, major bool) float64 {
		var v []float64
		for _, c := range p.circles {
			if c.Major == major {
				v = append(v, float64(q.at(c.RadiusMM)))
			}
		}
		return median(v)
	}
	h, f := height(even, true), height(even, false)
	dh, df := height(p, true)-h, height(p, false)-f // linear in the weight
	more := (heavier*f - h) / (dh - heavier*df)
	if f <= 0 || !(more >= 0 && more < 1) {
		more = 1
	}
	return patternOf(p.circles, p.inner, p.outer, 1+more*(heavyWeight-1))
}

// spacing is the median distance of neighbouring circles, mm.
func (p *pattern) spacing() float64 {
	var d []float64
	for i := 1; i < len(p.circles); i++ {
		d = append(d, p.circles[i].RadiusMM-p.circles[i-1].RadiusMM)
	}
	return median(d)
}

// gap is the distance of a circle to the nearer of its neighbours, mm.
func (p *pattern) gap(i int) float64 {
	gap := math.Inf(1)
	if i > 0 {
		gap = p.circles[i].RadiusMM - p.circles[i-1].RadiusMM
	}
	if i+1 < len(p.circles) {
		gap = math.Min(gap, p.circles[i+1].RadiusMM-p.circles[i].RadiusMM)
	}
	return gap
}

// reach is by how much (mm) the whole pattern is moved to see whether it lies better elsewhere: by one circle more or
// less at least.
func (p *pattern) reach() float64 { return math.Max(endsReach, 1.2*p.spacing()) }

// Sampling of the crossings.
const (
	blockFan   = 4 // spokes a block, over blockSpan
	blockSpan  = 1.2 * math.Pi / 180
	crossingMM = 0.1 // along a spoke
	binMM      = 6.0 // of radius, over which crossings of one block are taken together
)

// crossings are the circle crossings of all blocks of spokes: off[b*circles+c], NaN where not seen.
type crossings struct {
	blocks  int
	circles int
	off     []float64
}

func cross(pl *plane, w *Warp, p *pattern, window float64, blocks int) crossings {
	r0 := p.inner - 2
	n := int((p.outer+2-r0)/crossingMM) + 1
	nc := len(p.circles)
	out := crossings{blocks: blocks, circles: nc, off: make([]float64, blocks*nc)}
	contrast := make([]float64, blocks*nc)
	reach := make([]float64, nc)
	valley := make([]float64, nc)
	for i := range p.circles {
		gap := p.gap(i)
		reach[i] = math.Min(window, 0.42*gap)
		valley[i] = math.Min(0.5*gap, 0.45)
	}
	sum, count := make([]float32, n), make([]uint8, n)
	for b := range blocks {
		clear(sum)
		clear(count)
		for k := range blockFan {
			phi := 2*math.Pi*float64(b)/float64(blocks) + blockSpan*((float64(k)+0.5)/blockFan-0.5)
			pl.spoke(w, phi, r0, crossingMM, sum, count)
		}
		q := mean(sum, count, blockFan)
		blur(q.v, 0.11/crossingMM)
		for c := range p.circles {
			i := b*nc + c
			out.off[i], contrast[i] = peak(q, (p.circles[c].RadiusMM-r0)/crossingMM, reach[c]/crossingMM, valley[c]/crossingMM)
			out.off[i] *= crossingMM
		}
	}
	// a crossing much fainter or stronger than its circle usually is, is knocked out by a numeral or covered with ink
	col := make([]float64, 0, blocks)
	for c := range nc {
		col = col[:0]
		for b := range blocks {
			if v := contrast[b*nc+c]; !math.IsNaN(out.off[b*nc+c]) {
				col = append(col, v)
			}
		}
		m := median(col)
		for b := range blocks {
			if v := contrast[b*nc+c]; v < 0.4*m || v > 4*m || m <= 0 {
				out.off[b*nc+c] = math.NaN()
			}
		}
	}
	return out
}

// blur is a Gaussian of sd places, in place.
func blur(v []float32, sd float64) {
	half := int(math.Ceil(3 * sd))
	k := make([]float32, half+1)
	total := float32(0)
	for i := range k {
		k[i] = float32(math.Exp(-float64(i*i) / (2 * sd * sd)))
		total += k[i]
		if i > 0 {
			total += k[i]
		}
	}
	for i := range k {
		k[i] /= total
	}
	n := len(v)
	old := make([]float32, n+2*half) // the ends go on with the last value
	copy(old[half:], v)
	for i := range half {
		old[i], old[half+n+i] = v[0], v[n-1]
	}
	for i := range v {
		v[i] = k[0] * old[half+i]
	}
	for j := 1; j <= half; j++ {
		before, after := old[half-j:][:n], old[half+j:][:n]
		for i := range v {
			v[i] += k[j] * (before[i] + after[i])
		}
	}
}

// peak is the top of the profile within reach of at, by a parabola through
// three places, and how far it stands above the places valley to either side; NaN where there is none.
func peak(q profile, at, reach, valley float64) (off, contrast float64) {
	a, b := int(math.Ceil(at-reach)), int(math.Floor(at+reach))
	va, vb := int(math.Round(at-valley)), int(math.Round(at+valley))
	if min(a-1, va) < 0 || max(b+1, vb) >= len(q.v) {
		return math.NaN(), 0
	}
	best := a
	for i := min(a-1, va); i <= max(b+1, vb); i++ {
		if !q.ok[i] {
			return math.NaN(), 0
		}
		if i >= a && i <= b && q.v[i] > q.v[best] {
			best = i
		}
	}
	l, m, r := float64(q.v[best-1]), float64(q.v[best]), float64(q.v[best+1])
	d := l - 2*m + r
	if d >= 0 || l > m || r > m {
		return math.NaN(), 0
	}
	s := 0.5 * (l - r) / d
	return float64(best) + s - at, m - 0.5*float64(q.v[va]+q.v[vb])
}

// sightings takes the crossings of one block within binMM of radius together: their median, then the mean near it. One
// alone counts where circles lie too far apart for more.
func (c *crossings) sightings(p *pattern) []sighting {
	var out []sighting
	var offs, rs []float64
	var last int // circle of the crossing taken last
	for b := range c.blocks {
		si, co := math.Sincos(2 * math.Pi * float64(b) / float64(c.blocks))
		flush := func() {
			if len(offs) > 1 || len(offs) == 1 && p.gap(last) > binMM/2 {
				m := median(offs)
				so, sr, n := 0.0, 0.0, 0.0
				for i, o := range offs {
					if math.Abs(o-m) < 0.1 {
						so, sr, n = so+o, sr+rs[i], n+1
					}
				}
				r := sr / n
				out = append(out, sighting{x: r * co, y: r * si, nx: co, ny: si, off: so / n, weight: n})
			}
			offs, rs = offs[:0], rs[:0]
		}
		end := p.inner + binMM
		for i, circle := range p.circles {
			if circle.RadiusMM > end {
				flush()
				for circle.RadiusMM > end {
					end += binMM
				}
			}
			if o := c.off[b*c.circles+i]; !math.IsNaN(o) {
				offs, rs, last = append(offs, o), append(rs, circle.RadiusMM), i
			}
		}
		flush()
	}
	return out
}

var errFew = errors.New("too few printed circles found")
