package digitize

import (
	"fmt"
	"math"
	"sort"

	"penarm/calibrate"
	"penarm/digitize/series"
)

const (
	standMM       = 5.5       // a stroke this long
	standDrift    = 0.035     // that gets on by at most this much from end to end, mm along time, is a clock that stands: no vat is so quick
	standEnd      = 0.5       // mm of either end, where the line turns into and out of it, that do not count
	standWide     = 0.10      // farthest that its vertices wander along time
	terraceMin    = 10.0      // a level stretch of this many minutes
	terraceOff    = 0.04      // that keeps its level to this, mm,
	terraceIn     = 0.25      // between pieces that slope (mm a mm) the same way, more than a sticking pen's steps do,
	terraceAs     = 2.0       // and nearly as steeply, is a chart that was turned
	standBeside   = 25        // vertices, 2 mm, before and after the stroke
	standPace     = 0.04      // mm along time a mm of line: the least that a vat's line gets on
	restMM        = 0.15      // nearer than this to the ends of the scale the pen rests on its stop
	courseS       = 10.0      // between knots of a course, seconds
	courseMM      = 0.6       // of line that a knot averages
	wobbleMM      = 0.6       // of line between independent looks at a pen's wobble
	calmLeft      = 0.005     // mm that calibration and pixels leave beside the wobble, however long a block
	calmLooks     = 3.0       // independent looks at the line beside a stretch, at least
	besideMin     = 30.0      // as far before and after a stretch
	besideMM      = 1.0       // and as near its temperature
	stillCore     = 0.75      // of the exactness that a level stretch needs: within its ends a pen that stood is as exact as that
	stillOther    = 1.25      // of it, that another pen is allowed over the middle half of the same stretch
	calmOdds      = 8.0       // log odds, 3000 to 1: a day has many stretches
	calmSome      = 1.0       // log odds from which the ink at the two ends of a stretch is asked, too;
	calmAndInk    = 6.0       // both together: the two know nothing of each other
	inkStepMM     = 1.2       // of line before and after an end, whose ink is compared
	inkStepSD     = 0.15      // standard deviation of the step in the logarithm of a stroke's weight that a change of pace brings
	inkStepLeast  = 0.03      // the least that such means differ by elsewhere on a line
	inkStepFew    = 15        // such differences elsewhere that tell how much they scatter
	inkStepMost   = 6.0       // log odds that steps of ink can give
	inkStepTail   = 4.0       // degrees of freedom: ink has steps of its own
	blotTimes     = 2.0       // ink this many times wider than the line's
	blotMM        = 0.8       // over this length is a blot or writing on the line
	strayMM       = 10.0      // unclaimed ink this long in one piece is another line, not writing
	strayInk      = 0.95      // and this share of it inked
	strayPiece    = 3.0       // with chords of pieces this long, mm,
	strayStraight = 0.75      // of this share of its length
	strayWhole    = 0.975     // and either so much of it inked
	strayTaut     = 0.9       // or its chords so long: writing in one go has more pauses than a line, and more bends
	strayFar      = 0.8       // mm from every traced line
	markMM        = 15.0      // a piece shorter than this
	markFree      = 2.0       // with no line so near either of its ends is a staple or a mark, unless such pieces together are twice as long
	hairWeight    = 0.4       // of the ink of a pen's line: less is not a pen's
	hairMM        = 0.8       // to either side that is summed
	hairEvery     = 5         // vertices of a line, 0.4 mm
	crowdMM       = 3.0       // to either side of such a line
	crowdInk      = 0.12      // of the paper is inked at most
	blankShare    = 1.0 / 120 // of the turn: a chart taken off leaves at least this blank, six minutes on a 12 h form
	stopMM        = 0.6       // nearer than this to a ring beyond the scale a line has come from the pen's stop
	hiddenShare   = 1.0 / 20  // of the turn: so long a rest on print may hide that there is no blank
	roundInk      = 0.9       // share of a line round the whole turn that is inked
)

// calmBlocks are the times over which a line's restlessness is looked at: 1, 2 and 4 minutes, in knots of a course.
var calmBlocks = []int{6, 12, 24}

