package evidence

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math"
	"time"

	"penarm/calibrate"
	"penarm/digitize/series"
	"penarm/verify"
)

const (
	stripWidth  = 3600 // pixels at most
	stripMargin = 90   // left of and below the paper, for the axes
	closeHeight = 420
	closeAround = 5 * time.Minute
)

// Strip writes the chart unrolled as PNG: clock time across, temperature up,
// the paper itself below the trace, the legal line and the holds; under it, for
// each hold, its start, its lowest point and its end at twice the scan's own
// resolution. The paper is not retouched: print, ink and dirt show as scanned.
func Strip(w io.Writer, in Input) error {
	if in.Picture == nil || in.Face == nil || in.Findings == nil {
		return errors.New("evidence: no picture, no calibration or no findings to unroll: check the scan first")
	}
	from, to, ok := in.span()
	if !ok {
		return errors.New("evidence: the chart has no trace with clock times, so that there is nothing to unroll: look at the overlay")
	}
	f := in.Face.Form
	mid := (f.Inner() + f.Outer()) / 2
	a, b := in.at(0, f.Outer()), in.at(f.RotationHours/2, f.Outer())
	res := math.Hypot(a.x-b.x, a.y-b.y) / (2 * f.Outer()) // pixels of the scan a mm
	from, to = from.Add(-5*time.Minute), to.Add(5*time.Minute)
	columns := int(to.Sub(from).Seconds() * f.MMPerSecond(mid) * res)
	rows := int((f.Outer() - f.Inner()) * res)
	if most := max(columns, rows); most > stripWidth {
		columns, rows = columns*stripWidth/most, rows*stripWidth/most
	}
	holds := (&plotter{in: &in}).holds()
	width := max(columns+stripMargin+20, 1500)
	height := 50 + max(rows, 60) + 60
	img := image.NewRGBA(image.Rect(0, 0, width, height+len(holds)*(closeHeight+100)))
	draw.Draw(img, img.Rect, image.NewUniform(paper), image.Point{}, draw.Src)
	s := &strip{in: &in, c: newCanvas(img)}
	var errs [2]error
	s.plain, errs[0] = newLetters(20, false)
	s.bold, errs[1] = newLetters(22, true)
	if err := errors.Join(errs[:]...); err != nil {
		return err
	}
	s.c.text(s.bold, point{12, 24}, 0, in.heading(), ink)
	if f.Direction() < 0 {
		s.c.text(s.plain, point{float64(width) - 12, 24}, 1, mirrored, quiet)
	}
	s.window(image.Rect(stripMargin, 50, stripMargin+max(columns, 60), 50+max(rows, 60)), from, to, f.Inner(), f.Outer(), 15*time.Minute)
	for i, b := range holds {
		s.closeUps(b, height+i*(closeHeight+100), width, res)
	}
	enc := png.Encoder{CompressionLevel: png.BestSpeed}
	return enc.Encode(w, img)
}

// at is the picture pixel of a printed hour and radius.
func (in *Input) at(hours, radius float64) point {
	x, y := in.Face.Pixel(hours, radius)
	return point{x, y}
}

type strip struct {
	in          *Input
	c           *canvas
	plain, bold *letters
}

// closeUps draws start, lowest point and end of a hold side by side.
func (s *strip) closeUps(b verify.Batch, top, width int, res float64) {
	f := s.in.Face.Form
	s.c.text(s.bold, point{12, float64(top) + 18}, 0, holdTitle(b), ink)
	lowest, _, ok := s.in.lowestAt(b.Hold)
	if !ok {
		lowest = b.Hold.Start.Add(b.Hold.End.Sub(b.Hold.Start.Time) / 2)
	}
	third := width / 3
	for i, c := range []struct {
		at    time.Time
		words string
	}{{b.Hold.Start.Time, startWord}, {lowest, lowestWord}, {b.Hold.End.Time, endWord}} {
		r := image.Rect(third*i+stripMargin, top+64, third*(i+1)-12, top+64+closeHeight-60)
		// As many mm as fit at two drawn pixels for one of the scan, but never less than five minutes to each side.
		mid := s.in.radius(b.Legal, b.Unit)
		if t, ok := reading(s.in.pen("product"), c.at); ok {
			mid = s.in.radius(t, s.in.unit())
		}
		scale := 2 * res
		half := time.Duration(float64(r.Dx()) / scale / f.MMPerSecond(mid) / 2 * float64(time.Second))
		if half < closeAround {
			half = closeAround
			scale = float64(r.Dx()) / (2 * half.Seconds() * f.MMPerSecond(mid))
		}
		reach := float64(r.Dy()) / scale / 2
		s.c.text(s.plain, point{float64(r.Min.X), float64(top) + 46}, 0, c.words+" "+clock(c.at), ink)
		s.window(r, c.at.Add(-half), c.at.Add(half), math.Max(1, mid-reach), mid+reach, 5*time.Minute)
	}
}

