// Package strict reads description files (scenarios, dialects, hosts, gauge
// profiles) written in YAML into Go structs, and misses nothing: an unknown
// key, a wrong form or a missing value is an error that says where it stands
// (file:line:column), what is wrong and what would be right. All errors of a
// file are reported together.
//
// The subset of YAML is the plain one: mappings, sequences and scalars. Anchors,
// aliases, tags and merge keys are refused, so a small file cannot grow into a
// large one. A scalar is taken as the text that stands in the file: 8.000 keeps
// its three decimals, and no binary float is ever made of it.
//
// A field's tags are its key (yaml), its doc, whether it is needed (need), an
// earlier name (was), the words it takes (one) and the least and greatest number
// (range); reading holds the file to them, and the schema repeats them.
package strict

import (
	"encoding"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"example.org/understudy/sim/enum"
)

// Pos is a place in a file. Line and Column count from 1, in characters.
type Pos struct {
	File         string
	Line, Column int
}

func (p Pos) String() string {
	if p.Line == 0 {
		return p.File
	}
	return p.File + ":" + strconv.Itoa(p.Line) + ":" + strconv.Itoa(p.Column)
}

// Error is one mistake in a file.
type Error struct {
	Pos
	Msg  string // what is wrong
	Want string // what would be right; may be empty
}

func (e Error) Error() string {
	if e.Want == "" {
		return e.Pos.String() + ": " + e.Msg
	}
	return e.Pos.String() + ": " + e.Msg + "; " + e.Want
}

// Errors are all the mistakes of a file, in the order they stand in it.
type Errors []Error

func (es Errors) Error() string {
	lines := make([]string, len(es))
	for i, e := range es {
		lines[i] = e.Error()
	}
	return strings.Join(lines, "\n")
}

// Kind says what a node of the file is.
type Kind uint8

// Kinds of node.
const (
	Null Kind = iota
	Scalar
	Mapping
	Sequence
)

func (k Kind) String() string {
	return [...]string{"nothing", "a single value", "a mapping (key: value)", "a list"}[k]
}

// Any is a node of the file as it stands.
type Any struct {
	Pos    Pos
	Kind   Kind
	Scalar string // text of a scalar, quotes removed
	Quoted bool   // the scalar stood in quotes or as a block
	Pairs  []Pair // of a mapping, in file order
	Items  []Any  // of a sequence
	doc    *Doc
}

// Pair is one key of a mapping and its value.
type Pair struct {
	Key   string
	Pos   Pos // of the key
	Value Any
}

// Decode reads the node into *out and reports whether it was faultless; its
// mistakes are added to the document's. Several structs take the keys of one mapping
// together.
func (n Any) Decode(out any, more ...any) bool {
	before := n.doc.found
	if len(more) == 0 {
		n.doc.decode(n, reflect.ValueOf(out).Elem(), 0)
	} else if n.doc.want(n, Mapping) {
		parts := []reflect.Value{reflect.ValueOf(out).Elem()}
		for _, m := range more {
			parts = append(parts, reflect.ValueOf(m).Elem())
		}
		n.doc.decodeStruct(n, 0, parts...)
	}
	return n.doc.found == before
}

// Errorf adds a mistake at the node.
func (n Any) Errorf(want, format string, args ...any) {
	n.doc.add(n.Pos, want, format, args...)
}

// Lookup finds a key of a mapping.
func (n Any) Lookup(key string) (Any, bool) {
	for _, p := range n.Pairs {
		if p.Key == key {
			return p.Value, true
		}
	}
	return Any{}, false
}

// Unmarshaler is a type that reads itself from a node, for short forms. A
// returned error is placed at the node; errors added through n.Decode or
// n.Errorf need not be returned as well.
type Unmarshaler interface{ UnmarshalAny(n Any) error }

// Enumeration is a type with a closed list of names.
type Enumeration interface{ Names() []string }

type place struct {
	ptr uintptr
	typ reflect.Type
}

// Doc is a file that was read: it knows where each decoded value stood.
type Doc struct {
	File string
	Root Any
	at   map[place]Pos

	errs    Errors
	found   int     // mistakes, those not listed among them
	misread []Error // words that other readers take for booleans
}

// Decode reads src into *out. The error is of type Errors and holds every
// mistake; doc is usable even then, to add semantic errors to. The decoded
// value must not be copied before At is asked about its parts.
func Decode(file string, src []byte, out any) (doc *Doc, err error) {
	doc = &Doc{File: file, at: map[place]Pos{}}
	doc.Root = Any{Pos: Pos{File: file}, doc: doc}
	root, ok := doc.parse(src)
	if ok {
		doc.Root = root
		if root.Kind == Null {
			doc.add(Pos{File: file, Line: 1, Column: 1}, "", "the file is empty")
		} else {
			doc.decode(root, reflect.ValueOf(out).Elem(), 0)
		}
	}
	if _, whole := out.(*Any); whole {
		doc.misread = nil // nothing takes the words yet
	}
	return doc, doc.Err()
}

