package main

import (
	"strings"

	"github.com/spf13/cobra"

	"penarm/verify/evidence"
)

func newSchema() *cobra.Command {
	return &cobra.Command{
		Use:   "schema " + strings.Join(evidence.SchemaNames, "|"),
		Short: "Print the JSON Schema of findings.json, error.json or calibration.json",
		Long: `Print the JSON Schema (draft 2020-12) of findings.json, error.json or calibration.json, for
programs that read them.

Exit status: 0, or 64 for wrong use.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			data, err := evidence.Schema(args[0])
			if err != nil {
				return err
			}
			_, err = cmd.OutOrStdout().Write(data)
			return err
		},
	}
}
