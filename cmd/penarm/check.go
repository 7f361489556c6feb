package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"penarm/verify"
	"penarm/verify/archive"
)

// readOptions are the flags of all commands that read scans.
type readOptions struct {
	plant, out, recorder, form, sheet string
	line                              choice
	jobs                              int
	timeout                           time.Duration
	json                              bool
}

// bind adds the flags, with what --out and --json mean.
func (o *readOptions) bind(f *pflag.FlagSet, out, json string) {
	f.StringVar(&o.plant, "plant", "", "plant file: recorders, pens, vats, forms, rules")
	f.StringVar(&o.out, "out", "", out)
	f.StringVar(&o.recorder, "recorder", "", "recorder of the charts whose entries name none")
	f.IntVar(&o.jobs, "jobs", 0, "worker processes (default: as many as cores)")
	f.DurationVar(&o.timeout, "timeout", 120*time.Second, "longest time for one chart")
	f.BoolVar(&o.json, "json", false, json)
}

// bindTrace adds those of what follows the line.
func (o *readOptions) bindTrace(f *pflag.FlagSet) {
	f.StringVar(&o.sheet, "sheet", "", "CSV day sheet with the entries of many charts")
	bindLine(f, &o.line)
}

func (o *readOptions) check() error {
	switch {
	case o.out == "":
		return errors.New("--out FOLDER is needed: where the results go")
	case o.plant == "" && o.form == "":
		return errors.New("--plant FILE is needed: the plant file")
	case o.jobs < 0 || o.timeout <= 0:
		return errors.New("--jobs and --timeout must be above 0")
	}
	return nil
}

// runOptions are the flags of the commands that read the scans named.
type runOptions struct {
	readOptions
	hour, at string
	paper    choice
	full     bool
}

func (o *runOptions) bind(f *pflag.FlagSet) {
	o.readOptions.bind(f, "folder for the results, one folder a chart in it", "print the outcomes as JSON")
	f.StringVar(&o.hour, "hour", "", "a printed hour HH:MM that one chart shows --at a pixel")
	f.StringVar(&o.at, "at", "", "pixel X,Y where the arc of --hour meets the outermost circle")
}

// run does the scans and prints their outcomes with table.
func (o *runOptions) run(cmd *cobra.Command, step archive.Step, scans []string, print func([]archive.Outcome) error) error {
	if err := o.check(); err != nil {
		return err
	}
	var mark *archive.Mark
	if o.hour != "" || o.at != "" {
		if len(scans) != 1 {
			return errors.New("--hour and --at tell the hour of one chart: name one scan")
		}
		var err error
		if mark, err = archive.ParseMark(o.hour, o.at); err != nil {
			return err
		}
	}
	// A shell's scans/* names the entries, too.
	scans = slices.DeleteFunc(slices.Clone(scans), func(s string) bool { return strings.HasSuffix(s, ".entries.yaml") })
	if len(scans) == 0 {
		return errors.New("no scan is named, entries alone: name the scans they belong to")
	}
	outcomes, err := archive.Run(cmd.Context(), archive.Batch{
		Job: archive.Job{
			Step: step, Plant: o.plant, Form: o.form, Out: o.out, Recorder: o.recorder, Sheet: o.sheet, Mark: mark,
			Paper: o.paper.value, Full: o.full, Lower: o.line.value == verify.LineLower,
		},
		Scans: scans, Jobs: o.jobs, Timeout: o.timeout, Worker: workerCommand(),
	})
	if err != nil {
		return unread(err)
	}
	if o.json {
		err = indented(cmd.OutOrStdout(), struct {
			Schema string            `json:"schema"`
			Charts []archive.Outcome `json:"charts"`
		}{"penarm.run/1", outcomes})
	} else {
		err = print(outcomes)
	}
	for _, c := range outcomes {
		if c.Err != nil {
			fmt.Fprintln(cmd.ErrOrStderr(), "penarm:", line(c.Err.Error()))
		}
	}
	if err != nil {
		return unread(fmt.Errorf("standard output: %w", err))
	}
	if s := archive.Status(outcomes); s != exitPass {
		return exitStatus{s, nil}
	}
	return nil
}

// stretchHelp is for the commands that follow the line.
const stretchHelp = `With --json each chart also has its stretches that are no good reading, pen by pen:
quality weak or gap, from and to as in series.csv, and the reason.

`

func newCheck() *cobra.Command {
	o := &runOptions{}
	cmd := &cobra.Command{
		Use:   "check --plant FILE --out FOLDER SCAN...",
		Short: "Read charts and judge them, with the evidence",
		Long: `Read charts and judge them: scan, calibrate, trace, verify, evidence.

Entries stand beside a scan: 0001.jpg has 0001.entries.yaml; or many share a
--sheet. For 0001.jpg the folder OUT/0001 gets series.csv, findings.json,
overlay.jpg, strip.png, report.pdf and annex.pdf; or error.json where the scan
cannot be read. The table lists the charts worst first.

` + stretchHelp + exitHelp,
		Example: "  penarm check --plant plant.yaml --out OUT scans/*.jpg",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, scans []string) error {
			return o.run(cmd, archive.Check, scans, func(all []archive.Outcome) error { return printTable(cmd.OutOrStdout(), o.out, all) })
		},
	}
	o.bind(cmd.Flags())
	o.bindTrace(cmd.Flags())
	bindPaper(cmd.Flags(), &o.paper)
	cmd.Flags().BoolVar(&o.full, "full", false, "also leave the overlay at scan size and the plot as SVG")
	return cmd
}
