package evidence

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"unicode"

	"penarm/verify"
)

// ParseFindings reads findings.json. The error says what is wrong with it.
func ParseFindings(data []byte) (*verify.Findings, error) {
	f := &verify.Findings{}
	if err := json.Unmarshal(data, f); err != nil {
		return nil, fmt.Errorf("is no findings.json: %w", err)
	}
	if f.Schema != "penarm.findings/1" {
		return nil, fmt.Errorf("has schema %q, penarm.findings/1 is known", f.Schema)
	}
	return f, nil
}

// Explain tells in plain sentences why a verdict came out as it did, from the
// findings alone: first in full what decided it, then in short what else was asked, then what is for information.
func Explain(w io.Writer, f *verify.Findings) error {
	e := explainer{w: bufio.NewWriter(w), f: f}
	words, _ := verdictWords(f.Verdict)
	fmt.Fprintf(e.w, "%s: %s. %s\n", OneLine((&Input{Findings: f}).chartWords()), strings.ToUpper(verdictWord(f.Verdict)), words)
	if f.Verdict == verify.Pass {
		e.list(passTitle, brief, func(c verify.Check) bool { return c.Counts })
	} else {
		e.list(decidedTitle(f.Verdict), full, func(c verify.Check) bool { return c.Counts && c.Verdict == f.Verdict })
		e.list(openTitle, full, func(c verify.Check) bool { return c.Counts && c.Verdict != f.Verdict && c.Verdict != verify.Pass })
		e.list(metTitle, brief, func(c verify.Check) bool { return c.Counts && c.Verdict == verify.Pass })
	}
	e.list(informationOnly, brief, func(c verify.Check) bool { return !c.Counts })
	fmt.Fprintf(e.w, "\n%s\n", OneLine(readWords(f)))
	return e.w.Flush()
}

type explainer struct {
	w *bufio.Writer
	f *verify.Findings
}

// list writes the checks that are wanted under a title, if there are any.
func (e explainer) list(title string, words func(verify.Check) string, want func(verify.Check) bool) {
	titled := false
	add := func(who string, cs []verify.Check) {
		for _, c := range cs {
			if !want(c) {
				continue
			}
			if !titled {
				fmt.Fprintf(e.w, "\n%s\n", title)
				titled = true
			}
			fmt.Fprintf(e.w, "- %s, %s\n", who, OneLine(words(c)))
		}
	}
	for _, b := range e.f.Batches {
		add("batch "+OneLine(batchName(b.Batch)), b.Checks)
	}
	add("chart", e.f.Checks)
}

// OneLine keeps a text on its line: what people entered, and names of files, may hold any character.
func OneLine(s string) string {
	return strings.Map(func(c rune) rune {
		if unicode.IsControl(c) {
			return ' '
		}
		return c
	}, s)
}
