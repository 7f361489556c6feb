package across

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// month in seconds: a twelfth of the mean Gregorian year.
const month = 365.2425 * 86400 / 12

// line is a straight line by least squares, with the half-width of the slope's 95 % interval.
type line struct {
	n                    int
	slope, half, x0, mid float64
}

func (l line) at(x float64) float64 { return l.mid + l.slope*(x-l.x0) }

// sure: the slope's sign is settled far beyond the 95 % interval, since many recorders
// and vats are asked about at once: at twice its half-width about 1 in 10,000 by chance.
func (l line) sure() bool { return math.Abs(l.slope) > 2*l.half }

func (l line) figure() string { return fmt.Sprintf("%+.2f ± %.2f", l.slope, l.half) }

// fit needs twelve points over at least two months. Ordinary least squares, interval
// from Student's t with n − 2 degrees of freedom.
func fit(x, y []float64) (line, bool) {
	n := len(x)
	if n < 12 || x[n-1]-x[0] < 2 {
		return line{}, false
	}
	l := line{n: n}
	for i := range x {
		l.x0 += x[i] / float64(n)
		l.mid += y[i] / float64(n)
	}
	var sxx, sxy, rss float64
	for i := range x {
		sxx += (x[i] - l.x0) * (x[i] - l.x0)
		sxy += (x[i] - l.x0) * (y[i] - l.mid)
	}
	l.slope = sxy / sxx
	for i := range x {
		d := y[i] - l.at(x[i])
		rss += d * d
	}
	nu := float64(n - 2)
	l.half = distuv.StudentsT{Sigma: 1, Nu: nu}.Quantile(0.975) * math.Sqrt(rss/nu/sxx)
	return l, true
}

// binomialTail is the chance of at least k of n where each has the chance p.
func binomialTail(k, n int, p float64) float64 {
	if k <= 0 || n <= 0 {
		return 1
	}
	// P(X ≥ k) = I_p(k, n − k + 1), the regularized incomplete beta function.
	return distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.CDF(p)
}
