package bytesheet

import (
	"bytes"
	"fmt"
	"testing"
)

// Kind: property.
func TestPasted(t *testing.T) {
	for in, want := range map[string]string{
		"A5 08 01": "\xa5\x08\x01", "0xA5,0x08\n01": "\xa5\x08\x01", "a50801": "\xa5\x08\x01", "A5:08-01": "\xa5\x08\x01",
		`R +1.0\r\n`: "R +1.0\r\n", `\x02R<ETX>`: "\x02R\x03", "<02>a<b>": "\x02a<b>", "S1": "S1",
	} {
		if got, err := Pasted(in); err != nil || string(got) != want {
			t.Errorf("%q: %q, %v; want %q", in, got, err, want)
		}
	}
	for _, bad := range []string{`a\q`, `a\`, `\x4`, `\xzz`} {
		if _, err := PastedText(bad); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}

// Any bytes are read back from both forms that a person may paste, and whatever
// is pasted is read in one of the two ways or refused.
//
// Kind: property.
func FuzzPasted(f *testing.F) {
	f.Add("A5 08")
	f.Add(`\x02<ETX>`)
	f.Fuzz(func(t *testing.T, s string) {
		if got, err := PastedHex(fmt.Sprintf("% x", s)); err != nil || string(got) != s {
			t.Errorf("%q in hexadecimal is read as %q, %v", s, got, err)
		}
		escaped := ""
		for _, c := range []byte(s) {
			escaped += fmt.Sprintf(`\x%02X`, c)
		}
		if got, err := PastedText(escaped); err != nil || string(got) != s {
			t.Errorf("%q in escapes is read as %q, %v", s, got, err)
		}
		hex, err := PastedHex(s)
		text, errText := PastedText(s)
		got, errAny := Pasted(s)
		switch {
		case err == nil && len(hex) > 0:
			text, errText = hex, nil
		}
		if !bytes.Equal(got, text) || (errAny == nil) != (errText == nil) {
			t.Errorf("%q is read as %q, %v", s, got, errAny)
		}
	})
}
