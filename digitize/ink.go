package digitize

import (
	"math"
	"slices"

	"penarm/calibrate"
	"penarm/calibrate/form"
	"penarm/calibrate/picture"
	"penarm/calibrate/rank"
	"penarm/digitize/series"
)

const (
	stepMM     = 0.08  // rows, and columns at the outermost circle
	marginMM   = 1.2   // beyond the innermost and outermost circle: a pen rests there
	blocks     = 48    // of time, for paper
	perBlock   = 8     // survey columns a block
	sureCos    = 0.94  // a pixel belongs to an ink whose direction is this near
	dullCos    = 0.92  // a dull ink is this near to its word
	sameCos    = 0.975 // two so near are one
	otherCos   = 0.99  // one so near to another colour is of that
	inkPoints  = 21    // points of the survey that show an ink
	blotRows   = 8     // rows to either side of a point of a blot that are dark, as are the columns beside it: more than any line's
	doubtPrint = 0.05  // density from which print says how well it was removed
	doubtLeast = 0.1
	doubtMost  = 0.35
	sparse     = 3    // rows and columns between looks for ink, 0.24 mm: a line is wider
	tile       = 6    // rows and columns that are read wholly or not at all
	traceOfInk = 0.12 // share of the typical density that no line falls below
	paleInk    = 1.5  // times the density that noise never reaches
	strongInk  = 0.10 // density over the paper below which a pixel tells no colour
	greyLevels = 12   // grey levels that the channels of a pixel without colour differ by, at most
	greyOnce   = 5000 // pixels of a picture without colour of which at most one has some: four centimetres of a line on a chart of 254 mm
)

// tracer carries one chart through the steps of Trace.
type tracer struct {
	p     Problem
	form  *form.Form
	pic   *picture.Picture
	m     *printed
	sheet *sheet
	frame calibrate.Frame // of the fine planes
	lag   []float64       // form.Lag every stepMM from frame.Radius
	turn  float64         // signed radians an hour

	inks    [][3]float32 // direction of each pen's ink in (blue, green, red) density
	instead []string     // the ink's word where another than the pen's stands in for it, far from it; else empty
	unseen  []bool       // pens whose ink is nowhere on the chart, nor another that may stand in for it
	lent    []bool       // pens that are taken to have written in the other's ink
	plane   []int        // evidence plane of each pen: pens of one colour share theirs
	planes  [][]float32  // evidence: density of that ink, column by column
	veil    [][]float32  // of each channel: the density that lies in shade over every sparse-th cell, wider than any stroke; nil without shade
	other   []uint8      // hundredths of density that no ink of the recorder explains, as the planes lie; nil in a grey picture
	axis    [3]float32   // of density, from the second pen's hue to the first's, where two hues share a plane; else zero
	hue     []int8       // hundredths of density along axis, as the planes lie; nil without one
	typ     []float32    // typical density of the line on each plane
	noise   []float32    // of each plane
	creased []bool       // cells of paths, two by two of the planes', that lie on a crease; nil without one
	doubt   float32      // standard deviation of what removing print leaves, a share of the print's density

	inked []bool // of the survey's columns, any pen's ink

	lines  []*line
	open   []open
	strays [][][]step // of each plane: pieces of line that no pen claims
	clock  clock
	events []series.Event
}

// basis of ink words in (blue, green, red) density; what a dye of that colour name absorbs.
var words = map[string][3]float32{
	"blue":   {0.30, 0.65, 1},
	"red":    {0.85, 1, 0.25},
	"green":  {0.75, 0.40, 1},
	"purple": {0.45, 1, 0.75},
	"black":  {1, 1, 1},
}

var wordOrder = []string{"blue", "red", "green", "purple", "black"}

func unit(v [3]float32) [3]float32 {
	n := float32(math.Sqrt(float64(v[0]*v[0] + v[1]*v[1] + v[2]*v[2])))
	if n == 0 {
		return v
	}
	return [3]float32{v[0] / n, v[1] / n, v[2] / n}
}

