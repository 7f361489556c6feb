package scan

import (
	"bytes"
	"compress/zlib"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/klippa-app/go-pdfium/requests"
	"github.com/klippa-app/go-pdfium/structs"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// pdfPage is one page of a hand-written PDF: the content stream, and images
// named Im0, Im1, … as dictionary entries and stream.
type pdfPage struct {
	box     string // MediaBox
	rotate  int
	content string
	images  []pdfImage
	extra   string // further entries of the page
}

type pdfImage struct {
	dict string
	data []byte
}

// buildPDF writes the objects and the cross-reference table of ISO 32000-1, 7.5.
func buildPDF(pages ...pdfPage) []byte {
	var b bytes.Buffer
	var offsets []int
	b.WriteString("%PDF-1.7\n")
	object := func(n int, body string, stream []byte) {
		for len(offsets) < n {
			offsets = append(offsets, 0)
		}
		offsets[n-1] = b.Len()
		fmt.Fprintf(&b, "%d 0 obj\n%s\n", n, body)
		if stream != nil {
			fmt.Fprintf(&b, "stream\n%s\nendstream\n", stream)
		}
		b.WriteString("endobj\n")
	}
	object(1, "<< /Type /Catalog /Pages 2 0 R >>", nil)
	next, kids := 3, ""
	for _, p := range pages {
		page, content := next, next+1
		next += 2
		resources := ""
		for i, im := range p.images {
			resources += fmt.Sprintf("/Im%d %d 0 R ", i, next)
			object(next, fmt.Sprintf("<< /Type /XObject /Subtype /Image /Length %d %s >>", len(im.data), im.dict), im.data)
			next++
		}
		kids += fmt.Sprintf("%d 0 R ", page)
		object(page, fmt.Sprintf("<< /Type /Page /Parent 2 0 R /MediaBox [%s] /Rotate %d /Contents %d 0 R /Resources << /XObject << %s >> "+
			"/Font << /F << /Type /Font /Subtype /Type1 /BaseFont /Helvetica >> >> >> %s >>",
			p.box, p.rotate, content, resources, p.extra), nil)
		object(content, fmt.Sprintf("<< /Length %d >>", len(p.content)), []byte(p.content))
	}
	object(2, fmt.Sprintf("<< /Type /Pages /Count %d /Kids [%s] >>", len(pages), kids), nil)
	start := b.Len()
	fmt.Fprintf(&b, "xref\n0 %d\n0000000000 65535 f \n", len(offsets)+1)
	for _, o := range offsets {
		fmt.Fprintf(&b, "%010d 00000 n \n", o)
	}
	fmt.Fprintf(&b, "trailer << /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n", len(offsets)+1, start)
	return b.Bytes()
}

func deflate(t *testing.T, data []byte) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zlib.NewWriter(&b)
	_, err := z.Write(data)
	require.NoError(t, err)
	require.NoError(t, z.Close())
	return b.Bytes()
}

func grey(t *testing.T, im *image.Gray) pdfImage {
	return pdfImage{fmt.Sprintf("/Width %d /Height %d /ColorSpace /DeviceGray /BitsPerComponent 8 /Filter /FlateDecode",
		im.Rect.Dx(), im.Rect.Dy()), deflate(t, im.Pix)}
}

// An image of 48 × 32 pixels on 11.52 × 7.68 points has 300 pixels an inch.
const whole = "q 11.52 0 0 7.68 0 0 cm /Im0 Do Q"

