// Package form reads the printed forms of recorder charts and knows their
// geometry: which radius is which temperature, and where the arc of a time lies.
package form

import (
	"cmp"
	"math"
	"slices"
	"sort"
)

// Ring is one printed temperature circle.
type Ring struct {
	At       float64 `yaml:"at"`        // temperature in the form's unit
	RadiusMM float64 `yaml:"radius_mm"` // radius in the print, mm
}

// TimeArcs describes the printed arcs of equal time. PivotMM and ArmMM are 0 where the file leaves them out.
type TimeArcs struct {
	EveryMinutes float64 `yaml:"every_minutes"`
	MajorMinutes float64 `yaml:"major_minutes"`
	PivotMM      float64 `yaml:"pivot_mm"`
	ArmMM        float64 `yaml:"arm_mm"`
	Lean         string  `yaml:"lean"` // "clockwise" or "counterclockwise", from the innermost circle to the outermost
}

// Labels says what the printed hours mean.
type Labels struct {
	Kind string `yaml:"kind"` // "clock" or "elapsed"
}

// Reference is the pixel of the blank where the arc of Time meets the outermost circle.
type Reference struct {
	X    float64 `yaml:"x"`
	Y    float64 `yaml:"y"`
	Time string  `yaml:"time"`
}

// Blank is a scan of the unused form.
type Blank struct {
	Image     string    `yaml:"image"` // relative to the form's own file
	Reference Reference `yaml:"reference"`
}

// Form is one printed blank. Lengths are mm in the print, temperatures in Unit.
type Form struct {
	Form          string   `yaml:"form"`
	Unit          string   `yaml:"unit"` // "F" or "C"
	DiameterMM    float64  `yaml:"diameter_mm"`
	HubHoleMM     float64  `yaml:"hub_hole_mm"`
	RotationHours float64  `yaml:"rotation_hours"`
	TimeRuns      string   `yaml:"time_runs"` // "clockwise" or "counterclockwise"
	Rings         []Ring   `yaml:"rings"`
	MinorRing     float64  `yaml:"minor_ring"`
	MajorRing     float64  `yaml:"major_ring"`
	TimeArcs      TimeArcs `yaml:"time_arcs"`
	Labels        Labels   `yaml:"labels"`
	Blank         *Blank   `yaml:"blank"`

	Path string `yaml:"-"` // of the form's own file
}

// byRadius gives the rings from the innermost to the outermost.
func (f *Form) byRadius() []Ring {
	less := func(a, b Ring) int { return cmp.Compare(a.RadiusMM, b.RadiusMM) }
	if slices.IsSortedFunc(f.Rings, less) {
		return f.Rings // the usual case costs no copy: these lookups are made for every sample
	}
	r := append([]Ring(nil), f.Rings...)
	slices.SortFunc(r, less)
	return r
}

// Inner is the radius (mm) of the innermost printed circle.
func (f *Form) Inner() float64 {
	r := f.Rings[0].RadiusMM
	for _, g := range f.Rings[1:] {
		r = math.Min(r, g.RadiusMM)
	}
	return r
}

// Outer is the radius (mm) of the outermost printed circle.
func (f *Form) Outer() float64 {
	r := f.Rings[0].RadiusMM
	for _, g := range f.Rings[1:] {
		r = math.Max(r, g.RadiusMM)
	}
	return r
}

// Temperature is linear between neighbouring rings, and goes on with the last slope beyond them.
func (f *Form) Temperature(radius float64) float64 {
	r := f.byRadius()
	i := sort.Search(len(r)-2, func(i int) bool { return radius < r[i+1].RadiusMM })
	a, b := r[i], r[i+1]
	return a.At + (radius-a.RadiusMM)*(b.At-a.At)/(b.RadiusMM-a.RadiusMM)
}

// Radius (mm) of a temperature: the inverse of Temperature.
func (f *Form) Radius(temperature float64) float64 {
	r := f.byRadius()
	if r[0].At > r[len(r)-1].At { // inverted: coldest at the rim
		i := sort.Search(len(r)-2, func(i int) bool { return temperature > r[i+1].At })
		a, b := r[i], r[i+1]
		return a.RadiusMM + (temperature-a.At)*(b.RadiusMM-a.RadiusMM)/(b.At-a.At)
	}
	i := sort.Search(len(r)-2, func(i int) bool { return temperature < r[i+1].At })
	a, b := r[i], r[i+1]
	return a.RadiusMM + (temperature-a.At)*(b.RadiusMM-a.RadiusMM)/(b.At-a.At)
}

