// Package render draws recorder charts whose truth is known: printed forms,
// a day's pen lines, the faults of paper, pen and people, and the scan of it
// all. Everything follows from one seed. Its geometry is built from circle
// intersections and shares no code with the packages it is used to test.
//
// Lengths are mm in the print, angles radians clockwise (y runs down), times
// seconds or hours as named.
package render

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sort"
	"strings"
)

// Ring is one printed temperature circle: temperature in the form's unit, radius in mm.
type Ring struct{ At, Radius float64 }

// RGB holds red, green and blue: optical densities for inks, reflectances for paper.
type RGB [3]float64

// Form is one printed blank with its looks.
type Form struct {
	Number    string
	Unit      string // "F" or "C"
	Diameter  float64
	Hub       float64
	Hours     float64 // one turn
	Clockwise bool    // later times lie clockwise
	Rings     []Ring  // from the innermost to the outermost
	Minor     float64 // degrees between fine circles
	Major     float64
	ArcEvery  float64 // minutes
	ArcMajor  float64
	Pivot     float64 // chart centre to pivot
	Arm       float64 // pivot to pen tip
	Lean      bool    // arcs go clockwise from the innermost circle to the outermost
	Elapsed   bool    // printed hours count from when the chart was put on
	Reference float64 // printed hour marked on the blank

	Print      RGB        // density of the lines
	Second     RGB        // density of the second print colour: hours, numerals, bands
	Register   [2]float64 // where the second colour sits against the first, mm
	Tint       float64    // share of Second laid over the whole scale
	Bands      bool       // the tint lies on every other major band only
	KnockOut   bool       // numerals interrupt the circles
	HoursIn    bool       // hour labels inside the innermost circle
	Wordless   bool       // no words in the margin and the centre, and the same mark at every hour: three turns look alike
	NumberOut  bool       // form number in the margin
	FineFrom   float64    // radius from which the fine arcs are drawn
	WidthMinor float64    // line widths, mm
	WidthMajor float64
	NumeralArc float64 // hours between the rows of numerals
	Table      float64 // mm, width of a printed table that interrupts circles and arcs at the rim; 0: none
	Slot       float64 // mm from the centre that a slot for the driving pin reaches; 0: none
	Seed       int64

	print *printed
}

// Inner and Outer are the radii of the innermost and outermost circle.
func (f *Form) Inner() float64 { return f.Rings[0].Radius }

// Outer is the radius of the outermost circle.
func (f *Form) Outer() float64 { return f.Rings[len(f.Rings)-1].Radius }

// Low and High are the ends of the printed scale, in the form's unit.
func (f *Form) Low() float64 { return math.Min(f.Rings[0].At, f.Rings[len(f.Rings)-1].At) }

// High is the hottest printed temperature.
func (f *Form) High() float64 { return math.Max(f.Rings[0].At, f.Rings[len(f.Rings)-1].At) }

// Radius of a temperature in the form's unit, linear between rings and beyond.
func (f *Form) Radius(t float64) float64 {
	n := len(f.Rings)
	up := f.Rings[n-1].At > f.Rings[0].At
	i := 0
	for i < n-2 && (t > f.Rings[i+1].At) == up && t != f.Rings[i+1].At {
		i++
	}
	a, b := f.Rings[i], f.Rings[i+1]
	return a.Radius + (t-a.At)/(b.At-a.At)*(b.Radius-a.Radius)
}

// Temperature at a radius, in the form's unit.
func (f *Form) Temperature(r float64) float64 {
	n := len(f.Rings)
	i := 0
	for i < n-2 && r > f.Rings[i+1].Radius {
		i++
	}
	a, b := f.Rings[i], f.Rings[i+1]
	return a.At + (r-a.Radius)/(b.Radius-a.Radius)*(b.At-a.At)
}

// swing is the angle at the chart's centre between pivot and pen tip at radius
// r, from where the tip's circle about the pivot cuts the circle of radius r.
func (f *Form) swing(r float64) float64 {
	along := (r*r + f.Pivot*f.Pivot - f.Arm*f.Arm) / (2 * f.Pivot) // towards the pivot
	return math.Atan2(math.Sqrt(math.Max(0, r*r-along*along)), along)
}

