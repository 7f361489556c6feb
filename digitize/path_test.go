package digitize

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/graph/path"
	"gonum.org/v1/gonum/graph/simple"
)

// The column-by-column minimum must be the shortest path of the grid graph that
// Dijkstra's algorithm (Numerische Mathematik 1, 1959) finds.
func TestBestPathIsTheShortest(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	begun := map[bool]int{} // how many paths begin after another pen writes, and not
	for range 120 {
		cols, rows, wait := 2+r.IntN(9), 2+r.IntN(9), r.IntN(6)
		late := r.IntN(cols + 1) // before, at or after the last column in which the path may begin, or none
		rowMM := 0.05 + r.Float64()
		width := 0.05 + r.Float32()
		blank := r.IntN(cols) // so many columns cost more than waiting on, whoever writes
		cost := make([][]float32, cols)
		for c := range cost {
			cost[c] = make([]float32, rows)
			for k := range cost[c] {
				cost[c][k] = 0.01 + r.Float32()*r.Float32()
				if c < blank {
					cost[c][k] += costBlank
				}
			}
		}
		got := bestPath(cols, rows, width, rowMM, wait, late, func(c int, out []float32) { copy(out, cost[c]) })

		g := simple.NewWeightedDirectedGraph(0, math.Inf(1))
		id := func(c, k int) simple.Node { return simple.Node(c*rows + k) }
		source, sink := simple.Node(cols*rows), simple.Node(cols*rows+1)
		edge := func(a, b simple.Node, w float64) {
			g.SetWeightedEdge(g.NewWeightedEdge(a, b, w))
		}
		across := func(c, k int) float64 { return float64(cost[c][k] * width) }
		waited := func(c int) float64 { // where the path begins in this column
			return (costWait*float64(min(c, late)) + costLate*float64(max(0, c-late))) * float64(width)
		}
		for c := range cols {
			for k := range rows {
				if c <= min(wait, cols-1) {
					edge(source, id(c, k), across(c, k)+waited(c))
				}
				if c+1 < cols {
					edge(id(c, k), id(c+1, k), across(c+1, k))
				}
				if k+1 < rows {
					edge(id(c, k), id(c, k+1), float64(cost[c][k+1])*rowMM)
					edge(id(c, k+1), id(c, k), float64(cost[c][k])*rowMM)
				}
			}
		}
		for k := range rows {
			edge(id(cols-1, k), sink, 0)
		}
		want := path.DijkstraFrom(source, g).WeightTo(sink.ID())

		sum := across(got[0].col, got[0].row) + waited(got[0].col)
		for i := 1; i < len(got); i++ {
			p, q := got[i-1], got[i]
			switch {
			case q.col == p.col+1 && q.row == p.row:
				sum += across(q.col, q.row)
			case q.col == p.col && (q.row == p.row+1 || q.row == p.row-1):
				sum += float64(cost[q.col][q.row]) * rowMM
			default:
				t.Fatalf("step from %v to %v", p, q)
			}
		}
		require.Equal(t, cols-1, got[len(got)-1].col)
		require.InDelta(t, want, sum, 1e-5)
		begun[got[0].col > late]++
	}
	require.Greater(t, begun[true], 5, "paths that wait on beside another pen's")
	require.Greater(t, begun[false], 5)
}

// What lies within half a millimetre of a path on the paper is its corridor, beside a steep piece, too.
func TestCorridorIsAsWideAllRound(t *testing.T) {
	const cell = 2 * stepMM
	tr := newTracer(paint(smallForm(), false, one))
	path := make([]span, 200)
	for c := range path {
		path[c] = nowhere
	}
	path[100] = span{60, 120} // straight along an arc
	got := tr.corridor(path)
	for c := range path {
		for row := range 180 {
			radius := tr.frame.Radius + cell*float64(row)
			x := math.Abs(float64(c-100)) * 2 * tr.frame.HourStep * math.Abs(tr.turn) * radius
			y := cell * float64(max(60-row, row-120, 0))
			switch in := row >= got[c].low && row <= got[c].high; {
			case math.Hypot(x, y) < corridorMM-cell:
				require.True(t, in, "%d %d", c, row)
			case math.Hypot(x, y) > corridorMM+cell:
				require.False(t, in, "%d %d", c, row)
			}
		}
	}
}

