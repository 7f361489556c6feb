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

// NIST StRD, data set Pontius (40 observations): load cells, a quadratic in loads of up to 3·10⁶, certified values.
func TestPontius(t *testing.T) {
	deflection := []float64{
		.11019, .21956, .32949, .43899, .54803, .65694, .76562, .87487, .98292, 1.09146, 1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
		.11052, .22018, .32939, .43886, .54798, .65739, .76596, .87474, .98300, 1.09150, 1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
	}
	n := New(3)
	for i, y := range deflection {
		x := 150000 * float64(i%20+1)
		n.Add([]float64{1, x, x * x}, y, 1)
	}
	x, err := n.Solve()
	require.NoError(t, err)
	assert.InEpsilon(t, 0.673565789473684e-3, x[0], 1e-8)
	assert.InEpsilon(t, 0.732059160401003e-6, x[1], 1e-10)
	assert.InEpsilon(t, -0.316081871345029e-14, x[2], 1e-8)
}

// NIST StRD, data set Longley (16 observations, 6 predictors, nearly collinear), certified values.
func TestLongley(t *testing.T) {
	data := [][7]float64{
		{60323, 83.0, 234289, 2356, 1590, 107608, 1947}, {61122, 88.5, 259426, 2325, 1456, 108632, 1948},
		{60171, 88.2, 258054, 3682, 1616, 109773, 1949}, {61187, 89.5, 284599, 3351, 1650, 110929, 1950},
		{63221, 96.2, 328975, 2099, 3099, 112075, 1951}, {63639, 98.1, 346999, 1932, 3594, 113270, 1952},
		{64989, 99.0, 365385, 1870, 3547, 115094, 1953}, {63761, 100.0, 363112, 3578, 3350, 116219, 1954},
		{66019, 101.2, 397469, 2904, 3048, 117388, 1955}, {67857, 104.6, 419180, 2822, 2857, 118734, 1956},
		{68169, 108.4, 442769, 2936, 2798, 120445, 1957}, {66513, 110.8, 444546, 4681, 2637, 121950, 1958},
		{68655, 112.6, 482704, 3813, 2552, 123366, 1959}, {69564, 114.2, 502601, 3931, 2514, 125368, 1960},
		{69331, 115.7, 518173, 4806, 2572, 127852, 1961}, {70551, 116.9, 554894, 4007, 2827, 130081, 1962},
	}
	n := New(7)
	for _, d := range data {
		n.Add(append([]float64{1}, d[1:]...), d[0], 1)
	}
	x, err := n.Solve()
	require.NoError(t, err)
	for i, want := range []float64{-3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683, -1.03322686717359, -0.0511041056535807, 1829.15146461355} {
		assert.InEpsilon(t, want, x[i], 1e-4, "coefficient %d", i) // normal equations square the collinearity
	}
}

// NIST StRD, data sets Wampler2 (exact, certified coefficients 10⁻ⁱ) and Wampler3 (with noise, certified coefficients 1).
func TestWampler2And3(t *testing.T) {
	noisy := []float64{760, -2042, 2111, -1684, 3888, 1858, 11379, 17560, 39287, 64382, 113159, 175108, 273291, 400186, 581243, 811568, 1121004, 1506550, 2002767, 2611612, 3369180}
	two, three := New(6), New(6)
	for k, y := range noisy {
		row, exact := make([]float64, 6), 0.0
		for i := range row {
			row[i] = math.Pow(float64(k), float64(i))
			exact += row[i] * math.Pow(10, -float64(i))
		}
		two.Add(row, exact, 1)
		three.Add(row, y, 1)
	}
	x, err := two.Solve()
	require.NoError(t, err)
	for i, v := range x {
		assert.InEpsilon(t, math.Pow(10, -float64(i)), v, 1e-4, "Wampler2, coefficient %d", i)
	}
	x, err = three.Solve()
	require.NoError(t, err)
	for i, v := range x {
		assert.InEpsilon(t, 1, v, 1e-4, "Wampler3, coefficient %d", i)
	}
}

// A polynomial of the tenth degree over the abscissas of NIST's data set Filip, −8.8 … −3.1, is beyond normal
// equations in double precision: that is to be said, not answered with wrong figures.
func TestFilipIsRefused(t *testing.T) {
	n := New(11)
	for k := range 82 {
		row, x := make([]float64, 11), -8.8+5.7*float64(k)/81
		for i := range row {
			row[i] = math.Pow(x, float64(i))
		}
		n.Add(row, 1, 1)
	}
	_, err := n.Solve()
	assert.ErrorIs(t, err, ErrSingular)
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
