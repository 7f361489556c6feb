package evidence

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"slices"
	"time"

	"penarm/calibrate"
	"penarm/calibrate/picture"
	"penarm/digitize/series"
	"penarm/verify"
)

const (
	stripColumns = 1530 // drawn pixels of the whole chart along time, at most
	stripRows    = 520  // and along temperature
	stripFlat    = 380  // a whole turn would be flatter than this: then temperature is drawn larger than time
	stripMargin  = 90   // left of the paper, for its axis
	stripHead    = 88
	stripFoot    = 66
	closeWide    = 420 // a close-up, drawn pixels
	closeHigh    = 240
	closeScale   = 3 // drawn pixels a pixel of the scan in a close-up
	closeHead    = 70
	beyond       = 160             // grey, where the scan ends
	closeAround  = 5 * time.Minute // shown to either side at least
)

// Strip writes the chart unrolled as PNG: clock time across, temperature up, the
// paper with its real ink, the trace beside the ink as on the overlay, the legal line and the holds. Under it, for
// each hold, its start, lowest point and end, three drawn pixels for one of the
// scan, the trace in the middle of the ink. The paper is not retouched; its colours are cut to 256.
// A chart without a trace is unrolled for one turn.
func Strip(w io.Writer, in Input) error {
	if in.Picture == nil || in.Face == nil || in.Findings == nil {
		return errors.New("evidence: no picture, no calibration or no findings to unroll: check the scan first")
	}
	f := in.Face.Form
	from, to, ok := in.span()
	if ok {
		from, to = from.Add(-5*time.Minute), to.Add(5*time.Minute)
	} else {
		from, to = in.ZeroAt, in.ZeroAt.Add(time.Duration(f.RotationHours*float64(time.Hour)))
	}
	a, b := in.at(0, f.Outer()), in.at(f.RotationHours/2, f.Outer())
	res := math.Hypot(a.x-b.x, a.y-b.y) / (2 * f.Outer()) // pixels of the scan a mm
	wide := to.Sub(from).Seconds() * f.MMPerSecond((f.Inner()+f.Outer())/2)
	high := f.Outer() - f.Inner()
	scale := math.Min(2*res, math.Min(stripColumns/wide, stripRows/high))
	columns, rows := max(int(wide*scale), stripColumns/3), max(int(high*scale), stripFlat)
	holds := (&plotter{in: &in}).holds()
	height := stripHead + rows + stripFoot
	s := &strip{in: &in, c: newCanvas(stripMargin+stripColumns+20, height+len(holds)*(closeHead+closeHigh+stripFoot), 1)}
	var errs [2]error
	s.plain, errs[0] = newLetters(20, false, 1)
	s.bold, errs[1] = newLetters(22, true, 1)
	if err := errors.Join(errs[:]...); err != nil {
		return err
	}
	s.c.text(s.bold, point{12, 24}, 0, in.heading(), ink)
	s.c.text(s.plain, point{stripMargin - 12, 62}, 1, unitWords(f.Unit), ink)
	s.legend(point{stripMargin, 62})
	s.window(image.Rect(stripMargin, stripHead, stripMargin+columns, stripHead+rows), from, to, f.Inner(), f.Outer(), besideMM)
	if f.Direction() < 0 {
		s.c.text(s.plain, point{stripMargin, float64(stripHead + rows + 48)}, 0, mirrored, quiet)
	}
	s.numbers(stripMargin, stripHead+22, columns, from, to)
	for i, b := range holds {
		s.closeUps(b, height+i*(closeHead+closeHigh+stripFoot), res)
	}
	enc := png.Encoder{CompressionLevel: png.BestSpeed}
	return enc.Encode(w, reduce(s.c.pic))
}

