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

// A chart of a form with the same circles, arcs and hours, but other numerals on them, is not read by the blank of another,
// nor by a form's file alone. What is printed is the renderer's.
func TestOtherNumerals(t *testing.T) {
	t.Parallel()
	numbered := func(by float64) *render.Form {
		of := render.Basic()[3]
		for i := range of.Rings {
			of.Rings[i].At += by
		}
		return of
	}
	s, pic := unused()
	of := s.Form
	f, b := known(t)
	assert.GreaterOrEqual(t, len(b.numerals), fewNumerals)
	// a file that its own blank's numerals contradict; nor does a person enroll it so
	for by, says := range map[float64]string{10: "10 °F colder", -20: "20 °F hotter"} {
		wrong := *f
		wrong.Rings = nil
		for _, r := range f.Rings {
			wrong.Rings = append(wrong.Rings, form.Ring{At: r.At + by, RadiusMM: r.RadiusMM})
		}
		_, err := ReadBlank(context.Background(), pic, &wrong)
		refused(t, err, "blank")
		assert.ErrorContains(t, err, says)
	}
	facts := factsOf(of, s)
	facts.InnerAt, facts.OuterAt = facts.InnerAt+10, facts.OuterAt+10
	_, err := Enroll(context.Background(), oneColour(pic), facts)
	refused(t, err, "enroll")
	assert.ErrorContains(t, err, "10 °F colder")
	numbers := func(by float64, look render.Look) func() (*render.Scene, *picture.Picture) {
		return func() (*render.Scene, *picture.Picture) {
			s := render.New(5, render.Options{Form: numbered(by), Unit: "F", Look: look})
			return s, s.Picture()
		}
	}
	for _, c := range []struct {
		by    float64
		bare  bool // without a blank
		chart func() (*render.Scene, *picture.Picture)
	}{
		{0, false, charts[3]},
		{0, true, charts[3]},
		{0, false, numbers(0, render.Look{DPI: 115, Bilevel: "diffusion"})}, // hardly legible: tells nothing
		{10, false, numbers(10, render.Look{DPI: 105, Turn: 77, Warp: 0.2, Lid: "grey", Noise: 1})},
		{-10, false, numbers(-10, render.Look{DPI: 112, Turn: 30, Grey: true, Noise: 2})},
		{20, false, numbers(20, render.Look{DPI: 100, Grey: true, Noise: 1})},
		{-20, true, numbers(-20, render.Look{DPI: 150, Turn: 10, Noise: 1})},
		{30, false, numbers(30, render.Look{DPI: 150, Turn: 50, Bilevel: "threshold", Noise: 1})},
		{-30, false, numbers(-30, render.Look{DPI: 100, Turn: 130, Warp: 0.2, Noise: 1})},
		{40, false, numbers(40, render.Look{DPI: 150, Turn: 250, Bilevel: "threshold", Noise: 1})},
		{-40, false, numbers(-40, render.Look{DPI: 100, Turn: 200, Noise: 1})},
	} {
		s, pic := c.chart()
		p := Problem{Picture: pic, Form: f}
		if !c.bare {
			p.Blank = b
		}
		face, err := Fit(context.Background(), p)
		if c.by == 0 {
			require.NoError(t, err)
			assert.Equal(t, map[bool]Hour{false: HourBlank, true: HourNumerals}[c.bare], face.Hour)
			continue
		}
		require.Error(t, err, "%g", c.by)
		refused(t, err, "numerals")
		assert.ErrorContains(t, err, fmt.Sprintf("%g °F %s", math.Abs(c.by), map[bool]string{true: "hotter", false: "colder"}[c.by > 0]))
		var tried *Attempt
		require.ErrorAs(t, err, &tried, "a person can look at what was refused")
		if c.by == 10 {
			outer := of.Rings[len(of.Rings)-1].At + c.by
			x, y := s.Pixel(of.Reference, outer)
			p.Mark = &Mark{X: x, Y: y, Hours: of.Reference}
			_, err = Fit(context.Background(), p)
			refused(t, err, "numerals") // a mark of the hour says nothing of the scale
		}
	}
}
