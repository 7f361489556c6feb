package evidence

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/calibrate"
	"penarm/calibrate/form"
	"penarm/calibrate/picture"
	"penarm/digitize/series"
	"penarm/verify"
	"penarm/verify/entries"
)

// An invented form whose arithmetic can be done by hand: 1 mm is 2 °F, 30 mm is 50 °F,
// one degree of turn is two minutes.
func testForm(unit string) *form.Form {
	return &form.Form{
		Form: "T-1", Unit: unit, DiameterMM: 240, HubHoleMM: 9, RotationHours: 12, TimeRuns: "clockwise",
		Rings:     []form.Ring{{At: 50, RadiusMM: 30}, {At: 210, RadiusMM: 110}},
		MinorRing: 2, MajorRing: 20,
		TimeArcs: form.TimeArcs{EveryMinutes: 15, MajorMinutes: 60, PivotMM: 150, ArmMM: 152, Lean: "clockwise"},
		Labels:   form.Labels{Kind: "clock"},
	}
}

// The test picture: 2,000 × 1,800 white pixels, 7 pixels a mm, print centre at (1000, 900), hour 0 to the right.
const (
	perMM   = 7.0
	centreX = 1000.0
	centreY = 900.0
)

var day = time.Date(2026, 5, 6, 0, 0, 0, 0, time.UTC)

func hm(h, m, s int) time.Time {
	return day.Add(time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(s)*time.Second)
}

func ptr(v float64) *float64 { return &v }

// testInput is a chart with one hold 07:30–08:10 at 150 °F, a gap, a weak
// stretch and a second pen that writes four minutes ahead.
func testInput() Input {
	p := &picture.Picture{Width: 2000, Height: 1800, Channels: 3, Pix: bytes.Repeat([]uint8{255}, 2000*1800*3)}
	face := &calibrate.Face{Form: testForm("F"), Hour: calibrate.HourBlank, Method: "by hand", RingResidualMM: 0.05, ArcResidualS: 4, UMM: 0.04,
		Warp: calibrate.Warp{H: [9]float64{perMM, 0, centreX, 0, perMM, centreY, 0, 0, 1}}}
	s := series.Series{Pen: "product", Unit: "F"}
	for t := hm(7, 0, 0); !t.After(hm(9, 0, 0)); t = t.Add(10 * time.Second) {
		v := series.Sample{Time: t, Temperature: 150, UTemperature: 0.05, UTime: 2, Quality: series.Good}
		switch minutes := t.Sub(hm(7, 0, 0)).Minutes(); {
		case minutes < 30:
			v.Temperature = 90 + 2*minutes
		case minutes > 70 && minutes < 80:
			v.Temperature, v.Quality = math.NaN(), series.Gap
		case minutes >= 80:
			v.Temperature = 110
		case minutes >= 50 && minutes <= 52:
			v.Quality, v.Reason = series.Weak, "writing crosses the line"
		}
		s.Samples = append(s.Samples, v)
	}
	a := series.Series{Pen: "airspace", Unit: "F"}
	for t := hm(7, 10, 0); !t.After(hm(8, 30, 0)); t = t.Add(10 * time.Second) {
		a.Samples = append(a.Samples, series.Sample{Time: t, Temperature: 170, UTemperature: 0.1, UTime: 2, Quality: series.Good})
	}
	hold := &verify.Hold{Start: verify.LocalTime{Time: hm(7, 28, 0)}, End: verify.LocalTime{Time: hm(8, 10, 0)}, Minutes: 42, UMinutes: 0.1, Lowest: 150, ULowest: 0.1}
	f := &verify.Findings{
		Schema: "penarm.findings/1", Scan: verify.Scan{File: "t.jpg", SHA256: strings.Repeat("ab", 32), Page: 1},
		Form: "T-1", Recorder: "R9", ChartDate: "2026-05-06", Rules: "own",
		Calibration: verify.Calibration{Method: "by hand", Hour: "blank", RingResidualMM: 0.05, ArcResidualS: 4},
		Batches: []verify.Batch{{Batch: "1", Product: "whole milk", Legal: 145, Unit: "F", Hold: hold, Verdict: verify.Undecided, Checks: []verify.Check{
			{Check: "hold", Verdict: verify.Pass, Measured: ptr(42), Limit: ptr(30), U: ptr(0.1), Unit: "min", Counts: true, Source: "a source: in full"},
			{Check: "agreement", Verdict: verify.Undecided, Measured: ptr(-0.9), Limit: ptr(0), U: ptr(0.45), Unit: "F", Counts: true, Source: "another", Reason: "too near to tell"},
		}}},
		Checks: []verify.Check{{Check: "record", Verdict: verify.Undecided, Counts: true, Source: "a third", Reason: "ten minutes without ink",
			Places: []verify.Place{{Pen: "product", From: verify.LocalTime{Time: hm(8, 10, 0)}, To: verify.LocalTime{Time: hm(8, 20, 0)}, Text: "no ink"}}}},
		Verdict:    verify.Undecided,
		Provenance: verify.Provenance{Version: "penarm test", Files: map[string]string{"form": strings.Repeat("cd", 32)}},
	}
	return Input{
		Picture: p, Face: face, ZeroAt: day, Series: []series.Series{s, a}, Findings: f,
		Events:   []series.Event{{Kind: series.EventGap, Pen: "product", From: hm(8, 10, 0), To: hm(8, 20, 0), X: 1200, Y: 700, Text: "no ink"}},
		Plant:    &entries.Plant{Plant: "Hollow Ash Dairy", Unit: "F"},
		Recorder: &entries.Recorder{Recorder: "R9", Form: "T-1", Vat: "V9", Pens: []entries.Pen{{Pen: "product"}, {Pen: "airspace", AheadMinutes: 4}}},
		Entries: &entries.Entries{Recorder: "R9", ChartDate: "2026-05-06", OnChart: "06:55", Operator: "Q. Reed", Batches: []entries.Batch{{Batch: "1",
			Indicating: []entries.Reading{{At: "07:40", Reads: 151}}, Airspace: []entries.Reading{{At: "07:31", Reads: 158}}, OutletOpened: "08:40"}}},
	}
}

