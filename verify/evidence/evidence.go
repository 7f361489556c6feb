// Package evidence draws what a check saw and says what it found: the overlay
// on the scan, the unrolled strip, the time–temperature plot and the page to
// sign. The same input always gives the same bytes.
package evidence

import (
	"encoding/json"
	"fmt"
	"image/jpeg"
	"io"
	"math"
	"time"

	"penarm/calibrate"
	"penarm/calibrate/picture"
	"penarm/digitize/series"
	"penarm/verify"
	"penarm/verify/entries"
	"penarm/verify/rules"
)

// Input is everything one chart's evidence is drawn from.
type Input struct {
	Picture  *picture.Picture
	Face     *calibrate.Face
	Series   []series.Series
	Events   []series.Event
	Findings *verify.Findings
	Plant    *entries.Plant    // nil: not known
	Recorder *entries.Recorder // nil: not known
	Entries  *entries.Entries  // nil: none written
	Rules    *rules.RuleSet    // nil: not known

	// ZeroAt is the instant of printed hour 0 on the clock of the series, whole turns aside.
	ZeroAt time.Time
	// Paper is "A4" or "Letter"; empty means A4.
	Paper string
	// Drawn is what Overlay wrote for this same input, so that Report need not draw it again. Optional.
	Drawn []byte
	// JPEG encodes a picture, quality from 0 to 100. Optional: without it the standard library does, five times slower.
	JPEG func(p *picture.Picture, quality int) ([]byte, error)
}

const quality = 88 // of JPEGs

// encode writes a picture of three channels as JPEG.
func (in *Input) encode(w io.Writer, p *picture.Picture) error {
	if in.JPEG != nil {
		b, err := in.JPEG(p, quality)
		if err != nil {
			return fmt.Errorf("evidence: the overlay is not encoded: %w", err)
		}
		_, err = w.Write(b)
		return err
	}
	return jpeg.Encode(w, p.Image(), &jpeg.Options{Quality: quality})
}

// FindingsJSON gives findings.json as it is filed and as the report carries it.
func FindingsJSON(f *verify.Findings) ([]byte, error) {
	b, err := json.MarshalIndent(f, "", "  ")
	return append(b, '\n'), err
}

// point is a place in a picture or on a page.
type point struct{ x, y float64 }

// ahead is by how much a pen writes later on the paper than the first pen.
func (in *Input) ahead(pen string) time.Duration {
	if in.Recorder != nil {
		for _, p := range in.Recorder.Pens {
			if p.Pen == pen {
				return time.Duration(p.AheadMinutes * float64(time.Minute))
			}
		}
	}
	return 0
}

// hours is the printed hour at which a pen stands at a clock time.
func (in *Input) hours(pen string, t time.Time) float64 {
	return t.Add(in.ahead(pen)).Sub(in.ZeroAt).Hours()
}

// radius is where on the paper (mm) a temperature in the unit lies.
func (in *Input) radius(temperature float64, unit string) float64 {
	f := in.Face.Form
	return f.Radius(verify.Converted(temperature, or(unit, f.Unit), f.Unit))
}

// pixel is where in the scan a pen's reading lies.
func (in *Input) pixel(pen string, t time.Time, temperature float64, unit string) point {
	x, y := in.Face.Pixel(in.hours(pen, t), in.radius(temperature, unit))
	return point{x, y}
}

// unit is the unit of the chart's readings.
func (in *Input) unit() string {
	if len(in.Series) > 0 && in.Series[0].Unit != "" {
		return in.Series[0].Unit
	}
	return in.Face.Form.Unit
}

// pen finds a pen's series, nil where there is none.
func (in *Input) pen(name string) *series.Series {
	if name == "" {
		name = "product"
	}
	for i := range in.Series {
		if in.Series[i].Pen == name {
			return &in.Series[i]
		}
	}
	return nil
}

// reading is a series' temperature at a time, over gaps as they lie. False where there is no ink at all.
func reading(s *series.Series, t time.Time) (float64, bool) {
	if s == nil {
		return 0, false
	}
	return s.At(t, true)
}

// run is a stretch of samples without a gap.
type run []series.Sample

// runs splits a series at its gaps.
func runs(s *series.Series) (out []run) {
	from := -1
	for i := 0; i <= len(s.Samples); i++ {
		ink := i < len(s.Samples) && s.Samples[i].Quality != series.Gap && !math.IsNaN(s.Samples[i].Temperature)
		switch {
		case ink && from < 0:
			from = i
		case !ink && from >= 0:
			out = append(out, run(s.Samples[from:i]))
			from = -1
		}
	}
	return out
}

