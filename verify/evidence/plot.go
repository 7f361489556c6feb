package evidence

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image/color"
	"io"
	"math"
	"sort"
	"strings"
	"time"

	"penarm/digitize/series"
	"penarm/verify"
)

// sheet is something lines and words are drawn on, lengths in mm, y down:
// an SVG file or a page of the report.
type sheet interface {
	line(pts []point, width float64, col color.RGBA, dash ...float64)
	area(pts []point, col color.RGBA)
	ring(p point, radius, width float64, fill, edge color.RGBA)
	// text writes s with its middle at p.y; align 0 begins, 0.5 centres, 1 ends at p.x; size in points.
	text(p point, size float64, bold bool, align float64, s string, col color.RGBA)
	width(size float64, bold bool, s string) float64
}

const (
	plotWidth      = 250.0 // mm
	overviewHeight = 92.0
	holdHeight     = 66.0
)

// Plot writes the time–temperature plot as SVG: the whole chart above, each hold close up below.
func Plot(w io.Writer, in Input) error {
	if in.Face == nil || in.Findings == nil {
		return errors.New("evidence: no calibration or no findings to plot: check the scan first")
	}
	s := &svg{}
	p := &plotter{in: &in, s: s, marks: in.marks()}
	height := 12 + overviewHeight
	s.text(point{6, 6}, 11, true, 0, in.heading(), ink)
	p.overview(6, 11, plotWidth-12, overviewHeight)
	holds := p.holds()
	across := max(1, min(2, len(holds)))
	for i, b := range holds {
		wide := (plotWidth - 12) / float64(across)
		p.hold(b, 6+wide*float64(i%across), height+2, wide-2, holdHeight)
		if i%across == across-1 || i == len(holds)-1 {
			height += holdHeight + 4
		}
	}
	height += 3
	head := fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%gmm" viewBox="0 0 %g %g" stroke="none" font-family="'DejaVu Sans',Verdana,sans-serif">`+"\n"+
		`<rect width="100%%" height="100%%" fill="#fff"/>`+"\n", plotWidth, height, plotWidth, height)
	_, err := io.WriteString(w, head+s.b.String()+"</svg>\n")
	return err
}

// svg is a sheet that writes SVG elements.
type svg struct{ b bytes.Buffer }

func hex(c color.RGBA) string { return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B) }

// mm writes a length with a hundredth of a mm, shortest.
func mm(v float64) string {
	return strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%.2f", v+0), "0"), ".")
}

func svgPath(pts []point) string {
	var b strings.Builder
	for i, p := range pts {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(mm(p.x) + "," + mm(p.y))
	}
	return b.String()
}

func (s *svg) line(pts []point, width float64, col color.RGBA, dash ...float64) {
	d := ""
	if len(dash) > 0 {
		var v []string
		for _, x := range dash {
			v = append(v, mm(x))
		}
		d = ` stroke-dasharray="` + strings.Join(v, " ") + `"`
	}
	fmt.Fprintf(&s.b, `<polyline points="%s" fill="none" stroke="%s" stroke-width="%s" stroke-linejoin="round"%s/>`+"\n", svgPath(pts), hex(col), mm(width), d)
}

func (s *svg) area(pts []point, col color.RGBA) {
	fmt.Fprintf(&s.b, `<polygon points="%s" fill="%s"/>`+"\n", svgPath(pts), hex(col))
}

func (s *svg) ring(p point, radius, width float64, fill, edge color.RGBA) {
	fmt.Fprintf(&s.b, `<circle cx="%s" cy="%s" r="%s" fill="%s" stroke="%s" stroke-width="%s"/>`+"\n", mm(p.x), mm(p.y), mm(radius), hex(fill), hex(edge), mm(width))
}

const ptMM = 25.4 / 72

func (s *svg) text(p point, size float64, bold bool, align float64, words string, col color.RGBA) {
	anchor := [3]string{"start", "middle", "end"}[int(math.Round(2*align))]
	weight := ""
	if bold {
		weight = ` font-weight="bold"`
	}
	fmt.Fprintf(&s.b, `<text x="%s" y="%s" font-size="%s" text-anchor="%s"%s fill="%s">`, mm(p.x), mm(p.y+0.36*size*ptMM), mm(size*ptMM), anchor, weight, hex(col))
	xml.EscapeText(&s.b, []byte(words))
	s.b.WriteString("</text>\n")
}

