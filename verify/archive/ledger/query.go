package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"strings"
	"time"

	"penarm/verify"
)

// Filter chooses charts. An empty field chooses all.
type Filter struct {
	Verdicts             []string
	Plant, Recorder, Vat string
	Check                string // charts on which this check counts and does not pass
	Since, Until         string // chart dates, both included
}

func (f Filter) where() (string, []any) {
	conditions, args := []string{"scans.gone = 0"}, []any{}
	and := func(condition string, values ...any) {
		conditions, args = append(conditions, condition), append(args, values...)
	}
	if len(f.Verdicts) > 0 {
		var values []any
		for _, v := range f.Verdicts {
			values = append(values, v)
		}
		and("charts.verdict IN (?"+strings.Repeat(", ?", len(values)-1)+")", values...)
	}
	for _, c := range []struct{ condition, value string }{
		{"charts.plant = ?", f.Plant}, {"charts.recorder = ?", f.Recorder}, {"charts.vat = ?", f.Vat},
		{"charts.chart_date >= ?", f.Since}, {"charts.chart_date <> '' AND charts.chart_date <= ?", f.Until},
		{`EXISTS (SELECT 1 FROM checks k WHERE k.chart = charts.name AND k.counts AND k.verdict <> 'pass' AND k."check" = ?)`, f.Check},
	} {
		if c.value != "" {
			and(c.condition, c.value)
		}
	}
	return strings.Join(conditions, " AND "), args
}

// worstFirst: fail, undecided, unread, pass; the latest first within each.
const worstFirst = ` ORDER BY CASE charts.verdict WHEN 'fail' THEN 0 WHEN 'undecided' THEN 1 WHEN 'unread' THEN 2 ELSE 3 END,
	charts.chart_date DESC, charts.name`

// Row is one chart in a list.
type Row struct {
	Chart     string    `json:"chart"`
	Verdict   string    `json:"verdict"`
	Plant     string    `json:"plant"`
	Recorder  string    `json:"recorder"`
	Vat       string    `json:"vat"`
	ChartDate string    `json:"chart_date"`
	Minutes   []float64 `json:"hold_minutes"` // one a hold
	Checks    []string  `json:"checks"`       // that count and do not pass
	Reason    string    `json:"reason"`
	File      string    `json:"file"`

	Thumbnail []byte `json:"-"`
}

// Each calls f with every chart that the filter chooses, worst first, until f gives an error.
func (l *Ledger) Each(ctx context.Context, filter Filter, f func(Row) error) error {
	where, args := filter.where()
	rows, err := l.db.QueryContext(ctx, `SELECT charts.name, charts.verdict, charts.plant, charts.recorder, charts.vat, charts.chart_date,
		charts.reason, scans.file, charts.thumbnail,
		(SELECT json_group_array(minutes) FROM (SELECT minutes FROM holds WHERE chart = charts.name ORDER BY position)),
		(SELECT json_group_array(c) FROM (SELECT DISTINCT "check" AS c FROM checks
			WHERE chart = charts.name AND counts AND verdict <> 'pass' ORDER BY position, c))
		FROM charts JOIN scans ON scans.name = charts.scan WHERE `+where+worstFirst, args...)
	if err != nil {
		return l.fault(err)
	}
	defer rows.Close()
	for rows.Next() {
		var r Row
		var minutes, checks []byte
		err := rows.Scan(&r.Chart, &r.Verdict, &r.Plant, &r.Recorder, &r.Vat, &r.ChartDate, &r.Reason, &r.File, &r.Thumbnail, &minutes, &checks)
		if err == nil {
			err = json.Unmarshal(minutes, &r.Minutes)
		}
		if err == nil {
			err = json.Unmarshal(checks, &r.Checks)
		}
		if err != nil {
			return l.fault(err)
		}
		if err := f(r); err != nil {
			return err
		}
	}
	return l.fault(rows.Err())
}

// Record is what the questions across charts are drawn from: one chart that was read.
type Record struct {
	Name, SHA256                   string
	Plant, Recorder, Vat, Operator string
	Date                           string // as written, 2026-03-04, may be empty
	From, To                       time.Time
	Unit                           string
	Cooling                        *float64 // minutes
	Trace                          Trace
	Holds                          []Held
	Readings                       []Reading // indicating
}

// Held is one judged hold: minutes and what the law asks.
type Held struct{ Minutes, Limit float64 }

