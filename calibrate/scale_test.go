package calibrate

import (
	"context"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/calibrate/form"
	"penarm/testdata/render"
)

// A chart of a form with the same circles, arcs and hours, but numerals a heavy circle further in or out, is not read by
// the blank of another. What is printed is the renderer's.
func TestOtherNumerals(t *testing.T) {
	t.Parallel()
	numbered := func(by float64) *render.Form {
		of := render.Basic()[3]
		of.NumeralArc = 3
		for i := range of.Rings {
			of.Rings[i].At += by
		}
		return of
	}
	of := numbered(0)
	f := load(t, of)
	s := of.BlankAt(200)
	x, y := s.Pixel(of.Reference, of.Rings[len(of.Rings)-1].At)
	f.Blank = &form.Blank{Image: "blank.png", Reference: form.Reference{X: x, Y: y, Time: fmt.Sprintf("%02.0f:00", of.Reference)}}
	unused := s.Picture()
	b, err := ReadBlank(context.Background(), unused, f)
	require.NoError(t, err)
	assert.GreaterOrEqual(t, len(b.numerals), fewNumerals)
	// a file that its own blank's numerals contradict; nor does a person enroll it so
	for by, says := range map[float64]string{10: "10 °F colder", -20: "20 °F hotter"} {
		wrong := *f
		wrong.Rings = nil
		for _, r := range f.Rings {
			wrong.Rings = append(wrong.Rings, form.Ring{At: r.At + by, RadiusMM: r.RadiusMM})
		}
		_, err := ReadBlank(context.Background(), unused, &wrong)
		refused(t, err, "blank")
		assert.ErrorContains(t, err, says)
	}
	facts := factsOf(of, s)
	facts.InnerAt, facts.OuterAt = facts.InnerAt+10, facts.OuterAt+10
	_, err = Enroll(context.Background(), oneColour(unused), facts)
	refused(t, err, "enroll")
	assert.ErrorContains(t, err, "10 °F colder")
	for _, c := range []struct {
		by   float64
		look render.Look
	}{
		{0, render.Look{DPI: 130, Turn: 77, Warp: 0.2, Lid: "grey", Noise: 1}},
		{0, render.Look{DPI: 140, Bilevel: "diffusion"}}, // hardly legible: tells nothing
		{10, render.Look{DPI: 130, Turn: 77, Warp: 0.2, Lid: "grey", Noise: 1}},
		{-10, render.Look{DPI: 140, Turn: 30, Grey: true, Noise: 2}},
	} {
		s := render.New(5, render.Options{Form: numbered(c.by), Unit: "F", Look: c.look})
		pic := s.Picture()
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
