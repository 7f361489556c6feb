package digitize

import (
	"fmt"
	"math"
	"sort"

	"penarm/digitize/series"
)

const (
	terraceMin    = 10.0  // a level stretch of this many minutes
	terraceOff    = 0.04  // that keeps its level to this, mm,
	terraceIn     = 0.25  // between pieces that slope (mm a mm) the same way, more than a sticking pen's steps do,
	terraceAs     = 2.0   // and nearly as steeply, is a chart that was turned;
	terraceLongAs = 3.0   // where it is long, and milk that is heated: such a vat drifts
	terraceBump   = 16    // vertices, 1.3 mm, of a bump by which it may leave its level: a fibre, a crease
	restMM        = 0.15  // nearer than this to the ends of the scale the pen rests on its stop
	courseS       = 10.0  // between knots of a course, seconds
	courseMM      = 0.6   // of line that a knot averages where the trace starts; as many knots elsewhere, by which what follows was chosen
	wobbleMM      = 0.6   // of line between independent looks at a pen's wobble
	calmLeft      = 0.005 // mm that calibration and pixels leave beside the wobble, however long a block
	calmLooks     = 3.0   // independent looks at the line beside a stretch, at least
	besideMin     = 30.0  // as far before and after a stretch
	besideMM      = 1.0   // and as near its temperature
	stillDrift    = 3.0   // standard uncertainties that a level stretch's last third may lie off its first: a pen that stood does not drift
	stillCore     = 0.75  // of the exactness that a level stretch needs: within its ends a pen that stood is as exact as that
	stillOther    = 1.25  // of it, that another pen is allowed over the middle half of the same stretch
	calmOdds      = 4.5   // log odds, 90 to 1: of 1370 drawn charts that were not turned nine pass it, no source
	calmLong      = 18.0  // minutes of a level stretch of milk that is heated: a vat at rest is as calm as the room for hours,
	calmLongOdds  = 2.0   // log odds that so long a one brings: on 400 drawn charts that were not turned none, but one at rest, had more than 1.0 of its own
	heatedF       = 100.0 // °F, warmer than any room, no source
	calmSome      = 1.0   // log odds from which the ink at the two ends of a stretch is asked, too;
	calmAndInk    = 6.5   // both together: the two know nothing of each other
	inkStepMM     = 1.2   // of line before and after an end, whose ink is compared
	inkStepSD     = 0.15  // standard deviation of the step in the logarithm of a stroke's weight that a change of pace brings
	inkStepLeast  = 0.03  // the least that such means differ by elsewhere on a line
	inkStepFew    = 15    // such differences elsewhere that tell how much they scatter
	inkStepMost   = 6.0   // log odds that steps of ink can give
	inkStepTail   = 4.0   // degrees of freedom: ink has steps of its own
)

// calmBlocks are the times over which a line's restlessness is looked at: 1, 2 and 4 minutes, in knots of a course.
var calmBlocks = []int{6, 12, 24}

// course is a line's radius on a grid of time: what a level stretch is made of.
type course struct {
	hour, step float64   // of the first knot, between knots
	base       float64   // radius that the sums leave out
	r          []float64 // mm, averaged over courseMM; NaN where there is no ink
	sum, sq    []float64 // running sums of r − base and its square
	count      []int     // running number of knots with ink
	ink        []float64 // running sum of the logarithms of the weights of its plain level strokes
	strokes    []int     // running number of them
}

