package wire

import (
	"math"
	"strconv"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
)

// floatForm is an IEEE 754 binary number.
type floatForm struct {
	bounds
	size     int
	order    byteOrder
	decimals int // −1: as many as the shortest decimal has
}

type floatSpec struct {
	Term string `yaml:"float" need:"yes" doc:"an IEEE 754 binary number"`
	common
	Size     int       `yaml:"size" doc:"bytes: 2, 4 or 8"`
	Order    byteOrder `yaml:"order" doc:"big, little, big-swapped or little-swapped (16-bit words in the other order)"`
	Decimals *int      `yaml:"decimals" doc:"decimals that a value may have, and that one is read with"`
	numberKeys
}

func (s *floatSpec) says() *string { return &s.Term }

func (s *floatSpec) compile(c *compiler, _ *scope, n *node) {
	f := &floatForm{size: s.Size, order: s.Order, decimals: -1}
	if f.size != 2 && f.size != 4 && f.size != 8 {
		c.doc.Errorf(&s.Size, "write size: 2, 4 or 8", "a float has 2, 4 or 8 bytes, not %d", f.size)
		f.size = 4
	}
	if s.Decimals != nil {
		if f.decimals = *s.Decimals; f.decimals < 0 || f.decimals > 15 {
			c.doc.Errorf(s.Decimals, "write 0 to 15", "%d is not a number of decimals", f.decimals)
			f.decimals = 0
		}
	}
	v := c.carry(n, s.Term, Number, f)
	c.bound(&s.numberKeys, f, &f.bounds)
	c.frac[n.term] = c.frac[n.term] || f.decimals != 0 && f.wraps == 0
	c.voids(v, &s.voidKeys, func(a strict.Any) []byte {
		exponent, fraction := [9]uint64{2: 0x7c00, 4: 0x7f800000, 8: 0x7ff << 52}, [9]uint64{2: 1 << 9, 4: 1 << 22, 8: 1 << 51}
		u := exponent[f.size]
		switch a.Scalar {
		case "nan":
			u |= fraction[f.size]
		case "infinity":
		case "-infinity":
			u |= 1 << (8*f.size - 1)
		default:
			a.Errorf("write nan, infinity or -infinity", "%q is no float without a value", a.Scalar)
			return nil
		}
		return appendUint(nil, u, f.size, f.order)
	})
	c.constant(n, v, &s.valueKey)
}

func (f *floatForm) put(dst []byte, value *Value) ([]byte, string) {
	if value.Kind != Number {
		return dst, whyKind
	}
	v, why := f.settle(value.Num)
	if why != "" {
		return dst, why
	}
	if f.decimals >= 0 {
		q := v.Quantize(-f.decimals, f.round)
		if !f.mayRound && !q.Equal(v) {
			return dst, whyDecimals
		}
		v = q
	}
	u, why := floatBits(v, f.size)
	if why != "" {
		return dst, why
	}
	return appendUint(dst, u, f.size, f.order), ""
}

func (f *floatForm) get(d *decoder, v *Value) string {
	raw := d.take(f.size)
	if raw == nil {
		return whyEnd
	}
	number, why := floatValue(readUint(raw, f.order), f.size)
	if why != "" {
		return why
	}
	if f.decimals >= 0 {
		number = number.Quantize(-f.decimals, decimal.HalfEven)
	}
	if why = f.accept(number); why == "" {
		v.Num, v.Kind = number, Number
	}
	return why
}

func (f *floatForm) sizes() (least, most int) { return f.size, f.size }

func (f *floatForm) shape(a *nfa, from int) int { return a.repeat(from, anyByte(), f.size) }

// floatBits returns the IEEE 754 pattern nearest to the value (round to
// nearest, ties to even) in a format of size bytes: 2, 4 or 8.
func floatBits(v decimal.Decimal, size int) (uint64, string) {
	if size == 2 {
		return halfBits(v)
	}
	var buf [64]byte
	f, err := strconv.ParseFloat(string(v.Append(buf[:0])), 8*size)
	switch {
	case err != nil:
		return 0, whyWidth
	case size == 4:
		return uint64(math.Float32bits(float32(f))), ""
	}
	return math.Float64bits(f), ""
}

