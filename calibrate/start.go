package calibrate

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"

	"penarm/calibrate/form"
	"penarm/calibrate/internal/lsq"
	"penarm/calibrate/picture"
)

// edge is a small block of the picture with one clear direction: (nx, ny) is the
// unit normal of the line in it.
type edge struct{ x, y, nx, ny, energy float64 }

// edges finds in every channel the blocks with one clear direction by the structure tensor of
// the relative gradient (Förstner and Gülch 1987; Bigün and Granlund 1987).
func edges(pic *picture.Picture, across int) [][]edge {
	long := max(pic.Width, pic.Height)
	step := max(1, (long+2000)/4000) // coarser differences on very fine scans
	size := blockRows * step
	pitch := max(size, long/across)
	n := pic.Channels
	row, col := pic.Width*n*step, n*step // to the neighbours
	out := make([][]edge, n)
	for y0 := step; y0+size+step < pic.Height; y0 += pitch {
		for x0 := step; x0+size+step < pic.Width; x0 += pitch {
			at := (y0-step)*pic.Width*n + (x0-step)*n
			for ch := range out { // one after the other while the block is near at hand
				if nx, ny, energy := direction(pic.Pix[at+ch:], row, col); energy > 0 {
					out[ch] = append(out[ch], edge{float64(x0) + float64(size)/2, float64(y0) + float64(size)/2, nx, ny, energy})
				}
			}
		}
	}
	return out
}

// direction is the normal of the lines in the block at the head of pix, and their energy: 0 where they have no one direction.
func direction(pix []byte, row, col int) (nx, ny, energy float64) {
	// Scharr's weights keep the direction of thin lines true; they are a difference one way and a mean the other
	var xx, xy, yy, sum int
	var rows [3]scharr
	rows[0].read(pix, col)
	rows[1].read(pix[row:], col)
	for k := range blockRows {
		up, mid, low := &rows[k%3], &rows[(k+1)%3], &rows[(k+2)%3]
		low.read(pix[(k+2)*row:], col)
		sum += mid.sum
		for i := range up.diff {
			gx := int(10*mid.diff[i] + 3*(up.diff[i]+low.diff[i]))
			gy := int(low.mean[i] - up.mean[i])
			xx, xy, yy = xx+gx*gx, xy+gx*gy, yy+gy*gy
		}
	}
	e, dx, dy := float64(xx+yy), float64(xx-yy), float64(2*xy)
	if e == 0 || dx*dx+dy*dy < 0.25*e*e {
		return 0, 0, 0
	}
	s, c := math.Sincos(0.5 * math.Atan2(dy, dx))
	m := float64(sum)/(blockRows*blockRows) + 8
	return c, s, e / (256 * blockRows * blockRows * m * m)
}

// blockRows is the side of the blocks whose direction is looked for, in steps.
const blockRows = 8

// scharr is one row of such a block: along it the differences and the weighted means, and the sum of its values.
type scharr struct {
	diff, mean [blockRows]int32
	sum        int
}

func (r *scharr) read(pix []byte, col int) {
	a, b := int32(pix[0]), int32(pix[col])
	r.sum = 0
	for i := range r.diff {
		c := int32(pix[(i+2)*col])
		r.diff[i], r.mean[i] = c-a, 3*(a+c)+10*b
		r.sum += int(b)
		a, b = b, c
	}
}

// coarseEdges are the edges of the picture reduced to about the width (pixels).
func coarseEdges(pic *picture.Picture, width int) []edge {
	k := max(1, (max(pic.Width, pic.Height)+width/2)/width)
	es := edges(reduce(pic, k), manyEdges)[0]
	for i := range es {
		es[i].x, es[i].y = float64(k)*es[i].x+0.5*float64(k-1), float64(k)*es[i].y+0.5*float64(k-1)
	}
	return es
}

// reduce averages squares of k × k pixels of the first channel.
func reduce(pic *picture.Picture, k int) *picture.Picture {
	out := &picture.Picture{Width: pic.Width / k, Height: pic.Height / k, Channels: 1}
	out.Pix = make([]byte, out.Width*out.Height)
	sum := make([]int, out.Width)
	for y := range out.Height {
		clear(sum)
		for j := range k {
			row := pic.Pix[(y*k+j)*pic.Width*pic.Channels:]
			for x := range sum {
				for i := range k {
					sum[x] += int(row[(x*k+i)*pic.Channels])
				}
			}
		}
		for x, v := range sum {
			out.Pix[y*out.Width+x] = byte(v / (k * k))
		}
	}
	return out
}

