package wire

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Whatever is answered, the file that comes out parses, and its frames read
// back.
func TestPropertyStart(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := map[string]string{}
		for _, q := range Questions() {
			if q.Choices != nil {
				a[q.Key] = rapid.SampledFrom(q.Choices).Draw(t, q.Key)
			}
		}
		a["channels"] = rapid.SampledFrom([]string{"1", "2", "8", "32"}).Draw(t, "channels")
		a["decimals"] = rapid.SampledFrom([]string{"0", "1", "3", "6"}).Draw(t, "decimals")
		src, err := Start(a)
		if err != nil {
			t.Fatal(err)
		}
		d, err := Parse("started.yaml", src)
		if err != nil {
			t.Fatalf("%v\n%s", err, src)
		}
		for i, f := range d.Frames() {
			_, raw, err := d.Sample(Frame(i))
			if err != nil {
				t.Fatalf("%v\n%s", err, src)
			}
			pieces := d.Explain(raw, f.From)
			if len(pieces) != 1 || pieces[0].Garbage != nil || pieces[0].Name != f.Name {
				t.Fatalf("%s: %q is %+v\n%s", f.Name, raw, pieces, src)
			}
		}
	})
}

func TestStart(t *testing.T) {
	t.Parallel()
	src, err := Start(nil)
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "started.yaml", string(src))
	for _, bad := range []map[string]string{{"form": "txt"}, {"name": "Mine!"}, {"colour": "red"}, {"baud": "fast"}, {"channels": "0"}, {"decimals": "9"}, {"check": "crc"}} {
		if _, err := Start(bad); err == nil || !strings.Contains(err.Error(), "is no") {
			t.Errorf("%v: %v", bad, err)
		}
	}
}
