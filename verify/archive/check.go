package archive

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"runtime/debug"
	"strings"
	"time"

	"penarm/calibrate"
	"penarm/calibrate/form"
	"penarm/calibrate/picture"
	"penarm/digitize"
	"penarm/digitize/series"
	"penarm/verify"
	"penarm/verify/entries"
	"penarm/verify/evidence"
	"penarm/verify/rules"
	"penarm/verify/seal"
)

// Checker takes charts the whole way, one after the other. It keeps what charts
// of one plant share: plant file, forms, calibrated blanks, rules, day sheets.
// It is not for use by several goroutines.
type Checker struct {
	open   Opener
	plants map[string]*plant
	blanks map[string]*calibrate.Blank // by form file
	sheets map[string]map[string]*entries.Entries
}

// plant is a plant file with all that it names.
type plant struct {
	*entries.Plant
	forms  []*form.Form
	rules  *rules.RuleSet
	hashes map[string]string // role → SHA-256
}

// NewChecker gives a Checker that opens scans with open.
func NewChecker(open Opener) *Checker {
	return &Checker{
		open:   open,
		plants: map[string]*plant{},
		blanks: map[string]*calibrate.Blank{},
		sheets: map[string]map[string]*entries.Entries{},
	}
}

// Do takes one chart as far as its job says and leaves the result, or error.json,
// in Out/Name. A fault of the program itself ends as an Error too. A job that ctx
// stops leaves nothing.
func (c *Checker) Do(ctx context.Context, job Job) (o Outcome) {
	defer func() {
		if r := recover(); r != nil {
			fmt.Fprintf(os.Stderr, "%v\n%s", r, debug.Stack())
			o.Pages, o.Findings, o.Calibration, o.Extract, o.Verdict = 0, nil, nil, nil, ""
			o.Err = NewError(job.Paths[0], "program", fmt.Errorf("unexpected fault: %v", r),
				"this is a defect of penarm: report it together with the scan")
			o.Err = leave(job, o.Err)
		}
	}()
	o = Outcome{Name: job.Name, File: job.Paths[0], Page: max(1, job.Page)}
	if err := c.do(ctx, job, &o); err != nil {
		o.Err = NewError(job.Paths[0], "program", err, "see the reason")
		var shown *pictured
		var with []file
		if errors.As(err, &shown) {
			with = append(with, shown.picture)
		}
		if ctx.Err() == nil && !job.Look {
			o.Err = leave(job, o.Err, with...)
		}
	}
	return o
}

// pictured is an error that a picture explains.
type pictured struct {
	why     *Error
	picture file
}

func (p *pictured) Error() string { return p.why.Error() }

func (p *pictured) Unwrap() error { return p.why }

// leave files the error, with what explains it; where not even that can be written, it says so too.
func leave(job Job, e *Error, with ...file) *Error {
	if err := commitError(job, e, with...); err != nil && !strings.Contains(e.Reason, err.Error()) {
		e.Reason += fmt.Sprintf(" (and %s could not be written: %v)", errorFile, err)
	}
	return e
}

