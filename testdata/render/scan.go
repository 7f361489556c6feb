package render

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"math/rand/v2"
	"runtime"
	"sync"

	"penarm/calibrate/picture"
)

// Look is the paper's condition and how it was scanned. The zero Look is a
// clean flatbed scan at 200 dpi, white lid, lossless, upright. What tears, file
// holes and a stuck note hide of the pen's line still stands in the truth as drawn.
type Look struct {
	DPI         float64    // 0: 200
	Turn        float64    // degrees clockwise
	Lid         string     // "white" (also ""), "grey", "black" or "wood"
	Old         float64    // 0–1: yellow, stained paper
	Offset      [2]float64 // centre of sheet and hub hole in the print, mm
	Warp        float64    // mm, amplitude of a smooth displacement
	Stretch     [2]float64 // the paper is longer by these shares along x and y
	Crease      bool
	Blur        float64 // mm, standard deviation of the optics; 0: 0.05
	Noise       float64 // standard deviation in grey levels
	Unsharp     float64 // strength of sharpening by the scanner
	Quality     int     // JPEG; 0: PNG
	Grey        bool
	Bilevel     string  // "threshold" or "diffusion"; implies grey
	Clip        float64 // mm cut off at the left and the right
	Phone       bool    // photographed
	Tilt        [2]float64
	Lens        float64 // radial term of the photograph
	Tag         float64 // dpi written into the file: 0 the true one, <0 none
	Orientation int     // EXIF: 0, 3, 6 or 8
	Coarse      bool    // values in steps of four, to keep a blank's file small
	Tall        float64 // resolution down the picture over that across it, as a fax has (196/204); 0: 1
	Copy        float64 // photocopied before: contrast crushed from both ends, 1 leaves three fifths of the greys; 0: not
	Torn        float64 // mm, depth of three pieces torn off the rim
	Punched     bool    // two holes for a file
	Note        float64 // mm, side of a paper note stuck over the rim
	Mirrored    bool    // scanned through the paper
	Shadow      float64 // share by which a hard-edged shadow darkens a third of the sheet; 0: none
}

const gamma = 1.8 // pixel value = 255·reflectance^(1/gamma)

// optics maps between picture pixels and the print's plane. The way from pixel
// to print is closed; the way back is Newton's.
type optics struct {
	look   Look
	w, h   int
	ppmm   float64
	cx, cy float64
	stain  *noise
	wave   [2][3][4]float64 // component, term: amplitude, kx, ky, phase
	cam    [3]float64       // phone: camera position over the sheet, mm
	rot    [9]float64       // phone: ray directions, row major
	focal  float64          // pixels
	harm   damage
}

// damage is what covers or takes away parts of the sheet.
type damage struct {
	tears [3]float64 // angles
	punch float64    // angle
	note  [2]float64 // angle of its middle, its own turn
}

