// Package rules holds the law of several places as data: each number with its
// unit as that law prints it, its source, and how it is known.
package rules

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"

	"penarm/calibrate/form"
)

//go:embed *.yaml
var builtin embed.FS

// How a number is known.
const (
	Read           = "read"            // the text of the source was read
	FromMemory     = "from memory"     // recalled, text not seen: check before relying on it
	CommonPractice = "common practice" // no text at all
	Derived        = "derived"         // worked out from other numbers here
)

// Cited is where a number comes from and how that is known.
type Cited struct {
	Source string `yaml:"source"`
	Known  string `yaml:"known"`
}

// String is the source with how it is known, as printed beside every check.
func (c Cited) String() string { return c.Source + " (" + c.Known + ")" }

// Temperature as printed in the law, in either unit or both; one is never converted to the other.
type Temperature struct {
	F *float64 `yaml:"F"`
	C *float64 `yaml:"C"`
}

// In gives the figure printed in the unit ("F" or "C"), false where the law prints none.
func (t Temperature) In(unit string) (float64, bool) {
	v := t.C
	if unit == "F" {
		v = t.F
	}
	if v == nil {
		return 0, false
	}
	return *v, true
}

// String gives the figures as printed: 145 °F / 63 °C.
func (t Temperature) String() string {
	var s []string
	if t.F != nil {
		s = append(s, fmt.Sprintf("%g °F", *t.F))
	}
	if t.C != nil {
		s = append(s, fmt.Sprintf("%g °C", *t.C))
	}
	return strings.Join(s, " / ")
}

// Option is one way to pasteurize: at or above Temperature (and, where the law
// has one, at or below Highest) for at least Minutes without a break.
type Option struct {
	Temperature Temperature  `yaml:"temperature"`
	Highest     *Temperature `yaml:"highest"`
	Reduced     bool         `yaml:"-"` // a shorter hold of hotter milk, as Reduction allows
	Minutes     float64      `yaml:"minutes"`
	Cited       `yaml:",inline"`
}

// Row is one product class. A row that names Products is taken where the
// product's name holds one of them; one with Richer is taken where any of its
// conditions is met; the base row, first in the list, is for everything else.
type Row struct {
	Row      string   `yaml:"row"`
	Products []string `yaml:"products"`
	Richer   *Richer  `yaml:"richer"`
	Options  []Option `yaml:"options"`
}

// Richer are the conditions of a hotter row, any of which suffices; one the law does not name is nil or false.
type Richer struct {
	FatPercent         *float64 `yaml:"fat_percent_at_least"`
	TotalSolidsPercent *float64 `yaml:"total_solids_percent_at_least"`
	Sweetened          bool     `yaml:"sweetened"`
	Cited              `yaml:",inline"`
}

// Airspace is how much hotter than the legal temperature of the product the air above it must be.
type Airspace struct {
	Margin   Temperature `yaml:"margin"`
	Readings int         `yaml:"readings"` // written in each hold: 2 are its start and end
	Cited    `yaml:",inline"`
}

// Agreement of the recorder with the indicating thermometer: never above it.
type Agreement struct {
	Every string `yaml:"every"` // "batch" or "chart": how often the two are compared
	Cited `yaml:",inline"`
}

// Entry that the law wants written. Its names are the keys of an entries file.
type Entry struct {
	Entry string `yaml:"entry"`
	Cited `yaml:",inline"`
}

// Number with its source.
type Number struct {
	Value float64 `yaml:"value"`
	Cited `yaml:",inline"`
}

// FormLimits of the printed blank for a vat chart.
type FormLimits struct {
	Span          Temperature `yaml:"span_at_least"`             // of the scale
	Around        Temperature `yaml:"around"`                    // the scale reaches this far to either side of the legal temperature
	Division      Temperature `yaml:"division_at_most"`          // smallest step
	SpacingMM     float64     `yaml:"spacing_mm_at_least"`       // between divisions at the legal temperature
	SpacingThinMM float64     `yaml:"spacing_mm_with_thin_line"` // where the pen line can be told from the print
	TimeMinutes   float64     `yaml:"time_division_minutes_at_most"`
	TimeChordMM   float64     `yaml:"time_chord_mm_at_least"` // of one time division at the legal temperature
	RotationHours float64     `yaml:"rotation_hours_at_most"`
	Cited         `yaml:",inline"`
}

