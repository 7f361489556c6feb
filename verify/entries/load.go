package entries

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"penarm/calibrate/form"
)

// maxFile bounds what is read: years of day sheets are smaller.
const maxFile = 8 << 20

// Inks are the colour words of a pen.
var Inks = []string{"blue", "red", "green", "purple", "black"}

// LoadPlant reads the plant file. Errors name file, line, key and remedy.
func LoadPlant(path string) (*Plant, error) {
	data, err := read(path, "plant file")
	if err != nil {
		return nil, err
	}
	p := &Plant{Path: path}
	if err := decode(data, path, p); err != nil {
		return nil, err
	}
	if key, err := p.check(); err != nil {
		return nil, located(data, path, key, err)
	}
	return p, nil
}

// Load reads the entries of one chart. Whatever is missing stays empty; errors
// name file, line, key and remedy. What needs the plant file's unit and
// recorders is asked by Plant.Check.
func Load(path string) (*Entries, error) {
	data, err := read(path, "entries")
	if err != nil {
		return nil, err
	}
	e := &Entries{Path: path, data: data}
	if err := decode(data, path, e); err != nil {
		return nil, err
	}
	if key, err := e.check(); err != nil {
		return nil, e.located(key, err)
	}
	e.complete()
	return e, nil
}

// Check asks what the entries alone cannot tell: whether the recorder is the
// plant's, and whether the readings can be meant in the plant's unit.
func (p *Plant) Check(e *Entries) error {
	if e.Unit != "" && e.Unit != p.Unit {
		return e.located("unit", fmt.Errorf("%s, but %s declares %s: give the readings in %s and drop this key", e.Unit, p.Path, p.Unit, p.Unit))
	}
	if e.Recorder != "" && p.Recorder(e.Recorder) == nil {
		return e.located("recorder", fmt.Errorf("%q is no recorder of %s: it has %s", e.Recorder, p.Path, strings.Join(p.names(), ", ")))
	}
	for i, b := range e.Batches {
		for _, l := range []struct {
			key  string
			list []Reading
		}{{"indicating", b.Indicating}, {"airspace", b.Airspace}} {
			for j, r := range l.list {
				if err := p.plausible(r.Reads); err != nil {
					return e.located(fmt.Sprintf("batches[%d].%s[%d].reads", i, l.key, j), err)
				}
			}
		}
	}
	return nil
}

// plausible: no thermometer of a vat being pasteurized reads outside 100–230 °F
// (38–110 °C); the two scales do not overlap there but for 100–110, so a mixed-up
// unit is caught. Common practice, no source.
func (p *Plant) plausible(v float64) error {
	low, high, other := 100.0, 230.0, "C"
	if p.Unit == "C" {
		low, high, other = 38, 110, "F"
	}
	if v >= low && v <= high {
		return nil
	}
	return fmt.Errorf("%v °%s cannot be a reading during pasteurization: was °%s meant? %s declares unit %s", v, p.Unit, other, p.Path, p.Unit)
}

// Recorder by its name, nil if the plant has none such.
func (p *Plant) Recorder(name string) *Recorder {
	for i := range p.Recorders {
		if p.Recorders[i].Recorder == name {
			return &p.Recorders[i]
		}
	}
	return nil
}

// Vat by its name, nil if the plant has none such.
func (p *Plant) Vat(name string) *Vat {
	for i := range p.Vats {
		if p.Vats[i].Vat == name {
			return &p.Vats[i]
		}
	}
	return nil
}

func (p *Plant) names() (s []string) {
	for _, r := range p.Recorders {
		s = append(s, r.Recorder)
	}
	return s
}

