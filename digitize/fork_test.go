package digitize

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"penarm/digitize/series"
)

// A line may have been drawn across a dip: where a second stroke parts from a pen's line and comes back to it, either may be the pen's.
func TestASecondStrokeLeavesTheLineOpen(t *testing.T) {
	const steepest = -12
	f := smallForm()
	for _, grey := range []bool{false, true} {
		for _, off := range []float64{-4, -8, steepest, 6} { // 0.2 mm a degree
			for _, long := range []float64{0.16, 0.4, 0.6} { // hours, 4, 9 and 14 mm
				const a = 1.0
				b, d := a+long, math.Min(0.12, long/4)
				if off == steepest {
					d = 0.02 // along an arc nearly
				}
				name := fmt.Sprintf("grey %v, %v degrees, %v h", grey, off, long)
				res := trace(t, paint(f, grey, one,
					drawn{ink: "blue", knots: []knot{{0.1, 60}, {0.5, 150}, {2, 150}, {2.5, 60}}},
					drawn{ink: "blue", knots: []knot{{a, 150}, {a + d, 150 + off}, {b - d, 150 + off}, {b, 150}}}))
				seen := 0
				for _, s := range between(res.Series[0], a+1.2*d, b-1.2*d) {
					seen++
					assert.Equal(t, series.Weak, s.Quality, name)
					assert.InDelta(t, 150+off/2, s.Temperature+s.Rival/2, 0.6, name)
					assert.InDelta(t, math.Abs(off), math.Abs(s.Rival), 0.8, name)
				}
				assert.NotZero(t, seen)
				assert.Contains(t, kinds(res), series.EventAmbig, name)
			}
		}
	}
}

// One distance cannot tell of two rivals: where a second one is found, no line is sure.
func TestTwoRivalsLeaveNoLineSure(t *testing.T) {
	tr := newTracer(paint(smallForm(), false, one))
	at := func(radius float64) (v []vertex) {
		for k := range 9 {
			v = append(v, vertex{radius: radius, hours: 7 + float64(k)/1000, ink: true})
		}
		return v
	}
	line := at(44)
	tr.leaveOpen(line, at(42), 0, whichDrew)
	assert.False(t, line[4].blind)
	assert.InDelta(t, -2, line[4].rival, 1e-9)
	tr.leaveOpen(line, at(44.8), 0, whichIs)
	assert.True(t, line[4].blind)
}