// place is where an hour and a temperature lie in the test picture, worked out
// from the geometry of the form alone: radius r = 30 + (T − 50)/2 mm, the arc's
// lag behind the outermost circle by the law of cosines.
func place(hours, temperature, aside float64) (x, y float64) {
	r := 30 + (temperature-50)/2
	a := func(r float64) float64 { return math.Acos((r*r + 150*150 - 152*152) / (2 * r * 150)) }
	// Leaning clockwise toward the rim and running clockwise: inner points lie behind (at smaller angles).
	phi := 2*math.Pi*hours/12 - math.Abs(a(r)-a(110))
	sin, cos := math.Sincos(phi)
	return centreX + perMM*(r+aside)*cos, centreY + perMM*(r+aside)*sin
}

// near says whether a pixel within reach of (x, y) has about the colour.
func near(img image.Image, x, y float64, reach int, want color.RGBA) bool {
	for dy := -reach; dy <= reach; dy++ {
		for dx := -reach; dx <= reach; dx++ {
			r, g, b, _ := img.At(int(math.Round(x))+dx, int(math.Round(y))+dy).RGBA()
			if math.Abs(float64(r>>8)-float64(want.R))+math.Abs(float64(g>>8)-float64(want.G))+math.Abs(float64(b>>8)-float64(want.B)) < 130 {
				return true
			}
		}
	}
	return false
}

func overlayOf(t *testing.T, in Input) (image.Image, float64) {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, Overlay(&b, in))
	img, err := jpeg.Decode(&b)
	require.NoError(t, err)
	o, err := newOverlay(&in, false, 0)
	require.NoError(t, err)
	require.Zero(t, o.from)
	return img, o.scale
}

func TestOverlayLiesWhereTheFaceSays(t *testing.T) {
	img, k := overlayOf(t, testInput())
	size := img.Bounds().Size()
	assert.LessOrEqual(t, max(size.X, size.Y), 2000)
	assert.Greater(t, max(size.X, size.Y), 1990)
	at := func(hours, temperature, aside float64) (float64, float64) {
		x, y := place(hours, temperature, aside)
		return x * k, y * k
	}
	for hours := 7.05; hours < 7.75; hours += 0.1 {
		if hours > 7.4 && hours < 7.6 { // the corner of the trace and the hold's bracket
			continue
		}
		temperature := math.Min(150, 90+120*(hours-7))
		if temperature == 150 {
			x, y := at(hours, temperature, besideMM)
			assert.True(t, near(img, x, y, 2, product), "trace beside %g h", hours)
		}
		x, y := at(hours, temperature, 0)
		assert.False(t, near(img, x, y, 1, product), "the ink itself at %g h is left free", hours)
	}
	x, y := at(8.0, 170, -besideMM) // 8 h printed is 07:56 for a pen four minutes ahead
	assert.True(t, near(img, x, y, 4, air))
	x, y = at(8.25, 150, besideMM)
	assert.False(t, near(img, x, y, 5, product), "nothing is drawn across a gap")

	// The heavy circles: a dash in the middle of each ladder, nothing on the fine circle beside it.
	x, y = at(12*(0.5/6+1.0/48), 80, 0)
	assert.True(t, near(img, x, y, 1, fitted))
	x, y = at(12*(0.5/6+1.0/48), 82, 0)
	assert.False(t, near(img, x, y, 2, fitted))
	// Hour arcs at the rim.
	x, y = at(4, 208, 0)
	assert.True(t, near(img, x, y, 1, fitted))
	x, y = at(4.25, 208, 0)
	assert.False(t, near(img, x, y, 3, fitted))
	// The brackets of the hold cross the legal circle at its start and end.
	for _, h := range []float64{7 + 28.0/60, 8 + 10.0/60} {
		x, y = at(h, 141, 0)
		assert.True(t, near(img, x, y, 1, legal), "bracket at %g h", h)
	}
	// The numbered mark's dot lies where the event said.
	assert.True(t, near(img, 1200*k, 700*k, 1, ink))
}

