// Package ledger keeps what an archive found in one SQLite file; schema.sql
// documents every table. Any SQLite tool opens it, also while a run goes on.
package ledger

import (
	"context"
	"database/sql"
	_ "embed"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/url"
	"os"
	"time"

	_ "modernc.org/sqlite" // the driver, in pure Go

	"penarm/verify"
)

//go:embed schema.sql
var schema string

// migrations bring a ledger from version i (PRAGMA user_version) to i + 1. What
// has been released is never changed, only added to.
var migrations = []string{schema}

// Ledger is an open ledger. It is safe for use by several goroutines.
type Ledger struct {
	db   *sql.DB
	path string
}

// Scan is a file with what its result was made from.
type Scan struct {
	Name, File, SHA256, Inputs, Entries, Version string
	Done                                         time.Time
	Seconds                                      float64
}

// Chart is one chart of a scan: Findings with Extract, or Place, Reason and Remedy
// of the error.
type Chart struct {
	Name     string
	Page     int
	Findings *verify.Findings
	Extract  *Extract
	Decided  string // what gave the verdict, in words

	Place, Reason, Remedy string
}

// Extract is what is kept of a chart beside its findings.
type Extract struct {
	Plant          string    `json:"plant"`
	Vat            string    `json:"vat"`
	Unit           string    `json:"unit"`
	Operator       string    `json:"operator"`
	From           string    `json:"from"` // first and last of the product pen's line
	To             string    `json:"to"`
	CoolingMinutes *float64  `json:"cooling_minutes"`
	Trace          Trace     `json:"trace"`
	Readings       []Reading `json:"readings"`
	Thumbnail      []byte    `json:"thumbnail"`
}

// Reading is a written reading, beside what the pen drew at that time.
type Reading struct {
	Position int      `json:"position"` // of the batch, from 1
	Kind     string   `json:"kind"`     // indicating or airspace
	At       string   `json:"at"`
	Reads    float64  `json:"reads"`
	Recorded *float64 `json:"recorded"`
}

// Trace is the product pen's line, one value a minute in tenths of °F from the
// first whole minute of the line.
type Trace []int16

// NoInk stands in a Trace where there is no line.
const NoInk = math.MinInt16

func (t Trace) bytes() []byte {
	b := make([]byte, 0, 2*len(t))
	for _, v := range t {
		b = binary.LittleEndian.AppendUint16(b, uint16(v))
	}
	return b
}

func traceOf(b []byte) Trace {
	t := make(Trace, len(b)/2)
	for i := range t {
		t[i] = int16(binary.LittleEndian.Uint16(b[2*i:]))
	}
	return t
}

// Open opens a ledger for writing, makes it where there is none, and brings an
// older one up to date.
func Open(ctx context.Context, path string) (*Ledger, error) {
	l, err := open(path, url.Values{"_pragma": {
		"busy_timeout(10000)", "journal_mode(WAL)", "synchronous(FULL)", "foreign_keys(1)"}, "_txlock": {"immediate"}})
	if err != nil {
		return nil, err
	}
	if err := l.migrate(ctx); err != nil {
		l.Close()
		return nil, err
	}
	return l, nil
}

// Read opens a ledger that is there, for reading only.
func Read(ctx context.Context, path string) (*Ledger, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("%s: no ledger is there: name the folder that penarm archive wrote", path)
	}
	options := url.Values{"mode": {"ro"}, "_pragma": {"busy_timeout(10000)"}}
	l, err := open(path, options)
	if err != nil {
		return nil, err
	}
	v, err := l.version(ctx)
	if _, e := os.Stat(path + "-wal"); err != nil && errors.Is(e, os.ErrNotExist) {
		// Even a reader shares a file with the writer, and a folder that cannot be written
		// has no room for it: but nobody writes there either.
		l.Close()
		options.Set("immutable", "1")
		if l, err = open(path, options); err != nil {
			return nil, err
		}
		v, err = l.version(ctx)
	}
	if err == nil && v != len(migrations) {
		err = fmt.Errorf("%s: is a ledger of version %d, this penarm knows %d: run penarm archive on it first", path, v, len(migrations))
	}
	if err != nil {
		l.Close()
		return nil, err
	}
	return l, nil
}

func open(path string, options url.Values) (*Ledger, error) {
	name := url.URL{Scheme: "file", Opaque: (&url.URL{Path: path}).EscapedPath(), RawQuery: options.Encode()}
	db, err := sql.Open("sqlite", name.String())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return &Ledger{db: db, path: path}, nil
}

// Close closes the ledger.
func (l *Ledger) Close() error { return l.db.Close() }

