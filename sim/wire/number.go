package wire

import (
	"encoding/hex"
	"fmt"
	"math"
	"strconv"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
)

// numberKeys are the keys of every number.
type numberKeys struct {
	valueKey
	voidKeys
	Round string   `yaml:"round" doc:"how a value with more decimals is rounded; refused unless given"`
	Range []string `yaml:"range" doc:"least and greatest value; checked to fit"`
	Wraps string   `yaml:"wraps" doc:"the count that is 0 again"`
}

// countKeys are the keys of a whole number of counts.
type countKeys struct {
	Scale  string  `yaml:"scale" doc:"what one count is worth (default: 1)"`
	Offset string  `yaml:"offset" doc:"what a count of zero is worth"`
	Except []int64 `yaml:"except" doc:"whole numbers that cannot stand there"`
}

// bounds are the values a number may have and how it is rounded.
type bounds struct {
	round       decimal.Rounding
	mayRound    bool
	hasRange    bool
	least, most decimal.Decimal
	wraps       int64
	except      []int64
}

// settle brings a value that is sent into its bounds.
func (b *bounds) settle(v decimal.Decimal) (decimal.Decimal, string) {
	if b.hasRange && (v.Cmp(b.least) < 0 || v.Cmp(b.most) > 0) || b.excepted(v) {
		return v, whyRange
	}
	return v, ""
}

// wrap brings a count below where it starts again from 0.
func (b *bounds) wrap(n int64) int64 {
	if b.wraps > 0 {
		if n %= b.wraps; n < 0 {
			n += b.wraps
		}
	}
	return n
}

func (b *bounds) excepted(v decimal.Decimal) bool {
	for _, x := range b.except {
		if v.Equal(decimal.New(x, 0)) {
			return true
		}
	}
	return false
}

// accept says why a value that was read cannot be.
func (b *bounds) accept(v decimal.Decimal) string {
	_, why := b.settle(v)
	return why
}

func (c *compiler) rounding(ptr *string, b *bounds) {
	if *ptr == "" {
		return
	}
	if err := b.round.UnmarshalText([]byte(*ptr)); err != nil {
		c.doc.Errorf(ptr, "", "%v", err)
	}
	b.mayRound = true
}

// bound reads the bounds of a number whose form is otherwise compiled.
func (c *compiler) bound(k *numberKeys, f form, b *bounds) {
	c.rounding(&k.Round, b)
	last := func(n int64) decimal.Decimal { // the value of a count
		if k, ok := f.(interface{ worth() *counts }); ok {
			v, _ := k.worth().value(uint64(n), 64)
			return v
		}
		return decimal.New(n, 0)
	}
	fits := func(v decimal.Decimal) string {
		value, may := Num(v), b.mayRound
		b.mayRound = true
		_, why := f.put(nil, &value)
		b.mayRound = may
		return why
	}
	if c.doc.Has(&k.Wraps) {
		n, err := strconv.ParseInt(k.Wraps, 0, 64)
		if err != nil || n < 2 {
			c.doc.Errorf(&k.Wraps, "write how many values there are, such as 1000", "%q is no number to wrap at", k.Wraps)
		} else if why := fits(last(n - 1)); why != "" {
			c.doc.Errorf(&k.Wraps, "", "the count overflows before it wraps: %d %s", n-1, why)
		} else {
			b.wraps = n
		}
	}
	if !c.doc.Has(&k.Range) {
		return
	}
	if len(k.Range) != 2 {
		c.doc.Errorf(&k.Range, "write the least and the greatest value: [-12.5, 12.5]", "a range has two ends")
		return
	}
	var ends [2]decimal.Decimal
	for i := range k.Range {
		v, err := decimal.Parse(k.Range[i])
		if err != nil {
			c.doc.Errorf(&k.Range[i], "", "%v", err)
			return
		}
		ends[i] = v
		if why := fits(v); why != "" {
			c.doc.Errorf(&k.Range[i], "widen the field, or change its scale", "the value overflows the field: %s %s", v, why)
			return
		}
	}
	if ends[0].Cmp(ends[1]) > 0 {
		c.doc.Errorf(&k.Range, "", "the range ends before it starts")
		return
	}
	b.least, b.most, b.hasRange = ends[0], ends[1], true
}

