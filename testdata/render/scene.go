package render

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"strings"
	"time"

	"penarm/calibrate/picture"
)

// Scenarios that Options.Scenario may name. Several may stand together.
const (
	Clean        = "clean"
	Several      = "several"       // three batches
	Short        = "short"         // hold minutes too short
	MarginalPass = "marginal_pass" // half a minute over
	MarginalFail = "marginal_fail" // half a minute under
	Dip          = "dip"           // below the legal temperature in the middle
	LowPlateau   = "low_plateau"   // never reaches it
	Hot          = "hot"           // emptied hot, long enough
	HotShort     = "hot_short"     // emptied hot, too short for it
	Preheated    = "preheated"     // came in hot: filling counts
	OutletEarly  = "outlet_early"
	RecorderHigh = "rec_high" // recording above indicating
	AirLow       = "air_low"
	Missing      = "missing"  // an entry is not written
	GapHold      = "gap_hold" // no ink during the hold
	GapElse      = "gap_else"
	Stopped      = "stopped"    // the clock stood
	Lap          = "second_lap" // left on beyond one turn
	Turned       = "turned"     // turned by hand
	Wash         = "wash"       // a hot wash that no entry names
	Blot         = "blot"
	Handwriting  = "handwriting" // writing across the line
)

// Vat holds what the plant file says of a vat, minutes.
type Vat struct{ Emptying, Filling float64 }

// Options chooses what is not left to the seed.
type Options struct {
	Form     *Form  // nil: a random one
	Unit     string // plant's unit; "": "F"
	Pens     []Pen  // nil: one product pen
	Vat      Vat    // zero: 7 and 10 min
	Count    int    // batches; 0: by scenario
	Scenario []string
	Look     Look
	Width    float64 // pen line, mm; 0: by seed
	Ragged   float64 // standard deviation of the line's edges and course, mm; 0: 0.012, <0: none
	Bare     bool    // no handwriting at all
	Ratio    float64 // true minutes over chart minutes at the last clock test; 0: no test written
	Name     string  // recorder; "": "R1"
}

// Line is one pen's drawn line: what the truth is.
type Line struct {
	Pen
	Clock []float64 // seconds after start as the printed arcs say, Ahead taken off
	Value []float64 // plant's unit
	Flag  []byte    // '0' scored, '1' off the scale, '2' overwritten, '4' clock stood or chart turned, '8' outside the picture
	Gap   []bool    // no ink
	T0    []float64 // seconds on the wall, never falling

	ink []float64 // 0–1
}

// at is the value at a wall time; false where there is no ink.
func (l *Line) at(t float64) (float64, bool) {
	i := min(max(sort.SearchFloat64s(l.T0, t), 1), len(l.T0)-1)
	u := 0.0
	if d := l.T0[i] - l.T0[i-1]; d > 0 {
		u = math.Max(0, math.Min(1, (t-l.T0[i-1])/d))
	}
	return l.Value[i-1] + u*(l.Value[i]-l.Value[i-1]), !l.Gap[i] && !l.Gap[i-1]
}

// Event is something the chart suffered, in chart seconds.
type Event struct {
	Kind     string
	From, To float64
}

// Scene is one chart in one scan.
type Scene struct {
	Options
	Seed    int64
	Start   time.Time // when the chart was put on
	Lines   []*Line
	Batches []*Batch
	Events  []Event
	blots   []Event
	optics  *optics
	inks    []deposit
	pins    [][2]float64
	hours0  float64 // printed hours at Start
	ratio   float64
	planes  [][]uint8
}

func (s *Scene) pen(name string) *Line {
	for _, l := range s.Lines {
		if l.Name == name {
			return l
		}
	}
	return nil
}

func (s *Scene) has(scenario string) bool {
	for _, x := range s.Scenario {
		if x == scenario {
			return true
		}
	}
	return false
}

func (s *Scene) sameInk() bool { return len(s.Pens) > 1 && s.Pens[0].Ink == s.Pens[1].Ink }

