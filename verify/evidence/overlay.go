package evidence

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"io"
	"math"
	"time"

	"penarm/calibrate/form"
	"penarm/digitize/series"
)

const (
	overlaySide = 2000 // pixels, the long side of overlay.jpg
	besideMM    = 0.9  // how far beside the ink the trace is drawn
)

// Overlay writes the scan as JPEG, long side 2,000 pixels, with the fitted
// circles and arcs, the trace beside the ink, the holds and the numbered marks
// drawn on it, and a legend below.
func Overlay(w io.Writer, in Input) error { return drawOverlay(w, &in, false) }

// OverlayFull writes the same at the size of the scan, uncut: the picture's pixels are the scan's own.
func OverlayFull(w io.Writer, in Input) error { return drawOverlay(w, &in, true) }

func drawOverlay(w io.Writer, in *Input, full bool) error {
	o, err := newOverlay(in, full, 0)
	if err != nil {
		return err
	}
	o.course()
	o.print()
	for i := range in.Series {
		o.trace(&in.Series[i])
	}
	o.holds()
	o.marks()
	o.legend()
	return in.encode(w, o.c.pic)
}

// overlayJPEG is the overlay as the report takes it in.
func (in *Input) overlayJPEG() ([]byte, error) {
	if in.Drawn != nil {
		return in.Drawn, nil
	}
	var b bytes.Buffer
	err := Overlay(&b, *in)
	return b.Bytes(), err
}

type overlay struct {
	in      *Input
	c       *canvas
	from    point   // the picture's pixel at the drawing's top left
	scale   float64 // picture pixels to drawn pixels
	mm      float64 // drawn pixels a mm of print
	w, h    float64 // of the drawn picture, legend not counted
	small   *letters
	plain   *letters
	bold    *letters
	taken   []box
	numbers bool    // a numbered place was drawn
	inked   []point // the trace as drawn, thinned, so that marks keep off it
}

// box is a rectangle already used by words.
type box struct{ x0, y0, x1, y1 float64 }

func (a box) meets(b box) bool { return a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1 }

// newOverlay makes room for the picture, the legend and so many pixels more below.
func newOverlay(in *Input, full bool, below float64) (*overlay, error) {
	if in.Picture == nil || in.Face == nil || in.Findings == nil || in.Picture.Width < 2 || in.Picture.Height < 2 {
		return nil, errors.New("evidence: no picture, no calibration or no findings to draw: check the scan first")
	}
	o := &overlay{in: in}
	part := image.Rect(0, 0, in.Picture.Width, in.Picture.Height)
	if !full {
		part = in.chartOnly()
	}
	o.from = point{float64(part.Min.X), float64(part.Min.Y)}
	pw, ph := float64(part.Dx()), float64(part.Dy())
	o.scale = overlaySide / math.Max(pw, ph)
	row := math.Round(0.016 * overlaySide)
	lines, err := in.legendLines(overlaySide * pw / math.Max(pw, ph) * 0.94)
	if err != nil {
		return nil, err
	}
	legend := math.Round((float64(lines) + 0.6) * row * 1.25)
	if over := ph*o.scale + legend; over > overlaySide {
		o.scale *= (overlaySide - legend) / (ph * o.scale)
	}
	k := 1.0
	if full {
		k = 1 / o.scale
	}
	w, h := max(1, int(math.Round(pw*o.scale*k))), max(1, int(math.Round(ph*o.scale*k)))
	o.w, o.h = float64(w)/k, float64(h)/k
	o.c = newCanvas(w, h+int((legend+below)*k), k)
	o.c.resize(in.Picture, part, w, h)
	f := in.Face.Form
	a, b := o.paper(0, f.Outer()), o.paper(f.RotationHours/2, f.Outer())
	o.mm = math.Hypot(a.x-b.x, a.y-b.y) / (2 * f.Outer())
	var errs [3]error
	o.small, errs[0] = newLetters(20, false, k)
	o.plain, errs[1] = newLetters(26, false, k)
	o.bold, errs[2] = newLetters(24, true, k)
	return o, errors.Join(errs[:]...)
}

