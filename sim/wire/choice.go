package wire

import (
	"maps"
	"slices"
	"sort"
	"strconv"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
)

// choices is a value that is one of several.
type choices struct {
	list  []choice
	kind  Kind
	other int  // index of the choice for unlisted values; −1 none
	fold  bool // capital and small letters are the same
}

// choice is one of them: its bytes in a field of its own, its number in some bits.
type choice struct {
	val   Value
	lit   []byte
	n     uint64
	alias bool // sent, but never read
}

type choiceSpec struct {
	Term string `yaml:"choice" need:"yes" doc:"one of the values under is"`
	common
	Is strict.Any `yaml:"is" doc:"value to what is sent for it"`
	sentKeys
	Other string            `yaml:"otherwise" doc:"the value that stands for any that is not listed"`
	Like  map[string]string `yaml:"like" doc:"values that are sent as one of those under is, but read as that one"`
	Fold  bool              `yaml:"any-case" doc:"small and capital letters are the same"`
	valueKey
	voidKeys
}

// sentKeys say that numbers are sent.
type sentKeys struct {
	Size int `yaml:"size" range:"1 8" doc:"bytes, when numbers are sent; texts unless given"`
	orderKey
}

// knownValues are the values the gauge gives some terms.
var knownValues = map[string][]string{
	Zone:     {"below", "warn-low", "inside", "warn-high", "above", "void"},
	Void:     {"under", "over", "missing", "empty", "none"},
	Function: {"live", "max", "min", "fim"},
	Link:     {"up", "stalled", "lost", "rejoining"},
	Sense:    {"rising", "falling"},
}

// knownValue refuses a value that no gauge has.
func (c *compiler) knownValue(term string, p strict.Pair) {
	known := knownValues[term]
	if term == Unit {
		known = decimal.UnitSymbols()
	}
	if known == nil || contains(known, p.Key) {
		return
	}
	if term == Zone && p.Key == "in" {
		p.Value.Errorf("write inside", `the zone "in" is called "inside" now`)
		return
	}
	p.Value.Errorf(strict.Suggest(p.Key, known, "a gauge has "+strings.Join(known, ", ")), "%q is no value of %s", p.Key, term)
}

// allKnown refuses a choice that the gauge sends and that leaves out a value
// the gauge may have: the frame could not be sent then.
func (c *compiler) allKnown(sc *scope, at any, term string, f *choices) {
	if sc.frame.from == Host || f.other >= 0 || term == Void {
		return
	}
	for _, v := range knownValues[term] {
		if f.find(v) < 0 {
			c.doc.Errorf(at, "list it, or write otherwise", "%s may be %s, and nothing is sent for that", term, v)
			return
		}
	}
}

func (s *choiceSpec) compile(c *compiler, sc *scope, n *node) {
	sent := func(a strict.Any) (choice, bool) { return c.sent(a, &s.sentKeys) }
	f := c.choices(n.spec, s.Term, s.Is, sent)
	if f == nil {
		return
	}
	f.fold = s.Fold
	s.like(c, f)
	// The longest bytes are tried first when reading; aliases come last.
	sort.SliceStable(f.list, func(i, j int) bool {
		a, b := &f.list[i], &f.list[j]
		if a.alias != b.alias {
			return b.alias
		}
		return len(a.lit) > len(b.lit)
	})
	f.otherwise(c, &s.Other)
	if !c.doc.Has(&s.Value) {
		c.allKnown(sc, n.spec, s.Term, f)
	}
	v := c.carry(n, s.Term, f.kind, f)
	c.voids(v, &s.voidKeys, func(a strict.Any) []byte {
		e, _ := sent(a)
		return e.lit
	})
	c.constant(n, v, &s.valueKey)
}

// choices compiles the values of a choice and what is sent for each. They are
// numbers if all can be.
func (c *compiler) choices(at any, term string, is strict.Any, sent func(strict.Any) (choice, bool)) *choices {
	if is.Kind != strict.Mapping || len(is.Pairs) == 0 {
		c.doc.Errorf(at, "write is: {value: what is sent, ...}", "the choice lists no values")
		return nil
	}
	f := &choices{other: -1, kind: Number}
	for _, p := range is.Pairs {
		if _, err := decimal.Parse(p.Key); err != nil {
			f.kind = Text
		}
	}
	for _, p := range is.Pairs {
		c.knownValue(term, p)
		e, ok := sent(p.Value)
		if !ok {
			continue
		}
		for _, o := range f.list {
			if string(o.lit) == string(e.lit) && o.n == e.n {
				p.Value.Errorf("give each value its own", "%s is already sent for %s: %s can never be read", p.Value.Scalar, o.val, p.Key)
			}
		}
		e.val = f.value(p.Key)
		if _, whole := e.val.Num.Int64(); !whole {
			c.frac[c.term(term)] = true
		}
		f.list = append(f.list, e)
	}
	return f
}

