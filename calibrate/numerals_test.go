package calibrate

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"testing"

	"codeberg.org/go-fonts/dejavu/dejavuserifcondensed"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"

	"penarm/calibrate/form"
	"penarm/testdata/render"
)

// The truth is the renderer's own; its numerals are of another face than the templates.
func TestHourFromNumerals(t *testing.T) {
	t.Parallel()
	for i, g := range render.Basic() { // outside and inside the circles, clock and elapsed, both senses
		s, pic := charts[i]()
		f := load(t, g)
		found, err := starts(pic, fewEdges)
		require.NoError(t, err)
		settled := func(f *form.Form) func(mark *Mark) (*Face, error) {
			fit, err := fitForm(context.Background(), found[:1], f)
			require.NoError(t, err)
			return func(mark *Mark) (*Face, error) {
				own := *fit
				return own.settle(context.Background(), Problem{Picture: pic, Form: f, Mark: mark})
			}
		}
		settle := settled(f)
		face, err := settle(nil)
		require.NoError(t, err)
		assert.Equal(t, HourNumerals, face.Hour, g.Number)
		x, y := s.PixelAt(3, g.Outer())
		hours, _ := face.Locate(x, y)
		assert.InDelta(t, 0, math.Remainder(hours-3, g.Hours), 0.02, "%s: the arc of 3 h", g.Number)

		// a mark is held against the numerals: an hour off, and on the arc beside the hour's
		for _, slip := range []float64{1, f.TimeArcs.EveryMinutes / 60} {
			x, y := s.PixelAt(3+slip, g.Outer())
			_, err := settle(&Mark{Hours: 3, X: x, Y: y})
			refused(t, err, "mark")
			assert.ErrorContains(t, err, fmt.Sprintf("by %.2f h", slip), g.Number)
		}

		if i > 0 {
			continue
		}
		// a mark that is no place of the scan, or no hour of the form
		for _, m := range []Mark{{3, 1e300, 0}, {3, math.Inf(1), y}, {3, math.NaN(), y}, {3, -x, y}, {27, x, y}, {math.NaN(), x, y}} {
			at, _ := face.Locate(m.X, m.Y)
			assert.Equal(t, m.X != x && m.X != -x, math.IsNaN(at), "%+v", m)
			_, err := settle(&m)
			refused(t, err, "mark")
			assert.NotContains(t, err.Error(), "says another hour", "%+v", m)
		}
		_, err = settle(&Mark{15, x, y})
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
			settle := settled(&wrong)
			for _, mark := range []*Mark{nil, {Hours: 3, X: x, Y: y}} {
				_, err := settle(mark)
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

// Forms of a day and of a week by seed, in colour, in grey and in black and white: never a wrong hour, and hardly one left open.
func TestHourOfLongTurns(t *testing.T) {
	t.Parallel()
	looks := []render.Look{{DPI: 110, Turn: 77, Warp: 0.2, Noise: 1}, {DPI: 110, Turn: 200, Grey: true, Noise: 2, Lid: "grey"}, {DPI: 200, Turn: 310, Bilevel: "threshold"}}
	var read, all int
	for _, hours := range []float64{24, 168} {
		for seed, n := int64(40000), 0; n < len(looks); seed++ {
			g := render.RandomForm(seed, hours > 24)
			if g.Hours != hours {
				continue
			}
			s := render.New(seed, render.Options{Form: g, Unit: g.Unit, Look: looks[n]})
			n++
			face, err := Fit(context.Background(), Problem{Picture: s.Picture(), Form: load(t, g)})
			require.NoError(t, err)
			all++
			if face.Hour == HourOnChart {
				continue
			}
			read++
			x, y := s.PixelAt(6, g.Outer())
			at, _ := face.Locate(x, y)
			assert.InDelta(t, 0, math.Remainder(at-6, 24), 0.05, "%s, %g h, seed %d", g.Number, hours, seed)
		}
	}
	assert.GreaterOrEqual(t, read, all-1, "of %d", all)
}

// Hours in other faces than the templates', and of which nothing tells the half of the day, or that are none.
func TestHoursInOtherFaces(t *testing.T) {
	t.Parallel()
	clock := func(h int) string { return fmt.Sprint((h+11)%12 + 1) }
	noon := func(h int) string { return map[int]string{0: "MIDNIGHT", 12: "NOON"}[h] }
	day := &form.Form{RotationHours: 24}
	week := &form.Form{RotationHours: 168}
	for name, c := range map[string]struct {
		form  *form.Form
		label func(h int) string
		read  bool
	}{
		"counted":         {day, func(h int) string { return fmt.Sprint(h) }, true},
		"to 24":           {day, func(h int) string { return fmt.Sprint((h+23)%24 + 1) }, true},
		"halves":          {day, func(h int) string { return clock(h) + [2]string{" AM", " PM"}[h/12] }, true},
		"words":           {day, func(h int) string { return cmp.Or(noon(h), clock(h)) }, true},
		"twice":           {day, clock, false},
		"every other":     {day, func(h int) string { return clock(h / 2) }, false},
		"out of order":    {day, func(h int) string { return fmt.Sprint(7 * h % 24) }, false},
		"days":            {week, func(d int) string { return []string{"SUN", "MON", "TUE", "WED", "THU", "FRI", "SAT"}[d] }, true},
		"days all mixed":  {week, func(d int) string { return []string{"SUN", "WED", "SAT", "TUE", "FRI", "MON", "THU"}[d] }, false},
		"days by numbers": {week, func(d int) string { return fmt.Sprint(d + 1) }, false},
	} {
		n := 24
		if c.form == week {
			n = 7
		}
		for i, ttf := range [][]byte{gobold.TTF, dejavuserifcondensed.TTF, goregular.TTF} {
			face, err := opentype.Parse(ttf)
			require.NoError(t, err)
			const at = 5 // the hour at the first place
			var seen []patch
			for p := range n {
				label := template(face, c.label((p+at)%n), 3, i == 1)
				q := patch{w: 105, h: 40}
				q.v = q.framed(&label)
				seen = append(seen, q)
			}
			fits, err := fitHours(context.Background(), []view{{seen, 0}}, hourLabels(c.form, n), []order{{0, 1, 1}, {0, 1, -1}})
			require.NoError(t, err)
			as, back := fits[0], fits[1]
			k := as.best()
			assert.Equal(t, c.read, as.leads(k, as, k) && as.leads(k, back, -1), "%s, face %d", name, i)
			assert.True(t, k == at || !c.read, "%s, face %d", name, i)
			k = back.best()
			assert.False(t, back.leads(k, back, k) && back.leads(k, as, -1), "%s, face %d: the other way", name, i)
		}
	}
}

// framed is what the patch shows with the label in its middle.
func (p *patch) framed(label *patch) []float32 {
	v := make([]float32, p.w*p.h)
	ox, oy := (p.w-label.w)/2, (p.h-label.h)/2
	for y := range label.h {
		copy(v[(y+oy)*p.w+ox:], label.v[y*label.w:(y+1)*label.w])
	}
	return v
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
