package main

import (
	"fmt"
	"runtime"

	"github.com/spf13/cobra"

	"penarm/verify/archive"
)

func newVersion() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Print the program's version",
		Long:  "Print the program's version, as every result names it.\n\nExit status: 0, or 64 for wrong use.",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "penarm %s (%s, %s/%s)\n", archive.Version, runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return err
		},
	}
}
