package digitize

import "math"

const (
	detourLevel = 38   // vertices, 3 mm, over which a line is level
	detourOff   = 0.5  // mm by which its ends may differ there
	detourTurn  = 12   // vertices, 1 mm, in which it turns off
	detourStep  = 10   // vertices, 0.8 mm,
	detourRise  = 0.5  // mm of radius in them
	detourPace  = 0.08 // and mm along time at most: no vat is so quick that runs level beside it
	detourBack  = 0.5  // mm from where it left, to which it comes back
	detourHigh  = 5.5  // mm away, at most: letters are hardly higher
	detourMost  = 300  // vertices, 24 mm, at most
)

// leaveDetours takes the ink from where a level line leaves its course along an arc, or back in time, and comes back to it: so
// runs writing across a skip, which a path takes for the line. A vat that warms or cools in the midst of a hold does so over minutes.
func (t *tracer) leaveDetours(v []vertex) {
	along := func(a, b int) float64 { // mm of time
		return math.Abs(v[b].hours-v[a].hours) * 3600 * t.form.MMPerSecond(v[a].radius)
	}
	level := func(a, way int) bool {
		b := a + way*detourLevel
		return b >= 0 && b < len(v) && math.Abs(v[b].radius-v[a].radius) <= detourOff && along(a, b) > detourLevel*alongMM/2
	}
	for _, way := range []int{1, -1} {
		for a := range v {
			before, s := a-way*detourTurn, a+way*detourStep
			if min(before, s) < 0 || max(before, s) >= len(v) || math.Abs(v[s].radius-v[a].radius) < detourRise || along(a, s) > detourPace || !level(before, -way) {
				continue
			}
			off := func(i int) float64 { return math.Abs(v[i].radius - v[before].radius) }
			for b := s; b >= 0 && b < len(v) && (b-a)*way < detourMost && off(b) <= detourHigh; b += way {
				if off(b) <= detourBack && level(b, way) {
					for e := b + way; e >= 0 && e < len(v) && off(e) < off(b); e += way {
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
