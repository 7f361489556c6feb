package lsq

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// NIST StRD, linear least squares, data set Norris (36 observations), certified values.
func TestNorris(t *testing.T) {
	data := [][2]float64{
		{0.1, 0.2}, {338.8, 337.4}, {118.1, 118.2}, {888.0, 884.6}, {9.2, 10.1}, {228.1, 226.5}, {668.5, 666.3}, {998.5, 996.3}, {449.1, 448.6},
		{778.9, 777.0}, {559.2, 558.2}, {0.3, 0.4}, {0.1, 0.6}, {778.1, 775.5}, {668.8, 666.9}, {339.3, 338.0}, {448.9, 447.5}, {10.8, 11.6},
		{557.7, 556.0}, {228.3, 228.1}, {998.0, 995.8}, {888.8, 887.6}, {119.6, 120.2}, {0.3, 0.3}, {0.6, 0.3}, {557.6, 556.8}, {339.3, 339.1},
		{888.0, 887.2}, {998.5, 999.0}, {778.9, 779.0}, {10.2, 11.1}, {117.6, 118.3}, {228.9, 229.2}, {668.4, 669.1}, {449.2, 448.9}, {0.2, 0.5},
	}
	n := New(2)
	for _, d := range data {
		n.Add([]float64{1, d[1]}, d[0], 1)
	}
	x, err := n.Solve()
	require.NoError(t, err)
	assert.InEpsilon(t, -0.262323073774029, x[0], 1e-9)
	assert.InEpsilon(t, 1.00211681802045, x[1], 1e-11)
}

// NIST StRD, data set Wampler1: the exact polynomial 1 + x + … + x⁵ at x = 0 … 20, certified coefficients 1.
func TestWampler1(t *testing.T) {
	n := New(6)
	for k := range 21 {
		row, y := make([]float64, 6), 0.0
		for i := range row {
			row[i] = math.Pow(float64(k), float64(i))
			y += row[i]
		}
		n.Add(row, y, 1)
	}
	x, err := n.Solve()
	require.NoError(t, err)
	for i, v := range x {
		assert.InDelta(t, 1, v, 1e-4, "coefficient %d", i) // normal equations of powers of 0 … 20 keep a few digits only
	}
}

func TestWeightAndRidge(t *testing.T) {
	n := New(1)
	n.Add([]float64{1}, 0, 3)
	n.Add([]float64{1}, 4, 1)
	x, err := n.Solve()
	require.NoError(t, err)
	assert.InDelta(t, 1, x[0], 1e-12, "mean of 0, 0, 0 and 4")
	n.Ridge(0, 4)
	x, err = n.Solve()
	require.NoError(t, err)
	assert.InDelta(t, 0.5, x[0], 1e-12)
}

func TestSingular(t *testing.T) {
	n := New(2)
	n.Add([]float64{1, 1}, 1, 1)
	n.Add([]float64{2, 2}, 2, 1)
	_, err := n.Solve()
	assert.ErrorIs(t, err, ErrSingular)
}
