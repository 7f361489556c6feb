package main

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"golang.org/x/sys/unix"

	"penarm/verify"
	"penarm/verify/archive"
	"penarm/verify/archive/ledger"
)

// reviewOptions are the flags of the commands that keep a review.
type reviewOptions struct {
	readOptions
	today  string
	paper  choice
	memory int
	redo   bool
}

func (o *reviewOptions) bind(f *pflag.FlagSet) {
	o.readOptions.bind(f, "folder of the review: charts, ledger.db, index.html", "print events as JSON lines")
	o.bindTrace(f)
	bindPaper(f, &o.paper)
	f.IntVar(&o.memory, "memory", 1024, "most memory of one worker, MiB")
	f.StringVar(&o.today, "today", "", "date that counts as today for what runs out (default: today)")
	f.BoolVar(&o.redo, "redo", false, "do again what was done with another plant file, form, rule set, option or version")
}

// review is the run that the flags ask for.
func (o *reviewOptions) review(dirs []string) (archive.Review, error) {
	r := archive.Review{
		Plant: o.plant, Out: o.out, Recorder: o.recorder, Sheet: o.sheet, Dirs: dirs,
		Lower: o.line.value == verify.LineLower, Paper: o.paper.value,
		Jobs: o.jobs, Timeout: o.timeout, Memory: uint64(o.memory) << 20, Worker: workerCommand(), Redo: o.redo, Today: time.Now(),
	}
	if err := o.check(); err != nil {
		return r, err
	}
	if o.memory < 512 {
		return r, errors.New("--memory must be at least 512")
	}
	if o.today != "" {
		var err error
		if r.Today, err = time.Parse(time.DateOnly, o.today); err != nil {
			return r, fmt.Errorf("--today %s: write a date as 2026-03-04", o.today)
		}
	}
	return r, nil
}

func newArchive() *cobra.Command {
	o := &reviewOptions{}
	cmd := &cobra.Command{
		Use:   "archive --plant FILE --out REVIEW DIR...",
		Short: "Read all charts under folders, overnight, and ask what no single chart shows",
		Long: `Read all charts under folders, with or without entries, to the end: one bad scan
costs one scan. A run that was stopped or killed goes on where it was; what was
done with the same scan, entries, files and version is not done again.

REVIEW/index.html lists every chart, worst first, and asks what no single chart
shows. REVIEW/ledger.db holds it all for any SQLite tool; penarm archive list
queries it. The results of north/2025/1.jpg under the folder north stand in
REVIEW/charts/north/2025/1.

` + exitHelp,
		Example: "  penarm archive --plant plant.yaml --out REVIEW scans\n  penarm archive list --out REVIEW --fail --vat V2 --since 2025-01-01",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, dirs []string) error {
			r, err := o.review(dirs)
			if err != nil {
				return err
			}
			p := newProgress(cmd.OutOrStdout(), cmd.ErrOrStderr(), o.json)
			r.Chart, r.Progress = p.chart, p.progress
			s, err := archive.RunReview(cmd.Context(), r)
			p.end()
			if err != nil {
				return unread(err)
			}
			if err := p.summary(s, o.out); err != nil {
				return unread(fmt.Errorf("standard output: %w", err))
			}
			if status := s.Status(); status != exitPass {
				return exitStatus{status, nil}
			}
			return nil
		},
	}
	o.bind(cmd.Flags())
	cmd.AddCommand(newList())
	return cmd
}

// progress tells how far a run is: on a terminal one line that renews itself,
// elsewhere a line every ten seconds, or events.
type progress struct {
	mu       sync.Mutex
	out, err io.Writer
	json     *json.Encoder // nil: words
	terminal bool
	each     bool // a line for every chart, not only for unread ones
	start    time.Time
	last     archive.Progress
	told     time.Time
}

func newProgress(out, err io.Writer, asJSON bool) *progress {
	p := &progress{out: out, err: err, start: time.Now(), told: time.Now()}
	if asJSON {
		p.json = json.NewEncoder(out)
	}
	if f, ok := err.(*os.File); ok {
		_, e := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
		p.terminal = e == nil && !asJSON
	}
	return p
}

// event of --json, one a line.
type event struct {
	Event    string            `json:"event"` // chart, progress or end
	Chart    string            `json:"chart,omitempty"`
	File     string            `json:"file,omitempty"`
	Verdict  string            `json:"verdict,omitempty"`
	Decided  string            `json:"decided_by,omitempty"`
	Progress *archive.Progress `json:"progress,omitempty"`
	Summary  *archive.Summary  `json:"summary,omitempty"`
}