// counts turn a value into the whole number that stands on the wire.
type counts struct {
	bounds
	sign      signStyle
	scale     decimal.Decimal
	tens      bool // scale is 10^exp
	exp       int
	offset    decimal.Decimal
	hasOffset bool
}

type signStyle uint8

const (
	signNone signStyle = iota // no negative values
	signTwos                  // two's complement
	signOnes                  // ones' complement
	signMag                   // the top bit is the sign
)

var signStyles = map[string]signStyle{"none": signNone, "twos": signTwos, "ones": signOnes, "magnitude": signMag}

func (c *compiler) signStyle(ptr *string) signStyle {
	return signStyles[c.pick(ptr, "none", "none", "twos", "ones", "magnitude")]
}

func (c *compiler) counts(k *countKeys, sign signStyle) counts {
	out := counts{sign: sign, scale: decimal.New(1, 0), tens: true}
	out.except = k.Except
	if c.doc.Has(&k.Scale) {
		s, err := decimal.Parse(k.Scale)
		switch {
		case err != nil:
			c.doc.Errorf(&k.Scale, "", "%v", err)
		case s.Sign() <= 0:
			c.doc.Errorf(&k.Scale, "write what one count is worth, such as 0.001", "a scale must be greater than zero")
		default:
			t := s.Trim()
			n, fits := t.Coefficient()
			out.scale, out.tens, out.exp = s, fits && n == 1, t.Exponent()
		}
	}
	if c.doc.Has(&k.Offset) {
		v, err := decimal.Parse(k.Offset)
		if err != nil {
			c.doc.Errorf(&k.Offset, "", "%v", err)
		}
		out.offset, out.hasOffset = v, !v.IsZero()
	}
	return out
}

// whole says whether every count is a whole number.
func (k *counts) whole() bool { return k.tens && k.exp == 0 && !k.hasOffset || k.wraps > 0 }

// count returns the whole number for a value: n, or big where it has 64 bits
// and no sign.
func (k *counts) count(v decimal.Decimal) (n int64, big uint64, why string) {
	if v, why = k.settle(v); why != "" {
		return 0, 0, why
	}
	if k.hasOffset {
		v = v.Sub(k.offset)
	}
	if !k.tens {
		n, ok := v.Steps(k.scale, k.round)
		if !ok {
			return 0, 0, whyWidth
		}
		if !k.mayRound && !k.scale.Mul(decimal.New(n, 0)).Equal(v) {
			return 0, 0, whyCount
		}
		return k.wrap(n), 0, ""
	}
	if v.Exponent() != k.exp {
		q := v.Quantize(k.exp, k.round)
		if !k.mayRound && !q.Equal(v) {
			return 0, 0, whyCount
		}
		v = q
	}
	if n, ok := v.Coefficient(); ok {
		return k.wrap(n), 0, ""
	}
	if u, err := strconv.ParseUint(v.Mul(decimal.New(1, -k.exp)).String(), 10, 64); err == nil {
		return 0, u, ""
	}
	return 0, 0, whyWidth
}

// pattern returns the low width bits that stand for a value.
func (k *counts) pattern(v decimal.Decimal, width int) (uint64, string) {
	n, big, why := k.count(v)
	if why != "" {
		return 0, why
	}
	top := uint64(1) << (width - 1)
	mask := top<<1 - 1
	neg := n < 0
	u := uint64(n) | big
	switch {
	case k.sign == signNone && neg:
		return 0, whyNegative
	case k.sign == signNone:
		if u&^mask != 0 {
			return 0, whyWidth
		}
		return u, ""
	case big != 0:
		return 0, whyWidth
	case k.sign == signTwos:
		if n < -int64(top-1)-1 || n > int64(top-1) {
			return 0, whyWidth
		}
		return u & mask, ""
	}
	if neg {
		u = -u
	}
	if u >= top {
		return 0, whyWidth
	}
	switch {
	case neg && k.sign == signOnes:
		u = ^u & mask
	case neg:
		u |= top
	}
	return u, ""
}

