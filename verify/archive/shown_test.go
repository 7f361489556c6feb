package archive

import (
	"bytes"
	"errors"
	"fmt"
	"image/jpeg"
	"testing"

	"github.com/stretchr/testify/require"

	"penarm/calibrate"
	"penarm/calibrate/form"
	"penarm/calibrate/picture"
)

// Whichever test refuses, calibrate leaves a picture with its words across the top; check, and what is no refusal of the scan, leave none.
func TestEveryRefusalIsShown(t *testing.T) {
	f, err := form.Load("../../testdata/plant/forms/K-24-203")
	require.NoError(t, err)
	face := &calibrate.Face{Form: f, Warp: calibrate.Warp{H: [9]float64{2, 0, 300, 0, 2, 150, 0, 0, 1}}, Left: []calibrate.Residual{{X: 70, NX: 1, MM: 0.03}}}
	white := &picture.Picture{Width: 600, Height: 300, Channels: 3, Pix: bytes.Repeat([]byte{255}, 3*600*300)}
	c := NewChecker(Opener{})
	shown := func(step Step, err error) *pictured {
		r := &reading{picture: white, refused: err}
		var p *pictured
		errors.As(c.shown(Job{Step: step}, r, NewError("1.jpg", "calibration", err, "scan it again")), &p)
		return p
	}
	for _, err := range []error{
		&calibrate.Refusal{Test: "start", Words: "it cannot be: look again"},
		&calibrate.Refusal{Test: "negative", Words: "it cannot be"},
		&calibrate.Refusal{Test: "form", Words: "it matches none"},
		&calibrate.Attempt{Refusal: &calibrate.Refusal{Test: "crossings", Words: "it cannot be"}},
		&calibrate.Attempt{Refusal: &calibrate.Refusal{Test: "ends", Words: "it cannot be"}, Face: face},
	} {
		p := shown(Calibrate, err)
		require.NotNil(t, p, err)
		require.Equal(t, "calibration.jpg", p.picture.name)
		img, broken := jpeg.Decode(bytes.NewReader(p.picture.data))
		require.NoError(t, broken)
		r, _, b, _ := img.At(40, 8).RGBA()
		require.Greater(t, r, b+0x4000, "amber")
	}
	require.Nil(t, shown(Check, &calibrate.Refusal{Test: "start", Words: "it cannot be"}))
	require.Nil(t, shown(Calibrate, fmt.Errorf("the disk is full")))
}
