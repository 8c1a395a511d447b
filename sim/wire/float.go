package wire

import (
	"math"
	"sort"
	"strconv"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
)

// floatForm is an IEEE 754 binary number.
type floatForm struct {
	counts
	size  int
	order byteOrder
}

type floatSpec struct {
	Term string `yaml:"float" need:"yes" doc:"an IEEE 754 binary number"`
	common
	Size int `yaml:"size" need:"yes" one:"2 4 8" doc:"bytes: 2, 4 or 8"`
	orderKey
	Decimals *int `yaml:"decimals" range:"0 15" doc:"decimals that a value may have, and that one is read with"`
	numberKeys
}

func (s *floatSpec) says() *string { return &s.Term }

func (s *floatSpec) compile(c *compiler, _ *scope, n *node) {
	decimals := decimalsOf(s.Decimals)
	f := &floatForm{counts: places(max(decimals, 0)), size: s.Size, order: s.Order}
	f.free = decimals < 0
	c.number(n, s.Term, &s.numberKeys, &f.counts, f, func(a strict.Any) []byte {
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
}

func (f *floatForm) write(dst []byte, v decimal.Decimal) (_ []byte, why string) {
	if !f.free {
		if v, why = f.fit(v); why != "" {
			return dst, why
		}
	}
	u, why := floatBits(v, f.size)
	if why != "" {
		return dst, why
	}
	return appendUint(dst, u, f.size, f.order), ""
}

func (f *floatForm) read(d *decoder) (v decimal.Decimal, why string) {
	raw := d.take(f.size)
	if raw == nil {
		return v, whyEnd
	}
	if v, why = floatValue(readUint(raw, f.order), f.size); why == "" && !f.free {
		v = v.Quantize(f.exp, decimal.HalfEven)
	}
	return v, why
}

func (f *floatForm) pattern() pattern { return times(anyByte(), f.size) }

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

// half is the value of a binary16 pattern without its sign: a whole number of
// steps of 2^−24.
func half(u uint64) decimal.Decimal {
	e, m := u>>10, int64(u&1023)
	if e > 0 {
		m, e = m+1024, e-1
	}
	return decimal.New(m<<e, 0).Mul(decimal.New(59604644775390625, -24))
}

// halfInfinity is the pattern behind the greatest number.
const halfInfinity = 0x7c00

// halfBits rounds a decimal to binary16 in one step, exactly: going through a
// wider float would round twice.
func halfBits(v decimal.Decimal) (uint64, string) {
	sign := uint64(0)
	if v.Sign() < 0 {
		sign, v = 0x8000, v.Neg()
	}
	above := uint64(sort.Search(halfInfinity, func(u int) bool { return half(uint64(u)).Cmp(v) > 0 }))
	u := above - 1
	if c := v.Add(v).Cmp(half(u).Add(half(above))); c > 0 || c == 0 && u&1 == 1 {
		u = above
	}
	if u == halfInfinity {
		return 0, whyWidth
	}
	return u | sign, ""
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
	plain := u & 0x7fff
	if plain >= halfInfinity {
		return decimal.Decimal{}, whyNumber
	}
	v := half(plain).Trim()
	for exp := 5; exp >= -12; exp-- {
		short := v.Quantize(exp, decimal.HalfEven)
		if b, why := halfBits(short); why == "" && b == plain {
			v = short
			break
		}
	}
	if v.Exponent() > 0 {
		v = v.Quantize(0, decimal.HalfEven)
	}
	if plain != u {
		v = v.Neg()
	}
	return v, ""
}
