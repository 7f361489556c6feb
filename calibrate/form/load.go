package form

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// FileName is the form's own file within its folder.
const FileName = "form.yaml"

// maxFile bounds a form file: a page of text is enough, more is not a form.
const maxFile = 1 << 20

// Load reads one form: path is a form.yaml or the folder that holds it. Unknown
// keys, wrong words and impossible sizes are errors that name file, line and key.
func Load(path string) (*Form, error) {
	if st, err := os.Stat(path); err == nil && st.IsDir() {
		path = filepath.Join(path, FileName)
	}
	st, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("form file: %w", err)
	}
	if !st.Mode().IsRegular() {
		return nil, fmt.Errorf("%s: is not an ordinary file: name a form's file, or the folder that holds it", path)
	}
	if st.Size() > maxFile {
		return nil, fmt.Errorf("%s: %d bytes are too many for a form file", path, st.Size())
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("form file: %w", err)
	}
	return Parse(data, path)
}

// Decode is the strict YAML of every file that people write: an unknown key is an error. Some malformed
// texts (a bare tag where a list is due) make the library panic; here that is an error, too.
func Decode(data []byte, into any) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = errors.New("not YAML that can be read: compare it with a file that works")
		}
	}()
	return yaml.UnmarshalWithOptions(data, into, yaml.Strict())
}

// Parse reads a form from the text of its file; path names it in errors, and is where its blank lies.
func Parse(data []byte, path string) (*Form, error) {
	f := &Form{Path: path}
	if err := Decode(data, f); err != nil {
		return nil, fmt.Errorf("%s: %s", path, strings.TrimSpace(yaml.FormatError(err, false, true)))
	}
	if key, err := f.check(); err != nil {
		if line := lineOf(data, key); line > 0 {
			return nil, fmt.Errorf("%s:%d: %s: %w", path, line, key, err)
		}
		return nil, fmt.Errorf("%s: %s: %w", path, key, err)
	}
	if f.Blank != nil && !filepath.IsAbs(f.Blank.Image) {
		f.Blank.Image = filepath.Join(filepath.Dir(path), f.Blank.Image)
	}
	return f, nil
}

// lineOf is the line of a dotted key in the file, or of its nearest parent that is there, 0 if none.
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
		var node ast.Node
		if node, err = p.FilterFile(file); err == nil && node != nil {
			return node.GetToken().Position.Line
		}
	}
	return 0
}

