package evidence

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image/color"
	"image/jpeg"
	"io"
	"math"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"codeberg.org/go-fonts/dejavu/dejavusans"
	"codeberg.org/go-fonts/dejavu/dejavusansbold"
	"codeberg.org/go-pdf/fpdf"

	"penarm/verify"
)

// Report writes the PDF to sign: a page with every check that counts, and one with the pictures, how
// the chart was read and the hashes; more only where the batches of a chart do not fit. findings.json is attached. The same input gives the same bytes.
func Report(w io.Writer, in Input) error {
	if err := in.complete(); err != nil {
		return err
	}
	picture, err := in.overlayJPEG()
	if err != nil {
		return err
	}
	data, err := FindingsJSON(in.Findings)
	if err != nil {
		return err
	}
	r, err := newReport(&in, reportTitle)
	if err != nil {
		return err
	}
	r.f.SetAttachments([]fpdf.Attachment{{Content: data, Filename: "findings.json", Description: attachmentWords}})
	r.signingPage()
	if err := r.pictures(picture); err != nil {
		return err
	}
	return r.f.Output(w)
}

// Annex writes the PDF that goes with the report: the holds close up, what does not
// count, every numbered place, the sources in full.
func Annex(w io.Writer, in Input) error {
	if err := in.complete(); err != nil {
		return err
	}
	r, err := newReport(&in, annexTitle)
	if err != nil {
		return err
	}
	r.newPage()
	r.text(point{marginMM, r.y + 3}, 15, true, 0, annexTitle, ink)
	r.text(point{r.w - marginMM, r.y + 3.4}, body, false, 1, r.short(body, false, in.scanWords(), 70), quiet)
	r.y += 8.5
	r.facts()
	for _, c := range in.checks() { // numbered as the report numbers them
		r.cite(c.Source)
	}
	r.listMarks(r.marks)
	r.closeUps()
	r.reasons()
	r.table(informationTitle, in.information(), true, true)
	r.sources()
	return r.f.Output(w)
}

func (in *Input) complete() error {
	if in.Face == nil || in.Findings == nil || in.Picture == nil {
		return errors.New("evidence: no picture, no calibration or no findings to report: check the scan first")
	}
	return nil
}

const (
	marginMM = 15.0
	footMM   = 12.0
	signMM   = 33.0 // the block of signature lines
	body     = 8.0  // points
	tiny     = 6.4
	leading  = 1.32
)

// letterRanges are the letters that a report can write: Latin, Greek, Cyrillic and signs.
var letterRanges = [][2]rune{{0x20, 0x7e}, {0xa0, 0x17f}, {0x386, 0x3ce}, {0x401, 0x45f}, {0x2010, 0x2027}, {0x2030, 0x203a}}

const moreLetters = "−≤≥≈√→←□€′″\ufb01\ufb02"

// cutFonts are the fonts with those letters alone. Cutting them once spares every report most of its cost.
var cutFonts = sync.OnceValue(func() (out [2][]byte) {
	var set strings.Builder
	for _, r := range letterRanges {
		for c := r[0]; c <= r[1]; c++ {
			set.WriteRune(c)
		}
	}
	set.WriteString(moreLetters)
	for i, b := range [][]byte{dejavusans.TTF, dejavusansbold.TTF} {
		out[i] = fpdf.UTF8CutFont(b, set.String())
	}
	return out
})

// writable puts a box in the place of every letter that the fonts of the report
// lack (fpdf cannot write those beyond U+FFFF at all) and a space for control characters.
func writable(s string) string {
	return strings.Map(func(c rune) rune {
		if unicode.IsControl(c) {
			return ' '
		}
		for _, r := range letterRanges {
			if c >= r[0] && c <= r[1] {
				return c
			}
		}
		if strings.ContainsRune(moreLetters, c) {
			return c
		}
		return '□'
	}, s)
}

// report is a PDF with a writing position. It is a sheet, too.
type report struct {
	in     *Input
	f      *fpdf.Fpdf
	w, h   float64
	y      float64
	bottom float64 // nothing flows below this
	marks  []mark
	cites  []string // full sources in the order of their notes
}

