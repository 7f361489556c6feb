package calibrate

import (
	"cmp"
	"context"
	"fmt"
	"image"
	"math"
	"slices"
	"sync"

	"codeberg.org/go-fonts/dejavu/dejavusans"
	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"

	"penarm/calibrate/form"
)

// Reading the printed hours: lengths in mm. Printed numerals differ in face and
// size, so the templates are only rough; what tells is that all hours of a turn
// must fit at once.
const (
	numeralMM    = 0.25 // a pixel of patches and templates
	numeralHalf  = 10.0 // of a patch along the circle
	numeralBlur  = 1.0  // pixels
	asidePitches = 5    // to either side of an arc, in steps of two pixels, that the middle of its numeral may lie
	numeralLeast = 0.5  // correlation; where all hours fit it is 0.7 and more, where none does 0.3
	numeralLead  = 1.12 // of the best turn over the next: 1.19 and more where right, 1.0 where nothing can be read
	numeralPart  = 1.05 // the same in every other hour, and in the hours between
	numeralTries = 4    // sizes and places of the numerals that are looked at finely
)

// numeralFont parses the face of the templates once.
var numeralFont = sync.OnceValues(func() (*opentype.Font, error) { return opentype.Parse(dejavusans.TTF) })

// patch is a small piece of print, rows from the rim inwards, columns clockwise.
type patch struct {
	w, h int
	v    []float32
}

// order is a way in which hours may stand round the turn: at every so many-th of the places looked at, from the one
// named first on, stands the hour that is step later (or, below 0, earlier) than the one at the place before.
type order struct{ first, every, step int }

// fits is how well an order fits when the hour k stands at the first place: the best mean agreement, that of every
// other hour and of those between, and by how many heavy arcs the first hour lies beside the first place.
type fits struct {
	score []float64
	part  [2][]float64
	shift []int
}

// readHours looks for the turn at which the printed hours are where the form's arcs say: hours is the printed hour at
// the map's present hour 0. ok is false without a clear lead over every other turn. Where the hours are clearly
// printed in another order than the form says, against tells which.
func (t *fitted) readHours(ctx context.Context, f *form.Form) (hours float64, ok bool, against string, err error) {
	n := int(math.Round(f.RotationHours))
	if math.Abs(f.RotationHours-float64(n)) > 1e-6 || n < 4 || n > 24 || math.Mod(60, f.TimeArcs.EveryMinutes) != 0 {
		return 0, false, "", nil
	}
	face, err := numeralFont()
	if err != nil {
		return 0, false, "", nil
	}
	own, err := t.fitHours(ctx, f, n, face, hourLabels(f, n), []order{{0, 1, 1}, {0, 1, -1}})
	if err != nil {
		return 0, false, "", err
	}
	as, back := own[0], own[1]
	if k := as.best(); as.leads(k, as, k) && as.leads(k, back, -1) {
		return float64(k) - float64(as.shift[k])*f.TimeArcs.MajorMinutes/60, true, "", nil
	}
	if k := back.best(); back.leads(k, as, -1) && back.leads(k, back, k) {
		return 0, false, "the printed hours run the other way than time_runs says", nil
	}
	turn, orders := 2*n, []order{{0, 1, 2}, {0, 1, -2}}
	if n > 12 {
		turn, orders = n/2, []order{{0, 2, 1}, {0, 2, -1}, {1, 2, 1}, {1, 2, -1}}
	}
	if n > 12 && (as.score[as.best()] >= numeralLeast || n%2 > 0) {
		return 0, false, "", nil
	}
	others, err := t.fitHours(ctx, f, n, face, hourLabels(f, turn), orders)
	if err != nil {
		return 0, false, "", err
	}
	for _, o := range others {
		if o.leads(o.best(), as, -1) {
			return 0, false, fmt.Sprintf("the printed hours are those of %d hours a turn, not of rotation_hours", turn), nil
		}
	}
	return 0, false, "", nil
}

// leads says whether the hours fit, and as they do with the hour k at the first place clearly better than in b with
// any other there than not.
func (a *fits) leads(k int, b fits, not int) bool {
	for j := range b.score {
		if j != not && (a.score[k] < numeralLead*b.score[j] || a.part[0][k] < numeralPart*b.part[0][j] || a.part[1][k] < numeralPart*b.part[1][j]) {
			return false
		}
	}
	return a.score[k] >= numeralLeast
}

// better takes over what fits better in b.
func (a *fits) better(b fits) {
	for k, s := range b.score {
		if s > a.score[k] {
			a.score[k], a.part[0][k], a.part[1][k], a.shift[k] = s, b.part[0][k], b.part[1][k], b.shift[k]
		}
	}
}

func newFits(n int) fits {
	return fits{make([]float64, n), [2][]float64{make([]float64, n), make([]float64, n)}, make([]int, n)}
}

