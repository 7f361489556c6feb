package calibrate

import (
	"context"
	"maps"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/calibrate/form"
)

// end moves one ring's end of the scale further by so much.
func end(f *form.Form, i int, by float64) {
	f.Rings[i].At, f.Rings[i].RadiusMM = f.Rings[i].At+by, f.Radius(f.Rings[i].At+by)
}

// relatives differ from a form by what a person can see on the print.
var relatives = map[string]func(f *form.Form){
	"circles half as many":                          func(f *form.Form) { f.MinorRing *= 2 },
	"circles twice as many":                         func(f *form.Form) { f.MinorRing /= 2 },
	"heavy circles half as many, arcs half as many": func(f *form.Form) { f.MajorRing *= 2; f.TimeArcs.EveryMinutes = 30 },
	"heavy circles twice as many":                   func(f *form.Form) { f.MajorRing /= 2 },
	"heavy circles elsewhere":                       func(f *form.Form) { f.Rings[0].At += f.MinorRing; f.Rings[1].At += f.MinorRing },
	"one circle more at the rim":                    func(f *form.Form) { end(f, 1, f.MinorRing) },
	"one circle less at the rim":                    func(f *form.Form) { end(f, 1, -f.MinorRing) },
	"one circle more at the centre":                 func(f *form.Form) { end(f, 0, -f.MinorRing) },
	"one circle less at the centre":                 func(f *form.Form) { end(f, 0, f.MinorRing) },
	"a heavy circle less at the rim":                func(f *form.Form) { end(f, 1, -f.MajorRing) },
	"a heavy circle less at the centre":             func(f *form.Form) { end(f, 0, f.MajorRing) },
	"arcs every 30 min":                             func(f *form.Form) { f.TimeArcs.EveryMinutes = 30 },
	"arcs every 5 min":                              func(f *form.Form) { f.TimeArcs.EveryMinutes = 5 },
	"half the turn with as many arcs":               func(f *form.Form) { f.RotationHours /= 2; f.TimeArcs.EveryMinutes /= 2 },
	"twice the turn with as many arcs":              func(f *form.Form) { f.RotationHours *= 2; f.TimeArcs.EveryMinutes *= 2 },
}

// nearRelatives asserts that a form's file that differs from the print by what a person can see on it does not fit: not
// on a clean scan, and not on copies that lost fine lines. What is printed is the renderer's.
func nearRelatives(t *testing.T, fit *fitted, _ []*start, f *form.Form) {
	contradicts(t, fit, f, slices.Collect(maps.Keys(relatives))...)
}

// otherScales asserts so of those that would give another temperature or time.
func otherScales(t *testing.T, fit *fitted, _ []*start, f *form.Form) {
	contradicts(t, fit, f, "half the turn with as many arcs", "twice the turn with as many arcs", "heavy circles elsewhere")
}

// contradicts asserts that the print contradicts the named relatives of a form, and not the form.
func contradicts(t *testing.T, fit *fitted, f *form.Form, names ...string) {
	assert.Nil(t, fit.contradicted(f))
	for _, name := range names {
		near := relative(f, relatives[name])
		moved := *fit // an arc's angle counts from where it meets the outermost circle
		var err error
		moved.warp, err = fit.warp.turn(f.Lag(near.Outer()))
		require.NoError(t, err)
		assert.NotNil(t, moved.contradicted(near), name)
	}
}

// misreadRelatives asserts of a fax or a copy, besides, that circles taken for their neighbours, and the sheet bent to
// suit, do not fit.
func misreadRelatives(t *testing.T, fit *fitted, found []*start, f *form.Form) {
	nearRelatives(t, fit, found, f)
	for _, k := range []float64{-1, 1} {
		_, err := fitForm(context.Background(), found[:1], relative(f, func(near *form.Form) {
			for i := range near.Rings {
				near.Rings[i].RadiusMM += k * newPattern(f).spacing()
			}
		}))
		refused(t, err, "ends")
	}
}

// relative is the form changed.
func relative(f *form.Form, change func(f *form.Form)) *form.Form {
	near := *f
	near.Rings = slices.Clone(f.Rings)
	change(&near)
	return &near
}

// Of a hundred lines every tenth heavy, whatever is said of them otherwise is seen; a third kind of line, as on prints
// with five and ten degrees marked differently, contradicts neither choice of heavy lines nor that the fine ones are there.
func TestKinds(t *testing.T) {
	t.Parallel()
	lines := func(weight func(i int) float64) []float64 {
		var v []float64
		for i := range 100 {
			v = append(v, weight(i)*(1+0.1*math.Sin(float64(7*i))))
		}
		return v
	}
	two := lines(func(i int) float64 { return map[bool]float64{true: 2, false: 1}[i%10 == 3] })
	for per, other := range map[int]bool{10: false, 20: true, 5: true} {
		k := kinds{own: two, per: per, first: 3}
		assert.Equal(t, other, k.otherHeavy(), "%d", per)
		assert.False(t, k.sparse(), "%d", per)
	}
	assert.True(t, (&kinds{own: two, per: 10, first: 4}).otherHeavy())
	assert.False(t, (&kinds{own: lines(func(int) float64 { return 1 }), per: 10, first: 4}).otherHeavy(), "no line is heavier: nothing is known")
	three := lines(func(i int) float64 {
		switch {
		case i%10 == 3:
			return 2
		case i%5 == 3:
			return 1.5
		}
		return 1
	})
	for _, per := range []int{5, 10} {
		k := kinds{own: three, per: per, first: 3}
		assert.False(t, k.otherHeavy(), "%d", per)
		assert.False(t, k.sparse(), "%d", per)
	}
	gone := lines(func(i int) float64 {
		switch {
		case i%10 == 3:
			return 2
		case i%2 == 1:
			return 0.3
		}
		return 0
	})
	assert.True(t, (&kinds{own: gone, per: 10, first: 3}).sparse())
	assert.True(t, (&kinds{own: two, mids: two, per: 10, first: 3}).more(two))
	assert.False(t, (&kinds{own: two, per: 10, first: 3}).more(lines(func(i int) float64 { return math.Sin(float64(3 * i)) })))
}
