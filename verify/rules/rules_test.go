package rules

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every built-in set loads, which asks source and manner of knowing beside each number.
func TestBuiltIn(t *testing.T) {
	require.Len(t, Names(), 13)
	for _, name := range Names() {
		r, err := Load(name, "")
		require.NoError(t, err)
		assert.Equal(t, name, r.Rules)
		assert.NotEmpty(t, r.Data)
	}
}

// The printed pairs are not conversions of each other: 145 °F is 62.8 °C, 63 °C is 145.4 °F.
// 21 CFR 1240.61(b), its footnote 1, and (c); 7 CFR 58.635.
func TestGradeA(t *testing.T) {
	r, err := Load("us-grade-a-vat", "")
	require.NoError(t, err)
	for i, want := range [][2]float64{{145, 63}, {150, 66}, {155, 69}, {155, 69}} {
		o := r.Rows[i].Options[0]
		f, ok := o.Temperature.In("F")
		require.True(t, ok)
		c, ok := o.Temperature.In("C")
		require.True(t, ok)
		assert.Equal(t, want, [2]float64{f, c}, r.Rows[i].Row)
		assert.Equal(t, 30.0, o.Minutes)
	}
	f, _ := r.Airspace.Margin.In("F") // 3 CCR 584(b)
	c, _ := r.Airspace.Margin.In("C")
	assert.Equal(t, [2]float64{5, 3}, [2]float64{f, c})
	assert.Equal(t, 2.0, r.GuardBand.Value)
	assert.Equal(t, 3.0, r.ClockMonths.Value) // FDA form 2359b
}

// A law that prints one unit has no figure in the other: Reg. (EC) 853/2004 prints 63 °C.
func TestNeverConverted(t *testing.T) {
	r, err := Load("eu-vat", "")
	require.NoError(t, err)
	_, ok := r.Rows[0].Options[0].Temperature.In("F")
	assert.False(t, ok)
}

func TestOwnFile(t *testing.T) {
	dir := t.TempDir()
	write := func(s string) error {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "own.yaml"), []byte(s), 0o644))
		_, err := Load("own.yaml", dir)
		return err
	}
	good := `
rules: own
title: A plant's own
guard_band_k: {value: 2, source: ours, known: common practice}
rows:
  - row: base
    options:
      - {temperature: {F: 147}, minutes: 32, source: ours, known: common practice}
record: {source: ours, known: common practice}
clock: {source: ours, known: common practice}
`
	require.NoError(t, write(good))
	for old, words := range map[string][2]string{
		"minutes: 32, source: ours, known": {"minutes: 32, known", "needs its source"},
		"minutes: 32":                      {"minutes: -1", "minutes"},
		"{F: 147}":                         {"{F: 63}", "no pasteurizing temperature"},
		"value: 2":                         {"value: 0", "guard_band_k"},
		"title":                            {"titel", "unknown field"},
	} {
		s := strings.ReplaceAll(good, old, words[0])
		assert.ErrorContains(t, write(s), words[1])
		assert.ErrorContains(t, write(s), "own.yaml")
	}
	_, err := Load("nowhere", dir)
	assert.ErrorContains(t, err, "us-grade-a-vat")
}