// Direction is +1 where later times lie clockwise, −1 where they lie counterclockwise.
func (f *Form) Direction() float64 { return sense(f.TimeRuns) }

func sense(s string) float64 {
	if s == "counterclockwise" {
		return -1
	}
	return 1
}

// Swing is the angle a(r) in radians, seen from the chart's centre, between the
// pen's pivot and the pen tip at radius r: the law of cosines,
// a(r) = arccos((r² + pivot² − arm²) / (2·r·pivot)).
func (f *Form) Swing(radius float64) float64 {
	p, a := f.TimeArcs.PivotMM, f.TimeArcs.ArmMM
	c := (radius*radius + p*p - a*a) / (2 * radius * p)
	return math.Acos(math.Max(-1, math.Min(1, c)))
}

// Lag is the angle (radians, clockwise positive) by which the arc of any one
// time at the radius lies ahead of where it meets the outermost circle; 0 there.
func (f *Form) Lag(radius float64) float64 {
	out := f.Swing(f.Outer())
	s := sense(f.TimeArcs.Lean)
	if out < f.Swing(f.Inner()) {
		s = -s
	}
	return s * (f.Swing(radius) - out)
}

// Angle (radians, clockwise positive, y down) at which the arc of the printed
// hour lies at the radius, in the print's own frame: the arc of hour 0 meets the
// outermost circle at angle 0.
func (f *Form) Angle(hours, radius float64) float64 {
	return f.Direction()*2*math.Pi*hours/f.RotationHours + f.Lag(radius)
}

// Hours is the inverse of Angle, in [0, RotationHours).
func (f *Form) Hours(angle, radius float64) float64 {
	h := f.Direction() * (angle - f.Lag(radius)) * f.RotationHours / (2 * math.Pi)
	h = math.Mod(h, f.RotationHours)
	if h < 0 {
		h += f.RotationHours
	}
	if h == f.RotationHours { // where a little less than none was added to it
		return 0
	}
	return h
}

// LastHour is the hour that no printed hour reaches: the end of a turn, and on a clock form of less than a day that of the day.
func (f *Form) LastHour() float64 {
	if f.Labels.Kind == "elapsed" {
		return f.RotationHours
	}
	return math.Max(24, f.RotationHours)
}

// MMPerSecond is how far the paper moves under the pen at the radius.
func (f *Form) MMPerSecond(radius float64) float64 {
	return 2 * math.Pi * radius / (f.RotationHours * 3600)
}

// MMPerDegree is how far apart two temperatures one degree apart lie at the radius, always positive.
func (f *Form) MMPerDegree(radius float64) float64 {
	const h = 0.05
	return math.Abs(2 * h / (f.Temperature(radius+h) - f.Temperature(radius-h)))
}

// Circle is one printed circle of the form, heavy or fine.
type Circle struct {
	At, RadiusMM float64
	Major        bool
}

// Circles lists the printed circles from the innermost to the outermost: every
// multiple of minor_ring within the scale, and its two ends.
func (f *Form) Circles() []Circle {
	r := f.byRadius()
	a, b := r[0].At, r[len(r)-1].At
	lo, hi := math.Min(a, b), math.Max(a, b)
	const eps = 1e-6
	multiple := func(t, of float64) bool { return math.Abs(t/of-math.Round(t/of)) < eps }
	var out []Circle
	add := func(t float64) {
		out = append(out, Circle{At: t, RadiusMM: f.Radius(t), Major: multiple(t, f.MajorRing)})
	}
	if !multiple(lo, f.MinorRing) {
		add(lo)
	}
	for k := math.Ceil(lo/f.MinorRing - eps); k*f.MinorRing <= hi+eps; k++ {
		add(k * f.MinorRing)
	}
	if !multiple(hi, f.MinorRing) {
		add(hi)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].RadiusMM < out[j].RadiusMM })
	return out
}

// Arcs is how many time arcs one turn has, and how many of them lie between two heavy ones.
func (f *Form) Arcs() (all, perMajor int) {
	return int(math.Round(f.RotationHours * 60 / f.TimeArcs.EveryMinutes)),
		int(math.Round(f.TimeArcs.MajorMinutes / f.TimeArcs.EveryMinutes))
}

// LagSlope is the derivative of Lag, radians per mm.
func (f *Form) LagSlope(radius float64) float64 {
	const h = 0.01
	return (f.Lag(radius+h) - f.Lag(radius-h)) / (2 * h)
}
