package calibrate

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Through four knots a cubic is exact, whatever their number and however many values lie between or beyond them.
func TestCubicsThroughKnots(t *testing.T) {
	at := func(i int) float64 { x := float64(i) / 7; return 3 - 2*x + 0.5*x*x - 0.1*x*x*x }
	for n := 1; n < 60; n++ {
		for every := 0; every < 12; every++ {
			c := newCubic(n, every)
			knots, all := make([]float64, c.knots), make([]float64, n)
			for k := range knots {
				knots[k] = at(k * c.every)
			}
			c.fill(knots, all)
			for i, v := range all {
				require.InDelta(t, at(i), v, 1e-9, "%d of %d by %d", i, n, every)
			}
		}
	}
	// Linear interpolation of sin on knots a tenth apart is off by up to 0.1²/8, by cubics by 3·0.1⁴/128 (Abramowitz and Stegun, 25.2).
	c := newCubic(91, 10)
	knots, all := make([]float64, c.knots), make([]float64, 91)
	for k := range knots {
		knots[k] = math.Sin(0.1 * float64(k))
	}
	c.fill(knots, all)
	worst := 0.0
	for i := 10; i < 80; i++ {
		worst = math.Max(worst, math.Abs(all[i]-math.Sin(0.01*float64(i))))
	}
	require.InDelta(t, 3*1e-4/128*math.Sin(0.75), worst, 1e-7)
}
