package calibrate

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/calibrate/picture"
)

// sheet is the unprinted back of a chart on a lid, with a wavy stroke of the width (pixels) on it.
func sheet(lid uint8, stroke int) *picture.Picture {
	const n = 550
	p := &picture.Picture{Width: n, Height: n, Channels: 1, Pix: make([]uint8, n*n)}
	for i := range p.Pix {
		grain := uint8(i * 2654435761 >> 5 & 3)
		p.Pix[i] = lid - grain
		if x, y := i%n-n/2, i/n-n/2; x*x+y*y < 250*250 && x*x+y*y > 10*10 {
			p.Pix[i] = 236 + grain
		}
	}
	for i := range 200 {
		y := 240 + int(20*math.Sin(float64(i)/7.5))
		for dx := range stroke {
			for dy := range stroke {
				p.Pix[(y+dy)*n+175+i+dx] = 70
			}
		}
	}
	return p
}

// That a front shows its disc is asserted of every scan of TestNodes.
func TestBackOfAChart(t *testing.T) {
	t.Parallel()
	for _, lid := range []uint8{250, 130, 12} {
		for _, stroke := range []int{0, 1, 2} { // none, 0.5 mm, 1 mm
			p := sheet(lid, stroke)
			assert.False(t, ShowsDisc(p), "lid %d, stroke %d", lid, stroke)
			assert.Equal(t, stroke > 0, Written(p), "lid %d, stroke %d", lid, stroke)
		}
	}
}

// Circles are looked for among edges of which one lies at the horizon of a tilted plane.
func TestDiscAmidEdgesAtTheHorizon(t *testing.T) {
	tilted, flat := rectify{s: 100, g1: -0.5}, rectify{s: 100}
	s := start{edges: []edge{{x: 200, y: 10, nx: 1, energy: 1}}}
	_, radius := tilted.offset(&s.edges[0])
	require.True(t, math.IsInf(radius, 1))
	assert.False(t, s.disc(tilted))
	for i := range 2 * annulusEdges {
		for k := range annuliLeast {
			y, x := math.Sincos(float64(i))
			r := 30 + 10*float64(k)
			s.edges = append(s.edges, edge{x: r * x, y: r * y, nx: x, ny: y, energy: 1})
		}
	}
	assert.True(t, s.disc(flat))
}
