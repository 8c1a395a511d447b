// Package dissector makes a dissector for Wireshark and tshark, in Lua, of a dialect:
// the frames of a capture are shown there with their fields, values and checks.
//
// The file that is made has the dialect as a table, and the code that reads it, which
// is the same for every dialect. A dialect that uses what that code cannot read is
// refused, with the keys that stand in the way.
package dissector

import (
	_ "embed"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/wire"
	"github.com/goccy/go-yaml"
)

//go:embed dissector.lua
var reader string

// most is the greatest number of bytes of a whole number: Lua's numbers have 53 bits.
const most = 6

// Lua writes the dissector of the dialect in a file.
func Lua(file string, text []byte) ([]byte, error) {
	d, err := wire.Parse(file, text)
	if err != nil {
		return nil, err
	}
	var top yaml.MapSlice
	if err := yaml.UnmarshalWithOptions(text, &top, yaml.UseOrderedMap()); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	w := &writer{names: map[string]bool{}, refused: map[string]bool{}}
	dialect := object(top)
	w.only("the dialect", dialect, "dialect", "title", "serial-line", "framing", "host-framing", "station", "remembers", "errors", "in-turn", "reply-after", "frames", "commands", "states")
	framing := object(dialect["framing"])
	host := framing
	if dialect["host-framing"] != nil {
		host = object(dialect["host-framing"])
	}
	gauge := table{"framing": w.framing(framing), "frames": w.frames(framing, sequence(dialect["frames"]))}
	for _, c := range sequence(dialect["commands"]) {
		for _, kind := range []string{"reply", "refusal"} {
			if inline, ok := object(c)[kind].([]any); ok {
				gauge["frames"] = append(gauge["frames"].([]any), w.frame(framing, fmt.Sprint(object(c)["name"], "-", kind), inline))
			}
		}
	}
	all := table{"short": strings.ReplaceAll(d.Name(), "-", "_"), "title": d.Name(), "gauge": gauge,
		"host": table{"framing": w.framing(host), "frames": w.frames(host, sequence(dialect["commands"]))}}
	if len(w.refused) > 0 {
		return nil, fmt.Errorf("%s: no dissector can be made of this dialect, because it uses %s", file, strings.Join(slices.Sorted(maps.Keys(w.refused)), ", "))
	}
	var names []any
	for _, n := range slices.Sorted(maps.Keys(w.names)) {
		names = append(names, n)
	}
	all["names"] = names
	var b strings.Builder
	fmt.Fprintf(&b, "-- %s: %s\n-- Made by understudy of the dialect. Use: tshark -X lua_script:FILE -d rtacser.data,%s -r CAPTURE\nlocal D = ", d.Name(), d.Title(), all["short"])
	lua(&b, all, "")
	b.WriteString("\n\n" + reader)
	return []byte(b.String()), nil
}

type table map[string]any

// lua writes a value as Lua does.
func lua(b *strings.Builder, v any, indent string) {
	switch v := v.(type) {
	case string:
		b.WriteByte('"')
		for _, c := range []byte(v) {
			if c < ' ' || c > '~' || c == '"' || c == '\\' {
				fmt.Fprintf(b, `\%03d`, c)
			} else {
				b.WriteByte(c)
			}
		}
		b.WriteByte('"')
	case []any:
		b.WriteString("{")
		for i, e := range v {
			if i > 0 {
				b.WriteString(", ")
			}
			lua(b, e, indent)
		}
		b.WriteString("}")
	case table:
		b.WriteString("{\n")
		for _, k := range slices.Sorted(maps.Keys(v)) {
			if v[k] == nil {
				continue
			}
			fmt.Fprintf(b, "%s  %s = ", indent, k)
			lua(b, v[k], indent+"  ")
			b.WriteString(",\n")
		}
		b.WriteString(indent + "}")
	default:
		fmt.Fprint(b, v)
	}
}

func object(v any) map[string]any {
	m := map[string]any{}
	s, _ := v.(yaml.MapSlice)
	for _, e := range s {
		m[fmt.Sprint(e.Key)] = e.Value
	}
	return m
}

func sequence(v any) []any {
	s, _ := v.([]any)
	return s
}