func (c *Checker) do(ctx context.Context, job Job, o *Outcome) error {
	if job.Look {
		pic, err := c.open.Open(job.Paths[0], job.Page)
		o.Back = err == nil && !calibrate.ShowsDisc(pic) // a page that cannot be opened says so as a chart
		return nil
	}
	r, err := c.read(ctx, job, o)
	if err != nil || o.Pages > 1 {
		return err
	}
	var files []file
	switch job.Step {
	case Calibrate:
		files, err = c.calibrated(r, o)
	case Digitize:
		files, err = r.digitized()
	default:
		files, err = c.checked(r, job, o)
		if err == nil && job.Extract {
			o.Extract, err = extract(r, o.Findings)
		}
	}
	if err != nil {
		return NewError(o.File, "evidence", err, "this is a defect of penarm: report it together with the scan")
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := commit(job.Out, job.Name, job.Step, files); err != nil {
		o.Findings, o.Calibration, o.Extract, o.Verdict = nil, nil, nil, ""
		return NewError(o.File, "output", err, "make room or choose another --out, then run again: nothing half-written was left")
	}
	return nil
}

// reading is a chart with all that was read from it and about it.
type reading struct {
	picture  *picture.Picture
	face     *calibrate.Face
	tried    *calibrate.Attempt // of the form that it should be, where that was refused
	series   []series.Series
	events   []series.Event
	zeroAt   time.Time // of printed hour 0
	plant    *plant
	recorder *entries.Recorder
	entries  *entries.Entries // nil: none
	hashes   map[string]string
	backs    []back
}

// read goes from the file to the series, as far as the step needs it.
func (c *Checker) read(ctx context.Context, job Job, o *Outcome) (*reading, error) {
	r := &reading{hashes: map[string]string{}}
	if err := c.written(job, r); err != nil {
		return nil, err
	}
	path := job.Paths[0]
	if _, part := nameOf(path); len(job.Paths) == 1 && part != "" {
		return nil, NewError(path, "scan", errors.New("the name says that this is one half of a chart, and the other half is not there"),
			"name both halves, NAME.a and NAME.b; a whole chart goes without .a or .b")
	}
	if err := regular(path); err != nil {
		return nil, NewError(path, "scan", err, "correct the path, or scan the chart again")
	}
	page := job.Page
	if page == 0 {
		n, err := c.open.Pages(path)
		if err != nil {
			return nil, NewError(path, "scan", err, "scan the chart again as JPEG, PNG, TIFF or PDF")
		}
		if n > 1 && len(job.Paths) > 1 {
			return nil, NewError(path, "scan", fmt.Errorf("one half of a chart is one picture, the file has %d pages", n), "save the half as a picture of its own")
		}
		if n > 1 && job.Mark != nil {
			return nil, NewError(path, "mark", fmt.Errorf("--hour and --at tell the hour of one chart, the file has %d pages", n), "take the page out into a file of its own")
		}
		if n > 1 {
			o.Pages = n
			return nil, nil
		}
		page = 1
	}
	var err error
	if r.hashes["scan"], err = seal.HashFile(path); err != nil {
		return nil, NewError(path, "scan", err, "make the file readable")
	}
	if r.picture, err = c.open.Open(path, page); err != nil {
		return nil, NewError(path, "scan", err, "scan the chart again as JPEG, PNG, TIFF or PDF")
	}
	if len(job.Paths) > 1 {
		if err := c.join(ctx, job.Paths[1], r); err != nil {
			return nil, err
		}
	}
	if err := c.find(ctx, job, r); err != nil {
		return nil, c.shown(job, r, err)
	}
	if job.Step == Check {
		for _, page := range job.Backs {
			b, err := c.back(path, page)
			if err != nil {
				return nil, NewError(path, "scan", err, "scan the back of the chart again")
			}
			r.backs = append(r.backs, b)
		}
	}
	if job.Step == Calibrate {
		return r, ctx.Err()
	}
	return r, c.trace(ctx, job, r)
}

// regular refuses what is no ordinary file, so that no pipe or device is waited on.
func regular(path string) error {
	st, err := os.Stat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return errors.New("no such file")
	case err != nil:
		var pe *os.PathError
		if errors.As(err, &pe) {
			err = pe.Err
		}
		return fmt.Errorf("cannot be opened: %w", err)
	case !st.Mode().IsRegular():
		return errors.New("is not an ordinary file")
	case st.Size() == 0:
		return errors.New("the file is empty")
	}
	return nil
}