// side is on which side of the line centre–pivot the pen writes: +1 clockwise of it.
func (f *Form) side() float64 {
	s := 1.0
	if !f.Lean {
		s = -1
	}
	if f.swing(f.Outer()) < f.swing(f.Inner()) {
		s = -s
	}
	return s
}

// rate is the turn in radians an hour, clockwise positive as later times lie.
func (f *Form) rate() float64 {
	w := 2 * math.Pi / f.Hours
	if !f.Clockwise {
		w = -w
	}
	return w
}

// Point of the print at a printed hour and a radius: the pivot stands at the
// hour's bearing, the tip where the arm's circle cuts the circle of the radius.
// Hour 0 meets the outermost circle at angle 0.
func (f *Form) Point(hours, r float64) (x, y float64) {
	s := f.side()
	sin, cos := math.Sincos(f.rate()*hours - s*f.swing(f.Outer()))
	along := (r*r + f.Pivot*f.Pivot - f.Arm*f.Arm) / (2 * f.Pivot)
	across := s * math.Sqrt(math.Max(0, r*r-along*along))
	return along*cos - across*sin, along*sin + across*cos
}

// HoursAt is the printed hour of a point of the print, in [0, Hours).
func (f *Form) HoursAt(x, y float64) float64 {
	r := math.Hypot(x, y)
	s := f.side()
	h := math.Mod((math.Atan2(y, x)-s*(f.swing(r)-f.swing(f.Outer())))/f.rate(), f.Hours)
	if h < 0 {
		h += f.Hours
	}
	return h
}

// MMPerDegree is the distance of two temperatures one degree (form's unit) apart.
func (f *Form) MMPerDegree(t float64) float64 {
	return math.Abs(f.Radius(t+0.05)-f.Radius(t-0.05)) / 0.1
}

// MMPerSecond is how far the paper moves under the pen at a radius.
func (f *Form) MMPerSecond(r float64) float64 { return 2 * math.Pi * r / (f.Hours * 3600) }

func sense(clockwise bool) string {
	if clockwise {
		return "clockwise"
	}
	return "counterclockwise"
}

// YAML is the form file; a blank is named where ref is not nil (pixel of Reference).
func (f *Form) YAML(ref *[2]float64) string {
	var b strings.Builder
	fmt.Fprintf(&b, "form: %s\nunit: %s\ndiameter_mm: %.1f\nhub_hole_mm: %.1f\nrotation_hours: %g\ntime_runs: %s\nrings:\n",
		f.Number, f.Unit, f.Diameter, f.Hub, f.Hours, sense(f.Clockwise))
	for _, r := range f.Rings {
		fmt.Fprintf(&b, "  - {at: %g, radius_mm: %.2f}\n", r.At, r.Radius)
	}
	kind := "clock"
	if f.Elapsed {
		kind = "elapsed"
	}
	fmt.Fprintf(&b, "minor_ring: %g\nmajor_ring: %g\ntime_arcs:\n  every_minutes: %g\n  major_minutes: %g\n  pivot_mm: %.1f\n  arm_mm: %.1f\n  lean: %s\nlabels:\n  kind: %s\n",
		f.Minor, f.Major, f.ArcEvery, f.ArcMajor, f.Pivot, f.Arm, sense(f.Lean), kind)
	if ref != nil {
		fmt.Fprintf(&b, "blank:\n  image: blank.png\n  reference: {x: %.2f, y: %.2f, time: \"%02d:00\"}\n", ref[0], ref[1], int(f.Reference))
	}
	return b.String()
}

// Write leaves dir/NUMBER/form.yaml and, with blank, the scan of the unused form beside it.
func (f *Form) Write(dir string, blank bool) error {
	dir = filepath.Join(dir, f.Number)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	var ref *[2]float64
	if blank {
		s := f.Blank()
		x, y := s.Pixel(f.Reference, f.Rings[len(f.Rings)-1].At)
		ref = &[2]float64{x, y}
		data, _, err := s.Encode()
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(dir, "blank.png"), data, 0o644); err != nil {
			return err
		}
	}
	return os.WriteFile(filepath.Join(dir, "form.yaml"), []byte(f.YAML(ref)), 0o644)
}