// raw is a text of a dialect file as bytes: \xA5 in it is one byte.
func raw(v any) string {
	if v == nil {
		return ""
	}
	var b []byte
	for _, r := range fmt.Sprint(v) {
		b = append(b, byte(r))
	}
	return string(b)
}

func whole(v any, otherwise int) int {
	if n, err := strconv.Atoi(fmt.Sprint(v)); err == nil {
		return n
	}
	return otherwise
}

// writer turns the parts of a dialect into tables.
type writer struct {
	names   map[string]bool // of what fields carry
	refused map[string]bool
}

func (w *writer) refuse(format string, args ...any) { w.refused[fmt.Sprintf(format, args...)] = true }

// only refuses every key that is not among those that can be read.
func (w *writer) only(where string, m map[string]any, keys ...string) {
	for k := range m {
		if !slices.Contains(keys, k) {
			w.refuse("%s of %s", k, where)
		}
	}
}

func (w *writer) framing(m map[string]any) table {
	kind := fmt.Sprint(m["kind"])
	w.only("a framing", m, "kind", "start", "end", "or", "bytes", "longest", "size", "order", "plus", "stale", "alone", "check", "covers", "check-after-end", "header", "trailer")
	if !slices.Contains([]string{"delimited", "length", "bracketed", "fixed"}, kind) {
		w.refuse("the framing %s", kind)
	}
	ends := []any{raw(m["end"])}
	for _, e := range sequence(m["or"]) {
		ends = append(ends, raw(e))
	}
	t := table{"kind": kind, "start": raw(m["start"]), "ends": ends, "bytes": whole(m["bytes"], 0), "longest": whole(m["longest"], 1<<16), "size": whole(m["size"], 1),
		"little": w.order("a framing", m), "plus": whole(m["plus"], 0), "alone": raw(m["alone"]),
		"covers": fmt.Sprint(m["covers"]), "checkAfterEnd": m["check-after-end"] == true}
	if m["check"] != nil {
		t["check"] = w.check(object(m["check"]))
	}
	return t
}

// order says whether a number's least significant byte comes first.
func (w *writer) order(where string, m map[string]any) bool {
	switch o := fmt.Sprint(m["order"]); o {
	case "<nil>", "big":
		return false
	case "little":
		return true
	default:
		w.refuse("order: %s of %s", o, where)
	}
	return false
}

// frames are those of a side, in the order in which they are tried.
func (w *writer) frames(framing map[string]any, list []any) (out []any) {
	for _, last := range []bool{false, true} {
		for _, f := range list {
			if m := object(f); (m["after"] != nil) == last {
				if m["framing"] != nil {
					w.refuse("further framings")
				}
				out = append(out, w.frame(framing, fmt.Sprint(m["name"]), sequence(m["fields"])))
			}
		}
	}
	return out
}

func (w *writer) frame(framing map[string]any, name string, fields []any) table {
	all := slices.Concat(sequence(framing["header"]), fields, sequence(framing["trailer"]))
	return table{"name": name, "fields": w.fields(all)}
}

func (w *writer) fields(list []any) []any {
	out := []any{}
	for _, f := range list {
		if m, ok := f.(yaml.MapSlice); ok {
			out = append(out, w.field(object(m)))
		} else {
			out = append(out, table{"kind": "literal", "bytes": raw(f)})
		}
	}
	return out
}

func (w *writer) field(m map[string]any) table {
	for kind, make := range map[string]func(*writer, map[string]any) table{
		"decimal": (*writer).decimal, "hex": (*writer).number, "int": (*writer).number, "text": (*writer).text, "choice": (*writer).choice,
		"flag": (*writer).flag, "flags": (*writer).flags, "when": (*writer).when, "each": (*writer).each, "check": (*writer).check,
		"bytes": (*writer).bytes, "skip": (*writer).skip, "space": (*writer).space,
	} {
		if m[kind] == nil {
			continue
		}
		t := make(w, m)
		t["kind"] = kind
		if kind == "bytes" {
			t["kind"] = "literal"
		}
		if t["name"] = m["name"]; m["name"] == nil {
			t["name"] = fmt.Sprint(m[kind])
		}
		return t
	}
	w.refuse("a field of kind %s", strings.Join(slices.Sorted(maps.Keys(m)), "/"))
	return table{}
}

