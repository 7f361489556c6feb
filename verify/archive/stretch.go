package archive

import (
	"cmp"

	"penarm/digitize/series"
)

// Stretch is a run of neighbouring samples that are weak or a gap for one reason.
type Stretch struct {
	Pen     string         `json:"pen"`
	From    string         `json:"from"` // of the first and the last sample, as series.csv has them
	To      string         `json:"to"`
	Quality series.Quality `json:"quality"` // weak or gap
	Reason  string         `json:"reason"`
}

// stretches lists what is no good reading, pen by pen in the order of time; nil where all is good.
func stretches(all []series.Series) (out []Stretch) {
	for _, s := range all {
		var last Stretch // that of the sample before
		for _, p := range s.Samples {
			at := series.Stamp(p.Time)
			here := Stretch{Pen: s.Pen, From: at, To: at, Quality: p.Quality}
			switch p.Quality {
			case series.Weak:
				here.Reason = cmp.Or(p.Reason, "the ink is weak")
			case series.Gap:
				here.Reason = series.EventGap.Words()
			}
			switch {
			case p.Quality == series.Good:
			case here.Quality == last.Quality && here.Reason == last.Reason:
				out[len(out)-1].To = at
			default:
				out = append(out, here)
			}
			last = here
		}
	}
	return out
}
