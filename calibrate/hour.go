package calibrate

import (
	"context"
	"fmt"
	"math"

	"gonum.org/v1/gonum/blas/blas32"

	"penarm/calibrate/form"
	"penarm/calibrate/picture"
)

// Blank is a calibrated scan of the unused form: its printed margin and centre,
// unrolled about the chart's centre, column 0 at hour 0, and the numerals of its scale.
type Blank struct {
	Face     *Face
	margins  [2]margin2
	numerals []numeral
}

// margin2 is one printed annulus, unrolled straight (labels do not follow arcs): rows of radius, columns of angle.
type margin2 struct {
	rows int
	cols int
	v    []float32 // rows × cols, zero mean
	norm float64   // root of the sum of squares
}

// turnColumns are the columns of the outer and of the inner annulus: as wide as their rows are high, about.
var turnColumns = [2]int{1440, 480}

// Annuli are looked at from and to these distances from the print and the paper's edge, mm.
const (
	clearOfPrint = 1.0
	clearOfEdge  = 2.0 // the edge may be off the print by half a millimetre, and casts a shadow
	clearOfHub   = 2.0
	rowMM        = 0.4
	printCap     = 0.15 // density: pale print stays below, ink and dark print count as this
)

// unrollMargins samples the annulus outside the outermost circle and the centre print: the mean
// of all colours, for hours are often printed in another one than circles are.
func unrollMargins(pic *picture.Picture, w *Warp, f *form.Form) [2]margin2 {
	var out [2]margin2
	pl := grey(pic)
	if !pic.Bilevel { // where single pixels say nothing
		pl = pl.blunt()
	}
	for k, span := range [2][2]float64{
		{f.Outer() + clearOfPrint, f.DiameterMM/2 - clearOfEdge},
		{f.HubHoleMM/2 + clearOfHub, f.Inner() - clearOfPrint},
	} {
		rows := int((span[1] - span[0]) / rowMM)
		if rows < 4 {
			continue
		}
		cols := turnColumns[k]
		m := margin2{rows: rows, cols: cols, v: make([]float32, rows*cols)}
		fan := 1
		if pic.Bilevel {
			fan = 3
		}
		n := fan * cols
		fine, seen := make([]float32, n), make([]uint8, n)
		sum, count := make([]float32, cols), make([]uint8, cols)
		for i := range rows {
			r := span[0] + (float64(i)+0.5)*rowMM
			clear(fine)
			clear(seen)
			for k := range fan {
				r := r + rowMM*((float64(k)+0.5)/float64(fan)-0.5)
				pl.curve(w, n, max(1, int(3/(2*math.Pi*r/float64(n)))), func(j int) (float64, float64) {
					s, c := math.Sincos(2 * math.Pi * (float64(j) - 0.5*float64(fan-1)) / float64(n))
					return r * c, r * s
				}, fine, seen)
			}
			for j := range sum {
				sum[j], count[j] = 0, 0
				for k := j * fan; k < (j+1)*fan; k++ {
					sum[j] += fine[k]
					count[j] += seen[k]
				}
			}
			row := m.v[i*cols : (i+1)*cols]
			q := mean(sum, count, fan*fan)
			q.highPass(max(20, int(8/(2*math.Pi*r/float64(cols)))))
			// handwriting and stains are stronger than print: bound them
			for j, v := range q.v {
				row[j] = max(-0.3*printCap, min(printCap, v))
			}
			blur(row, math.Max(0.7, 0.25/(2*math.Pi*r/float64(cols))))
		}
		mean := float32(0)
		for _, v := range m.v {
			mean += v
		}
		mean /= float32(len(m.v))
		for i := range m.v {
			m.v[i] -= mean
		}
		m.norm = math.Sqrt(dot(m.v, m.v))
		out[k] = m
	}
	return out
}

// turnMatch correlates the margins with the blank's, turned by so much of a turn:
// Pearson's correlation, the centre counting half (it is written on).
func turnMatch(a, b [2]margin2, turn float64) float64 {
	weight := [2]float64{1, 0.5}
	var sum, weights float64
	for k := range a {
		if a[k].rows != b[k].rows || a[k].rows == 0 {
			continue
		}
		var ab float64
		cols := a[k].cols
		shift := int(math.Round(turn*float64(cols))) % cols
		for i := range a[k].rows {
			ra := a[k].v[i*cols : (i+1)*cols]
			rb := b[k].v[i*cols : (i+1)*cols]
			// column j of the blank lies at column j+shift of the scan
			ab += dot(ra[shift:], rb[:cols-shift]) + dot(ra[:shift], rb[cols-shift:])
		}
		if a[k].norm > 0 && b[k].norm > 0 {
			sum += weight[k] * ab / (a[k].norm * b[k].norm)
			weights += weight[k]
		}
	}
	if weights == 0 {
		return 0
	}
	return sum / weights
}

