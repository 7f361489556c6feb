package verify

import (
	"errors"
	"fmt"
	"math"
)

// Vessel is a vat's inside, lengths in metres. Shape "upright" is a cylinder on a flat
// bottom, "dished" one on a half-ellipsoid of depth Dish, "lying" a lying cylinder of
// Length. The outlet is at the lowest point.
type Vessel struct {
	Shape    string
	Diameter float64
	Dish     float64
	Length   float64
}

// Area of the liquid's surface in m² at a level in m above the lowest point.
func (v Vessel) Area(level float64) float64 {
	r := v.Diameter / 2
	switch {
	case v.Shape == "lying":
		if level <= 0 || level >= v.Diameter {
			return 0
		}
		return 2 * v.Length * math.Sqrt(level*(v.Diameter-level))
	case v.Shape == "dished" && level < v.Dish:
		q := (v.Dish - level) / v.Dish
		return math.Pi * r * r * (1 - q*q)
	}
	return math.Pi * r * r
}

func (v Vessel) check(from, to float64) error {
	switch {
	case v.Shape != "upright" && v.Shape != "dished" && v.Shape != "lying":
		return fmt.Errorf("shape %q: use upright, dished or lying", v.Shape)
	case !(v.Diameter > 0) || v.Shape == "lying" && !(v.Length > 0) || v.Shape == "dished" && !(v.Dish > 0):
		return errors.New("the vat's diameter, a lying vat's length and a dished bottom's depth must be above 0")
	case !(from > to && to >= 0) || v.Shape == "lying" && from > v.Diameter:
		return fmt.Errorf("the level must fall from %g to %g m: give the full level above that of the recorder bulb, both above the outlet", from, to)
	}
	return nil
}

// gravity in m/s², ISO 80000-3 standard value.
const gravity = 9.80665

// Drain gives the seconds in which the level falls from one height to another (m above
// the outlet) through an outlet of the area (m²) with the discharge coefficient:
// Torricelli's law, t = 1/(Cd·Ao·√(2g)) · ∫ A(h)/√h dh. A plausibility check only: the
// coefficient alone moves the answer by more than half, so a stopwatch decides.
func (v Vessel) Drain(from, to, outlet, coefficient float64) (seconds float64, err error) {
	if err := v.check(from, to); err != nil {
		return 0, err
	}
	if !(outlet > 0) || !(coefficient > 0 && coefficient <= 1) {
		return 0, errors.New("the outlet's area must be above 0 and the discharge coefficient between 0 and 1")
	}
	// With h = s² the root vanishes: ∫ A(h)/√h dh = ∫ 2·A(s²) ds.
	return simpson(func(s float64) float64 { return 2 * v.Area(s*s) }, math.Sqrt(to), math.Sqrt(from)) / (coefficient * outlet * math.Sqrt(2*gravity)), nil
}

// Pumped gives the seconds in which a pump of a constant rate (m³/s) takes the level from one height to another.
func (v Vessel) Pumped(from, to, rate float64) (seconds float64, err error) {
	if err := v.check(from, to); err != nil {
		return 0, err
	}
	if !(rate > 0) {
		return 0, errors.New("the pump's rate must be above 0")
	}
	return simpson(v.Area, to, from) / rate, nil
}

// Emptying is a vat to be emptied: levels in m above the outlet, and either an outlet of an
// area in m² with its discharge coefficient, or a pump of a constant rate in m³/s.
type Emptying struct {
	Vessel
	Full, Bulb  float64
	Outlet      float64
	Coefficient float64
	Pump        float64
}

// Estimate is the emptying time worked out, in minutes, with what it may lie between.
type Estimate struct{ Minutes, Fastest, Slowest float64 }

// A pump's rate may be off its plate by a third; a valve with its pipe may let through as
// little as three tenths of what Torricelli's law allows, and nothing lets through more.
// Common practice, no source, but for the last.
const (
	pumpOff  = 1.33
	tightest = 0.3
)

// Estimate works out the time from the full level down to the recorder bulb. By gravity
// the fastest is Torricelli's law without any loss, a coefficient of 1.
func (e Emptying) Estimate() (t Estimate, err error) {
	if (e.Pump > 0) == (e.Outlet > 0) {
		return t, errors.New("give either the outlet's bore, for a vat emptied by gravity, or the pump's rate")
	}
	var s float64
	if e.Pump > 0 {
		s, err = e.Pumped(e.Full, e.Bulb, e.Pump)
		return Estimate{s / 60, s / 60 / pumpOff, s / 60 * pumpOff}, err
	}
	s, err = e.Drain(e.Full, e.Bulb, e.Outlet, e.Coefficient)
	fastest := s * e.Coefficient
	return Estimate{s / 60, fastest / 60, math.Max(s, fastest/tightest) / 60}, err
}

// Against says what a stopwatch's minutes are worth beside the estimate: Pass where they
// can be, Undecided where one of the two should be looked at.
func (t Estimate) Against(minutes float64) (Verdict, string) {
	switch {
	case minutes < t.Fastest:
		return Undecided, fmt.Sprintf("%.1f min by the stopwatch is faster than the vat can run empty: hot milk would be credited with too short an emptying. Measure it again, and check the sizes", minutes)
	case minutes > t.Slowest:
		return Undecided, fmt.Sprintf("%.1f min by the stopwatch is slower than these sizes explain: measure it again, and check the sizes, the valve and the pipe", minutes)
	}
	return Pass, fmt.Sprintf("%.1f min by the stopwatch is plausible, and is what counts", minutes)
}

// simpson's rule on two thousand panels.
func simpson(f func(float64) float64, a, b float64) float64 {
	const n = 2000
	h := (b - a) / n
	sum := f(a) + f(b)
	for i := 1; i < n; i++ {
		sum += f(a+float64(i)*h) * float64(2+2*(i%2))
	}
	return sum * h / 3
}

// Conforms gives the probability that a quantity with a normal distribution of the
// standard uncertainty u lies at or above a lower limit, JCGM 106:2012 section 7.3.
func Conforms(measured, u, limit float64) float64 {
	if u <= 0 {
		if measured >= limit {
			return 1
		}
		return 0
	}
	return math.Erfc((limit-measured)/(u*math.Sqrt2)) / 2
}
