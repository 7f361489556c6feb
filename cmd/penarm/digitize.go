package main

import (
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"penarm/verify/archive"
)

func newDigitize() *cobra.Command {
	o := &runOptions{}
	cmd := &cobra.Command{
		Use:   "digitize --plant FILE --out FOLDER SCAN...",
		Short: "Follow the pen lines of charts, without judging them",
		Long: `Follow the pen lines of charts, without judging them. For 0001.jpg the folder
OUT/0001 gets series.csv, one row a sample with its uncertainties; or error.json.

` + stretchHelp + `Exit status:
  0   all read
  3   at least one could not be read (the others are still done)
  64  wrong use`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, scans []string) error {
			return o.run(cmd, archive.Digitize, scans, func(all []archive.Outcome) error {
				for _, c := range all {
					if c.Err != nil {
						continue
					}
					if _, err := fmt.Fprintln(cmd.OutOrStdout(), filepath.Join(o.out, c.Name, "series.csv")); err != nil {
						return err
					}
				}
				return nil
			})
		},
	}
	o.bind(cmd.Flags())
	o.bindTrace(cmd.Flags())
	return cmd
}
