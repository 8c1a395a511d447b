package bytesheet

import (
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
)

// PastedHex reads bytes that a person pasted in hexadecimal: pairs of digits
// with or without spaces, commas, colons, hyphens, 0x or line breaks between.
func PastedHex(text string) ([]byte, error) {
	fields := strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(" \t\r\n,;:-|", r) })
	var out []byte
	for _, f := range fields {
		f = strings.TrimPrefix(strings.TrimPrefix(f, "0x"), "0X")
		b, err := hex.DecodeString(f)
		if err != nil {
			return nil, fmt.Errorf("%q is not pairs of hexadecimal digits", f)
		}
		out = append(out, b...)
	}
	return out, nil
}

// controls are the names of the control characters (ISO/IEC 646, C0 set).
var controls = func() map[string]byte {
	m := map[string]byte{"DEL": 0x7f}
	for i, n := range strings.Fields("NUL SOH STX ETX EOT ENQ ACK BEL BS HT LF VT FF CR SO SI DLE DC1 DC2 DC3 DC4 NAK SYN ETB CAN EM SUB ESC FS GS RS US") {
		m[n] = byte(i)
	}
	return m
}()

// PastedText reads bytes that a person pasted as text: \r, \n, \t, \\ and
// \x41 are escapes, and <STX> or <02> is one byte.
func PastedText(text string) ([]byte, error) {
	var out []byte
	for i := 0; i < len(text); {
		switch c := text[i]; c {
		case '\\':
			if i+1 == len(text) {
				return nil, fmt.Errorf("a backslash stands at the end")
			}
			switch letter := strings.IndexByte(`rnt0\`, text[i+1]); {
			case letter >= 0:
				out = append(out, "\r\n\t\x00\\"[letter])
			case text[i+1] == 'x' || text[i+1] == 'X':
				if i+4 > len(text) {
					return nil, fmt.Errorf(`\x wants two hexadecimal digits`)
				}
				n, err := strconv.ParseUint(text[i+2:i+4], 16, 8)
				if err != nil {
					return nil, fmt.Errorf(`%q is no byte; \x wants two hexadecimal digits`, text[i:i+4])
				}
				out = append(out, byte(n))
				i += 2
			default:
				return nil, fmt.Errorf(`%q is no escape; write \r \n \t \\ or \x41`, text[i:i+2])
			}
			i += 2
		case '<':
			if end := strings.IndexByte(text[i:], '>'); end > 1 && end <= 4 {
				name := text[i+1 : i+end]
				if b, ok := controls[strings.ToUpper(name)]; ok {
					out = append(out, b)
					i += end + 1
					continue
				}
				if n, err := strconv.ParseUint(name, 16, 8); err == nil && len(name) == 2 {
					out = append(out, byte(n))
					i += end + 1
					continue
				}
			}
			out = append(out, c)
			i++
		default:
			out = append(out, c)
			i++
		}
	}
	return out, nil
}

// Pasted reads bytes as PastedHex when the text is nothing but pairs of
// hexadecimal digits, and as PastedText otherwise.
func Pasted(text string) ([]byte, error) {
	if b, err := PastedHex(text); err == nil && len(b) > 0 {
		return b, nil
	}
	return PastedText(text)
}