// dot is the sum of the products of a and as many of b.
func dot(a, b []float32) float64 {
	return float64(blas32.Dot(blas32.Vector{N: len(a), Data: a, Inc: 1}, blas32.Vector{N: len(a), Data: b, Inc: 1}))
}

// findHour tries every arc and gives the index of the scan's arc that is the
// blank's hour 0, its correlation, and that of the best turn at least half a heavy spacing away.
func findHour(scan [2]margin2, blank *Blank, f *form.Form) (arc int, best, next float64) {
	arcs, per := f.Arcs()
	scores := make([]float64, arcs)
	for k := range scores {
		scores[k] = turnMatch(scan, blank.margins, float64(k)/float64(arcs))
		if scores[k] > scores[arc] {
			arc = k
		}
	}
	next = -1
	for k, s := range scores {
		d := (k - arc + arcs) % arcs
		if d = min(d, arcs-d); 2*d >= per && d > 0 {
			next = math.Max(next, s)
		}
	}
	return arc, scores[arc], next
}

// ReadBlank calibrates the scan of the unused form once. The form must name the
// reference pixel, which has to fall on the arc of its time: that checks lean, direction and phase.
func ReadBlank(ctx context.Context, pic *picture.Picture, f *form.Form) (*Blank, error) {
	if f.Blank == nil {
		return nil, &Refusal{"blank", fmt.Sprintf("form %s names no blank: add blank.image and blank.reference to %s", f.Form, f.Path)}
	}
	hours, err := form.ParseHours(f.Blank.Reference.Time)
	if err != nil {
		return nil, &Refusal{"blank", fmt.Sprintf("%s: blank.reference.time: %v", f.Path, err)}
	}
	hours = math.Mod(hours, f.RotationHours)
	found, err := starts(pic, fewEdges)
	if err != nil {
		return nil, err
	}
	fit, err := fitForm(ctx, found, f)
	if err != nil {
		return nil, err
	}
	ref := f.Blank.Reference
	f = fit.form
	// the reference is somewhere on the turn: which arc of the fitted map is it?
	h, r := fit.locate(f, ref.X, ref.Y)
	if math.IsNaN(r) {
		return nil, &Refusal{"blank", fmt.Sprintf("%s: blank.reference lies outside the picture of the blank: give the pixel where the arc of %s meets the outermost circle", f.Path, ref.Time)}
	}
	if !(math.Abs(r-f.Outer()) <= 1.5) {
		return nil, &Refusal{"blank", fmt.Sprintf("%s: blank.reference lies %.1f mm from the outermost circle of the blank: give the pixel where the arc of %s meets that circle", f.Path, r-f.Outer(), ref.Time)}
	}
	every := f.TimeArcs.EveryMinutes / 60
	steps := (h - hours) / every // arcs from the map's arbitrary 0 to the true one
	if off := math.Abs(steps - math.Round(steps)); !(off <= 0.25) {
		return nil, &Refusal{"blank", fmt.Sprintf("%s: blank.reference lies %.1f minutes of chart time from the nearest arc of the blank: give the pixel where the arc of %s meets the outermost circle, or check time_runs and lean", f.Path, off*f.TimeArcs.EveryMinutes, ref.Time)}
	}
	if err := fit.setZero(int(math.Round(steps)), f); err != nil {
		return nil, err
	}
	// numerals that can be read have the last word: every hour of every chart on this form counts from here
	read, ok, against, err := fit.readHours(ctx, f)
	if err != nil {
		return nil, err
	}
	if against != "" {
		return nil, &Refusal{"blank", fmt.Sprintf("%s: on the blank %s: correct the file, or name the blank of this form", f.Path, against)}
	}
	if off := math.Remainder(read, recur(f)); ok && math.Abs(off) > 0.5*every {
		return nil, &Refusal{"blank", fmt.Sprintf("%s: blank.reference.time is %s, where the blank's printed numerals say %s: correct it, or time_runs", f.Path, ref.Time, clockWords(hours+off, f.RotationHours))}
	}
	b := &Blank{margins: unrollMargins(fit.plane.pic, &fit.warp, f), numerals: fit.numerals(f, false)}
	if by := otherRange(f, b.numerals); by != 0 {
		return nil, &Refusal{"blank", fmt.Sprintf("%s: on the blank %s than rings says: correct the file, or name the blank of this form", f.Path, rangeWords(f, by))}
	}
	redraw(f, b.numerals)
	b.Face = fit.face(f, HourBlank)
	return b, nil
}

// clockWords writes printed hours of a turn as in a form's file.
func clockWords(hours, turn float64) string {
	m := int(math.Round(60*math.Mod(hours+turn, turn))) % int(math.Round(60*turn))
	return fmt.Sprintf("%02d:%02d", m/60, m%60)
}
