package archive

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"penarm/digitize/series"
)

// Neighbours of one quality and one reason are one stretch; a good sample, another reason or another pen begins the next.
func TestStretches(t *testing.T) {
	start := time.Date(2026, 3, 4, 7, 0, 0, 0, time.UTC)
	pen := func(name string, of ...series.Sample) series.Series {
		for i := range of {
			of[i].Time = start.Add(time.Duration(i) * 2500 * time.Millisecond)
		}
		return series.Series{Pen: name, Samples: of}
	}
	good, gap := series.Sample{Quality: series.Good}, series.Sample{Quality: series.Gap}
	weak := func(why string) series.Sample { return series.Sample{Quality: series.Weak, Reason: why} }
	got := stretches([]series.Series{
		pen("product", weak("the ink is faint"), weak("the ink is faint"), weak("the pen skipped"), gap, gap, gap, good, weak("the pen skipped")),
		pen("airspace", weak("the pen skipped"), good, weak("")),
	})
	require.Equal(t, []Stretch{
		{"product", "2026-03-04T07:00:00", "2026-03-04T07:00:02.500", series.Weak, "the ink is faint"},
		{"product", "2026-03-04T07:00:05", "2026-03-04T07:00:05", series.Weak, "the pen skipped"},
		{"product", "2026-03-04T07:00:07.500", "2026-03-04T07:00:12.500", series.Gap, "no ink"},
		{"product", "2026-03-04T07:00:17.500", "2026-03-04T07:00:17.500", series.Weak, "the pen skipped"},
		{"airspace", "2026-03-04T07:00:00", "2026-03-04T07:00:00", series.Weak, "the pen skipped"},
		{"airspace", "2026-03-04T07:00:05", "2026-03-04T07:00:05", series.Weak, "the ink is weak"},
	}, got)
	require.Nil(t, stretches([]series.Series{pen("product", good, good)}))
}
