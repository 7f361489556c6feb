package calibrate

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"penarm/calibrate/picture"
)

// Sizes and limits of joining. Lengths in pixels are of the first half's.
const (
	joinColumns  = 720 // of one turn, when the halves are turned against each other
	joinRows     = 160
	joinLeast    = 0.2   // correlation of a turn
	joinLead     = 1.15  // of a turn over the next that settles it: print repeats from arc to arc, numerals and ink do not
	joinTries    = 6     // turns without that lead that are looked at closely
	joinPatches  = 28    // along the long side, when the map is refined
	joinAgree    = 0.6   // correlation of a patch that counts
	joinMostRMS  = 0.7   // of what the map leaves, pixels
	joinStill    = 0.8   // of what it left before, from which another look is not worth it
	joinStrange  = 0.001 // share of the overlap that is dark in one half only
	joinMostPart = 0.5   // share of the overlap's patches that may disagree
	joinPixels   = 150e6 // of the joined picture
	joinFeather  = 24.0  // half width of the seam
)

// joint maps pixels of the first half to the second: a homography, and what is
// linear in (x/scale, y/scale) on top of it. More than that would run wild
// where the halves do not overlap.
type joint struct {
	h     [9]float64
	scale float64
	x, y  [3]float64
}

func (j *joint) at(x, y float64) (px, py float64) {
	d := j.h[6]*x + j.h[7]*y + j.h[8]
	px, py = (j.h[0]*x+j.h[1]*y+j.h[2])/d, (j.h[3]*x+j.h[4]*y+j.h[5])/d
	for i, t := range [3]float64{1, x / j.scale, y / j.scale} {
		px += t * j.x[i]
		py += t * j.y[i]
	}
	return px, py
}

// Join makes one picture of two that show overlapping halves of one chart, in
// the frame of the first. The printed circles give the centre of each, print and
// ink in the overlap the turn; patches of the overlap then settle the map. It
// refuses, with a *Refusal, halves that do not agree to below a pixel.
func Join(ctx context.Context, a, b *picture.Picture) (*picture.Picture, error) {
	if a.Channels != b.Channels {
		a, b = inColour(a), inColour(b)
	}
	turns, err := meet(ctx, a, b)
	if err != nil {
		return nil, err
	}
	// print repeats from arc to arc, so that several turns may look likely: one alone may stand
	var found *joint
	var refusal error
	for _, j := range turns {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		err := j.settle(a, b)
		switch {
		case err == nil && found != nil:
			return nil, &Refusal{"join", "the halves fit together in more ways than one: let them overlap by more, with numerals or ink in both"}
		case err == nil:
			found = j
		case refusal == nil:
			refusal = err
		}
	}
	if found == nil {
		return nil, refusal
	}
	return found.compose(a, b)
}

// settle takes the map to its final form and through the tests.
func (j *joint) settle(a, b *picture.Picture) error {
	if err := j.refine(a, b); err != nil {
		return err
	}
	if share := j.strange(a, b); share > joinStrange {
		return &Refusal{"join", fmt.Sprintf("the print agrees, but %.1f %% of the overlap carries ink in one half only: are they halves of the same chart?", 100*share)}
	}
	return nil
}

func inColour(p *picture.Picture) *picture.Picture {
	if p.Channels == 3 {
		return p
	}
	q := *p
	q.Channels, q.Pix = 3, make([]uint8, 3*len(p.Pix))
	for i, v := range p.Pix {
		q.Pix[3*i], q.Pix[3*i+1], q.Pix[3*i+2] = v, v, v
	}
	return &q
}

// polar is a picture about its circles' centre: rows of radius, columns of
// angle, a running mean along the angle subtracted; 0 where the picture ends.
type polar struct {
	v, seen, sq [joinRows][]float32
}