// chartOnly is the part of the picture that is drawn: the chart with room for words around
// it where the chart would else be drawn a good deal smaller, or all.
func (in *Input) chartOnly() image.Rectangle {
	p, f := in.Picture, in.Face.Form
	r := math.Max(f.DiameterMM/2, f.Outer()) * 1.16
	lo, hi := point{math.Inf(1), math.Inf(1)}, point{math.Inf(-1), math.Inf(-1)}
	for i := range 72 {
		q := in.at(f.RotationHours*float64(i)/72, f.Outer())
		c := in.at(f.RotationHours*(float64(i)/72+0.5), f.Outer())
		k := (r/f.Outer() - 1) / 2 // outward along the diameter
		q = point{q.x + k*(q.x-c.x), q.y + k*(q.y-c.y)}
		lo, hi = point{math.Min(lo.x, q.x), math.Min(lo.y, q.y)}, point{math.Max(hi.x, q.x), math.Max(hi.y, q.y)}
	}
	all := image.Rect(0, 0, p.Width, p.Height)
	part := image.Rect(int(lo.x), int(lo.y), int(hi.x)+1, int(hi.y)+1).Intersect(all)
	if part.Dx() < 16 || part.Dy() < 16 || float64(max(part.Dx(), part.Dy())) > 0.87*float64(max(p.Width, p.Height)) {
		return all
	}
	return part
}

// draw turns picture pixels into drawn ones; pixel centres stay pixel centres.
func (o *overlay) draw(p point) point {
	return point{(p.x-o.from.x+0.5)*o.scale - 0.5, (p.y-o.from.y+0.5)*o.scale - 0.5}
}

// paper is where a printed hour and radius (mm) lie on the drawing.
func (o *overlay) paper(hours, radius float64) point {
	x, y := o.in.Face.Pixel(hours, radius)
	return o.draw(point{x, y})
}

// along gives the points of a circle at a radius (mm) over printed hours.
func (o *overlay) along(radius, from, to float64) (out []point) {
	n := max(2, int(math.Ceil(math.Abs(to-from)/o.in.Face.Form.RotationHours*360)))
	for i := 0; i <= n; i++ {
		out = append(out, o.paper(from+(to-from)*float64(i)/float64(n), radius))
	}
	return out
}

// swing gives the points of a time arc between two radii (mm).
func (o *overlay) swing(hours, from, to float64) (out []point) {
	n := max(2, int(math.Ceil(math.Abs(to-from)/2)))
	for i := 0; i <= n; i++ {
		out = append(out, o.paper(hours, from+(to-from)*float64(i)/float64(n)))
	}
	return out
}

// chosenRings are the temperatures of the heavy circles to draw: not so many that they hide the print.
func chosenRings(f *form.Form) (out []float64) {
	lo, hi := f.Temperature(f.Inner()), f.Temperature(f.Outer())
	if lo > hi {
		lo, hi = hi, lo
	}
	step := f.MajorRing
	if !(step > 0) {
		step = (hi - lo) / 8
	}
	for (hi-lo)/step > 12 {
		step *= 2
	}
	for t := math.Ceil(lo/step-1e-9) * step; t <= hi+1e-9; t += step {
		out = append(out, t)
	}
	return out
}

// print draws dashes of the heavy circles and hour arcs where the fit says that
// they are printed: six ladders of circles, and each hour near the rim and the hub.
func (o *overlay) print() {
	f := o.in.Face.Form
	rot := f.RotationHours
	const ladders = 6
	for i := range ladders {
		mid := rot * ((float64(i)+0.5)/ladders + 1.0/48)
		for k, t := range chosenRings(f) {
			r := f.Radius(t)
			half := rot * 2.2 / 360 * f.Outer() / math.Max(r, 0.4*f.Outer())
			o.c.stroke(o.along(r, mid-half, mid+half), 2.2, fitted)
			if (k+i)%2 == 0 && i%2 == 0 {
				o.label(o.paper(mid+half*1.75, r), degrees(t), fitted)
			}
		}
	}
	step := math.Max(1, rot/24)
	for h := 0.0; h < rot-1e-9; h += step {
		span := f.Outer() - f.Inner()
		o.c.stroke(o.swing(h, f.Inner(), f.Inner()+0.10*span), 2.2, fitted)
		o.c.stroke(o.swing(h, f.Outer()-0.10*span, f.Outer()), 2.2, fitted)
		o.label(o.paper(h, f.Outer()-0.10*span-2.2), o.in.hourLabel(h), fitted)
	}
}

