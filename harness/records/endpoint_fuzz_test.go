package records

import (
	"bytes"
	"encoding/json"
	"testing"
)

// Whatever is posted becomes JSON values, one a line, and no body that says
// something becomes none.
//
// Kind: property.
func FuzzSplit(f *testing.F) {
	f.Add([]byte(`[{"a":1},{"b":2}]`))
	f.Add([]byte("{\"a\":1}\n{\"b\""))
	f.Add([]byte("a=1&b=2"))
	f.Fuzz(func(t *testing.T, body []byte) {
		lines, good := split(body)
		for _, l := range bytes.Split(bytes.TrimSuffix(lines, []byte("\n")), []byte("\n")) {
			if len(lines) > 0 && !json.Valid(l) {
				t.Errorf("%q is not JSON", l)
			}
		}
		if !good && len(lines) == 0 {
			t.Error("a body that is not JSON left nothing")
		}
	})
}
