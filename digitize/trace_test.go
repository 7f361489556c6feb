package digitize

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"runtime/debug"
	"slices"
	"sort"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"penarm/calibrate"
	"penarm/calibrate/form"
	"penarm/calibrate/picture"
	"penarm/digitize/series"
)

// A small chart painted straight from its geometry: what is on it is known to the micrometre.
const pixels = 8.0 // a mm

func smallForm() *form.Form {
	return &form.Form{
		Form: "T-60", Unit: "F", DiameterMM: 125, RotationHours: 12, TimeRuns: "clockwise",
		Rings:     []form.Ring{{At: 30, RadiusMM: 20}, {At: 230, RadiusMM: 60}},
		MinorRing: 5, MajorRing: 10,
		TimeArcs: form.TimeArcs{EveryMinutes: 15, MajorMinutes: 60, PivotMM: 75, ArmMM: 76, Lean: "clockwise"},
		Labels:   form.Labels{Kind: "elapsed"},
	}
}

// tinyForm is a chart of 80 mm, a turn in four hours, for tests that trace dozens: 200 dots an inch give 600 × 600 pixels.
func tinyForm() *form.Form {
	return &form.Form{
		Form: "T-32", Unit: "F", DiameterMM: 80, RotationHours: 4, TimeRuns: "clockwise",
		Rings:     []form.Ring{{At: 50, RadiusMM: 12}, {At: 150, RadiusMM: 32}},
		MinorRing: 5, MajorRing: 10,
		TimeArcs: form.TimeArcs{EveryMinutes: 15, MajorMinutes: 60, PivotMM: 45, ArmMM: 46, Lean: "clockwise"},
		Labels:   form.Labels{Kind: "elapsed"},
	}
}

var onChart = time.Date(2026, 3, 4, 6, 5, 0, 0, time.UTC)

type knot struct{ hours, at float64 } // printed hours, temperature; NaN lifts the pen

type drawn struct {
	ink   string
	knots []knot
	pale  float64    // share of the ink that is missing
	dye   [3]float32 // in place of what the ink's word absorbs
}

// pose is how the paper lies in the picture: turned by an angle, its centre moved by pixels, larger by a factor.
type pose struct{ angle, dx, dy, scale float64 }

// paint draws print, then lines of 0.35 mm, adds noise, and gives the tracing problem.
func paint(f *form.Form, grey bool, pens []Pen, lines ...drawn) Problem {
	return painted(pose{scale: 1}, f, grey, pens, lines...)
}

// edge is the share of a pixel that a stroke of one width covers at a distance from its middle.
func edge(d, width, pixels float64) float64 {
	return math.Max(0, math.Min(1, (width/2-math.Abs(d))*pixels+0.5))
}

// blanks holds what blankOf has painted.
var blanks sync.Map

// blankOf is how much print lies on each pixel of a picture of w by w.
func blankOf(lie pose, f *form.Form, w int) []float32 {
	type key struct {
		form string
		lie  pose
		w    int
	}
	if v, ok := blanks.Load(key{fmt.Sprint(*f), lie, w}); ok {
		return v.([]float32)
	}
	middle := pixels * (f.Outer() + 5)
	pixels := pixels * lie.scale
	turn, lean := math.Cos(lie.angle), math.Sin(lie.angle)
	blank := make([]float32, w*w)
	for i := range blank {
		px, py := (float64(i%w)-middle-lie.dx)/pixels, (float64(i/w)-middle-lie.dy)/pixels
		x, y := turn*px+lean*py, turn*py-lean*px
		r := math.Hypot(x, y)
		if r < f.Inner()-0.3 || r > f.Outer()+0.3 {
			continue
		}
		var v float64
		T := f.Temperature(r)
		for _, m := range []struct{ every, width float64 }{{f.MinorRing, 0.12}, {f.MajorRing, 0.22}} {
			v = math.Max(v, edge((T-math.Round(T/m.every)*m.every)*f.MMPerDegree(r), m.width, pixels))
		}
		h := f.Hours(math.Atan2(y, x), r)
		for _, m := range []struct{ every, width float64 }{{0.25, 0.12}, {1, 0.22}} {
			v = math.Max(v, edge((h-math.Round(h/m.every)*m.every)*3600*f.MMPerSecond(r)*0.8, m.width, pixels))
		}
		blank[i] = float32(v)
	}
	if lie == (pose{scale: 1}) { // the others are painted once only
		blanks.Store(key{fmt.Sprint(*f), lie, w}, blank)
	}
	return blank
}

func painted(lie pose, f *form.Form, grey bool, pens []Pen, lines ...drawn) Problem {
	middle := pixels * (f.Outer() + 5)
	pixels := pixels * lie.scale
	turn, lean := math.Cos(lie.angle), math.Sin(lie.angle)
	w := int(2 * middle)
	var density [3][]float64
	printed := [3]float64{0.25, 0.12, 0.3}
	blank := blankOf(lie, f, w)
	for c := range density {
		density[c] = make([]float64, w*w)
		for i, v := range blank {
			density[c][i] = float64(v) * printed[c]
		}
	}
	for _, l := range lines {
		ink := make([]float64, w*w)
		for k := 1; k < len(l.knots); k++ {
			a, b := l.knots[k-1], l.knots[k]
			if math.IsNaN(a.at) || math.IsNaN(b.at) {
				continue
			}
			long := math.Hypot(f.Radius(b.at)-f.Radius(a.at), 3600*(b.hours-a.hours)*f.MMPerSecond(f.Outer()))
			for n, i := math.Ceil(40*long)+1, 0.0; i <= n; i++ { // forty dots a mm
				s := i / n
				h, T := a.hours+(b.hours-a.hours)*s, a.at+(b.at-a.at)*s
				r := f.Radius(T)
				sin, cos := math.Sincos(f.Angle(h, r))
				px, py := middle+lie.dx+pixels*r*(turn*cos-lean*sin), middle+lie.dy+pixels*r*(turn*sin+lean*cos)
				for y := int(py) - 3; y <= int(py)+4; y++ {
					for x := int(px) - 3; x <= int(px)+4; x++ {
						d := math.Hypot(float64(x)-px, float64(y)-py) / pixels
						ink[y*w+x] = max(ink[y*w+x], edge(d, 0.35, pixels))
					}
				}
			}
		}
		dye := l.dye
		if dye == [3]float32{} {
			dye = words[l.ink]
		}
		for i, v := range ink {
			for c := range density {
				if v == 0 {
					break
				}
				density[c][i] += 0.6 * (1 - l.pale) * v * float64(dye[c])
			}
		}
	}
	r := rand.New(rand.NewPCG(5, 6))
	p := &picture.Picture{Width: w, Height: w, Channels: 3, Pix: make([]uint8, w*w*3)}
	if grey {
		p.Channels, p.Pix = 1, make([]uint8, w*w)
	}
	for i := range w * w {
		for c := range p.Channels {
			d := density[c][i]
			if grey {
				d = (density[0][i] + density[1][i] + density[2][i]) / 3
			}
			bright := 240.0
			if d > 0 {
				bright *= math.Pow(10, -d)
			}
			p.Pix[i*p.Channels+c] = uint8(max(0, min(255, bright+1.5*r.NormFloat64())))
		}
	}
	face := &calibrate.Face{Form: f, Hour: calibrate.HourBlank, UMM: 0.005}
	face.Warp.H = [9]float64{pixels * turn, -pixels * lean, middle + lie.dx, pixels * lean, pixels * turn, middle + lie.dy, 0, 0, 1}
	return Problem{Picture: p, Face: face, Pens: pens, OnChart: onChart}
}

func trace(t *testing.T, p Problem) *Result {
	t.Helper()
	res, err := Trace(context.Background(), p)
	require.NoError(t, err)
	require.Len(t, res.Series, len(p.Pens))
	for _, s := range res.Series {
		for k := 1; k < len(s.Samples); k++ {
			a, b := s.Samples[k-1], s.Samples[k]
			require.False(t, b.Time.Before(a.Time), "times never fall")
			require.LessOrEqual(t, b.Time.Sub(a.Time), 15*time.Second, "at least one sample a quarter minute")
		}
	}
	return res
}

// between gives the samples with from ≤ hours on the chart ≤ to.
func between(s series.Series, from, to float64) (out []series.Sample) {
	for _, p := range s.Samples {
		if h := p.Time.Sub(onChart).Hours(); h >= from && h <= to {
			out = append(out, p)
		}
	}
	return out
}

func kinds(r *Result) (out []series.Kind) {
	for _, e := range r.Events {
		out = append(out, e.Kind)
	}
	return out
}

var one = []Pen{{Name: "product", Ink: "blue"}}

// A pen that lies on a printed circle for an hour is the hold itself: what lies
// under it must neither pull nor swallow it. 145 is a fine circle here, 150 a heavy one.
func TestPlateauOnACircleIsUnbiased(t *testing.T) {
	t.Parallel()
	for _, grey := range []bool{false, true} {
		for _, at := range []float64{145, 150, 147.3} {
			f := smallForm()
			p := paint(f, grey, one, drawn{ink: "blue", knots: []knot{{0, 70}, {0.5, at}, {1.7, at}, {2.5, 60}}})
			res := trace(t, p)
			in := between(res.Series[0], 0.6, 1.6)
			require.Greater(t, len(in), 200)
			mm := f.MMPerDegree(f.Radius(at))
			var sum float64
			covered, weak := 0, 0
			for _, s := range in {
				if s.Quality != series.Good {
					weak++
				}
				sum += s.Temperature - at
				if math.Abs(s.Temperature-at) <= 2*s.UTemperature {
					covered++
				}
			}
			require.Less(t, math.Abs(sum/float64(len(in)))*mm, 0.02, "bias, mm, at %v", at)
			require.Greater(t, float64(covered)/float64(len(in)), 0.9, "inside two standard uncertainties")
			require.Less(t, float64(weak)/float64(len(in)), 0.15, "a line on print is mostly plain")
			require.Empty(t, kinds(res))
		}
	}
}

// A pen that drops exactly along a printed arc runs along a column of print.
func TestDropAlongAnArcIsNotLost(t *testing.T) {
	p := paint(smallForm(), false, one, drawn{ink: "blue", knots: []knot{{0.1, 150}, {1.5, 150}, {1.5, 124}, {2.4, 124}}})
	res := trace(t, p)
	for _, want := range []float64{145, 140, 130} {
		found := false
		for _, s := range between(res.Series[0], 1.49, 1.51) {
			found = found || math.Abs(s.Temperature-want) < 1
		}
		require.True(t, found, "no sample near %v while the pen drops", want)
	}
	require.Empty(t, between(res.Series[0], 2.5, 12))
}

func TestNarrowTipIsReached(t *testing.T) {
	f := smallForm()
	p := paint(f, false, one, drawn{ink: "blue", knots: []knot{{0.1, 80}, {0.6, 80}, {0.63, 45}, {0.66, 80}, {0.9, 120}, {2, 120}}})
	low := math.Inf(1)
	for _, s := range between(trace(t, p).Series[0], 0.5, 0.8) {
		low = math.Min(low, s.Temperature)
	}
	require.InDelta(t, 45, low, 0.2/f.MMPerDegree(f.Radius(45)), "the tip, to 0.2 mm")
}

func TestGapStaysAGap(t *testing.T) {
	nan := math.NaN()
	p := paint(smallForm(), false, one, drawn{ink: "blue", knots: []knot{{0.1, 140}, {1, 140}, {1, nan}, {1.2, 140}, {2.2, 140}}})
	res := trace(t, p)
	require.Equal(t, []series.Kind{series.EventGap}, kinds(res))
	// The round end of a stroke reaches half its width, 0.175 mm, into the gap.
	slack := 0.25 / (smallForm().MMPerSecond(smallForm().Radius(140)) * 3600)
	e := res.Events[0]
	require.InDelta(t, 1.0, e.From.Sub(onChart).Hours(), slack)
	require.InDelta(t, 1.2, e.To.Sub(onChart).Hours(), slack)
	in := between(res.Series[0], 1+slack, 1.2-slack)
	require.NotEmpty(t, in)
	for _, s := range in {
		require.Equal(t, series.Gap, s.Quality)
		require.True(t, math.IsNaN(s.Temperature))
	}
}

