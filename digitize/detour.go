package digitize

import "math"

const (
	detourLevel = 38   // vertices, 3 mm, over which a line is level
	detourOff   = 0.3  // mm by which its ends may differ there
	detourStep  = 10   // vertices, 0.8 mm,
	detourRise  = 0.6  // mm of radius in them
	detourPace  = 0.08 // and mm along time at most: no vat is so quick that runs level beside it
	detourBack  = 0.25 // mm from where it left, to which it comes back
	detourHigh  = 3.0  // mm away, at most: letters are so high, and what a vat does in one go is more
	detourMost  = 150  // vertices, 12 mm, at most
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
			s := a + way*detourStep
			if s < 0 || s >= len(v) || math.Abs(v[s].radius-v[a].radius) < detourRise || along(a, s) > detourPace || !level(a, -way) {
				continue
			}
			for b := s; b >= 0 && b < len(v) && (b-a)*way < detourMost && math.Abs(v[b].radius-v[a].radius) <= detourHigh; b += way {
				if math.Abs(v[b].radius-v[a].radius) <= detourBack && level(b, way) {
					for i := min(a, b) + 1; i < max(a, b); i++ {
						v[i].ink = false
					}
					break
				}
			}
		}
	}
}