func (s *svg) width(size float64, bold bool, words string) float64 {
	l, err := newLetters(size, bold, 10) // ten times as large: the fonts measure in 1/64 of a point
	if err != nil {
		return 0.6 * size * ptMM * float64(len([]rune(words)))
	}
	return l.width(words) * ptMM
}

// plotter draws plots on a sheet.
type plotter struct {
	in    *Input
	s     sheet
	marks []mark
	taken []box // of words in the frame in work
}

// frame is one plot's axes: where times and temperatures lie on the sheet.
type frame struct {
	x, y, w, h float64 // the ruled area
	t0, t1     time.Time
	lo, hi     float64 // temperatures at the bottom and top
}

func (f *frame) at(t time.Time, temperature float64) point {
	return point{f.x + f.w*t.Sub(f.t0).Seconds()/f.t1.Sub(f.t0).Seconds(), f.y + f.h*(f.hi-temperature)/(f.hi-f.lo)}
}

func (f *frame) clampY(p point) point {
	p.y = math.Max(f.y, math.Min(f.y+f.h, p.y))
	return p
}

// holds are the batches that show one.
func (p *plotter) holds() (out []verify.Batch) {
	for _, b := range p.in.Findings.Batches {
		if b.Hold != nil {
			out = append(out, b)
		}
	}
	return out
}

// tick is the round step that divides span into no more than n.
func tick(span float64, n float64, steps ...float64) float64 {
	for _, s := range steps {
		if span/s <= n {
			return s
		}
	}
	return steps[len(steps)-1]
}

// grid rules the frame and labels its axes.
func (p *plotter) grid(f *frame, minutes float64, labelEvery int, degreesStep float64) {
	p.s.area([]point{{f.x, f.y}, {f.x + f.w, f.y}, {f.x + f.w, f.y + f.h}, {f.x, f.y + f.h}}, paper)
	p.shade(f)
	for v := math.Ceil(f.lo/degreesStep) * degreesStep; v <= f.hi+1e-9; v += degreesStep {
		q := f.at(f.t0, v)
		p.s.line([]point{q, {f.x + f.w, q.y}}, 0.12, faint)
		p.s.text(point{f.x - 1.2, q.y}, 6.5, false, 1, number(v, 1), ink)
	}
	step := time.Duration(minutes * float64(time.Minute))
	for t := f.t0.Truncate(step); !t.After(f.t1); t = t.Add(step) {
		if t.Before(f.t0) {
			continue
		}
		q := f.at(t, f.lo)
		strong := int(math.Round(t.Sub(t.Truncate(24*time.Hour)).Minutes()/minutes))%labelEvery == 0
		if strong {
			p.s.line([]point{{q.x, f.y}, {q.x, f.y + f.h + 1}}, 0.22, faint)
			p.s.text(point{q.x, f.y + f.h + 2.8}, 6.5, false, 0.5, t.Format("15:04"), ink)
		} else {
			p.s.line([]point{{q.x, f.y}, {q.x, f.y + f.h}}, 0.08, faint)
		}
	}
}

// shade marks the holds.
func (p *plotter) shade(f *frame) {
	for _, b := range p.holds() {
		a, e := f.at(b.Hold.Start.Time, f.hi), f.at(b.Hold.End.Time, f.lo)
		a.x, e.x = math.Max(f.x, a.x), math.Min(f.x+f.w, e.x)
		if a.x < e.x {
			p.s.area([]point{{a.x, f.y}, {e.x, f.y}, {e.x, f.y + f.h}, {a.x, f.y + f.h}}, shade)
		}
	}
}

// border closes the frame over whatever was drawn.
func (p *plotter) border(f *frame) {
	p.s.line([]point{{f.x, f.y}, {f.x + f.w, f.y}, {f.x + f.w, f.y + f.h}, {f.x, f.y + f.h}, {f.x, f.y}}, 0.25, ink)
}

// clip keeps the parts of a run that lie in the frame, cut at its edges in time and temperature.
func (f *frame) clip(r run) (out []run) {
	from := -1
	for i := 0; i <= len(r); i++ {
		inside := i < len(r) && !r[i].Time.Before(f.t0) && !r[i].Time.After(f.t1) && r[i].Temperature >= f.lo && r[i].Temperature <= f.hi
		if inside && from < 0 {
			from = i
		}
		if !inside && from >= 0 {
			var part run
			if from > 0 {
				part = append(part, f.edge(r[from], r[from-1]))
			}
			part = append(part, r[from:i]...)
			if i < len(r) {
				part = append(part, f.edge(r[i-1], r[i]))
			}
			out = append(out, part)
			from = -1
		}
	}
	return out
}

