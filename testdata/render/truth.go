package render

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// Truth is what a scene's truth file holds; times are seconds after Start as the printed arcs say.
type Truth struct {
	Set           string              `json:"set"`
	Seed          int64               `json:"seed"`
	Index         int                 `json:"index"`
	Scan          string              `json:"scan"`
	Form          string              `json:"form"`
	Recorder      string              `json:"recorder"`
	Unit          string              `json:"unit"`
	Start         string              `json:"start"`
	Difficulty    string              `json:"difficulty"`
	Scenario      []string            `json:"scenario"`
	ScanTags      []string            `json:"scan_tags"`
	RotationHours float64             `json:"rotation_hours"`
	MMPerDegree   float64             `json:"mm_per_F_at_145"` // in the plant's unit, at 145 °F
	MMPerSecond   float64             `json:"mm_per_s_at_145"`
	PPMM          float64             `json:"ppmm"`
	Batches       []TruthBatch        `json:"batches"`
	Checks        map[string][]string `json:"checks"`
	Verdict       []string            `json:"verdict"`
	Events        [][3]any            `json:"events"`
	Image         TruthImage          `json:"image"`
	NodesColumns  []string            `json:"nodes_columns"`
	Nodes         [][4]float64        `json:"nodes"` // printed hours, temperature in the form's unit, x, y
	Pens          []TruthPen          `json:"pens"`
}

// TruthImage is the size of the upright picture.
type TruthImage struct {
	Width  int    `json:"width"`
	Height int    `json:"height"`
	Note   string `json:"note"`
}

// TruthHold is the hold as drawn.
type TruthHold struct {
	Start        float64 `json:"start"`
	End          float64 `json:"end"`
	Minutes      float64 `json:"minutes"`
	Lowest       float64 `json:"lowest"`
	LowestInside float64 `json:"lowest_2min_inside"`
}

// TruthBatch is one batch with its accepted verdicts.
type TruthBatch struct {
	Batch      string              `json:"batch"`
	Product    string              `json:"product"`
	Legal      float64             `json:"legal"`
	LoweredBy  float64             `json:"lowered_by"`
	Level      float64             `json:"level"`
	Need       float64             `json:"need_minutes"`
	Window     [2]float64          `json:"window"`
	Plateau    [2]float64          `json:"plateau"`
	Hold       *TruthHold          `json:"hold"`
	GapsBelow  float64             `json:"hold_gaps_below"`
	GapsAbove  float64             `json:"hold_gaps_above"`
	NotLowered float64             `json:"hold_not_lowered"`
	Difference *float64            `json:"recorder_minus_indicating"`
	Checks     map[string][]string `json:"checks"`
	Verdict    []string            `json:"verdict"`
	Decidable  bool                `json:"decidable"`
}

// TruthPen is one pen's drawn line: flag is a digit a sample (0 scored, 1 off
// scale, 2 overwritten, 4 clock stood or chart turned, 8 outside the picture), gap 1 where no ink is.
type TruthPen struct {
	Pen   string    `json:"pen"`
	Ahead float64   `json:"ahead_minutes"`
	Ink   string    `json:"ink"`
	T     []float64 `json:"t"`
	Value []float64 `json:"T"`
	Flag  string    `json:"flag"`
	Gap   string    `json:"gap"`
}

func places(v float64, n int) float64 {
	k := math.Pow(10, float64(n))
	return math.Round(v*k) / k
}