// least16 is 2^−24, the least step of binary16; every step is a power of two
// times it.
var least16 = decimal.New(59604644775390625, -24)

// halfBits rounds a decimal to binary16 in one step, exactly: going through a
// wider float would round twice.
func halfBits(v decimal.Decimal) (uint64, string) {
	sign := uint64(0)
	if v.Sign() < 0 {
		sign, v = 0x8000, v.Abs()
	}
	step := least16
	for e := uint64(0); e <= 30; e++ {
		if n, ok := v.Quo(step, 0, decimal.HalfEven).Int64(); ok && n <= 2048 {
			// Below 1024 the number is subnormal and the pattern is the count. Above
			// it the count's leading one adds to the exponent; 2048 is the next
			// binade's first number.
			u := uint64(n)
			if e > 0 {
				u += e << 10
			}
			if u >= 0x7c00 {
				return 0, whyWidth
			}
			return u | sign, ""
		}
		step = step.Mul(decimal.New(2, 0))
	}
	return 0, whyWidth
}

// floatValue reads an IEEE 754 pattern as the shortest decimal that rounds back
// to it, so that a decimal of few digits survives the trip.
func floatValue(u uint64, size int) (decimal.Decimal, string) {
	f := math.Float64frombits(u)
	switch size {
	case 2:
		return halfValue(u)
	case 4:
		f = float64(math.Float32frombits(uint32(u)))
	}
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return decimal.Decimal{}, whyNumber
	}
	var buf [32]byte
	text := strconv.AppendFloat(buf[:0], f, 'e', -1, 8*size)
	var coef int64
	places, seen := 0, false
	for i, c := range text {
		switch {
		case isDigit(c):
			coef = coef*10 + int64(c-'0')
			if seen {
				places++
			}
		case c == '.':
			seen = true
		case c == 'e':
			power, _ := strconv.Atoi(string(text[i+1:]))
			places -= power
			if text[0] == '-' {
				coef = -coef
			}
			if places < 0 && places > -18 {
				return decimal.New(coef, -places).Quantize(0, decimal.HalfEven), ""
			}
			return decimal.New(coef, -places), ""
		}
	}
	return decimal.Decimal{}, whyNumber
}

// halfValue is the shortest decimal that rounds to a binary16 pattern: five
// digits tell any two of them apart.
func halfValue(u uint64) (decimal.Decimal, string) {
	e, m := int(u>>10&31), int64(u&1023)
	if e == 31 {
		return decimal.Decimal{}, whyNumber
	}
	if e > 0 {
		m, e = m+1024, e-1
	}
	v := least16.Mul(decimal.New(m<<e, 0)).Trim()
	for exp := 5; exp >= -12; exp-- {
		short := v.Quantize(exp, decimal.HalfEven)
		if b, why := halfBits(short); why == "" && b == u&0x7fff {
			v = short
			break
		}
	}
	if v.Exponent() > 0 {
		v = v.Quantize(0, decimal.HalfEven)
	}
	if u&0x8000 != 0 {
		v = v.Neg()
	}
	return v, ""
}

// bcdForm is packed decimal digits, two to a byte, the first in the high half.
type bcdForm struct {
	counts
	digits int
	order  byteOrder
	signed bool // the last half byte is C for plus, D for minus
}

type bcdSpec struct {
	Term string `yaml:"bcd" need:"yes" doc:"packed decimal digits, two to a byte"`
	common
	Digits   int       `yaml:"digits" doc:"decimal digits, 1 to 18"`
	Decimals int       `yaml:"decimals" doc:"digits after the mark, which is only implied (default: 0)"`
	Sign     string    `yaml:"sign" doc:"none, or last: a half byte C or D behind the digits (default: none)"`
	Order    byteOrder `yaml:"order" doc:"big or little"`
	numberKeys
}

