package ledger

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"penarm/verify"
)

var ctx = context.Background()

func opened(t testing.TB, path string) *Ledger {
	t.Helper()
	l, err := Open(ctx, path)
	require.NoError(t, err)
	t.Cleanup(func() { l.Close() })
	return l
}

// chart has one batch whose hold is of so many minutes, and one written reading.
func chart(name, vat, date string, verdict verify.Verdict, minutes float64) Chart {
	limit, measured := 30.0, minutes
	return Chart{
		Name: name, Page: 1, Decided: "batch 1 hold",
		Findings: &verify.Findings{
			Recorder: "R-" + vat, ChartDate: date, Verdict: verdict,
			Batches: []verify.Batch{{
				Batch: "1", Product: "whole milk", Legal: 145, Verdict: verdict,
				Hold: &verify.Hold{Minutes: minutes, UMinutes: 0.1, Lowest: 145.2, ULowest: 0.1},
				Checks: []verify.Check{
					{Check: "hold", Verdict: verdict, Measured: &measured, Limit: &limit, Unit: "min", Counts: true},
					{Check: "cooling", Verdict: verify.Fail, Unit: "min"},
				},
			}},
			Checks: []verify.Check{{Check: "record", Verdict: verify.Pass, Counts: true}},
		},
		Extract: &Extract{
			Plant: "Quillmere Dairy", Vat: vat, Unit: "F", From: date + "T06:00:00", To: date + "T08:00:00",
			Trace:    Trace{380, NoInk, 1450, -5},
			Readings: []Reading{{Position: 1, Kind: "indicating", At: date + "T07:00:00", Reads: 146}, {Position: 1, Kind: "airspace", At: date + "T07:00:00", Reads: 151}},
		},
	}
}

func put(t *testing.T, l *Ledger, scan string, charts ...Chart) {
	t.Helper()
	require.NoError(t, l.Put(ctx, Scan{Name: scan, File: "/in/" + scan, SHA256: scan, Done: time.Unix(0, 0)}, charts))
}

func listed(t *testing.T, l *Ledger, f Filter) []string {
	t.Helper()
	var names []string
	require.NoError(t, l.Each(ctx, f, func(r Row) error { names = append(names, r.Chart); return nil }))
	return names
}

func TestListsAreWorstFirstAndNarrow(t *testing.T) {
	l := opened(t, filepath.Join(t.TempDir(), "ledger.db"))
	put(t, l, "a", chart("a", "V1", "2026-03-04", verify.Pass, 34))
	put(t, l, "b", chart("b", "V2", "2026-03-05", verify.Undecided, 30))
	put(t, l, "c", chart("c", "V2", "2026-03-04", verify.Fail, 28))
	put(t, l, "d", chart("d", "V1", "2026-03-06", verify.Fail, 20))
	put(t, l, "e", Chart{Name: "e", Page: 1, Place: "scan", Reason: "is empty", Remedy: "scan it again", Extract: &Extract{Plant: "Quillmere Dairy"}})

	require.Equal(t, []string{"d", "c", "b", "e", "a"}, listed(t, l, Filter{}))
	require.Equal(t, []string{"d", "c", "e"}, listed(t, l, Filter{Verdicts: []string{"fail", "unread"}}))
	require.Equal(t, []string{"c", "b"}, listed(t, l, Filter{Vat: "V2"}))
	require.Equal(t, []string{"d", "b"}, listed(t, l, Filter{Since: "2026-03-05"}))
	require.Equal(t, []string{"c", "a"}, listed(t, l, Filter{Until: "2026-03-04"}), "the day itself counts, an undated chart does not")
	require.Equal(t, []string{"c"}, listed(t, l, Filter{Recorder: "R-V2", Check: "hold", Verdicts: []string{"fail"}}))
	require.Empty(t, listed(t, l, Filter{Check: "cooling"}), "it does not count")
	require.Empty(t, listed(t, l, Filter{Vat: "V1' OR 1 --"}))

	require.NoError(t, l.MarkGone(ctx, func(s Scan) bool { return s.Name == "d" }))
	require.Equal(t, []string{"c", "b", "e", "a"}, listed(t, l, Filter{}))
	require.NoError(t, l.MarkGone(ctx, func(Scan) bool { return false }))
	require.Len(t, listed(t, l, Filter{}), 5)
}

func TestAScanDoneAgainReplacesItsChartsWhole(t *testing.T) {
	l := opened(t, filepath.Join(t.TempDir(), "ledger.db"))
	put(t, l, "day", chart("day-p1", "V1", "2026-03-04", verify.Pass, 34), chart("day-p2", "V2", "2026-03-04", verify.Fail, 28))
	put(t, l, "other", chart("other", "V1", "2026-03-05", verify.Pass, 33))
	put(t, l, "day", chart("day-p1", "V1", "2026-03-04", verify.Undecided, 30))
	require.Equal(t, []string{"day-p1", "other"}, listed(t, l, Filter{}))
	// nothing of the second page is left in any table
	for _, table := range []string{"batches", "holds", "checks", "readings", "errors"} {
		var n int
		require.NoError(t, l.db.QueryRow("SELECT count(*) FROM "+table+" WHERE chart NOT IN (SELECT name FROM charts)").Scan(&n))
		require.Zero(t, n, table)
	}
	records, err := l.Records(ctx)
	require.NoError(t, err)
	require.Len(t, records, 2)
	r := records[0]
	require.Equal(t, Trace{380, NoInk, 1450, -5}, r.Trace)
	require.Equal(t, []Held{{30, 30}}, r.Holds)
	require.Equal(t, []Reading{{Position: 1, Kind: "indicating", At: "2026-03-04T07:00:00", Reads: 146}}, r.Readings)
	require.Equal(t, time.Date(2026, 3, 4, 8, 0, 0, 0, time.UTC), r.To)
}