func (t *tracer) course(v []vertex) *course {
	c := &course{hour: v[0].hours, step: courseS / 3600, base: v[0].radius}
	n := int((v[len(v)-1].hours-v[0].hours)/c.step) + 1
	raw := make([]float64, n)
	k := 1
	for i := range raw {
		h := c.hour + float64(i)*c.step
		for k < len(v)-1 && v[k].hours < h {
			k++
		}
		a, b := v[k-1], v[k]
		if raw[i] = math.NaN(); a.ink && b.ink {
			f := 0.0
			if d := b.hours - a.hours; d > 0 {
				f = math.Max(0, math.Min(1, (h-a.hours)/d))
			}
			raw[i] = a.radius + f*(b.radius-a.radius)
		}
	}
	c.ink, c.strokes = make([]float64, n+1), make([]int, n+1)
	for k := range v {
		if i := int((v[k].hours - c.hour) / c.step); i >= 0 && i < n && usable(v[k]) && steepness(v, k) == 0 {
			c.ink[i+1] += math.Log(v[k].wide)
			c.strokes[i+1]++
		}
	}
	for i := range n {
		c.ink[i+1] += c.ink[i]
		c.strokes[i+1] += c.strokes[i]
	}
	c.r = make([]float64, n)
	c.sum, c.sq, c.count = make([]float64, n+1), make([]float64, n+1), make([]int, n+1)
	reach := int(courseMM / 2 / (courseS * t.form.MMPerSecond(c.base)))
	for i := range raw {
		s, w := 0.0, 0.0
		for k := max(0, i-reach); k <= min(n-1, i+reach); k++ {
			s, w = s+raw[k], w+1
		}
		c.r[i] = s / w
		c.sum[i+1], c.sq[i+1], c.count[i+1] = c.sum[i], c.sq[i], c.count[i]
		if d := c.r[i] - c.base; !math.IsNaN(d) {
			c.sum[i+1], c.sq[i+1], c.count[i+1] = c.sum[i]+d, c.sq[i]+d*d, c.count[i]+1
		}
	}
	return c
}

// scatter is the mean of the knots [a, b) and their standard deviation about it; NaN where ink is missing.
func (c *course) scatter(a, b int) (mean, sd float64) {
	if a < 0 || b > len(c.r) || b-a < 2 || c.count[b]-c.count[a] < b-a {
		return math.NaN(), math.NaN()
	}
	n := float64(b - a)
	m := (c.sum[b] - c.sum[a]) / n
	return m, math.Sqrt(math.Max(0, (c.sq[b]-c.sq[a])/n-m*m))
}

// restless gives the variance of a line about its own trend, mm², over [a, b), as blocks of so many knots
// show it: the second difference of three in a row, scaled so that white noise in the blocks has twice their
// variance. Only what lies within band mm of level counts. looks is how many independent ones that is.
// robust: by the median of the sizes where that is less than by their squares.
func (c *course) restless(a, b, block int, level, band float64, robust bool) (variance, looks float64) {
	var all []float32
	sum := 0.0
	every := max(1, block/2)
	for i := max(0, a); i+3*block <= min(len(c.r), b); i += every {
		var m [3]float64
		ok := true
		for k := range m {
			mean, _ := c.scatter(i+k*block, i+(k+1)*block)
			m[k] = mean + c.base
			ok = ok && !math.IsNaN(mean)
		}
		for k := i; ok && k < i+3*block; k++ {
			ok = math.Abs(c.r[k]-level) <= band
		}
		if !ok {
			continue
		}
		d := (m[0] - 2*m[1] + m[2]) / math.Sqrt(3)
		all, sum = append(all, float32(d)), sum+d*d
	}
	if len(all) < 2 {
		return 0, 0
	}
	variance = sum / float64(len(all))
	if robust {
		sd := fromMAD * float64(mad(all, 0))
		variance = math.Min(variance, sd*sd)
	}
	return variance, float64(len(all)*every) / float64(2*block)
}

// calm is the log likelihood ratio that [a, b) was drawn while the paper moved and the pen stood,
// against the restlessness that the same line shows at this temperature just before and after, whichever side is the calmer.
func (c *course) calm(a, b int, ragged, mmS float64) float64 {
	level, sd := c.scatter(a, b)
	if math.IsNaN(sd) {
		return 0 // a gap in it tells nothing
	}
	level += c.base
	far := int(besideMin * 60 / courseS)
	guard := int(60 / courseS)
	odds := math.Inf(1)
	for _, side := range [][2]int{{a - far, a - guard}, {b + guard, b + far}} {
		sum, most := 0.0, 0.0
		for _, block := range calmBlocks {
			n := float64(block) * courseS * mmS / wobbleMM // independent looks at the wobble in a block
			noise := 2 * (ragged*ragged/math.Max(1, n) + calmLeft*calmLeft)
			in, ni := c.restless(a, b, block, level, besideMM, false)
			out, no := c.restless(side[0], side[1], block, level, besideMM, true)
			if ni < 0.5 || no < 0.5 {
				continue
			}
			most = math.Max(most, no)
			// Rereading differs from chart to chart: what is left may be up to half as much more.
			noise = math.Max(noise, math.Min(in, 1.5*noise))
			in = math.Max(in, 0.7*noise) // no credit for being calmer than any reading is
			if out <= noise {
				sum -= ni / 2 * math.Log(math.Max(1, in/noise))
				continue
			}
			sum += stillOdds(in*ni, ni, out*no, no, noise)
		}
		if most >= calmLooks {
			odds = math.Min(odds, sum)
		}
	}
	if math.IsInf(odds, 1) {
		return 0
	}
	return odds
}

