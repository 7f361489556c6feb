package verify

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"penarm/calibrate/form"
	"penarm/digitize/series"
	"penarm/verify/entries"
	"penarm/verify/rules"
)

var day = time.Date(2026, 3, 4, 0, 0, 0, 0, time.UTC)

// at is HH:MM or HH:MM:SS on the day; hours beyond 24 are the next day's.
func at(s string) time.Time {
	var h, m, sec int
	fmt.Sscanf(strings.Replace(s, ":", " ", 2), "%d %d %d", &h, &m, &sec)
	return day.Add(time.Duration(h*3600+m*60+sec) * time.Second)
}

// line draws a pen through points "HH:MM:SS degrees", sampled every 5 s and at the points.
func line(pen, unit string, u, uTime float64, points ...string) series.Series {
	s := series.Series{Pen: pen, Unit: unit}
	add := func(t time.Time, v float64) {
		s.Samples = append(s.Samples, series.Sample{Time: t, Temperature: v, UTemperature: u, UTime: uTime, Quality: series.Good})
	}
	var t0 time.Time
	var v0 float64
	for i, p := range points {
		clock, value, _ := strings.Cut(p, " ")
		var v float64
		fmt.Sscan(value, &v)
		t := at(clock)
		if i > 0 {
			for x := t0.Add(5 * time.Second); x.Before(t); x = x.Add(5 * time.Second) {
				add(x, v0+(v-v0)*x.Sub(t0).Seconds()/t.Sub(t0).Seconds())
			}
		}
		add(t, v)
		t0, v0 = t, v
	}
	return s
}

// erase makes a gap of the samples between two times.
func erase(s series.Series, from, to string) series.Series {
	s.Samples = slices.Clone(s.Samples)
	for i := range s.Samples {
		if t := s.Samples[i].Time; !t.Before(at(from)) && !t.After(at(to)) {
			s.Samples[i].Quality, s.Samples[i].Temperature = series.Gap, math.NaN()
		}
	}
	return s
}

func ptr[T any](v T) *T { return &v }

// milk is a complete batch of plain milk cooled in the vat.
func milk() entries.Batch {
	return entries.Batch{Batch: "1", Product: "whole milk", FatPercent: ptr(3.4), TotalSolidsPercent: ptr(12.5), Sweetened: ptr(false), Amount: "400 gal",
		Preheated: ptr(false), Cooling: "in-vat", OutletOpened: "10:50", Indicating: []entries.Reading{{At: "10:10", Reads: 146.5}},
		Airspace: []entries.Reading{{At: "10:01", Reads: 152}, {At: "10:29", Reads: 152}}}
}

var loaded = map[string]*rules.RuleSet{}

// problem of one chart under a rule set; the vat empties in 6 min and fills in 8.
func problem(t testing.TB, set string, s series.Series, bs ...entries.Batch) Problem {
	r := loaded[set]
	if r == nil {
		var err error
		r, err = rules.Load(set, "")
		require.NoError(t, err)
		loaded[set] = r
	}
	p := &entries.Plant{Plant: "Larkfield Creamery", Unit: s.Unit, Recorders: []entries.Recorder{{Recorder: "R1", Vat: "V1"}},
		Vats: []entries.Vat{{Vat: "V1", EmptyingMinutes: ptr(6.0), FillingMinutes: ptr(8.0)}}}
	return Problem{Series: []series.Series{s}, Plant: p, Recorder: &p.Recorders[0], Rules: r, HourKnown: true,
		Entries: &entries.Entries{Recorder: "R1", ChartDate: "2026-03-04", OnChart: "08:00", Operator: "J. M.", Batches: bs}}
}

// hold is a trace that stands at the temperature between two times, with steep flanks that cross every limit at them.
func hold(from, to string, temp float64) series.Series {
	v := fmt.Sprint(temp)
	return line("product", "F", 0, 0, "08:00:00 60", at(from).Add(-time.Second).Format("15:04:05")+" 100", from+" "+v, to+" "+v, at(to).Add(time.Second).Format("15:04:05")+" 100", "12:00:00 60")
}

func get(t testing.TB, f *Findings, batch int, name string) Check {
	cs := f.Checks
	if batch >= 0 {
		require.Greater(t, len(f.Batches), batch)
		cs = f.Batches[batch].Checks
	}
	for _, c := range cs {
		if c.Check == name {
			return c
		}
	}
	require.Fail(t, "no such check", name)
	return Check{}
}

// why lists what keeps a chart from passing.
func why(f *Findings) string {
	var out []string
	all := f.Checks
	for _, b := range f.Batches {
		all = append(slices.Clip(all), b.Checks...)
	}
	for _, c := range all {
		if c.Counts && c.Verdict != Pass {
			out = append(out, fmt.Sprintf("%s %s: %s", c.Check, c.Verdict, c.Reason))
		}
	}
	return strings.Join(out, "; ")
}

func has(f *Findings, batch int, name string) bool {
	return slices.ContainsFunc(f.Batches[batch].Checks, func(c Check) bool { return c.Check == name })
}

// The legal row of each product and the unbroken time at it.
func TestHold(t *testing.T) {
	rich := func(name string, fat float64, sweet bool) entries.Batch {
		b := milk()
		b.Product, b.FatPercent, b.Sweetened = name, &fat, &sweet
		b.Indicating[0].Reads = 160
		return b
	}
	open := rich("milk", 9.9, false)
	open.TotalSolidsPercent = nil
	for _, c := range []struct {
		id, source, set string
		trace           series.Series
		batch           entries.Batch
		want            Verdict
		minutes         float64
	}{
		{"C1", "21 CFR 1240.61(b)", "us-grade-a-vat", hold("10:00:00", "10:30:00", 145), milk(), Pass, 30},
		{"C2", "21 CFR 1240.61(b)", "us-grade-a-vat", hold("10:00:00", "10:29:30", 145), milk(), Fail, 29.5},
		{"C3", "21 CFR 1240.61(b), continuously", "us-grade-a-vat",
			line("product", "F", 0, 0, "08:00:00 60", "09:59:59 100", "10:00:00 145", "10:20:00 145", "10:20:01 144", "10:21:00 144", "10:21:01 145", "10:36:00 145", "10:36:01 100", "12:00:00 60"), milk(), Fail, 20},
		{"C4", "21 CFR 1240.61(b) footnote 1", "us-grade-a-vat", hold("10:00:00", "10:35:00", 148), rich("chocolate milk", 1, true), Fail, 0},
		{"C5", "21 CFR 1240.61(b) footnote 1", "us-federal-vat", hold("10:00:00", "10:30:00", 150), rich("half and half", 10.5, false), Pass, 30},
		{"C6", "21 CFR 1240.61(c)", "us-grade-a-vat", hold("10:00:00", "10:40:00", 152), rich("eggnog", 6, true), Fail, 0},
		{"C7", "7 CFR 58.635", "us-grade-a-vat", hold("10:00:00", "10:30:00", 155), rich("ice cream mix", 12, true), Pass, 30},
		{"C8", "21 CFR 1240.61(b): total solids is no question of the CFR", "us-federal-vat", hold("10:00:00", "10:30:00", 146), open, Pass, 30},
		{"C8", "PMO Section 1, from memory: total solids of 18 % or more, unanswered", "us-grade-a-vat", hold("10:00:00", "10:30:00", 146), open, Undecided, 0},
	} {
		f := Verify(problem(t, c.set, c.trace, c.batch))
		got := get(t, f, 0, "hold")
		assert.Equal(t, c.want, got.Verdict, "%s, %s: %s", c.id, c.source, got.Reason)
		assert.InDelta(t, c.minutes, *got.Measured, 0.04, c.id)
		assert.Equal(t, 30.0, *got.Limit, c.id)
	}
}

// C9: the limits are as printed, 63 °C is not 145 °F (21 CFR 1240.61(b)). 62.9 °C is 145.2 °F.
func TestUnitsAsPrinted(t *testing.T) {
	f := hold("10:00:00", "10:31:00", 145.22)
	c := f
	c.Unit = "C"
	c.Samples = slices.Clone(f.Samples)
	for i := range c.Samples {
		c.Samples[i].Temperature = (f.Samples[i].Temperature - 32) / 1.8
	}
	assert.Equal(t, Pass, get(t, Verify(problem(t, "us-grade-a-vat", f, milk())), 0, "hold").Verdict)
	assert.Equal(t, Fail, get(t, Verify(problem(t, "us-grade-a-vat", c, milk())), 0, "hold").Verdict)
	// A law that prints °C only says nothing of a °F chart: Reg. (EC) 853/2004.
	assert.Equal(t, Undecided, get(t, Verify(problem(t, "eu-vat", f, milk())), 0, "hold").Verdict)
	// In a plant that writes °F a chart printed in °C is held against 63 °C, 145.4 °F, and 3 °C more in the air.
	printed := func(set string, s series.Series) Batch {
		p := problem(t, set, s, milk())
		p.Form = &form.Form{Form: "M-100", Unit: "C", Rings: []form.Ring{{At: 0, RadiusMM: 30}, {At: 110, RadiusMM: 110}}}
		return Verify(p).Batches[0]
	}
	b := printed("us-grade-a-vat", f)
	assert.Equal(t, Fail, b.Checks[0].Verdict, b.Checks[0].Reason)
	assert.InDelta(t, 145.4, b.Legal, 1e-9)
	assert.Contains(t, b.Checks[0].Reason, "at or above 145.4 °F")
	assert.Contains(t, b.Checks[0].Reason, "that is 63 °C, as the chart is printed")
	for _, c := range b.Checks {
		if c.Check == "airspace" {
			assert.InDelta(t, 150.8, *c.Limit, 1e-9)
		}
	}
	assert.Equal(t, Pass, printed("us-grade-a-vat", hold("10:00:00", "10:31:00", 145.6)).Checks[0].Verdict)
	assert.Equal(t, Pass, printed("eu-vat", hold("10:00:00", "10:31:00", 145.6)).Checks[0].Verdict)
}