// reduce cuts the colours to 256: the most frequent of 4,096 cells each give their
// mean, every other cell takes the nearest of these. A strip of noisy paper so
// takes a sixth of the room.
func reduce(p *picture.Picture) *image.Paletted {
	const cells = 1 << 12
	cell := func(p []uint8) int { return int(p[2]>>4)<<8 | int(p[1]>>4)<<4 | int(p[0]>>4) }
	var sums [cells][4]int // blue, green, red, count
	for i := 0; i < len(p.Pix); i += 3 {
		p := p.Pix[i : i+3 : i+3]
		s := &sums[cell(p)]
		s[0], s[1], s[2], s[3] = s[0]+int(p[0]), s[1]+int(p[1]), s[2]+int(p[2]), s[3]+1
	}
	order := make([]int, 0, cells)
	for i, s := range sums {
		if s[3] > 0 {
			order = append(order, i)
			for k := range 3 {
				sums[i][k] = (s[k] + s[3]/2) / s[3]
			}
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return sums[b][3] - sums[a][3] })
	var index [cells]uint8
	var colours color.Palette
	for n, i := range order {
		s := sums[i]
		if n < 256 {
			index[i] = uint8(n)
			colours = append(colours, color.RGBA{uint8(s[2]), uint8(s[1]), uint8(s[0]), 255})
			continue
		}
		best := math.MaxInt
		for m, j := range order[:256] {
			t := sums[j]
			if d := (s[0]-t[0])*(s[0]-t[0]) + (s[1]-t[1])*(s[1]-t[1]) + (s[2]-t[2])*(s[2]-t[2]); d < best {
				best, index[i] = d, uint8(m)
			}
		}
	}
	out := image.NewPaletted(image.Rect(0, 0, p.Width, p.Height), colours)
	for i := range out.Pix {
		out.Pix[i] = index[cell(p.Pix[3*i:3*i+3])]
	}
	return out
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
	planes      [][]float32 // unrolled paper, kept from window to window
}

// legend says what the lines are.
func (s *strip) legend(p point) {
	item := func(words string, col color.RGBA, width float64, dash ...float64) {
		s.c.stroke([]point{p, {p.x + 40, p.y}}, width, col, dash...)
		s.c.text(s.plain, point{p.x + 48, p.y}, 0, words, ink)
		p.x += 48 + s.plain.width(words) + 26
	}
	for _, sr := range s.in.Series {
		item(stripPen(sr.Pen), s.in.penColour(sr.Pen), 1.8)
	}
	item(legendLegal, legal, 1.4, 10, 6)
}

// numbers puts the marks' numbers over the times where they lie.
func (s *strip) numbers(x0, y float64, columns int, from, to time.Time) {
	taken := map[int]float64{}
	for _, m := range s.in.marks() {
		mid := m.from.Add(m.to.Sub(m.from) / 2)
		if mid.Before(from) || mid.After(to) {
			continue
		}
		x := x0 + float64(columns)*mid.Sub(from).Seconds()/to.Sub(from).Seconds()
		slot := int(x / 36)
		p := point{x, y + 36*taken[slot]}
		for k := -1; k <= 1; k++ {
			taken[slot+k]++
		}
		s.c.disc(p, 17, ink)
		s.c.disc(p, 14.5, amber)
		s.c.text(s.bold, p, 0.5, fmt.Sprint(m.n), ink)
	}
}

// closeUps draws start, lowest point and end of a hold side by side.
func (s *strip) closeUps(b verify.Batch, top int, res float64) {
	f := s.in.Face.Form
	s.c.text(s.bold, point{12, float64(top) + 18}, 0, holdTitle(b), ink)
	lowest, _, ok := s.in.lowestAt(b.Hold)
	if !ok {
		lowest = b.Hold.Start.Add(b.Hold.End.Sub(b.Hold.Start.Time) / 2)
	}
	for i, c := range []struct {
		at    time.Time
		words string
	}{{b.Hold.Start.Time, startWord}, {lowest, lowestWord}, {b.Hold.End.Time, endWord}} {
		left := stripMargin + i*(closeWide+stripMargin+45)
		r := image.Rect(left, top+closeHead, left+closeWide, top+closeHead+closeHigh)
		mid := s.in.radius(b.Legal, b.Unit)
		if t, ok := reading(s.in.pen("product"), c.at); ok {
			mid = s.in.radius(t, s.in.unit())
		}
		scale := closeScale * res
		half := time.Duration(closeWide / scale / f.MMPerSecond(mid) / 2 * float64(time.Second))
		if half < closeAround {
			half = closeAround
			scale = closeWide / (2 * half.Seconds() * f.MMPerSecond(mid))
		}
		reach := closeHigh / scale / 2
		s.c.text(s.plain, point{float64(r.Min.X), float64(top) + 52}, 0, c.words+" "+clock(c.at), ink)
		s.window(r, c.at.Add(-half), c.at.Add(half), math.Max(1, mid-reach), mid+reach, 0)
	}
}

