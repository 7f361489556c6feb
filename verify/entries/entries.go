// Package entries reads what people wrote: the plant file and the entries of one chart.
package entries

import (
	"math"
	"time"
)

// Pen of a recorder.
type Pen struct {
	Pen          string  `yaml:"pen"` // "product" or "airspace"
	Ink          string  `yaml:"ink"` // blue, red, green, purple, black or empty
	AheadMinutes float64 `yaml:"ahead_minutes"`
}

// ClockCheck is the last time-accuracy test of a recorder.
type ClockCheck struct {
	Date         string  `yaml:"date"`
	TrueMinutes  float64 `yaml:"true_minutes"`
	ChartMinutes float64 `yaml:"chart_minutes"`
}

// Recorder of a plant.
type Recorder struct {
	Recorder   string      `yaml:"recorder"`
	Form       string      `yaml:"form"`
	Vat        string      `yaml:"vat"`
	Pens       []Pen       `yaml:"pens"`
	ClockCheck *ClockCheck `yaml:"clock_check"`
}

// Vat of a plant; times in minutes, nil where unknown.
type Vat struct {
	Vat             string   `yaml:"vat"`
	EmptyingMinutes *float64 `yaml:"emptying_minutes"`
	FillingMinutes  *float64 `yaml:"filling_minutes"`

	// CoolingLimits are the plant's own, beyond the common keys: no law read gives a time.
	CoolingLimits []CoolingLimit `yaml:"cooling_limits"`
}

// CoolingLimit is the time in minutes after the hold in which a vat is to be cooled to a temperature in the plant's unit.
type CoolingLimit struct {
	To      float64 `yaml:"to"`
	Minutes float64 `yaml:"minutes"`
}

// Plant is the plant file.
type Plant struct {
	Plant     string     `yaml:"plant"`
	Unit      string     `yaml:"unit"`
	Rules     string     `yaml:"rules"`
	Forms     string     `yaml:"forms"`
	Recorders []Recorder `yaml:"recorders"`
	Vats      []Vat      `yaml:"vats"`

	Path string `yaml:"-"`
}

// Reading is a written reading with its clock time.
type Reading struct {
	At    string  `yaml:"at"`
	Reads float64 `yaml:"reads"`
}

// Batch as written.
type Batch struct {
	Batch              string    `yaml:"batch"`
	Unnumbered         bool      `yaml:"-"` // no number is written, and its place stands in
	Product            string    `yaml:"product"`
	FatPercent         *float64  `yaml:"fat_percent"`
	TotalSolidsPercent *float64  `yaml:"total_solids_percent"`
	Sweetened          *bool     `yaml:"sweetened"`
	Amount             string    `yaml:"amount"`
	Preheated          *bool     `yaml:"preheated"`
	Cooling            string    `yaml:"cooling"` // "in-vat", "outside" or empty
	OutletOpened       string    `yaml:"outlet_opened"`
	Indicating         []Reading `yaml:"indicating"`
	Airspace           []Reading `yaml:"airspace"`
	Unusual            string    `yaml:"unusual"`

	// Beyond the common entries. HoldMarked: start and end of the hold inscribed on the chart.
	// ClaimsReduction: the plant claims a shorter hold where its rule set knows one, which
	// needs Phosphatase ("pass" or "fail", the laboratory's result) as well.
	HoldMarked      Mark   `yaml:"hold_marked"`
	ClaimsReduction bool   `yaml:"claims_reduction"`
	Phosphatase     string `yaml:"phosphatase"`
}

// Mark is an inscribed interval in clock times.
type Mark struct {
	Start string `yaml:"start"`
	End   string `yaml:"end"`
}

// Entries is what is written on one chart.
type Entries struct {
	Recorder  string  `yaml:"recorder"`
	ChartDate string  `yaml:"chart_date"`
	OnChart   string  `yaml:"on_chart"`
	Operator  string  `yaml:"operator"`
	Unit      string  `yaml:"unit"` // optional; must then be the plant's
	Batches   []Batch `yaml:"batches"`

	Path  string `yaml:"-"`
	Fault string `yaml:"-"` // what is wrong with its rows of a day sheet; empty where nothing is

	data []byte // the file, for the line of a fault
	line int    // of a day sheet
}

// OnChartTime is the date and time the pen first touched the chart; zero where not written.
func (e *Entries) OnChartTime() time.Time {
	date, err := time.Parse(time.DateOnly, e.ChartDate)
	ofDay, _, ok := Clock(e.OnChart)
	if err != nil || !ok {
		return time.Time{}
	}
	return date.Add(ofDay)
}

// At is the instant of a written time of day: the first of its name from half an hour before the pen touched the chart
// on, or on the chart's date where that is not written. False where the time or the date is not written.
func (e *Entries) At(s string) (time.Time, bool) {
	from, err := time.Parse(time.DateOnly, e.ChartDate)
	ofDay, _, ok := Clock(s)
	if err != nil || !ok {
		return time.Time{}, false
	}
	if on := e.OnChartTime(); !on.IsZero() {
		from = on.Add(-30 * time.Minute)
	}
	return Next(from, ofDay), true
}

// WrittenU is the standard uncertainty in seconds of a time written to the minute:
// uniform within half a minute to either side, JCGM 100:2008 4.3.7.
var WrittenU = 30 / math.Sqrt(3)

// Clock is a time of day written as HH:MM or HH:MM:SS, 00:00 to 23:59, as the time since
// midnight, with its standard uncertainty in seconds; false where it is none.
func Clock(s string) (ofDay time.Duration, u float64, ok bool) {
	layout, u := "15:04", WrittenU
	if len(s) == len(time.TimeOnly) {
		layout, u = time.TimeOnly, WrittenU/60
	}
	t, err := time.Parse(layout, s)
	if err != nil || len(s) != len(layout) { // time.Parse takes 7:30 too
		return 0, 0, false
	}
	return t.Sub(t.Truncate(24 * time.Hour)), u, true
}

// Next is the first instant of a time of day that is not before from.
func Next(from time.Time, ofDay time.Duration) time.Time {
	t := from.Truncate(24 * time.Hour).Add(ofDay)
	if t.Before(from) {
		t = t.Add(24 * time.Hour)
	}
	return t
}