// toForm converts the plant's unit to the form's.
func (s *Scene) toForm(t float64) float64 {
	switch {
	case s.Unit == s.Form.Unit:
		return t
	case s.Unit == "F":
		return celsius(t)
	}
	return fahrenheit(t)
}

func (s *Scene) fromF(t float64) float64 {
	if s.Unit == "C" {
		return celsius(t)
	}
	return t
}

// mmPerDegree of the plant's unit.
func (s *Scene) mmPerDegree(t float64) float64 {
	return math.Abs(s.Form.Radius(s.toForm(t+0.05))-s.Form.Radius(s.toForm(t-0.05))) / 0.1
}

func (s *Scene) blotted(from, to float64) bool {
	for _, b := range s.blots {
		if b.To > from && b.From < to {
			return true
		}
	}
	return false
}

func (s *Scene) turnedIn(from, to float64) bool {
	for _, e := range s.Events {
		if e.Kind == "turned" && e.To > from && e.From < to {
			return true
		}
	}
	return false
}

// Blank is the scan of the unused form.
func (f *Form) Blank() *Scene { return f.BlankAt(250) }

// BlankAt is the same at so many dots an inch.
func (f *Form) BlankAt(dpi float64) *Scene {
	s := &Scene{Seed: f.Seed, Options: Options{Form: f, Unit: f.Unit}}
	r := rng(f.Seed, "blank")
	s.Look = Look{DPI: dpi, Turn: between(r, 0, 360), Warp: 0.05, Coarse: true, Blur: 0.05,
		Offset: [2]float64{between(r, -0.3, 0.3), between(r, -0.3, 0.3)}}
	s.optics = newOptics(f.Seed, f, s.Look)
	s.Look = s.optics.look
	return s
}

// New makes the scene of a seed.
func New(seed int64, o Options) *Scene {
	s := &Scene{Options: o, Seed: seed}
	if s.Form == nil {
		s.Form = RandomForm(seed, false)
	}
	if s.Unit == "" {
		s.Unit = "F"
	}
	if len(s.Pens) == 0 {
		s.Pens = []Pen{{Name: "product", Ink: "blue"}}
	}
	if s.Vat == (Vat{}) {
		s.Vat = Vat{7, 10}
	}
	if s.Name == "" {
		s.Name = "R1"
	}
	if len(s.Scenario) == 0 {
		s.Scenario = []string{Clean}
	}
	s.ratio = 1
	if s.Ratio > 0 && s.Ratio < 1 {
		s.ratio = s.Ratio
	}
	r := rng(seed, "scene")
	if s.Width == 0 {
		s.Width = between(r, 0.28, 0.6)
	}
	switch {
	case s.Ragged == 0:
		s.Ragged = 0.012
	case s.Ragged < 0:
		s.Ragged = 0
	}
	s.Start = time.Date(2026, time.Month(1+r.IntN(12)), 1+r.IntN(28), 4+r.IntN(4), r.IntN(60), 0, 0, time.UTC)
	if !s.Form.Elapsed {
		s.hours0 = float64(s.Start.Hour()) + float64(s.Start.Minute())/60
	}
	d := s.live(r)
	s.lines(d, r)
	s.written(r)
	s.optics = newOptics(seed, s.Form, s.Look)
	s.Look = s.optics.look
	s.draw()
	return s
}