// written loads what people wrote: the plant file and the chart's entries.
func (c *Checker) written(job Job, r *reading) (err error) {
	if job.Form != "" {
		f, err := form.Load(job.Form)
		if err != nil {
			return NewError(job.Paths[0], "form file", err, "correct the form file")
		}
		r.plant = &plant{forms: []*form.Form{f}}
		return nil
	}
	if r.plant, err = c.plant(job.Plant); err != nil {
		return NewError(job.Paths[0], "plant file", err, "correct the plant file, or what it names")
	}
	for role, h := range r.plant.hashes {
		r.hashes[role] = h
	}
	if err := c.entries(job, r); err != nil {
		return NewError(job.Paths[0], "entries", err, "correct the entries, then run again")
	}
	name := job.Recorder
	if r.entries != nil && r.entries.Recorder != "" {
		name = r.entries.Recorder
	}
	if name != "" {
		if r.recorder = r.plant.Recorder(name); r.recorder == nil {
			return NewError(job.Paths[0], "recorder", fmt.Errorf("%q is no recorder of %s", name, job.Plant), "correct --recorder")
		}
	}
	return nil
}

// entries come from the file beside the scan or from the day sheet, not from both.
func (c *Checker) entries(job Job, r *reading) error {
	own := filepath.Base(job.Name)
	path := filepath.Join(filepath.Dir(job.Paths[0]), own+".entries.yaml")
	_, err := os.Stat(path)
	beside := err == nil
	if job.Sheet != "" {
		sheet, ok := c.sheets[job.Sheet]
		if !ok {
			if sheet, err = entries.LoadSheet(job.Sheet); err != nil {
				return err
			}
			c.sheets[job.Sheet] = sheet
		}
		e := sheet[job.Name]
		if e == nil && job.Alike && sheet[own] != nil {
			return fmt.Errorf("%s has entries for %s, and several folders have a scan of that name: write %s in column scan", job.Sheet, own, job.Name)
		}
		if e == nil {
			e = sheet[own]
		}
		if e != nil && e.Fault != "" {
			return errors.New(e.Fault)
		}
		if e != nil {
			if beside {
				return fmt.Errorf("%s and %s both have entries for %s: keep one of them", path, job.Sheet, job.Name)
			}
			path, r.entries = job.Sheet, e
		}
	}
	if beside {
		if r.entries, err = entries.Load(path); err != nil {
			return err
		}
	}
	if r.entries == nil {
		return nil
	}
	if err := r.plant.Check(r.entries); err != nil {
		return err
	}
	r.hashes["entries"], err = seal.HashFile(path)
	return err
}

// plant loads the plant file with its forms and rules, once.
func (c *Checker) plant(path string) (*plant, error) {
	if p := c.plants[path]; p != nil {
		return p, nil
	}
	p, err := loadPlant(path)
	if err != nil {
		return nil, err
	}
	c.plants[path] = p
	return p, nil
}

func loadPlant(path string) (*plant, error) {
	e, err := entries.LoadPlant(path)
	if err != nil {
		return nil, err
	}
	p := &plant{Plant: e, hashes: map[string]string{}}
	if p.hashes["plant"], err = seal.HashFile(path); err != nil {
		return nil, err
	}
	dir := e.Forms
	if !filepath.IsAbs(dir) {
		dir = filepath.Join(filepath.Dir(path), dir)
	}
	if p.forms, err = form.LoadAll(dir); err != nil {
		return nil, err
	}
	for _, r := range e.Recorders {
		if p.form(r.Form) == nil {
			return nil, fmt.Errorf("%s: recorder %s: form %q is not in %s: add it there, or correct its number", path, r.Recorder, r.Form, dir)
		}
	}
	if p.rules, err = rules.Load(e.Rules, filepath.Dir(path)); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	p.hashes["rules"] = fmt.Sprintf("%x", sha256.Sum256(p.rules.Data))
	return p, nil
}

// form by its key, nil if there is none such.
func (p *plant) form(key string) *form.Form {
	for _, f := range p.forms {
		if f.Form == key {
			return f
		}
	}
	return nil
}

