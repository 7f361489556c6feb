package scan

import (
	"encoding/binary"
	"math"
)

// tiff is a file of TIFF 6.0 or BigTIFF. Only directories are read here: which
// pages there are, how large, and whether their pixels lie inside the file.
// OpenCV decodes the pixels; it can do so only for the first page, so the file
// is turned to a page by pointing its header at that page's directory.
type tiff struct {
	data  []byte
	order binary.ByteOrder
	big   bool
	pages []directory
}

type directory struct {
	at      uint64
	next    uint64
	entries map[uint16][]float64 // numeric tags that are used, at most a few values each
	ends    float64              // the last byte that a strip or tile claims
	pixels  bool                 // has strips or tiles
	turn    []byte               // where the orientation stands in the file; nil where it does not
}

const maxStrips = 1 << 16 // strips or tiles of a page

// Tags of TIFF 6.0 that matter here.
const (
	tagNewSubfileType = 254
	tagSubfileType    = 255
	tagWidth          = 256
	tagLength         = 257
	tagBits           = 258
	tagPhotometric    = 262
	tagStripOffsets   = 273
	tagOrientation    = 274
	tagSamples        = 277
	tagStripCounts    = 279
	tagXResolution    = 282
	tagYResolution    = 283
	tagResolutionUnit = 296
	tagColorMap       = 320
	tagTileOffsets    = 324
	tagTileCounts     = 325
	tagExtraSamples   = 338
	tagSampleFormat   = 339
	tagJPEGTables     = 347
)

// Photometric interpretations of TIFF 6.0.
const (
	blackIsZero = 1
	rgb         = 2
)

func tiffBroken() *Error {
	return fault(copyAnew, "the TIFF ends inside its directory of pages")
}

// start reads the file header and gives the offset of the first directory.
func (t *tiff) start() (uint64, error) {
	if len(t.data) < 8 {
		return 0, tiffBroken()
	}
	switch string(t.data[:2]) {
	case "II":
		t.order = binary.LittleEndian
	case "MM":
		t.order = binary.BigEndian
	default:
		return 0, tiffBroken()
	}
	if t.order.Uint16(t.data[2:]) != 43 {
		return uint64(t.order.Uint32(t.data[4:])), nil
	}
	t.big = true
	if len(t.data) < 16 {
		return 0, tiffBroken()
	}
	return t.order.Uint64(t.data[8:]), nil
}

// span is the part [at, at+n) of the file.
func (t *tiff) span(at, n uint64) ([]byte, error) {
	size := uint64(len(t.data))
	if at > size || n > size-at {
		return nil, tiffBroken()
	}
	return t.data[at : at+n], nil
}

// word reads an offset-sized number: 4 bytes, in BigTIFF 8.
func (t *tiff) word(b []byte) uint64 {
	if t.big {
		return t.order.Uint64(b)
	}
	return uint64(t.order.Uint32(b))
}

// directory reads the directory at an offset.
func (t *tiff) directory(at uint64) (directory, error) {
	d := directory{at: at, entries: map[uint16][]float64{}}
	head, entry, word := uint64(2), uint64(12), uint64(4)
	if t.big {
		head, entry, word = 8, 20, 8
	}
	b, err := t.span(at, head)
	if err != nil {
		return d, err
	}
	n := uint64(t.order.Uint16(b))
	if t.big {
		if n = t.order.Uint64(b); n > math.MaxUint16 {
			return d, tiffBroken()
		}
	}
	if b, err = t.span(at+head, n*entry+word); err != nil {
		return d, err
	}
	d.next = t.word(b[n*entry:])
	var offsets, counts []float64
	seen := map[uint16]bool{}
	for ; n > 0; n, b = n-1, b[entry:] {
		tag, typ := t.order.Uint16(b), t.order.Uint16(b[2:])
		count, field := t.word(b[4:]), b[4+word:4+2*word]
		few := uint64(8)
		switch tag {
		case tagStripOffsets, tagStripCounts, tagTileOffsets, tagTileCounts:
			if few = maxStrips; count > few {
				return d, fault(saveAs, "the TIFF has a page in more than %d pieces", maxStrips)
			}
		case tagNewSubfileType, tagSubfileType, tagWidth, tagLength, tagBits, tagPhotometric, tagOrientation, tagSamples,
			tagXResolution, tagYResolution, tagResolutionUnit, tagColorMap, tagExtraSamples, tagSampleFormat, tagJPEGTables:
		default:
			continue
		}
		if seen[tag] { // which of them holds is a matter of the reader
			return d, fault(saveAs, "the TIFF says tag %d of a page twice", tag)
		}
		seen[tag] = true
		v, err := t.values(typ, min(count, few), count, field)
		if err != nil {
			return d, err
		}
		switch tag {
		case tagStripOffsets, tagTileOffsets:
			offsets = v
		case tagOrientation:
			if typ == 3 && count == 1 {
				d.turn = field
			}
			d.entries[tag] = v
		case tagStripCounts, tagTileCounts:
			counts = v
		default:
			d.entries[tag] = v
		}
	}
	d.pixels = len(offsets) > 0
	for i, o := range offsets {
		if i < len(counts) {
			o += counts[i]
		}
		d.ends = max(d.ends, o)
	}
	return d, nil
}