func newPolar(s *start, w *Warp, outer float64) *polar {
	p := &polar{}
	for i := range joinRows {
		r := outer * (0.15 + 0.85*(float64(i)+0.5)/joinRows)
		const fan, within = 5, 6 // samples a row and a column, so that no thin line falls between
		sum, count := make([]float32, within*joinColumns), make([]uint8, within*joinColumns)
		for k := range fan {
			rk := r + outer*0.85/joinRows*((float64(k)+0.5)/fan-0.5)
			s.plane.curve(w, len(sum), 2*within, func(c int) (float64, float64) {
				si, co := math.Sincos(2 * math.Pi * float64(c) / float64(within*joinColumns))
				return rk * co, rk * si
			}, sum, count)
		}
		for c := range joinColumns { // the samples of a column end up in its first place
			for k := 1; k < within; k++ {
				sum[within*c] += sum[within*c+k]
				count[within*c] += count[within*c+k]
			}
			sum[c], count[c] = sum[within*c], count[within*c]
		}
		q := mean(sum[:joinColumns], count[:joinColumns], fan*within)
		blur(q.v, 1)
		q.highPass(20)
		p.v[i], p.seen[i], p.sq[i] = q.v, make([]float32, joinColumns), make([]float32, joinColumns)
		for c, v := range q.v {
			if q.ok[c] {
				p.v[i][c] = max(-0.5, min(0.5, v))
				p.seen[i][c] = 1
				p.sq[i][c] = p.v[i][c] * p.v[i][c]
			}
		}
	}
	return p
}

// against correlates p with q turned by shift columns where both are seen; share is how much of a turn that is.
func (p *polar) against(q *polar, shift int) (score, share float64) {
	var pq, pp, qq, n float64
	turned := func(a, b []float32) float64 {
		return dot(a[shift:], b[:joinColumns-shift]) + dot(a[:shift], b[joinColumns-shift:])
	}
	for i := range joinRows {
		pq += turned(p.v[i], q.v[i])
	}
	if pq <= 0 { // nothing that is alike, whatever is seen
		return 0, 0
	}
	for i := range joinRows {
		pp += turned(p.sq[i], q.seen[i])
		qq += turned(p.seen[i], q.sq[i])
		n += turned(p.seen[i], q.seen[i])
	}
	if pp <= 0 || qq <= 0 {
		return 0, 0
	}
	return pq / math.Sqrt(pp*qq), n / (joinRows * joinColumns)
}

// meet finds by how much the second half may be turned and scaled against the first, likeliest first.
func meet(ctx context.Context, a, b *picture.Picture) ([]*joint, error) {
	const words = "on the %s half no printed circles about one centre were found: each half must show more than half of the chart"
	sa, err := starts(a, manyEdges)
	if err != nil {
		return nil, &Refusal{"join", fmt.Sprintf(words, "first")}
	}
	sb, err := starts(b, manyEdges)
	if err != nil {
		return nil, &Refusal{"join", fmt.Sprintf(words, "second")}
	}
	// the same colour of both, the one that shows the print best in the first
	one, two := sa[0], sb[0]
	if i := slices.IndexFunc(sb, func(s *start) bool { return s.plane.channel == one.plane.channel && len(s.sheets()) > 0 }); i >= 0 {
		two = sb[i]
	}
	ma, mb := one.sheets()[0], two.sheets()[0]
	wa, okA := ma.warp(a, ma.s)
	wb, okB := mb.warp(b, mb.s)
	if !okA || !okB {
		return nil, &Refusal{"join", fmt.Sprintf(words, "one")}
	}
	// Without the centre a half may share nothing with the other but print that is the same every hour.
	for i, w := range []*Warp{&wa, &wb} {
		if x, y := w.Pixel(0, 0); ![]*picture.Picture{a, b}[i].Inside(x, y) {
			return nil, &Refusal{"join", fmt.Sprintf("the %s half does not show the chart's centre: each half must show more than half of the chart", []string{"first", "second"}[i])}
		}
	}
	// Both planes are in pixels at the centre now. One glass gives both halves one scale;
	// a camera does not.
	outer := one.reach(&ma)
	pa := newPolar(one, &wa, outer)
	type turn struct{ score, scale, angle float64 }
	var turns []turn // the best of every few degrees, best first
	for _, scale := range []float64{1, 0.99, 1.01, 0.98, 1.02} {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		wk := wb
		wk.H = multiply(wb.H, [9]float64{scale, 0, 0, 0, scale, 0, 0, 0, 1})
		pb := newPolar(two, &wk, outer)
		scores := make([]float64, joinColumns)
		for s := range scores {
			score, share := pa.against(pb, s)
			if share >= 0.1 {
				scores[s] = score
			}
		}
		for s, m := range scores {
			l, r := scores[(s+joinColumns-1)%joinColumns], scores[(s+1)%joinColumns]
			if m < l || m <= r || m < joinLeast {
				continue
			}
			fine := 0.5 * (l - r) / (l - 2*m + r)
			turns = append(turns, turn{m, scale, (float64(s) + fine) * 2 * math.Pi / joinColumns})
		}
	}
	slices.SortStableFunc(turns, func(a, b turn) int { return cmp.Compare(b.score, a.score) })
	inv, ok := invert(wa.H)
	if !ok {
		return nil, &Refusal{"join", fmt.Sprintf(words, "first")}
	}
	var out []*joint
	var taken []turn
next:
	for _, t := range turns {
		if t.score < turns[0].score/joinLead || len(out) == joinTries {
			break
		}
		for _, o := range taken {
			if math.Abs(math.Remainder(t.angle-o.angle, 2*math.Pi)) < 3.5*2*math.Pi/joinColumns {
				continue next
			}
		}
		taken = append(taken, t)
		// what lies at the angle c in the second lies at c + shift in the first
		s, c := math.Sincos(-t.angle)
		k := t.scale
		h := multiply(wb.H, multiply([9]float64{k * c, -k * s, 0, k * s, k * c, 0, 0, 0, 1}, inv))
		out = append(out, &joint{h: h, scale: float64(max(a.Width, a.Height))})
	}
	if len(out) == 0 {
		return nil, &Refusal{"join", "the two pictures do not show one chart turned either way: are they halves of the same chart, overlapping by a third or more?"}
	}
	return out, nil
}

