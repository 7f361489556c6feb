// Package series is the time–temperature record that digitizing leaves and verifying takes.
package series

import (
	"math"
	"sort"
	"time"
)

// Quality of a sample.
type Quality string

// The qualities, as series.csv names them.
const (
	Good Quality = "good"
	Weak Quality = "weak" // ink faint, crossed or skipped, or whose pen's it is stays open
	Gap  Quality = "gap"  // no ink: Temperature is NaN
)

// Tip is the reason of what is weak though the pen drew all of it: a dip or a peak so narrow that its two strokes are one.
const Tip = "a narrow tip: both strokes run together"

// Sample is one reading of the line. Time is the recorder's local wall-clock,
// kept in time.UTC so that no daylight rule touches it. Uncertainties are standard (k = 1).
type Sample struct {
	Time         time.Time
	Temperature  float64 // in the series' unit
	UTemperature float64 // same unit
	UTime        float64 // seconds
	Quality      Quality
	Reason       string // beside Weak: why
	// Rival is how far above this line, or below where negative, the other one lies that may be the pen's in its place, in the
	// series' unit: UTemperature holds half its square. 0 where none may be, NaN where one may but is not seen.
	Rival float64
}

// Series is the record of one pen, times never falling. A skip shorter than 30 s
// of chart time is Weak; a longer one holds at least a Gap sample at either end
// and one every 15 s between.
type Series struct {
	Pen     string // "product" or "airspace"
	Unit    string // "F" or "C"
	Samples []Sample
}

// At is the temperature at a time, linear between the samples around it; false beyond the
// samples, and where one of the two is a gap. overGaps takes the samples with ink around it instead, beyond
// them the nearest: false then where there is no ink at all.
func (s Series) At(t time.Time, overGaps bool) (temperature float64, ok bool) {
	n := len(s.Samples)
	inked := func(i int) bool {
		return i >= 0 && i < n && s.Samples[i].Quality != Gap && !math.IsNaN(s.Samples[i].Temperature)
	}
	hi := sort.Search(n, func(i int) bool { return !s.Samples[i].Time.Before(t) })
	lo := hi - 1
	for overGaps && lo >= 0 && !inked(lo) {
		lo--
	}
	for overGaps && hi < n && !inked(hi) {
		hi++
	}
	switch {
	case inked(hi) && (s.Samples[hi].Time.Equal(t) || overGaps && lo < 0):
		return s.Samples[hi].Temperature, true
	case inked(lo) && inked(hi):
		a, b := s.Samples[lo], s.Samples[hi]
		return a.Temperature + (b.Temperature-a.Temperature)*t.Sub(a.Time).Seconds()/b.Time.Sub(a.Time).Seconds(), true
	case inked(lo) && overGaps:
		return s.Samples[lo].Temperature, true
	}
	return 0, false
}

// Kind of an event on the paper.
type Kind string

// What digitizing reports beside the samples.
const (
	EventGap     Kind = "gap"
	EventStopped Kind = "stopped"    // clock stood: a stroke along the arc at one time
	EventTurned  Kind = "turned"     // a stretch too level for most vats: chart turned, clock set or line drawn by hand
	EventLap     Kind = "second-lap" // the line leaves no blank on the turn, or there is a further one
	EventLoose   Kind = "loose-line" // a line that no pen claims, which may be a pen's or none
	EventNoBlank Kind = "no-blank"   // whether the chart went round again cannot be seen
	EventBlot    Kind = "blot"       // wide ink on the line
	EventInk     Kind = "ink"        // the line's ink is not the recorder's
	EventStart   Kind = "start"      // the trace starts more than 15 min off the written on_chart time
	EventAmbig   Kind = "ambiguous"  // two lines compete, which is which is not settled
	EventHidden  Kind = "hidden"     // part of the sheet is covered or torn off
)

// Words is what an event of the kind is, for a person.
func (k Kind) Words() string {
	switch k {
	case EventGap:
		return "no ink"
	case EventStopped:
		return "the clock stood"
	case EventTurned:
		return "the chart may have been turned"
	case EventLap:
		return "second lap over the first"
	case EventLoose:
		return "a line that no pen claims"
	case EventNoBlank:
		return "a second lap cannot be ruled out"
	case EventBlot:
		return "blot on or beside the line"
	case EventInk:
		return "another ink than the recorder's"
	case EventStart:
		return "start off the written time"
	case EventAmbig:
		return "two lines compete"
	case EventHidden:
		return "part of the chart is not seen"
	}
	return string(k)
}

// Event is something found on the paper that the record check must tell.
type Event struct {
	Kind     Kind
	Pen      string
	From, To time.Time // on the clock of the pen's samples
	X, Y     float64   // picture pixel where it lies; both 0: no place
	Text     string    // in words, for a person
	Rivals   bool      // of EventAmbig: there is one other line, and Rival of the samples says where it lies
}