func dot(a, b [3]float32) float32 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func newTracer(p Problem) *tracer {
	f := p.Face.Form
	t := &tracer{p: p, form: f, pic: asGrey(p.Picture)}
	inner, outer := f.Inner()-marginMM, f.Outer()+marginMM
	t.turn = f.Direction() * 2 * math.Pi / f.RotationHours
	t.frame = calibrate.Frame{
		HourStep: stepMM / (math.Abs(t.turn) * f.Outer()),
		Radius:   inner, RadiusStep: stepMM, Rows: int((outer-inner)/stepMM) + 1,
	}
	t.lag = make([]float64, t.frame.Rows+1)
	for i := range t.lag {
		t.lag[i] = f.Lag(inner + float64(i)*stepMM)
	}
	return t
}

// asGrey drops the colours of a picture that has none.
func asGrey(p *picture.Picture) *picture.Picture {
	if p.Channels == 1 {
		return p
	}
	n := p.Width * p.Height
	var apart, seen int
	for i := 0; i < n; i += 97 {
		q := p.Pix[i*3 : i*3+3]
		if max(q[0], q[1], q[2])-min(q[0], q[1], q[2]) > greyLevels {
			apart++
		}
		seen++
	}
	if apart*greyOnce > seen {
		return p
	}
	g := *p
	g.Channels, g.Pix = 1, p.Plane(1)
	return &g
}

// survey samples columns over the whole turn, learns paper, print and inks
// from them, and finds where there is ink at all.
func (t *tracer) survey() {
	f := t.form
	s := samplePlanes{frame: t.frame}
	s.frame.Columns = blocks * perBlock
	s.frame.HourStep = f.RotationHours / float64(s.frame.Columns)
	s.frame.Hour = 0
	s.planes = calibrate.Unroll(t.pic, t.p.Face, s.frame, nil)

	m := &printed{
		channels: t.pic.Channels, rows: t.frame.Rows, rotation: f.RotationHours,
		every: f.TimeArcs.EveryMinutes / 60, major: f.TimeArcs.MajorMinutes / 60,
		knot: t.frame.HourStep, bilevel: blackAndWhite(t.pic, s.planes[0]),
	}
	m.tones = toneOf(m.bilevel)
	for _, c := range f.Circles() {
		kind := 0
		if c.Major {
			kind = 1
		}
		m.circleRows[kind] = append(m.circleRows[kind], (c.RadiusMM-t.frame.Radius)/stepMM)
	}
	var arcs [2][]float64 // hours of each class
	for k := 0; float64(k)*m.every < f.RotationHours-1e-6; k++ {
		h := float64(k) * m.every
		arcs[m.class(h)] = append(arcs[m.class(h)], h)
	}
	for _, hours := range arcs {
		for i := 0; i < len(hours); i += (len(hours) + arcsEnough - 1) / arcsEnough {
			w := t.frame
			w.Hour, w.Columns = hours[i]-arcHalf*m.knot, arcKnots
			w.RadiusStep, w.Rows = w.RadiusStep*aroundEvery, (w.Rows+aroundEvery-1)/aroundEvery
			s.near = append(s.near, w)
			s.around = append(s.around, calibrate.Unroll(t.pic, t.p.Face, w, nil))
		}
	}
	t.sheet = t.findSheet(s, m)
	for ch := range s.planes {
		s.columns(ch, func(col []float32, hour float64, every int) {
			t.sheet.hide(t.sheet.off, col, hour, 0, every, calibrate.Outside)
		})
	}
	m.learn(s, t.sheet)
	t.m = m
	for _, plane := range s.planes { // in shade nothing is learnt of inks
		for hour, col := range columns(s.frame, plane) {
			t.sheet.hide(t.sheet.shade, col, hour, 0, 1, missing)
		}
	}
	t.learnInks(s)
	t.findInk(s)
	if t.sheet.shade != nil { // but there may be some
		for c := range t.inked {
			at := t.sheet.cell(s.frame.Hour+float64(c)*s.frame.HourStep, 0)
			t.inked[c] = t.inked[c] || slices.Contains(t.sheet.shade[at:at+t.sheet.high], true)
		}
	}
}