func (p *Plant) check() (string, error) {
	if strings.TrimSpace(p.Plant) == "" {
		return "plant", errors.New("missing: give the plant's name")
	}
	if p.Unit != "F" && p.Unit != "C" {
		return "unit", fmt.Errorf("%q is no unit: write F or C", p.Unit)
	}
	if p.Rules == "" {
		return "rules", errors.New("missing: name a built-in rule set (see penarm rules) or a path to one")
	}
	if len(p.Recorders) == 0 {
		return "recorders", errors.New("missing: list at least one recorder")
	}
	for i, v := range p.Vats {
		key := fmt.Sprintf("vats[%d]", i)
		if v.Vat == "" {
			return key + ".vat", errors.New("missing: name the vat")
		}
		if p.Vat(v.Vat) != &p.Vats[i] {
			return key + ".vat", fmt.Errorf("%q is listed twice: remove one", v.Vat)
		}
		for _, m := range []named{{"emptying_minutes", v.EmptyingMinutes}, {"filling_minutes", v.FillingMinutes}} {
			if m.value != nil && !(*m.value >= 0 && *m.value <= 240) {
				return key + "." + m.key, fmt.Errorf("%v must lie between 0 and 240 minutes: give the stopwatch value, or leave it out where it is not known", *m.value)
			}
		}
	}
	for i, v := range p.Vats {
		for k, l := range v.CoolingLimits {
			key := fmt.Sprintf("vats[%d].cooling_limits[%d]", i, k)
			if !(l.Minutes > 0 && l.Minutes <= 1440) {
				return key + ".minutes", fmt.Errorf("%v must lie between 0 and 1440 minutes after the hold", l.Minutes)
			}
			if !(l.To > -20 && l.To < 215) {
				return key + ".to", fmt.Errorf("%v is no temperature to cool milk to", l.To)
			}
		}
	}
	for i, r := range p.Recorders {
		if key, err := p.checkRecorder(r); err != nil {
			return fmt.Sprintf("recorders[%d].%s", i, key), err
		}
		if p.Recorder(r.Recorder) != &p.Recorders[i] {
			return fmt.Sprintf("recorders[%d].recorder", i), fmt.Errorf("%q is listed twice: remove one", r.Recorder)
		}
	}
	return "", nil
}

func (p *Plant) checkRecorder(r Recorder) (string, error) {
	if r.Recorder == "" {
		return "recorder", errors.New("missing: name the recorder")
	}
	if r.Form == "" {
		return "form", errors.New("missing: give the number printed on its chart blanks")
	}
	if r.Vat == "" {
		return "vat", errors.New("missing: name the vat it records")
	}
	if p.Vat(r.Vat) == nil {
		return "vat", fmt.Errorf("%q is not under vats: add it there, or correct the name", r.Vat)
	}
	if len(r.Pens) == 0 {
		return "pens", errors.New("missing: list at least {pen: product}")
	}
	seen := map[string]bool{}
	for i, n := range r.Pens {
		key := fmt.Sprintf("pens[%d]", i)
		if n.Pen != "product" && n.Pen != "airspace" {
			return key + ".pen", fmt.Errorf("%q is no pen: write product or airspace", n.Pen)
		}
		if seen[n.Pen] {
			return key + ".pen", fmt.Errorf("%q is listed twice: remove one", n.Pen)
		}
		seen[n.Pen] = true
		if n.Ink != "" && !slices.Contains(Inks, n.Ink) {
			return key + ".ink", fmt.Errorf("%q is no ink word: write one of %s, or leave it out where there is one pen", n.Ink, strings.Join(Inks, ", "))
		}
		if math.IsNaN(n.AheadMinutes) || math.Abs(n.AheadMinutes) > 60 {
			return key + ".ahead_minutes", fmt.Errorf("%v must lie within 60 minutes", n.AheadMinutes)
		}
	}
	if !seen["product"] {
		return "pens", errors.New("no product pen: one pen must be product")
	}
	if c := r.ClockCheck; c != nil {
		if _, err := time.Parse(time.DateOnly, c.Date); err != nil {
			return "clock_check.date", fmt.Errorf("%q is no date: write YYYY-MM-DD", c.Date)
		}
		// Both times of one test: 30 min and a few per cent at most, else something is mistyped.
		if !(c.TrueMinutes > 0 && c.TrueMinutes <= 1440) {
			return "clock_check.true_minutes", fmt.Errorf("%v must be the minutes by the watch, above 0", c.TrueMinutes)
		}
		if q := c.ChartMinutes / c.TrueMinutes; !(q > 0.5 && q < 2) {
			return "clock_check.chart_minutes", fmt.Errorf("%v minutes on the chart for %v by the watch is no time-accuracy test: check both", c.ChartMinutes, c.TrueMinutes)
		}
	}
	return "", nil
}

