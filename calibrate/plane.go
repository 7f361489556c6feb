package calibrate

import (
	"math"

	"penarm/calibrate/picture"
)

// plane is one colour of a picture seen as optical density, log10(255/value):
// print, ink and paper add up in it, and shading is a slow offset.
type plane struct {
	pic     *picture.Picture
	channel int
	density [256]float32
}

func newPlane(pic *picture.Picture, channel int) *plane {
	p := &plane{pic: pic, channel: channel}
	for i := range p.density {
		p.density[i] = float32(math.Log10(256 / (float64(i) + 1)))
	}
	if pic.Bilevel { // two values only: black as one, so that no bound below is a matter of density
		for i := range p.density {
			p.density[i] = 0.5 * float32(255-i) / 255
		}
	}
	return p
}

// at is the bilinear density, false outside the picture.
func (p *plane) at(x, y float64) (float32, bool) {
	if !p.pic.Inside(x, y) {
		return 0, false
	}
	ix, iy := int(x), int(y)
	fx, fy := float32(x-float64(ix)), float32(y-float64(iy))
	n := p.pic.Channels
	i := (iy*p.pic.Width+ix)*n + p.channel
	j := i + p.pic.Width*n
	pix := p.pic.Pix
	a, b := p.density[pix[i]], p.density[pix[i+n]]
	c, d := p.density[pix[j]], p.density[pix[j+n]]
	top := a + (b-a)*fx
	return top + (c+(d-c)*fx-top)*fy, true
}

// curve adds the densities along a curve of the print to sum, and counts them:
// point(i) gives the mm of sample i, and the map is evaluated only at every
// knot-th sample (it is smooth over a few mm) and interpolated between.
func (p *plane) curve(w *Warp, n, knot int, point func(i int) (x, y float64), sum []float32, count []uint8) {
	x, y := point(0)
	ax, ay := w.Pixel(x, y)
	for i := 0; i < n; {
		j := min(i+knot, n)
		x, y = point(j)
		bx, by := w.Pixel(x, y)
		dx, dy := (bx-ax)/float64(j-i), (by-ay)/float64(j-i)
		for k := i; k < j; k++ {
			t := float64(k - i)
			if v, ok := p.at(ax+dx*t, ay+dy*t); ok {
				sum[k] += v
				count[k]++
			}
		}
		ax, ay, i = bx, by, j
	}
}

// spoke adds the densities along a straight ray of the print at the polar angle phi, from r0 mm in steps of dr.
func (p *plane) spoke(w *Warp, phi, r0, dr float64, sum []float32, count []uint8) {
	s, c := math.Sincos(phi)
	knot := max(1, int(2/dr))
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

// highPass subtracts the running mean over half places on either side, and sets what is not ok to 0.
func (p profile) highPass(half int) {
	n := len(p.v)
	sum := make([]float64, n+1)
	cnt := make([]int32, n+1)
	for i, v := range p.v {
		sum[i+1], cnt[i+1] = sum[i], cnt[i]
		if p.ok[i] {
			sum[i+1] += float64(v)
			cnt[i+1]++
		}
	}
	for i := range p.v {
		a, b := max(0, i-half), min(n, i+half+1)
		if p.ok[i] {
			p.v[i] -= float32((sum[b] - sum[a]) / float64(cnt[b]-cnt[a]))
		} else {
			p.v[i] = 0
		}
	}
}

// level divides by the local rms over half places on either side, so that faint
// and strong parts count alike, and clips at three.
func (p profile) level(half int) {
	n := len(p.v)
	sum := make([]float64, n+1)
	cnt := make([]int32, n+1)
	for i, v := range p.v {
		sum[i+1], cnt[i+1] = sum[i]+float64(v)*float64(v), cnt[i]
		if p.ok[i] {
			cnt[i+1]++
		}
	}
	for i := range p.v {
		a, b := max(0, i-half), min(n, i+half+1)
		if p.ok[i] {
			if s := math.Sqrt((sum[b] - sum[a]) / float64(cnt[b]-cnt[a])); s > 1e-9 {
				p.v[i] = float32(math.Max(-3, math.Min(3, float64(p.v[i])/s)))
			}
		}
	}
}