// blackAndWhite says whether a picture of one channel, of which levels are seen all over the face, holds black and
// hardly anything between black and white; faded grey holds no black.
func blackAndWhite(p *picture.Picture, levels []float32) bool {
	if p.Bilevel || p.Channels != 1 {
		return p.Bilevel && p.Channels == 1
	}
	var black, between, seen int
	for _, v := range levels {
		switch {
		case v < 0: // outside the picture
			continue
		case v <= 50:
			black++
		case v < 205:
			between++
		}
		seen++
	}
	return between*50 < seen && black*500 > seen
}

// learnInks finds the direction of each pen's ink among the strong left-over
// pixels, starting from what the word says.
func (t *tracer) learnInks(s samplePlanes) {
	n := len(t.p.Pens)
	t.inks, t.instead, t.plane = make([][3]float32, n), make([]string, n), make([]int, n)
	t.unseen, t.lent = make([]bool, n), make([]bool, n)
	if t.m.channels == 1 {
		for i := range t.inks {
			t.inks[i] = [3]float32{1, 0, 0}
		}
		t.noise = []float32{t.m.noise[0]}
		return
	}
	floor := float32(strongInk)
	for _, sd := range t.m.noise {
		floor = max(floor, 6*sd)
	}
	strong := s.strong(floor)
	classes := classify(strong, nil)
	copied := colourless(classes, t.m.colours())
	// Numerals, which are left, may be more than a pen's ink in a colour near theirs: the print stands beside it. An ink
	// of which nothing is left so is the print's own, or one like it.
	likePrint := map[string]bool{}
	for w, c := range classify(strong, t.m.colours()) {
		if likePrint[w] = c.count < inkPoints; !likePrint[w] {
			classes[w] = c
		}
	}
	if copied {
		for i := range t.inks {
			t.inks[i] = classes["black"].dir
		}
	} else {
		t.chooseInks(classes, likePrint)
	}
	for i := range t.inks {
		t.plane[i] = len(t.noise)
		for k := range i {
			if dot(t.inks[i], t.inks[k]) > sameCos {
				t.plane[i] = t.plane[k]
			}
		}
		if t.plane[i] == len(t.noise) {
			var sum float32
			for k := range 3 {
				sum += t.inks[i][k] * t.inks[i][k] * t.m.noise[k] * t.m.noise[k]
			}
			t.noise = append(t.noise, float32(math.Sqrt(float64(sum))))
		}
	}
	if !copied {
		t.axis = t.huesApart()
	}
}

// colourless says whether all ink is black, on print that is black, too: a copy in black and white, in a picture that has colours.
func colourless(classes map[string]class, print [][3]float32) bool {
	black := unit(words["black"])
	if classes["black"].count < inkPoints {
		return false
	}
	for _, c := range classes {
		if c.count >= inkPoints && dot(c.dir, black) < otherCos { // a dull ink is not as near
			return false
		}
	}
	return !slices.ContainsFunc(print, func(v [3]float32) bool { return dot(v, black) < otherCos })
}

// strong gives the directions of the left-over densities above a floor, in the root mean square of the channels, less those in and about
// a blot: it is denser than a line, whose edges mix with the paper's light, and so of another hue.
func (s samplePlanes) strong(floor float32) (found [][3]float32) {
	rows, cols := s.frame.Rows, s.frame.Columns
	b, g, r := s.planes[0], s.planes[1], s.planes[2]
	dark := make([]bool, len(b))
	var points []int
	for i, v := range b {
		if v != missing && v*v+g[i]*g[i]+r[i]*r[i] > 3*floor*floor {
			dark[i] = true
			points = append(points, i)
		}
	}
	blot := make([]bool, len(b))
	for _, i := range points {
		c, row := i/rows, i%rows
		before, after := (c+cols-1)%cols*rows, (c+1)%cols*rows
		if row < blotRows || row >= rows-blotRows || !dark[i-blotRows] || !dark[i+blotRows] || !dark[before+row] || !dark[after+row] {
			continue
		}
		for _, from := range []int{before, c * rows, after} {
			for k := max(0, row-2*blotRows); k < min(rows, row+2*blotRows+1); k++ {
				blot[from+k] = true
			}
		}
	}
	for _, i := range points {
		if !blot[i] {
			found = append(found, unit([3]float32{b[i], g[i], r[i]}))
		}
	}
	return found
}

