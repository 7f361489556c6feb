package digitize

import (
	"iter"
	"math"

	"penarm/calibrate/rank"
)

const (
	// A median absolute deviation times this is the standard deviation of normal values: of others, what hardly minds strays.
	fromMAD = 1.4826
	// Full width of a Gaussian at half its height, in standard deviations: that of a stroke.
	fullWidth = 2.355
)

// run is some neighbouring places, [from, to).
type run struct{ from, to int }

// runs gives the ends [from, to) of each run of places below n that are in.
func runs(n int, in func(i int) bool) iter.Seq2[int, int] {
	return func(yield func(from, to int) bool) {
		for i := 0; i < n; i++ {
			from := i
			for i < n && in(i) {
				i++
			}
			if i > from && !yield(from, i) {
				return
			}
		}
	}
}

// median reorders v.
func median(v []float32) float32 { return quantile(v, 0.5) }

// quantile reorders v; NaN where v is empty.
func quantile(v []float32, q float64) float32 {
	if len(v) == 0 {
		return float32(math.NaN())
	}
	return rank.Select(v, int(q*float64(len(v)-1)))
}

// mad is the median absolute deviation from a middle. It overwrites v.
func mad(v []float32, middle float32) float32 {
	for i, x := range v {
		v[i] = float32(math.Abs(float64(x - middle)))
	}
	return median(v)
}

// cyclic reduces a difference to ± half a turn.
func cyclic(d, turn float64) float64 { return d - math.Round(d/turn)*turn }
