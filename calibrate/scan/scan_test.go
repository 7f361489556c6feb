package scan

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/calibrate/picture"
)

// golden decodes a PNG of testdata with Go's decoder: the pixels every other
// form of the same picture must give.
func golden(t *testing.T, name string) image.Image {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	require.NoError(t, err)
	defer f.Close()
	im, err := png.Decode(f)
	require.NoError(t, err)
	return im
}

// differ gives the mean and the largest difference, in levels, of all channels.
func differ(t *testing.T, p *picture.Picture, want image.Image) (mean float64, most int) {
	t.Helper()
	require.Equal(t, want.Bounds().Dx(), p.Width)
	require.Equal(t, want.Bounds().Dy(), p.Height)
	require.Len(t, p.Pix, p.Width*p.Height*p.Channels)
	sum := 0
	for y := range p.Height {
		for x := range p.Width {
			c := color.RGBAModel.Convert(want.At(x, y)).(color.RGBA)
			bgr := []uint8{c.B, c.G, c.R}
			for k := range 3 {
				got := p.Pix[(y*p.Width+x)*p.Channels+min(k, p.Channels-1)]
				d := int(got) - int(bgr[k])
				if d < 0 {
					d = -d
				}
				sum += d
				most = max(most, d)
			}
		}
	}
	return float64(sum) / float64(3*p.Width*p.Height), most
}

// The files of testdata were written by ImageMagick 6.9.11 from bilevel.png and
// colour.png. Lossless forms must give the very pixels; of lossy ones (JPEG,
// colour spaces) two decoders may differ, since ITU-T T.83 bounds the inverse
// transform only and leaves the upsampling of colour open.
func TestOpenFormats(t *testing.T) {
	for _, c := range []struct {
		file     string
		page     int
		want     string
		mean     float64
		most     int
		channels int
		bilevel  bool
		dpi      float64
	}{
		{"bilevel.png", 1, "bilevel.png", 0, 0, 1, true, 400},
		{"colour.png", 1, "colour.png", 0, 0, 3, false, 300},
		{"g3.tif", 1, "bilevel.png", 0, 0, 1, true, 400},
		{"g4.tif", 1, "bilevel.png", 0, 0, 1, true, 400},
		{"g4black.tif", 1, "bilevel.png", 0, 0, 1, true, 400},
		{"lzw.tif", 1, "colour.png", 0, 0, 3, false, 300},
		{"deflate.tif", 1, "colour.png", 0, 0, 3, false, 300}, // big-endian, predictor
		{"tiled.tif", 1, "colour.png", 0, 0, 3, false, 300},
		{"big.tif", 1, "colour.png", 0, 0, 3, false, 300}, // BigTIFF
		{"rgb16.tif", 1, "colour.png", 0, 0, 3, false, 300},
		{"palette.tif", 1, "colour.png", 1, 20, 3, false, 300}, // 200 colours
		{"cmyk.tif", 1, "colour.png", 1, 2, 3, false, 300},
		{"jpeg.tif", 1, "colour.png", 6, 90, 3, false, 300},
		{"cmyk.jpg", 1, "colour.png", 6, 90, 3, false, 300},
		{"pages.tif", 1, "bilevel.png", 0, 0, 1, true, 400}, // in eight bits
		{"pages.tif", 2, "colour.png", 0, 0, 3, false, 300},
	} {
		t.Run(c.file, func(t *testing.T) {
			p, err := Open(filepath.Join("testdata", c.file), c.page)
			require.NoError(t, err)
			mean, most := differ(t, p, golden(t, c.want))
			assert.LessOrEqual(t, mean, c.mean)
			assert.LessOrEqual(t, most, c.most)
			assert.Equal(t, c.channels, p.Channels)
			assert.Equal(t, c.bilevel, p.Bilevel)
			assert.InDelta(t, c.dpi, p.DPIX, 0.5)
			assert.InDelta(t, c.dpi, p.DPIY, 0.5)
		})
	}
}

