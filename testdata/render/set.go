package render

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
)

// scenarios in the order a set deals them out.
var scenarios = [][]string{
	{Clean}, {Short}, {MarginalPass}, {GapHold}, {Several}, {Hot}, {Dip}, {RecorderHigh}, {AirLow}, {Stopped}, {MarginalFail}, {Handwriting},
	{Clean, Blot}, {HotShort}, {Missing}, {GapElse}, {Wash}, {OutletEarly}, {Lap}, {Turned}, {LowPlateau}, {Preheated}, {Several, Short}, {Clean, Handwriting, Blot},
}

// RandomLook draws how a chart was scanned; kind runs through the kinds of scan.
func RandomLook(seed int64, kind int) Look {
	r := rng(seed, "look")
	l := Look{DPI: pick(r, 200.0, 200, 240, 300), Turn: between(r, 0, 360), Lid: "white", Warp: between(r, 0.05, 0.4), Blur: between(r, 0.04, 0.07),
		Noise: between(r, 0.6, 2), Quality: 75 + r.IntN(20), Offset: [2]float64{between(r, -0.35, 0.35), between(r, -0.35, 0.35)},
		Stretch: [2]float64{between(r, -0.003, 0.006), between(r, -0.003, 0.006)}}
	switch kind % 12 {
	case 1:
		l.Lid = "black"
	case 2:
		l.Lid, l.Old = "grey", between(r, 0.5, 1)
	case 3:
		l.Quality, l.DPI = 0, 200
	case 4:
		l.Grey = true
	case 5:
		l.DPI, l.Unsharp = 150, between(r, 0.4, 0.9)
	case 6:
		l.Phone, l.Tilt, l.Lens = true, [2]float64{between(r, -0.17, 0.17), between(r, -0.17, 0.17)}, between(r, -0.06, 0.1)
		l.Lid, l.Quality, l.Tag, l.Noise = pick(r, "wood", "grey", "black"), 85, 72, 2.5
		l.Orientation = pick(r, 0, 6, 8, 3)
		l.DPI = between(r, 210, 260)
		l.Stretch = [2]float64{}
	case 7:
		l.Clip, l.Lid = between(r, 4, 11), pick(r, "white", "black")
	case 8:
		l.Bilevel, l.DPI = pick(r, "threshold", "diffusion"), pick(r, 300.0, 400)
	case 9:
		l.Quality, l.Blur, l.Crease = 35+r.IntN(20), between(r, 0.08, 0.12), true
	case 10:
		l.Tag, l.Old, l.Crease = pick(r, 72.0, 96, -1), between(r, 0.2, 0.8), true
	case 11:
		l.Orientation, l.Lid = pick(r, 3, 6, 8), "grey"
	}
	return l
}

// Recorders draws a plant's recorders with forms that differ in unit, turn and scale.
func Recorders(seed int64, n int, unit string) []Options {
	r := rng(seed, "recorders")
	wants := []func(*Form) bool{
		func(f *Form) bool { return f.Unit == unit && f.Hours == 12 && len(f.Rings) == 2 },
		func(f *Form) bool { return f.Unit == unit && f.Hours == 12 && len(f.Rings) > 2 },
		func(f *Form) bool { return f.Hours == 24 },
		func(f *Form) bool { return f.Rings[0].At > f.Rings[1].At && f.Hours == 12 },
		func(f *Form) bool { return f.Unit != unit && f.Hours == 12 },
		func(f *Form) bool { return f.Elapsed },
	}
	seen := map[string]bool{}
	var out []Options
	at := seed * 1000
	for i := range n {
		f := RandomForm(at, false)
		for ; !wants[i%len(wants)](f) || seen[f.Number]; at++ {
			f = RandomForm(at, false)
		}
		seen[f.Number] = true
		o := Options{Form: f, Unit: unit, Name: fmt.Sprintf("R%d", i+1), Vat: Vat{float64(10+r.IntN(10)) / 2, float64(14+r.IntN(12)) / 2},
			Pens: []Pen{{Name: "product", Ink: pick(r, "blue", "red", "green", "purple", "black")}}}
		if i%2 == 1 {
			second := Pen{Name: "airspace", Ink: pick(r, "red", "green", "blue"), Ahead: float64(2 + r.IntN(4))}
			for i%8 != 3 && second.Ink == o.Pens[0].Ink {
				second.Ink = pick(r, "red", "green", "blue")
			}
			if i%8 == 3 {
				second.Ink = o.Pens[0].Ink
			}
			o.Pens = append(o.Pens, second)
		}
		switch i % 3 {
		case 1:
			o.Ratio = 1
		case 2:
			if i%2 == 0 && i > 2 {
				o.Ratio = 30.0 / 30.5
			}
		}
		out = append(out, o)
	}
	return out
}

// WriteSet leaves a whole practice set: dir/plant.yaml, dir/forms, dir/scans and
// dir/truth. forms beyond the recorders' own make the library less easy.
// done is called after each chart; it may be nil.
func WriteSet(dir string, seed int64, n int, unit string, done func(i int, s *Scene)) error {
	r := rng(seed, "set")
	recorders := Recorders(seed, max(2, min(8, (n+2)/3)), unit)
	forms := []*Form{RandomForm(seed*1000+997, true)}
	for _, o := range recorders {
		forms = append(forms, o.Form)
	}
	if err := os.MkdirAll(filepath.Join(dir, "forms"), 0o755); err != nil {
		return err
	}
	for _, f := range forms {
		if err := f.Write(filepath.Join(dir, "forms"), true); err != nil {
			return err
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "plant.yaml"), []byte(Plant(unit, recorders)), 0o644); err != nil {
		return err
	}
	deal := rand.New(rand.NewPCG(uint64(seed), 5)).Perm(len(scenarios))
	for i := range n {
		o := recorders[(i+i/len(recorders))%len(recorders)]
		o.Scenario = scenarios[deal[i%len(deal)]]
		o.Look = RandomLook(seed*1000+int64(i), i)
		o.Width = between(r, 0.25, 0.8)
		s := New(seed*1000+int64(i), o)
		if err := s.Write(dir, i+1); err != nil {
			return err
		}
		if done != nil {
			done(i, s)
		}
	}
	return nil
}