func TestOpenPDFTakesThePagesOwnImage(t *testing.T) {
	im := photo(203, 157)
	data := encodeJPEG(t, im)
	want, err := Open(write(t, "a.jpg", data), 1)
	require.NoError(t, err)
	rgb := make([]byte, 0, 3*203*157)
	for i := 0; i < len(im.Pix); i += 4 {
		rgb = append(rgb, im.Pix[i:i+3]...)
	}
	g4, err := os.ReadFile("testdata/g4.tif")
	require.NoError(t, err)
	tif, err := parseTIFF(g4)
	require.NoError(t, err)
	require.Len(t, tif.pages, 1)
	strip := g4[8:int(tif.pages[0].ends)] // its one strip follows the file header
	path := write(t, "a.pdf", buildPDF(
		pdfPage{box: "0 0 203 157", content: "q 203 0 0 157 0 0 cm /Im0 Do Q",
			images: []pdfImage{{"/Width 203 /Height 157 /ColorSpace /DeviceRGB /BitsPerComponent 8 /Filter /DCTDecode", data}}},
		pdfPage{box: "0 0 203 157", content: "q 203 0 0 157 0 0 cm /Im0 Do Q BT /F 9 Tf 3 Tr 9 9 Td (words recognised) Tj ET",
			images: []pdfImage{{"/Width 203 /Height 157 /ColorSpace /DeviceRGB /BitsPerComponent 8 /Filter /FlateDecode", deflate(t, rgb)}}},
		pdfPage{box: "0 0 61 47", content: "q 61 0 0 47 0 0 cm /Im0 Do Q",
			images: []pdfImage{{"/Width 61 /Height 47 /ColorSpace /DeviceGray /BitsPerComponent 1 /Filter /CCITTFaxDecode " +
				"/DecodeParms << /K -1 /Columns 61 /Rows 47 >>", strip}}},
	))
	n, err := Pages(path)
	require.NoError(t, err)
	assert.Equal(t, 3, n)

	p, err := Open(path, 1)
	require.NoError(t, err)
	assert.Equal(t, "pdf: the page's own image", p.Source)
	assert.Equal(t, want.Pix, p.Pix)
	assert.InDelta(t, 72, p.DPIX, 0.01)

	p, err = Open(path, 2)
	require.NoError(t, err)
	assert.Equal(t, "pdf: the page's own image", p.Source)
	_, most := differ(t, p, im)
	assert.Zero(t, most)

	p, err = Open(path, 3)
	require.NoError(t, err)
	assert.True(t, p.Bilevel)
	assert.Equal(t, 1, p.Channels)
	_, most = differ(t, p, golden(t, "bilevel.png"))
	assert.Zero(t, most)

	_, err = Open(path, 4)
	assert.ErrorContains(t, err, "there is no page 4, the file has 3")
}

// ISO 32000-1: /Rotate turns the page clockwise; the matrix lays the image's
// lower left corner at (e, f), its width along (a, b), its height along (c, d).
func TestOpenPDFTurnsUpright(t *testing.T) {
	page := func(rotate int, matrix, box string) pdfPage {
		return pdfPage{box: box, rotate: rotate, content: "q " + matrix + " cm /Im0 Do Q", images: []pdfImage{grey(t, letters())}}
	}
	wide, tall := "0 0 11.52 7.68", "0 0 7.68 11.52"
	pages := []pdfPage{
		page(0, "11.52 0 0 7.68 0 0", wide),
		page(90, "11.52 0 0 7.68 0 0", wide),
		page(180, "11.52 0 0 7.68 0 0", wide),
		page(270, "11.52 0 0 7.68 0 0", wide),
		page(0, "-11.52 0 0 7.68 11.52 0", wide),
		page(0, "11.52 0 0 -7.68 0 7.68", wide),
		page(0, "0 -11.52 7.68 0 0 11.52", tall), // clockwise
		page(90, "0 11.52 -7.68 0 7.68 0", tall), // counterclockwise, then clockwise
	}
	path := write(t, "a.pdf", buildPDF(pages...))
	for i, want := range [][]string{upright[1], upright[6], upright[3], upright[8], upright[2], upright[4], upright[6], upright[1]} {
		p, err := Open(path, i+1)
		require.NoError(t, err)
		assert.Equal(t, "pdf: the page's own image", p.Source)
		assert.Equal(t, want, spell(p), "page %d", i+1)
		assert.InDelta(t, 300, p.DPIX, 0.01)
		assert.InDelta(t, 300, p.DPIY, 0.01)
	}
	askew := structs.FPDF_FS_MATRIX{A: 10, B: 1, C: -1, D: 10}
	assert.Zero(t, placement(askew, 0))
}

