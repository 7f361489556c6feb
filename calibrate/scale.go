package calibrate

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"golang.org/x/image/font/opentype"

	"penarm/calibrate/form"
	"penarm/calibrate/rank"
)

// Numerals of the scale are looked at in windows on the heavy circles, lengths in mm. Limits are chosen on drawn charts, with
// the scale as the form says and up to four heavy steps off, without a source.
const (
	windowMM   = 0.2 // a pixel
	windowRows = 21
	windowCols = 41
	windowRoom = 2 // pixels by which numerals may lie aside

	standsOut      = 4.0   // of the mean square in a window, of the usual, from which a numeral is in it
	standsOutLeast = 0.001 // of the mean square of density there
	recursOut      = 10.0  // times the usual mean square of the slopes in a window, of which as much does not count
	recursLeast    = 0.1   // correlation of the slopes of two windows less that, from which both may show one numeral
	mostNumerals   = 24
	mostRecurring  = 36    // on a chart in use: the clearest may have ink on them
	fewNumerals    = 8     // below which they tell nothing
	plainOwn       = 0.6   // median correlation with the blank's, from which numerals stand where the blank's do
	sureOwn        = 2.0   // standard errors by which all others fit worse there where they are the blank's
	leastOther     = 0.5   // correlation with the blank's on other circles, from which they are seen: 0.8 and more where right and clear
	betterOther    = 0.04  // by which those fit better, on average; they fit worse by 0.1 to 0.3 where the form is right
	sureOther      = 2.5   // standard errors
	betterDrawn    = 0.005 // by which redrawn ones fit better, on average; they fit worse by 0.01 to 0.2 where the form is right

	rangeReach      = 5    // heavy steps by which a scale may be hotter or colder
	rangeTries      = 12   // numerals that tell the size of all
	rangeLetterings = 3    // that are looked at for every scale
	rangeLeast      = 0.5  // correlation with the template, from which a numeral is read at all
	betterRange     = 0.03 // by which the templates of other temperatures fit better, on average: 0.04 to 0.15 where they are right
	sureRange       = 4.0  // standard errors
)

// rangeHeights are the heights of numerals (mm) that are tried.
var rangeHeights = []float64{1.3, 1.6, 1.9, 2.3}

// numeral is what is printed about a heavy circle beside the grid, and where: heavy counts these circles outwards.
type numeral struct {
	heavy int
	block int // of the heavy arcs
	place int // pixels from that arc, along the circle
	print patch
	box   [4]int // columns and rows of it that are printed on
	load  float64

	redrawn []patch // as it would be printed if the scale were hotter by -rangeReach heavy steps, and so on; nil where it is not read
}

// windows samples about a circle of radius r, from each heavy arc on, the box of a window whose columns begin at the place
// first (pixels along the circle), and takes away what lies there after most heavy arcs alike: the grid.
func (t *fitted) windows(pl *plane, f *form.Form, r float64, first int, box [4]int) []patch {
	all, per := f.Arcs()
	n := all / per
	out := make([]patch, n)
	first += box[0]
	cols, rows := box[1]-box[0], box[3]-box[2]
	sum, count := make([]float32, cols), make([]uint8, cols)
	lag := f.Lag(r)
	for i := range out {
		out[i] = patch{cols, rows, make([]float32, cols*rows)}
		for y := range rows {
			clear(sum)
			clear(count)
			rad := r - (float64(box[2]+y)-windowRows/2)*windowMM
			pl.curve(&t.warp, cols, int(3/windowMM), func(x int) (float64, float64) {
				s, c := math.Sincos(2*math.Pi*float64(i)/float64(n) + lag + float64(first+x)*windowMM/r)
				return rad * c, rad * s
			}, sum, count)
			copy(out[i].v[y*cols:], mean(sum, count, 1).v)
		}
	}
	at := make([]float64, n)
	for k := range cols * rows {
		for i := range out {
			at[i] = float64(out[i].v[k])
		}
		m := rank.Select(at, n/2)
		for i := range out {
			out[i].v[k] = float32(max(-printCap, min(printCap, float64(out[i].v[k])-m)))
		}
	}
	return out
}

// heavyRadii are the radii of the heavy circles between the two ends of the scale.
func heavyRadii(f *form.Form) (out []float64) {
	all := f.Circles()
	for _, c := range all[1 : len(all)-1] {
		if c.Major {
			out = append(out, c.RadiusMM)
		}
	}
	return out
}

