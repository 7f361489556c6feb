package verify

import (
	"flag"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"penarm/calibrate/form"
	"penarm/digitize/series"
	"penarm/verify/entries"
	"penarm/verify/rules"
)

// TestMain fixes the seed of the property tests and keeps a failure from leaving a file
// in the tree; -rapid.seed and -rapid.nofailfile still overrule both.
func TestMain(m *testing.M) {
	for name, value := range map[string]string{"rapid.seed": "20260304", "rapid.nofailfile": "true"} {
		if err := flag.Set(name, value); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}

// course draws a plausible hold about the limit: heating, a plateau with dips, cooling, now and then a gap.
func course(t *rapid.T, unit string) series.Series {
	level := 145.0
	scale := 1.0
	if unit == "C" {
		level, scale = 63, 1/1.8
	}
	start := at("10:00:00")
	points := []string{fmt.Sprintf("09:30:00 %v", level-60*scale)}
	point := func(d time.Duration, v float64) {
		points = append(points, fmt.Sprintf("%s %v", start.Add(d).Format("15:04:05"), level+v*scale))
	}
	point(0, -rapid.Float64Range(0.5, 20).Draw(t, "foot"))
	d := time.Duration(rapid.IntRange(20, 900).Draw(t, "heating")) * time.Second
	n := rapid.IntRange(2, 8).Draw(t, "plateau points")
	for i := range n {
		point(d, rapid.Float64Range(-0.6, 3).Draw(t, fmt.Sprint("plateau ", i)))
		d += time.Duration(rapid.IntRange(120, 900).Draw(t, fmt.Sprint("stay ", i))) * time.Second
	}
	point(d, -rapid.Float64Range(5, 40).Draw(t, "cooled"))
	points = append(points, fmt.Sprintf("13:00:00 %v", level-60*scale))
	s := line("product", unit, rapid.Float64Range(0, 0.4).Draw(t, "u"), rapid.Float64Range(0, 20).Draw(t, "u time"), points...)
	if rapid.Bool().Draw(t, "gap") {
		from := start.Add(time.Duration(rapid.IntRange(0, 3600).Draw(t, "gap from")) * time.Second)
		to := from.Add(time.Duration(rapid.IntRange(30, 600).Draw(t, "gap length")) * time.Second)
		s = erase(s, from.Format("15:04:05"), to.Format("15:04:05"))
	}
	return s
}

func late() entries.Batch {
	b := milk()
	b.OutletOpened = "12:40"
	b.Indicating, b.Airspace = nil, nil // the hold alone
	return b
}

func judged(t *rapid.T, tb testing.TB, s series.Series) Check {
	f := Verify(problem(tb, "us-grade-a-vat", s, late()))
	return get(tb, f, 0, "hold")
}

// More uncertainty settles nothing: what was not a pass does not become one.
func TestUncertaintyNeverHelps(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		s := course(r, "F")
		before := judged(r, t, s)
		more := s
		more.Samples = slices.Clone(s.Samples)
		f, g := rapid.Float64Range(1, 4).Draw(r, "more u"), rapid.Float64Range(0, 30).Draw(r, "more u time")
		for i := range more.Samples {
			more.Samples[i].UTemperature = more.Samples[i].UTemperature*f + 0.01
			more.Samples[i].UTime += g
		}
		after := judged(r, t, more)
		if milder(after.Verdict, before.Verdict) && after.Verdict == Pass {
			r.Fatalf("%s became %s: %s", before.Verdict, after.Verdict, after.Reason)
		}
		if before.Verdict != Fail && after.Verdict == Fail {
			r.Fatalf("%s became fail: %s", before.Verdict, after.Reason)
		}
	})
}

