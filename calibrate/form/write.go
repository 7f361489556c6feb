package form

import (
	"bytes"
	"fmt"
	"strconv"
)

// YAML is the form's file, as Load reads it.
func (f *Form) YAML() []byte {
	var b bytes.Buffer
	number := func(v float64) string { return strconv.FormatFloat(v+0, 'f', -1, 64) } // +0 takes the sign off a zero
	fmt.Fprintf(&b, "form: %q\nunit: %s\ndiameter_mm: %.1f\nhub_hole_mm: %.1f\nrotation_hours: %s\ntime_runs: %s\nrings:\n",
		f.Form, f.Unit, f.DiameterMM, f.HubHoleMM, number(f.RotationHours), f.TimeRuns)
	for _, r := range f.Rings {
		fmt.Fprintf(&b, "  - {at: %s, radius_mm: %.3f}\n", number(r.At), r.RadiusMM)
	}
	fmt.Fprintf(&b, "minor_ring: %s\nmajor_ring: %s\ntime_arcs:\n  every_minutes: %s\n  major_minutes: %s\n  pivot_mm: %.2f\n  arm_mm: %.2f\n  lean: %s\nlabels:\n  kind: %s\n",
		number(f.MinorRing), number(f.MajorRing), number(f.TimeArcs.EveryMinutes), number(f.TimeArcs.MajorMinutes),
		f.TimeArcs.PivotMM, f.TimeArcs.ArmMM, f.TimeArcs.Lean, f.Labels.Kind)
	if f.Blank != nil {
		fmt.Fprintf(&b, "blank:\n  image: %q\n  reference: {x: %.2f, y: %.2f, time: %q}\n", f.Blank.Image, f.Blank.Reference.X, f.Blank.Reference.Y, f.Blank.Reference.Time)
	}
	return b.Bytes()
}