// reach is the radius in pixels within which most lines on circles lie.
func (s *start) reach(m *rectify) float64 {
	var radii []float64
	for _, e := range s.edges {
		if off, r := m.offset(&e); math.Abs(off) < onCircle {
			radii = append(radii, r*m.s)
		}
	}
	return quantile(radii, 0.98)
}

// refine settles the map by patches of the overlap, coarse first.
func (j *joint) refine(a, b *picture.Picture) error {
	long := float64(max(a.Width, a.Height))
	fine := long / 2600 // pixels to a tenth of a millimetre, about
	rms := 0.0
	for i, step := range []struct{ sample, half, reach float64 }{{3, 20, 8}, {2, 20, 5}, {1, 18, 5}, {1, 18, 3}, {1, 18, 3}, {1, 18, 3}, {1, 18, 3}} {
		ss, tried := j.patches(a, b, math.Max(1, step.sample*fine), int(step.half), int(step.reach))
		if len(ss) < 2*12 || float64(len(ss)/2) < (1-joinMostPart)*float64(tried) {
			return &Refusal{"join", fmt.Sprintf("only %d of %d places in the overlap look alike in both halves: are they halves of the same chart, both flat and sharp?", len(ss)/2, tried)}
		}
		const n = 3
		coef, r, err := solve(ss, 2*n, func(int) float64 { return 1e-6 }, func(x, y float64, bx, by []float64) {
			clear(bx)
			clear(by)
			bx[0], bx[1], bx[2] = 1, x/j.scale, y/j.scale
			copy(by[n:], bx[:n])
		})
		if err != nil {
			return &Refusal{"join", "the overlap does not settle how the halves lie: let them overlap by a third or more"}
		}
		for i := range n {
			j.x[i] += coef[i]
			j.y[i] += coef[n+i]
		}
		still := i > 2 && r > joinStill*rms
		if rms = r; still {
			break
		}
	}
	if rms > joinMostRMS*math.Max(1, fine) {
		return &Refusal{"join", fmt.Sprintf("the halves agree only to %.1f pixels: lay the chart flat for both, without moving the lid's shadow over it", rms)}
	}
	return nil
}

