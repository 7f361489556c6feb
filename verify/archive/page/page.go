// Package page writes the review page of an archive: one HTML file that needs no
// server and no network, with every chart of the ledger, worst first.
package page

import (
	"bufio"
	"bytes"
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"penarm/verify/archive/across"
	"penarm/verify/archive/ledger"
)

//go:embed page.html
var template []byte

// mark is where the data goes in the template.
var mark = []byte("<!-- data -->")

// head is what the page says of the whole.
type head struct {
	Date      string            `json:"date"`
	Asked     []asked           `json:"asked"`
	Questions []ledger.Question `json:"questions"`
	Traces    map[string]line   `json:"traces"` // of the charts to be compared
}

// asked is how many questions of a kind there are, in the order of the ledger.
type asked struct {
	Kind  string `json:"kind"`
	Count int    `json:"count"`
}

// shown is how many questions of a kind are on the page; the others are in the ledger.
const shown = 300

// line is a trace as the page has it: °F a minute, null where there is no ink.
type line ledger.Trace

func (l line) MarshalJSON() ([]byte, error) {
	b := []byte{'['}
	for i, v := range l {
		if i > 0 {
			b = append(b, ',')
		}
		if v == ledger.NoInk {
			b = append(b, "null"...)
		} else {
			b = strconv.AppendFloat(b, float64(v)/10, 'f', -1, 64)
		}
	}
	return append(b, ']'), nil
}

// row is a chart as the page has it; short keys, for there are thousands.
type row struct {
	Chart     string    `json:"n"`
	Verdict   string    `json:"v"`
	Plant     string    `json:"p"`
	Recorder  string    `json:"r"`
	Vat       string    `json:"t"`
	Date      string    `json:"d"`
	Minutes   []float64 `json:"m"`
	Checks    []string  `json:"c"`
	Reason    string    `json:"w"`
	Thumbnail []byte    `json:"i"` // JPEG, as base64
}

// Write puts the page at path, all or nothing, one chart after the other.
func Write(ctx context.Context, path string, l *ledger.Ledger, today time.Time) error {
	part := filepath.Join(filepath.Dir(path), ".part-page")
	f, err := os.Create(part)
	if err != nil {
		return err
	}
	defer os.Remove(part)
	w := bufio.NewWriterSize(f, 1<<16)
	if err := errors.Join(write(ctx, w, l, today), w.Flush(), f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(part, path)
}

// write keeps to JSON whose <, > and & are escaped, as encoding/json does, so that no
// name or note can end the script element that holds it.
func write(ctx context.Context, w io.Writer, l *ledger.Ledger, today time.Time) error {
	before, after, _ := bytes.Cut(template, mark)
	h, err := heading(ctx, l)
	if err != nil {
		return err
	}
	h.Date = today.Format(time.DateOnly)
	enc := json.NewEncoder(w)
	if _, err := w.Write(before); err != nil {
		return err
	}
	if _, err := io.WriteString(w, `{"head":`); err != nil {
		return err
	}
	if err := enc.Encode(h); err != nil {
		return err
	}
	separator := `,"charts":[`
	if err := l.Each(ctx, ledger.Filter{}, func(r ledger.Row) error {
		if _, err := io.WriteString(w, separator); err != nil {
			return err
		}
		separator = ","
		return enc.Encode(row{r.Chart, r.Verdict, r.Plant, r.Recorder, r.Vat, r.ChartDate, r.Minutes, r.Checks, r.Reason, r.Thumbnail})
	}); err != nil {
		return err
	}
	if separator != "," {
		separator += "]}"
	} else {
		separator = "]}"
	}
	if _, err := io.WriteString(w, separator); err != nil {
		return err
	}
	_, err = w.Write(after)
	return err
}

// heading reads the questions and the lines of the charts that are to be compared with each other.
func heading(ctx context.Context, l *ledger.Ledger) (head, error) {
	h := head{Asked: []asked{}, Questions: []ledger.Question{}, Traces: map[string]line{}}
	err := l.EachQuestion(ctx, func(q ledger.Question) error {
		i := slices.IndexFunc(h.Asked, func(a asked) bool { return a.Kind == q.Kind })
		if i < 0 {
			i = len(h.Asked)
			h.Asked = append(h.Asked, asked{Kind: q.Kind})
		}
		if h.Asked[i].Count++; h.Asked[i].Count <= shown {
			h.Questions = append(h.Questions, q)
		}
		return nil
	})
	for _, q := range h.Questions {
		if err != nil {
			break
		}
		if q.Kind != across.SameTrace && q.Kind != across.Overlap {
			continue
		}
		for _, name := range q.Charts {
			var t ledger.Trace
			if t, err = l.Trace(ctx, name); err != nil {
				break
			}
			h.Traces[name] = line(t)
		}
	}
	return h, err
}