func TestOpenPDFRendersTheRest(t *testing.T) {
	im := grey(t, letters())
	half := "q 11.52 0 0 7.68 0 0 cm /Im0 Do Q q 11.52 0 0 7.68 0 7.68 cm /Im1 Do Q"
	path := write(t, "a.pdf", buildPDF(
		pdfPage{box: "0 0 11.52 15.36", content: half, images: []pdfImage{im, im}},
		pdfPage{box: "0 0 11.52 7.68", content: whole + " 0 0 5 5 re f", images: []pdfImage{im}},
		pdfPage{box: "0 0 72 144", content: "1 0 0 rg 0 72 36 72 re f"},
		pdfPage{box: "0 0 72 144", rotate: 90, content: "1 0 0 rg 0 72 36 72 re f"},
		pdfPage{box: "0 0 11.52 7.68", content: whole, images: []pdfImage{im},
			extra: "/Annots [<< /Type /Annot /Subtype /Square /Rect [1 1 5 5] /C [1 0 0] >>]"},
	))
	// What a mask hides of an image is not shown, a stencil paints where its bits are 0, and values may stand the other
	// way round (ISO 32000-1, 8.9.5.2 and 8.9.6).
	w, h := letters().Rect.Dx(), letters().Rect.Dy()
	hidden := image.NewGray(image.Rect(0, 0, w, h))
	dark := deflate(t, make([]byte, (w+7)/8*h))
	size := fmt.Sprintf("/Width %d /Height %d ", w, h)
	white := image.NewGray(hidden.Rect)
	for i := range white.Pix {
		white.Pix[i] = 255
	}
	for name, c := range map[string]struct {
		images []pdfImage
		value  uint8
	}{
		"masked":          {[]pdfImage{{im.dict + " /SMask 6 0 R", im.data}, grey(t, hidden)}, 255},
		"stencil":         {[]pdfImage{{size + "/ImageMask true /BitsPerComponent 1 /Filter /FlateDecode", dark}}, 0},
		"stencil of ones": {[]pdfImage{{size + "/ImageMask true /BitsPerComponent 1 /Filter /FlateDecode /Decode [1 0]", dark}}, 255},
		"reversed":        {[]pdfImage{{size + "/ColorSpace /DeviceGray /BitsPerComponent 8 /Filter /DCTDecode /Decode [1 0]", encodeJPEG(t, white)}}, 0},
	} {
		p, err := Open(write(t, "a.pdf", buildPDF(pdfPage{box: "0 0 11.52 7.68", content: whole, images: c.images})), 1)
		require.NoError(t, err, name)
		for _, v := range p.Pix {
			require.Equal(t, c.value, v, name)
		}
	}

	p, err := Open(path, 1)
	require.NoError(t, err)
	assert.Equal(t, "pdf: rendered at 300 dpi", p.Source)
	assert.Equal(t, []string{"abc", "def", "abc", "def"}, spell(p))
	assert.Equal(t, 1, p.Channels)

	for _, page := range []int{2, 5} { // what covers the image must be seen
		p, err = Open(path, page)
		require.NoError(t, err)
		assert.Contains(t, p.Source, "rendered")
	}

	p, err = Open(path, 3)
	require.NoError(t, err)
	assert.Equal(t, [2]int{300, 600}, [2]int{p.Width, p.Height})
	assert.Equal(t, []uint8{0, 0, 255}, p.Pix[:3]) // red lies top left
	assert.Equal(t, []uint8{255, 255, 255}, p.Pix[3*299:3*300])
	assert.InDelta(t, 300, p.DPIX, 0.01)

	p, err = Open(path, 4) // turned clockwise: red top right
	require.NoError(t, err)
	assert.Equal(t, [2]int{600, 300}, [2]int{p.Width, p.Height})
	assert.Equal(t, []uint8{0, 0, 255}, p.Pix[3*599:3*600])
	assert.Equal(t, []uint8{255, 255, 255}, p.Pix[:3])
}