// Reduction of the hold that a law allows hotter milk: above Above, MinutesPerDegree
// less for each degree over From, on a passed phosphatase test. Never granted
// silently: the entries must claim it.
type Reduction struct {
	Above            Temperature `yaml:"above"`
	From             Temperature `yaml:"from"`
	MinutesPerDegree float64     `yaml:"minutes_per_degree"`
	Cited            `yaml:",inline"`
}

// Lethality is z of the information on equivalent minutes.
type Lethality struct {
	Z     Temperature `yaml:"z"`
	Cited `yaml:",inline"`
}

// RuleSet is the law of one place.
type RuleSet struct {
	Rules           string      `yaml:"rules"`
	Title           string      `yaml:"title"`
	Notes           []string    `yaml:"notes"` // what is unsettled, printed in the report
	GuardBand       Number      `yaml:"guard_band_k"`
	Rows            []Row       `yaml:"rows"`
	HotEmptying     *Cited      `yaml:"hot_emptying"` // emptying and filling time count
	Outlet          *Cited      `yaml:"outlet"`
	Airspace        *Airspace   `yaml:"airspace"`
	Agreement       *Agreement  `yaml:"agreement"`
	Record          Cited       `yaml:"record"` // overlapped, stopped or turned charts
	ChartEntries    []Entry     `yaml:"chart_entries"`
	BatchEntries    []Entry     `yaml:"batch_entries"`
	RetentionMonths *Number     `yaml:"retention_months"`
	ClockMonths     *Number     `yaml:"clock_check_months"`
	ClockFast       Cited       `yaml:"clock"`
	CoolTo          *CoolTo     `yaml:"cool_to"`
	Form            *FormLimits `yaml:"form"`
	Reduction       *Reduction  `yaml:"reduction"`
	Lethality       *Lethality  `yaml:"lethality"`

	Path string `yaml:"-"` // empty for a built-in set
	Data []byte `yaml:"-"` // the file itself, to be shown and hashed
}

// CoolTo is the temperature that the product must be cooled to; no law read gives a time for it.
type CoolTo struct {
	Temperature Temperature `yaml:"temperature"`
	Cited       `yaml:",inline"`
}

// Names of the built-in rule sets.
func Names() []string {
	files, _ := fs.Glob(builtin, "*.yaml")
	for i, f := range files {
		files[i] = strings.TrimSuffix(f, ".yaml")
	}
	slices.Sort(files)
	return files
}

// Load gives a built-in rule set by its name, or reads one from a path, relative
// to baseDir. Errors name the file, the key and the remedy.
func Load(nameOrPath, baseDir string) (*RuleSet, error) {
	if slices.Contains(Names(), nameOrPath) {
		data, err := builtin.ReadFile(nameOrPath + ".yaml")
		if err != nil {
			return nil, fmt.Errorf("rule set %s: %w", nameOrPath, err)
		}
		return parse(data, nameOrPath+".yaml", "")
	}
	if !strings.ContainsAny(nameOrPath, `/\.`) {
		return nil, fmt.Errorf("rule set %q is not built in: use one of %s, or the path of a rule file", nameOrPath, strings.Join(Names(), ", "))
	}
	path := nameOrPath
	if !filepath.IsAbs(path) {
		path = filepath.Join(baseDir, path)
	}
	st, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("rule set: %w: name a built-in one (%s) or correct the path", err, strings.Join(Names(), ", "))
	}
	if st.Size() > 1<<20 {
		return nil, fmt.Errorf("%s: %d bytes are too many for a rule set", path, st.Size())
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("rule set: %w", err)
	}
	return parse(data, path, path)
}

