package series

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// header of series.csv.
var header = []string{"pen", "time", "temperature", "u_temperature", "u_time_s", "quality"}

// stamp is ISO 8601 local time; a fraction of a second is written only where there is one.
const stamp = "2006-01-02T15:04:05.999"

// Stamp is a time as series.csv has it: three digits of the second or none, which every reader of ISO 8601 takes.
func Stamp(t time.Time) string {
	t = t.Round(time.Millisecond)
	if t.Nanosecond() == 0 {
		return t.Format("2006-01-02T15:04:05")
	}
	return t.Format("2006-01-02T15:04:05.000")
}

func number(v float64, digits int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return strconv.FormatFloat(v, 'f', digits, 64)
}

// Write leaves the series as CSV (RFC 4180): one row a sample, temperatures in
// the series' own unit, times local to the millisecond, no temperature in a gap.
func Write(w io.Writer, all []Series) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true // RFC 4180, section 2
	if err := c.Write(header); err != nil {
		return fmt.Errorf("series: %w", err)
	}
	row := make([]string, len(header))
	for _, s := range all {
		for _, p := range s.Samples {
			row[0], row[1], row[5] = s.Pen, Stamp(p.Time), string(p.Quality)
			row[2], row[3], row[4] = number(p.Temperature, 3), number(p.UTemperature, 3), number(p.UTime, 2)
			if p.Quality == Gap {
				row[2] = ""
			}
			if err := c.Write(row); err != nil {
				return fmt.Errorf("series: %w", err)
			}
		}
	}
	c.Flush()
	if err := c.Error(); err != nil {
		return fmt.Errorf("series: %w", err)
	}
	return nil
}

// Read takes what Write leaves, or a data logger's file of the same columns in
// any order; series stand in the order in which their pens first occur. A logger's
// file may have time and temperature alone: its pen is then the product's, its good
// samples are those that hold a temperature, and its uncertainties are those of its
// resolution, a step over √12 (JCGM 100:2008 4.3.7, from memory). The file does not
// carry the unit, so Unit stays empty. Errors name the line.
func Read(r io.Reader) ([]Series, error) {
	c := csv.NewReader(r)
	c.ReuseRecord = true
	first, err := c.Read()
	if err != nil {
		if errors.Is(err, io.EOF) {
			return nil, errors.New("series: the file is empty: it needs a header line")
		}
		return nil, fmt.Errorf("series: header: %w", err)
	}
	at := make([]int, len(header))
	for i, name := range header {
		at[i] = slices.Index(first, name)
	}
	for _, i := range []int{1, 2} {
		if at[i] < 0 {
			return nil, fmt.Errorf("series: header: column %q is missing", header[i])
		}
	}
	var all []Series
	index := map[string]int{}
	digits := map[string]int{} // of the fraction of a pen's temperatures
	for {
		rec, err := c.Read()
		if errors.Is(err, io.EOF) {
			for i := range all {
				all[i].resolve(digits[all[i].Pen])
			}
			return all, nil
		}
		if err != nil {
			return nil, fmt.Errorf("series: %w", err)
		}
		line, _ := c.FieldPos(0)
		field := func(i int, otherwise string) string {
			if at[i] < 0 {
				return otherwise
			}
			return rec[at[i]]
		}
		bad := func(i int, why string) error {
			return fmt.Errorf("series: line %d: %s %q: %s", line, header[i], field(i, ""), why)
		}
		var p Sample
		if p.Time, err = time.Parse(stamp, rec[at[1]]); err != nil {
			return nil, bad(1, "write local time as 2006-01-02T15:04:05")
		}
		shown := Good
		if rec[at[2]] == "" {
			shown = Gap
		}
		switch p.Quality = Quality(field(5, string(shown))); p.Quality {
		case Good, Weak, Gap:
		default:
			return nil, bad(5, "must be good, weak or gap")
		}
		for i, v := range []*float64{2: &p.Temperature, 3: &p.UTemperature, 4: &p.UTime} {
			if v == nil {
				continue
			}
			text := field(i, "")
			if p.Quality == Gap || text == "" && i > 2 { // what a row without ink says besides counts for nothing
				*v = math.NaN()
				continue
			}
			if *v, err = strconv.ParseFloat(text, 64); err != nil || math.IsInf(*v, 0) || math.IsNaN(*v) {
				return nil, bad(i, "must be a number")
			}
			if i > 2 && *v < 0 {
				return nil, bad(i, "an uncertainty is never negative")
			}
		}
		pen := field(0, "product")
		_, fraction, _ := strings.Cut(rec[at[2]], ".")
		digits[pen] = max(digits[pen], len(fraction))
		k, ok := index[pen]
		if !ok {
			k = len(all)
			index[pen] = k
			all = append(all, Series{Pen: pen})
		}
		s := &all[k]
		if n := len(s.Samples); n > 0 && p.Time.Before(s.Samples[n-1].Time) {
			return nil, bad(1, "lies before the line above: sort the samples of a pen by time")
		}
		s.Samples = append(s.Samples, p)
	}
}

// resolve gives samples without uncertainties those of the steps in which the file tells
// temperature and time: the smallest seen, and not less than its last digit or a second.
func (s *Series) resolve(digits int) {
	degrees, seconds := math.Inf(1), 60.0
	last := math.NaN()
	for _, p := range s.Samples {
		if p.Time.Second() != 0 || p.Time.Nanosecond() != 0 {
			seconds = 1
		}
		if d := math.Abs(p.Temperature - last); d > 1e-9 {
			degrees = math.Min(degrees, d)
		}
		last = p.Temperature
	}
	digit := math.Pow10(-digits)
	if degrees < digit || math.IsInf(degrees, 1) {
		degrees = digit
	}
	for i := range s.Samples {
		p := &s.Samples[i]
		if p.Quality == Gap {
			continue
		}
		if math.IsNaN(p.UTemperature) {
			p.UTemperature = degrees / math.Sqrt(12)
		}
		if math.IsNaN(p.UTime) {
			p.UTime = seconds / math.Sqrt(12)
		}
	}
}
