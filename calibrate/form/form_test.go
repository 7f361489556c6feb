package form

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const good = `form: M-1
unit: F
diameter_mm: 254.0
hub_hole_mm: 9.5
rotation_hours: 12
time_runs: counterclockwise
rings:
  - {at: 230, radius_mm: 112.0}
  - {at: 30, radius_mm: 34.0}
minor_ring: 2
major_ring: 10
time_arcs:
  every_minutes: 15
  major_minutes: 60
  pivot_mm: 150.0
  arm_mm: 152.0
  lean: clockwise
labels:
  kind: clock
blank:
  image: blank.png
  reference: {x: 10.5, y: 20.5, time: "06:00"}
`

func read(t *testing.T, text string) (*Form, error) {
	t.Helper()
	path := filepath.Join(t.TempDir(), FileName)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return Load(path)
}

// The law of cosines, c² = a² + b² − 2ab cos C (Euclid, Elements II.12 and II.13), in triangles
// centre–pivot–pen tip. With arm and pivot both 5.0 in it is isosceles and cos a(r) = r/10; whole sides of 5, 8 and
// 7 or of 8, 15 and 13 have an angle of 60° between the first two, and those of 7, 8 and 13 one of 120°.
func TestSwing(t *testing.T) {
	for _, c := range []struct{ r, pivot, arm, degrees float64 }{
		{3.0 * 25.4, 127, 127, 72.542}, {3.2 * 25.4, 127, 127, 71.337}, {2.0 * 25.4, 127, 127, 78.463}, {4.5 * 25.4, 127, 127, 63.256},
		{50, 80, 70, 60}, {80, 150, 130, 60}, {70, 80, 130, 120},
	} {
		f := &Form{TimeArcs: TimeArcs{PivotMM: c.pivot, ArmMM: c.arm}}
		assert.InDelta(t, c.degrees, f.Swing(c.r)*180/math.Pi, 0.001, "%+v", c)
	}
}

// FDA Inspection Technical Guide 45: on a 24 h chart the chord on the circle of
// 7.929 in diameter is 0.1730 in for 10 min and 0.5186 in for 30 min.
func TestChord(t *testing.T) {
	const d = 7.929 * 25.4
	f := &Form{RotationHours: 24, TimeRuns: "clockwise", Rings: []Ring{{0, 40}, {100, d / 2}},
		TimeArcs: TimeArcs{PivotMM: 150, ArmMM: 151, Lean: "clockwise"}}
	for minutes, want := range map[float64]float64{10: 0.1730, 30: 0.5186} {
		a, b := f.Angle(3, d/2), f.Angle(3+minutes/60, d/2)
		assert.InDelta(t, want, math.Hypot(math.Cos(b)-math.Cos(a), math.Sin(b)-math.Sin(a))*d/2/25.4, 0.00006)
	}
}

func TestGeometryRoundTrips(t *testing.T) {
	for _, runs := range []string{"clockwise", "counterclockwise"} {
		for _, lean := range []string{"clockwise", "counterclockwise"} {
			f, err := read(t, strings.NewReplacer("time_runs: counterclockwise", "time_runs: "+runs, "lean: clockwise", "lean: "+lean).Replace(good))
			require.NoError(t, err)
			for _, r := range []float64{34, 60, 90, 112} {
				assert.InDelta(t, 7.25, f.Hours(f.Angle(7.25, r), r), 1e-9)
				assert.InDelta(t, r, f.Radius(f.Temperature(r)), 1e-9)
			}
			// from the innermost circle to the outermost the arc goes the lean way: clockwise is a growing angle (y down)
			assert.Equal(t, lean == "clockwise", f.Angle(1, 112) > f.Angle(1, 34))
			assert.Equal(t, runs == "clockwise", f.Angle(2, 112) > f.Angle(1, 112))
		}
	}
}

// The end of a turn is the beginning of the next, however little before it.
func TestHoursEndBeforeTheTurn(t *testing.T) {
	f, err := read(t, good)
	require.NoError(t, err)
	for _, off := range []float64{0, 1e-17, -1e-17, 1e-18, -1e-18} {
		h := f.Hours(f.Lag(f.Outer())+off, f.Outer())
		assert.True(t, h >= 0 && h < f.RotationHours, "%g", h)
	}
}

func TestScale(t *testing.T) {
	f, err := read(t, good)
	require.NoError(t, err)
	assert.InDelta(t, 130, f.Temperature(73), 1e-9, "half way between the ends")
	assert.InDelta(t, 0.39, f.MMPerDegree(80), 1e-6, "78 mm over 200 degrees")
	c := f.Circles()
	assert.Len(t, c, 101)
	heavy := 0
	for _, k := range c {
		if k.Major {
			heavy++
		}
	}
	assert.Equal(t, 21, heavy)
	all, per := f.Arcs()
	assert.Equal(t, [2]int{48, 4}, [2]int{all, per})

	inverted := &Form{Rings: []Ring{{220, 30}, {140, 70}, {20, 110}}}
	for _, at := range []float64{210, 140, 100, 20} {
		assert.InDelta(t, at, inverted.Temperature(inverted.Radius(at)), 1e-9)
	}
	assert.InDelta(t, 110, inverted.Outer(), 0)
}

