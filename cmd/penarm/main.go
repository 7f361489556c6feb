// Command penarm reads scans of circular recorder charts of milk vat pasteurizers.
package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/spf13/cobra"

	"penarm/calibrate/picture"
	"penarm/calibrate/scan"
	"penarm/verify/archive"
)

func main() { os.Exit(run(os.Args[1:])) }

// The exit statuses that are not a verdict's, see archive.Status.
const (
	exitPass      = 0
	exitUndecided = 2
	exitUnread    = 3
	exitUsage     = 64 // EX_USAGE of sysexits.h
)

const exitHelp = `Exit status:
  0   all pass
  1   at least one fails
  2   none fails, at least one is undecided: a person must look
  3   at least one could not be read (the others are still done)
  64  wrong use`

// exitStatus is an error that carries the exit status of the whole program. An
// empty text is not printed: the run has said all.
type exitStatus struct {
	status int
	err    error
}

func (e exitStatus) Error() string {
	if e.err == nil {
		return ""
	}
	return e.err.Error()
}

func (e exitStatus) Unwrap() error { return e.err }

// opener is how this program opens scans, with what scan says of a bad file put
// as error.json has it.
var opener = archive.Opener{
	Pages: func(path string) (int, error) {
		n, err := scan.Pages(path)
		return n, worded(path, err)
	},
	Open: func(path string, page int) (*picture.Picture, error) {
		p, err := scan.Open(path, page)
		return p, worded(path, err)
	},
	JPEG: scan.JPEG,
}

func worded(path string, err error) error {
	var e *scan.Error
	if errors.As(err, &e) {
		return archive.NewError(path, "scan", errors.New(e.What), e.Remedy)
	}
	return err
}

func run(args []string) int {
	// The heap is whole pictures, or the lines of thousands of charts, with hardly a
	// pointer in them: collecting is cheap, fresh pages are not.
	debug.SetGCPercent(25)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	root := newRoot()
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitPass
	}
	if msg := err.Error(); msg != "" {
		fmt.Fprintln(os.Stderr, "penarm:", msg)
	}
	var e exitStatus
	if errors.As(err, &e) {
		return e.status
	}
	var full *fs.PathError
	if errors.As(err, &full) && full.Op == "write" {
		return exitUnread // standard output takes no more
	}
	return exitUsage // cobra's own errors: unknown command or flag, wrong arguments
}

func newRoot() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "penarm",
		Short: "Read recorder charts of milk vat pasteurizers",
		Long: `penarm reads scans of the circular charts that temperature recorders of milk vat
pasteurizers draw: it finds the printed circles and arcs, follows the pen line,
judges the hold against the law, and leaves a page of evidence to look at.

It supports a licensed person's judgement and replaces neither that, nor the
regulatory agency, nor the sealed equipment's tests, nor the phosphatase test.

` + exitHelp,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			return errors.New("a command is needed: penarm help lists them")
		},
		SilenceUsage:      true,
		SilenceErrors:     true,
		CompletionOptions: cobra.CompletionOptions{HiddenDefaultCmd: true},
	}
	cmd.AddCommand(newCheck(), newArchive(), newWatch(), newCalibrate(), newDigitize(), newJoin(), newEnroll(),
		newVerify(), newRules(), newEmptying(),
		newExplain(), newSchema(), newKey(), newSeal(), newSign(), newVersion(), newWorker())
	return cmd
}

// unread is an error before or beside the reading of any scan.
func unread(err error) error { return exitStatus{exitUnread, err} }