// chooseInks gives each pen the ink of its word. For a word that is missing, or that the chart plainly contradicts, another
// stands in: the nearest to the word where one is near, a dull ink, which may be another pen's, too; else the most frequent
// that no pen has asked for.
func (t *tracer) chooseInks(classes map[string]class, likePrint map[string]bool) {
	asked := map[string]bool{}
	for _, p := range t.p.Pens {
		asked[p.Ink] = true
	}
	free := func(better func(a, b class) bool) string {
		best := ""
		for _, w := range wordOrder {
			if c := classes[w]; !asked[w] && c.count >= inkPoints && !likePrint[w] && (best == "" || better(c, classes[best])) {
				best = w
			}
		}
		return best
	}
	for i, p := range t.p.Pens {
		w := p.Ink
		c, ok := classes[w]
		if ok && c.count >= inkPoints {
			t.inks[i] = c.dir
			continue
		}
		word := unit(words[w])
		near, dull := float32(dullCos), true
		o := free(func(a, b class) bool { return dot(word, a.dir) > dot(word, b.dir) })
		if o != "" && dot(word, classes[o].dir) > near {
			near = dot(word, classes[o].dir)
		} else {
			o, dull = free(func(a, b class) bool { return a.count > b.count }), false
		}
		if k := slices.IndexFunc(t.inks[:i], func(v [3]float32) bool { return dot(word, v) >= near }); k >= 0 {
			t.inks[i] = t.inks[k]
			continue
		}
		switch {
		case o != "" && (!ok || classes[o].count > 5*c.count):
			asked[o] = true
			t.inks[i] = classes[o].dir
			if w != "" && !dull {
				t.instead[i] = o
			}
		case ok:
			t.inks[i], t.unseen[i] = c.dir, true
		case i > 0 && t.p.Pens[0].Ink == "":
			t.inks[i] = t.inks[0] // nothing left to tell them apart by
		default:
			t.inks[i] = classes["black"].dir
		}
	}
	if len(t.inks) == 2 { // of dull inks either word may have taken the other's
		a, b := unit(words[t.p.Pens[0].Ink]), unit(words[t.p.Pens[1].Ink])
		if u, v := t.inks[0], t.inks[1]; dot(a, v)+dot(b, u) > dot(a, u)+dot(b, v) {
			t.inks[0], t.inks[1] = v, u
			t.instead[0], t.instead[1] = t.instead[1], t.instead[0]
		}
	}
}

// class is one ink: the direction of its density and how many points show it.
type class struct {
	dir   [3]float32
	count int
}

// classify parts directions of density by the words for inks nearest to them, whose directions follow their points, less
// those that are nearer to one of the others.
func classify(strong, others [][3]float32) map[string]class {
	classes := map[string]class{}
	for _, w := range wordOrder {
		classes[w] = class{dir: unit(words[w])}
	}
	var parts [3][]float32
	members := map[string][]int{}
	for round := range 6 {
		for _, w := range wordOrder {
			members[w] = members[w][:0]
		}
		for i, v := range strong {
			best, at := float32(sureCos), ""
			for _, w := range wordOrder {
				if c := dot(v, classes[w].dir); c > best {
					best, at = c, w
				}
			}
			other := func(o [3]float32) bool { // a word alone stands farther off than ink does
				near := dot(v, o)
				return near > dot(v, classes[at].dir) && (round > 0 || near > otherCos)
			}
			if at != "" && !slices.ContainsFunc(others, other) {
				members[at] = append(members[at], i)
			}
		}
		for _, w := range wordOrder {
			c := class{classes[w].dir, len(members[w])}
			if c.count >= inkPoints {
				for k := range 3 {
					parts[k] = parts[k][:0]
					for _, i := range members[w] {
						parts[k] = append(parts[k], strong[i][k])
					}
				}
				c.dir = unit([3]float32{median(parts[0]), median(parts[1]), median(parts[2])})
			}
			classes[w] = c
		}
	}
	return classes
}

