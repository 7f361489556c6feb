package evidence

import (
	"image"
	"io"
	"math"
	"strings"

	"penarm/calibrate"
)

// What the picture of a fit shows.
const (
	magnified  = 200.0 // times, the bars of what the fit leaves
	longestBar = 6.0   // mm as drawn
	closeMM    = 13.0  // side of a close-up
	closeUps   = 4
	closeGap   = 12.0 // pixels between close-ups
)

// Fitting writes, as JPEG, the picture by which a person sees whether the circles and arcs that were found lie on the
// print: the scan with all heavy circles and hours, what the fit leaves as bars, close-ups, and the residuals in mm,
// degrees and seconds. refused says why the fit was refused; empty for one that stands. Without a Face, and where a
// refused one lies far off the picture, the scan alone is shown with those words.
func Fitting(w io.Writer, in Input, refused string) error {
	if refused != "" && in.Picture != nil && !in.drawable() {
		return in.scanRefused(w, refused)
	}
	const row = 40.0
	side := (overlaySide - (closeUps+1)*closeGap) / closeUps
	o, err := newOverlay(&in, false, side+5*row)
	if err != nil {
		return err
	}
	side = math.Floor((o.w - (closeUps+1)*closeGap) / closeUps)
	o.grid()
	o.print()
	o.left()
	o.legend()
	y := float64(o.c.pic.Height) - side - 4.2*row
	o.c.fill(0, y-0.7*row, o.w, float64(o.c.pic.Height), paper)
	for _, words := range append([]string{fittingWords(len(in.Face.Left) > 0)}, in.leftWords()...) {
		o.c.text(o.plain, point{18, y}, 0, words, ink)
		y += row
	}
	f := in.Face.Form
	for i := range closeUps {
		hours := f.RotationHours * (float64(i) + 0.5) / closeUps
		r := f.Inner() + (f.Outer()-f.Inner())*[closeUps]float64{0.94, 0.06, 0.5, 0.94}[i]
		at := point{closeGap + float64(i)*(side+closeGap), y}
		if err := o.closeUp(hours, r, int(at.x), int(at.y), int(side)); err != nil {
			return err
		}
		o.c.text(o.plain, point{at.x, at.y + side + 0.6*row}, 0, in.spotWords(hours, r), ink)
	}
	if refused != "" {
		o.refusal(refused)
	}
	return in.encode(w, o.c.pic)
}

// farOff is how many sides of the picture a refused map may reach beyond it: strokes that go on without end take as long.
const farOff = 20

// drawable says whether the print as fitted lies where strokes can be drawn.
func (in *Input) drawable() bool {
	if in.Face == nil {
		return false
	}
	f := in.Face.Form
	most := farOff * float64(max(in.Picture.Width, in.Picture.Height))
	for i := range 72 {
		for _, r := range [3]float64{f.Inner(), f.Outer(), f.DiameterMM / 2} {
			p := in.at(f.RotationHours*float64(i)/72, r)
			if !(math.Abs(p.x) < most && math.Abs(p.y) < most) {
				return false
			}
		}
	}
	return true
}

// scanRefused writes the scan under the words that say why it was refused.
func (in *Input) scanRefused(w io.Writer, words string) error {
	p := in.Picture
	scale := overlaySide / float64(max(p.Width, p.Height))
	wide, high := max(1, int(scale*float64(p.Width))), max(1, int(scale*float64(p.Height)))
	o := &overlay{in: in, c: newCanvas(wide, high, 1), w: float64(wide), h: float64(high)}
	o.c.resize(p, image.Rect(0, 0, p.Width, p.Height), wide, high)
	var err error
	if o.bold, err = newLetters(24, true, 1); err != nil {
		return err
	}
	o.refusal(words)
	return in.encode(w, o.c.pic)
}

// grid draws all heavy circles and arcs, thin.
func (o *overlay) grid() {
	f := o.in.Face.Form
	for _, c := range f.Circles() {
		if c.Major {
			o.c.stroke(o.along(c.RadiusMM, 0, f.RotationHours), 1, fitted)
		}
	}
	for m := 0.0; m < f.RotationHours*60-1e-6; m += f.TimeArcs.MajorMinutes {
		o.c.stroke(o.swing(m/60, f.Inner(), f.Outer()), 1, fitted)
	}
}

