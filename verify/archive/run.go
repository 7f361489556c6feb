package archive

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// Batch is a run over any number of scans.
type Batch struct {
	Job            // Step, Plant, Form, Out, Recorder and Sheet hold for all
	Scans []string // paths, in the order of the outcomes
	Jobs  int      // worker processes; 0: as many as cores, but no more than scans
	// Timeout of one chart; 0: 120 s.
	Timeout time.Duration
	// Worker is the command line of a worker process: a program that calls Serve
	// with its standard input and file descriptor 3. Worker[0] is its own name for
	// itself; the program that runs is this one.
	Worker []string
	// Memory of one worker beyond which its scan is given up, bytes; 0: 1 GiB.
	Memory uint64
	// Done is told every outcome as it comes, in any order, by one goroutine at a time. Optional.
	Done func(Outcome)
}

// scan is a file with the folder of results, below Out, that its charts go to.
type scan struct{ path, folder string }

// item is one scan's place in a run: a file, or the two halves of a chart.
type item struct {
	job     Job
	refused *Error
}

// Run does all scans in worker processes and gives the outcomes in the order of
// the scans, pages in the order of pages. A scan whose worker dies or takes too
// long gets an error of its own; the others go on. The error is for what keeps
// the whole run from starting. When ctx ends the workers are stopped and the scans
// not done say so.
func Run(ctx context.Context, b Batch) ([]Outcome, error) {
	if b.Form == "" {
		if _, err := loadPlant(b.Plant); err != nil {
			return nil, err
		}
	}
	lock, err := prepare(b.Out)
	if err != nil {
		return nil, err
	}
	defer lock.Close()
	var scans []scan
	for _, path := range b.Scans {
		scans = append(scans, scan{path: path})
	}
	items := plan(b.Job, scans)
	index := map[*item]int{}
	for i, it := range items {
		index[it] = i
	}
	outcomes := make([][]Outcome, len(items))
	runAll(ctx, b, items, lock, func(*item) bool { return true }, func(it *item, all []Outcome) {
		outcomes[index[it]] = all
		if b.Done != nil {
			for _, o := range all {
				b.Done(o)
			}
		}
	})
	return slices.Concat(outcomes...), nil
}

// runAll does the items that wanted asks for, in order, over worker processes that
// hold the lock too, and hands the outcomes of each to finish, one item at a time.
// wanted is called by several goroutines.
func runAll(ctx context.Context, b Batch, items []*item, lock *os.File, wanted func(*item) bool, finish func(*item, []Outcome)) {
	names := map[string]bool{}
	for _, it := range items {
		names[it.job.Name] = true
	}
	n := b.Jobs
	if n <= 0 {
		n = runtime.NumCPU()
	}
	w := worker{command: b.Worker, timeout: b.Timeout, memory: b.Memory, lock: lock}
	if w.timeout <= 0 {
		w.timeout = 120 * time.Second
	}
	if w.memory == 0 {
		w.memory = 1 << 30
	}
	var next atomic.Int64
	var finishing sync.Mutex
	var wg sync.WaitGroup
	for range min(n, len(items)) {
		own := w
		wg.Go(func() {
			defer own.stop()
			for i := next.Add(1); i <= int64(len(items)); i = next.Add(1) {
				if it := items[i-1]; wanted(it) {
					all := one(ctx, &own, it, names)
					finishing.Lock()
					finish(it, all)
					finishing.Unlock()
				}
			}
		})
	}
	wg.Wait()
}