func TestOverlaySparesTheDesk(t *testing.T) {
	in := testInput()
	small := in.Face.Warp
	small.H = [9]float64{3, 0, 700, 0, 3, 800, 0, 0, 1} // the chart takes 720 of 2,000 pixels
	in.Face.Warp = small
	o, err := newOverlay(&in, false, 0)
	require.NoError(t, err)
	// 1.16 × 120 mm × 3 pixels = 417.6 pixels to each side of the centre.
	assert.InDelta(t, 700-417.6, o.from.x, 2)
	assert.InDelta(t, 800-417.6, o.from.y, 2)
	p := o.paper(0, 110)
	assert.InDelta(t, (700+330-o.from.x+0.5)*o.scale-0.5, p.x, 1e-6)
}

func TestResizeKeepsTheMean(t *testing.T) {
	p := &picture.Picture{Width: 4, Height: 2, Channels: 1, Pix: []uint8{0, 100, 200, 40, 20, 80, 60, 100}}
	resize := func(p *picture.Picture, w, h int) []uint8 {
		c := newCanvas(w, h, 1)
		c.resize(p, image.Rect(0, 0, p.Width, p.Height), w, h)
		return c.pic.Pix
	}
	// (0+100+20+80)/4, (200+40+60+100)/4
	assert.Equal(t, []uint8{50, 50, 50, 100, 100, 100}, resize(p, 2, 1))
	colours := &picture.Picture{Width: 3, Height: 3, Channels: 3, Pix: bytes.Repeat([]uint8{10, 20, 30}, 9)} // blue, green, red
	for _, n := range []int{1, 2, 3, 7} {
		assert.Equal(t, bytes.Repeat([]uint8{10, 20, 30}, n*n), resize(colours, n, n), "%d pixels", n)
	}
	// Whatever the sizes, each new pixel is the mean over its footprint, to the rounding of the weights.
	r := rand.New(rand.NewPCG(5, 6))
	for range 40 {
		ch := 1 + 2*r.IntN(2)
		p := &picture.Picture{Width: 1 + r.IntN(24), Height: 1 + r.IntN(24), Channels: ch}
		for range p.Width * p.Height * ch {
			p.Pix = append(p.Pix, uint8(r.IntN(256)))
		}
		w, h := 1+r.IntN(p.Width), 1+r.IntN(p.Height)
		got := resize(p, w, h)
		share := func(i, n, old, j int) float64 { // of old pixel j in new pixel i
			s := float64(old) / float64(n)
			return math.Max(0, math.Min(float64(i+1)*s, float64(j+1))-math.Max(float64(i)*s, float64(j))) / s
		}
		for y := range h {
			for x := range w {
				for k := range 3 {
					want := 0.0
					for j := range p.Height {
						for i := range p.Width {
							want += share(y, h, p.Height, j) * share(x, w, p.Width, i) * float64(p.Pix[(j*p.Width+i)*ch+min(k, ch-1)])
						}
					}
					require.InDelta(t, want, got[3*(y*w+x)+k], 3, "%d × %d of %d × %d at %d, %d", w, h, p.Width, p.Height, x, y)
				}
			}
		}
	}
}

var (
	svgText = regexp.MustCompile(`<text x="([\d.]+)" y="([\d.]+)" font-size="[\d.]+" text-anchor="\w+" fill="[^"]+">([^<]+)</text>`)
	svgLine = regexp.MustCompile(`<polyline points="([^"]+)" fill="none" stroke="` + hex(product) + `" stroke-width="0.4" stroke-linejoin="round"/>`)
)

func svgNumber(t *testing.T, s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return v
}

