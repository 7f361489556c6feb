package calibrate

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"

	"penarm/calibrate/form"
	"penarm/calibrate/internal/lsq"
	"penarm/calibrate/picture"
	"penarm/testdata/render"
)

// load gives the form that the renderer's form file describes, without a blank.
func load(t testing.TB, of *render.Form) *form.Form {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, of.Write(dir, false))
	f, err := form.Load(filepath.Join(dir, of.Number))
	require.NoError(t, err)
	return f
}

// unused is the scan of a basic form before use; several tests look at it.
var unused = sync.OnceValues(func() (*render.Scene, *picture.Picture) {
	s := render.Basic()[3].BlankAt(160)
	return s, s.Picture()
})

// charts are scans of the basic forms in use, for tests that ask no more of the look; several look at them.
var charts = func() (out [4]func() (*render.Scene, *picture.Picture)) {
	for i, f := range render.Basic() {
		out[i] = sync.OnceValues(func() (*render.Scene, *picture.Picture) {
			s := render.New(int64(60+i), render.Options{Form: f, Unit: f.Unit, Look: render.Look{DPI: 95, Turn: 77 * float64(i), Warp: 0.2, Lid: "grey", Old: 0.5, Noise: 1}})
			return s, s.Picture()
		})
	}
	return out
}()

// dots is a scan of the last basic form by threshold.
var dots = sync.OnceValues(func() (*render.Scene, *picture.Picture) {
	f := render.Basic()[3]
	s := render.New(81, render.Options{Form: f, Unit: f.Unit, Look: render.Look{DPI: 105, Turn: 10, Warp: 0.2, Bilevel: "threshold", Noise: 1}})
	return s, s.Picture()
})

// blank reads the unused basic form, of which f is the form file, as a scan so many times as fine.
func blank(t testing.TB, f *form.Form, times int) *Blank {
	t.Helper()
	s, pic := unused()
	return blankOf(t, s, pic, f, times)
}

// blankOf does so with another unused form.
func blankOf(t testing.TB, s *render.Scene, pic *picture.Picture, f *form.Form, times int) *Blank {
	t.Helper()
	of := s.Form
	x, y := s.Pixel(of.Reference, of.Rings[len(of.Rings)-1].At)
	if times > 1 {
		fine := &picture.Picture{Width: pic.Width * times, Height: pic.Height * times, Channels: pic.Channels}
		fine.Pix = make([]uint8, 0, len(pic.Pix)*times*times)
		for v := range fine.Height {
			for u := range fine.Width {
				at := (v/times*pic.Width + u/times) * pic.Channels
				fine.Pix = append(fine.Pix, pic.Pix[at:at+pic.Channels]...)
			}
		}
		pic, x, y = fine, finer(x, times), finer(y, times)
	}
	f.Blank = &form.Blank{Image: "blank.png", Reference: form.Reference{X: x, Y: y, Time: fmt.Sprintf("%02.0f:00", of.Reference)}}
	b, err := ReadBlank(context.Background(), pic, f)
	require.NoError(t, err)
	return b
}

// known is the unused basic form's file and its blank as read once for all tests.
func known(t testing.TB) (*form.Form, *Blank) {
	t.Helper()
	read.Do(func() {
		f := load(t, render.Basic()[3])
		read.blank, read.form = blank(t, f, 1), f
	})
	require.NotNil(t, read.blank)
	f := *read.form
	return &f, read.blank
}

var read struct {
	sync.Once
	form  *form.Form
	blank *Blank
}

// finer is where a coordinate lies once every pixel has become so many.
func finer(v float64, times int) float64 { return float64(times)*v + 0.5*float64(times-1) }

// A fine scan of a blank is looked at in coarse pixels; its map counts the file's own all the same, to the
// accuracy that half-minute marks of a 12 h form ask for. The truth is the renderer's.
func TestBlankReadCoarsely(t *testing.T) {
	t.Parallel()
	s, pic := unused()
	f := load(t, s.Form)
	for _, times := range []int{1, 4} { // 640 dpi
		face := blank(t, f, times).Face
		sum, n := 0.0, 0.0
		for hours := 0.0; hours < f.RotationHours; hours += 0.5 {
			for r := f.Inner(); r <= f.Outer(); r += 10 {
				x, y := s.PixelAt(hours, r)
				px, py := face.Pixel(hours, r)
				sum += math.Pow(px-finer(x, times), 2) + math.Pow(py-finer(y, times), 2)
				n++
			}
		}
		mm := mmPerInch / s.Look.DPI / float64(times)
		assert.Less(t, math.Sqrt(sum/n)*mm, 0.03, "mm, %d × %d pixels", pic.Width*times, pic.Height*times)
	}
}