// numerals finds what stands on the heavy circles, the clearest of it: of a blank all that does, of a chart in use only what
// recurs from heavy arc to heavy arc, as numerals do and ink does not.
func (t *fitted) numerals(f *form.Form, inUse bool) []numeral {
	pl := grey(t.plane.pic)
	all, per := f.Arcs()
	n := all / per
	var out []numeral
	for heavy, r := range heavyRadii(f) {
		places := int(2 * math.Pi * r / windowMM / float64(n))
		wide := places + windowCols
		blocks := t.windows(pl, f, r, -windowCols/2, [4]int{0, wide, 0, windowRows})
		var load [][]float64
		pitch, least := 2, recursLeast
		if inUse {
			load = recurrences(blocks)
		} else {
			load, pitch = loads(blocks), 1
			least = math.Max(standsOut*median(slices.Concat(load...)), standsOutLeast*windowCols/2*windowRows)
		}
		for i, one := range load {
			for k, v := range one {
				if half := windowCols / 2 / pitch; v >= least && v == slices.Max(one[max(0, k-half):min(len(one), k+half)]) {
					out = append(out, numeral{heavy: heavy, block: i, place: k * pitch, print: blocks[i].cut(k*pitch, windowCols), load: v})
				}
			}
		}
	}
	slices.SortStableFunc(out, func(a, b numeral) int { return cmp.Compare(b.load, a.load) })
	most := mostNumerals
	if inUse {
		most = mostRecurring
	}
	out = out[:min(len(out), most)]
	for i := range out {
		out[i].box = out[i].print.box()
	}
	return out
}

// loads is how much lies in the window about each place of each block.
func loads(blocks []patch) [][]float64 {
	out := make([][]float64, len(blocks))
	for i, b := range blocks {
		out[i] = windowed(&b, &b, windowCols, windowCols/4, 0)
	}
	return out
}

// recurrences is how much of what lies in the window about every second place of each block lies in that of another one, too.
// Slopes along the circle are compared, for a pen's line that follows it has none, in coarse pixels, for fine lines and the
// scan's pixels make patterns that recur every quarter turn; the print may lie aside by a few of them.
func recurrences(blocks []patch) [][]float64 {
	const aside = 2
	out, steep, norm := make([][]float64, len(blocks)), make([]patch, len(blocks)), make([][]float64, len(blocks))
	for i, b := range blocks {
		h := b.half()
		h.blur()
		steep[i] = patch{h.w, h.h, make([]float32, len(h.v))}
		for y := range h.h {
			row, to := h.v[y*h.w:(y+1)*h.w], steep[i].v[y*h.w:]
			for x := 1; x < len(row); x++ {
				to[x] = row[x] - row[x-1]
			}
		}
		out[i] = make([]float64, h.w-windowCols/2)
		norm[i] = windowed(&steep[i], &steep[i], windowCols/2, windowCols/16, 0)
	}
	little := recursOut * median(slices.Concat(norm...))
	for i := range blocks {
		for j := range i {
			for dx := -aside; dx <= aside; dx++ {
				for x, v := range windowed(&steep[i], &steep[j], windowCols/2, windowCols/16, dx) {
					if x+dx >= 0 && x+dx < len(out[j]) && v > 0 {
						v /= math.Sqrt(norm[i][x]*norm[j][x+dx]) + little
						out[i][x], out[j][x+dx] = math.Max(out[i][x], v), math.Max(out[j][x+dx], v)
					}
				}
			}
		}
	}
	return out
}

// windowed is the sum of the products of two patches, of which the second is looked at so many columns further on, in a
// window of so many columns that begins at each column, its margins left out.
func windowed(a, b *patch, cols, margin, further int) []float64 {
	sums := make([]float32, a.w)
	from, to := max(0, -further), min(a.w, a.w-further)
	for y := range a.h {
		row, other := a.v[y*a.w+from:y*a.w+to], b.v[y*a.w+from+further:y*a.w+to+further]
		for x, v := range row {
			sums[from+x] += v * other[x]
		}
	}
	out := make([]float64, a.w-cols)
	s := 0.0
	for _, v := range sums[margin : cols-margin] {
		s += float64(v)
	}
	for x := range out {
		out[x] = s
		s += float64(sums[x+cols-margin]) - float64(sums[x+margin])
	}
	return out
}