// Each mishap on a drawing of its own: what is reported, from when to when, and where on the paper. The ends of
// a gap are held to half a minute of a usual chart, 254 mm and a turn in 12 hours: 0.35 mm at 80 mm from its centre.
func TestEachMishapIsFoundAndPlaced(t *testing.T) {
	t.Parallel()
	nan := math.NaN()
	f := smallForm()
	halfMinute := 0.35 / (3600 * f.MMPerSecond(f.Radius(140)))
	const crossing = 0.1 // hours: two strokes that part are told apart a stroke's width later
	for _, c := range []struct {
		name     string
		lines    []drawn
		kind     series.Kind
		from, to float64
		slack    float64
		at       float64 // temperature of the place
		degrees  float64 // and how near
	}{
		{"restarted pen", []drawn{{ink: "blue", knots: []knot{{0.1, 140}, {1, 141}, {1, nan}, {1.4, 139}, {2.2, 120}}}}, series.EventGap, 1, 1.4, halfMinute, 140, 2},
		{"pen that skipped long", []drawn{{ink: "blue", knots: []knot{{0.1, 140}, {1, 140}, {1, nan}, {1.05, 140}, {2.2, 140}}}}, series.EventGap, 1, 1.05, halfMinute, 140, 1},
		{"dry pen", []drawn{{ink: "blue", knots: []knot{{0.1, 138}, {1, 140}}}, {ink: "blue", knots: []knot{{1, 140}, {1.3, 140}}, pale: 0.5}, {ink: "blue", knots: []knot{{1.5, 140}, {2.5, 90}}}}, series.EventGap, 1.3, 1.5, halfMinute, 140, 1},
		{"stopped clock", []drawn{{ink: "blue", knots: []knot{{0.1, 190}, {1, 180}, {1, 130}, {2, 120}}}}, series.EventStopped, 1, 1, 1.5 / 60, 155, 26},
		{"chart turned on by hand", []drawn{{ink: "blue", knots: []knot{{0.1, 80}, {0.8, 120}, {1.4, 120}, {2, 160}, {2.2, 165}}}}, series.EventTurned, 0.8, 1.4, 2.0 / 60, 120, 1},
		{"time run backward", []drawn{{ink: "blue", knots: []knot{{0.1, 80}, {0.5, 150}, {1.4, 151}}}, {ink: "blue", knots: []knot{{0.8, 151}, {1.3, 120}, {2.2, 70}}}}, series.EventLap, 0.8, 1.4, crossing, 150, 6},
		{"second lap", []drawn{{ink: "blue", knots: []knot{{0.1, 60}, {0.5, 150}, {1.5, 150}, {3, 80}}}, {ink: "blue", knots: []knot{{0.2, 200}, {2.8, 205}}}}, series.EventLap, 0.2, 2.8, crossing, 202, 4},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			p := paint(f, false, one, c.lines...)
			res := trace(t, p)
			// where a further line comes to the pen's, either may be the pen's
			found := slices.DeleteFunc(kinds(res), func(k series.Kind) bool { return c.kind == series.EventLap && k == series.EventAmbig })
			require.Equal(t, []series.Kind{c.kind}, found)
			e := res.Events[0]
			require.InDelta(t, c.from, e.From.Sub(onChart).Hours(), c.slack)
			require.InDelta(t, c.to, e.To.Sub(onChart).Hours(), c.slack)
			hours, radius := p.Face.Locate(e.X, e.Y)
			require.InDelta(t, (c.from+c.to)/2, hours, (c.to-c.from)/2+c.slack)
			require.InDelta(t, c.at, f.Temperature(radius), c.degrees)
		})
	}
}

// A pen that rests on its stop beyond the outermost circle, at the very edge of what is looked at, has drawn a line, and no sheet is torn there.
func TestARestAtTheRimIsALine(t *testing.T) {
	t.Parallel()
	f := tinyForm()
	for _, at := range []float64{151.5, 153, 154.5} { // 0.3 to 0.9 mm beyond
		res := trace(t, paint(f, false, one, drawn{ink: "blue", knots: []knot{{0.1, 60}, {0.5, at}, {1.5, at}, {1.7, 60}}}))
		require.Empty(t, res.Events, at)
		rest := between(res.Series[0], 0.55, 1.45)
		require.NotEmpty(t, rest)
		for _, s := range rest {
			require.NotEqual(t, series.Gap, s.Quality, at)
			require.InDelta(t, at, s.Temperature, 0.1/f.MMPerDegree(f.Radius(at)), "%v %s", at, s.Reason)
		}
	}
}

// The broad line of pens that rest there together is no lid that shows where the sheet is torn.
func TestABroadRestAtTheRimIsALine(t *testing.T) {
	t.Parallel()
	f := tinyForm()
	pens := []drawn{{ink: "blue", knots: []knot{{0.1, 60}, {0.5, 152}, {1.5, 152}, {1.7, 60}}}}
	for at := 151.2; at < 155.5; at += 0.8 { // from 0.1 to 1.2 mm beyond
		pens = append(pens, drawn{ink: "blue", knots: []knot{{0.5, at}, {1.5, at}}})
	}
	rest := between(trace(t, paint(f, false, one, pens...)).Series[0], 0.55, 1.45)
	require.NotEmpty(t, rest)
	for _, s := range rest {
		require.NotEqual(t, series.Gap, s.Quality)
		require.InDelta(t, 153, s.Temperature, 3)
	}
}

// diffused is the problem with its grey picture in black and white by error diffusion (Floyd and Steinberg, 1976).
func diffused(p Problem) Problem {
	pic := *p.Picture
	pic.Bilevel, pic.Pix = true, make([]uint8, len(p.Picture.Pix))
	level := make([]float64, len(pic.Pix)+pic.Width+1)
	for i, v := range p.Picture.Pix {
		level[i] += float64(v)
		if level[i] > 127.5 {
			pic.Pix[i] = 255
		}
		off := (level[i] - float64(pic.Pix[i])) / 16
		level[i+1] += 7 * off
		level[i+pic.Width-1] += 3 * off
		level[i+pic.Width] += 5 * off
		level[i+pic.Width+1] += off
	}
	p.Picture = &pic
	return p
}

// A pen that writes behind the printed arcs is first to touch the paper, and gets its time added.
func TestAPenMayWriteBehind(t *testing.T) {
	t.Parallel()
	const behind = 30.0 / 60
	pens := []Pen{{Name: "product", Ink: "blue", AheadMinutes: -60 * behind}, {Name: "airspace", Ink: "red"}}
	res := trace(t, paint(tinyForm(), false, pens,
		drawn{ink: "blue", knots: []knot{{0.6 - behind, 70}, {1 - behind, 120}, {2 - behind, 120}, {2.2 - behind, 70}}},
		drawn{ink: "red", knots: []knot{{0.6, 80}, {1, 130}, {2, 130}, {2.2, 80}}}))
	for i, want := range []float64{120, 130} {
		s := res.Series[i]
		require.InDelta(t, 0.6, s.Samples[0].Time.Sub(onChart).Hours(), 1.0/60)
		in := between(s, 1.1, 1.9)
		require.NotEmpty(t, in)
		for _, q := range in {
			require.InDelta(t, want, q.Temperature, 0.2)
		}
	}
}

// A skip that ends nearer to the written time than the trace begins is no blank between two turns.
func TestASkipNearTheWrittenTime(t *testing.T) {
	t.Parallel()
	p := paint(tinyForm(), false, one, drawn{ink: "blue", knots: []knot{{0.05, 70}, {0.4, 100}, {0.4, math.NaN()}, {0.44, 102}, {1, 130}, {2, 130}}})
	p.Face.Form.Labels.Kind = "clock"
	p.OnChart = time.Date(2026, 3, 4, 8, 25, 0, 0, time.UTC) // printed hours 0 are 8:00 as well
	s := trace(t, p).Series[0].Samples
	require.InDelta(t, 0.05*60, s[0].Time.Sub(p.OnChart.Truncate(time.Hour)).Minutes(), 1)
	require.Equal(t, 2.0, math.Round(s[len(s)-1].Time.Sub(p.OnChart.Truncate(time.Hour)).Hours()))
}

// What lies before an early skip is the line's beginning, though to begin after it costs a path less.
func TestAnEarlySkip(t *testing.T) {
	t.Parallel()
	f := tinyForm()
	f.RotationHours = 2
	s := trace(t, paint(f, false, one,
		drawn{ink: "blue", knots: []knot{{0.03, 140}, {0.2, 140}, {0.2, math.NaN()}, {0.25, 140}, {0.8, 130}, {1.2, 60}}})).Series[0].Samples
	require.InDelta(t, 0.03*60, s[0].Time.Sub(onChart).Minutes(), 0.2)
	require.InDelta(t, 140, s[len(s)/50].Temperature, 0.2)
}

// The same with writing into which the path runs before the line goes on: neither what lies before nor the fall is left for it.
func TestAnEarlySkipBesideWriting(t *testing.T) {
	t.Parallel()
	f := tinyForm()
	f.RotationHours = 2
	res := trace(t, paint(f, false, one,
		drawn{ink: "blue", knots: []knot{{0.03, 145}, {0.15, 145}, {0.15, math.NaN()}, {0.2, 145}, {0.29, 60}, {1.2, 60}}},
		drawn{ink: "blue", knots: []knot{{0.17, 78}, {0.2, 74}, {0.23, 79}, {0.272, 77}}}))
	require.NotContains(t, kinds(res), series.EventLap)
	require.InDelta(t, 0.03*60, res.Series[0].Samples[0].Time.Sub(onChart).Minutes(), 0.2)
	in := between(res.Series[0], 0.21, 0.25)
	require.NotEmpty(t, in)
	for _, s := range in {
		require.InDelta(t, 145-(s.Time.Sub(onChart).Hours()-0.2)*85/0.09, s.Temperature, 3)
	}
}

// A path that is led on to a mark hours later does not leave the line for print that was not wholly removed.
func TestTheEndOfALineBesideWhatPrintLeaves(t *testing.T) {
	t.Parallel()
	lines := []drawn{{ink: "blue", knots: []knot{{0.1, 80}, {0.8, 140}, {1.4, 140}, {1.5, 60}, {1.9, 60}}}}
	for h := 2.3; h < 8.5; h += 0.2 {
		lines = append(lines, drawn{ink: "blue", knots: []knot{{h, 140}, {h + 0.06, 140}}, pale: 0.3})
	}
	res := trace(t, paint(smallForm(), false, one, lines...))
	require.NotContains(t, kinds(res), series.EventLap)
	in := between(res.Series[0], 1.55, 1.85)
	require.NotEmpty(t, in)
	for _, s := range in {
		require.InDelta(t, 60, s.Temperature, 0.5)
	}
}

// A further line is a second lap where the pen's own is there, too; else it may be the pen's.
func TestWhereAPensOwnLineIsLacking(t *testing.T) {
	t.Parallel()
	tr := newTracer(paint(tinyForm(), false, one, drawn{ink: "blue", knots: []knot{{0.1, 140}, {0.7, 140}, {0.7, math.NaN()}, {1.1, 139}, {1.8, 120}}}))
	tr.survey()
	tr.unroll()
	tr.follow()
	zero := tr.lines[0].v[0].hours - 0.1
	require.Equal(t, 0, tr.lacking(0, zero+0.75, zero+1.05))
	require.Equal(t, 0, tr.lacking(0, zero+0.6, zero+1.1), "for most of it")
	require.Equal(t, -1, tr.lacking(0, zero+0.3, zero+0.8))
	require.Equal(t, -1, tr.lacking(0, zero+1.2, zero+1.7))
}

