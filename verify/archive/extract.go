package archive

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"math"
	"strings"
	"time"

	"penarm/calibrate/picture"
	"penarm/digitize/series"
	"penarm/verify"
	"penarm/verify/archive/ledger"
	"penarm/verify/entries"
)

// extract is what the ledger keeps of a reading beside its findings.
func extract(r *reading, f *verify.Findings) (*ledger.Extract, error) {
	x := &ledger.Extract{Plant: r.plant.Plant.Plant, Unit: r.plant.Unit}
	if r.recorder != nil {
		x.Vat = r.recorder.Vat
	}
	var product series.Series
	for _, s := range r.series {
		if s.Pen == "product" && len(s.Samples) > 0 {
			product = s
			x.From = verify.LocalTime{Time: s.Samples[0].Time}.String()
			x.To = verify.LocalTime{Time: s.Samples[len(s.Samples)-1].Time}.String()
		}
	}
	x.Trace = traceOf(product)
	x.CoolingMinutes = cooling(product, f)
	if e := r.entries; e != nil {
		x.Operator = e.Operator
		for i, b := range e.Batches {
			for _, w := range b.Indicating {
				n := ledger.Reading{Position: i + 1, Kind: "indicating", At: w.At, Reads: w.Reads}
				if r.hourKnown() && r.face.Form.RotationHours <= 24 {
					n.Recorded = recorded(product, w.At)
				}
				x.Readings = append(x.Readings, n)
			}
			for _, w := range b.Airspace {
				x.Readings = append(x.Readings, ledger.Reading{Position: i + 1, Kind: "airspace", At: w.At, Reads: w.Reads})
			}
		}
	}
	var err error
	x.Thumbnail, err = thumbnail(r.picture)
	return x, err
}

// traceOf samples the product pen's line at every whole minute, in °F.
func traceOf(s series.Series) ledger.Trace {
	t := ledger.Trace{}
	if len(s.Samples) == 0 {
		return t
	}
	first, last := s.Samples[0].Time, s.Samples[len(s.Samples)-1].Time
	for m := first.Add(time.Minute - time.Nanosecond).Truncate(time.Minute); !m.After(last); m = m.Add(time.Minute) {
		v, ok := s.At(m, false)
		if v = math.Round(verify.Converted(v, s.Unit, "F") * 10); !ok || math.Abs(v) > math.MaxInt16 {
			v = ledger.NoInk
		}
		t = append(t, int16(v))
	}
	return t
}

// recorded is what the pen drew at a written clock time, nil where no ink tells.
func recorded(s series.Series, clock string) *float64 {
	ofDay, _, ok := entries.Clock(clock)
	if !ok || len(s.Samples) == 0 {
		return nil
	}
	t := entries.Next(s.Samples[0].Time, ofDay)
	if v, ok := s.At(t, false); ok {
		v = math.Round(v*1000) / 1000
		return &v
	}
	return nil
}

// cooling is the minutes from the end of the last hold until the line is 40 °F
// (22.2 °C) below the legal temperature, for one vat to be compared over months;
// nil where the line breaks before, or the milk was not cooled in the vat.
func cooling(s series.Series, f *verify.Findings) *float64 {
	if len(f.Batches) == 0 || f.Batches[len(f.Batches)-1].Hold == nil {
		return nil
	}
	b := f.Batches[len(f.Batches)-1]
	drop := 40 / verify.PerF(s.Unit)
	for _, p := range s.Samples {
		switch {
		case p.Time.Before(b.Hold.End.Time):
		case p.Quality == series.Gap:
			return nil
		case p.Temperature <= b.Legal-drop:
			m := math.Round(p.Time.Sub(b.Hold.End.Time).Minutes()*100) / 100
			return &m
		}
	}
	return nil
}

// thumbnail is the scan 112 pixels high or wide, as JPEG. A few pixels of each cell say enough.
func thumbnail(p *picture.Picture) ([]byte, error) {
	const side, taps = 112, 5
	cell := float64(max(p.Width, p.Height)) / side
	w, h := max(1, int(float64(p.Width)/cell)), max(1, int(float64(p.Height)/cell))
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			var sum [3]int
			for t := range taps * taps {
				px := min(p.Width-1, int((float64(x)+(float64(t%taps)+0.5)/taps)*cell))
				py := min(p.Height-1, int((float64(y)+(float64(t/taps)+0.5)/taps)*cell))
				i := (py*p.Width + px) * p.Channels
				for c := range sum {
					sum[c] += int(p.Pix[i+min(c, p.Channels-1)])
				}
			}
			o := m.PixOffset(x, y)
			m.Pix[o], m.Pix[o+1], m.Pix[o+2], m.Pix[o+3] = uint8(sum[2]/taps/taps), uint8(sum[1]/taps/taps), uint8(sum[0]/taps/taps), 255
		}
	}
	stretch(m)
	var b bytes.Buffer
	err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 60})
	return b.Bytes(), err
}

// stretch gives a faint scan more contrast: its palest twentieth becomes white, its
// darkest hundredth dark.
func stretch(m *image.RGBA) {
	var n [256]int
	for i := 0; i < len(m.Pix); i += 4 {
		n[m.Pix[i+1]]++
	}
	lo, hi := 0, 255
	for sum := 0; lo < 255 && sum <= len(m.Pix)/400; lo++ {
		sum += n[lo]
	}
	for sum := 0; hi > 0 && sum <= len(m.Pix)/80; hi-- {
		sum += n[hi]
	}
	if hi-lo < 16 {
		return
	}
	for i := range m.Pix {
		if i%4 != 3 {
			m.Pix[i] = uint8(max(0, min(255, 40+(int(m.Pix[i])-lo)*215/(hi-lo))))
		}
	}
}

// Decided names the checks that gave a chart its verdict, and the first one's reason.
func Decided(f *verify.Findings) string {
	if f.Verdict == verify.Pass {
		return "every check that counts passes"
	}
	var names []string
	reason := ""
	add := func(batch string, checks []verify.Check) {
		for _, c := range checks {
			if !c.Counts || c.Verdict != f.Verdict {
				continue
			}
			if reason == "" {
				reason = c.Reason
			}
			names = append(names, strings.TrimSpace(batch+" "+c.Check))
		}
	}
	for _, b := range f.Batches {
		add("batch "+b.Batch, b.Checks)
	}
	add("", f.Checks)
	return fmt.Sprintf("%s: %s", strings.Join(names, ", "), reason)
}