func (e *Entries) check() (string, error) {
	if e.Unit != "" && e.Unit != "F" && e.Unit != "C" {
		return "unit", fmt.Errorf("%q is no unit: write F or C as in the plant file, or leave it out", e.Unit)
	}
	if e.ChartDate != "" {
		if _, err := time.Parse(time.DateOnly, e.ChartDate); err != nil {
			return "chart_date", fmt.Errorf("%q is no date: write YYYY-MM-DD", e.ChartDate)
		}
	}
	if err := clock(e.OnChart); err != nil {
		return "on_chart", err
	}
	seen := map[string]bool{}
	for i, b := range e.Batches {
		key := fmt.Sprintf("batches[%d]", i)
		if b.Batch != "" && seen[b.Batch] {
			return key + ".batch", fmt.Errorf("%q is listed twice: number each batch once", b.Batch)
		}
		seen[b.Batch] = true
		if k, err := b.check(); err != nil {
			return key + "." + k, err
		}
	}
	return "", nil
}

// complete lets their place number the batches that have no number, and leaves out times without a reading:
// what is missing is a finding.
func (e *Entries) complete() {
	taken := func(n string) bool {
		return slices.ContainsFunc(e.Batches, func(b Batch) bool { return b.Batch == n })
	}
	for i := range e.Batches {
		b := &e.Batches[i]
		for n := i + 1; b.Batch == ""; n++ {
			if place := strconv.Itoa(n); !taken(place) {
				b.Batch, b.Unnumbered = place, true
			}
		}
		bare := func(r Reading) bool { return r.Reads == 0 }
		b.Indicating, b.Airspace = slices.DeleteFunc(b.Indicating, bare), slices.DeleteFunc(b.Airspace, bare)
	}
}

type named struct {
	key   string
	value *float64
}

func (b Batch) check() (string, error) {
	for _, p := range []named{{"fat_percent", b.FatPercent}, {"total_solids_percent", b.TotalSolidsPercent}} {
		if p.value != nil && !(*p.value >= 0 && *p.value <= 100) {
			return p.key, fmt.Errorf("%v is no percentage: write a number from 0 to 100", *p.value)
		}
	}
	if b.FatPercent != nil && b.TotalSolidsPercent != nil && *b.FatPercent > *b.TotalSolidsPercent {
		return "fat_percent", fmt.Errorf("%v is more than total_solids_percent %v, which holds the fat too: check both", *b.FatPercent, *b.TotalSolidsPercent)
	}
	if b.Cooling != "" && b.Cooling != "in-vat" && b.Cooling != "outside" {
		return "cooling", fmt.Errorf("%q: write in-vat (cooled in the vat before the outlet opened) or outside (emptied hot)", b.Cooling)
	}
	if b.Phosphatase != "" && b.Phosphatase != "pass" && b.Phosphatase != "fail" {
		return "phosphatase", fmt.Errorf("%q: write pass or fail, or leave it out where no test was made", b.Phosphatase)
	}
	if err := clock(b.OutletOpened); err != nil {
		return "outlet_opened", err
	}
	for _, m := range []struct{ key, at string }{{"hold_marked.start", b.HoldMarked.Start}, {"hold_marked.end", b.HoldMarked.End}} {
		if err := clock(m.at); err != nil {
			return m.key, err
		}
	}
	for _, l := range []struct {
		key  string
		list []Reading
	}{{"indicating", b.Indicating}, {"airspace", b.Airspace}} {
		for j, r := range l.list {
			k := fmt.Sprintf("%s[%d]", l.key, j)
			if err := clock(r.At); err != nil {
				return k + ".at", err
			}
			if !(r.Reads > -60 && r.Reads < 300) {
				return k + ".reads", fmt.Errorf("%v is no thermometer reading: write the degrees", r.Reads)
			}
		}
	}
	return "", nil
}

// clock accepts an empty time: it is then missing, which is a finding and no error.
func clock(s string) error {
	if _, _, ok := Clock(s); s != "" && !ok {
		return fmt.Errorf("%q is no time of day: write HH:MM or HH:MM:SS from 00:00 to 23:59, in quotes", s)
	}
	return nil
}

func read(path, what string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	if len(data) > maxFile {
		return nil, fmt.Errorf("%s: over %d MB is too much for a file of %s", path, maxFile>>20, what)
	}
	return data, nil
}

var withUnit = regexp.MustCompile(`^-?[\d.]+\s*(°|º|deg)?\s*[FCfc]$`)