// Where either of two lines may be the pen's, what passes fails by none, and what fails passes by none.
func TestARivalNeverHelps(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		until := at("10:00:00").Add(time.Duration(rapid.IntRange(1500, 3000).Draw(r, "minutes")) * time.Second)
		temp := rapid.Float64Range(143.5, 148.5).Draw(r, "temperature")
		own := line("product", "F", rapid.Float64Range(0, 0.4).Draw(r, "u"), 2, "09:30:00 60", "09:59:00 130", fmt.Sprintf("10:00:00 %v", temp),
			fmt.Sprintf("%s %v", until.Format("15:04:05"), temp), until.Add(time.Minute).Format("15:04:05")+" 130", "13:00:00 60")
		alone := judged(r, t, own)
		for k := range 8 {
			from := at("09:50:00").Add(time.Duration(rapid.IntRange(0, 5400).Draw(r, fmt.Sprint("from ", k))) * time.Second)
			to := from.Add(time.Duration(rapid.IntRange(30, 3300).Draw(r, fmt.Sprint("length ", k))) * time.Second)
			off := rapid.Float64Range(-10, 10).Draw(r, fmt.Sprint("off ", k))
			other, either := own, own
			other.Samples, either.Samples = slices.Clone(own.Samples), slices.Clone(own.Samples)
			for i, p := range own.Samples {
				if p.Quality != series.Gap && !p.Time.Before(from) && !p.Time.After(to) {
					other.Samples[i].Temperature += off
					either.Samples[i].Rival, either.Samples[i].UTemperature = off, math.Hypot(p.UTemperature, off/math.Sqrt2)
				}
			}
			p := problem(t, "us-grade-a-vat", either, late())
			p.Events = []series.Event{{Kind: series.EventAmbig, Pen: "product", From: from, To: to, Rivals: true}}
			got := get(t, Verify(p), 0, "hold")
			for _, c := range []Check{alone, judged(r, t, other)} {
				if got.Verdict == Pass && c.Verdict == Fail || got.Verdict == Fail && c.Verdict == Pass {
					r.Fatalf("%s, but %s by one line alone: %s; %s", got.Verdict, c.Verdict, got.Reason, c.Reason)
				}
			}
		}
	})
}

// Time taken out of a hold never makes it pass.
func TestCuttingNeverHelps(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		s := course(r, "F")
		before := judged(r, t, s)
		from := at("10:00:00").Add(time.Duration(rapid.IntRange(0, 5400).Draw(r, "cut from")) * time.Second)
		length := time.Duration(rapid.IntRange(5, 900).Draw(r, "cut length")) * time.Second
		cut := series.Series{Pen: s.Pen, Unit: s.Unit}
		for _, p := range s.Samples {
			switch {
			case p.Time.Before(from):
			case p.Time.Before(from.Add(length)):
				continue
			default:
				p.Time = p.Time.Add(-length)
			}
			cut.Samples = append(cut.Samples, p)
		}
		after := judged(r, t, cut)
		// A stretch that is cut may take a dip with it; then the joined parts are another hold.
		if after.Verdict == Pass && before.Verdict != Pass && !dips(s, from, from.Add(length)) {
			r.Fatalf("%s became pass: %s", before.Verdict, after.Reason)
		}
	})
}

// dips: the stretch holds ink below the limit or a gap.
func dips(s series.Series, from, to time.Time) bool {
	return slices.ContainsFunc(s.Samples, func(p series.Sample) bool {
		near := !p.Time.Before(from.Add(-30*time.Second)) && p.Time.Before(to.Add(30*time.Second))
		return near && (p.Quality == series.Gap || p.Temperature-2*p.UTemperature < 145.05)
	})
}

// Erasing ink never makes a hold pass, nor fail.
func TestErasingSettlesNothing(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		s := course(r, "F")
		before := judged(r, t, s)
		from := at("10:00:00").Add(time.Duration(rapid.IntRange(0, 5400).Draw(r, "from")) * time.Second)
		to := from.Add(time.Duration(rapid.IntRange(60, 1800).Draw(r, "length")) * time.Second)
		after := judged(r, t, erase(s, from.Format("15:04:05"), to.Format("15:04:05")))
		if after.Verdict == Pass && before.Verdict != Pass {
			r.Fatalf("%s became pass: %s", before.Verdict, after.Reason)
		}
		if after.Verdict == Fail && before.Verdict == Pass {
			r.Fatalf("pass became fail: %s", after.Reason)
		}
	})
}

// The order in which batches are written does not matter.
func TestOrderOfBatches(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		n := rapid.IntRange(2, 4).Draw(r, "batches")
		points := []string{"06:00:00 60"}
		var bs []entries.Batch
		for i := range n {
			h := 7 + 2*i
			stay := rapid.IntRange(25, 45).Draw(r, fmt.Sprint("minutes ", i))
			points = append(points, fmt.Sprintf("%02d:00:00 60", h), fmt.Sprintf("%02d:10:00 %v", h, rapid.Float64Range(143, 150).Draw(r, fmt.Sprint("temperature ", i))),
				fmt.Sprintf("%02d:%02d:00 147", h, 10+stay), fmt.Sprintf("%02d:10:00 70", h+1))
			b := milk()
			b.Batch = fmt.Sprint(i + 1)
			b.OutletOpened = fmt.Sprintf("%02d:15", h+1)
			b.Indicating[0] = entries.Reading{At: fmt.Sprintf("%02d:20", h), Reads: 149}
			b.Airspace[0].At, b.Airspace[1].At = fmt.Sprintf("%02d:12", h), fmt.Sprintf("%02d:33", h)
			if rapid.Bool().Draw(r, fmt.Sprint("no readings ", i)) {
				b.Indicating, b.Airspace = nil, nil
			}
			bs = append(bs, b)
		}
		s := line("product", "F", 0.05, 2, append(points, "18:00:00 60")...)
		whole := Verify(problem(t, "us-grade-a-vat", s, bs...))
		mixed := Verify(problem(t, "us-grade-a-vat", s, rapid.Permutation(bs).Draw(r, "order")...))
		for _, b := range whole.Batches {
			k := slices.IndexFunc(mixed.Batches, func(o Batch) bool { return o.Batch == b.Batch })
			if o := mixed.Batches[k]; o.Verdict != b.Verdict || (o.Hold == nil) != (b.Hold == nil) || b.Hold != nil && *o.Hold != *b.Hold {
				r.Fatalf("batch %s: %s became %s", b.Batch, b.Verdict, o.Verdict)
			}
		}
		if whole.Verdict != mixed.Verdict {
			r.Fatalf("%s became %s", whole.Verdict, mixed.Verdict)
		}
	})
}

