package wire

import (
	"fmt"
	"strconv"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
)

// word is a number of bytes whose bits carry several things.
type word struct {
	size  int
	order byteOrder
	fixed uint64 // the bits that are constant
	value uint64 // what they are
	parts []bitPart
}

// bitPart is one thing in a word: a flag, a number or a choice, in one run of
// bits or in pieces.
type bitPart struct {
	name    string
	term    Term
	kind    Kind // Flag, Number or Text
	pieces  []bitPiece
	width   int
	number  counts
	choices []bitChoice
	other   int
}

// bitPiece is a run of bits: where it stands in the word, and in the number.
type bitPiece struct{ at, in, width int }

type bitChoice struct {
	val Value
	n   uint64
}

type wordSpec struct {
	Label string `yaml:"flags" need:"yes" doc:"a word of bits; the name is only a label"`
	common
	Size  int       `yaml:"size" doc:"bytes, 1 to 8"`
	Order byteOrder `yaml:"order" doc:"big, little, big-swapped or little-swapped"`
	Bits  []bitSpec `yaml:"bits" doc:"what the bits are"`
}

type bitSpec struct {
	Bit    *int       `yaml:"bit" doc:"the bit, counted from 0 for the least significant"`
	Bits   []int      `yaml:"bits" doc:"first and last bit of a number, such as [4, 6]"`
	Pieces [][2]int   `yaml:"pieces" doc:"runs of bits that make one number together, its most significant first, such as [[12, 8], [4, 0]]"`
	Flag   string     `yaml:"flag" doc:"the flag in it"`
	Int    string     `yaml:"int" doc:"the number in it"`
	Choice string     `yaml:"choice" doc:"the choice in it"`
	Void   string     `yaml:"void" doc:"the term that has no value when the bit is set; zero stands in its place then"`
	Is     strict.Any `yaml:"is" doc:"value to number"`
	Other  string     `yaml:"otherwise" doc:"the value that stands for any that is not listed"`
	Value  string     `yaml:"value" doc:"a constant"`
	Sign   string     `yaml:"sign" doc:"of a number: none, twos (complement), ones (complement) or magnitude (default: none)"`
	countKeys
	Round string `yaml:"round" doc:"how a value with more decimals is rounded; refused unless given"`
}

func (s *wordSpec) says() *string { return &s.Label }

func (s *wordSpec) compile(c *compiler, sc *scope, n *node) {
	f := &word{size: s.Size, order: s.Order}
	if f.size < 1 || f.size > 8 {
		c.doc.Errorf(&s.Size, "write size: 1 to 8", "a word of bits has 1 to 8 bytes, not %d", f.size)
		return
	}
	c.ordered(&s.Order, &numeral{width: f.size, order: f.order})
	used := uint64(0)
	for i := range s.Bits {
		b := &s.Bits[i]
		p := bitPart{term: -1, other: -1}
		mask, ok := b.place(c, &p, 8*f.size)
		if !ok {
			continue
		}
		if used&mask != 0 {
			c.doc.Errorf(b, "", "the bits overlap another field's")
			continue
		}
		used |= mask
		b.carries(c, sc, f, &p, mask)
	}
	// Bits nobody described are sent as zero and must be zero.
	f.fixed |= ^used & (^uint64(0) >> (64 - 8*f.size))
	n.field = f
}

