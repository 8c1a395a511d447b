package strict

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"
)

// Bounds of a description file. The YAML library takes time and memory that grow
// with the square of the nesting and of the keys of one mapping, so a file is held
// to these before the library sees it.
const (
	MaxBytes  = 4 << 20
	maxDepth  = 100
	maxKeys   = 4_000   // of a mapping that is written a key a line
	maxParts  = 200_000 // lines and commas
	maxListed = 100     // mistakes that are listed
	maxQuoted = 200     // bytes of the file in a message
)

// readable checks the bounds and the encoding, and returns the text without its byte
// order mark.
func (d *Doc) readable(src []byte) (text []byte, ok bool) {
	top := Pos{File: d.File, Line: 1, Column: 1}
	if len(src) > MaxBytes {
		d.add(top, fmt.Sprintf("keep it under %d", MaxBytes), "the file has %d bytes", len(src))
		return nil, false
	}
	if bytes.HasPrefix(src, []byte{0xff, 0xfe}) || bytes.HasPrefix(src, []byte{0xfe, 0xff}) {
		d.add(top, "save it as UTF-8", "the file begins with the byte order mark of UTF-16")
		return nil, false
	}
	src = bytes.TrimPrefix(src, []byte("\ufeff"))
	for i := 0; i < len(src); {
		r, n := utf8.DecodeRune(src[i:])
		if r == utf8.RuneError && n == 1 {
			line := src[bytes.LastIndexByte(src[:i], '\n')+1 : i]
			d.add(Pos{d.File, 1 + bytes.Count(src[:i], []byte("\n")), 1 + utf8.RuneCount(line)}, "save the file as UTF-8", "the byte 0x%02x is not UTF-8", src[i])
			return nil, false
		}
		i += n
	}
	s := scan{doc: d}
	line := 0
	for text := range strings.Lines(string(src)) {
		if line++; !s.line(line, text) {
			return nil, false
		}
	}
	return src, true
}

// scan counts what is written, line by line, without reading it as YAML.
type scan struct {
	doc    *Doc
	parts  int
	open   int  // brackets and braces
	quote  byte // that is open, 0 for none
	blocks []block
}

// block is a run of lines with the same indentation.
type block struct{ indent, keys int }

func (s *scan) line(number int, text string) bool {
	fail := func(column int, want, format string, args ...any) bool {
		s.doc.add(Pos{s.doc.File, number, 1 + utf8.RuneCountInString(text[:column])}, want, format, args...)
		return false
	}
	indent := len(text) - len(strings.TrimLeft(text, " "))
	if s.open == 0 && s.quote == 0 {
		if !s.key(indent, text[indent:]) {
			return fail(indent, fmt.Sprintf("keep to %d", maxKeys), "this mapping has more than %d keys", maxKeys)
		}
		lists := 0
		for at := indent; strings.HasPrefix(text[at:], "- ") || strings.HasPrefix(text[at:], "? "); at += 2 {
			if lists++; lists > maxDepth {
				return fail(at, "", "nested more than %d deep", maxDepth)
			}
		}
	}
	s.parts++
	for i := indent; i < len(text); i++ {
		c := text[i]
		switch begins := i == 0 || strings.IndexByte(" \t[{,:-", text[i-1]) >= 0; {
		case s.quote == '"' && c == '\\':
			i++
		case s.quote != 0:
			if c == s.quote {
				s.quote = 0
			}
		case begins && (c == '"' || c == '\''):
			s.quote = c
		case begins && c == '#':
			i = len(text)
		case c == '[' || c == '{':
			if s.open++; s.open > maxDepth {
				return fail(i, "", "nested more than %d deep", maxDepth)
			}
		case c == ']' || c == '}':
			s.open = max(0, s.open-1)
		case c == ',':
			s.parts++
		}
	}
	if s.parts > maxParts {
		return fail(0, fmt.Sprintf("keep to %d lines and values", maxParts), "the file has more than %d lines and values", maxParts)
	}
	return true
}

// key counts a line that begins with a key, and reports whether its mapping has not
// too many.
func (s *scan) key(indent int, text string) bool {
	if text = strings.TrimSpace(text); text == "" || text[0] == '#' {
		return true
	}
	for len(s.blocks) > 0 && s.blocks[len(s.blocks)-1].indent > indent {
		s.blocks = s.blocks[:len(s.blocks)-1]
	}
	if len(s.blocks) == 0 || s.blocks[len(s.blocks)-1].indent < indent {
		s.blocks = append(s.blocks, block{indent: indent})
	}
	if text[0] == '-' || !strings.Contains(text, ":") {
		return true
	}
	b := &s.blocks[len(s.blocks)-1]
	b.keys++
	return b.keys <= maxKeys
}

// Short cuts a text that is quoted in a message: the begin and the end of a long one
// stay.
func Short(text string) string {
	if len(text) <= maxQuoted {
		return text
	}
	const end = maxQuoted / 4
	return strings.ToValidUTF8(text[:maxQuoted-end-len("…")], "") + "…" + strings.ToValidUTF8(text[len(text)-end:], "")
}