// inkStep is by how much the mean logarithm of a stroke's weight is more in the knots after one than in as many
// before it; NaN where either holds too few plain strokes.
func (c *course) inkStep(at, knots int) float64 {
	mean := func(a, b int) float64 {
		if a, b = max(a, 0), min(b, len(c.r)); a >= b || float64(c.strokes[b]-c.strokes[a]) < inkStepMM/alongMM/3 {
			return math.NaN()
		}
		return (c.ink[b] - c.ink[a]) / float64(c.strokes[b]-c.strokes[a])
	}
	return mean(at, at+knots) - mean(at-knots, at)
}

// inkOdds is the log likelihood ratio that the pace of the paper under the pen changed at both ends of [a, b), where
// it wrote darker or paler between them, against the steps that the same line's ink has elsewhere: one normal step
// common to both ends beside that scatter, against Student's t twice. Ends within a wobble or two are tried.
func (c *course) inkOdds(a, b int, mmS float64) float64 {
	knots := max(1, int(math.Round(inkStepMM/(courseS*mmS))))
	var all []float32
	for i := knots; i+knots <= len(c.r); i += max(1, knots/2) {
		if s := c.inkStep(i, knots); !math.IsNaN(s) {
			all = append(all, float32(s))
		}
	}
	if len(all) < inkStepFew {
		return 0
	}
	sd := math.Max(inkStepLeast, fromMAD*float64(mad(all, 0)))
	best := 0.0
	for i := a - knots/2; i <= a+knots; i++ {
		up := c.inkStep(i, knots)
		for k := b - knots; k <= b+knots/2 && !math.IsNaN(up); k++ {
			down := -c.inkStep(k, knots)
			if math.IsNaN(down) {
				continue
			}
			best = math.Max(best, sharedStep(up, down, sd))
		}
	}
	return math.Min(inkStepMost, best)
}

// sharedStep is the log likelihood ratio that two steps are one of standard deviation inkStepSD, each with its own scatter, against
// both being of that scatter alone, with Student's tails. For normal ones sum and difference are independent.
func sharedStep(up, down, sd float64) float64 {
	sum, diff := up+down, up-down
	vs, vd := 2*sd*sd+4*inkStepSD*inkStepSD, 2*sd*sd
	shared := math.Log(2) - (sum*sum/vs+diff*diff/vd+math.Log(4*math.Pi*math.Pi*vs*vd))/2
	const n = inkStepTail
	a, _ := math.Lgamma((n + 1) / 2)
	b, _ := math.Lgamma(n / 2)
	alone := func(s float64) float64 {
		return a - b - math.Log(n*math.Pi)/2 - (n+1)/2*math.Log1p(s*s/(sd*sd*n)) - math.Log(sd)
	}
	return shared - alone(up) - alone(down)
}

// stillOdds is the log odds that a sum of n squares has the given variance each, against the one that m others
// with their sum have: χ² against F, the ratio of two χ² (for m others whose own variance is not known).
func stillOdds(squares, n, others, m, variance float64) float64 {
	gamma := func(x float64) float64 { g, _ := math.Lgamma(x); return g }
	still := -squares/(2*variance) - n/2*math.Log(2*variance) - gamma(n/2)
	moved := m/2*math.Log(others) - (n+m)/2*math.Log(squares+others) + gamma((n+m)/2) - gamma(n/2) - gamma(m/2)
	return still - moved
}

// exact is the scatter, mm, that a line of one temperature shows by its raggedness and by what calibration leaves.
func exact(ragged float64) float64 { return math.Min(0.03, math.Hypot(1.5*ragged, 0.01)) }

