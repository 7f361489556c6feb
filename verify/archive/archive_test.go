package archive

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"penarm/calibrate/picture"
	"penarm/verify"
)

// TestMain makes this test program its own worker. Its scans are text files that
// say how reading them goes wrong.
func TestMain(m *testing.M) {
	switch os.Args[0] {
	case "fake-worker":
	case "fake-review":
		fakeReview()
	default:
		os.Exit(m.Run())
	}
	open := func(path string, page int) (*picture.Picture, error) {
		b, err := os.ReadFile(path)
		if err != nil {
			return nil, err
		}
		switch word := strings.TrimSpace(string(b)); word {
		case "abort": // as a C++ exception ends a process
			os.Stderr.WriteString("terminate called after throwing\n an instance\n")
			syscall.Kill(os.Getpid(), syscall.SIGABRT)
			select {}
		case "hang":
			select {}
		case "slow":
			time.Sleep(30 * time.Millisecond)
			return nil, errors.New(path + ": cannot read slow")
		case "greedy":
			var all [][]byte
			for range 64 {
				b := make([]byte, 32<<20)
				for i := 0; i < len(b); i += 4096 {
					b[i] = 1
				}
				all = append(all, b)
			}
			return nil, fmt.Errorf("%d", len(all))
		case "panic":
			var none *picture.Picture
			return nil, errors.New(string(rune(none.Width)))
		default:
			return nil, errors.New(path + ": cannot read " + word)
		}
	}
	pages := func(path string) (int, error) {
		if strings.HasSuffix(path, ".pdf") {
			return 3, nil
		}
		return 1, nil
	}
	if err := Serve(context.Background(), Opener{Pages: pages, Open: open}, os.Stdin, os.NewFile(3, "outcomes")); err != nil {
		os.Exit(9)
	}
	os.Exit(0)
}

const demoPlant = "../../testdata/plant/plant.yaml"

func batch(t *testing.T, files map[string]string, order ...string) (Batch, string) {
	t.Helper()
	in, out := t.TempDir(), t.TempDir()
	b := Batch{
		Job:     Job{Step: Check, Plant: demoPlant, Out: out},
		Timeout: time.Minute, Worker: []string{"fake-worker"},
	}
	for _, name := range order {
		path := filepath.Join(in, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o777))
		if text, ok := files[name]; ok {
			require.NoError(t, os.WriteFile(path, []byte(text), 0o666))
		}
		b.Scans = append(b.Scans, path)
	}
	return b, out
}

func errorOf(t *testing.T, out, name string) Error {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(out, name, "error.json"))
	require.NoError(t, err)
	var e Error
	require.NoError(t, json.Unmarshal(data, &e))
	require.Equal(t, "penarm.error/1", e.Schema)
	for _, s := range []string{e.File, e.Place, e.Reason, e.Remedy} {
		require.NotEmpty(t, s)
	}
	return e
}

func TestADeadWorkerCostsOneScan(t *testing.T) {
	for _, jobs := range []int{1, 2} {
		b, out := batch(t, map[string]string{"1.jpg": "one", "2.jpg": "abort", "3.jpg": "panic", "4.jpg": "four"},
			"1.jpg", "2.jpg", "3.jpg", "4.jpg")
		b.Jobs = jobs
		got, err := Run(context.Background(), b)
		require.NoError(t, err)
		require.Len(t, got, 4)
		require.Equal(t, 3, Status(got))
		for i, want := range []string{"cannot read one", "the reading process ended on this scan", "unexpected fault: runtime error", "cannot read four"} {
			require.Equal(t, string(rune('1'+i)), got[i].Name, "outcomes stand in the order of the scans")
			require.Contains(t, errorOf(t, out, got[i].Name).Reason, want)
			require.Contains(t, got[i].Err.Reason, want)
		}
		require.Contains(t, got[1].Err.Reason, "terminate called after throwing an instance")
		left, err := filepath.Glob(filepath.Join(out, ".*"))
		require.NoError(t, err)
		require.Empty(t, left, "nothing half-written stays")
	}
}

func TestAHangingScanIsGivenUp(t *testing.T) {
	b, out := batch(t, map[string]string{"1.jpg": "hang", "2.jpg": "two"}, "1.jpg", "2.jpg")
	b.Jobs, b.Timeout = 1, 3*time.Second
	_, err := Run(context.Background(), b)
	require.NoError(t, err)
	require.Contains(t, errorOf(t, out, "1").Reason, "not read within 3s")
	require.Contains(t, errorOf(t, out, "2").Reason, "cannot read two")
}

func TestAStoppedRunLeavesNothingForScansNotDone(t *testing.T) {
	b, out := batch(t, map[string]string{"1.jpg": "one", "2.jpg": "hang", "3.jpg": "three"}, "1.jpg", "2.jpg", "3.jpg")
	ctx, stop := context.WithCancel(context.Background())
	b.Jobs, b.Done = 1, func(Outcome) { stop() }
	got, err := Run(ctx, b)
	require.NoError(t, err)
	require.Len(t, got, 3)
	errorOf(t, out, "1")
	for _, i := range []int{1, 2} {
		require.Contains(t, got[i].Err.Reason, "stopped")
		require.NoFileExists(t, filepath.Join(out, got[i].Name, "error.json"))
	}
}