func newReport(in *Input, name string) (*report, error) {
	size := in.Paper
	switch size {
	case "":
		size = "A4"
	case "A4", "Letter":
	default:
		return nil, fmt.Errorf("evidence: paper %q is not known: use A4 or Letter", in.Paper)
	}
	f := fpdf.New("P", "mm", size, "")
	fonts := cutFonts()
	f.AddUTF8FontFromBytes("d", "", fonts[0])
	f.AddUTF8FontFromBytes("d", "B", fonts[1])
	f.SetCatalogSort(true)
	f.SetCompression(true)
	when, err := time.Parse(time.DateOnly, in.Findings.ChartDate)
	if err != nil || when.Year() < 1900 {
		when = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC) // no date known: any fixed one keeps the bytes the same
	}
	f.SetCreationDate(when)
	f.SetModificationDate(when)
	title := writable(name + ": " + in.heading())
	f.SetTitle(title, true)
	f.SetXmpMetadata(xmp(title, programWords(in.Findings), when))
	f.SetSubject(reportSubject, true)
	f.SetCreator(writable(programWords(in.Findings)), true)
	f.SetProducer("penarm", true)
	f.SetLang("en")
	f.SetMargins(0, 0, 0)
	f.SetAutoPageBreak(false, 0)
	f.AliasNbPages(pagesAlias)
	r := &report{in: in, f: f, marks: in.marks()}
	r.w, r.h = f.GetPageSize()
	f.SetFooterFunc(func() {
		y := r.h - footMM + 3
		r.line([]point{{marginMM, y - 2.5}, {r.w - marginMM, y - 2.5}}, 0.15, quiet)
		r.text(point{marginMM, y}, tiny, false, 0, r.short(tiny, false, footWords(in.Findings), r.w-2*marginMM-30), quiet)
		// Aligned as if the count were one digit: it is put in when the file is closed.
		wide := r.width(tiny, false, strings.Replace(pageWords(f.PageNo()), pagesAlias, "9", 1))
		r.text(point{r.w - marginMM - wide, y}, tiny, false, 0, pageWords(f.PageNo()), quiet)
	})
	return r, f.Error()
}

// xmp is the document's own description (ISO 16684-1), the same that its Info dictionary gives.
func xmp(title, creator string, when time.Time) []byte {
	escape := func(s string) string {
		var b bytes.Buffer
		xml.EscapeText(&b, []byte(writable(s)))
		return b.String()
	}
	return fmt.Appendf(nil, `<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:pdf="http://ns.adobe.com/pdf/1.3/">
<dc:format>application/pdf</dc:format>
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">%s</rdf:li></rdf:Alt></dc:title>
<dc:description><rdf:Alt><rdf:li xml:lang="x-default">%s</rdf:li></rdf:Alt></dc:description>
<xmp:CreatorTool>%s</xmp:CreatorTool><xmp:CreateDate>%[4]s</xmp:CreateDate><xmp:ModifyDate>%[4]s</xmp:ModifyDate><pdf:Producer>penarm</pdf:Producer>
</rdf:Description></rdf:RDF></x:xmpmeta>
<?xpacket end="r"?>`, escape(title), escape(reportSubject), escape(creator), when.Format("2006-01-02T15:04:05Z"))
}

func (r *report) newPage() {
	r.f.AddPage()
	r.y = marginMM
	r.bottom = r.h - footMM - 2
}

// The sheet.

func (r *report) path(pts []point) {
	r.f.MoveTo(pts[0].x, pts[0].y)
	for _, p := range pts[1:] {
		r.f.LineTo(p.x, p.y)
	}
}

func (r *report) line(pts []point, width float64, col color.RGBA, dash ...float64) {
	if len(pts) < 2 {
		return
	}
	r.f.SetDrawColor(int(col.R), int(col.G), int(col.B))
	r.f.SetLineWidth(width)
	r.f.SetLineJoinStyle("round")
	r.f.SetDashPattern(dash, 0)
	r.path(pts)
	r.f.DrawPath("D")
	if len(dash) > 0 {
		r.f.SetDashPattern(nil, 0)
	}
}

func (r *report) area(pts []point, col color.RGBA) {
	r.f.SetFillColor(int(col.R), int(col.G), int(col.B))
	r.path(pts)
	r.f.ClosePath()
	r.f.DrawPath("F")
}

