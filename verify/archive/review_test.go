package archive

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"penarm/verify/archive/ledger"
)

// review0 reviews the folder with the scans of TestMain's worker.
func review0(dir, out string) Review {
	return Review{
		Plant: demoPlant, Out: out, Dirs: []string{dir}, Jobs: 2, Timeout: time.Minute, Worker: []string{"fake-worker"},
		Today: time.Date(2026, 3, 4, 0, 0, 0, 0, time.UTC),
	}
}

// fakeReview is a process to be killed: arguments are the folder and the output. It
// prints a line for every scan that is done.
func fakeReview() {
	r := review0(os.Args[1], os.Args[2])
	r.Progress = func(p Progress) { fmt.Println(p.Done) }
	if _, err := RunReview(context.Background(), r); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(4)
	}
	os.Exit(0)
}

func tree(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "north")
	for name, text := range files {
		path := filepath.Join(dir, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o777))
		require.NoError(t, os.WriteFile(path, []byte(text), 0o666))
	}
	return dir
}

// filed lists the charts of a ledger, and holds that each has its folder and nothing else is there.
func filed(t *testing.T, out string) []string {
	t.Helper()
	l, err := ledger.Read(context.Background(), filepath.Join(out, LedgerFile))
	require.NoError(t, err)
	defer l.Close()
	var names []string
	require.NoError(t, l.Each(context.Background(), ledger.Filter{}, func(r ledger.Row) error {
		names = append(names, r.Chart)
		errorOf(t, filepath.Join(out, chartsDir), r.Chart)
		return nil
	}))
	slices.Sort(names)
	return names
}

// folders lists every folder below charts that holds a result, and fails on what is half-written.
func folders(t *testing.T, out string) (names []string) {
	t.Helper()
	top := filepath.Join(out, chartsDir)
	require.NoError(t, filepath.WalkDir(top, func(path string, d os.DirEntry, err error) error {
		require.NoError(t, err)
		require.False(t, strings.HasPrefix(d.Name(), ".part"), path)
		if !d.IsDir() {
			rel, err := filepath.Rel(top, filepath.Dir(path))
			require.NoError(t, err)
			names = append(names, rel)
		}
		return nil
	}))
	slices.Sort(names)
	return names
}

// Killed at any instant, it goes on where it was.
func TestKillsLoseAndDoubleNothing(t *testing.T) {
	files := map[string]string{}
	for i := range 60 {
		files[fmt.Sprintf("%d/%02d.jpg", i%3, i)] = "slow"
	}
	dir, out := tree(t, files), filepath.Join(t.TempDir(), "REVIEW")
	self, err := os.Executable()
	require.NoError(t, err)
	rng := rand.New(rand.NewPCG(20, 26))
	before := 0
	for range 20 {
		cmd := &exec.Cmd{Path: self, Args: []string{"fake-review", dir, out}, Stderr: os.Stderr}
		said, err := cmd.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		lines := bufio.NewScanner(said)
		for range before + rng.IntN(4) { // those done before are told at once
			if !lines.Scan() {
				break
			}
		}
		time.Sleep(time.Duration(rng.IntN(40)) * time.Millisecond)
		cmd.Process.Signal(syscall.SIGKILL)
		cmd.Wait()
		if _, err := os.Stat(filepath.Join(out, LedgerFile)); err != nil {
			continue // killed before it began
		}
		l, err := ledger.Open(context.Background(), filepath.Join(out, LedgerFile))
		require.NoError(t, err)
		done, err := l.Done(context.Background())
		require.NoError(t, err)
		require.NoError(t, l.Close())
		require.GreaterOrEqual(t, len(done), before, "what was done stays done")
		before = len(done)
		for name := range done {
			errorOf(t, filepath.Join(out, chartsDir), name)
		}
	}
	require.Positive(t, before)
	s, err := RunReview(context.Background(), review0(dir, out))
	require.NoError(t, err)
	require.Equal(t, before, s.Skipped)
	require.Equal(t, 60, s.Done+s.Skipped)
	require.Equal(t, 60, s.Unread)
	names := filed(t, out)
	require.Len(t, slices.Compact(slices.Clone(names)), 60)
	require.Equal(t, names, folders(t, out))
	require.FileExists(t, filepath.Join(out, PageFile))
}

