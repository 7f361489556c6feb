package main

import (
	"errors"
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"penarm/verify/archive"
)

func newEnroll() *cobra.Command {
	var facts archive.Facts
	var hour, at, out string
	var elapsed bool
	cmd := &cobra.Command{
		Use:   "enroll --out FORMS --number NO --unit F|C --innermost T --outermost T --hours H --time-runs WAY --hour HH:MM --at X,Y BLANK",
		Short: "Teach a printed form from the scan of an unused one",
		Long: `Teach a printed form from the scan of an unused one. Its circles and arcs are
measured: which are heavy, how far apart, which way the arcs lean, the pivot and
the length of the pen arm. What only a person can read is told by flags: the
number, the unit, the temperatures of the innermost and the outermost circle,
the hours of one turn, the way later hours lie, and one printed hour with the
pixel where its arc meets the outermost circle.

FORMS gets a folder with form.yaml, blank.png and enrolled.jpg. Look at the last:
every drawn circle and arc must lie on a printed one.

Exit status:
  0   the form is written
  3   the scan cannot be read or measured
  64  wrong use`,
		Example: "  penarm enroll --out forms --number D-1230 --unit F --innermost 30 --outermost 230 --hours 12 \\\n" +
			"    --time-runs counterclockwise --hour 06:00 --at 1523,210 blank.png",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, blank []string) error {
			for _, name := range []string{"out", "number", "unit", "innermost", "outermost", "hours", "time-runs", "hour", "at"} {
				if !cmd.Flags().Changed(name) {
					return fmt.Errorf("--%s is needed", name)
				}
			}
			switch {
			case facts.Unit != "F" && facts.Unit != "C":
				return errors.New("--unit: write F or C")
			case facts.TimeRuns != "clockwise" && facts.TimeRuns != "counterclockwise":
				return errors.New("--time-runs: write clockwise or counterclockwise")
			case !(facts.RotationHours > 0 && facts.RotationHours <= 1000) || facts.InnerAt == facts.OuterAt:
				return errors.New("--hours must be above 0, --innermost and --outermost two temperatures")
			}
			mark, err := archive.ParseMark(hour, at)
			if err != nil {
				return err
			}
			facts.Mark, facts.Labels = *mark, "clock"
			if elapsed {
				facts.Labels = "elapsed"
			}
			e, err := archive.EnrollForm(cmd.Context(), opener, blank[0], facts, hour, out)
			if err != nil {
				return unread(err)
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s\nLook at %s: every drawn circle and arc must lie on a printed one.\n", e.Words, filepath.Join(e.Dir, "enrolled.jpg"))
			return err
		},
	}
	f := cmd.Flags()
	f.StringVar(&out, "out", "", "folder of the forms")
	f.StringVar(&facts.Number, "number", "", "number printed on the form")
	f.StringVar(&facts.Unit, "unit", "", "unit of its temperatures: F or C")
	f.Float64Var(&facts.InnerAt, "innermost", 0, "temperature of the innermost circle")
	f.Float64Var(&facts.OuterAt, "outermost", 0, "temperature of the outermost circle")
	f.Float64Var(&facts.RotationHours, "hours", 0, "hours of one turn")
	f.StringVar(&facts.TimeRuns, "time-runs", "", "the way later hours lie, seen from the front: clockwise or counterclockwise")
	f.StringVar(&hour, "hour", "", "a printed hour HH:MM")
	f.StringVar(&at, "at", "", "pixel X,Y where the arc of --hour meets the outermost circle")
	f.BoolVar(&elapsed, "elapsed", false, "the printed hours count from when the chart is put on")
	f.Float64Var(&facts.DiameterMM, "diameter", 0, "diameter of the paper in mm (default: where its edge shows)")
	f.Float64Var(&facts.HubHoleMM, "hub-hole", 9.5, "diameter of the centre hole in mm")
	f.Float64Var(&facts.DPI, "dpi", 0, "resolution of the scan (default: as its file says)")
	return cmd
}