func (s *bcdSpec) says() *string { return &s.Term }

func (s *bcdSpec) compile(c *compiler, _ *scope, n *node) {
	f := &bcdForm{digits: s.Digits, order: s.Order, signed: c.pick(&s.Sign, "none", "none", "last") == "last"}
	if f.digits < 1 || f.digits > 18 {
		c.doc.Errorf(&s.Digits, "write digits: 1 to 18", "a packed decimal number has 1 to 18 digits, not %d", f.digits)
		f.digits = 1
	}
	if f.order > littleEndian {
		c.doc.Errorf(&s.Order, "write big or little", "packed decimal digits have no word order")
	}
	f.counts = counts{scale: decimal.New(1, -s.Decimals), tens: true, exp: -s.Decimals}
	v := c.carry(n, s.Term, Number, f)
	c.bound(&s.numberKeys, f, &f.bounds)
	c.frac[n.term] = c.frac[n.term] || !f.whole()
	c.voids(v, &s.voidKeys, func(a strict.Any) []byte {
		u, err := strconv.ParseUint(a.Scalar, 0, 64)
		if err != nil || f.size() < 8 && u>>(8*f.size()) != 0 {
			a.Errorf("write the bytes as one number, such as 0xFFFF", "%q does not fit in %d bytes", a.Scalar, f.size())
			return nil
		}
		return appendUint(nil, u, f.size(), f.order)
	})
	c.constant(n, v, &s.valueKey)
}

func (f *bcdForm) size() int {
	if f.signed {
		return (f.digits + 2) / 2
	}
	return (f.digits + 1) / 2
}

// half returns which byte holds half byte i, counted from the last, and its shift.
func (f *bcdForm) half(i int) (at, shift int) {
	at = i / 2
	if f.order == bigEndian {
		at = f.size() - 1 - i/2
	}
	return at, 4 * (i % 2)
}

func (f *bcdForm) put(dst []byte, value *Value) ([]byte, string) {
	if value.Kind != Number {
		return dst, whyKind
	}
	n, big, why := f.count(value.Num)
	switch {
	case why != "":
		return dst, why
	case n < 0 && !f.signed:
		return dst, whyNegative
	case big != 0 || n == math.MinInt64:
		return dst, whyWidth
	}
	start := len(dst)
	dst = appendFill(dst, 0, f.size())
	set := func(i int, b byte) {
		at, shift := f.half(i)
		dst[start+at] |= b << shift
	}
	i := 0
	if f.signed {
		sign := byte(0xc)
		if n < 0 {
			sign, n = 0xd, -n
		}
		set(0, sign)
		i = 1
	}
	for range f.digits {
		set(i, byte(n%10))
		n /= 10
		i++
	}
	if n != 0 {
		return dst, whyWidth
	}
	return dst, ""
}

func (f *bcdForm) get(d *decoder, v *Value) string {
	raw := d.take(f.size())
	if raw == nil {
		return whyEnd
	}
	get := func(i int) byte {
		at, shift := f.half(i)
		return raw[at] >> shift & 15
	}
	i, sign := 0, int64(1)
	if f.signed {
		i = 1
		switch get(0) {
		case 0xc:
		case 0xd:
			sign = -1
		default:
			return "has no sign digit"
		}
	}
	var n int64
	for unit := int64(1); i < 2*len(raw); i++ {
		digit := get(i)
		used := f.digits
		if f.signed {
			used++
		}
		switch {
		case digit > 9:
			return "has a digit above 9"
		case i >= used && digit != 0:
			return "has more digits than the field"
		case i < used:
			n += int64(digit) * unit
			unit *= 10
		}
	}
	number := decimal.New(sign*n, f.exp)
	why := f.accept(number)
	if why == "" {
		v.Num, v.Kind = number, Number
	}
	return why
}

func (f *bcdForm) sizes() (least, most int) { return f.size(), f.size() }

func (f *bcdForm) shape(a *nfa, from int) int { return a.repeat(from, anyByte(), f.size()) }
