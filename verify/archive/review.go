package archive

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"penarm/verify"
	"penarm/verify/archive/across"
	"penarm/verify/archive/ledger"
	"penarm/verify/archive/page"
	"penarm/verify/entries"
)

// Review is a run over whole folders: charts, ledger, questions and review page
// grow in Out, and a run that ended early goes on where it was.
type Review struct {
	Plant, Out, Recorder, Sheet string
	Dirs                        []string
	Lower                       bool          // as in Job
	Paper                       string        // as in Job
	Jobs                        int           // as in Batch
	Timeout                     time.Duration // as in Batch
	Memory                      uint64        // as in Batch
	Worker                      []string      // as in Batch
	Redo                        bool          // also what was done with another plant file, form, rule set, option or version
	Today                       time.Time     // for what runs out; its date counts
	// Chart is told every chart that was done, and Progress how far the run is, both
	// by one goroutine at a time. Optional.
	Chart    func(Outcome)
	Progress func(Progress)

	ready func(path string) bool // whether a file may be opened yet; nil: each may
}

// Progress of a review, in scans but for the verdicts, which are of charts.
type Progress struct {
	Scans     int `json:"scans"`
	Done      int `json:"done"`    // now
	Skipped   int `json:"skipped"` // done by an earlier run
	Stale     int `json:"stale"`   // of those, how many with other files or another version
	Pass      int `json:"pass"`
	Fail      int `json:"fail"`
	Undecided int `json:"undecided"`
	Unread    int `json:"unread"`
}

func (p *Progress) count(verdict string) {
	switch verdict {
	case string(verify.Pass):
		p.Pass++
	case string(verify.Fail):
		p.Fail++
	case string(verify.Undecided):
		p.Undecided++
	default:
		p.Unread++
	}
}

// Summary of a review.
type Summary struct {
	Progress
	Stopped   bool              `json:"stopped"` // before the end
	Others    int               `json:"others"`  // files left alone, which are no scans
	Refused   map[string]string `json:"refused"` // paths not looked at, and why
	Questions int               `json:"questions"`
}

// Status is the exit status, as of Run.
func (s Summary) Status() int {
	switch {
	case s.Unread > 0 || s.Stopped || len(s.Refused) > 0 || s.Done+s.Skipped < s.Scans:
		return 3
	case s.Fail > 0:
		return StatusOf(verify.Fail)
	case s.Undecided > 0:
		return StatusOf(verify.Undecided)
	}
	return StatusOf(verify.Pass)
}

// LedgerFile and PageFile are where a review keeps its ledger and its page, below Out.
const (
	LedgerFile = "ledger.db"
	PageFile   = "index.html"
	chartsDir  = "charts"
)

// RunReview does the run. The error is for what keeps it from starting or going on;
// what was done until then stays. When ctx ends, the page is still written.
func RunReview(ctx context.Context, r Review) (Summary, error) {
	v := &review{Review: r}
	var err error
	if v.plant, err = loadPlant(r.Plant); err != nil {
		return Summary{}, err
	}
	if v.inputs, err = v.plant.inputsHash(r.Recorder, r.Paper, r.Lower); err != nil {
		return Summary{}, err
	}
	if r.Sheet != "" {
		sheet, err := entries.LoadSheet(r.Sheet)
		if err != nil {
			return Summary{}, err
		}
		v.sheet = bySheet(sheet)
	}
	lock, err := prepare(r.Out)
	if err != nil {
		return Summary{}, err
	}
	defer lock.Close()
	// The ledger outlives a stop: what was finished is still filed.
	keep := context.WithoutCancel(ctx)
	if v.ledger, err = ledger.Open(keep, filepath.Join(r.Out, LedgerFile)); err != nil {
		return Summary{}, err
	}
	defer v.ledger.Close()
	if v.found, err = survey(r.Dirs, r.Out, r.ready); err != nil {
		return Summary{}, err
	}
	if v.known, err = v.ledger.Done(keep); err != nil {
		return Summary{}, err
	}
	if err := v.ledger.PutPlant(keep, v.plant.summary()); err != nil {
		return Summary{}, err
	}

	run, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	v.stop = stop
	items := v.items()
	v.Scans = len(items)
	b := Batch{Jobs: r.Jobs, Timeout: r.Timeout, Memory: r.Memory, Worker: r.Worker}
	runAll(run, b, items, lock, func(it *item) bool { return v.wanted(keep, it) }, func(it *item, all []Outcome) { v.file(keep, it, all) })
	s := Summary{Progress: v.progress, Stopped: ctx.Err() != nil, Others: v.found.others, Refused: v.found.refused}
	s.Scans = len(items)
	if v.err != nil {
		return s, v.err
	}
	v.known = nil // what follows needs its room
	s.Questions, err = v.close(keep)
	return s, err
}

