package digitize

import (
	"iter"
	"math"
	"slices"

	"penarm/calibrate"
)

// printed is the optical density of paper and print in the face's own frame,
// estimated from this very scan: paper as a smooth field, circles as a profile
// over the radius that changes slowly along time, arcs as one profile a class
// and band of radius. Because the face puts circles on rows and arcs on
// columns, both are told from a pen line by medians alone.
type printed struct {
	channels int
	rows     int     // fine rows
	rotation float64 // hours a turn

	ground  [][]float32 // tone of the paper, less the circles once they are learnt: [channel][block·rows + row]
	circles [][]float32 // [channel][block·rows + row]

	circleRows [2][]float64 // where the form has fine and heavy circles

	every, major float64     // hours between arcs, between heavy arcs
	knot         float64     // hours between knots of an arc profile
	bands        int         // of radius
	arcs         [][]float32 // [channel][(class·bands + band)·arcKnots + k], class 1 heavy

	mostCircle []float32 // circles of the strongest channel
	mostArc    []float32 // arcs of the strongest channel

	noise []float32 // robust standard deviation of what is left over, a channel

	// bilevel: black and white only. Densities mean nothing there; what adds up
	// is the share of each point that is black, and print that covers a point wholly hides the ink.
	bilevel bool
	tones   []float32 // what a grey level counts for, see toneOf
}

// middle is the representative of many values of one stretch of print: the
// median, or in black and white the trimmed mean, because a share of black is a mean.
func (m *printed) middle(v []float32) float32 {
	if !m.bilevel || len(v) < 5 {
		return median(v)
	}
	slices.Sort(v)
	cut := len(v) / 5
	var s float32
	for _, x := range v[cut : len(v)-cut] {
		s += x
	}
	return s / float32(len(v)-2*cut)
}

const (
	paperRows    = 50  // between knots of the paper field along the radius, 4 mm
	bandRows     = 75  // bands of radius for the arcs' profiles, 6 mm
	bilevelNoise = 0.1 // share of black: jagged edges, not counted by the median of flat paper
	sectors      = 24  // of time, for circles, which hardly change over a turn
	sectorEvery  = 1   // columns of the survey that are looked at for them
	arcHalf      = 7   // knots of an arc's profile to either side, 0.56 mm at the outermost circle
	arcKnots     = 2*arcHalf + 1
	printShare   = 0.08 // of the turn's sectors: print is at least nearly as dark in all others
	toneTab      = 8    // entries of the table of tones a grey level
	aroundEvery  = 4    // rows: so many suffice for the profile of an arc
	usualShare   = 0.37 // of the sectors are no darker than a circle usually is: a line may lie on it for longer than half of the turn
	noiseEvery   = 31   // points of the survey, which shares no factor with the usual numbers of rows
	arcsEnough   = 24   // arcs of a class, at most, that it is learnt from
	beyondRows   = 3    // of the outermost circle's own line
)

// toneOf gives the tones of all grey levels, in steps of 1/toneTab, that ink takes away from:
// log10 of the level, floored at one to keep it finite; in black and white the share of white.
func toneOf(bilevel bool) []float32 {
	t := make([]float32, 256*toneTab)
	for i := range t {
		v := float64(i) / toneTab
		if bilevel {
			t[i] = float32(v / 255)
		} else {
			t[i] = float32(math.Log10(math.Max(1, v)))
		}
	}
	return t
}

// missing marks points outside the picture in planes of density.
const missing = float32(-9)

// learn estimates the print from columns spread over the whole turn.
// Its grey levels are turned into left-over density in place.
func (m *printed) learn(s samplePlanes, on *sheet) {
	m.learnPaper(s, on)
	for ch := range m.channels {
		s.columns(ch, func(col []float32, hour float64, every int) { m.density(col, ch, hour, 0, every) })
	}
	m.learnCircles(s)
	m.learnArcs(s)
	m.strongest()
}

// samplePlanes is the coarse survey: every column of it a fine column, far apart.
type samplePlanes struct {
	frame  calibrate.Frame
	planes [][]float32
	near   []calibrate.Frame // around some arcs, every aroundEvery-th row
	around [][][]float32     // [arc][channel]
}

