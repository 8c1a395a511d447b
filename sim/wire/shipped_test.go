package wire

import (
	"os"
	"path/filepath"
	"testing"
)

// shipped parses every dialect that is shipped.
func shipped(t testing.TB) []*Dialect {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dialectDir, "*.yaml"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no dialects: %v", err)
	}
	var list []*Dialect
	for _, f := range files {
		src, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		d, err := Parse(f, src)
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		if want := filepath.Base(f); d.Name()+".yaml" != want {
			t.Errorf("%s describes the dialect %s", want, d.Name())
		}
		list = append(list, d)
	}
	return list
}

// Kind: self.
func TestShippedParse(t *testing.T) { shipped(t) }