// patches finds where patches of the first half lie in the second: two
// sightings each (x and y, in the second's pixels), and how many were tried.
func (j *joint) patches(a, b *picture.Picture, sample float64, half, reach int) (out []sighting, tried int) {
	pitch := float64(max(a.Width, a.Height)) / joinPatches
	n := 2*half + 1
	m := n + 2*reach
	pa, pb := make([]float64, n*n), make([]float64, m*m)
	grab := func(pic *picture.Picture, size int, at func(u, v float64) (x, y float64), out []float64) bool {
		c := float64(size-1) / 2
		for v := range size {
			for u := range size {
				x, y := at((float64(u)-c)*sample, (float64(v)-c)*sample)
				if !pic.Inside(x, y) {
					return false
				}
				s := 0.0
				for ch := range pic.Channels {
					s += float64(pic.Sample(x, y, ch))
				}
				out[v*size+u] = s
			}
		}
		return true
	}
	for y := pitch / 2; y < float64(a.Height); y += pitch {
		for x := pitch / 2; x < float64(a.Width); x += pitch {
			here := func(u, v float64) (float64, float64) { return x + u, y + v }
			there := func(u, v float64) (float64, float64) { return j.at(x+u, y+v) }
			if !grab(a, n, here, pa) || !grab(b, m, there, pb) {
				continue
			}
			mean, norm := 0.0, 0.0
			for _, v := range pa {
				mean += v / float64(len(pa))
			}
			for i := range pa {
				pa[i] -= mean
				norm += pa[i] * pa[i]
			}
			if norm < 25*float64(len(pa)*a.Channels) {
				continue // bare paper or lid
			}
			tried++
			w := 2*reach + 1
			score := make([]float64, w*w)
			best := 0
			for dv := range w {
				for du := range w {
					var ab, s, ss float64
					for v := range n {
						row := pb[(v+dv)*m+du:][:n]
						for u, q := range row {
							ab += q * pa[v*n+u]
							s += q
							ss += q * q
						}
					}
					if e := ss - s*s/float64(n*n); e > 0 {
						score[dv*w+du] = ab / math.Sqrt(e*norm)
					}
					if score[dv*w+du] > score[best] {
						best = dv*w + du
					}
				}
			}
			du, dv := best%w, best/w
			if score[best] < joinAgree || du == 0 || dv == 0 || du == w-1 || dv == w-1 {
				continue
			}
			top := func(l, m, r float64) float64 { return 0.5 * (l - r) / (l - 2*m + r) }
			ox := (float64(du-reach) + top(score[best-1], score[best], score[best+1])) * sample
			oy := (float64(dv-reach) + top(score[best-w], score[best], score[best+w])) * sample
			// the patch lies at j.at(x+ox, y+oy) rather than at j.at(x, y)
			px, py := j.at(x, y)
			qx, qy := j.at(x+ox, y+oy)
			if math.IsNaN(qx + qy) {
				continue
			}
			out = append(out, sighting{x: x, y: y, nx: 1, off: qx - px, weight: 1}, sighting{x: x, y: y, ny: 1, off: qy - py, weight: 1})
		}
	}
	return out, tried
}

// strange is the share of the overlap, in squares of about a millimetre, in
// which one half is darker than the other by more than a faint stroke: ink that
// only one of them has. Slow differences of light do not count.
func (j *joint) strange(a, b *picture.Picture) float64 {
	const across, wide, stroke = 260, 3, 0.1 // squares along the long side, squares of light's mean to each side, density
	size := max(1, max(a.Width, a.Height)/across)
	w, h := a.Width/size, a.Height/size
	share, all := 0.0, 0.0
	strange := make([]bool, w*h)
	seen := make([]bool, w*h)
	for c := range a.Channels {
		da, db := newPlane(a, c), newPlane(b, c)
		v := make([]float32, w*h)
		for y := range h {
			for x := range w {
				sum, n := float32(0), 0
				for k := 0; k < size*size; k += 3 {
					px, py := float64(x*size+k%size), float64(y*size+k/size)
					qx, qy := j.at(px, py)
					va, okA := da.at(px, py)
					vb, okB := db.at(qx, qy)
					if okA && okB {
						sum, n = sum+min(va, 1)-min(vb, 1), n+1
					}
				}
				if n > size*size/4 {
					v[y*w+x], seen[y*w+x] = sum/float32(n), true
				}
			}
		}
		for y := wide; y < h-wide; y++ {
			for x := wide; x < w-wide; x++ {
				if !seen[y*w+x] {
					continue
				}
				around := make([]float64, 0, (2*wide+1)*(2*wide+1))
				for dy := -wide; dy <= wide; dy++ {
					for dx := -wide; dx <= wide; dx++ {
						if i := (y+dy)*w + x + dx; seen[i] {
							around = append(around, float64(v[i]))
						}
					}
				}
				if math.Abs(float64(v[y*w+x])-median(around)) > stroke {
					strange[y*w+x] = true
				}
			}
		}
	}
	for i, s := range seen {
		if s {
			all++
		}
		if strange[i] {
			share++
		}
	}
	return share / math.Max(1, all)
}

