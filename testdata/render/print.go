package render

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// printed is what a form looks like, prepared for asking point by point.
type printed struct {
	f       *Form
	circles []float64 // radii
	heavy   []bool
	next    []int32   // by radius in steps of step: the nearest circle
	lag     []float64 // by radius: angle of the arc of hour 0
	across  []float64 // by radius: perpendicular distance to an arc for one mm along the circle
	band    []bool    // by radius: lies in a tinted band
	marks   *layer    // hours, numerals, form number, in the second colour
	holes   *layer    // where numerals interrupt the circles
	worn    *noise    // the press does not ink evenly
}

const step = 0.02 // mm, of the tables by radius

func (f *Form) prepare() *printed {
	if f.print != nil {
		return f.print
	}
	p := &printed{f: f, marks: newLayer(f.Diameter / 2), holes: newLayer(f.Diameter / 2), worn: newNoise(f.Seed, "worn")}
	lo, hi := f.Low(), f.High()
	for i := 0; ; i++ {
		at := lo + float64(i)*f.Minor
		if at > hi+f.Minor/100 {
			break
		}
		// Circles stand at whole multiples of the spacing, counted from the scale's lower end.
		p.circles = append(p.circles, f.Radius(at))
		q := at / f.Major
		p.heavy = append(p.heavy, math.Abs(q-math.Round(q)) < 1e-6 || i == 0 || at > hi-f.Minor/2)
	}
	n := int(f.Outer()/step) + 100
	for k := range n {
		r := float64(k) * step
		best := 0
		for i, c := range p.circles {
			if math.Abs(c-r) < math.Abs(p.circles[best]-r) {
				best = i
			}
		}
		p.next = append(p.next, int32(best))
		rr := max(r, 5)
		a := f.side() * (f.swing(rr) - f.swing(f.Outer()))
		p.lag = append(p.lag, a)
		slope := rr * (f.swing(rr+0.01) - f.swing(rr-0.01)) / 0.02
		p.across = append(p.across, 1/math.Sqrt(1+slope*slope))
		q := (f.Temperature(r) - lo) / f.Major
		p.band = append(p.band, !f.Bands || int(math.Floor(q))%2 == 0)
	}
	p.lettering()
	p.marks.seal()
	p.holes.seal()
	f.print = p
	return p
}

