package wire

import (
	"reflect"
	"strconv"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
)

// A frame is a list of nodes over the body that the framing carries. The same
// list encodes and decodes. Each kind of field stands in one file: its keys, how
// it is compiled, written, read, and which bytes it may have.

// field is what stands in one place of a frame. Writing and reading return why
// they failed, "" when they did not: a constant text, so that trying the next
// frame costs no allocation.
type field interface {
	encode(e *encoder, dst []byte) ([]byte, string)
	decode(d *decoder) string
	pattern() pattern
}

// node is a field at its place in a frame.
type node struct {
	field
	name  string
	spec  *fieldSpec // nil for nodes made by the compiler
	term  Term       // −1: carries nothing, or several
	mark  int8       // where its place is noted; −1 none
	sized bool       // a length says how long it is
}

// terms lists what the field carries, constants included.
func (n *node) terms() (list []Term) {
	switch f := n.field.(type) {
	case *valued:
		return []Term{f.term}
	case *literal:
		if f.is.Kind != Absent {
			return []Term{f.term}
		}
	case *word:
		for _, p := range f.parts {
			list = append(list, p.term)
		}
	}
	return list
}

// parent is a field that has fields.
type parent interface{ children() [][]node }

func eachNode(nodes []node, do func(*node)) {
	for i := range nodes {
		do(&nodes[i])
		if p, ok := nodes[i].field.(parent); ok {
			for _, list := range p.children() {
				eachNode(list, do)
			}
		}
	}
}

// fieldSpec is one field of a file: a literal text, or a mapping with the key
// of its kind.
type fieldSpec struct {
	literal string
	is      kindSpec // nil: a literal, or a mistake that was reported
	wrong   bool
}

// kindSpec are the keys of one kind of field; the first is that of the kind itself.
type kindSpec interface {
	base() *common
	compile(c *compiler, sc *scope, n *node)
}

// kindOf is the kind of a field by its key, and what the key says.
func kindOf(s kindSpec) (key string, says *string) {
	first := keysOf(s)[0]
	return first.key, first.ptr.(*string)
}

// common are the keys of every field.
type common struct {
	Name string `yaml:"name" doc:"a name for ranges and reports; the term unless given"`
}

func (c *common) base() *common { return c }

// kinds are the kinds of field by their key.
var kinds = kindsOf(&bytesSpec{}, &decimalSpec{}, &hexSpec{}, &intSpec{}, &floatSpec{}, &bcdSpec{}, &textSpec{}, &choiceSpec{}, &flagSpec{}, &wordSpec{}, &timeSpec{},
	&eachSpec{}, &whenSpec{}, &codedSpec{}, &checkSpec{}, &lengthSpec{}, &skipSpec{}, &spaceSpec{}, &headerSpec{}, &mapSpec{})

type kind struct {
	key  string
	spec kindSpec // without values
}

func kindsOf(specs ...kindSpec) (list []kind) {
	for _, s := range specs {
		key, _ := kindOf(s)
		list = append(list, kind{key, s})
	}
	return list
}

// UnmarshalAny reads a literal text or a mapping.
func (f *fieldSpec) UnmarshalAny(n strict.Any) error {
	if n.Kind == strict.Scalar {
		f.literal = n.Scalar
		return nil
	}
	f.wrong = true
	if n.Kind != strict.Mapping {
		n.Errorf("write a text, or a mapping such as {decimal: reading, width: 8}", "a field belongs here, not %s", n.Kind)
		return nil
	}
	var key string
	for _, p := range n.Pairs {
		for _, k := range kinds {
			switch {
			case k.key != p.Key:
			case f.is == nil:
				f.is, key = reflect.New(reflect.TypeOf(k.spec).Elem()).Interface().(kindSpec), k.key
			case !hasKey(f.is, p.Key):
				p.Value.Errorf("make two fields of it", "a field is one thing, not both %s and %s", key, p.Key)
				return nil
			}
		}
	}
	if f.is == nil {
		n.Errorf("start it with its kind, such as {decimal: reading, width: 8}", "the field has no kind")
		return nil
	}
	f.wrong = !n.Decode(f.is)
	return nil
}

// SchemaFor describes a text and every kind.
func (fieldSpec) SchemaFor(of func(v any) map[string]any) map[string]any {
	list := []any{map[string]any{"type": "string", "description": "a literal text"}}
	for _, k := range kinds {
		list = append(list, of(k.spec))
	}
	return map[string]any{"oneOf": list}
}