// fault words an error of the data base: nearly always the disk.
func (l *Ledger) fault(err error) error {
	if err == nil || errors.Is(err, context.Canceled) {
		return err
	}
	return fmt.Errorf("%s: %w: make room and the file writable, then run again: it goes on where it was", l.path, err)
}

func (l *Ledger) version(ctx context.Context) (v int, err error) {
	err = l.db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&v)
	return v, l.fault(err)
}

func (l *Ledger) migrate(ctx context.Context) error {
	v, err := l.version(ctx)
	if err != nil {
		return err
	}
	if v > len(migrations) {
		return fmt.Errorf("%s: is of a later penarm (version %d, this one knows %d): use that one, or another --out", l.path, v, len(migrations))
	}
	// An empty write proves that writing is possible at all.
	return l.change(ctx, func(tx *sql.Tx) error {
		for i, m := range migrations[v:] {
			if _, err := tx.ExecContext(ctx, m); err != nil {
				return err
			}
			if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d", v+i+1)); err != nil {
				return err
			}
		}
		_, err := tx.ExecContext(ctx, "DELETE FROM scans WHERE name = ''")
		return err
	})
}

// change runs f in one transaction: all of it or nothing.
func (l *Ledger) change(ctx context.Context, f func(*sql.Tx) error) error {
	tx, err := l.db.BeginTx(ctx, nil)
	if err != nil {
		return l.fault(err)
	}
	if err := f(tx); err != nil {
		tx.Rollback()
		return l.fault(err)
	}
	return l.fault(tx.Commit())
}

// Done gives every scan of the ledger by its name.
func (l *Ledger) Done(ctx context.Context) (map[string]Scan, error) {
	rows, err := l.db.QueryContext(ctx, "SELECT name, file, sha256, inputs, entries, version FROM scans")
	if err != nil {
		return nil, l.fault(err)
	}
	defer rows.Close()
	out := map[string]Scan{}
	for rows.Next() {
		var s Scan
		if err := rows.Scan(&s.Name, &s.File, &s.SHA256, &s.Inputs, &s.Entries, &s.Version); err != nil {
			return nil, l.fault(err)
		}
		out[s.Name] = s
	}
	return out, l.fault(rows.Err())
}

// Filed is a chart of a scan: Place is where it went wrong, empty where it was read.
type Filed struct{ Name, Verdict, Place string }

// Charts gives a scan's charts by name.
func (l *Ledger) Charts(ctx context.Context, scan string) ([]Filed, error) {
	rows, err := l.db.QueryContext(ctx, `SELECT name, verdict, coalesce(place, '') FROM charts
		LEFT JOIN errors ON errors.chart = charts.name WHERE scan = ? ORDER BY name`, scan)
	if err != nil {
		return nil, l.fault(err)
	}
	defer rows.Close()
	var out []Filed
	for rows.Next() {
		var f Filed
		if err := rows.Scan(&f.Name, &f.Verdict, &f.Place); err != nil {
			return nil, l.fault(err)
		}
		out = append(out, f)
	}
	return out, l.fault(rows.Err())
}

// MarkGone notes which scans' files are there no longer, and which are again.
func (l *Ledger) MarkGone(ctx context.Context, gone func(Scan) bool) error {
	all, err := l.Done(ctx)
	if err != nil {
		return err
	}
	return l.change(ctx, func(tx *sql.Tx) error {
		for _, s := range all {
			if _, err := tx.ExecContext(ctx, "UPDATE scans SET gone = ? WHERE name = ? AND gone <> ?", gone(s), s.Name, gone(s)); err != nil {
				return err
			}
		}
		return nil
	})
}

// Put files a scan with its charts in place of what was there of it before.
func (l *Ledger) Put(ctx context.Context, s Scan, charts []Chart) error {
	return l.change(ctx, func(tx *sql.Tx) error {
		w := writer{ctx: ctx, tx: tx}
		w.exec("DELETE FROM scans WHERE name = ?", s.Name)
		w.exec("INSERT INTO scans (name, file, sha256, inputs, entries, version, done, seconds) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
			s.Name, s.File, s.SHA256, s.Inputs, s.Entries, s.Version, s.Done.UTC().Format(time.RFC3339), s.Seconds)
		for _, c := range charts {
			w.chart(s, c)
		}
		return w.err
	})
}

// writer remembers the first error of many statements.
type writer struct {
	ctx context.Context
	tx  *sql.Tx
	err error
}

func (w *writer) exec(query string, args ...any) {
	if w.err == nil {
		_, w.err = w.tx.ExecContext(w.ctx, query, args...)
	}
}

