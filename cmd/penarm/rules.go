package main

import (
	"fmt"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"penarm/verify/rules"
)

func newRules() *cobra.Command {
	return &cobra.Command{
		Use:   "rules [NAME | FILE]",
		Short: "List the rule sets, or show one with its sources",
		Long: `List the built-in rule sets with their base row; or show one, built in or a file, as YAML: the legal times
and temperatures, every number with its source and how that is known. A copy can be
changed and named in the plant file.

Exit status: 0, 3 for a rule set that cannot be read, 64 for wrong use.`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return listRules(cmd)
			}
			r, err := rules.Load(args[0], ".")
			if err != nil {
				return unread(err)
			}
			_, err = cmd.OutOrStdout().Write(r.Data)
			return err
		},
	}
}

func listRules(cmd *cobra.Command) error {
	w := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
	for _, name := range rules.Names() {
		r, err := rules.Load(name, ".")
		if err != nil {
			return unread(err)
		}
		o := r.Rows[0].Options[0]
		fmt.Fprintf(w, "%s\t%s, %g min\t%s\n", name, o.Temperature, o.Minutes, r.Title)
	}
	return w.Flush()
}