// C10–C14: PMO Item 16p(A)1c, from memory; that both add up is inferred.
func TestEmptyingAndFilling(t *testing.T) {
	for _, c := range []struct {
		id        string
		end       string
		cooling   string
		preheated bool
		fill      float64
		check     string
		limit     float64
		want      Verdict
	}{
		{"C10", "10:37:00", "outside", false, 8, "emptying", 36, Pass},
		{"C11", "10:34:00", "outside", false, 8, "emptying", 36, Fail},
		{"C12", "10:36:00", "in-vat", true, 8, "filling", 38, Fail},
		{"C13", "10:44:00", "outside", true, 8, "emptying", 44, Pass},
		{"C13", "10:44:00", "outside", true, 8, "filling", 44, Pass},
	} {
		b := milk()
		b.Cooling, b.Preheated, b.OutletOpened = c.cooling, &c.preheated, "10:31"
		f := Verify(problem(t, "us-grade-a-vat", hold("10:00:00", c.end, 146), b))
		got := get(t, f, 0, c.check)
		assert.Equal(t, c.limit, *got.Limit, c.id)
		assert.Equal(t, c.want, got.Verdict, "%s: %s", c.id, got.Reason)
		assert.Equal(t, Pass, get(t, f, 0, "hold").Verdict, c.id)
	}
	b := milk()
	b.Cooling = "outside"
	p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:59:00", 146), b)
	p.Plant.Vats[0].EmptyingMinutes = nil
	got := get(t, Verify(p), 0, "emptying")
	assert.Equal(t, Undecided, got.Verdict, "C14")
	assert.Contains(t, got.Reason, "cannot be shown")
	// Neither asked where the vat was filled cold and cooled within.
	f := Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:37:00", 146), milk()))
	assert.False(t, has(f, 0, "emptying"))
	assert.False(t, has(f, 0, "filling"))
	// Not written: passes where the hold outlasts it all the same, else a person must be asked.
	b.Cooling = ""
	assert.Equal(t, Pass, get(t, Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:37:00", 146), b)), 0, "emptying").Verdict)
	assert.Equal(t, Undecided, get(t, Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:34:00", 146), b)), 0, "emptying").Verdict)
}

// What is not written may be either: a check passes only where the hold is long enough whichever it was, and
// fails only where it is too short whichever it was (PMO Item 16p(A)1c, from memory). Every answer is tried here.
func TestEmptyingAndFillingUnanswered(t *testing.T) {
	type world struct{ outside, hot bool }
	for _, cooling := range []string{"in-vat", "outside", ""} {
		for _, preheated := range []*bool{ptr(false), ptr(true), nil} {
			var worlds []world
			for _, w := range []world{{false, false}, {false, true}, {true, false}, {true, true}} {
				if (cooling == "" || w.outside == (cooling == "outside")) && (preheated == nil || w.hot == *preheated) {
					worlds = append(worlds, w)
				}
			}
			for _, onFile := range []struct{ empty, fill *float64 }{{ptr(6.0), ptr(8.0)}, {nil, ptr(8.0)}, {ptr(6.0), nil}, {nil, nil}} {
				for _, length := range []int{28, 34, 37, 40, 45, 59} {
					b := milk()
					b.Cooling, b.Preheated, b.OutletOpened = cooling, preheated, "10:31"
					p := problem(t, "us-grade-a-vat", hold("10:00:00", fmt.Sprintf("10:%d:00", length), 146), b)
					p.Plant.Vats[0].EmptyingMinutes, p.Plant.Vats[0].FillingMinutes = onFile.empty, onFile.fill
					f := Verify(p)
					for name, applies := range map[string]func(world) bool{"emptying": func(w world) bool { return w.outside }, "filling": func(w world) bool { return w.hot }} {
						some, all, passes, fails := false, true, true, true
						for _, w := range worlds {
							some, all = some || applies(w), all && applies(w)
							need, known := 30.0, true
							add := func(minutes *float64) {
								if minutes == nil {
									known = false
								} else {
									need += *minutes
								}
							}
							if w.outside {
								add(onFile.empty)
							}
							if w.hot {
								add(onFile.fill)
							}
							passes = passes && known && float64(length) >= need
							fails = fails && float64(length) < need
						}
						label := fmt.Sprintf("%s: cooling %q, preheated %v, %d min, on file %v", name, cooling, preheated, length, onFile)
						if !assert.Equal(t, some, has(f, 0, name), label) || !some {
							continue
						}
						if !all { // what may not apply cannot fail a batch that the legal time does not fail
							fails = length < 30
						}
						want := Undecided
						if passes {
							want = Pass
						} else if fails {
							want = Fail
						}
						got := get(t, f, 0, name)
						assert.Equal(t, want, got.Verdict, "%s: %s", label, got.Reason)
					}
				}
			}
		}
	}
}

// C15–C17: 3 CCR 584(a), one minute less for each degree above 145 °F if hotter than 161 °F and phosphatase passes.
func TestCaliforniaReduction(t *testing.T) {
	b := milk()
	b.ClaimsReduction, b.Phosphatase = true, "pass"
	b.Indicating = []entries.Reading{{At: "10:05", Reads: 176}}
	judge := func(temp float64, to string, b entries.Batch) Check {
		return get(t, Verify(problem(t, "us-california-vat", hold("10:00:00", to, temp), b)), 0, "hold")
	}
	got := judge(162, "10:13:00", b)
	assert.Equal(t, Pass, got.Verdict, "C15: %s", got.Reason)
	assert.Equal(t, 13.0, *got.Limit, "C15")
	assert.Equal(t, Fail, judge(162, "10:12:30", b).Verdict, "C15")
	f := Verify(problem(t, "us-california-vat", hold("10:00:00", "10:13:00", 162), b))
	assert.Equal(t, 150.0, *get(t, f, 0, "airspace").Limit, "hotter milk does not ask for hotter air")
	assert.Equal(t, Fail, judge(161, "10:29:00", b).Verdict, "C16: 161 is not above 161")
	assert.Equal(t, Fail, judge(175, "10:00:30", b).Verdict, "C17: 0 minutes are never accepted")
	b.Phosphatase = ""
	got = judge(162, "10:13:00", b)
	assert.Equal(t, Fail, got.Verdict, "no phosphatase test")
	assert.Contains(t, got.Reason, "phosphatase")
	b.Phosphatase, b.ClaimsReduction = "pass", false
	assert.Equal(t, Fail, judge(162, "10:13:00", b).Verdict, "never silently")
}

// C18, C19: 3 CCR 584(b), ATCP 65.60 for the margin over the legal minimum; ATCP 65.66(2)(e) and 1 NYCRR 2.48(a)(1)(iv) for the readings.
func TestAirspaceWritten(t *testing.T) {
	for _, c := range []struct {
		reads float64
		want  Verdict
	}{{149.9, Fail}, {150, Pass}} {
		b := milk()
		b.Airspace[0].Reads = c.reads
		// Milk at 152 does not raise the limit.
		got := get(t, Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 152), b)), 0, "airspace")
		assert.Equal(t, c.want, got.Verdict, "C18 at %v: %s", c.reads, got.Reason)
		assert.Equal(t, 150.0, *got.Limit)
	}
	b := milk()
	b.Airspace = b.Airspace[:1]
	assert.Equal(t, Fail, get(t, Verify(problem(t, "us-wisconsin-vat", hold("10:00:00", "10:32:00", 146), b)), 0, "entries").Verdict, "C19")
	assert.Equal(t, Pass, get(t, Verify(problem(t, "us-new-york-vat", hold("10:00:00", "10:32:00", 146), b)), 0, "entries").Verdict, "C19")
}

// What is told beside the verdict, and what readings settle it: the lower of pen and written readings, the pen's with
// its uncertainty; two of them at the start and the end of the hold (PMO Item 16p(A)2, from memory), two minutes beside it
// at most (common practice, no source).
func TestAirspaceFigures(t *testing.T) {
	judge := func(readings []entries.Reading, pen string) Check {
		b := milk()
		b.Airspace = readings
		p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 146), b)
		if pen != "" {
			p.Series = append(p.Series, line("airspace", "F", 0.1, 2, "08:00:00 60", "09:50:00 155", "10:15:00 "+pen, "10:30:00 155", "10:40:00 155", "11:00:00 80"))
		}
		return get(t, Verify(p), 0, "airspace")
	}
	two := []entries.Reading{{At: "10:01", Reads: 152}, {At: "10:29", Reads: 153}}
	got := judge(two, "")
	assert.Equal(t, []any{Pass, true, 152.0}, []any{got.Verdict, got.Counts, *got.Measured})
	assert.Nil(t, got.U)
	assert.Contains(t, got.Reason, "every written reading at or above 150")
	got = judge(two, "151")
	assert.Equal(t, Pass, got.Verdict)
	assert.InDelta(t, 151, *got.Measured, 0.05)
	assert.InDelta(t, 0.1, *got.U, 1e-9)
	got = judge(two, "154")
	assert.Equal(t, []any{Pass, 152.0}, []any{got.Verdict, *got.Measured})
	assert.Nil(t, got.U, "a written reading is the lower one")
	got = judge(nil, "")
	assert.Equal(t, Undecided, got.Verdict)
	assert.Nil(t, got.Measured)
	assert.Contains(t, got.Reason, "no airspace reading is written")
	got = judge(two[:1], "")
	assert.Equal(t, Undecided, got.Verdict)
	assert.Contains(t, got.Reason, "1 of 2 readings written")
	assert.Equal(t, Pass, judge(two[:1], "151").Verdict, "the pen shows the whole hold")
	for _, c := range []struct {
		at   string
		want Verdict
	}{{"09:58:10", Pass}, {"09:57:50", Undecided}, {"10:15:50", Pass}, {"10:17", Undecided}, {"10:33:50", Undecided}, {"", Undecided}} {
		got := judge([]entries.Reading{{At: c.at, Reads: 152}, {At: "10:18", Reads: 152}}, "")
		assert.Equal(t, c.want, got.Verdict, "%q: %s", c.at, got.Reason)
	}
	for _, c := range []struct {
		at   string
		want Verdict
	}{{"10:33:50", Pass}, {"10:34:10", Undecided}} {
		got := judge([]entries.Reading{{At: "10:15", Reads: 152}, {At: c.at, Reads: 152}}, "")
		assert.Equal(t, c.want, got.Verdict, "%q: %s", c.at, got.Reason)
	}
}

// The airspace pen counts through the whole hold: PMO Item 16p(A)2, from memory.
func TestAirspacePen(t *testing.T) {
	air := func(low string) Check {
		p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 146), milk())
		p.Series = append(p.Series, line("airspace", "F", 0.1, 2, "08:00:00 60", "09:50:00 153", "10:15:00 "+low, "10:30:00 153", "10:40:00 153", "11:00:00 80"))
		return get(t, Verify(p), 0, "airspace")
	}
	assert.Equal(t, Pass, air("150.3").Verdict)
	assert.Equal(t, Undecided, air("150.05").Verdict)
	assert.Equal(t, Fail, air("149.5").Verdict)
	p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 146), milk())
	p.Series = append(p.Series, erase(line("airspace", "F", 0.1, 2, "08:00:00 60", "09:50:00 153", "10:40:00 153", "11:00:00 80"), "10:10:00", "10:12:00"))
	assert.Equal(t, Undecided, get(t, Verify(p), 0, "airspace").Verdict, "nothing is shown across a gap")
	s := line("airspace", "F", 0.1, 2, "08:00:00 60", "09:50:00 153", "10:14:55 153", "10:15:00 147", "10:16:00 147", "10:16:05 153", "10:40:00 153", "11:00:00 80")
	p.Series[1] = s
	assert.Equal(t, Fail, get(t, Verify(p), 0, "airspace").Verdict)
	for i := range s.Samples {
		if s.Samples[i].Temperature < 153 {
			s.Samples[i].Quality = series.Weak
		}
	}
	assert.Equal(t, Undecided, get(t, Verify(p), 0, "airspace").Verdict, "other ink may have led the reader there")
	for i := range s.Samples { // cold for five seconds, warm in weak ink, cold for five seconds
		p := &s.Samples[i]
		p.Quality = series.Weak
		if p.Time.Equal(at("10:15:00")) || p.Time.Equal(at("10:16:00")) {
			p.Quality = series.Good
		} else if p.Temperature < 153 && p.Time.Before(at("10:40")) && p.Time.After(at("10:00")) {
			p.Temperature = 153
		}
	}
	assert.Equal(t, Undecided, get(t, Verify(p), 0, "airspace").Verdict, "two dips of a moment are not one of a minute")
	for i := range s.Samples {
		s.Samples[i].Quality = series.Good
	}
	p.Series[1] = erase(s, "10:15:02", "10:15:58")
	assert.Equal(t, Undecided, get(t, Verify(p), 0, "airspace").Verdict, "nor is what lies in a gap between them cold")
}

// Written readings are asked for beside the airspace pen, and lie in the batch's time at
// temperature, a dip within it and all. The extent of the hold is an entry of its own:
// 1 NYCRR 2.48(a)(1)(iii), ATCP 65.66(2)(d).
func TestWrittenBesideThePen(t *testing.T) {
	b := milk()
	b.Airspace = nil
	p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 146), b)
	p.Series = append(p.Series, line("airspace", "F", 0.1, 2, "08:00:00 60", "09:50:00 153", "10:40:00 153", "11:00:00 80"))
	assert.Equal(t, Undecided, get(t, Verify(p), 0, "airspace").Verdict)
	dip := line("product", "F", 0.05, 2, "08:00:00 60", "09:50:00 100", "10:00:00 146", "10:10:00 146", "10:12:00 143", "10:14:00 146", "10:46:00 146", "10:50:00 100", "12:00:00 60")
	b = milk()
	b.OutletOpened = "10:55"
	for at, want := range map[string]Verdict{"10:01": Pass, "09:40": Undecided} {
		b.Airspace[0].At = at
		f := Verify(problem(t, "us-grade-a-vat", dip, b))
		assert.Equal(t, Pass, get(t, f, 0, "hold").Verdict)
		assert.Equal(t, want, get(t, f, 0, "airspace").Verdict, at)
	}
	b = milk()
	b.OutletOpened = ""
	f := Verify(problem(t, "us-new-york-vat", hold("10:00:00", "10:32:00", 146), b))
	assert.Equal(t, []Verdict{Undecided, Fail}, []Verdict{get(t, f, 0, "outlet").Verdict, get(t, f, 0, "entries").Verdict})
	b.HoldMarked = entries.Mark{Start: "10:00", End: "10:32"}
	assert.Equal(t, Pass, get(t, Verify(problem(t, "us-new-york-vat", hold("10:00:00", "10:32:00", 146), b)), 0, "entries").Verdict)
}

// C20, C21: 1 NYCRR 2.45(b)(2), the recorder may not read higher; lowering is PMO Appendix I Test 4, from memory.
func TestAgreement(t *testing.T) {
	judge := func(pen, written float64) *Findings {
		b := milk()
		b.Indicating[0].Reads = written
		return Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", pen), b))
	}
	f := judge(146, 145.5)
	got := get(t, f, 0, "agreement")
	assert.Equal(t, Fail, got.Verdict, "C20")
	assert.InDelta(t, 0.5, *got.Measured, 1e-9)
	assert.Equal(t, Pass, get(t, f, 0, "hold").Verdict, "146 less 0.5 is still 145")
	assert.InDelta(t, 145.5, f.Batches[0].Hold.Lowest, 1e-9)
	assert.Equal(t, Fail, get(t, judge(146, 144.5), 0, "hold").Verdict, "146 less 1.5 is not")
	assert.Equal(t, Pass, get(t, judge(145, 146), 0, "agreement").Verdict, "C21")
	b := milk()
	b.Indicating = nil
	f = Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 146), b))
	assert.Equal(t, []Verdict{Pass, Undecided, Fail}, []Verdict{get(t, f, 0, "hold").Verdict, get(t, f, 0, "agreement").Verdict, get(t, f, 0, "entries").Verdict})
}