// review is a run under way.
type review struct {
	Review
	plant  *plant
	inputs string
	sheet  map[string][]*entries.Entries
	found  *found
	ledger *ledger.Ledger
	known  map[string]ledger.Scan
	stop   context.CancelCauseFunc
	names  map[string]string // absolute path → name
	Scans  int

	mu       sync.Mutex
	progress Progress
	begun    map[string]ledger.Scan // what is being done, with its hashes
	err      error                  // that ended the run
}

// fail ends the run for a reason that every further scan would meet too.
func (v *review) fail(err error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.err == nil {
		v.err = err
	}
	v.stop(err)
}

// items gives every scan its place; one that shares its name with a folder of charts is refused.
func (v *review) items() []*item {
	common := Job{
		Step: Check, Plant: v.Plant, Out: filepath.Join(v.Out, chartsDir), Recorder: v.Recorder, Sheet: v.Sheet, Extract: true,
		Lower: v.Lower, Paper: v.Paper,
	}
	folders := map[string]string{}
	for _, s := range v.found.scans {
		folders[s.path] = s.folder
	}
	v.names = map[string]string{}
	items := plan(common, v.found.scans)
	for _, it := range items {
		if it.refused == nil && v.found.folders[it.job.Name] {
			it.refused = NewError(it.job.Paths[0], "name", fmt.Errorf("a folder beside it has the same name %s, and its charts the same place", it.job.Name),
				"rename the scan or the folder")
		}
		if it.refused != nil { // several may want one name: each is kept under its whole file name
			it.job.Name = filepath.Join(folders[it.job.Paths[0]], filepath.Base(it.job.Paths[0]))
		}
		if file, err := filepath.Abs(it.job.Paths[0]); err == nil {
			v.names[file] = it.job.Name
		}
	}
	v.begun = map[string]ledger.Scan{}
	return items
}

// wanted says whether a scan is to be done, and remembers its hashes.
func (v *review) wanted(ctx context.Context, it *item) bool {
	if v.stopped() {
		return false
	}
	file, err := filepath.Abs(it.job.Paths[0])
	if err != nil {
		file = it.job.Paths[0]
	}
	name := it.job.Name
	now := ledger.Scan{Name: name, File: file, Inputs: v.inputs, Version: Version, Done: time.Now()}
	// A file that cannot be read has no hash and is tried again each time.
	now.SHA256, _ = scanHash(it.job.Paths)
	rows := v.sheet[name]
	if len(rows) == 0 && !it.job.Alike {
		rows = v.sheet[filepath.Base(name)]
	}
	if now.Entries, err = entriesHash(v.found.entries[name], rows); err != nil {
		now.SHA256 = ""
	}
	before, known := v.known[name]
	if known && it.refused == nil && now.SHA256 != "" && before.SHA256 == now.SHA256 && before.Entries == now.Entries {
		stale := before.Inputs != now.Inputs || before.Version != now.Version
		charts, err := v.ledger.Charts(ctx, name)
		if err != nil {
			v.fail(err)
			return false
		}
		if (!stale || !v.Redo) && v.there(charts) {
			v.skip(stale, charts)
			return false
		}
	}
	v.mu.Lock()
	v.begun[name] = now
	v.mu.Unlock()
	return true
}

func (v *review) stopped() bool {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.err != nil
}

// there says whether every chart's result is in its folder, and none ended for a
// reason that has nothing to do with the scan.
func (v *review) there(charts []ledger.Filed) bool {
	for _, c := range charts {
		file := "findings.json"
		if c.Verdict == "unread" {
			file = errorFile
		}
		if _, err := os.Stat(filepath.Join(v.Out, chartsDir, c.Name, file)); err != nil || c.Place == "machine" || c.Place == "output" {
			return false
		}
	}
	return len(charts) > 0
}

func (v *review) skip(stale bool, charts []ledger.Filed) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.progress.Skipped++
	if stale {
		v.progress.Stale++
	}
	for _, c := range charts {
		v.progress.count(c.Verdict)
	}
	v.tell()
}

