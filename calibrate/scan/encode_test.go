package scan

import (
	"bytes"
	"image/jpeg"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/calibrate/picture"
)

// The standard library decodes what was encoded: the same colours in the same places.
func TestJPEGIsReadByOthers(t *testing.T) {
	p := &picture.Picture{Width: 67, Height: 35, Channels: 3}
	for y := range p.Height {
		for x := range p.Width {
			p.Pix = append(p.Pix, uint8(40+x), uint8(200-2*y), uint8(90+x+y)) // blue, green, red
		}
	}
	data, err := JPEG(p, 95)
	require.NoError(t, err)
	im, err := jpeg.Decode(bytes.NewReader(data))
	require.NoError(t, err)
	mean, most := differ(t, p, im)
	assert.Less(t, mean, 2.0)
	assert.LessOrEqual(t, most, 12)
	again, err := JPEG(p, 95)
	require.NoError(t, err)
	assert.Equal(t, data, again)
	small, err := JPEG(p, 20)
	require.NoError(t, err)
	assert.Less(t, len(small), len(data))
}

func TestJPEGRefuses(t *testing.T) {
	for name, p := range map[string]*picture.Picture{
		"grey":     {Width: 4, Height: 4, Channels: 1, Pix: make([]uint8, 16)},
		"empty":    {Channels: 3},
		"short":    {Width: 4, Height: 4, Channels: 3, Pix: make([]uint8, 47)},
		"too wide": {Width: 65536, Height: 1, Channels: 3, Pix: make([]uint8, 3*65536)}, // ITU-T T.81, B.2.2: 16 bits
	} {
		_, err := JPEG(p, 88)
		assert.ErrorContains(t, err, "not written as JPEG", name)
	}
}