// Truth gives what is to be read, and every verdict a fair reading may come to.
func (s *Scene) Truth() *Truth {
	f := s.Form
	t := &Truth{Set: "rendered", Seed: s.Seed, Form: f.Number, Recorder: s.Name, Unit: s.Unit, Start: s.Start.Format("2006-01-02T15:04:05"),
		Scenario: s.Scenario, RotationHours: f.Hours, PPMM: places(s.optics.ppmm, 4), Events: [][3]any{},
		Image:        TruthImage{s.optics.w, s.optics.h, "pixels after the EXIF orientation is applied"},
		NodesColumns: []string{"printed hours", "temperature", "x", "y"}}
	at := s.fromF(145)
	t.MMPerDegree, t.MMPerSecond = places(s.mmPerDegree(at), 5), places(f.MMPerSecond(f.Radius(s.toForm(at))), 6)
	t.ScanTags, t.Difficulty = s.tags()
	for i := range 24 {
		h := f.Hours * float64(i) / 24
		for k := range 9 {
			v := f.Rings[0].At + (f.Rings[len(f.Rings)-1].At-f.Rings[0].At)*float64(k)/8
			x, y := s.Pixel(h, v)
			t.Nodes = append(t.Nodes, [4]float64{places(h, 4), places(v, 3), places(x, 3), places(y, 3)})
		}
	}
	var all [][]string
	missing := false
	line := s.pen("product")
	for _, b := range s.Batches {
		j := s.judge(b)
		q := TruthBatch{Batch: b.Name, Product: b.Product, Legal: b.Legal, LoweredBy: places(j.lowered, 3), Level: places(j.level, 3), Need: j.need,
			Window:  [2]float64{places(line.clockAt(b.Fill), 1), places(line.clockAt(b.Close), 1)},
			Plateau: [2]float64{places(line.clockAt(b.Start), 1), places(line.clockAt(b.End), 1)},
			Checks:  j.checks, GapsBelow: places(j.below, 4), GapsAbove: places(j.above, 4), NotLowered: places(j.whole, 4)}
		if j.hold {
			q.Hold = &TruthHold{places(j.start, 2), places(j.end, 2), places(j.minutes, 4), places(j.lowest, 3), places(j.lowestInside, 3)}
			if math.IsInf(j.lowestInside, 0) {
				q.Hold.LowestInside = q.Hold.Lowest
			}
		}
		if j.diffKnown && len(b.Indicating) > 0 {
			d := places(j.diff, 3)
			q.Difference = &d
		}
		var sets [][]string
		for _, c := range j.checks {
			sets = append(sets, c)
		}
		q.Verdict = worst(sets)
		q.Decidable = !has(j.checks["hold"], "undecided")
		missing = missing || has(j.checks["entries"], "fail")
		all = append(all, sets...)
		t.Batches = append(t.Batches, q)
	}
	record := set("pass")
	for _, e := range s.Events {
		t.Events = append(t.Events, [3]any{e.Kind, places(e.From, 1), places(e.To, 1)})
		switch e.Kind {
		case "gap":
			v := set("pass", "undecided")
			for _, b := range t.Batches {
				if b.Hold != nil && e.To > b.Hold.Start && e.From < b.Hold.End {
					v = set("undecided", "fail")
				}
			}
			if !has(record, "fail") {
				record = v
			}
		default:
			record = set("undecided", "fail")
		}
	}
	for _, e := range s.blots {
		t.Events = append(t.Events, [3]any{"blot", places(e.From, 1), places(e.To, 1)})
		if !has(record, "fail") {
			record = set("pass", "undecided")
		}
	}
	t.Checks = map[string][]string{"record": record, "entries": set("pass")}
	if missing {
		t.Checks["entries"] = set("pass", "undecided", "fail")
	}
	if s.Ratio > 0 {
		t.Checks["clock"] = set("pass")
		if s.Ratio < 1 {
			t.Checks["clock"] = set("fail")
		}
	}
	for _, c := range t.Checks {
		all = append(all, c)
	}
	t.Verdict = worst(all)
	for _, l := range s.Lines {
		p := TruthPen{Pen: l.Name, Ahead: l.Ahead, Ink: l.Ink, Flag: string(l.Flag)}
		var g strings.Builder
		for i := range l.Clock {
			p.T = append(p.T, places(l.Clock[i], 2))
			p.Value = append(p.Value, places(l.Value[i], 3))
			g.WriteByte("01"[map[bool]int{true: 1}[l.Gap[i]]])
		}
		p.Gap = g.String()
		t.Pens = append(t.Pens, p)
	}
	return t
}

// tags name the look, and how hard it is.
func (s *Scene) tags() (tags []string, difficulty string) {
	l := s.Look
	add := func(on bool, tag string) {
		if on {
			tags = append(tags, tag)
		}
	}
	add(l.Phone, "phone")
	add(l.Bilevel != "", "bilevel")
	add(l.Grey, "greyscale")
	add(l.Clip > 0, "clipped")
	add(l.Old > 0, "old paper")
	add(l.Crease, "creased")
	add(l.Lid != "" && l.Lid != "white", l.Lid+" lid")
	add(l.Tag != 0, "wrong dpi tag")
	add(l.Orientation > 1, "exif")
	add(l.Quality > 0 && l.Quality < 60, "low jpeg")
	add(l.Unsharp > 0, "unsharp")
	add(l.Blur > 0.08, "soft")
	add(s.sameInk(), "same ink")
	add(s.Form.Register != [2]float64{}, "two colours")
	add(s.Form.Rings[0].At > s.Form.High()-1, "inverted")
	add(len(s.Form.Rings) > 2, "non-uniform")
	add(true, fmt.Sprintf("%.0f dpi", l.DPI))
	add(true, "form in "+s.Form.Unit)
	difficulty = "easy"
	if l.Old > 0 || l.Grey || l.Tag != 0 || l.Unsharp > 0 || l.Quality > 0 && l.Quality < 70 {
		difficulty = "medium"
	}
	if l.Phone || l.Bilevel != "" || l.Clip > 0 || l.DPI < 180 || s.sameInk() || s.has(Handwriting) {
		difficulty = "hard"
	}
	return tags, difficulty
}

