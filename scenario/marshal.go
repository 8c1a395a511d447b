package scenario

import (
	"encoding"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/strict"
)

// Marshal writes a scenario as a person would: what is short on one line, a cue
// a line, and no default. Parse reads it back as it was. The lines of the comment come first.
func Marshal(f *File, comment string) []byte {
	var b strings.Builder
	for line := range strings.Lines(comment) {
		b.WriteString(strings.TrimRight("# "+line, " \n") + "\n")
	}
	for _, p := range entries(reflect.ValueOf(f).Elem()) {
		p.write(&b, 0)
	}
	return []byte(b.String())
}

// tree is a piece of a file: a scalar, a mapping, or a sequence.
type tree struct {
	scalar string
	pairs  []pair
	items  []tree
	folded string // a longer text
}

type pair struct {
	key   string
	value tree
	lines bool // its items stand on lines of their own
}

// widest is the longest line that is written in one.
const widest = 118

func (p pair) write(b *strings.Builder, indent int) {
	pad := strings.Repeat(" ", indent)
	if p.value.folded != "" {
		fmt.Fprintf(b, "%s%s: >\n", pad, p.key)
		for _, line := range fold(p.value.folded, 78-indent) {
			b.WriteString(pad + "  " + line + "\n")
		}
		return
	}
	if one := p.value.flow(); !p.lines && indent+len(p.key)+2+len(one) <= widest || len(p.value.pairs)+len(p.value.items) == 0 {
		fmt.Fprintf(b, "%s%s: %s\n", pad, p.key, one)
		return
	}
	fmt.Fprintf(b, "%s%s:\n", pad, p.key)
	for _, q := range p.value.pairs {
		q.write(b, indent+2)
	}
	for _, it := range p.value.items {
		if one := it.flow(); indent+4+len(one) <= widest || len(it.pairs) == 0 {
			fmt.Fprintf(b, "%s  - %s\n", pad, one)
			continue
		}
		var inner strings.Builder
		for _, q := range it.pairs {
			q.write(&inner, indent+4)
		}
		b.WriteString(pad + "  - " + inner.String()[indent+4:])
	}
}

// fold breaks a text into lines.
func fold(text string, width int) (lines []string) {
	line := ""
	for _, w := range strings.Fields(text) {
		switch {
		case line == "":
			line = w
		case len(line)+1+len(w) > width:
			lines = append(lines, line)
			line = w
		default:
			line += " " + w
		}
	}
	return append(lines, line)
}

// flow writes a piece on one line.
func (t tree) flow() string {
	var parts []string
	switch {
	case t.pairs != nil:
		for _, p := range t.pairs {
			parts = append(parts, p.key+": "+p.value.flow())
		}
		return "{" + strings.Join(parts, ", ") + "}"
	case t.items != nil:
		for _, it := range t.items {
			parts = append(parts, it.flow())
		}
		return "[" + strings.Join(parts, ", ") + "]"
	}
	return t.scalar
}

// entries are the keys of a struct that say something.
func entries(v reflect.Value) (ps []pair) {
	for _, f := range strict.FieldsOf(v.Type()) {
		field := v.FieldByIndex(f.Index)
		if field.IsZero() && !f.Needed {
			continue
		}
		p := pair{key: f.Key, value: treeOf(field)}
		switch f.Key {
		case "gauges", "cues", "expect":
			p.lines = true
		case "notice":
			p.value = tree{folded: field.String()}
		}
		if field.Kind() == reflect.Slice && field.Len() == 0 || field.Kind() == reflect.Struct && p.value.pairs != nil && len(p.value.pairs) == 0 {
			continue
		}
		ps = append(ps, p)
	}
	return ps
}

func treeOf(v reflect.Value) tree {
	if v.Kind() == reflect.Pointer {
		v = v.Elem()
	}
	if c, ok := v.Interface().(Cue); ok {
		return c.tree()
	}
	if m, ok := v.Interface().(encoding.TextMarshaler); ok {
		text, err := m.MarshalText()
		if err != nil {
			panic(fmt.Sprintf("scenario: %T does not write itself: %v", m, err)) // none of our types does that
		}
		return tree{scalar: plain(string(text))}
	}
	switch v.Kind() {
	case reflect.String:
		return tree{scalar: plain(v.String())}
	case reflect.Bool:
		return tree{scalar: strconv.FormatBool(v.Bool())}
	case reflect.Slice, reflect.Array:
		t := tree{items: []tree{}}
		for i := range v.Len() {
			t.items = append(t.items, treeOf(v.Index(i)))
		}
		return t
	case reflect.Struct:
		return tree{pairs: append([]pair{}, entries(v)...)}
	case reflect.Map:
		t := tree{pairs: []pair{}}
		for _, k := range v.MapKeys() {
			t.pairs = append(t.pairs, pair{key: plain(k.String()), value: treeOf(v.MapIndex(k))})
		}
		slices.SortFunc(t.pairs, func(a, b pair) int { return strings.Compare(a.key, b.key) })
		return t
	}
	if s, ok := v.Interface().(fmt.Stringer); ok {
		return tree{scalar: plain(s.String())}
	}
	return tree{scalar: fmt.Sprint(v.Interface())}
}

// tree writes a cue as {at: 2 s, do: tag}: when, what, and where.
func (c Cue) tree() tree {
	ps := []pair{
		{key: "at", value: tree{scalar: c.At.String()}},
		{key: "do", value: tree{scalar: stage.VerbOf(c.Act)}},
	}
	ps = append(ps, entries(reflect.ValueOf(c.Act))...)
	for _, w := range []struct{ key, name string }{{"gauge", c.Gauge}, {"channel", c.Channel}, {"refused", c.Refused}} {
		if w.name != "" {
			ps = append(ps, pair{key: w.key, value: tree{scalar: plain(w.name)}})
		}
	}
	return tree{pairs: ps}
}

// plain writes a text without quotes where it reads back as it is.
func plain(s string) string {
	safe := s != "" && s == strings.TrimSpace(s) && !strings.ContainsAny(s, "{}[],#&*!|>'\"%@`\\") && !strings.Contains(s, ": ") &&
		!strings.HasSuffix(s, ":") && !strings.HasPrefix(s, "- ") && !strings.HasPrefix(s, "? ")
	for _, r := range s {
		safe = safe && unicode.IsPrint(r)
	}
	if strings.HasSuffix(s, " %") && !strings.ContainsAny(s[:len(s)-2], "{}[],#&*!|>'\"%@`\\:") {
		safe = true // a percentage
	}
	switch strings.ToLower(s) {
	case "null", "~", "-", "?", "---", "...", "yes", "no", "on", "off":
		safe = false
	}
	if safe {
		return s
	}
	return strconv.Quote(s)
}