// So is what starts at the written time, however short, though the line goes on far from it.
func TestAShortBeginning(t *testing.T) {
	t.Parallel()
	f := tinyForm()
	f.RotationHours = 2
	line := []drawn{{ink: "blue", knots: []knot{{0, 120}, {0.08, 120}, {0.08, math.NaN()}, {0.2, 60}, {0.9, 130}, {1.2, 60}}}}
	p := paint(f, false, one, line...)
	res := trace(t, p)
	require.Equal(t, []series.Kind{series.EventGap}, kinds(res))
	require.InDelta(t, 0, res.Series[0].Samples[0].Time.Sub(onChart).Minutes(), 0.2)
	require.InDelta(t, 0.08*60, res.Events[0].From.Sub(onChart).Minutes(), 0.2)
	require.InDelta(t, 0.2*60, res.Events[0].To.Sub(onChart).Minutes(), 0.2)
	p.OnChart = onChart.Add(12 * time.Minute) // when the rest begins: a mark
	require.InDelta(t, 0, trace(t, p).Series[0].Samples[0].Time.Sub(p.OnChart).Minutes(), 0.2)
}

// On a chart of a week the hours of the clock come again every day.
func TestTheDayOnALongTurn(t *testing.T) {
	f := tinyForm()
	f.RotationHours, f.Labels.Kind = 168, "clock"
	on := time.Date(2026, 3, 4, 2, 10, 0, 0, time.UTC)
	c := newClock(Problem{Face: &calibrate.Face{Form: f, Hour: calibrate.HourBlank}, OnChart: on}, 50)
	require.Equal(t, on.Truncate(time.Hour), c.at(50))
}

// A line in another ink than the recorder's is followed, and said to be.
func TestAnotherInkIsSaid(t *testing.T) {
	t.Parallel()
	for ink, want := range map[string][]series.Kind{"red": {series.EventInk}, "blue": nil} {
		res := trace(t, paint(tinyForm(), false, one, drawn{ink: ink, knots: []knot{{0, 70}, {0.3, 120}, {1.2, 121}, {1.9, 60}}}))
		require.Equal(t, want, kinds(res))
		require.NotEmpty(t, between(res.Series[0], 0.4, 1.1))
	}
}

// Both pens were filled with one ink, which is one's or neither's: both lines are read, and asked about. Neither is called a second turn
// outright, nor taken for the other's.
func TestBothPensInOneInk(t *testing.T) {
	t.Parallel()
	pens := []Pen{{Name: "product", Ink: "blue"}, {Name: "airspace", Ink: "red", AheadMinutes: 4}}
	for _, c := range []struct{ ink, writing string }{{"black", ""}, {"purple", ""}, {"green", ""}, {"blue", ""}, {"red", ""}, {"blue", "red"}, {"red", "blue"}} {
		ink := c.ink
		lines := []drawn{
			{ink: ink, knots: []knot{{0, 70}, {0.3, 120}, {1.2, 121}, {1.9, 60}}},
			{ink: ink, knots: []knot{{0.07, 80}, {0.27, 130}, {1.37, 131}, {1.97, 70}}},
		}
		for h := 0.5; c.writing != "" && h < 0.9; h += 0.1 { // a few strokes are no line
			lines = append(lines, drawn{ink: c.writing, knots: []knot{{h, 100}, {h + 0.08, 104}}})
		}
		res := trace(t, paint(tinyForm(), false, pens, lines...))
		require.Contains(t, kinds(res), series.EventLoose, ink)
		require.NotContains(t, kinds(res), series.EventLap, ink)
		for i, level := range []float64{120.5, 130.5} {
			in := between(res.Series[i], 0.4, 1.1)
			require.NotEmpty(t, in, ink)
			for _, s := range in {
				require.InDelta(t, level, s.Temperature, 0.7, "%s, pen %d at %s", ink, i, s.Time)
			}
		}
	}
}

// A copy in black and white has lost the colours of its pens, though the picture has some: of the desk it lies on.
func TestACopyOnAColouredDesk(t *testing.T) {
	pens := []Pen{{Name: "product", Ink: "blue"}, {Name: "airspace", Ink: "red"}}
	p := paint(tinyForm(), true, pens, drawn{ink: "black", knots: []knot{{0, 70}, {0.3, 120}, {1.2, 121}, {1.9, 60}}},
		drawn{ink: "black", knots: []knot{{0, 80}, {0.2, 130}, {1.3, 131}, {1.9, 70}}})
	grey := p.Picture
	pic := *grey
	pic.Channels, pic.Pix = 3, make([]uint8, 0, 3*len(grey.Pix))
	for i, v := range grey.Pix {
		if i < 20*grey.Width { // beyond the sheet
			pic.Pix = append(pic.Pix, 90, 140, 190)
		} else {
			pic.Pix = append(pic.Pix, v, v, v)
		}
	}
	want := trace(t, p)
	p.Picture = &pic
	got := trace(t, p)
	require.Equal(t, kinds(want), kinds(got))
	for i, level := range []float64{120, 130} {
		in := between(got.Series[i], 0.4, 1.1)
		require.NotEmpty(t, in)
		for _, s := range in {
			require.InDelta(t, level, s.Temperature, 1.2, "pen %d at %s", i, s.Time)
		}
	}
}

// Habits of vats are in degF: cold milk cools the product's bulb by nine of them more.
func TestHabitsCountInFahrenheit(t *testing.T) {
	for unit, per := range map[string]float64{"F": 1, "C": 1 / 1.8} {
		f := tinyForm()
		f.Unit = unit
		tr := &tracer{form: f}
		line := func(dip float64) (v []vertex) {
			for k := range 100 {
				T := 90 - dip*per*math.Max(0, 1-math.Abs(float64(k)-50)/20)
				v = append(v, vertex{x: 30 + 0.08*float64(k), radius: f.Radius(T), hours: float64(k) / 100, ink: true})
			}
			return v
		}
		require.InDelta(t, dipOdds, tr.habits(line(20), line(11), "product", "airspace"), 1e-9, unit)
		require.Zero(t, tr.habits(line(20), line(13), "product", "airspace"), unit)
		fall := line(30)[:50] // it does not come up again
		require.Zero(t, tr.habits(line(0), fall, "product", "airspace"), unit)
	}
}

// What the removal of diffused print leaves is no line, where the pen's has ended.
func TestWhatPrintLeavesIsNoLine(t *testing.T) {
	p := diffused(paint(smallForm(), true, one, drawn{ink: "black", knots: []knot{{0.1, 60}, {0.5, 140}, {2, 141}, {2.1, 60}, {2.2, 60}}}))
	s := trace(t, p).Series[0]
	for _, q := range between(s, 0.1, 2) {
		require.NotEqual(t, series.Gap, q.Quality, "at %s", q.Time)
	}
	require.Empty(t, between(s, 2.3, 12))
}

// Less than half a minute without ink is a weak piece of the line, not a gap; so is ink of about half the density.
func TestASkipAndFaintInkAreWeak(t *testing.T) {
	t.Parallel()
	f := tinyForm()
	f.RotationHours = 2 // 28 s are 0.7 mm, twice the stroke
	const skip = 28.0 / 3600
	res := trace(t, paint(f, false, one, drawn{ink: "blue", knots: []knot{{0.05, 140}, {0.5, 140}, {0.5, math.NaN()}, {0.5 + skip, 140}, {1, 140}}},
		drawn{ink: "blue", knots: []knot{{1, 140}, {1.3, 140}}, pale: 0.55}))
	require.Empty(t, res.Events)
	skipped := false
	for _, s := range between(res.Series[0], 0.5, 0.5+skip) {
		require.NotEqual(t, series.Gap, s.Quality)
		skipped = skipped || s.Reason == "the pen skipped"
	}
	require.True(t, skipped)
	faint := between(res.Series[0], 1.05, 1.25)
	weak := 0
	for _, s := range faint {
		require.InDelta(t, 140, s.Temperature, 0.1/f.MMPerDegree(f.Radius(140)))
		if s.Quality == series.Weak {
			weak++
		}
	}
	require.Greater(t, weak, len(faint)/2)
}

func TestAStandingClockIsSeen(t *testing.T) {
	t.Parallel()
	p := paint(smallForm(), false, one, drawn{ink: "blue", knots: []knot{{0.1, 190}, {1, 180}, {1, 130}, {2, 120}}})
	require.Contains(t, kinds(trace(t, p)), series.EventStopped)
	p = paint(smallForm(), false, one, drawn{ink: "blue", knots: []knot{{0.1, 190}, {1, 180}, {1.05, 130}, {2, 120}}}) // three minutes: merely fast
	require.NotContains(t, kinds(trace(t, p)), series.EventStopped)
	p = paint(smallForm(), false, one, drawn{ink: "blue", knots: []knot{{0.1, 50}, {1, 50}, {1.0125, 148}, {2, 150}}}) // hot milk reaches the bulb within 45 s
	require.NotContains(t, kinds(trace(t, p)), series.EventStopped)
	for _, c := range []struct {
		lean  float64 // mm along time a mm of line
		stood bool
	}{{0.0015, true}, {-0.0015, true}, {0.0045, false}} { // a map may be a little off; the bulb takes its time
		f := smallForm()
		hours := c.lean * (f.Radius(210) - f.Radius(60)) / (3600 * f.MMPerSecond(f.Radius(135)))
		p = paint(f, false, one, drawn{ink: "blue", knots: []knot{{0.1, 220}, {1, 210}, {1 + hours, 60}, {2, 50}}})
		if c.stood {
			require.Contains(t, kinds(trace(t, p)), series.EventStopped, c.lean)
		} else {
			require.NotContains(t, kinds(trace(t, p)), series.EventStopped, c.lean)
		}
	}
}

// The chart may be taken off while its clock stands, and a path leave that stroke out.
func TestAClockThatStandsToTheEnd(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		knots []knot
		stood int
	}{
		"stands":    {[]knot{{0.1, 190}, {1, 180}, {1, 140}}, 1},
		"level":     {[]knot{{0.1, 190}, {1, 180}}, 0},
		"falling":   {[]knot{{0.1, 190}, {1, 180}, {1.1, 140}}, 0},
		"from cold": {[]knot{{0.1, 60}, {0.2, 180}, {1, 180}}, 0},
	} {
		p := paint(smallForm(), false, one, drawn{ink: "blue", knots: c.knots})
		require.Len(t, trace(t, p).Events, c.stood, name)
		tr := newTracer(p)
		tr.survey()
		tr.unroll()
		tr.follow()
		l := tr.lines[0]
		for len(l.v) > 0 && l.v[len(l.v)-1].radius < tr.form.Radius(178) && c.stood > 0 {
			l.v = l.v[:len(l.v)-1]
		}
		tr.events = nil
		tr.standingAtEnd(0)
		require.Len(t, tr.events, c.stood, name)
	}
}

// While a clock stands a pen may go to and fro on one arc: most of the stroke is drawn twice then, and weak or a tip.
func TestAStrokeDrawnTwiceIsAStroke(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		clear float64 // mm that are no tip
		twice bool
		stood bool
	}{"once": {6, false, true}, "twice": {6, true, true}, "mostly a tip": {3.4, true, true}, "a tip alone": {1, true, false}} {
		tr := newTracer(paint(smallForm(), false, one))
		const high, low = 50.0, 40.0
		hours := tr.frame.Hour + 1
		var v []vertex
		put := func(radius float64, tip, weak bool) {
			x, y := tr.point((hours-tr.frame.Hour)/tr.frame.HourStep, (radius-tr.frame.Radius)/stepMM)
			p := vertex{x: x, y: y, hours: hours, radius: radius, ink: true, fixed: tip, weak: weak}
			if weak {
				p.reason = wideStroke
			}
			v = append(v, p)
		}
		level := func(radius float64) {
			for range 60 {
				put(radius, false, false)
				hours += alongMM / (3600 * tr.form.MMPerSecond(radius))
			}
		}
		level(high)
		for r := high; r > low; r -= alongMM {
			put(r, high-r > c.clear, c.twice && high-r <= c.clear)
		}
		level(low)
		tr.lines = []*line{{v: v}}
		tr.standing(0)
		require.Equal(t, c.stood, len(tr.events) == 1, name)
	}
}

