package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"penarm/verify/archive"
)

func newJoin() *cobra.Command {
	var out string
	cmd := &cobra.Command{
		Use:   "join --out FILE.png A B",
		Short: "Join two overlapping scans of one chart",
		Long: `Join two overlapping scans of one chart that is larger than the scanner's glass,
in the frame of the first. Each must show more than half of the chart, and both
the same third or more; the chart may be turned between the two.

check does this by itself for NAME.a.jpg and NAME.b.jpg.

Exit status:
  0   joined
  3   a half could not be read, or the two do not agree to below a pixel
  64  wrong use`,
		Example: "  penarm join --out 0007.png left.jpg right.jpg",
		Args:    cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, halves []string) error {
			if out == "" {
				return errors.New("--out FILE is needed: where the joined picture goes")
			}
			if err := archive.Join(cmd.Context(), opener, halves[0], halves[1], out); err != nil {
				return unread(err)
			}
			_, err := fmt.Fprintln(cmd.OutOrStdout(), out)
			return err
		},
	}
	cmd.Flags().StringVar(&out, "out", "", "the joined picture, a PNG file")
	return cmd
}