// against compares the face with the renderer's truth at 24 times × 9 temperatures: the rms and the largest
// distance (mm) after the arc that the hour counts from, and with loose also a shift common to all, is taken out,
// and the rms of the time (s) at mid-scale. hour is how many printed hours the face is off as it stands.
func against(s *render.Scene, face *Face, loose bool) (rms, worst, seconds, hour float64) {
	f := face.Form
	every := f.TimeArcs.EveryMinutes / 60
	middle := 0.5 * (f.Inner() + f.Outer())
	x, y := s.PixelAt(0, middle)
	h, _ := face.Locate(x, y)
	hour = math.Remainder(h, f.RotationHours)
	arcs := math.Round(hour/every) * every
	dx, dy := offsets(s, face, arcs, loose)
	for i := range dx {
		d := math.Hypot(dx[i], dy[i])
		rms += d * d / float64(len(dx))
		worst = math.Max(worst, d)
	}
	ss := 0.0
	for i := range 24 {
		at := f.RotationHours * float64(i) / 24
		x, y := s.PixelAt(at, middle)
		h, _ := face.Locate(x, y)
		d := math.Remainder(h-at-arcs, f.RotationHours) * 3600
		ss += d * d / 24
	}
	return math.Sqrt(rms), worst, math.Sqrt(ss), hour
}

// offsets are how far (mm) the face is off at each of the nodes, so many hours taken out.
func offsets(s *render.Scene, face *Face, hours float64, loose bool) (dx, dy []float64) {
	f := face.Form
	mm := math.Hypot(face.Warp.H[0], face.Warp.H[3]) // pixels a mm
	var mx, my float64
	for i := range 24 {
		at := f.RotationHours * float64(i) / 24
		for k := range 9 {
			r := f.Inner() + (f.Outer()-f.Inner())*float64(k)/8
			x, y := s.PixelAt(at, r)
			px, py := face.Pixel(at+hours, r)
			dx, dy = append(dx, (px-x)/mm), append(dy, (py-y)/mm)
			mx, my = mx+dx[len(dx)-1]/216, my+dy[len(dy)-1]/216
		}
	}
	for i := range dx {
		if loose {
			dx[i], dy[i] = dx[i]-mx, dy[i]-my
		}
	}
	return dx, dy
}

