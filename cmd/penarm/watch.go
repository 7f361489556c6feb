package main

import (
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"penarm/verify/archive"
)

func newWatch() *cobra.Command {
	o := &reviewOptions{}
	var every, settle time.Duration
	cmd := &cobra.Command{
		Use:   "watch --plant FILE --out REVIEW DIR...",
		Short: "Read charts as a scanner drops them, until stopped",
		Long: `Read charts as a scanner drops them into a folder, also one on a network share,
until Ctrl-C. A file is read once it has stood still for --settle. What is written
on the charts may follow later, in entries files or a --sheet: the chart is then
read again. REVIEW is kept as penarm archive keeps it.

Exit status: 0 when stopped, 3 where the folder cannot be watched, 64 for wrong use.`,
		Example: "  penarm watch --plant plant.yaml --sheet day.csv --out REVIEW /srv/scanner",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, dirs []string) error {
			r, err := o.review(dirs)
			if err != nil {
				return err
			}
			if every <= 0 || settle < 0 {
				return errors.New("--every must be above 0, --settle not below")
			}
			p := newProgress(cmd.OutOrStdout(), cmd.ErrOrStderr(), o.json)
			p.each = true
			r.Chart = p.chart
			err = archive.Watch(cmd.Context(), r, every, settle, func(s archive.Summary, err error) {
				if err != nil {
					fmt.Fprintln(cmd.ErrOrStderr(), "penarm:", err)
				}
			})
			if err != nil {
				return unread(err)
			}
			return nil
		},
	}
	o.bind(cmd.Flags())
	cmd.Flags().DurationVar(&every, "every", 5*time.Second, "how often to look")
	cmd.Flags().DurationVar(&settle, "settle", 10*time.Second, "how long a file must stand still")
	return cmd
}