func newOptics(seed int64, f *Form, l Look) *optics {
	r := rng(seed, "optics")
	if l.DPI == 0 {
		l.DPI = 200
	}
	if l.Blur == 0 {
		l.Blur = 0.05
	}
	if l.Tall == 0 {
		l.Tall = 1
	}
	o := &optics{look: l, ppmm: l.DPI / 25.4, stain: newNoise(seed, "stain")}
	hr := rng(seed, "harm")
	for i := range o.harm.tears {
		o.harm.tears[i] = between(hr, 0, 2*math.Pi)
	}
	o.harm.punch, o.harm.note = between(hr, 0, 2*math.Pi), [2]float64{between(hr, 0, 2*math.Pi), between(hr, -0.3, 0.3)}
	wide, tall := f.Diameter+between(r, 10, 24), f.Diameter+between(r, 10, 24)
	if l.Clip > 0 {
		wide = f.Diameter - 2*l.Clip
	}
	if l.Phone {
		wide, tall = f.Diameter*between(r, 1.06, 1.15), f.Diameter*between(r, 1.25, 1.4)
	}
	o.w, o.h = int(wide*o.ppmm), int(tall*o.ppmm*l.Tall)
	room := max(0, (min(wide, tall)-f.Diameter)/2-2)
	if l.Phone {
		room = 0
	}
	o.cx = float64(o.w)/2 + between(r, -room, room)*o.ppmm
	o.cy = float64(o.h)/2 + between(r, -room, room)*o.ppmm*l.Tall
	for c := range o.wave {
		for i := range o.wave[c] {
			k := 2 * math.Pi / between(r, 170, 400)
			a := between(r, 0, 2*math.Pi)
			o.wave[c][i] = [4]float64{l.Warp * between(r, 0.3, 0.6), k * math.Cos(a), k * math.Sin(a), between(r, 0, 2*math.Pi)}
		}
	}
	if l.Phone {
		// A camera that looks at the sheet's middle from a tilted stand.
		o.focal = 1.1 * float64(o.h)
		dist := o.focal / o.ppmm
		sx, cx := math.Sincos(l.Tilt[0])
		sy, cy := math.Sincos(l.Tilt[1])
		// right, down, forward in the sheet's frame (z away from the camera).
		right := [3]float64{cy, 0, -sy}
		fwd := [3]float64{sy * cx, sx, cy * cx}
		down := [3]float64{fwd[1]*right[2] - fwd[2]*right[1], fwd[2]*right[0] - fwd[0]*right[2], fwd[0]*right[1] - fwd[1]*right[0]}
		o.rot = [9]float64{right[0], down[0], fwd[0], right[1], down[1], fwd[1], right[2], down[2], fwd[2]}
		o.cam = [3]float64{-dist * fwd[0], -dist * fwd[1], -dist * fwd[2]}
		o.cx, o.cy = float64(o.w)/2, float64(o.h)/2
	}
	return o
}

// plane maps a pixel to the table the sheet lies on, mm from the sheet's nominal middle.
func (o *optics) plane(px, py float64) (x, y float64) {
	if !o.look.Phone {
		if o.look.Mirrored {
			px = float64(o.w-1) - px
		}
		return (px - o.cx) / o.ppmm, (py - o.cy) / (o.ppmm * o.look.Tall)
	}
	dx, dy := (px-o.cx)/o.focal, (py-o.cy)/o.focal
	k := 1 + o.look.Lens*(dx*dx+dy*dy)
	dx, dy = dx*k, dy*k
	m := &o.rot
	rx, ry, rz := m[0]*dx+m[1]*dy+m[2], m[3]*dx+m[4]*dy+m[5], m[6]*dx+m[7]*dy+m[8]
	t := -o.cam[2] / rz
	return o.cam[0] + t*rx, o.cam[1] + t*ry
}

// print maps a pixel to the print's plane, mm from the print's centre.
func (o *optics) print(px, py float64) (x, y float64) {
	u, v := o.plane(px, py)
	sin, cos := math.Sincos(o.look.Turn * math.Pi / 180)
	u, v = u*cos+v*sin, v*cos-u*sin
	x, y = u/(1+o.look.Stretch[0]), v/(1+o.look.Stretch[1])
	if o.look.Warp > 0 {
		for _, w := range o.wave[0] {
			x += w[0] * math.Sin(w[1]*u+w[2]*v+w[3])
		}
		for _, w := range o.wave[1] {
			y += w[0] * math.Sin(w[1]*u+w[2]*v+w[3])
		}
	}
	return x, y
}

// pixel maps a point of the print to the picture.
func (o *optics) pixel(x, y float64) (px, py float64) {
	sin, cos := math.Sincos(o.look.Turn * math.Pi / 180)
	px, py = o.cx+(x*cos-y*sin)*o.ppmm, o.cy+(x*sin+y*cos)*o.ppmm*o.look.Tall
	for range 50 {
		const h = 0.5
		qx, qy := o.print(px, py)
		ax, ay := o.print(px+h, py)
		bx, by := o.print(px, py+h)
		a, b, c, d := (ax-qx)/h, (bx-qx)/h, (ay-qy)/h, (by-qy)/h
		det := a*d - b*c
		ex, ey := x-qx, y-qy
		dx, dy := (d*ex-b*ey)/det, (a*ey-c*ex)/det
		px, py = px+dx, py+dy
		if dx*dx+dy*dy < 1e-14 {
			break
		}
	}
	return px, py
}