// grey16.tif runs evenly from 0 to 65535 over its 47 rows.
func TestOpenSixteenBits(t *testing.T) {
	p, err := Open("testdata/grey16.tif", 1)
	require.NoError(t, err)
	require.Equal(t, 1, p.Channels)
	for y := range p.Height {
		assert.InDelta(t, 255*float64(y)/46, p.Pix[y*p.Width], 0.51)
	}
}

// The alpha of alpha.png and alpha.tif is one half: on white paper c becomes (c + 255)/2.
func TestOpenAlphaLiesOnWhite(t *testing.T) {
	for _, file := range []string{"alpha.png", "alpha.tif"} {
		p, err := Open(filepath.Join("testdata", file), 1)
		require.NoError(t, err)
		require.Equal(t, 3, p.Channels)
		want := golden(t, "colour.png")
		for y := range p.Height {
			for x := range p.Width {
				c := color.RGBAModel.Convert(want.At(x, y)).(color.RGBA)
				assert.InDelta(t, (float64(c.R)+255)/2, p.Pix[3*(y*p.Width+x)+2], 1.5)
			}
		}
	}
}

// photo is a smooth picture, as JPEG likes it.
func photo(w, h int) *image.RGBA {
	im := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			fx, fy := float64(x)/float64(w), float64(y)/float64(h)
			im.Set(x, y, color.RGBA{uint8(250 * fx), uint8(250 * fy), uint8(120 + 100*math.Sin(6*fx+4*fy)), 255})
		}
	}
	return im
}

func encodeJPEG(t testing.TB, im image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, im, &jpeg.Options{Quality: 92}))
	return b.Bytes()
}

func encodePNG(t testing.TB, im image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, im))
	return b.Bytes()
}

func write(t testing.TB, name string, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, data, 0o600))
	return path
}

func TestOpenJPEGAgreesWithGo(t *testing.T) {
	data := encodeJPEG(t, photo(203, 157))
	want, err := jpeg.Decode(bytes.NewReader(data))
	require.NoError(t, err)
	p, err := Open(write(t, "a.jpg", data), 1)
	require.NoError(t, err)
	assert.Equal(t, "jpeg", p.Source)
	mean, most := differ(t, p, want)
	assert.Less(t, mean, 1.5)
	assert.Less(t, most, 12)
}

// upright lists, for each orientation of EXIF 2.32 tag 274, what the stored
// rows "abc", "def" look like upright: the text of the standard says on which
// side row 0 and column 0 belong, e.g. 6: row 0 at the right, column 0 on top.
var upright = map[int][]string{
	1: {"abc", "def"},
	2: {"cba", "fed"},
	3: {"fed", "cba"},
	4: {"def", "abc"},
	5: {"ad", "be", "cf"},
	6: {"da", "eb", "fc"},
	7: {"fc", "eb", "da"},
	8: {"cf", "be", "ad"},
}

const cell = 16 // pixels: one coding block of a JPEG

// letters is the stored picture: cells of grey, a = 30, b = 70, …, f = 230.
func letters() *image.Gray {
	im := image.NewGray(image.Rect(0, 0, 3*cell, 2*cell))
	for y := range 2 * cell {
		for x := range 3 * cell {
			im.SetGray(x, y, color.Gray{uint8(30 + 40*(3*(y/cell)+x/cell))})
		}
	}
	return im
}

func spell(p *picture.Picture) []string {
	rows := make([]string, p.Height/cell)
	for y := range rows {
		for x := range p.Width / cell {
			v := float64(p.Pix[((y*cell+cell/2)*p.Width+x*cell+cell/2)*p.Channels])
			rows[y] += string(rune('a' + int(math.Round((v-30)/40))))
		}
	}
	return rows
}