func TestLoadErrorsNameLineAndKey(t *testing.T) {
	_, err := read(t, good)
	require.NoError(t, err)
	_, err = read(t, strings.Replace(good, "06:00", "18:00", 1))
	require.NoError(t, err, "a 12 h form may be printed for the second half of the day")
	_, err = read(t, strings.NewReplacer("rotation_hours: 12", "rotation_hours: 168", "06:00", "144:00").Replace(good))
	require.NoError(t, err, "of seven days")
	for _, c := range []struct{ old, new, want string }{
		{"unit: F", "unit: K", ":2: unit"},
		{"diameter_mm: 254.0", "diameter_mm: -1", ":3: diameter_mm"},
		{"rotation_hours: 12", "rotation_hours: 12.3", ":5: rotation_hours"},
		{"time_runs: counterclockwise", "time_runs: left", ":6: time_runs"},
		{"radius_mm: 34.0", "radius_mm: 340.0", ":9: rings[1].radius_mm"},
		{"radius_mm: 34.0", "radius_mm: 112.0", ": rings: temperature must rise"},
		{"minor_ring: 2", "minor_ring: 0", ":10: minor_ring"},
		{"major_ring: 10", "major_ring: 11", ":11: major_ring"},
		{"major_minutes: 60", "major_minutes: 40", "major_minutes"},
		{"pivot_mm: 150.0", "pivot_mm: 90.0", "cannot reach"},
		{"lean: clockwise", "lean: up", ":17: time_arcs.lean"},
		{"kind: clock", "kind: sundial", "labels.kind"},
		{`time: "06:00"`, `time: "6 am"`, "blank.reference.time"},
		{`time: "06:00"`, `time: "24:00"`, "beyond the form's 24 hours"},
		{"kind: clock\nblank:\n  image: blank.png\n  reference: {x: 10.5, y: 20.5, time: \"06:00\"}", "kind: elapsed\nblank:\n  image: blank.png\n  reference: {x: 10.5, y: 20.5, time: \"12:00\"}", "beyond the form's 12 hours"},
		{"hub_hole_mm: 9.5", "hub_hole: 9.5", "unknown field"},
		{"minor_ring: 2", "minor_ring: two", "minor_ring"},
		{"form: M-1", "form: ''", ":1: form"},
		{"at: 30,", "at: .nan,", "is no temperature"},
	} {
		bad := strings.Replace(good, c.old, c.new, 1)
		require.NotEqual(t, good, bad)
		_, err := read(t, bad)
		require.ErrorContains(t, err, c.want, c.new)
		assert.ErrorContains(t, err, FileName)
	}
}

// A pipe that nobody writes to is not waited on.
func TestLoadNoOrdinaryFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, FileName)
	require.NoError(t, syscall.Mkfifo(path, 0o600))
	for _, load := range []func() error{
		func() error { _, err := Load(path); return err },
		func() error { _, err := LoadAll(dir); return err },
	} {
		err := load()
		require.ErrorContains(t, err, "not an ordinary file")
		assert.ErrorContains(t, err, path)
	}
}

func TestLoadAll(t *testing.T) {
	dir := t.TempDir()
	_, err := LoadAll(dir)
	require.ErrorContains(t, err, "holds no form")
	put := func(folder, text string) {
		require.NoError(t, os.MkdirAll(filepath.Join(dir, folder), 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(dir, folder, FileName), []byte(text), 0o600))
	}
	put("b", good)
	put("a", strings.Replace(good, "M-1", "Z-9", 1))
	forms, err := LoadAll(dir)
	require.NoError(t, err)
	require.Len(t, forms, 2)
	assert.Equal(t, "M-1", forms[0].Form, "known by the key, not by the folder")
	assert.Equal(t, filepath.Join(dir, "b", "blank.png"), forms[0].Blank.Image)
	put("c", good)
	_, err = LoadAll(dir)
	assert.ErrorContains(t, err, "already described")
}

func TestParseHours(t *testing.T) {
	for s, want := range map[string]float64{"00:00": 0, "06:30": 6.5, "23:59:30": 23.9916666667, "144:00": 144} {
		h, err := ParseHours(s)
		require.NoError(t, err, s)
		assert.InDelta(t, want, h, 1e-9)
	}
	for _, s := range []string{"", "6", "06:60", "-1:00", "06:5", "06:00:00:00", "a:b"} {
		_, err := ParseHours(s)
		assert.Error(t, err, s)
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(good))
	f.Fuzz(func(t *testing.T, data []byte) {
		form, err := Parse(data, "form.yaml")
		if err != nil {
			return
		}
		for _, c := range form.Circles() {
			if math.IsNaN(c.RadiusMM) || c.RadiusMM < form.Inner()-1e-6 || c.RadiusMM > form.Outer()+1e-6 {
				t.Fatalf("circle at %v mm outside the scale", c.RadiusMM)
			}
			if math.IsNaN(form.Angle(1, c.RadiusMM)) {
				t.Fatalf("no angle at %v mm", c.RadiusMM)
			}
		}
	})
}

// What YAML writes, Parse reads back as it was.
func TestYAML(t *testing.T) {
	f := &Form{
		Form: `D-1230 "B"`, Unit: "C", DiameterMM: 254, HubHoleMM: 9.5, RotationHours: 12, TimeRuns: "clockwise",
		Rings: []Ring{{At: 110, RadiusMM: 34.005}, {At: 22.5, RadiusMM: 80}, {At: -10, RadiusMM: 112}}, MinorRing: 0.5, MajorRing: 5,
		TimeArcs: TimeArcs{EveryMinutes: 7.5, MajorMinutes: 60, PivotMM: 150.05, ArmMM: 152.1, Lean: "counterclockwise"},
		Labels:   Labels{Kind: "elapsed"},
		Blank:    &Blank{Image: "blank.png", Reference: Reference{X: 1523.25, Y: 210, Time: "06:00"}},
	}
	got, err := Parse(f.YAML(), "forms/x/form.yaml")
	require.NoError(t, err)
	assert.Equal(t, "forms/x/blank.png", got.Blank.Image)
	got.Blank.Image, got.Path = "blank.png", ""
	assert.Equal(t, f, got)
}
