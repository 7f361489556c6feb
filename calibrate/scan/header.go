package scan

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
)

const mmPerInch = 25.4

// parseJPEG walks the markers of ITU-T T.81 annex B from start of image to end
// of image. Bytes after the end are allowed: telephones put a second picture
// there. A stream without its end decodes to a half-grey picture and no error,
// hence the whole walk.
func parseJPEG(data []byte) (*header, error) {
	h := &header{kind: "jpeg", orientation: 1}
	broken := func(where string) error {
		return fault(copyAnew, "the JPEG ends %s", where)
	}
	exifX, exifY := 0.0, 0.0
	scans := 0
	for i := 2; ; {
		// The next marker follows at once in a header; in a scan it must be searched.
		k := bytes.IndexByte(data[i:], 0xff)
		if k < 0 || i+k+1 >= len(data) {
			return nil, broken("before its end-of-image marker")
		}
		i += k
		m := data[i+1]
		switch {
		case m == 0xff: // fill byte
			i++
			continue
		case m == 0x00 || m >= 0xd0 && m <= 0xd7 || m == 0x01: // stuffed byte, restart
			i += 2
			continue
		case m == 0xd8:
			return nil, fault(copyAnew, "a second JPEG begins at byte %d before the first has ended", i)
		case m == 0xd9:
			if scans == 0 || h.width == 0 {
				return nil, broken("without a picture in it")
			}
			if h.dpiX == 0 {
				h.dpiX, h.dpiY = exifX, exifY
			}
			return h, nil
		}
		if i+4 > len(data) {
			return nil, broken("inside a marker")
		}
		n := int(binary.BigEndian.Uint16(data[i+2:]))
		if n < 2 || i+2+n > len(data) {
			return nil, broken("inside a marker")
		}
		seg := data[i+4 : i+2+n]
		i += 2 + n
		switch {
		case m >= 0xc0 && m <= 0xcf && m != 0xc4 && m != 0xc8 && m != 0xcc: // frame header
			if len(seg) < 6 || h.width != 0 {
				return nil, fault(copyAnew, "the JPEG's frame header is broken")
			}
			if seg[0] != 8 {
				return nil, fault(saveAs, "the JPEG has %d bits a channel, not 8", seg[0])
			}
			h.height, h.width = int(binary.BigEndian.Uint16(seg[1:])), int(binary.BigEndian.Uint16(seg[3:]))
			h.channels, h.cmyk = 3, seg[5] == 4
			if seg[5] == 1 {
				h.channels = 1
			}
			if err := h.check(); err != nil {
				return nil, err
			}
		case m == 0xda:
			scans++
		case m == 0xe0 && len(seg) >= 12 && bytes.HasPrefix(seg, []byte("JFIF\x00")):
			x, y := float64(binary.BigEndian.Uint16(seg[8:])), float64(binary.BigEndian.Uint16(seg[10:]))
			switch seg[7] { // JFIF 1.02: 1 dots an inch, 2 dots a centimetre
			case 1:
				h.dpiX, h.dpiY = x, y
			case 2:
				h.dpiX, h.dpiY = x*mmPerInch/10, y*mmPerInch/10
			}
		case m == 0xe1 && bytes.HasPrefix(seg, []byte("Exif\x00\x00")):
			h.orientation, exifX, exifY = exif(seg[6:])
		}
	}
}

// exif reads orientation and resolution out of an EXIF block, which is a TIFF
// file without a picture. A broken block is as good as none.
func exif(data []byte) (orientation int, dpiX, dpiY float64) {
	t := tiff{data: data}
	first, err := t.start()
	if err != nil {
		return 1, 0, 0
	}
	d, err := t.directory(first)
	if err != nil {
		return 1, 0, 0
	}
	dpiX, dpiY = d.resolution()
	return d.orientation(), dpiX, dpiY
}

// parsePNG walks the chunks of the PNG specification (W3C, third edition) and
// checks each chunk's CRC.
func parsePNG(data []byte) (*header, error) {
	h := &header{kind: "png", orientation: 1}
	for i := 8; ; {
		if i+12 > len(data) {
			return nil, fault(copyAnew, "the PNG ends before its end chunk")
		}
		n := int(binary.BigEndian.Uint32(data[i:]))
		if n > len(data)-i-12 {
			return nil, fault(copyAnew, "the PNG ends before its end chunk")
		}
		kind, body := string(data[i+4:i+8]), data[i+8:i+8+n]
		if (i == 8) != (kind == "IHDR") {
			return nil, fault(copyAnew, "the PNG's header chunk is not its first")
		}
		if crc32.ChecksumIEEE(data[i+4:i+8+n]) != binary.BigEndian.Uint32(data[i+8+n:]) {
			return nil, fault(copyAnew, "the PNG's chunk at byte %d is damaged (its checksum is wrong)", i)
		}
		i += 12 + n
		switch kind {
		case "IHDR":
			if n != 13 {
				return nil, fault(copyAnew, "the PNG's header chunk is broken")
			}
			h.width, h.height = int(binary.BigEndian.Uint32(body)), int(binary.BigEndian.Uint32(body[4:]))
			h.bilevel = body[8] == 1
			h.channels = 3
			if body[9] == 0 { // grey
				h.channels = 1
			}
			if err := h.check(); err != nil {
				return nil, err
			}
		case "pHYs":
			if n == 9 && body[8] == 1 { // pixels a metre
				h.dpiX = float64(binary.BigEndian.Uint32(body)) * mmPerInch / 1000
				h.dpiY = float64(binary.BigEndian.Uint32(body[4:])) * mmPerInch / 1000
			}
		case "eXIf":
			h.orientation, _, _ = exif(body)
		case "IEND":
			return h, nil
		}
	}
}