func (r *report) ring(p point, radius, width float64, fill, edge color.RGBA) {
	r.f.SetFillColor(int(fill.R), int(fill.G), int(fill.B))
	r.f.SetDrawColor(int(edge.R), int(edge.G), int(edge.B))
	r.f.SetLineWidth(width)
	r.f.Circle(p.x, p.y, radius, "FD")
}

func (r *report) font(size float64, bold bool) {
	style := ""
	if bold {
		style = "B"
	}
	r.f.SetFont("d", style, size)
}

func (r *report) text(p point, size float64, bold bool, align float64, s string, col color.RGBA) {
	if s == "" {
		return
	}
	s = writable(s)
	r.font(size, bold)
	r.f.SetTextColor(int(col.R), int(col.G), int(col.B))
	r.f.Text(p.x-align*r.f.GetStringWidth(s), p.y+0.36*size*ptMM, s)
}

func (r *report) width(size float64, bold bool, s string) float64 {
	r.font(size, bold)
	return r.f.GetStringWidth(writable(s))
}

// short cuts s so that it is no wider than w.
func (r *report) short(size float64, bold bool, s string, w float64) string {
	if r.width(size, bold, s) <= w {
		return s
	}
	cut := []rune(s)
	for len(cut) > 0 && r.width(size, bold, string(cut)+"…") > w {
		cut = cut[:len(cut)-1]
	}
	return string(cut) + "…"
}

// wrap breaks words into lines no wider than w; a word too long for a line is cut.
func (r *report) wrap(size float64, bold bool, s string, w float64) (lines []string) {
	cur := ""
	for _, word := range strings.Fields(s) {
		for r.width(size, bold, word) > w {
			n := len([]rune(word))
			for n > 1 && r.width(size, bold, string([]rune(word)[:n])) > w {
				n--
			}
			if cur != "" {
				lines, cur = append(lines, cur), ""
			}
			lines = append(lines, string([]rune(word)[:n]))
			word = string([]rune(word)[n:])
		}
		next := strings.TrimSpace(cur + " " + word)
		if cur != "" && r.width(size, bold, next) > w {
			lines, next = append(lines, cur), word
		}
		cur = next
	}
	if cur != "" {
		lines = append(lines, cur)
	}
	return lines
}

func rowMM(size float64) float64 { return size * ptMM * leading }

// lines writes wrapped lines from the top y down and gives where they end.
func (r *report) lines(x, y, size float64, bold bool, lines []string, col color.RGBA) float64 {
	for _, s := range lines {
		r.text(point{x, y + rowMM(size)/2}, size, bold, 0, s, col)
		y += rowMM(size)
	}
	return y
}

// room makes sure that need mm are left on the page.
func (r *report) room(need float64) {
	if r.y+need > r.bottom {
		r.newPage()
	}
}

// titleRoom keeps a title from standing alone at the foot, mm.
const titleRoom = 12.0

func (r *report) title(s string) {
	r.room(titleRoom)
	size := 9.5
	for size > 6 && r.width(size, true, s) > r.w-2*marginMM {
		size -= 0.25
	}
	r.text(point{marginMM, r.y + 2.4}, size, true, 0, r.short(size, true, s, r.w-2*marginMM), ink)
	r.y += 5
	r.line([]point{{marginMM, r.y}, {r.w - marginMM, r.y}}, 0.3, ink)
	r.y += 1.2
}

// signingPage is page 1: what a person reads and signs. Rows that do not fit go on a next page.
func (r *report) signingPage() {
	r.newPage()
	caution := r.wrap(tiny, false, cautionWords, r.w-2*marginMM)
	r.bottom -= signMM + float64(len(caution))*rowMM(tiny) + 1
	r.lines(marginMM, r.bottom+0.5, tiny, false, caution, quiet)
	r.signatures()
	r.text(point{marginMM, r.y + 3}, 15, true, 0, reportTitle, ink)
	r.text(point{r.w - marginMM, r.y + 3.4}, body, false, 1, r.short(body, false, r.in.scanWords(), 70), quiet)
	r.y += 8.5
	r.facts()
	r.verdict()
	r.lookAt()
	in := r.in.Findings
	for i, b := range in.Batches {
		r.table(batchTitle(b), counted(b.Checks, true, ""), i == 0, len(in.Batches) == 1)
	}
	if len(in.Batches) == 0 {
		r.title(noBatches)
	}
	r.table(chartTitle, counted(in.Checks, true, ""), len(in.Batches) == 0, len(in.Batches) < 2)
	if rows := r.in.information(); r.y+16+rowMM(body)*1.8*float64(len(rows)) < r.bottom { // else in the annex alone
		r.table(informationTitle, rows, false, false)
	}
}

