package digitize

import (
	"math"
	"slices"
)

// A hard shadow, a stain or the edge of a note is darker than the paper about it, and the ground, which is smooth,
// does not follow its edge: what is left there would be taken for ink. But it is wider than any stroke. A morphological
// opening (Serra, Image Analysis and Mathematical Morphology, 1982) keeps what is wide and drops what is narrow; taken
// away from the evidence, it leaves the lines, those in the shadow too. Blots are small: they are ink.
const (
	wideBlock = 6    // cells of a look for what is wide, 0.48 mm
	wideMM    = 1.2  // half of what is wider than any stroke
	wideLeast = 0.25 // of the typical density of a line, from which it counts
	wideArea  = 60.0 // mm² of it in one piece, more than a blot has
	wideEdge  = 0.3  // mm to either side of its edge, in which it has a fringe
	wideRim   = 3    // blocks about such a piece, in which its edge lies
)

// grid is how a plane lies: its columns and rows, each so many cells of the frame.
type grid struct{ cols, rows, cells int }

// findVeil looks in every channel for what is wide in shade: a stain or a marker has a colour of its own, which is to be taken
// away before inks are told by theirs.
func (t *tracer) findVeil() {
	cols, rows := t.looks()
	lie := grid{cols, rows, sparse}
	found := make([][]float32, t.m.channels)
	for ch := range found {
		found[ch] = make([]float32, cols*rows)
	}
	t.look(func(c int, in [][]float32) {
		for ch, col := range in {
			for r, v := range col {
				found[ch][c*rows+r] = max(0, v)
			}
		}
	})
	for ch := range found {
		found[ch] = t.opened(t.filled(found[ch], lie), lie)
		for c := range cols {
			hour := t.frame.Hour + float64(c*sparse)*t.frame.HourStep
			for r := range rows {
				if !t.sheet.shade[t.sheet.cell(hour, r*sparse)] {
					found[ch][c*rows+r] = 0
				}
			}
		}
	}
	t.veil = found
}

// lessVeil takes it away from one column of left-over densities, those of every so many rows from the given one, in place.
func (t *tracer) lessVeil(col []float32, channel int, hour float64, row, every int) {
	cols, rows := t.looks()
	x := max(0, (hour-t.frame.Hour)/t.frame.HourStep/sparse)
	c := min(int(x), cols-1)
	f := float32(x - float64(c))
	a, b := t.veil[channel][c*rows:(c+1)*rows], t.veil[channel][min(c+1, cols-1)*rows:][:rows]
	at := func(r int) float32 { return a[r] + (b[r]-a[r])*f }
	for i := range col {
		if col[i] == missing {
			continue
		}
		y := row + i*every
		r := y / sparse
		v := at(r)
		col[i] -= v + (at(min(r+1, rows-1))-v)*float32(y-r*sparse)/sparse
	}
}

// dropWide takes away from a plane what is wide.
func (t *tracer) dropWide(plane []float32, typ float32) {
	cols, rows := t.frame.Columns, t.frame.Rows
	wide, high := (cols+wideBlock-1)/wideBlock, (rows+wideBlock-1)/wideBlock
	coarse := make([]float32, wide*high)
	for c := range cols {
		in, out := plane[c*rows:(c+1)*rows], coarse[c/wideBlock*high:]
		for r, v := range in {
			if v > 0 {
				out[r/wideBlock] += v / (wideBlock * wideBlock)
			}
		}
	}
	open := t.opened(coarse, grid{wide, high, wideBlock})
	least := wideLeast * typ
	near := make([]bool, wide*high)
	about := func(i int, each func(k int)) { // the blocks about one, and itself
		c, r := i/high, i%high
		for dc := max(0, c-wideRim); dc <= min(wide-1, c+wideRim); dc++ {
			for dr := max(0, r-wideRim); dr <= min(high-1, r+wideRim); dr++ {
				each(dc*high + dr)
			}
		}
	}
	c0, c1 := wide, -1
	for _, piece := range pieces(wide, high, func(i int) bool { return open[i] > least }) { // those at both ends count as one, whatever part of the turn it is
		area := 0.0
		for _, i := range piece {
			area += wideBlock * wideBlock * stepMM * t.alongAt(i%high*wideBlock)
		}
		if area < wideArea {
			continue
		}
		for _, i := range piece {
			about(i, func(k int) {
				near[k] = true
				c0, c1 = min(c0, k/high), max(c1, k/high)
			})
		}
	}
	if c1 < 0 {
		return
	}
	from, to := c0*wideBlock, min(cols, (c1+1)*wideBlock)
	part, lie := plane[from*rows:to*rows], grid{to - from, rows, 1}
	block := func(i int) int { return (from+i/rows)/wideBlock*high + i%rows/wideBlock }
	clear(coarse) // an opening keeps to what is least: what is usually left beside the lines goes, too
	for i, v := range t.opened(t.filled(part, lie), lie) {
		if b := block(i); near[b] {
			part[i] -= v
			coarse[b] += part[i] / (wideBlock * wideBlock)
		}
	}
	var buf []float32
	for i := c0 * high; i < (c1+1)*high; i++ {
		if !near[i] {
			continue
		}
		buf = buf[:0]
		about(i, func(k int) {
			if near[k] {
				buf = append(buf, coarse[k])
			}
		})
		open[i] = median(buf)
	}
	for i := range part {
		if b := block(i); near[b] {
			part[i] = max(0, part[i]-open[b])
		}
	}
}

