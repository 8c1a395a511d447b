package bytesheet

import "testing"

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

// FuzzPasted: what a person pastes never panics.
//
// Kind: property.
func FuzzPasted(f *testing.F) {
	f.Add("A5 08")
	f.Add(`\x02<ETX>`)
	f.Fuzz(func(_ *testing.T, s string) {
		_, _ = Pasted(s)
		_, _ = PastedHex(s)
		_, _ = PastedText(s)
	})
}
