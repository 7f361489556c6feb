package calibrate

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"sync"

	"penarm/calibrate/form"
	"penarm/calibrate/internal/lsq"
	"penarm/calibrate/picture"
	"penarm/calibrate/rank"
)

// Problem is one picture and the form it is said to show. Blank and Mark may be nil.
type Problem struct {
	Picture *picture.Picture
	Form    *form.Form
	Blank   *Blank
	Mark    *Mark
}

// Mark is a place of the scan whose printed hour a person has told.
type Mark struct{ Hours, X, Y float64 }

// TwoCharts is the test that refuses a picture with another whole chart beside the one that was found.
const TwoCharts = "charts"

// Refusal says that the picture does not show the form well enough to be read.
type Refusal struct {
	Test  string // which test refused
	Words string // why, and what to do
}

func (r *Refusal) Error() string { return r.Words }

// Attempt is a *Refusal with the map that was refused, for a person to look at.
type Attempt struct {
	*Refusal
	Face *Face // its hour is not found
}

// Unwrap gives the refusal.
func (a *Attempt) Unwrap() error { return a.Refusal }

// fitted is a map that passed all tests; which arc is hour 0 is still open.
type fitted struct {
	plane *plane
	form  *form.Form // with pivot and arm estimated where its file leaves them out
	warp  Warp
	rings float64 // rms of circle crossings, mm
	arcs  float64 // rms of arc crossings, mm along the circle
	u     float64 // rms of what the field leaves in small cells, of circles or of arcs, whichever is larger, mm
	moved float64 // rms of the field of the last step, mm
	blank float64 // correlation with the blank, 0 without one
	score float64 // of the ends test
	lead  float64
	share float64
	kept  float64

	thinned, fewArcs bool // found by the heavy circles, and by the heavy arcs, alone

	left    []sighting // what the field leaves in small cells, of circles first
	circles int        // so many of them
}

// Fit finds the form's print in the picture. It refuses, with a *Refusal, what
// does not stand every test; it never guesses the hour: without a blank or
// numerals that lead clearly, or a mark, Face.Hour is HourOnChart.
func Fit(ctx context.Context, p Problem) (*Face, error) {
	found, err := starts(p.Picture, fewEdges)
	if err != nil {
		return nil, err
	}
	fit, err := fitForm(ctx, found, armed(p.Form, p.Blank))
	if err != nil {
		return nil, orNegative(err, p.Picture)
	}
	face, err := fit.settle(ctx, p)
	if err == nil {
		err = fit.alone(found)
	}
	var refused *Refusal
	if errors.As(err, &refused) {
		return nil, &Attempt{refused, fit.face(fit.form, HourOnChart)}
	}
	return face, err
}

// alone refuses a picture that shows another whole chart beside the one that was fitted: whose the entries are is not told.
func (t *fitted) alone(found []*start) error {
	if found[0].another(&t.warp, t.form.DiameterMM/2) {
		return &Refusal{TwoCharts, "the picture shows two charts: scan each by itself, or cut the picture in two"}
	}
	return nil
}

// orNegative is a refusal, in plainer words where the picture is a negative: the middle of it dark, and what is drawn on it lighter.
func orNegative(err error, pic *picture.Picture) error {
	var refused *Refusal
	if !errors.As(err, &refused) {
		return err
	}
	var levels []uint8
	for y := pic.Height / 5; y < pic.Height*4/5; y += 5 {
		for x := pic.Width / 5; x < pic.Width*4/5; x += 5 {
			levels = append(levels, pic.Pix[(y*pic.Width+x)*pic.Channels+pic.Channels/2])
		}
	}
	at := func(share float64) int { return int(rank.Select(levels, int(share*float64(len(levels)-1)))) }
	const few = 0.02 // of the paper is covered by lines at least
	if middle, light := at(0.5), at(1-few); middle > 127 || light-middle < max(20, 2*(middle-at(few))) {
		return err
	}
	return &Refusal{"negative", "the picture is a negative, light lines on dark paper: invert its tones and read it again"}
}

// armed is the form with the pivot and arm that its blank showed, where its file leaves them out.
func armed(f *form.Form, b *Blank) *form.Form {
	if f.TimeArcs.PivotMM == 0 && b != nil {
		return b.Face.Form
	}
	return f
}

// settle finds which arc is which hour.
func (t *fitted) settle(ctx context.Context, p Problem) (*Face, error) {
	hour := HourOnChart
	f := t.form
	switch {
	case p.Mark != nil:
		steps, err := t.marked(ctx, p, f)
		if err != nil {
			return nil, err
		}
		if err := t.setZero(steps, f); err != nil {
			return nil, err
		}
		hour = HourMark
	case p.Blank != nil:
		m := unrollMargins(t.plane.pic, &t.warp, f)
		arc, best, next := findHour(m, p.Blank, f)
		t.blank = best
		same := best >= blankLeast
		if !same && best >= blankFaint && best >= blankLead*next {
			var err error
			if same, err = t.numeralsSay(ctx, int(f.Direction())*arc, f); err != nil {
				return nil, err
			}
		}
		if !same {
			return nil, &Refusal{"blank", fmt.Sprintf("the print beside the circles does not match the blank of form %s (correlation %.2f): is it this form?", f.Form, best)}
		}
		if best >= blankLead*next {
			if err := t.setZero(int(f.Direction())*arc, f); err != nil {
				return nil, err
			}
			hour = HourBlank
		}
	}
	if hour == HourOnChart {
		steps, ok, err := t.printedZero(ctx, f)
		if err != nil {
			return nil, err
		}
		if ok {
			if err := t.setZero(steps, f); err != nil {
				return nil, err
			}
			hour = HourNumerals
		}
	}
	var by float64
	if p.Blank != nil && hour != HourOnChart {
		by = t.otherNumerals(f, p.Blank.numerals)
	} else {
		by = otherRange(f, t.numerals(f, true))
	}
	if by != 0 {
		return nil, &Refusal{"numerals", fmt.Sprintf("%s than form %s says: name the form it is", rangeWords(f, by), f.Form)}
	}
	return t.face(f, hour), nil
}