// row is a check in a table, of says whose where the table's title does not.
type row struct {
	of string
	verify.Check
}

// counted are the checks that count, or the others.
func counted(checks []verify.Check, counts bool, of string) (out []row) {
	for _, c := range checks {
		if c.Counts == counts {
			out = append(out, row{of, c})
		}
	}
	return out
}

// information are the checks that do not count.
func (in *Input) information() (rows []row) {
	for _, b := range in.Findings.Batches {
		rows = append(rows, counted(b.Checks, false, batchOf(b))...)
	}
	return append(rows, counted(in.Findings.Checks, false, "")...)
}

// checks are all of them, in the order of the report.
func (in *Input) checks() (rows []row) {
	for _, b := range in.Findings.Batches {
		rows = append(rows, counted(b.Checks, true, "")...)
	}
	return append(append(rows, counted(in.Findings.Checks, true, "")...), in.information()...)
}

// facts says which chart this is.
func (r *report) facts() {
	const columns = 4
	w := (r.w - 2*marginMM) / columns
	y0 := r.y
	for i, f := range r.in.facts() {
		if i > 0 && i%columns == 0 {
			y0 += 8.6
		}
		x := marginMM + w*float64(i%columns)
		r.text(point{x, y0 + 1.4}, tiny, false, 0, f[0], quiet)
		size := 9.0
		for size > 6 && r.width(size, true, f[1]) > w-2 {
			size -= 0.25
		}
		r.text(point{x, y0 + 5}, size, true, 0, r.short(size, true, f[1], w-2), ink)
	}
	r.y = y0 + 9.5
}

// verdict tells the outcome in words, with a sign of its own shape.
func (r *report) verdict() {
	v := r.in.Findings.Verdict
	words, more := verdictWords(v)
	x0, x1, y := marginMM, r.w-marginMM, r.y
	const h = 14.0
	frame := []point{{x0, y}, {x1, y}, {x1, y + h}, {x0, y + h}, {x0, y}}
	switch v {
	case verify.Pass:
		r.line(frame, 0.5, ink)
	case verify.Fail:
		r.line(frame, 1.4, ink)
	default:
		r.line(frame, 0.7, ink, 2.4, 1.4)
	}
	r.sign(point{x0 + 8, y + h/2}, 4.2, v)
	r.text(point{x0 + 16, y + 4.9}, 12, true, 0, words, ink)
	r.text(point{x0 + 16, y + 10.2}, 7.2, false, 0, more, ink)
	r.y += h + 3
}

// sign draws a verdict as a shape: a ring with a tick, a filled square with a
// cross, a diamond with a question mark.
func (r *report) sign(p point, s float64, v verify.Verdict) {
	switch v {
	case verify.Pass:
		r.ring(p, s, 0.14*s, paper, ink)
		r.line([]point{{p.x - 0.45*s, p.y + 0.05*s}, {p.x - 0.1*s, p.y + 0.42*s}, {p.x + 0.5*s, p.y - 0.4*s}}, 0.22*s, ink)
	case verify.Fail:
		r.area([]point{{p.x - 0.9*s, p.y - 0.9*s}, {p.x + 0.9*s, p.y - 0.9*s}, {p.x + 0.9*s, p.y + 0.9*s}, {p.x - 0.9*s, p.y + 0.9*s}}, ink)
		r.line([]point{{p.x - 0.5*s, p.y - 0.5*s}, {p.x + 0.5*s, p.y + 0.5*s}}, 0.24*s, paper)
		r.line([]point{{p.x - 0.5*s, p.y + 0.5*s}, {p.x + 0.5*s, p.y - 0.5*s}}, 0.24*s, paper)
	default:
		r.line([]point{{p.x, p.y - 1.15*s}, {p.x + 1.15*s, p.y}, {p.x, p.y + 1.15*s}, {p.x - 1.15*s, p.y}, {p.x, p.y - 1.15*s}}, 0.14*s, ink)
		r.text(p, 1.15*s/ptMM, true, 0.5, "?", ink)
	}
}