// The truth is the renderer's own, whose geometry is written apart from this package. Limits: 0.03 mm on a flatbed,
// 0.04 mm where the glass cut the disc off, 0.08 mm for a photograph, four times as much at the worst node, and 3 s of
// time at mid-scale of a 12 h form: what a person with dividers does not reach on paper (common practice, no source).
func TestNodes(t *testing.T) {
	t.Parallel()
	basic := render.Basic()
	tinted := *basic[3]
	tinted.Tint, tinted.Bands, tinted.KnockOut = 0.12, true, true
	tinted.Second, tinted.Register = render.RGB{0.1, 0.45, 0.5}, [2]float64{0.15, -0.15}
	tinted.ArcEvery, tinted.Clockwise, tinted.Lean = 5, true, true
	tabled := *basic[1]
	tabled.Table = 40
	week := *render.RandomForm(7, true)
	week.Slot = 20
	pale := func(of *render.Form) *render.Form {
		p := *of
		p.Print, p.WidthMinor, p.WidthMajor = render.RGB{0.2, 0.32, 0.45}, 0.1, 0.26
		return &p
	}
	faint, dense := render.RandomForm(1710, false), render.RandomForm(105, false)
	uneven := *dense
	uneven.Unit, uneven.Minor, uneven.Major, uneven.Diameter, uneven.Pivot, uneven.Arm = "F", 1, 10, 279.4, 165, 166
	uneven.Rings = []render.Ring{{At: 100, Radius: 44}, {At: 120, Radius: 58.6}, {At: 140, Radius: 73.9}, {At: 150, Radius: 82.2}, {At: 160, Radius: 90.9}, {At: 180, Radius: 108.6}, {At: 200, Radius: 125.4}}
	var stated []float64 // squares of how far nodes of shades on a flatbed lie off, of the stated u
	for _, c := range []struct {
		name  string
		form  *render.Form
		look  render.Look
		limit float64
		also  func(t *testing.T, fit *fitted, found []*start, f *form.Form)
	}{
		{"flatbed, stretched and warped, off centre", basic[0], render.Look{DPI: 85, Turn: 40, Warp: 0.4, Stretch: [2]float64{0.006, 0}, Quality: 85, Noise: 1, Offset: [2]float64{0.4, -0.3}}, 0.03, nearRelatives},
		{"grey, 24 h, °C, clockwise, torn, on a desk", basic[1], render.Look{DPI: 80, Turn: 200, Warp: 0.2, Grey: true, Noise: 2, Torn: 18, Lid: "wood"}, 0.03, nil},
		{"non-uniform, clipped", basic[2], render.Look{DPI: 75, Turn: 300, Warp: 0.2, Clip: 8, Lid: "black", Noise: 1}, 0.04, nil},
		{"bilevel by threshold, inverted, punched", basic[3], render.Look{DPI: 105, Turn: 10, Warp: 0.2, Bilevel: "threshold", Noise: 1, Punched: true}, 0.03, nil},
		{"bilevel by diffusion, inverted", basic[3], render.Look{DPI: 135, Turn: 100, Warp: 0.1, Bilevel: "diffusion", Noise: 1}, 0.03, penAtRest},
		{"tinted, out of register, 5 min arcs, old, a note on it", &tinted, render.Look{DPI: 80, Turn: 250, Warp: 0.3, Old: 1, Crease: true, Noise: 1, Note: 50}, 0.03, nil},
		{"bilevel by diffusion, warped", basic[0], render.Look{DPI: 200, Turn: 100, Warp: 0.3, Bilevel: "diffusion", Noise: 1}, 0.03, nil},
		{"bilevel by diffusion that bends all edges", render.RandomForm(37, false), render.Look{DPI: 200, Turn: 23, Warp: 0.2, Bilevel: "diffusion", Noise: 1}, 0.03, nil},
		{"fax, 24 h, a table in the scale", &tabled, render.Look{DPI: 204, Tall: 196.0 / 204, Turn: 160, Warp: 0.2, Bilevel: "threshold", Noise: 1}, 0.03, misreadRelatives},
		{"seven days, a slot for the pin", &week, render.Look{DPI: 80, Turn: 70, Warp: 0.3, Lid: "grey", Noise: 1, Stretch: [2]float64{-0.003, 0.003}}, 0.03, nil},
		{"photocopy of a photocopy, stretched by 1 %, fine lines lost", pale(basic[2]), render.Look{DPI: 112, Turn: 20, Warp: 0.2, Bilevel: "threshold", Copy: 0.5, Stretch: [2]float64{0.01, 0}, Noise: 1}, 0.03, nil},
		{"photocopy in grey, stretched by 1 %, fine lines lost", pale(basic[0]), render.Look{DPI: 115, Turn: 220, Warp: 0.2, Grey: true, Copy: 1.5, Stretch: [2]float64{0, 0.01}, Noise: 1}, 0.03, misreadRelatives},
		{"pale, in grey on a black lid, stretched and warped, off centre", faint, render.Look{DPI: 90, Turn: 233, Warp: 0.4, Stretch: [2]float64{0, 0.006}, Offset: [2]float64{-0.35, -0.35}, Noise: 1.5, Grey: true, Lid: "black"}, 0.03, nil},
		{"400 dots an inch, in grey", basic[3], render.Look{DPI: 400, Turn: 130, Warp: 0.4, Stretch: [2]float64{0.006, -0.003}, Grey: true, Noise: 2}, 0.03, nil},
		{"under a hard-edged shadow", basic[0], render.Look{DPI: 85, Turn: 310, Warp: 0.2, Noise: 1, Shadow: 0.25}, 0.03, nil},
		{"phone, circles half a millimetre apart on warped paper", dense, render.Look{DPI: 115, Turn: 285, Warp: 0.4, Phone: true, Tilt: [2]float64{0.1, -0.1}, Lens: 0.05, Lid: "wood", Noise: 2}, 0.08, nil},
		{"phone, a strong lens over an uneven scale", &uneven, render.Look{DPI: 150, Turn: 285, Warp: 0.2, Phone: true, Tilt: [2]float64{0.1, 0.1}, Lens: 0.2, Lid: "wood", Noise: 2}, 0.08, nil},
		{"phone, in black and white", basic[1], render.Look{DPI: 150, Turn: 40, Phone: true, Tilt: [2]float64{0.08, -0.06}, Lens: 0.06, Lid: "wood", Bilevel: "threshold", Noise: 1}, 0.08, otherScales},
		{"phone, tilted by 25°", basic[0], render.Look{DPI: 100, Turn: 130, Phone: true, Tilt: [2]float64{0.31, -0.31}, Lens: 0.08, Lid: "wood", Noise: 2}, 0.08, nearRelatives},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := render.New(77, render.Options{Form: c.form, Unit: c.form.Unit, Look: c.look})
			pic := s.Picture()
			assert.True(t, ShowsDisc(pic))
			found, err := starts(pic, fewEdges)
			require.NoError(t, err)
			f := load(t, c.form)
			fit, err := fitForm(context.Background(), found, f)
			require.NoError(t, err)
			face := fit.face(fit.form, HourOnChart)
			assert.Equal(t, f.TimeArcs, face.Form.TimeArcs)
			// diffusion pushes every mark, print and ink alike, by a part of a pixel right and down
			loose := c.look.Bilevel == "diffusion"
			rms, worst, seconds, hour := against(s, face, loose)
			hours := math.Round(60*hour/f.TimeArcs.EveryMinutes) * f.TimeArcs.EveryMinutes / 60
			if loose {
				dx, dy := offsets(s, face, hours, false)
				for _, d := range [][]float64{dx, dy} {
					assert.Less(t, math.Abs(stat.Mean(d, nil))*c.look.DPI/mmPerInch, 0.5, "pixels that all marks are pushed by")
				}
			}
			inside := 0.0
			dx, dy := offsets(s, face, hours, loose)
			for _, d := range slices.Concat(dx, dy) {
				if math.Abs(d) <= 2*face.UMM {
					inside += 1 / float64(2*len(dx))
				}
				if !c.look.Phone && c.look.Bilevel == "" {
					stated = append(stated, d*d/(face.UMM*face.UMM))
				}
			}
			t.Logf("node %.4f mm, worst %.4f mm, u %.4f mm, %.2f s, %.1f %% inside 2 u", rms, worst, face.UMM, seconds, 100*inside)
			assert.GreaterOrEqual(t, inside, 0.95, "of the nodes lie within ±2 u in each direction (JCGM 100:2008, 6.3.3)")
			assert.Less(t, rms, c.limit)
			assert.Less(t, worst, 4*c.limit)
			heavy := f.TimeArcs.MajorMinutes / 60
			assert.InDelta(t, 0, math.Remainder(hour, heavy), 0.1*heavy, "the map's own hour 0 is a heavy arc")
			if !loose && !c.look.Phone && c.form.Hours == 12 {
				assert.Less(t, seconds, 3.0)
			}
			if c.also != nil {
				c.also(t, fit, found, f)
			}
		})
	}
	// A u that is far more than what maps are off leaves charts undecided that are not. It is taken from crossings, of which
	// each node's map is a mean of many: nodes lie off by 0.4 u.
	used := math.Sqrt(stat.Mean(stated, nil))
	t.Logf("nodes of shades on a flatbed lie off by %.2f u", used)
	assert.Greater(t, used, 0.25)
	assert.Less(t, used, 1.0)
}