// place finds the bits of a part.
func (b *bitSpec) place(c *compiler, p *bitPart, bits int) (mask uint64, ok bool) {
	runs := b.Pieces
	switch {
	case b.Bit != nil && len(b.Bits) == 0 && len(runs) == 0:
		runs = [][2]int{{*b.Bit, *b.Bit}}
	case b.Bit == nil && len(b.Bits) == 2 && len(runs) == 0:
		runs = [][2]int{{max(b.Bits[0], b.Bits[1]), min(b.Bits[0], b.Bits[1])}}
	case b.Bit != nil || len(b.Bits) > 0 || len(runs) == 0:
		c.doc.Errorf(b, "write bit: 3, bits: [4, 6] or pieces: [[12, 8], [4, 0]]", "which bits is not said")
		return 0, false
	}
	for i := len(runs) - 1; i >= 0; i-- {
		hi, lo := max(runs[i][0], runs[i][1]), min(runs[i][0], runs[i][1])
		if lo < 0 || hi >= bits {
			c.doc.Errorf(b, fmt.Sprintf("bits count from 0 to %d", bits-1), "bit %d is outside the word", hi)
			return 0, false
		}
		piece := bitPiece{lo, p.width, hi - lo + 1}
		run := (^uint64(0) >> (64 - piece.width)) << lo
		if mask&run != 0 {
			c.doc.Errorf(b, "", "the pieces overlap")
			return 0, false
		}
		mask |= run
		p.width += piece.width
		p.pieces = append(p.pieces, piece)
	}
	return mask, true
}

// carries says what the bits are.
func (b *bitSpec) carries(c *compiler, sc *scope, f *word, p *bitPart, mask uint64) {
	said := 0
	for _, k := range []struct {
		name string
		kind Kind
	}{{b.Flag, Flag}, {b.Int, Number}, {b.Choice, Text}, {b.Void, Flag}, {b.Value, Absent}} {
		if k.name != "" {
			said++
			p.name, p.kind = k.name, k.kind
		}
	}
	if said != 1 {
		c.doc.Errorf(b, "write one of flag, int, choice, void and value", "the bits carry %d things", said)
		return
	}
	if b.Value != "" {
		n, err := strconv.ParseUint(b.Value, 0, 64)
		if err != nil || p.width < 64 && n>>p.width != 0 {
			c.doc.Errorf(&b.Value, "", "%q does not fit in %d bits", b.Value, p.width)
		}
		f.fixed |= mask
		f.value |= p.spread(n)
		return
	}
	if b.Void != "" {
		p.name = "no-" + b.Void
		sc.frame.voidBits = append(sc.frame.voidBits, voidBit{c.term(p.name), c.term(b.Void)})
	}
	p.term = c.term(p.name)
	c.kinds[p.term] = p.kind
	sc.seen[p.term] = true
	switch p.kind {
	case Flag:
		if p.width != 1 {
			c.doc.Errorf(b, "", "a flag has one bit")
		}
	case Number:
		p.number = c.counts(&b.countKeys, c.signStyle(&b.Sign))
		c.rounding(&b.Round, &p.number.bounds)
		c.frac[p.term] = c.frac[p.term] || !p.number.whole()
	case Text:
		b.choose(c, sc, p)
	}
	f.parts = append(f.parts, *p)
}

func (b *bitSpec) choose(c *compiler, sc *scope, p *bitPart) {
	if b.Is.Kind != strict.Mapping || len(b.Is.Pairs) == 0 {
		c.doc.Errorf(b, "write is: {value: number, ...}", "the choice lists no values")
		return
	}
	for _, pair := range b.Is.Pairs {
		c.knownValue(b.Choice, pair)
		n, err := strconv.ParseUint(pair.Value.Scalar, 0, 64)
		if err != nil || p.width < 64 && n>>p.width != 0 {
			pair.Value.Errorf("", "%q does not fit in %d bits", pair.Value.Scalar, p.width)
			continue
		}
		for _, e := range p.choices {
			if e.n == n {
				pair.Value.Errorf("give each value its own", "%d is already sent for %s: %s can never be read", n, e.val, pair.Key)
			}
		}
		if pair.Key == b.Other {
			p.other = len(p.choices)
		}
		p.choices = append(p.choices, bitChoice{Str(pair.Key), n})
	}
	c.allKnown(sc, b, b.Choice, p.other >= 0, func(v string) bool {
		for _, e := range p.choices {
			if e.val.Text == v {
				return true
			}
		}
		return false
	})
	if b.Other != "" && p.other < 0 {
		c.doc.Errorf(&b.Other, "name one of the values under is", "%q is not listed", b.Other)
	}
}

// spread puts a number into its place in the word; gather takes it out.
func (p *bitPart) spread(n uint64) (u uint64) {
	for _, s := range p.pieces {
		u |= n >> s.in & (1<<s.width - 1) << s.at
	}
	return u
}

