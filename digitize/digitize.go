// Package digitize follows the ink on a calibrated chart: picture and face in,
// one series a pen out. It knows nothing of rules.
package digitize

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"penarm/calibrate"
	"penarm/calibrate/form"
	"penarm/calibrate/picture"
	"penarm/digitize/series"
)

// Pen is what is known of one pen of the recorder beforehand.
type Pen struct {
	Name         string  // "product" or "airspace"
	Ink          string  // blue, red, green, purple, black, or empty where unknown
	AheadMinutes float64 // how far ahead (later) of the printed arcs it writes
}

// Problem is one chart to be traced.
type Problem struct {
	Picture *picture.Picture
	Face    *calibrate.Face
	Pens    []Pen
	OnChart time.Time // when the pen first touched the chart; zero if unknown
	Told    []Told    // asked only where two lines compete

	// LowerEdge reads the line's lower-temperature edge instead of its centre
	// (the FDA's guide to inspections of low-acid canned food reads wide lines so; from memory).
	LowerEdge bool
}

// Told is what a person wrote down of what one pen's bulb had at an instant, in the form's unit.
type Told struct {
	Pen         string
	At          time.Time
	Temperature float64
}

// Result is what the ink says.
type Result struct {
	Series []series.Series // one a pen, in the order of Problem.Pens
	Events []series.Event  // by what was looked for, not by time; each of one pen
	// ZeroAt is the instant of printed hour 0 on the clock of the samples, whole
	// turns aside. The zero time: OnChart is unknown and samples count from it, or there is no ink.
	ZeroAt time.Time
}

// Trace follows every pen over the chart. Samples stand where the printed arcs
// say, AheadMinutes taken off, on the clock that OnChart settles. A pen that
// left no ink gives a series without samples. The error says what the problem lacks, or is
// ctx.Err() where the context ended; it is never about poor ink, which only makes samples weak.
func Trace(ctx context.Context, p Problem) (*Result, error) {
	switch {
	case p.Picture == nil || p.Face == nil || p.Face.Form == nil:
		return nil, errors.New("digitize: a picture and a calibrated face are needed")
	case len(p.Pens) == 0:
		return nil, errors.New("digitize: no pen to follow: the recorder needs at least one under pens")
	case len(p.Pens) > maxPens:
		return nil, fmt.Errorf("digitize: %d pens: a recorder of this kind has at most %d", len(p.Pens), maxPens)
	}
	t := newTracer(p)
	t.survey()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if !t.anyInk() {
		return t.empty(), nil
	}
	t.unroll()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	t.follow()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	return t.result(), nil
}

const maxPens = 2

// hoursRecur is after how many hours a clock's hours come again on a chart: with the turn, on longer ones with the day.
func hoursRecur(f *form.Form) float64 { return math.Min(24, f.RotationHours) }

// clock turns printed hours, counted on from the seam without reduction, into instants.
type clock struct {
	zero time.Time
}

func (c clock) at(hours float64) time.Time {
	return c.zero.Add(time.Duration(math.Round(hours * float64(time.Hour))))
}

// newClock settles which instant printed hour 0 is, from the printed hour where the trace starts.
func newClock(p Problem, start float64) clock {
	f := p.Face.Form
	if p.Face.Hour == calibrate.HourOnChart && !p.OnChart.IsZero() {
		return clock{p.OnChart.Add(-time.Duration(start * float64(time.Hour)))}
	}
	on := p.OnChart
	if on.IsZero() {
		return clock{time.Time{}}
	}
	zero, every := on, f.RotationHours
	if f.Labels.Kind != "elapsed" {
		zero, every = time.Date(on.Year(), on.Month(), on.Day(), 0, 0, 0, 0, on.Location()), hoursRecur(f)
	}
	// The turn, or the day of a longer one, that brings the start of the trace nearest to on_chart.
	off := on.Sub(zero).Hours() - start
	return clock{zero.Add(time.Duration(math.Round(off/every) * every * float64(time.Hour)))}
}