// The centre of a scan in black and white dots, on several lids, by what its two halves have in common.
func TestSymmetric(t *testing.T) {
	t.Parallel()
	for i, lid := range []string{"", "black", "wood"} {
		f := render.Basic()[i]
		s := render.New(int64(i), render.Options{Form: f, Unit: f.Unit, Look: render.Look{DPI: 120, Turn: 20, Warp: 0.2, Bilevel: "diffusion", Lid: lid, Noise: 1}})
		x, y := symmetric(s.Picture())
		const around = 48 // places on one circle
		r := f.Radius(0.5 * (f.Low() + f.High()))
		for k := range around {
			px, py := s.PixelAt(f.Hours*float64(k)/around, r)
			x, y = x-px/around, y-py/around
		}
		require.Less(t, math.Hypot(x, y)*25.4/120, 0.5, "mm; lid %q", lid)
	}
}

// penAtRest asserts that a pen's line all round, beside the outermost circle, leaves the map as it is, and lets no circle
// be taken for its neighbour.
func penAtRest(t *testing.T, fit *fitted, _ []*start, f *form.Form) {
	pic := *fit.plane.pic
	pic.Pix = slices.Clone(pic.Pix)
	for r := f.Outer() + 0.5; r < f.Outer()+1.1; r += 0.05 { // mm
		for i := range 9000 {
			s, c := math.Sincos(float64(i) * math.Pi / 4500)
			x, y := fit.warp.Pixel(r*c, r*s)
			clear(pic.Pix[(int(y+0.5)*pic.Width+int(x+0.5))*pic.Channels:][:pic.Channels])
		}
	}
	found, err := starts(&pic, fewEdges)
	require.NoError(t, err)
	again, err := fitForm(context.Background(), found[:1], f)
	require.NoError(t, err)
	p := newPattern(f)
	for i := range 24 {
		s, c := math.Sincos(float64(i) * math.Pi / 12)
		for r := p.inner; r <= p.outer; r += 10 {
			x, y := fit.warp.Pixel(r*c, r*s)
			u, v := again.warp.Pixel(r*c, r*s)
			assert.Less(t, math.Hypot(u-x, v-y)/math.Hypot(fit.warp.H[0], fit.warp.H[3]), 0.06, "mm, at a radius of %.0f mm", r)
		}
	}
	for _, k := range []float64{-1, 1} {
		slipped := &fitted{plane: again.plane, warp: radially(t, again.warp, p, by(k*p.spacing()), 0, 7)}
		refused(t, slipped.finish(p, f), "ends")
	}
}

// refused asserts a refusal in words that end in what to do, by one of the tests named.
func refused(t *testing.T, err error, tests ...string) {
	t.Helper()
	var r *Refusal
	if !assert.True(t, errors.As(err, &r), "%v", err) {
		return
	}
	assert.Contains(t, r.Words, ": ")
	assert.Contains(t, tests, r.Test, r.Words)
}

