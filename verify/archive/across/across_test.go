package across

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"penarm/verify/archive/ledger"
)

// kettle draws a trace as a vat gives it: heated, held with a slow wander about its
// setting, cooled; every figure differs a little from day to day.
func kettle(rng *rand.Rand) ledger.Trace {
	between := func(lo, hi float64) float64 { return lo + rng.Float64()*(hi-lo) }
	cold, setting := between(38, 60), between(145.5, 148.5)
	tau, hold, cooling := between(22, 30), between(31, 40), between(18, 26)
	hot := setting + between(25, 45)
	wander, period, phase := between(0.1, 0.7), between(7, 16), between(0, 2*math.Pi)
	var t ledger.Trace
	v, minute, held := cold, 0.0, 0.0
	for ; v < setting; minute++ {
		t = append(t, int16(math.Round(v*10)))
		v = hot + (cold-hot)*math.Exp(-(minute+1)/tau)
	}
	for ; held < hold; held++ {
		v = setting + wander*math.Sin(phase+2*math.Pi*held/period)
		t = append(t, int16(math.Round(v*10)))
	}
	for after := 1.0; v > 70; after++ {
		v = 40 + (setting-40)*math.Exp(-after/cooling)
		t = append(t, int16(math.Round(v*10)))
	}
	return t
}

// again is the same paper read once more: noise of a tenth of a degree or two, the
// start found up to two minutes off, a part of the ink lost.
func again(rng *rand.Rand, t ledger.Trace) ledger.Trace {
	var out ledger.Trace
	lost, length := rng.IntN(len(t)), rng.IntN(len(t)/12)
	for i, v := range t[rng.IntN(3):] {
		if i >= lost && i < lost+length {
			v = ledger.NoInk
		} else {
			v += int16(math.Round(rng.NormFloat64() * 1.5))
		}
		out = append(out, v)
	}
	return out
}

// archiveOf gives n charts of four recorders, of which planted are read twice under other dates.
func archiveOf(n, planted int) (records []ledger.Record, truth map[[2]string]bool) {
	rng := rand.New(rand.NewPCG(11, 29))
	truth = map[[2]string]bool{}
	start := time.Date(2020, 1, 1, 6, 0, 0, 0, time.UTC)
	for i := range n {
		from := start.AddDate(0, 0, i/4).Add(time.Duration(rng.IntN(5400)) * time.Second)
		r := ledger.Record{
			Name: fmt.Sprintf("%05d", i), SHA256: fmt.Sprint(i), Plant: "P", Recorder: fmt.Sprintf("R%d", i%4),
			Date: from.Format(time.DateOnly), From: from, Trace: kettle(rng),
		}
		r.To = from.Add(time.Duration(len(r.Trace)) * time.Minute)
		if i >= n-planted {
			of := records[i-(n-planted)]
			r.Trace, r.SHA256 = again(rng, of.Trace), fmt.Sprint(i)
			truth[[2]string{of.Name, r.Name}] = true
		}
		records = append(records, r)
	}
	return records, truth
}

func TestCopiesAreFoundAndNothingElse(t *testing.T) {
	records, truth := archiveOf(2000, 200)
	found, wrong := 0, 0
	for _, p := range sameTraces(records) {
		if truth[[2]string{records[p.a].Name, records[p.b].Name}] {
			found++
		} else {
			wrong++
		}
	}
	require.GreaterOrEqual(t, found, 198, "99 of 100 planted copies")
	require.LessOrEqual(t, wrong, 2, "a false pair in a thousand charts at most")
}

func TestACopyCutOffAtBothEndsIsFoundByItsClock(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	whole := kettle(rng)
	from := time.Date(2026, 3, 4, 7, 0, 0, 0, time.UTC)
	a := ledger.Record{Name: "a", From: from, Trace: whole}
	b := ledger.Record{Name: "b", From: from.AddDate(0, 0, 3).Add(20 * time.Minute), Trace: whole[20 : len(whole)-8]}
	require.Len(t, sameTraces([]ledger.Record{a, b}), 1)
	b.From = b.From.Add(time.Hour) // laid an hour apart they are two charts
	require.Empty(t, sameTraces([]ledger.Record{a, b}))
}