// marked is how many arcs later than the map's present hour 0 the mark's lies.
func (t *fitted) marked(ctx context.Context, p Problem, f *form.Form) (steps int, err error) {
	m := p.Mark
	if last := f.LastHour(); !(m.Hours < last) {
		return 0, &Refusal{"mark", fmt.Sprintf("the mark's hour lies beyond the %g hours of form %s: give the hour that is printed at the arc", last, f.Form)}
	}
	h, r := t.locate(f, m.X, m.Y)
	every := f.TimeArcs.EveryMinutes / 60
	off := (h - m.Hours) / every
	if !(r >= 0.8*f.Inner() && r <= f.DiameterMM/2 && math.Abs(off-math.Round(off)) <= 0.35) {
		return 0, &Refusal{"mark", fmt.Sprintf("the mark at (%.0f, %.0f) is not on a printed arc: mark where an arc with a known hour meets the outermost circle", m.X, m.Y)}
	}
	steps = int(math.Round(off))
	// a slip of the finger is not to overrule print that is clear
	printed, clear, turn := steps, false, f.RotationHours
	if p.Blank != nil {
		arc, best, next := findHour(unrollMargins(t.plane.pic, &t.warp, f), p.Blank, f)
		printed, clear = int(f.Direction())*arc, best >= blankLeast && best >= blankLead*next
	}
	if !clear {
		if printed, clear, err = t.printedZero(ctx, f); err != nil {
			return 0, err
		}
		turn = recur(f)
	}
	if clear && (printed-steps)%int(math.Round(turn/every)) != 0 {
		return 0, &Refusal{"mark", fmt.Sprintf("the print says another hour at (%.0f, %.0f) than the mark, by %.2f h: look at the printed numeral again, or leave the mark out",
			m.X, m.Y, math.Abs(math.Remainder(float64(printed-steps)*every, turn)))}
	}
	return steps, nil
}

// locate is the printed hour, counted from the map's present hour 0, and the radius (mm) of a pixel; NaN outside the picture.
func (t *fitted) locate(f *form.Form, x, y float64) (hours, radius float64) {
	if !t.plane.pic.Inside(x, y) {
		return math.NaN(), math.NaN()
	}
	face := &Face{Form: f, Warp: t.warp}
	return face.Locate(x, y)
}

// printedZero is how many arcs later than the map's present hour 0 that of the printed hours lies, where they can be read.
func (t *fitted) printedZero(ctx context.Context, f *form.Form) (steps int, ok bool, err error) {
	hours, ok, against, err := t.readHours(ctx, f)
	if err != nil {
		return 0, false, err
	}
	if against != "" {
		return 0, false, &Refusal{"hours", against + ": correct the file of form " + f.Form + ", or name the form it is"}
	}
	return int(math.Round(-hours * 60 / f.TimeArcs.EveryMinutes)), ok, nil
}

// numeralsSay tells whether the printed hours, read by themselves, make the arc that lies steps arcs on hour 0.
func (t *fitted) numeralsSay(ctx context.Context, steps int, f *form.Form) (bool, error) {
	printed, ok, err := t.printedZero(ctx, f)
	return ok && (steps-printed)%int(math.Round(recur(f)*60/f.TimeArcs.EveryMinutes)) == 0, err
}

// Candidate is a form of the library. Blank, nil where it has none, is asked for only once the form's circles and arcs
// are found, or where its file leaves out the arm: reading a blank costs as much as a chart.
type Candidate struct {
	Form  *form.Form
	Blank func() (*Blank, error)
}

// try fits the candidate from the starts.
func (c *Candidate) try(ctx context.Context, pic *picture.Picture, found []*start) (*Face, *fitted, error) {
	p := Problem{Picture: pic, Form: c.Form}
	read := func() (err error) {
		if c.Blank != nil && p.Blank == nil {
			p.Blank, err = c.Blank()
		}
		return err
	}
	if c.Form.TimeArcs.PivotMM == 0 {
		if err := read(); err != nil {
			return nil, nil, err
		}
	}
	fit, err := fitForm(ctx, found, armed(p.Form, p.Blank))
	if err == nil {
		err = read()
	}
	if err != nil {
		return nil, nil, err
	}
	face, err := fit.settle(ctx, p)
	return face, fit, err
}