func TestHourAndWrongPaper(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	basic := render.Basic()
	q, b := known(t)
	s, pic := charts[3]()

	face, err := Fit(ctx, Problem{Picture: pic, Form: q, Blank: b})
	require.NoError(t, err)
	assert.Equal(t, HourBlank, face.Hour)
	_, _, _, hour := against(s, face, false)
	assert.InDelta(t, 0, hour*3600, 3, "seconds")

	found, err := starts(pic, fewEdges)
	require.NoError(t, err)

	// the printed hours, read by themselves, say what the blank says
	fit, err := fitForm(ctx, found[:1], q)
	require.NoError(t, err)
	arc, _, _ := findHour(unrollMargins(pic, &fit.warp, q), b, q)
	steps := int(q.Direction()) * arc
	for off, want := range []bool{true, false} {
		say, err := fit.numeralsSay(ctx, steps+off, q)
		require.NoError(t, err)
		assert.Equal(t, want, say)
	}
	stopped, stop := context.WithCancel(ctx)
	stop()
	_, err = fit.settle(stopped, Problem{Picture: pic, Form: q})
	assert.ErrorIs(t, err, context.Canceled)

	var mirror picture.Picture = *pic
	mirror.Pix = make([]uint8, len(pic.Pix))
	for y := range pic.Height {
		for x := range pic.Width {
			for k := range pic.Channels {
				mirror.Pix[(y*pic.Width+x)*pic.Channels+k] = pic.Pix[(y*pic.Width+pic.Width-1-x)*pic.Channels+k]
			}
		}
	}
	_, err = Fit(ctx, Problem{Picture: &mirror, Form: q, Blank: b})
	refused(t, err, "arcs")
	assert.ErrorContains(t, err, "mirrored")

	negative := *pic
	negative.Pix = slices.Clone(pic.Pix)
	for i, v := range negative.Pix {
		negative.Pix[i] = 255 - v
	}
	_, err = Fit(ctx, Problem{Picture: &negative, Form: q, Blank: b})
	refused(t, err, "negative")

	// Another chart beside it, whole: whose the entries are is not told. One that is cut off is in nobody's way.
	with := func(columns int) *picture.Picture {
		two := *pic
		two.Width, two.Pix = pic.Width+columns, nil
		row := pic.Width * pic.Channels
		for y := range pic.Height {
			two.Pix = append(append(two.Pix, pic.Pix[y*row:(y+1)*row]...), pic.Pix[y*row:][:columns*pic.Channels]...)
		}
		return &two
	}
	_, err = Fit(ctx, Problem{Picture: with(pic.Width), Form: q, Blank: b})
	refused(t, err, TwoCharts)
	_, err = Identify(ctx, with(pic.Width), []Candidate{{Form: q}})
	refused(t, err, TwoCharts)
	face, err = Fit(ctx, Problem{Picture: with(pic.Width * 45 / 100), Form: q, Blank: b})
	require.NoError(t, err)
	assert.Equal(t, HourBlank, face.Hour)

	var library []Candidate
	var asked []string
	var broken error
	for _, of := range basic {
		library = append(library, Candidate{load(t, of), func() (*Blank, error) {
			asked = append(asked, of.Number)
			return nil, broken
		}})
	}
	face, err = Identify(ctx, pic, library)
	require.NoError(t, err)
	assert.Equal(t, basic[3].Number, face.Form.Form)
	assert.Equal(t, []string{basic[3].Number}, asked, "the others' circles are not there")
	broken = errors.New("no such file")
	_, err = Identify(ctx, pic, library[3:])
	assert.ErrorIs(t, err, broken)
	broken = nil
	twin := *q // of which nobody scanned a blank
	twin.Form = "Q-1203-B"
	grey := oneColour(pic)
	has := Candidate{q, func() (*Blank, error) { return b, nil }}
	_, err = Identify(ctx, grey, []Candidate{has, {Form: &twin}})
	refused(t, err, "form")
	assert.ErrorContains(t, err, "alike")
	_, err = Identify(ctx, grey, library[:3]) // the others would be tried, too
	refused(t, err, "form", "arcs")           // none of them stands every test, which is not that several do
	assert.NotContains(t, err.Error(), "mirrored")
	assert.NotContains(t, err.Error(), "alike")

	// the same form with circles twice or half as dense, arcs more or less often, the other lean or scale
	for _, c := range []struct {
		test   string
		change func(f *form.Form)
	}{
		{"circles", func(f *form.Form) { f.MinorRing, f.MajorRing = 1, 10 }},
		{"circles", func(f *form.Form) { f.MinorRing, f.MajorRing = 5, 10 }},
		{"arcs", func(f *form.Form) { f.TimeArcs.EveryMinutes = 60 }},
		{"arcs", func(f *form.Form) { f.TimeArcs.EveryMinutes = 10 }},
		{"arcs", func(f *form.Form) { f.TimeArcs.Lean = "clockwise" }},
		{"arcs", func(f *form.Form) { f.TimeArcs.PivotMM, f.TimeArcs.ArmMM = 150, 150 }},
		{"ends", func(f *form.Form) { f.Rings[0].At, f.Rings[1].At = 212, 62 }},
	} {
		_, err := fitForm(ctx, found[:1], relative(q, c.change))
		refused(t, err, c.test)
	}
}