// decode is strict YAML with one-line errors: file:line: key: what to do.
func decode(data []byte, path string, into any) error {
	if len(bytes.TrimSpace(data)) == 0 {
		return fmt.Errorf("%s: empty: write its keys, or remove the file", path)
	}
	err := form.Decode(data, into)
	var ye yaml.Error
	if err == nil {
		return nil
	}
	if !errors.As(err, &ye) || ye.GetToken() == nil {
		return fmt.Errorf("%s: %s: correct the YAML", path, strings.TrimSpace(err.Error()))
	}
	tk := ye.GetToken()
	key := strings.TrimPrefix(keyAt(data, tk.Position.Line, tk.Position.Column), "$.")
	msg := ye.GetMessage()
	switch {
	case strings.Contains(msg, "unknown field"):
		key, msg = tk.Value, "unknown key: correct its spelling or remove it"
	case withUnit.MatchString(tk.Value):
		msg = fmt.Sprintf("%q carries a unit: write the number alone, in the unit that the plant file declares", tk.Value)
	case strings.Contains(msg, "cannot unmarshal"):
		msg = fmt.Sprintf("%q is of the wrong kind: %s", tk.Value, plainKind(msg))
	}
	if key == "" {
		key = tk.Value
	}
	return fmt.Errorf("%s:%d: %s: %s", path, tk.Position.Line, key, msg)
}

// plainKind turns the decoder's words on Go types into what the reader can do.
func plainKind(msg string) string {
	switch {
	case strings.Contains(msg, "of type float64"):
		return "write a number"
	case strings.Contains(msg, "of type bool"):
		return "write true or false"
	case strings.Contains(msg, "of type string"):
		return "write one word or line of text"
	case strings.Contains(msg, "of type []"):
		return "write a list, one item a line after a dash"
	}
	return "write it as the example in the documentation shows"
}

// keyAt is the path of the value at a place in the file.
func keyAt(data []byte, line, column int) string {
	file, err := parser.ParseBytes(data, 0)
	if err != nil {
		return ""
	}
	v := &seeker{line: line, column: column}
	for _, d := range file.Docs {
		ast.Walk(v, d)
	}
	return v.path
}

type seeker struct {
	line, column int
	path         string
}

func (s *seeker) Visit(n ast.Node) ast.Visitor {
	if p := n.GetToken(); p != nil && p.Position.Line == s.line && p.Position.Column == s.column && n.GetPath() != "" {
		s.path = n.GetPath()
	}
	return s
}

// lineOf is the line of a dotted key, or of its nearest parent that is there; 0 if none.
func lineOf(data []byte, key string) int {
	file, err := parser.ParseBytes(data, 0)
	if err != nil {
		return 0
	}
	for ; key != ""; key = key[:max(0, strings.LastIndexAny(key, ".["))] {
		p, err := yaml.PathString("$." + key)
		if err != nil {
			return 0
		}
		if node, err := p.FilterFile(file); err == nil && node != nil {
			return node.GetToken().Position.Line
		}
	}
	return 0
}

func located(data []byte, path, key string, err error) error {
	if line := lineOf(data, key); line > 0 {
		return fmt.Errorf("%s:%d: %s: %w", path, line, key, err)
	}
	return fmt.Errorf("%s: %s: %w", path, key, err)
}

func (e *Entries) located(key string, err error) error {
	if e.line > 0 { // a row of a day sheet
		return fmt.Errorf("%s:%d: %s: %w", e.Path, e.line, key, err)
	}
	return located(e.data, e.Path, key, err)
}

// sheetColumns of a CSV day sheet: the keys of an entries file, one row a batch.
var sheetColumns = []string{"scan", "recorder", "chart_date", "on_chart", "operator", "unit", "batch", "product",
	"fat_percent", "total_solids_percent", "sweetened", "amount", "preheated", "cooling", "outlet_opened",
	"indicating", "airspace", "hold_start", "hold_end", "unusual", "phosphatase", "claims_reduction"}

