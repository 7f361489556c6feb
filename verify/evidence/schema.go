package evidence

import (
	"embed"
	"fmt"
	"strings"
)

//go:embed schema/*.json
var schemas embed.FS

// SchemaNames are the files that have a JSON Schema.
var SchemaNames = []string{"findings", "error", "calibration"}

// Schema gives the JSON Schema (draft 2020-12) of a file that has one.
func Schema(name string) ([]byte, error) {
	data, err := schemas.ReadFile("schema/" + strings.TrimSuffix(name, ".json") + ".json")
	if err != nil {
		return nil, fmt.Errorf("there is no schema %q: %s", name, strings.Join(SchemaNames, ", "))
	}
	return data, nil
}
