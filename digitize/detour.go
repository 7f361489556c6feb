package digitize

import "math"

// What tells writing from milk; chosen on drawn charts, no source.
const (
	detourLevel = 38  // vertices, 3 mm, over which a line is level
	detourOff   = 0.5 // mm by which its ends may differ there, and by which it comes back to where it was,
	detourBack  = 12  // vertices, 1 mm, level once more: a hold may end there
	detourStart = 0.2 // mm off it, from which it leaves it
	detourRise  = 0.9 // by so much
	detourTurn  = 22  // within so many vertices, 1.8 mm,
	detourPace  = 0.2 // and so many mm along time: no vat is so quick that runs level beside it
	detourHigh  = 5.5 // mm away, at most: letters are hardly higher
	detourMost  = 300 // vertices, 24 mm, at most
)

// leaveDetours takes the ink from where a level line leaves its course along an arc, or back in time, and comes back to it: so
// runs writing across a skip, which a path takes for the line. A vat that warms or cools in the midst of a hold does so over minutes.
func (t *tracer) leaveDetours(v []vertex) {
	along := func(a, b int) float64 { // mm of time
		return math.Abs(v[b].hours-v[a].hours) * 3600 * t.form.MMPerSecond(v[a].radius)
	}
	in := func(i int) bool { return i >= 0 && i < len(v) && v[i].ink }
	level := func(a, n int) bool {
		b := a + n
		return in(b) && math.Abs(v[b].radius-v[a].radius) <= detourOff && along(a, b) > math.Abs(float64(n))*alongMM/2
	}
	for _, way := range []int{1, -1} {
		for a := range v {
			before := a - way*detourTurn/2
			if !in(before) || !level(before, -way*detourLevel) {
				continue
			}
			off := func(i int) float64 { return math.Abs(v[i].radius - v[before].radius) }
			s := a
			for s >= 0 && s < len(v) && (s-a)*way < detourTurn && off(s) < detourRise {
				s += way
			}
			if off(a) > detourStart || !in(s) || off(s) < detourRise || along(a, s) > detourPace {
				continue
			}
			for b := s; b >= 0 && b < len(v) && (b-a)*way < detourMost && off(b) <= detourHigh; b += way {
				if off(b) <= detourOff && level(b, way*detourBack) {
					for e := b + way; in(e) && off(e) < off(b); e += way {
						b = e
					}
					for i := min(a, b) + 1; i < max(a, b); i++ {
						v[i].ink = false
					}
					break
				}
			}
		}
	}
}
