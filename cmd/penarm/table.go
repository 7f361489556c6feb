package main

import (
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"

	"penarm/verify"
	"penarm/verify/archive"
	"penarm/verify/evidence"
)

// rank orders outcomes, worst first: fail, undecided, unread, pass.
func rank(o archive.Outcome) int {
	switch {
	case o.Err != nil:
		return 2
	case o.Verdict == verify.Fail:
		return 0
	case o.Verdict == verify.Undecided:
		return 1
	}
	return 3
}

// printTable gives one line a chart, worst first: verdict, recorder, date, hold shown, what decided it.
func printTable(w io.Writer, out string, all []archive.Outcome) error {
	sorted := slices.Clone(all)
	slices.SortStableFunc(sorted, func(a, b archive.Outcome) int { return rank(a) - rank(b) })
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "verdict\tchart\trecorder\tdate\thold\tdecided by")
	var count [4]int
	for _, o := range sorted {
		count[rank(o)]++
		if o.Err != nil {
			fmt.Fprintf(t, "unread\t%s\t\t\t\t%s\n", line(o.Name), line(o.Err.Place+": "+o.Err.Reason+": "+o.Err.Remedy))
			continue
		}
		f := o.Findings
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", o.Verdict, line(o.Name), line(f.Recorder), f.ChartDate, holds(f), line(archive.Decided(f)))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "%d fail, %d undecided, %d unread, %d pass; evidence in %s\n",
		count[0], count[1], count[2], count[3], filepath.Join(line(out), "<chart>", "report.pdf"))
	return err
}

var line = evidence.OneLine

// holds lists the minutes that each batch shows.
func holds(f *verify.Findings) string {
	var s []string
	unit := ""
	for _, b := range f.Batches {
		if b.Hold == nil {
			s = append(s, "none")
			continue
		}
		s, unit = append(s, fmt.Sprintf("%.1f", b.Hold.Minutes)), " min"
	}
	if len(s) == 0 {
		return "none"
	}
	return strings.Join(s, ", ") + unit
}

// printChecks lists every check of one chart with its figure, limit and reason.
func printChecks(w io.Writer, f *verify.Findings) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "verdict\tcheck\tmeasured\tlimit\treason")
	row := func(batch string, c verify.Check) {
		figure := func(v *float64) string {
			if v == nil {
				return ""
			}
			return fmt.Sprintf("%.1f %s", *v, c.Unit)
		}
		verdict := string(c.Verdict)
		if !c.Counts {
			verdict = "(" + verdict + ")"
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\n", verdict, strings.TrimSpace(batch+" "+c.Check), figure(c.Measured), figure(c.Limit), line(c.Reason))
	}
	for _, b := range f.Batches {
		for _, c := range b.Checks {
			row("batch "+line(b.Batch), c)
		}
	}
	for _, c := range f.Checks {
		row("", c)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "%s (in brackets: information that does not count)\n", f.Verdict)
	return err
}