// booleans are words of YAML 1.2 that YAML 1.1 takes for true and false, as most of
// its readers have it.
var booleans = []string{"yes", "no", "on", "off"}

// At returns where the value decoded into *ptr stands; for a value the file
// did not write, the top of the file.
func (d *Doc) At(ptr any) Pos {
	v := reflect.ValueOf(ptr)
	if p, ok := d.at[place{v.Pointer(), v.Type().Elem()}]; ok {
		return p
	}
	return Pos{File: d.File, Line: 1, Column: 1}
}

// Has reports whether the file wrote the value decoded into *ptr.
func (d *Doc) Has(ptr any) bool {
	v := reflect.ValueOf(ptr)
	_, ok := d.at[place{v.Pointer(), v.Type().Elem()}]
	return ok
}

// parse turns the text into a node, with the library's panics (it has had
// some on hostile input) reported as errors of the file.
func (d *Doc) parse(src []byte) (root Any, ok bool) {
	top := Pos{File: d.File, Line: 1, Column: 1}
	if src, ok = d.readable(src); !ok {
		return root, false
	}
	defer func() {
		if r := recover(); r != nil {
			d.add(top, "", "this is not YAML that can be read (%v)", r)
			ok = false
		}
	}()
	f, err := parser.ParseBytes(src, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		var syntax *yaml.SyntaxError
		if errors.As(err, &syntax) && syntax.Token != nil {
			p := syntax.Token.Position
			d.add(Pos{d.File, p.Line, p.Column}, "", "%s", syntax.Message)
		} else {
			d.add(top, "", "%v", err)
		}
		return root, false
	}
	docs := f.Docs[:0]
	for _, doc := range f.Docs {
		if doc.Body != nil && doc.Body.Type() != ast.CommentType {
			docs = append(docs, doc)
		}
	}
	if len(docs) > 1 {
		second, _ := d.convert(docs[1].Body, 0)
		d.add(second.Pos, "keep one per file", "a second document starts here")
		return root, false
	}
	if len(docs) == 0 {
		return Any{Pos: top, doc: d}, true
	}
	return d.convert(docs[0].Body, 0)
}

func (d *Doc) pos(n ast.Node) Pos {
	if t := n.GetToken(); t != nil && t.Position != nil {
		return Pos{d.File, t.Position.Line, t.Position.Column}
	}
	return Pos{File: d.File}
}

func (d *Doc) convert(n ast.Node, depth int) (out Any, ok bool) {
	out = Any{Pos: d.pos(n), doc: d}
	if depth > maxDepth {
		d.add(out.Pos, "", "nested more than %d deep", maxDepth)
		return out, false
	}
	switch n := n.(type) {
	case *ast.NullNode:
		return out, true
	case *ast.StringNode:
		out.Kind, out.Scalar = Scalar, n.Value
		origin := strings.TrimSpace(n.Token.Origin)
		out.Quoted = strings.HasPrefix(origin, `"`) || strings.HasPrefix(origin, `'`)
		if !out.Quoted && slices.Contains(booleans, strings.ToLower(n.Value)) {
			d.misread = append(d.misread, Error{out.Pos, n.Value + " without quotes is a word to some YAML tools and a boolean to others", fmt.Sprintf("write %q in quotes", n.Value)})
		}
		return out, true
	case *ast.LiteralNode:
		out.Kind, out.Scalar, out.Quoted = Scalar, n.Value.Value, true
		return out, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		out.Kind, out.Scalar = Scalar, n.GetToken().Value
		return out, true
	case *ast.MappingValueNode:
		return d.mapping(out, []*ast.MappingValueNode{n}, depth)
	case *ast.MappingNode:
		return d.mapping(out, n.Values, depth)
	case *ast.SequenceNode:
		out.Kind, out.Items = Sequence, make([]Any, 0, len(n.Values))
		ok = true
		for _, v := range n.Values {
			item, good := d.convert(v, depth+1)
			out.Items = append(out.Items, item)
			ok = ok && good
		}
		return out, ok
	case *ast.AnchorNode, *ast.AliasNode, *ast.MergeKeyNode, *ast.TagNode:
		d.add(out.Pos, "write the value out", "anchors, aliases and tags are not part of this language")
		return out, false
	}
	d.add(out.Pos, "", "%s is not part of this language", n.Type())
	return out, false
}