func TestFlatTracesTellNothing(t *testing.T) {
	flat := make(ledger.Trace, 300)
	require.Empty(t, sameTraces([]ledger.Record{{Name: "a", Trace: flat}, {Name: "b", Trace: flat}}))
}

// BenchmarkTenThousandTraces is the search for copies over an archive of years.
func BenchmarkTenThousandTraces(b *testing.B) {
	records, _ := archiveOf(10_000, 100)
	for b.Loop() {
		sameTraces(records)
	}
}

// Norris, NIST Statistical Reference Datasets, linear regression: certified slope
// 1.00211681802045 with standard deviation 0.000429796848199937, 36 observations.
func TestFitAgainstNorris(t *testing.T) {
	yx := []float64{0.1, 0.2, 338.8, 337.4, 118.1, 118.2, 888.0, 884.6, 9.2, 10.1, 228.1, 226.5, 668.5, 666.3, 998.5, 996.3,
		449.1, 448.6, 778.9, 777.0, 559.2, 558.2, 0.3, 0.4, 0.1, 0.6, 778.1, 775.5, 668.8, 666.9, 339.3, 338.0, 448.9, 447.5,
		10.8, 11.6, 557.7, 556.0, 228.3, 228.1, 998.0, 995.8, 888.8, 887.6, 119.6, 120.2, 0.3, 0.3, 0.6, 0.3, 557.6, 556.8,
		339.3, 339.1, 888.0, 887.2, 998.5, 999.0, 778.9, 779.0, 10.2, 11.1, 117.6, 118.3, 228.9, 229.2, 668.4, 669.1, 449.2, 448.9, 0.2, 0.5}
	x, y := []float64{0.2}, []float64{0.1}
	for i := 2; i < len(yx); i += 2 {
		x, y = append(x, yx[i+1]), append(y, yx[i])
	}
	x[35], x[30], y[35], y[30] = x[30], x[35], y[30], y[35] // fit wants the first and the last apart
	l, ok := fit(x, y)
	require.True(t, ok)
	require.InEpsilon(t, 1.00211681802045, l.slope, 1e-9)
	// Student's t, 97.5 %, 34 degrees of freedom: 2.0322 (standard tables).
	require.InEpsilon(t, 2.0322*0.000429796848199937, l.half, 1e-4)
	require.InDelta(t, -0.262323073774029, l.at(0), 1e-9)
}

// The fair coin: at least 15 heads of 20 have the chance 21700 / 2^20 (sum of the
// binomial coefficients C(20, 15) to C(20, 20)).
func TestBinomialTail(t *testing.T) {
	require.InEpsilon(t, 21700.0/(1<<20), binomialTail(15, 20, 0.5), 1e-9)
	require.Equal(t, 1.0, binomialTail(0, 20, 0.5))
	require.InEpsilon(t, 1e-3, binomialTail(3, 3, 0.1), 1e-9)
}

// days gives a chart a day on recorder R, from 2026-01-05, a Monday; change shapes each.
func days(n int, change func(i int, r *ledger.Record)) []ledger.Record {
	var out []ledger.Record
	for i := range n {
		from := time.Date(2026, 1, 5+i, 7, 0, 0, 0, time.UTC)
		r := ledger.Record{
			Name: fmt.Sprintf("%03d", i), SHA256: fmt.Sprint(i), Plant: "P", Recorder: "R", Vat: "V", Unit: "F", Operator: "A. B.",
			Date: from.Format(time.DateOnly), From: from, To: from.Add(5 * time.Hour),
		}
		change(i, &r)
		if r.Name != "" {
			out = append(out, r)
		}
	}
	return out
}

func kinds(qs []ledger.Question) (out []string) {
	for _, q := range qs {
		out = append(out, q.Kind)
	}
	return out
}

var today = time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)

func TestAQuietArchiveRaisesNoQuestion(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	records := days(200, func(i int, r *ledger.Record) {
		if wd := r.From.Weekday(); wd == time.Sunday {
			r.Name = "" // no work on Sundays
			return
		}
		reads := 146 + float64(rng.IntN(5))/2
		pen := reads - 0.8 + rng.NormFloat64()*0.3
		cooling := 40 + rng.NormFloat64()*2
		r.Readings = []ledger.Reading{{Kind: "indicating", At: "08:00", Reads: reads, Recorded: &pen}}
		r.Holds = []ledger.Held{{Minutes: 31 + rng.Float64()*8, Limit: 30}}
		r.Trace, r.Cooling = kettle(rng), &cooling
	})
	require.Empty(t, Ask(records, nil, today))
}

