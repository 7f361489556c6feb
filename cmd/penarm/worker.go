package main

import (
	"errors"
	"os"

	"github.com/spf13/cobra"

	"penarm/verify/archive"
)

// outcomesFD is where a worker answers; its standard output is left to libraries that print.
const outcomesFD = 3

func newWorker() *cobra.Command {
	return &cobra.Command{
		Use:    "worker",
		Short:  "Read scans for another penarm, over pipes",
		Long:   "Started by penarm itself: jobs come as JSON lines on standard input, outcomes go to file descriptor 3.\n\nExit status: 0, 3 when the pipe breaks, 64 for wrong use.",
		Hidden: true,
		Args:   cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			out := os.NewFile(outcomesFD, "outcomes")
			if out == nil {
				return errors.New("worker: started by hand: it needs file descriptor 3")
			}
			if err := archive.Serve(cmd.Context(), opener, os.Stdin, out); err != nil {
				return unread(err)
			}
			return nil
		},
	}
}

// workerCommand starts this program again as a worker.
func workerCommand() []string { return []string{os.Args[0], "worker"} }