// live makes the day: batches, what goes wrong in them, a wash.
func (s *Scene) live(r *rand.Rand) *day {
	d := &day{product: []float64{between(r, 62, 76)}}
	d.move(d.last()+between(r, -2, 2), between(r, 500, 1500), 0)
	n := s.batchCount()
	trouble := r.IntN(n)
	legalF := map[*Batch]float64{}
	for i := range n {
		q := products[r.IntN(len(products))]
		if i > 0 && r.IntN(2) == 0 {
			q = products[r.IntN(4)]
		}
		for s.toForm(s.fromF(q.f))+14 > s.Form.High() && q.f > 145 {
			q = products[r.IntN(4)] // this form does not reach that high
		}
		b := &Batch{Name: fmt.Sprint(i + 1), Product: q.name, Fat: q.fat, Solids: q.solids, Sweetened: q.sweet, Legal: q.f, target: between(r, 32, 38), air: between(r, 7, 11)}
		lf := q.f
		if s.Form.Unit == "C" { // the law's figure in the unit that the chart is printed in
			lf = fahrenheit(q.c)
		}
		b.Legal, legalF[b] = s.fromF(lf), lf
		need := 30 / s.ratio
		if i != trouble {
			b.target = between(r, 32, 38) / s.ratio
			b.Outside = r.IntN(5) == 0
		} else {
			switch {
			case s.has(Short):
				b.target = between(r, 22, 28.6)
			case s.has(MarginalPass):
				b.target = need + between(r, 0.5, 1)
			case s.has(MarginalFail):
				b.target = need - between(r, 0.5, 1)
			case s.has(Dip):
				b.dip = between(r, 2, 5)
			case s.has(LowPlateau):
				b.low = true
			case s.has(RecorderHigh):
				b.RecorderHigh = between(r, 1, 1.8)
			}
			b.Outside = s.has(Hot) || s.has(HotShort)
			b.Preheated = s.has(Preheated)
			if s.has(AirLow) {
				b.air = between(r, 1, 3)
			}
		}
		full := need
		if b.Outside {
			full += s.Vat.Emptying
		}
		if b.Preheated {
			full += s.Vat.Filling
		}
		if b.Outside || b.Preheated {
			b.target = full + between(r, 2, 6)
			if i == trouble && s.has(HotShort) {
				b.target = full - between(r, 1.5, math.Min(5, s.Vat.Emptying-1))
			}
		}
		d.cook(s.Seed, b, lf, s.Vat.Emptying, s.Vat.Filling)
		if i == trouble && s.has(OutletEarly) && !b.Outside {
			b.Outlet = math.Round((b.Start+between(r, 15, 24)*60)/60) * 60
		}
		if b.RecorderHigh > 0 {
			b.RecorderHigh = s.fromF(32+b.RecorderHigh) - s.fromF(32)
		}
		d.batches = append(d.batches, b)
		d.move(d.last()+between(r, -3, 3), between(r, 300, 900), 0)
		if r.IntN(2) == 0 { // rinse
			d.move(between(r, 95, 130), between(r, 120, 240), 0.8)
			d.move(between(r, 60, 75), between(r, 150, 400), 1.5)
		}
		b.Close = d.now() // a wash that follows belongs to no batch
		if i == n-1 && s.has(Wash) {
			d.move(between(r, 152, 168), between(r, 500, 900), 1)
			d.move(d.last()+2, between(r, 1200, 2400), 0)
			d.move(between(r, 60, 80), between(r, 500, 900), 1.5)
		}
		d.move(between(r, 60, 72), between(r, 300, 600), 1)
	}
	if s.has(Lap) {
		d.move(between(r, 60, 75), s.Form.Hours*3600+between(r, 0.6, 2)*3600-d.now(), 0)
	}
	d.breathe(s.Seed, legalF)
	s.Batches = d.batches
	for i := range s.Batches[1:] {
		s.Batches[i].Close = s.Batches[i+1].Fill
	}
	s.trouble(r, s.Batches[trouble])
	return d
}

// batchCount is how many batches the day has.
func (s *Scene) batchCount() int {
	n := s.Count
	if n == 0 {
		n = 1 + int(uint64(s.Seed)%2)
		if s.has(Several) {
			n = 3
		}
	}
	return n
}