// LoadSheet reads a CSV day sheet (RFC 4180, first row the column names): one row
// a batch, column scan holds the scan's name without its ending, readings stand
// as "07:38=146.0; 08:01=146.2". The result is keyed by scan. What concerns the
// whole chart needs to stand in its first row only and may not differ further on.
// The error is for what spoils the sheet; what is wrong with one chart's rows is its Fault.
func LoadSheet(path string) (map[string]*Entries, error) {
	data, err := read(path, "day sheet")
	if err != nil {
		return nil, err
	}
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\ufeff"))))
	r.TrimLeadingSpace = true
	head, err := r.Read()
	if err != nil {
		return nil, fmt.Errorf("%s: the first row must hold the column names: %w", path, err)
	}
	column := map[string]int{}
	for i, h := range head {
		if !slices.Contains(sheetColumns, h) {
			return nil, fmt.Errorf("%s:1: %s: unknown column: use %s", path, h, strings.Join(sheetColumns, ", "))
		}
		if _, twice := column[h]; twice {
			return nil, fmt.Errorf("%s:1: %s: stands twice: remove one", path, h)
		}
		column[h] = i
	}
	if _, ok := column["scan"]; !ok {
		return nil, fmt.Errorf("%s:1: scan: missing column: it names the scan of each row", path)
	}
	charts := map[string]*Entries{}
	for {
		row, err := r.Read()
		if err == io.EOF {
			for _, e := range charts {
				e.complete()
			}
			return charts, nil
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		line, _ := r.FieldPos(0)
		get := func(name string) string {
			if i, ok := column[name]; ok {
				return strings.TrimSpace(row[i])
			}
			return ""
		}
		scan := get("scan")
		if scan == "" {
			return nil, fmt.Errorf("%s:%d: scan: missing: name the scan without its ending", path, line)
		}
		e := charts[scan]
		if e == nil {
			e = &Entries{Path: path, line: line}
			charts[scan] = e
		}
		if err := e.addRow(scan, line, get); err != nil && e.Fault == "" {
			e.Fault = err.Error()
		}
	}
}

func (e *Entries) addRow(scan string, line int, get func(string) string) error {
	fail := func(key string, err error) error { return fmt.Errorf("%s:%d: %s: %w", e.Path, line, key, err) }
	for _, c := range []struct {
		key  string
		into *string
	}{{"recorder", &e.Recorder}, {"chart_date", &e.ChartDate}, {"on_chart", &e.OnChart}, {"operator", &e.Operator}, {"unit", &e.Unit}} {
		if v := get(c.key); v != "" {
			if *c.into != "" && *c.into != v {
				return fail(c.key, fmt.Errorf("%q, but an earlier row of %s says %q: make them the same", v, scan, *c.into))
			}
			*c.into = v
		}
	}
	b := Batch{Batch: get("batch"), Product: get("product"), Amount: get("amount"), Cooling: get("cooling"),
		OutletOpened: get("outlet_opened"), Unusual: get("unusual"), Phosphatase: get("phosphatase"),
		HoldMarked: Mark{Start: get("hold_start"), End: get("hold_end")}}
	for _, c := range []struct {
		key  string
		into **float64
	}{{"fat_percent", &b.FatPercent}, {"total_solids_percent", &b.TotalSolidsPercent}} {
		if v := get(c.key); v != "" {
			x, err := strconv.ParseFloat(v, 64)
			if err != nil {
				return fail(c.key, fmt.Errorf("%q: write a number", v))
			}
			*c.into = &x
		}
	}
	var claims *bool
	for _, c := range []struct {
		key  string
		into **bool
	}{{"sweetened", &b.Sweetened}, {"preheated", &b.Preheated}, {"claims_reduction", &claims}} {
		switch v := strings.ToLower(get(c.key)); v {
		case "":
		case "true", "yes":
			*c.into = ptr(true)
		case "false", "no":
			*c.into = ptr(false)
		default:
			return fail(c.key, fmt.Errorf("%q: write true or false", v))
		}
	}
	b.ClaimsReduction = claims != nil && *claims
	for _, c := range []struct {
		key  string
		into *[]Reading
	}{{"indicating", &b.Indicating}, {"airspace", &b.Airspace}} {
		for _, s := range strings.Split(get(c.key), ";") {
			if s = strings.TrimSpace(s); s == "" {
				continue
			}
			at, reads, _ := strings.Cut(s, "=")
			if strings.TrimSpace(reads) == "" {
				continue // a time without a reading: missing, which is a finding
			}
			x, err := strconv.ParseFloat(strings.TrimSpace(reads), 64)
			if err != nil {
				return fail(c.key, fmt.Errorf("%q: write readings as 07:38=146.0; 08:01=146.2, without a unit", s))
			}
			*c.into = append(*c.into, Reading{At: strings.TrimSpace(at), Reads: x})
		}
	}
	e.Batches = append(e.Batches, b)
	if key, err := e.check(); err != nil {
		return fail(key[strings.LastIndex(key, ".")+1:], err)
	}
	return nil
}

func ptr[T any](v T) *T { return &v }