// carries makes the table of a field that carries a term.
func (w *writer) carries(kind string, m map[string]any, keys ...string) table {
	w.only(kind, m, append([]string{kind, "name", "round", "range", "wraps", "void", "absent", "value"}, keys...)...)
	term := fmt.Sprint(m[kind])
	w.names[term] = true
	t := table{"term": term}
	if m["absent"] != nil {
		t["absent"] = raw(m["absent"])
	}
	if v := object(m["void"]); len(v) > 0 {
		var list []any
		for _, reason := range slices.Sorted(maps.Keys(v)) {
			list = append(list, []any{reason, value(v[reason])})
		}
		t["void"] = list
	} else if m["void"] != nil {
		t["void"] = []any{[]any{"void", value(m["void"])}}
	}
	for _, k := range []string{"width", "longest", "size", "decimals"} {
		if m[k] != nil {
			t[k] = whole(m[k], 0)
		}
	}
	if m["scale"] != nil {
		s, err := decimal.Parse(fmt.Sprint(m["scale"]))
		if f, isFloat := m["scale"].(float64); isFloat {
			s, err = decimal.Parse(strconv.FormatFloat(f, 'f', -1, 64))
		}
		s = s.Trim()
		if one, ok := s.Mul(decimal.New(1, -s.Exponent())).Int64(); err != nil || !ok || one != 1 {
			w.refuse("scale: %v of %s, which is no power of ten", m["scale"], kind)
		}
		t["exponent"] = s.Exponent()
	}
	return t
}

// value is a number, or a text in bytes.
func value(v any) any {
	if _, text := v.(string); text || v == nil {
		return raw(v)
	}
	return v
}

func (w *writer) decimal(m map[string]any) table {
	t := w.carries("decimal", m, "width", "longest", "decimals", "sign", "pad", "mark", "scale", "exponent")
	if m["exponent"] != nil && m["exponent"] != "never" {
		w.refuse("exponent of decimal")
	}
	t["pad"], t["mark"] = " ", m["mark"]
	if m["pad"] != nil {
		t["pad"] = raw(m["pad"])
	}
	if m["mark"] != nil && m["mark"] != "none" && m["mark"] != "." {
		w.refuse("mark: %v of decimal", m["mark"])
	}
	return t
}

func (w *writer) number(m map[string]any) table {
	kind := "int"
	if m["hex"] != nil {
		kind = "hex"
	}
	t := w.carries(kind, m, "size", "width", "longest", "order", "scale", "sign")
	t["sign"], t["little"] = m["sign"], w.order(kind, m)
	if n := whole(m["size"], 0); n > most || kind == "hex" && (t["little"] == true || whole(m["width"], 0) > 2*most) {
		w.refuse("%s of more than %d bytes, or with order", kind, most)
	}
	return t
}

func (w *writer) text(m map[string]any) table {
	t := w.carries("text", m, "width", "longest", "pad", "numbers")
	t["pad"] = " "
	if m["pad"] != nil {
		t["pad"] = raw(m["pad"])
	}
	if v, ok := m["value"].(string); ok && !strings.HasPrefix(v, "=") {
		t["value"] = raw(v)
	}
	return t
}

// binary is a number as it is sent in so many bytes.
func (w *writer) binary(where string, m map[string]any, v any) any {
	size := whole(m["size"], 0)
	if size == 0 {
		return raw(v)
	}
	n, err := strconv.ParseUint(fmt.Sprint(v), 0, 64)
	if err != nil {
		w.refuse("%v of %s, which is no number", v, where)
	}
	b := make([]byte, size)
	for i := range b {
		b[size-1-i] = byte(n >> (8 * i))
	}
	if w.order(where, m) {
		slices.Reverse(b)
	}
	return string(b)
}

func (w *writer) choice(m map[string]any) table {
	t := w.carries("choice", m, "is", "size", "order", "otherwise", "like")
	var list []any
	for _, e := range m["is"].(yaml.MapSlice) {
		list = append(list, []any{fmt.Sprint(e.Key), w.binary("choice", m, e.Value)})
	}
	t["is"] = list
	return t
}

func (w *writer) flag(m map[string]any) table {
	t := w.carries("flag", m, "set", "clear", "size", "order")
	t["is"] = []any{[]any{"yes", w.binary("flag", m, m["set"])}, []any{"no", w.binary("flag", m, m["clear"])}}
	return t
}

