package main

import (
	"fmt"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"penarm/verify/rules"
)

func newRules() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "rules",
		Short: "List or show the rule sets",
		Long:  "List or show the rule sets: the legal times and temperatures, each with its source.\n\nExit status: 0, 3 for a rule set that cannot be read, 64 for wrong use.",
		Args:  cobra.NoArgs,
		RunE:  func(cmd *cobra.Command, _ []string) error { return listRules(cmd) },
	}
	cmd.AddCommand(
		&cobra.Command{
			Use:   "list",
			Short: "List the built-in rule sets",
			Long:  "List the built-in rule sets by name.\n\nExit status: 0, or 64 for wrong use.",
			Args:  cobra.NoArgs,
			RunE:  func(cmd *cobra.Command, _ []string) error { return listRules(cmd) },
		},
		&cobra.Command{
			Use:   "show NAME",
			Short: "Show a rule set as a file that can be copied and changed",
			Long:  "Show a rule set, built in or a file, as YAML: every number with its source. A copy can be\nchanged and named in the plant file.\n\nExit status: 0, 3 for a rule set that cannot be read, 64 for wrong use.",
			Args:  cobra.ExactArgs(1),
			RunE: func(cmd *cobra.Command, args []string) error {
				r, err := rules.Load(args[0], ".")
				if err != nil {
					return unread(err)
				}
				_, err = cmd.OutOrStdout().Write(r.Data)
				return err
			},
		},
	)
	return cmd
}

func listRules(cmd *cobra.Command) error {
	w := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
	for _, name := range rules.Names() {
		r, err := rules.Load(name, ".")
		if err != nil {
			return unread(err)
		}
		fmt.Fprintf(w, "%s\t%s\n", name, r.Title)
	}
	return w.Flush()
}
