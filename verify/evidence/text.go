package evidence

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"penarm/calibrate"
	"penarm/digitize/series"
	"penarm/verify"
)

// The words of pictures, pages and explanations stand in this file, so that they can be translated; what a
// check or an event says comes along with it.

const (
	legendWeak  = "ink weak"
	legendLegal = "legal temperature"
	legendMark  = "explained in the report"

	circleBars  = "Circles (blue bars)"
	arcBars     = "Time arcs (orange bars)"
	refusedWord = "REFUSED:"

	legendHold       = "hold"
	legendIndicating = "indicating thermometer, written"
	legendAirspace   = "airspace, written"
	gapWord          = "no ink"
	mirrored         = "later lies to the right, so that writing is mirrored"
	startWord        = "start"
	lowestWord       = "lowest point"
	endWord          = "end"
	noTrace          = "no trace was read on this chart"
)

func legendFitted(unit string) string { return "print as fitted, hours and " + unitWords(unit) }

func fittingWords(bars bool) string {
	const closer = "Close-ups: print as scanned, the fit as dashes."
	if !bars {
		return closer
	}
	return fmt.Sprintf("Bars: what the fit leaves, %.0f times as long. ", magnified) + closer
}

// residualWords tell the rms of circles or arcs and the worst of their parts, in mm and in the unit.
func residualWords(name, unit string, mm, v, worstMM, worst float64, at string) string {
	return fmt.Sprintf("%s: %.3f mm rms, %s %s; worst part %.3f mm, %s %s, at %s", name, mm, number(v, 2), unit, worstMM, number(worst, 2), unit, at)
}

// spotWords name a place on the print by its hour and temperature.
func (in *Input) spotWords(hours, radius float64) string {
	f := in.Face.Form
	return "hour " + strings.TrimSuffix(in.hourLabel(hours), " h") + ", " + fixedNumber(f.Temperature(radius), 1) + " " + unitWords(f.Unit)
}

func legalWords(t float64, unit string) string {
	return "legal " + number(t, 1) + " " + unitWords(unit)
}

func outletWords(t time.Time) string { return "outlet opened " + t.Format("15:04") }

func writtenWords(r written) string {
	return fixedNumber(r.temperature, 1) + " at " + r.at.Format("15:04")
}

func plotPen(pen string) string { return penWords(pen) + " pen, band ±2u" }

func holdTitle(b verify.Batch) string {
	s := "batch " + batchName(b.Batch)
	if b.Product != "" {
		s += ", " + b.Product
	}
	if b.Hold != nil {
		s += fmt.Sprintf(": %s min", fixedNumber(b.Hold.Minutes, 1))
	}
	return s
}

func clock(t time.Time) string { return verify.LocalTime{Time: t}.Clock() }

func degrees(t float64) string { return number(t, 1) + "°" }

// number writes a figure without useless zeros and with a true minus.
func number(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		s = "0"
	}
	return strings.Replace(s, "-", "−", 1)
}

// fixed writes a figure with all its decimals and a true minus.
func fixedNumber(v float64, decimals int) string {
	return strings.Replace(strconv.FormatFloat(v, 'f', decimals, 64), "-", "−", 1)
}

func unitWords(unit string) string {
	if unit == "F" || unit == "C" {
		return "°" + unit
	}
	return unit
}

func batchName(b string) string {
	if b == "" {
		return "?"
	}
	return b
}

func holdStarts(batch string) string { return "hold " + batch + " starts" }
func holdEnds(batch string) string   { return "hold " + batch + " ends" }

func lowestWords(t float64, unit string) string {
	return "lowest " + fixedNumber(t, 1) + " " + unitWords(unit)
}

func penWords(pen string) string {
	if pen == "" {
		return "product"
	}
	return pen
}

func legendTrace(pen string) string {
	side := "outside"
	if pen == "airspace" {
		side = "inside"
	}
	return fmt.Sprintf("%s pen as read, drawn %s mm %s the ink", penWords(pen), number(besideMM, 1), side)
}