// Identify tries the forms of a library and keeps the best, where it leads
// clearly: alone in standing every test, or by its blank, or by its circles. An
// error that is no *Refusal is a candidate's, of its blank, or the context's.
func Identify(ctx context.Context, pic *picture.Picture, library []Candidate) (*Face, error) {
	found, err := starts(pic, fewEdges)
	if err != nil {
		return nil, err
	}
	type match struct {
		face *Face
		fit  *fitted
	}
	var matches []match
	var near *Refusal // of a form whose circles agree: mirrored, say
	// the best start alone settles nearly every picture; the others cost time on every form that it is not
	for _, tries := range [][]*start{found[:1], found[1:]} {
		for _, c := range library {
			face, fit, err := c.try(ctx, pic, tries)
			var refused *Refusal
			if err == nil {
				matches = append(matches, match{face, fit})
			} else if !errors.As(err, &refused) {
				return nil, err
			} else if refused.Test == "arcs" && near == nil {
				near = refused
			}
		}
		if len(matches) > 0 || len(found) == 1 {
			break
		}
	}
	if len(matches) == 0 && near != nil {
		return nil, near
	}
	if len(matches) == 0 {
		return nil, orNegative(&Refusal{"form", fmt.Sprintf("the print matches none of the %d forms known: teach this form from a scan of a blank", len(library))}, pic)
	}
	slices.SortStableFunc(matches, func(a, b match) int {
		return cmp.Or(cmp.Compare(b.fit.blank, a.fit.blank), cmp.Compare(b.fit.score, a.fit.score))
	})
	a := matches[0]
	for _, b := range matches[1:] {
		// a blank tells nothing of a form that has none
		if a.fit.blank < blankLead*b.fit.blank || b.fit.blank == 0 && a.fit.score < b.fit.score+scoreLead {
			return nil, &Refusal{"form", fmt.Sprintf("the print matches forms %s and %s alike: name the form", a.face.Form.Form, b.face.Form.Form)}
		}
	}
	if err := a.fit.alone(found); err != nil {
		return nil, err
	}
	return a.face, nil
}

// roundedMM is the standard uncertainty that a form's own lengths keep however well the scan fits: they are
// given to 0.01 mm, and rounding to d has d/√12 (JCGM 100:2008, F.2.2.1).
const roundedMM = 0.01 / 3.4641

const (
	blankLeast = 0.2 // correlation with the blank below which the form is another one
	blankFaint = 0.1 // the same where the printed hours, read by themselves, say the blank's hour
	scoreLead  = 0.1 // of one form's circles over another's, where no two blanks tell them apart
	blankLead  = 1.2 // of the best turn over the second best, below which the hour is not told
)

// setZero turns the map so that the arc that lies steps arcs later than its present hour 0 becomes hour 0.
func (t *fitted) setZero(steps int, f *form.Form) error {
	all, _ := f.Arcs()
	phi := f.Direction() * 2 * math.Pi * float64(steps) / float64(all)
	w, err := t.warp.turn(phi)
	if err != nil {
		return err
	}
	t.warp = w
	turn(t.left, phi)
	return nil
}

func (t *fitted) face(f *form.Form, hour Hour) *Face {
	mid := 0.5 * (f.Inner() + f.Outer())
	u := math.Hypot(t.u, roundedMM)
	if t.plane.pic.Bilevel {
		u = math.Hypot(u, t.rings) // dithering moves every line the same way, about as far as it scatters single crossings
	}
	var left []Residual
	for i, s := range t.left {
		left = append(left, Residual{X: s.x, Y: s.y, NX: s.nx, NY: s.ny, MM: s.off, Arc: i >= t.circles})
	}
	return &Face{
		Form: f, Warp: t.warp, Hour: hour, Left: left,
		Method:         fmt.Sprintf("circle and arc crossings; homography, lens term %.4f, smooth field of degree %d", t.warp.K1, t.warp.Degree),
		RingResidualMM: t.rings,
		ArcResidualS:   t.arcs / f.MMPerSecond(mid),
		UMM:            u,
	}
}

// fitForm keeps the first map from the starts that stands every test.
func fitForm(ctx context.Context, found []*start, f *form.Form) (*fitted, error) {
	p := newPattern(f)
	var refusal error = &Refusal{"start", fmt.Sprintf("no printed circles like those of form %s were found: %s", f.Form, checkForm)}
	first, contradicted := true, false
	for _, start := range found {
		for pl, w := range start.maps(p) {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			fit, err := refine(pl, w, p, f)
			var refused *Refusal
			if err != nil && !errors.As(err, &refused) {
				return nil, err
			}
			tell := first // the likeliest start says best what is wrong
			first = false
			if err == nil {
				if refused = fit.contradicted(fit.form); refused == nil {
					return fit, nil
				}
				tell, contradicted = !contradicted, true // this says it better
			}
			if !tell {
				continue
			}
			if refusal = refused; fit != nil {
				refusal = &Attempt{refused, fit.face(fit.form, HourOnChart)}
			}
		}
	}
	return nil, refusal
}

// start is one colour to look for the pattern in.
type start struct {
	plane  *plane
	edges  []edge
	value  float64
	sheets func() []rectify // how the sheet may lie, likelier first
	views  map[int]*plane
}