// window draws the paper between two clock times (of the product pen) and two
// radii (mm, the smaller below) in the rectangle, with axes and what was read.
func (s *strip) window(r image.Rectangle, from, to time.Time, inner, outer float64, tickEvery time.Duration) {
	in := s.in
	h0, h1 := in.hours("product", from), in.hours("product", to)
	n, m := r.Dx(), r.Dy()
	planes := calibrate.Unroll(in.Picture, in.Face, calibrate.Frame{
		Hour: h0, HourStep: (h1 - h0) / float64(n), Columns: n,
		Radius: inner, RadiusStep: (outer - inner) / float64(m), Rows: m}, nil)
	for c := range n {
		for k := range m {
			i := c*m + k
			var px [3]uint8 // red, green, blue
			for ch := range 3 {
				v := planes[min(2-ch, len(planes)-1)][i]
				if v < 0 {
					v = 160
				}
				px[ch] = uint8(v + 0.5)
			}
			s.c.img.SetRGBA(r.Min.X+c, r.Max.Y-1-k, color.RGBA{px[0], px[1], px[2], 255})
		}
	}
	x := func(pen string, t time.Time) float64 {
		return float64(r.Min.X) + (in.hours(pen, t)-h0)/(h1-h0)*float64(n)
	}
	y := func(temperature float64, unit string) float64 {
		return float64(r.Max.Y) - 1 - (in.radius(temperature, unit)-inner)/(outer-inner)*float64(m)
	}
	// Everything read is drawn on a canvas of the window's own, so that nothing runs out of it.
	sub := newCanvas(s.c.img.SubImage(r).(*image.RGBA))
	local := func(px, py float64) point { return point{px - float64(r.Min.X), py - float64(r.Min.Y)} }
	for _, b := range in.Findings.Batches {
		if b.Hold == nil {
			continue
		}
		a, e := x("product", b.Hold.Start.Time), x("product", b.Hold.End.Time)
		tint := color.RGBA{60, 80, 160, 26}
		draw.Draw(s.c.img, image.Rect(int(a), r.Min.Y, int(e), r.Max.Y).Intersect(r), image.NewUniform(color.NRGBA(tint)), image.Point{}, draw.Over)
		ly := y(b.Legal, b.Unit)
		sub.stroke([]point{local(math.Max(a-200, float64(r.Min.X)), ly), local(math.Min(e+200, float64(r.Max.X)), ly)}, 1.4, legal, 10, 6)
		for _, v := range []float64{a, e} {
			sub.stroke([]point{local(v, float64(r.Min.Y)), local(v, float64(r.Max.Y))}, 1.2, legal, 3, 5)
		}
	}
	for i := range in.Series {
		sr := &in.Series[i]
		for _, rn := range runs(sr) {
			var good []point
			for _, v := range rn {
				good = append(good, local(x(sr.Pen, v.Time), y(v.Temperature, sr.Unit)))
			}
			for a := 0; a < len(rn); {
				b := a
				for b < len(rn) && (rn[b].Quality == series.Weak) == (rn[a].Quality == series.Weak) {
					b++
				}
				var dash []float64
				if rn[a].Quality == series.Weak {
					dash = []float64{2, 5}
				}
				sub.stroke(good[a:min(b+1, len(rn))], 1.6, penColour(sr.Pen), dash...)
				a = b
			}
		}
	}
	s.axes(r, from, to, inner, outer, tickEvery, x, y)
	s.c.box(float64(r.Min.X)-1, float64(r.Min.Y)-1, float64(r.Max.X), float64(r.Max.Y), 1.5, ink)
}

// axes labels a window: clock times below, temperatures at the left.
func (s *strip) axes(r image.Rectangle, from, to time.Time, inner, outer float64, every time.Duration, x func(string, time.Time) float64, y func(float64, string) float64) {
	f := s.in.Face.Form
	for t := from.Truncate(every).Add(every); t.Before(to); t = t.Add(every) {
		px := x("product", t)
		s.c.stroke([]point{{px, float64(r.Max.Y)}, {px, float64(r.Max.Y) + 8}}, 1.5, ink)
		if every < 15*time.Minute || t.Minute() == 0 || x("product", t.Add(every))-px > 80 {
			s.c.text(s.plain, point{px, float64(r.Max.Y) + 22}, 0.5, t.Format("15:04"), ink)
		}
	}
	lo, hi := f.Temperature(inner), f.Temperature(outer)
	if lo > hi {
		lo, hi = hi, lo
	}
	step := tick(hi-lo, float64(r.Dy())/45, 0.5, 1, 2, 5, 10, 20, 50)
	for v := math.Ceil(lo/step) * step; v <= hi+1e-9; v += step {
		py := y(v, f.Unit)
		s.c.stroke([]point{{float64(r.Min.X) - 8, py}, {float64(r.Min.X), py}}, 1.5, ink)
		s.c.text(s.plain, point{float64(r.Min.X) - 12, py}, 1, fmt.Sprint(number(v, 1), "°"), ink)
	}
}