// deposit is ink on the paper.
type deposit struct {
	on  *layer
	ink RGB // density where it fully covers
}

// paint renders reflectances, one plane a channel, optics and noise not yet applied.
func (o *optics) paint(f *Form, deposits []deposit, pins [][2]float64) [][]float32 {
	p := f.prepare()
	channels := 3
	if o.look.Grey || o.look.Bilevel != "" {
		channels = 1
	}
	planes := make([][]float32, channels)
	for i := range planes {
		planes[i] = make([]float32, o.w*o.h)
	}
	paper := RGB{0.93, 0.925, 0.90}
	if o.look.Old > 0 {
		paper = RGB{0.93 - 0.02*o.look.Old, 0.90 - 0.04*o.look.Old, 0.82 - 0.14*o.look.Old}
	}
	const mesh = 8
	rows := make(chan int)
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Add(1)
		go func() {
			defer wg.Done()
			nx := o.w/mesh + 2
			top, low := make([][2]float64, nx), make([][2]float64, nx)
			for y0 := range rows {
				for i := range nx {
					top[i][0], top[i][1] = o.print(float64(i*mesh), float64(y0))
					low[i][0], low[i][1] = o.print(float64(i*mesh), float64(y0+mesh))
				}
				for y := y0; y < y0+mesh && y < o.h; y++ {
					fy := float64(y-y0) / mesh
					for i := range nx - 1 {
						ax, ay := top[i][0]+fy*(low[i][0]-top[i][0]), top[i][1]+fy*(low[i][1]-top[i][1])
						bx, by := top[i+1][0]+fy*(low[i+1][0]-top[i+1][0]), top[i+1][1]+fy*(low[i+1][1]-top[i+1][1])
						size := math.Sqrt(math.Abs((bx-ax)*(low[i][1]-top[i][1])-(by-ay)*(low[i][0]-top[i][0]))) / mesh
						for j := 0; j < mesh && i*mesh+j < o.w; j++ {
							fx := float64(j) / mesh
							c := o.colour(p, deposits, pins, paper, ax+fx*(bx-ax), ay+fx*(by-ay), size, i*mesh+j, y)
							k := y*o.w + i*mesh + j
							if channels == 1 {
								planes[0][k] = float32(0.30*c[0] + 0.59*c[1] + 0.11*c[2])
								continue
							}
							for q := range planes {
								planes[q][k] = float32(c[q])
							}
						}
					}
				}
			}
		}()
	}
	for y := 0; y < o.h; y += mesh {
		rows <- y
	}
	close(rows)
	wg.Wait()
	return planes
}