func stripPen(pen string) string {
	side := "above"
	if pen == "airspace" {
		side = "below"
	}
	return fmt.Sprintf("%s pen as read, %s mm %s the ink", penWords(pen), number(besideMM, 1), side)
}

// unwritten says that nobody wrote when the chart was put on.
func (in *Input) unwritten() bool { return in.Entries == nil || in.Entries.OnChartTime().IsZero() }

// hourLabel names a printed hour as the program takes it.
func (in *Input) hourLabel(h float64) string {
	if in.Face.Hour == calibrate.HourOnChart {
		if in.unwritten() {
			return "?"
		}
		return in.ZeroAt.Add(time.Duration(h * float64(time.Hour))).Format("15:04")
	}
	if in.Face.Form.Labels.Kind == "elapsed" {
		return number(h, 1) + " h"
	}
	if h == 0 {
		h = in.Face.Form.RotationHours
	}
	return number(h, 1)
}

// hourCaution says why clock times are not to be relied on; empty where they are.
func (in *Input) hourCaution() string {
	f := in.Face.Form
	switch {
	case in.Face.Hour == calibrate.HourOnChart && in.unwritten():
		return "NEITHER PRINTED HOURS READ NOR TIME ON CHART WRITTEN: times are no clock times"
	case in.Face.Hour == calibrate.HourOnChart:
		return "HOUR NOT READ FROM THE PRINT: clock times count from the written time on chart"
	case in.unwritten() && f.Labels.Kind == "elapsed":
		return "TIME ON CHART NOT WRITTEN: times count from the printed 0 and are no clock times"
	case in.unwritten() && f.RotationHours < 24:
		return "TIME ON CHART NOT WRITTEN: a.m. or p.m. is not settled"
	}
	return ""
}

// scanWords names the scan.
func (in *Input) scanWords() string {
	s := or(in.Findings.Scan.File, unknown)
	if p := in.Findings.Scan.Page; p > 1 {
		s += fmt.Sprintf(", page %d", p)
	}
	return s
}

// heading names the chart.
func (in *Input) heading() string {
	f := in.Findings
	parts := []string{}
	if in.Plant != nil && in.Plant.Plant != "" {
		parts = append(parts, in.Plant.Plant)
	}
	if f.Scan.File != "" {
		parts = append(parts, in.scanWords())
	}
	if f.Recorder != "" {
		parts = append(parts, "recorder "+f.Recorder)
	}
	if d := f.ChartDate; d != "" {
		parts = append(parts, d)
	}
	if f.Verdict != "" {
		parts = append(parts, strings.ToUpper(verdictWord(f.Verdict)))
	}
	if len(parts) == 0 {
		parts = append(parts, "form "+in.Face.Form.Form)
	}
	return strings.Join(parts, "  ·  ")
}

func verdictWord(v verify.Verdict) string {
	switch v {
	case verify.Pass:
		return "pass"
	case verify.Fail:
		return "fail"
	}
	return "undecided"
}

// placeWords says what lies at a place that a check names.
func placeWords(text string) string {
	switch text {
	case "hold", "emptying", "filling":
		return "the hold as counted"
	}
	return text
}

func weakWords(reason string) string {
	if reason == "" {
		return "ink weak"
	}
	return "ink weak: " + reason
}

// The report.

// pagesAlias stands in the text for the number of pages until that is known.
const pagesAlias = "{pages}"

