package verify

import (
	"fmt"
	"slices"
	"strings"

	"penarm/verify/entries"
	"penarm/verify/rules"
)

// class gives the rows of the rule set that a product may fall under, the milder
// first: one where what is written settles it, two where a question is open.
func class(r *rules.RuleSet, b *entries.Batch) (rows []rules.Row, note string) {
	name := normal(b.Product)
	for i := len(r.Rows) - 1; i > 0; i-- {
		for _, p := range r.Rows[i].Products {
			if p = " " + normal(p); strings.Contains(" "+name+" ", p+" ") || strings.Contains(" "+name+" ", p+"s ") {
				return []rules.Row{r.Rows[i]}, fmt.Sprintf("%q takes the row %q", b.Product, r.Rows[i].Row)
			}
		}
	}
	rows = r.Rows[:1]
	for _, w := range r.Rows[1:] {
		if w.Richer == nil {
			continue
		}
		met, open, from := richer(w.Richer, b, name)
		switch {
		case met != "":
			rows, note = []rules.Row{w}, fmt.Sprintf("%s: row %q", met, w.Row)
		case len(open) > 0:
			rows = []rules.Row{rows[len(rows)-1], w}
			note = fmt.Sprintf("not written: %s; row %q may apply: write it in the entries", strings.Join(open, ", "), w.Row)
		case from != "":
			note = from
		}
	}
	return rows, note
}

// richer tells which condition is met, or else which of the law's questions nobody
// answered. A plain milk by name is taken as unsweetened and below 10 % fat (21 CFR
// 131.110: a sweetened or flavoured milk must be named so; from memory), and with at
// most 5 % fat as below 18 % total solids, for solids not fat of cow's milk stay below 10 %
// (common practice, no source).
func richer(c *rules.Richer, b *entries.Batch, name string) (met string, open []string, from string) {
	plain := plainMilk(name)
	if c.FatPercent != nil {
		switch {
		case b.FatPercent == nil && plain:
			from = "plain milk by its name"
		case b.FatPercent == nil:
			open = append(open, "fat_percent")
		case *b.FatPercent >= *c.FatPercent:
			met = fmt.Sprintf("%g %% fat, %g or more", *b.FatPercent, *c.FatPercent)
		}
	}
	if c.Sweetened {
		switch {
		case b.Sweetened == nil && plain:
			from = "plain milk by its name"
		case b.Sweetened == nil:
			open = append(open, "sweetened")
		case *b.Sweetened:
			met = "sweetened"
		}
	}
	if c.TotalSolidsPercent != nil {
		switch {
		case b.TotalSolidsPercent == nil && plain && (b.FatPercent == nil || *b.FatPercent <= 5):
			from = "plain milk by its name"
		case b.TotalSolidsPercent == nil:
			open = append(open, "total_solids_percent")
		case *b.TotalSolidsPercent >= *c.TotalSolidsPercent:
			met = fmt.Sprintf("%g %% total solids, %g or more", *b.TotalSolidsPercent, *c.TotalSolidsPercent)
		}
	}
	return met, open, from
}

var plainWords = []string{"milk", "whole", "skim", "skimmed", "semi", "low", "lowfat", "reduced", "reducedfat", "fat", "free", "nonfat", "non", "creamline", "cow", "cows", "cow's", "raw", "1", "2", "1%", "2%"}

// plainMilk: the name is made of these words only, milk among them.
func plainMilk(name string) bool {
	words := strings.Fields(name)
	for _, w := range words {
		if !slices.Contains(plainWords, w) {
			return false
		}
	}
	return slices.Contains(words, "milk")
}

func normal(s string) string {
	return strings.Join(strings.Fields(strings.NewReplacer("-", " ", "_", " ", ",", " ").Replace(strings.ToLower(s))), " ")
}