func (d *Doc) mapping(out Any, values []*ast.MappingValueNode, depth int) (Any, bool) {
	out.Kind = Mapping
	ok := true
	seen := map[string]Pos{}
	for i, v := range values {
		keyPos := d.pos(v.Key)
		if i == 0 {
			out.Pos = keyPos // a block mapping stands where its first key does
		}
		key, good := d.convert(v.Key, depth+1)
		if !good || key.Kind != Scalar {
			if good {
				d.add(keyPos, "", "a key must be a single word")
			}
			ok = false
			continue
		}
		if first, dup := seen[key.Scalar]; dup {
			d.add(keyPos, "keep one of them", "the key %q stands twice (first at line %d)", key.Scalar, first.Line)
			ok = false
			continue
		}
		seen[key.Scalar] = keyPos
		val, good := d.convert(v.Value, depth+1)
		if val.Kind == Null {
			val.Pos = keyPos // nothing stands anywhere: the key does
		}
		ok = ok && good
		out.Pairs = append(out.Pairs, Pair{Key: key.Scalar, Pos: keyPos, Value: val})
	}
	return out, ok
}

var (
	textType = reflect.TypeFor[encoding.TextUnmarshaler]()
	selfType = reflect.TypeFor[Unmarshaler]()
	anyType  = reflect.TypeFor[Any]()
)

func (d *Doc) decode(n Any, v reflect.Value, depth int) {
	t := v.Type()
	if v.CanAddr() {
		d.at[place{v.Addr().Pointer(), t}] = n.Pos
	}
	if t == anyType {
		v.Set(reflect.ValueOf(n))
		return
	}
	if reflect.PointerTo(t).Implements(selfType) {
		if err := v.Addr().Interface().(Unmarshaler).UnmarshalAny(n); err != nil {
			d.objects(n, "", err)
		}
		return
	}
	if reflect.PointerTo(t).Implements(textType) {
		if !d.want(n, Scalar) {
			return
		}
		if err := v.Addr().Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(n.Scalar)); err != nil {
			want := ""
			if e, ok := v.Addr().Interface().(Enumeration); ok {
				want = Suggest(n.Scalar, e.Names(), "")
			}
			d.objects(n, want, err)
		}
		return
	}
	switch t.Kind() {
	case reflect.Pointer:
		p := reflect.New(t.Elem())
		d.decode(n, p.Elem(), depth)
		v.Set(p)
	case reflect.Struct:
		if d.want(n, Mapping) {
			d.decodeStruct(n, depth, v)
		}
	case reflect.Slice:
		if n.Kind == Scalar || n.Kind == Mapping {
			d.add(n.Pos, "write it as a list: [ ... ]", "a list belongs here, not %s", n.Kind)
			return
		}
		if !d.want(n, Sequence) {
			return
		}
		s := reflect.MakeSlice(t, len(n.Items), len(n.Items))
		for i, item := range n.Items {
			d.decode(item, s.Index(i), depth+1)
		}
		v.Set(s)
	case reflect.Array:
		if !d.want(n, Sequence) {
			return
		}
		if len(n.Items) != t.Len() {
			d.add(n.Pos, "", "%d values belong here, not %d", t.Len(), len(n.Items))
			return
		}
		for i, item := range n.Items {
			d.decode(item, v.Index(i), depth+1)
		}
	case reflect.Map:
		if !d.want(n, Mapping) {
			return
		}
		m := reflect.MakeMapWithSize(t, len(n.Pairs))
		for _, p := range n.Pairs {
			e := reflect.New(t.Elem()).Elem()
			d.decode(p.Value, e, depth+1)
			m.SetMapIndex(reflect.ValueOf(p.Key).Convert(t.Key()), e)
		}
		v.Set(m)
	default:
		if d.want(n, Scalar) {
			d.scalar(n, v)
		}
	}
}

func (d *Doc) want(n Any, k Kind) bool {
	if n.Kind == k {
		return true
	}
	if n.Kind == Null {
		d.add(n.Pos, "write one, or leave the key out", "the value is missing: %s belongs here", k)
	} else {
		d.add(n.Pos, "", "%s belongs here, not %s", k, n.Kind)
	}
	return false
}