// Beside another pen's line, which costs a fee, what is left of print is the cheaper way: not where only plain ink counts.
func TestWhatPrintLeavesIsNoWay(t *testing.T) {
	tr := newTracer(paint(smallForm(), false, one))
	tr.frame.Columns = 400
	tr.plane, tr.typ, tr.sheet = []int{0}, []float32{1}, &sheet{}
	plane := make([]float32, tr.frame.Columns*tr.frame.Rows)
	tr.planes = [][]float32{plane}
	f := tr.finder()
	const rest, hold, rise, fall = 20, 120, 50, 150 // cells of two by two
	ink := func(col, row int, e float32) {
		for i := range 4 {
			plane[(2*col+i/2)*tr.frame.Rows+2*row+i%2] = e
		}
	}
	taken := make([]span, f.cols)
	for c := range f.cols {
		taken[c] = nowhere
		switch {
		case c < rise || c > fall:
			ink(c, rest, 1)
		case c == rise || c == fall:
			for r := rest; r <= hold; r++ {
				ink(c, r, 1)
			}
			taken[c] = span{rest, hold}
		default:
			ink(c, rest, 0.45)
			ink(c, hold, 1)
		}
	}
	f.taken[0] = [][]span{taken}
	for _, f.plain = range []bool{false, true} {
		way := spans(f.best(0, corridorFee), f.cols)[(rise+fall)/2]
		require.Equal(t, map[bool]span{false: {rest, rest}, true: {hold, hold}}[f.plain], way, f.plain)
	}
}

// Writing leads from the end of one pen's hold to the other's fall, and the path that was found first goes there by it: the other jumps to
// what is left. Exchanged, each has its own.
func TestPathsAreExchanged(t *testing.T) {
	pens := []Pen{{Name: "product", Ink: "blue"}, {Name: "airspace", Ink: "blue"}}
	tr := newTracer(paint(smallForm(), false, pens))
	tr.frame.Columns = 400
	tr.plane, tr.typ, tr.sheet = []int{0, 0}, []float32{1}, &sheet{}
	plane := make([]float32, tr.frame.Columns*tr.frame.Rows)
	tr.planes = [][]float32{plane}
	const low, high, early, late, after, beside = 60, 90, 100, 140, 20, 30 // cells of two by two
	way := func(corners ...step) (path []step) {
		path = []step{corners[0]}
		for _, to := range corners[1:] {
			path = onward(path, to)
		}
		return path
	}
	first := way(step{0, low}, step{early, low}, step{early, after}, step{199, after})
	second := way(step{0, high}, step{late, high}, step{late, beside}, step{199, beside})
	writing := way(step{early, low}, step{late, low})
	for _, path := range [][]step{first, second, writing} {
		for _, s := range path {
			for i := range 4 {
				plane[(2*s.col+i/2)*tr.frame.Rows+2*s.row+i%2] = 1
			}
		}
	}
	got := tr.finder().exchange([][]step{
		way(step{0, low}, step{late, low}, step{late, beside}, step{199, beside}),
		way(step{0, high}, step{early, high}, step{early, after}, step{199, after}),
	})
	var rows [][3]int // before, amid and after
	for _, path := range got {
		all := spans(path, 200)
		rows = append(rows, [3]int{all[early-20].low, all[late-20].low, all[late+20].low})
	}
	require.ElementsMatch(t, [][3]int{{low, after, after}, {high, high, beside}}, rows)
	require.Equal(t, got, tr.finder().exchange(got), "there is nothing to gain")
}
