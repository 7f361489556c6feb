package calibrate

import (
	"context"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/calibrate/form"
	"penarm/calibrate/picture"
	"penarm/testdata/render"
)

// printed is what a clean print of the pattern, moved outwards by so many mm, shows in every sector.
func printed(p *pattern, off float64) *radial {
	rd := radials(&plane{pix: make([]byte, 4), width: 2, height: 2, step: 1, times: 1}, &Warp{H: [9]float64{1, 0, 0, 0, 1, 0, 0, 0, 1}}, p)
	v, vv, seen := make([]float32, len(rd.t)), make([]float64, len(rd.t)+1), make([]int32, len(rd.t)+1)
	for i := range v {
		v[i] = p.at(rd.r0 + float64(i)*radialMM - off)
		vv[i+1], seen[i+1] = vv[i]+float64(v[i]*v[i]), int32(i+1)
	}
	for s := range sectors {
		rd.v[s], rd.vv[s], rd.seen[s] = v, vv, seen
	}
	return rd
}

// even is a scale of so many circles at equal distances, every so many-th heavy.
func even(n int, gap float64, heavy int) *pattern {
	var circles []form.Circle
	for i := range n {
		circles = append(circles, form.Circle{At: float64(i), RadiusMM: 34 + gap*float64(i), Major: i%heavy == 0})
	}
	return newPatternOf(circles)
}

func newPatternOf(circles []form.Circle) *pattern {
	return patternOf(circles, circles[0].RadiusMM, circles[len(circles)-1].RadiusMM, heavyWeight)
}

// Circles taken for their neighbours are seen at every distance that a form may have: five on 78 mm at the widest.
func TestSlipSeenAtEverySpacing(t *testing.T) {
	t.Parallel()
	for _, n := range []int{101, 51, 21, 11, 9, 7, 6, 5} {
		p := even(n, 78/float64(n-1), max(1, n/10))
		assert.Positive(t, printed(p, 0).ends(p, 0, sectors, p.reach()).lead, "%d circles", n)
		for _, off := range []float64{p.spacing(), -p.spacing()} {
			e := printed(p, off).ends(p, 0, sectors, p.reach())
			assert.Negative(t, e.lead, "%d circles", n)
			assert.InDelta(t, off, e.shift, 0.1, "%d circles", n)
		}
	}
}

// On a scale that widens outwards every circle that stands alone within binMM is taken: an uneven scale is printed so that
// the low degrees are close.
func TestWideStretchOfAScale(t *testing.T) {
	t.Parallel()
	var circles []form.Circle
	for r := 34.0; r < 70; r++ {
		circles = append(circles, form.Circle{RadiusMM: r})
	}
	for r := 76.0; r < 112; r += 7 {
		circles = append(circles, form.Circle{RadiusMM: r})
	}
	p := newPatternOf(circles)
	c := crossings{blocks: 1, circles: len(circles), off: make([]float64, len(circles))}
	var wide []float64
	for _, s := range c.sightings(p) {
		if s.x > 72 {
			wide = append(wide, math.Round(s.x))
		}
	}
	assert.InDeltaSlice(t, []float64{76, 83, 90, 97, 104, 111}, wide, 0.001)
	for i := range 35 { // all but one of the close ones are hidden: that may be ink
		c.off[i] = math.NaN()
	}
	assert.Len(t, c.sightings(p), 6)
}

// A few heavy circles do not tell a form whose fine ones are lost.
func TestLostCircles(t *testing.T) {
	t.Parallel()
	for heavy, enough := range map[int]bool{8: true, fewHeavy: true, fewHeavy - 1: false, 3: false} {
		p := even(10*(heavy-1)+1, 78/float64(10*(heavy-1)), 10)
		bare := newPatternOf(slices.DeleteFunc(slices.Clone(p.circles), func(c form.Circle) bool { return !c.Major }))
		on := printed(p, 0)
		for i := range on.v[0] { // one slice for all sectors
			on.v[0][i] = bare.at(on.r0 + float64(i)*radialMM)
		}
		_, _, lost, _ := on.count(p)
		assert.Equal(t, enough, lost, "%d heavy circles", heavy)
	}
}

// On a form with circles far apart, as on one with close ones, a tenth of a millimetre all round is no fit: a flatbed's
// prints are fitted to 0.03 mm.
func TestWideCircles(t *testing.T) {
	t.Parallel()
	of := *render.Basic()[0]
	of.Minor, of.Major = 10, 10 // 4.4 mm
	f := load(t, &of)
	s := render.New(61, render.Options{Form: &of, Unit: of.Unit, Look: render.Look{DPI: 75, Turn: 77, Warp: 0.1, Noise: 1}})
	found, err := starts(s.Picture(), fewEdges)
	require.NoError(t, err)
	fit, err := fitForm(context.Background(), found[:1], f)
	require.NoError(t, err)
	p := newPattern(f)
	c := cross(fit.plane, &fit.warp, p, 0.30, 180)
	a := crossArcs(fit.plane, &fit.warp, f, 0.5, 1)
	cs, as := c.sightings(p), a.sightings(f)
	require.NoError(t, fit.judge(p, f, cs, as))
	assert.Nil(t, fit.contradicted(f))
	less := relative(f, func(f *form.Form) { f.Rings[1].At, f.Rings[1].RadiusMM = f.Rings[1].At-10, f.Radius(f.Rings[1].At-10) })
	moved := *fit // an arc's angle counts from where it meets the outermost circle
	moved.warp, err = fit.warp.turn(f.Lag(less.Outer()))
	require.NoError(t, err)
	if r := moved.contradicted(less); assert.NotNil(t, r, "one circle less at the rim") {
		assert.Contains(t, r.Words, "go on beyond the outermost")
	}
	pic := fit.plane.pic
	corner := &picture.Picture{Width: pic.Width / 2, Height: pic.Height / 2, Channels: pic.Channels}
	for y := range corner.Height {
		corner.Pix = append(corner.Pix, pic.Pix[y*pic.Width*pic.Channels:][:corner.Width*pic.Channels]...)
	}
	little := *fit
	little.plane = newPlane(corner, fit.plane.channel)
	refused(t, little.judge(p, f, cs, as), "sectors") // a quarter of the turn says nothing of the rest
	for i := range cs {
		cs[i].off += 0.1
	}
	refused(t, fit.judge(p, f, cs, as), "circles")
}

// Circles a step off in a part of the turn are seen wherever it lies, across the angle at which the turn begins, too.
func TestStepInAPartOfTheTurn(t *testing.T) {
	t.Parallel()
	p := even(51, 78.0/50, 5)
	right, moved := printed(p, 0), printed(p, p.spacing())
	assert.Equal(t, parts{seen: 24, sure: 24}, right.around(p, 2.5*p.spacing(), 1, leastClear))
	for _, first := range []int{10, 70} {
		rd := printed(p, 0)
		for s := first; s < first+7; s++ {
			rd.v[s%sectors] = moved.v[s%sectors]
		}
		assert.Equal(t, 1, rd.around(p, 2.5*p.spacing(), 1, leastClear).stepped, "from sector %d on", first)
	}
}