// lettering sets hours, numerals and the form number.
func (p *printed) lettering() {
	f := p.f
	r := rng(f.Seed, "lettering")
	size := f.Diameter / 254
	// Hours, upright as seen from the centre or from outside.
	at := f.Outer() + 0.45*(f.Diameter/2-f.Outer())
	height := 3.4 * size
	if f.HoursIn {
		at, height = f.Inner()-3.2*size, 2.4*size
	}
	every := 1.0
	if f.Hours > 24 {
		every = 24
	}
	outward := r.IntN(3) != 0
	for h := 0.0; h < f.Hours; h += every {
		x, y := f.Point(h, f.Outer())
		a := math.Atan2(y, x)
		if f.HoursIn {
			x, y = f.Point(h, f.Inner())
			a = math.Atan2(y, x)
		}
		turn := a + math.Pi/2
		if !outward {
			turn = a - math.Pi/2
		}
		p.marks.text(f.hourLabel(int(h), r.IntN(2) == 0), at*math.Cos(a), at*math.Sin(a), turn, height, false, nil)
	}
	// Numerals on the heavy circles.
	k := max(1, math.Ceil(4.2*size/(f.MMPerDegree((f.Low()+f.High())/2)*f.Major)))
	for h := f.NumeralArc / 2; h < f.Hours; h += f.NumeralArc {
		for i := 1.0; ; i++ {
			t := math.Ceil(f.Low()/f.Major)*f.Major + i*k*f.Major
			if t >= f.High() {
				break
			}
			rad := f.Radius(t)
			x, y := f.Point(math.Floor(h)+0.5*f.ArcEvery/60, rad)
			a := math.Atan2(y, x)
			s := fmt.Sprintf("%g", t)
			p.marks.text(s, x, y, a+math.Pi/2, 1.7*size, false, nil)
			if f.KnockOut {
				w := 0.75 * size * float64(len(s))
				tx, ty := -math.Sin(a), math.Cos(a)
				p.holes.stroke(x-w*tx, y-w*ty, x+w*tx, y+w*ty, 1.15*size, 0.1, 1)
			}
		}
	}
	words := func(what string, x, y, angle, height float64) {
		if !f.Wordless {
			p.marks.text(what, x, y, angle, height, false, nil)
		}
	}
	// What the form is, in the centre or the margin.
	b := between(r, 0, 2*math.Pi)
	name := "FORM " + f.Number
	if f.NumberOut && !f.HoursIn {
		rad := f.Outer() + 0.2*(f.Diameter/2-f.Outer())
		words(name, rad*math.Cos(b), rad*math.Sin(b), b+math.Pi/2, 1.6*size)
	} else {
		rad := 0.55 * f.Inner()
		words(name, rad*math.Cos(b), rad*math.Sin(b), b+math.Pi/2, 1.9*size)
		words(fmt.Sprintf("%g-%g °%s  %g HR", f.Low(), f.High(), f.Unit, f.Hours), (rad-3*size)*math.Cos(b), (rad-3*size)*math.Sin(b), b+math.Pi/2, 1.4*size)
	}
	b += between(r, 2, 4)
	if f.Table > 0 {
		w, h := f.Table/2, 0.3*f.Table
		x0 := f.Outer() - h
		for _, l := range [][4]float64{{-h, -w, h, -w}, {h, -w, h, w}, {h, w, -h, w}, {-h, w, -h, -w}, {0, -w, 0, w}, {-h, 0, h, 0}} {
			p.marks.stroke(x0+l[0], l[1], x0+l[2], l[3], 0.12, 0.05, 1)
		}
		p.marks.text("BATCH", x0+0.5*h, -0.5*w, math.Pi/2, 2, false, nil)
		p.marks.text("OPERATOR", x0-0.5*h, -0.5*w, math.Pi/2, 2, false, nil)
	}
	rad := 0.5 * f.Inner()
	words("BATCH RECORD", rad*math.Cos(b), rad*math.Sin(b), b+math.Pi/2, 1.8*size)
	// Arrows the way the paper turns.
	for i := range 3 {
		a := b + float64(i)*2*math.Pi/3
		rad := f.Outer() + 0.8*(f.Diameter/2-f.Outer())
		d := 2.5 / rad
		if f.Clockwise {
			d = -d // the paper turns against the way later times lie
		}
		for j := -4; j < 4; j++ {
			u, v := a+d*float64(j)/4, a+d*float64(j+1)/4
			p.marks.stroke(rad*math.Cos(u), rad*math.Sin(u), rad*math.Cos(v), rad*math.Sin(v), 0.12, 0.05, 1)
		}
		for _, dr := range []float64{-0.9, 0.9} {
			u, v := a+d, a+0.6*d
			p.marks.stroke(rad*math.Cos(u), rad*math.Sin(u), (rad+dr)*math.Cos(v), (rad+dr)*math.Sin(v), 0.12, 0.05, 1)
		}
	}
}

// inTable is how far a point lies from the middle of the printed table, as shares of its half height and half width.
func (f *Form) inTable(x, y float64) (u, v float64) {
	h := 0.3 * f.Table
	return math.Abs(x-(f.Outer()-h)) / h, math.Abs(y) / (0.5 * f.Table)
}

func (f *Form) hourLabel(h int, words bool) string {
	switch {
	case f.Wordless:
		return "O"
	case f.Hours > 24:
		return []string{"SUN", "MON", "TUE", "WED", "THU", "FRI", "SAT"}[h/24%7]
	case f.Elapsed:
		return fmt.Sprint(h)
	case f.Hours == 24 && f.Seed%2 == 0:
		return fmt.Sprint(h)
	case h == 0 && f.Hours == 24:
		return "MDNT"
	case h == 12 && f.Hours == 24:
		return "NOON"
	case f.Hours == 24:
		return fmt.Sprintf("%d %s", (h+11)%12+1, []string{"AM", "PM"}[h/12])
	}
	return fmt.Sprint((h+11)%12 + 1)
}