// restless is a vat's regulated plateau: knots every 72 s, standard deviation 0.3 °F, 0.06 mm here.
func restless(r *rand.Rand, from, to, at float64) (k []knot) {
	for h := from; h < to; h += 0.02 {
		k = append(k, knot{h, at + 0.3*r.NormFloat64()})
	}
	return k
}

// The paper turned under a standing pen leaves a stretch without the wander of the milk around it.
func TestATurnedChartIsSeen(t *testing.T) {
	t.Parallel()
	seen := 0
	for seed := uint64(7); seed < 13; seed++ {
		r := rand.New(rand.NewPCG(seed, 8))
		k := append([]knot{{0, 60}}, restless(r, 0.5, 1.3, 150)...)
		at := k[len(k)-1].at
		turned := append(append([]knot{}, k...), knot{1.9, at})
		turned = append(append(turned, restless(r, 1.92, 2.1, 150)...), knot{2.8, 60})
		for _, e := range trace(t, paint(smallForm(), false, one, drawn{ink: "blue", knots: turned})).Events {
			seen++
			require.Equal(t, series.EventTurned, e.Kind)
			const knots = 9 * 0.02 // some of the restless ones beside may happen to keep the level
			require.InDelta(t, 1.3, e.From.Sub(onChart).Hours(), knots, seed)
			require.InDelta(t, 1.9, e.To.Sub(onChart).Hours(), knots, seed)
		}

		plain := append(append(k, restless(r, 1.3, 2.1, 150)...), knot{2.8, 60})
		require.Empty(t, kinds(trace(t, paint(smallForm(), false, one, drawn{ink: "blue", knots: plain}))))
	}
	require.GreaterOrEqual(t, seen, 5, "of six") // a pen that hardly moves for half an hour may look like one that stood
}

// A level stretch breaks a slope even where a fibre beside its end makes the line bulge by a part of its width, and where it is of hot
// milk and long, even one that goes on less steeply.
func TestALevelStretchBreaksASlope(t *testing.T) {
	tr := newTracer(paint(smallForm(), false, one))
	for _, c := range []struct {
		radius, minutes, before, after, bulge float64 // mm, of the level; mm a mm
		breaks                                bool
	}{
		{40, 50, 1, 1, 0, true},
		{40, 50, 1, 1, -0.15, true},
		{40, 50, 1, 1, 0.15, true},
		{40, 50, 2.5, 1, 0, true},
		{40, 50, 3.5, 1, 0, false},
		{40, 14, 2.5, 1, 0, false},
		{30, 50, 2.5, 1, 0, false}, // 80 °F
	} {
		const flank = 80 // vertices
		level := int(c.minutes * 60 * tr.form.MMPerSecond(c.radius) / alongMM)
		v := []vertex{{radius: c.radius + flank*alongMM*c.before/math.Hypot(1, c.before), ink: true}}
		for k := range 2*flank + level {
			slope, p := 0.0, v[k]
			switch {
			case k < flank:
				slope = c.before
			case k >= flank+level:
				slope = c.after
			}
			p.hours += alongMM / math.Hypot(1, slope) / 3600 / tr.form.MMPerSecond(c.radius)
			p.radius -= alongMM * slope / math.Hypot(1, slope)
			v = append(v, p)
		}
		for k := range 13 {
			v[flank+16+k].radius += c.bulge * math.Sin(math.Pi*float64(k)/12)
		}
		tr.lines, tr.plane = []*line{{v: v, width: 0.15}}, []int{0}
		require.Equal(t, c.breaks, tr.breaksSlope(0, flank+29, flank+level-5), c)
	}
}

// The longer heated milk keeps to one temperature, the less wander beside it is needed to doubt it.
func TestALongLevelStretchOfHeatedMilk(t *testing.T) {
	t.Parallel()
	seen := 0
	for seed := uint64(1); seed <= 16; seed++ {
		k := []knot{{0, 50}}
		for _, q := range restless(rand.New(rand.NewPCG(seed, 8)), 0.9, 1.3, 0) {
			k = append(k, knot{q.hours, 150 + 0.7*q.at})
		}
		k = append(k, knot{1.65, k[len(k)-1].at}, knot{2.4, 40})
		seen += len(trace(t, paint(smallForm(), false, one, drawn{ink: "blue", knots: k})).Events)
	}
	require.GreaterOrEqual(t, seen, 11, "of 16 after 24 minutes of wander; without its length 8")
}

// A vat that stands between two rises drifts; between two rises the paper that was turned under the pen does not.
func TestADriftIsNoTurn(t *testing.T) {
	t.Parallel()
	for to, want := range map[float64][]series.Kind{120: {series.EventTurned}, 120.19: nil} { // 0.04 mm
		res := trace(t, paint(smallForm(), false, one, drawn{ink: "blue", knots: []knot{{0.1, 80}, {0.8, 120}, {1.4, to}, {2, to + 40}, {2.2, to + 45}}}))
		require.Equal(t, want, kinds(res), to)
	}
}

// Two pens of one ink that come together where the paper was turned under them hide the slopes beside its corners, which are seen
// farther off.
func TestATurnIsSeenWhereLinesMeet(t *testing.T) {
	f := smallForm()
	var v []vertex
	r, h, x := 40.0, 1.0, 0.0
	walk := func(n int, rise, slope float64) { // rise in mm a vertex
		for range n {
			v = append(v, vertex{x: x, y: r, radius: r, hours: h, ink: true})
			r, h, x = r+rise, h+alongMM/math.Hypot(1, slope)/(f.MMPerSecond(40)*3600), x+alongMM
		}
	}
	walk(60, -0.076, -3)
	from := len(v)
	walk(8, 0.015, 0.19) // two lines that part and meet within a stroke are seen as one that wavers
	walk(12, -0.016, -0.2)
	walk(150, 0, 0)
	walk(9, -0.02, -0.26)
	walk(10, -0.08, -50)
	to := len(v)
	walk(60, -0.076, -3)
	apart := slices.Clone(v)
	for k := range apart {
		if k < from || k >= to {
			apart[k].y += 5
		}
	}
	tr := &tracer{form: f, plane: []int{0, 0}, lines: []*line{{v: v}, {v: apart}}}
	require.True(t, tr.breaksSlope(0, from+20, to-20))
}

// The likelihood of two steps that share a normal one of unknown size is the integral over that size.
func TestStepsOfInkAtBothEnds(t *testing.T) {
	bell := func(x, sd float64) float64 { return math.Exp(-x*x/(2*sd*sd)) / (sd * math.Sqrt(2*math.Pi)) }
	student := func(x, sd float64) float64 { // four degrees of freedom: 3/8·(1+x²/4)^(−5/2)
		x /= sd
		return 0.375 * math.Pow(1+x*x/4, -2.5) / sd
	}
	for _, c := range []struct{ up, down, sd float64 }{{0.2, 0.25, 0.05}, {0.2, -0.2, 0.05}, {0.05, 0.02, 0.05}, {-0.3, -0.2, 0.08}} {
		sum, step := 0.0, 0.001
		for d := -1.5; d <= 1.5; d += step {
			sum += bell(d, inkStepSD) * bell(c.up-d, c.sd) * bell(c.down-d, c.sd) * step
		}
		require.InDelta(t, math.Log(sum)-math.Log(student(c.up, c.sd))-math.Log(student(c.down, c.sd)), sharedStep(c.up, c.down, c.sd), 0.01)
	}
}

func TestARingOfInkIsASecondTurn(t *testing.T) {
	t.Parallel()
	day := []knot{{0, 70}, {0.5, 150}, {1.5, 150}, {2.5, 80}, {7, 81}, {11.6, 82}}
	require.NotContains(t, kinds(trace(t, paint(smallForm(), false, one, drawn{ink: "blue", knots: day}))), series.EventLap)
	over := append(day, knot{12.5, 82})
	require.Contains(t, kinds(trace(t, paint(smallForm(), false, one, drawn{ink: "blue", knots: over}))), series.EventLap)
}

// On print as dark as itself a line cannot be seen to end: whether the chart went round again is not settled.
func TestABlankThatPrintWouldHide(t *testing.T) {
	t.Parallel()
	day := func(end float64) []knot {
		return []knot{{0, 80.3}, {0.3, 80.3}, {0.7, 150}, {1.5, 150}, {2.5, 88}, {10.8, 88}, {11.1, end}, {11.6, end}}
	}
	dark := func(k []knot) Problem {
		return paint(smallForm(), true, one, drawn{ink: "black", dye: [3]float32{0.3, 0.3, 0.3}, knots: k})
	}
	require.Contains(t, kinds(trace(t, dark(day(80.3)))), series.EventNoBlank)
	require.NotContains(t, kinds(trace(t, dark(day(85)))), series.EventNoBlank)
	require.NotContains(t, kinds(trace(t, paint(smallForm(), false, one, drawn{ink: "blue", knots: day(80.3)}))), series.EventNoBlank)

	p := dark(day(80.3)) // the circle is not printed there: the paper is seen to be bare
	f := p.Face.Form
	for i := range p.Picture.Pix {
		h, r := p.Face.Locate(float64(i%p.Picture.Width), float64(i/p.Picture.Width))
		if h > 11.65 && h < 11.98 && math.Abs(r-f.Radius(80)) < 0.4 {
			p.Picture.Pix[i] = 235
		}
	}
	require.NotContains(t, kinds(trace(t, p)), series.EventNoBlank)
}

// A pen that rests on its stop leaves a ring that looks like print where the chart goes round more than once.
func TestARestAllRoundTheTurnIsNoPrint(t *testing.T) {
	t.Parallel()
	const stop = 26.5 // °F, 0.7 mm below the scale
	resting := func(until float64) Problem {
		return paint(smallForm(), true, one, drawn{ink: "black", knots: []knot{{0, stop}, {0.4, stop}, {0.9, 150}, {1.6, 150}, {2.5, stop}, {until, stop}}})
	}
	require.Contains(t, kinds(trace(t, resting(14.6))), series.EventNoBlank)
	require.NotContains(t, kinds(trace(t, resting(11.5))), series.EventNoBlank)
}

// A further line as steep as it is long in time is a line as any other.
func TestAFurtherLineAtFortyFiveDegrees(t *testing.T) {
	t.Parallel()
	res := trace(t, paint(smallForm(), false, one,
		drawn{ink: "blue", knots: []knot{{0, 70}, {0.5, 150}, {1.5, 150}, {2.5, 60}, {7, 61}}},
		drawn{ink: "blue", knots: []knot{{4, 90}, {5.1, 200}}})) // 22 mm each way
	require.Contains(t, kinds(res), series.EventLap)
}

// Where a further line comes to the pen's, either may be the pen's for as long before as a hold lasts; where it keeps clear, none is in doubt,
// and a short one may be a hair.
func TestAFurtherLineThatMeetsThePens(t *testing.T) {
	t.Parallel()
	day := drawn{ink: "blue", knots: []knot{{0.1, 80}, {0.5, 150}, {1.4, 151}, {2.2, 80}}}
	for from, want := range map[float64]bool{151: true, 110: false} {
		res := trace(t, paint(smallForm(), false, one, day, drawn{ink: "blue", knots: []knot{{0.85, from}, {1.7, from - 50}}}))
		kind := series.EventLoose
		if want {
			kind = series.EventLap
		}
		require.Contains(t, kinds(res), kind)
		doubt := slices.ContainsFunc(res.Events, func(e series.Event) bool {
			return e.Kind == series.EventAmbig && e.From.Sub(onChart).Hours() < 0.6 && e.To.Sub(onChart).Hours() > 0.7
		})
		require.Equal(t, want, doubt, from)
		weak := 0
		for _, s := range between(res.Series[0], 0.62, 0.68) {
			if s.Quality == series.Weak {
				weak++
			}
		}
		require.Equal(t, want, weak > 0, from)
	}
	// It is told of every pen that writes with its ink, in whichever order the plant names them.
	pens := []Pen{{Name: "airspace", Ink: "blue"}, {Name: "product", Ink: "blue"}}
	res := trace(t, paint(smallForm(), false, pens, day, drawn{ink: "blue", knots: []knot{{0.1, 60}, {0.5, 190}, {1.4, 190}, {2.2, 60}}},
		drawn{ink: "blue", knots: []knot{{0.6, 85}, {1.5, 110}}}))
	told := map[string]bool{}
	for _, e := range res.Events {
		told[e.Pen] = told[e.Pen] || e.Kind == series.EventLoose
	}
	require.True(t, told["airspace"] && told["product"], "%v", res.Events)
}