// A time is written to the minute, so on a slope any value of that minute may be meant.
func TestReadingOnASlope(t *testing.T) {
	s := line("product", "F", 0.02, 1, "08:00:00 60", "09:50:00 120", "10:20:00 150", "10:55:00 150", "11:30:00 90")
	b := milk()
	b.Indicating = []entries.Reading{{At: "10:10", Reads: 140.3}, {At: "10:40", Reads: 152}} // the pen is at 140.0, rising 1 °F a minute
	b.OutletOpened = "10:55"
	f := Verify(problem(t, "us-grade-a-vat", s, b))
	got := get(t, f, 0, "agreement")
	assert.Equal(t, Undecided, got.Verdict, got.Reason)
	assert.InDelta(t, 1/math.Sqrt(12), *got.U, 0.02, "1 °F of uniform spread: JCGM 100:2008 4.3.7, from memory")
	b.Indicating[0].At = "10:10:00"
	assert.Equal(t, Pass, get(t, Verify(problem(t, "us-grade-a-vat", s, b)), 0, "agreement").Verdict)
	// A comparison on the way up says nothing of the hold (PMO Item 16p, from memory: during the holding period).
	b.Indicating = b.Indicating[:1]
	got = get(t, Verify(problem(t, "us-grade-a-vat", s, b)), 0, "agreement")
	assert.Equal(t, Undecided, got.Verdict)
	assert.Contains(t, got.Reason, "none of them lies in the hold")
}

// The outlet's minutes count from a hold whose start the ink shows, and by a clock that has not fallen behind.
func TestOutletAcrossAGapAndByASlowClock(t *testing.T) {
	b := milk()
	b.OutletOpened = "10:31:30"
	s := hold("10:00:00", "10:45:00", 148)
	p := problem(t, "us-grade-a-vat", s, b)
	assert.Equal(t, Pass, get(t, Verify(p), 0, "outlet").Verdict)
	p.Series[0] = erase(s, "10:02:00", "10:05:00") // 26.5 min of sure ink, 31.5 with the gap
	got := get(t, Verify(p), 0, "outlet")
	assert.Equal(t, Undecided, got.Verdict, got.Reason)
	late := milk()
	late.OutletOpened = "10:40" // whenever the hold began: but it may have been broken
	got = get(t, Verify(problem(t, "us-grade-a-vat", erase(hold("10:00:00", "10:35:00", 148), "10:14:00", "10:16:00"), late)), 0, "outlet")
	assert.Equal(t, Undecided, got.Verdict, got.Reason)
	p.Series[0] = s
	p.Recorder.ClockCheck = &entries.ClockCheck{Date: "2026-03-01", TrueMinutes: 30, ChartMinutes: 29.4} // put on at 8:00: 2.4 min behind at 10:00
	got = get(t, Verify(p), 0, "outlet")
	assert.Equal(t, Undecided, got.Verdict, got.Reason)
	assert.Contains(t, got.Reason, "2.4 min")
	p.Recorder.ClockCheck.ChartMinutes = 29.8
	assert.Equal(t, Pass, get(t, Verify(p), 0, "outlet").Verdict, "0.8 min behind")
}

// Stretches in which two lines compete are told in one sentence, each with its place.
func TestManyRivalStretches(t *testing.T) {
	p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 146), milk())
	for _, from := range []string{"08:10:00", "08:30:00", "11:10:00"} {
		p.Events = append(p.Events, series.Event{Kind: series.EventAmbig, Pen: "product", From: at(from), To: at(from).Add(5 * time.Minute), Text: "two lines compete for 5 minutes"})
	}
	c := get(t, Verify(p), -1, "record")
	assert.Equal(t, Pass, c.Verdict)
	assert.Contains(t, c.Reason, "in 3 stretches from 08:10 to 11:15")
	assert.Equal(t, 1, strings.Count(c.Reason, "two lines compete"))
	assert.Len(t, c.Places, 3)
}

// A chart that starts before its written time may be behind the writer's clock by that.
func TestOutletOfAChartBehind(t *testing.T) {
	b := milk()
	b.OutletOpened = "10:33"
	for on, want := range map[string]Verdict{"08:00": Pass, "08:04": Pass, "08:06": Undecided, "07:50": Pass} {
		p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:45:00", 148), b)
		p.Entries.OnChart = on
		got := get(t, Verify(p), 0, "outlet")
		assert.Equal(t, want, got.Verdict, "%s: %s", on, got.Reason)
	}
}

// C22, C23: PMO Appendix I Test 3, from memory: recorded time may not exceed true time.
func TestClock(t *testing.T) {
	p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:30:12", 146), milk())
	check := func(chart float64) (Verdict, Check) {
		p.Recorder.ClockCheck = &entries.ClockCheck{Date: "2026-02-10", TrueMinutes: 30, ChartMinutes: chart}
		f := Verify(p)
		return get(t, f, -1, "clock").Verdict, get(t, f, 0, "hold")
	}
	v, h := check(30.5)
	assert.Equal(t, Fail, v, "C22")
	assert.InDelta(t, 30.2*30/30.5, *h.Measured, 0.01, "30.2 chart minutes are 29.7 true ones")
	assert.Equal(t, Fail, h.Verdict)
	v, h = check(29.5)
	assert.Equal(t, Pass, v, "C23")
	assert.InDelta(t, 30.2, *h.Measured, 0.01, "a slow clock is not credited")
	p.Recorder.ClockCheck.Date = "2025-11-01"
	assert.Contains(t, get(t, Verify(p), -1, "clock").Reason, "older than 3 months") // FDA form 2359b
}

// C24: 1 NYCRR 2.48(a), overlapping is a violation by itself. Stopped and turned charts need a person.
func TestRecord(t *testing.T) {
	for kind, want := range map[series.Kind]Verdict{series.EventLap: Fail, series.EventStopped: Undecided, series.EventTurned: Undecided, series.EventNoBlank: Undecided, series.EventLoose: Undecided,
		series.EventBlot: Pass, series.EventInk: Pass, series.EventStart: Pass, series.EventAmbig: Pass} {
		p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 146), milk())
		p.Events = []series.Event{{Kind: kind, Pen: "product", From: at("11:20"), To: at("11:30"), Text: "seen"}}
		f := Verify(p)
		assert.Equal(t, want, get(t, f, -1, "record").Verdict, kind)
		assert.Contains(t, get(t, f, -1, "record").Reason, "seen")
		assert.Equal(t, Pass, get(t, f, 0, "hold").Verdict, kind)
	}
	// In a hold, lines that compete, or a clock that stood, prove nothing.
	for _, kind := range []series.Kind{series.EventAmbig, series.EventLoose, series.EventStopped, series.EventTurned} {
		p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 146), milk())
		p.Events = []series.Event{{Kind: kind, Pen: "product", From: at("10:15"), To: at("10:16")}}
		f := Verify(p)
		assert.Equal(t, Undecided, get(t, f, 0, "hold").Verdict, kind)
		assert.Equal(t, Undecided, get(t, f, -1, "record").Verdict, kind)
	}
	for _, span := range [][2]string{{"07:00", "10:40"}, {"09:50", "23:00"}, {"00:01", "23:59"}} { // nor where they do from or to an end of the trace
		p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 146), milk())
		p.Events = []series.Event{{Kind: series.EventAmbig, Pen: "product", From: at(span[0]), To: at(span[1])}}
		h := get(t, Verify(p), 0, "hold")
		assert.Equal(t, Undecided, h.Verdict, "%v: %s", span, h.Reason)
	}
	// Beyond one turn: 1 NYCRR 2.48(a), a chart may not be used beyond its time.
	p := problem(t, "us-grade-a-vat", line("product", "F", 0, 0, "08:00:00 60", "20:30:00 60"), milk())
	p.Form = &form.Form{Form: "D-1230", Unit: "F", RotationHours: 12, TimeArcs: form.TimeArcs{EveryMinutes: 15}, Rings: []form.Ring{{At: 30, RadiusMM: 34}, {At: 230, RadiusMM: 112}}}
	assert.Equal(t, Fail, get(t, Verify(p), -1, "record").Verdict)
	p.Series = []series.Series{hold("10:00:00", "10:32:00", 146)}
	p.ExpectedForm = "K-24"
	assert.Equal(t, Undecided, get(t, Verify(p), -1, "record").Verdict, "a chart of another form")
}

// Where either of two lines may be the pen's, a hold lasts at least as long as both are hot enough, and at most as long as one is.
func TestEitherLineMayBeThePens(t *testing.T) {
	for _, c := range []struct {
		name, until, from, to string
		rival                 float64
		rivals                bool
		want                  Verdict
	}{
		{"the other hotter", "10:32:00", "10:10", "10:20", 9, true, Pass},
		{"the other hot enough", "10:32:00", "10:10", "10:20", -0.5, true, Pass},
		{"the other too cold", "10:32:00", "10:10", "10:20", -6, true, Undecided},
		{"the other not seen", "10:32:00", "10:10", "10:20", math.NaN(), true, Undecided},
		{"nothing known of the other", "10:32:00", "10:10", "10:20", 0, false, Undecided},
		{"too short, both cold after it", "10:25:00", "10:28", "11:10", 10, true, Fail},
		{"too short, the other hot after it", "10:25:00", "10:28", "11:10", 90, true, Undecided},
		{"too short, nothing known after it", "10:25:00", "10:28", "11:10", 0, false, Undecided},
	} {
		s := hold("10:00:00", c.until, 146)
		from, to := at(c.from), at(c.to)
		for i := range s.Samples {
			if p := &s.Samples[i]; c.rivals && !p.Time.Before(from) && !p.Time.After(to) {
				if p.Rival = c.rival; !math.IsNaN(c.rival) {
					p.UTemperature = math.Hypot(p.UTemperature, c.rival/math.Sqrt2)
				}
			}
		}
		p := problem(t, "us-grade-a-vat", s, milk())
		p.Events = []series.Event{{Kind: series.EventAmbig, Pen: "product", From: from, To: to, Rivals: c.rivals}}
		f := Verify(p)
		h := get(t, f, 0, "hold")
		assert.Equal(t, c.want, h.Verdict, "%s: %s", c.name, h.Reason)
		if c.want == Pass { // but whose line it is a person must see
			assert.InDelta(t, 32, f.Batches[0].Hold.Minutes, 0.05, c.name)
			assert.Contains(t, h.Reason, "by the colder", c.name)
			assert.Equal(t, Undecided, get(t, f, -1, "record").Verdict, c.name)
			assert.InDelta(t, 146+math.Min(0, c.rival), f.Batches[0].Hold.Lowest, 0.01, c.name)
		}
	}
}

// A dip of some minutes that weak ink alone shows, as where a word is written over a faint line, keeps a hold from passing but does not fail it.
func TestADipInWeakInk(t *testing.T) {
	for _, c := range []struct {
		good   int // of ten samples
		to     string
		reason string
		want   Verdict
	}{{0, "10:19:00", "", Undecided}, {1, "10:19:00", "", Undecided}, {4, "10:19:00", "", Fail}, {0, "10:19:00", series.Tip, Fail}, {0, "10:27:00", "", Fail}} { // 17 minutes, more than a word
		s := line("product", "F", 0, 0, "08:00:00 60", "09:59:59 100", "10:00:00 147", "10:10:00 147", "10:10:05 140", c.to+" 140", at(c.to).Add(5*time.Second).Format("15:04:05")+" 147", "10:40:00 147", "10:40:01 100", "12:00:00 60")
		for i := range s.Samples {
			if p := &s.Samples[i]; p.Temperature < 145 && p.Time.After(at("10:09")) && p.Time.Before(at("10:39")) && i%10 >= c.good {
				p.Quality, p.Reason = series.Weak, c.reason
			}
		}
		h := get(t, Verify(problem(t, "us-grade-a-vat", s, milk())), 0, "hold")
		assert.Equal(t, c.want, h.Verdict, "%v: %s", c, h.Reason)
	}
}