// columns gives the hours and the columns of a frame's plane.
func columns(f calibrate.Frame, plane []float32) iter.Seq2[float64, []float32] {
	return func(yield func(float64, []float32) bool) {
		for c := range f.Columns {
			if !yield(f.Hour+float64(c)*f.HourStep, plane[c*f.Rows:(c+1)*f.Rows]) {
				return
			}
		}
	}
}

// columns calls each for all columns of one channel, with their hours and every how many rows they hold.
func (s samplePlanes) columns(channel int, each func(col []float32, hour float64, every int)) {
	for hour, col := range columns(s.frame, s.planes[channel]) {
		each(col, hour, 1)
	}
	for i, f := range s.near {
		for hour, col := range columns(f, s.around[i][channel]) {
			each(col, hour, aroundEvery)
		}
	}
}

// learnPaper leaves out what lies in shade: its edge is too sharp for a smooth field.
func (m *printed) learnPaper(s samplePlanes, on *sheet) {
	rows, cols := s.frame.Rows, s.frame.Columns
	per := cols / blocks
	knots := rows/paperRows + 2
	for c := range m.channels {
		ground := make([]float32, blocks*rows)
		m.ground = append(m.ground, ground)
		if m.bilevel {
			for i := range ground {
				ground[i] = 1
			}
			continue
		}
		field := make([]float32, blocks*knots)
		var buf []float32
		for b := range blocks {
			for k := range knots {
				buf = buf[:0]
				lo, hi := max(0, k*paperRows-paperRows/2), min(rows, k*paperRows+paperRows/2+1)
				for col := b * per; col < (b+1)*per; col++ {
					p := s.planes[c][col*rows : (col+1)*rows]
					var shade []bool
					if on.shade != nil {
						at := on.cell(s.frame.Hour+float64(col)*s.frame.HourStep, 0)
						shade = on.shade[at : at+on.high]
					}
					for r := lo; r < hi; r += 4 {
						if p[r] >= 0 && (shade == nil || !shade[on.band(r)]) {
							buf = append(buf, p[r])
						}
					}
				}
				field[b*knots+k] = quantile(buf, 0.8)
			}
		}
		field = smoothField(field, blocks, knots)
		for b := range blocks {
			f := field[b*knots : (b+1)*knots]
			for r := range rows {
				k := r / paperRows
				t := float32(r-k*paperRows) / paperRows
				ground[b*rows+r] = f[k] + (f[min(k+1, knots-1)]-f[k])*t
			}
		}
	}
}

// smoothField takes the median of 3 × 3 neighbours (time is cyclic), fills holes and takes logarithms.
func smoothField(f []float32, blocks, n int) []float32 {
	out := make([]float32, len(f))
	var all, buf []float32
	for _, v := range f {
		if v == v {
			all = append(all, v)
		}
	}
	whole := float32(255)
	if len(all) > 0 {
		whole = median(all)
	}
	for b := range blocks {
		for k := range n {
			buf = buf[:0]
			for db := -1; db <= 1; db++ {
				for dk := -1; dk <= 1; dk++ {
					if k+dk < 0 || k+dk >= n {
						continue
					}
					if v := f[(b+db+blocks)%blocks*n+k+dk]; v == v {
						buf = append(buf, v)
					}
				}
			}
			v := whole
			if len(buf) > 0 {
				v = median(buf)
			}
			out[b*n+k] = float32(math.Log10(math.Max(8, float64(v))))
		}
	}
	return out
}

// blockAt gives the two neighbouring blocks of an hour and the weight of the second.
func (m *printed) blockAt(hour float64) (a, b int, t float32) {
	x := hour/m.rotation*float64(blocks) - 0.5
	x -= math.Floor(x/float64(blocks)) * float64(blocks)
	a = int(x)
	t = float32(x - float64(a))
	a %= blocks
	return a, (a + 1) % blocks, t
}

// density turns one column of grey levels, those of every so many rows from the given one, into
// density over the ground, in place.
func (m *printed) density(col []float32, channel int, hour float64, row, every int) {
	a, b, t := m.blockAt(hour)
	ga := m.ground[channel][a*m.rows : (a+1)*m.rows]
	gb := m.ground[channel][b*m.rows : (b+1)*m.rows]
	for i, v := range col {
		if v < 0 {
			col[i] = missing
			continue
		}
		r := row + i*every
		col[i] = ga[r] + (gb[r]-ga[r])*t - m.tones[int(v*toneTab)]
	}
}

