package verify

import (
	"fmt"
	"testing"
)

// BenchmarkVerify: one chart of 12 h at 5 s with four batches, and what a thousand would take on one core.
func BenchmarkVerify(b *testing.B) {
	points := []string{"06:00:00 60"}
	for i := range 4 {
		h := 7 + 2*i
		points = append(points, fmt.Sprintf("%02d:00:00 60", h), fmt.Sprintf("%02d:30:00 146", h), fmt.Sprintf("%02d:05:00 146", h+1), fmt.Sprintf("%02d:40:00 70", h+1))
	}
	s := line("product", "F", 0.05, 2, append(points, "18:00:00 60")...)
	p := problem(b, "us-grade-a-vat", s)
	for i := range 4 {
		m := milk()
		m.Batch = fmt.Sprint(i + 1)
		m.OutletOpened = fmt.Sprintf("%02d:30", 8+2*i)
		m.Indicating[0].At = fmt.Sprintf("%02d:45", 7+2*i)
		m.Airspace[0].At, m.Airspace[1].At = fmt.Sprintf("%02d:35", 7+2*i), fmt.Sprintf("%02d:00", 8+2*i)
		p.Entries.Batches = append(p.Entries.Batches, m)
	}
	for b.Loop() {
		if f := Verify(p); f.Verdict != Pass {
			b.Fatal(why(f))
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)*1000, "s/1000-charts")
}