// window draws the paper between two clock times (of the product pen) and two
// radii (mm, the smaller below) in the rectangle, with axes and what was read,
// traces aside (mm) above the ink, the airspace pen's below.
func (s *strip) window(r image.Rectangle, from, to time.Time, inner, outer, aside float64) {
	in := s.in
	h0, h1 := in.hours("product", from), in.hours("product", to)
	n, m := r.Dx(), r.Dy()
	s.planes = calibrate.Unroll(in.Picture, in.Face, calibrate.Frame{
		Hour: h0, HourStep: (h1 - h0) / float64(n), Columns: n,
		Radius: inner, RadiusStep: (outer - inner) / float64(m), Rows: m}, s.planes)
	up := in.Face.Form.Temperature(outer) > in.Face.Form.Temperature(inner)
	pic := s.c.pic
	for k := range m {
		row := r.Max.Y - 1 - k
		if !up {
			row = r.Min.Y + k
		}
		px := pic.Pix[3*(row*pic.Width+r.Min.X):]
		for ch := range 3 {
			plane := s.planes[min(ch, len(s.planes)-1)]
			for c := range n {
				v := plane[c*m+k]
				if v == calibrate.Outside {
					v = beyond
				}
				px[3*c+ch] = uint8(v + 0.5)
			}
		}
	}
	x := func(pen string, t time.Time) float64 {
		return float64(r.Min.X) + (in.hours(pen, t)-h0)/(h1-h0)*float64(n)
	}
	y := func(temperature float64, unit string) float64 {
		v := (in.radius(temperature, unit) - inner) / (outer - inner) * float64(m)
		if !up {
			return float64(r.Min.Y) + v
		}
		return float64(r.Max.Y) - 1 - v
	}
	all := s.c.clip
	s.c.clip = r // nothing read runs out of the window
	for _, b := range in.Findings.Batches {
		if b.Hold == nil {
			continue
		}
		a, e := x("product", b.Hold.Start.Time), x("product", b.Hold.End.Time)
		tint := color.RGBA{60, 80, 160, 26}
		s.c.fill(math.Floor(a), float64(r.Min.Y), math.Floor(e), float64(r.Max.Y), tint)
		ly := y(b.Legal, b.Unit)
		dark := func(p, q point, width float64, dash ...float64) {
			s.c.stroke([]point{p, q}, width+2.4, color.RGBA{255, 255, 255, 190})
			s.c.stroke([]point{p, q}, width, legal, dash...)
		}
		dark(point{math.Max(a-80, float64(r.Min.X)), ly}, point{math.Min(e+80, float64(r.Max.X)), ly}, 1.6, 10, 6)
		for _, v := range []float64{a, e} {
			dark(point{v, float64(r.Min.Y)}, point{v, float64(r.Max.Y)}, 1.4, 3, 5)
		}
	}
	for i := range in.Series {
		sr := &in.Series[i]
		d := aside * float64(m) / (outer - inner)
		if sr.Pen == "airspace" {
			d = -d
		}
		for _, rn := range runs(sr) {
			var good []point
			for _, v := range rn {
				good = append(good, point{x(sr.Pen, v.Time), y(v.Temperature, sr.Unit)})
			}
			good = beside(good, d)
			for a := 0; a < len(rn); {
				b := a
				for b < len(rn) && (rn[b].Quality == series.Weak) == (rn[a].Quality == series.Weak) {
					b++
				}
				var dash []float64
				if rn[a].Quality == series.Weak {
					dash = []float64{2, 5}
				}
				s.c.stroke(good[a:min(b+1, len(rn))], 1.8, in.penColour(sr.Pen), dash...)
				a = b
			}
		}
	}
	s.c.clip = all
	s.axes(r, from, to, inner, outer, x, y)
	s.c.box(float64(r.Min.X)-1, float64(r.Min.Y)-1, float64(r.Max.X), float64(r.Max.Y), 1.5, ink)
}

// axes labels a window: clock times below, temperatures at the left.
func (s *strip) axes(r image.Rectangle, from, to time.Time, inner, outer float64, x func(string, time.Time) float64, y func(float64, string) float64) {
	f := s.in.Face.Form
	minutes := to.Sub(from).Minutes()
	small := time.Duration(tick(minutes, float64(r.Dx())/14, 1, 5, 15, 60)) * time.Minute
	named := time.Duration(tick(minutes, float64(r.Dx())/66, 5, 10, 15, 30, 60, 120, 180, 360)) * time.Minute
	for t := from.Truncate(small).Add(small); t.Before(to); t = t.Add(small) {
		px, long := x("product", t), 5.0
		if t.Equal(t.Truncate(named)) {
			long = 9
			words := t.Format("15:04")
			half := s.plain.width(words) / 2
			s.c.text(s.plain, point{math.Min(px, float64(s.c.pic.Width)-half-2), float64(r.Max.Y) + 22}, 0.5, words, ink)
		}
		s.c.stroke([]point{{px, float64(r.Max.Y)}, {px, float64(r.Max.Y) + long}}, 1.5, ink)
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
