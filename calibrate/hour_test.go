package calibrate

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/calibrate/picture"
	"penarm/testdata/render"
)

// scanned draws a chart of the form as it is scanned.
func scanned(of *render.Form, look render.Look) func() (*render.Scene, *picture.Picture) {
	return func() (*render.Scene, *picture.Picture) {
		s := render.New(81, render.Options{Form: of, Unit: of.Unit, Look: look})
		return s, s.Picture()
	}
}

// inked is a chart with a scrawl of ink over half of its printed hours.
func inked() (*render.Scene, *picture.Picture) {
	s, pic := charts[3]()
	scrawl := *pic
	scrawl.Pix = append([]uint8(nil), pic.Pix...)
	middle := 0.5 * (s.Form.Outer() + s.Form.Diameter/2)
	const points = 9000
	for i := range points {
		turn := float64(i) / points
		x, y := s.PixelAt(0.5*turn*s.Form.Hours, middle+4*math.Sin(300*turn))
		for k := range 4 { // 0.5 mm wide
			clear(scrawl.Pix[((int(y)+k/2)*pic.Width+int(x)+k%2)*pic.Channels:][:pic.Channels])
		}
	}
	return s, &scrawl
}

// The hour is found from the blank on every kind of scan, and where ink lies over half of the printed hours.
func TestHourFromBlank(t *testing.T) {
	t.Parallel()
	f, b := known(t)
	of := render.Basic()[3]
	for name, chart := range map[string]func() (*render.Scene, *picture.Picture){
		"ink in the margin": inked,
		"threshold":         dots,
		"diffusion":         scanned(of, render.Look{DPI: 120, Turn: 100, Warp: 0.1, Bilevel: "diffusion", Noise: 1}),
		"fax":               scanned(of, render.Look{DPI: 204, Tall: 196.0 / 204, Turn: 160, Warp: 0.2, Bilevel: "threshold", Noise: 1}),
		"phone":             scanned(of, render.Look{DPI: 100, Turn: 130, Phone: true, Tilt: [2]float64{0.2, -0.1}, Lens: 0.06, Lid: "wood", Noise: 2}),
		"clipped":           scanned(of, render.Look{DPI: 80, Turn: 300, Warp: 0.2, Clip: 10, Lid: "black", Noise: 1}),
	} {
		s, pic := chart()
		face, err := Fit(t.Context(), Problem{Picture: pic, Form: f, Blank: b})
		require.NoError(t, err, name)
		assert.Equal(t, HourBlank, face.Hour, name)
		_, _, _, hour := against(s, face, false)
		assert.InDelta(t, 0, hour*3600, 3, "seconds, %s", name)
	}
}

// Where the print is nearly the same after a third of a turn, the blank does not tell the hour, and none is guessed.
func TestHourOpen(t *testing.T) {
	t.Parallel()
	of := render.Basic()[3]
	of.Wordless = true
	f := load(t, of)
	s := of.BlankAt(120)
	b := blankOf(t, s, s.Picture(), f, 1)
	for _, look := range []render.Look{{DPI: 95, Turn: 50, Warp: 0.2, Noise: 1}, {DPI: 105, Turn: 170, Warp: 0.2, Bilevel: "threshold", Noise: 1}} {
		_, pic := scanned(of, look)()
		face, err := Fit(t.Context(), Problem{Picture: pic, Form: f, Blank: b})
		require.NoError(t, err)
		assert.Equal(t, HourOnChart, face.Hour)
	}
}
