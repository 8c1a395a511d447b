// Package decimal is the arithmetic of readings, limits and scaling: exact
// decimals with named rounding, and lengths on a picometre grid. No binary
// floating point takes part between a gauge's probe and a verdict.
//
// A Decimal is coefficient × 10^exponent. The coefficient is an int64 for as
// long as it fits; a result that does not fit is carried by math/big, so no
// operation overflows silently.
package decimal

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"math/bits"
	"strconv"
	"strings"

	"example.org/understudy/sim/enum"
)

// Decimal is an exact decimal number. The zero value is 0. The exponent is
// kept as written (2.50 prints as 2.50); Equal and Cmp compare values.
type Decimal struct {
	coef int64
	exp  int32
	wide *big.Int // used instead of coef when not nil
}

// MaxExponent bounds the exponent of a parsed number, so that a hostile
// "1e999999999" cannot make arithmetic run for ever.
const MaxExponent = 400

// Rounding names how a value that falls between two steps is rounded.
type Rounding = enum.Of[roundings]

// Rounding methods.
const (
	// HalfEven rounds to the nearest step, ties to the even one
	// (ISO 80000-1 Annex B rule A; ASTM E29 §6.4; from memory).
	HalfEven Rounding = iota
	// HalfUp rounds to the nearest step, ties away from zero
	// (ISO 80000-1 Annex B rule B; from memory).
	HalfUp
	// Truncate rounds toward zero.
	Truncate
	// HalfDown rounds to the nearest step, ties toward zero.
	HalfDown
	// HalfToPlus rounds to the nearest step, ties toward plus infinity, as the
	// rounding function of some languages does: -0.5 to 0.
	HalfToPlus
)

type roundings struct{}

func (roundings) Names() []string { return roundingNames }
func (roundings) What() string    { return "a rounding" }

var roundingNames = []string{"half-even", "half-up", "truncate", "half-down", "half-to-plus"}

// New returns coef × 10^exp.
func New(coef int64, exp int) Decimal { return Decimal{coef: coef, exp: int32(exp)} }

func fromBig(b *big.Int, exp int) Decimal {
	if b.IsInt64() {
		return Decimal{coef: b.Int64(), exp: int32(exp)}
	}
	return Decimal{wide: b, exp: int32(exp)}
}

var errSyntax = errors.New("not a decimal number")

// Parse reads a plain or scientific decimal: an optional sign, digits with at
// most one point, an optional exponent. The number of decimals is kept.
func Parse(s string) (Decimal, error) {
	fail := func() (Decimal, error) {
		return Decimal{}, fmt.Errorf("%q is %w; write digits with a point, such as 12.500", s, errSyntax)
	}
	body, exp := s, 0
	if i := strings.IndexAny(s, "eE"); i >= 0 {
		e, err := strconv.Atoi(s[i+1:])
		if err != nil || e > MaxExponent || e < -MaxExponent {
			return fail()
		}
		body, exp = s[:i], e
	}
	neg := false
	if body != "" && (body[0] == '-' || body[0] == '+') {
		neg = body[0] == '-'
		body = body[1:]
	}
	whole, frac, _ := strings.Cut(body, ".")
	digits := whole + frac
	if digits == "" || len(digits) > MaxExponent || strings.Trim(digits, "0123456789") != "" {
		return fail()
	}
	exp -= len(frac)
	if n, err := strconv.ParseInt(digits, 10, 64); err == nil {
		if neg {
			n = -n
		}
		return New(n, exp), nil
	}
	b, ok := new(big.Int).SetString(digits, 10)
	if !ok {
		return fail()
	}
	if neg {
		b.Neg(b)
	}
	return fromBig(b, exp), nil
}

// MustParse is Parse for constants in tests and tables; it panics on bad text.
func MustParse(s string) Decimal {
	d, err := Parse(s)
	if err != nil {
		panic(err)
	}
	return d
}

// Exponent returns the exponent; −3 means three decimals.
func (d Decimal) Exponent() int { return int(d.exp) }

// Coefficient returns the coefficient and whether it fits an int64.
func (d Decimal) Coefficient() (int64, bool) { return d.coef, d.wide == nil }

func (d Decimal) big() *big.Int {
	if d.wide != nil {
		return d.wide
	}
	return big.NewInt(d.coef)
}

// Sign returns −1, 0 or +1.
func (d Decimal) Sign() int {
	if d.wide != nil {
		return d.wide.Sign()
	}
	switch {
	case d.coef < 0:
		return -1
	case d.coef > 0:
		return 1
	}
	return 0
}

// IsZero reports whether the value is zero.
func (d Decimal) IsZero() bool { return d.Sign() == 0 }