func parse(data []byte, name, path string) (*RuleSet, error) {
	r := &RuleSet{Path: path, Data: data}
	if err := form.Decode(data, r); err != nil {
		return nil, fmt.Errorf("%s: %s", name, strings.TrimSpace(yaml.FormatError(err, false, true)))
	}
	if err := r.check(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return r, nil
}

func (r *RuleSet) check() error {
	if r.Rules == "" || r.Title == "" {
		return errors.New("rules, title: missing: name the rule set and say whose law it is")
	}
	if k := r.GuardBand.Value; !(k >= 1 && k <= 5) {
		return fmt.Errorf("guard_band_k: %v must lie between 1 and 5 standard uncertainties", k)
	}
	if len(r.Rows) == 0 || len(r.Rows[0].Products) > 0 || r.Rows[0].Richer != nil {
		return errors.New("rows: the first row must be the base row, without products or richer")
	}
	cites := map[string]Cited{"guard_band_k": r.GuardBand.Cited, "record": r.Record, "clock": r.ClockFast}
	for _, w := range r.Rows {
		if w.Row == "" || len(w.Options) == 0 {
			return fmt.Errorf("rows: %q needs a name and at least one option", w.Row)
		}
		if w.Richer != nil {
			cites["rows "+w.Row+" richer"] = w.Richer.Cited
		}
		for i, o := range w.Options {
			key := fmt.Sprintf("rows %s options[%d]", w.Row, i)
			cites[key] = o.Cited
			if o.Temperature.F == nil && o.Temperature.C == nil {
				return fmt.Errorf("%s: no temperature: write {F: …} or {C: …} or both as the law prints them", key)
			}
			if h := o.Highest; h != nil && (o.Temperature.F != nil && h.F == nil || o.Temperature.C != nil && h.C == nil) {
				return fmt.Errorf("%s: highest: missing in a unit that its temperature has", key)
			}
			if !(o.Minutes > 0 && o.Minutes <= 240) {
				return fmt.Errorf("%s: minutes: %v must lie between 0 and 240", key, o.Minutes)
			}
			for _, t := range []struct {
				v        *float64
				low, top float64
			}{{o.Temperature.F, 130, 215}, {o.Temperature.C, 54, 102}} {
				if t.v != nil && !(*t.v >= t.low && *t.v <= t.top) {
					return fmt.Errorf("%s: temperature: %v is no pasteurizing temperature in that unit", key, *t.v)
				}
			}
		}
	}
	for _, e := range append(slices.Clone(r.ChartEntries), r.BatchEntries...) {
		cites["entry "+e.Entry] = e.Cited
		if !slices.Contains(entryNames, e.Entry) {
			return fmt.Errorf("entries: %q is none that can be asked for: use %s", e.Entry, strings.Join(entryNames, ", "))
		}
	}
	if r.HotEmptying != nil {
		cites["hot_emptying"] = *r.HotEmptying
	}
	if r.Outlet != nil {
		cites["outlet"] = *r.Outlet
	}
	if a := r.Airspace; a != nil {
		cites["airspace"] = a.Cited
		if a.Readings < 1 || a.Readings > 2 {
			return fmt.Errorf("airspace: readings: %d must be 1 or 2", a.Readings)
		}
		for _, w := range r.Rows {
			for _, o := range w.Options {
				if o.Temperature.F != nil && a.Margin.F == nil || o.Temperature.C != nil && a.Margin.C == nil {
					return fmt.Errorf("airspace: margin: missing in a unit that rows %s has: write {F: …, C: …} as the law prints them", w.Row)
				}
			}
		}
	}
	if a := r.Agreement; a != nil {
		cites["agreement"] = a.Cited
		if a.Every != "batch" && a.Every != "chart" {
			return fmt.Errorf("agreement: every: %q: write batch or chart", a.Every)
		}
	}
	if n := r.RetentionMonths; n != nil {
		cites["retention_months"] = n.Cited
	}
	if n := r.ClockMonths; n != nil {
		cites["clock_check_months"] = n.Cited
	}
	if n := r.CoolTo; n != nil {
		cites["cool_to"] = n.Cited
	}
	if n := r.Form; n != nil {
		cites["form"] = n.Cited
	}
	if n := r.Reduction; n != nil {
		cites["reduction"] = n.Cited
		if !(n.MinutesPerDegree > 0) {
			return fmt.Errorf("reduction: minutes_per_degree: %v must be above 0", n.MinutesPerDegree)
		}
	}
	if n := r.Lethality; n != nil {
		cites["lethality"] = n.Cited
		for _, z := range []*float64{n.Z.F, n.Z.C} {
			if z != nil && !(*z >= 1 && *z <= 50) {
				return fmt.Errorf("lethality: z: %v degrees must lie between 1 and 50", *z)
			}
		}
	}
	for _, key := range sorted(cites) {
		c := cites[key]
		if c.Source == "" || !slices.Contains([]string{Read, FromMemory, CommonPractice, Derived}, c.Known) {
			return fmt.Errorf("%s: every number needs its source, and known: %s, %s, %s or %s", key, Read, FromMemory, CommonPractice, Derived)
		}
	}
	return nil
}

var entryNames = []string{"plant", "chart_date", "recorder", "operator", "batch", "product", "amount", "indicating", "airspace", "outlet_opened", "hold_marked"}

func sorted(m map[string]Cited) (keys []string) {
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