// value returns the value that width bits stand for.
func (k *counts) value(u uint64, width int) (decimal.Decimal, string) {
	top := uint64(1) << (width - 1)
	n := int64(u)
	if k.sign != signNone && u&top != 0 {
		switch k.sign {
		case signTwos:
			n = int64(u | ^(top<<1 - 1))
		case signOnes:
			n = -int64(^u & (top - 1))
		default:
			n = -int64(u &^ top)
		}
	}
	var v decimal.Decimal
	switch {
	case n < 0 && k.sign == signNone: // 64 unsigned bits
		v = decimal.New(int64(u>>1), 0).Mul(decimal.New(2, 0)).Add(decimal.New(int64(u&1), 0)).Mul(k.scale)
	case k.tens:
		v = decimal.New(n, k.exp)
	default:
		v = k.scale.Mul(decimal.New(n, 0))
	}
	if k.hasOffset {
		v = v.Add(k.offset)
	}
	if k.wraps > 0 && (n < 0 || n >= k.wraps) {
		return v, whyRange
	}
	return v, k.accept(v)
}

func (k *counts) worth() *counts { return k }

// integer is a whole number of counts as a numeral.
type integer struct {
	counts
	numeral
}

func (f *integer) put(dst []byte, v *Value) ([]byte, string) {
	if v.Kind != Number {
		return dst, whyKind
	}
	u, why := f.pattern(v.Num, f.bits())
	if why != "" {
		return dst, why
	}
	return f.append(dst, u)
}

func (f *integer) get(d *decoder, v *Value) string {
	n := f.width
	for n < f.longest && f.width == 0 && d.pos+n < d.end {
		if _, ok := hexDigit(d.buf[d.pos+n]); !ok {
			break
		}
		n++
	}
	raw := d.take(n)
	if raw == nil && n > 0 {
		return whyEnd
	}
	u, ok := f.read(raw)
	if !ok {
		return whyNumber
	}
	num, why := f.value(u, f.bits())
	if why == "" {
		v.Num, v.Kind = num, Number
	}
	return why
}

func (f *integer) shape(a *nfa, from int) int {
	if f.form != inBytes || f.width != 1 {
		return f.numeral.shape(a, from)
	}
	var set byteSet
	for b := range 256 {
		if _, why := f.value(uint64(b), 8); why == "" {
			set.add(byte(b))
		}
	}
	return a.step(from, set)
}

type intSpec struct {
	Term string `yaml:"int" need:"yes" doc:"a binary whole number"`
	common
	Size  int       `yaml:"size" doc:"bytes, 1 to 8"`
	Order byteOrder `yaml:"order" doc:"big, little, big-swapped or little-swapped (16-bit words in the other order)"`
	Sign  string    `yaml:"sign" doc:"none, twos (complement), ones (complement) or magnitude (default: none)"`
	countKeys
	numberKeys
}

func (s *intSpec) says() *string { return &s.Term }

func (s *intSpec) compile(c *compiler, _ *scope, n *node) {
	f := &integer{c.counts(&s.countKeys, c.signStyle(&s.Sign)), numeral{width: c.size(&s.Size), order: s.Order}}
	c.ordered(&s.Order, &f.numeral)
	c.integer(n, s.Term, f, &s.numberKeys)
}

// integer finishes a whole number.
func (c *compiler) integer(n *node, term string, f *integer, k *numberKeys) {
	v := c.carry(n, term, Number, f)
	c.bound(k, f, &f.bounds)
	c.frac[n.term] = c.frac[n.term] || !f.whole()
	c.voids(v, &k.voidKeys, func(a strict.Any) []byte { return c.countToken(a, f) })
	c.constant(n, v, &k.valueKey)
}