// scope is one frame being compiled.
type scope struct {
	frame *frame
	seen  map[Term]bool // terms whose fields stand earlier
	each  bool
	marks int
	depth int
	count *int
}

func (c *compiler) fields(sc *scope, specs []fieldSpec) []node {
	if len(specs) == 0 {
		return nil
	}
	if sc.depth++; sc.depth > maxNesting {
		c.doc.Errorf(&specs[0], "", "groups are nested more than %d deep", maxNesting)
		return nil
	}
	defer func() { sc.depth-- }()
	nodes := make([]node, 0, len(specs))
	for i := range specs {
		if *sc.count++; *sc.count > maxFields {
			c.doc.Errorf(&specs[i], "", "a dialect has at most %d fields", maxFields)
			return nodes
		}
		f := &specs[i]
		if f.wrong || f.is == nil && f.literal == "" {
			if !f.wrong {
				c.doc.Errorf(f, "", "a literal is empty")
			}
			continue
		}
		nodes = append(nodes, c.field(sc, f))
	}
	return nodes
}

func newNode(name string, f field) node {
	return node{field: f, name: name, term: -1, mark: -1}
}

// field compiles one field.
func (c *compiler) field(sc *scope, f *fieldSpec) node {
	if f.is == nil {
		lit, err := toBytes(f.literal)
		if err != nil {
			c.doc.Errorf(f, `write bytes above 7F as "\xB5"`, "%v", err)
		}
		n := newNode(strconv.Quote(f.literal), &literal{lit: lit})
		n.spec = f
		return n
	}
	_, says := kindOf(f.is)
	n := newNode(*says, &literal{lit: []byte{'?'}})
	n.spec = f
	if *says == "" {
		c.doc.Errorf(f, "", "the field says nothing")
		return n
	}
	f.is.compile(c, sc, &n)
	if name := f.is.base().Name; name != "" {
		n.name = name
	}
	if n.term >= 0 {
		sc.seen[n.term] = true
	}
	return n
}

// form is how a value of one term stands on the wire.
type form interface {
	put(dst []byte, v *Value) ([]byte, string)
	get(d *decoder, v *Value) string
	pattern() pattern
}

// valued is a field that carries one term.
type valued struct {
	form
	term     Term
	specials []special
	void     Term        // of the reason a reading is void; looked at when there are specials
	derive   *expression // a value that follows from others
}

// special is what stands in a value's place when there is no value.
type special struct {
	token  []byte
	reason string // void reason; "" when the value is simply absent
	void   bool
}

// voidKeys are the keys for a value that may be missing.
type voidKeys struct {
	Void   strict.Any `yaml:"void" doc:"what is sent for a void reading: one text, or one for each reason"`
	Absent strict.Any `yaml:"absent" doc:"what is sent when there is no value"`
}

// valueKey is the key for a value that the file says.
type valueKey struct {
	Value string `yaml:"value" doc:"a constant, or an expression after an equals sign"`
}

// carry makes a node carry a term in a form.
func (c *compiler) carry(n *node, term string, k Kind, f form) *valued {
	n.term = c.term(term)
	c.kinds[n.term] = k
	v := &valued{form: f, term: n.term, void: -1}
	n.field = v
	return v
}

// constant gives a field a fixed or derived value.
func (c *compiler) constant(n *node, v *valued, key *valueKey) {
	if !c.doc.Has(&key.Value) {
		return
	}
	if text, ok := strings.CutPrefix(key.Value, "="); ok {
		v.derive = c.expression(&key.Value, text, Absent, nil)
		return
	}
	value := Str(key.Value)
	if c.kinds[n.term] == Number {
		number, err := decimal.Parse(key.Value)
		if u, err2 := strconv.ParseInt(key.Value, 0, 64); err2 == nil {
			number, err = decimal.New(u, 0), nil
		}
		if err != nil {
			c.doc.Errorf(&key.Value, "", "%v", err)
			return
		}
		value = Num(number)
	}
	lit, why := v.put(nil, &value)
	if why != "" {
		c.doc.Errorf(&key.Value, "", "the constant overflows the field: %s %s", value, why)
		return
	}
	n.field = &literal{lit: lit, term: n.term, is: value}
}