// huesApart is the direction square to both pens' ink in which what their colour words absorb differs,
// where they share a plane: hues too near for two planes still tell whose line is whose.
func (t *tracer) huesApart() (axis [3]float32) {
	if len(t.inks) < 2 || t.plane[0] != t.plane[1] {
		return axis
	}
	a, ok1 := words[t.p.Pens[0].Ink]
	b, ok2 := words[t.p.Pens[1].Ink]
	if !ok1 || !ok2 || a == b {
		return axis
	}
	a, b = unit(a), unit(b)
	u := t.inks[0]
	for k := range u {
		u[k] += t.inks[1][k]
	}
	u = unit(u)
	for k := range axis {
		axis[k] = a[k] - b[k]
	}
	d := dot(axis, u)
	for k := range axis {
		axis[k] -= d * u[k]
	}
	return unit(axis)
}

// evidence turns left-over densities into the amount of each distinct ink, less what no ink of
// the recorder explains, which goes into other unless that is nil, and what lies along the axis of hues, which goes
// into hue unless that is nil. in holds one column a channel, out one column a plane.
func (t *tracer) evidence(in, out [][]float32, other []uint8, hue []int8) {
	if t.m.channels == 1 {
		for i, v := range in[0] {
			out[0][i] = max(v, 0)
		}
		return
	}
	var u, v [3]float32
	two := len(t.noise) == 2
	for i := range t.inks {
		if t.plane[i] == 0 {
			u = t.inks[i]
		} else {
			v = t.inks[i]
		}
	}
	c := dot(u, v)
	det := 1 - c*c
	blue, green, red := in[0], in[1][:len(in[0])], in[2][:len(in[0])]
	first := out[0][:len(blue)]
	for i, d0 := range blue {
		d1, d2 := green[i], red[i]
		if d0+d1+d2 < 0.01 { // bare paper, or outside the picture
			for k := range out {
				out[k][i] = 0
			}
			continue
		}
		p := d0*u[0] + d1*u[1] + d2*u[2]
		if !two {
			perp := d0*d0 + d1*d1 + d2*d2 - p*p
			first[i] = less(p, perp)
			if other != nil {
				other[i] = hundredths(perp)
			}
			if hue != nil {
				hue[i] = int8(min(127, max(-127, 100*(d0*t.axis[0]+d1*t.axis[1]+d2*t.axis[2]))))
			}
			continue
		}
		q := d0*v[0] + d1*v[1] + d2*v[2]
		a, b := (p-c*q)/det, (q-c*p)/det
		if b < 0 {
			a, b = max(p, 0), 0
		} else if a < 0 {
			a, b = 0, max(q, 0)
		}
		d0, d1, d2 = d0-a*u[0]-b*v[0], d1-a*u[1]-b*v[1], d2-a*u[2]-b*v[2]
		perp := d0*d0 + d1*d1 + d2*d2
		first[i], out[1][i] = less(a, perp), less(b, perp)
		if other != nil {
			other[i] = hundredths(perp)
		}
	}
}

// hundredths is the root of a squared density in hundredths, at most 255.
func hundredths(squared float32) uint8 {
	return uint8(min(255, 100*float32(math.Sqrt(float64(max(squared, 0))))))
}

// less takes from an amount of ink nine tenths of the perpendicular part
// (given squared) beyond a tolerance: what has another colour is not this ink.
func less(amount, perp float32) float32 {
	if amount <= 0 {
		return 0
	}
	tol := 0.15*amount + 0.03
	if perp > tol*tol {
		amount -= 0.9 * (float32(math.Sqrt(float64(perp))) - tol)
	}
	return max(amount, 0)
}

// learnDoubt measures on the survey what removing the print leaves of it: by how much more than on
// bare paper the evidence scatters where print was. Ink covers far less than the share left out.
func (t *tracer) learnDoubt(f calibrate.Frame, evidence [][]float32) {
	const upper = 0.84 // one standard deviation above the middle
	var bare, over, density []float32
	for c := 0; c < f.Columns; c += 3 {
		for r := c % 3; r < f.Rows; r += 3 {
			p := t.m.at(f.Hour+float64(c)*f.HourStep, r)
			var v float32
			for k := range evidence {
				v = max(v, evidence[k][c*f.Rows+r])
			}
			switch {
			case p < 0.01:
				bare = append(bare, v)
			case p > doubtPrint:
				over, density = append(over, v), append(density, p)
			}
		}
	}
	t.doubt = doubtMost
	if len(over) > 200 && len(bare) > 200 {
		a, b := quantile(over, upper), quantile(bare, upper)
		t.doubt = float32(math.Sqrt(float64(max(0, a*a-b*b)))) / median(density)
	}
	t.doubt = min(max(t.doubt, doubtLeast), doubtMost)
}