// find calibrates: with the form that the recorder uses, else with the one of the
// library that the print matches. That may be another than the recorder's: the
// wrong chart was fitted, and verify says so.
func (c *Checker) find(ctx context.Context, job Job, r *reading) (err error) {
	path := job.Paths[0]
	blank := func(f *form.Form) (*calibrate.Blank, error) {
		b, err := c.blank(ctx, f)
		if err != nil {
			return nil, NewError(path, "blank of form "+f.Form, err, "correct blank in "+f.Path+", or scan the unused form again")
		}
		return b, nil
	}
	const remedy = "if it is a chart of this form, scan it again flat, whole and sharp; otherwise correct the recorder"
	var others []*form.Form
	for _, f := range r.plant.forms {
		if len(r.plant.forms) > 1 && (r.recorder == nil || f.Form != r.recorder.Form) {
			others = append(others, f)
			continue
		}
		own, broken := blank(f)
		if broken != nil {
			return broken
		}
		r.face, err = calibrate.Fit(ctx, calibrate.Problem{Picture: r.picture, Form: f, Blank: own, Mark: job.Mark})
		errors.As(err, &r.tried)
	}
	if err != nil && (job.Mark != nil || len(others) == 0) {
		return NewError(path, "calibration", err, remedy)
	}
	if r.face == nil {
		var library []calibrate.Candidate
		for _, f := range others {
			library = append(library, calibrate.Candidate{Form: f, Blank: func() (*calibrate.Blank, error) { return blank(f) }})
		}
		face, other := calibrate.Identify(ctx, r.picture, library)
		var refused *calibrate.Refusal
		switch {
		case other == nil && job.Mark != nil:
			own, broken := blank(face.Form)
			if broken != nil {
				return broken
			}
			r.face, err = calibrate.Fit(ctx, calibrate.Problem{Picture: r.picture, Form: face.Form, Blank: own, Mark: job.Mark})
		case other == nil:
			r.face, err = face, nil
		case err == nil || !errors.As(other, &refused):
			err = other // of no form of its own, or of a blank
		}
		if err != nil {
			return NewError(path, "calibration", err, remedy)
		}
	}
	f := r.face.Form
	if r.hashes["form"], err = seal.HashFile(f.Path); err == nil && f.Blank != nil {
		r.hashes["blank"], err = seal.HashFile(f.Blank.Image)
	}
	if err != nil {
		return NewError(path, "form file", err, "leave the forms in place while charts are read")
	}
	return nil
}

// blank calibrates a form's blank once; nil where the form has none.
func (c *Checker) blank(ctx context.Context, f *form.Form) (*calibrate.Blank, error) {
	if b, ok := c.blanks[f.Path]; ok || f.Blank == nil {
		return b, nil
	}
	if err := regular(f.Blank.Image); err != nil {
		return nil, fmt.Errorf("%s: %w", f.Blank.Image, err)
	}
	pic, err := c.open.Open(f.Blank.Image, 1)
	if err != nil {
		return nil, err
	}
	b, err := calibrate.ReadBlank(ctx, pic, f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.Blank.Image, err)
	}
	c.blanks[f.Path] = b
	return b, nil
}

