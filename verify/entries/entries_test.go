package entries

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const plantFile = `plant: Larkfield Creamery
unit: F
rules: us-grade-a-vat
forms: forms
recorders:
  - recorder: R2
    form: D-1230
    vat: V2
    pens:
      - {pen: product, ink: blue}
      - {pen: airspace, ink: red, ahead_minutes: 4}
    clock_check: {date: 2026-02-10, true_minutes: 30.0, chart_minutes: 30.0}
vats:
  - vat: V2
    emptying_minutes: 9.0
    filling_minutes: 12.0
`

const entriesFile = `recorder: R2
chart_date: 2026-03-04
on_chart: "06:05"
operator: J. M.
batches:
  - batch: "1"
    product: whole milk
    fat_percent: 3.4
    sweetened: false
    cooling: in-vat
    outlet_opened: 08:31
    indicating: [{at: "07:38", reads: 146.0}]
    airspace:   [{at: "07:28", reads: 152.0}, {at: "07:58", reads: 153.0}]
`

func write(t *testing.T, name, s string) string {
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte(s), 0o644))
	return path
}

func TestLoad(t *testing.T) {
	p, err := LoadPlant(write(t, "plant.yaml", plantFile))
	require.NoError(t, err)
	assert.Equal(t, 9.0, *p.Vat("V2").EmptyingMinutes)
	assert.Equal(t, 4.0, p.Recorder("R2").Pens[1].AheadMinutes)
	assert.Nil(t, p.Recorder("R9"))
	e, err := Load(write(t, "0001.entries.yaml", entriesFile))
	require.NoError(t, err)
	require.NoError(t, p.Check(e))
	assert.Equal(t, "2026-03-04 06:05", e.OnChartTime().Format("2006-01-02 15:04"))
	b := e.Batches[0]
	assert.Equal(t, "08:31", b.OutletOpened)
	assert.Equal(t, Reading{At: "07:38", Reads: 146}, b.Indicating[0])
	assert.Nil(t, b.TotalSolidsPercent)
	assert.Nil(t, b.Preheated)
	assert.False(t, *b.Sweetened)
}

// Each error names file, line and key and says what to do.
func TestPlantErrors(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"unit: F", "unit: K", "plant.yaml:2: unit: \"K\" is no unit: write F or C"},
		{"unit: F", "units: F", "plant.yaml:2: units: unknown key"},
		{"vat: V2\n    pens", "vat: V7\n    pens", "plant.yaml:8: recorders[0].vat: \"V7\" is not under vats"},
		{"ink: blue", "ink: navy", "plant.yaml:10: recorders[0].pens[0].ink: \"navy\" is no ink word"},
		{"pen: airspace", "pen: product", "plant.yaml:11: recorders[0].pens[1].pen: \"product\" is listed twice"},
		{"emptying_minutes: 9.0", "cooling_limits: [{to: 70, minutes: 0}]", "plant.yaml:15: vats[0].cooling_limits[0].minutes: 0 must lie between"},
		{"emptying_minutes: 9.0", "cooling_limits: [{to: 700, minutes: 90}]", "cooling_limits[0].to: 700 is no temperature"},
		{"emptying_minutes: 9.0", "emptying_minutes: -9", "plant.yaml:15: vats[0].emptying_minutes: -9 must lie between 0 and 240"},
		{"emptying_minutes: 9.0", "emptying_minutes: nine", "plant.yaml:15: vats[0].emptying_minutes: \"nine\" is of the wrong kind: write a number"},
		{"chart_minutes: 30.0", "chart_minutes: 300", "plant.yaml:12: recorders[0].clock_check.chart_minutes"},
		{"date: 2026-02-10", "date: 10.2.2026", "plant.yaml:12: recorders[0].clock_check.date"},
		{"rules: us-grade-a-vat\n", "", "plant.yaml: rules: missing"},
		{"  - vat: V2\n    emptying", "  - vat: V2\n  - vat: V2\n    emptying", "listed twice"},
	} {
		_, err := LoadPlant(write(t, "plant.yaml", replaceOnce(t, plantFile, c.old, c.new)))
		assert.ErrorContains(t, err, c.want)
	}
	_, err := LoadPlant(filepath.Join(t.TempDir(), "none.yaml"))
	assert.ErrorContains(t, err, "none.yaml")
}