// one does an item's chart, or all the charts of its file; names are those of the whole run.
func one(ctx context.Context, w *worker, it *item, names map[string]bool) []Outcome {
	if it.refused != nil {
		o := Outcome{Name: it.job.Name, File: it.job.Paths[0], Page: 1, Err: it.refused}
		if _, err := os.Lstat(filepath.Join(it.job.Out, it.job.Name, "findings.json")); err != nil && it.job.Name != "" {
			o.Err = leave(it.job, o.Err)
		}
		return []Outcome{o}
	}
	o := w.do(ctx, it.job)
	if o.Pages <= 1 {
		return []Outcome{o}
	}
	var charts []Job // of the file: each a page with the backs that follow it
	for page := 1; page <= o.Pages; page++ {
		j := it.job
		j.Page, j.Look = page, true
		if n := len(charts); n > 0 && w.do(ctx, j).Back {
			charts[n-1].Backs = append(charts[n-1].Backs, page)
			continue
		}
		j.Look = false
		charts = append(charts, j)
	}
	var out []Outcome
	for _, j := range charts {
		page := j.Page
		if len(charts) > 1 {
			j.Name = fmt.Sprintf("%s-p%d", it.job.Name, page)
		}
		if len(charts) > 1 && names[j.Name] {
			e := NewError(j.Paths[0], fmt.Sprintf("page %d", page), fmt.Errorf("its name %s is that of another scan of this run", j.Name),
				"rename the other scan, or run them apart with another --out")
			j.Name = fmt.Sprintf("%s-p%d", it.job.Name+filepath.Ext(j.Paths[0]), page)
			out = append(out, Outcome{Name: j.Name, File: j.Paths[0], Page: page, Err: leave(j, e)})
			continue
		}
		out = append(out, w.do(ctx, j))
	}
	return out
}

// plan gives every scan its name and refuses, in words, what cannot have one of
// its own: two scans under one name would overwrite each other. A path given
// twice is done once.
func plan(common Job, scans []scan) []*item {
	var items []*item
	byName := map[string]*item{}
	seen := map[string]bool{}
	for _, s := range scans {
		path := s.path
		if seen[filepath.Clean(path)] {
			continue
		}
		seen[filepath.Clean(path)] = true
		name, part := nameOf(path)
		job := common
		job.Name, job.Paths = filepath.Join(s.folder, name), []string{path}
		it := &item{job: job}
		if name == "" || name == "." || name == ".." {
			it.job.Name = ""
			it.refused = NewError(path, "name", errors.New("nothing is left of the name without its ending"), "rename the scan")
			items = append(items, it)
			continue
		}
		first := byName[job.Name]
		if first == nil {
			byName[job.Name] = it
			items = append(items, it)
			continue
		}
		_, other := nameOf(first.job.Paths[0])
		if part != "" && other != "" && part != other && len(first.job.Paths) == 1 {
			first.job.Paths = append(first.job.Paths, path)
			if part == "a" {
				slices.Reverse(first.job.Paths)
			}
			continue
		}
		clash := fmt.Errorf("another scan has the same name %s: %s and %s", job.Name, first.job.Paths[0], path)
		const remedy = "rename one of them, or run them apart with another --out"
		if first.refused == nil {
			first.refused = NewError(first.job.Paths[0], "name", clash, remedy)
		}
		it.refused = NewError(path, "name", clash, remedy)
		items = append(items, it)
	}
	alike := map[string]int{}
	for _, it := range items {
		alike[filepath.Base(it.job.Name)]++
	}
	for _, it := range items {
		it.job.Alike = alike[filepath.Base(it.job.Name)] > 1
	}
	return items
}

// worker is one worker process, started when first needed and again after it died.
type worker struct {
	command []string
	timeout time.Duration
	memory  uint64
	lock    *os.File

	cmd  *exec.Cmd
	in   io.WriteCloser
	enc  *json.Encoder
	dec  *json.Decoder
	pipe *os.File
	said *tail
}

func (w *worker) start() error {
	self, err := os.Executable()
	if err != nil {
		return err
	}
	r, out, err := os.Pipe()
	if err != nil {
		return err
	}
	defer out.Close()
	w.said = &tail{}
	w.cmd = &exec.Cmd{
		Path: self, Args: w.command,
		Stdout: w.said, Stderr: w.said,
		// The lock stays held until the last worker is gone, however this process ends.
		ExtraFiles: []*os.File{out, w.lock},
		// Its own group: a Ctrl-C at the terminal reaches this process, which stops the workers itself.
		SysProcAttr: &syscall.SysProcAttr{Setpgid: true},
	}
	if w.in, err = w.cmd.StdinPipe(); err != nil {
		r.Close()
		return err
	}
	if err := w.cmd.Start(); err != nil {
		r.Close()
		return err
	}
	limit := unix.Rlimit{Cur: w.memory, Max: w.memory}
	if err := unix.Prlimit(w.cmd.Process.Pid, unix.RLIMIT_DATA, &limit, nil); err != nil {
		w.pipe = r
		w.kill()
		return fmt.Errorf("its memory cannot be limited: %w", err)
	}
	w.pipe, w.enc, w.dec = r, json.NewEncoder(w.in), json.NewDecoder(r)
	return nil
}

