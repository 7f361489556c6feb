package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/digitize/series"
	"penarm/testdata/render"
	"penarm/verify"
	"penarm/verify/archive"
)

// readings gathers how far what was read is off what was drawn, over charts of one kind.
type readings struct {
	holds         []float64 // rms of each chart's holds, mm
	off           []float64 // of all samples in holds, mm
	length        []float64 // of holds, s
	inside, seen  float64   // samples of the drawn line within ±2 u, and all
	traced, drawn float64   // the same in holds: on the line, and all
	wild, read    float64   // samples read more than 2 degrees and 2 minutes off all that the pen drew, and all
}

// Charts with every kind of scan, a mishap each, are read from the file to the verdict: never is a verdict given that the drawn line
// denies, hardly ever is one left to a person that the line decides, and readings are as near as they say.
func TestDrawnChartsAreReadAsDrawn(t *testing.T) {
	t.Parallel()
	const charts = 12 // one of each kind of scan
	dir := t.TempDir()
	require.NoError(t, render.WriteSet(dir, 90125, charts, "F", nil))
	var easy, hard readings // in colour on a flatbed, and all others
	open := 0
	c := archive.NewChecker(opener)
	for i := range charts {
		var truth render.Truth
		data, err := os.ReadFile(filepath.Join(dir, "truth", fmt.Sprintf("%04d.truth.json", i+1)))
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(data, &truth))
		what := fmt.Sprintf("%s: %s, %s", truth.Scan, strings.Join(truth.Scenario, "+"), strings.Join(truth.ScanTags, ", "))
		name := strings.TrimSuffix(truth.Scan, filepath.Ext(truth.Scan))
		out := c.Do(context.Background(), archive.Job{Step: archive.Check, Name: name, Paths: []string{filepath.Join(dir, "scans", truth.Scan)},
			Page: 1, Plant: filepath.Join(dir, "plant.yaml"), Out: filepath.Join(dir, "out")})
		require.Nil(t, out.Err, what)
		undecided := false
		judge := func(fair map[string][]string, given []verify.Check) {
			for check, may := range fair {
				at := slices.IndexFunc(given, func(c verify.Check) bool { return c.Check == check })
				require.GreaterOrEqual(t, at, 0, "%s: no %s", what, check)
				if v := given[at].Verdict; v != verify.Undecided {
					assert.Contains(t, may, string(v), "%s: %s", what, check)
				} else if !slices.Contains(may, string(v)) {
					t.Logf("%s: %s: %s", what, check, given[at].Reason)
					undecided = true
				}
			}
		}
		kind := &easy
		if truth.Difficulty == "hard" {
			kind = &hard
		}
		judge(truth.Checks, out.Findings.Checks)
		require.Len(t, out.Findings.Batches, len(truth.Batches), what)
		for k, b := range truth.Batches {
			f := out.Findings.Batches[k]
			judge(b.Checks, f.Checks)
			if b.Hold != nil && f.Hold != nil && b.Hold.Minutes > 5 && b.GapsAbove == b.GapsBelow {
				kind.length = append(kind.length, 60*math.Abs(f.Hold.Minutes-b.Hold.Minutes))
			}
		}
		if undecided {
			open++
		}
		file, err := os.Open(filepath.Join(dir, "out", name, "series.csv"))
		require.NoError(t, err)
		read, err := series.Read(file)
		require.NoError(t, err)
		require.NoError(t, file.Close())
		before := len(kind.off)
		for _, pen := range truth.Pens {
			at := slices.IndexFunc(read, func(s series.Series) bool { return s.Pen == pen.Pen })
			require.GreaterOrEqual(t, at, 0, what)
			kind.compare(t, &truth, &pen, read[at])
		}
		if now := kind.off[before:]; len(now) > 0 {
			kind.holds = append(kind.holds, rms(now))
		}
	}
	assert.LessOrEqual(t, open, 1, "charts left to a person")
	for _, k := range []struct {
		name     string
		of       *readings
		mm, wild float64 // of a hold, rms: 0.04 and 0.06 °F on a 12 h form at 200 dpi; share, not bounded where two pens write one ink
	}{{"easy", &easy, 0.025, 0.005}, {"hard", &hard, 0.035, 1}} {
		r := k.of
		slices.Sort(r.holds)
		slices.Sort(r.length)
		bias := 0.0
		for _, d := range r.off {
			bias += d / float64(len(r.off))
		}
		t.Logf("%s: holds %.4f mm rms, bias %.4f mm, %.3f inside 2 u, %.4f of holds traced, %.4f wild; lengths of holds off by %.1f s, one in ten by %.1f s",
			k.name, r.holds[len(r.holds)/2], bias, r.inside/r.seen, r.traced/r.drawn, r.wild/r.read, r.length[len(r.length)/2], r.length[len(r.length)*9/10])
		assert.LessOrEqual(t, r.holds[len(r.holds)/2], k.mm, k.name)
		assert.InDelta(t, 0, bias, 0.006, k.name)                // a third of the usual uncertainty
		assert.InDelta(t, 0.965, r.inside/r.seen, 0.035, k.name) // 0.95 of many lines (JCGM 100:2008, 6.3.3); of few more or less
		assert.GreaterOrEqual(t, r.traced/r.drawn, 0.98, k.name)
		assert.LessOrEqual(t, r.wild/r.read, k.wild, k.name)
		assert.LessOrEqual(t, r.length[len(r.length)/2], 2.5, k.name)
		assert.LessOrEqual(t, r.length[len(r.length)*9/10], 8.0, k.name)
	}
}

