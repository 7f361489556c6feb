// Package series is the time–temperature record that digitizing leaves and verifying takes.
package series

import "time"

// Quality of a sample.
type Quality string

// The qualities, as series.csv names them.
const (
	Good Quality = "good"
	Weak Quality = "weak" // ink faint, crossed or skipped, or whose pen's it is stays open
	Gap  Quality = "gap"  // no ink: Temperature is NaN
)

// Sample is one reading of the line. Time is the recorder's local wall-clock,
// kept in time.UTC so that no daylight rule touches it. Uncertainties are standard (k = 1).
type Sample struct {
	Time         time.Time
	Temperature  float64 // in the series' unit
	UTemperature float64 // same unit
	UTime        float64 // seconds
	Quality      Quality
	Reason       string // beside Weak: why
}

// Series is the record of one pen, times never falling. A skip shorter than 30 s
// of chart time is Weak; a longer one holds at least a Gap sample at either end
// and one every 15 s between.
type Series struct {
	Pen     string // "product" or "airspace"
	Unit    string // "F" or "C"
	Samples []Sample
}

// Kind of an event on the paper.
type Kind string

// What digitizing reports beside the samples.
const (
	EventGap     Kind = "gap"
	EventStopped Kind = "stopped"    // clock stood: a stroke along the arc at one time
	EventTurned  Kind = "turned"     // a stretch too level for a vat: chart turned, clock set or line drawn by hand
	EventLap     Kind = "second-lap" // the line leaves no blank on the turn, or there is a further one
	EventNoBlank Kind = "no-blank"   // whether the line leaves a blank on the turn cannot be seen
	EventBlot    Kind = "blot"       // wide ink on the line
	EventInk     Kind = "ink"        // the line's ink is not the recorder's
	EventStart   Kind = "start"      // the trace starts more than 15 min off the written on_chart time
	EventAmbig   Kind = "ambiguous"  // two lines compete, which is which is not settled
)

// Event is something found on the paper that the record check must tell.
type Event struct {
	Kind     Kind
	Pen      string
	From, To time.Time // on the clock of the pen's samples
	X, Y     float64   // picture pixel where it lies; both 0: no place
	Text     string    // in words, for a person
}
