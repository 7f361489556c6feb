package main

import (
	"context"
	"testing"
	"time"

	"penarm/verify/archive"
)

// A chart scanned in colour at 300 dpi.
const benchScan = "../../testdata/plant/scans/r1-0317.jpg"

// BenchmarkCheck is one chart the whole way in one process, and prints how many
// times longer that takes than decoding the same file in the same run. "warm"
// has plant, form and blank read before, as from the second chart of a run on.
func BenchmarkCheck(b *testing.B) {
	decode := func() time.Duration {
		best := time.Hour
		for range 5 {
			start := time.Now()
			if _, err := opener.Open(benchScan, 1); err != nil {
				b.Fatal(err)
			}
			best = min(best, time.Since(start))
		}
		return best
	}
	for _, step := range []archive.Step{archive.Calibrate, archive.Digitize, archive.Check} {
		for _, start := range []string{"warm", "cold"} {
			b.Run(string(step)+"/"+start, func(b *testing.B) {
				job := archive.Job{
					Step: step, Name: "r1-0317", Paths: []string{benchScan}, Page: 1,
					Plant: "../../testdata/plant/plant.yaml", Out: b.TempDir(),
				}
				c := archive.NewChecker(opener)
				do := func() {
					if o := c.Do(context.Background(), job); o.Err != nil {
						b.Fatal(o.Err)
					}
				}
				if start == "warm" {
					do()
				}
				once := decode()
				for b.Loop() {
					if start == "cold" {
						c = archive.NewChecker(opener)
					}
					do()
				}
				b.ReportMetric(float64(b.Elapsed())/float64(b.N)/float64(once), "decodes/op")
			})
		}
	}
}