// trouble lays down when, on the wall, the chart itself suffers.
func (s *Scene) trouble(r *rand.Rand, b *Batch) {
	last := s.Batches[len(s.Batches)-1]
	add := func(kind string, from, seconds float64) {
		s.Events = append(s.Events, Event{kind, from, from + seconds})
	}
	if s.has(GapHold) {
		d := between(r, 4, 14) * 60
		add("gap", between(r, b.Start+240, math.Max(b.Start+250, b.End-240-d)), d)
	}
	if s.has(GapElse) {
		d := between(r, 4, 9) * 60
		add("gap", between(r, b.Fill-d, b.Fill+300), d)
	}
	if s.has(Stopped) {
		add("stopped", last.End+between(r, 120, 500), between(r, 600, 1500))
	}
	if s.has(Turned) {
		add("turned", last.End+between(r, -500, 900), 0)
	}
	if s.has(Blot) {
		t := between(r, b.Start, b.End+1200)
		s.blots = append(s.blots, Event{"blot", t, t})
	}
}

// lines turns the day into what the pens draw.
func (s *Scene) lines(d *day, r *rand.Rand) {
	jump := between(r, 12, 45) * 60
	for _, p := range s.Pens {
		l := &Line{Pen: p}
		src := d.product
		if p.Name == "airspace" {
			src = d.air
		}
		dry := rng(s.Seed, "ink "+p.Name)
		faint := newNoise(s.Seed, "faint"+p.Name)
		skip := 0
		lag := 0.0
		lo, hi := s.Form.Low(), s.Form.High()
		beyond := 0.7 / s.Form.MMPerDegree(lo)
		for i, t := range src {
			wall := float64(i) * tick
			v := s.fromF(t)
			flag := byte('0')
			if q := s.toForm(v); q < lo || q > hi {
				flag = '1'
				back := math.Max(lo-beyond, math.Min(hi+beyond, q)) // the pen's stop
				v = back
				if s.Unit != s.Form.Unit {
					v = celsius(back)
					if s.Unit == "F" {
						v = fahrenheit(back)
					}
				}
			}
			gap := false
			for k := range s.Events {
				e := &s.Events[k]
				switch {
				case e.Kind == "gap" && p.Name == "product" && wall >= e.From && wall <= e.To:
					gap = true
				case e.Kind == "stopped" && wall > e.From && wall <= e.To:
					lag += tick
					flag = '4'
				case e.Kind == "turned" && wall >= e.From && wall < e.From+tick:
					// Drawn at one temperature while the paper turns under the pen.
					for a := tick; a <= jump; a += tick {
						l.add(wall, wall-lag+a, v, '4', false, 1)
					}
					lag -= jump
				}
			}
			if skip == 0 && dry.IntN(1500) == 0 {
				skip = 2 + dry.IntN(3)
			}
			ink := 0.92 + 0.14*faint.at(wall/900, 0.5)
			if skip > 0 {
				skip--
				ink = 0.15
			}
			l.add(wall, wall-lag, v, flag, gap, math.Min(1, ink))
		}
		s.Lines = append(s.Lines, l)
	}
	for k := range s.Events { // from here on events stand in chart seconds
		e := &s.Events[k]
		q := s.Lines[0]
		from, to := q.clockAt(e.From), q.clockAt(e.To)
		if e.Kind == "turned" {
			to = from + jump
		}
		if e.Kind != "stopped" {
			e.From, e.To = from, to
		}
	}
	for k := range s.blots {
		s.blots[k].From = s.Lines[0].clockAt(s.blots[k].From)
		s.blots[k].To = s.blots[k].From
	}
	if s.has(Lap) {
		s.Events = append(s.Events, Event{"second_lap", s.Form.Hours * 3600, s.Lines[0].Clock[len(s.Lines[0].Clock)-1]})
	}
}

func (l *Line) add(wall, clock, v float64, flag byte, gap bool, ink float64) {
	l.T0 = append(l.T0, wall)
	l.Clock = append(l.Clock, clock)
	l.Value = append(l.Value, v)
	l.Flag = append(l.Flag, flag)
	l.Gap = append(l.Gap, gap)
	l.ink = append(l.ink, ink)
}

func (l *Line) clockAt(wall float64) float64 {
	return l.Clock[min(sort.SearchFloat64s(l.T0, wall), len(l.T0)-1)]
}