// colour is the reflectance seen at a point of the print's plane by a pixel of the given size (mm).
func (o *optics) colour(p *printed, deposits []deposit, pins [][2]float64, paper RGB, x, y, size float64, px, py int) RGB {
	l := &o.look
	f := p.f
	dx, dy := x-l.Offset[0], y-l.Offset[1]
	r := math.Sqrt(dx*dx + dy*dy) // Hypot takes several times as long, and this is done for every pixel
	edge := f.Diameter/2 - r
	in := max(0, min(1, edge/size+0.5)) * max(0, min(1, (r-f.Hub/2)/size+0.5))
	for _, q := range pins {
		in *= max(0, min(1, (math.Hypot(dx-q[0], dy-q[1])-1)/size+0.5))
	}
	if f.Slot > 0 { // from the hub outwards along x
		in *= max(0, min(1, (math.Hypot(dx-max(0, min(f.Slot, dx)), dy)-1.6)/size+0.5))
	}
	in *= o.whole(f, dx, dy, size)
	var c RGB
	if in > 0 {
		c = paper
		grain := 1 + 0.006*o.stain.at(x/0.35, y/0.35)
		if l.Old > 0 {
			n := o.stain.at(x/40+7, y/40)
			grain *= 1 - 0.05*l.Old*max(0, n)
			if d := math.Abs(n - 0.35); d < 0.05 {
				grain *= 1 - 0.04*l.Old*(1-d/0.05) // the rim of a dried stain
			}
		}
		if l.Crease {
			d := 0.8*x + 0.6*y - 11
			grain *= 1 - 0.10*math.Exp(-d*d/0.04) + 0.04*math.Exp(-(d-0.5)*(d-0.5)/0.09)
		}
		for i := range c {
			c[i] *= grain
		}
		if r < f.Diameter/2-0.2 {
			p.transmit(x, y, size, &c)
		}
		for i := range deposits {
			if q := deposits[i].on.mean(x, y, size); q > 0 {
				for k := range c {
					c[k] *= 1 - q*(1-dens(deposits[i].ink[k]))
				}
			}
		}
	}
	o.cover(f, dx, dy, &c)
	if in < 1 {
		b := o.lid(px, py)
		if edge < 0 { // the sheet's own shadow
			s := 0.10 + 0.07*(dx+dy)/(r+1)
			k := 1 - s*math.Exp(edge/1.2)
			for i := range b {
				b[i] *= k
			}
		}
		if r < f.Hub/2 { // the lid seen through the hub hole lies deeper and in shade
			k := 0.93 - 0.10*dx/f.Hub
			for i := range b {
				b[i] *= k
			}
		}
		for i := range c {
			c[i] = c[i]*in + b[i]*(1-in)
		}
	}
	light := 1 + 0.02*(float64(px)/float64(o.w)-0.5) - 0.01*(float64(py)/float64(o.h)-0.5)
	if l.Phone {
		u, v := float64(px)/float64(o.w)-0.5, float64(py)/float64(o.h)-0.5
		light = 0.88 + 0.22*u - 0.12*v - 0.35*(u*u+v*v) + 0.05*o.stain.at(u*3, v*3)
	}
	if l.Shadow > 0 {
		const third, soft = 0.265, 0.3 // the chord so many radii from the middle cuts a third off; mm that the edge is wide
		light *= 1 - l.Shadow*max(0, min(1, (0.8*x+0.6*y-third*f.Diameter/2)/soft+0.5))
	}
	for i := range c {
		c[i] *= light
	}
	return c
}

// whole is the share of a pixel that tears and file holes have left, mm from the sheet's middle.
func (o *optics) whole(f *Form, dx, dy, size float64) float64 {
	in := 1.0
	if depth := o.look.Torn; depth > 0 {
		for _, a := range o.harm.tears {
			s, c := math.Sincos(a)
			along, across := dx*c+dy*s, dy*c-dx*s
			rip := f.Diameter/2 - depth + 0.02*across*across + 1.5*o.stain.at(across/4, a) + 0.4*o.stain.at(across/0.8, a+3)
			in *= max(0, min(1, (rip-along)/size+0.5))
		}
	}
	if o.look.Punched { // ISO 838: holes of 6 mm, 80 mm apart, their middles 12 mm from the edge
		s, c := math.Sincos(o.harm.punch)
		along, across := dx*c+dy*s, math.Abs(dy*c-dx*s)
		in *= max(0, min(1, (math.Hypot(along-(f.Diameter/2-12), across-40)-3)/size+0.5))
	}
	return in
}

// cover lays the stuck note over what is there: it reaches half over the scale's outer end.
func (o *optics) cover(f *Form, dx, dy float64, c *RGB) {
	side := o.look.Note
	if side == 0 {
		return
	}
	s, co := math.Sincos(o.harm.note[0])
	u, v := dx-f.Outer()*co, dy-f.Outer()*s
	s, co = math.Sincos(o.harm.note[0] + o.harm.note[1])
	u, v = u*co+v*s, v*co-u*s
	switch d := max(math.Abs(u), math.Abs(v)) - side/2; {
	case d < 0:
		*c = RGB{0.90, 0.84, 0.45}
		if math.Mod(v+side/2+2, 7) < 0.5 && math.Abs(u) < 0.4*side { // what is written on it
			*c = RGB{0.25, 0.25, 0.32}
		}
	case u > 0 && v > 0 && d < 1.5:
		for i := range c {
			c[i] *= 0.8 + 0.13*d
		}
	}
}

