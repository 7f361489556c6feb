package series

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestAt(t *testing.T) {
	s := Series{Samples: []Sample{
		{Time: day(7, 0, 0, 0), Temperature: 140, Quality: Good},
		{Time: day(7, 0, 10, 0), Temperature: 141, Quality: Weak},
		{Time: day(7, 0, 20, 0), Temperature: math.NaN(), Quality: Gap},
		{Time: day(7, 0, 30, 0), Temperature: 145, Quality: Good},
	}}
	for _, c := range []struct {
		second       int
		strict, over float64 // NaN: no temperature
	}{
		{-5, math.NaN(), 140}, {0, 140, 140}, {5, 140.5, 140.5}, {10, 141, 141},
		{15, math.NaN(), 142}, {20, math.NaN(), 143}, {30, 145, 145}, {35, math.NaN(), 145},
	} {
		for overGaps, want := range map[bool]float64{false: c.strict, true: c.over} {
			got, ok := s.At(day(7, 0, c.second, 0), overGaps)
			require.Equal(t, !math.IsNaN(want), ok, "%d s", c.second)
			if ok {
				require.InDelta(t, want, got, 1e-9, "%d s", c.second)
			}
		}
	}
	_, ok := Series{}.At(day(7, 0, 0, 0), true)
	require.False(t, ok)
}