// written makes the entries as an operator would write them.
func (s *Scene) written(r *rand.Rand) {
	p := s.pen("product")
	air := s.pen("airspace")
	half := func(v float64) float64 { return math.Round(2*v) / 2 }
	unit := s.fromF(33) - s.fromF(32)
	for _, b := range s.Batches {
		at := math.Round((b.Start+between(r, 300, 720))/60) * 60
		if b.dip > 0 {
			at = math.Round((b.Start+between(r, 240, 480))/60) * 60
		}
		v, _ := p.at(at)
		off := between(r, 0.7, 1.5) * unit
		if b.RecorderHigh > 0 {
			off = -b.RecorderHigh
		}
		b.Indicating = []Reading{{at, half(v + off)}}
		for _, t := range []float64{b.Start + between(r, 60, 180), b.End - between(r, 100, 240)} {
			t = math.Round(t/60) * 60
			v := b.Legal + b.air*unit
			if air != nil {
				v, _ = air.at(t)
			}
			b.Airspace = append(b.Airspace, Reading{t, half(v + between(r, -0.5, 0.5)*unit)})
		}
	}
	if s.has(Missing) {
		b := s.Batches[r.IntN(len(s.Batches))]
		switch r.IntN(3) {
		case 0:
			b.Indicating = nil
		case 1:
			b.Airspace = nil
		default:
			b.NoOutlet = true
		}
	}
}

// Densities of pen inks, common practice, no source.
var penInks = map[string]RGB{
	"blue": {1.7, 1.15, 0.55}, "red": {0.42, 1.6, 1.45}, "green": {1.6, 0.65, 1.2}, "purple": {1.15, 1.6, 0.75}, "black": {1.8, 1.8, 1.75},
}

var pencil = RGB{0.75, 0.73, 0.70}

// point of the print where a pen stands at chart seconds and a value in the plant's unit.
func (s *Scene) point(clock, v float64) (x, y float64) {
	return s.Form.Point(s.hours0+clock/3600, s.Form.Radius(s.toForm(v)))
}

// draw lays down ink and writing.
func (s *Scene) draw() {
	r := rng(s.Seed, "draw")
	k := between(r, 0.75, 1.25)
	for _, l := range s.Lines {
		on := newLayer(s.Form.Diameter / 2)
		ink := penInks[l.Ink]
		if ink == (RGB{}) {
			ink = penInks["black"]
		}
		for i := range ink {
			ink[i] *= k * between(r, 0.92, 1.08)
		}
		s.trace(on, l)
		if l.Name == "product" {
			s.blot(on, l, r)
		}
		s.inks = append(s.inks, deposit{on, ink})
	}
	if !s.Bare {
		s.write(r)
	}
	for _, q := range s.inks {
		q.on.seal()
	}
	if r.IntN(3) == 0 { // holes of the driving pin
		for range 1 + r.IntN(2) {
			a, d := between(r, 0, 2*math.Pi), s.Form.Diameter/2-between(r, 3, 6)
			s.pins = append(s.pins, [2]float64{d * math.Cos(a), d * math.Sin(a)})
		}
	}
	for _, l := range s.Lines {
		s.flags(l)
	}
}