// edge is the point between a sample inside and one outside where the line leaves the frame.
func (f *frame) edge(in, out series.Sample) series.Sample {
	k := 1.0
	if d := out.Temperature - in.Temperature; out.Temperature > f.hi {
		k = math.Min(k, (f.hi-in.Temperature)/d)
	} else if out.Temperature < f.lo {
		k = math.Min(k, (f.lo-in.Temperature)/d)
	}
	if d := out.Time.Sub(in.Time).Seconds(); out.Time.After(f.t1) {
		k = math.Min(k, f.t1.Sub(in.Time).Seconds()/d)
	} else if out.Time.Before(f.t0) {
		k = math.Min(k, f.t0.Sub(in.Time).Seconds()/d)
	}
	s := in
	s.Temperature += k * (out.Temperature - in.Temperature)
	s.Time = s.Time.Add(time.Duration(k * float64(out.Time.Sub(in.Time))))
	return s
}

// thin drops samples that lie within a hair of the line between those kept.
func thin(f *frame, r run, hair float64) run {
	if len(r) < 3 {
		return r
	}
	out := run{r[0]}
	from := 0
	for i := 2; i < len(r); i++ {
		a, b := f.at(r[from].Time, r[from].Temperature), f.at(r[i].Time, r[i].Temperature)
		l := math.Hypot(b.x-a.x, b.y-a.y)
		for j := from + 1; j < i; j++ {
			q := f.at(r[j].Time, r[j].Temperature)
			d := math.Hypot(q.x-a.x, q.y-a.y)
			if l > 0 {
				d = math.Abs((b.x-a.x)*(q.y-a.y)-(b.y-a.y)*(q.x-a.x)) / l
			}
			if d > hair || r[j].Quality != r[from].Quality || i-from > 200 {
				out = append(out, r[i-1])
				from = i - 1
				break
			}
		}
	}
	return append(out, r[len(r)-1])
}

// curves draws the pens with their uncertainty bands (±2u) and gaps.
func (p *plotter) curves(f *frame) {
	order := append([]series.Series(nil), p.in.Series...)
	sort.SliceStable(order, func(i, j int) bool { return order[i].Pen != "product" && order[j].Pen == "product" })
	for i := range order {
		s := &order[i]
		col := p.in.penColour(s.Pen)
		rs := runs(s)
		for _, r := range rs {
			for _, part := range f.clip(r) {
				part = thin(f, part, 0.015)
				p.band(f, part, col)
				for a := 0; a < len(part); {
					b := a
					for b < len(part) && (part[b].Quality == series.Weak) == (part[a].Quality == series.Weak) {
						b++
					}
					var pts []point
					for _, v := range part[a:min(b+1, len(part))] {
						pts = append(pts, f.at(v.Time, v.Temperature))
					}
					switch {
					case part[a].Quality == series.Weak:
						p.s.line(pts, 0.4, col, 0.5, 0.9)
					case s.Pen == "airspace":
						p.s.line(pts, 0.28, col, 2.2, 0.5, 0.5, 0.5)
					default:
						p.s.line(pts, 0.4, col)
					}
					a = b
				}
			}
		}
		for i := 1; i < len(rs); i++ {
			p.gap(f, s.Pen, rs[i-1][len(rs[i-1])-1], rs[i][0])
		}
	}
}

// band lays ±2u of temperature (and of time, through the slope) under a curve.
func (p *plotter) band(f *frame, r run, col color.RGBA) {
	light := color.RGBA{mix(col.R), mix(col.G), mix(col.B), 255}
	var up, down []point
	for i, v := range r {
		a, b := r[max(0, i-1)], r[min(len(r)-1, i+1)]
		slope := 0.0
		if d := b.Time.Sub(a.Time).Seconds(); d > 0 {
			slope = (b.Temperature - a.Temperature) / d
		}
		u := 2 * math.Hypot(v.UTemperature, slope*v.UTime)
		up = append(up, f.clampY(f.at(v.Time, v.Temperature+u)))
		down = append(down, f.clampY(f.at(v.Time, v.Temperature-u)))
	}
	for i, j := 0, len(down)-1; i < j; i, j = i+1, j-1 {
		down[i], down[j] = down[j], down[i]
	}
	if len(up) > 1 {
		p.s.area(append(up, down...), light)
	}
}

