package archive

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"penarm/digitize"
	"penarm/digitize/series"
	"penarm/verify"
	"penarm/verify/entries"
)

// trace follows the ink. Where nothing names the recorder, those that use the
// form are tried, and those kept for which the ink shows most pens. Several that
// have the same single pen are not told apart: the chart is then read without
// naming one.
func (c *Checker) trace(ctx context.Context, job Job, r *reading) error {
	path := job.Paths[0]
	var on time.Time
	if r.entries != nil {
		on = r.entries.OnChartTime()
	}
	may := []*entries.Recorder{r.recorder}
	if r.recorder == nil {
		if may = r.plant.recordersOf(r.face.Form.Form); len(may) == 0 {
			return NewError(path, "recorder", fmt.Errorf("no recorder uses form %s", r.face.Form.Form), "add the recorder to the plant file")
		}
	}
	most := -1
	var kept []*entries.Recorder
	for _, rec := range may {
		var pens []digitize.Pen
		for _, p := range rec.Pens {
			pens = append(pens, digitize.Pen{Name: p.Pen, Ink: p.Ink, AheadMinutes: p.AheadMinutes})
		}
		t, err := digitize.Trace(ctx, digitize.Problem{Picture: r.picture, Face: r.face, Pens: pens, OnChart: on, Told: r.told(), LowerEdge: job.Lower})
		if err != nil {
			return NewError(path, "trace", err, "look whether the pen line can be seen on the scan; if so, report the scan")
		}
		switch n := shown(t.Series); {
		case n > most:
			most, kept, r.series, r.events, r.zeroAt = n, []*entries.Recorder{rec}, t.Series, t.Events, t.ZeroAt
		case n == most:
			kept = append(kept, rec)
		}
	}
	r.recorder = kept[0]
	if len(kept) > 1 {
		r.recorder = nil
		for _, rec := range kept {
			if len(rec.Pens) > 1 || rec.Pens[0].AheadMinutes != kept[0].Pens[0].AheadMinutes {
				return NewError(path, "recorder", fmt.Errorf("nothing names the recorder, and the ink does not tell apart %s, which all use form %s",
					names(kept), r.face.Form.Form), "say which with --recorder, or write the entries")
			}
		}
	}
	for i := range r.series {
		r.series[i].Unit = r.face.Form.Unit
		convert(&r.series[i], r.plant.Unit)
	}
	if on.IsZero() && r.entries != nil {
		settle(r)
	}
	return nil
}

// told are the written temperatures with their times. On a chart of several days they say nothing.
func (r *reading) told() (out []digitize.Told) {
	if r.entries == nil || r.face.Form.RotationHours > 24 || r.entries.OnChartTime().IsZero() {
		return nil
	}
	add := func(pen string, written []entries.Reading) {
		for _, w := range written {
			if at, ok := r.entries.At(w.At); ok {
				out = append(out, digitize.Told{Pen: pen, At: at, Temperature: verify.Converted(w.Reads, r.plant.Unit, r.face.Form.Unit)})
			}
		}
	}
	for _, b := range r.entries.Batches {
		add("product", b.Indicating)
		add("airspace", b.Airspace)
	}
	return out
}

// shown counts the pens that left a line: half an hour of well read samples at
// least, and more of these than of weak ones. 0 where any pen of the recorder left none.
func shown(all []series.Series) int {
	for _, s := range all {
		good, weak := 0.0, 0.0 // seconds
		for i, p := range s.Samples[:max(0, len(s.Samples)-1)] {
			d := s.Samples[i+1].Time.Sub(p.Time).Seconds()
			switch p.Quality {
			case series.Good:
				good += d
			case series.Weak:
				weak += d
			}
		}
		if good < 1800 || good < weak {
			return 0
		}
	}
	return len(all)
}

func names(rs []*entries.Recorder) string {
	var s []string
	for _, r := range rs {
		s = append(s, r.Recorder)
	}
	return strings.Join(s, ", ")
}

// convert turns the samples of a form printed in one unit into the plant's.
func convert(s *series.Series, unit string) {
	scale := verify.PerF(s.Unit) / verify.PerF(unit)
	for i := range s.Samples {
		s.Samples[i].Temperature = verify.Converted(s.Samples[i].Temperature, s.Unit, unit)
		s.Samples[i].UTemperature *= scale
		s.Samples[i].Rival *= scale
	}
	s.Unit = unit
}

// settle puts a trace whose on_chart is not written on the chart's date. The
// earliest written time tells a.m. from p.m.; without any the morning is taken.
func settle(r *reading) {
	date, err := time.Parse(time.DateOnly, r.entries.ChartDate)
	var start time.Time
	inked := false
	for _, s := range r.series {
		if len(s.Samples) > 0 && (!inked || s.Samples[0].Time.Before(start)) {
			start, inked = s.Samples[0].Time, true
		}
	}
	if err != nil || !inked {
		return
	}
	near := 6 * time.Hour
	earliest := 24 * time.Hour
	see := func(s string) {
		if ofDay, _, ok := entries.Clock(s); ok {
			earliest = min(earliest, ofDay)
		}
	}
	for _, b := range r.entries.Batches {
		see(b.OutletOpened)
		for _, w := range slices.Concat(b.Indicating, b.Airspace) {
			see(w.At)
		}
	}
	if earliest < 24*time.Hour {
		near = earliest - time.Hour // filled and heated before anything is written
	}
	midnight := start.Truncate(24 * time.Hour)
	days := int((date.Unix() - midnight.Unix()) / (24 * 3600)) // more than a Duration holds
	rest := near - start.Sub(midnight)
	if r.face.Form.Labels.Kind == "clock" { // whole turns only: the print tells the rest
		rest = rest.Round(time.Duration(r.face.Form.RotationHours * float64(time.Hour)))
	}
	moved := func(t time.Time) time.Time { return t.AddDate(0, 0, days).Add(rest) }
	for i := range r.series {
		for j := range r.series[i].Samples {
			s := &r.series[i].Samples[j]
			s.Time = moved(s.Time)
		}
	}
	r.zeroAt = moved(r.zeroAt)
	for i := range r.events {
		r.events[i].From, r.events[i].To = moved(r.events[i].From), moved(r.events[i].To)
	}
}