// voids compiles what stands in a value's place; token turns one text of the
// file into its bytes.
func (c *compiler) voids(v *valued, keys *voidKeys, token func(strict.Any) []byte) {
	add := func(n strict.Any, reason string, void bool) {
		t := token(n)
		if t == nil {
			return
		}
		for _, s := range v.specials {
			if string(s.token) == string(t) {
				n.Errorf("give each its own", "%q stands for two things: the second can never be read", n.Scalar)
				return
			}
		}
		// The longest is tried first when reading.
		i := 0
		for i < len(v.specials) && len(v.specials[i].token) >= len(t) {
			i++
		}
		v.specials = append(v.specials[:i], append([]special{{t, reason, void}}, v.specials[i:]...)...)
	}
	switch n := keys.Void; n.Kind {
	case strict.Mapping:
		for _, p := range n.Pairs {
			if !contains(knownValues[Void], p.Key) {
				n.Errorf("write "+strings.Join(knownValues[Void], ", "), "%q is no reason for a void reading", p.Key)
				continue
			}
			add(p.Value, p.Key, true)
		}
	case strict.Scalar:
		add(n, "", true)
	case strict.Sequence:
		n.Errorf("", "write one value, or one for each reason")
	}
	if keys.Absent.Kind == strict.Scalar {
		add(keys.Absent, "", false)
	}
	if len(v.specials) > 0 {
		v.void = c.d.void
	}
}

func (v *valued) encode(e *encoder, dst []byte) ([]byte, string) {
	value := e.rec.at(v.term, e.ch)
	if v.derive != nil {
		out, err := v.derive.eval(e.rec, e.ch)
		if err != nil {
			e.err = err
			return dst, whyAbsent
		}
		*value = out
	}
	if value.Kind == Absent {
		return v.absent(e, dst)
	}
	start := len(dst)
	dst, why := v.put(dst, value)
	if why == "" && e.rec.watches(v.term) {
		kept := len(e.rec.carried)
		e.rec.carried = append(e.rec.carried, carried{term: v.term, ch: e.ch})
		d := &e.rec.dec
		d.begin(e.rec, dst[start:], nil)
		if v.get(d, &e.rec.carried[kept].val) != "" {
			e.rec.carried = e.rec.carried[:kept]
		}
	}
	return dst, why
}

// absent writes what stands in a value's place when there is none: what is
// listed for the reason, else for none, else the first.
func (v *valued) absent(e *encoder, dst []byte) ([]byte, string) {
	if f, ok := v.form.(*choices); ok && f.kind == Flag {
		no := Bool(false)
		return v.put(dst, &no)
	}
	if len(v.specials) == 0 {
		if e.blank(v.term) {
			zero := Int(0)
			return v.put(dst, &zero)
		}
		return dst, whyAbsent
	}
	reason := v.reason(e.rec, e.ch)
	pick := -1
	for i := range v.specials {
		s := &v.specials[i]
		if s.reason == reason && s.void == (reason != "") {
			pick = i
			break
		}
		if pick < 0 || s.reason == "none" && v.specials[pick].reason != "none" {
			pick = i
		}
	}
	return append(dst, v.specials[pick].token...), ""
}

// reason is the reason the record gives for a missing value.
func (v *valued) reason(rec *Record, ch int) string {
	if v.void < 0 {
		return ""
	}
	if why := rec.at(v.void, ch); why.Kind == Text {
		return why.Text
	}
	if why := rec.at(v.void, 0); why.Kind == Text {
		return why.Text
	}
	return ""
}

func (v *valued) decode(d *decoder) string {
	value := d.rec.at(v.term, d.ch)
	for i := range v.specials {
		s := &v.specials[i]
		if !d.begins(s.token) || v.continues(d.buf[d.pos+len(s.token):d.end]) {
			continue
		}
		d.pos += len(s.token)
		value.Kind = Absent
		if s.void && s.reason != "" {
			if why := d.rec.at(v.void, d.ch); why.Kind == Absent {
				*why = Str(s.reason)
			}
		}
		return ""
	}
	return v.get(d, value)
}

// continues says whether a number of free width goes on behind a special that
// is only its beginning.
func (v *valued) continues(rest []byte) bool {
	num, ok := v.form.(*number)
	if !ok {
		return false
	}
	f, ok := num.digits.(*decimalForm)
	return ok && f.width == 0 && len(rest) > 0 && (isDigit(rest[0]) || f.mark != 0 && rest[0] == f.mark || rest[0] == '-' || rest[0] == '+')
}

func (v *valued) pattern() pattern {
	list := either{v.form.pattern()}
	for _, s := range v.specials {
		list = append(list, bytesAs(s.token, false))
	}
	return list
}

func (v *valued) shows(rec *Record, ch int, _ []byte) string {
	value := rec.Get(v.term, ch)
	if value.Kind != Absent {
		return value.String()
	}
	if why := v.reason(rec, ch); why != "" {
		return "void: " + why
	}
	return "void"
}