func (w *writer) chart(s Scan, c Chart) {
	f, x := c.Findings, c.Extract
	if f == nil {
		f = &verify.Findings{Verdict: "unread"}
	}
	if x == nil {
		x = &Extract{}
	}
	thumbnail := x.Thumbnail
	if thumbnail == nil {
		thumbnail = []byte{}
	}
	// A page's name may be that of a scan of an earlier run: the later one holds the folder.
	w.exec("DELETE FROM charts WHERE name = ?", c.Name)
	w.exec(`INSERT INTO charts (name, scan, page, verdict, reason, plant, recorder, vat, form, rules, unit, operator,
		chart_date, hour, trace_from, trace_to, cooling_minutes, trace, thumbnail)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		c.Name, s.Name, c.Page, string(f.Verdict), c.Decided, x.Plant, f.Recorder, x.Vat, f.Form, f.Rules, x.Unit, x.Operator,
		f.ChartDate, f.Calibration.Hour, x.From, x.To, x.CoolingMinutes, x.Trace.bytes(), thumbnail)
	if c.Findings == nil {
		w.exec("INSERT INTO errors (chart, place, reason, remedy) VALUES (?, ?, ?, ?)", c.Name, c.Place, c.Reason, c.Remedy)
		return
	}
	check := func(position int, all []verify.Check) {
		for _, k := range all {
			w.exec(`INSERT INTO checks (chart, position, "check", verdict, measured, "limit", u, unit, counts, source, reason)
				VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
				c.Name, position, k.Check, string(k.Verdict), k.Measured, k.Limit, k.U, k.Unit, k.Counts, k.Source, k.Reason)
		}
	}
	for i, b := range f.Batches {
		w.exec("INSERT INTO batches (chart, position, batch, product, legal_temperature, verdict) VALUES (?, ?, ?, ?, ?, ?)",
			c.Name, i+1, b.Batch, b.Product, b.Legal, string(b.Verdict))
		if h := b.Hold; h != nil {
			w.exec("INSERT INTO holds (chart, position, starts, ends, minutes, u_minutes, lowest, u_lowest) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
				c.Name, i+1, h.Start.String(), h.End.String(), h.Minutes, h.UMinutes, h.Lowest, h.ULowest)
		}
		check(i+1, b.Checks)
	}
	check(0, f.Checks)
	for _, r := range x.Readings {
		w.exec("INSERT INTO readings (chart, position, kind, at, reads, recorded) VALUES (?, ?, ?, ?, ?, ?)",
			c.Name, r.Position, r.Kind, r.At, r.Reads, r.Recorded)
	}
}

// Plant is what a plant file and its rule set say of a plant as a whole. Months are nil where not said.
type Plant struct {
	Plant, File, Rules           string
	RetentionMonths, ClockMonths *float64
	RetentionSource, ClockSource string
	Recorders                    []Recorder
}

// Recorder of a plant. ClockDate is that of the last test of its clock, empty: none.
type Recorder struct{ Recorder, Vat, ClockDate string }

// PutPlant files what a plant file says in place of what it said before.
func (l *Ledger) PutPlant(ctx context.Context, p Plant) error {
	return l.change(ctx, func(tx *sql.Tx) error {
		w := writer{ctx: ctx, tx: tx}
		w.exec("DELETE FROM plants WHERE plant = ?", p.Plant)
		w.exec("INSERT INTO plants (plant, file, rules, retention_months, retention_source, clock_months, clock_source) VALUES (?, ?, ?, ?, ?, ?, ?)",
			p.Plant, p.File, p.Rules, p.RetentionMonths, p.RetentionSource, p.ClockMonths, p.ClockSource)
		for _, r := range p.Recorders {
			w.exec("INSERT INTO recorders (plant, recorder, vat, clock_date) VALUES (?, ?, ?, ?)", p.Plant, r.Recorder, r.Vat, r.ClockDate)
		}
		return w.err
	})
}

// Question is something that no single chart shows, put to a person.
type Question struct {
	Kind     string   `json:"kind"`
	Plant    string   `json:"plant"`
	Subject  string   `json:"subject"` // recorder, vat or operator
	Question string   `json:"question"`
	Evidence string   `json:"evidence"` // the figures
	Charts   []string `json:"charts"`   // to lay side by side
}

// PutQuestions files the questions in place of the earlier ones.
func (l *Ledger) PutQuestions(ctx context.Context, qs []Question) error {
	return l.change(ctx, func(tx *sql.Tx) error {
		w := writer{ctx: ctx, tx: tx}
		w.exec("DELETE FROM questions")
		for i, q := range qs {
			charts, err := json.Marshal(q.Charts)
			if err != nil {
				return err
			}
			w.exec("INSERT INTO questions (position, kind, plant, subject, question, evidence, charts) VALUES (?, ?, ?, ?, ?, ?, ?)",
				i+1, q.Kind, q.Plant, q.Subject, q.Question, q.Evidence, string(charts))
		}
		return w.err
	})
}