func TestOnlyWhatChangedIsDoneAgain(t *testing.T) {
	dir, out := tree(t, map[string]string{"1.jpg": "one", "2.jpg": "two", "sub/day.pdf": "pages", "note.txt": ""}), t.TempDir()
	r := review0(dir, out)
	run := func(done, skipped, stale int) {
		t.Helper()
		s, err := RunReview(context.Background(), r)
		require.NoError(t, err)
		require.Equal(t, []int{done, skipped, stale}, []int{s.Done, s.Skipped, s.Stale})
		require.Equal(t, 1, s.Others)
		require.Equal(t, []string{"north/1", "north/2", "north/sub/day-p1", "north/sub/day-p2", "north/sub/day-p3"}, filed(t, out))
	}
	run(3, 0, 0)
	run(0, 3, 0)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "2.jpg"), []byte("too"), 0o666))
	run(1, 2, 0)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "sub", "day-p2.entries.yaml"), []byte("operator: A. B.\n"), 0o666))
	run(1, 2, 0)
	require.NoError(t, os.RemoveAll(filepath.Join(out, chartsDir, "north", "1")))
	run(1, 2, 0) // its result is gone
	r.Recorder = "R1"
	run(0, 3, 3)
	r.Redo = true
	run(3, 0, 0)
	run(0, 3, 0)
	r.Redo, r.Lower = false, true
	run(0, 3, 3)
}

func TestHostileTree(t *testing.T) {
	dir, out := tree(t, map[string]string{
		"1.jpg": "one", "2.jpg": "abort", "new\nline.png": "x", "twice.jpg": "x", "twice.png": "y", "year.jpg": "x", "year/3.jpg": "three",
		".hidden.jpg": "x", "empty.tif": "", "REVIEW/charts/old.jpg": "x",
	}), ""
	out = filepath.Join(dir, "REVIEW") // inside what is reviewed
	require.NoError(t, syscall.Mkfifo(filepath.Join(dir, "pipe.jpg"), 0o666))
	require.NoError(t, os.Symlink("loop.jpg", filepath.Join(dir, "loop.jpg")))
	require.NoError(t, os.Symlink("..", filepath.Join(dir, "up")))
	for range 2 {
		s, err := RunReview(context.Background(), review0(dir, out))
		require.NoError(t, err)
		require.Equal(t, map[string]string{filepath.Join(dir, "up"): "is a symbolic link to a folder, which is not followed"}, s.Refused)
		want := []string{"north/1", "north/2", "north/empty", "north/loop", "north/new\nline", "north/pipe",
			"north/twice.jpg", "north/twice.png", "north/year.jpg", "north/year/3"}
		require.Equal(t, want, filed(t, out))
	}
	require.Contains(t, errorOf(t, filepath.Join(out, chartsDir), "north/pipe").Reason, "not an ordinary file")
	require.Contains(t, errorOf(t, filepath.Join(out, chartsDir), "north/2").Reason, "ended on this scan")

	// A clash that is mended leaves one row, and a scan that is taken away none.
	require.NoError(t, os.Remove(filepath.Join(dir, "twice.png")))
	require.NoError(t, os.Remove(filepath.Join(dir, "1.jpg")))
	_, err := RunReview(context.Background(), review0(dir, out))
	require.NoError(t, err)
	names := filed(t, out)
	require.Contains(t, names, "north/twice")
	require.NotContains(t, names, "north/twice.jpg")
	require.NotContains(t, names, "north/1")
}

func TestTheNumberOfWorkersDoesNotShow(t *testing.T) {
	files := map[string]string{}
	for i := range 24 {
		files[fmt.Sprintf("%d/%02d.jpg", i%2, i)] = []string{"one", "slow", "panic"}[i%3]
	}
	dir := tree(t, files)
	var pages []string
	for _, jobs := range []int{1, 3} {
		r := review0(dir, t.TempDir())
		r.Jobs = jobs
		_, err := RunReview(context.Background(), r)
		require.NoError(t, err)
		page, err := os.ReadFile(filepath.Join(r.Out, PageFile))
		require.NoError(t, err)
		pages = append(pages, string(page))
		require.Equal(t, folders(t, r.Out), filed(t, r.Out))
	}
	require.Equal(t, pages[0], pages[1])
}