// vote gives the place that most normals pass through: the centre of
// concentric circles (a Hough transform for centres).
func vote(pic *picture.Picture, es []edge) (x, y float64) {
	const cells = 110
	long := float64(max(pic.Width, pic.Height))
	cell := long / (cells - 10)
	grid := make([]float64, cells*cells)
	ox, oy := float64(pic.Width)/2-cell*cells/2, float64(pic.Height)/2-cell*cells/2
	for i := 0; i < len(es); i += len(es)/1000 + 1 {
		e := &es[i]
		// walk the normal over all columns (or rows) of the grid
		along, across, first, step := e.ny/e.nx, 1, (e.y-oy)/cell, (ox-e.x)/cell
		stride := cells
		if math.Abs(e.nx) <= math.Abs(e.ny) {
			along, across, first, step = e.nx/e.ny, cells, (e.x-ox)/cell, (oy-e.y)/cell
			stride = 1
		}
		at := first + (step+0.5)*along
		for i := range cells {
			if at >= 0 && at < cells {
				grid[i*across+int(at)*stride]++
			}
			at += along
		}
	}
	most := -1.0
	for j := 1; j < cells-1; j++ {
		for i := 1; i < cells-1; i++ {
			sum := 0.0
			for b := -1; b <= 1; b++ {
				for a := -1; a <= 1; a++ {
					sum += grid[(j+b)*cells+i+a]
				}
			}
			if sum > most {
				most, x, y = sum, ox+(float64(i)+0.5)*cell, oy+(float64(j)+0.5)*cell
			}
		}
	}
	return x, y
}

// symmetric is the place about which a picture is most like itself turned half round: the centre of its circles, as the
// whole of them shows it, whatever each edge says. It is where the picture folded with itself peaks, at twice the place; the
// transform of that is the square of the picture's (Bracewell, The Fourier Transform and Its Applications, 3rd ed., chapter 6), here
// with only waves as long as circles are apart, and each no more than as strong as it is in the picture.
func symmetric(pic *picture.Picture) (x, y float64) {
	const n = 512
	const shortest, longest = 3, 40 // pixels of n
	k := (max(pic.Width, pic.Height) + n - 1) / n
	small := reduce(pic, k)
	mean := 0.0
	for _, v := range small.Pix {
		mean += float64(v) / float64(len(small.Pix))
	}
	f := make([]complex128, n*n)
	fade := func(i, size int) float64 { return math.Sin(math.Pi * (float64(i) + 0.5) / float64(size)) } // to the edges of the picture, which are none of the chart's
	for i, v := range small.Pix {
		x, y := i%small.Width, i/small.Width
		f[y*n+x] = complex((float64(v)-mean)*fade(x, small.Width)*fade(y, small.Height), 0)
	}
	line, column := fourier.NewCmplxFFT(n), make([]complex128, n)
	transform := func(one func(dst, seq []complex128) []complex128) {
		for r := range n {
			one(f[r*n:(r+1)*n], f[r*n:(r+1)*n])
		}
		for c := range n {
			for r := range column {
				column[r] = f[r*n+c]
			}
			one(column, column)
			for r, v := range column {
				f[r*n+c] = v
			}
		}
	}
	transform(line.Coefficients)
	for i, v := range f {
		waves := math.Hypot(n*line.Freq(i%n), n*line.Freq(i/n)) // in n pixels
		if a := cmplx.Abs(v); a > 0 && waves*shortest < n && waves*longest > n {
			f[i] = v * v / complex(a, 0)
		} else {
			f[i] = 0
		}
	}
	transform(line.Sequence)
	at := 0
	for i, v := range f {
		if real(v) > real(f[at]) {
			at = i
		}
	}
	half := func(twice, size int) float64 { // of two places half of n apart the one nearer to the middle of the picture
		c := float64(twice) / 2
		if c < float64(size)/2-n/4 {
			c += n / 2
		}
		return float64(k)*c + 0.5*float64(k-1)
	}
	return half(at%n, small.Width), half(at/n, small.Height)
}