// leastInk is a density that noise alone never reaches.
func leastInk(noise float32) float32 { return max(strongInk, 6*noise) }

// lineApart is how many rows from the middle of a line, 1 mm, it has ended.
const lineApart = 12

// typical is the density of a line: the median of what exceeds half of the densest two
// thousandths, at least what noise alone never reaches. One short batch on a large chart covers less
// than that: where it comes out hardly above that floor, and several times as dense among the densest few, those are the ink.
// What is inked to all four sides, and what is beside it, is a blot and no line. aside is how many columns to and fro these lie, of
// each row.
func typical(e []float32, aside []int, noise float32) float32 {
	const (
		every = 5   // shares no factor with the usual numbers of rows: all of them are met
		times = 2.5 // lines do not vary so much
	)
	rows := len(aside)
	sides := func(i int) [4]int { return [4]int{-lineApart, lineApart, -aside[i%rows] * rows, aside[i%rows] * rows} }
	amid := func(i int) bool {
		for _, d := range sides(i) {
			if k := i + d; k < 0 || k >= len(e) || e[k] <= e[i]/2 {
				return false
			}
		}
		return true
	}
	blot := func(i int) bool {
		for _, across := range [3]int{0, -lineApart, lineApart} {
			for along := -1; along <= 1; along++ {
				if k := i + across + along*aside[i%rows]*rows; k >= 0 && k < len(e) && e[k] > e[i]/2 && amid(k) {
					return true
				}
			}
		}
		return false
	}
	var v, blots []float32
	for i := 0; i < len(e); i += every {
		switch {
		case e[i] <= 2*noise:
		case blot(i):
			blots = append(blots, e[i])
		default:
			v = append(v, e[i])
		}
	}
	if len(v) == 0 { // nothing else
		v = blots
	}
	floor := leastInk(noise)
	if len(v) == 0 {
		return floor
	}
	among := func(densest int) float32 {
		k := len(v) - 1 - densest/every
		if k < 0 {
			k = len(v) - 1
		}
		half := rank.Select(v, k) / 2
		var over []float32
		for _, x := range v {
			if x >= half {
				over = append(over, x)
			}
		}
		return rank.Select(over, len(over)/2)
	}
	usual := among(len(e) / 500)
	if few := among(len(e) / 2500); usual < paleInk*floor && few > times*usual {
		usual = few
	}
	return max(usual, floor)
}

// fillPlanes reads every so many cells of the frame, and all of them only in tiles in and beside which
// there is as much as a trace of ink. The rest stays blank: it is most of a chart.
func (t *tracer) fillPlanes() {
	cells := t.frame.Rows * t.frame.Columns
	t.planes = make([][]float32, len(t.noise))
	for k := range t.planes {
		t.planes[k] = picture.Large[float32](cells)
	}
	if t.m.channels > 1 {
		t.other = picture.Large[uint8](cells)
	}
	if t.axis != [3]float32{} {
		t.hue = make([]int8, cells)
	}
	var light []float32 // mean density of all colours, where there is shade
	if t.sheet.shade != nil {
		light = picture.Large[float32](cells)
		t.findVeil()
	}
	t.fillTiles(t.inkedTiles(), light)
	if t.sheet.shade != nil {
		for k, plane := range t.planes {
			t.dropWide(plane, t.typ[k])
		}
		t.dropEdges(light)
	}
	if t.m.bilevel {
		t.uncover(t.planes[0])
	}
}

