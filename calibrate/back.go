package calibrate

import (
	"math"
	"slices"

	"penarm/calibrate/picture"
)

// Annuli of equal width about the best centre in which printed circles are
// looked for. Fronts at 150 to 300 dpi, bilevel ones too, showed 21 and more
// annuli that hold circles, pages without a disc's print 2 at most.
const (
	annuliAll    = 40
	annuliLeast  = 6
	annulusEdges = 12   // edges that lie on circles, at least
	annulusShare = 0.10 // of the annulus' edges that lie on circles, at least
	onCircle     = 0.03 // radians between an edge and a circle
	blackMost    = 0.03 // of a bilevel page that may be a back
)

// ShowsDisc says whether the picture shows the print of a chart: circles about
// one centre over much of the radius. The back of a chart does not.
func ShowsDisc(pic *picture.Picture) bool {
	found, err := starts(pic, manyEdges)
	if err != nil {
		found = nil
	}
	for _, s := range found {
		if slices.ContainsFunc(s.sheets(), s.disc) {
			return true
		}
	}
	if !pic.Bilevel {
		return false
	}
	// A coarse error diffusion hides the circles, but its dots stay.
	black := 0
	for _, v := range pic.Pix {
		if v < 128 {
			black++
		}
	}
	return float64(black) > blackMost*float64(len(pic.Pix))
}

// disc says whether the edges lie on circles over much of the radius where the sheet lies so.
func (s *start) disc(m rectify) bool {
	var all, on [annuliAll]int
	for _, e := range s.edges {
		off, radius := m.offset(&e)
		if at := radius / 1.2 * annuliAll; at < annuliAll { // an edge may lie nowhere in the circles' plane
			all[int(at)]++
			if math.Abs(off) < onCircle {
				on[int(at)]++
			}
		}
	}
	n := 0
	for b := range on {
		if on[b] >= annulusEdges && float64(on[b]) > annulusShare*float64(all[b]) {
			n++
		}
	}
	return n >= annuliLeast
}

// Written says whether a page without print carries ink: dark strokes on a
// brighter ground, thinner than strokeMost. What is wider is lid, hole or shadow.
func Written(pic *picture.Picture) bool {
	// The page in squares of the size of a thin stroke, each as dark as its
	// darkest channel's mean; a page is 200 to 350 mm long.
	const (
		along      = 700 // squares along the long side, each about 0.3–0.5 mm
		strokeMost = 4   // squares, of a stroke's width: a marker writes 1.5 mm
		contrast   = 0.2 // density above the ground
		black      = 0.8 // density from which on all is black, so that a lid's grain is none
		least      = 40  // squares of ink: two letters of handwriting
	)
	size := max(1, max(pic.Width, pic.Height)/along)
	w, h := pic.Width/size, pic.Height/size
	if w < 4*strokeMost || h < 4*strokeMost {
		return false
	}
	dark := make([]float32, w*h)
	for y := range h {
		for x := range w {
			var sum [3]int
			for j := y * size; j < (y+1)*size; j++ {
				for i := x * size; i < (x+1)*size; i++ {
					for c := range pic.Channels {
						sum[c] += int(pic.Pix[(j*pic.Width+i)*pic.Channels+c])
					}
				}
			}
			low := sum[0]
			for _, s := range sum[1:pic.Channels] {
				low = min(low, s)
			}
			dark[y*w+x] = float32(math.Min(black, math.Log10(256/(float64(low)/float64(size*size)+1))))
		}
	}
	// A stroke is what an opening with a square wider than it takes away.
	opened := slide(slide(dark, w, h, strokeMost, false), w, h, strokeMost, true)
	n := 0
	for i, v := range dark {
		if v-opened[i] > contrast {
			n++
		}
	}
	return n >= least
}

// slide takes the least (or the most) over a square of (2·half+1)² about every place.
func slide(v []float32, w, h, half int, most bool) []float32 {
	better := func(a, b float32) bool { return (a > b) == most }
	pass := func(in []float32, n, lines, step, stride int) []float32 {
		out := make([]float32, len(in))
		for l := range lines {
			for i := range n {
				best := in[l*stride+i*step]
				for j := max(0, i-half); j <= min(n-1, i+half); j++ {
					if b := in[l*stride+j*step]; better(b, best) {
						best = b
					}
				}
				out[l*stride+i*step] = best
			}
		}
		return out
	}
	return pass(pass(v, w, h, 1, w), h, w, w, 1)
}