// rectify is a homography from pixels to a plane in which the chart's circles
// are circles about the origin; scale and turn are still unknown. Unit: s pixels at the centre.
type rectify struct {
	s                      float64
	cx, cy, e1, e2, g1, g2 float64
}

// offset is by how much (radians) the line of the edge, seen in the plane, is no circle about the origin, and
// the edge's distance from it. An angle gives chance edges the same odds wherever the origin is.
func (m *rectify) offset(e *edge) (off, radius float64) {
	u, v := (e.x-m.cx)/m.s, (e.y-m.cy)/m.s
	w := 1 + m.g1*u + m.g2*v
	x, y := ((1+m.e1)*u+m.e2*v)/w, (m.e2*u+(1-m.e1)*v)/w
	tu, tv := -e.ny/m.s, e.nx/m.s // along the line, a pixel long
	tw := m.g1*tu + m.g2*tv
	tx, ty := ((1+m.e1)*tu+m.e2*tv-x*tw)/w, (m.e2*tu+(1-m.e1)*tv-y*tw)/w
	radius = math.Sqrt(x*x + y*y)
	return (x*tx + y*ty) / (math.Sqrt(tx*tx+ty*ty)*radius + 1e-12), radius
}

// slopes are the derivatives of an edge's offset, which is off, by the centre (in units of the plane), stretch and perspective.
func (m *rectify) slopes(e *edge, off float64, out []float64) {
	u, v := (e.x-m.cx)/m.s, (e.y-m.cy)/m.s
	w := 1 + m.g1*u + m.g2*v
	x, y := ((1+m.e1)*u+m.e2*v)/w, (m.e2*u+(1-m.e1)*v)/w
	tu, tv := -e.ny/m.s, e.nx/m.s
	tw := m.g1*tu + m.g2*tv
	tx, ty := ((1+m.e1)*tu+m.e2*tv-x*tw)/w, (m.e2*tu+(1-m.e1)*tv-y*tw)/w
	rr, tt := x*x+y*y, tx*tx+ty*ty
	length := math.Sqrt(rr*tt) + 1e-12
	// how numerators and denominators of x, y and of tx, ty change
	by := [6][6]float64{
		{-(1 + m.e1), -m.e2, -m.g1}, {-m.e2, -(1 - m.e1), -m.g2},
		{u, -v, 0, tu, -tv, 0}, {v, u, 0, tv, tu, 0},
		{0, 0, u, 0, 0, tu}, {0, 0, v, 0, 0, tv},
	}
	for j := range out {
		d := &by[j]
		dx, dy := (d[0]-x*d[2])/w, (d[1]-y*d[2])/w
		dtx, dty := (d[3]-dx*tw-x*d[5]-tx*d[2])/w, (d[4]-dy*tw-y*d[5]-ty*d[2])/w
		out[j] = (dx*tx+x*dtx+dy*ty+y*dty)/length - off*((x*dx+y*dy)/rr+(tx*dtx+ty*dty)/tt)
	}
}

// tangents makes the lines of the picture circles about one centre by
// reweighted Gauss-Newton with a narrowing kernel, so that arcs, writing and the
// desk are outliers. A flat sheet on the glass has centre and stretch only; a
// tilted one two terms of perspective more, which come first only where they are
// clearly worth it, for they trade with the centre. Likelier first.
func tangents(es []edge, flat rectify) []rectify {
	if !flat.converge(es, 4, 0.12, 0.08, 0.06, 0.05, 0.04, 0.04, 0.03) {
		return nil
	}
	out := []rectify{flat}
	tilted := flat
	if tilted.converge(es, 6, 0.12, 0.08, 0.05, 0.04, 0.03) {
		switch gain := tilted.agree(es) / flat.agree(es); {
		case gain > 1.08:
			out = []rectify{tilted}
		case gain > 1:
			out = append(out, tilted)
		}
	}
	return out
}

// support is how many of the edges agree with the plane, each as much as they stand out.
func (m *rectify) support(es []edge) float64 {
	var inner []float64
	for i := range es {
		if r, rad := m.offset(&es[i]); math.Abs(r) < onCircle && rad > 0.1 {
			inner = append(inner, es[i].energy)
		}
	}
	return float64(len(inner)) * math.Sqrt(median(inner))
}