func TestDaysWithoutAChart(t *testing.T) {
	records := days(60, func(i int, r *ledger.Record) {
		if wd := r.From.Weekday(); wd == time.Saturday || wd == time.Sunday || r.Date == "2026-02-03" || r.Date == "2026-02-04" {
			r.Name = ""
		}
	})
	qs := Ask(records, nil, today)
	require.Equal(t, []string{NoChart}, kinds(qs))
	require.Contains(t, qs[0].Question, "2026-02-03 to 2026-02-04 (2 days of operation)")
	require.Equal(t, []string{"028", "031"}, qs[0].Charts, "the charts before and after")
}

func TestTwoChartsAtOneTime(t *testing.T) {
	records := days(3, func(i int, r *ledger.Record) {
		if i == 1 {
			r.From = r.From.Add(-20 * time.Hour) // 11:00 the day before, while chart 0 is on until 12:00
		}
	})
	qs := Ask(records, nil, today)
	require.Equal(t, []string{Overlap}, kinds(qs))
	require.Contains(t, qs[0].Evidence, "60 min in common, 2026-01-05 11:00 to 12:00")
	records[1].From = records[0].To.Add(-10 * time.Minute) // a chart's start may be written 15 min off
	require.Empty(t, Ask(records, nil, today))
}

func TestARecorderThatDrifts(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	records := days(180, func(i int, r *ledger.Record) {
		reads := 146 + float64(rng.IntN(5))/2
		pen := reads - 1 + 0.01*float64(i) + rng.NormFloat64()*0.3
		r.Readings = []ledger.Reading{{Kind: "indicating", At: "08:00", Reads: reads, Recorded: &pen}}
	})
	qs := Ask(records, nil, today)
	require.Equal(t, []string{Drift}, kinds(qs))
	require.Contains(t, qs[0].Question, "moves up from")
	// 0.01 ° a day is 0.30 ° in a mean month of 30.44 days.
	var slope, half float64
	_, err := fmt.Sscanf(qs[0].Evidence, "recorder less indicating changes by %f ± %f", &slope, &half)
	require.NoError(t, err)
	require.InDelta(t, 0.3044, slope, half+0.005)
	require.Less(t, half, 0.05)
}

func TestReadingsByHabit(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	ask := func(reading func(i int) (reads, pen float64)) []ledger.Question {
		return Ask(days(40, func(i int, r *ledger.Record) {
			reads, pen := reading(i)
			r.Readings = []ledger.Reading{{Kind: "indicating", At: "08:00", Reads: reads, Recorded: &pen}}
		}), nil, today)
	}
	qs := ask(func(int) (float64, float64) { return 146, 145.2 + rng.NormFloat64()*0.4 })
	require.Equal(t, []string{Readings}, kinds(qs))
	require.Contains(t, qs[0].Evidence, "40 readings, all 146")

	qs = ask(func(i int) (float64, float64) {
		v := 145.3 + float64(rng.IntN(6))
		if i == 0 {
			v = 146.8
		}
		return v, v - 0.8 + rng.NormFloat64()*0.4
	})
	require.Equal(t, []string{Readings}, kinds(qs))
	require.Contains(t, qs[0].Question, "A. B. at recorder R end in 3 nearly always")

	qs = ask(func(int) (float64, float64) {
		pen := 145.5 + rng.Float64()*3
		return math.Round(pen), pen
	})
	require.Equal(t, []string{Readings}, kinds(qs))
	require.Contains(t, qs[0].Question, "never differ from the pen")
}

func TestHoldsThatCrowd(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	hold := func(width float64) []ledger.Question {
		return Ask(days(60, func(i int, r *ledger.Record) { r.Holds = []ledger.Held{{Minutes: 30 + width*rng.Float64(), Limit: 30}} }), nil, today)
	}
	qs := hold(1)
	require.Equal(t, []string{Crowding}, kinds(qs))
	require.Contains(t, qs[0].Evidence, "60 holds within a minute above the limit (30 min), 0 in the next")
	require.Empty(t, hold(8))
}