// box is the columns and rows that hold the most of a patch, with one more to each side.
func (p *patch) box() [4]int {
	span := func(n int, at func(i int) float64) (from, to int) {
		var sums []float64
		for i := range n {
			sums = append(sums, at(i))
		}
		least := 0.25 * slices.Max(sums)
		for from = 0; sums[from] < least; from++ {
		}
		for to = n; sums[to-1] < least; to-- {
		}
		return max(windowRoom, from-1), min(n-windowRoom, to+1)
	}
	x0, x1 := span(p.w, func(x int) (s float64) {
		for y := range p.h {
			s += math.Abs(float64(p.v[y*p.w+x]))
		}
		return s
	})
	y0, y1 := span(p.h, func(y int) (s float64) {
		for x := range p.w {
			s += math.Abs(float64(p.v[y*p.w+x]))
		}
		return s
	})
	return [4]int{x0, x1, y0, y1}
}

// cut is the part of so many columns from the column x on.
func (p *patch) cut(x, cols int) patch {
	out := patch{cols, p.h, make([]float32, 0, cols*p.h)}
	for y := range p.h {
		out.v = append(out.v, p.v[y*p.w+x:y*p.w+x+cols]...)
	}
	return out
}

// like is the best correlation of what is printed in the box of a window with the numeral as it is, or redrawn so many
// heavy steps hotter, moved by up to windowRoom pixels; NaN where it is not redrawn.
func (b *numeral) like(q *patch, box [4]int, steps int) float64 {
	p := &b.print
	if steps != 0 {
		if b.redrawn == nil {
			return math.NaN()
		}
		p = &b.redrawn[steps+rangeReach]
	}
	best := -1.0
	for dy := -windowRoom; dy <= windowRoom; dy++ {
		for dx := -windowRoom; dx <= windowRoom; dx++ {
			var n, u, v, uu, vv, uv float64
			for y := b.box[2]; y < b.box[3]; y++ {
				row := q.v[(y+dy-box[2])*q.w+b.box[0]+dx-box[0]:]
				for x, i := range p.v[y*p.w+b.box[0] : y*p.w+b.box[1]] {
					i, j := float64(i), float64(row[x])
					n, u, v, uu, vv, uv = n+1, u+i, v+j, uu+i*i, vv+j*j, uv+i*j
				}
			}
			if a, c := uu-u*u/n, vv-v*v/n; a > 0 && c > 0 {
				best = math.Max(best, (uv-u*v/n)/math.Sqrt(a*c))
			}
		}
	}
	return best
}

// room is the box in which all of the numerals are looked for.
func room(all []numeral) [4]int {
	box := all[0].box
	for _, b := range all {
		box = [4]int{min(box[0], b.box[0]), max(box[1], b.box[1]), min(box[2], b.box[2]), max(box[3], b.box[3])}
	}
	return [4]int{box[0] - windowRoom, box[1] + windowRoom, box[2] - windowRoom, box[3] + windowRoom}
}

// sight is what a chart shows where numerals of a blank may stand.
type sight struct {
	fit  *fitted
	form *form.Form
	pl   *plane
	box  [4]int
	at   map[[2]int][]patch // by heavy circle and place: numerals often stand on one arc
}

// match is the correlation of the print with each of a blank's numerals, redrawn so many heavy steps hotter, and so many
// heavy circles further out than they stand on the blank; NaN where no circle is, and where a numeral is not redrawn.
func (s *sight) match(blank []numeral, steps, out int) []float64 {
	radii := heavyRadii(s.form)
	like := make([]float64, len(blank))
	for i := range blank {
		b := &blank[i]
		k := b.heavy + out
		if k < 0 || k >= len(radii) {
			like[i] = math.NaN()
			continue
		}
		place := int(math.Round(float64(b.place) * radii[k] / radii[b.heavy]))
		w, ok := s.at[[2]int{k, place}]
		if !ok {
			w = s.fit.windows(s.pl, s.form, radii[k], place-windowCols/2, s.box)
			s.at[[2]int{k, place}] = w
		}
		like[i] = b.like(&w[b.block], s.box, steps)
	}
	return like
}

// lead is by how much other correlations are higher than the own, on average of those that are known.
type lead struct {
	n, mean float64
	sure    float64 // the standard error of the mean
	like    float64 // mean of the other ones
}

func leadOf(other, own []float64) (l lead) {
	var sum, squares, like float64
	for i, v := range other {
		if d := v - own[i]; !math.IsNaN(d) {
			l.n, sum, squares, like = l.n+1, sum+d, squares+d*d, like+v
		}
	}
	l.mean, l.like = sum/l.n, like/l.n
	l.sure = math.Sqrt(math.Max(0, squares/l.n-l.mean*l.mean) / l.n)
	return l
}

func (l *lead) none() bool { return l.n < fewNumerals/2 }

// worse says whether the own ones are clearly higher.
func (l *lead) worse() bool { return !l.none() && l.mean < -sureOwn*l.sure }

