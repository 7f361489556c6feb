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
	"time"

	"penarm/verify/archive/ledger"
)

//go:embed page.html
var template []byte

// mark is where the data goes in the template.
var mark = []byte("<!-- data -->")

// head is what the page says of the whole.
type head struct {
	Date      string            `json:"date"`
	Questions []ledger.Question `json:"questions"`
	Traces    map[string][]any  `json:"traces"` // of the charts asked about: °F a minute, null where there is no ink
}

// drawn is for how many questions at most the traces are drawn, which keeps the page small.
const drawn = 400

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
	h := head{Date: today.Format("2006-01-02")}
	var err error
	if h.Questions, err = l.Questions(ctx); err != nil {
		return err
	}
	if h.Questions == nil {
		h.Questions = []ledger.Question{}
	}
	if h.Traces, err = traces(ctx, l, h.Questions); err != nil {
		return err
	}
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

// traces gives the lines of the charts that are to be compared with each other.
func traces(ctx context.Context, l *ledger.Ledger, questions []ledger.Question) (map[string][]any, error) {
	out := map[string][]any{}
	for _, q := range questions[:min(drawn, len(questions))] {
		for _, name := range q.Charts {
			if _, ok := out[name]; ok || q.Kind != "same trace" && q.Kind != "overlap" {
				continue
			}
			t, err := l.Trace(ctx, name)
			if err != nil {
				return nil, err
			}
			line := []any{}
			for _, v := range t {
				if v == ledger.NoInk {
					line = append(line, nil)
				} else {
					line = append(line, float64(v)/10)
				}
			}
			out[name] = line
		}
	}
	return out, nil
}
