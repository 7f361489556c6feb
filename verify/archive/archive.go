// Package archive takes charts the whole way from the file to the filed result:
// one at a time (Checker), or many over worker processes (Run and Serve). It
// opens no picture itself: the opener is handed in.
package archive

import (
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"

	"penarm/calibrate"
	"penarm/calibrate/form"
	"penarm/calibrate/picture"
	"penarm/verify"
	"penarm/verify/archive/ledger"
)

// Version of the program, set by the linker; every result names it.
var Version = "development"

// Opener opens scans. Pages says how many charts a file holds; Open gives one of
// them, counted from 1, upright. JPEG encodes a picture of three channels; nil: the
// standard library does.
type Opener struct {
	Pages func(path string) (int, error)
	Open  func(path string, page int) (*picture.Picture, error)
	JPEG  func(p *picture.Picture, quality int) ([]byte, error)
}

// Step is how far along its way a chart is taken.
type Step string

// The steps, each with what it leaves in OUT/NAME.
const (
	Calibrate Step = "calibrate" // calibration.json, calibration.jpg
	Digitize  Step = "digitize"  // series.csv
	Check     Step = "check"     // series.csv, findings.json, overlay.jpg, strip.png, report.pdf, annex.pdf; with Job.Full also overlay-full.jpg, plot.svg; with Job.Backs back-p2.jpg
)

// leaves says whether the step leaves a file of this name. A folder that holds anything else is never replaced.
func (s Step) leaves(name string) bool {
	for _, pattern := range s.files() {
		if ok, err := filepath.Match(pattern, name); ok && err == nil {
			return true
		}
	}
	return name == errorFile
}

// files lists what a step leaves, as patterns of filepath.Match.
func (s Step) files() []string {
	switch s {
	case Calibrate:
		return []string{"calibration.json", "calibration.jpg"}
	case Digitize:
		return []string{"series.csv"}
	case Enroll:
		return []string{form.FileName, "blank.png", "enrolled.jpg"}
	}
	return []string{"series.csv", "findings.json", "overlay.jpg", "strip.png", "report.pdf", "annex.pdf", "overlay-full.jpg", "plot.svg", "back-p*.jpg"}
}

// Job is one chart to be done.
type Job struct {
	Step     Step     `json:"step"`
	Name     string   `json:"name"`  // of the chart and of its folder under Out
	Paths    []string `json:"paths"` // the scan; two where it was scanned in halves
	Page     int      `json:"page"`  // 0: not known yet how many charts the file holds
	Look     bool     `json:"look"`  // only say whether the page is the back of a chart
	Backs    []int    `json:"backs"` // pages without a disc's print that follow this chart
	Plant    string   `json:"plant"`
	Form     string   `json:"form"` // calibrate only: form file instead of a plant
	Out      string   `json:"out"`
	Recorder string   `json:"recorder"` // where the entries name none
	Sheet    string   `json:"sheet"`    // CSV day sheet, beside the entries files
	Alike    bool     `json:"alike"`    // another folder of the run has a scan of this name
	Extract  bool     `json:"extract"`  // check only: the outcome has what the ledger keeps
	Lower    bool     `json:"lower"`    // read the line's lower-temperature edge, not its centre
	Mark     *Mark    `json:"mark"`     // nil: the print alone tells the hour
	Paper    string   `json:"paper"`    // of the report: "A4" or "Letter"; empty means A4
	Full     bool     `json:"full"`     // the overlay at scan size and the plot as SVG, too
}

// Mark is a place of the scan, in pixels, whose printed hour a person has told.
type Mark = calibrate.Mark