// value is a value as a file writes it.
func (f *choices) value(text string) Value {
	if v, err := decimal.Parse(text); err == nil && f.kind == Number {
		return Num(v)
	}
	return Str(text)
}

// sent is what a choice sends for a value: a text, or a number of some bytes.
func (c *compiler) sent(a strict.Any, k *sentKeys) (e choice, ok bool) {
	if k.Size == 0 {
		lit, err := toBytes(a.Scalar)
		if err != nil || a.Kind != strict.Scalar {
			a.Errorf(`write one text, with bytes above 7F as "\xB5"`, "%q cannot be sent", a.Scalar)
		}
		return choice{lit: lit}, err == nil
	}
	u, ok := c.bits(a, 8*k.Size)
	return choice{lit: appendUint(nil, u, k.Size, k.Order)}, ok
}

// bits is a whole number that must fit in some bits.
func (c *compiler) bits(a strict.Any, width int) (u uint64, ok bool) {
	u, err := strconv.ParseUint(a.Scalar, 0, 64)
	if err != nil {
		a.Errorf("", "%q is not a whole number, zero or more", a.Scalar)
	} else if width < 64 && u>>width != 0 {
		a.Errorf("", "%s does not fit in %d bits", a.Scalar, width)
	} else {
		return u, true
	}
	return 0, false
}

// like adds values that are sent as another is.
func (s *choiceSpec) like(c *compiler, f *choices) {
	for _, k := range slices.Sorted(maps.Keys(s.Like)) {
		if i := f.find(k); i >= 0 {
			c.doc.Errorf(&s.Like, "leave it out of one", "%q is listed under is as well", k)
		}
		i := f.find(s.Like[k])
		if i < 0 {
			c.doc.Errorf(&s.Like, "name one of the values under is", "%q is not listed", s.Like[k])
			continue
		}
		f.list = append(f.list, choice{val: f.value(k), lit: f.list[i].lit, alias: true})
	}
}

// otherwise finds the choice that stands for unlisted values.
func (f *choices) otherwise(c *compiler, ptr *string) {
	if *ptr == "" {
		return
	}
	if f.other = f.find(*ptr); f.other < 0 {
		c.doc.Errorf(ptr, "name one of the values under is", "%q is not listed", *ptr)
	}
}

// find returns the choice of a value as a file writes it, or −1.
func (f *choices) find(text string) int {
	return slices.IndexFunc(f.list, func(c choice) bool { return c.val.String() == text })
}

// of returns what is sent for a value; nil when nothing is.
func (f *choices) of(v *Value) *choice {
	for i := range f.list {
		if f.list[i].val.equals(v) {
			return &f.list[i]
		}
	}
	if f.other >= 0 {
		return &f.list[f.other]
	}
	return nil
}

func (f *choices) put(dst []byte, v *Value) ([]byte, string) {
	if c := f.of(v); c != nil {
		return append(dst, c.lit...), ""
	}
	return dst, whyChoice
}

func (f *choices) get(d *decoder, v *Value) string {
	for i := range f.list {
		c := &f.list[i]
		if d.begins(c.lit) || f.fold && d.beginsFolded(c.lit) {
			d.pos += len(c.lit)
			v.become(&c.val)
			return ""
		}
	}
	return whyChoice
}

// become gives a value the meaning of a number in some bits.
func (f *choices) become(v *Value, n uint64) string {
	for i := range f.list {
		if c := &f.list[i]; c.n == n {
			v.become(&c.val)
			return ""
		}
	}
	return whyChoice
}

func (f *choices) pattern() pattern {
	var list either
	for _, c := range f.list {
		list = append(list, bytesAs(c.lit, f.fold))
	}
	return list
}

type flagSpec struct {
	Term string `yaml:"flag" need:"yes" doc:"yes or no"`
	common
	Yes strict.Any `yaml:"set" was:"yes" need:"yes" doc:"what is sent for yes"`
	No  strict.Any `yaml:"clear" was:"no" need:"yes" doc:"what is sent for no"`
	sentKeys
}

func (s *flagSpec) compile(c *compiler, _ *scope, n *node) {
	yes, ok1 := c.sent(s.Yes, &s.sentKeys)
	no, ok2 := c.sent(s.No, &s.sentKeys)
	if ok1 && ok2 && string(yes.lit) == string(no.lit) {
		s.No.Errorf("give clear its own", "set and clear are both sent as %q: no can never be read", s.No.Scalar)
	}
	yes.val, no.val = Bool(true), Bool(false)
	f := &choices{list: []choice{yes, no}, kind: Flag, other: -1}
	if len(no.lit) > len(yes.lit) {
		slices.Reverse(f.list) // the longest is tried first
	}
	c.carry(n, s.Term, Flag, f)
}
