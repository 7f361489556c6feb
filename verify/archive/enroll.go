package archive

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image/png"
	"os"
	"path/filepath"
	"strings"

	"penarm/calibrate"
	"penarm/calibrate/form"
	"penarm/verify"
	"penarm/verify/evidence"
)

// Enroll is the step that teaches a form: it leaves form.yaml, blank.png and
// enrolled.jpg, the picture to approve, in a folder of the form's number.
const Enroll Step = "enroll"

// Facts are what a person reads off an unused form.
type Facts = calibrate.Facts

// Enrolled says what was found on an unused form.
type Enrolled struct {
	Dir   string
	Words string // what was measured, in a line
}

// EnrollForm measures the unused form in the file and leaves it under out. It
// replaces no folder. hour is facts.Mark's own, as written.
func EnrollForm(ctx context.Context, open Opener, path string, facts Facts, hour, out string) (*Enrolled, error) {
	name := strings.Map(func(r rune) rune {
		if r < ' ' || strings.ContainsRune(`/\:*?"<>|`, r) {
			return '-'
		}
		return r
	}, facts.Number)
	dir := filepath.Join(out, name)
	if strings.Trim(name, ". ") == "" {
		return nil, NewError(path, "form", errors.New("its number is empty"), "give the number printed on the blank with --number")
	}
	if _, err := os.Lstat(dir); err == nil {
		return nil, NewError(dir, "output", errors.New("is there already"), "remove it, or choose another --out")
	}
	if err := regular(path); err != nil {
		return nil, NewError(path, "scan", err, "correct the path, or scan the unused form again")
	}
	const again = "scan one unused form flat, whole and in colour, at 300 dpi"
	pic, err := open.Open(path, 1)
	if err != nil {
		return nil, NewError(path, "scan", err, again)
	}
	face, err := calibrate.Enroll(ctx, pic, facts)
	if err != nil {
		return nil, NewError(path, "blank", err, again)
	}
	f := face.Form
	x, y := face.Pixel(facts.Mark.Hours, f.Outer())
	f.Blank = &form.Blank{Image: "blank.png", Reference: form.Reference{X: x, Y: y, Time: hour}}
	text := f.YAML()
	// What is written must read back, and fit the very scan it was measured on.
	written, err := form.Parse(text, filepath.Join(dir, form.FileName))
	if err != nil {
		return nil, NewError(path, "form", err, "correct the facts given for the form")
	}
	blank, err := calibrate.ReadBlank(ctx, pic, written)
	if err != nil {
		return nil, NewError(path, "blank", err, again)
	}
	var image, drawn bytes.Buffer
	if err := png.Encode(&image, pic.Image()); err != nil {
		return nil, NewError(path, "blank", err, again)
	}
	if err := evidence.Overlay(&drawn, evidence.Input{Picture: pic, Face: blank.Face, Findings: &verify.Findings{}, JPEG: open.JPEG}); err != nil {
		return nil, NewError(path, "evidence", err, "this is a defect of penarm: report it together with the scan")
	}
	lock, err := prepare(out)
	if err != nil {
		return nil, err
	}
	defer lock.Close()
	err = commit(out, name, Enroll, []file{{form.FileName, text}, {"blank.png", image.Bytes()}, {"enrolled.jpg", drawn.Bytes()}})
	if err != nil {
		return nil, NewError(dir, "output", err, "make room or choose another --out, then run again: nothing half-written was left")
	}
	arcs, _ := f.Arcs()
	return &Enrolled{dir, fmt.Sprintf("form %s: %d circles of %g degrees, heavy every %g; %d arcs of %g min, heavy every %g, leaning %s; pivot %.1f mm, arm %.1f mm; paper %.1f mm; circles to %.3f mm rms, arcs to %.1f s rms",
		f.Form, len(f.Circles()), f.MinorRing, f.MajorRing, arcs, f.TimeArcs.EveryMinutes, f.TimeArcs.MajorMinutes, f.TimeArcs.Lean,
		f.TimeArcs.PivotMM, f.TimeArcs.ArmMM, f.DiameterMM, blank.Face.RingResidualMM, blank.Face.ArcResidualS)}, nil
}
