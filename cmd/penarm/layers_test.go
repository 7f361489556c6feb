package main

import (
	"bytes"
	"encoding/json"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// mayImport holds the way of the data: each package with those of this module
// that it may import. Only calibrate/scan may import gocv.
var mayImport = map[string][]string{
	"calibrate/picture":      {},
	"calibrate/form":         {},
	"calibrate/scan":         {"calibrate/picture"},
	"calibrate/internal/lsq": {},
	"calibrate/rank":         {},
	"calibrate":              {"calibrate/picture", "calibrate/form", "calibrate/internal/lsq", "calibrate/rank"},
	"digitize/series":        {},
	"digitize":               {"calibrate", "calibrate/picture", "calibrate/form", "calibrate/rank", "digitize/series"},
	"verify/entries":         {"calibrate/form"},
	"verify/rules":           {"calibrate/form"},
	"verify":                 {"calibrate/form", "digitize/series", "verify/entries", "verify/rules"},
	"verify/evidence": {"calibrate", "calibrate/picture", "calibrate/form", "digitize/series",
		"verify", "verify/entries", "verify/rules"},
	"verify/archive": {"calibrate", "calibrate/picture", "calibrate/form", "digitize", "digitize/series",
		"verify", "verify/entries", "verify/rules", "verify/evidence", "verify/seal", "verify/archive/ledger", "verify/archive/across", "verify/archive/page"},
	"verify/archive/ledger": {"verify"},
	"verify/archive/across": {"verify", "verify/archive/ledger"},
	"verify/archive/page":   {"verify/archive/across", "verify/archive/ledger"},
	"verify/seal":           {},
	"cmd/penarm": {"calibrate/picture", "calibrate/scan", "verify", "verify/archive", "verify/archive/ledger", "verify/entries", "verify/evidence",
		"verify/rules", "verify/seal"},
}

func TestLayers(t *testing.T) {
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports", "./...")
	cmd.Dir = "../.."
	out, err := cmd.Output()
	require.NoError(t, err)
	seen := 0
	for dec := json.NewDecoder(bytes.NewReader(out)); dec.More(); {
		var p struct {
			ImportPath string
			Imports    []string
		}
		require.NoError(t, dec.Decode(&p))
		name := strings.TrimPrefix(p.ImportPath, "penarm/")
		allowed, known := mayImport[name]
		require.True(t, known, "%s has no layer: add it to mayImport", name)
		seen++
		for _, imp := range p.Imports {
			if in, own := strings.CutPrefix(imp, "penarm/"); own && !slices.Contains(allowed, in) {
				t.Errorf("%s imports %s, against the way of the data", name, in)
			}
			if strings.HasPrefix(imp, "gocv.io/") && name != "calibrate/scan" {
				t.Errorf("%s imports %s: only calibrate/scan may", name, imp)
			}
		}
	}
	require.Equal(t, len(mayImport), seen, "mayImport names a package that is gone")
}
