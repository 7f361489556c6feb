package archive

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"

	"penarm/calibrate"
	"penarm/calibrate/picture"
	"penarm/digitize/series"
	"penarm/verify"
	"penarm/verify/entries"
	"penarm/verify/evidence"
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
	o.Stretches = stretches(r.series)
	return nil
}

func (r *reading) digitized() ([]file, error) {
	var b bytes.Buffer
	err := series.Write(&b, r.series)
	return []file{{"series.csv", b.Bytes()}}, err
}

// calibrated leaves the face's figures and a picture with its circles and arcs.
func (c *Checker) calibrated(r *reading, o *Outcome) ([]file, error) {
	o.Calibration = &Calibration{
		Schema: "penarm.calibration/1", Scan: r.scan(o), Form: r.face.Form.Form, Method: r.face.Method, Hour: string(r.face.Hour),
		RingResidualMM: r.face.RingResidualMM, ArcResidualS: r.face.ArcResidualS, UMM: r.face.UMM,
	}
	data, err := json.MarshalIndent(o.Calibration, "", "  ")
	if err != nil {
		return nil, err
	}
	picture, err := c.fitting(r.picture, r.face, "")
	return []file{{"calibration.json", append(data, '\n')}, picture}, err
}

// scan names the picture that was read.
func (r *reading) scan(o *Outcome) verify.Scan {
	return verify.Scan{File: filepath.Base(o.File), SHA256: r.hashes["scan"], Page: o.Page, Source: r.picture.Source}
}

// fitting draws what a calibration found, which may be nothing; refused says why it does not stand.
func (c *Checker) fitting(p *picture.Picture, f *calibrate.Face, refused string) (file, error) {
	var b bytes.Buffer
	err := evidence.Fitting(&b, evidence.Input{Picture: p, Face: f, Findings: &verify.Findings{}, JPEG: c.open.JPEG}, refused)
	return file{"calibration.jpg", b.Bytes()}, err
}

// shown adds to a refusal the picture of the map that was refused, or of the scan alone where none was found, where
// calibration is all that was asked for.
func (c *Checker) shown(job Job, r *reading, err error) error {
	known, refused := new(Error), new(calibrate.Refusal)
	if job.Step != Calibrate || !errors.As(r.refused, &refused) || !errors.As(err, &known) {
		return err
	}
	var face *calibrate.Face
	if tried := new(calibrate.Attempt); errors.As(r.refused, &tried) {
		face = tried.Face
	}
	picture, broken := c.fitting(r.picture, face, fmt.Sprintf("%s. Test: %s.", refused.Words, refused.Test))
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
	f.Scan = r.scan(o)
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
	f.Provenance = verify.Provenance{Version: Version, Line: verify.LineCentre, Files: r.hashes}
	if job.Lower {
		f.Provenance.Line = verify.LineLower
	}
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