func (p *bitPart) gather(u uint64) (n uint64) {
	for _, s := range p.pieces {
		n |= u >> s.at & (1<<s.width - 1) << s.in
	}
	return n
}

func (f *word) encode(e *encoder, dst []byte) ([]byte, string) {
	u := f.value
	for i := range f.parts {
		p := &f.parts[i]
		n, why := p.bitsFor(e.rec.at(p.term, e.ch))
		if why == whyAbsent && e.blank(p.term) {
			n, why = 0, ""
		}
		if why != "" {
			return dst, why
		}
		if p.kind == Number && e.rec.watches(p.term) && !e.blank(p.term) {
			seen, _ := p.number.value(n, p.width)
			e.rec.carried = append(e.rec.carried, carried{p.term, e.ch, Num(seen)})
		}
		u |= p.spread(n)
	}
	return appendUint(dst, u, f.size, f.order), ""
}

// blank says whether a void bit of the frame stands for the term's missing value.
func (e *encoder) blank(t Term) bool {
	for _, v := range e.voidBits {
		if v.value == t {
			return true
		}
	}
	return false
}

func (p *bitPart) bitsFor(v *Value) (uint64, string) {
	switch {
	case p.kind == Flag && (v.Kind == Flag || v.Kind == Absent):
		if v.True() {
			return 1, ""
		}
		return 0, ""
	case p.kind == Flag:
		return 0, whyKind
	case p.kind == Text:
		for i := range p.choices {
			if p.choices[i].val.equals(v) {
				return p.choices[i].n, ""
			}
		}
		if p.other < 0 {
			return 0, whyChoice
		}
		return p.choices[p.other].n, ""
	case v.Kind != Number:
		return 0, whyAbsent
	}
	return p.number.pattern(v.Num, p.width)
}

func (f *word) decode(d *decoder) string {
	raw := d.take(f.size)
	if raw == nil {
		return whyEnd
	}
	u := readUint(raw, f.order)
	if u&f.fixed != f.value {
		return whyLiteral
	}
	for i := range f.parts {
		p := &f.parts[i]
		n := p.gather(u)
		v := d.rec.at(p.term, d.ch)
		switch p.kind {
		case Flag:
			v.Num, v.Kind = decimal.New(int64(n), 0), Flag
		case Text:
			if v.Kind = Absent; !p.choose(n, v) {
				return whyChoice
			}
		default:
			number, why := p.number.value(n, p.width)
			if why != "" {
				return why
			}
			v.Num, v.Kind = number, Number
		}
	}
	return ""
}

func (p *bitPart) choose(n uint64, v *Value) bool {
	for i := range p.choices {
		if p.choices[i].n == n {
			v.become(&p.choices[i].val)
			return true
		}
	}
	return false
}

func (f *word) sizes() (least, most int) { return f.size, f.size }

// shape gives each byte of the word the values its constants allow.
func (f *word) shape(a *nfa, from int) int {
	fixed, value := appendUint(nil, f.fixed, f.size, f.order), appendUint(nil, f.value, f.size, f.order)
	for i := range fixed {
		var set byteSet
		for b := range 256 {
			if byte(b)&fixed[i] == value[i] {
				set.add(byte(b))
			}
		}
		from = a.step(from, set)
	}
	return from
}

func (f *word) shows(rec *Record, ch int, _ []byte) string {
	var list []string
	for i := range f.parts {
		list = append(list, f.parts[i].name+" "+rec.Get(f.parts[i].term, ch).String())
	}
	return strings.Join(list, ", ")
}

// timeForm is a time of day or an elapsed time in seconds.
type timeForm struct {
	bounds
	layout []timePart
	places int // of the fraction
}

type timePart struct {
	lit  byte // 0: a number
	unit byte // h, m, s, f
	n    int  // digits
}