// A reading written for a time before the line found begins, or after it ends, leaves a missing hold to a person; one within it does not.
func TestAReadingBeyondTheLine(t *testing.T) {
	for read, want := range map[string]Verdict{"10:10": Undecided, "10:50": Fail, "12:40": Undecided} {
		b := milk()
		b.Indicating[0].At, b.Airspace = read, nil
		p := problem(t, "us-grade-a-vat", line("product", "F", 0, 0, "10:30:00 90", "11:00:00 80", "12:00:00 60"), b)
		h := get(t, Verify(p), 0, "hold")
		assert.Equal(t, want, h.Verdict, "%s: %s", read, h.Reason)
	}
}

// Gaps are counted both ways.
func TestGap(t *testing.T) {
	long := hold("10:00:00", "10:32:00", 146)
	f := Verify(problem(t, "us-grade-a-vat", erase(long, "10:14:00", "10:16:00"), milk()))
	h := get(t, f, 0, "hold")
	assert.Equal(t, Undecided, h.Verdict)
	assert.InDelta(t, 16, *h.Measured, 0.2, "the longer inked part")
	assert.InDelta(t, 32, f.Batches[0].Hold.Minutes, 0.05, "with the gap")
	assert.Equal(t, Undecided, get(t, f, -1, "record").Verdict)
	assert.Equal(t, Fail, get(t, Verify(problem(t, "us-grade-a-vat", erase(hold("10:00:00", "10:29:00", 146), "10:14:00", "10:16:00"), milk())), 0, "hold").Verdict, "too short even with the gap above")
	// A gap beside the hold lengthens what may be, not what is told.
	f = Verify(problem(t, "us-grade-a-vat", erase(long, "09:50:00", "10:01:00"), milk()))
	assert.InDelta(t, 31, f.Batches[0].Hold.Minutes, 0.1)
	assert.Equal(t, Pass, get(t, f, 0, "hold").Verdict)
	b := milk()
	b.OutletOpened = "11:00"
	f = Verify(problem(t, "us-grade-a-vat", erase(hold("10:00:00", "10:45:00", 146), "10:35:00", "10:37:00"), b))
	assert.Equal(t, Pass, get(t, f, 0, "hold").Verdict, "a part without the gap is long enough alone")
	f = Verify(problem(t, "us-grade-a-vat", erase(long, "11:00:00", "11:05:00"), milk()))
	assert.Equal(t, Pass, f.Verdict, "a gap elsewhere does not count")
	assert.Contains(t, get(t, f, -1, "record").Reason, "gap")
	shreds := erase(erase(long, "11:00:00", "11:02:58"), "11:03:05", "11:05:00") // one sample between
	assert.Len(t, get(t, Verify(problem(t, "us-grade-a-vat", shreds, milk())), -1, "record").Places, 1)
	// A gap between cold ink might hide a hold.
	f = Verify(problem(t, "us-grade-a-vat", erase(hold("10:00:00", "10:32:00", 146), "09:30:00", "10:45:00"), milk()))
	assert.Equal(t, Undecided, get(t, f, 0, "hold").Verdict)
}

// What is on a chart many times is told in a sentence, and every place of it is named.
func TestManyOfAKindAreToldTogether(t *testing.T) {
	s := hold("10:00:00", "10:32:00", 146)
	for _, m := range []string{"11:00", "11:10", "11:20", "11:30"} {
		s = erase(s, m+":00", m+":58")
	}
	p := problem(t, "us-grade-a-vat", s, milk())
	for _, from := range []string{"09:10", "08:50", "09:00", "09:20", "09:30"} {
		p.Events = append(p.Events, series.Event{Kind: series.EventTurned, Pen: "product", From: at(from + ":00"), To: at(from + ":59"), Text: "exactly level for " + from[3:] + " minutes"})
	}
	c := get(t, Verify(p), -1, "record")
	require.Equal(t, "the chart may have been turned at 08:50, 09:00, 09:10 and 2 times more until 09:30 (exactly level for 50 minutes); "+
		"4 gaps of the product pen between 10:59 and 11:31, the first from 10:59:56 to 11:01:01", c.Reason)
	require.Len(t, c.Places, 9)
	p.Events = p.Events[:4]
	require.Contains(t, get(t, Verify(p), -1, "record").Reason, "the chart may have been turned at 08:50, 09:00, 09:10, 09:20 (")
	p.Events = p.Events[:2]
	require.Contains(t, get(t, Verify(p), -1, "record").Reason, "the chart may have been turned at 08:50, 09:10 (exactly level for 50 minutes); 4 gaps")
}

// Words and places tell an instant alike, to the nearest second, in the hold and beside it, and so do minutes.
func TestWordsAndPlacesTellOneTime(t *testing.T) {
	s := hold("10:00:00", "10:32:00", 146)
	for _, m := range []string{"10:10", "11:00"} {
		s = erase(s, m+":00", m+":58")
	}
	for i := range s.Samples {
		s.Samples[i].Time = s.Samples[i].Time.Add(700 * time.Millisecond)
	}
	p := problem(t, "us-grade-a-vat", s, milk())
	p.Events = []series.Event{{Kind: series.EventBlot, Pen: "product", From: at("09:00:00").Add(-300 * time.Millisecond), To: at("09:00:30")}}
	c := get(t, Verify(p), -1, "record")
	require.Len(t, c.Places, 3)
	blot, inside, beside := c.Places[0], c.Places[1], c.Places[2]
	require.Equal(t, "2026-03-04T10:09:56", inside.From.String())
	require.Equal(t, "2026-03-04T10:11:01", inside.To.String())
	require.Contains(t, c.Reason, "gap of the product pen from 10:09:56 to 10:11:01, inside a hold")
	require.Equal(t, "2026-03-04T11:01:02", beside.To.String())
	require.Contains(t, c.Reason, "gap of the product pen from 10:59:57 to 11:01:02")
	require.Equal(t, "2026-03-04T09:00:00", blot.From.String())
	require.Contains(t, c.Reason, "blot on or beside the line at 09:00")
}

// An uncertainty that is no number proves nothing.
func TestAnUncertaintyThatIsNone(t *testing.T) {
	s := hold("10:00:00", "10:32:00", 148)
	for i := range s.Samples {
		s.Samples[i].UTemperature = math.NaN()
	}
	assert.Equal(t, Undecided, get(t, Verify(problem(t, "us-grade-a-vat", s, milk())), 0, "hold").Verdict)
}

// What the other pen shows keeps its clock times where the product's left no ink: a time.Duration spans 292 years only.
func TestPlacesWithoutAProductLine(t *testing.T) {
	air := erase(hold("10:00:00", "10:32:00", 152), "10:14:00", "10:16:00")
	air.Pen = "airspace"
	p := problem(t, "us-grade-a-vat", air, milk())
	p.Series = append([]series.Series{{Pen: "product", Unit: "F"}}, p.Series...)
	c := get(t, Verify(p), -1, "record")
	require.NotEqual(t, Pass, c.Verdict)
	require.Contains(t, c.Reason, "gap of the airspace pen from 10:13:5")
	require.NotEmpty(t, c.Places)
	for _, q := range c.Places {
		require.WithinRange(t, q.From.Time, at("08:00:00"), at("12:00:00"))
	}
}

// C32: 145.3 °F read with u = 0.325 °F is "too close to call".
func TestTooCloseToCall(t *testing.T) {
	s := hold("10:00:00", "10:32:00", 145.3)
	for i := range s.Samples {
		s.Samples[i].UTemperature = 0.325
	}
	assert.Equal(t, Undecided, get(t, Verify(problem(t, "us-grade-a-vat", s, milk())), 0, "hold").Verdict)
	assert.InDelta(t, 0.822, Conforms(145.3, 0.325, 145), 0.0005)
	// JCGM 106:2012 section 8.3, from memory: accepted where the value less k = 2 standard uncertainties keeps the limit.
	for u, want := range map[float64]Verdict{0.149: Pass, 0.151: Undecided} {
		for i := range s.Samples {
			s.Samples[i].UTemperature = u
		}
		assert.Equal(t, want, get(t, Verify(problem(t, "us-grade-a-vat", s, milk())), 0, "hold").Verdict, "%v", u)
	}
}

// Guarded acceptance and rejection (JCGM 106:2012 sections 8.3.2 and 8.3.3, from memory) of a length whose ends are each good to
// 8 s: k·√2·8 s are 22.6 s to either side of 30 min.
func TestGuardBandOfALength(t *testing.T) {
	for to, want := range map[string]Verdict{"10:30:30": Pass, "10:30:15": Undecided, "10:29:45": Undecided, "10:29:30": Fail} {
		s := hold("10:00:00", to, 146)
		for i := range s.Samples {
			s.Samples[i].UTime = 8
		}
		got := get(t, Verify(problem(t, "us-grade-a-vat", s, milk())), 0, "hold")
		assert.Equal(t, want, got.Verdict, "%s: %s", to, got.Reason)
		assert.InDelta(t, math.Sqrt2*8/60, *got.U, 0.005)
	}
}

// A recorder that reads high is lowered by as much (PMO Appendix I Test 4, from memory), at the guard band by k standard
// uncertainties of the comparison more or less, and where ink is missing, too.
func TestLowered(t *testing.T) {
	judge := func(s series.Series, reads ...float64) (Check, *Findings) {
		b := milk()
		b.Indicating = nil
		for i, r := range reads {
			b.Indicating = append(b.Indicating, entries.Reading{At: fmt.Sprintf("10:%02d", 5+5*i), Reads: r})
		}
		f := Verify(problem(t, "us-grade-a-vat", s, b))
		return get(t, f, 0, "hold"), f
	}
	unsure := func(temp, u float64) series.Series {
		s := hold("10:00:00", "10:32:00", temp)
		for i := range s.Samples {
			s.Samples[i].UTemperature = u
		}
		return s
	}
	// The worst of the readings counts, in whichever order.
	for _, reads := range [][]float64{{146.7, 146.9}, {146.9, 146.7}} {
		got, f := judge(hold("10:00:00", "10:32:00", 147), reads...)
		assert.Contains(t, got.Reason, "lowered by 0.30")
		assert.InDelta(t, 146.7, f.Batches[0].Hold.Lowest, 1e-9)
	}
	// 145.42 keeps 145 with twice 0.19; not so if it stands a tenth, or with twice 0.19 a half, above the thermometer.
	got, _ := judge(unsure(145.42, 0.19), 146)
	assert.Equal(t, Pass, got.Verdict, got.Reason)
	got, _ = judge(unsure(145.62, 0.19), 145.52)
	assert.Equal(t, Undecided, got.Verdict, got.Reason)
	// 145.85 less 1.0 is too low, less 0.8 it is not.
	got, _ = judge(unsure(145.85, 0.1), 144.85)
	assert.Equal(t, Undecided, got.Verdict, got.Reason)
	// What follows a gap is lowered like what goes before it: 20 min, with the gap, are too short for certain.
	s := erase(line("product", "F", 0, 0, "08:00:00 60", "09:59:59 100", "10:00:00 146", "10:20:00 146", "10:20:01 145.3", "10:40:00 145.3", "10:40:01 100", "12:00:00 60"), "10:10:00", "10:12:00")
	got, _ = judge(s, 145.5)
	assert.Equal(t, Fail, got.Verdict, got.Reason)
	got, _ = judge(s, 146)
	assert.Equal(t, Undecided, got.Verdict, got.Reason)
}

// JCGM 106:2012 section 7.3 examples, from memory: 509.7 kPa against a lower limit of 490 kPa,
// u = 8.6 kPa (C31), and −5.47 V against an upper limit of −5.40 V, u = 0.05 V.
func TestConforms(t *testing.T) {
	assert.InDelta(t, 0.989, Conforms(509.7, 8.6, 490), 0.0005)
	assert.InDelta(t, 0.919, Conforms(5.47, 0.05, 5.40), 0.0005)
	assert.Equal(t, []float64{1, 1, 0}, []float64{Conforms(5.5, 0, 5.4), Conforms(5.4, 0, 5.4), Conforms(5.3, 0, 5.4)})
}

// A published worksheet on ISO 14253-1: a lower limit of 10.00 with an expanded uncertainty of
// 0.02 (k = 2) accepts from 10.02 on and rejects below 9.98.
func TestGuardBand(t *testing.T) {
	j := &judge{k: 2}
	for v, want := range map[float64]Verdict{10.021: Pass, 10.02: Pass, 10.019: Undecided, 9.981: Undecided, 9.979: Fail} {
		assert.Equal(t, want, j.against(v, 0.01, 10), "%v", v)
	}
}

