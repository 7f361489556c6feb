package digitize

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"penarm/calibrate"
)

// Numerals that recur every two hours, however dark, and faint writing are none of the trace; a dark stretch that stands alone,
// or that recurs out of step with the arcs, may be.
func TestRecurringNumeralsAreDropped(t *testing.T) {
	const columns = blocks * perBlock // of twelve hours: a heavy arc every 32
	tr := &tracer{inked: make([]bool, columns), typ: []float32{0.5}, noise: []float32{0.005}, m: &printed{rotation: 12, major: 1}}
	dark := make([]float32, columns)
	draw := func(from, to int, density float32) {
		for c := from; c < to; c++ {
			tr.inked[c], dark[c] = true, density
		}
	}
	numerals := []run{{162, 165}, {226, 229}, {290, 294}, {354, 357}}
	draw(20, 106, 1)
	for _, r := range numerals {
		draw(r.from, r.to, 1)
	}
	tr.inked[227] = false // an arc through it
	draw(133, 136, 1)
	draw(184, 187, 1)
	draw(256, 258, 0.6)
	shape := func(int) []float32 { return make([]float32, 5) } // tells nothing
	tr.dropNumerals(dark, shape)
	for c, inked := range tr.inked {
		require.Equal(t, c >= 20 && c < 106 || c >= 133 && c < 136 || c >= 184 && c < 187, inked, c)
	}
	tr.typ[0] = leastInk(tr.noise[0]) // nothing is plainly drawn: what recurs is what print leaves, all of it
	for _, r := range numerals {
		draw(r.from, r.to, 1)
	}
	tr.dropNumerals(dark, shape)
	for _, r := range numerals {
		require.True(t, tr.inked[r.from])
	}
}

// Numerals that recur only once are known by their shape; so are those no line that have the place alone in common.
func TestNumeralsOfOneShape(t *testing.T) {
	const columns = blocks * perBlock
	for name, same := range map[string]bool{"the same": true, "another": false} {
		tr := &tracer{inked: make([]bool, columns), typ: []float32{0.5}, noise: []float32{0.005}, m: &printed{rotation: 12, major: 1}}
		dark := make([]float32, columns)
		for _, r := range []run{{20, 106}, {146, 149}, {274, 277}} {
			for c := r.from; c < r.to; c++ {
				tr.inked[c], dark[c] = true, 1
			}
		}
		tr.dropNumerals(dark, func(c int) []float32 {
			if c >= 270 && !same {
				return []float32{0, 1, 1, 0, 0}
			}
			return []float32{1, 0, 0, 1, 0}
		})
		require.True(t, tr.inked[20] && tr.inked[105])
		require.Equal(t, []bool{!same, !same}, []bool{tr.inked[147], tr.inked[275]}, name)
	}
	require.InDelta(t, 0.5547, correlation([]float32{1, 2, 3, 4, 5}, []float32{2, 1, 4, 3, 3}), 1e-4) // NumPy, corrcoef
}

// What is left of single arcs is no line; what goes on beside one, or lies between two, is.
func TestWhatIsLeftOfArcsIsNoLine(t *testing.T) {
	f := smallForm()
	const columns = blocks * perBlock // an arc every eighth
	tr := &tracer{inked: make([]bool, columns), m: &printed{rotation: 12, every: 0.25, major: 1, knot: stepMM / (2 * math.Pi / 12 * f.Outer())}}
	for _, r := range []run{{20, 100}, {128, 129}, {135, 137}, {144, 147}, {156, 157}, {168, 169}, {170, 171}} {
		for c := r.from; c < r.to; c++ {
			tr.inked[c] = true
		}
	}
	tr.dropArcs(calibrate.Frame{HourStep: 12.0 / columns, Columns: columns})
	for c, inked := range tr.inked {
		require.Equal(t, c >= 20 && c < 100 || c >= 144 && c < 147 || c == 156 || c == 168 || c == 170, inked, c)
	}
}

// A piece runs along a circle where nine in ten of it lie within 0.16 mm of that one.
func TestAPieceAlongACircle(t *testing.T) {
	tr := &tracer{m: &printed{circleRows: [2][]float64{{41.2}, {80.3}}}} // in rows of 0.08 mm, of which a cell has two
	along := func(rows ...int) (path []step) {
		for c, r := range rows {
			path = append(path, step{c, r})
		}
		return path
	}
	require.True(t, tr.onCircle(along(40, 40, 40, 39, 40, 40, 40, 40, 40, 50)))
	require.False(t, tr.onCircle(along(40, 40, 40, 39, 40, 40, 40, 40, 42, 44)))
	require.False(t, tr.onCircle(along(40, 40, 40, 40, 40, 20, 20, 20, 20, 20)))
}

// What goes on along a circle to a line's end is the line where it is as black as elsewhere, and the circle where it is thinner; less
// than the shortest blank tells nothing.
func TestAnEndAlongACircle(t *testing.T) {
	f := smallForm()
	tr := &tracer{form: f, frame: calibrate.Frame{Radius: 19}, m: &printed{circleRows: [2][]float64{{}, {12.5}}}} // at 20 mm
	for _, c := range []struct {
		minutes, wide float64
		along, thin   bool
	}{{60, 0.5, true, false}, {60, 0.25, true, true}, {5, 0.25, false, false}} {
		l := &line{}
		for m := 0.0; m < 660; m++ {
			v := vertex{hours: m / 60, radius: 30, wide: 0.5, ink: true}
			if m >= 660-c.minutes {
				v.radius, v.wide, v.weak = 20.1, c.wide, true
			}
			l.v = append(l.v, v)
		}
		along, thin := tr.endOnCircle(l)
		require.Equal(t, []bool{c.along, c.thin}, []bool{along, thin}, "%v", c)
	}
}
