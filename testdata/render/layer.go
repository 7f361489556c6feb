package render

import (
	"image"
	"math"
	"sync"

	"golang.org/x/image/font/gofont/goitalic"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

const (
	cell = 0.05 // mm, one cell of a layer
	tile = 64   // cells
)

// layer is a sparse raster over the print's plane: how much of each cell is
// covered with ink, 0–255. Only tiles that hold ink exist.
type layer struct {
	half  float64 // mm, reaches from −half to +half
	n     int     // tiles a side
	tiles [][]uint8
	near  []bool // by tile, once sealed: ink in it or beside it
}

func newLayer(half float64) *layer {
	n := int(math.Ceil(2*half/cell/tile)) + 1
	return &layer{half: half, n: n, tiles: make([][]uint8, n*n)}
}

// raise sets a cell to at least v.
func (l *layer) raise(ix, iy int, v uint8) {
	tx, ty := ix/tile, iy/tile
	if v == 0 || ix < 0 || iy < 0 || tx >= l.n || ty >= l.n {
		return
	}
	t := l.tiles[ty*l.n+tx]
	if t == nil {
		t = make([]uint8, tile*tile)
		l.tiles[ty*l.n+tx] = t
	}
	if i := iy%tile*tile + ix%tile; t[i] < v {
		t[i] = v
	}
}

func (l *layer) get(ix, iy int) float64 {
	tx, ty := ix/tile, iy/tile
	if ix < 0 || iy < 0 || tx >= l.n || ty >= l.n {
		return 0
	}
	t := l.tiles[ty*l.n+tx]
	if t == nil {
		return 0
	}
	return float64(t[iy%tile*tile+ix%tile])
}

// at is the bilinear coverage (0–1) at a point in mm.
func (l *layer) at(x, y float64) float64 {
	u, v := (x+l.half)/cell, (y+l.half)/cell
	if u < 0 || v < 0 {
		return 0
	}
	ix, iy := int(u), int(v)
	if tx, ty := ix/tile, iy/tile; ix%tile < tile-1 && iy%tile < tile-1 && (tx >= l.n || ty >= l.n || l.tiles[ty*l.n+tx] == nil) {
		return 0
	}
	fx, fy := u-float64(ix), v-float64(iy)
	a := l.get(ix, iy)*(1-fx) + l.get(ix+1, iy)*fx
	b := l.get(ix, iy+1)*(1-fx) + l.get(ix+1, iy+1)*fx
	return (a*(1-fy) + b*fy) / 255
}

// seal ends the drawing, so that empty regions can be passed over fast.
func (l *layer) seal() {
	l.near = make([]bool, l.n*l.n)
	for i, t := range l.tiles {
		if t == nil {
			continue
		}
		for y := max(0, i/l.n-1); y <= min(l.n-1, i/l.n+1); y++ {
			for x := max(0, i%l.n-1); x <= min(l.n-1, i%l.n+1); x++ {
				l.near[y*l.n+x] = true
			}
		}
	}
}

// bare says whether no ink lies in any tile that the square of half the side (mm) about a point of the layer touches.
func (l *layer) bare(x, y, half float64) bool {
	at := func(v float64) int { return max(0, min(l.n-1, int((v+l.half)/(cell*tile)))) }
	left, right := at(x-half), at(x+half)
	for ty := at(y - half); ty <= at(y+half); ty++ {
		for tx := left; tx <= right; tx++ {
			if l.tiles[ty*l.n+tx] != nil {
				return false
			}
		}
	}
	return true
}

// mean is the coverage, after seal, of a square pixel of the given size (mm) about a point.
func (l *layer) mean(x, y, size float64) float64 {
	tx, ty := int((x+l.half)/(cell*tile)), int((y+l.half)/(cell*tile))
	if tx < 0 || ty < 0 || tx >= l.n || ty >= l.n || !l.near[ty*l.n+tx] {
		return 0
	}
	if l.bare(x, y, size/2+2*cell) {
		return 0
	}
	n := int(math.Ceil(size / 0.09))
	if n <= 1 {
		return l.at(x, y)
	}
	sum := 0.0
	for j := range n {
		for i := range n {
			sum += l.at(x+size*((float64(i)+0.5)/float64(n)-0.5), y+size*((float64(j)+0.5)/float64(n)-0.5))
		}
	}
	return sum / float64(n*n)
}

// stroke draws one straight piece with round ends: half its width, how soft its
// edge is (mm), and how much ink it leaves (0–1).
func (l *layer) stroke(x0, y0, x1, y1, half, soft, ink float64) {
	soft = max(soft, cell)
	m := half + soft
	lo := func(a, b float64) int { return int(math.Floor((min(a, b) - m + l.half) / cell)) }
	hi := func(a, b float64) int { return int(math.Ceil((max(a, b) + m + l.half) / cell)) }
	dx, dy := x1-x0, y1-y0
	len2 := dx*dx + dy*dy
	for iy := lo(y0, y1); iy <= hi(y0, y1); iy++ {
		for ix := lo(x0, x1); ix <= hi(x0, x1); ix++ {
			px, py := float64(ix)*cell-l.half-x0, float64(iy)*cell-l.half-y0
			u := 0.0
			if len2 > 0 {
				u = max(0, min(1, (px*dx+py*dy)/len2))
			}
			d := math.Hypot(px-u*dx, py-u*dy)
			c := max(0, min(1, (half-d)/soft+0.5))
			l.raise(ix, iy, uint8(255*ink*c+0.5))
		}
	}
}

var fonts = sync.OnceValue(func() (f [2]*sfnt.Font) {
	for i, ttf := range [][]byte{goregular.TTF, goitalic.TTF} {
		f[i], _ = sfnt.Parse(ttf) // the module's own fonts always parse
	}
	return f
})

const emUnits = 1024

// text sets a line of text centred on a point, its baseline turned by angle;
// height is that of the capitals, mm. jitter (mm) shakes the outline, as a hand does.
func (l *layer) text(s string, x, y, angle, height float64, hand bool, jitter func() float64) {
	f := fonts()[0]
	if hand {
		f = fonts()[1]
	}
	k := height / (0.72 * emUnits)
	var buf sfnt.Buffer
	ppem := fixed.I(emUnits)
	width := 0.0
	adv := make([]float64, 0, len(s))
	for _, c := range s {
		g, _ := f.GlyphIndex(&buf, c)
		a, _ := f.GlyphAdvance(&buf, g, ppem, 0)
		adv = append(adv, float64(a)/64)
		width += float64(a) / 64
	}
	sin, cos := math.Sincos(angle)
	pen := -width / 2
	for i, c := range []rune(s) {
		g, _ := f.GlyphIndex(&buf, c)
		segs, err := f.LoadGlyph(&buf, g, ppem, nil)
		if err == nil && len(segs) > 0 {
			lift := height / 2
			shift := 0.0
			if jitter != nil {
				lift += jitter()
				shift = jitter()
			}
			l.outline(segs, func(p fixed.Point26_6) (float64, float64) {
				u := (float64(p.X)/64+pen)*k + shift
				v := float64(p.Y)/64*k + lift
				return x + u*cos - v*sin, y + u*sin + v*cos
			})
		}
		pen += adv[i]
	}
}

// outline fills a glyph whose points the map takes to mm.
func (l *layer) outline(segs sfnt.Segments, to func(fixed.Point26_6) (float64, float64)) {
	count := func(op sfnt.SegmentOp) int {
		return map[sfnt.SegmentOp]int{sfnt.SegmentOpMoveTo: 1, sfnt.SegmentOpLineTo: 1, sfnt.SegmentOpQuadTo: 2, sfnt.SegmentOpCubeTo: 3}[op]
	}
	x0, y0, x1, y1 := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, s := range segs {
		for i := range count(s.Op) {
			x, y := to(s.Args[i])
			x0, y0, x1, y1 = min(x0, x), min(y0, y), max(x1, x), max(y1, y)
		}
	}
	ox, oy := int(math.Floor((x0+l.half)/cell))-1, int(math.Floor((y0+l.half)/cell))-1
	w, h := int((x1-x0)/cell)+4, int((y1-y0)/cell)+4
	if w > 4000 || h > 4000 {
		return
	}
	z := vector.NewRasterizer(w, h)
	at := func(p fixed.Point26_6) (float32, float32) {
		x, y := to(p)
		// A cell's value stands for its centre, which is at a whole number.
		return float32((x+l.half)/cell - float64(ox) + 0.5), float32((y+l.half)/cell - float64(oy) + 0.5)
	}
	for _, s := range segs {
		ax, ay := at(s.Args[0])
		switch s.Op {
		case sfnt.SegmentOpMoveTo:
			z.ClosePath()
			z.MoveTo(ax, ay)
		case sfnt.SegmentOpLineTo:
			z.LineTo(ax, ay)
		case sfnt.SegmentOpQuadTo:
			bx, by := at(s.Args[1])
			z.QuadTo(ax, ay, bx, by)
		case sfnt.SegmentOpCubeTo:
			bx, by := at(s.Args[1])
			cx, cy := at(s.Args[2])
			z.CubeTo(ax, ay, bx, by, cx, cy)
		}
	}
	z.ClosePath()
	dst := image.NewAlpha(image.Rect(0, 0, w, h))
	z.Draw(dst, dst.Bounds(), image.Opaque, image.Point{})
	for iy := range h {
		for ix := range w {
			l.raise(ox+ix, oy+iy, dst.Pix[iy*dst.Stride+ix])
		}
	}
}
