package wire

import (
	"math"
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
	Size int `yaml:"size" need:"yes" one:"4 8" doc:"bytes: 4 or 8"`
	orderKey
	Decimals *int `yaml:"decimals" range:"0 15" doc:"decimals that a value may have, and that one is read with"`
	numberKeys
}

func (s *floatSpec) compile(c *compiler, _ *scope, n *node) {
	decimals := decimalsOf(s.Decimals)
	f := &floatForm{counts: places(max(decimals, 0)), size: s.Size, order: s.Order}
	f.free = decimals < 0
	c.number(n, s.Term, &s.numberKeys, &f.counts, f, func(a strict.Any) []byte {
		none, known := map[string]float64{"nan": math.Float64frombits(0x7ff8 << 48), "infinity": math.Inf(1), "-infinity": math.Inf(-1)}[a.Scalar]
		if !known {
			a.Errorf("write nan, infinity or -infinity", "%q is no float without a value", a.Scalar)
			return nil
		}
		return appendUint(nil, pattern754(none, f.size), f.size, f.order)
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
// nearest, ties to even) in a format of size bytes: 4 or 8.
func floatBits(v decimal.Decimal, size int) (uint64, string) {
	var buf [64]byte
	f, err := strconv.ParseFloat(string(v.Append(buf[:0])), 8*size)
	if err != nil {
		return 0, whyWidth
	}
	return pattern754(f, size), ""
}

func pattern754(f float64, size int) uint64 {
	if size == 4 {
		return uint64(math.Float32bits(float32(f)))
	}
	return math.Float64bits(f)
}

// floatValue reads an IEEE 754 pattern as the shortest decimal that rounds back
// to it, so that a decimal of few digits survives the trip.
func floatValue(u uint64, size int) (decimal.Decimal, string) {
	f := math.Float64frombits(u)
	if size == 4 {
		f = float64(math.Float32frombits(uint32(u)))
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
	return decimal.Decimal{}, whyNumber // NaN or an infinity
}
