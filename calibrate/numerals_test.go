package calibrate

import (
	"context"
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/calibrate/form"
	"penarm/testdata/render"
)

// The truth is the renderer's own; its numerals are of another face than the templates.
func TestHourFromNumerals(t *testing.T) {
	t.Parallel()
	for i, g := range render.Basic() { // outside and inside the circles, clock and elapsed, both senses
		if g.Hours != 12 {
			continue
		}
		s, pic := charts[i]()
		f := load(t, g)
		face, err := Fit(context.Background(), Problem{Picture: pic, Form: f})
		require.NoError(t, err)
		assert.Equal(t, HourNumerals, face.Hour, g.Number)
		x, y := s.PixelAt(3, g.Outer())
		hours, _ := face.Locate(x, y)
		assert.InDelta(t, 0, math.Remainder(hours-3, g.Hours), 0.02, "%s: the arc of 3 h", g.Number)

		// a mark is held against the numerals: an hour off, and on the arc beside the hour's
		for _, slip := range []float64{1, f.TimeArcs.EveryMinutes / 60} {
			x, y := s.PixelAt(3+slip, g.Outer())
			_, err = Fit(context.Background(), Problem{Picture: pic, Form: f, Mark: &Mark{Hours: 3, X: x, Y: y}})
			refused(t, err, "mark")
			assert.ErrorContains(t, err, fmt.Sprintf("by %.2f h", slip), g.Number)
		}

		if i > 0 {
			continue
		}
		// a mark that is no place of the scan, or no hour of the form
		found, err := starts(pic, fewEdges)
		require.NoError(t, err)
		fit, err := fitForm(context.Background(), found[:1], f)
		require.NoError(t, err)
		for _, m := range []Mark{{3, 1e300, 0}, {3, math.Inf(1), y}, {3, math.NaN(), y}, {3, -x, y}, {27, x, y}, {math.NaN(), x, y}} {
			at, _ := face.Locate(m.X, m.Y)
			assert.Equal(t, m.X != x && m.X != -x, math.IsNaN(at), "%+v", m)
			own := *fit
			_, err := own.settle(context.Background(), Problem{Picture: pic, Form: f, Mark: &m})
			refused(t, err, "mark")
			assert.NotContains(t, err.Error(), "says another hour", "%+v", m)
		}
		own := *fit
		_, err = own.settle(context.Background(), Problem{Picture: pic, Form: f, Mark: &Mark{15, x, y}})
		require.NoError(t, err, "the same hour later in the day")
		// a form's file that only the numerals contradict
		for says, change := range map[string]func(f *form.Form){
			"run the other way": func(f *form.Form) { f.TimeRuns = other[f.TimeRuns] },
			"those of 12 hours": func(f *form.Form) {
				f.RotationHours, f.TimeArcs.EveryMinutes, f.TimeArcs.MajorMinutes = 24, 2*f.TimeArcs.EveryMinutes, 120
			},
		} {
			wrong := *f
			change(&wrong)
			for _, mark := range []*Mark{nil, {Hours: 3, X: x, Y: y}} {
				_, err := Fit(context.Background(), Problem{Picture: pic, Form: &wrong, Mark: mark})
				refused(t, err, "hours")
				assert.ErrorContains(t, err, says, g.Number)
			}
		}
		radius := radiusIn(s)
		painted := *pic
		painted.Pix = slices.Clone(pic.Pix)
		for y := range pic.Height { // paint over all but the circles
			for x := range pic.Width {
				at := (y*pic.Width + x) * pic.Channels
				if r := radius(x, y); r > g.Outer()+0.6 && r < g.Diameter/2-1 || r < g.Inner()-0.6 && r > g.Hub/2+1 {
					for c := range pic.Channels {
						painted.Pix[at+c] = 230
					}
				}
			}
		}
		face, err = Fit(context.Background(), Problem{Picture: &painted, Form: f})
		require.NoError(t, err)
		assert.Equal(t, HourOnChart, face.Hour, "%s without numerals", g.Number)
	}
}

var other = map[string]string{"clockwise": "counterclockwise", "counterclockwise": "clockwise"}

// A blank whose printed hours contradict the form's file is refused: what it says of every chart would be wrong.
func TestBlankNumerals(t *testing.T) {
	t.Parallel()
	_, pic := unused()
	right, _ := known(t)
	for says, change := range map[string]func(f *form.Form){
		"run the other way": func(f *form.Form) { f.TimeRuns = other[f.TimeRuns] },
		"those of 12 hours": func(f *form.Form) {
			f.RotationHours, f.TimeArcs.EveryMinutes, f.TimeArcs.MajorMinutes = 24, 2*f.TimeArcs.EveryMinutes, 120
		},
		"say 03:00": func(f *form.Form) { f.Blank.Reference.Time = "08:00" },
	} {
		wrong := *right
		named := *right.Blank
		wrong.Blank = &named
		change(&wrong)
		_, err := ReadBlank(context.Background(), pic, &wrong)
		refused(t, err, "blank")
		assert.ErrorContains(t, err, says)
	}
}

// radiusIn gives the radius (mm) of a pixel, from the renderer's own centre and scale.
func radiusIn(s *render.Scene) func(x, y int) float64 {
	ax, ay := s.PixelAt(0, s.Form.Outer())
	bx, by := s.PixelAt(s.Form.Hours/2, s.Form.Outer())
	mm := s.Form.Outer() / (0.5 * math.Hypot(ax-bx, ay-by))
	return func(x, y int) float64 { return math.Hypot(float64(x)-(ax+bx)/2, float64(y)-(ay+by)/2) * mm }
}