func TestAVatThatCoolsSlower(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 13))
	at := func(rise float64) []ledger.Question {
		return Ask(days(180, func(i int, r *ledger.Record) {
			m := 40 + rise*float64(i) + rng.NormFloat64()*2
			r.Cooling = &m
		}), nil, today)
	}
	qs := at(0.1)
	require.Equal(t, []string{Cooling}, kinds(qs))
	require.Equal(t, "V", qs[0].Subject)
	require.Empty(t, at(0))
	require.Empty(t, at(-0.1), "faster is no question")
}

func TestClockAndRetention(t *testing.T) {
	three, six := 3.0, 6.0
	plant := func(tested string) []ledger.Plant {
		return []ledger.Plant{{Plant: "P", ClockMonths: &three, RetentionMonths: &six, Recorders: []ledger.Recorder{{Recorder: "R", ClockDate: tested}}}}
	}
	records := days(2, func(int, *ledger.Record) {}) // 2026-01-05 and 06
	require.Empty(t, Ask(records, plant("2025-10-06"), today), "three months from 2025-10-06 end on 2026-01-06")
	require.Equal(t, []string{ClockCheck}, kinds(Ask(records, plant("2025-10-05"), today)))
	require.Equal(t, []string{ClockCheck}, kinds(Ask(records, plant(""), today)))

	// Six months from 2026-01-05 end on 2026-07-05.
	for date, want := range map[string]int{"2026-06-04": 0, "2026-06-06": 1, "2026-07-05": 1, "2026-07-08": 0} {
		now, err := time.Parse(time.DateOnly, date)
		require.NoError(t, err)
		require.Len(t, Ask(records, plant("2025-12-01"), now), want, date)
	}
}

func TestQuestionsDoNotDependOnTheOrder(t *testing.T) {
	records, _ := archiveOf(60, 6)
	want := Ask(records, nil, today)
	require.NotEmpty(t, want)
	rng := rand.New(rand.NewPCG(14, 15))
	rng.Shuffle(len(records), func(i, j int) { records[i], records[j] = records[j], records[i] })
	require.Equal(t, want, Ask(records, nil, today))
}

// Four charts that show one line are three questions, not six, and name all four.
func TestManyCopiesAreAskedAboutOnceEach(t *testing.T) {
	var records []ledger.Record
	for _, n := range []string{"a", "b", "c", "d", "e"} {
		records = append(records, ledger.Record{Name: n})
	}
	var pairs []pair
	for i := range 4 {
		for j := i + 1; j < 4; j++ {
			pairs = append(pairs, pair{a: i, b: j, agree: 60, common: 60})
		}
	}
	qs, first := copies(records, pairs)
	require.Len(t, qs, 3)
	var named []string
	for _, q := range qs {
		named = append(named, q.Charts...)
	}
	require.Equal(t, []string{"a", "b", "c", "d"}, slices.Compact(slices.Sorted(slices.Values(named))))
	require.Equal(t, map[string]string{"a": "a", "b": "a", "c": "a", "d": "a"}, first)

	// The pair that tells most is asked about, whatever the order.
	records[1].Recorder, records[3].Recorder = "R1", "R2"
	qs, _ = copies(records, pairs)
	require.Len(t, qs, 3)
	require.Contains(t, qs[0].Question, "b (R1) and d (R2) show the same trace under two recorders")
}

// Copies of one chart are one chart where time is concerned.
func TestCopiesOverlapOnceWithAnotherChart(t *testing.T) {
	from := time.Date(2026, 3, 4, 7, 0, 0, 0, time.UTC)
	var g group
	for _, n := range []string{"a", "b", "c", "d"} {
		g.charts = append(g.charts, ledger.Record{Name: n, Date: "2026-03-04", From: from, To: from.Add(2 * time.Hour)})
	}
	qs := overlaps(g, map[string]string{"a": "a", "c": "a"})
	var named [][]string
	for _, q := range qs {
		named = append(named, q.Charts)
	}
	require.Equal(t, [][]string{{"a", "b"}, {"a", "d"}, {"b", "d"}}, named)
}