// lid is what lies behind the sheet.
func (o *optics) lid(px, py int) RGB {
	x, y := float64(px)/o.ppmm, float64(py)/o.ppmm
	switch o.look.Lid {
	case "black":
		v := 0.012 + 0.002*o.stain.at(x/3, y/3)
		return RGB{v, v, v}
	case "grey":
		v := 0.33 + 0.01*o.stain.at(x/9, y/9)
		return RGB{v, v, v * 1.02}
	case "wood":
		s := o.stain.at(x/90, y/6+0.8*o.stain.at(x/70+3, y/30))
		s += 0.5*o.stain.at(x/40, y/1.6) + 0.25*o.stain.at(x/12, y/0.6)
		k := 1 + 0.28*s
		return RGB{0.36 * k, 0.22 * k, 0.11 * k}
	}
	v := 0.915 + 0.006*o.stain.at(x/8, y/8)
	return RGB{v, v, v}
}

// blur is a separable Gaussian of the standard deviation in pixels, in place.
func blur(p []float32, w, h int, sd float64) {
	n := int(math.Ceil(3 * sd))
	if sd < 0.1 {
		return
	}
	k := make([]float32, 2*n+1)
	sum := 0.0
	for i := range k {
		d := float64(i - n)
		sum += math.Exp(-d * d / (2 * sd * sd))
	}
	for i := range k {
		d := float64(i - n)
		k[i] = float32(math.Exp(-d*d/(2*sd*sd)) / sum)
	}
	row := make([]float32, w+2*n)
	for y := range h {
		line := p[y*w : (y+1)*w]
		for i := range row {
			row[i] = line[max(0, min(w-1, i-n))]
		}
		for x := range line {
			s := float32(0)
			for i, kv := range k {
				s += kv * row[x+i]
			}
			line[x] = s
		}
	}
	// Down the picture with a ring of the last rows, whole rows at a time.
	ring := make([][]float32, 2*n+1)
	for i := range ring {
		ring[i] = append([]float32(nil), p[max(0, min(h-1, i-n))*w:][:w]...)
	}
	for y := range h {
		out := p[y*w : (y+1)*w]
		for x := range out {
			out[x] = 0
		}
		for i, kv := range k {
			src := ring[(y+i)%(2*n+1)]
			for x := range out {
				out[x] += kv * src[x]
			}
		}
		if next := y + n + 1; next < h {
			copy(ring[y%(2*n+1)], p[next*w:][:w])
		} else {
			copy(ring[y%(2*n+1)], ring[(y+2*n)%(2*n+1)])
		}
	}
}

// expose turns reflectances into pixel values 0–255 as the scanner or camera would.
func (o *optics) expose(planes [][]float32, seed int64) [][]uint8 {
	var curve [4097]float32
	for i := range curve {
		curve[i] = float32(255 * math.Pow(float64(i)/4096, 1/gamma))
	}
	out := make([][]uint8, len(planes))
	var wg sync.WaitGroup
	for c := range planes {
		wg.Add(1)
		go func() {
			defer wg.Done()
			p := planes[c]
			blur(p, o.w, o.h, o.look.Blur*o.ppmm)
			for i, v := range p {
				u := max(0, min(v, 0.9999)) * 4096
				k := int(u)
				p[i] = curve[k] + (u-float32(k))*(curve[k+1]-curve[k])
			}
			if k := float32(o.look.Copy); k > 0 {
				low, high := 70*k, 255-32*k
				for i, v := range p {
					p[i] = 255 * max(0, min(1, (v-low)/(high-low)))
				}
				blur(p, o.w, o.h, o.look.Blur*o.ppmm)
			}
			if o.look.Unsharp > 0 {
				soft := append([]float32(nil), p...)
				blur(soft, o.w, o.h, 1.2)
				for i := range p {
					p[i] += float32(o.look.Unsharp) * (p[i] - soft[i])
				}
			}
			if o.look.Noise > 0 {
				r := rand.New(rand.NewPCG(uint64(seed), 77+uint64(c)))
				sd := float32(o.look.Noise)
				for i := range p {
					p[i] += sd * gauss(r)
				}
			}
			q := make([]uint8, len(p))
			switch o.look.Bilevel {
			case "diffusion":
				diffuse(p, o.w, o.h)
			case "threshold":
				for i, v := range p {
					p[i] = 0
					if v > 200 {
						p[i] = 255
					}
				}
			}
			for i, v := range p {
				v = max(0, min(255, v))
				if o.look.Coarse {
					v = min(255, float32(math.Round(float64(v)/4)*4))
				}
				q[i] = uint8(v + 0.5)
			}
			out[c] = q
		}()
	}
	wg.Wait()
	return out
}