// celsius is the same course, each of its temperatures as far from 63 °C as it was from 145 °F.
func celsius(s series.Series) series.Series {
	c := series.Series{Pen: s.Pen, Unit: "C", Samples: slices.Clone(s.Samples)}
	for i := range c.Samples {
		c.Samples[i].Temperature = 63 + (s.Samples[i].Temperature-145)/1.8
		c.Samples[i].UTemperature = s.Samples[i].UTemperature / 1.8
	}
	return c
}

// The same course in °F and in °C is judged alike, each a fixed distance from its own printed
// limit. The last digits of the conversion may count for no more than a billionth of a degree
// in °F does: on an edge the outcome in °C lies between those a hair below and above it.
func TestUnitsAlike(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		s := course(r, "F")
		shifted := func(d float64) Check {
			n := series.Series{Pen: s.Pen, Unit: "F", Samples: slices.Clone(s.Samples)}
			for i := range n.Samples {
				n.Samples[i].Temperature += d
			}
			return judged(r, t, n)
		}
		low, high, c := shifted(-1e-9), shifted(1e-9), judged(r, t, celsius(s))
		if *c.Measured < *low.Measured-1e-3 || *c.Measured > *high.Measured+1e-3 || milder(low.Verdict, c.Verdict) || milder(c.Verdict, high.Verdict) {
			r.Fatalf("%s %v in C, %s %v to %s %v in F", c.Verdict, *c.Measured, low.Verdict, *low.Measured, high.Verdict, *high.Measured)
		}
	})
}

// A crossing flatter than a third of a degree F an hour has its uncertainty capped, at the same slope in both units.
func TestFlatCrossingUnits(t *testing.T) {
	s := line("product", "F", 0.4, 0, "08:00:00 60", "09:50:00 144.5", "10:59:50 145", "11:10:00 145.1", "11:10:30 120", "12:50:00 60")
	a, b := Verify(problem(t, "us-grade-a-vat", s, late())), Verify(problem(t, "us-grade-a-vat", celsius(s), late()))
	require.NotNil(t, a.Batches[0].Hold)
	assert.Greater(t, a.Batches[0].Hold.UMinutes, 30.0)
	assert.InDelta(t, a.Batches[0].Hold.UMinutes, b.Batches[0].Hold.UMinutes, 1e-6)
}

// Four minutes about the limit are no half hour, however flat the line lies where it crosses it.
func TestFlatCrossingIsShort(t *testing.T) {
	for _, v := range []string{"144.999999999", "145.000000001"} {
		s := line("product", "F", 0.4, 1, "09:30:00 85", "10:00:00 144", "10:00:20 145.06", "10:02:20 "+v, "10:04:20 "+v, "10:06:20 140", "13:00:00 85")
		got := get(t, Verify(problem(t, "us-grade-a-vat", s, late())), 0, "hold")
		assert.Equal(t, Fail, got.Verdict, "%s: %s", v, got.Reason)
	}
}