// What a form's file leaves out of the arm is found from the arcs, in colour and in black and white.
func TestArmLeftOut(t *testing.T) {
	t.Parallel()
	for _, chart := range []func() (*render.Scene, *picture.Picture){charts[0], charts[3], dots} {
		s, pic := chart()
		whole := load(t, s.Form)
		bare := *whole
		bare.TimeArcs.PivotMM, bare.TimeArcs.ArmMM = 0, 0
		found, err := starts(pic, fewEdges)
		require.NoError(t, err)
		own, err := fitForm(context.Background(), found[:1], &bare)
		require.NoError(t, err)
		rms, worst, _, _ := against(s, own.face(own.form, HourOnChart), false)
		assert.Less(t, rms, 0.03, "mm, %s", whole.Form)
		assert.Less(t, worst, 0.12, "mm, %s", whole.Form)
		assert.InDelta(t, whole.TimeArcs.PivotMM, own.form.TimeArcs.PivotMM, 3, "mm; arms of nearly the same arcs differ by more than the arcs")
		bare.TimeArcs.Lean = other[bare.TimeArcs.Lean]
		_, err = fitForm(context.Background(), found[:1], &bare)
		refused(t, err, "arcs")
	}
}

// A print with circles about one centre, but no form's: a target.
func TestNoChart(t *testing.T) {
	t.Parallel()
	const n = 900
	target := &picture.Picture{Width: n, Height: n, Channels: 1, Pix: make([]uint8, n*n)}
	wood := &picture.Picture{Width: n, Height: n, Channels: 1, Pix: make([]uint8, n*n)}
	flat := &picture.Picture{Width: n, Height: n, Channels: 1, Pix: make([]uint8, n*n)}
	for i := range target.Pix {
		x, y := float64(i%n), float64(i/n)
		r := math.Hypot(x-440, y-460)
		target.Pix[i] = uint8(200 + 50*math.Cos(r*0.9))
		wood.Pix[i] = uint8(140 + 40*math.Sin(x*0.21+2*math.Sin(y*0.013)) + 30*math.Sin(x*0.05))
		flat.Pix[i] = 240
	}
	f := load(t, render.Basic()[3])
	for _, c := range []struct {
		pic  *picture.Picture
		test string
	}{{target, "circles"}, {wood, "circles"}, {flat, "start"}, {&picture.Picture{Width: 3, Height: 3, Channels: 1, Pix: make([]uint8, 9)}, "picture"}, {nil, "picture"}} {
		_, err := Fit(context.Background(), Problem{Picture: c.pic, Form: f})
		refused(t, err, c.test)
	}
	_, err := refine(newPlane(flat, 0), Warp{H: [9]float64{4, 0, 450, 0, 4, 450, 0, 0, 1}}, newPattern(f), f)
	refused(t, err, "circles")
	refused(t, (&fitted{}).bend(nil, nil, 1, mostDegree), "crossings")
	refused(t, armOf(f, nil, nil), "enroll")
}

// radially gives the map that takes every circle of a part of the turn for one that lies off (mm) further out at its radius.
func radially(t *testing.T, w Warp, p *pattern, off func(r float64) float64, from, to float64) Warp {
	t.Helper()
	x, y := lsq.New(termCount(mostDegree)), lsq.New(termCount(mostDegree)) // which drop no part for lying far off the rest
	for i := range 240 {
		phi := float64(i) * math.Pi / 120
		for r := p.inner - 2; r <= p.outer+2; r += 4 {
			s, c := math.Sincos(phi)
			in := 0.0
			if math.Mod(phi-from+4*math.Pi, 2*math.Pi) <= to-from {
				in = off(r)
			}
			row := terms(mostDegree, r*c/p.outer, r*s/p.outer, nil)
			x.Add(row, in*c, 1)
			y.Add(row, in*s, 1)
		}
	}
	right, err := x.Solve()
	require.NoError(t, err)
	down, err := y.Solve()
	require.NoError(t, err)
	w.shift(mostDegree, p.outer, right, down)
	return w
}

// by is the same distance at every radius.
func by(mm float64) func(r float64) float64 { return func(float64) float64 { return mm } }

