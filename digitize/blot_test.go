package digitize

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"penarm/digitize/series"
)

// blotted paints a line of one temperature for more than an hour, and so many drops of ink one on another, each as dense as the line.
func blotted(hours, from, to float64, drops int) Problem {
	over := []drawn{{ink: "blue", knots: []knot{{0.1, 60}, {0.5, 150}, {1.7, 150}, {2.2, 60}}}}
	for range drops {
		over = append(over, drawn{ink: "blue", knots: drop(hours, from, to)})
	}
	return paint(smallForm(), false, one, over...)
}

// drop is strokes side by side, from the first hour on.
func drop(hours, from, to float64) (k []knot) {
	for h := 1.0; h < 1+hours; h += 0.004 {
		k = append(k, knot{h, from}, knot{h + 0.002, to})
	}
	return k
}

// A line is as dense as it is, whatever blot lies beside it.
func TestABlotBesideTheLineIsNoMeasure(t *testing.T) {
	read := between(trace(t, blotted(0.25, 90, 115, 4)).Series[0], 0.15, 2.15)
	assert.Greater(t, len(read), 1000)
	for _, s := range read {
		assert.Equal(t, series.Good, s.Quality, s.Time)
	}
}

// What a blot hides for five minutes and longer is a guess; through one no denser than itself, and past a short one, the line is seen.
func TestALongBlotHidesTheLine(t *testing.T) {
	for _, c := range []struct {
		hours  float64
		drops  int // of the line's density each, one on another
		hidden bool
	}{{0.15, 4, true}, {0.05, 4, false}, {0.2, 1, false}} {
		blind, seen := 0, 0
		for _, s := range between(trace(t, blotted(c.hours, 144, 156, c.drops)).Series[0], 1+0.2*c.hours, 1+0.8*c.hours) {
			seen++
			if math.IsNaN(s.Rival) {
				blind++
				assert.Equal(t, series.Weak, s.Quality)
			}
		}
		assert.NotZero(t, seen)
		if c.hidden {
			assert.Equal(t, seen, blind, c)
		} else {
			assert.Zero(t, blind, c)
		}
	}
}

// A blot no denser than a line of 0.9 mm hides it, too, though little wider than what is looked at.
func TestALongBlotHidesAWideLine(t *testing.T) {
	wide := drawn{ink: "blue", knots: drop(0.2, 141, 159)} // what is drawn in one go is nowhere denser
	for _, off := range []float64{-1.4, 0, 1.4} {
		wide.knots = append(wide.knots, knot{1.1, math.NaN()}, knot{0.1, 60 + off}, knot{0.5, 150 + off}, knot{1.7, 150 + off}, knot{2.2, 60 + off})
	}
	read := between(trace(t, paint(smallForm(), false, one, wide)).Series[0], 1.04, 1.16)
	assert.NotEmpty(t, read)
	for _, s := range read {
		assert.True(t, math.IsNaN(s.Rival), s.Time)
	}
}