// C25, C26, derived: on a 12 h chart two crossings of one circle 15° apart are 30 min apart whatever
// the pivot and the arm; from 3.0 in to 3.2 in of radius an arm and pivot of 5.0 in swing by
// 72.542° − 71.337°, 2.41 min, so a mark at another temperature is not read off the circle.
func TestRingToRing(t *testing.T) {
	f := &form.Form{RotationHours: 12, TimeRuns: "clockwise", Rings: []form.Ring{{At: 100, RadiusMM: 2 * 25.4}, {At: 200, RadiusMM: 4.5 * 25.4}}}
	for _, arm := range [][2]float64{{127, 127}, {150, 152}, {160, 140}} {
		f.TimeArcs = form.TimeArcs{PivotMM: arm[0], ArmMM: arm[1], Lean: "clockwise"}
		r := f.Radius(145)
		assert.InDelta(t, 30, (f.Hours(1+15*math.Pi/180, r)-f.Hours(1, r))*60, 1e-9, "C25")
	}
	f.TimeArcs = form.TimeArcs{PivotMM: 127, ArmMM: 127, Lean: "clockwise"}
	assert.InDelta(t, 2.41, math.Abs(f.Hours(1, 3.2*25.4)-f.Hours(1, 3.0*25.4))*60, 0.005, "C26")
}

// A slow crossing makes a marginal hold undecided: u of the end is u of the temperature over the slope, JCGM 100:2008 5.1.2, from memory.
func TestCrossingUncertainty(t *testing.T) {
	s := line("product", "F", 0.1, 2, "08:00:00 60", "09:00:00 115", "10:30:00 160", "10:50:00 160", "10:52:00 100", "12:00:00 60")
	b := milk()
	b.Indicating, b.OutletOpened = []entries.Reading{{At: "10:45", Reads: 161}}, "11:00"
	f := Verify(problem(t, "us-grade-a-vat", s, b))
	// Up through 145 at 10:00:00 with 0.5 °F a minute: 0.1/0.5 min = 12 s, and 2 s; down at 30 °F a minute, 0.2 s and 2 s.
	assert.InDelta(t, math.Sqrt(12*12+2*2+0.2*0.2+2*2)/60, f.Batches[0].Hold.UMinutes, 0.002)
	assert.Equal(t, at("10:00:00"), f.Batches[0].Hold.Start.Round(time.Second))
	assert.InDelta(t, 50.5, f.Batches[0].Hold.Minutes, 0.01)
}

// The two ways a wash must not be taken for milk, and the batch is found by its own times.
func TestMatching(t *testing.T) {
	s := line("product", "F", 0.05, 2, "08:00:00 60",
		"09:00:00 60", "09:02:00 170", "09:40:00 170", "09:42:00 80", // wash, longer than the hold
		"09:50:00 80", "10:00:00 146", "10:34:00 146", "10:44:00 90", "11:10:00 80",
		"11:20:00 80", "11:30:00 144", "12:10:00 144", "12:20:00 80", "12:50:00 80",
		"13:00:00 175", "13:45:00 175", "13:47:00 80", "14:00:00 80")
	second := milk()
	second.Batch, second.OutletOpened = "2", "12:45"
	second.Indicating, second.Airspace = []entries.Reading{{At: "11:40", Reads: 145}}, []entries.Reading{{At: "11:32", Reads: 152}, {At: "12:05", Reads: 152}}
	b := milk()
	f := Verify(problem(t, "us-grade-a-vat", s, b, second))
	require.NotNil(t, f.Batches[0].Hold)
	assert.WithinDuration(t, at("10:00"), f.Batches[0].Hold.Start.Time, 30*time.Second)
	assert.Equal(t, Pass, get(t, f, 0, "hold").Verdict)
	assert.Nil(t, f.Batches[1].Hold, "a batch without a hold does not take the wash that follows")
	assert.Equal(t, Fail, get(t, f, 1, "hold").Verdict)
	assert.Equal(t, 2, strings.Count(get(t, f, -1, "entries").Reason, "wash"))
	// Without a reading that tells milk from wash, a person must.
	b.Indicating, b.Airspace = nil, nil
	f = Verify(problem(t, "us-grade-a-vat", s, b))
	assert.Equal(t, Undecided, get(t, f, 0, "hold").Verdict)
}

// A hold that no batch names is asked for, whatever the named ones show; a wash is none.
// By what they differ is common practice, no source.
func TestUnnamedHold(t *testing.T) {
	for _, c := range []struct {
		words string
		want  Verdict
		more  []string
	}{
		{"no batch names", Undecided, []string{"11:40:00 100", "12:05:00 146", "12:30:00 146"}},                       // 1.8 °F a minute
		{"no batch names", Undecided, []string{"11:35:00 100", "12:05:00 156", "12:30:00 156"}},                       // it may have been eggnog
		{"a heat to 143 °F that no batch names", Undecided, []string{"11:35:00 100", "12:05:00 143", "12:30:00 143"}}, // nor was that held hot enough
		{"all required entries of the chart are there", Pass, []string{"11:35:00 100", "12:05:00 134", "12:30:00 134"}},
		{"wash by its 165", Pass, []string{"11:40:00 100", "12:00:00 165", "12:30:00 165"}},
		{"wash by its rise", Pass, []string{"11:58:00 100", "12:05:00 147", "12:30:00 147"}}, // 6.7 °F a minute
	} {
		s := line("product", "F", 0.05, 2, append([]string{"08:00:00 60", "09:30:00 100", "10:00:00 146", "10:34:00 146", "10:50:00 90", "11:30:00 80"}, append(c.more, "12:45:00 70", "13:00:00 70")...)...)
		got := get(t, Verify(problem(t, "us-grade-a-vat", s, milk())), -1, "entries")
		assert.Equal(t, c.want, got.Verdict, got.Reason)
		assert.Contains(t, got.Reason, c.words)
	}
}

// No entries: every run of ten minutes is listed and judged by the base row, and entries fails.
func TestNoEntries(t *testing.T) {
	s := line("product", "F", 0.05, 2, "08:00:00 60", "09:00:00 60", "09:05:00 146", "09:40:00 146", "09:45:00 80", "10:00:00 80", "10:05:00 148", "10:20:00 148", "10:25:00 80", "10:40:00 150", "10:45:00 150", "10:50:00 60", "12:00:00 60")
	p := problem(t, "us-grade-a-vat", s)
	p.Entries = nil
	f := Verify(p)
	require.Len(t, f.Batches, 2, "a run of under ten minutes is not listed")
	assert.Equal(t, []Verdict{Pass, Fail}, []Verdict{f.Batches[0].Verdict, f.Batches[1].Verdict})
	assert.Equal(t, Fail, get(t, f, -1, "entries").Verdict)
	assert.Equal(t, Fail, f.Verdict)
}

// A scan on which no line is found settles nothing.
func TestNoLine(t *testing.T) {
	b := milk()
	b.Cooling = "outside"
	p := problem(t, "us-grade-a-vat", series.Series{Pen: "product", Unit: "F"}, b)
	for _, known := range []bool{true, false} {
		p.HourKnown = known
		f := Verify(p)
		for _, name := range []string{"hold", "emptying"} {
			assert.Equal(t, Undecided, get(t, f, 0, name).Verdict, get(t, f, 0, name).Reason)
		}
		assert.Equal(t, Undecided, get(t, f, -1, "record").Verdict)
	}
}

// Hours unknown: durations are judged, whatever needs the clock is not.
func TestHourUnknown(t *testing.T) {
	p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 146), milk())
	p.HourKnown = false
	f := Verify(p)
	assert.Equal(t, Pass, get(t, f, 0, "hold").Verdict)
	for _, name := range []string{"outlet", "agreement", "airspace"} {
		assert.Equal(t, Undecided, get(t, f, 0, name).Verdict, name)
	}
	p.Series = []series.Series{hold("10:00:00", "10:28:00", 146)}
	assert.Equal(t, Fail, get(t, Verify(p), 0, "hold").Verdict)
}