// ParseMark reads a mark from an hour HH:MM and a pixel X,Y.
func ParseMark(hour, at string) (*Mark, error) {
	h, err := form.ParseHours(hour)
	if err != nil {
		return nil, fmt.Errorf("--hour: %w", err)
	}
	x, y, _ := strings.Cut(at, ",")
	px, errX := strconv.ParseFloat(x, 64)
	py, errY := strconv.ParseFloat(y, 64)
	if errX != nil || errY != nil || math.IsNaN(px+py) || math.IsInf(px+py, 0) {
		return nil, fmt.Errorf("--at: %q is no pixel: write X,Y as a viewer of pictures shows them", at)
	}
	return &Mark{Hours: h, X: px, Y: py}, nil
}

// Outcome of a job. Exactly one of Pages, Err and the step's own result is there.
type Outcome struct {
	Name        string           `json:"name"`
	File        string           `json:"file"`
	Page        int              `json:"page"`
	Pages       int              `json:"pages,omitempty"` // above 1: nothing done, the file holds so many pages
	Back        bool             `json:"back,omitempty"`  // the page that was looked at is the back of a chart
	Verdict     verify.Verdict   `json:"verdict,omitempty"`
	Calibration *Calibration     `json:"calibration,omitempty"`
	Findings    *verify.Findings `json:"findings,omitempty"`
	Stretches   []Stretch        `json:"stretches,omitempty"` // of every step that reads the lines
	Extract     *ledger.Extract  `json:"extract,omitempty"`
	Err         *Error           `json:"error,omitempty"`
}

// Calibration is what calibration.json holds, schema "penarm.calibration/1".
type Calibration struct {
	Schema         string      `json:"schema"`
	Scan           verify.Scan `json:"scan"`
	Form           string      `json:"form"`
	Method         string      `json:"method"`
	Hour           string      `json:"hour"`
	RingResidualMM float64     `json:"ring_residual_mm"` // rms of circle crossings
	ArcResidualS   float64     `json:"arc_residual_s"`   // rms of arc crossings, seconds of chart time
	UMM            float64     `json:"u_mm"`             // standard uncertainty of a printed point, each direction
}

// HourWords says where the hour comes from, in words: calibration by itself knows no time on chart.
func (c *Calibration) HourWords() string {
	if c.Hour == string(calibrate.HourOnChart) {
		return "hour not known from the print"
	}
	return "hour from " + c.Hour
}

// Error is why a scan could not be read: what error.json holds, schema "penarm.error/1".
type Error struct {
	Schema string `json:"schema"`
	File   string `json:"file"`
	Place  string `json:"place"`
	Reason string `json:"reason"`
	Remedy string `json:"remedy"`
}

// Error gives the whole in one line.
func (e *Error) Error() string {
	return fmt.Sprintf("%s: %s: %s: %s", e.File, e.Place, e.Reason, e.Remedy)
}

// NewError words err for error.json. A refused calibration names the test that
// it did not pass; an *Error within err keeps its own remedy.
func NewError(file, place string, err error, remedy string) *Error {
	reason := err.Error()
	var refusal *calibrate.Refusal
	var known *Error
	switch {
	case errors.As(err, &known) && known.File == file:
		return known
	case errors.As(err, &known):
		reason, remedy = known.File+": "+known.Reason, known.Remedy
	case errors.As(err, &refusal):
		place = place + ", " + refusal.Test
		// where a refusal's words end in what to do, that is nearer the matter than what holds for all
		if at := strings.LastIndex(reason, ": "); at > 0 {
			reason, remedy = reason[:at], reason[at+2:]
		}
	}
	reason = strings.TrimPrefix(strings.TrimPrefix(reason, "open "), file+": ")
	return &Error{Schema: "penarm.error/1", File: file, Place: place, Reason: reason, Remedy: remedy}
}

var half = regexp.MustCompile(`^(.+)\.([ab])$`)

// nameOf gives a chart's name by its file: without the ending, and without .a or
// .b, which mark one half of a chart.
func nameOf(path string) (name, part string) {
	base := filepath.Base(path)
	name = strings.TrimSuffix(base, filepath.Ext(base))
	if m := half.FindStringSubmatch(name); m != nil {
		return m[1], m[2]
	}
	return name, ""
}