// trace draws one pen's line with its raggedness.
func (s *Scene) trace(on *layer, l *Line) {
	course, thick := newNoise(s.Seed, "course"+l.Name), newNoise(s.Seed, "t"+l.Name)
	way := 0.0
	const spread = 0.45 // standard deviation of noise.at, about
	wob := func(x, y float64) (float64, float64) {
		return x + s.Ragged/spread*course.at(way/0.6, 1.5), y + s.Ragged/spread*course.at(way/0.6, 9.5)
	}
	for i := 1; i < len(l.Clock); i++ {
		if l.Gap[i] || l.Gap[i-1] {
			continue
		}
		x0, y0 := s.point(l.Clock[i-1]+60*l.Ahead, l.Value[i-1])
		x1, y1 := s.point(l.Clock[i]+60*l.Ahead, l.Value[i])
		d := math.Hypot(x1-x0, y1-y0)
		n := int(math.Ceil(d / 0.2))
		if d == 0 {
			n = 1
		}
		ax, ay := wob(x0, y0)
		for j := 1; j <= n; j++ {
			u := float64(j) / float64(n)
			way += d / float64(n)
			bx, by := wob(x0+u*(x1-x0), y0+u*(y1-y0))
			half := s.Width / 2 * (1 + 0.06*thick.at(way/0.8, 3.5)*math.Min(1, s.Ragged/0.01) + 0.05*thick.at(way/25, 5.5))
			on.stroke(ax, ay, bx, by, half, 0.07+2*s.Ragged, l.ink[i])
			ax, ay = bx, by
		}
	}
}

// blot drops ink on or beside the line and marks what it hides.
func (s *Scene) blot(on *layer, l *Line, r *rand.Rand) {
	for k := range s.blots {
		b := &s.blots[k]
		i := min(sort.SearchFloat64s(l.Clock, b.From), len(l.Clock)-1)
		x, y := s.point(l.Clock[i], l.Value[i])
		a := between(r, 0, 2*math.Pi)
		x, y = x+0.5*math.Cos(a), y+0.5*math.Sin(a)
		size := between(r, 1, 2.4)
		for range 14 {
			a, d := between(r, 0, 2*math.Pi), size*between(r, 0, 0.55)
			on.stroke(x+d*math.Cos(a), y+d*math.Sin(a), x+d*math.Cos(a), y+d*math.Sin(a), size*between(r, 0.4, 0.75), 0.12, 1)
		}
		for j := range l.Clock {
			px, py := s.point(l.Clock[j]+60*l.Ahead, l.Value[j])
			if math.Hypot(px-x, py-y) < size*1.35+0.2 {
				b.From, b.To = math.Min(b.From, l.Clock[j]), math.Max(b.To, l.Clock[j])
				if l.Flag[j] == '0' {
					l.Flag[j] = '2'
				}
			}
		}
	}
}

// write puts operator's notes on the paper; under Handwriting they cross the line.
func (s *Scene) write(r *rand.Rand) {
	on := newLayer(s.Form.Diameter / 2)
	shake := func() float64 { return between(r, -0.12, 0.12) }
	f := s.Form
	up := 1.0 // towards hotter
	if f.Rings[0].At > f.Rings[len(f.Rings)-1].At {
		up = -1
	}
	note := func(text string, clock, v, off, height float64) {
		rad := math.Max(4, math.Min(f.Diameter/2-4, f.Radius(s.toForm(v))+up*off))
		x, y := f.Point(s.hours0+clock/3600, rad)
		a := math.Atan2(y, x) + math.Pi/2 + between(r, -0.08, 0.08)
		on.text(text, x, y, a, height, true, shake)
	}
	line := s.pen("product")
	hottest := func(clock float64) float64 { // of the pens' lines, as they lie there on the paper
		v := math.Inf(-1)
		for _, l := range s.Lines {
			i := min(sort.SearchFloat64s(l.Clock, clock-60*l.Ahead), len(l.Clock)-1)
			v = math.Max(v, l.Value[i])
		}
		return v
	}
	for _, b := range s.Batches {
		mid := line.clockAt((b.Start + b.End) / 2)
		off := -between(r, 7, 11)
		if s.has(Handwriting) {
			off = between(r, -2, 2)
		}
		text := strings.ToUpper(b.Product[:1]) + b.Product[1:] + fmt.Sprintf(" %d gal", 10*(10+r.IntN(45)))
		height := between(r, 1.8, 2.4)
		room := (line.clockAt(b.End) - line.clockAt(b.Start)) * f.MMPerSecond(f.Radius(s.toForm(b.Legal)))
		if !s.has(Handwriting) && 0.75*height*float64(len(text)) > 0.8*room {
			note(text, mid, hottest(mid), between(r, 7, 9), height) // no room between the flanks: on the far side of the lines
		} else {
			note(text, mid, b.Legal, off, height)
		}
		if len(b.Indicating) > 0 {
			q := b.Indicating[0]
			c := line.clockAt(q.At)
			v, _ := line.at(q.At)
			note(fmt.Sprintf("%g", q.Reads), c, hottest(c), between(r, 3.5, 4.5), 2)
			rad := f.Radius(s.toForm(v)) + up*between(r, 1.2, 1.8) // the tick stands beside the line
			x0, y0 := f.Point(s.hours0+c/3600, rad)
			x1, y1 := f.Point(s.hours0+c/3600, rad+up*between(r, 1.2, 2))
			on.stroke(x0, y0, x1, y1, 0.14, 0.1, 0.9)
		}
		if s.has(Handwriting) {
			note("Batch "+b.Name+" ok", line.clockAt(b.End+300), b.Legal, between(r, -3, 3), between(r, 2.5, 3.5))
			note("checked "+string(rune('A'+r.IntN(26))), line.clockAt(b.Start-400), b.Legal-10, between(r, -4, 4), between(r, 2, 3))
		}
	}
	a := between(r, 0, 2*math.Pi)
	rad := 0.72 * f.Inner()
	on.text(s.Start.Format("1/2/06"), rad*math.Cos(a), rad*math.Sin(a), a+math.Pi/2, 2.2, true, shake)
	on.text(s.operator(), rad*math.Cos(a+2.2), rad*math.Sin(a+2.2), a+2.2+math.Pi/2, 2.6, true, shake)
	ink := pencil
	if r.IntN(2) == 0 {
		ink = penInks[pick(r, "blue", "black", "red", "green")]
		for i := range ink {
			ink[i] *= 0.7
		}
	}
	s.inks = append(s.inks, deposit{on, ink})
}

