package series

import (
	"bytes"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func day(h, m, s, ms int) time.Time {
	return time.Date(2026, 3, 4, h, m, s, ms*int(time.Millisecond), time.UTC)
}

func TestWriteIsRFC4180(t *testing.T) {
	nan := math.NaN()
	in := []Series{
		{Pen: "product", Unit: "F", Samples: []Sample{
			{Time: day(7, 15, 30, 0), Temperature: 145.5, UTemperature: 0.05, UTime: 1.25, Quality: Good},
			{Time: day(7, 15, 32, 250), Temperature: 145.25, UTemperature: 0.4, UTime: 12.5, Quality: Weak},
			{Time: day(7, 15, 40, 0), Temperature: nan, UTemperature: nan, UTime: nan, Quality: Gap},
		}},
		{Pen: `air, "upper"`, Unit: "F", Samples: []Sample{{Time: day(7, 0, 0, 0), Temperature: -3, UTemperature: 0.1, UTime: 2, Quality: Good}}},
	}
	var buf bytes.Buffer
	require.NoError(t, Write(&buf, in))
	// RFC 4180, section 2: CRLF ends a line; a comma or quote is enclosed, a quote doubled.
	require.Equal(t, "pen,time,temperature,u_temperature,u_time_s,quality\r\n"+
		"product,2026-03-04T07:15:30,145.500,0.050,1.25,good\r\n"+
		"product,2026-03-04T07:15:32.250,145.250,0.400,12.50,weak\r\n"+
		"product,2026-03-04T07:15:40,,,,gap\r\n"+
		"\"air, \"\"upper\"\"\",2026-03-04T07:00:00,-3.000,0.100,2.00,good\r\n", buf.String())
	got, err := Read(&buf)
	require.NoError(t, err)
	require.Len(t, got, 2)
	for i, s := range got {
		require.Equal(t, in[i].Pen, s.Pen)
		require.Len(t, s.Samples, len(in[i].Samples))
		for k, p := range s.Samples {
			want := in[i].Samples[k]
			require.True(t, want.Time.Equal(p.Time))
			require.Equal(t, want.Quality, p.Quality)
			if want.Quality == Gap {
				require.True(t, math.IsNaN(p.Temperature))
				continue
			}
			require.Equal(t, want.Temperature, p.Temperature)
			require.Equal(t, want.UTime, p.UTime)
		}
	}
}

// A logger's own file, in steps of half a degree and whole minutes: a step over √12 is
// JCGM 100:2008 4.3.7, from memory.
func TestReadLogger(t *testing.T) {
	got, err := Read(strings.NewReader("temperature,time\n145.0,2026-03-04T07:15:00\n145.5,2026-03-04T07:16:00\n,2026-03-04T07:17:00\n146.5,2026-03-04T07:18:00\n"))
	require.NoError(t, err)
	require.Len(t, got, 1)
	require.Equal(t, "product", got[0].Pen)
	require.Equal(t, []Quality{Good, Good, Gap, Good}, []Quality{got[0].Samples[0].Quality, got[0].Samples[1].Quality, got[0].Samples[2].Quality, got[0].Samples[3].Quality})
	require.InDelta(t, 0.5/math.Sqrt(12), got[0].Samples[1].UTemperature, 1e-9)
	require.InDelta(t, 60/math.Sqrt(12), got[0].Samples[1].UTime, 1e-9)
	got, err = Read(strings.NewReader("time,temperature,u_temperature\n2026-03-04T07:15:01,145.2,0.3\n2026-03-04T07:15:11,145.2,\n"))
	require.NoError(t, err)
	require.InDelta(t, 0.3, got[0].Samples[0].UTemperature, 1e-9)
	require.InDelta(t, 0.1/math.Sqrt(12), got[0].Samples[1].UTemperature, 1e-9)
	require.InDelta(t, 1/math.Sqrt(12), got[0].Samples[1].UTime, 1e-9)
	// A gap has no temperature, whatever its row says.
	got, err = Read(strings.NewReader("time,temperature,quality\n2026-03-04T07:15:01,145.2,good\n2026-03-04T07:15:11,146.0,gap\n"))
	require.NoError(t, err)
	require.True(t, math.IsNaN(got[0].Samples[1].Temperature))
}

func TestReadNamesTheLine(t *testing.T) {
	head := strings.Join(header, ",") + "\n"
	for text, want := range map[string]string{
		"":                                       "empty",
		"pen,time\na,b":                          "temperature",
		head + "p,2026-03-04 07:15,1,1,1,good\n": "line 2",
		head + "p,2026-03-04T07:15:00,1,1,1,fine\n":                                          "quality",
		head + "p,2026-03-04T07:15:00,,1,1,good\n":                                           "temperature",
		head + "p,2026-03-04T07:15:00,Inf,1,1,good\n":                                        "number",
		head + "p,2026-03-04T07:15:00,1,-1,1,good\n":                                         "never negative",
		head + "p,2026-03-04T07:15:00,1,1,1\n":                                               "wrong number of fields",
		head + "p,2026-03-04T07:15:00,1,1,1,good\np,2026-03-04T07:14:00,1,1,1,good\n":        "line 3",
		head + "p,2026-03-04T07:15:00,1,1,1,good\nq,2026-03-04T07:14:00,1,1,1,good\nbad,x\n": "line 4",
	} {
		_, err := Read(strings.NewReader(text))
		require.ErrorContains(t, err, want)
	}
}