// otherNumerals is by how much hotter than the form says the numerals on the circles are, in degrees, as the blank's own
// tell, either where they stand on it and redrawn, or as they are, on circles further out or in: 0 where they agree with it,
// and where they are not clearly seen.
func (t *fitted) otherNumerals(f *form.Form, blank []numeral) float64 {
	if len(blank) < fewNumerals {
		return 0
	}
	s := &sight{t, f, grey(t.plane.pic), room(blank), map[[2]int][]patch{}}
	outwards := 1 // heavy circles that a numeral stands further out where the scale is a heavy step colder
	if f.Temperature(f.Outer()) < f.Temperature(f.Inner()) {
		outwards = -1
	}
	var open []int // heavy steps that are not ruled out
	for steps := -rangeReach; steps <= rangeReach; steps++ {
		if steps != 0 {
			open = append(open, steps)
		}
	}
	drawn, moved := 0, 0
	for _, look := range [][]numeral{blank[:fewNumerals], blank} { // the clearest few settle nearly every chart
		own := s.match(look, 0, 0)
		inPlace := median(own) >= plainOwn
		var left []int
		drawn, moved = 0, 0
		var mostDrawn, mostMoved float64
		for _, steps := range open {
			l := leadOf(s.match(look, steps, 0), own)
			if l.n >= fewNumerals && l.mean > math.Max(betterDrawn, mostDrawn) && l.mean > sureRange*l.sure {
				drawn, mostDrawn = steps, l.mean
			}
			if l.worse() && inPlace {
				continue
			}
			m := leadOf(s.match(look, 0, -steps*outwards), own)
			if m.n >= fewNumerals && m.like >= leastOther && m.mean > math.Max(betterOther, mostMoved) && m.mean > sureOther*m.sure {
				moved, mostMoved = steps, m.mean
			}
			if !(l.worse() && (m.worse() || m.none()) || l.none() && m.worse()) {
				left = append(left, steps)
			}
		}
		if open = left; len(open) == 0 {
			return 0
		}
	}
	// those in place say better which it is
	return float64(cmp.Or(drawn, moved)) * f.MajorRing
}

// lettering is how the numerals of a scale are printed.
type lettering struct {
	face          *opentype.Font
	height        float64 // mm
	upside, white bool    // white: where most heavy arcs have the numeral, it is seen by its lack on the others
}

// template draws the numeral of a temperature.
func (k *lettering) template(at float64) patch {
	return template(k.face, fmt.Sprintf("%g", math.Round(10*at)/10), k.height*numeralMM/windowMM, k.upside)
}

// letteringOf is the lettering in which the clearest of what is seen can be read best, whatever the scale; false where it can
// in none.
func letteringOf(f *form.Form, seen []numeral) (best lettering, ok bool) {
	face, err := numeralFont()
	if err != nil || len(seen) < fewNumerals {
		return best, false
	}
	type try struct {
		lettering
		score float64
	}
	look := func(k lettering, reach int) (most float64) {
		for steps := -reach; steps <= reach; steps++ {
			sum := 0.0
			for _, v := range k.read(f, seen[:min(len(seen), rangeTries)], steps) {
				sum += math.Max(0, v-rangeLeast)
			}
			most = math.Max(most, sum)
		}
		return most
	}
	var tries []try
	for _, h := range rangeHeights {
		for k := range 4 {
			one := lettering{face, h, k%2 > 0, k/2 > 0}
			tries = append(tries, try{one, look(one, 1)}) // numerals a little off are read a little
		}
	}
	byScore := func(a, b try) int { return cmp.Compare(b.score, a.score) }
	slices.SortStableFunc(tries, byScore)
	tries = tries[:rangeLetterings]
	for i := range tries {
		tries[i].score = look(tries[i].lettering, rangeReach)
	}
	slices.SortStableFunc(tries, byScore)
	return tries[0].lettering, tries[0].score > 0
}

// read is how well every numeral fits what would be printed if the scale were so many heavy steps hotter.
func (k *lettering) read(f *form.Form, seen []numeral, steps int) []float64 {
	radii := heavyRadii(f)
	out := make([]float64, len(seen))
	for i, b := range seen {
		t := k.template(f.Temperature(radii[b.heavy]) + float64(steps)*f.MajorRing)
		mark := b.print.side(k.white)
		out[i], _, _ = mark.find(&t)
	}
	return out
}