// Entries is the entries file.
func (s *Scene) Entries() string {
	var b strings.Builder
	clock := func(t float64) string {
		return s.Start.Add(secs(t)).Format("15:04")
	}
	fmt.Fprintf(&b, "recorder: %s\nchart_date: %s\non_chart: \"%s\"\noperator: %s\nbatches:\n", s.Name, s.Start.Format("2006-01-02"), clock(0), s.operator())
	for _, q := range s.Batches {
		cooling := "in-vat"
		if q.Outside {
			cooling = "outside"
		}
		fmt.Fprintf(&b, "- batch: \"%s\"\n  product: %s\n  fat_percent: %g\n  total_solids_percent: %g\n  sweetened: %v\n  amount: 300 gal\n  preheated: %v\n  cooling: %s\n",
			q.Name, q.Product, q.Fat, q.Solids, q.Sweetened, q.Preheated, cooling)
		if !q.NoOutlet {
			fmt.Fprintf(&b, "  outlet_opened: \"%s\"\n", clock(q.Outlet))
		}
		list := func(key string, rs []Reading) {
			if len(rs) == 0 {
				return
			}
			fmt.Fprintf(&b, "  %s:\n", key)
			for _, r := range rs {
				fmt.Fprintf(&b, "  - {at: \"%s\", reads: %.1f}\n", clock(r.At), r.Reads)
			}
		}
		list("indicating", q.Indicating)
		list("airspace", q.Airspace)
		fmt.Fprintf(&b, "  unusual: \"%s\"\n", q.Unusual)
	}
	return b.String()
}

// Write leaves the scan and its entries under dir/scans and the truth under dir/truth, named after index (from 1).
func (s *Scene) Write(dir string, index int) error {
	data, ext, err := s.Encode()
	if err != nil {
		return err
	}
	t := s.Truth()
	t.Index = index
	t.Scan = fmt.Sprintf("%04d.%s", index, ext)
	js, err := json.Marshal(t)
	if err != nil {
		return err
	}
	for _, f := range []struct {
		path string
		data []byte
	}{
		{filepath.Join(dir, "scans", t.Scan), data},
		{filepath.Join(dir, "scans", fmt.Sprintf("%04d.entries.yaml", index)), []byte(s.Entries())},
		{filepath.Join(dir, "truth", fmt.Sprintf("%04d.truth.json", index)), js},
	} {
		if err := os.MkdirAll(filepath.Dir(f.path), 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(f.path, f.data, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// Plant is a plant file for the recorders that these options describe.
func Plant(unit string, recorders []Options) string {
	var b strings.Builder
	fmt.Fprintf(&b, "plant: Hazelbrook Dairy\nunit: %s\nrules: us-grade-a-vat\nforms: forms\nrecorders:\n", unit)
	for _, o := range recorders {
		fmt.Fprintf(&b, "- recorder: %s\n  form: %s\n  vat: V%s\n  pens:\n", o.Name, o.Form.Number, o.Name[1:])
		for _, p := range o.Pens {
			if p.Ahead > 0 {
				fmt.Fprintf(&b, "  - {pen: %s, ink: %s, ahead_minutes: %g}\n", p.Name, p.Ink, p.Ahead)
			} else {
				fmt.Fprintf(&b, "  - {pen: %s, ink: %s}\n", p.Name, p.Ink)
			}
		}
		if o.Ratio > 0 {
			fmt.Fprintf(&b, "  clock_check: {date: 2026-01-05, true_minutes: 30.0, chart_minutes: %g}\n", 30/o.Ratio)
		}
	}
	b.WriteString("vats:\n")
	for _, o := range recorders {
		fmt.Fprintf(&b, "- {vat: V%s, emptying_minutes: %g, filling_minutes: %g}\n", o.Name[1:], o.Vat.Emptying, o.Vat.Filling)
	}
	return b.String()
}

func secs(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
