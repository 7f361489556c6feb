package calibrate

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// points are places of a print (mm) and where a tilted camera would see them (pixels), each off by up to 0.4 pixel.
func points() (print, seen [][2]float64) {
	seed := uint32(1)
	noise := func() float64 {
		seed = seed*1664525 + 1013904223
		return (float64(seed)/(1<<32) - 0.5) * 0.8
	}
	for i := range 9 {
		r := 34 + 9.75*float64(i)
		for k := range 24 {
			s, c := math.Sincos(2 * math.Pi * float64(k) / 24)
			x, y := r*c, r*s
			d := 1 + 4e-4*x - 2.5e-4*y
			px, py := (1510+11.6*x-0.9*y)/d+noise(), (1490+1.1*x+11.4*y)/d+noise()
			print, seen = append(print, [2]float64{x, y}), append(seen, [2]float64{px, py})
		}
	}
	return print, seen
}

// fitPoints brings a map that knows no more than the centre and the scale onto the points.
func fitPoints(t *testing.T) Warp {
	t.Helper()
	print, seen := points()
	w := Warp{H: [9]float64{11.5, 0, 1500, 0, 11.5, 1500, 0, 0, 1}, CX: 1500, CY: 1500, F: 1500}
	for range 8 {
		var ss []sighting
		for i, p := range print {
			x, y := w.Pixel(p[0], p[1])
			dx, dy := w.back(p[0], p[1], seen[i][0]-x, seen[i][1]-y)
			ss = append(ss, sighting{x: p[0], y: p[1], nx: 1, off: dx, weight: 1}, sighting{x: p[0], y: p[1], ny: 1, off: dy, weight: 1})
		}
		_, err := w.bend(ss, 112)
		require.NoError(t, err)
	}
	return w
}

// What the same points gave cv::findHomography (method 0, all points) of OpenCV 4.6.0, called from C++. The map
// here has a lens term besides, so the two differ by a little of the noise.
func TestHomographyIsOpenCVs(t *testing.T) {
	t.Parallel()
	w := fitPoints(t)
	theirs := Warp{H: [9]float64{11.5998911839, -0.900377155926, 1510.01317492, 1.09965256841, 11.3993226942, 1489.99855719, 0.000399775595585, -0.000250212721805, 1}}
	print, _ := points()
	worst := 0.0
	for _, p := range print {
		ax, ay := w.Pixel(p[0], p[1])
		bx, by := theirs.Pixel(p[0], p[1])
		worst = math.Max(worst, math.Hypot(ax-bx, ay-by))
	}
	assert.Less(t, worst, 0.1, "pixels; the noise has an rms of 0.33 pixels")
}

// What the outermost 24 of the points gave cv::fitEllipse of OpenCV 4.6.0, called from C++: centre and axes (pixels)
// of the circle of 112 mm as the camera sees it. The centre is not where the middle of the print is seen.
func TestCircleIsOpenCVsEllipse(t *testing.T) {
	t.Parallel()
	w := fitPoints(t)
	// by points of the fitted map's circle: the centre halves, and the axes are, the widest and the narrowest chords through it
	var ring [][2]float64
	for k := range 3600 {
		s, c := math.Sincos(2 * math.Pi * float64(k) / 3600)
		x, y := w.Pixel(112*c, 112*s)
		ring = append(ring, [2]float64{x, y})
	}
	low, high := [2]float64{1e9, 1e9}, [2]float64{}
	for _, p := range ring {
		for i := range 2 {
			low[i], high[i] = math.Min(low[i], p[i]), math.Max(high[i], p[i])
		}
	}
	cx, cy := (low[0]+high[0])/2, (low[1]+high[1])/2
	short, long := math.Inf(1), 0.0
	for _, p := range ring {
		d := 2 * math.Hypot(p[0]-cx, p[1]-cy)
		short, long = math.Min(short, d), math.Max(long, d)
	}
	assert.InDelta(t, 1452.974, cx, 0.15)
	assert.InDelta(t, 1524.638, cy, 0.15)
	assert.InDelta(t, 2471.644, short, 0.3)
	assert.InDelta(t, 2644.431, long, 0.3)
	x, y := w.Pixel(0, 0)
	assert.Greater(t, math.Hypot(x-cx, y-cy), 50.0, "pixels")
}
