package calibrate

import (
	"math"
	"sync"

	"penarm/calibrate/picture"
)

// plane is one colour of a picture seen as optical density, log10(255/value):
// print, ink and paper add up in it, and shading is a slow offset.
type plane struct {
	pic     *picture.Picture
	channel int
	pix     []byte // the colour's values, step apart
	width   int    // values a row
	height  int
	step    int
	times   int  // so many pixels of the picture each way make one value
	mixed   bool // all three colours together
	nearest bool // the nearest value is taken for what lies between values
	density *densities
}

// densities are those of all grey levels, and of their fractions.
type densities struct {
	whole [256]float32 // by themselves they stay near at hand
	fine  [256 * perLevel]float32
}

func tabulate(density func(level float64) float64) func() *densities {
	return sync.OnceValue(func() *densities {
		var d densities
		for i := range d.fine {
			d.fine[i] = float32(density(float64(i) / perLevel))
		}
		for i := range d.whole {
			d.whole[i] = d.fine[i*perLevel]
		}
		return &d
	})
}

var (
	tones = tabulate(func(level float64) float64 { return math.Log10(256 / (level + 1)) })
	// black as one, so that no bound below is a matter of density
	blackAndWhite = tabulate(func(level float64) float64 { return 0.5 * (255 - level) / 255 })
)

const (
	levelBits = 3 // of a fraction of a grey level in the table of densities
	perLevel  = 1 << levelBits
)

func newPlane(pic *picture.Picture, channel int) *plane {
	p := &plane{pic: pic, channel: channel, pix: pic.Pix[channel:], width: pic.Width, height: pic.Height, step: pic.Channels, times: 1, density: tones()}
	if pic.Bilevel {
		p.density = blackAndWhite()
	}
	return p
}

// grey is the mean of all colours of the picture as a plane.
func grey(pic *picture.Picture) *plane {
	p := newPlane(pic, 0)
	p.mixed = pic.Channels == 3
	return p
}

// coarse is the plane with the mean of so many values each way, a power of two, for one, side by side: sampled
// all over the picture, they are nearer at hand.
func (p *plane) coarse(times int) *plane {
	for p.times < times {
		p = p.halved()
	}
	if p.step == 1 {
		return p
	}
	q := *p
	q.pix, q.step = p.pic.Plane(p.channel), 1
	return &q
}

// blunt is the plane of one colour with the nearest value for what lies between values, which is found faster: for a rough
// map, or where many lines are looked at together.
func (p *plane) blunt() *plane {
	q := *p
	q.nearest = true
	return &q
}

// halved is the plane with the mean of every 2 × 2 values for one.
func (p *plane) halved() *plane {
	q := *p
	q.width, q.height, q.step, q.times = p.width/2, p.height/2, 1, 2*p.times
	q.pix = make([]byte, q.width*q.height)
	row := p.width * p.step
	for y := range q.height {
		to := q.pix[y*q.width:][:q.width]
		a, b := p.pix[2*y*row:], p.pix[(2*y+1)*row:]
		a = a[:len(b)]
		for i, at := 0, 0; i < len(to) && at+p.step < len(b); i, at = i+1, at+2*p.step { // bounds are looked at once for both rows
			to[i] = byte((uint(a[at]) + uint(a[at+p.step]) + uint(b[at]) + uint(b[at+p.step]) + 2) / 4)
		}
	}
	return &q
}

// at is the density at a place between pixels, false outside the picture.
func (p *plane) at(x, y float64) (float32, bool) {
	x, y = p.amid(x, y)
	if !(x >= 0 && y >= 0 && x < float64(p.width-1) && y < float64(p.height-1)) {
		return 0, false
	}
	o := (int(y)*p.width + int(x)) * p.step
	return p.density.fine[bilinear(p.pix, o, p.step, p.width*p.step, toFixed(x), toFixed(y))>>(2*weightBits-levelBits)], true
}

// amid is where a place between pixels lies amid the plane's values.
func (p *plane) amid(x, y float64) (float64, float64) {
	times, shift := float64(p.times), 0.5*float64(p.times-1)
	return (x - shift) / times, (y - shift) / times
}