// dropEdges takes the fringe that a scan has of any colour where the light changes, as the mean density of all colours
// shows it, away from all planes.
func (t *tracer) dropEdges(density []float32) {
	lie := grid{t.frame.Columns, t.frame.Rows, 1}
	open := t.opened(t.filled(density, lie), lie)
	lower := t.eroded(open, lie, wideEdge)
	var edge []int
	for i, v := range t.dilated(open, lie, wideEdge) {
		if v-lower[i] > sheetShade/2 {
			edge = append(edge, i)
		}
	}
	var buf []float32
	for _, plane := range t.planes {
		buf = buf[:0]
		for _, i := range edge {
			buf = append(buf, plane[i])
		}
		fringe := quantile(buf, 0.9)
		for _, i := range edge {
			plane[i] = max(0, plane[i]-fringe)
		}
	}
}

// alongAt is how long a cell is in time, mm, at a row.
func (t *tracer) alongAt(row int) float64 {
	return math.Abs(t.turn) * t.frame.HourStep * (t.frame.Radius + float64(row)*stepMM)
}

// opened is the opening of a plane by a square of twice wideMM.
func (t *tracer) opened(plane []float32, lie grid) []float32 {
	return t.dilated(t.eroded(plane, lie, wideMM), lie, wideMM)
}

// filled is the closing of a plane by a square of twice wideEdge, which fills what narrow print has left in it.
func (t *tracer) filled(plane []float32, lie grid) []float32 {
	return t.eroded(t.dilated(plane, lie, wideEdge), lie, wideEdge)
}

// dilated is the dilation of a plane by a square of twice the given mm.
func (t *tracer) dilated(plane []float32, lie grid, mm float64) []float32 {
	return t.extreme(plane, lie, mm, 1)
}

// eroded is its erosion.
func (t *tracer) eroded(plane []float32, lie grid, mm float64) []float32 {
	return t.extreme(plane, lie, mm, -1)
}

// extreme replaces every value by the largest in such a square, or the smallest where sign is −1.
func (t *tracer) extreme(plane []float32, lie grid, mm float64, sign float32) []float32 {
	cols, rows, cells := lie.cols, lie.rows, lie.cells
	out := slices.Clone(plane)
	line := make([]float32, cols)
	for c := range cols {
		most(out[c*rows:(c+1)*rows], int(math.Ceil(mm/stepMM/float64(cells))), sign)
	}
	for r := range rows {
		for c := range cols {
			line[c] = out[c*rows+r]
		}
		most(line, int(math.Ceil(mm/(float64(cells)*t.alongAt(r*cells)))), sign)
		for c := range cols {
			out[c*rows+r] = line[c]
		}
	}
	return out
}

// most replaces every value by the largest within half places to either side, or the smallest where sign is −1, in
// two passes over blocks of a window's length (van Herk, Pattern Recognition Letters 13(7), 1992; from memory).
func most(v []float32, half int, sign float32) {
	n, w := len(v), 2*half+1
	padded := (n + 2*half + w - 1) / w * w
	fore, back := make([]float32, padded), make([]float32, padded)
	lowest := float32(math.Inf(-1))
	for i := range padded {
		x := lowest
		if k := i - half; k >= 0 && k < n {
			x = sign * v[k]
		}
		fore[i], back[i] = x, x
	}
	for i := range padded {
		if i%w > 0 {
			fore[i] = max(fore[i], fore[i-1])
		}
		if j := padded - 1 - i; j%w < w-1 {
			back[j] = max(back[j], back[j+1])
		}
	}
	for i := range v {
		v[i] = sign * max(back[i], fore[i+w-1])
	}
}