// The axis labels are read back and the curve is measured against them, as a
// person with a ruler would.
func TestPlotCanBeReadBackWithARuler(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, Plot(&b, testInput()))
	at := map[string][2]float64{}
	for _, m := range svgText.FindAllStringSubmatch(b.String(), -1) {
		if _, ok := at[m[3]]; !ok { // the overview comes first
			at[m[3]] = [2]float64{svgNumber(t, m[1]), svgNumber(t, m[2])}
		}
	}
	require.Contains(t, at, "08:00")
	x := func(when time.Time) float64 {
		return at["08:00"][0] + (at["09:00"][0]-at["08:00"][0])*when.Sub(hm(8, 0, 0)).Hours()
	}
	y := func(v float64) float64 { return at["100"][1] + (at["160"][1]-at["100"][1])*(v-100)/60 - 0.36*6.5*ptMM }
	lines := svgLine.FindAllStringSubmatch(b.String(), -1)
	require.GreaterOrEqual(t, len(lines), 3, "good, weak and gap part the curve")
	first := strings.Split(strings.Split(lines[0][1], " ")[0], ",")
	assert.InDelta(t, x(hm(7, 0, 0)), svgNumber(t, first[0]), 0.03)
	assert.InDelta(t, y(90), svgNumber(t, first[1]), 0.03)
	for _, l := range lines[:3] {
		for _, q := range strings.Split(l[1], " ") {
			px, py, _ := strings.Cut(q, ",")
			gx := svgNumber(t, px)
			gap := gx > x(hm(8, 10, 0))+0.03 && gx < x(hm(8, 20, 0))-0.03 && svgNumber(t, py) < y(112)
			assert.False(t, gap, "no curve between the gap's ends, got %s", q)
		}
	}
}

func TestFrameCutsACurveAtItsEdge(t *testing.T) {
	f := &frame{w: 10, h: 10, t0: hm(7, 0, 0), t1: hm(8, 0, 0), lo: 100, hi: 200}
	parts := f.clip(run{{Time: hm(7, 0, 0), Temperature: 50}, {Time: hm(7, 20, 0), Temperature: 150}, {Time: hm(8, 20, 0), Temperature: 150}})
	require.Len(t, parts, 1)
	assert.Equal(t, hm(7, 10, 0), parts[0][0].Time) // half way from 50 to 150
	assert.Equal(t, 100.0, parts[0][0].Temperature)
	assert.Equal(t, hm(8, 0, 0), parts[0][2].Time)
}

func reportOf(t *testing.T, in Input) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, Report(&b, in))
	return b.Bytes()
}

func annexOf(t *testing.T, in Input) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, Annex(&b, in))
	return b.Bytes()
}

// read gives a report's text as poppler's pdftotext reads it; qpdf must find nothing wrong.
func read(t *testing.T, pdf []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "report.pdf")
	require.NoError(t, os.WriteFile(path, pdf, 0o600))
	if _, err := exec.LookPath("qpdf"); err == nil {
		out, err := exec.Command("qpdf", "--check", path).CombinedOutput()
		require.NoError(t, err, string(out))
	}
	if _, err := exec.LookPath("pdftotext"); err != nil {
		t.Skip("pdftotext is not installed")
	}
	out, err := exec.Command("pdftotext", "-layout", path, "-").Output()
	require.NoError(t, err)
	return strings.Join(strings.Fields(string(out)), " ")
}

func TestReportSaysWhatWasFound(t *testing.T) {
	text := read(t, reportOf(t, testInput()))
	for _, want := range []string{
		"Hollow Ash Dairy", "R9", "V9", "2026-05-06", "Q. Reed", "T-1",
		"The chart alone cannot settle it.", "42.00 ± 0.20 min", "≥ 30 min", "−0.90 ± 0.90 °F", "≤ 0 °F",
		"chart, record, undecided: ten minutes without ink (place 1)", "07:28:00–08:10:00",
		"Operator", "Reviewer", "Inspector", "name and signature",
		"The paper chart is the record", "a source [1]", "page 1 of 2", strings.Repeat("ab", 32), strings.Repeat("cd", 32),
		"The airspace pen writes 4 min ahead", "0.10 °F at the legal temperature", // 0.05 mm at 2 °F a mm
	} {
		assert.Contains(t, text, want)
	}
	assert.Contains(t, read(t, annexOf(t, testInput())), "[1] a source: in full")
	assert.NotContains(t, strings.ToLower(text), "pasteurized", "the report says what the chart shows, never that milk is pasteurized")
}

func TestReportIsTheSameTwice(t *testing.T) {
	a, b := reportOf(t, testInput()), reportOf(t, testInput())
	assert.True(t, bytes.Equal(a, b))
	assert.True(t, bytes.Equal(annexOf(t, testInput()), annexOf(t, testInput())))
	var p, q, o1, o2 bytes.Buffer
	require.NoError(t, Plot(&p, testInput()))
	require.NoError(t, Plot(&q, testInput()))
	assert.Equal(t, p.String(), q.String())
	require.NoError(t, Overlay(&o1, testInput()))
	require.NoError(t, Overlay(&o2, testInput()))
	assert.True(t, bytes.Equal(o1.Bytes(), o2.Bytes()))
	in := testInput()
	in.Drawn = o1.Bytes()
	assert.True(t, bytes.Equal(a, reportOf(t, in)), "an overlay handed over is the one that would be drawn")
}

