package calibrate

import (
	"bytes"
	"context"
	"math"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/calibrate/form"
	"penarm/calibrate/picture"
	"penarm/testdata/render"
)

// part takes the rectangle that begins at (x, y), turned by phi about the picture's centre, out of a picture.
func part(p *picture.Picture, x, y float64, w, h int, phi float64) *picture.Picture {
	q := &picture.Picture{Width: w, Height: h, Channels: p.Channels, Pix: make([]uint8, w*h*p.Channels)}
	cx, cy := float64(p.Width)/2, float64(p.Height)/2
	s, c := math.Sincos(phi)
	for v := range h {
		for u := range w {
			dx, dy := x+float64(u)-cx, y+float64(v)-cy
			px, py := cx+c*dx-s*dy, cy+s*dx+c*dy
			for k := range p.Channels {
				value := uint8(255)
				if p.Inside(px, py) {
					value = uint8(p.Sample(px, py, k) + 0.5)
				}
				q.Pix[(v*w+u)*p.Channels+k] = value
			}
		}
	}
	return q
}

// uncut is the whole chart that halves are cut from.
var uncut = sync.OnceValues(func() (*render.Scene, *picture.Picture) {
	s := render.New(4711, render.Options{Unit: "F", Look: render.Look{DPI: 100, Lid: "grey", Noise: 1}})
	return s, s.Picture()
})

// The truth is the renderer's own: the whole scan that the halves were cut from.
func TestJoinHalves(t *testing.T) {
	t.Parallel()
	s, whole := uncut()
	dir := t.TempDir()
	require.NoError(t, s.Form.Write(dir, false))
	f, err := form.Load(filepath.Join(dir, s.Form.Number))
	require.NoError(t, err)
	w, h := whole.Width, whole.Height
	a := part(whole, 0, 0, w*62/100, h, 0)
	for _, c := range []struct {
		name string
		b    *picture.Picture
	}{
		{"shoved along the glass", part(whole, 0.38*float64(w), 0, w*62/100, h, 0.02)},
		{"turned half round", part(whole, 0, 0, w*62/100, h, math.Pi+0.05)},
	} {
		t.Run(c.name, func(t *testing.T) {
			joined, err := Join(context.Background(), a, c.b)
			require.NoError(t, err)
			assert.Equal(t, "two halves joined", joined.Source)
			face, err := Fit(context.Background(), Problem{Picture: joined, Form: f})
			require.NoError(t, err)
			ox, oy := offset(t, joined, a)
			var sum, n float64
			every := f.TimeArcs.EveryMinutes / 60
			for hours := 0.0; hours < f.RotationHours; hours += every {
				for r := f.Inner(); r <= f.Outer(); r += 10 {
					x, y := s.PixelAt(hours, r)
					h, found := face.Locate(x+float64(ox), y+float64(oy))
					across := math.Remainder(h-hours, every) * 3600 * f.MMPerSecond(r)
					sum, n = sum+(found-r)*(found-r)+across*across, n+1
				}
			}
			assert.Less(t, math.Sqrt(sum/n), 0.04, "mm, rms of the printed nodes: the limit for a clipped scan")
		})
	}
}

func TestJoinRefuses(t *testing.T) {
	t.Parallel()
	_, one := uncut()
	_, other := charts[0]()
	w := one.Width * 62 / 100
	a := part(one, 0, 0, w, one.Height, 0)
	for _, c := range []struct {
		name string
		b    *picture.Picture
		why  string
	}{
		{"another chart", part(other, 0.38*float64(other.Width), 0, other.Width*62/100, other.Height, 0), "of the same chart"},
		{"too little in common", part(one, 0.61*float64(one.Width), 0, one.Width*39/100, one.Height, 0), "the second half does not show the chart's centre"},
		{"no chart", &picture.Picture{Width: 900, Height: 900, Channels: 1, Pix: make([]uint8, 900*900)}, "second half no printed circles"},
	} {
		_, err := Join(context.Background(), a, c.b)
		var refused *Refusal
		require.ErrorAs(t, err, &refused, c.name)
		assert.Equal(t, "join", refused.Test)
		assert.Contains(t, refused.Words, c.why, c.name)
	}
	stopped, stop := context.WithCancel(context.Background())
	stop()
	_, err := Join(stopped, a, part(one, 0.38*float64(one.Width), 0, w, one.Height, 0.02))
	assert.ErrorIs(t, err, context.Canceled)
}

// Two halves of two levels make a picture of dots, though those of the second lie between its pixels.
func TestJoinBilevel(t *testing.T) {
	dots := picture.Picture{Width: 2, Height: 1, Channels: 1, Pix: []uint8{0, 255}, Bilevel: true}
	shades := dots
	shades.Bilevel = false
	for _, b := range []*picture.Picture{&dots, &shades} {
		joined, err := (&joint{h: [9]float64{1, 0, 0, 0, 1, 0, 0, 0, 1}, scale: 1}).compose(&dots, b)
		require.NoError(t, err)
		assert.Equal(t, b.Bilevel, joined.Bilevel)
	}
}

// offset is where the first half's origin lies in the joined picture: its left edge is there pixel for pixel.
func offset(t *testing.T, joined, a *picture.Picture) (ox, oy int) {
	n := a.Width / 4 * a.Channels
	for oy = 0; oy <= joined.Height-a.Height; oy++ {
		for ox = 0; ox <= joined.Width-a.Width; ox++ {
			y := a.Height / 2
			at := ((y+oy)*joined.Width + ox) * a.Channels
			if bytes.Equal(joined.Pix[at:at+n], a.Pix[y*a.Width*a.Channels:][:n]) {
				return ox, oy
			}
		}
	}
	t.Fatal("the first half is not in the joined picture")
	return 0, 0
}
