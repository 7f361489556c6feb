package digitize

import (
	"math"
	"slices"
	"sync"

	"penarm/calibrate"
)

// A torn sheet, or one cut off by the edge of another, lets the lid or the desk show where print should be; a note stuck on it hides
// the print. That is no ink, however dark: a path would follow its edge. So it counts as outside the picture. What is dark but bears
// the form's circles is a shadow or a stain, and is read: see dropWide.
const (
	sheetColumns = 2    // of the survey, a cell,
	sheetBeside  = 1    // and so many more on either side that are looked at for it: an arc and a steep line may fill both
	sheetRows    = 25   // rows a cell, 2 mm: more than any line is wide
	sheetEvery   = 6    // rows between points looked at, other ones in each column: circles lie evenly, too
	sheetPaper   = 0.85 // share of a cell's points that are darker than its paper
	sheetDark    = 0.15 // density over the paper from which a cell may be none
	sheetShade   = 0.07 // from which it may be in shade
	sheetEven    = 0.08 // that the paper is off an even slope of light
	sheetLeast   = 20.0 // mm² of such cells in one piece, at the rim
	coverLeast   = 150  // mm² of it elsewhere: a note stuck on it, a spill
	sheetPrint   = 0.3  // share of the usual contrast of circles from which it is the sheet after all
)

// sheet marks the cells of the turn that do not show the sheet, those of them that something on it covers, and those in shade,
// [column·high + row]; nil where none does.
type sheet struct {
	rotation          float64
	wide, high        int
	off, cover, shade []bool
}

// cell is the index of the cell at an hour and row.
func (s *sheet) cell(hour float64, row int) int {
	x := hour / s.rotation
	c := min(int((x-math.Floor(x))*float64(s.wide)), s.wide-1)
	return c*s.high + s.band(row)
}

// area is that of a cell, mm², the rows of which lie as those of a frame.
func (s *sheet) area(i int, f calibrate.Frame) float64 {
	return 2 * math.Pi / float64(s.wide) * s.radius(float64(i%s.high), f) * sheetRows * f.RadiusStep
}

// radius is that of the middle of a band, mm.
func (s *sheet) radius(band float64, f calibrate.Frame) float64 {
	return f.Radius + (band+0.5)*sheetRows*f.RadiusStep
}

// band is the cell's place along the radius.
func (s *sheet) band(row int) int { return min(row/sheetRows, s.high-1) }

// hide sets what lies in the marked cells in a column, those of every so many rows from the given one, to a value.
func (s *sheet) hide(marked []bool, col []float32, hour float64, row, every int, value float32) {
	if marked == nil {
		return
	}
	first := s.cell(hour, 0)
	for i := range col {
		if marked[first+s.band(row+i*every)] {
			col[i] = value
		}
	}
}

// findSheet looks at the survey, grey levels still, for what is not the sheet.
func (t *tracer) findSheet(s samplePlanes, m *printed) *sheet {
	out := &sheet{rotation: m.rotation, wide: s.frame.Columns / sheetColumns, high: (s.frame.Rows + sheetRows - 1) / sheetRows}
	wide, high := out.wide, out.high
	depth, seen := out.depths(s, m.tones)
	usual := sync.OnceValue(func() float32 { v, _ := out.contrast(s, m, nil); return v })
	for _, piece := range pieces(wide, high, func(i int) bool { return depth[i] >= sheetShade }) {
		edge, deep, area, mean := false, false, 0.0, float32(0)
		for n, i := range piece {
			deep = deep || i%high < high-1 // else it may be the broad line of pens that rest beyond the rim
			area += out.area(i, s.frame)
			mean += (depth[i] - mean) / float32(n+1)
			beside(wide, high, i, func(j int) {
				edge = edge || !seen[j] || j%high == high-1 && depth[j] >= sheetShade
			})
		}
		mark := func(cells *[]bool) {
			if *cells == nil {
				*cells = make([]bool, wide*high)
			}
			for _, i := range piece {
				beside(wide, high, i, func(j int) { (*cells)[j] = true })
			}
		}
		c, ok := out.contrast(s, m, piece)
		switch bears := ok && c > sheetPrint*usual(); {
		case bears && area >= wideArea:
			mark(&out.shade)
		case bears || !deep || mean < sheetDark || area < sheetLeast || !edge && area < coverLeast:
		default:
			mark(&out.off)
			if !edge {
				mark(&out.cover)
			}
		}
	}
	if m.bilevel {
		out.shade = nil // no grey, no shade
	}
	return out
}