const (
	reportTitle     = "Vat pasteurization chart, as read"
	reportSubject   = "What a recording chart shows, read from its scan with uncertainty, to be reviewed and signed"
	attachmentWords = "all findings of this report as data"
	lookAtTitle     = "A person must still look at"
	chartTitle      = "The chart as a whole"
	noBatches       = "No batch was judged on this chart"
	continued       = " (continued)"
	noSource        = "–"
	pictureTitle    = "The scan with what was read from it"
	annexTitle      = "Vat pasteurization chart, annex"
	restInAnnex     = "and %d more, in the annex"
	marksTitle      = "Numbered places on the pictures"
	closeTitle      = "Each hold close up"
	methodTitle     = "How it was read, and from which files (SHA-256)"
	reasonsTitle    = "Reasons in full"
	sourcesTitle    = "Sources in full"
	rulesTitle      = "What is unsettled in the rules: "

	cautionWords = "This report is made from a scan by a program. It cannot see agitation, the airspace except as written or recorded, " +
		"or whether every particle was heated. The paper chart is the record. The indicating thermometer, not the pen, is the official temperature. " +
		"Only the regulatory agency decides compliance, and a licensed or qualified person must review and sign. If in doubt, hold the product, " +
		"do not release it, and ask the regulator; a phosphatase test checks the product but does not replace the required hold. " +
		"Emptying and filling times must be those set for this vat. Nothing here replaces the sealed equipment tests."
)

var (
	columnWords = [...]string{"what is asked", "the chart shows (± 2u)", "limit", "verdict", "source"}
	signers     = [...][2]string{
		{"Operator", "the entries are mine and true"},
		{"Reviewer", "I compared the pictures with the paper chart"},
		{"Inspector", "seen by the regulatory agency"},
	}
	signLines = [...]string{"name and signature", "date and time"}
	decisions = [...]string{"accept", "hold", "reject"}
)

func verdictWords(v verify.Verdict) (words, more string) {
	switch v {
	case verify.Pass:
		return "The chart shows what the rules ask for.",
			"Pass: each check that counts is met with its uncertainty taken off. A person must still review and sign."
	case verify.Fail:
		return "The chart does not show what the rules ask for.",
			"Fail: at least one check that counts is not met, even with its uncertainty in its favour. Hold the product and ask the regulator."
	}
	return "The chart alone cannot settle it.",
		"Undecided: read with its uncertainty, the chart leaves a question open. A person must decide. Until then hold the product."
}

