package calibrate

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"penarm/calibrate/form"
	"penarm/calibrate/rank"
)

// Numerals of the scale are looked at in windows on the heavy circles, lengths in mm.
const (
	windowMM   = 0.2 // a pixel
	windowRows = 21
	windowCols = 41
	windowRoom = 2 // pixels by which numerals may lie aside

	standsOut      = 6.0   // of the mean square in a window, of the usual, from which a numeral is in it
	standsOutLeast = 0.001 // of the mean square of density there
	mostNumerals   = 24
	fewNumerals    = 8    // below which they tell nothing
	leastOther     = 0.5  // correlation with the blank's, from which they are seen: 0.8 and more where right and clear
	betterOther    = 0.04 // by which others fit better, on average; they fit worse by 0.1 to 0.3 where the form is right
	sureOther      = 2.5  // standard errors
	worseOther     = 0.1  // by which they fit worse, on average of a few, from which on no more are asked

	rangeReach  = 3    // heavy steps by which a scale may be named too hot or too cold
	rangeTries  = 8    // numerals that tell the size of all
	rangeLeast  = 0.5  // correlation with the template, from which a numeral is read at all
	betterRange = 0.03 // by which the templates of other temperatures fit better, on average: 0.04 to 0.15 where they are right
	sureRange   = 4.0  // standard errors
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

// numerals finds what stands on the heavy circles of a blank, the clearest of it.
func (t *fitted) numerals(f *form.Form) []numeral {
	pl := grey(t.plane.pic)
	all, per := f.Arcs()
	n := all / per
	var out []numeral
	for heavy, r := range heavyRadii(f) {
		places := int(2 * math.Pi * r / windowMM / float64(n))
		wide := places + windowCols
		blocks := t.windows(pl, f, r, -windowCols/2, [4]int{0, wide, 0, windowRows})
		// how much lies in the window about each place
		var usual []float64
		load := make([][]float64, n)
		for i, b := range blocks {
			col := make([]float64, wide+1)
			for x := range wide {
				col[x+1] = col[x]
				for y := range windowRows {
					v := float64(b.v[y*wide+x])
					col[x+1] += v * v
				}
			}
			for x := range places {
				load[i] = append(load[i], col[x+windowCols*3/4]-col[x+windowCols/4])
			}
			usual = append(usual, load[i]...)
		}
		least := math.Max(standsOut*median(usual), standsOutLeast*windowCols/2*windowRows)
		for i, one := range load {
			for x, v := range one {
				if v >= least && v == slices.Max(one[max(0, x-windowCols/2):min(places, x+windowCols/2)]) {
					out = append(out, numeral{heavy, i, x, blocks[i].cut(x, windowCols), [4]int{}, v})
				}
			}
		}
	}
	slices.SortStableFunc(out, func(a, b numeral) int { return cmp.Compare(b.load, a.load) })
	out = out[:min(len(out), mostNumerals)]
	for i := range out {
		out[i].box = out[i].print.box()
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

// like is the best correlation of the numeral with what is printed in the box of a window elsewhere, moved by up to
// windowRoom pixels.
func (b *numeral) like(q *patch, box [4]int) float64 {
	best := -1.0
	for dy := -windowRoom; dy <= windowRoom; dy++ {
		for dx := -windowRoom; dx <= windowRoom; dx++ {
			var n, u, v, uu, vv, uv float64
			for y := b.box[2]; y < b.box[3]; y++ {
				for x := b.box[0]; x < b.box[1]; x++ {
					i, j := float64(b.print.v[y*b.print.w+x]), float64(q.v[(y+dy-box[2])*q.w+x+dx-box[0]])
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

// otherNumerals says whether the print shows the numerals of the blank, not where the blank does, but one heavy circle
// further out or in: a form of another range with the same circles. Only what is clearly seen counts.
func (t *fitted) otherNumerals(f *form.Form, blank []numeral) bool {
	if len(blank) < fewNumerals {
		return false
	}
	pl := grey(t.plane.pic)
	for _, look := range [][]numeral{blank[:fewNumerals], blank} { // the clearest few settle nearly every chart
		settled := true
		own := t.match(pl, f, look, 0)
		for _, out := range []int{1, -1} {
			var n, sum, squares, like float64
			for i, v := range t.match(pl, f, look, out) {
				if !math.IsNaN(v) {
					d := v - own[i]
					n, sum, squares, like = n+1, sum+d, squares+d*d, like+v
				}
			}
			mean := sum / n
			sd := math.Sqrt(math.Max(0, squares/n-mean*mean))
			if len(look) == len(blank) && n >= fewNumerals && like/n >= leastOther && mean > betterOther && mean > sureOther*sd/math.Sqrt(n) {
				return true
			}
			settled = settled && n >= fewNumerals/2 && mean < -worseOther
		}
		if settled {
			break
		}
	}
	return false
}

// match is the correlation of the print with each of a blank's numerals, so many heavy circles further out; NaN where
// no circle is.
func (t *fitted) match(pl *plane, f *form.Form, blank []numeral, out int) []float64 {
	radii := heavyRadii(f)
	type place struct{ heavy, at int }
	seen := map[place][]patch{} // numerals often stand on one arc
	like := make([]float64, len(blank))
	box := room(blank)
	for i := range blank {
		b := &blank[i]
		k := b.heavy + out
		if k < 0 || k >= len(radii) {
			like[i] = math.NaN()
			continue
		}
		at := place{k, int(math.Round(float64(b.place) * radii[k] / radii[b.heavy]))}
		w, ok := seen[at]
		if !ok {
			w = t.windows(pl, f, radii[k], at.at-windowCols/2, box)
			seen[at] = w
		}
		like[i] = b.like(&w[b.block], box)
	}
	return like
}

// otherRange is by how much hotter than the form says the numerals on its circles are, in degrees: 0 where they agree
// with it, and where they are not clearly read.
func otherRange(f *form.Form, seen []numeral) float64 {
	face, err := numeralFont()
	if err != nil || len(seen) < fewNumerals {
		return 0
	}
	radii := heavyRadii(f)
	type look struct {
		height        float64
		upside, white bool // white: where most heavy arcs have the numeral, it is seen by its lack on the others
	}
	marks := map[bool][]patch{}
	for i := range seen {
		for _, white := range []bool{false, true} {
			marks[white] = append(marks[white], seen[i].print.side(white))
		}
	}
	// read is how well every numeral fits what would be printed if the scale were so many heavy steps hotter
	read := func(seen []numeral, k look, steps int) []float64 {
		out := make([]float64, len(seen))
		for i, b := range seen {
			at := f.Temperature(radii[b.heavy]) + float64(steps)*f.MajorRing
			t := template(face, fmt.Sprintf("%g", math.Round(10*at)/10), k.height*numeralMM/windowMM, k.upside)
			out[i] = marks[k.white][i].find(&t)
		}
		return out
	}
	var best look
	most := 0.0
	for _, h := range rangeHeights {
		for k := range 4 {
			one := look{h, k%2 > 0, k/2 > 0}
			for steps := -1; steps <= 1; steps++ {
				sum := 0.0
				for _, v := range read(seen[:min(len(seen), rangeTries)], one, steps) {
					sum += v
				}
				if sum > most {
					best, most = one, sum
				}
			}
		}
	}
	said := read(seen, best, 0)
	other, lead := 0, betterRange
	for steps := -rangeReach; steps <= rangeReach; steps++ {
		var n, sum, squares float64
		for i, v := range read(seen, best, steps) {
			if math.Max(v, said[i]) >= rangeLeast {
				d := v - said[i]
				n, sum, squares = n+1, sum+d, squares+d*d
			}
		}
		mean := sum / n
		sd := math.Sqrt(math.Max(0, squares/n-mean*mean))
		if n >= fewNumerals && mean > lead && mean > sureRange*sd/math.Sqrt(n) {
			other, lead = steps, mean
		}
	}
	return float64(other) * f.MajorRing
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

// find is the best correlation of a template with a place of the patch, 0 where there is none.
func (p *patch) find(t *patch) float64 {
	n := float64(len(t.v))
	var ts, tt float64
	for _, v := range t.v {
		ts, tt = ts+float64(v), tt+float64(v)*float64(v)
	}
	best := 0.0
	for y := 0; y+t.h <= p.h; y++ {
		for x := 0; x+t.w <= p.w; x++ {
			var s, ss, st float64
			for j := range t.h {
				row := p.v[(y+j)*p.w+x:][:t.w]
				for i, v := range t.v[j*t.w:][:t.w] {
					a := float64(row[i])
					s, ss, st = s+a, ss+a*a, st+a*float64(v)
				}
			}
			if a, b := ss-s*s/n, tt-ts*ts/n; a > 0 && b > 0 {
				best = math.Max(best, (st-s*ts/n)/math.Sqrt(a*b))
			}
		}
	}
	return best
}
