package archive

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"penarm/calibrate"
	"penarm/calibrate/form"
	"penarm/calibrate/picture"
	"penarm/digitize/series"
	"penarm/verify/entries"
	"penarm/verify/rules"
	"penarm/verify/seal"
)

// reading is a chart with all that was read from it and about it.
type reading struct {
	picture  *picture.Picture
	face     *calibrate.Face
	refused  error // why no form was found
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

// plant is a plant file with all that it names.
type plant struct {
	*entries.Plant
	forms  []*form.Form
	rules  *rules.RuleSet
	hashes map[string]string // role → SHA-256
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

// recordersOf are those that use a form.
func (p *plant) recordersOf(form string) (out []*entries.Recorder) {
	for i := range p.Recorders {
		if p.Recorders[i].Form == form {
			out = append(out, &p.Recorders[i])
		}
	}
	return out
}

// find calibrates: with the form that the recorder uses, or the only one there is, else with the one of the
// library that the print matches. That may be another than the recorder's: the
// wrong chart was fitted, and verify says so.
func (c *Checker) find(ctx context.Context, job Job, r *reading) error {
	path := job.Paths[0]
	blank := func(f *form.Form) (*calibrate.Blank, error) {
		b, err := c.blank(ctx, f)
		if err != nil {
			return nil, NewError(path, "blank of form "+f.Form, err, "correct blank in "+f.Path+", or scan the unused form again")
		}
		return b, nil
	}
	fit := func(f *form.Form) (*calibrate.Face, error) {
		b, err := blank(f)
		if err != nil {
			return nil, err
		}
		return calibrate.Fit(ctx, calibrate.Problem{Picture: r.picture, Form: f, Blank: b, Mark: job.Mark})
	}
	var own *form.Form
	var library []calibrate.Candidate
	for _, f := range r.plant.forms {
		if len(r.plant.forms) == 1 || r.recorder != nil && f.Form == r.recorder.Form {
			own = f
		} else {
			library = append(library, calibrate.Candidate{Form: f, Blank: func() (*calibrate.Blank, error) { return blank(f) }})
		}
	}
	var err error
	if own != nil {
		r.face, err = fit(own)
	}
	refused := new(calibrate.Refusal)
	if own == nil || errors.As(err, &refused) && job.Mark == nil && len(library) > 0 {
		face, other := calibrate.Identify(ctx, r.picture, library)
		// Where no other form matches either, what is wrong with the own one says more, unless one matches beside another chart.
		if own == nil || !errors.As(other, &refused) || refused.Test == calibrate.TwoCharts {
			r.face, err = face, other
		}
		if err == nil && job.Mark != nil {
			r.face, err = fit(face.Form)
		}
	}
	if r.refused = err; err != nil {
		return NewError(path, "calibration", err, "if it is a chart of this form, scan it again flat, whole and sharp; otherwise correct the recorder")
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