// A data base that may not grow is SQLite's own way to a full disk: SQLITE_FULL,
// "database or disk is full" (sqlite.org/rescode.html#full).
func TestAFullDiskIsOneErrorAndLosesNothing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l := opened(t, path)
	l.db.SetMaxOpenConns(1) // the limit is a connection's own
	put(t, l, "a", chart("a", "V1", "2026-03-04", verify.Pass, 34))
	_, err := l.db.Exec("PRAGMA max_page_count = 1") // SQLite raises it to the pages that are there
	require.NoError(t, err)
	big := chart("b", "V1", "2026-03-05", verify.Pass, 34)
	big.Extract.Thumbnail = make([]byte, 1<<20)
	err = l.Put(ctx, Scan{Name: "b", File: "/in/b"}, []Chart{big})
	require.ErrorContains(t, err, "database or disk is full")
	require.ErrorContains(t, err, path)
	require.ErrorContains(t, err, "make room")
	require.NotContains(t, err.Error(), "\n")
	require.Equal(t, []string{"a"}, listed(t, l, Filter{}))
}

func TestALedgerThatCannotBeWrittenSaysSo(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := Open(ctx, path)
	require.NoError(t, err)
	put(t, l, "a", chart("a", "V1", "2026-03-04", verify.Pass, 34))
	_, err = l.db.Exec("PRAGMA journal_mode = DELETE") // so that no other file is needed to read it
	require.NoError(t, err)
	require.NoError(t, l.Close())
	readOnly := path + "?mode=ro" // a file of this very name, which no option may come from
	require.NoError(t, os.Rename(path, readOnly))
	l, err = Read(ctx, readOnly)
	require.NoError(t, err)
	defer l.Close()
	err = l.Put(ctx, Scan{Name: "b", File: "/in/b"}, nil)
	require.ErrorContains(t, err, "readonly")
	require.ErrorContains(t, err, "make room and the file writable")
	require.Equal(t, []string{"a"}, listed(t, l, Filter{}))
}

func TestLedgersOfOtherVersions(t *testing.T) {
	dir := t.TempDir()
	_, err := Read(ctx, filepath.Join(dir, "none.db"))
	require.ErrorContains(t, err, "no ledger is there")

	path := filepath.Join(dir, "ledger.db")
	l := opened(t, path)
	_, err = l.db.Exec(fmt.Sprintf("PRAGMA user_version = %d", len(migrations)+1))
	require.NoError(t, err)
	_, err = Open(ctx, path)
	require.ErrorContains(t, err, "of a later penarm")
	_, err = Read(ctx, path)
	require.ErrorContains(t, err, "version")

	junk := filepath.Join(dir, "junk.db")
	require.NoError(t, os.WriteFile(junk, []byte(strings.Repeat("no ledger ", 1000)), 0o666))
	_, err = Open(ctx, junk)
	require.ErrorContains(t, err, "junk.db")
	require.ErrorContains(t, err, "not a database")
}

func TestReadersSeeWholeChartsWhileTheRunGoesOn(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	w := opened(t, path)
	put(t, w, "a", chart("a", "V1", "2026-03-04", verify.Pass, 34))
	r, err := Read(ctx, path)
	require.NoError(t, err)
	defer r.Close()
	tx, err := w.db.BeginTx(ctx, nil)
	require.NoError(t, err)
	change := writer{ctx: ctx, tx: tx}
	change.exec("INSERT INTO scans (name, file, sha256, inputs, entries, version, done, seconds) VALUES ('b', '', '', '', '', '', '', 0)")
	change.chart(Scan{Name: "b"}, chart("b", "V1", "2026-03-05", verify.Fail, 20))
	require.NoError(t, change.err)
	require.Equal(t, []string{"a"}, listed(t, r, Filter{}))
	require.NoError(t, tx.Commit())
	require.Equal(t, []string{"b", "a"}, listed(t, r, Filter{}))
}

// BenchmarkPut files one chart of twelve hours, flushed to the disk, in a ledger of ten thousand.
func BenchmarkPut(b *testing.B) {
	l := opened(b, filepath.Join(b.TempDir(), "ledger.db"))
	one := func(i int) Chart {
		c := chart(fmt.Sprintf("%05d", i), "V1", "2026-03-04", verify.Pass, 34)
		c.Extract.Trace, c.Extract.Thumbnail = make(Trace, 720), make([]byte, 3000)
		for range 8 {
			c.Findings.Batches[0].Checks = append(c.Findings.Batches[0].Checks, verify.Check{Check: "airspace", Verdict: verify.Pass})
		}
		return c
	}
	var all []Chart
	for i := range 10_000 {
		all = append(all, one(i))
	}
	require.NoError(b, l.Put(ctx, Scan{Name: "earlier"}, all))
	i := len(all)
	for b.Loop() {
		c := one(i)
		require.NoError(b, l.Put(ctx, Scan{Name: c.Name}, []Chart{c}))
		i++
	}
}