// exifBlock is a TIFF directory with orientation and resolution (200 by 100 dots an inch).
func exifBlock(order binary.AppendByteOrder, orientation int) []byte {
	b := []byte("II")
	if order == binary.AppendByteOrder(binary.BigEndian) {
		b = []byte("MM")
	}
	b = order.AppendUint16(b, 42)
	b = order.AppendUint32(b, 8)
	b = order.AppendUint16(b, 3)
	entry := func(tag, typ uint16, value uint32) {
		b = order.AppendUint16(b, tag)
		b = order.AppendUint16(b, typ)
		b = order.AppendUint32(b, 1)
		if typ == 3 {
			b = order.AppendUint16(b, uint16(value))
			b = order.AppendUint16(b, 0)
			return
		}
		b = order.AppendUint32(b, value)
	}
	entry(tagOrientation, 3, uint32(orientation))
	entry(tagXResolution, 5, 50)
	entry(tagYResolution, 5, 58)
	b = order.AppendUint32(b, 0)
	for _, v := range []uint32{200, 1, 300, 3} {
		b = order.AppendUint32(b, v)
	}
	return b
}

func withAPP1(data, block []byte) []byte {
	seg := append([]byte("Exif\x00\x00"), block...)
	out := append([]byte{}, data[:2]...)
	out = append(out, 0xff, 0xe1)
	out = binary.BigEndian.AppendUint16(out, uint16(len(seg)+2))
	return append(append(out, seg...), data[2:]...)
}

func chunk(kind string, body []byte) []byte {
	out := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
	out = append(append(out, kind...), body...)
	return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(out[4:]))
}

const afterIHDR = 8 + 12 + 13

func withChunk(data []byte, kind string, body []byte) []byte {
	out := append([]byte{}, data[:afterIHDR]...)
	return append(append(out, chunk(kind, body)...), data[afterIHDR:]...)
}

// plainTIFF is an uncompressed grey TIFF of 8 or 16 bits.
func plainTIFF(im *image.Gray, bits, orientation int) []byte {
	le := binary.LittleEndian
	w, h := im.Rect.Dx(), im.Rect.Dy()
	var pix []byte
	for _, v := range im.Pix {
		if bits == 16 {
			pix = append(pix, v)
		}
		pix = append(pix, v)
	}
	b := le.AppendUint32(append([]byte("II*\x00"), nil...), uint32(8+len(pix)))
	b = append(b, pix...)
	entries := [][2]uint32{{256, uint32(w)}, {257, uint32(h)}, {258, uint32(bits)}, {259, 1}, {262, 1}, {273, 8},
		{274, uint32(orientation)}, {277, 1}, {278, uint32(h)}, {279, uint32(len(pix))}}
	b = le.AppendUint16(b, uint16(len(entries)))
	for _, e := range entries {
		b = le.AppendUint16(b, uint16(e[0]))
		typ := uint16(4)
		if e[0] == tagOrientation || e[0] == tagBits {
			typ = 3
		}
		b = le.AppendUint16(b, typ)
		b = le.AppendUint32(b, 1)
		b = le.AppendUint32(b, e[1])
	}
	return le.AppendUint32(b, 0)
}

func TestOpenTurnsUpright(t *testing.T) {
	im := letters()
	for o, want := range upright {
		for name, data := range map[string][]byte{
			"a.jpg":   withAPP1(encodeJPEG(t, im), exifBlock(binary.LittleEndian, o)),
			"b.jpg":   withAPP1(encodeJPEG(t, photoOf(im)), exifBlock(binary.BigEndian, o)),
			"a.png":   withChunk(encodePNG(t, im), "eXIf", exifBlock(binary.LittleEndian, o)),
			"b.png":   withChunk(encodePNG(t, photoOf(im)), "eXIf", exifBlock(binary.BigEndian, o)),
			"a8.tif":  plainTIFF(im, 8, o),
			"a16.tif": plainTIFF(im, 16, o),
		} {
			p, err := Open(write(t, name, data), 1)
			require.NoError(t, err, name)
			assert.Equal(t, want, spell(p), "%s, orientation %d", name, o)
			if filepath.Ext(name) == ".jpg" { // 200 × 100 dots an inch as stored
				x, y := 200.0, 100.0
				if o >= 5 {
					x, y = y, x
				}
				assert.Equal(t, [2]float64{x, y}, [2]float64{p.DPIX, p.DPIY})
			}
		}
	}
}