func mix(v uint8) uint8 { return uint8((int(v) + 3*255) / 4) }

// gap marks the time without ink as such.
func (p *plotter) gap(f *frame, pen string, last, next series.Sample) {
	if next.Time.Before(f.t0) || last.Time.After(f.t1) {
		return
	}
	a, b := f.at(last.Time, last.Temperature), f.at(next.Time, next.Temperature)
	col := p.in.penColour(pen)
	for _, q := range []point{a, b} {
		if q.x >= f.x && q.x <= f.x+f.w && q.y >= f.y && q.y <= f.y+f.h {
			p.s.line([]point{{q.x, q.y - 1.4}, {q.x, q.y + 1.4}}, 0.4, col)
		}
	}
	a.x, b.x = math.Max(a.x, f.x), math.Min(b.x, f.x+f.w)
	q := f.clampY(point{(a.x + b.x) / 2, math.Max(a.y, b.y) + 2.6})
	if b.x-a.x > p.s.width(6, false, gapWord) && q.y < f.y+f.h-2 {
		p.s.text(q, 6, false, 0.5, gapWord, col)
	}
}

// legalLine draws the legal temperature over a stretch.
func (p *plotter) legalLine(f *frame, temperature float64, unit string, from, to time.Time, name bool) {
	if from.Before(f.t0) {
		from = f.t0
	}
	if to.After(f.t1) {
		to = f.t1
	}
	if !from.Before(to) || temperature < f.lo || temperature > f.hi {
		return
	}
	a, b := f.at(from, temperature), f.at(to, temperature)
	p.s.line([]point{a, b}, 0.3, legal, 1.6, 0.9)
	if name {
		s := legalWords(temperature, unit)
		p.boxed(point{b.x - 0.6, b.y + 1.7}, 5.5, false, 1, s, legal)
	}
}

// boxed writes words on a white ground and keeps their place.
func (p *plotter) boxed(q point, size float64, bold bool, align float64, s string, col color.RGBA) {
	w, h := p.s.width(size, bold, s), size*ptMM*0.62
	x := q.x - align*w
	p.taken = append(p.taken, box{x - 0.4, q.y - h, x + w + 0.4, q.y + h})
	p.s.area([]point{{x - 0.4, q.y - h}, {x + w + 0.4, q.y - h}, {x + w + 0.4, q.y + h}, {x - 0.4, q.y + h}}, paper)
	p.s.text(q, size, bold, align, s, col)
}

// written is a reading that somebody wrote on the chart.
type written struct {
	at          time.Time
	temperature float64
	airspace    bool
}

// entryTime is the instant of a written clock time. On a chart of several days it may be of any.
func (in *Input) entryTime(s string) (time.Time, bool) {
	if in.Face.Form.RotationHours > 24 {
		return time.Time{}, false
	}
	return in.Entries.At(s)
}

func (in *Input) written() (out []written) {
	if in.Entries == nil {
		return nil
	}
	for _, b := range in.Entries.Batches {
		for _, r := range b.Indicating {
			if t, ok := in.entryTime(r.At); ok {
				out = append(out, written{t, r.Reads, false})
			}
		}
		for _, r := range b.Airspace {
			if t, ok := in.entryTime(r.At); ok {
				out = append(out, written{t, r.Reads, true})
			}
		}
	}
	return out
}

// readings draws what was written: squares for the indicating thermometer, triangles for the airspace.
func (p *plotter) readings(f *frame, named bool) {
	for _, r := range p.in.written() {
		q := f.at(r.at, r.temperature)
		if q.x < f.x || q.x > f.x+f.w || q.y < f.y || q.y > f.y+f.h {
			continue
		}
		p.symbol(q, r.airspace)
		if !named {
			continue
		}
		s := writtenWords(r)
		side := point{q.x + 1.6, q.y - 1.7}
		align := 0.0
		if side.x+p.s.width(5.5, false, s) > f.x+f.w {
			side.x, align = q.x-1.6, 1
		}
		p.boxed(side, 5.5, false, align, s, ink)
	}
}