// curve adds the densities along a curve of the print to sum, and counts them:
// point(i) gives the mm of sample i, and the map is evaluated only at every
// knot-th sample (it is smooth over a few mm) and interpolated between.
func (p *plane) curve(w *Warp, n, knot int, point func(i int) (x, y float64), sum []float32, count []uint8) {
	pixel := func(i int) (x, y float64) { return p.amid(w.Pixel(point(i))) }
	ax, ay := pixel(0)
	for i := 0; i < n; {
		j := min(i+knot, n)
		bx, by := pixel(j)
		p.line(toFixed(ax), toFixed(ay), toFixed((bx-ax)/float64(j-i)), toFixed((by-ay)/float64(j-i)), sum[i:j], count[i:j])
		ax, ay, i = bx, by, j
	}
}

// line does so along a straight line of the picture.
func (p *plane) line(x, y, dx, dy int64, sum []float32, count []uint8) {
	stride := p.width * p.step
	xmax, ymax := uint64(p.width-1)<<fixedBits, uint64(p.height-1)<<fixedBits
	inside := func(k int) bool { return uint64(x+int64(k)*dx) < xmax && uint64(y+int64(k)*dy) < ymax }
	from, to := 0, len(sum)
	for from < to && !inside(from) {
		from++
	}
	for from < to && !inside(to-1) {
		to--
	}
	x, y = x+int64(from)*dx, y+int64(from)*dy
	sum, count = sum[from:to], count[from:to]
	pix, step, mixed, density := p.pix, p.step, p.mixed, p.density
	if p.nearest {
		const half = 1 << (fixedBits - 1)
		x, y = x+half, y+half
		for k := range sum {
			at := int(y>>fixedBits)*stride + int(x>>fixedBits)*step
			v := pix[at]
			if mixed {
				c := pix[at:][:3]
				v = byte((uint(c[0]) + uint(c[1]) + uint(c[2]) + 1) / 3)
			}
			sum[k] += density.whole[v]
			count[k]++
			x, y = x+dx, y+dy
		}
		return
	}
	for k := range sum {
		at := int(y>>fixedBits)*stride + int(x>>fixedBits)*step
		var v uint32
		if mixed {
			v = bilinearOf3(pix[at:], stride, x, y)
		} else {
			v = between(pix[at], pix[at+step], pix[at+stride], pix[at+stride+step], x, y)
		}
		sum[k] += density.fine[v>>(2*weightBits-levelBits)%uint32(len(density.fine))]
		count[k]++
		x, y = x+dx, y+dy
	}
}

// Positions are counted in 2⁻³² pixel, of which weightBits weigh neighbouring pixels: 2⁻¹¹ of a
// pixel is a hundredth of what any calibration reaches.
const (
	fixedBits  = 32
	weightBits = 11
	weightOne  = 1 << (2 * weightBits)
)

// toFixed keeps what lies far outside any picture, or nowhere, so near that no sum of steps overflows.
func toFixed(v float64) int64 {
	const far = 1 << 20 // pixels
	if !(v > -far) {
		v = -far
	}
	return int64(min(v, far) * (1 << fixedBits))
}

// bilinear is the value of one channel between the pixel whose value is at a place of pix and its
// neighbours, in 1/weightOne grey level.
func bilinear(pix []byte, at, step, stride int, x, y int64) uint32 {
	return between(pix[at], pix[at+step], pix[at+stride], pix[at+stride+step], x, y)
}

// between is the value amid two pixels and the two below them, in 1/weightOne grey level.
func between(a, b, c, d byte, x, y int64) uint32 {
	fx, fy := uint32(x)>>(fixedBits-weightBits), uint32(y)>>(fixedBits-weightBits)
	top := uint32(a)<<weightBits + (uint32(b)-uint32(a))*fx
	low := uint32(c)<<weightBits + (uint32(d)-uint32(c))*fx
	return top<<weightBits + (low-top)*fy
}

// bilinearOf3 is the same of the mean of three channels.
func bilinearOf3(pix []byte, stride int, x, y int64) uint32 {
	fx, fy := int32(uint32(x)>>(fixedBits-weightBits)), int32(uint32(y)>>(fixedBits-weightBits))
	a, b := pix[:6], pix[stride:][:6]
	top, low := int32(a[0])+int32(a[1])+int32(a[2]), int32(b[0])+int32(b[1])+int32(b[2])
	top = top<<weightBits + (int32(a[3])+int32(a[4])+int32(a[5])-top)*fx
	low = low<<weightBits + (int32(b[3])+int32(b[4])+int32(b[5])-low)*fx
	return uint32(top<<weightBits+(low-top)*fy) / 3
}