// leftOver reads a frame, whose rows are every so many from the given one on, and calls each with the left-over density of
// every column, one slice a channel. It gives the buffer for the next time.
func (t *tracer) leftOver(f calibrate.Frame, row, every int, buf [][]float32, each func(c int, in [][]float32)) [][]float32 {
	buf = calibrate.Unroll(t.pic, t.p.Face, f, buf)
	in := make([][]float32, t.m.channels)
	for c := range f.Columns {
		hour := f.Hour + float64(c)*f.HourStep
		for ch := range in {
			in[ch] = buf[ch][c*f.Rows : (c+1)*f.Rows]
			t.sheet.hide(t.sheet.off, in[ch], hour, row, every, calibrate.Outside)
			t.m.leftOver(in[ch], ch, hour, row, every)
			if t.veil != nil {
				t.lessVeil(in[ch], ch, hour, row, every)
			}
		}
		each(c, in)
	}
	return buf
}

// looks is how many of the frame's columns and rows are every sparse-th.
func (t *tracer) looks() (cols, rows int) {
	return (t.frame.Columns + sparse - 1) / sparse, (t.frame.Rows + sparse - 1) / sparse
}

// look reads these, and calls each with every such column, counted by itself, as leftOver does.
func (t *tracer) look(each func(c int, in [][]float32)) {
	const strip = 32 // columns at once: their planes stay in the processor's cache
	cols, rows := t.looks()
	f := t.frame
	f.HourStep, f.RadiusStep, f.Rows = f.HourStep*sparse, f.RadiusStep*sparse, rows
	var buf [][]float32
	for first := 0; first < cols; first += strip {
		f.Hour, f.Columns = t.frame.Hour+float64(first)*f.HourStep, min(strip, cols-first)
		buf = t.leftOver(f, 0, sparse, buf, func(c int, in [][]float32) { each(first+c, in) })
	}
}

// inkedTiles are the tiles of the frame, column by column, that show a trace of ink.
func (t *tracer) inkedTiles() [][]bool {
	inked := make([][]bool, (t.frame.Columns+tile-1)/tile)
	for i := range inked {
		inked[i] = make([]bool, (t.frame.Rows+tile-1)/tile)
	}
	out := make([][]float32, len(t.planes))
	for k := range out {
		_, rows := t.looks()
		out[k] = make([]float32, rows)
	}
	t.look(func(c int, in [][]float32) {
		t.evidence(in, out, nil, nil)
		for k, v := range out {
			limit := traceOfInk * t.typ[k]
			for r, e := range v {
				if e > limit {
					inked[c*sparse/tile][r*sparse/tile] = true
				}
			}
		}
	})
	return inked
}

// fillTiles reads the tiles in and beside which there is ink, those of one column that hang together at once.
func (t *tracer) fillTiles(inked [][]bool, light []float32) {
	rows, cols := t.frame.Rows, t.frame.Columns
	out := make([][]float32, len(t.planes))
	var other []uint8
	var hue []int8
	var buf [][]float32
	for i := range inked {
		near := func(j int) bool {
			for _, column := range inked[max(0, i-1):min(len(inked), i+2)] {
				if slices.Contains(column[max(0, j-1):min(len(column), j+2)], true) {
					return true
				}
			}
			return false
		}
		for from, to := range runs(len(inked[i]), near) {
			f := t.frame
			f.Hour, f.Columns = f.Hour+float64(i*tile)*f.HourStep, min(tile, cols-i*tile)
			f.Radius, f.Rows = f.Radius+float64(from*tile)*f.RadiusStep, min(to*tile, rows)-from*tile
			buf = t.leftOver(f, from*tile, 1, buf, func(c int, in [][]float32) {
				at := (i*tile+c)*rows + from*tile
				for k := range out {
					out[k] = t.planes[k][at : at+f.Rows]
				}
				if t.other != nil {
					other = t.other[at : at+f.Rows]
				}
				if t.hue != nil {
					hue = t.hue[at : at+f.Rows]
				}
				if light != nil {
					for r, v := range in[0] {
						for _, other := range in[1:] {
							v += other[r]
						}
						light[at+r] = max(0, v/float32(len(in)))
					}
				}
				t.evidence(in, out, other, hue)
			})
		}
	}
}