// inside says whether a point lies in the drawn picture.
func (o *overlay) inside(p point) bool { return p.x >= 0 && p.y >= 0 && p.x <= o.w && p.y <= o.h }

// dark draws a dark line with a light edge, so that it shows on a dark ground, too.
func (o *overlay) dark(pts []point, width float64, dash ...float64) {
	o.c.stroke(pts, width+4, color.RGBA{255, 255, 255, 200})
	o.c.stroke(pts, width, legal, dash...)
}

// label writes small words on the print and remembers their place.
func (o *overlay) label(p point, s string, col color.RGBA) {
	if !o.inside(p) || o.crowded(p, 45) {
		return
	}
	o.c.tag(o.small, p, s, col)
	w := o.small.width(s)/2 + 4
	o.taken = append(o.taken, box{p.x - w, p.y - 13, p.x + w, p.y + 13})
}

// outward is the side of the trace, seen along rising time, on which hotter
// lies on a form that is hottest at the rim: +1 right of (dx, dy) as (−dy, dx) turned back.
func (o *overlay) outward() float64 {
	f := o.in.Face.Form
	a, b := o.paper(0, f.Outer()), o.paper(0.01*f.RotationHours, f.Outer())
	m := o.paper(0.005*f.RotationHours, f.Outer()+1)
	if (b.y-a.y)*(m.x-a.x)-(b.x-a.x)*(m.y-a.y) < 0 {
		return -1
	}
	return 1
}

// beside moves a polyline sideways by d pixels, square to its own course.
func beside(pts []point, d float64) []point {
	out := make([]point, len(pts))
	for i, p := range pts {
		a, b := pts[max(0, i-2)], pts[min(len(pts)-1, i+2)]
		dx, dy := b.x-a.x, b.y-a.y
		l := math.Hypot(dx, dy)
		if l == 0 {
			out[i] = p
			continue
		}
		out[i] = point{p.x + d*dy/l, p.y - d*dx/l}
	}
	return out
}

// course notes where the traces run, before any words are set.
func (o *overlay) course() {
	for i := range o.in.Series {
		s := &o.in.Series[i]
		for _, r := range runs(s) {
			for _, v := range r {
				p := o.draw(o.in.pixel(s.Pen, v.Time, v.Temperature, s.Unit))
				if k := len(o.inked); k == 0 || math.Hypot(p.x-o.inked[k-1].x, p.y-o.inked[k-1].y) > 7 {
					o.inked = append(o.inked, p)
				}
			}
		}
	}
}

// crowded says whether the trace runs within d pixels of p.
func (o *overlay) crowded(p point, d float64) bool {
	for _, t := range o.inked {
		if math.Hypot(t.x-p.x, t.y-p.y) < d {
			return true
		}
	}
	return false
}