// do has one job done. A worker that dies, hangs or answers nonsense costs this job only.
func (w *worker) do(ctx context.Context, job Job) Outcome {
	o := Outcome{Name: job.Name, File: job.Paths[0], Page: max(1, job.Page)}
	stopped := func() Outcome {
		o.Err = NewError(o.File, "run", errors.New("not done: the run was stopped"), "run again")
		return o
	}
	if ctx.Err() != nil {
		return stopped()
	}
	if w.cmd == nil {
		if err := w.start(); err != nil {
			o.Err = leave(job, NewError(o.File, "machine", fmt.Errorf("the reading process did not start: %w", err), "free some memory, or use fewer --jobs"))
			return o
		}
	}
	if err := w.pipe.SetReadDeadline(time.Now().Add(w.timeout)); err != nil {
		o.Err = leave(job, NewError(o.File, "machine", err, "run again"))
		return o
	}
	w.said.forget()
	pipe := w.pipe
	release := context.AfterFunc(ctx, func() { pipe.SetReadDeadline(time.Now()) })
	defer release()
	err := w.enc.Encode(job)
	var answer Outcome
	if err == nil {
		err = w.dec.Decode(&answer)
	}
	if err == nil {
		return answer
	}
	died := w.kill()
	os.RemoveAll(partFolder(job.Out, job.Name))
	if ctx.Err() != nil {
		return stopped()
	}
	if job.Look {
		return o // as a chart it says so itself
	}
	why, remedy := fmt.Errorf("the reading process ended on this scan (%v)%s", died, w.said), "the file may be damaged: open it in a viewer, then scan the chart again"
	switch {
	case noMemory.MatchString(w.said.String()):
		why, remedy = fmt.Errorf("needs more memory than %d MiB", w.memory>>20), "give it more with --memory, or scan the chart again at 300 dpi"
	case errors.Is(err, os.ErrDeadlineExceeded):
		why, remedy = fmt.Errorf("not read within %v", w.timeout), "give it longer with --timeout, or scan the chart again at 300 dpi"
	}
	o.Err = leave(job, NewError(o.File, "scan", why, remedy))
	return o
}

// noMemory is how Go, the C library, C++ and OpenCV say so.
var noMemory = regexp.MustCompile(`(?i)out of memory|pthread_create failed|cannot allocate memory|std::bad_alloc|insufficient memory`)

// stop lets an idle worker end by itself.
func (w *worker) stop() {
	if w.cmd == nil {
		return
	}
	w.in.Close()
	w.pipe.Close()
	w.cmd.Wait()
	w.cmd = nil
}

// kill ends a worker, if it is not dead yet, and says what it died of.
func (w *worker) kill() (why string) {
	w.cmd.Process.Kill()
	w.in.Close()
	w.pipe.Close()
	w.cmd.Wait()
	why = w.cmd.ProcessState.String()
	w.cmd = nil
	return why
}

// tail keeps the first of what a worker said on its standard error: the cause comes first.
type tail struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.b.Write(p[:min(len(p), max(0, 500-t.b.Len()))])
	return len(p), nil
}

// forget what was said at an earlier job.
func (t *tail) forget() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.b.Reset()
}

// String is empty or begins with a colon, on one line, without the stacks that
// the Go runtime adds.
func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	said, _, _ := strings.Cut(t.b.String(), "PC=")
	said, _, _ = strings.Cut(said, "goroutine ")
	if s := strings.Join(strings.Fields(said), " "); s != "" {
		return ": " + s
	}
	return ""
}
