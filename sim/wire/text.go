package wire

import (
	"bytes"
	"cmp"
	"fmt"
	"strconv"
	"strings"

	"example.org/understudy/sim/strict"
)

// literal is bytes that always stand there. One with a term is a constant.
type literal struct {
	lit  []byte
	term Term
	is   Value // Absent: only bytes
}

func (f *literal) encode(_ *encoder, dst []byte) ([]byte, string) { return append(dst, f.lit...), "" }

func (f *literal) decode(d *decoder) string {
	if !d.begins(f.lit) {
		return whyLiteral
	}
	d.pos += len(f.lit)
	if f.is.Kind != Absent {
		*d.rec.at(f.term, d.ch) = f.is
	}
	return ""
}

func (f *literal) pattern() pattern { return bytesAs(f.lit, false) }

func (f *literal) shows(_ *Record, _ int, raw []byte) string {
	if f.is.Kind != Absent {
		return f.is.String()
	}
	return fmt.Sprintf("%q", raw)
}

// skip is bytes that mean nothing.
type skip struct {
	n    int
	rest bool
}

type skipSpec struct {
	Skip string `yaml:"skip" need:"yes" doc:"this many bytes that mean nothing, or rest"`
	common
}

func (s *skipSpec) compile(c *compiler, _ *scope, n *node) {
	f := &skip{rest: s.Skip == "rest"}
	if !f.rest {
		var err error
		if f.n, err = strconv.Atoi(s.Skip); err != nil || f.n < 1 || f.n > maxLongest {
			c.doc.Errorf(&s.Skip, "write how many bytes, or rest", "%q is no number of bytes", s.Skip)
		}
	}
	n.name, n.field = "skip", f
}

func (f *skip) encode(_ *encoder, dst []byte) ([]byte, string) {
	return appendFill(dst, 0, f.n), ""
}

func (f *skip) decode(d *decoder) string {
	n := f.n
	if f.rest {
		n = d.end - d.pos
	}
	if d.take(n) == nil && n > 0 {
		return whyEnd
	}
	return ""
}

func (f *skip) pattern() pattern {
	if f.rest {
		return run{anyByte(), 0, 256}
	}
	return times(anyByte(), f.n)
}

// space is white space, at most this many characters.
type space struct{ least int }

const mostSpace = 8

type spaceSpec struct {
	Space string `yaml:"space" need:"yes" one:"some any" doc:"white space: some (at least one) or any"`
	common
}

func (s *spaceSpec) compile(c *compiler, _ *scope, n *node) {
	f := &space{}
	if s.Space == "some" {
		f.least = 1
	}
	n.name, n.field = "space", f
}

func (f *space) encode(_ *encoder, dst []byte) ([]byte, string) {
	return appendFill(dst, ' ', f.least), ""
}

func (f *space) decode(d *decoder) string {
	start := d.pos
	for d.pos < d.end && d.pos-start < mostSpace && (d.buf[d.pos] == ' ' || d.buf[d.pos] == '\t') {
		d.pos++
	}
	if d.pos-start < f.least {
		return "wants white space here"
	}
	return ""
}

func (f *space) pattern() pattern {
	var set byteSet
	set.addAll([]byte(" \t"))
	return run{set, f.least, mostSpace}
}

// header is a command name in the notation of SCPI.
type header struct {
	words []string // accepted spellings, capitals; the first is sent
}

type headerSpec struct {
	Header string `yaml:"header" need:"yes" doc:"an SCPI command name, such as SYSTem:ERRor[:NEXT]?"`
	common
}

func (s *headerSpec) compile(c *compiler, _ *scope, n *node) {
	words, err := headerWords(s.Header)
	if err != nil {
		c.doc.Errorf(&s.Header, "write it as SYSTem:ERRor[:NEXT]?", "%v", err)
		return
	}
	n.field = &header{words}
}

func (f *header) encode(_ *encoder, dst []byte) ([]byte, string) {
	return append(dst, f.words[0]...), ""
}

