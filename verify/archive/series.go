package archive

import (
	"fmt"
	"os"
	"path/filepath"

	"penarm/digitize/series"
	"penarm/verify"
	"penarm/verify/entries"
	"penarm/verify/seal"
)

// SeriesJob is a time–temperature series from anywhere, to be judged.
type SeriesJob struct {
	Path     string // series.csv, in the plant's unit
	Plant    string
	Entries  string // path, empty: none
	Recorder string // where the entries name none
}

// CheckSeries judges a series that is there already. Errors name the file and the remedy.
func CheckSeries(job SeriesJob) (*verify.Findings, error) {
	p, err := loadPlant(job.Plant)
	if err != nil {
		return nil, err
	}
	hashes := p.hashes
	var e *entries.Entries
	if job.Entries != "" {
		if e, err = entries.Load(job.Entries); err != nil {
			return nil, err
		}
		if err := p.Check(e); err != nil {
			return nil, err
		}
		if hashes["entries"], err = seal.HashFile(job.Entries); err != nil {
			return nil, err
		}
	}
	name := job.Recorder
	if e != nil && e.Recorder != "" {
		name = e.Recorder
	}
	if name == "" && len(p.Recorders) == 1 {
		name = p.Recorders[0].Recorder
	}
	if name == "" {
		return nil, fmt.Errorf("%s: nothing names the recorder: give --recorder or --entries", job.Path)
	}
	rec := p.Recorder(name)
	if rec == nil {
		return nil, fmt.Errorf("%q is no recorder of %s: correct --recorder", name, job.Plant)
	}
	if err := regular(job.Path); err != nil {
		return nil, fmt.Errorf("%s: %w: correct the path", job.Path, err)
	}
	in, err := os.Open(job.Path)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	all, err := series.Read(in)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", job.Path, err)
	}
	for i := range all {
		all[i].Unit = p.Unit
	}
	if hashes["series"], err = seal.HashFile(job.Path); err != nil {
		return nil, err
	}
	f := verify.Verify(verify.Problem{
		Series: all, Plant: p.Plant, Recorder: rec, Entries: e, Rules: p.rules,
		Form: p.form(rec.Form), ExpectedForm: rec.Form, HourKnown: true,
	})
	f.Scan = verify.Scan{File: filepath.Base(job.Path), SHA256: hashes["series"]}
	f.Provenance = verify.Provenance{Version: Version, Files: hashes}
	return f, nil
}