func (p *plotter) symbol(q point, airspace bool) {
	const r = 0.95
	p.taken = append(p.taken, box{q.x - r, q.y - r, q.x + r, q.y + r})
	if airspace {
		p.s.area([]point{{q.x, q.y - 1.2*r}, {q.x + 1.1*r, q.y + 0.8*r}, {q.x - 1.1*r, q.y + 0.8*r}}, paper)
		p.s.line([]point{{q.x, q.y - 1.2*r}, {q.x + 1.1*r, q.y + 0.8*r}, {q.x - 1.1*r, q.y + 0.8*r}, {q.x, q.y - 1.2*r}}, 0.3, ink)
		return
	}
	p.s.area([]point{{q.x - r, q.y - r}, {q.x + r, q.y - r}, {q.x + r, q.y + r}, {q.x - r, q.y + r}}, paper)
	p.s.line([]point{{q.x - r, q.y - r}, {q.x + r, q.y - r}, {q.x + r, q.y + r}, {q.x - r, q.y + r}, {q.x - r, q.y - r}}, 0.3, ink)
}

// outlets draws when the outlet valve was opened: the lines, or their words.
func (p *plotter) outlets(f *frame, words bool) {
	if p.in.Entries == nil {
		return
	}
	for _, b := range p.in.Entries.Batches {
		t, ok := p.in.entryTime(b.OutletOpened)
		if !ok || t.Before(f.t0) || t.After(f.t1) {
			continue
		}
		q := f.at(t, f.lo)
		if !words {
			p.s.line([]point{{q.x, f.y}, q}, 0.25, quiet, 0.4, 0.7)
			continue
		}
		s := outletWords(t)
		w := p.s.width(5.5, false, s)
		right, left := point{q.x + 0.8, q.y - 2}, point{q.x - 0.8 - w, q.y - 2}
		p.boxed(p.clear(f, w, 2.6, right, left, point{right.x, q.y - 5}, point{left.x, q.y - 5}), 5.5, false, 0, s, quiet)
	}
}

// clear gives the first of the places, each the middle left of a box w × h, where it
// covers no words and no line, the first in the frame where none is so, and keeps it.
func (p *plotter) clear(f *frame, w, h float64, places ...point) point {
	best, least := places[0], math.Inf(1)
	for _, q := range places {
		b := box{q.x, q.y - h/2, q.x + w, q.y + h/2}
		if b.x0 < f.x || b.x1 > f.x+f.w || b.y0 < f.y || b.y1 > f.y+f.h {
			continue
		}
		cost := 0.0
		for _, t := range p.taken {
			if b.meets(t) {
				cost += 2
			}
		}
		if p.crosses(f, b) {
			cost++
		}
		if cost < least {
			best, least = q, cost
		}
	}
	p.taken = append(p.taken, box{best.x, best.y - h/2, best.x + w, best.y + h/2})
	return best
}

// crosses says whether a pen's line runs through a box.
func (p *plotter) crosses(f *frame, b box) bool {
	for i := range p.in.Series {
		s := p.in.Series[i].Samples
		from := sort.Search(len(s), func(k int) bool { return f.at(s[k].Time, f.lo).x >= b.x0 })
		for k := from; k < len(s); k++ {
			q := f.at(s[k].Time, s[k].Temperature)
			if q.x > b.x1 {
				break
			}
			if q.y > b.y0 && q.y < b.y1 {
				return true
			}
		}
	}
	return false
}

// numbers puts the marks' numbers over their times, where they cover neither line nor words.
func (p *plotter) numbers(f *frame) {
	const r = 1.75
	for _, m := range p.marks {
		mid := m.from.Add(m.to.Sub(m.from) / 2)
		q := f.at(mid, f.lo)
		if mid.IsZero() || q.x < f.x || q.x > f.x+f.w {
			continue
		}
		x := math.Max(f.x+0.3, math.Min(f.x+f.w-2*r-0.3, q.x-r))
		var rows []point
		for y := f.y + 2.6; y < f.y+f.h-r; y += 4.2 {
			rows = append(rows, point{x, y})
		}
		q = p.clear(f, 2*r, 2*r, append(rows, point{x, f.y + 2.6})...)
		q.x += r
		p.s.ring(q, r, 0.3, amber, ink)
		p.s.text(q, 6, true, 0.5, fmt.Sprint(m.n), ink)
	}
}