func rms(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x * x
	}
	return math.Sqrt(sum / float64(len(v)))
}

// compare holds one pen's samples against its drawn line.
func (r *readings) compare(t *testing.T, truth *render.Truth, pen *render.TruthPen, read series.Series) {
	start, err := time.Parse("2006-01-02T15:04:05", truth.Start)
	require.NoError(t, err)
	seconds := func(s series.Sample) float64 { return s.Time.Sub(start).Seconds() }
	in := func(at float64) bool {
		return slices.ContainsFunc(truth.Batches, func(b render.TruthBatch) bool {
			return b.Hold != nil && b.Hold.Minutes > 5 && at >= b.Hold.Start && at <= b.Hold.End
		})
	}
	for i := 1; i+1 < len(pen.T); i++ {
		if pen.Flag[i] != '0' || pen.Gap[i] != '0' {
			continue
		}
		held := in(pen.T[i])
		if held {
			r.drawn++
		}
		at := start.Add(time.Duration(pen.T[i] * float64(time.Second)))
		v, ok := read.At(at, false)
		if !ok {
			continue
		}
		k := sort.Search(len(read.Samples), func(k int) bool { return !read.Samples[k].Time.Before(at) })
		s := read.Samples[min(k, len(read.Samples)-1)]
		slope := (pen.Value[i+1] - pen.Value[i-1]) / math.Max(1, pen.T[i+1]-pen.T[i-1]) // degrees a second
		off := v - pen.Value[i]
		r.seen++
		if math.Abs(off) <= 2*math.Hypot(s.UTemperature, slope*s.UTime) {
			r.inside++
		}
		if mm := off * truth.MMPerDegree; held && math.Abs(mm) < 1 {
			r.off, r.traced = append(r.off, mm), r.traced+1
		}
	}
	const late, far = 120, 2 // s, degrees
	for _, s := range read.Samples {
		if s.Quality == series.Gap {
			continue
		}
		r.read++
		low, high := math.Inf(1), math.Inf(-1)
		for i := sort.SearchFloat64s(pen.T, seconds(s)-late); i < len(pen.T) && pen.T[i] <= seconds(s)+late; i++ {
			low, high = math.Min(low, pen.Value[i]), math.Max(high, pen.Value[i])
		}
		if low <= high && (s.Temperature < low-far || s.Temperature > high+far) {
			r.wild++
		}
	}
}