// Neg returns −d.
func (d Decimal) Neg() Decimal {
	if d.wide == nil && d.coef != math.MinInt64 {
		d.coef = -d.coef
		return d
	}
	return fromBig(new(big.Int).Neg(d.big()), int(d.exp))
}

// Abs returns |d|.
func (d Decimal) Abs() Decimal {
	if d.Sign() < 0 {
		return d.Neg()
	}
	return d
}

// Mul returns d × e, exactly.
func (d Decimal) Mul(e Decimal) Decimal {
	exp := int(d.exp) + int(e.exp)
	if d.wide == nil && e.wide == nil {
		if p, ok := mul64(d.coef, e.coef); ok {
			return New(p, exp)
		}
	}
	return fromBig(new(big.Int).Mul(d.big(), e.big()), exp)
}

// Add returns d + e, exactly.
func (d Decimal) Add(e Decimal) Decimal {
	if d.exp < e.exp {
		d, e = e, d
	}
	// d has the larger exponent: bring it down to e's.
	if d.wide == nil && e.wide == nil {
		if c, ok := scale64(d.coef, int(d.exp-e.exp)); ok {
			if s, ok := add64(c, e.coef); ok {
				return New(s, int(e.exp))
			}
		}
	}
	b := new(big.Int).Mul(d.big(), pow10(int(d.exp-e.exp)))
	return fromBig(b.Add(b, e.big()), int(e.exp))
}

// Sub returns d − e, exactly.
func (d Decimal) Sub(e Decimal) Decimal { return d.Add(e.Neg()) }

// Cmp returns −1, 0 or +1 as d is less than, equal to or greater than e.
func (d Decimal) Cmp(e Decimal) int { return d.Sub(e).Sign() }

// Equal reports whether the values are equal (2.5 equals 2.50).
func (d Decimal) Equal(e Decimal) bool { return d.Cmp(e) == 0 }

// Quo returns d ÷ e rounded to the given exponent. Dividing by zero panics:
// callers check their divisors where they enter.
func (d Decimal) Quo(e Decimal, exp int, r Rounding) Decimal {
	if e.Sign() == 0 {
		panic("decimal: division by zero")
	}
	// d.coef×10^d.exp / (e.coef×10^e.exp) = q × 10^exp
	shift := int(d.exp) - int(e.exp) - exp
	num, den := d.big(), e.big()
	if shift >= 0 {
		num = new(big.Int).Mul(num, pow10(shift))
	} else {
		den = new(big.Int).Mul(den, pow10(-shift))
	}
	return fromBig(quoBig(num, den, r), exp)
}

// Quantize rounds to the given exponent: −3 leaves three decimals.
func (d Decimal) Quantize(exp int, r Rounding) Decimal {
	shift := exp - int(d.exp)
	if d.wide == nil {
		if shift <= 0 {
			if c, ok := scale64(d.coef, -shift); ok {
				return New(c, exp)
			}
		} else if p, ok := scale64(1, shift); ok {
			return New(Quo64(d.coef, p, r), exp)
		}
	}
	return d.Quo(New(1, 0), exp, r)
}

// Steps returns how many whole steps d holds, rounded: d/step. The step must
// not be zero. ok is false when the count does not fit an int64.
func (d Decimal) Steps(step Decimal, r Rounding) (n int64, ok bool) {
	if d.wide == nil && step.wide == nil {
		a, b := d.coef, step.coef
		var fit bool
		if d.exp >= step.exp {
			a, fit = scale64(a, int(d.exp-step.exp))
		} else {
			b, fit = scale64(b, int(step.exp-d.exp))
		}
		if fit && b != 0 {
			return Quo64(a, b, r), true
		}
	}
	q := d.Quo(step, 0, r)
	return q.coef, q.wide == nil
}

// RoundTo rounds to a whole number of steps; the result has the step's exponent.
func (d Decimal) RoundTo(step Decimal, r Rounding) Decimal {
	if n, ok := d.Steps(step, r); ok {
		return step.Mul(New(n, 0))
	}
	return step.Mul(d.Quo(step, 0, r))
}

// Int64 returns the value when it is a whole number that fits an int64.
func (d Decimal) Int64() (int64, bool) {
	if d.exp == 0 {
		return d.coef, d.wide == nil
	}
	if d.Sign() == 0 {
		return 0, true
	}
	t := d.Trim()
	if t.exp < 0 || t.wide != nil {
		return 0, false
	}
	return scale64(t.coef, int(t.exp))
}