func TestEntriesErrors(t *testing.T) {
	p, err := LoadPlant(write(t, "plant.yaml", plantFile))
	require.NoError(t, err)
	for _, c := range []struct{ old, new, want string }{
		{"reads: 146.0", "reads: 63", "e.yaml:12: batches[0].indicating[0].reads: 63 °F cannot be a reading during pasteurization: was °C meant?"},
		{"reads: 146.0", "reads: 63 C", "e.yaml:12: batches[0].indicating[0].reads: \"63 C\" carries a unit"},
		{"operator: J. M.", "unit: C", "e.yaml:4: unit: C, but"},
		{"recorder: R2", "recorder: R9", "e.yaml:1: recorder: \"R9\" is no recorder"},
		{"08:31", "8.31", "e.yaml:11: batches[0].outlet_opened"},
		{"07:28", "24:00", "e.yaml:13: batches[0].airspace[0].at"},
		{"2026-03-04", "2026-02-30", "e.yaml:2: chart_date"},
		{"sweetened: false", "sweetened: maybe", "e.yaml:9: batches[0].sweetened: \"maybe\" is of the wrong kind: write true or false"},
		{"cooling: in-vat", "cooling: vat", "e.yaml:10: batches[0].cooling"},
		{"fat_percent: 3.4", "fat_percent: 340", "e.yaml:8: batches[0].fat_percent"},
		{"product:", "produkt:", "e.yaml:7: produkt: unknown key"},
		{"operator: J. M.", "operator: J. M.\noperator: K.", "e.yaml:5:"},
	} {
		e, err := Load(write(t, "e.yaml", replaceOnce(t, entriesFile, c.old, c.new)))
		if err == nil {
			err = p.Check(e)
		}
		assert.ErrorContains(t, err, c.want)
	}
	_, err = Load(write(t, "e.yaml", " \n"))
	assert.ErrorContains(t, err, "empty")
	_, err = Load(write(t, "e.yaml", "batches:\n  ! 0000000\n000000008:000: #0"))
	assert.ErrorContains(t, err, "e.yaml") // the library panics
}

func replaceOnce(t *testing.T, s, old, new string) string {
	i := strings.Index(s, old)
	require.GreaterOrEqual(t, i, 0, old)
	return s[:i] + new + s[i+len(old):]
}