// PMO Item 16p(A)1c, from memory: the outlet stays shut for the legal time; the written minute is good to half a minute.
func TestOutlet(t *testing.T) {
	for at, want := range map[string]Verdict{"10:29": Fail, "10:30": Undecided, "10:31": Pass, "10:30:05": Pass} {
		b := milk()
		b.OutletOpened = at
		got := get(t, Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:45:00", 146), b)), 0, "outlet")
		assert.Equal(t, want, got.Verdict, "%s: %s", at, got.Reason)
	}
	b := milk()
	b.OutletOpened = "10:31"
	got := get(t, Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:45:00", 146), b)), 0, "outlet")
	assert.InDelta(t, 31, *got.Measured, 0.01)
	assert.InDelta(t, 0.5/math.Sqrt(3), *got.U, 0.001, "half a minute to either side, uniform: JCGM 100:2008 4.3.7, from memory")
	// A chart put on 20 min after its line begins by its own hours: what is written falls 20 min earlier on it, or on_chart is wrong.
	b.OutletOpened, b.Indicating, b.Airspace = "10:40", nil, nil
	p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:45:00", 146), b)
	for on, want := range map[string]Verdict{"08:00": Pass, "08:20": Undecided, "07:40": Pass} {
		p.Entries.OnChart = on
		got := get(t, Verify(p), 0, "outlet")
		assert.Equal(t, want, got.Verdict, "%s: %s", on, got.Reason)
		if want == Undecided {
			assert.Contains(t, got.Reason, "20 min off the written 08:20")
		}
	}
}

// A vat that is empty, or whose cooled milk is let out, is not hot any more: 8 min are left to clocks and drains
// (common practice, no source), and where the outlet itself fails nothing is said of the chart.
func TestHotAfterTheOutlet(t *testing.T) {
	for _, c := range []struct {
		cooling, outlet, end string
		want                 Verdict
	}{
		{"in-vat", "10:31", "10:38:00", Pass}, {"in-vat", "10:31", "10:41:00", Undecided}, {"in-vat", "10:20", "10:41:00", Pass},
		{"outside", "10:31", "10:44:00", Pass}, {"outside", "10:31", "10:47:00", Undecided}, {"", "10:31", "10:44:00", Pass},
		// Just over eight minutes: surely so only by a time written to the second, and six minutes of emptying are six.
		{"in-vat", "10:31", "10:39:20", Pass}, {"in-vat", "10:31:00", "10:39:05", Undecided}, {"in-vat", "10:31:00", "10:38:55", Pass},
		{"outside", "10:31:00", "10:45:05", Undecided}, {"outside", "10:31:00", "10:44:55", Pass},
		{"in-vat", "10:30:20", "10:41:00", Undecided}, // half an hour has passed
	} {
		b := milk()
		b.Cooling, b.OutletOpened = c.cooling, c.outlet
		got := get(t, Verify(problem(t, "us-grade-a-vat", hold("10:00:00", c.end, 146), b)), -1, "record")
		assert.Equal(t, c.want, got.Verdict, "%v: %s", c, got.Reason)
	}
	b := milk()
	b.OutletOpened = "10:31:00"
	p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:46:00", 146), b)
	assert.Contains(t, get(t, Verify(p), -1, "record").Reason, "hot on the chart for 15 min after cooled milk was let out")
	// A clock that shows 31.5 min for 30 has gained 7.9 of the 166 min since the chart was put on.
	p.Recorder.ClockCheck = &entries.ClockCheck{Date: "2026-02-10", TrueMinutes: 30, ChartMinutes: 31.5}
	assert.Equal(t, Pass, get(t, Verify(p), -1, "record").Verdict)
	// Where the time of emptying is not on file, nothing is said.
	b.Cooling, b.OutletOpened = "outside", "10:31"
	p = problem(t, "us-grade-a-vat", hold("10:00:00", "10:59:00", 146), b)
	p.Plant.Vats[0].EmptyingMinutes = nil
	assert.Equal(t, Pass, get(t, Verify(p), -1, "record").Verdict)
	b.OutletOpened = ""
	assert.Equal(t, Pass, get(t, Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:59:00", 146), b)), -1, "record").Verdict)
}

// Past midnight, and on the night the clocks go forward: times are wall-clock labels, no hour is lost.
func TestPastMidnight(t *testing.T) {
	b, c := milk(), milk()
	b.OutletOpened, b.Indicating, b.Airspace = "00:40", []entries.Reading{{At: "23:58", Reads: 147}}, []entries.Reading{{At: "23:52", Reads: 152}, {At: "00:20", Reads: 152}}
	c.Batch, c.OutletOpened, c.Indicating, c.Airspace = "2", "03:40", []entries.Reading{{At: "02:50", Reads: 147}}, []entries.Reading{{At: "02:42", Reads: 152}, {At: "03:10", Reads: 152}}
	for _, d := range []time.Time{day, time.Date(2026, 3, 7, 0, 0, 0, 0, time.UTC)} { // US clocks go forward on 8 March 2026
		was := day
		day = d
		p := problem(t, "us-grade-a-vat", line("product", "F", 0.05, 2, "22:00:00 60", "23:40:00 100", "23:50:00 146", "24:25:00 146", "24:35:00 90", "26:30:00 90", "26:40:00 146", "27:15:00 146", "27:25:00 80", "29:00:00 60"), b, c)
		day = was
		p.Entries.OnChart = "22:00"
		f := Verify(p)
		assert.Equal(t, Pass, f.Verdict, why(f))
		assert.InDelta(t, 35.3, f.Batches[1].Hold.Minutes, 0.5)
	}
}

// The watch was set forward in that night and the chart was not: the second batch's times,
// an hour late by the chart, neither pass nor fail it.
func TestWatchSetForward(t *testing.T) {
	b, c := milk(), milk()
	b.OutletOpened, b.Indicating, b.Airspace = "00:40", []entries.Reading{{At: "23:58", Reads: 147}}, []entries.Reading{{At: "23:52", Reads: 152}, {At: "00:20", Reads: 152}}
	c.Batch, c.OutletOpened, c.Indicating, c.Airspace = "2", "04:20", []entries.Reading{{At: "03:50", Reads: 147}}, []entries.Reading{{At: "03:42", Reads: 152}, {At: "04:10", Reads: 152}}
	p := problem(t, "us-grade-a-vat", line("product", "F", 0.05, 2, "22:00:00 60", "23:40:00 100", "23:50:00 146", "24:25:00 146", "24:35:00 90", "26:30:00 90", "26:40:00 146", "27:15:00 146", "27:25:00 80", "29:00:00 60"), b, c)
	p.Entries.OnChart = "22:00"
	f := Verify(p)
	assert.Equal(t, []Verdict{Pass, Undecided, Undecided}, []Verdict{f.Batches[0].Verdict, get(t, f, 1, "hold").Verdict, f.Batches[1].Verdict}, why(f))
}

// A form of 24 h takes a whole day, past midnight, and is judged like one of 12 h.
func TestWholeDay(t *testing.T) {
	b, c := milk(), milk()
	c.Batch, c.OutletOpened = "2", "04:55"
	c.Indicating, c.Airspace = []entries.Reading{{At: "04:15", Reads: 147}}, []entries.Reading{{At: "04:12", Reads: 152}, {At: "04:40", Reads: 152}}
	p := problem(t, "us-grade-a-vat", line("product", "F", 0.05, 4, "08:00:00 60", "09:40:00 100", "10:00:00 146", "10:35:00 146", "10:45:00 90", "27:40:00 90", "28:10:00 146", "28:45:00 146", "28:55:00 80", "31:30:00 60"), b, c)
	p.Form = &form.Form{Form: "K-24", Unit: "F", RotationHours: 24, TimeArcs: form.TimeArcs{EveryMinutes: 15}, Rings: []form.Ring{{At: 30, RadiusMM: 34}, {At: 230, RadiusMM: 112}}}
	f := Verify(p)
	assert.Equal(t, Pass, f.Verdict, why(f))
	assert.Equal(t, at("28:10").Day(), f.Batches[1].Hold.Start.Day())
}

// A chart of seven days: batches of the same clock times are told apart by their order.
func TestSevenDays(t *testing.T) {
	s := line("product", "F", 0.05, 20, "08:00:00 60", "09:50:00 100", "10:00:00 146", "10:40:00 146", "10:50:00 90", "33:50:00 100", "34:00:00 146", "34:29:00 146", "34:40:00 90", "60:00:00 60")
	b, c := milk(), milk()
	b.OutletOpened = "10:55"
	c.Batch = "2"
	f := Verify(problem(t, "us-grade-a-vat", s, b, c))
	assert.Equal(t, at("10:00").Day(), f.Batches[0].Hold.Start.Day())
	assert.Equal(t, at("34:00").Day(), f.Batches[1].Hold.Start.Day())
	assert.Equal(t, Pass, get(t, f, 0, "hold").Verdict)
}

// A trace that ends hot may go on on the day's second chart.
func TestTwoChartsForOneDay(t *testing.T) {
	s := line("product", "F", 0.05, 2, "08:00:00 60", "09:50:00 100", "10:00:00 146", "10:20:00 146")
	assert.Equal(t, Undecided, get(t, Verify(problem(t, "us-grade-a-vat", s, milk())), 0, "hold").Verdict)
}

// SI 1988/2206: 62.8 to 65.6 °C, an upper limit too.
func TestUpperLimit(t *testing.T) {
	b := milk()
	b.Indicating[0].Reads = 67
	for temp, want := range map[string]Verdict{"65.5": Pass, "65.7": Fail} {
		s := line("product", "C", 0, 0, "08:00:00 15", "09:59:59 40", "10:00:00 "+temp, "10:31:00 "+temp, "10:31:01 40", "12:00:00 15")
		assert.Equal(t, want, get(t, Verify(problem(t, "uk-1988-vat", s, b)), 0, "highest").Verdict, temp)
	}
	// With u = 0.1 the guard band is 0.2 to either side: JCGM 106:2012 section 8.3, from memory.
	for temp, want := range map[float64]Verdict{65.3: Pass, 65.5: Undecided, 65.7: Undecided, 65.9: Fail} {
		s := line("product", "C", 0.1, 0, "08:00:00 15", "09:59:59 40", "10:00:00 "+fmt.Sprint(temp), "10:20:00 "+fmt.Sprint(temp), "10:31:00 64", "10:31:01 40", "12:00:00 15")
		got := get(t, Verify(problem(t, "uk-1988-vat", s, b)), 0, "highest")
		assert.Equal(t, want, got.Verdict, temp)
		assert.True(t, got.Counts)
		assert.InDelta(t, temp, *got.Measured, 1e-9)
		assert.InDelta(t, 0.1, *got.U, 1e-9)
	}
	s := line("product", "C", 0.1, 0, "08:00:00 15", "10:00:00 50", "10:31:00 50", "12:00:00 15")
	got := get(t, Verify(problem(t, "uk-1988-vat", s, b)), 0, "highest")
	assert.Equal(t, []any{Undecided, "no hold to judge"}, []any{got.Verdict, got.Reason})
	assert.Nil(t, got.Measured)
}

// The lowest of a hold is read more than two minutes inside both ends; a shorter one has it anywhere.
func TestLowest(t *testing.T) {
	for _, c := range []struct {
		dip  string
		want float64
	}{{"10:01:00 145.2", 146}, {"10:03:00 145.2", 145.2}, {"10:31:00 145.2", 146}} {
		clock, _, _ := strings.Cut(c.dip, " ")
		edge := func(by time.Duration) string { return at(clock).Add(by).Format("15:04:05") + " 146" }
		s := line("product", "F", 0, 0, "08:00:00 60", "09:59:59 100", "10:00:00 146", edge(-20*time.Second), c.dip, edge(20*time.Second), "10:32:00 146", "10:32:01 100", "12:00:00 60")
		assert.InDelta(t, c.want, Verify(problem(t, "us-grade-a-vat", s, milk())).Batches[0].Hold.Lowest, 1e-9, c.dip)
	}
	s := line("product", "F", 0, 0, "08:00:00 60", "09:59:59 100", "10:00:00 147", "10:01:30 146.2", "10:03:00 147", "10:03:01 100", "12:00:00 60")
	assert.InDelta(t, 146.2, Verify(problem(t, "us-grade-a-vat", s, milk())).Batches[0].Hold.Lowest, 1e-9)
}

// What is told beside the verdict: Bigelow's minutes of the lowered line and of true minutes, 10^(ΔT/z) for each; and the
// minutes in which the line falls to its marks, here by one degree a minute.
func TestInformation(t *testing.T) {
	b := milk()
	b.Indicating[0].Reads, b.OutletOpened = 145.5, "12:00"
	p := problem(t, "us-grade-a-vat", line("product", "F", 0, 0, "08:00:00 60", "09:59:59 100", "10:00:00 146", "10:40:00 146", "10:40:01 145", "11:30:00 95", "12:00:00 95"), b)
	p.Recorder.ClockCheck = &entries.ClockCheck{Date: "2026-02-10", TrueMinutes: 30, ChartMinutes: 32}
	f := Verify(p)
	z, ok := p.Rules.Lethality.Z.In("F")
	require.True(t, ok)
	got := get(t, f, 0, "lethality")
	assert.InDelta(t, 40*math.Pow(10, 0.5/z)*30/32, *got.Measured, 0.1)
	assert.False(t, got.Counts)
	got = get(t, f, 0, "cooling")
	assert.InDelta(t, 25, *got.Measured, 0.2)
	assert.Contains(t, got.Reason, "25 min to 120 °F")
	assert.NotContains(t, got.Reason, "to 70 °F", "the line does not fall so far")
}

// Regs. Conn. State Agencies 21a-58-13(a): any rung of the ladder will do.
func TestLadder(t *testing.T) {
	b := milk()
	b.Product, b.Indicating[0] = "ice cream mix", entries.Reading{At: "10:05", Reads: 170}
	for _, c := range []struct {
		temp  float64
		to    string
		want  Verdict
		limit float64
	}{{155, "10:30:30", Pass, 30}, {160, "10:15:30", Pass, 15}, {165, "10:10:30", Pass, 10}, {164, "10:10:30", Fail, 0}} {
		got := get(t, Verify(problem(t, "us-connecticut-mix", hold("10:00:00", c.to, c.temp), b)), 0, "hold")
		assert.Equal(t, c.want, got.Verdict, "%v", c.temp)
		if c.limit > 0 {
			assert.Equal(t, c.limit, *got.Limit)
		}
	}
}

// Questions nobody answered are never answered in the batch's favour.
func TestUnansweredProduct(t *testing.T) {
	b := milk()
	b.Product, b.FatPercent, b.Sweetened, b.TotalSolidsPercent = "chocolate milk", ptr(1.0), nil, nil
	for temp, want := range map[float64]Verdict{144: Fail, 148: Undecided, 151: Pass} {
		b.Indicating[0].Reads = temp + 1
		got := get(t, Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", temp), b)), 0, "hold")
		assert.Equal(t, want, got.Verdict, "%v: %s", temp, got.Reason)
		assert.Contains(t, got.Reason, "sweetened")
	}
	b.Product = "whole milk" // 21 CFR 131.110, from memory: sweetened milk must be named so
	b.Indicating[0].Reads = 149
	assert.Equal(t, Pass, get(t, Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 148), b)), 0, "hold").Verdict)
}

// The row of every product: 10 % fat or more or sweetened (21 CFR 1240.61(b) footnote 1), 18 % total solids or more (PMO
// Section 1, from memory). Not written is either, but for milk by its plain name: 21 CFR 131.110, from memory, and at most
// 5 % fat beside solids (common practice, no source).
func TestRowOfProduct(t *testing.T) {
	for _, name := range []string{"whole milk", "Low-Fat Milk", "chocolate milk", "milk shake base"} {
		plain := name == "whole milk" || name == "Low-Fat Milk"
		for _, fat := range []*float64{nil, ptr(3.4), ptr(9.9), ptr(10.0)} {
			for _, solids := range []*float64{nil, ptr(17.9), ptr(18.0)} {
				for _, sweet := range []*bool{nil, ptr(false), ptr(true)} {
					b := milk()
					b.Product, b.FatPercent, b.TotalSolidsPercent, b.Sweetened = name, fat, solids, sweet
					rich := fat != nil && *fat >= 10 || solids != nil && *solids >= 18 || sweet != nil && *sweet
					open := !plain && (fat == nil || solids == nil || sweet == nil) || solids == nil && fat != nil && *fat > 5
					rows, note := class(problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 146)).Rules, &b)
					var temps []float64
					for _, r := range rows {
						temps = append(temps, *r.Options[0].Temperature.F)
					}
					want := []float64{145}
					if rich {
						want = []float64{150}
					} else if open {
						want = []float64{145, 150}
						var missing []string
						if fat == nil && !plain {
							missing = append(missing, "fat_percent")
						}
						if sweet == nil && !plain {
							missing = append(missing, "sweetened")
						}
						if solids == nil {
							missing = append(missing, "total_solids_percent")
						}
						assert.Contains(t, note, "not written: "+strings.Join(missing, ", ")+";")
					} else if fat == nil || solids == nil || sweet == nil {
						assert.Contains(t, note, "by its name")
					}
					assert.Equal(t, want, temps, "%s: fat %v, solids %v, sweetened %v: %s", name, fat, solids, sweet, note)
				}
			}
		}
	}
}

// A product is named by whole words; in the plural, or written as one, it is the same product.
func TestProductsAreNamedByWholeWords(t *testing.T) {
	for _, c := range []struct {
		set, name string
		want      float64
	}{
		{"us-new-york-vat", "milk for cheese", 143}, {"us-new-york-vat", "milk for cheesecake", 145},
		{"us-grade-a-vat", "eggnogs", 155}, {"us-grade-a-vat", "Ice-Cream mix", 155}, {"us-grade-a-vat", "icecream mix", 155},
	} {
		b := milk()
		b.Product = c.name
		rows, _ := class(problem(t, c.set, hold("10:00:00", "10:32:00", 146)).Rules, &b)
		assert.Equal(t, c.want, *rows[0].Options[0].Temperature.F, c.name)
	}
}