// maps are the rough maps worth trying, likeliest first, each with the plane to look at.
func (s *start) maps(p *pattern) iter.Seq2[*plane, Warp] {
	return func(yield func(*plane, Warp) bool) {
		coarsest := 1
		for max(s.plane.width, s.plane.height)/(2*coarsest) >= coarseLong {
			coarsest *= 2
		}
		look := s.view(coarsest).blunt()
		try := func(m *rectify, lens float64, found []scale) bool {
			for _, at := range found {
				times := coarsest
				for times > 1 && p.spacing()*m.s/at.mm < coarseGap*float64(times) {
					times /= 2
				}
				w, ok := m.warp(s.plane.pic, at.mm)
				w.K1 = lens
				if ok && !yield(s.view(times), w) {
					return false
				}
			}
			return true
		}
		sheets := s.sheets()
		plain := make([]float64, len(sheets))
		for i := range sheets {
			found := scales(look, &sheets[i], 0, p, fewScales)
			plain[i] = bestOf(found)
			if !try(&sheets[i], 0, found) {
				return
			}
		}
		for i := range sheets {
			best, lens := []scale(nil), 0.0
			for _, k := range lenses {
				if found := scales(look, &sheets[i], k, p, fewScales); bestOf(found) > math.Max(lensGain*plain[i], bestOf(best)) {
					best, lens = found, k
				}
			}
			if !try(&sheets[i], lens, best) {
				return
			}
		}
	}
}

// bestOf is the score of the best scale, which is the first.
func bestOf(found []scale) float64 {
	if len(found) == 0 {
		return 0
	}
	return found[0].score
}

// view is the plane with each value for so many pixels each way, a power of two.
func (s *start) view(times int) *plane {
	v, ok := s.views[times]
	if !ok {
		v = s.plane.coarse(times)
		s.views[times] = v
	}
	return v
}

// lenses are the lens terms with which circles are looked for once more, and taken where they fit better by lensGain: through
// a lens, circles close to each other lie a few of themselves off at the rim.
var lenses = []float64{-0.02, 0.02, -0.04, 0.04, -0.06, 0.06, -0.08, 0.08}

const (
	lensGain  = 1.1
	fewScales = 4 // tried of each sheet
)

// Pixels of a plane that show the print as well as finer ones, at a fraction of the cost: so many along its longer side,
// and from one circle to the next.
const (
	coarseLong = 1500
	coarseGap  = 3.0
)

// Blocks along the longer side of the picture in which edges are looked for: to fit a form to, and to look at the edges themselves.
const (
	fewEdges  = 60
	manyEdges = 110
)

// starts are the colours worth trying, likeliest first, for the print shows best in one of them; the first has a
// sheet. Edges are looked for in so many blocks along the longer side of the picture.
func starts(pic *picture.Picture, across int) ([]*start, error) {
	if pic == nil || pic.Width < 200 || pic.Height < 200 {
		return nil, &Refusal{"picture", "the picture is too small to show a chart: scan it at 200 dpi or more"}
	}
	var out []*start
	add := func(es []edge, ch int) {
		if len(es) < 100 {
			return
		}
		cx, cy := vote(pic, es)
		m := rectify{s: float64(max(pic.Width, pic.Height)) / 2, cx: cx, cy: cy}
		sheets := sync.OnceValue(func() []rectify { // which costs more than all the rest here
			return slices.DeleteFunc(tangents(es, m), func(m rectify) bool { return !m.possible() || m.support(es) == 0 })
		})
		out = append(out, &start{newPlane(pic, ch), es, m.support(es), sheets, map[int]*plane{}})
	}
	if pic.Bilevel {
		// dither dots have edges of their own in all directions, so the mean of several is looked at: of how
		// many is a matter of the scan
		for _, width := range []int{1200, 850} {
			add(coarseEdges(pic, width), 0)
		}
	} else {
		for ch, es := range edges(pic, across) {
			add(es, ch)
		}
	}
	order := func() {
		slices.SortStableFunc(out, func(a, b *start) int { return cmp.Compare(b.value, a.value) })
		for len(out) > 0 && len(out[0].sheets()) == 0 {
			out = out[1:]
		}
	}
	if order(); len(out) == 0 {
		return nil, &Refusal{"start", "no printed circles about one centre were found: is this the front of a chart?"}
	}
	known := out[0].sheets()[0] // tells better which colour has most circles
	for _, s := range out {
		s.value = known.support(s.edges)
	}
	order()
	if pic.Bilevel { // where dither bends even those edges, the sheet at least lies flat and unstretched
		flat := *out[0]
		flat.sheets = sync.OnceValue(func() []rectify {
			cx, cy := symmetric(pic)
			return []rectify{{s: known.s, cx: cx, cy: cy}}
		})
		out = append(out, &flat)
	}
	return out, nil
}

