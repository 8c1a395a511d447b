package decimal

import (
	"fmt"
	"math/big"
	"strings"
)

// Fraction is an exact number that a quotient may have left without an end as a
// decimal: a third of a millimetre, an offset divided by a factor. It is a Decimal
// until something is divided. The zero value is 0.
type Fraction struct {
	whole Decimal
	ratio *big.Rat // used instead of whole when not nil; never written to
}

// Fraction returns the decimal as a fraction.
func (d Decimal) Fraction() Fraction { return Fraction{whole: d} }

func (d Decimal) rat() *big.Rat {
	if d.exp >= 0 {
		return new(big.Rat).SetInt(new(big.Int).Mul(d.big(), pow10(int(d.exp))))
	}
	return new(big.Rat).SetFrac(d.big(), pow10(int(-d.exp)))
}

func (f Fraction) rat() *big.Rat {
	if f.ratio != nil {
		return f.ratio
	}
	return f.whole.rat()
}

// both works an operation out on decimals where it can.
func (f Fraction) both(g Fraction, decimals func(d, e Decimal) Decimal, ratios func(z, x, y *big.Rat) *big.Rat) Fraction {
	if f.ratio == nil && g.ratio == nil {
		return Fraction{whole: decimals(f.whole, g.whole)}
	}
	return Fraction{ratio: ratios(new(big.Rat), f.rat(), g.rat())}
}

// Add returns f + g, exactly.
func (f Fraction) Add(g Fraction) Fraction { return f.both(g, Decimal.Add, (*big.Rat).Add) }

// Sub returns f − g, exactly.
func (f Fraction) Sub(g Fraction) Fraction { return f.both(g, Decimal.Sub, (*big.Rat).Sub) }

// Mul returns f × g, exactly.
func (f Fraction) Mul(g Fraction) Fraction { return f.both(g, Decimal.Mul, (*big.Rat).Mul) }

// Quo returns f ÷ g, exactly. Dividing by zero panics: callers check their divisors.
func (f Fraction) Quo(g Fraction) Fraction {
	return Fraction{ratio: new(big.Rat).Quo(f.rat(), g.rat())}
}

// Trim returns f as a decimal without trailing zeros, where it ends as one.
func (f Fraction) Trim() Fraction {
	if f.ratio != nil {
		places, ends := f.ratio.FloatPrec()
		if !ends {
			return f
		}
		f = Fraction{whole: f.Decimal(-places)}
	}
	return Fraction{whole: f.whole.Trim()}
}

// Neg returns −f.
func (f Fraction) Neg() Fraction { return Fraction{}.Sub(f) }

// Abs returns |f|.
func (f Fraction) Abs() Fraction {
	if f.Sign() < 0 {
		return f.Neg()
	}
	return f
}

// Sign returns −1, 0 or +1.
func (f Fraction) Sign() int {
	if f.ratio != nil {
		return f.ratio.Sign()
	}
	return f.whole.Sign()
}

// Cmp returns −1, 0 or +1 as f is less than, equal to or greater than g.
func (f Fraction) Cmp(g Fraction) int {
	if f.ratio == nil && g.ratio == nil {
		return f.whole.Cmp(g.whole)
	}
	return f.rat().Cmp(g.rat())
}

// Equal reports whether the values are equal.
func (f Fraction) Equal(g Fraction) bool { return f.Cmp(g) == 0 }

// Steps returns how many whole steps f holds, rounded. ok is false when the count
// does not fit an int64.
func (f Fraction) Steps(step Decimal, r Rounding) (n int64, ok bool) {
	if f.ratio == nil {
		return f.whole.Steps(step, r)
	}
	q := new(big.Rat).Quo(f.ratio, step.rat())
	b := quoBig(q.Num(), q.Denom(), r)
	return b.Int64(), b.IsInt64()
}

// Decimal returns f as a decimal: as it is, or rounded half-even to an exponent where
// it was divided.
func (f Fraction) Decimal(exp int) Decimal {
	if f.ratio == nil {
		return f.whole
	}
	return fromBig(f.ratio.Num(), 0).Quo(fromBig(f.ratio.Denom(), 0), exp, HalfEven)
}

// Beside returns a decimal that compares with every whole number as f does.
func (f Fraction) Beside() Decimal {
	if f.ratio == nil {
		return f.whole
	}
	q, rem := new(big.Int).DivMod(f.ratio.Num(), f.ratio.Denom(), new(big.Int)) // rounds down
	if rem.Sign() == 0 {
		return fromBig(q, 0)
	}
	return fromBig(q, 0).Add(New(5, -1))
}

// String writes f plainly, or as a numerator and a denominator.
func (f Fraction) String() string {
	if f.ratio == nil {
		return f.whole.String()
	}
	return f.ratio.RatString()
}

// ParseFraction reads what String writes: a decimal, or two with a slash between them.
func ParseFraction(s string) (Fraction, error) {
	over, under, divided := strings.Cut(s, "/")
	d, err := Parse(over)
	if err != nil || !divided {
		return d.Fraction(), err
	}
	e, err := Parse(under)
	if err == nil && e.IsZero() {
		err = fmt.Errorf("%q divides by 0", s)
	}
	if err != nil {
		return Fraction{}, err
	}
	return d.Fraction().Quo(e.Fraction()), nil
}