// However much there is to say of a chart, what is signed stays two pages.
func TestManyMarksGoToTheAnnex(t *testing.T) {
	in := testInput()
	for k := range 60 {
		at := hm(7, 0, 0).Add(time.Duration(k) * time.Minute)
		in.Events = append(in.Events, series.Event{Kind: series.EventInk, Pen: "product", From: at, To: at.Add(20 * time.Second), Text: fmt.Sprintf("writing number %d", k)})
	}
	text := read(t, reportOf(t, in))
	assert.Contains(t, text, "page 2 of 2")
	assert.Contains(t, text, "more, in the annex")
	assert.NotContains(t, text, "writing number 59")
	assert.Contains(t, read(t, annexOf(t, in)), "writing number 59")
}

// A reason too long for the pages to sign is cut there, and stands in full in the annex.
func TestLongReasonsGoToTheAnnex(t *testing.T) {
	in := testInput()
	for i := range in.Findings.Checks {
		if c := &in.Findings.Checks[i]; c.Check == "record" {
			c.Verdict = verify.Undecided
			for k := range 60 {
				c.Reason += fmt.Sprintf("; remark number %d", k)
			}
		}
	}
	text := read(t, reportOf(t, in))
	assert.Contains(t, text, "page 2 of 2")
	assert.Contains(t, text, "remark number 9")
	assert.NotContains(t, text, "remark number 59")
	assert.Contains(t, read(t, annexOf(t, in)), "remark number 59")
	assert.Equal(t, "1, 3, 4, 6–9", numbers([]int{9, 1, 3, 4, 6, 7, 8}))
}

func TestReportCarriesItsFindings(t *testing.T) {
	if _, err := exec.LookPath("pdfdetach"); err != nil {
		t.Skip("pdfdetach is not installed")
	}
	in := testInput()
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "r.pdf"), reportOf(t, in), 0o600))
	out, err := exec.Command("pdfdetach", "-save", "1", "-o", filepath.Join(dir, "f.json"), filepath.Join(dir, "r.pdf")).CombinedOutput()
	require.NoError(t, err, string(out))
	got, err := os.ReadFile(filepath.Join(dir, "f.json"))
	require.NoError(t, err)
	want, err := FindingsJSON(in.Findings)
	require.NoError(t, err)
	assert.Equal(t, string(want), string(got))
	var back verify.Findings
	require.NoError(t, json.Unmarshal(got, &back))
	assert.Equal(t, *in.Findings, back)
}

func TestPaperSizes(t *testing.T) {
	for size, want := range map[string]string{"": "595.28 841.89", "A4": "595.28 841.89", "Letter": "612.00 792.00"} {
		in := testInput()
		in.Paper = size
		assert.Contains(t, string(reportOf(t, in)), "/MediaBox [0 0 "+want+"]", size)
		read(t, reportOf(t, in))
	}
	in := testInput()
	in.Paper = "A3"
	assert.ErrorContains(t, Report(&bytes.Buffer{}, in), "use A4 or Letter")
}

// A chart of which little is known still gets its pictures and its page.
func TestBareCharts(t *testing.T) {
	bare := testInput()
	bare.Series, bare.Events, bare.Plant, bare.Recorder, bare.Entries = nil, nil, nil, nil, nil
	bare.Findings = &verify.Findings{Verdict: verify.Undecided}
	noHold := testInput()
	noHold.Findings.Batches[0].Hold = nil
	noHour := testInput()
	noHour.Face.Hour, noHour.Entries = calibrate.HourOnChart, nil
	placed := testInput()
	placed.Face.Hour, placed.ZeroAt = calibrate.HourOnChart, hm(3, 17, 0)
	elapsed := testInput()
	elapsed.Face.Form.Labels.Kind, elapsed.Entries = "elapsed", nil
	elapsed.Findings.Batches[0].Checks[1].Counts = false
	celsius := testInput()
	celsius.Findings.Batches[0].Unit = "C"
	gapOnly := testInput()
	for i := range gapOnly.Series[0].Samples {
		gapOnly.Series[0].Samples[i].Quality, gapOnly.Series[0].Samples[i].Temperature = series.Gap, math.NaN()
	}
	grey := testInput()
	grey.Picture = &picture.Picture{Width: 300, Height: 500, Channels: 1, Pix: make([]uint8, 300*500)}
	for name, c := range map[string]struct {
		in    Input
		words string
	}{
		"nothing read": {bare, "No batch was judged on this chart"},
		"no hold":      {noHold, "the chart shows no hold"},
		"no hour":      {noHour, "NEITHER PRINTED HOURS READ NOR TIME ON CHART WRITTEN"},
		"placed hour":  {placed, "HOUR NOT READ FROM THE PRINT: clock times count from"},
		"no entries":   {elapsed, "TIME ON CHART NOT WRITTEN"},
		"celsius":      {celsius, "145 °C"},
		"gaps only":    {gapOnly, "100 % without ink"},
		"small grey":   {grey, "Hollow Ash Dairy"},
	} {
		t.Run(name, func(t *testing.T) {
			require.NoError(t, Overlay(&bytes.Buffer{}, c.in))
			require.NoError(t, Plot(&bytes.Buffer{}, c.in))
			require.NoError(t, Strip(&bytes.Buffer{}, c.in))
			assert.Contains(t, read(t, reportOf(t, c.in))+read(t, annexOf(t, c.in)), c.words)
		})
	}
	text := read(t, reportOf(t, elapsed))
	first, rest, _ := strings.Cut(text, "For information, not counted")
	assert.NotContains(t, first, "agreement:", "what does not count stands apart from what does")
	assert.Contains(t, rest, "agreement:")
	assert.ErrorContains(t, Overlay(&bytes.Buffer{}, Input{}), "no picture")
	assert.ErrorContains(t, Report(&bytes.Buffer{}, Input{}), "no picture")
	assert.ErrorContains(t, Annex(&bytes.Buffer{}, Input{}), "no picture")
	assert.ErrorContains(t, Plot(&bytes.Buffer{}, Input{}), "no calibration")
	assert.ErrorContains(t, Strip(&bytes.Buffer{}, Input{}), "no picture")
}

