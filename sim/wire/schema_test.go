package wire

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

// The JSON Schema that editors use takes every shipped dialect, and refuses a
// misspelt key.
//
// Kind: self.
func TestSchema(t *testing.T) {
	t.Parallel()
	schema, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema()))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("dialect.json", schema); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("dialect.json")
	if err != nil {
		t.Fatal(err)
	}
	check := func(src []byte) error {
		var v any
		if err := yaml.Unmarshal(src, &v); err != nil {
			t.Fatal(err)
		}
		j, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(j))
		if err != nil {
			t.Fatal(err)
		}
		return s.Validate(doc)
	}
	files, err := filepath.Glob(filepath.Join(dialectDir, "*.yaml"))
	if err != nil || len(files) == 0 {
		t.Fatal(err)
	}
	for _, f := range files {
		src, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if err := check(src); err != nil {
			t.Errorf("%s: %v", f, err)
		}
		if check(bytes.Replace(src, []byte("dialect:"), []byte("dialct:"), 1)) == nil {
			t.Errorf("%s: a misspelt key is taken", f)
		}
	}
}