func (d *Doc) scalar(n Any, v reflect.Value) {
	bits := 0
	if k := v.Kind(); k >= reflect.Int && k <= reflect.Float64 {
		bits = v.Type().Bits()
	}
	switch v.Kind() {
	case reflect.String:
		v.SetString(n.Scalar)
	case reflect.Bool:
		switch n.Scalar {
		case "true", "false":
			v.SetBool(n.Scalar == "true")
		case "yes", "on":
			d.add(n.Pos, "write true", "%q is called \"true\" now", n.Scalar)
		case "no", "off":
			d.add(n.Pos, "write false", "%q is called \"false\" now", n.Scalar)
		default:
			d.add(n.Pos, "write true or false", "%q is neither true nor false", n.Scalar)
		}
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		i, err := strconv.ParseInt(n.Scalar, 0, bits)
		if err != nil {
			d.add(n.Pos, "", "%q is not a whole number that fits here", n.Scalar)
			return
		}
		v.SetInt(i)
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		u, err := strconv.ParseUint(n.Scalar, 0, bits)
		if err != nil {
			d.add(n.Pos, "", "%q is not a whole number, zero or more, that fits here", n.Scalar)
			return
		}
		v.SetUint(u)
	default:
		d.add(n.Pos, "", "a value of type %s cannot be written in a file", v.Type())
	}
}

// Field is a key of a struct as the language sees it.
type Field struct {
	Key    string
	Was    string // an earlier name of the key, for who still writes it
	Doc    string
	Needed bool
	Index  []int
	Type   reflect.Type
	tag    reflect.StructTag
}

// One lists the words that the tag one allows; none: any.
func (f Field) One() []string { return strings.Fields(f.tag.Get("one")) }

// Range returns the least and the greatest number that the tag range allows.
func (f Field) Range() (least, most int64, ok bool) {
	n, _ := fmt.Sscan(f.tag.Get("range"), &least, &most)
	return least, most, n == 2
}

// FieldsOf lists the keys of a struct type, those of embedded structs among them.
func FieldsOf(t reflect.Type) []Field {
	var fs []Field
	for i := range t.NumField() {
		f := t.Field(i)
		if f.Anonymous && f.Type.Kind() == reflect.Struct && f.Tag.Get("yaml") == "" {
			for _, e := range FieldsOf(f.Type) {
				e.Index = append([]int{i}, e.Index...)
				fs = append(fs, e)
			}
			continue
		}
		key := f.Tag.Get("yaml")
		if key == "" || key == "-" || !f.IsExported() {
			continue
		}
		fs = append(fs, Field{key, f.Tag.Get("was"), f.Tag.Get("doc"), f.Tag.Get("need") == "yes", []int{i}, f.Type, f.Tag})
	}
	return fs
}

func (d *Doc) decodeStruct(n Any, depth int, parts ...reflect.Value) {
	var fields []Field
	byKey, of := map[string]Field{}, map[string]reflect.Value{}
	var keys []string
	now := map[string]string{} // of keys that had another name
	for _, v := range parts {
		for _, f := range FieldsOf(v.Type()) {
			fields, keys = append(fields, f), append(keys, f.Key)
			byKey[f.Key], of[f.Key] = f, v
			if f.Was != "" {
				now[f.Was] = f.Key
			}
		}
	}
	for _, p := range n.Pairs {
		f, known := byKey[p.Key]
		if !known {
			if to := now[p.Key]; to != "" {
				d.add(p.Pos, fmt.Sprintf("write %s", to), "the key %q is called %q now", p.Key, to)
				continue
			}
			want := "" // nobody sees it, if the mistake is not listed
			if len(d.errs) < maxListed {
				want = Suggest(p.Key, keys, "the keys here are "+strings.Join(keys, ", "))
			}
			d.add(p.Pos, want, "unknown key %q", p.Key)
			continue
		}
		before := d.found
		v := of[p.Key].FieldByIndex(f.Index)
		if d.decode(p.Value, v, depth+1); d.found == before {
			d.check(f, p.Value, v)
		}
	}
	for _, f := range fields {
		_, ok := n.Lookup(f.Key)
		if _, before := n.Lookup(f.Was); f.Needed && !ok && !(f.Was != "" && before) {
			d.add(n.Pos, f.Doc, "the key %q is missing", f.Key)
		}
	}
}

// check holds a value against the words or the range that its key allows.
func (d *Doc) check(f Field, n Any, v reflect.Value) {
	if v.Kind() == reflect.Pointer {
		v = v.Elem()
	}
	if v.Kind() == reflect.Slice {
		for i, item := range n.Items {
			d.check(f, item, v.Index(i))
		}
		return
	}
	if words := f.One(); len(words) > 0 && !slices.Contains(words, n.Scalar) {
		want := "write " + enum.List(words)
		if near := Nearest(n.Scalar, words); len(near) > 2 { // a digit is near any other
			want = fmt.Sprintf("did you mean %q?", near)
		}
		d.add(n.Pos, want, "%q cannot stand here", n.Scalar)
	}
	if least, most, ok := f.Range(); ok && (v.Int() < least || v.Int() > most) {
		d.add(n.Pos, fmt.Sprintf("write %d to %d", least, most), "%d cannot stand here", v.Int())
	}
}