// photoOf makes a grey picture a colour one.
func photoOf(im image.Image) *image.RGBA {
	out := image.NewRGBA(im.Bounds())
	for y := range im.Bounds().Dy() {
		for x := range im.Bounds().Dx() {
			out.Set(x, y, im.At(x, y))
		}
	}
	return out
}

// JFIF 1.02 gives dots an inch (unit 1) or a centimetre (2), PNG pixels a
// metre; a JFIF without unit gives the pixel's shape only.
func TestOpenResolution(t *testing.T) {
	app0 := func(unit byte, x, y uint16) []byte {
		data := encodeJPEG(t, letters())
		seg := []byte{0xff, 0xe0, 0, 16, 'J', 'F', 'I', 'F', 0, 1, 2, unit}
		seg = binary.BigEndian.AppendUint16(seg, x)
		seg = binary.BigEndian.AppendUint16(seg, y)
		seg = append(seg, 0, 0)
		return append(append(append([]byte{}, data[:2]...), seg...), data[2:]...)
	}
	metre := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, 11811), 7874)
	for _, c := range []struct {
		name string
		data []byte
		x, y float64
	}{
		{"inch.jpg", app0(1, 300, 600), 300, 600},
		{"cm.jpg", app0(2, 100, 200), 254, 508},
		{"none.jpg", app0(0, 1, 1), 0, 0},
		{"metre.png", withChunk(encodePNG(t, letters()), "pHYs", append(metre, 1)), 300, 200},
		{"shape.png", withChunk(encodePNG(t, letters()), "pHYs", append(metre, 0)), 0, 0},
	} {
		p, err := Open(write(t, c.name, c.data), 1)
		require.NoError(t, err)
		assert.InDelta(t, c.x, p.DPIX, 0.01, c.name)
		assert.InDelta(t, c.y, p.DPIY, 0.01, c.name)
	}
}