// decode reads the longest run of the characters a name may have, which must be
// one of the accepted spellings.
func (f *header) decode(d *decoder) string {
	n := d.pos
	for n < d.end && isHeaderByte(d.buf[n]) {
		n++
	}
	name := bytes.TrimPrefix(d.buf[d.pos:n], []byte(":"))
	for _, w := range f.words {
		if len(w) == len(name) && equalFold(name, w) {
			d.pos = n
			return ""
		}
	}
	return whyLiteral
}

func isHeaderByte(c byte) bool {
	return c-'a' <= 25 || c-'A' <= 25 || isDigit(c) || c == '*' || c == ':' || c == '?' || c == '_'
}

func equalFold(b []byte, capitals string) bool {
	for i, c := range b {
		if c-'a' <= 25 {
			c -= 'a' - 'A'
		}
		if c != capitals[i] {
			return false
		}
	}
	return true
}

func (f *header) pattern() pattern {
	var list either
	for _, w := range f.words {
		list = append(list, bytesAs([]byte(w), true), bytesAs([]byte(":"+w), true))
	}
	return list
}

// headerWords expands a command name in the notation of SCPI-99 (volume 1,
// §5.1): capitals are the short form, brackets hold what may be left out.
// The words come without a leading colon, in capitals; the first is the
// shortest: short forms, nothing optional.
func headerWords(pattern string) ([]string, error) {
	const most = 256
	p, query := strings.TrimPrefix(pattern, ":"), ""
	if strings.HasSuffix(p, "?") {
		p, query = strings.TrimSuffix(p, "?"), "?"
	}
	if strings.HasPrefix(p, "*") {
		if strings.Trim(p[1:], "ABCDEFGHIJKLMNOPQRSTUVWXYZ") != "" || len(p) < 2 {
			return nil, fmt.Errorf("%q is no common command", pattern)
		}
		return []string{p + query}, nil
	}
	words := []string{""}
	for p != "" {
		node, optional := "", false
		if rest, ok := strings.CutPrefix(p, "["); ok {
			if node, p, ok = strings.Cut(rest, "]"); !ok {
				return nil, fmt.Errorf("%q has an open bracket", pattern)
			}
			node, optional = strings.TrimPrefix(node, ":"), true
		} else {
			p = strings.TrimPrefix(p, ":")
			n := strings.IndexAny(p, ":[")
			if n < 0 {
				n = len(p)
			}
			node, p = p[:n], p[n:]
		}
		upper := strings.ToUpper(node)
		short := strings.TrimRight(node, "abcdefghijklmnopqrstuvwxyz")
		if short == "" || strings.Trim(upper, "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_") != "" || strings.ToUpper(short) != short {
			return nil, fmt.Errorf("%q is no part of a command's name", node)
		}
		var next []string
		for _, w := range words {
			join := w
			if join != "" {
				join += ":"
			}
			if optional {
				next = append(next, w)
			}
			next = append(next, join+short)
			if upper != short {
				next = append(next, join+upper)
			}
		}
		if len(next) > most {
			return nil, fmt.Errorf("%q has more than %d spellings", pattern, most)
		}
		words = next
	}
	out := words[:0]
	for _, w := range words {
		if w != "" {
			out = append(out, w+query)
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("%q is no command's name", pattern)
	}
	return out, nil
}

// textForm is a text of printable ASCII characters.
type textForm struct {
	width   int // 0: free
	longest int
	pad     byte
	quoted  bool
	numbers bool
	stop    byteSet // what ends a free text, and stands in none
}

type textSpec struct {
	Term string `yaml:"text" need:"yes" doc:"a text of printable ASCII characters"`
	common
	Width   int    `yaml:"width" range:"1 65536" doc:"characters, when it is always the same"`
	Longest int    `yaml:"longest" range:"1 65536" doc:"most characters (default: 64)"`
	Pad     string `yaml:"pad" doc:"the character that fills up the width (default: a space)"`
	Quoted  bool   `yaml:"quoted" doc:"the text stands in double quotes, one inside it doubled"`
	Numbers bool   `yaml:"numbers" doc:"a text that reads as a number is one"`
	valueKey
	voidKeys
}

func (s *textSpec) compile(c *compiler, _ *scope, n *node) {
	f := &textForm{width: s.Width, longest: cmp.Or(s.Longest, defaultText), pad: c.char(&s.Pad, ' '), quoted: s.Quoted, numbers: s.Numbers}
	if f.quoted {
		f.longest = min(f.longest, 256)
		if f.width > 0 {
			c.doc.Errorf(&s.Width, "write longest", "a text in quotes has no fixed width")
		}
	}
	v := c.carry(n, s.Term, Text, f)
	c.voids(v, &s.voidKeys, func(a strict.Any) []byte { return c.textToken(a, f.width) })
	c.constant(n, v, &s.valueKey)
}

// textOf is a text, or a number as one.
func textOf(v *Value) (string, bool) {
	if v.Kind == Number {
		return v.Num.String(), true
	}
	return v.Text, v.Kind == Text
}

func (f *textForm) put(dst []byte, v *Value) ([]byte, string) {
	text, ok := textOf(v)
	if !ok {
		return dst, whyKind
	}
	for i := range len(text) {
		if c := text[i]; c < ' ' || c > '~' || !f.quoted && f.stop.has(c) {
			return dst, whyText
		}
	}
	fill := f.width - len(text)
	switch {
	case f.width == 0 && len(text) > f.longest, f.width > 0 && fill < 0:
		return dst, whyWidth
	case f.quoted:
		dst = append(dst, '"')
		for i := range len(text) {
			if text[i] == '"' {
				dst = append(dst, '"')
			}
			dst = append(dst, text[i])
		}
		return append(dst, '"'), ""
	case f.width == 0:
		return append(dst, text...), ""
	case len(text) > 0 && text[len(text)-1] == f.pad:
		return dst, whyText // what looks like padding would not come back
	}
	return appendFill(append(dst, text...), f.pad, fill), ""
}

func (f *textForm) get(d *decoder, v *Value) string {
	if f.quoted {
		return f.getQuoted(d, v)
	}
	var b []byte
	if f.width > 0 {
		if b = d.take(f.width); b == nil {
			return whyEnd
		}
		for len(b) > 0 && b[len(b)-1] == f.pad {
			b = b[:len(b)-1]
		}
	} else {
		start := d.pos
		for d.pos < d.end && d.pos-start < f.longest && !f.stop.has(d.buf[d.pos]) {
			d.pos++
		}
		b = d.buf[start:d.pos]
	}
	for _, c := range b {
		if c < ' ' || c > '~' {
			return whyText
		}
	}
	if f.numbers {
		if number, why := plainNumber.parse(b); why == "" {
			v.Num, v.Kind = number, Number
			return ""
		}
	}
	v.setText(b)
	return ""
}

// plainNumber is how a number stands in a text.
var plainNumber = decimalForm{counts: counts{free: true}, mark: '.', decimals: -1, longest: 40}

func (f *textForm) getQuoted(d *decoder, v *Value) string {
	if !d.begins([]byte{'"'}) {
		return whyText
	}
	var out [256]byte
	text := out[:0]
	for i := d.pos + 1; i < d.end; i++ {
		c := d.buf[i]
		if c == '"' {
			if i+1 == d.end || d.buf[i+1] != '"' {
				d.pos = i + 1
				v.setText(text)
				return ""
			}
			i++
		}
		if c < ' ' || c > '~' || len(text) == f.longest {
			return whyText
		}
		text = append(text, c)
	}
	return whyEnd
}

func (f *textForm) pattern() pattern {
	set := byteRange(' ', '~')
	if f.quoted {
		var q byteSet
		q.add('"')
		return row{times(q, 1), run{set, 0, 2 * f.longest}, times(q, 1)}
	}
	for i := range set {
		set[i] &^= f.stop[i]
	}
	if f.width > 0 {
		return times(set, f.width)
	}
	return run{set, 0, f.longest}
}
