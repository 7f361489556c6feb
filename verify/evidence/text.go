package evidence

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"penarm/calibrate"
	"penarm/digitize/series"
	"penarm/verify"
)

// All words for people stand in this file, so that they can be translated.

const (
	legendFitted = "print as fitted"
	legendWeak   = "ink weak"
	legendLegal  = "legal temperature"
	legendMark   = "explained in the report"

	legendHold       = "hold"
	legendIndicating = "indicating thermometer, written"
	legendAirspace   = "airspace, written"
	gapWord          = "no ink"
	noTrace          = "no trace was read on this chart"
)

func legalWords(t float64, unit string) string {
	return "legal " + number(t, 1) + " " + unitWords(unit)
}

func outletWords(t time.Time) string { return "outlet opened " + t.Format("15:04") }

func plotPen(pen string) string { return penWords(pen) + " pen, band ±2u" }

func holdTitle(b verify.Batch) string {
	s := "batch " + batchName(b.Batch)
	if b.Product != "" {
		s += ", " + b.Product
	}
	if b.Hold != nil {
		s += fmt.Sprintf(": %s min", fixedNumber(b.Hold.Minutes, 1))
	}
	return s
}

func clock(t time.Time) string { return t.Round(time.Second).Format("15:04:05") }

func degrees(t float64) string { return number(t, 1) + "°" }

// number writes a figure without useless zeros and with a true minus.
func number(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		s = "0"
	}
	return strings.Replace(s, "-", "−", 1)
}

// fixed writes a figure with all its decimals and a true minus.
func fixedNumber(v float64, decimals int) string {
	return strings.Replace(strconv.FormatFloat(v, 'f', decimals, 64), "-", "−", 1)
}

func unitWords(unit string) string {
	if unit == "F" || unit == "C" {
		return "°" + unit
	}
	return unit
}

func batchName(b string) string {
	if b == "" {
		return "?"
	}
	return b
}

func holdStarts(batch string) string { return "hold " + batch + " starts" }
func holdEnds(batch string) string   { return "hold " + batch + " ends" }

func lowestWords(t float64, unit string) string {
	return "lowest " + fixedNumber(t, 1) + " " + unitWords(unit)
}

func penWords(pen string) string {
	if pen == "" {
		return "product"
	}
	return pen
}

func legendTrace(pen string) string {
	side := "outside"
	if pen == "airspace" {
		side = "inside"
	}
	return fmt.Sprintf("%s pen as read, drawn %s mm %s the ink", penWords(pen), number(besideMM, 1), side)
}

// hourLabel names a printed hour as the program takes it.
func (in *Input) hourLabel(h float64) string {
	if in.Face.Hour == calibrate.HourOnChart {
		if in.ZeroAt.IsZero() {
			return "?"
		}
		return in.ZeroAt.Add(time.Duration(h * float64(time.Hour))).Format("15:04")
	}
	if in.Face.Form.Labels.Kind == "elapsed" {
		return number(h, 1) + " h"
	}
	if h == 0 {
		h = in.Face.Form.RotationHours
	}
	return number(h, 1)
}

func (in *Input) hourCaution() string {
	if in.Face.Hour != calibrate.HourOnChart {
		return ""
	}
	if in.ZeroAt.IsZero() {
		return "HOUR NOT READ FROM THE PRINT: nothing is placed by clock time"
	}
	return "HOUR NOT READ FROM THE PRINT: clock times count from the written time on chart"
}

// heading names the chart.
func (in *Input) heading() string {
	f := in.Findings
	parts := []string{}
	if in.Plant != nil && in.Plant.Plant != "" {
		parts = append(parts, in.Plant.Plant)
	}
	if f.Scan.File != "" {
		s := f.Scan.File
		if f.Scan.Page > 1 {
			s += fmt.Sprintf(" page %d", f.Scan.Page)
		}
		parts = append(parts, s)
	}
	if f.Recorder != "" {
		parts = append(parts, "recorder "+f.Recorder)
	}
	if f.ChartDate != "" {
		parts = append(parts, f.ChartDate)
	}
	parts = append(parts, strings.ToUpper(verdictWord(f.Verdict)))
	return strings.Join(parts, "  ·  ")
}

func verdictWord(v verify.Verdict) string {
	switch v {
	case verify.Pass:
		return "pass"
	case verify.Fail:
		return "fail"
	}
	return "undecided"
}

func eventWords(k series.Kind) string {
	switch k {
	case series.EventGap:
		return "no ink"
	case series.EventStopped:
		return "the chart stood still"
	case series.EventTurned:
		return "the chart was turned"
	case series.EventLap:
		return "a second lap of ink"
	case series.EventBlot:
		return "a blot on or beside the line"
	case series.EventNote:
		return "writing touches the line"
	case series.EventStart:
		return "the trace does not start at the written time"
	case series.EventAmbig:
		return "two lines compete"
	}
	return strings.ReplaceAll(string(k), "-", " ")
}

func weakWords(reason string) string {
	if reason == "" {
		return "ink weak"
	}
	return "ink weak: " + reason
}