func or(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

const unknown = "not known"

// facts names the chart for the head of the report.
func (in *Input) facts() [][2]string {
	f := in.Findings
	plant, vat := unknown, unknown
	if in.Plant != nil {
		plant = or(in.Plant.Plant, unknown)
	}
	if in.Recorder != nil {
		vat = or(in.Recorder.Vat, unknown)
	}
	operator, on := "not written", "not written"
	if in.Entries != nil {
		operator, on = or(in.Entries.Operator, operator), or(in.Entries.OnChart, on)
	}
	return [][2]string{
		{"plant", plant}, {"chart date", or(f.ChartDate, "not written")}, {"recorder", or(f.Recorder, unknown)}, {"vat", vat},
		{"put on the recorder at", on}, {"operator, as written", operator}, {"chart form", or(f.Form, unknown)}, {"rules", or(f.Rules, unknown)},
	}
}

const informationTitle = "For information, not counted"

// batchOf begins a row of a table that holds several batches.
func batchOf(b verify.Batch) string { return "batch " + batchName(b.Batch) + ", " }

func batchTitle(b verify.Batch) string {
	s := "Batch " + batchName(b.Batch)
	if b.Product != "" {
		s += ", " + b.Product
	}
	s += ", legal temperature " + number(b.Legal, 1) + " " + unitWords(b.Unit)
	if h := b.Hold; h != nil {
		return s + fmt.Sprintf("; the chart shows a hold %s–%s", clock(h.Start.Time), clock(h.End.Time))
	}
	return s + "; the chart shows no hold"
}

// asked says what a check asks, in words.
func asked(c verify.Check) string {
	s, ok := map[string]string{
		"hold":      "unbroken for the legal time",
		"emptying":  "held also while emptied hot",
		"filling":   "held also while filled hot",
		"outlet":    "not opened too early",
		"airspace":  "air above the milk hot enough",
		"agreement": "not above the indicating one",
		"entries":   "what must be written is written",
		"cooling":   "cooled afterwards",
		"record":    "one whole, unbroken line",
		"clock":     "recorder's clock not fast",
		"form":      "print fine enough for this use",
		"lethality": "equivalent minutes",
		"marked":    "start and end marked by the operator",
		"highest":   "never hotter than the law lets it be",
	}[c.Check]
	if !ok {
		return strings.ReplaceAll(c.Check, "_", " ")
	}
	return c.Check + ": " + s
}

// shows writes a figure with its expanded uncertainty, to a digit that u supports.
func shows(c verify.Check) string {
	if c.Measured == nil {
		return ""
	}
	s := fixedNumber(*c.Measured, 1)
	if c.U != nil {
		if u := 2 * *c.U; u < 0.95 {
			s = fixedNumber(*c.Measured, 2) + " ± " + fixedNumber(u, 2)
		} else {
			s += " ± " + fixedNumber(u, 1)
		}
	}
	return s + " " + unitWords(c.Unit)
}

// limit writes the limit with its direction.
func limit(c verify.Check) string {
	if c.Limit == nil {
		return ""
	}
	sign := "≥ "
	switch c.Check {
	case "agreement", "clock", "cooling", "highest":
		sign = "≤ "
	}
	return sign + number(*c.Limit, 2) + " " + unitWords(c.Unit)
}

func rowVerdict(c verify.Check) string {
	switch {
	case c.Counts:
		return verdictWord(c.Verdict)
	case c.Verdict == verify.Pass:
		return "information"
	}
	return verdictWord(c.Verdict) + ", not counted"
}

// shortSource is the first words of a source that fit a narrow column; it stands in full in the annex.
func shortSource(s string) string {
	for _, cut := range []string{":", ";", ", after", ", with", " (read)", " (from memory)", " (common practice)", " (derived)"} {
		s, _, _ = strings.Cut(s, cut)
	}
	words := strings.Fields(s)
	out := ""
	for i, w := range words {
		if i > 0 && len([]rune(out))+len([]rune(w)) > 36 {
			return out + " …"
		}
		out = strings.TrimSpace(out + " " + w)
	}
	return out
}

// lookAt lists in words what the program could not settle or did not find right.
func (in *Input) lookAt(marks []mark) (out []string) {
	where := func(c verify.Check) string {
		var n []int
		for _, p := range c.Places {
			for _, m := range marks {
				if m.from.Equal(p.From.Time) && m.to.Equal(p.To.Time) && m.pen == p.Pen {
					n = append(n, m.n)
				}
			}
		}
		switch len(n) {
		case 0:
			return ""
		case 1:
			return " (place " + strconv.Itoa(n[0]) + ")"
		}
		return " (places " + numbers(n) + ")"
	}
	add := func(who string, cs []verify.Check) {
		for _, c := range cs {
			if c.Counts && c.Verdict != verify.Pass {
				out = append(out, fmt.Sprintf("%s, %s, %s: %s%s", who, c.Check, verdictWord(c.Verdict), or(c.Reason, "no reason given"), where(c)))
			}
		}
	}
	for _, b := range in.Findings.Batches {
		add("batch "+batchName(b.Batch), b.Checks)
	}
	add("chart", in.Findings.Checks)
	if s := in.hourCaution(); s != "" {
		out = append(out, s)
	}
	var more []int
	few := 0
	for _, m := range marks {
		if !m.seen || !in.inHold(m.from, m.to) {
			continue
		}
		if few++; few <= 4 {
			out = append(out, fmt.Sprintf("place %d lies in a hold: %s", m.n, m.text))
		} else {
			more = append(more, m.n)
		}
	}
	if len(more) > 0 {
		out = append(out, "in a hold lie also the places "+numbers(more))
	}
	return append(out, "the picture on the next page beside the paper chart: the thin line must follow the ink")
}

// numbers lists numbers in rising order, those that follow one another by the first and the last.
func numbers(n []int) string {
	n = slices.Compact(slices.Sorted(slices.Values(n)))
	var all []string
	for i := 0; i < len(n); {
		e := i
		for e+1 < len(n) && n[e+1] == n[e]+1 {
			e++
		}
		switch s := strconv.Itoa(n[i]); {
		case e > i+1:
			all = append(all, s+"–"+strconv.Itoa(n[e]))
		case e > i:
			all = append(all, s, strconv.Itoa(n[e]))
		default:
			all = append(all, s)
		}
		i = e + 1
	}
	return strings.Join(all, ", ")
}

func markWords(m mark) string {
	s := ""
	if !m.from.IsZero() {
		s = clock(m.from)
		if m.to.After(m.from.Add(time.Second)) {
			s += "–" + clock(m.to)
		}
		s += "  "
	}
	if m.pen != "" {
		s += m.pen + " pen: "
	}
	return s + m.text
}

func programWords(f *verify.Findings) string {
	v := f.Provenance.Version
	if strings.HasPrefix(v, "penarm") {
		return v
	}
	return strings.TrimSpace("penarm " + v)
}

func footWords(f *verify.Findings) string {
	sum := f.Scan.SHA256
	if len(sum) > 16 {
		sum = sum[:16] + "…"
	}
	return fmt.Sprintf("%s  ·  SHA-256 %s  ·  %s", or(f.Scan.File, "scan"), or(sum, unknown), programWords(f))
}

func pageWords(n int) string { return fmt.Sprintf("page %d of %s", n, pagesAlias) }

func hourWords(h string) string {
	switch h {
	case "blank":
		return "from the printed hours, matched with a scan of the unused form"
	case "numerals":
		return "from the printed numerals"
	case "mark":
		return "from the mark that a person set"
	case "on_chart":
		return "NOT from the print: they count from the time on chart, where that is written"
	}
	return h
}

func lineWords(line string) string {
	if line == verify.LineLower {
		return "the edge of the stroke on the side of the LOWER TEMPERATURES, as was asked for"
	}
	return "the middle of the ink, across the stroke"
}

// methodWords tells how the chart was read and how good that is.
func (in *Input) methodWords() []string {
	c := in.Findings.Calibration
	out := []string{
		"Print: " + or(strings.ReplaceAll(c.Method, " -", " −"), "fitted to the printed circles and arcs") + fmt.Sprintf(". What is left over: circles %s mm (%s %s at the legal temperature), arcs %s s of chart time, root mean square.",
			fixedNumber(c.RingResidualMM, 3), fixedNumber(c.RingResidualMM/in.Face.Form.MMPerDegree(in.legalRadius()), 2), unitWords(in.Face.Form.Unit), fixedNumber(c.ArcResidualS, 1)),
		"Hours: " + hourWords(c.Hour) + ". Line: " + lineWords(in.Findings.Provenance.Line) + ". Where there is no ink nothing is put in its place.",
		"Uncertainty: u is one standard uncertainty of print, ink and place together; ± and bands show 2u, about 95 % of truths. " +
			"A check passes only if it passes with its uncertainty taken off, and fails only if it fails with it added; between it is undecided.",
	}
	var pens []string
	for _, s := range in.Series {
		good, weak, gap := 0, 0, 0
		for _, v := range s.Samples {
			switch v.Quality {
			case series.Gap:
				gap++
			case series.Weak:
				weak++
			default:
				good++
			}
		}
		if n := good + weak + gap; n > 0 {
			pens = append(pens, fmt.Sprintf("%s pen: %d samples, %s %% good, %s %% weak, %s %% without ink.", penWords(s.Pen), n,
				number(100*float64(good)/float64(n), 1), number(100*float64(weak)/float64(n), 1), number(100*float64(gap)/float64(n), 1)))
		}
		if a := in.ahead(s.Pen); a != 0 {
			pens = append(pens, fmt.Sprintf("The %s pen writes %s min ahead of the printed time; this is taken off in every time given here.", penWords(s.Pen), number(a.Minutes(), 1)))
		}
	}
	if len(pens) > 0 {
		out = append(out, strings.Join(pens, " "))
	}
	return out
}

// legalRadius is the radius (mm) of a legal temperature, mid-scale where no batch was judged.
func (in *Input) legalRadius() float64 {
	if b := in.Findings.Batches; len(b) > 0 {
		return in.radius(b[0].Legal, b[0].Unit)
	}
	return (in.Face.Form.Inner() + in.Face.Form.Outer()) / 2
}

// files lists what went in with its hash.
func (in *Input) files() (out [][2]string) {
	f := in.Findings
	out = append(out, [2]string{"scan", or(f.Scan.SHA256, unknown)})
	var roles []string
	for role := range f.Provenance.Files {
		roles = append(roles, role)
	}
	sort.Strings(roles)
	for _, role := range roles {
		out = append(out, [2]string{role, f.Provenance.Files[role]})
	}
	return append(out, [2]string{"program", programWords(f)})
}

// The explanation.

const (
	passTitle       = "Each check that counts is met with its uncertainty taken off:"
	openTitle       = "Left open besides:"
	metTitle        = "What was met:"
	informationOnly = "For information; this does not change the verdict:"
)

func decidedTitle(v verify.Verdict) string {
	if v == verify.Fail {
		return "It fails because of:"
	}
	return "It is undecided because of:"
}

// chartWords names the chart in a sentence.
func (in *Input) chartWords() string {
	f := in.Findings
	s := "Chart " + in.scanWords()
	if f.Recorder != "" {
		s += " of recorder " + f.Recorder
	}
	if d := f.ChartDate; d != "" {
		s += ", " + d
	}
	return s
}

// readWords says how the chart was read and by what.
func readWords(f *verify.Findings) string {
	s := "Judged by the rules " + or(f.Rules, unknown)
	if c := f.Calibration; c.Hour != "" {
		s += fmt.Sprintf("; read from form %s with %s mm left over on its circles and %s s on its arcs; the hours are %s",
			or(f.Form, unknown), fixedNumber(c.RingResidualMM, 3), fixedNumber(c.ArcResidualS, 1), hourWords(c.Hour))
	}
	if f.Provenance.Line == verify.LineLower {
		s += "; read along " + lineWords(f.Provenance.Line)
	}
	return s + "; " + programWords(f) + "."
}

// brief says what a check asked and what the chart shows.
func brief(c verify.Check) string {
	switch {
	case c.Measured != nil && c.Limit != nil:
		return asked(c) + ": " + figures(c) + "."
	case c.Reason != "":
		return asked(c) + ": " + c.Reason + "."
	}
	return asked(c) + "."
}

// full says besides how the two compare, why, where to look, and who asks.
func full(c verify.Check) string {
	s := asked(c) + "."
	if c.Measured != nil && c.Limit != nil {
		s += " The chart shows " + figures(c) + clearance(c) + "."
	}
	if c.Reason != "" {
		s += " " + upper(c.Reason) + "."
	}
	var places []string
	for _, p := range c.Places {
		places = append(places, strings.TrimSpace(markWords(mark{pen: p.Pen, from: p.From.Time, to: p.To.Time, text: p.Text})))
	}
	if len(places) > 0 {
		s += " Look at " + strings.Join(places, ", ") + "."
	}
	if c.Source != "" {
		s += " Asked by " + c.Source + "."
	}
	return s
}

func figures(c verify.Check) string {
	return shows(c) + ", asked is " + strings.NewReplacer("≥", "at least", "≤", "at most").Replace(limit(c))
}

// clearance says how far from its limit a figure lies, against its uncertainty (2u). Empty where
// something else than the figure left the check open.
func clearance(c verify.Check) string {
	if c.U == nil {
		return ""
	}
	gap := math.Abs(*c.Measured - *c.Limit)
	figure := fixedNumber(gap, 2) + " " + unitWords(c.Unit)
	switch near := gap < 2**c.U; {
	case near:
		return ": " + figure + " from the limit, and the uncertainty reaches over it"
	case c.Verdict == verify.Fail:
		return ": " + figure + " short of the limit, which is more than the uncertainty"
	}
	return ""
}

func upper(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}