// trace follows the ink. Where nothing names the recorder, those that use the
// form are tried, and those kept for which the ink shows most pens. Several that
// have the same single pen are not told apart: the chart is then read without
// naming one.
func (c *Checker) trace(ctx context.Context, job Job, r *reading) error {
	path := job.Paths[0]
	var on time.Time
	if r.entries != nil {
		on = r.entries.OnChartTime()
	}
	may := []*entries.Recorder{r.recorder}
	if r.recorder == nil {
		if may = r.plant.recordersOf(r.face.Form.Form); len(may) == 0 {
			return NewError(path, "recorder", fmt.Errorf("no recorder uses form %s", r.face.Form.Form), "add the recorder to the plant file")
		}
	}
	most := -1
	var kept []*entries.Recorder
	for _, rec := range may {
		var pens []digitize.Pen
		for _, p := range rec.Pens {
			pens = append(pens, digitize.Pen{Name: p.Pen, Ink: p.Ink, AheadMinutes: p.AheadMinutes})
		}
		t, err := digitize.Trace(ctx, digitize.Problem{Picture: r.picture, Face: r.face, Pens: pens, OnChart: on, Told: r.told(), LowerEdge: job.Lower})
		if err != nil {
			return NewError(path, "trace", err, "look whether the pen line can be seen on the scan; if so, report the scan")
		}
		switch n := shown(t.Series); {
		case n > most:
			most, kept, r.series, r.events, r.zeroAt = n, []*entries.Recorder{rec}, t.Series, t.Events, t.ZeroAt
		case n == most:
			kept = append(kept, rec)
		}
	}
	r.recorder = kept[0]
	if len(kept) > 1 {
		r.recorder = nil
		for _, rec := range kept {
			if len(rec.Pens) > 1 || rec.Pens[0].AheadMinutes != kept[0].Pens[0].AheadMinutes {
				return NewError(path, "recorder", fmt.Errorf("nothing names the recorder, and the ink does not tell apart %s, which all use form %s",
					names(kept), r.face.Form.Form), "say which with --recorder, or write the entries")
			}
		}
	}
	for i := range r.series {
		r.series[i].Unit = r.face.Form.Unit
		if u := r.plant.Unit; u != "" && u != r.face.Form.Unit {
			convert(&r.series[i], u)
		}
	}
	if on.IsZero() && r.entries != nil {
		settle(r)
	}
	return nil
}

// told are the written temperatures, each at the first time of day of its name from half an hour before the pen
// touched the chart on. On a chart of several days they say nothing.
func (r *reading) told() (out []digitize.Told) {
	if r.entries == nil || r.face.Form.RotationHours > 24 {
		return nil
	}
	on := r.entries.OnChartTime()
	if on.IsZero() {
		return nil
	}
	from := on.Add(-30 * time.Minute)
	unit := cmp.Or(r.plant.Unit, r.face.Form.Unit)
	add := func(pen string, written []entries.Reading) {
		for _, w := range written {
			at, err := time.Parse("2006-01-02 15:04:05", (from.Format("2006-01-02 ") + w.At + ":00")[:19])
			if err != nil {
				continue
			}
			if at.Before(from) {
				at = at.AddDate(0, 0, 1)
			}
			out = append(out, digitize.Told{Pen: pen, At: at, Temperature: verify.Converted(w.Reads, unit, r.face.Form.Unit)})
		}
	}
	for _, b := range r.entries.Batches {
		add("product", b.Indicating)
		add("airspace", b.Airspace)
	}
	return out
}

func (p *plant) recordersOf(form string) (out []*entries.Recorder) {
	for i := range p.Recorders {
		if p.Recorders[i].Form == form {
			out = append(out, &p.Recorders[i])
		}
	}
	return out
}

// shown counts the pens that left a line: half an hour of well read samples at
// least, and more of these than of weak ones. 0 where any pen of the recorder left none.
func shown(all []series.Series) int {
	for _, s := range all {
		good, weak := 0.0, 0.0 // seconds
		for i, p := range s.Samples[:max(0, len(s.Samples)-1)] {
			d := s.Samples[i+1].Time.Sub(p.Time).Seconds()
			switch p.Quality {
			case series.Good:
				good += d
			case series.Weak:
				weak += d
			}
		}
		if good < 1800 || good < weak {
			return 0
		}
	}
	return len(all)
}

func names(rs []*entries.Recorder) string {
	var s []string
	for _, r := range rs {
		s = append(s, r.Recorder)
	}
	return strings.Join(s, ", ")
}

