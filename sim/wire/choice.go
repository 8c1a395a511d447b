package wire

import (
	"fmt"
	"sort"
	"strconv"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
)

// choices is a value that is one of several, each with its own bytes.
type choices struct {
	list  []choice
	other int  // index of the choice for unlisted values; −1 none
	fold  bool // capital and small letters are the same
	flag  bool
}

type choice struct {
	val   Value
	lit   []byte
	alias bool // sent, but never read
}

type choiceSpec struct {
	Term string `yaml:"choice" need:"yes" doc:"one of the values under is"`
	common
	Is    strict.Any        `yaml:"is" doc:"value to what is sent for it"`
	Size  int               `yaml:"size" doc:"bytes, when numbers are sent; texts unless given"`
	Order byteOrder         `yaml:"order" doc:"byte order of those numbers"`
	Other string            `yaml:"otherwise" doc:"the value that stands for any that is not listed"`
	Like  map[string]string `yaml:"like" doc:"values that are sent as one of those under is, but read as that one"`
	Fold  bool              `yaml:"any-case" doc:"small and capital letters are the same"`
	valueKey
	voidKeys
}

func (s *choiceSpec) says() *string { return &s.Term }

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
	p.Value.Errorf(nearest(p.Key, known, "a gauge has "+strings.Join(known, ", ")), "%q is no value of %s", p.Key, term)
}

// allKnown refuses a choice that the gauge sends and that leaves out a value
// the gauge may have: the frame could not be sent then.
func (c *compiler) allKnown(sc *scope, at any, term string, other bool, listed func(string) bool) {
	if sc.frame.from == Host || other || term == Void {
		return
	}
	for _, v := range knownValues[term] {
		if !listed(v) {
			c.doc.Errorf(at, "list it, or write otherwise", "%s may be %s, and nothing is sent for that", term, v)
			return
		}
	}
}

// numbersOf says whether all keys of a mapping are numbers.
func numbersOf(n strict.Any) bool {
	for _, p := range n.Pairs {
		if _, err := decimal.Parse(p.Key); err != nil {
			return false
		}
	}
	return true
}

func (s *choiceSpec) compile(c *compiler, sc *scope, n *node) {
	f := &choices{other: -1, fold: s.Fold}
	if s.Is.Kind != strict.Mapping || len(s.Is.Pairs) == 0 {
		c.doc.Errorf(n.spec, "write is: {value: what is sent, ...}", "the choice lists no values")
		return
	}
	numbers, kind := numbersOf(s.Is), Text
	if numbers {
		kind = Number
	}
	toValue := func(text string) Value {
		if v, err := decimal.Parse(text); err == nil && numbers {
			return Num(v)
		}
		return Str(text)
	}
	for _, p := range s.Is.Pairs {
		c.knownValue(s.Term, p)
		if p.Value.Kind != strict.Scalar {
			p.Value.Errorf("", "what is sent for %q must be one value", p.Key)
			continue
		}
		lit, err := c.sent(p.Value.Scalar, &s.Size, s.Order)
		if err != nil {
			p.Value.Errorf("", "%v", err)
			continue
		}
		for _, e := range f.list {
			if string(e.lit) == string(lit) {
				p.Value.Errorf("give each value its own", "%s is already sent for %s: %s can never be read", p.Value.Scalar, e.val, p.Key)
			}
		}
		if numbers {
			if _, whole := decimal.MustParse(p.Key).Int64(); !whole {
				c.frac[c.term(s.Term)] = true
			}
		}
		f.list = append(f.list, choice{val: toValue(p.Key), lit: lit})
	}
	s.like(c, f, toValue)
	f.other = s.otherwise(c, f)
	if !c.doc.Has(&s.Value) {
		c.allKnown(sc, n.spec, s.Term, f.other >= 0, func(v string) bool { return f.find(v) >= 0 })
	}
	f.sort()
	v := c.carry(n, s.Term, kind, f)
	c.voids(v, &s.voidKeys, func(a strict.Any) []byte {
		b, err := c.sent(a.Scalar, &s.Size, s.Order)
		if err != nil {
			a.Errorf("", "%v", err)
			return nil
		}
		return b
	})
	c.constant(n, v, &s.valueKey)
}

