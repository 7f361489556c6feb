// Package calibrate finds a printed chart in a picture: which pixel is which
// time and temperature, and how sure that is. It knows nothing of ink or rules.
package calibrate

import (
	"math"

	"penarm/calibrate/form"
)

// Warp maps the print's plane (mm from the print's centre, x right, y down in
// the print's own frame, see form.Form.Angle) to picture pixels:
// first a smooth displacement of the paper, then a homography, then one radial lens term.
type Warp struct {
	// Degree and X, Y: displacement in mm, polynomials in (x/Scale, y/Scale) of
	// total degree ≤ Degree; terms ordered 1, x, y, x², xy, y², x³, x²y, …
	Degree int
	Scale  float64
	X, Y   []float64
	// H is the row-major homography from displaced mm to ideal pixels.
	H [9]float64
	// K1 is the lens term: p = c + (q − c)·(1 + K1·|q − c|²/F²), c = (CX, CY), F in pixels.
	K1, CX, CY, F float64
}

// The degrees used, odd ones, and the number of monomials of the highest.
const (
	leastDegree = 3
	mostDegree  = 7
	mostTerms   = (mostDegree + 1) * (mostDegree + 2) / 2
)

// terms evaluates the monomials of total degree ≤ d at (x, y) in Warp's order.
func terms(d int, x, y float64, out []float64) []float64 {
	out = append(out[:0], 1)
	start := 0
	for k := 1; k <= d; k++ {
		n := len(out)
		for i := start; i < n; i++ {
			out = append(out, out[i]*x)
		}
		out = append(out, out[n-1]*y)
		start = n
	}
	return out
}

// displacement is by how much (mm) the paper moved a point of the print.
func (w *Warp) displacement(x, y float64) (dx, dy float64) {
	if w.Degree == 0 {
		return 0, 0
	}
	var buf [mostTerms]float64
	for i, v := range terms(w.Degree, x/w.Scale, y/w.Scale, buf[:0]) {
		dx += v * w.X[i]
		dy += v * w.Y[i]
	}
	return dx, dy
}

// Pixel maps a point of the print (mm) to the picture.
func (w *Warp) Pixel(x, y float64) (px, py float64) {
	dx, dy := w.displacement(x, y)
	x, y = x+dx, y+dy
	h := &w.H
	d := h[6]*x + h[7]*y + h[8]
	px, py = (h[0]*x+h[1]*y+h[2])/d, (h[3]*x+h[4]*y+h[5])/d
	if w.K1 != 0 {
		dx, dy := px-w.CX, py-w.CY
		s := 1 + w.K1*(dx*dx+dy*dy)/(w.F*w.F)
		px, py = w.CX+dx*s, w.CY+dy*s
	}
	return px, py
}

// near is the map about a point of the print, where within a few mm it is affine.
func (w *Warp) near(x, y float64) Warp {
	const h = 0.05 // mm
	px, py := w.Pixel(x, y)
	ax, ay := w.Pixel(x+h, y)
	bx, by := w.Pixel(x, y+h)
	a, b, c, d := (ax-px)/h, (bx-px)/h, (ay-py)/h, (by-py)/h
	return Warp{H: [9]float64{a, b, px - a*x - b*y, c, d, py - c*x - d*y, 0, 0, 1}}
}

// Hour says where the clock times come from.
type Hour string

// The sources of the hour, as findings.json names them.
const (
	HourBlank    Hour = "blank"
	HourNumerals Hour = "numerals"
	HourMark     Hour = "mark"
	HourOnChart  Hour = "on_chart" // the turn is unknown: printed hours count from an arbitrary major arc
)

// Face is a chart found in a picture.
type Face struct {
	Form *form.Form
	Warp Warp
	Hour Hour

	Method         string     // how it was fitted, in words, for findings.json
	RingResidualMM float64    // rms of circle crossings
	ArcResidualS   float64    // rms of arc crossings, seconds of chart time at mid-scale
	Left           []Residual // what the map leaves, part by part
	UMM            float64    // standard uncertainty (mm, each direction) of a printed point, from what the fit leaves in cells of crossings
}

// Residual is by how much (mm) the print, mean over a small part of the face about (X, Y) in the print's plane, lies
// further along the normal (NX, NY) of its circles, or of its arcs, than the map says.
type Residual struct {
	X, Y, NX, NY, MM float64
	Arc              bool
}

// Pixel is where the arc of the printed hour crosses the circle of the radius (mm).
func (f *Face) Pixel(hours, radius float64) (x, y float64) {
	s, c := math.Sincos(f.Form.Angle(hours, radius))
	return f.Warp.Pixel(radius*c, radius*s)
}

// Locate is the inverse of Pixel: printed hours in [0, rotation) and radius (mm) of a pixel; NaN where none is found, as
// far outside the picture.
func (f *Face) Locate(px, py float64) (hours, radius float64) {
	x, y := 0.0, 0.0
	found := false
	for i := 0; i < 30 && !found; i++ { // Newton with numerical derivatives: Warp is nearly affine
		const h = 0.01
		qx, qy := f.Warp.Pixel(x, y)
		ax, ay := f.Warp.Pixel(x+h, y)
		bx, by := f.Warp.Pixel(x, y+h)
		a, b, c, d := (ax-qx)/h, (bx-qx)/h, (ay-qy)/h, (by-qy)/h
		det := a*d - b*c
		if det == 0 {
			break
		}
		ex, ey := px-qx, py-qy
		dx, dy := (d*ex-b*ey)/det, (a*ey-c*ex)/det
		x, y = x+dx, y+dy
		found = dx*dx+dy*dy < 1e-12
	}
	if !found {
		return math.NaN(), math.NaN()
	}
	radius = math.Hypot(x, y)
	return f.Form.Hours(math.Atan2(y, x), radius), radius
}
