package port

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// Kind: property.
func TestSettingsText(t *testing.T) {
	for _, text := range []string{"", "9600", "9600 8N1 rts/cts now", "fast 8N1", "0 8N1", "-1 8N1", "99999999 8N1",
		"9600 4N1", "9600 9N1", "9600 8X1", "9600 8N3", "9600 8N", "9600 8", "9600 8N1 maybe", "9600 8N1 ?"} {
		if s, err := ParseSettings(text); err == nil {
			t.Errorf("%q was read as %v", text, s)
		}
	}
}

func drawSettings(t *rapid.T, label string) Settings {
	return Settings{
		Baud: rapid.OneOf(rapid.Just(0), rapid.IntRange(1, 20_000_000)).Draw(t, label+" baud"), Data: rapid.SampledFrom([]int{0, 5, 6, 7, 8}).Draw(t, label+" data"),
		Parity: Parity(rapid.IntRange(0, 5).Draw(t, label+" parity")), Stop: Stop(rapid.IntRange(0, 3).Draw(t, label+" stop")),
		Flow: Flow(rapid.IntRange(0, 4).Draw(t, label+" flow")),
	}
}

// Kind: property.
func TestSettingsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSettings(t, "s")
		if got, err := ParseSettings(s.String()); err != nil || got != s {
			t.Fatalf("%v came back as %v, %v", s, got, err)
		}
	})
}

// Kind: property.
func FuzzParseSettings(f *testing.F) {
	f.Add("9600 8N1")
	f.Add("? ??1.5 rts/cts")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := ParseSettings(text)
		if err != nil {
			return
		}
		if again, err := ParseSettings(s.String()); err != nil || again != s {
			t.Fatalf("%q: %v came back as %v, %v", text, s, again, err)
		}
	})
}

// Kind: property.
func TestSettingsClash(t *testing.T) {
	mine, err := ParseSettings("9600 7E1 rts/cts")
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string][]string{
		"9600 7E1 rts/cts":   nil,
		"? ???":              nil,
		"9600 ??1":           nil,
		"19200 ??1":          {"speed 9600, not 19200"},
		"9600 8N2 xon/xoff":  {"data bits 7, not 8", "parity E, not N", "stop bits 1, not 2", "flow control rts/cts, not xon/xoff"},
		"9600 7O1.5 no-flow": {"parity E, not O", "stop bits 1, not 1.5", "flow control rts/cts, not no-flow"},
		"115200 7E1 rts/cts": {"speed 9600, not 115200"},
		"9600 7S1":           {"parity E, not S"},
		"9600 7E1":           nil,
		"9600 5E1 dtr/dsr":   {"data bits 7, not 5", "flow control rts/cts, not dtr/dsr"},
		"9600 7?2":           {"stop bits 1, not 2"},
		"? ??? xon/xoff":     {"flow control rts/cts, not xon/xoff"},
		"20000000 7M1":       {"speed 9600, not 20000000", "parity E, not M"},
	} {
		host, err := ParseSettings(text)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, mine.Clash(host)); diff != "" {
			t.Errorf("%s: %s", text, diff)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawSettings(t, "a"), drawSettings(t, "b")
		if n, m := len(a.Clash(b)), len(b.Clash(a)); n != m || len(a.Clash(a)) != 0 {
			t.Fatalf("%v against %v: %d one way, %d the other", a, b, n, m)
		}
	})
}