// convert turns the samples of a form printed in one unit into the plant's.
func convert(s *series.Series, unit string) {
	scale := 1.8
	if unit == "C" {
		scale = 1 / 1.8
	}
	for i := range s.Samples {
		s.Samples[i].Temperature = verify.Converted(s.Samples[i].Temperature, s.Unit, unit)
		s.Samples[i].UTemperature *= scale
	}
	s.Unit = unit
}

var clockTime = regexp.MustCompile(`^\d\d:\d\d(:\d\d)?$`)

// settle puts a trace whose on_chart is not written on the chart's date. The
// earliest written time tells a.m. from p.m.; without any the morning is taken.
func settle(r *reading) {
	date, err := time.Parse("2006-01-02", r.entries.ChartDate)
	var start time.Time
	inked := false
	for _, s := range r.series {
		if len(s.Samples) > 0 && (!inked || s.Samples[0].Time.Before(start)) {
			start, inked = s.Samples[0].Time, true
		}
	}
	if err != nil || !inked {
		return
	}
	near := 6 * time.Hour
	earliest := 24 * time.Hour
	for _, b := range r.entries.Batches {
		times := []string{b.OutletOpened}
		for _, l := range [][]entries.Reading{b.Indicating, b.Airspace} {
			for _, w := range l {
				times = append(times, w.At)
			}
		}
		for _, s := range times {
			if !clockTime.MatchString(s) {
				continue
			}
			if t, err := time.Parse("15:04:05", (s + ":00")[:8]); err == nil {
				earliest = min(earliest, t.Sub(t.Truncate(24*time.Hour)))
			}
		}
	}
	if earliest < 24*time.Hour {
		near = earliest - time.Hour // filled and heated before anything is written
	}
	midnight := start.Truncate(24 * time.Hour)
	days := int((date.Unix() - midnight.Unix()) / (24 * 3600)) // more than a Duration holds
	rest := near - start.Sub(midnight)
	if r.face.Form.Labels.Kind == "clock" { // whole turns only: the print tells the rest
		rest = rest.Round(time.Duration(r.face.Form.RotationHours * float64(time.Hour)))
	}
	moved := func(t time.Time) time.Time { return t.AddDate(0, 0, days).Add(rest) }
	for i := range r.series {
		for j := range r.series[i].Samples {
			s := &r.series[i].Samples[j]
			s.Time = moved(s.Time)
		}
	}
	r.zeroAt = moved(r.zeroAt)
	for i := range r.events {
		r.events[i].From, r.events[i].To = moved(r.events[i].From), moved(r.events[i].To)
	}
}

func (r *reading) digitized() ([]file, error) {
	var b bytes.Buffer
	err := series.Write(&b, r.series)
	return []file{{"series.csv", b.Bytes()}}, err
}

// calibrated leaves the face's figures and a picture with its circles and arcs.
func (c *Checker) calibrated(r *reading, o *Outcome) ([]file, error) {
	o.Calibration = &Calibration{
		Schema: "penarm.calibration/1", Form: r.face.Form.Form, Method: r.face.Method, Hour: string(r.face.Hour),
		RingResidualMM: r.face.RingResidualMM, ArcResidualS: r.face.ArcResidualS, UMM: r.face.UMM,
	}
	data, err := json.MarshalIndent(o.Calibration, "", "  ")
	if err != nil {
		return nil, err
	}
	picture, err := c.fitting(r.picture, r.face, "")
	return []file{{"calibration.json", append(data, '\n')}, picture}, err
}

// fitting draws what a calibration found; refused says why it does not stand.
func (c *Checker) fitting(p *picture.Picture, f *calibrate.Face, refused string) (file, error) {
	var b bytes.Buffer
	err := evidence.Fitting(&b, evidence.Input{Picture: p, Face: f, Findings: &verify.Findings{}, JPEG: c.open.JPEG}, refused)
	return file{"calibration.jpg", b.Bytes()}, err
}