// Trim drops trailing zeros from the coefficient.
func (d Decimal) Trim() Decimal {
	if d.Sign() == 0 {
		return Decimal{}
	}
	if d.wide != nil {
		b, ten, r := new(big.Int).Set(d.wide), big.NewInt(10), new(big.Int)
		exp := int(d.exp)
		for {
			q, rem := new(big.Int).QuoRem(b, ten, r)
			if rem.Sign() != 0 {
				break
			}
			b = q
			exp++
		}
		return fromBig(b, exp)
	}
	for d.coef%10 == 0 {
		d.coef /= 10
		d.exp++
	}
	return d
}

// Float64 returns the nearest binary float, for drawing and statistics only.
func (d Decimal) Float64() float64 {
	f, _ := strconv.ParseFloat(d.big().String()+"e"+strconv.Itoa(int(d.exp)), 64)
	return f
}

// String writes the number plainly, with as many decimals as it carries.
func (d Decimal) String() string { return string(d.Append(nil)) }

// Append writes the number plainly to the end of dst.
func (d Decimal) Append(dst []byte) []byte {
	var buf [64]byte
	var digits []byte
	if d.wide != nil {
		digits = new(big.Int).Abs(d.wide).Append(buf[:0], 10)
	} else if d.coef < 0 {
		digits = strconv.AppendUint(buf[:0], uint64(-(d.coef+1))+1, 10)
	} else {
		digits = strconv.AppendUint(buf[:0], uint64(d.coef), 10)
	}
	if d.Sign() < 0 {
		dst = append(dst, '-')
	}
	if d.exp >= 0 {
		dst = append(dst, digits...)
		if d.Sign() != 0 {
			for range d.exp {
				dst = append(dst, '0')
			}
		}
		return dst
	}
	places := int(-d.exp)
	if len(digits) <= places {
		dst = append(dst, '0', '.')
		for range places - len(digits) {
			dst = append(dst, '0')
		}
		return append(dst, digits...)
	}
	dst = append(dst, digits[:len(digits)-places]...)
	dst = append(dst, '.')
	return append(dst, digits[len(digits)-places:]...)
}

// MarshalText writes the number plainly.
func (d Decimal) MarshalText() ([]byte, error) { return d.Append(nil), nil }

// UnmarshalText reads what Parse reads.
func (d *Decimal) UnmarshalText(b []byte) error {
	v, err := Parse(string(b))
	if err == nil {
		*d = v
	}
	return err
}

// Quo64 divides two integers and rounds. The divisor must not be zero.
func Quo64(a, b int64, r Rounding) int64 {
	q, rem := a/b, a%b
	if rem == 0 || r == Truncate {
		return q
	}
	up := int64(1)
	if (rem < 0) != (b < 0) {
		up = -1
	}
	ar, ab := abs64(rem), abs64(b)
	switch twice, carry := bits.Add64(ar, ar, 0); {
	case carry != 0 || twice > ab:
		return q + up
	case twice < ab:
		return q
	}
	if away(r, up > 0, q&1 != 0) {
		return q + up
	}
	return q
}

// away says whether a tie goes away from zero, for a quotient with that sign and that
// next step toward zero.
func away(r Rounding, positive, odd bool) bool {
	switch r {
	case HalfUp:
		return true
	case HalfDown:
		return false
	case HalfToPlus:
		return positive
	}
	return odd
}

func quoBig(a, b *big.Int, r Rounding) *big.Int {
	q, rem := new(big.Int).QuoRem(a, b, new(big.Int))
	if rem.Sign() == 0 || r == Truncate {
		return q
	}
	up := big.NewInt(int64(rem.Sign() * b.Sign()))
	twice := new(big.Int).Lsh(rem, 1)
	switch c := twice.CmpAbs(b); {
	case c > 0, c == 0 && away(r, up.Sign() > 0, q.Bit(0) == 1):
		return q.Add(q, up)
	}
	return q
}

func abs64(n int64) uint64 {
	if n < 0 {
		return uint64(-(n + 1)) + 1
	}
	return uint64(n)
}

func mul64(a, b int64) (int64, bool) {
	hi, lo := bits.Mul64(abs64(a), abs64(b))
	if hi != 0 || lo > math.MaxInt64 {
		return 0, false
	}
	if (a < 0) != (b < 0) {
		return -int64(lo), true
	}
	return int64(lo), true
}

func add64(a, b int64) (int64, bool) {
	s := a + b
	return s, (s > a) == (b > 0)
}

var powers = [19]int64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18}

func scale64(a int64, k int) (int64, bool) {
	if a == 0 || k == 0 {
		return a, true
	}
	if k < 0 || k >= len(powers) {
		return 0, false
	}
	return mul64(a, powers[k])
}

func pow10(k int) *big.Int { return new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(k)), nil) }