// A series in °C on a form printed in °F lies where the exact conversion says: 63 °C is 145.4 °F.
func TestOtherUnitThanTheForm(t *testing.T) {
	in := testInput()
	got := in.pixel("product", hm(5, 0, 0), 63, "C")
	x, y := place(5, 145.4, 0)
	assert.InDelta(t, x, got.x, 1e-6)
	assert.InDelta(t, y, got.y, 1e-6)
}

// With the hour set from the written time the same reading lies elsewhere on the paper.
func TestHourFromTheWrittenTime(t *testing.T) {
	in := testInput()
	in.Face.Hour, in.ZeroAt = calibrate.HourOnChart, hm(3, 0, 0)
	got := in.pixel("product", hm(8, 0, 0), 150, "F")
	x, y := place(5, 150, 0)
	assert.InDelta(t, x, got.x, 1e-6)
	assert.InDelta(t, y, got.y, 1e-6)
	in = testInput()
	in.Face.Form.Labels.Kind, in.ZeroAt = "elapsed", hm(6, 55, 0)
	got = in.pixel("airspace", hm(7, 51, 0), 150, "F")
	x, y = place(1, 150, 0)
	assert.InDelta(t, x, got.x, 1e-6)
	assert.InDelta(t, y, got.y, 1e-6)
}

func TestMarksAreNumberedOnce(t *testing.T) {
	in := testInput()
	m := in.marks()
	require.Len(t, m, 2, "the gap that check and event both name, and the weak stretch in the hold")
	assert.Equal(t, point{1200, 700}, m[0].at, "the event knows best where it lies")
	assert.Equal(t, "ink weak: writing crosses the line", m[1].text)
	assert.Equal(t, hm(7, 50, 0), m[1].from)
	assert.Equal(t, hm(7, 52, 0), m[1].to)
	x, y := place(7+51.0/60, 150, 0)
	assert.InDelta(t, x, m[1].at.x, 1e-6)
	assert.InDelta(t, y, m[1].at.y, 1e-6)
}

func TestWrittenTimesAfterMidnight(t *testing.T) {
	in := testInput()
	in.Entries.OnChart = "21:30"
	got, ok := in.entryTime("00:40")
	require.True(t, ok)
	assert.Equal(t, day.Add(24*time.Hour+40*time.Minute), got)
	got, ok = in.entryTime("21:20:30") // ten minutes early is no other day
	require.True(t, ok)
	assert.Equal(t, hm(21, 20, 30), got)
	_, ok = in.entryTime("nine")
	assert.False(t, ok)
}

func TestFigures(t *testing.T) {
	assert.Equal(t, "−0.5", number(-0.5, 2))
	assert.Equal(t, "0", number(-0.001, 2))
	assert.Equal(t, "30", number(30, 2))
	assert.Equal(t, "33.50 ± 0.20 min", shows(verify.Check{Measured: ptr(33.5), U: ptr(0.1), Unit: "min"}))
	assert.Equal(t, "152.5 ± 1.0 °F", shows(verify.Check{Measured: ptr(152.5), U: ptr(0.5), Unit: "F"}))
}