func TestOpenRefuses(t *testing.T) {
	jpg, pn := encodeJPEG(t, photo(203, 157)), encodePNG(t, photo(203, 157))
	tif, err := os.ReadFile("testdata/lzw.tif")
	require.NoError(t, err)
	huge := append(append([]byte{}, pn[:8]...), chunk("IHDR", []byte{0, 3, 0x0d, 0x40, 0, 3, 0x0d, 0x40, 8, 2, 0, 0, 0})...)
	huge = append(huge, pn[afterIHDR:]...)
	flipped := append([]byte{}, pn...)
	flipped[len(flipped)/2] ^= 1
	badFrame := bytes.Replace(jpg, []byte{0xff, 0xc0, 0, 17, 8, 0, 157}, []byte{0xff, 0xc0, 0, 17, 8, 0xff, 0xff}, 1)
	loop := append([]byte{}, tif...)
	first := binary.LittleEndian.Uint32(loop[4:])
	entries := uint32(binary.LittleEndian.Uint16(loop[first:]))
	binary.LittleEndian.PutUint32(loop[first+2+12*entries:], first)
	// Chunks and markers in order, but what they hold is not: only the decoder can see that.
	idat := bytes.Index(pn, []byte("IDAT"))
	pixels := pn[idat+4:][:binary.BigEndian.Uint32(pn[idat-4:])]
	emptied := slices.Concat(pn[:idat-4], chunk("IDAT", make([]byte, 99)), chunk("IEND", nil))
	shortened := slices.Concat(pn[:idat-4], chunk("IDAT", pixels[:len(pixels)/2]), chunk("IEND", nil))
	dqt := bytes.Index(jpg, []byte{0xff, 0xdb})
	unscaled := slices.Concat(jpg[:dqt], jpg[dqt+2+int(binary.BigEndian.Uint16(jpg[dqt+2:])):])
	// a scan that was cut off and given an end again
	cut := slices.Concat(jpg[:len(jpg)/2], []byte{0xff, 0xd9})
	twice := bytes.Clone(tif)
	binary.LittleEndian.PutUint16(twice[first+2+12:], tagWidth) // the second entry, which was the length
	odd := plainTIFF(letters(), 16, 1)
	odd[bytes.Index(odd, []byte{tagPhotometric & 0xff, tagPhotometric >> 8, 4, 0})+8] = 0 // white is zero
	for _, c := range []struct {
		name string
		data []byte
		what string
	}{
		{"cut.jpg", cut, "the JPEG's pixels end before the picture does"},
		{"twice.tif", twice, "says tag 256 of a page twice"},
		{"odd.tif", odd, "neither grey from black to white nor"},
		{"emptied.png", emptied, "PNG's pixels cannot be decoded"},
		{"shortened.png", shortened, "PNG's pixels cannot be decoded"},
		{"unscaled.jpg", unscaled, "JPEG's pixels cannot be decoded"},
		{"empty.jpg", nil, "empty"},
		{"text.png", []byte("this is a letter, not a picture\n"), "no JPEG, PNG, TIFF or PDF"},
		{"heic.jpg", []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00"), "HEIC"},
		{"short.jpg", jpg[:len(jpg)-2], "before its end-of-image marker"},
		{"half.jpg", jpg[:len(jpg)/2], "before its end-of-image marker"},
		{"header.jpg", jpg[:30], "JPEG ends"},
		{"spliced.jpg", append(append([]byte{}, jpg[:len(jpg)/2]...), jpg...), "a second JPEG begins"},
		{"large.jpg", badFrame, "65535 pixels"},
		{"half.png", pn[:len(pn)/2], "before its end chunk"},
		{"noend.png", pn[:len(pn)-12], "before its end chunk"},
		{"flipped.png", flipped, "checksum"},
		{"huge.png", huge, "200000 × 200000 pixels"},
		{"half.tif", tif[:len(tif)/2], "the TIFF ends"},
		{"loop.tif", loop, "in a circle"},
		{"header.tif", tif[:6], "the TIFF ends"},
		{"junk.pdf", []byte("%PDF-1.7\nnothing follows"), "PDF cannot be read"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := write(t, c.name, c.data)
			_, err := Open(path, 1)
			var e *Error
			require.ErrorAs(t, err, &e)
			assert.Equal(t, path, e.File)
			assert.Contains(t, e.What, c.what)
			assert.NotEmpty(t, e.Remedy)
			assert.Equal(t, e.File+": "+e.What+": "+e.Remedy, err.Error())
		})
	}
}

func TestOpenRefusesWhatIsNoFile(t *testing.T) {
	dir := t.TempDir()
	fifo := filepath.Join(dir, "a.jpg")
	require.NoError(t, syscall.Mkfifo(fifo, 0o600))
	_, err := Open(fifo, 1)
	assert.ErrorContains(t, err, "not a regular file")
	_, err = Pages(dir)
	assert.ErrorContains(t, err, "is a folder")
	_, err = Open(filepath.Join(dir, "none.jpg"), 1)
	assert.True(t, errors.Is(err, fs.ErrNotExist))
}

// A telephone may store a second picture after the end of the first.
func TestOpenAllowsBytesAfterTheEnd(t *testing.T) {
	jpg := encodeJPEG(t, photo(203, 157))
	p, err := Open(write(t, "a.jpg", append(append([]byte{}, jpg...), jpg[:99]...)), 1)
	require.NoError(t, err)
	assert.Equal(t, 203, p.Width)
}

