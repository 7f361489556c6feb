package scan

import (
	"encoding/binary"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
	"gocv.io/x/gocv"
)

// BenchmarkOpen reads a colour JPEG of the size of a 300 dpi scan; BenchmarkIMDecode
// is OpenCV alone on the same bytes, the measure for everything else's speed.
func BenchmarkOpen(b *testing.B) {
	path := write(b, "a.jpg", encodeJPEG(b, photo(3300, 3300)))
	for b.Loop() {
		_, err := Open(path, 1)
		require.NoError(b, err)
	}
}

func BenchmarkOpenTurned(b *testing.B) {
	data, err := os.ReadFile(write(b, "a.jpg", encodeJPEG(b, photo(3300, 3300))))
	require.NoError(b, err)
	path := write(b, "b.jpg", withAPP1(data, exifBlock(binary.LittleEndian, 6)))
	for b.Loop() {
		_, err := Open(path, 1)
		require.NoError(b, err)
	}
}

func BenchmarkIMDecode(b *testing.B) {
	data := encodeJPEG(b, photo(3300, 3300))
	for b.Loop() {
		m, err := gocv.IMDecode(data, gocv.IMReadUnchanged)
		require.NoError(b, err)
		require.NoError(b, m.Close())
	}
}

// BenchmarkOpenPDF has the sandbox's start in it.
func BenchmarkOpenPDF(b *testing.B) {
	path := write(b, "a.pdf", buildPDF(pdfPage{box: "0 0 11.52 7.68", content: whole,
		images: []pdfImage{{"/Width 48 /Height 32 /ColorSpace /DeviceGray /BitsPerComponent 8 /Filter /DCTDecode", encodeJPEG(b, letters())}}}))
	for b.Loop() {
		_, err := Open(path, 1)
		require.NoError(b, err)
	}
}