// The unrolled paper shows ink where the series says it is.
func TestStripShowsThePaper(t *testing.T) {
	in := testInput()
	in.Series = in.Series[:1]
	for i := range in.Series[0].Samples { // draw ink along the product's line, 9 pixels wide
		v := in.Series[0].Samples[i]
		if v.Quality == series.Gap {
			continue
		}
		x, y := place(v.Time.Sub(day).Hours(), v.Temperature, 0)
		for dy := -4; dy <= 4; dy++ {
			for dx := -4; dx <= 4; dx++ {
				k := ((int(y)+dy)*2000 + int(x) + dx) * 3
				in.Picture.Pix[k], in.Picture.Pix[k+1], in.Picture.Pix[k+2] = 200, 40, 40
			}
		}
	}
	var b bytes.Buffer
	require.NoError(t, Strip(&b, in))
	img, err := png.Decode(&b)
	require.NoError(t, err)
	// 80 mm of paper on 520 rows are 6.5 pixels a mm; 130 minutes are 79.4 mm at mid-scale, 516 columns.
	// T = 150 lies at 50 of the 80 mm up from the bottom.
	x := stripMargin + 516*(45.0+5)/130
	y := stripHead + 519 - 520*50.0/80
	assert.True(t, near(img, x, y, 1, color.RGBA{40, 40, 200, 255}), "the ink itself")
	assert.True(t, near(img, x, y-besideMM*6.5, 1, product), "the thin line above it")
	assert.False(t, near(img, x, y-20, 6, color.RGBA{40, 40, 200, 255}))
	// The middle of the first close-up is the start of the hold, the thin line within the ink.
	x, y = stripMargin+closeWide/2, stripHead+520+stripFoot+closeHead+closeHigh/2
	assert.True(t, near(img, x+6, y-7, 4, product), "the thin line in the ink") // beside the hold's own dashes
	assert.True(t, near(img, x-10, y, 2, color.RGBA{40, 40, 200, 255}), "the ink on either side")
	assert.True(t, near(img, x+12, y, 2, color.RGBA{40, 40, 200, 255}))
}

// What people write may hold any character: it must not break a page.
func TestOddCharacters(t *testing.T) {
	in := testInput()
	odd := "Ж. 😀 牛乳 \x00\n\t(a) \\ <b> & \xff\u202e" + strings.Repeat("w", 300)
	in.Plant.Plant, in.Entries.Operator = odd, odd
	in.Findings.Batches[0].Product, in.Findings.Batches[0].Checks[0].Source, in.Findings.Checks[0].Reason = odd, odd, odd
	in.Findings.Scan.File = odd
	assert.Contains(t, read(t, reportOf(t, in)), "Ж.")
	var b bytes.Buffer
	require.NoError(t, Plot(&b, in))
	assert.NoError(t, xml.Unmarshal(b.Bytes(), new(struct{})))
	require.NoError(t, Overlay(&bytes.Buffer{}, in))
}

// At scan size the picture is uncut and its pixels are the scan's own.
func TestOverlayAtScanSize(t *testing.T) {
	in := testInput()
	var b bytes.Buffer
	require.NoError(t, OverlayFull(&b, in))
	img, err := jpeg.Decode(&b)
	require.NoError(t, err)
	assert.Equal(t, 2000, img.Bounds().Dx())
	assert.Greater(t, img.Bounds().Dy(), 1800, "the legend stands below")
	x, y := place(7.7, 150, besideMM)
	assert.True(t, near(img, x, y, 1, product))
}

// Orange on red ink is hard to see: then the pens change colours.
func TestTraceStandsOffItsInk(t *testing.T) {
	for _, c := range []struct {
		blue, green, red uint8
		want             color.RGBA
	}{{200, 40, 40, product}, {40, 40, 200, air}, {30, 30, 30, product}} {
		in := testInput()
		for _, v := range in.Series[0].Samples {
			if v.Quality == series.Gap {
				continue
			}
			x, y := place(v.Time.Sub(day).Hours(), v.Temperature, 0)
			k := (int(math.Round(y))*2000 + int(math.Round(x))) * 3
			in.Picture.Pix[k], in.Picture.Pix[k+1], in.Picture.Pix[k+2] = c.blue, c.green, c.red
		}
		assert.Equal(t, c.want, in.penColour("product"))
		assert.NotEqual(t, c.want, in.penColour("airspace"))
	}
}

