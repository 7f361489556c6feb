package archive

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"penarm/digitize/series"
)

// A temperature is converted by °F = 1.8·°C + 32, a difference of two by the factor alone (NIST SP 811, B.8): the
// uncertainty and how far off a rival lies are differences. 63 °C is 145.4 °F.
func TestConvert(t *testing.T) {
	for _, c := range []struct {
		from, to string
		in, want series.Sample
	}{
		{"C", "F", series.Sample{Temperature: 63, UTemperature: 0.5, Rival: -10}, series.Sample{Temperature: 145.4, UTemperature: 0.9, Rival: -18}},
		{"F", "C", series.Sample{Temperature: 145.4, UTemperature: 0.9, Rival: 18}, series.Sample{Temperature: 63, UTemperature: 0.5, Rival: 10}},
		{"F", "F", series.Sample{Temperature: 145, UTemperature: 0.9, Rival: 4}, series.Sample{Temperature: 145, UTemperature: 0.9, Rival: 4}},
	} {
		c.in.Time, c.in.UTime, c.in.Quality = time.Date(2026, 3, 4, 7, 0, 0, 0, time.UTC), 4, series.Weak
		blind := c.in
		blind.Rival = math.NaN() // one may be, but is not seen
		s := series.Series{Unit: c.from, Samples: []series.Sample{c.in, blind}}
		convert(&s, c.to)
		got := s.Samples[0]
		require.Equal(t, c.to, s.Unit)
		require.InDelta(t, c.want.Temperature, got.Temperature, 1e-9)
		require.InDelta(t, c.want.UTemperature, got.UTemperature, 1e-9)
		require.InDelta(t, c.want.Rival, got.Rival, 1e-9)
		require.Equal(t, c.in.UTime, got.UTime)
		require.True(t, math.IsNaN(s.Samples[1].Rival))
	}
}