// uncover divides what is black beyond the print by the share of paper that
// the print leaves open, and fills in what it hides wholly from beside:
// a normalised convolution (Knutsson and Westin, CVPR 1993) whose certainty is that share.
func (t *tracer) uncover(plane []float32) {
	rows, cols := t.frame.Rows, t.frame.Columns
	kernel := gauss(0.1 / stepMM)
	half := len(kernel) / 2
	weight := make([]float32, half+1) // at 0, 1, … columns or rows
	for k := range weight {
		weight[k] = float32(kernel[half+k])
	}
	padded := make([]float32, rows+2*half)
	along := func(col []float32) { // blurs one column, ends held
		copy(padded[half:], col)
		for k := range half {
			padded[k], padded[half+rows+k] = col[0], col[rows-1]
		}
		for r := range col {
			v := weight[0] * padded[r+half]
			for k := 1; k <= half; k++ {
				v += weight[k] * (padded[r+half-k] + padded[r+half+k])
			}
			col[r] = v
		}
	}
	// The columns around the one in work: what each holds, and how sure that is.
	ring := 2*half + 1
	held, sure := make([][]float32, ring), make([][]float32, ring)
	for k := range ring {
		held[k], sure[k] = make([]float32, rows), make([]float32, rows)
	}
	across := make([]float32, rows)
	for c := range cols + half {
		if c < cols {
			a, s := held[c%ring], sure[c%ring]
			clear(s)
			h := t.frame.Hour + float64(c)*t.frame.HourStep
			t.m.lessCircles(s, 0, h, 1)
			t.m.lessArcs(s, 0, h, 0, 1)
			for r, v := range plane[c*rows : (c+1)*rows] {
				open := min(1, max(0, 1+s[r]))
				a[r] = v * open // amount·open², less noisy than the quotient
				s[r] = open*open + 1e-4
			}
			along(a)
			along(s)
		}
		at := c - half
		if at < 0 {
			continue
		}
		out := plane[at*rows : (at+1)*rows]
		clear(out)
		clear(across)
		for k := -half; k <= half; k++ {
			from := min(max(at+k, 0), cols-1) % ring
			w, a, s := weight[max(k, -k)], held[from][:len(out)], sure[from][:len(out)]
			for r := range out {
				out[r] += w * a[r]
				across[r] += w * s[r]
			}
		}
		for r, v := range across {
			out[r] = min(1.2, out[r]/v)
		}
	}
}

// amount is the evidence on a plane at a point of the print (mm), bilinear; 0 outside the frame.
func (t *tracer) amount(plane []float32, x, y float64) float32 {
	c, r := t.cell(x, y)
	return t.read(plane, c, r)
}

// read is amount by column and row.
func (t *tracer) read(plane []float32, c, r float64) float32 {
	ic, ir := int(c), int(r)
	if !(c >= 0 && r >= 0) || ic >= t.frame.Columns-1 || ir >= t.frame.Rows-1 {
		return 0
	}
	fc, fr := float32(c-float64(ic)), float32(r-float64(ir))
	i := ic*t.frame.Rows + ir
	a := plane[i] + (plane[i+1]-plane[i])*fr
	i += t.frame.Rows
	b := plane[i] + (plane[i+1]-plane[i])*fr
	return a + (b-a)*fc
}

// lagAt is form.Lag by linear interpolation in the frame.
func (t *tracer) lagAt(row float64) float64 {
	i := min(max(int(row), 0), len(t.lag)-2)
	return t.lag[i] + (t.lag[i+1]-t.lag[i])*(row-float64(i))
}

// cell is the (fractional) column and row of a point of the print; the column
// is the one nearest the middle of the frame.
func (t *tracer) cell(x, y float64) (col, row float64) {
	row = (math.Hypot(x, y) - t.frame.Radius) / stepMM
	h := (math.Atan2(y, x) - t.lagAt(row)) / t.turn
	mid := t.frame.Hour + t.frame.HourStep*float64(t.frame.Columns)/2
	h = mid + cyclic(h-mid, t.form.RotationHours)
	return (h - t.frame.Hour) / t.frame.HourStep, row
}

// point is the inverse of cell.
func (t *tracer) point(col, row float64) (x, y float64) {
	r := t.frame.Radius + row*stepMM
	s, c := math.Sincos(t.turn*(t.frame.Hour+col*t.frame.HourStep) + t.lagAt(row))
	return r * c, r * s
}