// span is the first and last time of all series; false where there are no samples.
func (in *Input) span() (from, to time.Time, ok bool) {
	for _, s := range in.Series {
		for _, v := range s.Samples {
			if !ok || v.Time.Before(from) {
				from = v.Time
			}
			if !ok || v.Time.After(to) {
				to = v.Time
			}
			ok = true
		}
	}
	return from, to, ok
}

// mark is a numbered place: the same number stands on the pictures and in the report.
type mark struct {
	n        int
	pen      string
	from, to time.Time
	text     string
	at       point // in the scan
	onPaper  bool  // at is known
	seen     bool  // by digitizing, not only named by a check
}

// longWeak is the shortest weak stretch outside a hold that gets a number of its
// own, and the longest better stretch that does not part two weak ones.
const longWeak = 2 * time.Minute

// marks numbers what the record check and those not passed speak of, then what digitizing saw beside the
// line, then weak stretches, each once.
func (in *Input) marks() (out []mark) {
	known := func(pen string, from, to time.Time) bool {
		for _, m := range out {
			if (m.pen == pen || m.pen == "" || pen == "") && !from.Before(m.from.Add(-time.Second)) && !to.After(m.to.Add(time.Second)) {
				return true
			}
		}
		return false
	}
	add := func(m mark) {
		m.n = len(out) + 1
		out = append(out, m)
	}
	checks := append([]verify.Check(nil), in.Findings.Checks...)
	for _, b := range in.Findings.Batches {
		checks = append(checks, b.Checks...)
	}
	for _, c := range checks {
		if c.Verdict == verify.Pass && c.Check != "record" {
			continue // where a passed check looked is no cause to look again
		}
		for _, p := range c.Places {
			if !known(p.Pen, p.From.Time, p.To.Time) {
				add(mark{pen: p.Pen, from: p.From.Time, to: p.To.Time, text: placeWords(p.Text)})
			}
		}
	}
	for _, e := range in.Events {
		found := false
		for i := range out { // the event knows best where it lies
			if m := &out[i]; !found && m.pen == e.Pen && m.from.Sub(e.From).Abs() <= time.Second && m.to.Sub(e.To).Abs() <= time.Second {
				found = true
				m.seen = true
				if m.text == string(e.Kind) && e.Text != "" {
					m.text = e.Text
				}
				if e.X != 0 || e.Y != 0 {
					m.at, m.onPaper = point{e.X, e.Y}, true
				}
			}
		}
		if !found {
			add(mark{pen: e.Pen, from: e.From, to: e.To, text: or(e.Text, e.Kind.Words()), at: point{e.X, e.Y}, onPaper: e.X != 0 || e.Y != 0, seen: true})
		}
	}
	for i := range in.Series {
		s := &in.Series[i]
		for _, w := range weakRuns(s) {
			from, to := w[0].Time, w[len(w)-1].Time
			if (to.Sub(from) >= longWeak || in.inHold(from, to)) && to.Sub(from) >= 15*time.Second && !known(s.Pen, from, to) {
				add(mark{pen: s.Pen, from: from, to: to, text: weakWords(w[0].Reason), seen: true})
			}
		}
	}
	for i := range out {
		m := &out[i]
		if m.onPaper {
			continue
		}
		mid := m.from.Add(m.to.Sub(m.from) / 2)
		s := in.pen(m.pen)
		if t, ok := reading(s, mid); ok {
			m.at, m.onPaper = in.pixel(s.Pen, mid, t, s.Unit), true
		}
	}
	return out
}

// weakRuns are the stretches of weak samples, a short better one between bridged.
func weakRuns(s *series.Series) (out []run) {
	from, last := -1, -1
	flush := func() {
		if from >= 0 {
			out = append(out, run(s.Samples[from:last+1]))
		}
		from = -1
	}
	for i, v := range s.Samples {
		switch {
		case v.Quality == series.Weak:
			if from < 0 {
				from = i
			}
			last = i
		case v.Quality == series.Gap, from >= 0 && v.Time.Sub(s.Samples[last].Time) > longWeak:
			flush()
		}
	}
	flush()
	return out
}

// inHold says whether a stretch touches any hold.
func (in *Input) inHold(from, to time.Time) bool {
	for _, b := range in.Findings.Batches {
		if b.Hold != nil && from.Before(b.Hold.End.Time) && to.After(b.Hold.Start.Time) {
			return true
		}
	}
	return false
}

// lowestAt is when and how low the product pen stands at the lowest of a hold.
func (in *Input) lowestAt(h *verify.Hold) (at time.Time, temperature float64, ok bool) {
	at = h.LowestAt.Time
	temperature, ok = reading(in.pen("product"), at)
	return at, temperature, ok && !at.IsZero()
}