// learnCircles: each row's median in sectors of time, arcs left out, then the
// 45th percentile of the sectors within an eighth of a turn to either side: a
// pen may lie along one circle for an hour, and a shorter window would eat it.
func (m *printed) learnCircles(s samplePlanes) {
	rows := s.frame.Rows
	for c := range m.channels {
		raw := m.inSectors(s, c)
		out := slide(raw, rows, m.mostInCircles(s, c, raw))
		circles := make([]float32, blocks*rows) // between the middles of sectors
		for b := range blocks {
			x := (float64(b)+0.5)/float64(blocks)*sectors - 0.5
			i := int(math.Floor(x))
			t := float32(x - float64(i))
			before, after := out[(i+sectors)%sectors*rows:][:rows], out[(i+1)%sectors*rows:][:rows]
			for r := range rows {
				v := before[r] + (after[r]-before[r])*t
				circles[b*rows+r] = v
				m.ground[c][b*rows+r] -= v
			}
		}
		m.circles = append(m.circles, circles)
		s.columns(c, func(col []float32, hour float64, every int) { m.lessCircles(col, c, hour, every) })
	}
}

// inSectors is what each row usually has in each sector of time, [sector·rows + row], NaN where nothing is seen.
func (m *printed) inSectors(s samplePlanes, channel int) []float32 {
	rows, per := s.frame.Rows, s.frame.Columns/sectors
	raw := make([]float32, sectors*rows)
	var buf []float32
	var away [][]float32
	for b := range sectors {
		away = away[:0] // some of the sector's columns, those near arcs left out
		for col := b * per; col < (b+1)*per; col += sectorEvery {
			h := s.frame.Hour + float64(col)*s.frame.HourStep
			if d := h/m.every - math.Round(h/m.every); math.Abs(d*m.every) >= m.knot*arcHalf {
				away = append(away, s.planes[channel][col*rows:(col+1)*rows])
			}
		}
		for r := range rows {
			buf = buf[:0]
			for _, col := range away {
				if v := col[r]; v != missing {
					buf = append(buf, v)
				}
			}
			raw[b*rows+r] = m.middle(buf)
		}
	}
	return raw
}

// mostInCircles is how dark a row's circle is at most. What lies on a circle for only part of the turn is print where
// other circles of its kind are as dark, broken by numerals; else it is a pen that rested there.
func (m *printed) mostInCircles(s samplePlanes, channel int, raw []float32) []float32 {
	rows := s.frame.Rows
	most, half := make([]float32, rows), make([]float32, rows)
	var buf []float32
	for r := range rows {
		buf = buf[:0]
		for b := range sectors {
			if v := raw[b*rows+r]; v == v {
				buf = append(buf, v)
			}
		}
		half[r] = quantile(buf, usualShare)
		most[r] = quantile(buf, printShare)
		if m.beyond(r) && brokenOff(s, channel, r, half[r]) {
			most[r] = 0
		}
	}
	for r, v := range m.usual(half) {
		most[r] = min(1.3*half[r], 1.5*max(most[r], v)) + 0.03
	}
	return most
}

// slide replaces each sector's values by the 45th percentile of the sectors about it, at most those given for the rows.
func slide(raw []float32, rows int, most []float32) []float32 {
	const reach = sectors / 8
	out := make([]float32, len(raw))
	window := make([]float32, 0, 2*reach+1) // in rising order, as it slides over the sectors
	for r := range rows {
		window = window[:0]
		for b := -2 * reach; b < sectors; b++ {
			if v := raw[(b+reach+sectors)%sectors*rows+r]; v == v {
				i, _ := slices.BinarySearch(window, v)
				window = slices.Insert(window, i, v)
			}
			if b < 0 {
				continue
			}
			if len(window) > 0 {
				out[b*rows+r] = min(window[int(0.45*float64(len(window)-1))], most[r])
			}
			if v := raw[(b-reach+sectors)%sectors*rows+r]; v == v {
				i, _ := slices.BinarySearch(window, v)
				window = slices.Delete(window, i, i+1)
			}
		}
	}
	return out
}