// Without an indicating reading entries does not pass, whatever the rule set asks for.
func TestEntriesWithoutAnIndicatingReading(t *testing.T) {
	b := milk()
	b.Indicating = nil
	for _, set := range []string{"us-frozen-mix", "us-california-vat", "us-grade-a-vat"} {
		assert.NotEqual(t, Pass, get(t, Verify(problem(t, set, hold("10:00:00", "10:32:00", 157), b)), 0, "entries").Verdict, set)
	}
	assert.Equal(t, Pass, get(t, Verify(problem(t, "us-frozen-mix", hold("10:00:00", "10:32:00", 157), milk())), 0, "entries").Verdict)
}

// Of several comparisons the hold is lowered by the largest, and surely by what the worst of them shows.
func TestLoweredByTheLargestComparison(t *testing.T) {
	s := hold("10:00:00", "10:32:00", 146)
	for i := range s.Samples {
		s.Samples[i].UTemperature = 0.01
		if s.Samples[i].Time.Before(at("10:05:00")) {
			s.Samples[i].UTemperature = 0.4 // a faint stretch: its comparison tells little
		}
	}
	b := milk()
	b.Indicating = []entries.Reading{{At: "10:02", Reads: 146.1}, {At: "10:20", Reads: 145.5}}
	f := Verify(problem(t, "us-grade-a-vat", s, b))
	assert.Equal(t, Fail, get(t, f, 0, "agreement").Verdict)
	assert.InDelta(t, 145.5, f.Batches[0].Hold.Lowest, 0.05)
}

// PMO Appendix H, from memory: 12 h, 1 °F, 10 min, 6.3 mm.
func TestForm(t *testing.T) {
	p := problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 146), milk())
	p.Form = &form.Form{Form: "D-1230", Unit: "F", RotationHours: 24, MinorRing: 2, MajorRing: 10, TimeArcs: form.TimeArcs{EveryMinutes: 15}, Rings: []form.Ring{{At: 30, RadiusMM: 34}, {At: 230, RadiusMM: 112}}}
	got := get(t, Verify(p), -1, "form")
	assert.Equal(t, Fail, got.Verdict)
	assert.False(t, got.Counts)
	for _, words := range []string{"divisions of 2°", "15 min", "one turn in 24 h"} {
		assert.Contains(t, got.Reason, words)
	}
	p.Form.RotationHours, p.Form.MinorRing, p.Form.TimeArcs.EveryMinutes = 12, 1, 10
	p.Form.Rings = []form.Ring{{At: 100, RadiusMM: 30}, {At: 180, RadiusMM: 110}}
	got = get(t, Verify(p), -1, "form")
	assert.Equal(t, Pass, got.Verdict, got.Reason)
	// 10 min on 12 h are 5°, and 6.3 mm of chord need a radius of 72.2 mm: 2·r·sin(2.5°).
	p.Form.Rings = []form.Ring{{At: 100, RadiusMM: 25}, {At: 180, RadiusMM: 105}}
	assert.Contains(t, get(t, Verify(p), -1, "form").Reason, "6.1 mm long")
	// 0.8 mm a degree are enough for a thin line only, 0.6 mm for none.
	for mm, want := range map[float64]Verdict{0.8: Undecided, 0.6: Fail} {
		p.Form.Rings = []form.Ring{{At: 100, RadiusMM: 50}, {At: 180, RadiusMM: 50 + 80*mm}}
		got = get(t, Verify(p), -1, "form")
		assert.Equal(t, want, got.Verdict, got.Reason)
	}
}

// C33: cooling is information and never changes the verdict; 1 NYCRR 2.49(b) gives no time.
func TestCoolingIsInformation(t *testing.T) {
	b := milk()
	b.OutletOpened = "11:50"
	f := Verify(problem(t, "us-grade-a-vat", line("product", "F", 0.05, 2, "08:00:00 60", "09:50:00 100", "10:00:00 146", "10:40:00 146", "11:55:00 130"), b))
	for _, x := range f.Batches[0].Checks {
		if x.Check == "cooling" || x.Check == "lethality" {
			assert.False(t, x.Counts)
		}
	}
	assert.Equal(t, Pass, f.Verdict)
}

// The plant's own limits of cooling are judged, and count for nothing; the temperatures are straight lines here.
func TestCoolingLimits(t *testing.T) {
	for _, c := range []struct {
		limit entries.CoolingLimit
		want  Verdict
	}{{entries.CoolingLimit{To: 100, Minutes: 50}, Pass}, {entries.CoolingLimit{To: 100, Minutes: 40}, Fail}, {entries.CoolingLimit{To: 45, Minutes: 60}, Fail}, {entries.CoolingLimit{To: 45, Minutes: 120}, Undecided}} {
		p := problem(t, "us-grade-a-vat", line("product", "F", 0.05, 2, "08:00:00 60", "09:50:00 100", "10:00:00 146", "10:40:00 145", "11:25:00 100", "11:50:00 75"), milk())
		p.Plant.Vats[0].CoolingLimits = []entries.CoolingLimit{c.limit}
		f := Verify(p)
		got := get(t, f, 0, "cooling")
		assert.Equal(t, c.want, got.Verdict, got.Reason)
		assert.Equal(t, Pass, f.Verdict)
	}
}

// Newton's law of cooling: from 146 °F in 50 °F with a time constant of 20 min.
func TestFitCooling(t *testing.T) {
	var xs, ys []float64
	for s := 0.0; s <= 3600; s += 15 {
		xs, ys = append(xs, s), append(ys, 50+96*math.Exp(-s/1200))
	}
	n, ok := fitCooling(xs, ys)
	require.True(t, ok)
	assert.InDelta(t, 50, n.Coolant, 0.01)
	assert.InDelta(t, 1200, n.Tau, 0.5)
	_, ok = fitCooling([]float64{0, 60, 120, 180, 240}, []float64{100, 90, 80, 70, 60})
	assert.False(t, ok, "a straight line tells no time constant")
}

// Lethality, the worked values: L1 a published teaching example (15 min at 85 °C, z 8.7 °C, at 102 °C: 10 s);
// L3 z = 9/log10(120) °C; L4, L6 z = 7.695 °F; L5 a ramp with the closed form z/(r·ln 10)·(1 − 10^(−ΔT/z)); L3–L6 derived.
func TestEquivalent(t *testing.T) {
	flat := func(minutes, temp, ref, z float64) float64 {
		return Equivalent([]float64{0, minutes * 60}, []float64{temp, temp}, ref, z)
	}
	assert.InDelta(t, 0.1668, flat(15, 85, 102, 8.7), 0.0005, "L1, C29")
	z := 9 / math.Log10(120)
	assert.InDelta(t, 51.07, flat(30, 64, 63, z), 0.01, "L3")
	assert.InDelta(t, 17.62, flat(30, 62, 63, z), 0.01, "L3")
	assert.InDelta(t, 147.97, flat(30, 66, 63, z), 0.01, "L3")
	assert.InDelta(t, 16.5, flat(30, 143, 145, 7.695), 0.05, "L4")
	assert.InDelta(t, 30.0, flat(0.25, 161, 145, 7.695), 0.05, "L6")
	var xs, ys []float64
	for s := 0.0; s <= 360; s++ {
		xs, ys = append(xs, s), append(ys, 60+s/120)
	}
	assert.InDelta(t, 2.9975, Equivalent(xs, ys, 63, 4.3286), 0.0005, "L5, C30")
}

// Torricelli: C27 an open examination problem (4 ft tank, 5 in² outlet, 6 ft to 2 ft: 94 s published, 93.4 unrounded,
// g 32.2 ft/s²); C28 a textbook exercise (9 ft deep, 4 ft after one hour: empty after three).
func TestDrain(t *testing.T) {
	const ft = 0.3048
	v := Vessel{Shape: "upright", Diameter: 4 * ft}
	s, err := v.Drain(6*ft, 2*ft, 5*0.0254*0.0254, 1)
	require.NoError(t, err)
	assert.InDelta(t, 93.4, s, 0.2, "C27")
	first, err := v.Drain(9*ft, 4*ft, 1e-4, 0.6)
	require.NoError(t, err)
	all, err := v.Drain(9*ft, 0, 1e-4, 0.6)
	require.NoError(t, err)
	assert.InDelta(t, 3, all/first, 1e-6, "C28")
	// A pump needs volume over rate; a dish of half an ellipsoid holds 2/3·π·r²·depth, a full lying cylinder π·r²·length.
	p, err := Vessel{Shape: "dished", Diameter: 2, Dish: 0.5}.Pumped(0.5, 0, 0.01)
	require.NoError(t, err)
	assert.InDelta(t, 2.0/3*math.Pi*0.5/0.01, p, 0.01)
	p, err = Vessel{Shape: "lying", Diameter: 2, Length: 3}.Pumped(2, 0, 0.01)
	require.NoError(t, err)
	assert.InDelta(t, math.Pi*3/0.01, p, 0.2)
	// E3, a textbook's tank of 15 ft with a 2 in nozzle, 28 ft to 4 ft without friction: 6645 s with g = 32.2 ft/s², derived.
	s, err = Vessel{Shape: "upright", Diameter: 15 * ft}.Drain(28*ft, 4*ft, math.Pi/4*0.0508*0.0508, 1)
	require.NoError(t, err)
	assert.InDelta(t, 6645, s, 10)
	// E4: emptying a constant area takes twice the volume over the first flow.
	s, err = v.Drain(1, 0, 1e-4, 0.6)
	require.NoError(t, err)
	assert.InDelta(t, 2*v.Area(0.5)/(0.6*1e-4*math.Sqrt(2*9.80665)), s, 1e-6*s)
	// By the coefficient alone from 198 to 330 s: 1 m across, 0.9 m to 0.1 m, bore 38 mm; derived.
	vat := Emptying{Vessel: Vessel{Shape: "upright", Diameter: 1}, Full: 0.9, Bulb: 0.1, Outlet: math.Pi / 4 * 0.038 * 0.038, Coefficient: 0.6}
	e, err := vat.Estimate()
	require.NoError(t, err)
	assert.InDelta(t, 330, e.Minutes*60, 1)
	assert.InDelta(t, 198, e.Fastest*60, 1)
	for minutes, want := range map[float64]Verdict{3.2: Undecided, 3.4: Pass, 5.5: Pass, 11.5: Undecided} {
		v, words := e.Against(minutes)
		assert.Equal(t, want, v, words)
	}
	vat.Pump = 0.002
	_, err = vat.Estimate()
	assert.ErrorContains(t, err, "either")
	// By the pump alone: π/4 · 0.8 m³ at 2 l/s are 314.16 s, and a third more or less.
	vat.Outlet, vat.Coefficient = 0, 0
	e, err = vat.Estimate()
	require.NoError(t, err)
	assert.InDelta(t, math.Pi*100/60, e.Minutes, 1e-6)
	assert.InDelta(t, math.Pi*100/60/1.33, e.Fastest, 1e-6)
	assert.InDelta(t, math.Pi*100/60*1.33, e.Slowest, 1e-6)
	vat.Pump = 0
	_, err = vat.Estimate()
	assert.ErrorContains(t, err, "either")
	// Surfaces: a lying cylinder's is a rectangle of its length by its chord, an ellipsoid's a circle of r·√(1 − (z/b)²).
	lying, dished := Vessel{Shape: "lying", Diameter: 2, Length: 3}, Vessel{Shape: "dished", Diameter: 2, Dish: 0.4}
	for level, want := range map[float64]float64{0: 0, 1: 6, 0.5: 3 * math.Sqrt(3), 1.5: 3 * math.Sqrt(3), 2: 0, 2.5: 0} {
		assert.InDelta(t, want, lying.Area(level), 1e-9, "%v", level)
	}
	for level, want := range map[float64]float64{0: 0, 0.2: math.Pi * 3 / 4, 0.4: math.Pi, 1: math.Pi} {
		assert.InDelta(t, want, dished.Area(level), 1e-9, "%v", level)
	}
	for _, bad := range []func() error{
		func() error { _, err := (Vessel{Shape: "upright"}).Drain(1, 0, 1e-4, 0.6); return err },
		func() error { _, err := (Vessel{Shape: "lying", Diameter: 1}).Pumped(1, 0, 0.01); return err },
		func() error { _, err := (Vessel{Shape: "dished", Diameter: 1}).Pumped(1, 0, 0.01); return err },
		func() error { _, err := v.Drain(1, 0, 0, 0.6); return err },
		func() error { _, err := v.Drain(1, 0, 1e-4, 1.1); return err },
		func() error { _, err := v.Drain(1, 0, 1e-4, 0); return err },
		func() error { _, err := v.Pumped(1, 0, 0); return err },
	} {
		assert.ErrorContains(t, bad(), "must be above 0")
	}
	_, err = v.Drain(1, 2, 1e-4, 0.6)
	assert.ErrorContains(t, err, "level must fall")
}

