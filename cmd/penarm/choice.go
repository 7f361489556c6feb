package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"penarm/verify"
)

// choice is the value of a flag that takes one of a few words.
type choice struct {
	value string
	of    []string
}

func (c *choice) String() string { return c.value }
func (c *choice) Type() string   { return strings.Join(c.of, "|") }

func (c *choice) Set(s string) error {
	if !slices.Contains(c.of, s) {
		return fmt.Errorf("is not known: %s", strings.Join(c.of, " or "))
	}
	c.value = s
	return nil
}

// bindLine adds the flag on where the pen line is read.
func bindLine(f *pflag.FlagSet, c *choice) {
	*c = choice{verify.LineCentre, []string{verify.LineCentre, verify.LineLower}}
	f.Var(c, "line", "where the pen line is read: its centre, or its lower-temperature edge (lower)")
}

// bindPaper adds the flag on what the report is printed on.
func bindPaper(f *pflag.FlagSet, c *choice) {
	*c = choice{"A4", []string{"A4", "Letter"}}
	f.Var(c, "paper", "paper of the report")
}