// Right maps spoiled on purpose end in the right map again or in a refusal: never in circles taken for their neighbours.
func TestSlips(t *testing.T) {
	t.Parallel()
	basic := render.Basic()[1]
	even := *basic // its heavy circles are hardly heavier than the fine ones
	even.WidthMinor, even.WidthMajor = 0.13, 0.17
	for _, of := range []*render.Form{basic, &even} { // 24 h, uniform: the hardest
		f := load(t, of)
		s := render.New(601, render.Options{Form: of, Unit: "F", Look: render.Look{DPI: 80, Turn: 33, Warp: 0.1, Noise: 1}})
		found, err := starts(s.Picture(), fewEdges)
		require.NoError(t, err)
		p := newPattern(f)
		good, err := fitForm(context.Background(), found[:1], f)
		require.NoError(t, err)
		right := func(fit *fitted) {
			rms, _, _, _ := against(s, fit.face(f, HourOnChart), false)
			assert.Less(t, rms, 0.05, "form %s", f.Form)
		}
		right(good)
		step, plain := radials(good.plane, &good.warp, p).step(p, 0, sectors)
		assert.Zero(t, step, "form %s", f.Form)
		assert.True(t, plain, "form %s", f.Form)
		gap := p.spacing()
		back := 0
		for _, k := range []float64{-5, -2, -1, 1, 2, 5} {
			// the start's scale is off by so many circles at the rim
			w := good.warp
			w.H = multiply(w.H, [9]float64{1 + k*gap/p.outer, 0, 0, 0, 1 + k*gap/p.outer, 0, 0, 0, 1})
			if fit, err := refine(good.plane, w, p, f); err == nil {
				right(fit)
				back++
			}
			// the last steps alone, given circles already taken for others over the turn or a part of it
			for _, part := range [][2]float64{{0, 7}, {1, 1 + math.Pi}, {2, 2 + math.Pi/2}} {
				if math.Abs(k) > 1 && part[0] > 0 {
					continue
				}
				t2 := &fitted{plane: good.plane, warp: radially(t, good.warp, p, by(k*gap), part[0], part[1])}
				if err := t2.finish(p, f); err == nil {
					right(t2)
					back++
				} else {
					refused(t, err, "ends", "sectors")
				}
			}
		}
		assert.Positive(t, back, "form %s: a start a circle off is brought back", f.Form)
		// each of these tests sees the whole turn slipped by itself
		for _, k := range []float64{-1, 1} {
			w := radially(t, good.warp, p, by(k*gap), 0, 7)
			rd := radials(good.plane, &w, p)
			e := rd.ends(p, 0, sectors, p.reach())
			assert.Negative(t, e.lead, "form %s", f.Form)
			assert.Greater(t, math.Abs(e.shift), 0.3*gap, "form %s", f.Form)
			step, plain := rd.step(p, 0, sectors)
			assert.Equal(t, -int(k), step, "form %s", f.Form)
			assert.False(t, plain, "form %s", f.Form)
		}
	}
}

// Circles taken for their neighbours, and the sheet bent to suit: in the whole turn, in a quarter of it and in a third across
// hour 0, each is seen by two tests or more, each asked by itself, on the glass, in black and white and on an uneven scale.
func TestSlipsSeenTwice(t *testing.T) {
	t.Parallel()
	for _, chart := range []func() (*render.Scene, *picture.Picture){charts[0], dots, charts[2]} {
		s, pic := chart()
		f := load(t, s.Form)
		found, err := starts(pic, fewEdges)
		require.NoError(t, err)
		good, err := fitForm(context.Background(), found[:1], f)
		require.NoError(t, err)
		p := newPattern(f)
		assert.Empty(t, good.seenBy(p, f), "form %s", f.Form)
		for _, slip := range []struct {
			circles  float64
			from, to float64 // of the turn
		}{{-2, 0, 1}, {-1, 0, 1}, {1, 0, 1}, {2, 0, 1}, {-1, 0.16, 0.41}, {1, 0.16, 0.41}, {-1, -1. / 6, 1. / 6}, {1, -1. / 6, 1. / 6}} {
			next := func(r float64) float64 { return f.Radius(f.Temperature(r)+slip.circles*f.MinorRing) - r }
			slipped := &fitted{plane: good.plane, form: f, warp: radially(t, good.warp, p, next, 2*math.Pi*slip.from, 2*math.Pi*slip.to)}
			assert.GreaterOrEqual(t, len(slipped.seenBy(p, f)), 2, "form %s, %+v", f.Form, slip)
			refused(t, slipped.finish(p, f), "ends", "sectors", "edges", "circles")
			assert.GreaterOrEqual(t, len(slipped.seenBy(p, f)), 2, "form %s, %+v, the sheet bent: %v", f.Form, slip, slipped.seenBy(p, f))
		}
	}
}

// seenBy are the tests of judge that do not hold for the map, but for those of the arcs.
func (t *fitted) seenBy(p *pattern, f *form.Form) (tests []string) {
	rd := radials(t.plane, &t.warp, p)
	e := rd.ends(p, 0, sectors, p.reach())
	if math.Abs(e.shift) > 0.3*p.spacing() || e.lead < 0 {
		tests = append(tests, "ends")
	}
	reach := math.Min(2.5*p.spacing(), p.reach())
	around := rd.around(p, reach, e.score, math.Max(leastClear, p.leadOver(p, reach))*e.score)
	if around.slipped > 0 || float64(around.sure) < sureShare*float64(around.seen) {
		tests = append(tests, "sectors")
	}
	if around.stepped > 0 {
		tests = append(tests, "edges")
	}
	c := cross(t.plane, &t.warp, p, 0.30, 2*cellAngles)
	if blockMeans(c.sightings(p), 36, binMM, 0) > math.Min(blockShare*p.spacing(), blockMM) {
		tests = append(tests, "circles")
	}
	return tests
}