// lookAt lists what a person must still look at.
func (r *report) lookAt() {
	r.title(lookAtTitle)
	w := r.w - 2*marginMM - 5
	for _, s := range r.in.lookAt(r.marks) {
		lines := cut(r.wrap(body, false, s, w))
		r.room(float64(len(lines)) * rowMM(body))
		r.area([]point{{marginMM + 0.6, r.y + 1.1}, {marginMM + 2.2, r.y + 1.9}, {marginMM + 0.6, r.y + 2.7}}, ink)
		r.y = r.lines(marginMM+4, r.y, body, false, lines, ink)
	}
	r.y += 2.5
}

// Columns of a table of checks, as parts of the width: asked, shows, limit, verdict, source.
var columns = [...]float64{0, 0.36, 0.55, 0.65, 0.81, 1}

// mostLines is how many lines of a reason are told on the pages to sign; the annex has it in full.
const mostLines = 5

func cut(lines []string) []string {
	if len(lines) <= mostLines {
		return lines
	}
	return append(slices.Clone(lines[:mostLines-1]), lines[mostLines-1]+" …")
}

// reason is a check's reason in lines as wide as a table leaves room for.
func (r *report) reason(c verify.Check) []string {
	return r.wrap(tiny, false, c.Reason, r.column(4)-r.column(0)-5)
}

// reasons gives those that the table cuts.
func (r *report) reasons() {
	var lines []string
	add := func(of string, checks []verify.Check) {
		for _, c := range checks {
			if len(r.reason(c)) > mostLines {
				lines = append(lines, r.wrap(tiny, false, of+c.Check+": "+c.Reason, r.w-2*marginMM)...)
			}
		}
	}
	for _, b := range r.in.Findings.Batches {
		add(batchOf(b), b.Checks)
	}
	add("chart, ", r.in.Findings.Checks)
	if len(lines) == 0 {
		return
	}
	r.title(reasonsTitle)
	for _, l := range lines {
		r.room(rowMM(tiny))
		r.y = r.lines(marginMM, r.y, tiny, false, []string{l}, ink)
	}
	r.y += 2
}

// table writes one row a check, the columns named and the reasons of passed
// checks told where wanted.
func (r *report) table(title string, checks []row, named, reasons bool) {
	if len(checks) == 0 {
		return
	}
	head := func(title string, named bool, first float64) {
		r.room(titleRoom + first) // never a heading alone at the foot
		r.title(title)
		if !named {
			return
		}
		for i, s := range columnWords {
			r.text(point{r.column(i), r.y + 1.3}, tiny, false, 0, s, quiet)
		}
		r.y += 3.2
	}
	for i, c := range checks {
		asked := r.wrap(body, false, c.of+asked(c.Check), r.column(1)-r.column(0)-2)
		source := r.wrap(tiny, false, r.cite(c.Source), r.column(5)-r.column(4))
		var reason []string
		if c.Reason != "" && (reasons || c.Verdict != verify.Pass) {
			reason = cut(r.reason(c.Check))
		}
		h := math.Max(float64(len(asked))*rowMM(body)+float64(len(reason))*rowMM(tiny), float64(len(source))*rowMM(tiny)) + 1
		switch {
		case i == 0:
			head(title, named, h)
		case r.y+h > r.bottom:
			r.newPage()
			head(title+continued, true, h)
		}
		y := r.y + rowMM(body)/2
		end := r.lines(r.column(0), r.y, body, false, asked, ink)
		r.text(point{r.column(1), y}, body, true, 0, shows(c.Check), ink)
		r.text(point{r.column(2), y}, body, false, 0, limit(c.Check), ink)
		if c.Counts {
			r.sign(point{r.column(3) + 1.4, y}, 1.25, c.Verdict)
			r.text(point{r.column(3) + 4, y}, body, c.Verdict != verify.Pass, 0, rowVerdict(c.Check), ink)
		} else {
			r.text(point{r.column(3), y}, tiny, false, 0, rowVerdict(c.Check), ink)
		}
		r.lines(r.column(4), r.y+0.3, tiny, false, source, quiet)
		r.lines(r.column(0)+3, end, tiny, false, reason, quiet)
		r.y += h
		r.line([]point{{marginMM, r.y - 0.5}, {r.w - marginMM, r.y - 0.5}}, 0.1, faint)
	}
	r.y += 1.8
}

