// Package verify judges a time–temperature series against entries and a rule
// set: pure functions that know nothing of pictures or files.
package verify

import (
	"encoding/json"
	"time"
)

// Verdict of a check, a batch or a chart.
type Verdict string

// The verdicts. Undecided: the chart, read with its uncertainty, cannot settle the question.
const (
	Pass      Verdict = "pass"
	Undecided Verdict = "undecided"
	Fail      Verdict = "fail"
)

// Findings is what findings.json holds, schema "penarm.findings/1".
type Findings struct {
	Schema      string      `json:"schema"`
	Scan        Scan        `json:"scan"`
	Form        string      `json:"form"`
	Recorder    string      `json:"recorder"`
	ChartDate   string      `json:"chart_date"`
	Rules       string      `json:"rules"`
	Calibration Calibration `json:"calibration"`
	Batches     []Batch     `json:"batches"`
	Checks      []Check     `json:"checks"`
	Verdict     Verdict     `json:"verdict"`
	Provenance  Provenance  `json:"provenance"`
}

// Scan names the picture.
type Scan struct {
	File   string `json:"file"`
	SHA256 string `json:"sha256"`
	Page   int    `json:"page"`
	Source string `json:"source,omitempty"` // how its pixels were got: "jpeg", "pdf: rendered at 300 dpi"
	Backs  []Back `json:"backs,omitempty"`
}

// Back is a page without a disc's print that follows the chart in its file.
type Back struct {
	Page    int  `json:"page"`
	Written bool `json:"written"` // it carries ink
}

// Calibration carries the face's own figures.
type Calibration struct {
	Method         string  `json:"method"`
	Hour           string  `json:"hour"`
	RingResidualMM float64 `json:"ring_residual_mm"`
	ArcResidualS   float64 `json:"arc_residual_s"`
}

// What of the pen line was read.
const (
	LineCentre = "centre"
	LineLower  = "lower" // its edge on the side of the lower temperatures
)

// Provenance lets the result be repeated: program version, what of the line was read, and SHA-256 of every file that went in.
type Provenance struct {
	Version string            `json:"version"`
	Line    string            `json:"line,omitempty"` // LineCentre or LineLower; empty for a series without a chart
	Files   map[string]string `json:"files"`          // role ("plant", "form", "entries", "rules") → SHA-256
}

// Batch is one batch with its hold and checks.
type Batch struct {
	Batch   string  `json:"batch"`
	Product string  `json:"product"`
	Legal   float64 `json:"legal_temperature"`
	Unit    string  `json:"unit"`
	Hold    *Hold   `json:"hold"` // nil where the batch shows none
	Checks  []Check `json:"checks"`
	Verdict Verdict `json:"verdict"`

	late string // how the hold outlasts the written outlet, for the record check; mostly empty
}

// MarshalJSON writes a list that is empty as such, not as null: whoever reads findings may count on arrays.
func (f Findings) MarshalJSON() ([]byte, error) {
	type plain Findings
	f.Batches, f.Checks = listed(f.Batches), listed(f.Checks)
	return json.Marshal(plain(f))
}

// MarshalJSON does so for the batch's checks.
func (b Batch) MarshalJSON() ([]byte, error) {
	type plain Batch
	b.Checks = listed(b.Checks)
	return json.Marshal(plain(b))
}

func listed[T any](v []T) []T {
	if v == nil {
		return []T{}
	}
	return v
}

// LocalTime marshals as ISO 8601 local time without a zone, to the second.
type LocalTime struct{ time.Time }

// LocalLayout is how a LocalTime is written.
const LocalLayout = "2006-01-02T15:04:05"

// String gives 2026-03-04T07:26:10.
func (t LocalTime) String() string { return t.Round(time.Second).Format(LocalLayout) }

// Clock gives the time of day of String: words and places tell an instant alike.
func (t LocalTime) Clock() string { return t.Round(time.Second).Format(time.TimeOnly) }

// minute gives Clock without the seconds.
func (t LocalTime) minute() string { return t.Clock()[:len("15:04")] }

// MarshalText gives String (time.Time's own would win otherwise).
func (t LocalTime) MarshalText() ([]byte, error) { return []byte(t.String()), nil }

// MarshalJSON quotes String.
func (t LocalTime) MarshalJSON() ([]byte, error) { return []byte(`"` + t.String() + `"`), nil }

// UnmarshalJSON reads what MarshalJSON writes.
func (t *LocalTime) UnmarshalJSON(b []byte) (err error) {
	t.Time, err = time.Parse(`"`+LocalLayout+`"`, string(b))
	return err
}

// Hold is the longest unbroken run at or above the legal temperature.
type Hold struct {
	Start    LocalTime `json:"start"`
	End      LocalTime `json:"end"`
	Minutes  float64   `json:"minutes"`
	UMinutes float64   `json:"u_minutes"`
	Lowest   float64   `json:"lowest"`
	ULowest  float64   `json:"u_lowest"`
	LowestAt LocalTime `json:"-"` // for the pictures: the instant of the very sample
}

// Check is one question put to the chart. Measured, Limit and U are nil where the check has no figure.
type Check struct {
	Check    string   `json:"check"`
	Verdict  Verdict  `json:"verdict"`
	Measured *float64 `json:"measured,omitempty"`
	Limit    *float64 `json:"limit,omitempty"`
	U        *float64 `json:"u,omitempty"`
	Unit     string   `json:"unit,omitempty"`
	Counts   bool     `json:"counts"`
	Source   string   `json:"source"`
	Reason   string   `json:"reason"`
	// Places of what the check speaks of, for the overlay: numbered in the order listed.
	Places []Place `json:"places,omitempty"`
}

// Place is a spot on the chart that a check speaks of.
type Place struct {
	Pen  string    `json:"pen,omitempty"`
	From LocalTime `json:"from"`
	To   LocalTime `json:"to"`
	Text string    `json:"text"`
}

// Worst gives the worst of the verdicts of the checks that count: fail, then undecided, then pass.
func Worst(vs ...Verdict) Verdict {
	w := Pass
	for _, v := range vs {
		if v == Fail || (v == Undecided && w == Pass) {
			w = v
		}
	}
	return w
}

// milder says whether one verdict is better than another.
func milder(a, b Verdict) bool { return a != b && Worst(a, b) == b }
