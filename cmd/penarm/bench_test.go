package main

import (
	"context"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"penarm/calibrate"
	"penarm/calibrate/form"
	"penarm/digitize"
	"penarm/verify/archive"
)

// A chart scanned in colour at 300 dpi.
const benchScan = "../../testdata/plant/scans/r1-0317.jpg"

// decode is the best of five times that opening a scan takes.
func decode(b *testing.B, path string) time.Duration {
	best := time.Hour
	for range 5 {
		start := time.Now()
		if _, err := opener.Open(path, 1); err != nil {
			b.Fatal(err)
		}
		best = min(best, time.Since(start))
	}
	return best
}

// inDecodes runs a step, and the decoding of the chart's scan by turns with it, so that both have the machine as it
// is. "decodes/op" is how many times longer the step takes.
func inDecodes(b *testing.B, do func() error) {
	once := time.Duration(0)
	for b.Loop() {
		if err := do(); err != nil {
			b.Fatal(err)
		}
		b.StopTimer()
		start := time.Now()
		if _, err := opener.Open(benchScan, 1); err != nil {
			b.Fatal(err)
		}
		once += time.Since(start)
		b.StartTimer()
	}
	b.ReportMetric(float64(b.Elapsed())/float64(once), "decodes/op")
}

// BenchmarkStep is each step of reading a chart alone on one core, from the decoded picture on: ReadBlank, once a
// form, Fit and Trace.
func BenchmarkStep(b *testing.B) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	ctx := context.Background()
	f, err := form.Load("../../testdata/plant/forms/D-1230/form.yaml")
	if err != nil {
		b.Fatal(err)
	}
	unused, err := opener.Open(f.Blank.Image, 1)
	if err != nil {
		b.Fatal(err)
	}
	pic, err := opener.Open(benchScan, 1)
	if err != nil {
		b.Fatal(err)
	}
	var blank *calibrate.Blank
	var face *calibrate.Face
	for _, step := range []struct {
		name string
		do   func() error
	}{
		{"blank", func() (err error) { blank, err = calibrate.ReadBlank(ctx, unused, f); return err }},
		{"fit", func() (err error) {
			face, err = calibrate.Fit(ctx, calibrate.Problem{Picture: pic, Form: f, Blank: blank})
			return err
		}},
		{"trace", func() error {
			_, err := digitize.Trace(ctx, digitize.Problem{Picture: pic, Face: face, Pens: []digitize.Pen{{Name: "product", Ink: "blue"}}})
			return err
		}},
	} {
		if err := step.do(); err != nil { // the next step has what it needs, whichever is asked for
			b.Fatal(err)
		}
		b.Run(step.name, func(b *testing.B) {
			inDecodes(b, step.do)
		})
	}
}

// BenchmarkCheck is one chart the whole way in one process. "warm" has plant, form and blank read before, as from the
// second chart of a run on.
func BenchmarkCheck(b *testing.B) {
	for _, step := range []archive.Step{archive.Calibrate, archive.Digitize, archive.Check} {
		for _, start := range []string{"warm", "cold"} {
			b.Run(string(step)+"/"+start, func(b *testing.B) {
				job := archive.Job{
					Step: step, Name: "r1-0317", Paths: []string{benchScan}, Page: 1,
					Plant: "../../testdata/plant/plant.yaml", Out: b.TempDir(),
				}
				c := archive.NewChecker(opener)
				do := func() error {
					if o := c.Do(context.Background(), job); o.Err != nil {
						return o.Err
					}
					return nil
				}
				if start == "warm" {
					require.NoError(b, do())
				}
				inDecodes(b, func() error {
					if start == "cold" {
						c = archive.NewChecker(opener)
					}
					return do()
				})
			})
		}
	}
}

// BenchmarkArchive is a whole run over the demo's charts, several times each, with one
// worker process: charts a minute on one core, and how many times longer a chart takes
// than decoding it.
func BenchmarkArchive(b *testing.B) {
	const times = 4
	const plant = "../../testdata/plant/"
	scans, err := filepath.Glob(plant + "scans/*")
	if err != nil {
		b.Fatal(err)
	}
	dir := b.TempDir()
	charts, once := 0, time.Duration(0)
	for _, path := range scans {
		data, err := os.ReadFile(path)
		if err != nil {
			b.Fatal(err)
		}
		for i := range times {
			folder := filepath.Join(dir, strconv.Itoa(i))
			if err := os.MkdirAll(folder, 0o777); err != nil {
				b.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(folder, filepath.Base(path)), data, 0o666); err != nil {
				b.Fatal(err)
			}
		}
		if filepath.Ext(path) != ".yaml" {
			charts += times
			once += times * decode(b, path)
		}
	}
	for b.Loop() {
		s, err := archive.RunReview(context.Background(), archive.Review{
			Plant: plant + "plant.yaml", Out: b.TempDir(), Dirs: []string{dir}, Jobs: 1,
			Worker: []string{"penarm", "worker"}, Today: time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC),
		})
		if err != nil || s.Done != charts || s.Unread > 0 {
			b.Fatal(s, err)
		}
	}
	b.ReportMetric(float64(charts*b.N)/b.Elapsed().Minutes(), "charts/min")
	b.ReportMetric(float64(b.Elapsed())/float64(b.N)/float64(once), "decodes/chart")
}