// covered is how much of a pixel of size s, whose centre lies d from the middle
// of a line of width w, the line covers along its cross section.
func covered(d, w, s float64) float64 {
	return max(0, min(d+s/2, w/2)-max(d-s/2, -w/2)) / s
}

// transmit multiplies into t what the print lets through at a point, for a pixel of size s mm.
func (p *printed) transmit(x, y, s float64, t *RGB) {
	f := p.f
	r := math.Sqrt(x*x + y*y)
	wear := 1.0
	if r < f.Outer()+1 && r > f.Inner()-1 {
		wear = 1 + 0.12*p.worn.at(x/35, y/35)
		u := r / step
		k := int(u)
		c := p.circles[p.next[k]]
		w := f.WidthMinor
		if p.heavy[p.next[k]] {
			w = f.WidthMajor
		}
		cover := covered(r-c, w, s)
		if f.KnockOut && cover > 0 {
			cover *= 1 - p.holes.mean(x-f.Register[0], y-f.Register[1], s)
		}
		if r < f.Outer()+s && r > f.Inner()-s {
			lag := p.lag[k] + (u-float64(k))*(p.lag[k+1]-p.lag[k])
			m := (math.Atan2(y, x) - lag) / f.rate() * 60 / f.ArcEvery // arcs since hour 0
			n := math.Round(m)
			d := (m - n) * f.ArcEvery / 60 * math.Abs(f.rate()) * r * p.across[k]
			per := f.ArcMajor / f.ArcEvery
			q := n / per
			if math.Abs(q-math.Round(q)) < 1e-6 {
				cover = 1 - (1-cover)*(1-covered(d, f.WidthMajor, s))
			} else if r > f.FineFrom {
				cover = 1 - (1-cover)*(1-covered(d, f.WidthMinor, s))
			}
		}
		if cover > 0 && f.Table > 0 {
			if u, v := f.inTable(x, y); u < 1 && v < 1 {
				cover = 0
			}
		}
		if cover > 0 {
			for i := range t {
				t[i] *= 1 - cover*(1-dens(f.Print[i]*wear))
			}
		}
	}
	bx, by := x-f.Register[0], y-f.Register[1]
	if f.Tint > 0 {
		br := math.Sqrt(bx*bx + by*by)
		if in := min(min(br-f.Inner(), f.Outer()-br)/s+0.5, 1); in > 0 && p.band[int(br/step)] {
			for i := range t {
				t[i] *= dens(f.Second[i] * f.Tint * wear * in)
			}
		}
	}
	if c := p.marks.mean(bx, by, s); c > 0 {
		for i := range t {
			t[i] *= 1 - c*(1-dens(f.Second[i]))
		}
	}
}

var densTable = func() (t [4097]float64) {
	for i := range t {
		t[i] = math.Pow(10, -float64(i)/1024)
	}
	return t
}()

// dens is 10^−d for 0 ≤ d < 4, from a table.
func dens(d float64) float64 {
	u := max(0, min(d, 3.999)) * 1024
	i := int(u)
	return densTable[i] + (u-float64(i))*(densTable[i+1]-densTable[i])
}

// noise is smooth value noise over the plane, about −1…1.
type noise struct{ v [64 * 64]float64 }

func newNoise(seed int64, purpose string) *noise {
	r := rand.New(rand.NewPCG(uint64(seed), uint64(len(purpose))*7919+uint64(purpose[0])))
	n := new(noise)
	for i := range n.v {
		n.v[i] = 2*r.Float64() - 1
	}
	return n
}

func (n *noise) at(x, y float64) float64 {
	fx, fy := math.Floor(x), math.Floor(y)
	u, v := x-fx, y-fy
	u, v = u*u*(3-2*u), v*v*(3-2*v)
	ix, iy := int(fx)&63, int(fy)&63
	jx, jy := (ix+1)&63, (iy+1)&63
	a := n.v[iy*64+ix] + u*(n.v[iy*64+jx]-n.v[iy*64+ix])
	b := n.v[jy*64+ix] + u*(n.v[jy*64+jx]-n.v[jy*64+ix])
	return a + v*(b-a)
}
