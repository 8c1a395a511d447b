package wire

import (
	"fmt"
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
	choices *choices
}

// bitPiece is a run of bits: where it stands in the word, and in the number.
type bitPiece struct{ at, in, width int }

type wordSpec struct {
	Label string `yaml:"flags" need:"yes" doc:"a word of bits; the name is only a label"`
	common
	Size int `yaml:"size" need:"yes" range:"1 8" doc:"bytes, 1 to 8"`
	orderKey
	Bits []bitSpec `yaml:"bits" doc:"what the bits are"`
}

type bitSpec struct {
	Bit    *int        `yaml:"bit" doc:"the bit, counted from 0 for the least significant"`
	Bits   []int       `yaml:"bits" doc:"first and last bit of a number, such as [4, 6]"`
	Pieces [][2]int    `yaml:"pieces" doc:"runs of bits that make one number together, its most significant first, such as [[12, 8], [4, 0]]"`
	Flag   string      `yaml:"flag" doc:"the flag in it"`
	Int    string      `yaml:"int" doc:"the number in it"`
	Choice string      `yaml:"choice" doc:"the choice in it"`
	Void   string      `yaml:"void" doc:"the term that has no value when the bit is set; zero stands in its place then"`
	Is     strict.Any  `yaml:"is" doc:"value to number"`
	Other  string      `yaml:"otherwise" doc:"the value that stands for any that is not listed"`
	Value  *strict.Any `yaml:"value" doc:"a constant"`
	countKeys
	roundKey
}

func (s *wordSpec) compile(c *compiler, sc *scope, n *node) {
	f := &word{size: s.Size, order: s.Order}
	c.ordered(&s.Order, &numeral{width: f.size, order: f.order})
	used := uint64(0)
	for i := range s.Bits {
		b := &s.Bits[i]
		p := bitPart{term: -1}
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
	}{{b.Flag, Flag}, {b.Int, Number}, {b.Choice, Text}, {b.Void, Flag}} {
		if k.name != "" {
			said++
			p.name, p.kind = k.name, k.kind
		}
	}
	if b.Value != nil {
		said++
	}
	if said != 1 {
		c.doc.Errorf(b, "write one of flag, int, choice, void and value", "the bits carry %d things", said)
		return
	}
	if b.Value != nil {
		u, _ := c.bits(*b.Value, p.width)
		f.fixed |= mask
		f.value |= p.spread(u)
		return
	}
	if b.Void != "" {
		p.name = "no-" + b.Void
		sc.frame.voidBits = append(sc.frame.voidBits, voidBit{c.term(p.name), c.term(b.Void)})
	}
	p.term = c.term(p.name)
	sc.seen[p.term] = true
	switch p.kind {
	case Flag:
		if p.width != 1 {
			c.doc.Errorf(b, "", "a flag has one bit")
		}
	case Number:
		p.number = c.counts(&b.countKeys)
		p.number.rounds(&b.roundKey)
		c.frac[p.term] = c.frac[p.term] || !p.number.whole()
	case Text:
		p.choices = c.choices(b, b.Choice, b.Is, func(a strict.Any) (choice, bool) {
			u, ok := c.bits(a, p.width)
			return choice{n: u}, ok
		})
		if p.choices == nil {
			return
		}
		p.choices.otherwise(c, &b.Other)
		c.allKnown(sc, b, b.Choice, p.choices)
		p.kind = p.choices.kind
	}
	c.kinds[p.term] = p.kind
	f.parts = append(f.parts, *p)
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
		if p.kind == Number && p.choices == nil && e.rec.watches(p.term) && !e.blank(p.term) {
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
	case p.choices != nil:
		if e := p.choices.of(v); e != nil {
			return e.n, ""
		}
		return 0, whyChoice
	case p.kind == Number && v.Kind != Number:
		return 0, whyAbsent
	case p.kind == Number && !p.number.allows(v.Num):
		return 0, whyRange
	case p.kind == Number:
		return p.number.bitsOf(v.Num, p.width)
	case v.True():
		return 1, ""
	case v.Kind == Flag || v.Kind == Absent:
		return 0, ""
	}
	return 0, whyKind
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
		switch {
		case p.kind == Flag:
			v.Num, v.Kind = decimal.New(int64(n), 0), Flag
		case p.choices != nil:
			if why := p.choices.become(v, n); why != "" {
				return why
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

// pattern gives each byte of the word the values its constants allow.
func (f *word) pattern() pattern {
	fixed, value := appendUint(nil, f.fixed, f.size, f.order), appendUint(nil, f.value, f.size, f.order)
	var out row
	for i := range fixed {
		var set byteSet
		for b := range 256 {
			if byte(b)&fixed[i] == value[i] {
				set.add(byte(b))
			}
		}
		out = append(out, times(set, 1))
	}
	return out
}

func (f *word) shows(rec *Record, ch int, _ []byte) string {
	var list []string
	for i := range f.parts {
		list = append(list, f.parts[i].name+" "+rec.Get(f.parts[i].term, ch).String())
	}
	return strings.Join(list, ", ")
}