// The shape of findings.json.
func TestFindings(t *testing.T) {
	f := Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:28:00", 146), milk()))
	data, err := json.Marshal(f)
	require.NoError(t, err)
	for _, s := range []string{`"schema":"penarm.findings/1"`, `"legal_temperature":145`, `"start":"2026-03-04T10:00:00"`, `"verdict":"fail"`, `"checks":[`} {
		assert.Contains(t, string(data), s)
	}
	none := Verify(Problem{Rules: problem(t, "us-grade-a-vat", hold("10:00:00", "10:32:00", 146)).Rules})
	assert.NotEqual(t, Pass, none.Verdict, "nothing at all never passes")
	assert.Equal(t, Undecided, Verify(Problem{}).Verdict)
}

// Written times that fit no heat of the chart make a person look at the hours; they neither pass nor fail a hold.
func TestWrongHours(t *testing.T) {
	b := milk()
	b.Indicating[0].At, b.Airspace[0].At, b.Airspace[1].At = "09:10", "09:01", "09:29"
	b.OutletOpened = "09:50"
	for _, to := range []string{"10:20:00", "10:35:00"} {
		f := Verify(problem(t, "us-grade-a-vat", hold("10:00:00", to, 146), b))
		assert.Equal(t, Undecided, get(t, f, 0, "hold").Verdict)
		assert.Contains(t, get(t, f, 0, "hold").Reason, "hours right")
		assert.Equal(t, Undecided, get(t, f, 0, "agreement").Verdict, "60 °F against 146.5 °F was not read then")
	}
	// Readings beside the hold excuse an outlet that seems early: all written times may be off together.
	b = milk()
	b.OutletOpened, b.Airspace[0].At = "10:25", "09:50"
	assert.Equal(t, Undecided, get(t, Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:35:00", 146), b)), 0, "outlet").Verdict)
	b.Airspace[0].At = "10:01"
	assert.Equal(t, Fail, get(t, Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:35:00", 146), b)), 0, "outlet").Verdict)
	for at, want := range map[string]Verdict{"10:36": Fail, "10:50": Undecided} { // within two minutes of the hold, and not
		b.Airspace[1].At = at
		assert.Equal(t, want, get(t, Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:35:00", 146), b)), 0, "outlet").Verdict, at)
	}
	// A pen far above the written reading was not read then: no lowering, no verdict.
	b = milk()
	b.Indicating[0].Reads = 146
	f := Verify(problem(t, "us-grade-a-vat", hold("10:00:00", "10:35:00", 160), b))
	assert.Equal(t, []Verdict{Undecided, Undecided}, []Verdict{get(t, f, 0, "hold").Verdict, get(t, f, 0, "agreement").Verdict})
}

// Where the trace starts more than 15 min off the written time, what hangs on the hours is
// decided only if it comes out the same either way; batches that claim one hold, and a batch
// without one beside a hold without a batch, are put to a person.
func TestWhoseHold(t *testing.T) {
	two := []string{"08:00:00 60", "09:50:00 100", "10:00:00 146", "10:33:00 146", "10:45:00 90", "11:50:00 80", "12:20:00 100", "12:35:00 146", "12:55:00 146", "13:05:00 90", "14:00:00 60"}
	short := milk()
	short.Batch, short.OutletOpened = "2", "13:10"
	short.Indicating, short.Airspace = []entries.Reading{{At: "12:45", Reads: 147}}, []entries.Reading{{At: "12:37", Reads: 152}, {At: "12:53", Reads: 152}}
	p := problem(t, "us-grade-a-vat", line("product", "F", 0.05, 2, two...), milk(), short)
	f := Verify(p)
	assert.Equal(t, []Verdict{Pass, Fail}, []Verdict{get(t, f, 0, "hold").Verdict, get(t, f, 1, "hold").Verdict})
	// By a chart that was put on two hours and a half later than written, either may be the other's.
	p = problem(t, "us-grade-a-vat", line("product", "F", 0.05, 2, two...), short)
	p.Series = append(p.Series, line("airspace", "F", 0.05, 2, "08:00:00 60", "09:50:00 155", "13:05:00 155", "14:00:00 60"))
	for on, want := range map[string][]Verdict{"10:35": {Undecided, Undecided, Undecided}, "08:10": {Fail, Pass, Undecided}} { // 35 min until the outlet, or ten less
		p.Entries.OnChart = on
		f = Verify(p)
		assert.Equal(t, want, []Verdict{get(t, f, 0, "hold").Verdict, get(t, f, 0, "airspace").Verdict, get(t, f, 0, "outlet").Verdict}, on)
	}
	// Ink that may be another pen's is ink all the same: the chart was on, and no other heat is in question.
	p = problem(t, "us-grade-a-vat", line("product", "F", 0.05, 2, "08:00:00 60", "09:50:00 100", "10:00:00 146", "10:33:00 146", "10:45:00 90", "11:30:00 100",
		"11:40:00 146", "12:00:00 146", "12:10:00 90", "13:00:00 60"), milk())
	p.Events = []series.Event{{Kind: series.EventAmbig, Pen: "product", From: at("08:00"), To: at("09:40")}}
	p.Entries.OnChart = "08:00"
	assert.Equal(t, Pass, get(t, Verify(p), 0, "hold").Verdict)
	// Where the chart's own hours fit more batches than the others do, on_chart is what is wrong.
	p = problem(t, "us-grade-a-vat", line("product", "F", 0.05, 2, two...), milk(), short)
	p.Entries.OnChart = "10:35"
	f = Verify(p)
	assert.Equal(t, []Verdict{Pass, Fail}, []Verdict{get(t, f, 0, "hold").Verdict, get(t, f, 1, "hold").Verdict})
	assert.Contains(t, get(t, f, -1, "record").Reason, "off the written 10:35")
	// A line that comes up from the cold end of its scale had left no ink before: its late start disputes nothing.
	b := milk()
	b.Indicating[0].Reads = 147 // the pen stands at 146.6 then, and twenty minutes later at 147.8
	p = problem(t, "us-grade-a-vat", line("product", "F", 0.05, 2, "09:00:00 80.5", "09:50:00 100", "10:00:00 146", "10:33:00 148", "10:45:00 90", "12:00:00 80"), b)
	p.Entries.OnChart = "08:40"
	p.Form = &form.Form{Form: "X", Unit: "F", RotationHours: 12, TimeArcs: form.TimeArcs{EveryMinutes: 15}, Rings: []form.Ring{{At: 80, RadiusMM: 34}, {At: 230, RadiusMM: 112}}}
	assert.Equal(t, Pass, get(t, Verify(p), 0, "agreement").Verdict)
	p.Form.Rings[0].At = 30
	assert.Equal(t, Undecided, get(t, Verify(p), 0, "agreement").Verdict)
	// The second batch's times are those of the first's hold.
	same := milk()
	same.Batch = "2"
	f = Verify(problem(t, "us-grade-a-vat", line("product", "F", 0.05, 2, two...), milk(), same))
	assert.Contains(t, get(t, f, 1, "hold").Reason, "claims the same hold")
	assert.NotEqual(t, Pass, get(t, f, 0, "hold").Verdict)
	// A batch without a hold and a hold without a batch.
	lost := milk()
	lost.OutletOpened, lost.Indicating, lost.Airspace = "09:00", []entries.Reading{{At: "08:30", Reads: 90}}, nil
	f = Verify(problem(t, "us-grade-a-vat", line("product", "F", 0.05, 2, two...), lost))
	assert.Equal(t, Undecided, get(t, f, 0, "hold").Verdict)
	// A time mistyped into another batch's hold does not give that hold to this one.
	short.Airspace[0].At = "10:07"
	f = Verify(problem(t, "us-grade-a-vat", line("product", "F", 0.05, 2, two...), milk(), short))
	assert.Equal(t, Fail, get(t, f, 1, "hold").Verdict)
	assert.WithinDuration(t, at("12:35"), f.Batches[1].Hold.Start.Time, time.Minute)
}

// A dip narrower than a pen line keeps a hold from passing and does not fail it.
func TestNarrowDip(t *testing.T) {
	dip := func(to string) Verdict {
		s := line("product", "F", 0.05, 2, "08:00:00 60", "09:59:59 100", "10:00:00 147", "10:15:00 147", "10:15:01 144", to+" 144", at(to).Add(time.Second).Format("15:04:05")+" 147", "10:32:00 147", "10:32:01 100", "12:00:00 60")
		b := milk()
		b.Indicating[0].Reads = 148
		return get(t, Verify(problem(t, "us-grade-a-vat", s, b)), 0, "hold").Verdict
	}
	assert.Equal(t, Undecided, dip("10:15:10"))
	assert.Equal(t, Fail, dip("10:15:40"))
}

// A line that falls along one time: the clock stood, and what follows is late.
func TestStroke(t *testing.T) {
	s := hold("10:00:00", "10:32:00", 146)
	i := slices.IndexFunc(s.Samples, func(p series.Sample) bool { return p.Time.Equal(at("10:31:55")) })
	fall := func(step time.Duration) Verdict {
		c := s
		c.Samples = slices.Clone(s.Samples[:i])
		for k := range 40 {
			c.Samples = append(c.Samples, series.Sample{Time: at("10:31:55").Add(time.Duration(k) * step), Temperature: 146 - float64(k), Quality: series.Good})
		}
		c.Samples = append(c.Samples, series.Sample{Time: at("10:34:00"), Temperature: 106, Quality: series.Good})
		return get(t, Verify(problem(t, "us-grade-a-vat", c, milk())), -1, "record").Verdict
	}
	assert.Equal(t, Undecided, fall(0))
	assert.Equal(t, Pass, fall(2*time.Second), "half a degree a second is a fast fall and no more")
	// On a slow chart a filling's times, each good to 2 s, stand for 13 °F and then leap by 8 s.
	leaps := line("product", "F", 0.02, 2, "08:00:00 60", "09:58:00 60")
	for k := range 70 {
		leaps.Samples = append(leaps.Samples, series.Sample{Time: at("09:58:08").Add(time.Duration(k/10*8) * time.Second),
			Temperature: 60 + 1.4*float64(k+1), UTemperature: 0.02, UTime: 2, Quality: series.Good})
	}
	leaps.Samples = append(leaps.Samples, line("product", "F", 0.02, 2, "09:59:10 158", "10:33:00 158", "10:40:00 100", "12:00:00 60").Samples...)
	assert.Equal(t, Pass, get(t, Verify(problem(t, "us-grade-a-vat", leaps, milk())), -1, "record").Verdict)
	// A bulb of 20 s that milk of 150 °F reaches at 60 °F rises 12.5 °F in its first three seconds: 90 (1 − exp(−3/20)).
	fill := line("product", "F", 0.02, 1, "08:00:00 60", "09:58:00 60")
	for k := 1; k <= 300; k++ {
		sec := 0.5 * float64(k)
		fill.Samples = append(fill.Samples, series.Sample{Time: at("09:58:00").Add(time.Duration(sec * float64(time.Second))),
			Temperature: 150 - 90*math.Exp(-sec/20), UTemperature: 0.02, UTime: 1, Quality: series.Good})
	}
	fill.Samples = append(fill.Samples, line("product", "F", 0.02, 1, "10:01:00 150", "10:33:00 150", "10:40:00 100", "12:00:00 60").Samples...)
	assert.Equal(t, Pass, get(t, Verify(problem(t, "us-grade-a-vat", fill, milk())), -1, "record").Verdict)
}

// Hostile series leave findings that can be written.
func FuzzVerify(f *testing.F) {
	f.Add(int64(0), 145.0, 0.1, 5.0, uint8(3))
	f.Add(int64(-9e9), math.Inf(1), -1.0, math.NaN(), uint8(0))
	f.Fuzz(func(t *testing.T, step int64, temp, u, ut float64, n uint8) {
		s := series.Series{Pen: "product", Unit: "F"}
		for i := range int(n) {
			s.Samples = append(s.Samples, series.Sample{Time: at("10:00").Add(time.Duration(step%int64(48*time.Hour)) * time.Duration(i%7)), Temperature: temp * float64(i%3), UTemperature: u, UTime: ut, Quality: series.Good})
		}
		for _, hour := range []bool{true, false} {
			p := problem(t, "us-grade-a-vat", s, milk())
			p.HourKnown = hour
			_, err := json.Marshal(Verify(p))
			require.NoError(t, err)
			p.Entries = nil
			_, err = json.Marshal(Verify(p))
			require.NoError(t, err)
		}
	})
}