// beyond says whether a row lies past the ends of the scale, where a resting pen draws.
func (m *printed) beyond(row int) bool {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, circles := range m.circleRows {
		for _, r := range circles {
			lo, hi = math.Min(lo, r), math.Max(hi, r)
		}
	}
	return float64(row) < lo-beyondRows || float64(row) > hi+beyondRows
}

// brokenOff says whether what lies along a row for most of the turn stops for as long as a chart is
// off the recorder at least: print does not, a pen that rested there does.
func brokenOff(s samplePlanes, channel, row int, usual float32) bool {
	n, rows := s.frame.Columns, s.frame.Rows
	least := int(math.Ceil(blankShare * float64(n)))
	bare := 0
	for c := range n + least {
		if v := s.planes[channel][c%n*rows+row]; v == missing || v > 0.3*usual {
			bare = 0
		} else if bare++; bare >= least {
			return true
		}
	}
	return false
}

// usual gives for each row what circles of the kind nearest to it usually have at its distance, 0
// far from any, from the densities of all rows.
func (m *printed) usual(density []float32) []float32 {
	const reach = 10 // rows
	at := func(x float64) float32 {
		i := min(max(int(x), 0), len(density)-2)
		return density[i] + (density[i+1]-density[i])*float32(x-float64(i))
	}
	var kind [2][2*reach + 1]float32
	var buf []float32
	for k, circles := range m.circleRows {
		for o := range kind[k] {
			buf = buf[:0]
			for _, r := range circles {
				if x := r + float64(o-reach); x >= 0 && x <= float64(len(density)-1) {
					if v := at(x); v == v {
						buf = append(buf, v)
					}
				}
			}
			if len(buf) > 0 {
				kind[k][o] = median(buf)
			}
		}
	}
	out := make([]float32, len(density))
	for r := range out {
		best := float64(reach)
		for k, circles := range m.circleRows {
			for _, c := range circles {
				if d := float64(r) - c; math.Abs(d) < best {
					best = math.Abs(d)
					x := d + reach
					i := int(x)
					out[r] = kind[k][i] + (kind[k][min(i+1, 2*reach)]-kind[k][i])*float32(x-float64(i))
				}
			}
		}
	}
	return out
}

// onPaper turns one column of grey levels, from the given row on, into the density over the bare paper, circles included, in place.
func (m *printed) onPaper(col []float32, channel int, hour float64, row int) {
	m.density(col, channel, hour, row, 1)
	a, b, t := m.blockAt(hour)
	ca, cb := m.circles[channel][a*m.rows+row:], m.circles[channel][b*m.rows+row:]
	for i := range col {
		if col[i] != missing {
			col[i] += ca[i] + (cb[i]-ca[i])*t
		}
	}
}

func (m *printed) lessCircles(col []float32, channel int, hour float64, every int) {
	a, b, t := m.blockAt(hour)
	ca := m.circles[channel][a*m.rows : (a+1)*m.rows]
	cb := m.circles[channel][b*m.rows : (b+1)*m.rows]
	for i := range col {
		if r := i * every; col[i] != missing {
			col[i] -= ca[r] + (cb[r]-ca[r])*t
		}
	}
}

// learnArcs: the median profile over arcs of one class in each band of
// radius. Never a column's own median: a pen that drops fast runs along one.
func (m *printed) learnArcs(s samplePlanes) {
	m.bands = m.rows/bandRows + 1
	class := make([]int, len(s.near))
	for i, f := range s.near {
		class[i] = m.class(f.Hour + arcHalf*f.HourStep)
	}
	for c := range m.channels {
		prof := make([]float32, 2*m.bands*arcKnots)
		var buf, inner []float32
		for k := range 2 {
			for b := range m.bands {
				for x := range arcKnots {
					buf = buf[:0]
					for i := range s.near {
						if class[i] != k {
							continue
						}
						n := s.near[i].Rows
						p := s.around[i][c][x*n : (x+1)*n]
						inner = inner[:0]
						for _, v := range p[min(n, b*bandRows/aroundEvery):min(n, (b+1)*bandRows/aroundEvery)] {
							if v != missing {
								inner = append(inner, v)
							}
						}
						if len(inner) > 0 {
							buf = append(buf, m.middle(inner))
						}
					}
					if v := median(buf); v == v {
						prof[(k*m.bands+b)*arcKnots+x] = v
					}
				}
			}
		}
		m.arcs = append(m.arcs, prof)
		for hour, col := range columns(s.frame, s.planes[c]) {
			m.lessArcs(col, c, hour, 0, 1)
		}
		buf = buf[:0]
		for i := 0; i < len(s.planes[c]); i += noiseEvery {
			if v := s.planes[c][i]; v != missing {
				buf = append(buf, v)
			}
		}
		sd := fromMAD * mad(buf, median(buf))
		if !(sd > 0.002) {
			sd = 0.002
		}
		if m.bilevel {
			sd = max(sd, bilevelNoise)
		}
		m.noise = append(m.noise, sd)
	}
}