// Findings alone, read back from their file, tell the verdict in sentences.
func TestExplainTellsWhatDecided(t *testing.T) {
	in := testInput()
	in.Findings.Batches[0].Product = "milk\x1b[2J"
	in.Findings.Checks[0].Reason = "ten minutes\x1b[2J without ink"
	data, err := FindingsJSON(in.Findings)
	require.NoError(t, err)
	f, err := ParseFindings(data)
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, Explain(&b, f))
	undecided, met, ok := strings.Cut(b.String(), "What was met:")
	require.True(t, ok)
	for _, want := range []string{
		"Chart t.jpg of recorder R9, 2026-05-06: UNDECIDED.",
		"batch 1, agreement: not above the indicating one. The chart shows −0.90 ± 0.90 °F, asked is at most 0 °F. Too near to tell.",
		"chart, record: one whole, unbroken line. Ten minutes [2J without ink. Look at 08:10:00–08:20:00  product pen: no ink. Asked by a third.",
	} {
		assert.Contains(t, undecided, want)
	}
	assert.Contains(t, met, "batch 1, hold: unbroken for the legal time: 42.00 ± 0.20 min, asked is at least 30 min.")
	assert.NotContains(t, b.String(), "\x1b")

	c := f.Batches[0].Checks[0]
	c.Verdict, *c.Measured = verify.Fail, 28.5
	assert.Contains(t, full(c), "28.50 ± 0.20 min, asked is at least 30 min: 1.50 min short of the limit, which is more than the uncertainty.")
	c.Verdict, *c.Measured = verify.Undecided, 30.1
	assert.Contains(t, full(c), "0.10 min from the limit, and the uncertainty reaches over it.")

	for _, bad := range []string{"", "[]", `{"schema": "penarm.run/1"}`} {
		_, err = ParseFindings([]byte(bad))
		assert.Error(t, err, bad)
	}
}

// The description in the report is well-formed and says what the report is.
func TestReportDescribesItself(t *testing.T) {
	in := testInput()
	in.Plant.Plant = "Hollow Ash & <Sons>"
	pdf := reportOf(t, in)
	from, to := bytes.Index(pdf, []byte("<x:xmpmeta")), bytes.Index(pdf, []byte("</x:xmpmeta>"))
	require.Positive(t, from)
	var meta struct {
		Title string `xml:"RDF>Description>title>Alt>li"`
		Date  string `xml:"RDF>Description>CreateDate"`
	}
	require.NoError(t, xml.Unmarshal(pdf[from:to+len("</x:xmpmeta>")], &meta))
	assert.Contains(t, meta.Title, "Hollow Ash & <Sons>")
	assert.Equal(t, "2026-05-06T00:00:00Z", meta.Date)
}

// Words in a plot keep off the lines and off each other, where a place is free.
func TestWordsInAPlotKeepClear(t *testing.T) {
	in := testInput()
	p := &plotter{in: &in}
	s := in.pen("product").Samples
	at := s[len(s)/2]
	f := &frame{x: 0, y: 0, w: 100, h: 50, t0: at.Time.Add(-time.Hour), t1: at.Time.Add(time.Hour), lo: at.Temperature - 50, hi: at.Temperature + 50}
	on, above, higher := point{48, 25}, point{48, 12}, point{48, 4}
	assert.Equal(t, above, p.clear(f, 4, 3, on, above, higher), "the first place lies on the line")
	assert.Equal(t, higher, p.clear(f, 4, 3, on, above, higher), "the second is taken now")
	assert.Equal(t, on, p.clear(f, 4, 3, on, above, higher), "all are taken: a line is the lesser evil")
	assert.Equal(t, point{3, 4}, p.clear(f, 4, 3, point{98, 4}, point{3, 4}), "the first runs out of the frame")
}

// Lists in findings.json are arrays, be they empty, as the published schema says.
func TestListsAreArrays(t *testing.T) {
	for f, want := range map[*verify.Findings]string{
		{}:                                `"batches": [],`,
		{Batches: []verify.Batch{{}}}:     `"checks": [],`,
		{Checks: make([]verify.Check, 0)}: `"batches": [],`,
	} {
		data, err := FindingsJSON(f)
		require.NoError(t, err)
		assert.Contains(t, string(data), want)
		assert.NotRegexp(t, `"(batches|checks)": null`, string(data))
	}
	data, err := Schema("findings")
	require.NoError(t, err)
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	require.NoError(t, c.AddResource("findings.json", doc))
	for _, list := range []string{"findings/properties/batches", "findings/properties/checks", "batch/properties/checks"} {
		sch, err := c.Compile("findings.json#/$defs/" + list)
		require.NoError(t, err)
		assert.NoError(t, sch.Validate([]any{}), list)
		assert.Error(t, sch.Validate(nil), list)
	}
}

// The page and the explanation say which part of the stroke was read, where that is not its middle.
func TestTheEdgeThatWasReadIsTold(t *testing.T) {
	const edge = "the edge of the stroke on the side of the LOWER TEMPERATURES"
	in := testInput()
	in.Findings.Provenance.Line = verify.LineLower
	assert.Contains(t, strings.Join(in.methodWords(), " "), "Line: "+edge)
	assert.Contains(t, readWords(in.Findings), edge)
	for _, line := range []string{verify.LineCentre, ""} {
		in.Findings.Provenance.Line = line
		assert.Contains(t, strings.Join(in.methodWords(), " "), "Line: the middle of the ink")
		assert.NotContains(t, readWords(in.Findings), "LOWER")
	}
}