// Paper that bends as none does is met by the map, and refused for that alone; half as much of it passes.
func TestPaperBentTooFar(t *testing.T) {
	t.Parallel()
	s, pic := charts[0]()
	f := load(t, s.Form)
	ax, ay := s.PixelAt(0, f.Outer())
	bx, by := s.PixelAt(0.5*f.RotationHours, f.Outer())
	radius := 0.5 * math.Hypot(ax-bx, ay-by) // pixels
	for _, c := range []struct {
		mm   float64
		bend func(u, v float64) (dx, dy float64) // places in radii of the outermost circle
		test string
		says string
	}{
		{0.65, func(u, _ float64) (float64, float64) { return 8*math.Pow(u, 4) - 8*u*u + 1, 0 }, "sectors", "bending the paper more than it bends"},
		{1.1, func(u, v float64) (float64, float64) { return -v * (u*u + v*v), u * (u*u + v*v) }, "arcs", "do not bend as form"},
	} {
		for _, share := range []float64{1, 0.4} {
			bent := *pic
			bent.Pix = make([]uint8, len(pic.Pix))
			for i := range pic.Width * pic.Height {
				x, y := float64(i%pic.Width), float64(i/pic.Width)
				dx, dy := c.bend((x-0.5*(ax+bx))/radius, (y-0.5*(ay+by))/radius)
				k := share * c.mm * radius / f.Outer()
				if x, y = x+k*dx, y+k*dy; pic.Inside(x, y) {
					for ch := range pic.Channels {
						bent.Pix[i*pic.Channels+ch] = uint8(pic.Sample(x, y, ch) + 0.5)
					}
				}
			}
			found, err := starts(&bent, fewEdges)
			require.NoError(t, err)
			_, err = fitForm(context.Background(), found[:1], f)
			if share < 1 {
				require.NoError(t, err, c.says)
				continue
			}
			refused(t, err, c.test)
			assert.ErrorContains(t, err, c.says)
		}
	}
}

// A time arc may have ink or writing beside it for a stretch; a slip takes a part of the turn at every radius.
func TestBlockMeans(t *testing.T) {
	t.Parallel()
	sightings := func(off func(angle, ring int) float64) (ss []sighting) {
		for a := range 12 {
			for ring := range 8 {
				for k := range 10 {
					s, c := math.Sincos((float64(a) + (float64(k)+0.5)/10) * math.Pi / 6)
					r := 30 + 12*float64(ring)
					ss = append(ss, sighting{x: r * c, y: r * s, off: off(a, ring)})
				}
			}
		}
		return ss
	}
	ink := sightings(func(a, ring int) float64 {
		if a == 3 && ring < 2 {
			return 0.5
		}
		return 0.01
	})
	assert.InDelta(t, math.Sqrt((94*0.01*0.01+2*0.5*0.5)/96), blockMeans(ink, 12, 12, 0), 1e-9)
	assert.InDelta(t, 0.01, blockMeans(ink, 12, 12, arcsHidden), 1e-9)
	slip := sightings(func(a, _ int) float64 {
		if a == 3 {
			return 0.5
		}
		return 0.01
	})
	assert.Greater(t, blockMeans(slip, 12, 12, arcsHidden), blockMM)

	// what the uncertainty is taken from: ink is left out, a part of the face that is off as a whole is not
	assert.Less(t, unexplained(ink), 0.02)
	assert.Greater(t, unexplained(slip), 0.1)
	slight := sightings(func(int, int) float64 { return 0.09 })
	assert.InDelta(t, 0.09, unexplained(slight), 1e-9)
}

// A cubic lies off itself by nothing; of x⁷ on a disc some is left, twice as much of twice as much. A rough map is not bent by more
// than a cubic, however well more would fit.
func TestCockledPaper(t *testing.T) {
	n := termCount(mostDegree)
	w := Warp{Degree: mostDegree, Scale: 100, X: make([]float64, n), Y: make([]float64, n)}
	w.X[termCount(2)], w.Y[1] = 2, 5 // x³, x
	require.Less(t, w.cockle(30, 100), 1e-9)
	w.X[termCount(6)] = 1   // x⁷, mm
	const once = 0.32245475 // NumPy, linalg.lstsq on the same 72 × 16 places
	require.InDelta(t, once, w.cockle(30, 100), 1e-6)
	w.X[termCount(6)] = 2
	require.InDelta(t, 2*once, w.cockle(30, 100), 2e-6)

	var all []sighting
	for i := range 2000 {
		s, c := math.Sincos(float64(i))
		x, y := 100*s*math.Sqrt(float64(i)/2000), 100*c*math.Sqrt(float64(i)/2000)
		dx, dy := w.displacement(x, y)
		all = append(all, sighting{x: x, y: y, nx: 1, off: dx, weight: 1}, sighting{x: x, y: y, ny: 1, off: dy, weight: 1})
	}
	for _, most := range []int{leastDegree, mostDegree} {
		_, _, degree, err := bestField(all, w.Scale, 0, most)
		require.NoError(t, err)
		require.Equal(t, most, degree)
	}
}