// values reads the first take of count numbers of a tag, all of which must lie
// in the file; types that are no numbers give none.
func (t *tiff) values(typ uint16, take, count uint64, field []byte) ([]float64, error) {
	size := uint64(0)
	switch typ {
	case 1, 7:
		size = 1
	case 3:
		size = 2
	case 4, 13:
		size = 4
	case 5, 16, 18:
		size = 8
	default:
		return nil, nil
	}
	if count > math.MaxInt32 {
		return nil, tiffBroken()
	}
	b := field
	if count*size > uint64(len(field)) {
		var err error
		if b, err = t.span(t.word(field), count*size); err != nil {
			return nil, err
		}
	}
	out := make([]float64, 0, take)
	for range take {
		var v float64
		switch typ {
		case 1, 7:
			v = float64(b[0])
		case 3:
			v = float64(t.order.Uint16(b))
		case 4, 13:
			v = float64(t.order.Uint32(b))
		case 5:
			if den := t.order.Uint32(b[4:]); den != 0 {
				v = float64(t.order.Uint32(b)) / float64(den)
			}
		default:
			v = float64(t.order.Uint64(b))
		}
		out = append(out, v)
		b = b[size:]
	}
	return out, nil
}

// number is the first value of a tag, or the default that TIFF 6.0 gives it.
func (d *directory) number(tag uint16, missing float64) float64 {
	if v := d.entries[tag]; len(v) > 0 {
		return v[0]
	}
	return missing
}

func (d *directory) orientation() int {
	o := d.number(tagOrientation, 1)
	if o < 1 || o > 8 {
		return 1
	}
	return int(o)
}

// resolution is in dots an inch, 0 where the file does not say it.
func (d *directory) resolution() (x, y float64) {
	unit := 0.0
	switch d.number(tagResolutionUnit, 2) {
	case 2:
		unit = 1
	case 3:
		unit = mmPerInch / 10
	}
	return d.number(tagXResolution, 0) * unit, d.number(tagYResolution, 0) * unit
}

// parseTIFF walks the chain of directories. Thumbnails and masks are no pages.
func parseTIFF(data []byte) (*tiff, error) {
	t := &tiff{data: data}
	at, err := t.start()
	if err != nil {
		return nil, err
	}
	seen := map[uint64]bool{}
	for at != 0 {
		if seen[at] {
			return nil, fault(copyAnew, "the TIFF's directory of pages runs in a circle")
		}
		if len(seen) == maxPages {
			return nil, fault("split the file", "the TIFF has more than %d pages", maxPages)
		}
		seen[at] = true
		d, err := t.directory(at)
		if err != nil {
			return nil, err
		}
		old := d.number(tagSubfileType, 1)
		if int(d.number(tagNewSubfileType, 0))&5 == 0 && old != 2 {
			t.pages = append(t.pages, d)
		}
		at = d.next
	}
	if len(t.pages) == 0 {
		return nil, fault(copyAnew, "the TIFF has no picture in it")
	}
	return t, nil
}

// turnTo makes the page the first one of the TIFF in data and lays it as
// stored, both by changing data, and gives the page's header. OpenCV turns TIFF
// by itself, in some versions and depths only, even when told to leave it.
func turnTo(data []byte, page int) (*header, error) {
	t, err := parseTIFF(data)
	if err != nil {
		return nil, err
	}
	if page > len(t.pages) {
		return nil, noPage(page, len(t.pages))
	}
	d := &t.pages[page-1]
	h := &header{kind: "tiff", orientation: d.orientation()}
	w, l := d.number(tagWidth, 0), d.number(tagLength, 0)
	h.width, h.height = int(min(w, math.MaxInt32)), int(min(l, math.MaxInt32))
	if err := h.check(); err != nil {
		return nil, err
	}
	if !d.pixels || d.ends > float64(len(data)) {
		return nil, fault(copyAnew, "the TIFF ends before the pixels of page %d do", page)
	}
	if f := d.number(tagSampleFormat, 1); f != 1 && f != 4 {
		return nil, fault(saveAs, "page %d has signed or floating-point samples, which are not read", page)
	}
	bits, samples := d.number(tagBits, 1), d.number(tagSamples, 1)
	if bits != 8 && bits != 16 && (bits != 1 || samples != 1) {
		return nil, fault(saveAs, "page %d has %.0f × %.0f bits a pixel, which is not read", page, samples, bits)
	}
	if p := d.number(tagPhotometric, blackIsZero); bits == 16 && p != blackIsZero && p != rgb { // read as stored
		return nil, fault("save it with 8 bits a channel", "page %d has 16 bits a channel, but neither grey from black to white nor red, green and blue", page)
	}
	h.dpiX, h.dpiY = d.resolution()
	h.bilevel = bits == 1
	h.channels = 3
	if samples == 1 {
		h.channels = 1
	}
	h.premultiplied = bits <= 8 || d.number(tagExtraSamples, 0) == 1
	if d.turn != nil {
		t.order.PutUint16(d.turn, 1)
	} else {
		h.orientation = 1
	}
	if t.big {
		t.order.PutUint64(data[8:], d.at)
	} else {
		t.order.PutUint32(data[4:], uint32(d.at))
	}
	return h, nil
}
