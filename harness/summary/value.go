package summary

import (
	"math"
	"math/big"

	"example.org/understudy/sim/decimal"
)

// value is an exact statistic: its square, with its own sign. So the root of a fraction
// is as exact as the fraction.
type value struct{ square *big.Rat }

func exactly(r *big.Rat) value { return value{signed(r)} }

// root is the square root of a variance.
func root(variance *big.Rat) value { return value{variance} }

// signed is the square of a number, with the number's sign.
func signed(r *big.Rat) *big.Rat {
	s := new(big.Rat).Mul(r, r)
	if r.Sign() < 0 {
		s.Neg(s)
	}
	return s
}

// at is the value in steps of so many decimals, rounded half away from zero.
func (v value) at(decimals int) *big.Int {
	scaled := new(big.Rat).Mul(v.square, new(big.Rat).Mul(power(decimals), power(decimals)))
	scaled.Abs(scaled)
	steps := new(big.Int).Sqrt(new(big.Int).Quo(scaled.Num(), scaled.Denom()))
	half := new(big.Rat).SetFrac(new(big.Int).Add(new(big.Int).Lsh(steps, 1), one), big.NewInt(2))
	if half.Mul(half, half).Cmp(scaled) <= 0 {
		steps.Add(steps, one)
	}
	if v.square.Sign() < 0 {
		steps.Neg(steps)
	}
	return steps
}

var one = big.NewInt(1)

// text is the value with so many decimals.
func (v value) text(decimals int) string {
	r := new(big.Rat).SetInt(v.at(decimals))
	return r.Quo(r, power(decimals)).FloatString(max(0, decimals))
}

// near reports whether a written number is the value, to half a step of its decimals.
func (v value) near(written decimal.Decimal, decimals int) bool {
	half := new(big.Rat).Quo(big.NewRat(1, 2), power(decimals))
	w := rat(written)
	low, high := new(big.Rat).Sub(w, half), new(big.Rat).Add(w, half)
	return signed(low).Cmp(v.square) <= 0 && v.square.Cmp(signed(high)) <= 0
}

// floor is the greatest whole number that is not above a value of 0 or more.
func (v value) floor() int64 {
	return new(big.Int).Sqrt(new(big.Int).Quo(v.square.Num(), v.square.Denom())).Int64()
}

// first is about the place of the first digit of a value that is not 0: 0 for ones, -1
// for tenths.
func (v value) first() int {
	f, _ := v.square.Float64()
	return int(math.Floor(math.Log10(math.Abs(f)) / 2))
}

// power is ten to so many.
func power(n int) *big.Rat {
	p := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(n, -n))), nil)
	if n < 0 {
		return new(big.Rat).SetFrac(one, p)
	}
	return new(big.Rat).SetInt(p)
}

func rat(d decimal.Decimal) *big.Rat {
	r, _ := new(big.Rat).SetString(d.String())
	return r
}

// times is a multiple of a value.
func (v value) times(r *big.Rat) value {
	return value{new(big.Rat).Mul(v.square, new(big.Rat).Mul(r, r))}
}