// spoke adds the densities along a straight ray of the print at the polar angle phi, from r0 mm in steps of dr.
func (p *plane) spoke(w *Warp, phi, r0, dr float64, sum []float32, count []uint8) {
	s, c := math.Sincos(phi)
	knot := max(1, int(4/dr))
	p.curve(w, len(sum), knot, func(i int) (float64, float64) {
		r := r0 + dr*float64(i)
		return r * c, r * s
	}, sum, count)
}

// profile is a mean density along a line of equally spaced places; ok marks where the picture has it.
type profile struct {
	v  []float32
	ok []bool
}

// mean turns sums into a profile; places seen by less than half of the lines are not ok.
func mean(sum []float32, count []uint8, lines int) profile {
	p := profile{v: sum, ok: make([]bool, len(sum))}
	for i, c := range count {
		if c > 0 && 2*int(c) >= lines {
			p.ok[i] = true
			p.v[i] = sum[i] / float32(c)
		} else {
			p.v[i] = 0
		}
	}
	return p
}

// highPass subtracts the running mean over half places on either side, and sets what is not ok to 0. It gives the running
// count of what is ok.
func (p profile) highPass(half int) (cnt []int32) {
	n := len(p.v)
	sum := make([]float64, n+1)
	cnt = make([]int32, n+1)
	total, seen := 0.0, int32(0)
	for i, v := range p.v {
		if p.ok[i] {
			total += float64(v)
			seen++
		}
		sum[i+1], cnt[i+1] = total, seen
	}
	for i := range p.v {
		a, b := max(0, i-half), min(n, i+half+1)
		if p.ok[i] {
			p.v[i] -= float32((sum[b] - sum[a]) / float64(cnt[b]-cnt[a]))
		} else {
			p.v[i] = 0
		}
	}
	return cnt
}

// cover says of what lies outside two places, is as dark as a line between them and wider than any, that nothing is seen
// there: a pen at rest all round hides the circle next to it.
func (p profile) cover(from, to, widest int) {
	from, to = max(0, from), min(to, len(p.v))
	between := make([]float32, 0, to-from)
	for i := from; i < to; i += tellPitch {
		if p.ok[i] {
			between = append(between, p.v[i])
		}
	}
	dark := 0.5 * (pick(between, coverPaper) + pick(between, coverLine))
	for i := 0; i < len(p.v); i++ {
		first := i
		for i < len(p.v) && (i < from || i >= to) && p.ok[i] && p.v[i] > dark {
			i++
		}
		if i-first > widest {
			clear(p.v[first:i])
			clear(p.ok[first:i])
		}
	}
}

const (
	coverPaper = 0.2  // of what lies between two places is no darker than paper
	coverLine  = 0.98 // of it is no darker than a line
)

// bound clips what lies outside two places and is far stronger than anything between them, at what is strong there: the
// edge of the paper on a black lid would outweigh the circles next to it.
func (p profile) bound(from, to int) {
	from, to = max(0, from), min(to, len(p.v))
	abs := make([]float32, 0, to-from)
	for i := from; i < to; i += tellPitch {
		if p.ok[i] {
			abs = append(abs, max(p.v[i], -p.v[i]))
		}
	}
	most := pick(abs, boundAt)
	for i, v := range p.v {
		if (i < from || i >= to) && (v > boundOver*most || v < -boundOver*most) {
			p.v[i] = max(-most, min(most, v))
		}
	}
}

// tellPitch is the pitch of the places that tell what is usual between two: lines are wider.
const tellPitch = 3

const (
	boundAt   = 0.99 // of what lies between is less than what is strong there
	boundOver = 2.0  // times as strong is far stronger
)

// level divides by the local rms over half places on either side, so that faint and strong parts count alike, and clips at
// three. cnt is the running count of what is ok.
func (p profile) level(half int, cnt []int32) {
	n := len(p.v)
	sum := squares(p.v)
	pitch := max(1, half/levelPitch)
	for i := 0; i < n; i += pitch {
		a, b := max(0, i-half), min(n, i+half+1)
		if s := float32(math.Sqrt((sum[b] - sum[a]) / max(1, float64(cnt[b]-cnt[a])))); s > 1e-9 {
			for k, v := range p.v[i:min(i+pitch, n)] {
				p.v[i+k] = max(-3, min(3, v/s))
			}
		}
	}
}

// squares are the running sums of the squares.
func squares(v []float32) []float64 {
	sum := make([]float64, len(v)+1)
	total := 0.0
	for i, x := range v {
		total += float64(x) * float64(x)
		sum[i+1] = total
	}
	return sum
}

// levelPitch is the part of the half width of the window in which its rms hardly changes.
const levelPitch = 30
