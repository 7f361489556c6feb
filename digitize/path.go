package digitize

import (
	"math"
	"slices"

	"penarm/calibrate/picture"
)

// Costs a mm of path. They must stay positive: a path that is paid for ink
// would sew up and down inside the line.
const (
	costInk   = 0.003 // along full ink
	costBlank = 1.0   // more, where there is none
	costCover = 0.2   // in all, where something covers the sheet: the line may go on below
	costWait  = 0.05  // before the trace begins, and after it may have ended
	costLate  = 0.5   // the same where another pen of the plane writes by then: more than along its line, all pens touch a chart at once
	fullInk   = 0.6   // share of the typical density that counts as full
)

// step is one cell of a path.
type step struct{ col, row int }

// inkCost is the cost a mm at evidence e, in units of the typical density.
func inkCost(e float32) float32 {
	d := 1 - e/fullInk
	if d <= 0 {
		return costInk
	}
	return costInk + costBlank*d*d
}

// bestPath is the least-cost path over columns 0 … cols−1, one vertical run up
// or down in each: exact dynamic programming in O(cols·rows), because the
// cheapest run into a row is one running minimum each way over the column
// (cost so far − running sum). fill gives the cost a mm of one column's cells;
// entering a cell from the column before costs width mm of it, from the
// row beside it rowMM. The path may begin in any of the first wait+1 columns,
// each passed column costing costWait·width, costLate·width from column late on.
func bestPath(cols, rows int, width float32, rowMM float64, wait, late int, fill func(col int, cost []float32)) []step {
	if cols <= 0 || rows <= 0 {
		return nil
	}
	wait = min(wait, cols-1)
	from := picture.Large[int16](cols * rows) // the row in which the path entered the column
	begun := make([]bool, (wait+1)*rows)      // it began there
	c, next := make([]float64, rows), make([]float64, rows)
	sum := make([]float64, rows+1)
	cost := make([]float32, rows)
	waited := 0.0
	for col := range cols {
		fill(col, cost)
		switch {
		case col > late:
			waited += costLate * float64(width)
		case col > 0:
			waited += costWait * float64(width)
		}
		for r, v := range cost {
			w := float64(v * width)
			c[r] += w
			if col == 0 || col <= wait && waited+w < c[r] {
				c[r] = waited + w
				begun[col*rows+r] = true
			}
			sum[r+1] = sum[r] + float64(v)*rowMM
		}
		back := from[col*rows : (col+1)*rows]
		best, at := math.Inf(1), 0
		for r, v := range c { // runs towards higher rows
			if v -= sum[r+1]; v < best {
				best, at = v, r
			}
			next[r], back[r] = best+sum[r+1], int16(at)
		}
		best, at = math.Inf(1), rows-1
		for r := rows - 1; r >= 0; r-- { // runs towards lower rows
			if v := c[r] + sum[r]; v < best {
				best, at = v, r
			}
			if v := best - sum[r]; v < next[r] {
				next[r], back[r] = v, int16(at)
			}
		}
		c, next = next, c
	}
	end := 0
	for r, v := range c {
		if v < c[end] {
			end = r
		}
	}
	var path []step
	row := end
	for col := cols - 1; col >= 0; col-- {
		q := int(from[col*rows+row])
		for row != q {
			path = append(path, step{col, row})
			if q > row {
				row++
			} else {
				row--
			}
		}
		path = append(path, step{col, row})
		if col <= wait && begun[col*rows+row] {
			break
		}
	}
	slices.Reverse(path)
	return path
}