// check returns the key at fault and what to do.
func (f *Form) check() (key string, err error) {
	positive := func(v float64) bool { return v > 0 && !math.IsInf(v, 0) && !math.IsNaN(v) }
	if strings.TrimSpace(f.Form) == "" {
		return "form", errors.New("missing: give the number printed on the blank")
	}
	if f.Unit != "F" && f.Unit != "C" {
		return "unit", fmt.Errorf("%q is no unit: write F or C", f.Unit)
	}
	for _, s := range []struct {
		key string
		v   float64
	}{
		{"diameter_mm", f.DiameterMM}, {"rotation_hours", f.RotationHours},
		{"minor_ring", f.MinorRing}, {"major_ring", f.MajorRing},
		{"time_arcs.every_minutes", f.TimeArcs.EveryMinutes}, {"time_arcs.major_minutes", f.TimeArcs.MajorMinutes},
	} {
		if !positive(s.v) {
			return s.key, fmt.Errorf("%v must be a number above 0", s.v)
		}
	}
	if f.HubHoleMM < 0 || f.HubHoleMM >= f.DiameterMM || math.IsNaN(f.HubHoleMM) {
		return "hub_hole_mm", fmt.Errorf("%v must lie between 0 and diameter_mm", f.HubHoleMM)
	}
	if w := f.TimeRuns; w != "clockwise" && w != "counterclockwise" {
		return "time_runs", fmt.Errorf("%q: write clockwise or counterclockwise", w)
	}
	if len(f.Rings) < 2 {
		return "rings", errors.New("at least two printed circles are needed")
	}
	for i, r := range f.Rings {
		key := fmt.Sprintf("rings[%d]", i)
		if !positive(r.RadiusMM) || r.RadiusMM > f.DiameterMM/2 {
			return key + ".radius_mm", fmt.Errorf("%v must lie between 0 and half of diameter_mm", r.RadiusMM)
		}
		if math.IsNaN(r.At) || math.Abs(r.At) > 1e4 {
			return key + ".at", fmt.Errorf("%v is no temperature", r.At)
		}
	}
	r := f.byRadius()
	up := r[len(r)-1].At > r[0].At
	for i := 1; i < len(r); i++ {
		if r[i].RadiusMM-r[i-1].RadiusMM < 1e-6 || r[i].At == r[i-1].At || (r[i].At > r[i-1].At) != up {
			return "rings", fmt.Errorf("temperature must rise all the way or fall all the way with the radius, see %v and %v", r[i-1].At, r[i].At)
		}
	}
	whole := func(a, b float64) bool { q := a / b; return q > 0.5 && math.Abs(q-math.Round(q)) < 1e-6 }
	if !whole(f.MajorRing, f.MinorRing) {
		return "major_ring", fmt.Errorf("%v is no multiple of minor_ring %v", f.MajorRing, f.MinorRing)
	}
	if n := math.Abs(r[len(r)-1].At-r[0].At) / f.MinorRing; n < 4 || n > 2000 {
		return "minor_ring", fmt.Errorf("%v gives %.0f circles: the scale needs between 4 and 2000", f.MinorRing, n)
	}
	if !whole(f.TimeArcs.MajorMinutes, f.TimeArcs.EveryMinutes) {
		return "time_arcs.major_minutes", fmt.Errorf("%v is no multiple of every_minutes %v", f.TimeArcs.MajorMinutes, f.TimeArcs.EveryMinutes)
	}
	if !whole(f.RotationHours*60, f.TimeArcs.MajorMinutes) {
		return "rotation_hours", fmt.Errorf("%v hours are no whole number of heavy arcs of %v minutes", f.RotationHours, f.TimeArcs.MajorMinutes)
	}
	if n := f.RotationHours * 60 / f.TimeArcs.EveryMinutes; n > 5000 {
		return "time_arcs.every_minutes", fmt.Errorf("%v gives %.0f arcs a turn: at most 5000", f.TimeArcs.EveryMinutes, n)
	}
	p, a := f.TimeArcs.PivotMM, f.TimeArcs.ArmMM
	left := p == 0 && a == 0 // both left out: estimated from a scan
	if !left && !positive(p) {
		return "time_arcs.pivot_mm", fmt.Errorf("%v must be a length above 0: measure from the chart's centre to the pen arm's pivot", p)
	}
	if !left && !positive(a) {
		return "time_arcs.arm_mm", fmt.Errorf("%v must be a length above 0: measure from the pen arm's pivot to the pen tip", a)
	}
	if in, out := r[0].RadiusMM, r[len(r)-1].RadiusMM; !left && (math.Abs(p-a) >= in || p+a <= out) {
		return "time_arcs.arm_mm", fmt.Errorf("a pen of %v mm on a pivot %v mm off the centre cannot reach from %v to %v mm", a, p, in, out)
	}
	if w := f.TimeArcs.Lean; w != "clockwise" && w != "counterclockwise" {
		return "time_arcs.lean", fmt.Errorf("%q: write clockwise or counterclockwise", w)
	}
	if k := f.Labels.Kind; k != "clock" && k != "elapsed" {
		return "labels.kind", fmt.Errorf("%q: write clock or elapsed", k)
	}
	if b := f.Blank; b != nil {
		if b.Image == "" {
			return "blank.image", errors.New("missing: name the scan of the unused form, or leave blank out")
		}
		if !(b.Reference.X > -1e6 && b.Reference.X < 1e6) || !(b.Reference.Y > -1e6 && b.Reference.Y < 1e6) {
			return "blank.reference", errors.New("x and y must be a pixel of the blank")
		}
		h, err := ParseHours(b.Reference.Time)
		if err != nil {
			return "blank.reference.time", err
		}
		if last := f.LastHour(); h >= last {
			return "blank.reference.time", fmt.Errorf("%q lies beyond the form's %g hours: give a printed hour, counted from 00:00", b.Reference.Time, last)
		}
	}
	return "", nil
}

// ParseHours reads HH:MM or HH:MM:SS as hours; HH may go beyond 24 on a form of several days.
func ParseHours(s string) (float64, error) {
	bad := fmt.Errorf("%q is no time: write HH:MM, in quotes", s)
	parts := strings.Split(s, ":")
	if len(parts) < 2 || len(parts) > 3 {
		return 0, bad
	}
	h := 0.0
	for i, scale := range []float64{1, 60, 3600}[:len(parts)] {
		n, err := strconv.ParseUint(parts[i], 10, 16)
		if err != nil || len(parts[i]) > 3 || (i > 0 && (n > 59 || len(parts[i]) != 2)) {
			return 0, bad
		}
		h += float64(n) / scale
	}
	return h, nil
}

// LoadAll loads every form in a folder: each sub-folder with a form.yaml, and a
// form.yaml in the folder itself. Forms are known, and sorted, by their form key.
func LoadAll(dir string) ([]*Form, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("forms folder: %w", err)
	}
	paths := []string{filepath.Join(dir, FileName)}
	for _, e := range entries {
		paths = append(paths, filepath.Join(dir, e.Name(), FileName))
	}
	var out []*Form
	seen := map[string]string{}
	for _, p := range paths {
		if st, err := os.Stat(p); err != nil || st.IsDir() {
			continue
		}
		f, err := Load(p)
		if err != nil {
			return nil, err
		}
		if other, ok := seen[f.Form]; ok {
			return nil, fmt.Errorf("%s: form %q is already described in %s: keep one of them", p, f.Form, other)
		}
		seen[f.Form] = p
		out = append(out, f)
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("%s holds no form: each form is a folder with a %s", dir, FileName)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Form < out[j].Form })
	return out, nil
}