func TestOpenPDFRefuses(t *testing.T) {
	data := encodeJPEG(t, photo(203, 157))
	dict := "/Width 203 /Height 157 /ColorSpace /DeviceRGB /BitsPerComponent 8 /Filter /DCTDecode"
	for _, c := range []struct {
		name string
		data []byte
		what string
	}{
		{"none.pdf", buildPDF(), "PDF"},
		{"short.pdf", buildPDF(pdfPage{box: "0 0 203 157", content: "q 203 0 0 157 0 0 cm /Im0 Do Q",
			images: []pdfImage{{dict, data[:len(data)/2]}}}), "the JPEG ends"},
		{"huge.pdf", buildPDF(pdfPage{box: "0 0 203 157", content: "q 203 0 0 157 0 0 cm /Im0 Do Q",
			images: []pdfImage{{"/Width 100000 /Height 100000 /ColorSpace /DeviceGray /BitsPerComponent 8 /Filter /FlateDecode", deflate(t, make([]byte, 1000))}}}),
			"100000 × 100000 pixels"},
	} {
		_, err := Open(write(t, c.name, c.data), 1)
		var e *Error
		require.ErrorAs(t, err, &e, c.name)
		assert.Contains(t, e.What, c.what)
		assert.Equal(t, c.name, filepath.Base(e.File))
	}
	_, err := Open("testdata/locked.pdf", 1)
	assert.ErrorContains(t, err, "locked with a password")
}

// Ten forms, each drawing the next one ten times: a page of 10^10 squares.
func TestOpenPDFGivesUpInTime(t *testing.T) {
	var objects bytes.Buffer
	objects.WriteString("%PDF-1.7\n1 0 obj\n<< /Type /Catalog /Pages 2 0 R >>\nendobj\n2 0 obj\n<< /Type /Pages /Count 1 /Kids [3 0 R] >>\nendobj\n" +
		"3 0 obj\n<< /Type /Page /Parent 2 0 R /MediaBox [0 0 99 99] /Contents 4 0 R /Resources << /XObject << /X 5 0 R >> >> >>\nendobj\n" +
		"4 0 obj\n<< /Length 5 >>\nstream\n/X Do\nendstream\nendobj\n")
	for n := 5; n < 15; n++ {
		content := strings.Repeat("/X Do ", 10)
		if n == 14 {
			content = strings.Repeat("0 0 9 9 re f ", 10)
		}
		fmt.Fprintf(&objects, "%d 0 obj\n<< /Type /XObject /Subtype /Form /BBox [0 0 99 99] /Resources << /XObject << /X %d 0 R >> >> /Length %d >>\nstream\n%s\nendstream\nendobj\n",
			n, n+1, len(content), content)
	}
	objects.WriteString("trailer << /Size 15 /Root 1 0 R >>\n%%EOF\n")
	err := withPDF(objects.Bytes(), time.Second/2, func(d document) error {
		loaded, err := d.FPDF_LoadPage(&requests.FPDF_LoadPage{Document: d.ref})
		if err != nil {
			return err
		}
		_, err = d.render(requests.Page{ByReference: &loaded.Page}, 0)
		return err
	})
	assert.ErrorContains(t, err, "not read within 500ms")
	// The next PDF gets a sandbox of its own.
	n, err := Pages(write(t, "a.pdf", buildPDF(pdfPage{box: "0 0 9 9"})))
	require.NoError(t, err)
	assert.Equal(t, 1, n)
}

// An image of 12000 × 9000 pixels in colour is 324 MB when open.
func TestOpenPDFGivesUpInMemory(t *testing.T) {
	m := reserve(0, 1<<31)
	b := m.Reallocate(1 << 20)
	require.Len(t, b, 1<<20)
	b[7] = 7
	assert.Same(t, &b[0], &m.Reallocate(2 << 20)[0], "it grows without moving")
	assert.Nil(t, m.Reallocate(pdfMemory+1))
	m.Free()
	assert.Zero(t, b[7], "what was given back reads as zero, and can still be read")

	_, err := Open(write(t, "bomb.pdf", buildPDF(pdfPage{box: "0 0 11.52 7.68", content: whole,
		images: []pdfImage{{"/Width 12000 /Height 9000 /ColorSpace /DeviceRGB /BitsPerComponent 8 /Filter /FlateDecode", deflate(t, make([]byte, 1000))}}})), 1)
	assert.ErrorContains(t, err, "takes more than 184 MB to show: print it to a new PDF")
	n, err := Pages(write(t, "a.pdf", buildPDF(pdfPage{box: "0 0 9 9"})))
	require.NoError(t, err)
	assert.Equal(t, 1, n)
}