// trace draws one pen beside its ink: whole (the second pen in long dashes) where
// the ink is good, dotted where it is weak, nothing in a gap, whose ends carry a cross stroke.
func (o *overlay) trace(s *series.Series) {
	side := o.outward() * besideMM * o.mm
	if s.Pen == "airspace" {
		side = -side // so that two pens close together stay two lines
	}
	col := o.in.penColour(s.Pen)
	rs := runs(s)
	for n, r := range rs {
		var pts []point
		var weak []bool
		for i, v := range r {
			p := o.draw(o.in.pixel(s.Pen, v.Time, v.Temperature, s.Unit))
			if k := len(pts); k > 0 && i < len(r)-1 && math.Hypot(p.x-pts[k-1].x, p.y-pts[k-1].y) < 2.5 {
				weak[k-1] = weak[k-1] || v.Quality == series.Weak
				continue
			}
			pts, weak = append(pts, p), append(weak, v.Quality == series.Weak)
		}
		line := beside(pts, side)
		for i := 0; i < len(line); {
			j := i
			for j < len(line) && weak[j] == weak[i] {
				j++
			}
			part := line[i:min(j+1, len(line))]
			if weak[i] {
				o.c.stroke(part, 2.2, col, 2.5, 6)
			} else {
				o.c.stroke(part, 2.2, col, penDash(s.Pen)...)
			}
			i = j
		}
		if n > 0 {
			o.cross(pts, 0, col)
		}
		if n < len(rs)-1 {
			o.cross(pts, len(pts)-1, col)
		}
	}
	if len(rs) > 0 && len(o.in.Series) > 1 {
		first := rs[0][0]
		p := o.draw(o.in.pixel(s.Pen, first.Time, first.Temperature, s.Unit))
		o.place(o.small, p, penWords(s.Pen), col, 34, false)
	}
}

// penDash tells the second pen from the first where colours do not.
func penDash(pen string) []float64 {
	if pen == "airspace" {
		return []float64{18, 5}
	}
	return nil
}

// cross strokes across the line at its end i.
func (o *overlay) cross(pts []point, i int, col color.RGBA) {
	a, b := pts[max(0, i-2)], pts[min(len(pts)-1, i+2)]
	l := math.Hypot(b.x-a.x, b.y-a.y)
	if l == 0 {
		return
	}
	dx, dy := (b.y-a.y)/l*1.6*o.mm, -(b.x-a.x)/l*1.6*o.mm
	p := pts[i]
	o.c.stroke([]point{{p.x - dx, p.y - dy}, {p.x + dx, p.y + dy}}, 2.6, col)
}

// place puts words near p at about the distance, off other words and off the
// trace, with a thin leader, and gives where they stand.
func (o *overlay) place(l *letters, p point, s string, col color.RGBA, distance float64, framed bool) {
	w, h := l.width(s)/2+8, 0.75*l.size
	best, cost := point{}, math.Inf(1)
	for _, d := range []float64{1, 1.5, 2.1, 2.8, 3.8, 5} {
		for k := range 16 {
			s, c := math.Sincos(2 * math.Pi * float64(k) / 16)
			q := point{p.x + c*(d*distance+w*math.Abs(c)), p.y + s*(d*distance+h*math.Abs(s))}
			b := box{q.x - w, q.y - h, q.x + w, q.y + h}
			if b.x0 < 2 || b.y0 < 2 || b.x1 > o.w-2 || b.y1 > o.h-2 {
				continue
			}
			v := d
			for _, t := range o.taken {
				if b.meets(t) {
					v += 8
				}
			}
			for _, t := range o.inked {
				if t.x > b.x0-4 && t.x < b.x1+4 && t.y > b.y0-4 && t.y < b.y1+4 {
					v += 0.5
				}
			}
			if v < cost-1e-9 {
				best, cost = q, v
			}
		}
		if cost < d+0.01 {
			break
		}
	}
	if math.IsInf(cost, 1) {
		return
	}
	o.words(l, best, p, s, col, framed)
}

// words writes s in a box centred at q with a leader from p.
func (o *overlay) words(l *letters, q, p point, s string, col color.RGBA, framed bool) {
	w, h := l.width(s)/2+8, 0.75*l.size
	o.c.stroke([]point{p, q}, 4.6, color.RGBA{255, 255, 255, 170})
	o.c.stroke([]point{p, q}, 1.6, col)
	o.c.fill(q.x-w, q.y-h, q.x+w, q.y+h, color.RGBA{255, 255, 255, 235})
	if framed {
		o.c.box(q.x-w, q.y-h, q.x+w, q.y+h, 2, col)
	}
	o.c.text(l, q, 0.5, s, col)
	o.taken = append(o.taken, box{q.x - w, q.y - h, q.x + w, q.y + h})
}