func (a *fits) best() int {
	best := 0
	for k, s := range a.score {
		if s > a.score[best] {
			best = k
		}
	}
	return best
}

// fitHours tries the ways to print the hours of a turn, in the orders, on what is printed at the n hours that the form
// has, outside and inside the circles, at any size: all of these coarsely, and the best finely.
func (t *fitted) fitHours(ctx context.Context, f *form.Form, n int, face *opentype.Font, ways [][]string, orders []order) ([]fits, error) {
	type try struct {
		labels  []string
		patches []patch
		phase   int
		height  float64
		upside  bool
		score   float64
	}
	templates := func(t try, shape func(p *patch) patch) []patch {
		out := make([]patch, len(t.labels))
		for i, label := range t.labels {
			p := template(face, label, t.height, t.upside)
			out[i] = shape(&p)
		}
		return out
	}
	var tries []try
	phases := max(1, int(math.Round(60/f.TimeArcs.MajorMinutes))) // heavy arcs an hour: any of them may be the hour's
	for phase := range phases {
		for _, outside := range []bool{true, false} {
			patches := t.hourPatches(f, n, float64(phase)*f.TimeArcs.MajorMinutes/60, outside)
			if patches == nil {
				continue
			}
			coarse := make([]patch, n)
			for i := range patches {
				coarse[i] = patches[i].half()
			}
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			for _, height := range []float64{1.8, 2.2, 2.6, 3.0, 3.4, 3.8, 4.3} {
				for _, upside := range []bool{false, true} {
					for _, labels := range ways {
						one := try{labels, patches, phase, height, upside, 0}
						for _, r := range fitOrders(coarse, templates(one, (*patch).half), 1, orders) {
							one.score = math.Max(one.score, r.score[r.best()])
						}
						tries = append(tries, one)
					}
				}
			}
		}
	}
	slices.SortStableFunc(tries, func(a, b try) int { return cmp.Compare(b.score, a.score) })
	out := make([]fits, len(orders))
	for i := range out {
		out[i] = newFits(len(ways[0]))
	}
	for _, one := range tries[:min(len(tries), numeralTries)] {
		for i, r := range fitOrders(one.patches, templates(one, func(p *patch) patch { return *p }), 2, orders) {
			for k := range r.shift {
				r.shift[k] = one.phase
			}
			out[i].better(r)
		}
	}
	return out, nil
}

// fitOrders is how well the templates of a turn's hours, in each of the orders, fit the patches; numerals are looked
// for every so many pixels.
func fitOrders(patches, templates []patch, pitch int, orders []order) []fits {
	n, all := len(patches), len(templates)
	out := make([]fits, len(orders))
	for i := range out {
		out[i] = newFits(all)
	}
	agree(patches, templates, pitch, func(at []float64) {
		// at[p*all+h]: how well hour h fits place p
		for i, o := range orders {
			r := &out[i]
			for k := range all {
				var sum [2]float64
				for p := o.first; p < n; p += o.every {
					j := p / o.every
					sum[j%2] += at[p*all+((k+o.step*j)%all+all)%all]
				}
				places := n / o.every
				if score := (sum[0] + sum[1]) / float64(places); score > r.score[k] {
					r.score[k] = score
					r.part[0][k], r.part[1][k] = sum[0]/float64((places+1)/2), sum[1]/float64(places/2)
				}
			}
		}
	})
	return out
}

// half is the patch in pixels of twice the size.
func (p *patch) half() patch {
	out := patch{w: p.w / 2, h: p.h / 2}
	out.v = make([]float32, out.w*out.h)
	for y := range out.h {
		for x := range out.w {
			a := p.v[2*y*p.w+2*x:]
			out.v[y*out.w+x] = 0.25 * (a[0] + a[1] + a[p.w] + a[p.w+1])
		}
	}
	return out
}

// hourLabels are the ways in which a turn's hours are printed, from hour 0.
func hourLabels(f *form.Form, n int) [][]string {
	var counted, twelve, words []string
	for h := range n {
		counted = append(counted, fmt.Sprint(h))
		twelve = append(twelve, fmt.Sprint((h+11)%12+1))
		words = append(words, fmt.Sprintf("%d %s", (h+11)%12+1, [2]string{"AM", "PM"}[h/12%2]))
	}
	switch {
	case f.Labels.Kind == "elapsed":
		return [][]string{counted}
	case n <= 12:
		return [][]string{twelve}
	}
	return [][]string{counted, words, twelve}
}