// Whatever spoils a good chart, it does not pass: under every rule set, wherever it lies.
func TestSpoiledNeverPasses(t *testing.T) {
	good := func(set string) Problem {
		p := problem(t, set, series.Series{Unit: "F"}, milk())
		unit, temp := "F", p.Rules.Rows[0].Options[0].Temperature.F
		if temp == nil {
			unit, temp = "C", p.Rules.Rows[0].Options[0].Temperature.C
		}
		cold, hot := *temp-80/PerF(unit), *temp+2/PerF(unit)
		p.Plant.Unit = unit
		p.Series[0] = line("product", unit, 0.05, 2, fmt.Sprint("08:00:00 ", cold), fmt.Sprint("09:30:00 ", cold+30), fmt.Sprint("10:00:00 ", hot), fmt.Sprint("10:36:00 ", hot), fmt.Sprint("11:30:00 ", cold+30), fmt.Sprint("13:00:00 ", cold))
		b := &p.Entries.Batches[0]
		if slices.Contains([]string{"us-connecticut-mix", "us-frozen-mix", "new-zealand-mix"}, set) {
			b.Product = "ice cream mix"
		}
		b.Indicating[0].Reads = hot + 1
		b.Airspace[0].Reads, b.Airspace[1].Reads = hot+5, hot+5
		b.HoldMarked = entries.Mark{Start: "10:00", End: "10:36"}
		return p
	}
	for _, set := range rules.Names() {
		require.Equal(t, Pass, Verify(good(set)).Verdict, "%s: %s", set, why(Verify(good(set))))
	}
	within := func(r *rand.Rand, from, to string) time.Time {
		return at(from).Add(time.Duration(r.IntN(int(at(to).Sub(at(from)).Seconds()))) * time.Second)
	}
	event := func(kind series.Kind, from, to string) func(*rand.Rand, *Problem) {
		return func(r *rand.Rand, p *Problem) {
			a := within(r, from, to)
			b := a.Add(time.Duration(r.IntN(1200)) * time.Second)
			p.Events = []series.Event{{Kind: kind, Pen: []string{"product", ""}[r.IntN(2)], From: a, To: b}}
		}
	}
	spoils := map[string]func(*rand.Rand, *Problem){
		"lap":       event(series.EventLap, "08:00", "13:00"),
		"stopped":   event(series.EventStopped, "08:00", "13:00"),
		"turned":    event(series.EventTurned, "08:00", "13:00"),
		"two lines": event(series.EventAmbig, "10:02", "10:34"),
		"gap in the hold": func(r *rand.Rand, p *Problem) {
			a := within(r, "10:01", "10:33")
			p.Series[0] = erase(p.Series[0], a.Format("15:04:05"), a.Add(30*time.Second).Format("15:04:05"))
		},
		"missing rows": func(r *rand.Rand, p *Problem) {
			a := within(r, "10:01", "10:33")
			p.Series[0].Samples = slices.DeleteFunc(p.Series[0].Samples, func(s series.Sample) bool { return s.Time.After(a) && s.Time.Before(a.Add(90*time.Second)) })
		},
		"hour unknown":        func(_ *rand.Rand, p *Problem) { p.HourKnown = false },
		"no entries":          func(_ *rand.Rand, p *Problem) { p.Entries = nil },
		"no batch":            func(_ *rand.Rand, p *Problem) { p.Entries.Batches = nil },
		"no outlet":           func(_ *rand.Rand, p *Problem) { p.Entries.Batches[0].OutletOpened = "" },
		"nothing read":        func(_ *rand.Rand, p *Problem) { p.Entries.Batches[0].Indicating = nil },
		"reading has no time": func(_ *rand.Rand, p *Problem) { p.Entries.Batches[0].Indicating[0].At = "" },
		"no date":             func(_ *rand.Rand, p *Problem) { p.Entries.ChartDate = "" },
		"another form":        func(_ *rand.Rand, p *Problem) { p.Form, p.ExpectedForm = &form.Form{Form: "K-24"}, "D-1230" },
		"fast clock": func(_ *rand.Rand, p *Problem) {
			p.Recorder.ClockCheck = &entries.ClockCheck{Date: "2026-02-10", TrueMinutes: 30, ChartMinutes: 30.1}
		},
		"no trace": func(_ *rand.Rand, p *Problem) { p.Series = nil },
		"begins hot": func(r *rand.Rand, p *Problem) {
			a := within(r, "10:16", "10:30")
			p.Series[0].Samples = slices.DeleteFunc(p.Series[0].Samples, func(s series.Sample) bool { return s.Time.Before(a) })
		},
		"back in time": func(r *rand.Rand, p *Problem) {
			i := 1 + r.IntN(len(p.Series[0].Samples)-1)
			p.Series[0].Samples[i].Time = p.Series[0].Samples[i-1].Time.Add(-time.Second)
		},
		"emptied hot, time unknown": func(_ *rand.Rand, p *Problem) {
			p.Entries.Batches[0].Cooling = "outside"
			p.Plant.Vats[0].EmptyingMinutes = nil
		},
		"recorder reads high": func(_ *rand.Rand, p *Problem) { p.Entries.Batches[0].Indicating[0].Reads -= 1.5 },
	}
	r := rand.New(rand.NewPCG(20260304, 0))
	for _, set := range rules.Names() {
		for _, spoil := range slices.Sorted(maps.Keys(spoils)) {
			p := good(set)
			spoils[spoil](r, &p)
			assert.NotEqual(t, Pass, Verify(p).Verdict, "%s passes with %s", set, spoil)
		}
	}
}