// sent is the bytes for what a choice sends: a text, or a number of some bytes.
func (c *compiler) sent(text string, size *int, order byteOrder) ([]byte, error) {
	if !c.doc.Has(size) {
		return toBytes(text)
	}
	u, err := strconv.ParseUint(text, 0, 64)
	n := c.size(size)
	if err != nil {
		return nil, fmt.Errorf("%q is not a whole number, zero or more", text)
	}
	if n < 8 && u>>(8*n) != 0 {
		return nil, fmt.Errorf("%s does not fit in %d bytes", text, n)
	}
	return appendUint(nil, u, n, order), nil
}

// like adds values that are sent as another is.
func (s *choiceSpec) like(c *compiler, f *choices, toValue func(string) Value) {
	var from []string
	for k := range s.Like {
		from = append(from, k)
	}
	sort.Strings(from)
	for _, k := range from {
		if i := f.find(k); i >= 0 {
			c.doc.Errorf(&s.Like, "leave it out of one", "%q is listed under is as well", k)
		}
		i := f.find(s.Like[k])
		if i < 0 {
			c.doc.Errorf(&s.Like, "name one of the values under is", "%q is not listed", s.Like[k])
			continue
		}
		f.list = append(f.list, choice{toValue(k), f.list[i].lit, true})
	}
}

func (s *choiceSpec) otherwise(c *compiler, f *choices) int {
	if s.Other == "" {
		return -1
	}
	i := f.find(s.Other)
	if i < 0 {
		c.doc.Errorf(&s.Other, "name one of the values under is", "%q is not listed", s.Other)
	}
	return i
}

// find returns the choice of a value as a file writes it, or −1.
func (f *choices) find(text string) int {
	for i := range f.list {
		if f.list[i].val.String() == text {
			return i
		}
	}
	return -1
}

// sort puts the longest bytes first, so that they are tried first when reading;
// aliases come last.
func (f *choices) sort() {
	var other Value
	if f.other >= 0 {
		other = f.list[f.other].val
	}
	sort.SliceStable(f.list, func(i, j int) bool {
		a, b := &f.list[i], &f.list[j]
		if a.alias != b.alias {
			return b.alias
		}
		return len(a.lit) > len(b.lit)
	})
	if f.other >= 0 {
		f.other = f.find(other.String())
	}
}

func (f *choices) put(dst []byte, v *Value) ([]byte, string) {
	for i := range f.list {
		if c := &f.list[i]; c.val.equals(v) {
			return append(dst, c.lit...), ""
		}
	}
	if f.other >= 0 {
		return append(dst, f.list[f.other].lit...), ""
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

func (f *choices) sizes() (least, most int) {
	least = 1 << 20
	for _, c := range f.list {
		least, most = min(least, len(c.lit)), max(most, len(c.lit))
	}
	return least, most
}

func (f *choices) shape(a *nfa, from int) int {
	end := a.state()
	for _, c := range f.list {
		a.jump(a.literal(from, c.lit, f.fold), end)
	}
	return end
}

type flagSpec struct {
	Term string `yaml:"flag" need:"yes" doc:"yes or no"`
	common
	Yes   *string   `yaml:"yes" doc:"what is sent for yes"`
	No    *string   `yaml:"no" doc:"what is sent for no"`
	Size  int       `yaml:"size" doc:"bytes, when numbers are sent; texts unless given"`
	Order byteOrder `yaml:"order" doc:"byte order of those numbers"`
}

func (s *flagSpec) says() *string { return &s.Term }

func (s *flagSpec) compile(c *compiler, _ *scope, n *node) {
	f := &choices{other: -1, flag: true}
	for _, p := range []struct {
		sent *string
		on   bool
		key  string
	}{{s.Yes, true, "yes"}, {s.No, false, "no"}} {
		if p.sent == nil {
			c.doc.Errorf(n.spec, "write yes and no", "the flag does not say what is sent for %s", p.key)
			return
		}
		lit, err := c.sent(*p.sent, &s.Size, s.Order)
		if err != nil {
			c.doc.Errorf(p.sent, "", "%v", err)
			return
		}
		f.list = append(f.list, choice{val: Bool(p.on), lit: lit})
	}
	if string(f.list[0].lit) == string(f.list[1].lit) {
		c.doc.Errorf(s.No, "give no its own", "yes and no are both sent as %q: no can never be read", *s.No)
	}
	f.sort()
	c.carry(n, s.Term, Flag, f)
}