// countToken is the bytes of a count that stands for no value.
func (c *compiler) countToken(a strict.Any, f *integer) []byte {
	u, err := strconv.ParseUint(a.Scalar, 0, 64)
	if err != nil {
		n, err := strconv.ParseInt(a.Scalar, 0, 64)
		if err != nil && f.form == inHex { // the digits themselves
			return c.textToken(a, f.width)
		}
		if err != nil {
			a.Errorf("", "%q is not a whole number", a.Scalar)
			return nil
		}
		w := f.bits()
		if u = uint64(n) & (1<<w - 1); f.sign != signTwos || w < 64 && n < -1<<(w-1) {
			u = math.MaxUint64
		}
	}
	token, why := f.append(nil, u)
	if why != "" {
		a.Errorf("", "%s does not fit in %d bytes", a.Scalar, f.width)
		return nil
	}
	if v, why := f.value(u, f.bits()); f.hasRange && why == "" {
		a.Errorf("choose a count outside the range", "%s is also the value %s", a.Scalar, v)
	}
	return token
}

// textToken is a text that stands for no value; width 0 is any.
func (c *compiler) textToken(a strict.Any, width int) []byte {
	token, err := toBytes(a.Scalar)
	if err != nil {
		a.Errorf(`write bytes above 7F as "\xB5"`, "%q cannot stand for a value", a.Scalar)
		return nil
	}
	if width > 0 && len(token) != width {
		a.Errorf(fmt.Sprintf("write %d", width), "%q has %d characters", a.Scalar, len(token))
		return nil
	}
	return token
}

func (c *compiler) size(ptr *int) int {
	if *ptr < 1 || *ptr > 8 {
		c.doc.Errorf(ptr, "write size: 1 to 8", "a binary number has 1 to 8 bytes, not %d", *ptr)
		return 1
	}
	return *ptr
}

type hexSpec struct {
	Term string `yaml:"hex" need:"yes" doc:"a whole number in ASCII hexadecimal digits"`
	common
	Width   int       `yaml:"width" doc:"digits, when it is always the same"`
	Longest int       `yaml:"longest" doc:"most digits (default: 16)"`
	Order   byteOrder `yaml:"order" doc:"order of its bytes, two digits each: big, little, big-swapped or little-swapped"`
	Sign    string    `yaml:"sign" doc:"none, twos (complement), ones (complement) or magnitude (default: none)"`
	Case    string    `yaml:"case" doc:"upper or lower hexadecimal digits (default: upper)"`
	countKeys
	numberKeys
}

func (s *hexSpec) says() *string { return &s.Term }

func (s *hexSpec) compile(c *compiler, _ *scope, n *node) {
	f := &integer{c.counts(&s.countKeys, c.signStyle(&s.Sign)), numeral{form: inHex, width: s.Width, longest: s.Longest, order: s.Order}}
	f.lower = c.pick(&s.Case, "upper", "upper", "lower") == "lower"
	if f.width < 0 || f.width > 16 {
		c.doc.Errorf(&s.Width, "write 1 to 16", "a hexadecimal number has at most 16 digits")
		f.width = 16
	}
	if f.longest < 1 || f.longest > 16 {
		f.longest = 16
	}
	if f.sign != signNone && f.width == 0 {
		c.doc.Errorf(&s.Sign, "give it a width", "a signed hexadecimal number needs a width")
		f.width = 4
	}
	c.ordered(&s.Order, &f.numeral)
	c.integer(n, s.Term, f, &s.numberKeys)
}

// bytesSpec is a literal in hexadecimal.
type bytesSpec struct {
	Bytes string `yaml:"bytes" need:"yes" doc:"literal bytes in hexadecimal, such as AA 55"`
	common
}

func (s *bytesSpec) says() *string { return &s.Bytes }

func (s *bytesSpec) compile(c *compiler, _ *scope, n *node) {
	b, err := hex.DecodeString(stripSpaces(s.Bytes))
	if err != nil || len(b) == 0 {
		c.doc.Errorf(&s.Bytes, "write pairs of hexadecimal digits, such as AA 55", "%q is not bytes", s.Bytes)
		return
	}
	n.field = &literal{lit: b, term: -1}
}