// refine takes a rough map to its final form and through the tests. What does not stand them comes back beside the
// refusal, where it came to a map at all.
func refine(pl *plane, w Warp, p *pattern, f *form.Form) (*fitted, error) {
	w, rd, err := bridge(pl, w, p)
	if err != nil {
		return nil, &Refusal{"circles", "too few of the form's circles were found: " + checkForm}
	}
	if _, _, lost, _ := rd.count(p); !lost || p.thinned {
		fit, err := refineFrom(pl, w, rd, p, f)
		if err == nil || fit == nil || p.thinned {
			return fit, err
		}
		if _, _, lost, _ := radials(pl, &fit.warp, p).count(p); !lost { // as a closer look shows
			return fit, err
		}
		return refineHeavy(pl, w, p.heavy(), f)
	}
	if eased, closer, err := ease(pl, w, rd, p); err == nil {
		if _, _, lost, _ := closer.count(p); !lost {
			if fit, err := refineFrom(pl, eased, closer, p, f); err == nil {
				return fit, nil
			}
		}
	}
	return refineHeavy(pl, w, p.heavy(), f)
}

// refineFrom does so with the map that bridge found, and its profiles.
func refineFrom(pl *plane, w Warp, rd *radial, p *pattern, f *form.Form) (*fitted, error) {
	apart := fmt.Sprintf("the circles do not lie as form %s says: %s", f.Form, checkForm)
	t := &fitted{plane: pl, form: f, warp: w, thinned: p.thinned, fewArcs: p.fewArcs}
	var err error
	e := rd.ends(p, 0, sectors, p.reach())
	if math.Abs(e.shift) > 0.3*p.spacing() && e.score > roughScore {
		// move every circle by it and fit again
		ss := make([]sighting, 0, sectors*3)
		for s := range sectors {
			si, co := math.Sincos((float64(s) + 0.5) * 2 * math.Pi / sectors)
			for _, r := range [3]float64{p.inner, 0.5 * (p.inner + p.outer), p.outer} {
				ss = append(ss, sighting{x: r * co, y: r * si, nx: co, ny: si, off: e.shift, weight: 1})
			}
		}
		if _, err := w.bend(ss, p.outer); err != nil {
			return t, &Refusal{"ends", apart}
		}
		if w, rd, err = bridge(pl, w, p); err != nil {
			return t, &Refusal{"circles", "too few of the form's circles were found: " + checkForm}
		}
		t.warp = w
		e = rd.ends(p, 0, sectors, p.reach())
	}
	if e.score < roughScore || math.Abs(e.shift) > 0.3*p.spacing() {
		return t, &Refusal{"ends", apart}
	}
	missing, _, _, _ := rd.count(p)
	if f.TimeArcs.PivotMM == 0 {
		if f, err = withArm(f, pl, &w); err != nil {
			return nil, err
		}
		t.form = f
	}
	// arcs: phase, then circles and arcs together
	cb := findComb(pl, &w, f)
	if cb.between > mostBetween && !p.fewArcs {
		return t, arcsRefusal(pl, &w, f, missing, fmt.Sprintf("there are more time arcs in print than form %s says: check every_minutes", f.Form))
	}
	// the pieces of the pattern see further than single crossings, and do not take a circle for its neighbour
	cs := rd.slide(p, 0.9*p.spacing())
	if t.warp, err = w.turn(cb.phase); err != nil {
		return nil, err
	}
	turn(cs, cb.phase)
	t.score = e.score
	for round := 0; ; round++ {
		reach := 1.2
		if round == 0 {
			reach = 3 // circles alone do not see paper that moved along them
		}
		as := crossArcs(pl.blunt(), &t.warp, f, reach, 3).sightings(f)
		if err := t.bend(cs, as, p.outer, leastDegree+2*round); err != nil { // a rough map is not to bend where little is seen
			return t, err
		}
		if t.u < slackMM || round == 2 {
			break
		}
		cs = radials(pl, &t.warp, p).slide(p, 0.7*p.spacing())
	}
	return t, t.finish(p, f)
}

// refineHeavy takes a rough map to its final form by the heavy circles, and where the fine arcs are lost
// like the fine circles, by the heavy arcs: what is left must stand every test all the same.
func refineHeavy(pl *plane, w Warp, p *pattern, f *form.Form) (*fitted, error) {
	fit, err := refine(pl, w, p, f)
	var refused *Refusal
	if !errors.As(err, &refused) || refused.Test != "arcs" {
		return fit, err
	}
	few, thin := *p, *f
	few.fewArcs = true
	thin.TimeArcs.EveryMinutes = f.TimeArcs.MajorMinutes
	thinner, without := refine(pl, w, &few, &thin)
	if without != nil {
		return fit, err
	}
	whole := *thinner.form
	whole.TimeArcs.EveryMinutes = f.TimeArcs.EveryMinutes
	thinner.form = &whole
	return thinner, nil
}

// withArm estimates the pivot and arm that a form's file leaves out from where the arcs lie.
// What the estimate is short of, the field makes good.
func withArm(f *form.Form, pl *plane, w *Warp) (*form.Form, error) {
	g := *f
	if err := combOf(&g, pl, w); err != nil {
		return nil, &Refusal{"arcs", fmt.Sprintf("pivot_mm and arm_mm of form %s are not given, and its time arcs are not clear enough to tell them: measure them, or scan a blank", f.Form)}
	}
	if g.TimeArcs.Lean != f.TimeArcs.Lean {
		return nil, &Refusal{"arcs", fmt.Sprintf("the time arcs lean the other way than those of form %s: the picture is mirrored, or lean of the form is wrong", f.Form)}
	}
	g.TimeArcs.EveryMinutes, g.TimeArcs.MajorMinutes = f.TimeArcs.EveryMinutes, f.TimeArcs.MajorMinutes
	return &g, nil
}

