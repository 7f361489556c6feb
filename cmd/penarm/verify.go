package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"penarm/verify/archive"
	"penarm/verify/evidence"
)

func newVerify() *cobra.Command {
	var job archive.SeriesJob
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "verify --plant FILE [--entries FILE] [--recorder NAME] SERIES.csv",
		Short: "Judge a time-temperature series from anywhere",
		Long: `Judge a time-temperature series from anywhere, a data logger's too: a CSV file
with the columns pen,time,temperature,u_temperature,u_time_s,quality, in the plant
file's unit. A logger's file may have time (2026-03-04T07:15:30) and temperature alone;
rows more than a minute and a half apart are a gap.

` + exitHelp,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if job.Plant == "" {
				return errors.New("--plant FILE is needed: the plant file")
			}
			job.Path = args[0]
			f, err := archive.CheckSeries(job)
			if err != nil {
				return unread(err)
			}
			w := cmd.OutOrStdout()
			if asJSON {
				var data []byte
				if data, err = evidence.FindingsJSON(f); err == nil {
					_, err = w.Write(data)
				}
			} else {
				err = printChecks(w, f)
			}
			if err != nil {
				return unread(fmt.Errorf("standard output: %w", err))
			}
			if s := archive.StatusOf(f.Verdict); s != exitPass {
				return exitStatus{s, nil}
			}
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVar(&job.Plant, "plant", "", "plant file: recorders, vats, rules")
	f.StringVar(&job.Entries, "entries", "", "entries of the chart")
	f.StringVar(&job.Recorder, "recorder", "", "recorder, where the entries name none")
	f.BoolVar(&asJSON, "json", false, "print the findings as JSON")
	return cmd
}
