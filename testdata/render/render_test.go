package render

import (
	"bytes"
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// With pivot and arm both 5.0 in, the law of cosines puts the pen at these
// bearings from the line centre–pivot (values worked out by hand from
// acos((D² + r² − L²)/(2Dr)) = acos(r/10)).
func TestSwing(t *testing.T) {
	f := &Form{Pivot: 5 * 25.4, Arm: 5 * 25.4}
	for _, c := range []struct{ inches, degrees float64 }{{3.0, 72.542}, {3.2, 71.337}, {2.0, 78.463}, {4.5, 63.256}} {
		assert.InDelta(t, c.degrees, f.swing(c.inches*25.4)*180/math.Pi, 0.001, "radius %g in", c.inches)
	}
}

// FDA Inspection Technical Guide 45: on a circle of 7.929 in turning once in
// 24 h, 30 min have a chord of d·sin(180°·t/(60·H)) = 0.5186 in.
func TestChord(t *testing.T) {
	f := &Form{Hours: 24, Pivot: 130, Arm: 131, Rings: []Ring{{0, 30}, {240, 7.929 * 25.4 / 2}}}
	x0, y0 := f.Point(7, f.Radius(240))
	x1, y1 := f.Point(7.5, f.Radius(240))
	assert.InDelta(t, 0.5186, math.Hypot(x1-x0, y1-y0)/25.4, 0.0001)
}

func TestLean(t *testing.T) {
	for _, f := range Basic() {
		x0, y0 := f.Point(5, f.Inner())
		x1, y1 := f.Point(5, f.Outer())
		turn := math.Remainder(math.Atan2(y1, x1)-math.Atan2(y0, x0), 2*math.Pi)
		assert.Equal(t, f.Lean, turn > 0, "%s: arcs lean %s from the innermost circle to the outermost", f.Number, sense(f.Lean))
		x2, y2 := f.Point(5.5, f.Outer())
		turn = math.Remainder(math.Atan2(y2, x2)-math.Atan2(y1, x1), 2*math.Pi)
		assert.Equal(t, f.Clockwise, turn > 0, "%s: later times lie %s", f.Number, sense(f.Clockwise))
		x0, y0 = f.Point(0, f.Outer())
		assert.InDelta(t, f.Outer(), x0, 1e-9)
		assert.InDelta(t, 0, y0, 1e-9)
	}
}

// Every arc is a circle of the arm's length about its pivot: the distance from
// the pivot proves it without any angle.
func TestArcIsACircle(t *testing.T) {
	for seed := range int64(40) {
		f := RandomForm(seed, seed%8 == 0)
		for h := 0.0; h < f.Hours; h += f.Hours / 7 {
			sin, cos := math.Sincos(f.rate()*h - f.side()*f.swing(f.Outer()))
			for r := f.Inner(); r <= f.Outer(); r += 5 {
				x, y := f.Point(h, r)
				require.InDelta(t, r, math.Hypot(x, y), 1e-9, f.Number)
				require.InDelta(t, f.Arm, math.Hypot(x-f.Pivot*cos, y-f.Pivot*sin), 1e-9, f.Number)
				d := math.Remainder(f.HoursAt(x, y)-h, f.Hours)
				require.InDelta(t, 0, d, 1e-9, f.Number)
				require.InDelta(t, r, f.Radius(f.Temperature(r)), 1e-9, f.Number)
			}
		}
	}
}

// The picture's way back agrees with its way there, through warp, tilt and lens.
func TestPixelAndBack(t *testing.T) {
	f := Basic()[0]
	for _, l := range []Look{{DPI: 150, Turn: 77, Warp: 0.4, Stretch: [2]float64{0.006, -0.003}}, {DPI: 150, Turn: -20, Warp: 0.3, Phone: true, Tilt: [2]float64{0.15, -0.1}, Lens: 0.08}} {
		o := newOptics(3, f, l)
		for h := range 12 {
			for _, v := range []float64{40, 145, 220} {
				x, y := f.Point(float64(h), f.Radius(v))
				px, py := o.pixel(x, y)
				bx, by := o.print(px, py)
				assert.InDelta(t, 0, math.Hypot(bx-x, by-y), 1e-6)
				assert.True(t, px > 0 && py > 0 && px < float64(o.w) && py < float64(o.h), "inside the picture")
			}
		}
	}
}

// What the picture shows lies where the truth says: the darkest part of a
// black line's cross section, against the drawn samples, and of printed circles and arcs.
func TestInkLiesAtTheTruth(t *testing.T) {
	f := Basic()[0]
	s := New(5, Options{Form: f, Pens: []Pen{{Name: "product", Ink: "red"}}, Bare: true, Width: 0.4,
		Look: Look{DPI: 200, Turn: 33, Warp: 0.3, Noise: 0.8}})
	p := s.Picture()
	require.Equal(t, 3, p.Channels)
	// Optical density of the line's centre along the radius, sub-pixel, where the line is level.
	l := s.pen("product")
	b := s.Batches[0]
	var sum, sq, n float64
	for i := range l.Clock {
		if l.T0[i] < b.Start+300 || l.T0[i] > b.End-300 || i%6 != 0 || l.ink[i] < 0.8 {
			continue
		}
		hours := s.hours0 + l.Clock[i]/3600
		r0 := f.Radius(l.Value[i])
		var m, w float64
		for d := -0.6; d <= 0.6; d += 0.02 {
			x, y := s.PixelAt(hours, r0+d)
			// Red ink absorbs green; take the difference to the red plane so that the blue print matters little.
			g := math.Log10(260/(float64(p.Sample(x, y, 1))+1)) - math.Log10(260/(float64(p.Sample(x, y, 2))+1))
			if g = g - 0.1; g > 0 {
				m += g * d
				w += g
			}
		}
		if w > 0 {
			sum += m / w
			sq += m / w * m / w
			n++
		}
	}
	require.Greater(t, n, 40.0)
	assert.Less(t, math.Abs(sum/n), 0.01, "mean offset of the line, mm")
	assert.Less(t, math.Sqrt(sq/n), 0.04, "scatter of the line, mm")

	// A heavy circle and a heavy arc of the print, far from the ink.
	off := func(hours, radius float64, along bool) float64 {
		var m, w float64
		for d := -0.35; d <= 0.35; d += 0.01 {
			h, r := hours, radius+d
			if along {
				h, r = hours+d/(2*math.Pi*radius)*f.Hours, radius
			}
			x, y := s.PixelAt(h, r)
			v := math.Max(0, 200-float64(p.Sample(x, y, 2)))
			m += v * d
			w += v
		}
		return m / w
	}
	assert.InDelta(t, 0, off(s.hours0+7.125, f.Radius(160), false), 0.02)
	assert.InDelta(t, 0, off(math.Mod(math.Floor(s.hours0)+8, 12), f.Radius(171), true), 0.02)
}

func TestDeterminism(t *testing.T) {
	o := Options{Scenario: []string{GapHold, Handwriting}, Look: Look{DPI: 100, Turn: 10, Noise: 2, Quality: 80, Warp: 0.2}}
	encode := func(seed int64) []byte {
		s := New(seed, o)
		d, _, err := s.Encode()
		require.NoError(t, err)
		j, err := json.Marshal(s.Truth())
		require.NoError(t, err)
		return append(append(d, j...), s.Entries()...)
	}
	assert.True(t, bytes.Equal(encode(11), encode(11)), "same seed, same bytes")
	assert.False(t, bytes.Equal(encode(11), encode(12)), "another seed, another chart")
}

// What a scenario is called is what the truth must say of it, on whatever form.
func TestScenarios(t *testing.T) {
	type want struct{ check, verdict string }
	only := func(w want) func(*testing.T, *Truth) {
		return func(t *testing.T, tr *Truth) {
			found := false
			for _, b := range tr.Batches {
				found = found || has(b.Checks[w.check], w.verdict) && !has(b.Checks[w.check], "pass")
			}
			assert.True(t, found, "a batch whose %s says %s and cannot pass", w.check, w.verdict)
			assert.NotContains(t, tr.Verdict, "pass")
		}
	}
	record := func(t *testing.T, tr *Truth) {
		assert.Equal(t, []string{"undecided", "fail"}, tr.Checks["record"])
		assert.NotContains(t, tr.Verdict, "pass")
	}
	pass := func(t *testing.T, tr *Truth) {
		assert.Contains(t, tr.Verdict, "pass")
		assert.NotContains(t, tr.Verdict, "fail")
	}
	cases := map[string]func(*testing.T, *Truth){
		Clean: pass, Several: pass, MarginalPass: pass, Hot: pass, Preheated: pass, Wash: pass, Handwriting: pass, Blot: pass, GapElse: pass,
		Short: only(want{"hold", "fail"}), MarginalFail: only(want{"hold", "fail"}), Dip: only(want{"hold", "fail"}), LowPlateau: only(want{"hold", "fail"}),
		HotShort: only(want{"emptying", "fail"}), OutletEarly: only(want{"outlet", "fail"}), RecorderHigh: only(want{"agreement", "fail"}),
		AirLow: only(want{"airspace", "fail"}), Missing: only(want{"entries", "fail"}),
		Stopped: record, Turned: record, Lap: record, GapHold: record,
	}
	for name, check := range cases {
		t.Run(name, func(t *testing.T) {
			for seed := range int64(3) {
				o := Options{Scenario: []string{name}, Unit: []string{"F", "C"}[seed%2], Bare: true, Look: Look{DPI: 60}}
				if seed%3 == 2 {
					o.Pens = []Pen{{"product", "blue", 0}, {"airspace", "red", 4}}
				}
				s := New(100+seed, o)
				tr := s.Truth()
				if !assert.NotPanics(t, func() { check(t, tr) }) || t.Failed() {
					t.Fatalf("seed %d on %s: %+v %v %v", seed, s.Form.Number, tr.Batches, tr.Checks, tr.Verdict)
				}
				for _, p := range tr.Pens {
					require.Len(t, p.T, len(p.Value))
					require.Len(t, p.Flag, len(p.T))
					require.Len(t, p.Gap, len(p.T))
					for i := 1; i < len(p.T); i++ {
						require.LessOrEqual(t, p.T[i-1], p.T[i], "printed time never falls")
					}
				}
			}
		})
	}
}