// In black and white a further line along a printed circle may be print that a threshold left, and none elsewhere.
func TestAFurtherLineAlongACircleInBlackAndWhite(t *testing.T) {
	t.Parallel()
	for at, want := range map[float64][]series.Kind{100: {series.EventNoBlank}, 103.5: {series.EventLap}} {
		p := paint(smallForm(), true, one,
			drawn{ink: "black", knots: []knot{{0, 70}, {0.5, 150}, {1.5, 150}, {2.5, 60}, {10, 61}}},
			drawn{ink: "black", knots: []knot{{4, at}, {6, at}}})
		p.Picture.Bilevel = true
		for i, v := range p.Picture.Pix {
			p.Picture.Pix[i] = 255
			if v < 128 {
				p.Picture.Pix[i] = 0
			}
		}
		require.Equal(t, want, kinds(trace(t, p)), at)
	}
}

// Forgotten on an idle vat, a chart's second turn lies level below the day's own batch: the shorter line, and not the first turn's.
func TestTheFirstTurnIsFollowedUnderASecond(t *testing.T) {
	t.Parallel()
	f := smallForm()
	res := trace(t, paint(f, false, one, drawn{ink: "blue", knots: []knot{{0, 70}, {0.5, 150}, {1.5, 150}, {2.5, 80}, {7, 81}, {11.6, 82}, {14.47, 82}}}))
	require.Contains(t, kinds(res), series.EventLap)
	in := between(res.Series[0], 0.6, 1.4)
	require.NotEmpty(t, in)
	for _, s := range in {
		require.InDelta(t, 150, s.Temperature, 0.1/f.MMPerDegree(f.Radius(150)))
	}
}

// The edge of a stroke 0.35 mm wide lies 0.175 mm from its centre.
func TestLowerEdge(t *testing.T) {
	f := smallForm()
	p := paint(f, false, one, drawn{ink: "blue", knots: []knot{{0, 70}, {0.5, 150}, {1.7, 150}, {2.5, 60}}})
	p.LowerEdge = true
	for _, s := range between(trace(t, p).Series[0], 0.6, 1.6) {
		require.InDelta(t, 150-0.175/f.MMPerDegree(f.Radius(150)), s.Temperature, 0.05/f.MMPerDegree(f.Radius(150)))
	}
	// On a scale that is coldest at the rim it is the outer edge, and where a line is wider its edge is farther off.
	f.Rings = []form.Ring{{At: 230, RadiusMM: 20}, {At: 30, RadiusMM: 60}}
	mm := math.Abs(f.MMPerDegree(f.Radius(147)))
	beside := func(off float64) drawn { // three strokes of 0.35 mm side by side
		return drawn{ink: "blue", knots: []knot{{1.21, 147 + off/mm}, {1.9, 147 + off/mm}}}
	}
	p = paint(f, false, one, drawn{ink: "blue", knots: []knot{{0, 70}, {0.5, 147}, {2.8, 147}, {2.9, 60}}}, beside(-0.35), beside(0.35))
	p.LowerEdge = true
	s := trace(t, p).Series[0]
	for _, c := range []struct{ from, to, edge float64 }{{0.6, 1.1, 0.175}, {1.3, 1.8, 0.525}} {
		in := between(s, c.from, c.to)
		require.NotEmpty(t, in)
		for _, q := range in {
			require.InDelta(t, 147-c.edge/mm, q.Temperature, 0.05/mm)
		}
	}
	// Arcs lean, so that on flanks nearly along them the edge towards the rim may be the colder one: it is never above the centre.
	f = smallForm()
	p = paint(f, false, one, drawn{ink: "blue", knots: []knot{{0, 60}, {0.1, 150}, {0.6, 150}, {0.7, 60}, {1.1, 60}, {1.5, 150}, {2, 150}, {2.4, 60}}})
	centre := trace(t, p).Series[0]
	p.LowerEdge = true
	lower := trace(t, p).Series[0]
	above, seen := 0, 0
	for _, q := range between(lower, 0.02, 2.38) {
		if c, ok := centre.At(q.Time, false); ok {
			if seen++; q.Temperature > c+0.02/mm {
				above++
			}
		}
	}
	require.NotZero(t, seen)
	require.Less(t, float64(above), 0.01*float64(seen))
}

// Two pens that cross; the second writes four minutes ahead of the first.
func TestTwoPensCross(t *testing.T) {
	f := smallForm()
	pens := []Pen{{Name: "product", Ink: "blue"}, {Name: "airspace", Ink: "red", AheadMinutes: 4}}
	const ahead = 4.0 / 60
	p := paint(f, false, pens,
		drawn{ink: "blue", knots: []knot{{0, 60}, {1, 150}, {2.2, 150}, {3, 60}}},
		drawn{ink: "red", knots: []knot{{ahead, 100}, {0.3 + ahead, 100}, {0.6 + ahead, 160}, {2 + ahead, 160}, {2.4 + ahead, 60}, {3 + ahead, 58}}})
	res := trace(t, p)
	for i, want := range []float64{150, 160} {
		in := between(res.Series[i], 1.1, 1.9)
		require.NotEmpty(t, in)
		for _, s := range in {
			require.InDelta(t, want, s.Temperature, 0.1/f.MMPerDegree(f.Radius(want)))
		}
	}
	// ahead_minutes is taken off: the airspace line starts when the product line does.
	require.InDelta(t, 0, res.Series[1].Samples[0].Time.Sub(res.Series[0].Samples[0].Time).Minutes(), 1)
	// On the way down both pass 100 °F; the red line does so at 2.24 h.
	for _, s := range between(res.Series[1], 2.235, 2.245) {
		require.InDelta(t, 100, s.Temperature, 4)
	}
}

// Two straight lines meet in a sharp angle, one a quarter darker, and each path turns back into the other's line before it
// reaches it: told apart, both go straight on.
func TestPathsThatTurnBackAtACrossing(t *testing.T) {
	f := smallForm()
	tr := &tracer{form: f, plane: []int{0, 0}, turn: 2 * math.Pi / f.RotationHours, typ: []float32{1}, p: Problem{Face: &calibrate.Face{Form: f}, Pens: []Pen{{Name: "product"}, {Name: "airspace", AheadMinutes: 4}}}}
	tr.frame = calibrate.Frame{HourStep: f.RotationHours / 100, Columns: 102, RadiusStep: stepMM, Rows: 20} // about the crossing, all ink
	tr.lag, tr.planes = make([]float64, 21), [][]float32{make([]float32, 102*20)}
	for i := range tr.planes[0] {
		tr.planes[0][i] = 1
	}
	const half, short = 8.0, 0.65                          // mm above and below the crossing; so far from it the paths turn
	path := func(first, then, side float64) (v []vertex) { // x is side·y/5 on the falling line, −side·y/5 on the rising one
		for y := half; y > short; y -= alongMM {
			v = append(v, vertex{x: -y / 5, y: side * y, wide: first})
		}
		for y := short; y < half; y += alongMM {
			v = append(v, vertex{x: y / 5, y: side * y, wide: then})
		}
		for k := range v {
			v[k].ink, v[k].amount, v[k].radius, v[k].hours = true, 1, 40, v[k].x/50
		}
		return v
	}
	a, b := path(1.25, 1, 1), path(1, 1.25, -1)
	for k := range b {
		b[k].hours += 4.0 / 60 * math.Max(0, -b[k].x) / (half / 5) // the pen that writes ahead begins later on the paper
	}
	tr.lines = []*line{{v: a, width: 0.15}, {v: b, width: 0.15}}
	tr.tellApart(0, 1)
	for i, darker := range []bool{true, false} {
		for _, p := range tr.lines[i].v {
			require.Equal(t, darker, p.wide > 1, "line %d at (%.2f, %.2f)", i, p.x, p.y)
			require.Empty(t, p.reason)
		}
	}
}

// Two level lines of one ink, of which nothing tells whose is whose: each says where the other lies.
func TestLinesThatCompeteTellOfEachOther(t *testing.T) {
	level := func(at float64) drawn { return drawn{ink: "blue", knots: []knot{{0.1, at}, {2, at}}} }
	res := trace(t, paint(smallForm(), false, []Pen{{Name: "product", Ink: "blue"}, {Name: "airspace", Ink: "blue"}}, level(100), level(110)))
	require.Equal(t, []series.Kind{series.EventAmbig, series.EventAmbig}, kinds(res))
	for i := range res.Series {
		require.True(t, res.Events[i].Rivals)
		sign := 1.0
		if res.Series[i].Samples[0].Temperature > 105 {
			sign = -1
		}
		for _, s := range between(res.Series[i], 0.2, 1.9) {
			require.InDelta(t, 10*sign, s.Rival, 0.3)
			require.InDelta(t, 10/math.Sqrt2, s.UTemperature, 0.3)
		}
	}
}

// Two lines cross, or run together for so many mm and part; each is a quarter darker on one side: where they ran together for
// long that says nothing of which is which, and a plain crossing is surer than a tint.
func TestWhatAMeetingSays(t *testing.T) {
	meet := func(together float64, darker [2]float64) float64 { // log odds; how dark a line is on its two sides, the other the contrary
		const side = 100 // vertices
		n := 2*side + int(together/alongMM)
		path := func(sign float64, wide [2]float64) (v []vertex) {
			for k := range n {
				p := vertex{x: float64(k) * alongMM, ink: true, wide: wide[min(k/(n/2), 1)]}
				if d := max(side-k, k-(n-1-side), 0); k < n/2 {
					p.y = sign * 0.5 * float64(d) * alongMM
				} else {
					p.y = -sign * 0.5 * float64(d) * alongMM
				}
				v = append(v, p)
			}
			return v
		}
		a, b := path(1, darker), path(-1, [2]float64{darker[1], darker[0]})
		near := make([]int, n)
		for k := range near {
			if near[k] = k; math.Abs(a[k].y-b[k].y) > meetMM {
				near[k] = -1
			}
		}
		return through(a, b, near, n/2, n/2, [4]float64{})
	}
	plain, tinted := [2]float64{1, 1}, [2]float64{1.25, 1}
	require.Greater(t, meet(0.5, plain), 5.0)
	require.Greater(t, meet(0.5, tinted), 3.0)
	require.InDelta(t, 0, meet(30, tinted), 0.1)
}

// Two pens that touch and turn back: going straight on would swap them, but each is as dark as it was, or has the hue that
// it had, though both inks come out as nearly the same in the scan.
func TestTwoPensTouch(t *testing.T) {
	const ahead = 4.0 / 60
	for name, c := range map[string]struct {
		inks [2]string
		pale float64
		dyes [2][3]float32
	}{
		"one ink, one paler": {inks: [2]string{"blue", "blue"}, pale: 0.35},
		"two hues":           {inks: [2]string{"blue", "purple"}, dyes: [2][3]float32{{0.40, 0.62, 0.80}, {0.46, 0.64, 0.74}}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f := smallForm()
			pens := []Pen{{Name: "product", Ink: c.inks[0]}, {Name: "airspace", Ink: c.inks[1], AheadMinutes: 60 * ahead}}
			res := trace(t, paint(f, false, pens,
				drawn{ink: c.inks[0], dye: c.dyes[0], knots: []knot{{0, 60}, {1.5, 119}, {2.8, 60}}},
				drawn{ink: c.inks[1], dye: c.dyes[1], knots: []knot{{ahead, 180}, {1.5, 121}, {2.8 + ahead, 180}}, pale: c.pale}))
			for i, ends := range []float64{60, 180} {
				turn, shift := 120+math.Copysign(1, ends-120), pens[i].AheadMinutes/60
				in := between(res.Series[i], 0.2, 2.6)
				require.NotEmpty(t, in)
				for _, s := range in {
					h := s.Time.Sub(onChart).Hours() + shift // on the paper
					want := ends + (turn-ends)*(h-shift)/(1.5-shift)
					if h > 1.5 {
						want = turn + (ends-turn)*(h-1.5)/(1.3+shift)
					}
					if math.Abs(h-1.5) > 0.1 {
						require.InDelta(t, want, s.Temperature, 0.1/f.MMPerDegree(f.Radius(want)), "%s at %.2f h", pens[i].Name, h)
						require.Zero(t, s.Reason)
					}
				}
			}
		})
	}
}