// gauss is a normal deviate of variance 1, near enough: twelve bytes of one draw and a half summed.
func gauss(r *rand.Rand) float32 {
	v := r.Uint64()
	s := 0
	for range 8 {
		s += int(v & 255)
		v >>= 8
	}
	return (float32(s) - 1020) / 209.02 // 8 bytes: mean 8·127.5, sd √(8·(256²−1)/12)
}

// diffuse is Floyd and Steinberg's error diffusion to 0 and 255, in place.
func diffuse(p []float32, w, h int) {
	for y := range h {
		for x := range w {
			i := y*w + x
			old := p[i]
			p[i] = 0
			if old >= 128 {
				p[i] = 255
			}
			e := old - p[i]
			if x+1 < w {
				p[i+1] += e * 7 / 16
			}
			if y+1 < h {
				if x > 0 {
					p[i+w-1] += e * 3 / 16
				}
				p[i+w] += e * 5 / 16
				if x+1 < w {
					p[i+w+1] += e * 1 / 16
				}
			}
		}
	}
}

// stored turns an upright picture into the way it lies in a file of the EXIF orientation.
func stored(planes [][]uint8, w, h, orientation int) ([][]uint8, int, int) {
	if orientation != 3 && orientation != 6 && orientation != 8 {
		return planes, w, h
	}
	W, H := w, h
	if orientation != 3 {
		W, H = h, w
	}
	out := make([][]uint8, len(planes))
	for c, p := range planes {
		q := make([]uint8, len(p))
		for y := range h {
			for x := range w {
				switch orientation {
				case 3:
					q[(h-1-y)*W+w-1-x] = p[y*w+x]
				case 6: // shown after a quarter turn clockwise
					q[(w-1-x)*W+y] = p[y*w+x]
				case 8:
					q[x*W+h-1-y] = p[y*w+x]
				}
			}
		}
		out[c] = q
	}
	return out, W, H
}