// finish takes a map that lies within a third of a circle's spacing of the print to its final form, and through the tests.
func (t *fitted) finish(p *pattern, f *form.Form) error {
	var c crossings
	var a arcCrossings
	var cs, as []sighting
	for round := range 2 {
		c = cross(t.plane, &t.warp, p, 0.30, 2*cellAngles) // as many in every cell
		a = crossArcs(t.plane, &t.warp, f, 0.7-0.2*float64(round), 1)
		cs, as = c.sightings(p), a.sightings(f)
		if err := t.bend(cs, as, p.outer, mostDegree); err != nil {
			return err
		}
		if t.moved < stillMM {
			break
		}
	}
	t.rings, t.kept = c.rms()
	t.arcs, t.share = rmsOff(as), a.share
	arcs, per := f.Arcs()
	var err error
	heavy := 2 * math.Pi * float64(a.heavy(per)) / float64(arcs)
	if t.warp, err = t.warp.turn(heavy); err != nil {
		return err
	}
	turn(t.left, heavy)
	return t.judge(p, f, cs, as)
}

// bend moves the map by the field, up to a degree, that fits the sightings best.
func (t *fitted) bend(cs, as []sighting, scale float64, most int) error {
	if len(cs) < 100 || len(as) < 50 {
		return &Refusal{"crossings", "too few crossings of the form's circles and arcs were found: " + checkForm}
	}
	in := cells(cs, scale)
	t.circles = len(in)
	in = append(in, cells(as, scale)...)
	x, y, degree, err := bestField(in, scale, t.warp.Degree, most)
	if err != nil {
		return &Refusal{"crossings", "the crossings of circles and arcs do not settle the map: " + checkForm}
	}
	by := Warp{Degree: degree, Scale: scale, X: x, Y: y}
	sum := 0.0
	for i := range in {
		s := &in[i]
		dx, dy := by.displacement(s.x, s.y)
		sum += dx*dx + dy*dy
		s.off -= dx*s.nx + dy*s.ny
	}
	t.left, t.u = in, math.Max(unexplained(in[:t.circles]), unexplained(in[t.circles:]))
	t.moved = math.Sqrt(sum / float64(len(in)))
	t.warp.shift(degree, scale, x, y)
	return nil
}

// unexplained is the rms of what the field leaves in cells of circles or of arcs. Single cells far off are ink; where all
// about are, the map is wrong there.
func unexplained(cells []sighting) float64 {
	sum, n := 0.0, 0.0
	for _, c := range cells {
		if math.Abs(c.off) <= cutMM {
			sum, n = sum+c.off*c.off, n+1
		}
	}
	return math.Max(math.Sqrt(sum/math.Max(1, n)), blockMeans(cells, 12, 2*binMM, arcsHidden))
}

// What the field may leave in the pieces of the pattern before single crossings are looked for, and by how much
// those may move the map without being looked for again.
const (
	slackMM = 0.03
	stillMM = 0.01
)

func rmsOff(ss []sighting) float64 {
	abs := make([]float64, len(ss))
	for i, s := range ss {
		abs[i] = math.Abs(s.off)
	}
	return 1.4826 * median(abs)
}

// rms is the robust scatter of the single crossings and the share of those kept.
func (c *crossings) rms() (float64, float64) {
	var abs []float64
	for _, o := range c.off {
		if !math.IsNaN(o) {
			abs = append(abs, math.Abs(o))
		}
	}
	return 1.4826 * median(abs), float64(len(abs)) / float64(len(c.off))
}

const checkForm = "check that the scan is of this form, flat and in full, or name the form it is"

// Limits of the tests. Those on circles scale with the print's own spacing and with what the pattern,
// laid over itself, could show at best; none depends on scan, ink or colour. Chosen between right maps and
// maps with forced slips, with room on both sides.
const (
	leastScore  = 0.25 // correlation of the radial pattern: noise lowers it, so this only sorts out what is no chart
	roughScore  = 0.15 // the same of a rough map, from which the finished one's may be half as much again: circles of single dots
	leastLead   = 0.25 // lead over shifts by a circle or more, of the lead the pattern has over itself; a slip makes it −1
	partLead    = 0.3  // the same in 30° of the turn
	leastClear  = 0.12 // what that lead is taken to be at least: a third of less is lost in noise
	leastSeen   = 8    // of the 24 parts of the turn that are looked at, within the picture
	sureShare   = 0.6  // of those that lead by so much: writing may lie over the others
	mostBlind   = 0.25 // of those that show nothing
	plainAt     = 0.7  // height of the innermost and of the outermost circle, of the next ones', from which both are plain to see
	plainBeyond = 0.3  // the same beyond them, up to which nothing is there
	partScore   = 0.5  // correlation in 30° of the turn, of the whole turn's, below which it shows nothing
	blockShare  = 0.05 // rms of block means of circle crossings, of the spacing of the circles
	blockMM     = 0.06 // the same of circle crossings at most, and of arc crossings: circles wide apart do not make a bad fit a good one
	arcsHidden  = 0.03 // of the arc crossings, that ink or writing may pull aside
	leastShare  = 0.55 // of the arc crossings found
	leastKept   = 0.5  // of the circle crossings found
	mostBetween = 0.5  // height of a second peak between the arcs or circles, of their own
	mostMissing = 0.2  // of the circles
	mostSwirlMM = 0.3  // paper stretches and tilts, but hardly twists differently at every radius: drawn warps of 0.4 mm by 0.2
	mostCockle  = 0.75 // mm, that it lies off a cubic: damp paper with waves of 40 mm does by 0.53
)

