// Package bytesheet shows what the bytes of a wire protocol mean, in columns a
// person can read: place, bytes, text, field and value.
package bytesheet

import (
	"bufio"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"example.org/understudy/harness/show"
	"example.org/understudy/sim/wire"
)

// Samples shows one sample of every frame of a dialect.
func Samples(out io.Writer, d *wire.Dialect) error {
	w := bufio.NewWriter(out)
	var failed error
	l := d.Line()
	fmt.Fprintf(w, "%s: %s\n%d bit/s, %d data bits, parity %s, %s stop bits\n", d.Name(), d.Title(), l.Baud, l.DataBits, l.Parity, l.Stop)
	for i, f := range d.Frames() {
		what := "the gauge sends"
		if f.From == wire.Host {
			what = "the host sends"
		}
		why := ""
		if len(f.Sent) > 0 {
			why = " for " + strings.Join(f.Sent, ", ")
		}
		if f.Verb != "" {
			why = " to " + f.Verb
		}
		fmt.Fprintf(w, "\n%s  (%s%s)\n", f.Name, what, why)
		_, raw, err := d.Sample(wire.Frame(i))
		if err != nil {
			fmt.Fprintf(w, "  no sample: %v\n", err)
			failed = fmt.Errorf("%s: a frame cannot be shown: %w", d.Name(), err)
			continue
		}
		rows(w, raw, d.Annotate(raw, f.From), 0)
	}
	return errors.Join(failed, w.Flush())
}

// Decode shows what a stream of bytes from one side means. good is false when
// any of it is no frame.
func Decode(out io.Writer, d *wire.Dialect, stream []byte, from wire.Side) (good bool, err error) {
	w := bufio.NewWriter(out)
	good = true
	frames, bad, seen := 0, 0, 0
	for _, p := range d.Explain(stream, from) {
		if p.Garbage == nil {
			frames++
			fmt.Fprintf(w, "\nbytes %d to %d: %s\n", p.Start, p.Start+len(p.Raw)-1, p.Name)
		} else {
			good = false
			bad++
			fmt.Fprintf(w, "\nbytes %d to %d: no frame: %s\n", p.Start, p.Start+len(p.Raw)-1, why(p))
		}
		rows(w, p.Raw, p.Spans, p.Start)
		seen = p.Start + len(p.Raw)
	}
	if rest := stream[min(seen, len(stream)):]; len(rest) > 0 {
		good = false
		bad++
		fmt.Fprintf(w, "\nbytes %d to %d: no frame: its end never came\n", seen, len(stream)-1)
		rows(w, rest, []wire.Span{{End: len(rest), Field: "unfinished"}}, seen)
	}
	fmt.Fprintf(w, "\n%d good, %d that are no frame, of %d bytes\n", frames, bad, len(stream))
	return good, w.Flush()
}

var byteNumber = regexp.MustCompile(`byte \d+`)

// why is what is wrong with a piece, its bytes counted as the rows count them.
func why(p wire.Piece) string {
	text := p.Garbage.Error()
	for _, s := range p.Spans {
		if !s.Good {
			return byteNumber.ReplaceAllString(text, fmt.Sprintf("byte %d", p.Start+s.Start))
		}
	}
	return text
}

// perRow is how many bytes stand in one row.
const perRow = 12

func rows(w io.Writer, raw []byte, spans []wire.Span, offset int) {
	for _, s := range spans {
		mark, field, shows := " ", s.Field, s.Shows
		if s.Want != "" {
			shows += "; it should be " + s.Want
		}
		if !s.Good {
			mark = "!"
		}
		for at := s.Start; at < s.End; at += perRow {
			part := raw[at:min(at+perRow, s.End)]
			fmt.Fprintf(w, "%s %5d  %-*s  %-*s  %-16s %s\n", mark, offset+at, 3*perRow-1, fmt.Sprintf("% x", part), perRow, show.Dotted(part), field, shows)
			mark, field, shows = " ", "", ""
		}
	}
}

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
