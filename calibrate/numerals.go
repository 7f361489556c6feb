package calibrate

import (
	"cmp"
	"context"
	"fmt"
	"image"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"codeberg.org/go-fonts/dejavu/dejavusans"
	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"

	"penarm/calibrate/form"
	"penarm/calibrate/rank"
)

// Reading the printed hours: lengths in mm, limits without a source, chosen on drawn charts in eighteen faces. Printed
// hours differ in face and size, so the templates are only rough; what tells is that all hours of a turn must fit at
// once, and better than in any other way.
const (
	numeralMM    = 0.25 // a pixel of patches and templates
	numeralHalf  = 13.0 // of a patch along the circle: MIDNIGHT is twice as long
	numeralBlur  = 1.0  // pixels
	asidePitches = 5    // to either side of an arc, in steps of two pixels, that the middle of its numeral may lie
	asideMM      = 2 * asidePitches * numeralMM
	bandShare    = 0.35 // of the ink in the row that has most, over half the places, is in each row of the print
	leastHeight  = 1.2  // of the print; smaller ones are not told apart
	mostHeight   = 6.0
	bandAside    = 0.5 // that the middle of a template may lie from that of the print
	numeralLeast = 0.5 // correlation; where all hours fit it is 0.6 and more, where none does 0.4
	numeralSure  = 3.5 // standard errors by which a turn leads over every other: mostly 4 and more where right; where wrong 1, and 2.5 where halves of the day are spelt in a way not known
	numeralClear = 2.0 // of them, where its mean agreement leads by so much
	numeralLead  = 1.12
	numeralMost  = 0.25 // of one place's lead over another: a few must not settle it, nor make the rest look scattered
	numeralDoubt = 0.08 // of one place's lead, which counts as much as two places: where two alone tell, as NOON and MIDNIGHT do, their own scatter says little
	numeralFew   = 3    // places: where fewer tell, each must fit by so much
	fewLeast     = 0.4
	numeralTries = 6 // sizes of the numerals that are looked at finely
)