// holds marks on the paper where each hold starts, ends and stands lowest, with
// its clock times at the rim, and the legal temperature between.
func (o *overlay) holds() {
	f := o.in.Face.Form
	for _, b := range o.in.Findings.Batches {
		h := b.Hold
		if h == nil {
			continue
		}
		r := o.in.radius(b.Legal, b.Unit)
		from, to := o.in.hours("product", h.Start.Time), o.in.hours("product", h.End.Time)
		quarter := 10.0 / 60
		o.dark(o.along(r, from-quarter, to+quarter), 1.8, 9, 5)
		name := batchName(b.Batch)
		for i, end := range []struct {
			hours float64
			at    time.Time
			word  string
		}{{from, h.Start.Time, holdStarts(name)}, {to, h.End.Time, holdEnds(name)}} {
			out := f.Outer() + 3
			if r > out {
				out = r + 6
			}
			// where the scan cuts the paper off, the words come as near as they can
			for out > r+4 && !o.inside(o.paper(end.hours, out)) {
				out -= 2
			}
			o.dark(o.swing(end.hours, r+4, out), 1.4)
			o.dark(o.swing(end.hours, r-4, r+4), 3)
			// a foot that points into the hold says which of the two this is
			toward := 0.35 * o.degreesOfTurn()
			if i == 1 {
				toward = -toward
			}
			o.dark(o.along(r-4, end.hours, end.hours+6*toward), 3)
			o.rim(end.hours, o.paper(end.hours, out), end.word+" "+clock(end.at), legal)
		}
		if at, t, ok := o.in.lowestAt(h); ok {
			p := o.draw(o.in.pixel("product", at, t, b.Unit))
			o.c.disc(p, 0.55*o.mm+2, paper)
			o.c.disc(p, 0.55*o.mm, legal)
			o.place(o.small, p, lowestWords(h.Lowest, b.Unit), legal, 5*o.mm, true)
		}
	}
}

// degreesOfTurn is the printed hours that one degree of turn takes.
func (o *overlay) degreesOfTurn() float64 { return o.in.Face.Form.RotationHours / 360 }

// rim writes a framed box of words near the rim at an hour, aside of what stands there, with a leader from start.
func (o *overlay) rim(hours float64, start point, s string, col color.RGBA) {
	f := o.in.Face.Form
	w, h := o.bold.width(s)/2+8, 0.75*o.bold.size
	best, cost := point{}, math.Inf(1)
	for _, out := range []float64{10, 16, 22, 5} {
		for k := range 25 {
			turn := float64((k+1)/2) * 1.5
			if k%2 == 1 {
				turn = -turn
			}
			a, c := o.paper(hours+turn*o.degreesOfTurn(), f.Outer()+out), o.paper(hours, 0.01)
			l := math.Hypot(a.x-c.x, a.y-c.y)
			// the box's inner edge, not its middle, keeps the distance from the rim
			q := point{a.x + (a.x-c.x)/l*w*math.Abs(a.x-c.x)/l, a.y + (a.y-c.y)/l*h}
			q.x = math.Max(w+3, math.Min(o.w-w-3, q.x))
			q.y = math.Max(h+3, math.Min(o.h-h-3, q.y))
			b := box{q.x - w, q.y - h, q.x + w, q.y + h}
			v := 0.05*math.Abs(turn) + 0.3*math.Hypot(q.x-start.x, q.y-start.y)/(10*o.mm)
			for _, t := range o.taken {
				if b.meets(t) {
					v += 6
				}
			}
			for _, t := range o.inked {
				if t.x > b.x0 && t.x < b.x1 && t.y > b.y0 && t.y < b.y1 {
					v++
				}
			}
			if v < cost-1e-9 {
				best, cost = q, v
			}
		}
	}
	o.words(o.bold, best, start, s, col, true)
}

// marks draws the numbered places.
func (o *overlay) marks() {
	for _, m := range o.in.marks() {
		if !m.onPaper {
			continue
		}
		p := o.draw(m.at)
		if !o.inside(p) {
			continue
		}
		o.numbers = true
		o.c.disc(p, 7, paper)
		o.c.disc(p, 5, ink)
		o.numbered(p, fmt.Sprint(m.n))
	}
}

