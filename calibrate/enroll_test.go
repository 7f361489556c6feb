package calibrate

import (
	"context"
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/calibrate/form"
	"penarm/calibrate/picture"
	"penarm/testdata/render"
)

// factsOf is what a person would read off the rendered form; the mark is put on the numeral, 3 mm off the circle.
func factsOf(g *render.Form, blank *render.Scene) Facts {
	x, y := blank.PixelAt(g.Reference, g.Outer()+3)
	facts := Facts{
		Number: g.Number, Unit: g.Unit, InnerAt: g.Rings[0].At, OuterAt: g.Rings[len(g.Rings)-1].At,
		RotationHours: g.Hours, TimeRuns: "counterclockwise", Labels: "clock", DiameterMM: g.Diameter, HubHoleMM: g.Hub,
		DPI: blank.Look.DPI, Mark: Mark{Hours: g.Reference, X: x, Y: y},
	}
	if g.Clockwise {
		facts.TimeRuns = "clockwise"
	}
	return facts
}

// The truth is the renderer's own form: even, uneven and inverted scales, 12 and 24 hours, °F and °C.
func TestEnroll(t *testing.T) {
	t.Parallel()
	for i, g := range render.Basic()[1:] {
		t.Run(g.Number, func(t *testing.T) {
			blank := g.BlankAt(120)
			var pic *picture.Picture
			if i == 2 {
				blank, pic = unused()
			} else {
				pic = blank.Picture()
			}
			facts := factsOf(g, blank)
			if i == 2 {
				facts.DiameterMM = 0 // its edge throws a shadow
			}
			face, err := Enroll(context.Background(), pic, facts)
			require.NoError(t, err)
			f := face.Form
			assert.InDelta(t, g.Diameter, f.DiameterMM, 1, "mm, the paper")
			assert.Equal(t, HourMark, face.Hour)
			for _, mm := range []float64{f.DiameterMM, f.TimeArcs.PivotMM, f.TimeArcs.ArmMM, f.Inner(), f.Outer()} {
				assert.Regexp(t, `^\d+(\.\d\d?)?$`, fmt.Sprint(mm), "mm, to the hundredth")
			}
			for at := g.Low(); at <= g.High(); at += g.Minor {
				assert.InDelta(t, g.Radius(at), f.Radius(at), 0.05, "mm, circle of %g degrees", at)
			}
			assert.Equal(t, [2]float64{g.Minor, g.Major}, [2]float64{f.MinorRing, f.MajorRing})
			assert.Equal(t, [2]float64{g.ArcEvery, g.ArcMajor}, [2]float64{f.TimeArcs.EveryMinutes, f.TimeArcs.MajorMinutes})
			assert.Equal(t, g.Lean, f.TimeArcs.Lean == "clockwise")
			assert.InDelta(t, g.Pivot, f.TimeArcs.PivotMM, 0.5, "mm")
			assert.InDelta(t, g.Arm, f.TimeArcs.ArmMM, 0.5, "mm")
			mm := mmPerInch / blank.Look.DPI
			assert.Less(t, nodes(g, f, face, blank)*mm, 0.05, "mm, rms of the printed nodes")
			if i != 1 {
				return
			}
			// a chart drawn on another sheet of the form
			s, pic := charts[2]()
			x, y := s.PixelAt(3, g.Outer())
			face, err = Fit(context.Background(), Problem{Picture: pic, Form: f, Mark: &Mark{Hours: 3, X: x, Y: y}})
			require.NoError(t, err)
			assert.Less(t, nodes(g, f, face, s)*mmPerInch/s.Look.DPI, 0.05, "mm, rms of the nodes of a chart read with what was enrolled")
		})
	}
}

// nodes is the rms (pixels) over the face of where the form says that a printed hour and temperature lies.
func nodes(g *render.Form, f *form.Form, face *Face, s *render.Scene) float64 {
	sum, n := 0.0, 0.0
	for hours := 0.0; hours < g.Hours; hours += g.Hours / 24 {
		for r := g.Inner(); r <= g.Outer(); r += 10 {
			x, y := s.PixelAt(hours, r)
			px, py := face.Pixel(hours, f.Radius(g.Temperature(r)))
			sum, n = sum+(x-px)*(x-px)+(y-py)*(y-py), n+1
		}
	}
	return math.Sqrt(sum / n)
}

// oneColour is the picture in grey, by its green.
func oneColour(pic *picture.Picture) *picture.Picture {
	out := *pic
	out.Pix, out.Channels = pic.Plane(1), 1
	return &out
}

func TestEnrollRefuses(t *testing.T) {
	t.Parallel()
	g := render.Basic()[3]
	blank, pic := unused()
	for _, c := range []struct {
		name   string
		change func(f *Facts)
		test   string
		why    string
	}{
		{"no resolution", func(f *Facts) { f.DPI = 0 }, "enroll", "give it with --dpi"},
		{"wrong end of the scale", func(f *Facts) { f.OuterAt += 7 }, "enroll", "make no round step"},
		{"mark off the print", func(f *Facts) { f.Mark.X, f.Mark.Y = float64(pic.Width)/2, float64(pic.Height)/2 }, "mark", "is not where a printed arc meets"},
	} {
		facts := factsOf(g, blank)
		c.change(&facts)
		p := *oneColour(pic) // the others would be tried, too
		p.DPIX, p.DPIY = 0, 0
		_, err := Enroll(context.Background(), &p, facts)
		var refused *Refusal
		require.ErrorAs(t, err, &refused, c.name)
		assert.Equal(t, c.test, refused.Test, c.name)
		assert.Contains(t, refused.Words, c.why, c.name)
	}
	_, err := Enroll(context.Background(), &picture.Picture{Width: 900, Height: 900, Channels: 1, Pix: make([]uint8, 900*900)}, Facts{DPI: 300})
	assert.ErrorContains(t, err, "no printed circles")
}
