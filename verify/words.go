package verify

import (
	"fmt"
	"strings"
)

// Decided says in a few words what decided a chart: the checks that failed, or else
// those that could not be settled, batch by batch; for a pass the shortest margin of a hold.
func Decided(f *Findings) string {
	var out []string
	add := func(where string, cs []Check) {
		for _, c := range cs {
			if !c.Counts || c.Verdict != f.Verdict {
				continue
			}
			s := c.Check
			switch {
			case c.Measured != nil && c.Limit != nil && c.Check == "agreement":
				s = fmt.Sprintf("recorder %+.1f° against indicating", *c.Measured)
			case c.Measured != nil && c.Limit != nil && c.Unit == "min":
				s += fmt.Sprintf(" %.1f of %g min", *c.Measured, *c.Limit)
			case c.Measured != nil && c.Limit != nil:
				s += fmt.Sprintf(" %.1f against %g", *c.Measured, *c.Limit)
			default:
				first, _, _ := strings.Cut(c.Reason, ";")
				s += ": " + first
			}
			if where != "" {
				s = where + " " + s
			}
			out = append(out, s)
		}
	}
	if f.Verdict != Pass {
		for _, b := range f.Batches {
			add("batch "+b.Batch, b.Checks)
		}
		add("", f.Checks)
		return strings.Join(out, "; ")
	}
	for _, b := range f.Batches {
		if b.Hold != nil {
			out = append(out, fmt.Sprintf("batch %s held %.1f min", b.Batch, b.Hold.Minutes))
		}
	}
	return strings.Join(out, "; ")
}