func (v *review) tell() {
	if v.Progress != nil {
		p := v.progress
		p.Scans = v.Scans
		v.Progress(p)
	}
}

// file puts a scan's charts into the ledger. A scan that was stopped is not done.
func (v *review) file(ctx context.Context, it *item, all []Outcome) {
	v.mu.Lock()
	s := v.begun[it.job.Name]
	delete(v.begun, it.job.Name)
	v.mu.Unlock()
	for _, o := range all {
		if o.Err == nil {
			continue
		}
		switch o.Err.Place {
		case "run":
			return
		case "output":
			if err := writable(v.Out); err != nil {
				v.fail(fmt.Errorf("%s: %w: make room, then run again: it goes on where it was", v.Out, err))
				return
			}
		}
	}
	s.Seconds = time.Since(s.Done).Seconds()
	var charts []ledger.Chart
	for _, o := range all {
		c := ledger.Chart{Name: o.Name, Page: o.Page, Findings: o.Findings, Extract: o.Extract}
		if o.Err != nil {
			c.Extract = &ledger.Extract{Plant: v.plant.Plant.Plant}
			c.Place, c.Reason, c.Remedy = o.Err.Place, o.Err.Reason, o.Err.Remedy
			c.Decided = o.Err.Place + ": " + o.Err.Reason + ": " + o.Err.Remedy
		} else {
			c.Decided = Decided(o.Findings)
		}
		charts = append(charts, c)
	}
	before, err := v.ledger.Charts(ctx, s.Name)
	if err == nil {
		err = v.ledger.Put(ctx, s, charts)
	}
	if err != nil {
		v.fail(err)
		return
	}
	for _, b := range before { // pages that the file no longer has
		if !slices.ContainsFunc(charts, func(c ledger.Chart) bool { return c.Name == b.Name }) {
			path := filepath.Join(v.Out, chartsDir, b.Name)
			if replaceable(path, Check) == nil {
				os.RemoveAll(path)
			}
		}
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	v.progress.Done++
	for _, o := range all {
		verdict := string(o.Verdict)
		if o.Err != nil {
			verdict = "unread"
		}
		v.progress.count(verdict)
		if v.Chart != nil {
			v.Chart(o)
		}
	}
	v.tell()
}

// writable tries to put as much into a folder as a chart's results take.
func writable(dir string) error {
	probe := partFolder(dir, "")
	defer os.Remove(probe)
	if err := os.RemoveAll(probe); err != nil {
		return err
	}
	return write(probe, make([]byte, 8<<20))
}

// close asks what no single chart shows, and writes the page.
func (v *review) close(ctx context.Context) (questions int, err error) {
	err = v.ledger.MarkGone(ctx, func(s ledger.Scan) bool {
		if name, ok := v.names[s.File]; ok && name != s.Name {
			return true
		}
		_, err := os.Lstat(s.File)
		return errors.Is(err, os.ErrNotExist)
	})
	if err != nil {
		return 0, err
	}
	records, err := v.ledger.Records(ctx)
	if err != nil {
		return 0, err
	}
	plants, err := v.ledger.Plants(ctx)
	if err != nil {
		return 0, err
	}
	qs := across.Ask(records, plants, v.Today)
	if err := v.ledger.PutQuestions(ctx, qs); err != nil {
		return 0, err
	}
	path := filepath.Join(v.Out, PageFile)
	if err := page.Write(ctx, path, v.ledger, v.Today); err != nil {
		return 0, fmt.Errorf("%s: %w: make room, then run again", path, err)
	}
	return len(qs), nil
}

// summary is what the ledger keeps of a plant file.
func (p *plant) summary() ledger.Plant {
	s := ledger.Plant{Plant: p.Plant.Plant, File: p.Path, Rules: p.rules.Rules}
	if n := p.rules.RetentionMonths; n != nil {
		s.RetentionMonths, s.RetentionSource = &n.Value, n.String()
	}
	if n := p.rules.ClockMonths; n != nil {
		s.ClockMonths, s.ClockSource = &n.Value, n.String()
	}
	for _, r := range p.Recorders {
		c := ledger.Recorder{Recorder: r.Recorder, Vat: r.Vat}
		if r.ClockCheck != nil {
			c.ClockDate = r.ClockCheck.Date
		}
		s.Recorders = append(s.Recorders, c)
	}
	return s
}
