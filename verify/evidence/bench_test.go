package evidence

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// BenchmarkEvidence draws overlay and report of a 10-megapixel colour scan, without Input.JPEG;
// x-decode is the cost in decodes of the same picture as JPEG by the standard library.
func BenchmarkEvidence(b *testing.B) {
	in := testInput()
	w, h := 3400, 3060
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	pix := make([]uint8, 0, 3*w*h)
	r := rand.New(rand.NewPCG(1, 2))
	for y := range h {
		for x := range w {
			v := uint8(220 + r.IntN(30))
			if x%40 < 3 || y%40 < 3 {
				v -= 60
			}
			img.SetRGBA(x, y, color.RGBA{v, v, v - 20, 255})
			pix = append(pix, v-20, v, v)
		}
	}
	in.Picture.Width, in.Picture.Height, in.Picture.Pix = w, h, pix
	in.Face.Warp.H = [9]float64{11.9, 0, 1700, 0, 11.9, 1530, 0, 0, 1}
	var scan bytes.Buffer
	require.NoError(b, jpeg.Encode(&scan, img, &jpeg.Options{Quality: 85}))
	start := time.Now()
	const decodes = 5
	for range decodes {
		_, err := jpeg.Decode(bytes.NewReader(scan.Bytes()))
		require.NoError(b, err)
	}
	decode := time.Since(start).Seconds() / decodes
	b.ResetTimer()
	for b.Loop() {
		var o bytes.Buffer
		require.NoError(b, Overlay(&o, in))
		in.Drawn = o.Bytes()
		require.NoError(b, Report(io.Discard, in))
		in.Drawn = nil
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/decode, "x-decode")
}