// level lists the stretches of at least terraceMin where the line keeps to one temperature as
// exactly as its own raggedness allows.
func (c *course) level(ragged float64) (found []run) {
	limit := exact(ragged)
	least := int(terraceMin * 60 / courseS)
	for i := 0; i+least <= len(c.r); {
		e := i + least
		if _, sd := c.scatter(i, e); !(sd < limit) {
			i += 6
			continue
		}
		for e < len(c.r) {
			mean, _ := c.scatter(i, e)
			if _, sd := c.scatter(i, e+1); !(sd < limit) || math.Abs(c.sum[e+1]-c.sum[e]-mean) > 3*limit {
				break
			}
			e++
		}
		found = append(found, run{i, e})
		i = e
	}
	return found
}

// core is the run about the middle of a level stretch that stays within a tolerance of its median.
func (c *course) core(level run, tolerance float64) run {
	v := make([]float32, 0, level.to-level.from)
	for _, r := range c.r[level.from:level.to] {
		v = append(v, float32(r))
	}
	m := float64(median(v))
	in := func(k int) bool { return math.Abs(c.r[k]-m) <= tolerance }
	middle := (level.from + level.to) / 2
	core := run{middle, middle}
	for core.from > level.from && in(core.from-1) {
		core.from--
	}
	for core.to < level.to && in(core.to) {
		core.to++
	}
	return core
}

// drifts says whether the last third of a level run of knots lies off the first by more than the wobble of the line and
// what calibration leaves explain.
func (c *course) drifts(level run, ragged, mmS float64) bool {
	third := (level.to - level.from) / 3
	first, _ := c.scatter(level.from, level.from+third)
	last, _ := c.scatter(level.to-third, level.to)
	looks := math.Max(1, float64(third)*courseS*mmS/wobbleMM)
	return math.Abs(last-first) > stillDrift*math.Sqrt2*math.Hypot(ragged/math.Sqrt(looks), calmLeft)
}

// turnedEvents finds where the chart was turned under the pen, its clock set, or a line drawn with a rule or compass: a stretch of one exact
// temperature that breaks a slope which then goes on as before, or that is far calmer than the line beside it, for every pen at once.
func (t *tracer) turnedEvents() {
	courses := make([]*course, len(t.lines))
	for i, l := range t.lines {
		if len(l.v) > 1 {
			courses[i] = t.course(l.v)
		}
	}
	for i, c := range courses {
		if c == nil {
			continue
		}
		l := t.lines[i]
		vertex := func(knot int) int { return at(l.v, c.hour+float64(knot)*c.step) }
		for _, p := range c.level(l.ragged) {
			r, core := c.r[p.from], c.core(p, 2*exact(l.ragged))
			if r < t.form.Inner()+restMM || r > t.form.Outer()-restMM {
				continue // the pen rests on its stop
			}
			if c.drifts(core, l.ragged, t.form.MMPerSecond(r)) {
				continue
			}
			odds := t.still(courses, i, p)
			if odds >= calmOdds || odds > math.Inf(-1) && t.breaksSlope(i, vertex(p.from), vertex(p.to-1)) {
				a, b := vertex(core.from), vertex(core.to-1)
				t.reportOn(series.EventTurned, i, a, b, fmt.Sprintf("exactly level for %.0f minutes, as hardly any vat is: was the chart turned, its clock set, or the line drawn by hand?", (l.v[b].hours-l.v[a].hours)*60))
			}
		}
	}
}