// Records gives every chart that was read and whose file is there, by name.
func (l *Ledger) Records(ctx context.Context) ([]Record, error) {
	var out []Record
	index := map[string]int{}
	err := l.each(ctx, `SELECT charts.name, sha256, plant, recorder, vat, operator, chart_date, trace_from, trace_to, unit, cooling_minutes, trace
		FROM charts JOIN scans ON scans.name = charts.scan WHERE gone = 0 AND verdict <> 'unread' ORDER BY charts.name`,
		func(rows *sql.Rows) error {
			var r Record
			var from, to string
			var trace []byte
			if err := rows.Scan(&r.Name, &r.SHA256, &r.Plant, &r.Recorder, &r.Vat, &r.Operator, &r.Date, &from, &to, &r.Unit, &r.Cooling, &trace); err != nil {
				return err
			}
			r.From, _ = time.Parse(verify.LocalLayout, from) // empty where the chart shows no line: zero then
			r.To, _ = time.Parse(verify.LocalLayout, to)
			r.Trace = traceOf(trace)
			index[r.Name] = len(out)
			out = append(out, r)
			return nil
		})
	if err != nil {
		return nil, err
	}
	err = l.each(ctx, `SELECT chart, measured, "limit" FROM checks WHERE "check" = 'hold' AND measured IS NOT NULL AND "limit" IS NOT NULL ORDER BY chart, position`,
		func(rows *sql.Rows) error {
			var name string
			var h Held
			if err := rows.Scan(&name, &h.Minutes, &h.Limit); err != nil {
				return err
			}
			if i, ok := index[name]; ok {
				out[i].Holds = append(out[i].Holds, h)
			}
			return nil
		})
	if err != nil {
		return nil, err
	}
	err = l.each(ctx, `SELECT chart, position, kind, at, reads, recorded FROM readings WHERE kind = 'indicating' ORDER BY chart, position, at`,
		func(rows *sql.Rows) error {
			var name string
			var r Reading
			if err := rows.Scan(&name, &r.Position, &r.Kind, &r.At, &r.Reads, &r.Recorded); err != nil {
				return err
			}
			if i, ok := index[name]; ok {
				out[i].Readings = append(out[i].Readings, r)
			}
			return nil
		})
	return out, err
}

// Plants gives what the plant files said.
func (l *Ledger) Plants(ctx context.Context) ([]Plant, error) {
	var out []Plant
	err := l.each(ctx, `SELECT plant, file, rules, retention_months, retention_source, clock_months, clock_source FROM plants ORDER BY plant`,
		func(rows *sql.Rows) error {
			var p Plant
			err := rows.Scan(&p.Plant, &p.File, &p.Rules, &p.RetentionMonths, &p.RetentionSource, &p.ClockMonths, &p.ClockSource)
			out = append(out, p)
			return err
		})
	if err != nil {
		return nil, err
	}
	err = l.each(ctx, `SELECT plant, recorder, vat, clock_date FROM recorders ORDER BY plant, recorder`, func(rows *sql.Rows) error {
		var plant string
		var r Recorder
		if err := rows.Scan(&plant, &r.Recorder, &r.Vat, &r.ClockDate); err != nil {
			return err
		}
		for i := range out {
			if out[i].Plant == plant {
				out[i].Recorders = append(out[i].Recorders, r)
			}
		}
		return nil
	})
	return out, err
}

// EachQuestion calls f with every question that the last run put, until f gives an error.
func (l *Ledger) EachQuestion(ctx context.Context, f func(Question) error) error {
	return l.each(ctx, `SELECT kind, plant, subject, question, evidence, charts FROM questions ORDER BY position`, func(rows *sql.Rows) error {
		var q Question
		var charts []byte
		if err := rows.Scan(&q.Kind, &q.Plant, &q.Subject, &q.Question, &q.Evidence, &charts); err != nil {
			return err
		}
		if err := json.Unmarshal(charts, &q.Charts); err != nil {
			return err
		}
		return f(q)
	})
}

func (l *Ledger) each(ctx context.Context, query string, f func(*sql.Rows) error) error {
	rows, err := l.db.QueryContext(ctx, query)
	if err != nil {
		return l.fault(err)
	}
	defer rows.Close()
	for rows.Next() {
		if err := f(rows); err != nil {
			return l.fault(err)
		}
	}
	return l.fault(rows.Err())
}

// Trace gives one chart's line.
func (l *Ledger) Trace(ctx context.Context, chart string) (Trace, error) {
	var b []byte
	err := l.db.QueryRowContext(ctx, "SELECT trace FROM charts WHERE name = ?", chart).Scan(&b)
	return traceOf(b), l.fault(err)
}