// rng gives an independent stream for each purpose, so that a change to one
// part of a scene leaves the others as they were.
func rng(seed int64, purpose string) *rand.Rand {
	h := uint64(14695981039346656037) // FNV-1a
	for _, c := range []byte(purpose) {
		h = (h ^ uint64(c)) * 1099511628211
	}
	return rand.New(rand.NewPCG(uint64(seed), h))
}

func between(r *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }

func pick[T any](r *rand.Rand, of ...T) T { return of[r.IntN(len(of))] }

func round(v, to float64) float64 { return math.Round(v/to) * to }

// Densities of printing inks, common practice, no source: chosen to look like office scans.
var printInks = map[string]RGB{
	"green": {0.50, 0.22, 0.38}, "brown": {0.26, 0.40, 0.52}, "orange": {0.10, 0.30, 0.55},
	"blue": {0.55, 0.30, 0.12}, "grey": {0.32, 0.30, 0.28}, "black": {0.70, 0.70, 0.68},
}

var printNames = []string{"green", "brown", "orange", "blue", "grey", "black"}

// scale of a kind of form: ends, minor and major spacing in degrees.
type scale struct{ low, high, minor, major float64 }

// RandomForm draws a form by seed: unit, turn, scale (uniform, non-uniform,
// inverted), senses, arcs and looks. Every form of 12 or 24 h shows a vat's
// hold; week makes a seven-day form, which none can read a hold from.
func RandomForm(seed int64, week bool) *Form {
	r := rng(seed, "form")
	f := &Form{Seed: seed, Clockwise: r.IntN(2) == 0, Lean: r.IntN(2) == 0}
	f.Unit, f.Hours = "F", 12
	if r.IntN(10) < 3 {
		f.Unit = "C"
	}
	if r.IntN(4) == 0 {
		f.Hours = 24
	}
	if week {
		f.Hours = 168
	}
	f.Diameter = pick(r, 203.0, 230.0, 254.0, 254.0, 279.4, 305.0)
	f.Hub = pick(r, 8.0, 9.5, 10.5, 12.7)
	f.HoursIn, f.NumberOut = r.IntN(5) == 0, r.IntN(3) == 0
	margin := between(r, 10, 15)
	if f.HoursIn {
		margin = between(r, 7, 10)
	}
	inner := round(f.Diameter*between(r, 0.12, 0.17), 0.5)
	outer := round(f.Diameter/2-margin, 0.5)
	span := outer - inner
	kind := r.IntN(10) // 0–4 uniform, 5–7 non-uniform, 8–9 inverted

	var s scale
	if f.Unit == "F" {
		s = pick(r, scale{0, 220, 2, 20}, scale{30, 230, 2, 10}, scale{40, 220, 2, 20}, scale{20, 200, 2, 10}, scale{50, 210, 2, 10}, scale{80, 200, 1, 10})
	} else {
		s = pick(r, scale{0, 100, 1, 10}, scale{10, 110, 1, 10}, scale{30, 100, 0.5, 5}, scale{-10, 110, 1, 10})
	}
	for _, s.minor = range []float64{s.minor, 1, 2, 5, 10} {
		if span*s.minor/(s.high-s.low) >= 0.55 && math.Mod(s.major, s.minor) == 0 {
			break // closer than this no press prints and no pen tells apart
		}
	}
	n := 1
	if kind >= 5 && kind <= 7 {
		n = 5
	}
	bend := between(r, 0.25, 0.45)
	if r.IntN(2) == 0 {
		bend = -bend
	}
	for i := 0; i <= n; i++ {
		u := float64(i) / float64(n)
		at := s.low + round(u*(s.high-s.low), s.minor)
		u = (at - s.low) / (s.high - s.low)
		v := u + bend*u*(u-1) // slope 1±bend at the ends: the scale opens or closes outwards
		if n == 1 {
			v = u
		}
		f.Rings = append(f.Rings, Ring{at, round(inner+v*span, 0.01)})
	}
	if kind >= 8 {
		for i, j := 0, len(f.Rings)-1; i < j; i, j = i+1, j-1 {
			f.Rings[i].At, f.Rings[j].At = f.Rings[j].At, f.Rings[i].At
		}
	}
	f.Minor, f.Major = s.minor, s.major
	switch f.Hours {
	case 12:
		f.ArcEvery, f.ArcMajor = pick(r, 5.0, 10, 15, 15, 30), 60
	case 24:
		f.ArcEvery, f.ArcMajor = pick(r, 10.0, 15, 15, 30), 60
	default:
		f.ArcEvery, f.ArcMajor = 120, 1440
	}
	f.Pivot = round(f.Diameter*between(r, 0.56, 0.66), 0.5)
	f.Arm = f.Pivot + round(between(r, -0.5, 3), 0.5)
	f.Elapsed = f.Hours == 12 && r.IntN(4) == 0
	f.Reference = float64(r.IntN(int(math.Min(f.Hours, 24))))
	if f.Elapsed {
		f.Reference = 0
	}
	f.looks(r)
	f.Number = fmt.Sprintf("%c-%d%02d", 'A'+rune(r.IntN(26)), int(f.Hours), r.IntN(100))
	if r.IntN(3) == 0 {
		f.Number += "-" + f.Unit
	}
	sort.Slice(f.Rings, func(i, j int) bool { return f.Rings[i].Radius < f.Rings[j].Radius })
	return f
}