// chart tells of one chart that was done.
func (p *progress) chart(o archive.Outcome) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.json != nil {
		e := event{Event: "chart", Chart: o.Name, File: o.File, Verdict: string(o.Verdict)}
		if o.Err != nil {
			e.Verdict, e.Decided = "unread", o.Err.Error()
		} else {
			e.Decided = archive.Decided(o.Findings)
		}
		p.json.Encode(e) // a broken pipe shows at the end
		return
	}
	if o.Err != nil {
		p.wipe()
		fmt.Fprintln(p.err, line(o.Name+": unread: "+o.Err.Error()))
	} else if p.each {
		fmt.Fprintf(p.out, "%s\t%s\t%s\n", o.Verdict, line(o.Name), line(archive.Decided(o.Findings)))
	}
}

func (p *progress) progress(now archive.Progress) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.last = now
	every := 10 * time.Second
	if p.terminal {
		every = 200 * time.Millisecond
	}
	if time.Since(p.told) < every {
		return
	}
	p.told = time.Now()
	switch {
	case p.json != nil:
		p.json.Encode(event{Event: "progress", Progress: &now})
	case p.terminal:
		fmt.Fprintf(p.err, "\r\x1b[K%s", p.line())
	default:
		fmt.Fprintln(p.err, p.line())
	}
}

// line is count, rate, time left, fails and unread so far.
func (p *progress) line() string {
	n := p.last
	s := fmt.Sprintf("%d of %d scans", n.Done+n.Skipped, n.Scans)
	if rate := float64(n.Done) / time.Since(p.start).Seconds(); n.Done > 0 {
		left := time.Duration(float64(n.Scans-n.Done-n.Skipped)/rate) * time.Second
		s += fmt.Sprintf(", %.1f a minute, %v left", rate*60, left.Round(time.Second))
	}
	return s + fmt.Sprintf("; %d fail, %d undecided, %d unread", n.Fail, n.Undecided, n.Unread)
}

func (p *progress) wipe() {
	if p.terminal {
		fmt.Fprint(p.err, "\r\x1b[K")
	}
}

func (p *progress) end() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.wipe()
}

func (p *progress) summary(s archive.Summary, out string) error {
	if p.json != nil {
		return p.json.Encode(event{Event: "end", Summary: &s})
	}
	for _, path := range slices.Sorted(maps.Keys(s.Refused)) {
		fmt.Fprintf(p.err, "%s: %s\n", line(path), line(s.Refused[path]))
	}
	if s.Stopped {
		fmt.Fprintf(p.err, "stopped with %d of %d scans done: run again to go on\n", s.Done+s.Skipped, s.Scans)
	}
	if s.Stale > 0 {
		fmt.Fprintf(p.err, "%d scans were done with another plant file, form, rule set, option or version: --redo does them again\n", s.Stale)
	}
	_, err := fmt.Fprintf(p.out, "%d scans read now, %d before; %d fail, %d undecided, %d unread, %d pass; %d questions; open %s\n",
		s.Done, s.Skipped, s.Fail, s.Undecided, s.Unread, s.Pass, s.Questions, line(filepath.Join(out, archive.PageFile)))
	return err
}