func (r *report) column(i int) float64 { return marginMM + columns[i]*(r.w-2*marginMM) }

// cite gives a source short, with the number under which it stands in full in the annex.
func (r *report) cite(source string) string {
	if source == "" {
		return noSource
	}
	i := slices.Index(r.cites, source)
	if i < 0 {
		i = len(r.cites)
		r.cites = append(r.cites, source)
	}
	return fmt.Sprintf("%s [%d]", shortSource(source), i+1)
}

// signatures draws the lines to sign on, at the foot of the first page.
func (r *report) signatures() {
	y := r.h - footMM - signMM + 1
	gap := 6.0
	w := (r.w - 2*marginMM - 2*gap) / 3
	for i, who := range signers {
		x := marginMM + (w+gap)*float64(i)
		r.text(point{x, y + 2}, body, true, 0, who[0], ink)
		r.text(point{x, y + 5.6}, tiny, false, 0, who[1], quiet)
		for j, s := range signLines {
			ly := y + 14 + 8*float64(j)
			r.line([]point{{x, ly}, {x + w, ly}}, 0.25, ink)
			r.text(point{x, ly + 1.8}, 5.8, false, 0, s, quiet)
		}
		for j, s := range decisions {
			bx := x + w*float64(j)/float64(len(decisions))
			by := y + 26
			r.line([]point{{bx, by}, {bx + 2.4, by}, {bx + 2.4, by + 2.4}, {bx, by + 2.4}, {bx, by}}, 0.25, ink)
			r.text(point{bx + 3.4, by + 1.2}, tiny, false, 0, s, ink)
		}
	}
}

// pictures are page 2: the overlay, the plot, and what the numbers on both mean.
func (r *report) pictures(picture []byte) error {
	cfg, err := jpeg.DecodeConfig(bytes.NewReader(picture))
	if err != nil {
		return fmt.Errorf("evidence: the overlay is no JPEG: %w", err)
	}
	r.newPage()
	r.title(pictureTitle)
	r.f.RegisterImageOptionsReader("overlay", fpdf.ImageOptions{ImageType: "JPG"}, bytes.NewReader(picture))
	const leastMM, plotMM, gapMM = 112.0, 60.0, 3.0
	// The picture makes room for the marks, down to a size that still shows the line.
	listed := r.marks
	how := r.how()
	r.bottom -= how.high
	for len(listed) > 0 && r.y+leastMM+gapMM+plotMM+r.marksMM(listed) > r.bottom {
		listed = listed[:len(listed)-1]
	}
	w := r.w - 2*marginMM
	h := w * float64(cfg.Height) / float64(cfg.Width)
	if most := r.bottom - r.y - gapMM - plotMM - r.marksMM(listed); h > most {
		w, h = w*most/h, most
	}
	x := (r.w - w) / 2
	r.f.ImageOptions("overlay", x, r.y, w, h, false, fpdf.ImageOptions{ImageType: "JPG"}, 0, "")
	r.line([]point{{x, r.y}, {x + w, r.y}, {x + w, r.y + h}, {x, r.y + h}, {x, r.y}}, 0.2, ink)
	r.y += h + gapMM
	p := &plotter{in: r.in, s: r, marks: r.marks}
	high := math.Min(80, r.bottom-r.y-r.marksMM(listed))
	p.overview(marginMM-3, r.y, r.w-2*marginMM+3, high-2)
	r.y += high
	r.listMarks(listed)
	r.y, r.bottom = r.bottom, r.bottom+how.high
	r.tellHow(how)
	return r.f.Error()
}

// how is what the foot of page 2 tells: how the chart was read, from which files, by which program.
type how struct {
	lines []string
	files [][2]string
	high  float64 // mm
}

const hashPoints = 5.2 // two hashes abreast

func (r *report) how() how {
	h := how{files: r.in.files()}
	for _, s := range r.in.methodWords() {
		h.lines = append(h.lines, r.wrap(tiny, false, s, r.w-2*marginMM)...)
	}
	h.high = math.Max(titleRoom, 7+float64(len(h.lines))*rowMM(tiny)+1+float64((len(h.files)+1)/2)*rowMM(hashPoints))
	return h
}

