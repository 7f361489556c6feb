package digitize

import "math"

const (
	foldBeyond = 0.7  // mm beyond the scale, where no line is that a pen draws, but on its stop:
	foldWide   = 2.0  // so a dark spot at most this long there, mm, may be the end of a crease
	foldSpots  = 24   // more such spots are print or a torn rim
	foldLeast  = 30.0 // mm from one end to the other, at least
	foldInk    = 0.8  // of the straight way between two spots that is dark
	foldAside  = 0.3  // mm to either side that a crease may wander, and that it covers
	foldStep   = 0.1  // mm between looks along it
	foldClear  = 0.5  // mm to either side that paths keep off
	foldAlong  = 4.0  // mm: what crosses a crease leaves it sooner
)

// findCreases marks the cells of paths that lie on a straight dark line from rim to rim: so lies a crease in the sheet, or a streak
// of the scanner, and none of a pen's lines. Paths keep off them; what crosses them is read as it is.
func (t *tracer) findCreases() {
	dark := func(x, y float64) bool {
		for k, p := range t.planes {
			if t.amount(p, x, y) > 0.4*t.typ[k] {
				return true
			}
		}
		return false
	}
	at := func(angle float64) (x, y float64) {
		sin, cos := math.Sincos(angle)
		return (t.form.Outer() + foldBeyond) * cos, (t.form.Outer() + foldBeyond) * sin
	}
	step := foldStep / t.form.Outer()
	n := int(2 * math.Pi / step)
	var spots []float64 // angles
	for from, to := range runs(n, func(i int) bool { return dark(at(float64(i) * step)) }) {
		if float64(to-from)*foldStep <= foldWide {
			spots = append(spots, float64(from+to-1)/2*step)
		}
	}
	if len(spots) > foldSpots {
		return
	}
	for i, a := range spots {
		for _, b := range spots[:i] {
			x0, y0 := at(a)
			x1, y1 := at(b)
			long := math.Hypot(x1-x0, y1-y0)
			if long < foldLeast {
				continue
			}
			ux, uy := (x1-x0)/long, (y1-y0)/long
			inked, seen := 0, 0
			for s := 0.0; s <= long; s += foldStep {
				x, y := x0+s*ux, y0+s*uy
				if math.Hypot(x, y) < t.form.Inner() {
					continue
				}
				seen++
				for d := -foldAside; d <= foldAside; d += foldAside / 2 {
					if dark(x-d*uy, y+d*ux) {
						inked++
						break
					}
				}
			}
			if float64(inked) >= foldInk*float64(seen) {
				t.markCrease(x0, y0, ux, uy, long)
			}
		}
	}
}

// markCrease marks the cells within foldClear of a straight way.
func (t *tracer) markCrease(x0, y0, ux, uy, long float64) {
	if t.creased == nil {
		t.creased = make([]bool, t.frame.Columns/2*(t.frame.Rows/2))
	}
	narrow := stepMM * t.form.Inner() / t.form.Outer() // half of a cell along the innermost circle
	for s := 0.0; s <= long; s += narrow {
		for d := -foldClear; d <= foldClear; d += narrow {
			if i := t.pathCell(x0+s*ux-d*uy, y0+s*uy+d*ux); i >= 0 {
				t.creased[i] = true
			}
		}
	}
}

// pathCell is the cell of paths in which a place of the print lies, as creased counts them; −1 outside.
func (t *tracer) pathCell(x, y float64) int {
	cols, rows := t.frame.Columns/2, t.frame.Rows/2
	c, r := t.cell(x, y)
	if ic, ir := int(math.Floor(c/2)), int(math.Floor(r/2)); ic >= 0 && ic < cols && ir >= 0 && ir < rows {
		return ic*rows + ir
	}
	return -1
}

// leaveCreases takes the ink from vertices that go along a crease: a line may begin or end on its way over blank paper beside one.
func (t *tracer) leaveCreases(v []vertex) {
	if t.creased == nil {
		return
	}
	on := func(i int) bool {
		k := t.pathCell(v[i].x, v[i].y)
		return k >= 0 && t.creased[k]
	}
	for from, to := range runs(len(v), on) {
		if float64(to-from)*alongMM > foldAlong {
			for i := from; i < to; i++ {
				v[i].ink = false
			}
		}
	}
}