// numbered puts a number in a ring near p, clear of words and trace.
func (o *overlay) numbered(p point, s string) {
	const r = 21.0
	best, cost := p, math.Inf(1)
	for _, d := range []float64{5, 7, 9, 12, 16} {
		for k := range 24 {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / 24)
			q := point{p.x + d*o.mm*cos, p.y + d*o.mm*sin}
			b := box{q.x - r, q.y - r, q.x + r, q.y + r}
			if b.x0 < 0 || b.y0 < 0 || b.x1 > o.w || b.y1 > o.h {
				continue
			}
			v := d / 5
			for _, t := range o.taken {
				if b.meets(t) {
					v += 6
				}
			}
			for _, t := range o.inked {
				if math.Hypot(t.x-q.x, t.y-q.y) < r+5 {
					v += 0.4
				}
			}
			if v < cost-1e-9 {
				best, cost = q, v
			}
		}
	}
	o.dark([]point{p, best}, 2)
	o.c.disc(best, r+1.5, paper)
	o.c.disc(best, r, ink)
	o.c.disc(best, r-3, amber)
	o.c.text(o.bold, best, 0.5, s, ink)
	o.taken = append(o.taken, box{best.x - r, best.y - r, best.x + r, best.y + r})
}

// legendLines is how many lines the legend takes in a width.
func (in *Input) legendLines(width float64) (int, error) {
	l, err := newLetters(26, false, 1)
	if err != nil {
		return 0, err
	}
	words := []string{legendFitted(in.Face.Form.Unit)}
	if len(in.Series) > 0 {
		words = append(words, legendWeak, legendLegal)
	}
	if len(in.Series)+len(in.Events) > 0 {
		words = append(words, legendMark)
	}
	for _, s := range in.Series {
		words = append(words, legendTrace(s.Pen))
	}
	lines, x := 2, 18.0 // the heading is one
	for _, s := range words {
		need := 96 + l.width(s)
		if x+need > width {
			lines, x = lines+1, 18
		}
		x += need
	}
	return lines, nil
}

// legend says below the picture what is drawn.
func (o *overlay) legend() {
	if s := o.in.hourCaution(); s != "" {
		w := o.bold.width(s)/2 + 12
		q := point{w + 8, 34}
		o.c.fill(q.x-w, q.y-24, q.x+w, q.y+24, paper)
		o.c.box(q.x-w, q.y-24, q.x+w, q.y+24, 3, ink)
		o.c.text(o.bold, q, 0.5, s, ink)
	}
	row := 40.0
	y := o.h + 0.8*row
	o.c.fill(0, o.h, o.w, o.h+9*row, paper)
	o.c.fill(0, o.h, o.w, o.h+3, ink)
	x := 18.0
	o.c.text(o.bold, point{x, y}, 0, o.in.heading(), ink)
	y += row
	item := func(s string, draw func(x, y float64) float64) {
		need := 96 + o.plain.width(s)
		if x+need > o.w {
			x, y = 18, y+row
		}
		x = draw(x, y)
		o.c.text(o.plain, point{x, y}, 0, s, ink)
		x += o.plain.width(s) + 28
	}
	line := func(col color.RGBA, width float64, dash ...float64) func(x, y float64) float64 {
		return func(x, y float64) float64 {
			o.c.stroke([]point{{x, y}, {x + 50, y}}, width, col, dash...)
			return x + 58
		}
	}
	item(legendFitted(o.in.Face.Form.Unit), line(fitted, 2.2))
	for _, s := range o.in.Series {
		item(legendTrace(s.Pen), line(o.in.penColour(s.Pen), 3, penDash(s.Pen)...))
	}
	if len(o.in.Series) > 0 {
		item(legendWeak, line(o.in.penColour(""), 3, 2.5, 6))
		item(legendLegal, line(legal, 1.8, 9, 5))
	}
	if !o.numbers {
		return
	}
	item(legendMark, func(x, y float64) float64 {
		o.c.disc(point{x + 16, y}, 15, ink)
		o.c.disc(point{x + 16, y}, 12, amber)
		o.c.text(o.small, point{x + 16, y}, 0.5, "1", ink)
		return x + 42
	})
}