// Edges beside a chart that are another one's, whole.
const (
	besideChart  = 1.03 // times as far from the middle as the sheet reaches
	anotherShare = 0.1  // of the edges on the sheet are as many on circles about another middle: a seventh to two thirds, and 0.03 by chance,
	anotherPart  = 0.8  // in so much of the turn about that: of a chart that is cut off in the middle there are half
)

// another says whether the picture shows another whole chart beside the one on which a map lies, whose sheet has the radius (mm).
func (s *start) another(w *Warp, radius float64) bool {
	const turn = 24 // parts
	cx, cy := w.Pixel(0, 0)
	far := 0.0
	for k := range turn {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / turn)
		x, y := w.Pixel(radius*cos, radius*sin)
		far = math.Max(far, math.Hypot(x-cx, y-cy))
	}
	var beside []edge
	for _, e := range s.edges {
		if math.Hypot(e.x-cx, e.y-cy) > besideChart*far {
			beside = append(beside, e)
		}
	}
	least := anotherShare * float64(len(s.edges)-len(beside))
	if float64(len(beside)) < least {
		return false
	}
	x, y := vote(s.plane.pic, beside)
	for _, m := range tangents(beside, rectify{s: far, cx: x, cy: y}) {
		on := 0.0
		var seen [turn]bool
		for i := range beside {
			e := &beside[i]
			if off, _ := m.offset(e); math.Abs(off) < onCircle {
				on++
				seen[int((math.Atan2(e.y-m.cy, e.x-m.cx)/(2*math.Pi)+0.5)*turn)%turn] = true
			}
		}
		parts := 0.0
		for _, s := range seen {
			if s {
				parts++
			}
		}
		if on >= least && parts >= anotherPart*turn && math.Hypot(m.cx-cx, m.cy-cy) > far { // not what the sheet lies on
			return true
		}
	}
	return false
}

// possible says whether a sheet may lie so.
func (m *rectify) possible() bool {
	return math.Hypot(m.e1, m.e2) <= 0.4 && math.Hypot(m.g1, m.g2) <= 0.6
}

// agree sums a kernel over the edges: how well they lie on circles.
func (m *rectify) agree(es []edge) float64 {
	const sigma = 0.02
	sum := 0.0
	for i := range es {
		if r, rad := m.offset(&es[i]); rad > 0.1 && math.Abs(r) < 4*sigma {
			sum += math.Exp(-r * r / (2 * sigma * sigma))
		}
	}
	return sum
}

// converge runs one Gauss-Newton step a sigma on the first n parameters: centre, stretch, perspective; and with the last sigma
// as many more as move anything.
func (m *rectify) converge(es []edge, n int, sigmas ...float64) bool {
	some, most := len(es)/1000+1, len(es)/5000+1 // the circles are many: the last steps alone need more of them
	for i, sigma := range sigmas {
		k := n
		if i == 0 {
			k = 2 // first the centre alone: the shape is not to be bent by a bad centre
		}
		if _, ok := m.step(es, some, k, sigma); !ok {
			return false
		}
	}
	for _, every := range []int{some, most} {
		for range moreSteps {
			moved, ok := m.step(es, every, n, sigmas[len(sigmas)-1])
			if !ok {
				return false
			}
			if moved < stillStep {
				break
			}
		}
	}
	return true
}

const (
	moreSteps = 3
	stillStep = 5e-4 // of half the longer side, or of a radian: a few hundredths of a millimetre on a chart
)

// step is one step by every so many-th edge; it gives by how much the parameter moved that did most.
func (m *rectify) step(es []edge, every, n int, sigma float64) (moved float64, ok bool) {
	params := [6]*float64{&m.cx, &m.cy, &m.e1, &m.e2, &m.g1, &m.g2}
	unit := [6]float64{m.s, m.s, 1, 1, 1, 1}
	eq := lsq.New(n)
	var row [6]float64
	for i := 0; i < len(es); i += every {
		e := &es[i]
		r0, rad := m.offset(e)
		if rad < 0.1 || math.Abs(r0) > 3.5*sigma {
			continue
		}
		m.slopes(e, r0, row[:n])
		eq.Add(row[:n], -r0, math.Exp(-r0*r0/(2*sigma*sigma)))
	}
	for j := range n {
		eq.Ridge(j, 1e-3)
	}
	x, err := eq.Solve()
	if err != nil {
		return 0, false
	}
	for j := range n {
		*params[j] += unit[j] * math.Max(-0.1, math.Min(0.1, x[j]))
		moved = math.Max(moved, math.Abs(x[j]))
	}
	return moved, true
}