// still is the log odds that all pens stood over a level stretch of pen i's course; −∞ where another one plainly did not.
func (t *tracer) still(courses []*course, i int, level run) float64 {
	c, ragged := courses[i], t.lines[i].ragged
	mmS := t.form.MMPerSecond(c.r[level.from])
	odds := c.calm(level.from, level.to, ragged, mmS)
	if trim := (level.to - level.from) / 8; odds > 0 {
		if _, sd := c.scatter(level.from+trim, level.to-trim); sd > stillCore*exact(ragged) {
			odds = 0 // a slow drift, which the ends could not show
		}
	}
	for j, d := range courses {
		if j == i || d == nil {
			continue
		}
		// The other pen stands at the same time, ahead of this one.
		shift := int(math.Round((c.hour - d.hour + (t.p.Pens[j].AheadMinutes-t.p.Pens[i].AheadMinutes)/60) / d.step))
		a, b := level.from+shift, level.to+shift
		trim := (b - a) / 8
		middle, sd := d.scatter(a+2*trim, b-2*trim)
		switch {
		case math.IsNaN(sd): // it left no ink there: it tells nothing
		case sd > stillOther*exact(t.lines[j].ragged):
			odds = math.Inf(-1)
		default:
			odds += d.calm(a+trim, b-trim, t.lines[j].ragged, t.form.MMPerSecond(d.base+middle))
		}
	}
	if odds >= calmSome && t.longHeated(float64(level.to-level.from)*courseS/3600, c.r[level.from]) {
		odds += calmLongOdds
	}
	if odds >= calmSome && odds < calmOdds && odds+c.inkOdds(level.from, level.to, mmS) >= calmAndInk {
		return calmOdds
	}
	return odds
}

// longHeated says whether a level stretch of so many hours at a radius is a long one of heated milk.
func (t *tracer) longHeated(hours, radius float64) bool {
	heated := heatedF
	if t.form.Unit == "C" {
		heated = (heatedF - 32) / 1.8
	}
	return 60*hours >= calmLong && t.form.Temperature(radius) > heated
}

// at is the vertex nearest after a time.
func at(v []vertex, hours float64) int {
	return min(sort.Search(len(v), func(k int) bool { return v[k].hours >= hours }), len(v)-1)
}

// breaksSlope says whether the level vertices [a, b] of a line lie between pieces that slope the same way and nearly as steeply.
func (t *tracer) breaksSlope(i, a, b int) bool {
	v := t.lines[i].v
	const flank, corner, flankFar = 16, 3, 48 // vertices: 1.3 mm, what smoothing rounds, and 3.8 mm
	slope := func(a, b int) (float64, bool) {
		if a, b = max(0, a), min(len(v)-1, b); b-a < flank/2 {
			return 0, false
		}
		for k := a; k <= b; k++ {
			if !v[k].ink || v[k].fixed {
				return 0, false
			}
		}
		dx := (v[b].hours - v[a].hours) * 3600 * t.form.MMPerSecond(v[a].radius)
		return (v[b].radius - v[a].radius) / math.Max(dx, 1e-3), true
	}
	// The ends of a level stretch reach into the slopes by as much as its tolerance, or stop short of them.
	mid := v[(a+b)/2].radius
	level := func(k int) bool { return math.Abs(v[k].radius-mid) <= terraceOff }
	for a < b && !level(a) {
		a++
	}
	for b > a && !level(b) {
		b--
	}
	reach := func(at, way int) int {
		for off := 1; off <= terraceBump; off++ {
			if k := at + way*off; k >= 0 && k < len(v) && v[k].ink && level(k) {
				at, off = k, 0
			}
		}
		return at
	}
	a, b = reach(a, -1), reach(b, 1)
	// The flank is where the line is steepest beside the corner, clear of another pen of the same ink, which blurs it.
	steepest := func(at, way int) (most float64, ok bool) {
		first := corner
		for k := at + way*first; first < flankFar && k >= 0 && k < len(v) && t.meets(i, v[k]); k += way {
			first++
		}
		last := first + 2*corner
		if first == flankFar { // nowhere clear
			first, last = corner, flank
		}
		for off := first; off <= last; off++ {
			from := at + way*off
			if s, fine := slope(min(from, from+way*flank), max(from, from+way*flank)); fine && (!ok || math.Abs(s) > math.Abs(most)) {
				most, ok = s, true
			}
		}
		return most, ok
	}
	before, ok1 := steepest(a, -1)
	after, ok2 := steepest(b, 1)
	if !ok1 || !ok2 || before*after <= 0 || math.Min(math.Abs(before), math.Abs(after)) < terraceIn {
		return false
	}
	as := terraceAs
	if t.longHeated(v[b].hours-v[a].hours, mid) {
		as = terraceLongAs
	}
	q := before / after
	return q < as && q > 1/as
}