// flags marks samples that lie outside the picture or where a second lap overwrites.
func (s *Scene) flags(l *Line) {
	turn := s.Form.Hours * 3600
	for i := range l.Clock {
		if l.Clock[i]+60*l.Ahead >= turn && s.has(Lap) {
			l.Flag[i] = '2'
			if k := sort.SearchFloat64s(l.Clock, l.Clock[i]-turn); k < len(l.Clock) && math.Abs(l.Value[k]-l.Value[i])*s.mmPerDegree(l.Value[i]) < 1.2 && l.Flag[k] == '0' {
				l.Flag[k] = '2'
			}
		}
		x, y := s.optics.pixel(s.point(l.Clock[i]+60*l.Ahead, l.Value[i]))
		if (x < 1 || y < 1 || x > float64(s.optics.w-2) || y > float64(s.optics.h-2)) && l.Flag[i] == '0' {
			l.Flag[i] = '8'
		}
	}
}

func (s *Scene) operator() string {
	return []string{"T. Alder", "M. Rowe", "J. Finch", "K. Holm"}[uint64(s.Seed)%4]
}

// Pixel of the print at printed hours and a temperature in the form's unit.
func (s *Scene) Pixel(hours, temperature float64) (x, y float64) {
	return s.optics.pixel(s.Form.Point(hours, s.Form.Radius(temperature)))
}

// PixelAt is the pixel of the print at printed hours and a radius, mm.
func (s *Scene) PixelAt(hours, radius float64) (x, y float64) {
	return s.optics.pixel(s.Form.Point(hours, radius))
}

func (s *Scene) render() [][]uint8 {
	if s.planes == nil {
		s.planes = s.optics.expose(s.optics.paint(s.Form, s.inks, s.pins), s.Seed)
	}
	return s.planes
}

// Picture is the scan, upright, as a reader of the file sees it.
func (s *Scene) Picture() *picture.Picture { return s.optics.decoded(s.render()) }

// Encode is the scan's file and its extension, "jpg" or "png".
func (s *Scene) Encode() (data []byte, ext string, err error) { return s.optics.file(s.render()) }
