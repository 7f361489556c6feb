package calibrate

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/calibrate/form"
	"penarm/calibrate/picture"
	"penarm/testdata/render"
)

// A chart of a form with the same circles, arcs and hours, but numerals a heavy circle further in or out, is not read by
// the blank of another. What is printed is the renderer's.
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
		chart func() (*render.Scene, *picture.Picture)
	}{
		{0, charts[3]},
		{0, numbers(0, render.Look{DPI: 115, Bilevel: "diffusion"})}, // hardly legible: tells nothing
		{10, numbers(10, render.Look{DPI: 105, Turn: 77, Warp: 0.2, Lid: "grey", Noise: 1})},
		{-10, numbers(-10, render.Look{DPI: 112, Turn: 30, Grey: true, Noise: 2})},
	} {
		s, pic := c.chart()
		face, err := Fit(context.Background(), Problem{Picture: pic, Form: f, Blank: b})
		if c.by != 0 {
			refused(t, err, "numerals")
			var tried *Attempt
			require.ErrorAs(t, err, &tried, "a person can look at what was refused")
			outer := of.Rings[len(of.Rings)-1].At + c.by
			x, y := s.Pixel(of.Reference, outer)
			_, err = Fit(context.Background(), Problem{Picture: pic, Form: f, Blank: b, Mark: &Mark{X: x, Y: y, Hours: of.Reference}})
			refused(t, err, "numerals") // a mark of the hour says nothing of the scale
			continue
		}
		require.NoError(t, err)
		assert.Equal(t, HourBlank, face.Hour)
	}
}
