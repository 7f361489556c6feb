package digitize

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// The position of a Gaussian of amplitude A and standard deviation s, sampled
// every d in white noise of standard deviation n, cannot be known better than
// n/A·√(2·s·d/√π): the Cramér–Rao bound n²/Σ(∂g/∂x)² (Kay, Fundamentals of
// Statistical Signal Processing: Estimation Theory, 1993, section 3.5), the sum taken as an integral.
func TestCentreReachesTheCramerRaoBound(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, sd := range []float64{0.12, 0.16} {
		const amp, noise = 1.0, 0.08
		bound := noise / amp * math.Sqrt(2*sd*acrossMM/math.Sqrt(math.Pi))
		pen := newStroke(sd)
		q := &profile{}
		var sum2, sum, said float64
		const tries = 4000
		for range tries {
			at := (r.Float64() - 0.5) * 0.2
			for k := range points {
				d := (float64(k-points/2)*acrossMM - at) / sd
				q.e[k] = float32(amp*math.Exp(-d*d/2) + noise*r.NormFloat64())
				q.w[k] = 1 / (noise * noise)
			}
			c := pen.centre(q)
			sum, sum2, said = sum+c.shift-at, sum2+(c.shift-at)*(c.shift-at), said+c.bound
		}
		rms := math.Sqrt(sum2 / tries)
		require.Less(t, rms, 1.5*bound)
		require.Greater(t, rms, 0.9*bound, "better than the bound: the test itself is wrong")
		require.InEpsilon(t, bound, said/tries, 0.1)
		require.Less(t, math.Abs(sum/tries), 4*bound/math.Sqrt(tries))
	}
}

func TestPrintUnderTheLineDoesNotPullIt(t *testing.T) {
	pen := newStroke(0.15)
	q := &profile{}
	for k := range points {
		x := float64(k-points/2) * acrossMM
		q.e[k] = float32(math.Exp(-x * x / (2 * 0.15 * 0.15)))
		q.w[k] = 1
		if x > 0.05 && x < 0.25 { // black print hides one flank wholly
			q.e[k], q.w[k] = 0, 0.001
		}
	}
	require.InDelta(t, 0, pen.centre(q).shift, 0.01)
}

// A line of Brownian course, W(x) with variance x, is off its mean under weights g by ∫W·(δ−g): of variance
// 2·∫G², G the weight beyond x (Itô's isometry). A level line's residual from a parabola over ±h has the weights
// (9−15t²)/(8h) of a quadratic smoother at its middle (Savitzky and Golay, Analytical Chemistry 36(8), 1964).
func TestHiddenShareOfARestlessLine(t *testing.T) {
	l := &line{width: 0.16}
	const step = 1e-4
	h, s := wobbleHalf*alongMM, math.Hypot(smoothMM, fullWidth*l.width/4)
	var stroke, parabola float64
	for x := step / 2; x < 8*s; x += step {
		beyond := math.Erfc(x/s/math.Sqrt2) / 2
		stroke += 2 * beyond * beyond * step
	}
	beyond := 0.0
	for x := h - step/2; x > 0; x -= step { // from the end inwards
		beyond += (9 - 15*x*x/h/h) / (8 * h) * step
		parabola += 2 * beyond * beyond * step
	}
	require.InEpsilon(t, stroke/parabola, l.hidden(), 0.01)
}

// What is usual of the noise is in what smoothing leaves of the wobble already; what is more is added once, for a component must
// not be counted twice (JCGM 100:2008, 4.3.10).
func TestUsualNoiseCountsOnce(t *testing.T) {
	tr := newTracer(paint(smallForm(), false, one))
	const radius, left, usual, more = 40.0, 0.008, 0.01, 0.03
	l := &line{width: 0.12, left: left}
	for i := range 101 {
		s, c := math.Sincos(float64(i) * alongMM / radius)
		hours := float64(i) * alongMM / (3600 * tr.form.MMPerSecond(radius))
		l.v = append(l.v, vertex{x: radius * c, y: radius * s, hours: hours, radius: radius, fit: usual, wide: 0.3, ink: true, amount: 1})
	}
	l.v[50].fit = more
	tr.uncertain(l)
	bend := bendOff / radius // of the circle itself
	common := math.Sqrt(left*left + tr.p.Face.UMM*tr.p.Face.UMM + bend*bend)
	require.InEpsilon(t, common, l.v[20].u, 0.01)
	require.InEpsilon(t, math.Sqrt(common*common+fitLeft*(more*more-usual*usual)), l.v[50].u, 0.01)
}