// depths is how much darker the paper of every cell is than the light on the sheet tells, in the channel where that is most,
// and which cells are seen at all.
func (s *sheet) depths(p samplePlanes, tones []float32) (depth []float32, seen []bool) {
	rows, wide, high := p.frame.Rows, s.wide, s.high
	depth, seen = make([]float32, wide*high), make([]bool, wide*high)
	var buf []float32
	for _, plane := range p.planes {
		paper := make([]float32, wide*high)
		for c := range wide {
			for k := range high {
				buf = buf[:0]
				// what is left of rows for the last cell is looked at with some of those before: a line must not fill it
				from, to := k*sheetRows, min(rows, (k+1)*sheetRows)
				if k == high-1 {
					from = max(0, min(from, rows-sheetRows/2))
				}
				for i := c*sheetColumns - sheetBeside; i < (c+1)*sheetColumns+sheetBeside; i++ {
					col := (i + p.frame.Columns) % p.frame.Columns
					for r := from + 2*col%sheetEvery; r < to; r += sheetEvery {
						if v := plane[col*rows+r]; v >= 0 {
							buf = append(buf, v)
						}
					}
				}
				if q := quantile(buf, sheetPaper); q == q {
					paper[c*high+k], seen[c*high+k] = tones[int(q*toneTab)], true
				}
			}
		}
		for k := range high { // less print and tint of each radius
			buf = buf[:0]
			for c := range wide {
				if seen[c*high+k] {
					buf = append(buf, paper[c*high+k])
				}
			}
			usual := median(buf)
			for c := range wide {
				paper[c*high+k] -= usual
			}
		}
		slope := s.light(paper, seen, p.frame)
		for i, v := range paper {
			if seen[i] {
				depth[i] = max(depth[i], slope(i)-v)
			}
		}
	}
	return depth, seen
}

// beside calls each for a cell of a grid whose columns go round, and for those around it.
func beside(wide, high, i int, each func(j int)) {
	c, k := i/high, i%high
	for dc := -1; dc <= 1; dc++ {
		for dk := max(0, k-1); dk <= min(high-1, k+1); dk++ {
			each((c+dc+wide)%wide*high + dk)
		}
	}
}

// pieces gathers the cells of such a grid that are in, by what hangs together.
func pieces(wide, high int, in func(i int) bool) (found [][]int) {
	done := make([]bool, wide*high)
	for i := range done {
		if done[i] || !in(i) {
			continue
		}
		piece := []int{i}
		done[i] = true
		for n := 0; n < len(piece); n++ {
			beside(wide, high, piece[n], func(j int) {
				if !done[j] && in(j) {
					done[j] = true
					piece = append(piece, j)
				}
			})
		}
		found = append(found, piece)
	}
	return found
}

// light is the slope of light over the sheet, a plane through what most of the cells have; the darker ones, in shade or off
// the sheet, do not count: reweighted least squares.
func (s *sheet) light(paper []float32, seen []bool, f calibrate.Frame) func(i int) float32 {
	xs, ys := make([]float64, len(paper)), make([]float64, len(paper))
	for c := range s.wide {
		sin, cos := math.Sincos(2 * math.Pi * float64(c) / float64(s.wide))
		for k := range s.high {
			r := s.radius(float64(k), f) / f.Radius
			xs[c*s.high+k], ys[c*s.high+k] = r*cos, r*sin
		}
	}
	var buf []float32
	for i, ok := range seen {
		if ok {
			buf = append(buf, paper[i])
		}
	}
	var a, b, c float64
	if len(buf) > 0 {
		a = float64(quantile(buf, 0.75))
	}
	for range 8 {
		var n, x1, y1, xx, xy, yy, v1, vx, vy float64
		for i, ok := range seen {
			x, y := xs[i], ys[i]
			if v := float64(paper[i]); ok && math.Abs(v-a-b*x-c*y) < sheetEven {
				n, x1, y1, xx, xy, yy = n+1, x1+x, y1+y, xx+x*x, xy+x*y, yy+y*y
				v1, vx, vy = v1+v, vx+v*x, vy+v*y
			}
		}
		// normal equations of the plane, by Cramer's rule
		det := n*(xx*yy-xy*xy) - x1*(x1*yy-xy*y1) + y1*(x1*xy-xx*y1)
		if !(math.Abs(det) > 1e-9*n*n*n) {
			break
		}
		a, b, c = (v1*(xx*yy-xy*xy)-x1*(vx*yy-xy*vy)+y1*(vx*xy-xx*vy))/det,
			(n*(vx*yy-vy*xy)-v1*(x1*yy-xy*y1)+y1*(x1*vy-vx*y1))/det,
			(n*(xx*vy-xy*vx)-x1*(x1*vy-vx*y1)+v1*(x1*xy-xx*y1))/det
	}
	return func(i int) float32 {
		return float32(a + b*xs[i] + c*ys[i])
	}
}

// contrast is by how much the circles are darker than what lies halfway to the next, mean over the cells, or over the
// whole turn where cells is nil; false where no circle lies in them.
func (s *sheet) contrast(p samplePlanes, m *printed, cells []int) (float32, bool) {
	in := make([]bool, s.wide*s.high)
	for _, i := range cells {
		in[i] = true
	}
	var circles []float64
	for _, kind := range m.circleRows {
		circles = append(circles, kind...)
	}
	slices.Sort(circles)
	var sum float32
	n := 0
	for col := range p.frame.Columns {
		c := min(col/sheetColumns, s.wide-1)
		for i := 1; i < len(circles); i++ {
			on, mid := int(circles[i]+0.5), int((circles[i-1]+circles[i])/2+0.5)
			if mid < 0 || on >= p.frame.Rows || cells != nil && (!in[c*s.high+s.band(on)] || !in[c*s.high+s.band(mid)]) {
				continue
			}
			for _, plane := range p.planes {
				if a, b := plane[col*p.frame.Rows+on], plane[col*p.frame.Rows+mid]; a >= 0 && b >= 0 {
					sum += m.tones[int(b*toneTab)] - m.tones[int(a*toneTab)]
					n++
				}
			}
		}
	}
	return sum / float32(max(n, 1)), n > 0
}