// looks draws what does not change the reading.
func (f *Form) looks(r *rand.Rand) {
	vary := func(c RGB) RGB {
		k := between(r, 0.85, 1.25)
		for i := range c {
			c[i] *= k * between(r, 0.9, 1.1)
		}
		return c
	}
	name := pick(r, printNames...)
	f.Print = vary(printInks[name])
	f.Second = f.Print
	if r.IntN(3) == 0 {
		f.Second = vary(printInks[pick(r, printNames...)])
		a := between(r, 0, 2*math.Pi)
		d := between(r, 0.05, 0.3)
		f.Register = [2]float64{d * math.Cos(a), d * math.Sin(a)}
	}
	f.Tint, f.Bands = pick(r, 0, 0, 0.06, 0.12), r.IntN(2) == 0
	f.KnockOut = r.IntN(3) != 0
	f.WidthMinor, f.WidthMajor = between(r, 0.09, 0.14), between(r, 0.18, 0.28)
	f.NumeralArc = f.Hours / float64(pick(r, 3, 4, 4, 6))
	f.FineFrom = f.Inner()
	if r.IntN(2) == 0 && f.Hours/f.ArcEvery*60 > 60 {
		f.FineFrom = f.Inner() + 0.15*(f.Outer()-f.Inner())
	}
}

// Basic gives four fixed forms that differ in all that changes the reading:
// unit, turn, scale, senses, labels. Their numbers and looks are invented.
func Basic() []*Form {
	make4 := []*Form{
		{Number: "M-1210", Unit: "F", Diameter: 254, Hub: 9.5, Hours: 12, Rings: []Ring{{40, 33}, {220, 113}}, Minor: 2, Major: 20,
			ArcEvery: 15, ArcMajor: 60, Pivot: 148, Arm: 150, Lean: true, Reference: 6},
		{Number: "N-2430-C", Unit: "C", Diameter: 230, Hub: 8, Hours: 24, Clockwise: true, Rings: []Ring{{0, 31}, {100, 102}}, Minor: 1, Major: 10,
			ArcEvery: 15, ArcMajor: 60, Pivot: 140, Arm: 141, Reference: 12},
		{Number: "P-1277", Unit: "F", Diameter: 279.4, Hub: 12.7, Hours: 12, Clockwise: true, Rings: []Ring{{80, 40}, {110, 56.5}, {140, 76}, {170, 99}, {200, 125.5}}, Minor: 1, Major: 10,
			ArcEvery: 10, ArcMajor: 60, Pivot: 166, Arm: 166.5, Lean: true, Elapsed: true, HoursIn: true},
		{Number: "Q-1203", Unit: "F", Diameter: 203, Hub: 8, Hours: 12, Rings: []Ring{{210, 28}, {60, 91.5}}, Minor: 2, Major: 10,
			ArcEvery: 30, ArcMajor: 60, Pivot: 120, Arm: 122, Reference: 3, NumberOut: true},
	}
	for i, f := range make4 {
		f.Seed = int64(9000 + i)
		f.looks(rng(f.Seed, "looks"))
	}
	return make4
}