// judge looks at the finished map once more with fresh samples, as a whole and
// in every part of the turn. Each test can refuse by itself.
func (t *fitted) judge(p *pattern, f *form.Form, cs, as []sighting) error {
	rd := radials(t.plane, &t.warp, p)
	whole := rd.ends(p, 0, sectors, p.reach())
	missing, extra, _, heavier := rd.count(p)
	print := p.like(heavier)
	clearLead := func(lead float64) float64 { return math.Max(leastClear, lead) * whole.score }
	could := p.leadOver(print, p.reach()) // what this print could show at best, were it clean
	step, plain := rd.step(p, 0, sectors)
	t.score, t.lead = whole.score, whole.lead/clearLead(could)
	if plain { // then a small lead is clear, too
		t.lead = whole.lead / (could * whole.score)
	}
	// paper does not tear: a part of the turn slips by one circle or two, not by more
	reach := math.Min(2.5*p.spacing(), p.reach())
	around := rd.around(p, reach, whole.score, clearLead(p.leadOver(print, reach)))
	circleBlocks, arcBlocks := blockMeans(cs, 36, binMM, 0), blockMeans(as, 12, 2*binMM, arcsHidden)
	swirl := t.warp.swirl(p.inner, p.outer)
	switch {
	case whole.score < leastScore || math.Abs(whole.shift) > 0.3*p.spacing():
		return &Refusal{"ends", fmt.Sprintf("the circles do not lie as form %s says: %s", f.Form, checkForm)}
	case t.lead < leastLead:
		return &Refusal{"ends", fmt.Sprintf("which printed circle is which cannot be told for sure on form %s: %s", f.Form, checkForm)}
	case around.seen < leastSeen:
		return &Refusal{"sectors", fmt.Sprintf("too little of the turn is in the picture to tell the circles of form %s from their neighbours: scan the chart in full, or its halves one after the other", f.Form)}
	case around.slipped > 0 || float64(around.sure) < sureShare*float64(around.seen) || float64(around.blind) > mostBlind*float64(around.seen):
		return &Refusal{"sectors", fmt.Sprintf("in a part of the turn the circles do not lie as form %s says: %s", f.Form, checkForm)}
	case around.stepped > 0 || step != 0:
		return &Refusal{"edges", fmt.Sprintf("there is a circle beyond the last one of form %s, and none where its other end should be: %s", f.Form, checkForm)}
	case missing > mostMissing:
		return &Refusal{"circles", fmt.Sprintf("%.0f %% of the circles of form %s are not in the print: %s", 100*missing, f.Form, checkForm)}
	case extra > mostBetween && !p.thinned:
		return &Refusal{"circles", fmt.Sprintf("there are more circles in print than form %s says: check minor_ring, or name the form it is", f.Form)}
	case circleBlocks > math.Min(blockShare*p.spacing(), blockMM):
		return &Refusal{"circles", fmt.Sprintf("the circles of form %s fit only to %.2f mm: %s", f.Form, circleBlocks, checkForm)}
	case t.kept < leastKept:
		return &Refusal{"circles", fmt.Sprintf("only %.0f %% of the printed circles of form %s were found: %s", 100*t.kept, f.Form, checkForm)}
	case t.share < leastShare:
		return arcsRefusal(t.plane, &t.warp, f, missing, fmt.Sprintf("only %.0f %% of the time arcs of form %s were found: is lean or every_minutes of the form wrong?", 100*t.share, f.Form))
	case arcBlocks > blockMM:
		return &Refusal{"arcs", fmt.Sprintf("the time arcs of form %s fit only to %.2f mm: check lean, pivot_mm and arm_mm of the form", f.Form, arcBlocks)}
	case t.warp.cockle(p.inner, p.outer) > mostCockle:
		return &Refusal{"sectors", fmt.Sprintf("in a part of the turn the circles of form %s are met only by bending the paper more than it bends: %s", f.Form, checkForm)}
	case swirl > mostSwirlMM:
		return &Refusal{"arcs", fmt.Sprintf("the time arcs do not bend as form %s says (by %.2f mm): check lean, pivot_mm and arm_mm of the form", f.Form, swirl)}
	}
	return nil
}

// parts counts the parts of the turn, 30° wide and one every 15°, by what their circles show.
type parts struct {
	seen    int // from the centre to beyond the rim within the picture
	sure    int // that lead clearly, of those seen
	slipped int // where the circles lie better moved by one or two
	blind   int // that show nothing
	stepped int // with a circle too much at one end and one too few at the other, as in the one before
}