type timeSpec struct {
	Term string `yaml:"time" need:"yes" doc:"a time of day or an elapsed time in seconds, as layout says"`
	common
	Layout string     `yaml:"layout" doc:"such as hh:mm:ss.fff"`
	Round  string     `yaml:"round" doc:"how a value with more decimals is rounded; refused unless given"`
	Absent strict.Any `yaml:"absent" doc:"what is sent when there is no value"`
}

func (s *timeSpec) says() *string { return &s.Term }

func (s *timeSpec) compile(c *compiler, _ *scope, n *node) {
	f := &timeForm{}
	c.rounding(&s.Round, &f.bounds)
	const order = "hmsf"
	last := -1
	for rest := s.Layout; rest != ""; {
		k := strings.IndexByte(order, rest[0])
		if k < 0 {
			f.layout = append(f.layout, timePart{lit: rest[0], n: 1})
			rest = rest[1:]
			continue
		}
		n := len(rest) - len(strings.TrimLeft(rest, rest[:1]))
		if last >= 0 && k != last+1 || n > 9 || k == 3 && last != 2 {
			c.doc.Errorf(&s.Layout, "write hours, minutes, seconds and a fraction in that order: hh:mm:ss.fff", "%q is no layout of a time", s.Layout)
			return
		}
		f.layout = append(f.layout, timePart{unit: rest[0], n: n})
		if last = k; k == 3 {
			f.places = n
		}
		rest = rest[n:]
	}
	if last < 2 {
		c.doc.Errorf(&s.Layout, "write hours, minutes and seconds: hh:mm:ss", "%q has no seconds", s.Layout)
		return
	}
	v := c.carry(n, s.Term, Number, f)
	c.frac[n.term] = true
	width, _ := f.sizes()
	c.voids(v, &voidKeys{Absent: s.Absent}, func(a strict.Any) []byte { return c.textToken(a, width) })
}

func (f *timeForm) put(dst []byte, value *Value) ([]byte, string) {
	if value.Kind != Number {
		return dst, whyKind
	}
	q := value.Num.Quantize(-f.places, f.round)
	if !f.mayRound && !q.Equal(value.Num) {
		return dst, whyDecimals
	}
	n, ok := q.Coefficient()
	if !ok || n < 0 {
		return dst, whyRange
	}
	second := int64(1)
	for range f.places {
		second *= 10
	}
	top := true
	for _, p := range f.layout {
		var k int64
		switch p.unit {
		case 0:
			dst = append(dst, p.lit)
			continue
		case 'h':
			k = n / second / 3600
		case 'm':
			k = n / second / 60
		case 's':
			k = n / second
		default:
			k = n % second
		}
		if !top && p.unit != 'f' {
			k %= 60
		}
		top = false
		digits := numeral{form: inDigits, width: p.n}
		var why string
		if dst, why = digits.append(dst, uint64(k)); why != "" {
			return dst, whyRange
		}
	}
	return dst, ""
}

func (f *timeForm) get(d *decoder, v *Value) string {
	var seconds, fraction int64
	top := true
	for _, p := range f.layout {
		raw := d.take(p.n)
		if raw == nil {
			return whyEnd
		}
		if p.unit == 0 {
			if raw[0] != p.lit {
				return whyLiteral
			}
			continue
		}
		digits := numeral{form: inDigits}
		u, ok := digits.read(raw)
		switch k := int64(u); {
		case !ok:
			return whyNumber
		case p.unit == 'f':
			fraction = k
		case !top && k >= 60:
			return whyRange
		default:
			seconds += k * map[byte]int64{'h': 3600, 'm': 60, 's': 1}[p.unit]
		}
		top = false
	}
	v.Num, v.Kind = decimal.New(seconds, 0).Add(decimal.New(fraction, -f.places)), Number
	return ""
}

func (f *timeForm) sizes() (least, most int) {
	for _, p := range f.layout {
		least += p.n
	}
	return least, least
}

func (f *timeForm) shape(a *nfa, from int) int {
	for _, p := range f.layout {
		if p.unit == 0 {
			from = a.literal(from, []byte{p.lit}, false)
		} else {
			from = a.repeat(from, byteRange('0', '9'), p.n)
		}
	}
	return from
}