// warp is the map from mm to pixels when one unit of the plane is mm long.
func (m *rectify) warp(pic *picture.Picture, mm float64) (Warp, bool) {
	a := [9]float64{ // pixel to plane
		(1 + m.e1) / m.s, m.e2 / m.s, -((1+m.e1)*m.cx + m.e2*m.cy) / m.s,
		m.e2 / m.s, (1 - m.e1) / m.s, -(m.e2*m.cx + (1-m.e1)*m.cy) / m.s,
		m.g1 / m.s, m.g2 / m.s, 1 - (m.g1*m.cx+m.g2*m.cy)/m.s,
	}
	inv, ok := invert(a)
	if !ok {
		return Warp{}, false
	}
	w := Warp{H: multiply(inv, [9]float64{1 / mm, 0, 0, 0, 1 / mm, 0, 0, 0, 1})}
	w.CX, w.CY = float64(pic.Width-1)/2, float64(pic.Height-1)/2
	w.F = float64(max(pic.Width, pic.Height)) / 2
	return w, true
}

func multiply(a, b [9]float64) (c [9]float64) {
	for i := range 3 {
		for j := range 3 {
			c[3*i+j] = a[3*i]*b[j] + a[3*i+1]*b[3+j] + a[3*i+2]*b[6+j]
		}
	}
	return c
}

func invert(a [9]float64) (b [9]float64, ok bool) {
	b = [9]float64{
		a[4]*a[8] - a[5]*a[7], a[2]*a[7] - a[1]*a[8], a[1]*a[5] - a[2]*a[4],
		a[5]*a[6] - a[3]*a[8], a[0]*a[8] - a[2]*a[6], a[2]*a[3] - a[0]*a[5],
		a[3]*a[7] - a[4]*a[6], a[1]*a[6] - a[0]*a[7], a[0]*a[4] - a[1]*a[3],
	}
	d := a[0]*b[0] + a[1]*b[3] + a[2]*b[6]
	if d == 0 || math.IsNaN(d) {
		return b, false
	}
	for i := range b {
		b[i] /= d
	}
	return b, true
}

// Lines of the radial pattern, mm. Margin is the empty paper asked for beyond both ends of the scale.
const (
	lineSD      = 0.15
	patternHigh = 1.2 // half of the running mean that is subtracted
	patternRMS  = 15.0
	margin      = 4.5
	patternStep = 0.05
)

// pattern is the radial print of a form, sampled every patternStep mm from r0: heavy circles 2, fine 1, a running mean subtracted.
type pattern struct {
	r0      float64
	v       []float32
	circles []form.Circle
	inner   float64
	outer   float64
	thinned bool // the heavy circles alone: fine ones show in places
	fewArcs bool // the same of arcs
}

func newPattern(f *form.Form) *pattern {
	return patternOf(f.Circles(), f.Inner(), f.Outer(), heavyWeight)
}

// heavyWeight is how much heavier than fine circles heavy ones are taken to be.
const heavyWeight = 2.0

// heavy is the pattern of the heavy circles and the two ends alone.
func (p *pattern) heavy() *pattern {
	var out []form.Circle
	for i, c := range p.circles {
		if c.Major || i == 0 || i == len(p.circles)-1 {
			out = append(out, c)
		}
	}
	q := patternOf(out, p.inner, p.outer, heavyWeight)
	q.thinned = true
	return q
}

func patternOf(circles []form.Circle, inner, outer, weight float64) *pattern {
	p := &pattern{circles: circles, inner: inner, outer: outer}
	around := math.Max(20, margin+p.reach()+1)
	p.r0 = p.inner - around
	n := int((p.outer-p.inner+2*around)/patternStep) + 1
	q := profile{v: make([]float32, n), ok: make([]bool, n)}
	for i := range q.v {
		q.ok[i] = true
	}
	for _, c := range p.circles {
		h := 1.0
		if c.Major {
			h = weight
		}
		at := (c.RadiusMM - p.r0) / patternStep
		for i := int(at - 20); i <= int(at+20); i++ {
			d := (float64(i) - at) * patternStep / lineSD
			q.v[i] += float32(h * math.Exp(-d*d/2))
		}
	}
	q.highPass(int(patternHigh / patternStep))
	p.v = q.v
	return p
}

