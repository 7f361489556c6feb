package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"penarm/verify/archive"
)

func newCalibrate() *cobra.Command {
	o := &runOptions{}
	cmd := &cobra.Command{
		Use:   "calibrate (--plant FILE | --form FILE) --out FOLDER SCAN...",
		Short: "Find the printed circles and arcs of charts",
		Long: `Find the printed circles and arcs of charts, and the hour of each arc. For
0001.jpg the folder OUT/0001 gets calibration.json with the residuals and
calibration.jpg with the fitted circles and arcs on the scan, close-ups, and what
the fit leaves in mm, degrees and seconds; or error.json with the test that refused
the fit, and calibration.jpg with what was refused, or the scan alone where no
circles were found.

Exit status:
  0   all calibrated
  3   at least one could not be read or was refused (the others are still done)
  64  wrong use`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, scans []string) error {
			if o.form != "" && o.plant != "" {
				return errors.New("--plant and --form: give one of them")
			}
			if o.form != "" && o.recorder != "" {
				return errors.New("--recorder needs --plant")
			}
			return o.run(cmd, archive.Calibrate, scans, func(all []archive.Outcome) error {
				for _, c := range all {
					if c.Err != nil {
						continue
					}
					k := c.Calibration
					if _, err := fmt.Fprintf(cmd.OutOrStdout(), "%s: form %s, circles %.3f mm rms, arcs %.1f s rms, %s\n",
						c.Name, k.Form, k.RingResidualMM, k.ArcResidualS, k.HourWords()); err != nil {
						return err
					}
				}
				return nil
			})
		},
	}
	o.bind(cmd.Flags())
	cmd.Flags().StringVar(&o.form, "form", "", "form file, where there is no plant file yet")
	return cmd
}