// shown adds to a refusal the picture of the map that was refused, where calibration is all that was asked for.
func (c *Checker) shown(job Job, r *reading, err error) error {
	known := new(Error)
	if job.Step != Calibrate || r.tried == nil || !errors.As(err, &known) {
		return err
	}
	picture, broken := c.fitting(r.picture, r.tried.Face, fmt.Sprintf("%s. Test: %s.", r.tried.Words, r.tried.Test))
	if broken != nil {
		return err
	}
	return &pictured{known, picture}
}

// hourKnown: the samples' times are clock times by the print, or by what is written where the print counts from there.
func (r *reading) hourKnown() bool {
	written := r.entries != nil && !r.entries.OnChartTime().IsZero()
	return r.face.Hour != calibrate.HourOnChart && (r.face.Form.Labels.Kind != "elapsed" || written)
}

// checked verifies the series and draws the evidence.
func (c *Checker) checked(r *reading, job Job, o *Outcome) ([]file, error) {
	hour, expected := r.face.Hour, ""
	if r.recorder != nil {
		expected = r.recorder.Form
	}
	f := verify.Verify(verify.Problem{
		Series: r.series, Events: r.events,
		Plant: r.plant.Plant, Recorder: r.recorder, Entries: r.entries, Rules: r.plant.rules,
		Form: r.face.Form, ExpectedForm: expected,
		HourKnown: r.hourKnown(),
	})
	f.Form = r.face.Form.Form
	if strings.HasPrefix(f.ChartDate, "0001-") {
		f.ChartDate = "" // no date is written: the trace counts from day one
	}
	f.Scan = verify.Scan{File: filepath.Base(o.File), SHA256: r.hashes["scan"], Page: o.Page, Source: r.picture.Source}
	for _, b := range r.backs {
		f.Scan.Backs = append(f.Scan.Backs, verify.Back{Page: b.page, Written: b.written})
		if b.written {
			f.Checks = append(f.Checks, verify.Check{Check: "back", Verdict: verify.Undecided, Source: "a note on the back belongs to the record",
				Reason: fmt.Sprintf("the back of the chart, page %d, is written on: read it", b.page)})
		}
	}
	f.Calibration = verify.Calibration{
		Method: r.face.Method, Hour: string(hour),
		RingResidualMM: r.face.RingResidualMM, ArcResidualS: r.face.ArcResidualS,
	}
	delete(r.hashes, "scan")
	f.Provenance = verify.Provenance{Version: Version, Files: r.hashes}
	o.Findings, o.Verdict = f, f.Verdict

	in := evidence.Input{
		Picture: r.picture, Face: r.face, ZeroAt: r.zeroAt, Series: r.series, Events: r.events, Findings: f,
		Plant: r.plant.Plant, Recorder: r.recorder, Entries: r.entries, Rules: r.plant.rules,
		Paper: job.Paper, JPEG: c.open.JPEG,
	}
	files, err := r.digitized()
	if err != nil {
		return nil, err
	}
	data, err := evidence.FindingsJSON(f)
	if err != nil {
		return nil, err
	}
	files = append(files, file{"findings.json", data})
	type drawing struct {
		name string
		draw func(io.Writer, evidence.Input) error
	}
	all := []drawing{{"overlay.jpg", evidence.Overlay}, {"report.pdf", evidence.Report}, {"annex.pdf", evidence.Annex}, {"strip.png", evidence.Strip}}
	if job.Full {
		all = append(all, drawing{"overlay-full.jpg", evidence.OverlayFull}, drawing{"plot.svg", evidence.Plot})
	}
	for _, d := range all {
		var b bytes.Buffer
		if err := d.draw(&b, in); err != nil {
			return nil, err
		}
		if d.name == "overlay.jpg" {
			in.Drawn = b.Bytes() // the report shows it
		}
		files = append(files, file{d.name, b.Bytes()})
	}
	for _, b := range r.backs {
		files = append(files, file{fmt.Sprintf("back-p%d.jpg", b.page), b.jpeg})
	}
	return files, nil
}