func TestPagesAreChartsOfTheirOwn(t *testing.T) {
	b, out := batch(t, map[string]string{"day.pdf": "pages", "day-p2.jpg": "two"}, "day.pdf", "day-p2.jpg")
	got, err := Run(context.Background(), b)
	require.NoError(t, err)
	var names []string
	for _, o := range got {
		names = append(names, o.Name)
	}
	require.Equal(t, []string{"day-p1", "day.pdf-p2", "day-p3", "day-p2"}, names)
	require.Contains(t, got[1].Err.Reason, "its name day-p2 is that of another scan")
	require.Contains(t, errorOf(t, out, "day-p2").Reason, "cannot read two", "the page did not overwrite the scan's")
	require.Equal(t, 3, got[2].Page)
}

func TestScansUnderOneNameAreRefused(t *testing.T) {
	b, out := batch(t, map[string]string{"a/1.jpg": "x", "b/1.png": "y", "2.jpg": "two"}, "a/1.jpg", "b/1.png", "2.jpg")
	b.Scans = append(b.Scans, b.Scans[2]) // the very same path twice is one scan
	require.NoError(t, os.MkdirAll(filepath.Join(out, "1"), 0o777))
	require.NoError(t, os.WriteFile(filepath.Join(out, "1", "findings.json"), []byte("earlier"), 0o666))
	got, err := Run(context.Background(), b)
	require.NoError(t, err)
	require.Len(t, got, 3)
	for _, o := range got[:2] {
		require.Contains(t, o.Err.Reason, b.Scans[0])
		require.Contains(t, o.Err.Reason, b.Scans[1])
	}
	earlier, err := os.ReadFile(filepath.Join(out, "1", "findings.json"))
	require.NoError(t, err)
	require.Equal(t, "earlier", string(earlier))
	errorOf(t, out, "2")
}

func TestNamesAndHalves(t *testing.T) {
	for path, want := range map[string][2]string{
		"x/0001.jpg": {"0001", ""}, "0007.a.jpg": {"0007", "a"}, "0007.b.jpg": {"0007", "b"}, "a.c.jpg": {"a.c", ""}, ".a.jpg": {".a", ""},
	} {
		name, part := nameOf(path)
		require.Equal(t, want, [2]string{name, part}, path)
	}
	var scans []scan
	for _, path := range []string{"7.a.jpg", "7.b.jpg", "8.a.jpg", "...jpg", ".jpg", "9.a.jpg", "9.jpg"} {
		scans = append(scans, scan{path: path})
	}
	items := plan(Job{}, scans)
	require.Len(t, items, 6)
	require.Equal(t, []string{"7.a.jpg", "7.b.jpg"}, items[0].job.Paths)
	require.Nil(t, items[1].refused)
	for _, it := range items[2:] {
		require.NotNil(t, it.refused, it.job.Paths[0])
	}
}

func TestCommitReplacesWholeOrNotAtAll(t *testing.T) {
	out := t.TempDir()
	read := func(name string) string {
		b, err := os.ReadFile(filepath.Join(out, "1", name))
		require.NoError(t, err)
		return string(b)
	}
	require.NoError(t, commit(out, "1", Check, []file{{"series.csv", []byte("old")}, {"report.pdf", []byte("old")}}))
	require.NoError(t, commitError(Job{Out: out, Name: "1", Step: Check}, NewError("1.jpg", "scan", errors.New("bad"), "scan again")))
	errorOf(t, out, "1")
	require.NoFileExists(t, filepath.Join(out, "1", "series.csv"), "no mix of two runs")

	require.NoError(t, commit(out, "1", Check, []file{{"series.csv", []byte("new")}}))
	require.Error(t, commit(out, "1", Check, []file{{"series.csv", []byte("newer")}, {"no/such/folder", nil}}))
	require.Equal(t, "new", read("series.csv"), "a failed write leaves the earlier result")

	// What a killed run left half-written is cleared.
	require.NoError(t, os.MkdirAll(partFolder(out, "1"), 0o777))
	require.NoError(t, os.WriteFile(filepath.Join(partFolder(out, "1"), "series.csv"), []byte("ha"), 0o666))
	require.NoError(t, commit(out, "1", Check, []file{{"series.csv", []byte("whole")}}))
	require.Equal(t, "whole", read("series.csv"))
	list, err := os.ReadDir(out)
	require.NoError(t, err)
	require.Len(t, list, 1)

	require.NoError(t, os.WriteFile(filepath.Join(out, "1", "diary.txt"), nil, 0o666))
	require.ErrorContains(t, commit(out, "1", Check, nil), "diary.txt", "a stranger's folder is never replaced")
	require.Equal(t, "whole", read("series.csv"))
}

func TestTwoRunsDoNotShareAFolder(t *testing.T) {
	out := filepath.Join(t.TempDir(), "new", "OUT")
	lock, err := prepare(out)
	require.NoError(t, err)
	_, err = prepare(out)
	require.ErrorContains(t, err, "another run")
	lock.Close()
	lock, err = prepare(out)
	require.NoError(t, err)
	lock.Close()
}

func TestStatus(t *testing.T) {
	p, f, u, e := Outcome{Verdict: verify.Pass}, Outcome{Verdict: verify.Fail}, Outcome{Verdict: verify.Undecided}, Outcome{Err: &Error{}}
	for _, c := range []struct {
		want int
		all  []Outcome
	}{{0, nil}, {0, []Outcome{p, p}}, {1, []Outcome{p, f, u}}, {1, []Outcome{u, f}}, {2, []Outcome{p, u}}, {3, []Outcome{f, e, p}}, {0, []Outcome{{}}}} {
		require.Equal(t, c.want, Status(c.all))
	}
}

func TestServeEndsWithItsJobs(t *testing.T) {
	err := Serve(context.Background(), Opener{}, strings.NewReader(""), nil)
	require.NoError(t, err)
	err = Serve(context.Background(), Opener{}, strings.NewReader("junk"), nil)
	require.Error(t, err)
}