// Sizes of the templates by that of the band, and widths by that of their own face.
var (
	numeralHeights = []float64{0.87, 0.95, 1.03}
	numeralWidths  = []float64{0.75, 0.85, 0.95, 1.05, 1.18}
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

// fit is how well the hours of a turn agree with what is printed, place by place, where they stand in one way.
type fit struct {
	score  float64   // the mean agreement
	at     []float64 // place by place
	labels []label   // what stands there, nil where the order leaves the place out
	beside float64   // hours by which the labels stand beside their places
}

// fits are the best of an order, by the hour at its first place.
type fits []fit

// label is one hour in the spellings that it may have.
type label []string

// readHours looks for the turn at which the printed hours are where the form's arcs say: hours is the printed hour at
// the map's present hour 0, which tells the time of day alone where days are named: no form file says which day is its
// first. ok is false without a clear lead over every other turn. Where the hours are clearly printed in another order
// than the form says, against tells which.
func (t *fitted) readHours(ctx context.Context, f *form.Form) (hours float64, ok bool, against string, err error) {
	n, apart := labelPlaces(f)
	if n == 0 {
		return 0, false, "", nil
	}
	seen := t.hourViews(f, n)
	own, err := fitHours(ctx, seen, hourLabels(f, n), []order{{0, 1, 1}, {0, 1, -1}})
	if err != nil {
		return 0, false, "", err
	}
	as, back := own[0], own[1]
	if k := as.best(); as.leads(k, as, k) && as.leads(k, back, -1) {
		return float64(k)*apart - as[k].beside, true, "", nil
	}
	if k := back.best(); back.leads(k, as, -1) && back.leads(k, back, k) {
		return 0, false, "the printed hours run the other way than time_runs says", nil
	}
	if f.RotationHours > 24 {
		return 0, false, "", nil
	}
	turn, orders := 2*n, []order{{0, 1, 2}, {0, 1, -2}}
	if n > 12 {
		turn, orders = n/2, []order{{0, 2, 1}, {0, 2, -1}, {1, 2, 1}, {1, 2, -1}}
	}
	if n > 12 && (as[as.best()].score >= numeralLeast || n%2 > 0) {
		return 0, false, "", nil
	}
	others, err := fitHours(ctx, seen, hourLabels(f, turn), orders)
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

// recur is after how many hours those that readHours tells come again.
func recur(f *form.Form) float64 { return math.Min(24, f.RotationHours) }

// leads says whether the hours fit, and with the hour k at the first place clearly better than in b with
// any other there than not.
func (a fits) leads(k int, b fits, not int) bool {
	for j := range b {
		if j == not {
			continue
		}
		lead := a[k].lead(&b[j])
		if lead < numeralClear || lead < numeralSure && a[k].score < numeralLead*b[j].score {
			return false
		}
	}
	return a[k].score >= numeralLeast
}

// lead is by how many standard errors a fits better than b, at the places where they say different hours.
func (a *fit) lead(b *fit) float64 {
	var n, sum, squares float64
	least := 1.0
	for p, v := range a.at {
		if a.labels[p] == nil || slices.Equal(a.labels[p], b.labels[p]) {
			continue
		}
		d := math.Max(-numeralMost, math.Min(numeralMost, v-b.at[p]))
		n, sum, squares, least = n+1, sum+d, squares+d*d, math.Min(least, v)
	}
	if n == 0 || n < numeralFew && least < fewLeast {
		return 0
	}
	mean := sum / n
	sd := math.Sqrt((math.Max(0, squares-n*mean*mean) + 2*numeralDoubt*numeralDoubt) / (n + 1))
	return mean / sd * math.Sqrt(n)
}

// better takes over what fits better in b.
func (a fits) better(b fits) {
	for k := range b {
		if b[k].score > a[k].score {
			a[k] = b[k]
		}
	}
}

func (a fits) best() int {
	best := 0
	for k := range a {
		if a[k].score > a[best].score {
			best = k
		}
	}
	return best
}

// labelPlaces is how many printed labels round the turn can tell the hour, and how many hours they lie apart: its hours,
// or the days of a week where every heavy arc begins one; 0 where none can.
func labelPlaces(f *form.Form) (n int, apart float64) {
	n, apart = int(math.Round(f.RotationHours)), 1
	if n == 7*24 && f.TimeArcs.MajorMinutes == 24*60 && f.Labels.Kind != "elapsed" {
		n, apart = 7, 24
	}
	if math.Abs(f.RotationHours-float64(n)*apart) > 1e-6 || n < 4 || n > 24 || math.Mod(60*apart, f.TimeArcs.EveryMinutes) != 0 {
		return 0, 0
	}
	return n, apart
}

// view is what is printed where one label a place is looked for.
type view struct {
	patches []patch
	beside  float64 // hours by which an hour's label is looked for beside its place
}

// hourViews are all that may show the labels of n places, outside and inside the circles: those of hours at any heavy
// arc of the hour, and days' names where the day begins and in its middle.
func (t *fitted) hourViews(f *form.Form, n int) []view {
	var out []view
	add := func(at, beside float64) {
		for _, outside := range []bool{true, false} {
			if p := t.hourPatches(f, n, at, outside); p != nil {
				out = append(out, view{p, beside})
			}
		}
	}
	if f.RotationHours > 24 {
		add(0, 0)
		add(12, 0)
		return out
	}
	for phase := range max(1, int(math.Round(60/f.TimeArcs.MajorMinutes))) {
		beside := float64(phase) * f.TimeArcs.MajorMinutes / 60
		add(beside, beside)
	}
	return out
}

// fitHours tries the ways to print the hours of a turn, in the orders, on what is seen, at the size that the print has
// there: all of these coarsely, and the best finely.
func fitHours(ctx context.Context, seen []view, ways [][]label, orders []order) ([]fits, error) {
	out := make([]fits, len(orders))
	for i := range out {
		out[i] = make(fits, len(ways[0]))
	}
	face, err := numeralFont()
	if err != nil || len(seen) == 0 {
		return out, nil
	}
	type try struct {
		labels        []label
		view          *view
		middle        float64 // row
		height, width float64
		upside        bool
		score         float64
	}
	templates := func(t try, shape func(p *patch) patch) [][]patch {
		out := make([][]patch, len(t.labels))
		for i, l := range t.labels {
			for _, text := range l {
				p := template(face, text, t.height, t.upside)
				p = p.widened(t.width)
				out[i] = append(out[i], shape(&p))
			}
		}
		return out
	}
	var tries []try
	for i := range seen {
		v := &seen[i]
		from, to := band(v.patches)
		tall := float64(to-from) * numeralMM
		if tall < leastHeight || tall > mostHeight {
			continue
		}
		coarse := make([]patch, len(v.patches))
		for i := range coarse {
			coarse[i] = v.patches[i].half()
		}
		middle := 0.5 * float64(from+to)
		for _, height := range numeralHeights {
			for _, width := range numeralWidths {
				if err := ctx.Err(); err != nil {
					return nil, err
				}
				for _, upside := range []bool{false, true} {
					for _, labels := range ways {
						one := try{labels, v, middle, height * tall, width, upside, 0}
						for _, r := range fitOrders(coarse, labels, templates(one, (*patch).half), middle/2, 1, orders) {
							one.score = math.Max(one.score, r[r.best()].score)
						}
						tries = append(tries, one)
					}
				}
			}
		}
	}
	slices.SortStableFunc(tries, func(a, b try) int { return cmp.Compare(b.score, a.score) })
	for _, one := range tries[:min(len(tries), numeralTries)] {
		for i, r := range fitOrders(one.view.patches, one.labels, templates(one, func(p *patch) patch { return *p }), one.middle, 2, orders) {
			for k := range r {
				r[k].beside = one.view.beside
			}
			out[i].better(r)
		}
	}
	for _, o := range out { // what was never laid over the print fits nowhere
		for k := range o {
			if o[k].at == nil {
				o[k] = newFit(len(seen[0].patches))
			}
		}
	}
	return out, nil
}

func newFit(places int) fit { return fit{at: make([]float64, places), labels: make([]label, places)} }

// fitOrders is how well the templates of a turn's hours, in each of the orders, fit the patches; numerals are looked
// for every so many pixels about the middle row.
func fitOrders(patches []patch, labels []label, templates [][]patch, middle float64, pitch int, orders []order) []fits {
	n, all := len(patches), len(templates)
	out := make([]fits, len(orders))
	for i := range orders {
		out[i] = make(fits, all)
		for k := range all {
			out[i][k] = newFit(n)
		}
	}
	agree(patches, templates, middle, pitch, func(at []float64) {
		// at[p*all+h]: how well hour h fits place p
		for i, o := range orders {
			for k := range all {
				hour := func(j int) int { return ((k+o.step*j)%all + all) % all }
				sum := 0.0
				for j := range n / o.every {
					sum += at[(o.first+j*o.every)*all+hour(j)]
				}
				r := &out[i][k]
				if score := sum / float64(n/o.every); score > r.score {
					r.score = score
					for j := range n / o.every {
						p := o.first + j*o.every
						r.at[p], r.labels[p] = at[p*all+hour(j)], labels[hour(j)]
					}
				}
			}
		}
	})
	return out
}

// band is between which rows the hours stand: about the row with the most ink, as half of the places or more have it.
func band(patches []patch) (from, to int) {
	w, h := patches[0].w, patches[0].h
	ink := make([]float64, h)
	row := make([]float64, len(patches))
	most := 0
	for y := range h {
		for i := range patches {
			row[i] = 0
			for _, v := range patches[i].v[y*w+w/4 : y*w+3*w/4] {
				row[i] += math.Max(0, float64(v))
			}
		}
		ink[y] = rank.Select(row, len(row)/2)
		if ink[y] > ink[most] {
			most = y
		}
	}
	for from = most; from > 0 && ink[from-1] > bandShare*ink[most]; from-- {
	}
	for to = most + 1; to < h && ink[to] > bandShare*ink[most]; to++ {
	}
	return from, to
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
func hourLabels(f *form.Form, n int) [][]label {
	if f.RotationHours > 24 {
		return dayLabels()
	}
	var counted, twelve, padded, noon, words []label
	for h := range n {
		last := label{fmt.Sprint(h)}
		clock := fmt.Sprint((h+11)%12 + 1)
		half := [2]string{"AM", "PM"}[h/12%2]
		twelve = append(twelve, label{clock})
		padded = append(padded, label{fmt.Sprintf("%02d", h)})
		switch h {
		case 0:
			last = append(last, fmt.Sprint(n))
			noon = append(noon, midnight)
			words = append(words, slices.Concat(midnight, label{"12 AM", "12AM"}))
		case 12:
			noon = append(noon, midday)
			words = append(words, slices.Concat(midday, label{"12 PM", "12PM"}))
		default:
			noon = append(noon, label{clock})
			words = append(words, label{clock + " " + half, clock + half})
		}
		counted = append(counted, last)
	}
	switch {
	case f.Labels.Kind == "elapsed":
		return [][]label{counted}
	case n <= 12:
		return [][]label{twelve}
	case n < 24:
		return [][]label{counted, twelve}
	}
	return [][]label{counted, padded, noon, words}
}

// dayLabels are the ways in which the days of a week are printed.
func dayLabels() [][]label {
	var short, full []label
	for day := time.Sunday; day <= time.Saturday; day++ {
		name := strings.ToUpper(day.String())
		short, full = append(short, label{name[:3]}), append(full, label{name})
	}
	return [][]label{short, full}
}

// How midnight and noon are printed; 12 for either tells nothing, and does not keep the other from telling.
var (
	midnight = label{"12", "MIDNIGHT", "MDNT", "MDT", "MID"}
	midday   = label{"12", "NOON"}
)

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
	mid := 0.5 * (far + near)
	half := math.Min(numeralHalf, math.Pi*mid/float64(n)+asideMM) // without the numerals beside it
	cols := int(2*half/numeralMM) + 1
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
				s, c := math.Sincos(a + (float64(x)*numeralMM-half)/mid)
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

// widened is the patch so many times as wide.
func (p *patch) widened(times float64) patch {
	out := patch{w: int(math.Round(float64(p.w) * times)), h: p.h}
	out.v = make([]float32, out.w*out.h)
	for x := range out.w {
		at := math.Max(0, math.Min(float64(p.w-1), (float64(x)+0.5)/times-0.5))
		i := min(int(at), p.w-2)
		u := float32(at - float64(i))
		for y := range p.h {
			out.v[y*out.w+x] = (1-u)*p.v[y*p.w+i] + u*p.v[y*p.w+i+1]
		}
	}
	return out
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

// agree lays every template, where there are several for one hour the one that fits best, over every patch about the
// middle row, every pitch pixels, and gives their correlations there, patch by patch; the middle may lie aside, as
// where it goes on along the arc.
func agree(patches []patch, templates [][]patch, middle float64, pitch int, use func(at []float64)) {
	n := len(templates)
	w, h := patches[0].w, patches[0].h
	wide, high := 0, 0
	for _, hour := range templates {
		for _, t := range hour {
			wide, high = max(wide, t.w), max(high, t.h)
		}
	}
	aside := asidePitches * pitch
	wide = min(wide, w-2*aside)
	if high > h {
		return
	}
	// all templates on one size, of zero mean, so that they can be compared
	flat := make([][][]float32, n)
	for k, hour := range templates {
		for _, t := range hour {
			flat[k] = append(flat[k], t.flat(wide, high))
		}
	}
	window := make([]float32, wide*high)
	reach := bandAside / numeralMM * float64(pitch) / 2
	for y0 := max(0, int(middle-0.5*float64(high)-reach)); y0+high <= h && float64(y0)+0.5*float64(high) <= middle+reach; y0 += pitch {
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
				for k, hour := range flat {
					best := -1.0
					for _, v := range hour {
						best = math.Max(best, dot(window, v)/norm)
					}
					at[i*n+k] = best
				}
			}
			use(at)
		}
	}
}

// flat is the template amid so many columns and rows, of zero mean and unit norm; what is wider is cut off.
func (p *patch) flat(wide, high int) []float32 {
	v := make([]float32, wide*high)
	ox, oy := (wide-p.w)/2, (high-p.h)/2
	mean := float32(0)
	for y := range p.h {
		for x := max(0, -ox); x < min(p.w, wide-ox); x++ {
			v[(y+oy)*wide+x+ox] = p.v[y*p.w+x]
			mean += p.v[y*p.w+x] / float32(len(v))
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
	return v
}