// overview draws the whole chart in the rectangle.
func (p *plotter) overview(x, y, w, h float64) {
	from, to, ok := p.in.span()
	if !ok {
		p.s.text(point{x + w/2, y + h/2}, 9, false, 0.5, noTrace, ink)
		return
	}
	unit := p.in.unit()
	lo, hi := math.Inf(1), math.Inf(-1)
	see := func(t float64) { lo, hi = math.Min(lo, t), math.Max(hi, t) }
	for _, s := range p.in.Series {
		for _, v := range s.Samples {
			if !math.IsNaN(v.Temperature) {
				see(v.Temperature)
			}
		}
	}
	for _, r := range p.in.written() {
		see(r.temperature)
		if r.at.After(to) && r.at.Sub(to) < 2*time.Hour {
			to = r.at
		}
	}
	for _, b := range p.in.Findings.Batches {
		see(b.Legal)
	}
	if math.IsInf(lo, 0) {
		p.s.text(point{x + w/2, y + h/2}, 9, false, 0.5, noTrace, ink)
		return
	}
	step := tick(hi-lo, 10, 1, 2, 5, 10, 20, 50, 100)
	f := &frame{x: x + 9, y: y + 10, w: w - 10, h: h - 22,
		t0: from.Add(-4 * time.Minute), t1: to.Add(4 * time.Minute),
		lo: math.Floor(lo/step-0.2) * step, hi: math.Ceil(hi/step+0.6) * step}
	minutes, every := 15.0, 4
	if span := f.t1.Sub(f.t0).Hours(); span > 14 {
		minutes, every = 60, 2
	} else if span < 2 {
		minutes, every = 5, 6
	}
	p.taken = nil
	p.grid(f, minutes, every, step)
	p.s.text(point{x, y + 7.4}, 6.5, false, 0, unitWords(unit), ink)
	p.outlets(f, false)
	p.legalLines(f)
	p.curves(f)
	p.readings(f, false)
	p.outlets(f, true)
	p.numbers(f)
	p.border(f)
	p.batchNames(f)
	p.legend(f.x, f.y+f.h+7.6, f.w)
}

// legalLines draws one line where all batches have the same legal temperature, else each its own stretch.
func (p *plotter) legalLines(f *frame) {
	bs := p.in.Findings.Batches
	same := true
	for _, b := range bs {
		same = same && b.Legal == bs[0].Legal
	}
	if len(bs) > 0 && same {
		p.legalLine(f, bs[0].Legal, bs[0].Unit, f.t0, f.t1, true)
		return
	}
	for _, b := range bs {
		if b.Hold != nil {
			p.legalLine(f, b.Legal, b.Unit, b.Hold.Start.Add(-20*time.Minute), b.Hold.End.Add(35*time.Minute), true)
		}
	}
}

// batchNames writes above the frame which hold is whose, in two rows where they would touch.
func (p *plotter) batchNames(f *frame) {
	var ends [2]float64
	for _, b := range p.holds() {
		mid := f.at(b.Hold.Start.Add(b.Hold.End.Sub(b.Hold.Start.Time)/2), f.hi)
		s := holdTitle(b)
		w := p.s.width(6, true, s)
		x := math.Max(f.x, math.Min(f.x+f.w-w, mid.x-w/2))
		row := 0
		if x < ends[0]+2 && ends[1] <= ends[0] {
			row = 1
			x = math.Max(x, ends[1]+2)
		} else {
			x = math.Max(x, ends[0]+2)
		}
		if x+w > f.x+f.w+1 {
			continue
		}
		ends[row] = x + w
		y := f.y - 2.4 - 3.4*float64(row)
		p.s.text(point{x, y}, 6, true, 0, s, ink)
		p.s.line([]point{{mid.x, y + 1.3}, {mid.x, f.y}}, 0.2, ink)
	}
}