// otherRange is by how much hotter than the form says the numerals on its circles are, in degrees: 0 where they agree
// with it, and where they are not clearly read.
func otherRange(f *form.Form, seen []numeral) float64 {
	k, ok := letteringOf(f, seen)
	if !ok {
		return 0
	}
	said := k.read(f, seen, 0)
	other, most := 0, betterRange
	for steps := -rangeReach; steps <= rangeReach; steps++ {
		like := k.read(f, seen, steps)
		for i, v := range like {
			if math.Max(v, said[i]) < rangeLeast {
				like[i] = math.NaN()
			}
		}
		if l := leadOf(like, said); l.n >= fewNumerals && l.mean > most && l.mean > sureRange*l.sure {
			other, most = steps, l.mean
		}
	}
	return float64(other) * f.MajorRing
}

// redraw gives the numerals of a blank as they would be printed if the scale were hotter or colder: their own print with the
// difference between the templates of the two temperatures. Those that are not read stay without.
func redraw(f *form.Form, seen []numeral) {
	k, ok := letteringOf(f, seen)
	if !ok {
		return
	}
	radii := heavyRadii(f)
	for i := range seen {
		b := &seen[i]
		at := f.Temperature(radii[b.heavy])
		own, mark := k.template(at), b.print.side(k.white)
		like, x, y := mark.find(&own)
		if like < rangeLeast {
			continue
		}
		strength := b.print.slope(&own, x, y)
		for steps := -rangeReach; steps <= rangeReach; steps++ {
			p := patch{b.print.w, b.print.h, slices.Clone(b.print.v)}
			other := k.template(at + float64(steps)*f.MajorRing)
			p.add(&own, x, y, -strength)
			p.add(&other, x+(own.w-other.w)/2, y, strength)
			b.redrawn = append(b.redrawn, p)
		}
	}
}

// rangeWords says by how much the numerals of the scale contradict the form.
func rangeWords(f *form.Form, by float64) string {
	return fmt.Sprintf("the numerals on the circles are those of a scale %g °%s %s", math.Abs(by), f.Unit, map[bool]string{true: "hotter", false: "colder"}[by > 0])
}

// side is what is darker than usual on the patch, or lighter: where a numeral interrupts the circles, both are there.
func (p *patch) side(lighter bool) patch {
	out := patch{p.w, p.h, make([]float32, len(p.v))}
	for i, v := range p.v {
		if lighter {
			v = -v
		}
		out.v[i] = max(0, v)
	}
	return out
}

// find is the best correlation of a template with a place of the patch, and the column and row where that begins; 0 where
// there is none.
func (p *patch) find(t *patch) (best float64, column, row int) {
	n := float64(len(t.v))
	var ts float64
	for _, v := range t.v {
		ts += float64(v)
	}
	b := dot(t.v, t.v) - ts*ts/n
	// running sums along the rows
	sum, squares := make([]float64, p.h*(p.w+1)), make([]float64, p.h*(p.w+1))
	for y := range p.h {
		at := y * (p.w + 1)
		for x, v := range p.v[y*p.w : (y+1)*p.w] {
			sum[at+x+1], squares[at+x+1] = sum[at+x]+float64(v), squares[at+x]+float64(v)*float64(v)
		}
	}
	for y := 0; y+t.h <= p.h; y++ {
		for x := 0; x+t.w <= p.w; x++ {
			var s, ss, st float64
			for j := range t.h {
				at := (y+j)*(p.w+1) + x
				s, ss = s+sum[at+t.w]-sum[at], ss+squares[at+t.w]-squares[at]
				st += dot(p.v[(y+j)*p.w+x:][:t.w], t.v[j*t.w:][:t.w])
			}
			if a := ss - s*s/n; a > 1e-12 && b > 0 {
				if like := (st - s*ts/n) / math.Sqrt(a*b); like > best {
					best, column, row = like, x, y
				}
			}
		}
	}
	return best, column, row
}

// slope is by how much the patch grows with a template that lies at a place of it, by least squares.
func (p *patch) slope(t *patch, column, row int) float32 {
	var s, ts, tt, st float64
	for j := range t.h {
		for i := range t.w {
			a, v := float64(p.v[(row+j)*p.w+column+i]), float64(t.v[j*t.w+i])
			s, ts, tt, st = s+a, ts+v, tt+v*v, st+a*v
		}
	}
	n := float64(len(t.v))
	return float32((st - s*ts/n) / (tt - ts*ts/n))
}

// add adds a template, so many times, from a place on; what lies beyond the patch is left out.
func (p *patch) add(t *patch, column, row int, times float32) {
	for j := range t.h {
		for i := range t.w {
			if x, y := column+i, row+j; x >= 0 && x < p.w && y >= 0 && y < p.h {
				p.v[y*p.w+x] += times * t.v[j*t.w+i]
			}
		}
	}
}