// around looks at the circles in every part of the turn, given their score in all of it and the lead they could have at best.
func (rd *radial) around(p *pattern, reach, score, least float64) (w parts) {
	const window = sectors / 12
	look := func(s int) (e ends, step int, plain bool) {
		if e = rd.ends(p, s, window, reach); e.seen >= 0.9 { // else cut off by the picture: its ends do not show
			step, plain = rd.step(p, s, window)
		}
		return e, step, plain
	}
	_, before, _ := look(sectors - window/2)
	for s := 0; s < sectors; s += window / 2 {
		e, step, plain := look(s)
		if step != 0 && step == before {
			w.stepped++
		}
		before = step
		if e.seen < 0.9 {
			continue
		}
		w.seen++
		switch {
		case e.score < partScore*score:
			w.blind++
		case e.lead < -partLead*least && !plain:
			w.slipped++
		case e.lead > partLead*least || plain:
			w.sure++
		}
	}
	return w
}

// arcsRefusal says so where all circles are there and the arcs would fit with the other lean.
func arcsRefusal(pl *plane, w *Warp, f *form.Form, missing float64, words string) *Refusal {
	if missing > 0.25*mostMissing {
		return &Refusal{"arcs", words}
	}
	other := *f
	other.TimeArcs.Lean = "clockwise"
	if f.TimeArcs.Lean == "clockwise" {
		other.TimeArcs.Lean = "counterclockwise"
	}
	if c := findComb(pl, w, &other); c.between < mostBetween {
		if turned, err := w.turn(c.phase); err == nil && crossArcs(pl, &turned, &other, 1.2, 1).share > leastShare {
			return &Refusal{"arcs", fmt.Sprintf("the time arcs lean the other way than those of form %s: the picture is mirrored (scan the front again, not through the paper), or lean of the form is wrong", f.Form)}
		}
	}
	return &Refusal{"arcs", words}
}

// blockMeans is the rms of the median offsets in blocks, so many a turn and so many mm of radius, each as often as there
// are sightings in it: slips are wide, ink over a print line is not. The worst blocks are left out, up to the share spare of
// the sightings.
func blockMeans(ss []sighting, angles int, mm, spare float64) float64 {
	const radii = 64
	offs := make([][]float64, angles*radii)
	for _, s := range ss {
		a := int((math.Atan2(s.y, s.x)/(2*math.Pi) + 1) * float64(angles))
		b := min(radii-1, int(math.Hypot(s.x, s.y)/mm))
		offs[a%angles*radii+b] = append(offs[a%angles*radii+b], s.off)
	}
	type block struct{ off, n float64 }
	var blocks []block
	for _, o := range offs {
		if len(o) > 0 {
			blocks = append(blocks, block{math.Abs(median(o)), float64(len(o))})
		}
	}
	slices.SortStableFunc(blocks, func(a, b block) int { return cmp.Compare(a.off, b.off) })
	left := (1 - spare) * float64(len(ss))
	sum, n := 0.0, 0.0
	for _, b := range blocks {
		if n+b.n > left {
			break
		}
		sum, n = sum+b.off*b.off*b.n, n+b.n
	}
	return math.Sqrt(sum / math.Max(1, n))
}

// cockle is the farthest, mm, that the displacement lies off the cubic that fits it best: a map that took circles for others in one
// part of the turn alone bends there as no paper does.
func (w *Warp) cockle(inner, outer float64) float64 {
	const around, across = 72, 16
	n := termCount(leastDegree)
	if w.Degree <= leastDegree {
		return 0
	}
	ex, ey := lsq.New(n), lsq.New(n)
	var rows [around * across][]float64
	var by [around * across][2]float64
	for i := range rows {
		r := inner + (outer-inner)*float64(i%across)/(across-1)
		s, c := math.Sincos(2 * math.Pi * float64(i/across) / around)
		dx, dy := w.displacement(r*c, r*s)
		rows[i], by[i] = terms(leastDegree, r*c/w.Scale, r*s/w.Scale, nil), [2]float64{dx, dy}
		ex.Add(rows[i], dx, 1)
		ey.Add(rows[i], dy, 1)
	}
	x, errX := ex.Solve()
	y, errY := ey.Solve()
	if errX != nil || errY != nil { // of so many places all about they have a solution
		return math.Inf(1)
	}
	most := 0.0
	for i, row := range rows {
		dx, dy := by[i][0], by[i][1]
		for k, t := range row {
			dx, dy = dx-t*x[k], dy-t*y[k]
		}
		most = math.Max(most, math.Hypot(dx, dy))
	}
	return most
}

// swirl is the largest mean turn of a circle against the others, mm along the circle, that the displacement holds.
func (w *Warp) swirl(inner, outer float64) float64 {
	if w.Degree == 0 {
		return 0
	}
	const n, around = 12, 36
	var r, v [n]float64
	var rr, rv float64
	buf := make([]float64, 0, len(w.X))
	for i := range n {
		r[i] = inner + (outer-inner)*float64(i)/(n-1)
		for k := range around {
			s, c := math.Sincos(2 * math.Pi * float64(k) / around)
			buf = terms(w.Degree, r[i]*c/w.Scale, r[i]*s/w.Scale, buf)
			for j, t := range buf {
				v[i] += t * (c*w.Y[j] - s*w.X[j]) / around
			}
		}
		rr += r[i] * r[i]
		rv += r[i] * v[i]
	}
	most := 0.0
	for i := range n {
		most = math.Max(most, math.Abs(v[i]-rv/rr*r[i]))
	}
	return most
}