func (w *writer) flags(m map[string]any) table {
	w.only("flags", m, "flags", "name", "size", "order", "bits")
	var bits []any
	for _, b := range sequence(m["bits"]) {
		p := object(b)
		w.only("bits of flags", p, "bit", "bits", "flag", "int", "choice", "is", "scale", "sign", "otherwise")
		low := whole(p["bit"], 0)
		high := low
		if r := sequence(p["bits"]); len(r) == 2 {
			low, high = min(whole(r[0], 0), whole(r[1], 0)), max(whole(r[0], 0), whole(r[1], 0))
		}
		t := table{"low": low, "high": high}
		for _, kind := range []string{"flag", "int", "choice"} {
			if p[kind] != nil {
				maps.Copy(t, w.carries(kind, p, "bit", "bits", "is", "scale", "sign", "otherwise"))
				t["name"], t["sign"] = fmt.Sprint(p[kind]), p["sign"]
			}
		}
		if p["flag"] != nil {
			t["flag"] = true
		}
		if is, ok := p["is"].(yaml.MapSlice); ok {
			var list []any
			for _, e := range is {
				list = append(list, []any{fmt.Sprint(e.Key), e.Value})
			}
			t["is"] = list
		}
		bits = append(bits, t)
	}
	return table{"size": whole(m["size"], 1), "little": w.order("flags", m), "bits": bits}
}

// when asks for a term, or for a term that equals a text; of any other condition both
// ways are tried.
func (w *writer) when(m map[string]any) table {
	t := table{"fields": w.fields(sequence(m["fields"])), "otherwise": w.fields(sequence(m["else"]))}
	words := strings.Fields(fmt.Sprint(m["when"]))
	switch {
	case len(words) == 1:
		t["asks"] = words[0]
	case len(words) == 3 && words[1] == "==":
		t["asks"], t["equal"] = words[0], strings.Trim(words[2], `"'`)
	}
	return t
}

func (w *writer) each(m map[string]any) table {
	return table{"count": fmt.Sprint(m["count"]), "between": raw(m["between"]), "fields": w.fields(sequence(m["fields"]))}
}

func (w *writer) bytes(m map[string]any) table {
	b, err := hex.DecodeString(strings.ReplaceAll(fmt.Sprint(m["bytes"]), " ", ""))
	if err != nil {
		w.refuse("bytes %v", m["bytes"])
	}
	return table{"bytes": string(b)}
}

func (w *writer) skip(m map[string]any) table {
	if n := whole(m["skip"], -1); n >= 0 {
		return table{"bytes": n}
	}
	return table{}
}

func (w *writer) space(m map[string]any) table { return table{"any": m["space"] == "any"} }

// check makes the table of a check, with its parameters.
func (w *writer) check(m map[string]any) table {
	w.only("check", m, "check", "name", "size", "form", "order", "from", "to", "crc")
	name := fmt.Sprint(m["check"])
	c := table{"kind": "crc"}
	bits := 8 * whole(m["size"], 1)
	switch p, ok := wire.CRCNamed(name); {
	case ok && p.Width <= 32:
		bits = p.Width
		maps.Copy(c, table{"poly": p.Poly, "init": p.Init, "xorOut": p.XorOut, "reflectIn": p.ReflectIn, "reflectOut": p.ReflectOut})
	case name == "xor":
		bits, c["kind"] = 8, "xor"
	case strings.HasPrefix(name, "sum"):
		c["kind"], c["negated"], c["inverted"] = "sum", name == "sum-negated", name == "sum-inverted"
	default:
		w.refuse("the check %s", name)
	}
	c["bits"] = bits
	t := table{"kind": "check", "name": "check", "check": c, "form": "binary", "width": (bits + 7) / 8, "little": w.order("check", m)}
	if form, _ := m["form"].(string); form == "hex" {
		t["form"], t["width"] = form, (bits+3)/4
	} else if form == "decimal" {
		t["form"], t["width"] = form, len(strconv.FormatUint(1<<bits-1, 10))
	}
	for _, k := range []string{"from", "to"} {
		if m[k] != nil {
			t[k] = fmt.Sprint(m[k])
		}
	}
	return t
}