// A pen skips where it touches the other's line, and goes on elsewhere. What lies between is the other's, as its hue says,
// though both inks come out as nearly the same in the scan; where both have drawn it, it is both's.
func TestASkipAlongAnotherPensLine(t *testing.T) {
	const ahead = 4.0 / 60
	nan := math.NaN()
	pens := []Pen{{Name: "product", Ink: "purple"}, {Name: "airspace", Ink: "green", AheadMinutes: 60 * ahead}}
	for name, meanwhile := range map[string][]knot{"skipped": {{1.2, nan}, {1.55, nan}}, "drawn": {{1.6, 80}, {1.62, nan}}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			product := slices.Concat([]knot{{0, 80}, {0.9, 80}, {1.2, 100}}, meanwhile, []knot{{1.65, 60}, {1.75, 60}, {1.85, 140}, {2.8, 140}})
			res := trace(t, paint(smallForm(), false, pens,
				drawn{ink: "purple", dye: [3]float32{0.55, 0.60, 0.58}, knots: product},
				drawn{ink: "green", dye: [3]float32{0.61, 0.48, 0.63}, knots: []knot{{ahead, 110}, {0.9, 110}, {1.2, 100}, {1.6, 80}, {2, 80}, {2.8, 90}}}))
			inked, gone := 0, 0
			for _, s := range res.Series[0].Samples {
				if h := s.Time.Sub(onChart).Hours(); h > 1.25 && h < 1.55 {
					if s.Quality == series.Gap {
						gone++
					} else {
						inked++
					}
				}
			}
			if name == "skipped" {
				require.Zero(t, inked)
			} else {
				require.Zero(t, gone)
			}
		})
	}
}

// Both pens leave the chart at once, where the one that writes ahead has come further on the paper: that is no reason for the
// other's path to leave its own line for the end of that one.
func TestPensLeaveAtOnce(t *testing.T) {
	t.Parallel()
	const ahead, off = 8.0 / 60, 2.2
	pens := []Pen{{Name: "product", Ink: "blue"}, {Name: "airspace", Ink: "blue", AheadMinutes: 60 * ahead}}
	res := trace(t, paint(smallForm(), false, pens,
		drawn{ink: "blue", knots: []knot{{0, 60}, {1, 60}, {1.2, 110}, {1.95, 100}, {off, 85}}},
		drawn{ink: "blue", knots: []knot{{ahead, 90}, {1, 90}, {1.2, 104}, {1.95, 99.5}, {off + ahead, 97}}}))
	for i, want := range []float64{85, 97} {
		in := res.Series[i].Samples
		last := in[len(in)-1]
		require.InDelta(t, want, last.Temperature, 2, pens[i].Name)
		require.InDelta(t, off, last.Time.Sub(onChart).Hours(), 1.0/60, pens[i].Name)
	}
}

// Two pens of one ink, as dark as each other, come near and turn away with paper between: they have not crossed, though each
// would go straighter as the other. Whose they are only their beginnings tell.
func TestTwoPensPassBy(t *testing.T) {
	t.Parallel()
	const ahead = 4.0 / 60
	f := smallForm()
	pens := []Pen{{Name: "first", Ink: "blue"}, {Name: "second", Ink: "blue", AheadMinutes: 60 * ahead}}
	half := 0.47 / f.MMPerDegree(f.Radius(120)) // of 0.94 mm
	res := trace(t, paint(f, false, pens,
		drawn{ink: "blue", knots: []knot{{0, 60}, {1.3, 60}, {1.5, 120 - half}, {1.7, 60}, {2.8, 60}}},
		drawn{ink: "blue", knots: []knot{{ahead, 180}, {1.3, 180}, {1.5, 120 + half}, {1.7, 180}, {2.8, 180}}}))
	for i, s := range res.Series {
		in := append(between(s, 0.2, 1.4), between(s, 1.6, 2.6)...)
		require.NotEmpty(t, in)
		for _, q := range in {
			require.Equal(t, i == 0, q.Temperature < 120, "%s at %s", s.Pen, q.Time)
		}
	}
}

// Two pens of one ink, as dark as each other, cross in a narrow angle on their way down: a line bends little over a meeting.
func TestTwoPensCrossInANarrowAngle(t *testing.T) {
	t.Parallel()
	const ahead = 4.0 / 60
	f := smallForm()
	pens := []Pen{{Name: "first", Ink: "blue"}, {Name: "second", Ink: "blue", AheadMinutes: 60 * ahead}}
	slow, fast := []knot{{0, 150}, {1, 150}, {1.35, 60}, {2.8, 58}}, []knot{{ahead, 170}, {1, 170}, {1.3, 50}, {2.8, 48}}
	res := trace(t, paint(f, false, pens, drawn{ink: "blue", knots: slow}, drawn{ink: "blue", knots: fast}))
	for i, s := range res.Series {
		in := between(s, 1.4, 2.7)
		require.NotEmpty(t, in)
		for _, q := range in {
			require.Equal(t, i == 0, q.Temperature > 55, "%s at %s", s.Pen, q.Time)
		}
	}
}

// A pen's gap stays a gap where another of its ink goes on beside it, however long.
func TestAGapBesideAnotherPen(t *testing.T) {
	t.Parallel()
	f := smallForm()
	pens := []Pen{{Name: "product", Ink: "blue"}, {Name: "airspace", Ink: "blue"}}
	for _, until := range []float64{1.4, 1.7} {
		res := trace(t, paint(f, true, pens,
			drawn{ink: "blue", knots: []knot{{0, 60}, {0.8, 150}, {1.1, 150}, {1.1001, math.NaN()}, {until, 150}, {2.2, 150}, {3, 60}}},
			drawn{ink: "blue", knots: []knot{{0, 75}, {0.7, 157}, {2.2, 157}, {3, 70}}}))
		for _, s := range between(res.Series[0], 1.13, until-0.03) {
			require.Equal(t, series.Gap, s.Quality, "%s of %.1f", s.Time, until)
		}
		for _, s := range between(res.Series[1], 1.13, until-0.03) {
			require.InDelta(t, 157, s.Temperature, 0.5)
		}
	}
}

// Two lines of one ink that nothing tells apart but what a person wrote down of their temperatures.
func TestWrittenTemperaturesTellPensApart(t *testing.T) {
	pens := []Pen{{Name: "product", Ink: "blue"}, {Name: "airspace", Ink: "blue"}}
	p := paint(smallForm(), true, pens,
		drawn{ink: "blue", knots: []knot{{0, 70}, {1, 110}, {2, 110}, {3, 60}}},
		drawn{ink: "blue", knots: []knot{{0, 60}, {1, 125}, {2, 125}, {3, 70}}})
	at := onChart.Add(90 * time.Minute)
	for name, c := range map[string]struct {
		told []Told
		want []float64 // nil: not settled
	}{
		"nothing is written":       {},
		"both are":                 {[]Told{{"product", at, 111}, {"airspace", at, 124}}, []float64{110, 125}},
		"one is":                   {[]Told{{"airspace", at, 110}}, []float64{125, 110}},
		"neither line is so":       {[]Told{{"product", at, 117.5}}, nil},
		"another time than theirs": {[]Told{{"product", at.Add(6 * time.Hour), 110}}, nil},
		"one denies the other":     {[]Told{{"product", at, 110}, {"airspace", at, 110}}, nil},
	} {
		p := p
		p.Told = c.told
		res := trace(t, p)
		for i, s := range res.Series {
			in := between(s, 1.2, 1.8)
			require.NotEmpty(t, in, name)
			for _, q := range in {
				if c.want == nil {
					require.Contains(t, q.Reason, "two lines compete", name)
					continue
				}
				require.Empty(t, q.Reason, name)
				require.InDelta(t, c.want[i], q.Temperature, 0.5, name)
			}
		}
	}
}

// darkened is the problem with a part of the picture, where is says so of its printed hour and radius, made darker.
func darkened(p Problem, is func(h, r float64) bool, dark func(v uint8) uint8) Problem {
	return tinted(p, is, func(_ int, v uint8) uint8 { return dark(v) })
}

// tinted is darkened for each channel by itself.
func tinted(p Problem, is func(h, r float64) bool, dark func(channel int, v uint8) uint8) Problem {
	pic := *p.Picture
	pic.Pix = append([]uint8{}, pic.Pix...)
	for i := range pic.Width * pic.Height {
		if is(p.Face.Locate(float64(i%pic.Width), float64(i/pic.Width))) {
			for c := range pic.Channels {
				pic.Pix[pic.Channels*i+c] = dark(c, pic.Pix[pic.Channels*i+c])
			}
		}
	}
	p.Picture = &pic
	return p
}

// Where the sheet is torn off, its edge and the dark lid behind it are no ink.
func TestATornSheetIsNoInk(t *testing.T) {
	f := smallForm()
	p := paint(f, false, one, drawn{ink: "blue", knots: []knot{{0.1, 60}, {0.5, 140}, {2.6, 140}, {2.7, 60}}})
	res := trace(t, darkened(p, func(h, r float64) bool { return h > 1.5 && h < 3 && r > f.Radius(120) }, func(uint8) uint8 { return 30 }))
	for _, s := range between(res.Series[0], 1.5, 12) {
		require.Equal(t, series.Gap, s.Quality, "at %s", s.Time)
	}
	require.Equal(t, []series.Kind{series.EventHidden}, kinds(res))
	const cell = 12.0 * 60 / (blocks * perBlock / sheetColumns) // minutes, of which one more to either side is not read
	require.InDelta(t, 90-cell, res.Events[0].From.Sub(onChart).Minutes(), cell)
	require.InDelta(t, 180+cell, res.Events[0].To.Sub(onChart).Minutes(), cell)
	// two cells of 2 mm and of a degree beside it are not read
	in := between(res.Series[0], 0.6, 1.5-2*12.0/360-4.2/(3600*f.MMPerSecond(f.Radius(140))))
	require.NotEmpty(t, in)
	for _, s := range in {
		require.NotEqual(t, series.Gap, s.Quality, "at %s", s.Time)
		require.InDelta(t, 140, s.Temperature, 0.2)
	}
}

// A tear over what is left of the turn may hide that the line went on into a second one.
func TestATearMayHideTheBlank(t *testing.T) {
	f := smallForm()
	p := paint(f, false, one, drawn{ink: "blue", knots: []knot{{0.1, 60}, {0.5, 60}, {1, 140}, {2, 140}, {2.5, 60}, {11.45, 60}}})
	require.Empty(t, trace(t, p).Events)
	torn := darkened(p, func(h, r float64) bool { return math.Mod(h+12-11.4, 12) < 0.75 && r > f.Radius(35) }, func(uint8) uint8 { return 30 })
	require.Contains(t, kinds(trace(t, torn)), series.EventNoBlank)
}

// The edge of a hard shadow is no ink, and a line within the shadow is read as one beside it.
func TestAShadowIsNoInk(t *testing.T) {
	f := smallForm()
	for name, grey := range map[string]bool{"colour": false, "grey": true} {
		p := paint(f, grey, one, drawn{ink: "blue", knots: []knot{{0.1, 60}, {0.5, 140}, {2.6, 140}, {2.7, 60}, {3, 60}}})
		res := trace(t, darkened(p, func(h, r float64) bool { return h > 1.2 && h < 5 && r > f.Radius(105) }, func(v uint8) uint8 { return v / 5 * 2 }))
		require.Empty(t, res.Events, name)
		for _, s := range between(res.Series[0], 3.05, 12) {
			require.Equal(t, series.Gap, s.Quality, "%s at %s", name, s.Time)
		}
		in := between(res.Series[0], 0.6, 2.5)
		require.NotEmpty(t, in)
		for _, s := range in {
			require.NotEqual(t, series.Gap, s.Quality, "%s at %s", name, s.Time)
			require.InDelta(t, 140, s.Temperature, 0.2, "%s at %s", name, s.Time)
		}
	}
}