func TestSheet(t *testing.T) {
	head := "scan,recorder,chart_date,on_chart,operator,batch,product,fat_percent,sweetened,indicating,airspace\n"
	got, err := LoadSheet(write(t, "day.csv", "\ufeff"+head+
		"0001,R2,2026-03-04,06:05,J. M.,1,whole milk,3.4,no,07:38=146.0; 08:01=146.2,\n"+
		"0001,,,,,2,\"cream, sweet\",30,,10:00=151,09:50=157\n0002,R1,2026-03-04,06:10,,1,skim milk,,,,\n"))
	require.NoError(t, err)
	require.Len(t, got, 2)
	require.Len(t, got["0001"].Batches, 2)
	assert.Equal(t, []Reading{{"07:38", 146}, {"08:01", 146.2}}, got["0001"].Batches[0].Indicating)
	assert.Equal(t, "cream, sweet", got["0001"].Batches[1].Product)
	assert.Nil(t, got["0001"].Batches[1].Sweetened)
	assert.Equal(t, "R2", got["0001"].Recorder)
	for row, want := range map[string]string{
		"0001,R2,,,,1,,,,07:38=146 F,\n":         "day.csv:2: indicating",
		"0001,R2,,,,1,,x,,,\n":                   "day.csv:2: fat_percent",
		"0001,R2,,,,1,,,perhaps,,\n":             "day.csv:2: sweetened",
		"0001,R2,,,,1,,,,,\n0001,R3,,,,2,,,,,\n": "day.csv:3: recorder",
		"0001,R2,,,,1,,,,,\n0001,,,,,1,,,,,\n":   "day.csv:3: batch",
		"0001,R2,,,,1,,,,7:38=146,\n":            "day.csv:2: at",
	} { // what is wrong with one chart's rows leaves the others as they are
		got, err := LoadSheet(write(t, "day.csv", head+row+"0009,R2,,,,,,,,07:38; 08:01=,\n"))
		require.NoError(t, err)
		assert.Contains(t, got["0001"].Fault, want)
		assert.Empty(t, got["0009"].Fault)
		assert.Equal(t, []Batch{{Batch: "1", Unnumbered: true}}, got["0009"].Batches)
	}
	for row, want := range map[string]string{
		",R2,,,,1,,,,,\n": "day.csv:2: scan: missing",
		"0001,R2\n":       "day.csv",
	} {
		_, err := LoadSheet(write(t, "day.csv", head+row))
		assert.ErrorContains(t, err, want)
	}
	_, err = LoadSheet(write(t, "day.csv", "scan,recorder,colour\n"))
	assert.ErrorContains(t, err, "day.csv:1: colour: unknown column")
}

// Whatever stands in the file, it is read or refused in words.
func FuzzLoad(f *testing.F) {
	f.Add(entriesFile)
	f.Add("a: &a [*a]")
	f.Add("batches:\n- {batch: 1, indicating: [{at: , reads: .nan}]}")
	f.Fuzz(func(t *testing.T, s string) {
		path := write(t, "e.yaml", s)
		if _, err := Load(path); err != nil {
			assert.Contains(t, err.Error(), "e.yaml")
		}
		if _, err := LoadPlant(path); err != nil {
			assert.Contains(t, err.Error(), "e.yaml")
		}
		if _, err := LoadSheet(path); err != nil {
			assert.Contains(t, err.Error(), "e.yaml")
		}
	})
}

func TestClock(t *testing.T) {
	for s, want := range map[string]time.Duration{"00:00": 0, "07:30": 7*time.Hour + 30*time.Minute, "23:59:58": 24*time.Hour - 2*time.Second} {
		got, _, ok := Clock(s)
		require.True(t, ok, s)
		require.Equal(t, want, got, s)
	}
	for _, s := range []string{"", "7:30", "24:00", "07:60", "07:30:5", "07:30:05.5", "half past seven"} {
		_, _, ok := Clock(s)
		require.False(t, ok, s)
	}
	// Uniform within half a minute, or half a second, to either side: JCGM 100:2008 4.3.7.
	_, minute, _ := Clock("07:30")
	_, second, _ := Clock("07:30:00")
	require.InDelta(t, 30/math.Sqrt(3), minute, 1e-9)
	require.InDelta(t, 0.5/math.Sqrt(3), second, 1e-9)
}

// A chart put on in the evening: what is written after midnight is of the next day, ten minutes early is not.
func TestAt(t *testing.T) {
	e := &Entries{ChartDate: "2026-03-04", OnChart: "21:30"}
	for s, want := range map[string]string{"21:30": "2026-03-04 21:30", "21:20": "2026-03-04 21:20", "00:40": "2026-03-05 00:40", "20:00": "2026-03-05 20:00"} {
		at, ok := e.At(s)
		require.True(t, ok)
		require.Equal(t, want, at.Format("2006-01-02 15:04"), s)
	}
	e.OnChart = ""
	at, ok := e.At("00:40")
	require.True(t, ok)
	require.Equal(t, "2026-03-04 00:40", at.Format("2006-01-02 15:04"))
	e.ChartDate = ""
	_, ok = e.At("00:40")
	require.False(t, ok)
}