func TestPages(t *testing.T) {
	thumb, err := os.ReadFile("testdata/pages.tif")
	require.NoError(t, err)
	d, err := parseTIFF(thumb)
	require.NoError(t, err)
	require.Len(t, d.pages, 3)
	// Page 2 declared a reduced-resolution copy (TIFF 6.0, tag 254 bit 0) is a page no more.
	at := d.pages[1].at
	for i := range uint64(binary.LittleEndian.Uint16(thumb[at:])) {
		if e := at + 2 + 12*i; binary.LittleEndian.Uint16(thumb[e:]) == tagNewSubfileType {
			thumb[e+8] = 1
		}
	}
	for _, c := range []struct {
		path string
		want int
	}{
		{"testdata/colour.png", 1}, {"testdata/cmyk.jpg", 1}, {"testdata/g4.tif", 1},
		{"testdata/big.tif", 1}, {"testdata/pages.tif", 3}, {write(t, "thumb.tif", thumb), 2},
	} {
		n, err := Pages(c.path)
		require.NoError(t, err, c.path)
		assert.Equal(t, c.want, n, c.path)
	}
	for _, page := range []int{0, -1, 2} {
		_, err := Open("testdata/colour.png", page)
		assert.ErrorContains(t, err, "there is no page")
	}
	_, err = Open("testdata/pages.tif", 4)
	assert.ErrorContains(t, err, "there is no page 4, the file has 3")
}

func TestOpenRefusesDepths(t *testing.T) {
	_, err := Open("testdata/grey4.tif", 1)
	assert.ErrorContains(t, err, "1 × 4 bits a pixel")
}

func FuzzJPEG(f *testing.F) {
	jpg := encodeJPEG(f, letters())
	f.Add(jpg)
	f.Add(withAPP1(jpg, exifBlock(binary.BigEndian, 6)))
	f.Fuzz(func(t *testing.T, data []byte) {
		if sniff(data) == "jpeg" {
			sound(t)(parseJPEG(data))
		}
	})
}

func FuzzPNG(f *testing.F) {
	pn := encodePNG(f, letters())
	f.Add(pn)
	f.Add(withChunk(pn, "eXIf", exifBlock(binary.LittleEndian, 8)))
	f.Fuzz(func(t *testing.T, data []byte) {
		if sniff(data) == "png" {
			sound(t)(parsePNG(data))
		}
	})
}

func FuzzTIFF(f *testing.F) {
	for _, name := range []string{"g4.tif", "pages.tif", "big.tif", "tiled.tif"} {
		data, err := os.ReadFile(filepath.Join("testdata", name))
		require.NoError(f, err)
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if sniff(data) == "tiff" {
			sound(t)(turnTo(bytes.Clone(data), 1)) // which changes it
		}
	})
}

// FuzzDecode goes all the way: what the header checks let through must not end the process.
func FuzzDecode(f *testing.F) {
	for _, name := range []string{"g4.tif", "g3.tif", "jpeg.tif", "tiled.tif", "deflate.tif", "palette.tif", "cmyk.jpg", "colour.png"} {
		data, err := os.ReadFile(filepath.Join("testdata", name))
		require.NoError(f, err)
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var h *header
		var err error
		switch sniff(data) {
		case "jpeg":
			h, err = parseJPEG(data)
		case "png":
			h, err = parsePNG(data)
		case "tiff":
			data = bytes.Clone(data) // which turnTo changes
			h, err = turnTo(data, 1)
		default:
			return
		}
		if err != nil || h.width*h.height > 1<<20 {
			return
		}
		if p, err := decode(data, h); err == nil {
			require.Len(t, p.Pix, p.Width*p.Height*p.Channels)
		}
	})
}

// sound checks that a header that is let through keeps its promises.
func sound(t *testing.T) func(*header, error) {
	return func(h *header, err error) {
		if err != nil {
			var e *Error
			require.ErrorAs(t, err, &e)
			return
		}
		require.NoError(t, h.check())
		require.True(t, h.orientation >= 1 && h.orientation <= 8)
	}
}