// paperEvents lists what the lines themselves show beside temperature: gaps, a standing clock, blots.
func (t *tracer) paperEvents(i int) {
	v := t.lines[i].v
	for from, to := range runs(len(v), func(k int) bool { return !v[k].ink }) { // a line begins and ends in ink
		a, b := v[from-1], v[to]
		x, y := t.p.Face.Pixel((a.hours+b.hours)/2, (a.radius+b.radius)/2) // the path over bare paper may lie anywhere
		t.report(series.EventGap, i, a.hours, b.hours, x, y, fmt.Sprintf("no ink for %.1f minutes", (b.hours-a.hours)*60))
	}
	if ink := t.instead[i]; ink != "" && len(v) > 0 {
		t.reportOn(series.EventInk, i, 0, 0, fmt.Sprintf("drawn in %s, the recorder's ink is %s: was the pen changed, or is it another's line?", ink, t.p.Pens[i].Ink))
	}
	t.standing(i)
	var wide []float32
	for _, p := range v {
		if usable(p) {
			wide = append(wide, float32(p.wide))
		}
	}
	if len(wide) == 0 {
		return
	}
	limit := blotTimes * float64(median(wide))
	blot := func(k int) bool { return v[k].ink && !v[k].fixed && v[k].wide > limit && !t.meets(i, v[k]) }
	for from, to := range runs(len(v), blot) {
		if float64(to-from)*alongMM >= blotMM {
			t.reportOn(series.EventBlot, i, from, to-1, "wide ink on the line: a blot, or writing across it")
		}
	}
}

// standing finds strokes along one arc: the clock stood while the pen moved.
func (t *tracer) standing(i int) {
	v := t.lines[i].v
	hour := make([]float64, len(v)) // since the seam, not forced to rise
	for k, p := range v {
		c, _ := t.cell(p.x, p.y)
		hour[k] = c * t.frame.HourStep
	}
	for k := 0; k < len(v); k++ {
		if !v[k].ink || v[k].fixed {
			continue
		}
		perHour := 3600 * t.form.MMPerSecond(v[k].radius) // mm
		e, weak := k, 0
		for e < len(v)-1 && v[e+1].ink && !v[e+1].fixed && math.Abs(v[e+1].hours-v[k].hours)*perHour <= standWide {
			e++
			if v[e].weak && v[e].spread == 0 { // whichever pen drew it, it is a stroke
				weak++
			}
		}
		d := math.Abs(v[e].radius - v[k].radius)
		if d < standMM || weak*2 > e-k {
			continue
		}
		// Straight line through the stroke: how far does it get on in time?
		var n, sr, sh, srr, srh float64
		for m := k; m <= e; m++ {
			if math.Min(math.Abs(v[m].radius-v[k].radius), math.Abs(v[m].radius-v[e].radius)) < standEnd {
				continue
			}
			h := (hour[m] - hour[k]) * perHour
			n, sr, sh = n+1, sr+v[m].radius, sh+h
			srr, srh = srr+v[m].radius*v[m].radius, srh+v[m].radius*h
		}
		if slope := (n*srh - sr*sh) / (n*srr - sr*sr); math.Abs(slope)*d > standDrift {
			continue
		}
		// A fast fill goes on nearly as fast; a clock that stood goes on at the pace of the vat.
		if a, b := max(0, k-standBeside), min(len(v)-1, e+standBeside); math.Abs(hour[k]-hour[a])*perHour < standPace*float64(k-a)*alongMM ||
			math.Abs(hour[b]-hour[e])*perHour < standPace*float64(b-e)*alongMM {
			continue
		}
		t.reportOn(series.EventStopped, i, k, e, fmt.Sprintf("the clock stood: the line runs along the arc of %s from %.0f to %.0f °%s, and what follows is late",
			t.when(i, v[k].hours).Format("15:04"), t.form.Temperature(v[k].radius), t.form.Temperature(v[e].radius), t.form.Unit))
		k = e
	}
}

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
	for i, r := range raw {
		reach := 0
		if !math.IsNaN(r) {
			reach = int(courseMM / 2 / (courseS * t.form.MMPerSecond(r)))
		}
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
func (c *course) level(ragged float64) (found [][2]int) {
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
		found = append(found, [2]int{i, e})
		i = e
	}
	return found
}