// file encodes the picture: JPEG, or PNG where no quality is asked for, with resolution and orientation.
func (o *optics) file(planes [][]uint8) (data []byte, ext string, err error) {
	l := o.look
	planes, w, h := stored(planes, o.w, o.h, l.Orientation)
	var img image.Image
	switch {
	case l.Bilevel != "":
		m := image.NewPaletted(image.Rect(0, 0, w, h), color.Palette{color.Gray{}, color.Gray{Y: 255}})
		for i, v := range planes[0] {
			m.Pix[i] = v >> 7
		}
		img = m
	case len(planes) == 1:
		m := image.NewGray(image.Rect(0, 0, w, h))
		copy(m.Pix, planes[0])
		img = m
	default:
		m := image.NewRGBA(image.Rect(0, 0, w, h))
		for i := range w * h {
			m.Pix[4*i], m.Pix[4*i+1], m.Pix[4*i+2], m.Pix[4*i+3] = planes[0][i], planes[1][i], planes[2][i], 255
		}
		img = m
	}
	dpi := l.Tag
	if dpi == 0 {
		dpi = l.DPI
	}
	var b bytes.Buffer
	if l.Quality == 0 || l.Bilevel != "" {
		enc := png.Encoder{CompressionLevel: png.BestSpeed}
		if l.Coarse {
			enc.CompressionLevel = png.DefaultCompression
		}
		if err := enc.Encode(&b, img); err != nil {
			return nil, "", err
		}
		data = b.Bytes()
		if dpi > 0 {
			chunk := append([]byte("pHYs"), 0, 0, 0, 0, 0, 0, 0, 0, 1)
			perM := uint32(math.Round(dpi / 0.0254))
			binary.BigEndian.PutUint32(chunk[4:], perM)
			binary.BigEndian.PutUint32(chunk[8:], uint32(math.Round(dpi*l.Tall/0.0254)))
			full := binary.BigEndian.AppendUint32(nil, 9)
			full = append(full, chunk...)
			full = binary.BigEndian.AppendUint32(full, crc32.ChecksumIEEE(chunk))
			const header = 33 // signature and IHDR
			data = append(append(append([]byte(nil), data[:header]...), full...), data[header:]...)
		}
		return data, "png", nil
	}
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: l.Quality}); err != nil {
		return nil, "", err
	}
	head := []byte{0xFF, 0xD8}
	if dpi > 0 {
		d := byte(0)
		n, m := uint16(math.Round(dpi)), uint16(math.Round(dpi*l.Tall))
		head = append(head, 0xFF, 0xE0, 0, 16, 'J', 'F', 'I', 'F', 0, 1, 1, 1, byte(n>>8), byte(n), byte(m>>8), byte(m), d, d)
	}
	if l.Orientation > 1 {
		tiff := []byte{'M', 'M', 0, 42, 0, 0, 0, 8, 0, 1, 0x01, 0x12, 0, 3, 0, 0, 0, 1, 0, byte(l.Orientation), 0, 0, 0, 0, 0, 0}
		head = append(head, 0xFF, 0xE1, 0, byte(2+6+len(tiff)), 'E', 'x', 'i', 'f', 0, 0)
		head = append(head, tiff...)
	}
	return append(head, b.Bytes()[2:]...), "jpg", nil
}

// decoded is the upright picture as a reader of the file would see it.
func (o *optics) decoded(planes [][]uint8) *picture.Picture {
	p := &picture.Picture{Width: o.w, Height: o.h, Channels: len(planes), Bilevel: o.look.Bilevel != ""}
	if t := o.look.Tag; t >= 0 {
		if t == 0 {
			t = o.look.DPI
		}
		p.DPIX, p.DPIY = t, t*o.look.Tall
	}
	if q := o.look.Quality; q > 0 && !p.Bilevel {
		flat := *o
		flat.look.Orientation = 0
		if data, _, err := flat.file(planes); err == nil {
			if img, err := jpeg.Decode(bytes.NewReader(data)); err == nil {
				planes = unpack(img, o.w, o.h, len(planes))
			}
		}
	}
	if len(planes) == 1 {
		p.Pix = planes[0]
		return p
	}
	p.Pix = make([]uint8, 3*o.w*o.h)
	for i := range o.w * o.h {
		p.Pix[3*i], p.Pix[3*i+1], p.Pix[3*i+2] = planes[2][i], planes[1][i], planes[0][i]
	}
	return p
}

func unpack(img image.Image, w, h, channels int) [][]uint8 {
	out := make([][]uint8, channels)
	for c := range out {
		out[c] = make([]uint8, w*h)
	}
	for y := range h {
		for x := range w {
			switch m := img.(type) {
			case *image.Gray:
				out[0][y*w+x] = m.Pix[y*m.Stride+x]
			case *image.YCbCr:
				i, j := m.YOffset(x, y), m.COffset(x, y)
				out[0][y*w+x], out[1][y*w+x], out[2][y*w+x] = color.YCbCrToRGB(m.Y[i], m.Cb[j], m.Cr[j])
			}
		}
	}
	return out
}
