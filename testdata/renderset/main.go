// Renderset writes a set of rendered recorder charts with forms, plant file,
// entries and truth, all from one seed:
//
//	go run ./testdata/renderset --out DIR --seed N --n 30
package main

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"time"

	"penarm/testdata/render"
)

func main() {
	out := flag.String("out", "", "folder to write to")
	seed := flag.Int64("seed", 1, "seed that everything follows from")
	n := flag.Int("n", 24, "number of charts")
	unit := flag.String("unit", "F", "the plant's unit, F or C")
	flag.Parse()
	if *out == "" || *n < 1 || (*unit != "F" && *unit != "C") || flag.NArg() > 0 {
		fmt.Fprintln(os.Stderr, "renderset: --out DIR is needed, --n at least 1, --unit F or C")
		os.Exit(64)
	}
	last := time.Now()
	err := render.WriteSet(*out, *seed, *n, *unit, func(i int, s *render.Scene) {
		t := s.Truth()
		fmt.Printf("%04d %-9s %s %-22s %-50s %v %.1fs\n", i+1, s.Form.Number, s.Name, strings.Join(s.Scenario, "+"), strings.Join(t.ScanTags, ", "), t.Verdict, time.Since(last).Seconds())
		last = time.Now()
	})
	if err != nil {
		fmt.Fprintf(os.Stderr, "renderset: %v\n", err)
		os.Exit(1)
	}
}
