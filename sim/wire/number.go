package wire

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/enum"
	"example.org/understudy/sim/strict"
)

// numberKeys are the keys of every number.
type numberKeys struct {
	valueKey
	voidKeys
	roundKey
	Range []decimal.Decimal `yaml:"range" doc:"least and greatest value; checked to fit"`
	Wraps int64             `yaml:"wraps" doc:"the count that is 0 again"`
}

type roundKey struct {
	Round *decimal.Rounding `yaml:"round" doc:"how a value with more decimals is rounded; refused unless given"`
}

// countKeys are the keys of a whole number of counts.
type countKeys struct {
	Scale  decimal.Decimal `yaml:"scale" doc:"what one count is worth (default: 1)"`
	Offset decimal.Decimal `yaml:"offset" doc:"what a count of zero is worth"`
	Except []int64         `yaml:"except" doc:"whole numbers that cannot stand there"`
	Sign   signStyle       `yaml:"sign" doc:"none, twos (complement), ones (complement) or magnitude (default: none)"`
}

type signStyles struct{}

func (signStyles) Names() []string { return []string{"none", "twos", "ones", "magnitude"} }
func (signStyles) What() string    { return "a sign" }

type signStyle = enum.Of[signStyles]

const (
	signNone signStyle = iota // no negative values
	signTwos                  // two's complement
	signOnes                  // ones' complement
	signMag                   // the top bit is the sign
)

// counts are the values that a number may have, and the whole number that each
// is on the wire.
type counts struct {
	sign     signStyle
	scale    decimal.Decimal
	tens     bool // scale is 10^exp
	exp      int
	free     bool // any number of decimals: there are no counts
	offset   decimal.Decimal
	round    decimal.Rounding
	mayRound bool
	span     []decimal.Decimal // least and greatest value; none: any
	wraps    uint64            // 0: never
	except   []int64
}

// places are counts of a number with so many decimals.
func places(decimals int) counts {
	return counts{scale: decimal.New(1, -decimals), tens: true, exp: -decimals}
}

func (c *compiler) counts(k *countKeys) counts {
	out := places(0)
	out.sign, out.offset, out.except = k.Sign, k.Offset, k.Except
	if !c.doc.Has(&k.Scale) {
		return out
	}
	if k.Scale.Sign() <= 0 {
		c.doc.Errorf(&k.Scale, "write what one count is worth, such as 0.001", "a scale must be greater than zero")
		return out
	}
	t := k.Scale.Trim()
	n, fits := t.Coefficient()
	out.scale, out.tens, out.exp = k.Scale, fits && n == 1, t.Exponent()
	return out
}

func (k *counts) rounds(key *roundKey) {
	if key.Round != nil {
		k.round, k.mayRound = *key.Round, true
	}
}

// allows says whether a value may stand there.
func (k *counts) allows(v decimal.Decimal) bool {
	if k.span != nil && (v.Cmp(k.span[0]) < 0 || v.Cmp(k.span[1]) > 0) {
		return false
	}
	return k.except == nil || !slices.ContainsFunc(k.except, func(x int64) bool { return v.Equal(decimal.New(x, 0)) })
}

// whole says whether every value is a whole number.
func (k *counts) whole() bool {
	return !k.free && k.tens && k.exp >= 0 && k.offset.IsZero() || k.wraps > 0
}

// fit brings a value to the number's decimals.
func (k *counts) fit(v decimal.Decimal) (decimal.Decimal, string) {
	if v.Exponent() == k.exp {
		return v, ""
	}
	q := v.Quantize(k.exp, k.round)
	if !k.mayRound && !q.Equal(v) {
		return v, whyDecimals
	}
	return q, ""
}

// count returns the whole number for a value.
func (k *counts) count(v decimal.Decimal) (u uint64, neg bool, why string) {
	if !k.offset.IsZero() {
		v = v.Sub(k.offset)
	}
	n, ok := int64(0), true
	switch {
	case k.tens:
		if v, why = k.fit(v); why != "" {
			return 0, false, why
		}
		n, ok = v.Coefficient()
	default:
		n, ok = v.Steps(k.scale, k.round)
		if ok && !k.mayRound && !k.scale.Mul(decimal.New(n, 0)).Equal(v) {
			return 0, false, whyCount
		}
	}
	if u, neg = uint64(n), n < 0; neg {
		u = -u
	}
	if !ok {
		var err error
		if u, err = strconv.ParseUint(v.Mul(decimal.New(1, -k.exp)).String(), 10, 64); err != nil || !k.tens {
			return 0, false, whyWidth
		}
	}
	if k.wraps > 0 {
		if u %= k.wraps; neg && u > 0 {
			u = k.wraps - u
		}
		neg = false
	}
	return u, neg, ""
}