// A hold that someone marked in yellow, over the line and along it, is read as without that: what a marker's dye absorbs is taken away
// before the ink is told by its colour.
func TestAMarkerHidesNoInk(t *testing.T) {
	f := smallForm()
	yellow := func(channel int, v uint8) uint8 { return uint8(float64(v) * [3]float64{0.35, 0.95, 1}[channel]) }
	for name, c := range map[string]struct {
		from, off float64 // mm above the line, degF
	}{"over the line": {-3, 0.2}, "its edge on it": {0, 0.5}} {
		marked := func(h, r float64) bool {
			d := r - f.Radius(140) - c.from
			return h > 0.8 && h < 2.2 && d > 0 && d < 6
		}
		p := paint(f, false, one, drawn{ink: "blue", pale: 0.5, knots: []knot{{0.1, 60}, {0.5, 140}, {2.6, 140}, {2.7, 60}, {3, 60}}})
		res := trace(t, tinted(p, marked, yellow))
		require.Empty(t, res.Events, name)
		in := between(res.Series[0], 0.6, 2.5)
		require.NotEmpty(t, in)
		for _, s := range in {
			require.NotEqual(t, series.Gap, s.Quality, "%s at %s", name, s.Time)
			require.InDelta(t, 140, s.Temperature, c.off, "%s at %s", name, s.Time)
		}
	}
}

// A strip of old tape, hardly darker than the paper, and its dusty edges are no second turn.
func TestAStripOfTape(t *testing.T) {
	p := paint(smallForm(), false, one, drawn{ink: "blue", knots: []knot{{0.1, 60}, {0.5, 140}, {2.6, 140}, {2.7, 60}, {3, 60}}})
	taped := func(h, r float64) bool { return h > 5 && h < 7 && r > 30 && r < 42 }
	edge := func(h, r float64) bool { return h > 5 && h < 7 && math.Min(math.Abs(r-30), math.Abs(r-42)) < 0.15 }
	p = tinted(p, taped, func(channel int, v uint8) uint8 { return uint8(float64(v) * [3]float64{0.82, 0.9, 0.94}[channel]) })
	res := trace(t, darkened(p, edge, func(v uint8) uint8 { return v / 5 * 2 }))
	require.NotContains(t, kinds(res), series.EventLap)
	require.NotContains(t, kinds(res), series.EventBlot)
}

// The dark rim of a stain may look like a line: whether it is one is left to a person.
func TestTheRimOfAStain(t *testing.T) {
	f := smallForm()
	line := drawn{ink: "blue", knots: []knot{{0.1, 60}, {0.5, 140}, {2.6, 140}, {2.7, 45}, {11, 45}}}
	from := func(h, r float64) float64 { // the middle of the stain, mm
		sin, cos := math.Sincos(f.Angle(h, r) - f.Angle(7, 40))
		return math.Hypot(r*cos-40, r*sin)
	}
	stained := func(p Problem) Problem {
		return darkened(p, func(h, r float64) bool { return from(h, r) < 13 }, func(v uint8) uint8 { return v / 10 * 6 })
	}
	rimmed := func(p Problem) Problem {
		return darkened(stained(p), func(h, r float64) bool { return math.Abs(from(h, r)-12.5) < 0.25 }, func(v uint8) uint8 { return v / 3 })
	}
	p := paint(f, false, one, line)
	require.Empty(t, kinds(trace(t, stained(p))))
	require.Equal(t, []series.Kind{series.EventLoose}, kinds(trace(t, rimmed(p))))
	// Where two pens write with one ink it may be either's.
	p = paint(f, false, []Pen{{Name: "airspace", Ink: "blue"}, {Name: "product", Ink: "blue"}}, line,
		drawn{ink: "blue", knots: []knot{{0.1, 70}, {0.5, 160}, {2.6, 160}, {2.7, 34}, {11, 34}}})
	told := map[string]bool{}
	for _, e := range trace(t, rimmed(p)).Events {
		told[e.Pen] = told[e.Pen] || e.Kind == series.EventLoose
	}
	require.True(t, told["airspace"] && told["product"])
}

// A line that rises beside a printed arc fills a cell of the sheet with it, and is no shade.
func TestASteepLineIsNoShade(t *testing.T) {
	f := smallForm()
	f.DiameterMM, f.Rings[1].RadiusMM, f.TimeArcs.PivotMM, f.TimeArcs.ArmMM = 155, 75, 90, 91
	tr := newTracer(paint(f, false, one, drawn{ink: "blue", knots: []knot{{0.1, 32}, {1.03, 32}, {1.033, 228}, {2, 228}}}))
	tr.survey()
	require.False(t, tr.sheet.shade != nil)
}

// A note that hides where the line rises is no ink; from its far side the line is followed where it stands, not where that is nearest.
func TestANoteHidesTheLine(t *testing.T) {
	p := paint(smallForm(), false, one, drawn{ink: "blue", knots: []knot{{0.1, 60}, {0.9, 60}, {1, 140}, {1.8, 140}, {2.1, 70}, {3, 70}}})
	note := func(h, r float64) bool { return h > 0.8 && h < 1.6 && r > 24 && r < 46 }
	res := trace(t, darkened(p, note, func(uint8) uint8 { return 120 }))
	require.Equal(t, []series.Kind{series.EventGap, series.EventHidden}, kinds(res))
	for _, s := range between(res.Series[0], 0.95, 1.55) {
		require.Equal(t, series.Gap, s.Quality)
	}
	for _, s := range between(res.Series[0], 1.7, 1.78) {
		require.InDelta(t, 140, s.Temperature, 0.3)
	}
}

// A straight crease from rim to rim is neither the line nor a second turn, though it lies above 150 °F for hours; a line that bends is one.
func TestACreaseIsNoSecondTurn(t *testing.T) {
	f := smallForm()
	p := paint(f, false, one, drawn{ink: "blue", knots: []knot{{0.1, 60}, {0.5, 140}, {2.6, 140}, {2.7, 60}, {11, 60}}})
	along := func(bend float64) func(h, r float64) bool { // a line 45 mm beside the centre, or one that bends off it
		return func(h, r float64) bool {
			sin, cos := math.Sincos(f.Angle(h, r))
			return math.Abs(-r*cos-45+bend*r*sin*r*sin) < 0.18
		}
	}
	dye := func(v uint8) uint8 { return v / 3 }
	creased := trace(t, darkened(p, along(0), dye))
	require.Empty(t, creased.Events)
	for _, s := range creased.Series[0].Samples {
		require.Less(t, s.Temperature, 141.0, s.Time)
	}
	require.Contains(t, kinds(trace(t, darkened(p, along(0.004), dye))), series.EventLap)
	// Its whole way is marked, near the innermost circle, where cells are narrow, as well.
	tr := newTracer(p)
	tr.survey()
	tr.unroll()
	tr.creased = nil
	tr.markCrease(-60, 21, 1, 0, 120)
	for x := -40.0; x < 40; x += 0.01 {
		k := tr.pathCell(x, 21)
		require.True(t, k >= 0 && tr.creased[k], x)
	}
}

// A staple, 13 mm of wire (24/6 ones are 12.9 mm wide: from memory) lying on the paper, is no second turn; what is somewhat longer may be
// one; a long line as wide as the pen's is.
func TestAStapleIsNoSecondTurn(t *testing.T) {
	f := smallForm()
	p := paint(f, false, one, drawn{ink: "blue", knots: []knot{{0.1, 60}, {0.5, 140}, {2.6, 140}, {2.7, 60}, {5, 60}}})
	mark := func(long, width, slant float64) []series.Kind { // inside of the line, bent by 1 mm over 10
		return kinds(trace(t, darkened(p, func(h, r float64) bool {
			sin, cos := math.Sincos(f.Angle(h, r) - f.Angle(1.5, 28))
			s, c := math.Sincos(slant)
			along, off := r*sin*c+(r*cos-28)*s, (r*cos-28)*c-r*sin*s
			return cos > 0 && math.Abs(along) < long/2 && math.Abs(off-along*along/100) < width/2
		}, func(v uint8) uint8 { return v / 3 })))
	}
	require.Empty(t, mark(13, 0.5, 0))
	for _, slant := range []float64{-0.5, 0.5} { // nor one that lies across the cells
		require.Empty(t, mark(13, 0.5, slant), slant)
	}
	require.Equal(t, []series.Kind{series.EventLoose}, mark(24, 0.35, 0))
	require.Contains(t, mark(34, 0.35, 0), series.EventLap)
}

// Words beside the steep end, or the steep beginning, of a line lead on in time for longer than the line does, but are not the line.
func TestALineKeepsItsSteepEnds(t *testing.T) {
	words := func(from, way float64) drawn {
		l := drawn{ink: "blue"}
		for word := range 6 {
			for stroke := range 5 { // zigzags of 3.4 mm, 3.8 mm apart
				l.knots = append(l.knots, knot{from + way*(0.34*float64(word)+0.04*float64(stroke)), 131 + 2*float64(stroke%2)})
			}
			l.knots = append(l.knots, knot{from, math.NaN()})
		}
		return l
	}
	line := drawn{ink: "blue", knots: []knot{{1.95, 60}, {2.85, 60}, {3.05, 140}, {4.6, 140}, {4.8, 60}, {5.7, 60}}}
	for _, beside := range []drawn{words(4.66, 1), words(3, -1)} {
		res := trace(t, paint(smallForm(), false, one, line, beside))
		require.NotContains(t, kinds(res), series.EventLap)
		s := res.Series[0].Samples
		require.InDelta(t, 60, s[0].Temperature, 3)
		require.InDelta(t, 60, s[len(s)-1].Temperature, 3)
	}
}

// A hair holds a third of the ink across it that the pen's own line does.
func TestAHairIsThin(t *testing.T) {
	tr := newTracer(paint(smallForm(), false, one))
	rows := tr.frame.Rows
	tr.frame.Columns = 100
	tr.plane, tr.planes, tr.lines = []int{0}, [][]float32{make([]float32, 100*rows)}, []*line{{}}
	stripe := func(row, wide int) (path []step) { // in cells of paths
		for c := range 100 {
			for r := row; r < row+wide; r++ {
				tr.planes[0][c*rows+r] = 0.4
			}
			path = append(path, step{c / 2, row / 2})
		}
		return path
	}
	for _, s := range stripe(60, 6) {
		x, y := tr.point(2*float64(s.col), 2*float64(s.row)+3)
		tr.lines[0].v = append(tr.lines[0].v, vertex{x: x, y: y, ink: true, wide: 0.4})
	}
	require.True(t, tr.thin(stripe(120, 2), 0))
	require.False(t, tr.thin(stripe(180, 4), 0))
}

func TestNoInkGivesNoSamples(t *testing.T) {
	res := trace(t, paint(smallForm(), false, one))
	require.Empty(t, res.Series[0].Samples)
	require.Equal(t, "F", res.Series[0].Unit)
	require.Empty(t, res.Events)
}