// legend explains the signs below the plot.
func (p *plotter) legend(x, y, w float64) {
	x0 := x
	item := func(words string, draw func(x float64)) {
		need := 9 + p.s.width(6, false, words)
		if x+need > x0+w {
			x, y = x0, y+3.6
		}
		draw(x)
		p.s.text(point{x + 7.5, y}, 6, false, 0, words, ink)
		x += need + 3
	}
	for _, s := range p.in.Series {
		item(plotPen(s.Pen), func(x float64) {
			col := p.in.penColour(s.Pen)
			p.s.area([]point{{x, y - 0.8}, {x + 6.5, y - 0.8}, {x + 6.5, y + 0.8}, {x, y + 0.8}}, color.RGBA{mix(col.R), mix(col.G), mix(col.B), 255})
			if s.Pen == "airspace" {
				p.s.line([]point{{x, y}, {x + 6.5, y}}, 0.28, col, 2.2, 0.5, 0.5, 0.5)
			} else {
				p.s.line([]point{{x, y}, {x + 6.5, y}}, 0.4, col)
			}
		})
	}
	item(legendWeak, func(x float64) { p.s.line([]point{{x, y}, {x + 6.5, y}}, 0.4, p.in.penColour(""), 0.5, 0.9) })
	item(legendLegal, func(x float64) { p.s.line([]point{{x, y}, {x + 6.5, y}}, 0.3, legal, 1.6, 0.9) })
	item(legendHold, func(x float64) {
		p.s.area([]point{{x, y - 1.3}, {x + 6.5, y - 1.3}, {x + 6.5, y + 1.3}, {x, y + 1.3}}, shade)
	})
	if len(p.in.written()) > 0 {
		item(legendIndicating, func(x float64) { p.symbol(point{x + 4, y}, false) })
		item(legendAirspace, func(x float64) { p.symbol(point{x + 4, y}, true) })
	}
}

// hold draws one hold close up in the rectangle.
func (p *plotter) hold(b verify.Batch, x, y, w, h float64) {
	hd := b.Hold
	around := 6 * time.Minute
	f := &frame{x: x + 9, y: y + 6, w: w - 11, h: h - 12, t0: hd.Start.Add(-around), t1: hd.End.Add(around)}
	deg := 1 / verify.PerF(b.Unit)
	hi := b.Legal + 4*deg
	for _, s := range p.in.Series {
		for _, v := range s.Samples {
			if v.Quality != series.Gap && !v.Time.Before(f.t0) && !v.Time.After(f.t1) && v.Temperature < b.Legal+25*deg {
				hi = math.Max(hi, v.Temperature)
			}
		}
	}
	for _, r := range p.in.written() {
		if !r.at.Before(f.t0) && !r.at.After(f.t1) && r.temperature < b.Legal+25*deg {
			hi = math.Max(hi, r.temperature)
		}
	}
	step := tick(hi-b.Legal+5*deg, 14, 0.5, 1, 2, 5, 10)
	f.lo = math.Floor((b.Legal-5*deg)/step) * step
	f.hi = math.Ceil(hi/step+0.8) * step
	minutes, every := 1.0, 10
	if f.t1.Sub(f.t0) > 100*time.Minute {
		minutes, every = 5, 6
	}
	p.taken = nil
	p.grid(f, minutes, every, step)
	p.s.text(point{x, y + 2.6}, 7, true, 0, holdTitle(b), ink)
	p.outlets(f, false)
	p.legalLine(f, b.Legal, b.Unit, f.t0, f.t1, false)
	p.curves(f)
	// below the line within the hold, where no line of the product runs
	mid := f.at(hd.Start.Add(hd.End.Sub(hd.Start.Time)*2/5), b.Legal)
	p.boxed(point{mid.x, mid.y + 1.7}, 5.5, false, 0.5, legalWords(b.Legal, b.Unit), legal)
	for i, t := range []time.Time{hd.Start.Time, hd.End.Time} {
		q := f.at(t, b.Legal)
		p.s.line([]point{{q.x, q.y - 3}, {q.x, f.y + f.h}}, 0.3, ink)
		p.boxed(point{q.x + [2]float64{1, -1}[i], f.y + f.h - 2}, 6, true, float64(i), clock(t), ink)
	}
	if at, t, ok := p.in.lowestAt(hd); ok && t >= f.lo {
		q := f.at(at, t)
		p.s.ring(q, 0.7, 0.2, ink, ink)
		align, dx := 0.0, 1.2
		if q.x > f.x+0.6*f.w {
			align, dx = 1, -1.2
		}
		p.boxed(point{q.x + dx, q.y + 2.2}, 5.5, false, align, lowestWords(hd.Lowest, b.Unit), ink)
	}
	p.readings(f, true)
	p.outlets(f, true)
	p.numbers(f)
	p.border(f)
}
