package evidence

import (
	"bytes"
	"image/jpeg"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/calibrate"
)

// What a fit leaves is told in the units of the form that is done by hand: 1 mm is 2 °F. An arc's 0.01 mm at 70 mm:
// the arc stands off the radius by tan⁻¹ 0.2678 (derivative of the law of cosines), the paper moves 2π·70 mm in
// 43,200 s, so 0.01 · √(1 + 0.2678²) / 0.010181 = 1.02 s. Bars are drawn 200 times as long.
func TestFitting(t *testing.T) {
	in := testInput()
	in.Series, in.Events = nil, nil
	in.Face.Left = []calibrate.Residual{
		{X: 70, NX: 1, MM: 0.02},
		{Y: 70, NX: -1, MM: 0.01, Arc: true},
	}
	words := in.leftWords()
	require.Len(t, words, 2)
	assert.Contains(t, words[0], "Circles (blue bars): 0.020 mm rms, 0.04 °F; worst part 0.020 mm, 0.04 °F, at ")
	assert.Contains(t, words[0], "130.0 °F") // 30 mm is 50 °F
	assert.Contains(t, words[1], "Time arcs (orange bars): 0.010 mm rms, 1.02 s; worst part 0.010 mm, 1.02 s, at ")

	in.Face.Left = append(in.Face.Left, calibrate.Residual{X: -70, NX: -1, MM: 1}) // longer than any bar
	var b bytes.Buffer
	require.NoError(t, Fitting(&b, in, ""))
	img, err := jpeg.Decode(&b)
	require.NoError(t, err)
	o, err := newOverlay(&in, false, 0)
	require.NoError(t, err)
	assert.Greater(t, img.Bounds().Dy(), o.c.pic.Height)
	dot := func(x, y float64) point { return o.draw(point{centreX + perMM*x, centreY + perMM*y}) }
	for mm, on := range map[float64]bool{72.5: true, 75.5: false} { // 4 mm of bar, clear of printed lines
		p := dot(mm, 0)
		assert.Equal(t, on, near(img, p.x, p.y, 1, air), "%g mm", mm)
	}
	for mm, on := range map[float64]bool{75.5: true, 77.5: false} { // no longer than 6 mm
		p := dot(-mm, 0)
		assert.Equal(t, on, near(img, p.x, p.y, 1, air), "%g mm", mm)
	}
	p := dot(-1.5, 70) // 2 mm
	assert.True(t, near(img, p.x, p.y, 1, product))
	assert.False(t, near(img, 40, 6, 1, amber))

	var refused bytes.Buffer
	require.NoError(t, Fitting(&refused, in, "the print ends before the outermost circle"))
	img, err = jpeg.Decode(&refused)
	require.NoError(t, err)
	assert.True(t, near(img, 40, 8, 1, amber), "a refusal stands across the top")
	bar := dot(72.5, 0)
	assert.True(t, near(img, bar.x, bar.y, 1, air), "what a refused fit leaves is drawn where it is known")
}

// Where no map was found, or one that no stroke can be drawn by, the scan is shown under the words of the refusal.
func TestFittingRefusedWithoutAMap(t *testing.T) {
	for name, change := range map[string]func(*Input){
		"none":            func(in *Input) { in.Face = nil },
		"at the horizon":  func(in *Input) { in.Face.Warp.H[8] = 0 },
		"beyond":          func(in *Input) { in.Face.Warp.H[2] = 1e9 },
		"a single pixel":  func(in *Input) { in.Face = nil; in.Picture.Width, in.Picture.Height = 1, 1 },
		"no number in it": func(in *Input) { in.Face.Warp.H[0] = math.NaN() },
	} {
		in := testInput()
		change(&in)
		var b bytes.Buffer
		require.NoError(t, Fitting(&b, in, "no printed circles were found. Test: start."), name)
		img, err := jpeg.Decode(&b)
		require.NoError(t, err)
		size := img.Bounds().Size()
		assert.Equal(t, overlaySide, max(size.X, size.Y), name)
		assert.InDelta(t, float64(in.Picture.Width)/float64(in.Picture.Height), float64(size.X)/float64(size.Y), 0.01, name)
		assert.True(t, near(img, 40, 8, 1, amber), name)
	}
	in := testInput()
	in.Face = nil
	assert.Error(t, Fitting(&bytes.Buffer{}, in, ""), "a fit that stands has a map")
}