// fill gives the pattern from the radius r on in steps of dr, and the sum of its squares.
func (p *pattern) fill(t []float32, r, dr float64) (squares float64) {
	at, step := (r-p.r0)/patternStep+0.5, dr/patternStep
	for i := range t {
		t[i] = 0
		if k := int(at); k >= 0 && k < len(p.v) {
			t[i] = p.v[k]
		}
		squares += float64(t[i] * t[i])
		at += step
	}
	return squares
}

// at is the pattern at a radius, 0 far outside.
func (p *pattern) at(r float64) float32 {
	i := int((r-p.r0)/patternStep + 0.5)
	if i < 0 || i >= len(p.v) {
		return 0
	}
	return p.v[i]
}

// scale is a length of a rectified plane's unit in mm, and how well the circles fit with it.
type scale struct{ mm, score float64 }

// scales correlates the radial profiles of the plane, rectified and freed of a lens term, with the
// pattern at every scale and gives the best few.
func scales(pl *plane, m *rectify, lens float64, p *pattern, keep int) []scale {
	w, ok := m.warp(pl.pic, 1)
	if !ok {
		return nil
	}
	w.K1 = lens
	const sectors, spokes = 8, 16
	short, long := float64(min(pl.pic.Width, pl.pic.Height)), float64(max(pl.pic.Width, pl.pic.Height))
	step := math.Max(float64(pl.times), long/3500) / m.s // of the plane's unit
	n := int(0.85 * long / m.s / step)
	var raw [sectors]profile
	for s := range raw {
		sum, count := make([]float32, n), make([]uint8, n)
		for k := range spokes {
			si, co := math.Sincos((float64(s) + float64(k)/spokes) * 2 * math.Pi / sectors)
			pl.curve(&w, n, 16, func(i int) (float64, float64) {
				r := float64(i) * step
				return r * co, r * si
			}, sum, count)
		}
		raw[s] = mean(sum, count, spokes)
	}
	var all []scale
	dlog := 0.12 / p.outer
	// the outermost circle in pixels; the profile is levelled once for each range of scales
	const ratio = 1.3
	t := make([]float32, n)
	for lo := 0.2 * short; lo < 0.75*long; lo *= ratio {
		ds := p.outer / (lo * math.Sqrt(ratio) / m.s) * step  // mm a sample, about
		v, energy := make([]float32, n), make([]float64, n+1) // of all sectors together
		for s := range raw {
			q := profile{v: append([]float32(nil), raw[s].v...), ok: raw[s].ok}
			q.level(int(patternRMS/ds), q.highPass(int(patternHigh/ds)))
			sum := 0.0
			for i, x := range q.v {
				v[i] += x
				sum += float64(x * x)
				energy[i+1] += sum
			}
		}
		for l := math.Log(lo); l < math.Log(lo*ratio); l += dlog {
			mm := p.outer / (math.Exp(l) / m.s) // mm a unit
			ds := mm * step
			a, b := int(math.Max(0, (p.inner-margin)/ds)), min(n, int((p.outer+margin)/ds))
			if b-a < 50 {
				continue
			}
			tt := p.fill(t[a:b], float64(a)*ds, ds)
			if pp := energy[b] - energy[a]; pp > 0 {
				all = append(all, scale{mm, dot(v[a:b], t[a:b]) / math.Sqrt(pp*tt*sectors)})
			}
		}
	}
	var out []scale
	near := func(mm float64) bool {
		return slices.ContainsFunc(out, func(o scale) bool { return math.Abs(math.Log(mm/o.mm)) < 0.012 })
	}
	for first := 0.0; len(out) < keep; {
		var best scale
		for _, c := range all {
			if c.score > best.score && !near(c.mm) {
				best = c
			}
		}
		if first = math.Max(first, best.score); !(best.score > 0.6*first) {
			break
		}
		out = append(out, best)
	}
	return out
}
