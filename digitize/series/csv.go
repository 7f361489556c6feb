package series

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"time"
)

// header of series.csv.
var header = []string{"pen", "time", "temperature", "u_temperature", "u_time_s", "quality"}

// stamp is ISO 8601 local time; a fraction of a second is written only where there is one.
const stamp = "2006-01-02T15:04:05.999"

// format writes three digits of the second or none, which every reader of ISO 8601 takes.
func format(t time.Time) string {
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
			row[0], row[1], row[5] = s.Pen, format(p.Time), string(p.Quality)
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
// any order; series stand in the order in which their pens first occur. The
// file does not carry the unit, so Unit stays empty. Errors name the line.
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
		at[i] = -1
		for j, h := range first {
			if h == name {
				at[i] = j
			}
		}
		if at[i] < 0 {
			return nil, fmt.Errorf("series: header: column %q is missing", name)
		}
	}
	var all []Series
	index := map[string]int{}
	for {
		rec, err := c.Read()
		if errors.Is(err, io.EOF) {
			return all, nil
		}
		if err != nil {
			return nil, fmt.Errorf("series: %w", err)
		}
		line, _ := c.FieldPos(0)
		bad := func(i int, why string) error {
			return fmt.Errorf("series: line %d: %s %q: %s", line, header[i], rec[at[i]], why)
		}
		var p Sample
		if p.Time, err = time.Parse(stamp, rec[at[1]]); err != nil {
			return nil, bad(1, "write local time as 2006-01-02T15:04:05")
		}
		switch p.Quality = Quality(rec[at[5]]); p.Quality {
		case Good, Weak, Gap:
		default:
			return nil, bad(5, "must be good, weak or gap")
		}
		for i, v := range []*float64{2: &p.Temperature, 3: &p.UTemperature, 4: &p.UTime} {
			if v == nil {
				continue
			}
			text := rec[at[i]]
			if text == "" && (p.Quality == Gap || i > 2) {
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
		pen := rec[at[0]]
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
