package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"penarm/verify/archive"
	"penarm/verify/evidence"
)

func newExplain() *cobra.Command {
	return &cobra.Command{
		Use:   "explain FOLDER|findings.json",
		Short: "Tell in plain sentences why a verdict came out as it did",
		Long: `Tell in plain sentences why a verdict came out as it did, from the findings.json
of a result (OUT/0001 for one) alone; or why a scan was not read, from its error.json.

Exit status: 0, 3 where there is no result that can be read, 64 for wrong use.`,
		Example: "  penarm explain OUT/0001",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			path := args[0]
			if st, err := os.Stat(path); err == nil && st.IsDir() {
				path = filepath.Join(path, "findings.json")
				if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
					return explainError(cmd, filepath.Join(args[0], "error.json"))
				}
			}
			data, err := os.ReadFile(path)
			if err != nil {
				return unread(err)
			}
			f, err := evidence.ParseFindings(data)
			if err != nil {
				return unread(fmt.Errorf("%s: %w: name a folder that penarm check left", path, err))
			}
			return evidence.Explain(cmd.OutOrStdout(), f)
		},
	}
}

func explainError(cmd *cobra.Command, path string) error {
	data, err := os.ReadFile(path)
	if err != nil {
		return unread(fmt.Errorf("%w: name a folder that penarm check left", err))
	}
	e := &archive.Error{}
	if err := json.Unmarshal(data, e); err != nil {
		return unread(fmt.Errorf("%s: %w: check the scan again", path, err))
	}
	_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s was not read. %s: %s. What to do: %s.\n", line(e.File), line(e.Place), line(e.Reason), line(e.Remedy))
	return err
}