func newList() *cobra.Command {
	var out, since, until string
	var f ledger.Filter
	var asJSON, asCSV, questions bool
	chosen := map[string]*bool{"fail": new(bool), "undecided": new(bool), "unread": new(bool), "pass": new(bool)}
	cmd := &cobra.Command{
		Use:   "list [--out REVIEW] [--fail] [--vat V] [--since DATE] [--json | --csv]",
		Short: "List charts of a review, worst first",
		Long: `List charts of a review, worst first; also while it runs. Verdicts add up, all
other choices narrow.

Exit status: 0, 3 where the ledger cannot be read, 64 for wrong use.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if asJSON && asCSV {
				return errors.New("--json and --csv: choose one of them")
			}
			for flag, d := range map[string]string{"--since": since, "--until": until} {
				if _, err := time.Parse(time.DateOnly, d); d != "" && err != nil {
					return fmt.Errorf("%s %s: write a date as 2026-03-04", flag, d)
				}
			}
			f.Since, f.Until = since, until
			for _, v := range slices.Sorted(maps.Keys(chosen)) {
				if *chosen[v] {
					f.Verdicts = append(f.Verdicts, v)
				}
			}
			if out == "" {
				out = "REVIEW"
				if _, err := os.Stat(archive.LedgerFile); err == nil {
					out = "."
				}
			}
			l, err := ledger.Read(cmd.Context(), filepath.Join(out, archive.LedgerFile))
			if err != nil {
				return unread(err)
			}
			defer l.Close()
			if questions {
				err = listQuestions(cmd, l, asJSON, asCSV)
			} else {
				err = listCharts(cmd, l, f, asJSON, asCSV)
			}
			if err != nil {
				return unread(err)
			}
			return nil
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&out, "out", "", "folder of the review (default: the current one, or REVIEW)")
	for _, v := range []string{"fail", "undecided", "unread", "pass"} {
		fl.BoolVar(chosen[v], v, false, "charts with this verdict")
	}
	fl.StringVar(&f.Plant, "plant", "", "of this plant, by its name")
	fl.StringVar(&f.Recorder, "recorder", "", "of this recorder")
	fl.StringVar(&f.Vat, "vat", "", "of this vat")
	fl.StringVar(&f.Check, "check", "", "on which this check does not pass")
	fl.StringVar(&since, "since", "", "dated this day or later")
	fl.StringVar(&until, "until", "", "dated this day or earlier")
	fl.BoolVar(&questions, "questions", false, "the questions across charts instead")
	fl.BoolVar(&asJSON, "json", false, "as JSON")
	fl.BoolVar(&asCSV, "csv", false, "as CSV")
	return cmd
}

func listCharts(cmd *cobra.Command, l *ledger.Ledger, f ledger.Filter, asJSON, asCSV bool) error {
	header := []string{"verdict", "chart", "plant", "recorder", "vat", "chart_date", "hold_minutes", "checks", "reason", "file"}
	fields := func(r ledger.Row) []string {
		var minutes []string
		for _, m := range r.Minutes {
			minutes = append(minutes, strconv.FormatFloat(m, 'f', 1, 64))
		}
		return []string{r.Verdict, r.Chart, r.Plant, r.Recorder, r.Vat, r.ChartDate, strings.Join(minutes, " "), strings.Join(r.Checks, " "), r.Reason, r.File}
	}
	w := cmd.OutOrStdout()
	switch {
	case asJSON:
		all := []ledger.Row{}
		if err := l.Each(cmd.Context(), f, func(r ledger.Row) error { all = append(all, r); return nil }); err != nil {
			return err
		}
		return indented(w, struct {
			Schema string       `json:"schema"`
			Charts []ledger.Row `json:"charts"`
		}{"penarm.list/1", all})
	case asCSV:
		c := csv.NewWriter(w)
		c.UseCRLF = true
		c.Write(header)
		if err := l.Each(cmd.Context(), f, func(r ledger.Row) error { return c.Write(fields(r)) }); err != nil {
			return err
		}
		c.Flush()
		return c.Error()
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "verdict\tchart\trecorder\tvat\tdate\thold\tdecided by")
	if err := l.Each(cmd.Context(), f, func(r ledger.Row) error {
		s := fields(r)
		_, err := fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", s[0], line(s[1]), line(s[3]), line(s[4]), s[5], s[6], line(s[8]))
		return err
	}); err != nil {
		return err
	}
	return t.Flush()
}

func listQuestions(cmd *cobra.Command, l *ledger.Ledger, asJSON, asCSV bool) error {
	all := []ledger.Question{}
	if err := l.EachQuestion(cmd.Context(), func(q ledger.Question) error { all = append(all, q); return nil }); err != nil {
		return err
	}
	w := cmd.OutOrStdout()
	switch {
	case asJSON:
		return indented(w, struct {
			Schema    string            `json:"schema"`
			Questions []ledger.Question `json:"questions"`
		}{"penarm.questions/1", all})
	case asCSV:
		c := csv.NewWriter(w)
		c.UseCRLF = true
		c.Write([]string{"kind", "plant", "subject", "question", "evidence", "charts"})
		for _, q := range all {
			c.Write([]string{q.Kind, q.Plant, q.Subject, q.Question, q.Evidence, strings.Join(q.Charts, " ")})
		}
		c.Flush()
		return c.Error()
	}
	for _, q := range all {
		if _, err := fmt.Fprintf(w, "%s: %s\n    %s\n", q.Kind, line(q.Question), line(q.Evidence)); err != nil {
			return err
		}
	}
	return nil
}

func indented(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}