// worth returns the value of a whole number.
func (k *counts) worth(u uint64, neg bool) (v decimal.Decimal, why string) {
	n := int64(u)
	if neg {
		n = -n
	}
	switch {
	case u > math.MaxInt64:
		v = decimal.New(int64(u>>1), 0).Mul(decimal.New(2, 0)).Add(decimal.New(int64(u&1), 0)).Mul(k.scale)
		if neg {
			v = v.Neg()
		}
	case k.tens:
		v = decimal.New(n, k.exp)
	default:
		v = k.scale.Mul(decimal.New(n, 0))
	}
	if !k.offset.IsZero() {
		v = v.Add(k.offset)
	}
	if k.wraps > 0 && (neg || u >= k.wraps) {
		why = whyRange
	}
	return v, why
}

// bitsOf returns the low width bits that stand for a value.
func (k *counts) bitsOf(v decimal.Decimal, width int) (uint64, string) {
	u, neg, why := k.count(v)
	if why != "" {
		return 0, why
	}
	top := uint64(1) << (width - 1)
	mask := top<<1 - 1
	most := top - 1
	switch {
	case k.sign == signNone && neg:
		return 0, whyNegative
	case k.sign == signNone:
		most = mask
	case k.sign == signTwos && neg:
		most = top
	}
	switch {
	case u > most:
		return 0, whyWidth
	case !neg:
		return u, ""
	case k.sign == signTwos:
		return -u & mask, ""
	case k.sign == signOnes:
		return ^u & mask, ""
	}
	return u | top, ""
}

// value returns the value that width bits stand for.
func (k *counts) value(u uint64, width int) (decimal.Decimal, string) {
	top := uint64(1) << (width - 1)
	neg := k.sign != signNone && u&top != 0
	if neg {
		switch k.sign {
		case signTwos:
			u = -u & (top<<1 - 1)
		case signOnes:
			u = ^u & (top - 1)
		default:
			u &^= top
		}
	}
	v, why := k.worth(u, neg)
	if why == "" && !k.allows(v) {
		why = whyRange
	}
	return v, why
}

// number is a value that is a number: which ones there may be, and how one is
// written.
type number struct {
	*counts
	digits
}

// digits is how a number is written.
type digits interface {
	write(dst []byte, v decimal.Decimal) ([]byte, string)
	read(d *decoder) (decimal.Decimal, string)
	pattern() pattern
}

func (f *number) put(dst []byte, v *Value) ([]byte, string) {
	switch {
	case v.Kind != Number:
		return dst, whyKind
	case !f.allows(v.Num):
		return dst, whyRange
	}
	return f.write(dst, v.Num)
}

func (f *number) get(d *decoder, v *Value) string {
	num, why := f.read(d)
	if why == "" && !f.allows(num) {
		why = whyRange
	}
	if why == "" {
		v.Num, v.Kind = num, Number
	}
	return why
}

func (f *number) pattern() pattern { return f.digits.pattern() }

// number finishes a field that carries a number. token is the bytes of what
// stands for no value.
func (c *compiler) number(n *node, term string, k *numberKeys, of *counts, f digits, token func(strict.Any) []byte) {
	v := c.carry(n, term, Number, &number{of, f})
	of.rounds(&k.roundKey)
	c.bound(k, of, f)
	c.frac[n.term] = c.frac[n.term] || !of.whole()
	c.voids(v, &k.voidKeys, token)
	c.constant(n, v, &k.valueKey)
}

// bound reads the range of a number and where it wraps; both must fit.
func (c *compiler) bound(k *numberKeys, of *counts, f digits) {
	fits := func(v decimal.Decimal) string {
		may := of.mayRound
		of.mayRound = true
		_, why := f.write(nil, v)
		of.mayRound = may
		return why
	}
	if c.doc.Has(&k.Wraps) {
		last, _ := of.worth(uint64(k.Wraps-1), false)
		if k.Wraps < 2 {
			c.doc.Errorf(&k.Wraps, "write how many values there are, such as 1000", "%d is no number to wrap at", k.Wraps)
		} else if why := fits(last); why != "" {
			c.doc.Errorf(&k.Wraps, "", "the count overflows before it wraps: %d %s", k.Wraps-1, why)
		} else {
			of.wraps, of.free = uint64(k.Wraps), false
		}
	}
	if !c.doc.Has(&k.Range) {
		return
	}
	if len(k.Range) != 2 || k.Range[0].Cmp(k.Range[1]) > 0 {
		c.doc.Errorf(&k.Range, "write the least and the greatest value: [-12.5, 12.5]", "this is no range")
		return
	}
	for i := range k.Range {
		if why := fits(k.Range[i]); why != "" {
			c.doc.Errorf(&k.Range[i], "widen the field, or change its scale", "the value overflows the field: %s %s", k.Range[i], why)
			return
		}
	}
	of.span = k.Range
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