// arcAt gives the class of the arc near an hour and the position in its profile; false where none is near.
func (m *printed) arcAt(hour float64) (class, k int, t float32, ok bool) {
	n := math.Round(hour / m.every)
	x := (hour-n*m.every)/m.knot + arcHalf
	if x < 0 || x >= 2*arcHalf {
		return 0, 0, 0, false
	}
	k = int(x)
	return m.class(n * m.every), k, float32(x - float64(k)), true
}

// class is 1 where the arc at an hour is a heavy one, else 0.
func (m *printed) class(hour float64) int {
	if q := hour / m.major; math.Abs(q-math.Round(q)) < 0.01 {
		return 1
	}
	return 0
}

func (m *printed) lessArcs(col []float32, channel int, hour float64, row, every int) {
	class, k, t, ok := m.arcAt(hour)
	if !ok {
		return
	}
	for i := range col {
		if col[i] == missing {
			continue
		}
		p := m.arcs[channel][(class*m.bands+(row+i*every)/bandRows)*arcKnots+k:]
		col[i] -= p[0] + (p[1]-p[0])*t
	}
}

// leftOver turns grey levels of one column, those of every so many rows from the given one, into
// the density that is neither paper nor print, in place.
func (m *printed) leftOver(col []float32, channel int, hour float64, row, every int) {
	m.density(col, channel, hour, row, every) // over paper and circles
	m.lessArcs(col, channel, hour, row, every)
}

// strongest gathers the print of the strongest channel, which at reads.
func (m *printed) strongest() {
	m.mostCircle, m.mostArc = slices.Clone(m.circles[0]), slices.Clone(m.arcs[0])
	for c := 1; c < m.channels; c++ {
		for i, v := range m.circles[c] {
			m.mostCircle[i] = max(m.mostCircle[i], v)
		}
		for i, v := range m.arcs[c] {
			m.mostArc[i] = max(m.mostArc[i], v)
		}
	}
}

// colours are the directions of the densities of circles and of arcs.
func (m *printed) colours() [][3]float32 {
	var circles, arcs [3]float32
	for c := range min(m.channels, 3) {
		for _, v := range m.circles[c] {
			circles[c] += max(v, 0)
		}
		for _, v := range m.arcs[c] {
			arcs[c] += max(v, 0)
		}
	}
	return [][3]float32{unit(circles), unit(arcs)}
}

// at is the density of the print alone (strongest channel) at a point.
func (m *printed) at(hour float64, row int) float32 {
	a, b, t := m.blockAt(hour)
	return m.within(a, b, t, hour, row, true)
}

// within is at, for places so near each other that the blocks between which they lie, as blockAt gives them, are found once, and whether
// there may be an arc.
func (m *printed) within(a, b int, t float32, hour float64, row int, arc bool) float32 {
	row = min(max(row, 0), m.rows-1)
	v := m.mostCircle[a*m.rows+row]
	v += (m.mostCircle[b*m.rows+row] - v) * t
	if !arc {
		return max(0, v)
	}
	if class, k, u, near := m.arcAt(hour); near {
		p := m.mostArc[(class*m.bands+row/bandRows)*arcKnots+k:]
		v += p[0] + (p[1]-p[0])*u
	}
	return max(0, v)
}

// anyArc says whether an arc's profile reaches between two hours less than one arc apart.
func (m *printed) anyArc(from, to float64) bool {
	nearest := math.Round((from+to)/2/m.every) * m.every
	reach := arcHalf * m.knot
	return nearest > from-reach && nearest < to+reach
}