func TestAWeakPieceBeforeTheLine(t *testing.T) {
	const piece, skip, rest = 20, 20, 200
	for _, weak := range []bool{false, true} {
		for _, before := range []bool{true, false} {
			l := &line{v: make([]vertex, piece+skip+rest)}
			for i := range l.v {
				l.v[i] = vertex{x: float64(i) * alongMM, hours: float64(i) * 0.002, amount: 1, ink: true}
			}
			a, b := run{0, piece}, run{piece + skip, len(l.v)}
			if !before {
				a, b = run{len(l.v) - piece, len(l.v)}, run{0, rest}
			}
			for i := a.from; i < a.to; i++ {
				l.v[i].weak = weak
			}
			runs := []run{a, b}
			if !before {
				runs = []run{b, a}
			}
			kept := l.keepLong(runs)
			require.Contains(t, kept, b)
			if weak {
				require.NotContains(t, kept, a)
			} else {
				require.Contains(t, kept, a)
			}
		}
	}
}

// A pen's wobble is one of many lengths and heights, and none is known beforehand: of 20 readings 19 lie within twice their
// standard uncertainty (JCGM 100:2008, 6.3.3), few more and few less, in a hold and on slopes.
func TestUncertaintyFollowsThePensWobble(t *testing.T) {
	f := smallForm()
	course := []knot{{0.1, 70}, {0.6, 147.3}, {1.7, 147.3}, {2.3, 75}, {3, 75}}
	at := func(h float64) (temperature, slope float64) {
		i := 1
		for i < len(course)-1 && h > course[i].hours {
			i++
		}
		a, b := course[i-1], course[i]
		slope = (b.at - a.at) / (b.hours - a.hours)
		return a.at + slope*(h-a.hours), slope
	}
	mm := f.MMPerDegree(f.Radius(147.3))
	var inside, seen [2]float64 // in the hold, on slopes
	for _, length := range []float64{0.2, 0.35, 0.6} {
		for _, high := range []float64{0.012, 0.025, 0.04} {
			var in, of float64
			for seed := range uint64(3) {
				r := rand.New(rand.NewPCG(seed, 3))
				var line []knot
				a, b, way := r.NormFloat64(), r.NormFloat64(), 0.0
				for h := 0.1; h < 3; {
					for ; way >= length; way -= length {
						a, b = b, r.NormFloat64()
					}
					x := way / length
					T, slope := at(h)
					pace := f.MMPerSecond(f.Radius(T)) * 3600
					steep := math.Hypot(1, slope*mm/pace)
					line = append(line, knot{h, T + high*(a+(b-a)*x*x*(3-2*x))*steep/mm})
					h += 0.05 / (pace * steep)
					way += 0.05
				}
				for _, s := range trace(t, paint(f, false, one, drawn{ink: "blue", knots: line})).Series[0].Samples {
					h := s.Time.Sub(onChart).Hours()
					part := 0
					switch {
					case h > 0.65 && h < 1.65:
					case h > 0.15 && h < 0.55 || h > 1.75 && h < 2.25:
						part = 1
					default:
						continue
					}
					T, slope := at(h)
					of, seen[part] = of+1, seen[part]+1
					if math.Abs(s.Temperature-T) <= 2*math.Hypot(s.UTemperature, slope/3600*s.UTime) {
						in, inside[part] = in+1, inside[part]+1
					}
				}
			}
			require.Greater(t, in/of, 0.92, "a wobble of %v mm, %v mm long", high, length)
		}
	}
	for part, where := range []string{"in the hold", "on slopes"} {
		require.InDelta(t, 0.965, inside[part]/seen[part], 0.02, where)
	}
}