// How the paper lay on the scanner must not show: the same chart in fifty random poses gives the same
// series, 95 % of it within two standard uncertainties of the difference (BIPM, GUM, JCGM 100:2008,
// 5.1.2 and annex G.1.3), and all of it within a fifth of a millimetre, half the stroke.
func TestAnyPoseGivesTheSameSeries(t *testing.T) {
	t.Parallel()
	const poses = 50
	r := rand.New(rand.NewPCG(9, 10))
	f := tinyForm()
	day := drawn{ink: "blue", knots: append([]knot{{0, 60}, {0.15, 62}, {0.3, 118}}, append(restless(r, 0.35, 1.1, 120), knot{1.4, 90}, knot{1.9, 70})...)}
	var lie [poses]pose
	for k := range lie {
		lie[k] = pose{angle: 2 * math.Pi * r.Float64(), dx: 6 * (r.Float64() - 0.5), dy: 6 * (r.Float64() - 0.5), scale: 0.9 + 0.1*r.Float64()}
	}
	read := func(s series.Series, h float64) (at, u, slope float64) {
		k := sort.Search(len(s.Samples), func(k int) bool { return s.Samples[k].Time.Sub(onChart).Hours() >= h })
		a, b := s.Samples[k-1], s.Samples[k]
		d := b.Time.Sub(a.Time).Hours()
		slope = (b.Temperature - a.Temperature) / d
		return a.Temperature + slope*(h-a.Time.Sub(onChart).Hours()), math.Hypot(b.UTemperature, slope*b.UTime/3600), slope
	}
	var first series.Series
	for k := range lie {
		s := trace(t, painted(lie[k], f, k%2 == 1, one, day)).Series[0]
		if k == 0 {
			first = s
			continue
		}
		var inside, seen float64
		for h := 0.05; h < 1.8; h += 0.005 {
			a, ua, slope := read(first, h)
			b, ub, _ := read(s, h)
			across := math.Abs(a-b) * f.MMPerDegree(f.Radius(a)) / math.Hypot(1, slope*f.MMPerDegree(f.Radius(a))/(3600*f.MMPerSecond(f.Radius(a))))
			require.Less(t, across, 0.2, "pose %+v, %.3f h after the start: %.2f and %.2f", lie[k], h, a, b)
			if seen++; math.Abs(a-b) <= 2*math.Hypot(ua, ub) {
				inside++
			}
		}
		require.GreaterOrEqual(t, inside/seen, 0.95, "pose %+v", lie[k])
	}
}

// An archive of thousands of charts is traced by few processes: what one chart took is free for the next, be it like the
// one before or not, on Go's heap and in what the kernel has given to the process.
func TestMemoryStaysFlat(t *testing.T) {
	pens := []Pen{{Name: "product", Ink: "blue"}, {Name: "airspace", Ink: "red", AheadMinutes: 4}}
	line := drawn{ink: "blue", knots: []knot{{0, 70}, {0.3, 120}, {1.2, 121}, {1.9, 60}}}
	skips := drawn{ink: "blue", knots: []knot{{0, 70}, {0.3, 120}, {0.6, 120}, {0.6, math.NaN()}, {0.8, 120}, {1.2, 121}, {1.9, 60}}}
	second := drawn{ink: "red", knots: []knot{{0.07, 60}, {0.4, 130}, {1.2, 132}, {2, 60}}}
	charts := []Problem{
		paint(tinyForm(), false, one, line),
		paint(tinyForm(), true, one, skips),
		paint(tinyForm(), false, pens, line, second),
		painted(pose{angle: 0.4, scale: 1.3}, tinyForm(), false, one, skips),
	}
	used := func() (live, resident float64) { // bytes
		debug.FreeOSMemory() // what is free is the kernel's again
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		data, err := os.ReadFile("/proc/self/statm")
		require.NoError(t, err)
		pages, err := strconv.ParseFloat(strings.Fields(string(data))[1], 64)
		require.NoError(t, err)
		return float64(m.HeapAlloc), pages * float64(os.Getpagesize())
	}
	rounds := func(n int) {
		for range n {
			for _, p := range charts {
				trace(t, p)
			}
		}
	}
	rounds(2)
	live, resident := used()
	plane := float64(len(charts[0].Picture.Pix))
	rounds(10)
	liveAfter, residentAfter := used()
	runtime.KeepAlive(charts)
	require.Less(t, liveAfter-live, plane/10, "after forty charts no more than a tenth of one picture on the heap")
	require.Less(t, residentAfter-resident, 10*plane, "nor more than ten pictures in all: a quarter of one a chart, for what is free may lie in pieces")
}

func TestTraceIsDeterministic(t *testing.T) {
	p := paint(smallForm(), false, one, drawn{ink: "blue", knots: []knot{{0, 70}, {0.5, 150}, {1.7, 150}, {2.5, 60}}})
	require.Equal(t, trace(t, p), trace(t, p))
}

func TestTraceSaysWhatIsMissing(t *testing.T) {
	_, err := Trace(context.Background(), Problem{})
	require.ErrorContains(t, err, "picture")
	p := paint(smallForm(), true, nil)
	_, err = Trace(context.Background(), p)
	require.ErrorContains(t, err, "pens")
	p.Pens = make([]Pen, 3)
	_, err = Trace(context.Background(), p)
	require.ErrorContains(t, err, "at most 2")
}

// Writing and a blot over a hold: the pen's own ink goes on below them, and a person sees where. The line is
// read to a sixth of its stroke, 0.06 mm, and says so: nearly all of it within two standard uncertainties
// (BIPM, GUM, JCGM 100:2008, annex G.1.3), none of which, 0.24 mm, would hide a hold 1 °F
// above its limit on a form of 254 mm from 30 to 230 °F, 0.3 mm or more.
func TestALineIsReadThroughWritingAndBlots(t *testing.T) {
	t.Parallel()
	const at = 150.0
	f := smallForm()
	line := drawn{ink: "blue", knots: []knot{{0.05, 70}, {0.4, at}, {1.8, at}, {2.4, 60}}}
	letters := func(ink string) drawn { // strokes that cross the line aslant and hang from one side of it
		d := drawn{ink: ink}
		for h := 0.7; h < 1.5; h += 0.09 { // every 2 mm
			d.knots = append(d.knots, knot{h, at - 1}, knot{h + 0.03, at + 7}, knot{h + 0.055, at + 1}, knot{h + 0.055, math.NaN()})
		}
		return d
	}
	blot := drawn{ink: "blue"}
	for h := 0.9; h < 1; h += 0.006 { // 1.2 mm
		blot.knots = append(blot.knots, knot{h, at - 4}, knot{h + 0.003, at + 9})
	}
	for name, over := range map[string]drawn{"writing in the pen's ink": letters("blue"), "writing in black": letters("black"), "blot": blot} {
		t.Run(name, func(t *testing.T) {
			in := between(trace(t, paint(f, false, one, line, over)).Series[0], 0.65, 1.55)
			require.Greater(t, len(in), 200)
			mm := f.MMPerDegree(f.Radius(at))
			covered := 0
			for _, s := range in {
				require.InDelta(t, at, s.Temperature, 0.06/mm, "%s", s.Time)
				require.Less(t, s.UTemperature*mm, 0.12, "%s", s.Time)
				if math.Abs(s.Temperature-at) <= 2*s.UTemperature {
					covered++
				}
			}
			require.Greater(t, float64(covered)/float64(len(in)), 0.93)
		})
	}
}

// The points of a blot do not stand for the line's ink, however many they are; those of a wide line, level or steep, do.
func TestABlotIsNotTheLinesInk(t *testing.T) {
	const rows, columns = 80, 60
	line, blot := [3]float32{0.42, 0.60, 0.68}, [3]float32{0.42, 0.78, 1.22}
	s := samplePlanes{frame: calibrate.Frame{Rows: rows, Columns: columns}, planes: [][]float32{make([]float32, rows*columns), make([]float32, rows*columns), make([]float32, rows*columns)}}
	dye := func(from, to, low, high int, v [3]float32) {
		for c := from; c < to; c++ {
			for r := low; r < high; r++ {
				for k := range s.planes {
					s.planes[k][c*rows+r] = v[k]
				}
			}
		}
	}
	dye(0, 20, 40, 50, line) // 0.8 mm wide
	dye(19, 20, 10, 50, line)
	dye(40, 50, 20, 60, blot)
	found := s.strong(0.1)
	require.Len(t, found, 20*10+30)
	for _, v := range found {
		require.InDelta(t, 1, dot(v, unit(line)), 1e-5)
	}
}

// Dull inks, their densities in blue, green and red as read off rendered scans (no source outside), stand beside numerals in the print's colour and
// writing that outnumber them: each pen still gets its own, and two that differ by less than colours scatter share a plane.
func TestInksBesidePrintAndWriting(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(26, 11))
	orange, red, navy, black := [3]float32{0.78, 0.53, 0.30}, [3]float32{0.66, 0.64, 0.37}, [3]float32{0.46, 0.63, 0.61}, [3]float32{0.60, 0.58, 0.55}
	type many struct {
		dye   [3]float32
		count int
	}
	learn := func(pens []Pen, points ...many) *tracer {
		s := samplePlanes{planes: make([][]float32, 3)}
		for _, p := range points {
			for range p.count {
				amount := 0.5 + 0.5*r.Float32()
				for c := range s.planes {
					s.planes[c] = append(s.planes[c], amount*p.dye[c]+0.02*(r.Float32()-0.5))
				}
			}
		}
		s.frame.Rows, s.frame.Columns = 1, len(s.planes[0])
		tr := &tracer{p: Problem{Pens: pens}, m: &printed{channels: 3, noise: []float32{0.006, 0.006, 0.006}}}
		for c := range 3 {
			tr.m.circles, tr.m.arcs = append(tr.m.circles, []float32{0.3 * orange[c]}), append(tr.m.arcs, []float32{0.2 * orange[c]})
		}
		tr.learnInks(s)
		return tr
	}
	like := func(want, got [3]float32) { require.Greater(t, dot(unit(want), got), float32(0.995)) }
	got := learn([]Pen{{Ink: "red"}, {Ink: "blue"}}, many{orange, 2000}, many{red, 800}, many{navy, 800}, many{black, 700})
	require.Equal(t, []int{0, 1}, got.plane)
	like(red, got.inks[0])
	like(navy, got.inks[1])
	got = learn([]Pen{{Ink: "blue"}, {Ink: "red"}}, many{orange, 2000}, many{red, 800}, many{navy, 800}, many{black, 700})
	like(navy, got.inks[0])
	like(red, got.inks[1])
	got = learn([]Pen{{Ink: "purple"}, {Ink: "blue"}}, many{[3]float32{0.56, 0.60, 0.57}, 800}, many{[3]float32{0.50, 0.61, 0.62}, 800}, many{orange, 300})
	require.Equal(t, []int{0, 0}, got.plane)
}

// Writing that runs from where a pen skips to where it writes again is not the pen's: no vat jumps and comes back.
func TestWritingAcrossASkip(t *testing.T) {
	t.Parallel()
	level := []knot{{0.1, 100}, {0.5, 150}, {1, 150}, {1, math.NaN()}, {1.15, 150}, {1.6, 150}, {2, 90}}
	for name, writing := range map[string][]knot{"up and back": {{1, 150}, {1, 157}, {1.15, 150}}, "away and down": {{1, 150}, {1.15, 143}, {1.15, 150}}} {
		p := paint(smallForm(), true, one, drawn{ink: "black", knots: level}, drawn{ink: "black", knots: writing})
		r := trace(t, p)
		require.Contains(t, kinds(r), series.EventGap, name)
		for _, s := range between(r.Series[0], 1.04, 1.1) {
			require.Equal(t, series.Gap, s.Quality, name)
		}
	}
	// the vat itself goes down and comes back in minutes
	p := paint(smallForm(), true, one, drawn{ink: "black", knots: []knot{{0.1, 100}, {0.5, 150}, {1, 150}, {1.03, 144}, {1.06, 150}, {1.6, 150}, {2, 90}}})
	require.Empty(t, kinds(trace(t, p)))
	// and air in moments, where a lid is opened
	lid := []drawn{{ink: "black", knots: []knot{{0.1, 100}, {0.5, 150}, {1, 150}, {1.003, 142}, {1.1, 150}, {1.6, 150}, {2, 90}}}}
	require.Contains(t, kinds(trace(t, paint(smallForm(), true, []Pen{{Name: "product", Ink: "black"}}, lid...))), series.EventGap)
	require.Empty(t, kinds(trace(t, paint(smallForm(), true, []Pen{{Name: "airspace", Ink: "black"}}, lid...))))
}