func (r *report) tellHow(h how) {
	r.title(methodTitle)
	r.y = r.lines(marginMM, r.y, tiny, false, h.lines, ink) + 1
	half := (r.w - 2*marginMM) / 2
	for i, f := range h.files {
		x, y := marginMM+half*float64(i%2), r.y+(float64(i/2)+0.5)*rowMM(hashPoints)
		r.text(point{x, y}, hashPoints, false, 0, f[0], ink)
		r.text(point{x + 12, y}, hashPoints, false, 0, r.short(hashPoints, false, f[1], half-13), ink)
	}
	r.y += float64((len(h.files)+1)/2) * rowMM(hashPoints)
}

const markPoints = 7.0

func (r *report) markLines(m mark) []string {
	return r.wrap(markPoints, false, markWords(m), r.w-2*marginMM-7)
}

// marksMM is the height of a list of marks; where it is not all of them, of the line that says so, too.
func (r *report) marksMM(marks []mark) float64 {
	if len(r.marks) == 0 {
		return 0
	}
	h := 7.0
	for _, m := range marks {
		h += math.Max(3.6, float64(len(r.markLines(m)))*rowMM(markPoints))
	}
	if len(marks) < len(r.marks) {
		h += rowMM(markPoints)
	}
	return math.Max(h, titleRoom)
}

// listMarks says what the numbered places are.
func (r *report) listMarks(marks []mark) {
	if len(r.marks) == 0 {
		return
	}
	r.title(marksTitle)
	for _, m := range marks {
		lines := r.markLines(m)
		r.room(math.Max(3.6, float64(len(lines))*rowMM(markPoints)))
		r.ring(point{marginMM + 2, r.y + 1.8}, 1.6, 0.3, amber, ink)
		r.text(point{marginMM + 2, r.y + 1.8}, 5.5, true, 0.5, fmt.Sprint(m.n), ink)
		r.y = math.Max(r.y+3.6, r.lines(marginMM+6, r.y+0.2, markPoints, false, lines, ink))
	}
	if n := len(r.marks) - len(marks); n > 0 {
		r.y = r.lines(marginMM+6, r.y, markPoints, false, []string{fmt.Sprintf(restInAnnex, n)}, ink)
	}
	r.y += 2
}

// closeUps are the plots of the holds, two abreast.
func (r *report) closeUps() {
	p := &plotter{in: r.in, s: r, marks: r.marks}
	holds := p.holds()
	if len(holds) == 0 {
		return
	}
	const high = 55.0
	wide := r.w - 2*marginMM
	r.room(high + 8)
	r.title(closeTitle)
	across := min(2, len(holds))
	for i, b := range holds {
		if i%across == 0 {
			r.room(high)
		}
		p.hold(b, marginMM+wide/float64(across)*float64(i%across), r.y, wide/float64(across)-1, high-2)
		if i%across == across-1 || i == len(holds)-1 {
			r.y += high
		}
	}
	r.y-- // a plot leaves room below its axis
}

// sources gives them in full, and what the rules leave unsettled.
func (r *report) sources() {
	type notes struct {
		title string
		lines []string
	}
	var all []notes
	if len(r.cites) > 0 {
		n := notes{title: sourcesTitle}
		for i, s := range r.cites {
			n.lines = append(n.lines, r.wrap(tiny, false, fmt.Sprintf("[%d] %s", i+1, s), r.w-2*marginMM)...)
		}
		all = append(all, n)
	}
	if r.in.Rules != nil && len(r.in.Rules.Notes) > 0 {
		n := notes{title: rulesTitle + r.in.Rules.Title}
		for _, s := range r.in.Rules.Notes {
			n.lines = append(n.lines, r.wrap(tiny, false, "– "+s, r.w-2*marginMM)...)
		}
		all = append(all, n)
	}
	need := 0.0
	for _, n := range all {
		need += 7 + float64(len(n.lines))*rowMM(tiny)
	}
	if need < r.bottom-marginMM {
		r.room(need) // all on one page, so that none is left with a few lines
	}
	for _, n := range all {
		r.title(n.title)
		for _, l := range n.lines {
			r.room(rowMM(tiny))
			r.y = r.lines(marginMM, r.y, tiny, false, []string{l}, ink)
		}
		r.y += 0.8
	}
}