func TestAStoppedReviewGoesOn(t *testing.T) {
	dir, out := tree(t, map[string]string{"1.jpg": "one", "2.jpg": "hang", "3.jpg": "three"}), t.TempDir()
	ctx, stop := context.WithCancel(context.Background())
	r := review0(dir, out)
	r.Jobs, r.Chart = 1, func(Outcome) { stop() }
	s, err := RunReview(ctx, r)
	require.NoError(t, err)
	require.True(t, s.Stopped)
	require.Equal(t, []string{"north/1"}, filed(t, out))
	require.Equal(t, 3, s.Status())
	require.FileExists(t, filepath.Join(out, PageFile), "what is known is shown")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "2.jpg"), []byte("two"), 0o666))
	r.Chart = nil
	s, err = RunReview(context.Background(), r)
	require.NoError(t, err)
	require.Equal(t, []int{2, 1}, []int{s.Done, s.Skipped})
}

func TestAScanThatTakesAllMemoryCostsOneScan(t *testing.T) {
	dir, out := tree(t, map[string]string{"1.jpg": "greedy", "2.jpg": "two"}), t.TempDir()
	r := review0(dir, out)
	r.Jobs, r.Memory = 1, 512<<20
	s, err := RunReview(context.Background(), r)
	require.NoError(t, err)
	require.Equal(t, 2, s.Unread)
	require.Contains(t, errorOf(t, filepath.Join(out, chartsDir), "north/1").Reason, "needs more memory than 512 MiB")
	require.Contains(t, errorOf(t, filepath.Join(out, chartsDir), "north/2").Reason, "cannot read two")
}

func TestFoldersOfOneNameAreToldApart(t *testing.T) {
	a, b := tree(t, map[string]string{"1.jpg": "one"}), tree(t, map[string]string{"1.jpg": "two"})
	r := review0(a, t.TempDir())
	r.Dirs = append(r.Dirs, b)
	_, err := RunReview(context.Background(), r)
	require.ErrorContains(t, err, "both end in north")
	r.Dirs[1] = filepath.Join(a, "none")
	_, err = RunReview(context.Background(), r)
	require.ErrorContains(t, err, "no such folder")
}

func TestALedgerThatCannotBeWrittenIsOneError(t *testing.T) {
	dir, out := tree(t, map[string]string{"1.jpg": "one"}), t.TempDir()
	require.NoError(t, os.Mkdir(filepath.Join(out, LedgerFile), 0o777))
	_, err := RunReview(context.Background(), review0(dir, out))
	require.ErrorContains(t, err, "ledger.db")
	require.NoDirExists(t, filepath.Join(out, chartsDir))
}

func TestWatchReadsWhatHasSettled(t *testing.T) {
	dir, out := tree(t, map[string]string{"1.jpg": "one"}), t.TempDir()
	s := settling{after: time.Minute, since: map[string]sighting{}}
	r := review0(dir, out)
	now := time.Date(2026, 3, 4, 8, 0, 0, 0, time.UTC)
	path := filepath.Join(dir, "1.jpg")
	first := s.look(r, now)
	require.False(t, s.ready(path))
	later := s.look(r, now.Add(time.Minute))
	require.True(t, s.ready(path))
	require.NotEqual(t, first, later)
	require.Equal(t, later, s.look(r, now.Add(2*time.Minute)), "nothing new")
	require.NoError(t, os.WriteFile(path, []byte("longer"), 0o666))
	s.look(r, now.Add(3*time.Minute))
	require.False(t, s.ready(path), "it grows")

	ctx, stop := context.WithCancel(context.Background())
	var seen []string
	r.Chart = func(o Outcome) { seen = append(seen, o.Name) }
	err := Watch(ctx, r, 10*time.Millisecond, 30*time.Millisecond, func(s Summary, err error) {
		require.NoError(t, err)
		if len(seen) == 1 && s.Done == 1 {
			require.NoError(t, os.WriteFile(filepath.Join(dir, "2.jpg"), []byte("two"), 0o666))
		}
		if len(seen) == 2 {
			stop()
		}
	})
	require.NoError(t, err)
	require.Equal(t, []string{"north/1", "north/2"}, seen)
}
