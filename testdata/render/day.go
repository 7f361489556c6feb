package render

import (
	"math"
	"math/rand/v2"
)

// Pen of a recorder.
type Pen struct {
	Name  string // "product" or "airspace"
	Ink   string // colour word
	Ahead float64
}

// Batch is one batch as it went. Times are seconds since the chart was put on, by the clock on the wall.
type Batch struct {
	Name, Product            string
	Fat, Solids              float64
	Sweetened                bool
	Legal                    float64 // plant's unit
	Preheated, Outside       bool
	Fill, Start, End, Outlet float64 // filling begins; plateau; outlet opened
	Close                    float64 // what follows belongs to the next batch
	RecorderHigh             float64 // recorder minus indicating, plant's unit
	Indicating, Airspace     []Reading
	Unusual                  string
	NoOutlet                 bool // not written

	target float64 // minutes of hold wanted
	dip    float64 // depth below legal, °F
	low    bool    // the plateau never reaches the legal temperature
	air    float64 // airspace over legal, °F
}

// Reading is a written reading.
type Reading struct {
	At    float64 // seconds since the chart was put on
	Reads float64
}

type product struct {
	name        string
	fat, solids float64
	sweet       bool
	f, c        float64 // legal temperature, 21 CFR 1240.61 and, for frozen dessert mix, 7 CFR 58.635
}

var products = []product{
	{"whole milk", 3.4, 12.5, false, 145, 63}, {"skim milk", 0.2, 9.1, false, 145, 63}, {"low-fat milk", 1, 9.9, false, 145, 63},
	{"creamline milk", 4.3, 13.2, false, 145, 63}, {"half and half", 10.8, 19.1, false, 150, 66}, {"chocolate milk", 1.1, 16.2, true, 150, 66},
	{"eggnog", 6.5, 30, true, 155, 69},
}

const tick = 5.0 // s between samples

func celsius(f float64) float64 { return (f - 32) / 1.8 }

func fahrenheit(c float64) float64 { return c*1.8 + 32 }

// day is the vat's temperature every tick, °F, and what happened.
type day struct {
	product, air []float64
	batches      []*Batch
}

func (d *day) now() float64  { return float64(len(d.product)) * tick }
func (d *day) last() float64 { return d.product[len(d.product)-1] }

// move appends a change to a temperature within some seconds; bend > 0 starts fast and ends slowly.
func (d *day) move(to, seconds, bend float64) {
	from := d.last()
	n := int(math.Max(1, math.Round(seconds/tick)))
	for i := 1; i <= n; i++ {
		u := float64(i) / float64(n)
		if math.Abs(bend) > 1e-3 {
			u = (1 - math.Exp(-bend*u)) / (1 - math.Exp(-bend))
		}
		d.product = append(d.product, from+u*(to-from))
	}
}

// wander is the regulator's slow noise: an Ornstein–Uhlenbeck process.
func wander(r *rand.Rand, n int, sd, tau float64) []float64 {
	k := math.Exp(-tick / tau)
	v := make([]float64, n)
	x := sd * r.NormFloat64()
	smooth := x
	for i := range v {
		x = k*x + sd*math.Sqrt(1-k*k)*r.NormFloat64()
		smooth += 0.15 * (x - smooth) // the bulb and the pen lag
		v[i] = smooth
	}
	return v
}

// cook appends one batch; the plateau's length is set so that the hold comes out as wanted.
func (d *day) cook(seed int64, b *Batch, legal float64, emptying, filling float64) {
	mark := len(d.product)
	plateau := b.target * 60
	for range 6 {
		d.product = d.product[:mark]
		r := rng(seed, "batch "+b.Name)
		noise := wander(r, 4000, between(r, 0.15, 0.32), between(r, 60, 150))
		over := between(r, 1.6, 3)
		if b.low {
			over = -between(r, 1, 1.8)
		}
		if b.RecorderHigh > 0 {
			over += 1.5
		}
		if b.dip > 0 {
			over = math.Max(over, 2)
		}
		b.Fill = d.now()
		if b.Preheated {
			// It comes in hot: the reading counts as soon as the bulb is covered.
			d.move(legal+over, between(r, 40, 90), 1.5)
		} else {
			d.move(between(r, 38, 48), between(r, 120, 260), 2)
			d.move(d.last()+2, between(r, 120, 300), 0)
			d.move(legal+over, between(r, 1100, 2100), between(r, 0.5, 1.8))
		}
		b.Start = d.now()
		n := int(plateau / tick)
		drift := 0.0
		dipAt, dipFor := int(between(r, 0.4, 0.7)*float64(n)), between(r, 24, 50)
		for i := range n {
			t := legal + over + noise[i] - noise[0]*math.Exp(-float64(i)/12) + drift
			if b.dip > 0 {
				z := (float64(i) - float64(dipAt)) / dipFor
				t -= (b.dip + over) * math.Exp(-z*z*4)
			}
			d.product = append(d.product, t)
		}
		b.End = d.now()
		if b.Outside {
			b.Outlet = math.Floor((b.End-emptying*60-20)/60) * 60
			d.move(d.last()-6, 25, 0)
			d.move(between(r, 85, 110), between(r, 240, 500), 3)
		} else {
			cold := between(r, 40, 60)
			d.move(d.last()-2, between(r, 30, 180), -1)
			d.move(cold, between(r, 1500, 2600), between(r, 1.5, 3))
			b.Outlet = math.Round((d.now()-between(r, 30, 200))/60) * 60
			d.move(cold+3, between(r, 400, 700), 0)
		}
		d.move(between(r, 55, 75), between(r, 120, 300), 1)
		if b.low {
			return
		}
		s, e, ok := longest(grid(len(d.product)-mark), d.product[mark:], nil, legal+math.Max(0, b.RecorderHigh), false)
		if b.dip > 0 || !ok {
			return
		}
		if miss := b.target*60 - (e - s); math.Abs(miss) > 2 {
			plateau += miss
			continue
		}
		return
	}
}

func grid(n int) []float64 {
	t := make([]float64, n)
	for i := range t {
		t[i] = float64(i) * tick
	}
	return t
}

// breathe gives the airspace its temperature: over legal from before the
// hold until after it, otherwise following the vat at a distance.
func (d *day) breathe(seed int64, legal map[*Batch]float64) {
	r := rng(seed, "airspace")
	want := make([]float64, len(d.product))
	for i, t := range d.product {
		want[i] = 70 + 0.55*(t-70)
	}
	for _, b := range d.batches {
		for i := range want {
			if t := float64(i) * tick; t > b.Start-900 && t < b.End+240 {
				want[i] = legal[b] + b.air
			}
		}
	}
	noise := wander(r, len(want), 0.25, 120)
	x := want[0]
	d.air = make([]float64, len(want))
	for i, w := range want {
		x += (w - x) * tick / 100
		d.air[i] = x + noise[i]
	}
}