// compose lays both halves into the first one's frame; the seam runs where both are equally far inside.
func (j *joint) compose(a, b *picture.Picture) (*picture.Picture, error) {
	// the second half's outline in the first's pixels
	x0, y0, x1, y1 := 0.0, 0.0, float64(a.Width-1), float64(a.Height-1)
	for i := range 9 {
		bx, by := float64(b.Width-1)*float64(i%3)/2, float64(b.Height-1)*float64(i/3)/2
		x, y, ok := j.inverse(bx, by, float64(a.Width)/2, float64(a.Height)/2)
		if !ok {
			return nil, &Refusal{"join", "the halves do not lie in one plane: lay the chart flat for both"}
		}
		x0, y0, x1, y1 = math.Min(x0, x), math.Min(y0, y), math.Max(x1, x), math.Max(y1, y)
	}
	ox, oy := math.Floor(x0), math.Floor(y0)
	w, h := int(math.Ceil(x1)-ox)+1, int(math.Ceil(y1)-oy)+1
	if float64(w)*float64(h) > joinPixels {
		return nil, &Refusal{"join", fmt.Sprintf("the joined picture would have %d × %d pixels: scan the halves at 300 dpi", w, h)}
	}
	ch := a.Channels
	out := &picture.Picture{Width: w, Height: h, Channels: ch, Pix: make([]uint8, w*h*ch), DPIX: a.DPIX, DPIY: a.DPIY,
		Bilevel: a.Bilevel && b.Bilevel, Source: "two halves joined"}
	inside := func(p *picture.Picture, x, y float64) float64 {
		return math.Min(math.Min(x, float64(p.Width-1)-x), math.Min(y, float64(p.Height-1)-y))
	}
	for v := range h {
		y := float64(v) + oy
		row := out.Pix[v*w*ch : (v+1)*w*ch]
		for u := range w {
			x := float64(u) + ox
			da := inside(a, x, y)
			px, py := j.at(x, y)
			db := inside(b, px, py)
			share := math.Max(0, math.Min(1, 0.5+(da-db)/(4*joinFeather))) // of the first
			inA, inB := da >= 0, b.Inside(px, py)
			switch {
			case inA && (!inB || share == 1):
				i := (int(y)*a.Width + int(x)) * ch
				copy(row[u*ch:u*ch+ch], a.Pix[i:i+ch])
			case inB && (!inA || share == 0):
				for c := range ch {
					row[u*ch+c] = uint8(b.Sample(px, py, c) + 0.5)
				}
			case inA && inB:
				i := (int(y)*a.Width + int(x)) * ch
				for c := range ch {
					row[u*ch+c] = uint8(share*float64(a.Pix[i+c]) + (1-share)*float64(b.Sample(px, py, c)) + 0.5)
				}
			default:
				for c := range ch {
					row[u*ch+c] = 255
				}
			}
		}
	}
	return out, nil
}

// inverse is where in the first half a pixel of the second lies, by Newton's method.
func (j *joint) inverse(px, py, x, y float64) (float64, float64, bool) {
	for range 30 {
		qx, qy := j.at(x, y)
		ax, ay := j.at(x+1, y)
		bx, by := j.at(x, y+1)
		a, b, c, d := ax-qx, bx-qx, ay-qy, by-qy
		det := a*d - b*c
		if det == 0 {
			break
		}
		dx, dy := (d*(px-qx)-b*(py-qy))/det, (a*(py-qy)-c*(px-qx))/det
		x, y = x+dx, y+dy
		if math.Hypot(dx, dy) < 1e-6 {
			return x, y, true
		}
	}
	return 0, 0, false
}