// core is the run about the middle of [a, b) that stays within a tolerance of its median.
func (c *course) core(a, b int, tolerance float64) (from, to int) {
	v := make([]float32, 0, b-a)
	for _, r := range c.r[a:b] {
		v = append(v, float32(r))
	}
	m := float64(median(v))
	in := func(k int) bool { return math.Abs(c.r[k]-m) <= tolerance }
	from, to = (a+b)/2, (a+b)/2
	for from > a && in(from-1) {
		from--
	}
	for to < b && in(to) {
		to++
	}
	return from, to
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
	for i, l := range t.lines {
		c := courses[i]
		if c == nil {
			continue
		}
		for _, p := range c.level(l.ragged) {
			if r := c.r[p[0]]; r < t.form.Inner()+restMM || r > t.form.Outer()-restMM {
				continue // the pen rests on its stop
			}
			mmS := t.form.MMPerSecond(c.r[p[0]])
			odds := c.calm(p[0], p[1], l.ragged, mmS)
			if trim := (p[1] - p[0]) / 8; odds > 0 {
				if _, sd := c.scatter(p[0]+trim, p[1]-trim); sd > stillCore*exact(l.ragged) {
					odds = 0 // a slow drift, which the ends could not show
				}
			}
			for j, d := range courses {
				if j == i || d == nil {
					continue
				}
				// The other pen stands at the same time, ahead of this one.
				shift := c.hour - d.hour + (t.p.Pens[j].AheadMinutes-t.p.Pens[i].AheadMinutes)/60
				a, b := p[0]+int(math.Round(shift/d.step)), p[1]+int(math.Round(shift/d.step))
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
			vertex := func(knot int) int { return at(l.v, c.hour+float64(knot)*c.step) }
			if odds >= calmSome && odds < calmOdds && odds+c.inkOdds(p[0], p[1], mmS) >= calmAndInk {
				odds = calmOdds
			}
			if odds >= calmOdds || odds > math.Inf(-1) && t.breaksSlope(i, vertex(p[0]), vertex(p[1]-1)) {
				from, to := c.core(p[0], p[1], 2*exact(l.ragged))
				a, b := vertex(from), vertex(to-1)
				t.reportOn(series.EventTurned, i, a, b, fmt.Sprintf("exactly level for %.0f minutes, as no vat is: the chart was turned, its clock set, or the line drawn by hand", (l.v[b].hours-l.v[a].hours)*60))
			}
		}
	}
}

// at is the vertex nearest after a time.
func at(v []vertex, hours float64) int {
	return min(sort.Search(len(v), func(k int) bool { return v[k].hours >= hours }), len(v)-1)
}

// breaksSlope says whether the level vertices [a, b] of a line lie between pieces that slope the same way and nearly as steeply.
func (t *tracer) breaksSlope(i, a, b int) bool {
	v := t.lines[i].v
	const flank, corner = 16, 3 // vertices: 1.3 mm, and what smoothing rounds
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
	// The ends of a level stretch reach into the slopes by as much as its tolerance.
	mid := v[(a+b)/2].radius
	for a < b && math.Abs(v[a].radius-mid) > terraceOff {
		a++
	}
	for b > a && math.Abs(v[b].radius-mid) > terraceOff {
		b--
	}
	// The flank is where the line is steepest beside the corner. Another pen of the same ink blurs that.
	blurred := 3 * corner
	if t.meets(i, v[a]) || t.meets(i, v[b]) {
		blurred = flank
	}
	steepest := func(at, way int) (most float64, ok bool) {
		for off := corner; off <= blurred; off++ {
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
	q := before / after
	return q < terraceAs && q > 1/terraceAs
}

// meets says whether another pen's line of the same ink runs within a stroke of a vertex.
func (t *tracer) meets(i int, p vertex) bool {
	for j, l := range t.lines {
		if j == i || t.plane[j] != t.plane[i] {
			continue
		}
		for _, q := range l.v {
			if math.Abs(q.x-p.x) < 1 && math.Abs(q.y-p.y) < 1 {
				return true
			}
		}
	}
	return false
}

// goesRound says whether a line leaves no blank on the whole turn, as a chart that
// was put on and taken off again within one turn does.
func (t *tracer) goesRound(v []vertex) bool {
	if len(v) == 0 || v[len(v)-1].hours-v[0].hours < (1-blankShare)*t.form.RotationHours {
		return false
	}
	inked := 0
	for _, p := range v {
		if p.ink {
			inked++
		}
	}
	return float64(inked) >= roundInk*float64(len(v))
}

// hidesBlank says whether what is missing to a whole turn would lie on print that is as dark as the line: it ends
// beside its own start, as a line that comes round on an idle vat does, or both lie at a ring beyond the scale that
// runs all the way between them, where the pen rests on its stop. Where the sheet is torn off or covered it shows no blank either.
func (t *tracer) hidesBlank(v []vertex, plane int) bool {
	if len(v) == 0 {
		return false
	}
	a, b := v[len(v)-1], v[0]
	missing := b.hours + t.form.RotationHours - a.hours
	if t.sheet.off != nil {
		const looks = 200
		blank := 0
		for i := range looks {
			s := (float64(i) + 0.5) / looks
			if row := int((a.radius + s*(b.radius-a.radius) - t.frame.Radius) / stepMM); !t.sheet.off[t.sheet.cell(a.hours+s*missing, max(row, 0))] {
				blank++
			}
		}
		if float64(blank)/looks*missing < blankShare*t.form.RotationHours {
			return true
		}
	}
	if missing <= hiddenShare*t.form.RotationHours && math.Abs(a.radius-b.radius) <= restMM {
		return t.darkAlong(a.hours, missing, a.radius, b.radius, plane) > 0.5
	}
	for row := range t.frame.Rows {
		r := t.frame.Radius + float64(row)*stepMM
		if math.Max(math.Abs(r-a.radius), math.Abs(r-b.radius)) <= stopMM && t.m.beyond(row) && t.darkAlong(a.hours, missing, r, r, plane) >= roundInk {
			return true
		}
	}
	return false
}

// darkAlong is the share of a way through so many hours, from one radius to another, along which the print that was
// learnt is as dark as a plane's line, and the scan itself is, too: there print might be missing.
func (t *tracer) darkAlong(hour, hours, from, to float64, plane int) float64 {
	const looks = 100
	row := func(radius float64) int {
		return min(max(int(math.Round((radius-t.frame.Radius)/stepMM)), 0), t.frame.Rows-1)
	}
	limit := 0.5 * t.typ[plane]
	var where []int
	for i := range looks {
		s := (float64(i) + 0.5) / looks
		if t.m.at(hour+s*hours, row(from+s*(to-from))) > limit {
			where = append(where, i)
		}
	}
	if 2*len(where) <= looks {
		return float64(len(where)) / looks
	}
	top := max(min(row(from), row(to))-1, 0)
	f := calibrate.Frame{Hour: hour + hours/(2*looks), HourStep: hours / looks, Columns: looks,
		Radius: t.frame.Radius + float64(top)*stepMM, RadiusStep: stepMM, Rows: min(max(row(from), row(to))+2, t.frame.Rows) - top}
	planes := calibrate.Unroll(t.pic, t.p.Face, f, nil)
	dark := 0
	for _, i := range where {
		here := row(from+(float64(i)+0.5)/looks*(to-from)) - top
		most := float32(0)
		for ch, p := range planes {
			col := p[i*f.Rows : (i+1)*f.Rows]
			t.m.onPaper(col, ch, f.Hour+float64(i)*f.HourStep, top)
			for _, v := range col[max(0, here-1):min(len(col), here+2)] {
				most = max(most, v)
			}
		}
		if most > limit {
			dark++
		}
	}
	return float64(dark) / looks
}

// laps looks for what a second turn of the chart leaves, on one plane: a line that comes round to
// its own start, and lines that no pen claims, which a chart turned by hand leaves too.
func (t *tracer) laps(plane int) {
	first := -1
	for i, l := range t.lines {
		if t.plane[i] != plane {
			continue
		}
		if first < 0 {
			first = i
		}
		var kind series.Kind
		var text string
		switch {
		case t.goesRound(l.v):
			kind, text = series.EventLap, "the line leaves no blank on the whole turn: the chart went round again"
		case t.hidesBlank(l.v, plane):
			kind, text = series.EventNoBlank, "from here to where it starts the line would lie on print as dark as itself, or where the sheet is torn off or covered: whether the chart went round again cannot be seen"
		default:
			continue
		}
		t.reportOn(kind, i, len(l.v)-1, len(l.v)-1, text)
	}
	if first < 0 {
		return
	}
	for _, s := range t.stray(plane) {
		mid := s[len(s)/2]
		x, y := t.point(float64(mid.col), float64(mid.row))
		px, py := t.p.Face.Warp.Pixel(x, y)
		h0, h1 := t.frame.Hour+float64(s[0].col)*t.frame.HourStep, t.frame.Hour+float64(s[len(s)-1].col)*t.frame.HourStep
		if !t.together(plane, h0, h1) {
			t.report(series.EventLap, first, h0, h1, px, py, "a further line of the same ink: the chart went round again, or was turned")
			continue
		}
		for i := range t.lines { // either may have drawn it
			t.report(series.EventAmbig, i, h0, h1, px, py, "a further line where both pens seem to run together: which pen drew which is not settled")
		}
	}
}

// together says whether two lines of one plane run as one for a third or more of a time.
func (t *tracer) together(plane int, from, to float64) bool {
	if len(t.lines) < 2 || t.plane[0] != plane || t.plane[1] != plane {
		return false
	}
	met, seen := 0, 0
	a := t.lines[0].v
	for k, m := range t.nearest(a, t.lines[1].v, meetMM) {
		if a[k].hours >= from && a[k].hours <= to {
			seen++
			if m >= 0 {
				met++
			}
		}
	}
	return 3*met >= seen && met > 0
}

// thin says whether a path holds less than hairWeight of the ink that the pens' lines on its plane do: a hair, a scratch.
func (t *tracer) thin(path []step, plane int) bool {
	const reach = int(hairMM / stepMM)
	ink := t.planes[plane]
	// The lesser of the sums along a column and along a row is at most √2 of the one straight across.
	across := func(s step) float32 {
		var column, row float32
		for d := -reach; d <= reach; d++ {
			if r := s.row + d; r >= 0 && r < t.frame.Rows {
				column += ink[s.col*t.frame.Rows+r]
			}
			if c := s.col + d; c >= 0 && c < t.frame.Columns {
				row += ink[c*t.frame.Rows+s.row]
			}
		}
		return min(column, row)
	}
	var here, lines []float32
	for _, s := range path {
		here = append(here, across(s))
	}
	for i, l := range t.lines {
		for k := 0; k < len(l.v) && t.plane[i] == plane; k += hairEvery {
			if !usable(l.v[k]) {
				continue
			}
			c, r := t.cell(l.v[k].x, l.v[k].y)
			if s := (step{int(c + 0.5), int(r + 0.5)}); s.col >= 0 && s.col < t.frame.Columns && s.row >= 0 && s.row < t.frame.Rows {
				lines = append(lines, across(s))
			}
		}
	}
	return len(lines) > 0 && median(here) < hairWeight*median(lines)
}

// stray gives the stretches of a line that no pen claims: the best path over
// what is left on a plane, at half the resolution, in cells of the whole one.
func (t *tracer) stray(plane int) (found [][]step) {
	cols, rows := t.frame.Columns/2, t.frame.Rows/2
	taken := make([]bool, cols*rows)
	reach := int(math.Round(strayFar / (2 * stepMM)))
	for _, l := range t.lines { // those on another plane, too: inks are never parted wholly
		for _, p := range l.v {
			c, r := t.cell(p.x, p.y)
			for dc := -reach; dc <= reach; dc++ {
				for dr := -reach; dr <= reach; dr++ {
					if ic, ir := int(c/2)+dc, int(r/2)+dr; ic >= 0 && ic < cols && ir >= 0 && ir < rows {
						taken[ic*rows+ir] = true
					}
				}
			}
		}
	}
	typ := t.typ[plane]
	e := func(c, r int) float32 {
		if taken[c*rows+r] || t.creased != nil && t.creased[c*rows+r] {
			return 0
		}
		return t.planes[plane][2*c*t.frame.Rows+2*r] / typ
	}
	// Only what encloses the ink is gone through; on most charts there is hardly any.
	dark, c0, c1, r0, r1 := 0, cols, -1, rows, -1
	for c := range cols {
		for r := range rows {
			if e(c, r) > 0.5 {
				dark++
				c0, c1, r0, r1 = min(c0, c), max(c1, c), min(r0, r), max(r1, r)
			}
		}
	}
	if float64(dark)*3*stepMM < strayMM {
		return nil
	}
	path := bestPath(c1-c0+1, r1-r0+1, 2*stepMM, 2*stepMM, 0, 0, func(col int, cost []float32) {
		for r := range cost {
			cost[r] = inkCost(e(c0+col, r0+r))
		}
	})
	for i := range path {
		path[i].col, path[i].row = path[i].col+c0, path[i].row+r0
	}
	along := math.Abs(t.turn) * t.frame.HourStep * 2 * t.form.Inner()
	from, last, length := 0, 0, 0.0 // an inked run of the path and its length
	crowd := int(math.Round(crowdMM / (2 * stepMM)))
	alone := func(run []step) bool { // ink beside it, where a line has none, is print or writing
		dark, seen := 0, 0
		for _, s := range run {
			for d := -crowd; d <= crowd; d++ {
				if r := s.row + d; 3*max(d, -d) >= crowd && r >= 0 && r < rows {
					seen++
					if t.planes[plane][2*s.col*t.frame.Rows+2*r] > 0.4*typ {
						dark++
					}
				}
			}
		}
		return float64(dark) < crowdInk*float64(seen)
	}
	mm := func(p, q step) (x, y float64) {
		return along * float64(q.col-p.col) * (t.frame.Radius + float64(2*q.row)*stepMM) / t.form.Inner(), float64(q.row-p.row) * 2 * stepMM
	}
	line := func(run []step) bool { // inked throughout, where writing lifts the pen, and no zigzag of letters
		var long, inked, piece, chord float64
		turn := run[0]
		for k, q := range run[1:] {
			d := math.Hypot(mm(run[k], q))
			if e(q.col, q.row) > 0.5 {
				inked += d
			}
			if long, piece = long+d, piece+d; piece >= strayPiece || k == len(run)-2 {
				chord += math.Hypot(mm(turn, q))
				turn, piece = q, 0
			}
		}
		return inked >= strayInk*long && chord >= strayStraight*long && (inked >= strayWhole*long || chord >= strayTaut*long)
	}
	near := int(math.Round(markFree / (2 * stepMM)))
	free := func(s step) bool { // no pen's line near it
		for c := max(0, s.col-near); c <= min(cols-1, s.col+near); c++ {
			for r := max(0, s.row-near); r <= min(rows-1, s.row+near); r++ {
				if taken[c*rows+r] {
					return false
				}
			}
		}
		return true
	}
	var marks [][]step
	marked := 0.0
	end := func() {
		// Writing runs up and down; a line gets on in time.
		run := path[from : last+1]
		if length < strayMM || along*float64(path[last].col-path[from].col) < strayMM/4 || !line(run) || !alone(run) {
			return
		}
		whole := make([]step, 0, len(run))
		for _, s := range run {
			whole = append(whole, step{2 * s.col, 2 * s.row})
		}
		if t.thin(whole, plane) {
			return
		}
		if length < markMM && free(run[0]) && free(run[len(run)-1]) {
			marks, marked = append(marks, whole), marked+length
			return
		}
		found = append(found, whole)
	}
	for k := 1; k < len(path); k++ {
		p, q := path[k-1], path[k]
		if e(q.col, q.row) <= 0.5 {
			continue
		}
		if math.Hypot(mm(path[last], q)) > 0.5 {
			end()
			from, length = k, 0
		} else {
			length += math.Hypot(mm(p, q))
		}
		last = k
	}
	if len(path) > 0 {
		end()
	}
	if marked > 2*markMM {
		found = append(found, marks...)
	}
	return found
}
