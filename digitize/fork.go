package digitize

import (
	"math"
	"slices"
)

// A second stroke of a pen's ink between two places of its line; chosen on drawn charts, no source.
const (
	forkMM     = 1.5  // of time, at least: what is shorter may be part of a letter,
	forkAway   = 0.6  // mm from the line somewhere, else it is the line's own rim
	forkBeside = 0.3  // mm of a stroke's rim that go with it
	forkJoin   = 1.2  // mm from the line to either end
	forkAlong  = 2.0  // mm from there to where its path begins or ends, which a steep stroke's rim may do before it
	forkInk    = 0.95 // share of its way inked, and of the ink hanging together with it that is its own: writing has more strokes,
	forkBeyond = 1.2  // mm from either end, within which it goes on beyond the line,
	forkCells  = 4    // in so many cells of paths
)

// forks leaves open which way a pen took where a second stroke of a plane's ink parts from its line and comes back to it: the path has
// taken the shorter one, but a line may have been drawn across a dip.
func (t *tracer) forks(plane int) {
	beside := func(l *line) float64 { return fullWidth*l.width/2 + forkBeside }
	left := t.leavings(plane, beside)
	for _, clump := range left.clumps(0, left.cols) {
		if float64(len(clump))*3*stepMM < forkMM {
			continue
		}
		for _, part := range left.cut(left.through(clump)) {
			for i, l := range t.lines {
				if t.plane[i] != plane {
					continue
				}
				a, b := left.joins(l.v, clump, part[0]), left.joins(l.v, clump, part[len(part)-1])
				if a < 0 || b < 0 || (l.v[b].hours-l.v[a].hours)*3600*t.form.MMPerSecond(l.v[a].radius) < forkMM ||
					!left.oneStroke(clump, part, beside(l)) || left.thin(part, plane) || t.m.bilevel && t.onCircle(part) {
					continue
				}
				if other := t.branch(l.v[a], part, l.v[b], plane); t.away(other, l.v[a:b+1]) && !left.beyond(l.v, a, other) && !left.beyond(l.v, b, other) {
					t.leaveOpen(l.v[a:b+1], other, i, whichIs)
				}
			}
		}
	}
}

// joins is the vertex of a line that a clump of ink comes to about an end of a path through it; −1 where it does not.
func (l *leavings) joins(v []vertex, clump []step, end step) int {
	touch, nearest := end, forkAlong
	for _, s := range clump {
		if d := math.Hypot(l.mm(end, s)); d < nearest && !l.clear(s, strayGap) {
			touch, nearest = s, d
		}
	}
	if nearest == forkAlong {
		return -1
	}
	at, nearest := -1, forkJoin
	x, y := l.point(float64(2*touch.col), float64(2*touch.row))
	for k, p := range v {
		if d := math.Hypot(p.x-x, p.y-y); d < nearest && p.ink {
			at, nearest = k, d
		}
	}
	return at
}

// branch is the stroke along a part of a path from a vertex of a line to one.
func (t *tracer) branch(from vertex, part []step, to vertex, plane int) []vertex {
	v := t.refine(part, t.planes[plane], float64(t.typ[plane]), float64(t.noise[plane])).v
	t.place(v, from.hours)
	out := []vertex{from}
	for _, p := range v {
		if p.ink = true; p.hours > from.hours && p.hours < to.hours {
			out = append(out, p)
		}
	}
	return append(out, to)
}

// away says whether a branch goes forkAway from a line.
func (t *tracer) away(branch, line []vertex) bool {
	return slices.ContainsFunc(branch, func(p vertex) bool {
		return !slices.ContainsFunc(line, func(q vertex) bool { return math.Hypot(p.x-q.x, p.y-q.y) < forkAway })
	})
}

// beyond says whether ink is left on the side of a vertex of a line where a branch is not: writing crosses a line.
func (l *leavings) beyond(v []vertex, at int, branch []vertex) bool {
	mid := branch[len(branch)/2]
	side := math.Copysign(1, mid.radius-v[at].radius)
	c, r := l.cell(v[at].x, v[at].y)
	reach := int(math.Round(forkBeyond / (2 * stepMM)))
	wide := int(math.Ceil(forkBeyond / (l.along * v[at].radius / l.form.Inner())))
	inked := 0
	for col := max(0, int(c/2)-wide); col <= min(l.cols-1, int(c/2)+wide); col++ {
		for k := 1; k <= reach; k++ {
			if row := int(r/2) - int(side)*k; row >= 0 && row < l.rows && l.inked(col, row) > 0.5 {
				inked++
			}
		}
	}
	return inked >= forkCells
}

// oneStroke says whether a part of a path through a clump is inked throughout and has all of the clump's ink within a distance of it.
func (l *leavings) oneStroke(clump, part []step, within float64) bool {
	long, inked, _ := l.measure(part)
	own := make([]bool, l.cols*l.rows)
	for _, s := range part {
		l.about(own, s.col, s.row, within)
	}
	near := 0
	for _, s := range clump {
		if own[s.col*l.rows+s.row] {
			near++
		}
	}
	return inked >= forkInk*long && float64(near) >= forkInk*float64(len(clump))
}