// left draws what the fit leaves in every part of the face: along the circles' normals and, in another colour, the arcs'.
func (o *overlay) left() {
	for _, s := range o.in.Face.Left {
		d := math.Max(-longestBar, math.Min(longestBar, magnified*s.MM))
		ax, ay := o.in.Face.Warp.Pixel(s.X, s.Y)
		bx, by := o.in.Face.Warp.Pixel(s.X+d*s.NX, s.Y+d*s.NY)
		colour := air
		if s.Arc {
			colour = product
		}
		o.c.stroke([]point{o.draw(point{ax, ay}), o.draw(point{bx, by})}, 3, colour)
	}
}

// leftWords are the residuals of circles and arcs: the root of the mean square and the largest, with what they come to.
func (in *Input) leftWords() []string {
	var out []string
	f := in.Face.Form
	for _, arc := range [2]bool{false, true} {
		var n, sum, sum2 float64
		var worst calibrate.Residual
		worst2 := 0.0
		for _, s := range in.Face.Left {
			if s.Arc != arc {
				continue
			}
			r := math.Hypot(s.X, s.Y)
			v := s.MM / f.MMPerDegree(r)
			if arc { // along the circle, not across the arc
				v = s.MM * math.Hypot(1, r*f.LagSlope(r)) / f.MMPerSecond(r)
			}
			n, sum, sum2 = n+1, sum+s.MM*s.MM, sum2+v*v
			if math.Abs(s.MM) > math.Abs(worst.MM) {
				worst, worst2 = s, math.Abs(v)
			}
		}
		if n == 0 {
			continue
		}
		name, unit := circleBars, unitWords(f.Unit)
		if arc {
			name, unit = arcBars, "s"
		}
		r := math.Hypot(worst.X, worst.Y)
		out = append(out, residualWords(name, unit, math.Sqrt(sum/n), math.Sqrt(sum2/n), math.Abs(worst.MM), worst2,
			in.spotWords(f.Hours(math.Atan2(worst.Y, worst.X), r), r)))
	}
	return out
}

// closeUp draws a small part of the scan, much enlarged, at the canvas's pixel (x, y), with every circle and arc of the fit in dashes.
func (o *overlay) closeUp(hours, radius float64, x, y, side int) error {
	p := o.in.Picture
	at := o.in.at(hours, radius)
	half := 0.5 * closeMM * o.mm / o.scale
	part := image.Rect(int(at.x-half), int(at.y-half), int(at.x+half)+1, int(at.y+half)+1).Intersect(image.Rect(0, 0, p.Width, p.Height))
	o.c.box(float64(x)-2, float64(y)-2, float64(x+side)+1, float64(y+side)+1, 2, ink)
	if part.Dx() < 8 || part.Dy() < 8 {
		return nil // beyond the edge of the scan
	}
	k := float64(side) / (2 * half)
	w, h := min(side, int(float64(part.Dx())*k)), min(side, int(float64(part.Dy())*k))
	small := &overlay{in: o.in, c: newCanvas(w, h, 1), from: point{float64(part.Min.X), float64(part.Min.Y)}, scale: k, mm: o.mm * k / o.scale, w: float64(w), h: float64(h)}
	small.c.resize(p, part, w, h)
	f := o.in.Face.Form
	span := closeMM / (2 * math.Pi * radius) * f.RotationHours
	for _, c := range f.Circles() {
		if math.Abs(c.RadiusMM-radius) < closeMM {
			small.c.stroke(small.along(c.RadiusMM, hours-span, hours+span), 1.5, fitted, 14, 14)
		}
	}
	every := f.TimeArcs.EveryMinutes / 60
	for m := math.Floor((hours-2*span)/every) * every; m < hours+2*span; m += every {
		small.c.stroke(small.swing(m, math.Max(f.Inner(), radius-closeMM), math.Min(f.Outer(), radius+closeMM)), 1.5, fitted, 14, 14)
	}
	for v := range h {
		copy(o.c.pic.Pix[3*((y+v)*o.c.pic.Width+x):][:3*w], small.c.pic.Pix[3*v*w:][:3*w])
	}
	return nil
}

// refusal writes across the top that and why the fit was refused.
func (o *overlay) refusal(words string) {
	lines := []string{refusedWord}
	for _, word := range strings.Fields(words) {
		if last := &lines[len(lines)-1]; o.bold.width(*last+" "+word) < 0.95*o.w {
			*last += " " + word
		} else {
			lines = append(lines, word)
		}
	}
	h := 20 + 36*float64(len(lines))
	o.c.fill(0, 0, o.w, h, amber)
	o.c.box(2, 2, o.w-2, h, 3, ink)
	for i, s := range lines {
		o.c.text(o.bold, point{18, 28 + 36*float64(i)}, 0, s, ink)
	}
}