// hourPatches cuts out what is printed at every hour, outside or inside the circles; nil where there is no room.
func (t *fitted) hourPatches(f *form.Form, n int, offset float64, outside bool) []patch {
	far, near := f.DiameterMM/2-1, f.Outer()+0.8
	if !outside {
		far, near = f.Inner()-0.8, math.Max(f.HubHoleMM/2+1, f.Inner()-9)
	}
	rows := int((far - near) / numeralMM)
	if rows < int(3/numeralMM) {
		return nil
	}
	cols := int(2*numeralHalf/numeralMM) + 1
	mid := 0.5 * (far + near)
	var out []patch
	for i := range n {
		edge := f.Outer()
		if !outside {
			edge = f.Inner()
		}
		// labels stand straight beyond the end of their arc, or where the arc would go on to
		hour := float64(i)*f.RotationHours/float64(n) + offset
		a := f.Angle(hour, edge) + 0.5*(f.Lag(mid)-f.Lag(edge))
		p := patch{cols, rows, make([]float32, cols*rows)}
		sum, count := make([]float32, cols), make([]uint8, cols)
		for y := range rows {
			r := far - (float64(y)+0.5)*numeralMM
			clear(sum)
			clear(count)
			t.plane.curve(&t.warp, cols, 8, func(x int) (float64, float64) {
				s, c := math.Sincos(a + (float64(x)*numeralMM-numeralHalf)/mid)
				return r * c, r * s
			}, sum, count)
			q := mean(sum, count, 1)
			q.highPass(cols)
			for x, v := range q.v { // handwriting counts no more than print
				p.v[y*cols+x] = float32(math.Max(-0.3*printCap, math.Min(printCap, float64(v))))
			}
		}
		p.blur()
		out = append(out, p)
	}
	return out
}

// template draws a label, with room around it.
func template(f *opentype.Font, label string, height float64, upside bool) patch {
	const room = 0.75 // mm on every side
	const capital = 0.729
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: height / capital / numeralMM, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		return patch{}
	}
	defer face.Close()
	width := font.MeasureString(face, label).Ceil()
	border := int(room / numeralMM)
	p := patch{w: width + 2*border, h: int(height/numeralMM) + 2*border}
	m := image.NewAlpha(image.Rect(0, 0, p.w, p.h))
	d := font.Drawer{Dst: m, Src: image.Opaque, Face: face, Dot: fixed.P(border, p.h-border)}
	d.DrawString(label)
	p.v = make([]float32, p.w*p.h)
	for i, v := range m.Pix {
		if upside {
			i = len(p.v) - 1 - i
		}
		p.v[i] = float32(v) / 255
	}
	p.blur()
	return p
}

func (p *patch) blur() {
	for y := range p.h {
		blur(p.v[y*p.w:(y+1)*p.w], numeralBlur)
	}
	col := make([]float32, p.h)
	for x := range p.w {
		for y := range col {
			col[y] = p.v[y*p.w+x]
		}
		blur(col, numeralBlur)
		for y := range col {
			p.v[y*p.w+x] = col[y]
		}
	}
}

// agree lays every template over every patch at every radius, every pitch pixels, and gives
// their correlations there, patch by patch; the middle may lie aside, as where it goes on along the arc.
func agree(patches, templates []patch, pitch int, use func(at []float64)) {
	n := len(templates)
	wide, high := 0, 0
	for _, t := range templates {
		wide, high = max(wide, t.w), max(high, t.h)
	}
	aside := asidePitches * pitch
	w, h := patches[0].w, patches[0].h
	if wide+2*aside > w || high > h {
		return
	}
	// all templates on one size, of zero mean, so that they can be compared
	flat := make([][]float32, n)
	for k, t := range templates {
		v := make([]float32, wide*high)
		ox, oy := (wide-t.w)/2, (high-t.h)/2
		mean := float32(0)
		for y := range t.h {
			for x := range t.w {
				v[(y+oy)*wide+x+ox] = t.v[y*t.w+x]
				mean += t.v[y*t.w+x] / float32(wide*high)
			}
		}
		norm := 0.0
		for i := range v {
			v[i] -= mean
			norm += float64(v[i]) * float64(v[i])
		}
		for i := range v {
			v[i] /= float32(math.Sqrt(norm) + 1e-9)
		}
		flat[k] = v
	}
	window := make([]float32, wide*high)
	for y0 := 0; y0+high <= h; y0 += pitch {
		for dx := -aside; dx <= aside; dx += pitch {
			at := make([]float64, len(patches)*n)
			for i, p := range patches {
				x0 := (w-wide)/2 + dx
				mean, sq := float32(0), 0.0
				for y := range high {
					row := p.v[(y0+y)*w+x0:][:wide]
					copy(window[y*wide:], row)
					for _, v := range row {
						mean += v
					}
				}
				mean /= float32(len(window))
				for k := range window {
					window[k] -= mean
					sq += float64(window[k]) * float64(window[k])
				}
				norm := math.Sqrt(sq) + 1e-3*math.Sqrt(float64(len(window)))
				for k := range flat {
					at[i*n+k] = dot(window, flat[k]) / norm
				}
			}
			use(at)
		}
	}
}
