package rank

import (
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// Against the standard library's sort, on values with and without ties.
func TestSelect(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 25))
	for n := 1; n < 400; n += 1 + n/7 {
		for _, kinds := range []int{2, n, 1 << 30} {
			v := make([]float64, n)
			for i := range v {
				v[i] = float64(rng.IntN(kinds))
			}
			want := slices.Sorted(slices.Values(v))
			for k := range v {
				require.Equal(t, want[k], Select(slices.Clone(v), k), "%d of %d", k, n)
			}
		}
	}
}
