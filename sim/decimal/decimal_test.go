package decimal_test

import (
	"math"
	"math/big"
	"testing"

	"example.org/understudy/sim/decimal"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func rat(d decimal.Decimal) *big.Rat {
	r, ok := new(big.Rat).SetString(d.String())
	if !ok {
		panic(d.String())
	}
	return r
}

// Arithmetic agrees with math/big's rationals on small, huge and mixed numbers.
//
// Kind: model.
func TestArithmeticAgreesWithRationals(t *testing.T) {
	gen := rapid.Custom(func(t *rapid.T) decimal.Decimal {
		d := decimal.New(rapid.Int64().Draw(t, "coef"), rapid.IntRange(-20, 20).Draw(t, "exp"))
		if rapid.Bool().Draw(t, "wide") {
			d = d.Mul(decimal.New(rapid.Int64().Draw(t, "by"), 0))
		}
		return d
	})
	rapid.Check(t, func(t *rapid.T) {
		a, b := gen.Draw(t, "a"), gen.Draw(t, "b")
		ra, rb := rat(a), rat(b)
		eq := func(op string, got decimal.Decimal, want *big.Rat) {
			if rat(got).Cmp(want) != 0 {
				t.Fatalf("%s %s %s = %s, want %s", a, op, b, got, want)
			}
		}
		eq("+", a.Add(b), new(big.Rat).Add(ra, rb))
		eq("-", a.Sub(b), new(big.Rat).Sub(ra, rb))
		eq("*", a.Mul(b), new(big.Rat).Mul(ra, rb))
		if a.Cmp(b) != ra.Cmp(rb) {
			t.Fatalf("%s against %s: %d", a, b, a.Cmp(b))
		}
		eq("trim", a.Trim(), ra)
		back, err := decimal.Parse(a.String())
		if err != nil || !back.Equal(a) {
			t.Fatalf("%s does not read back: %v", a, err)
		}
		// Rounding: within half a step, on the step's grid, and ties to even.
		step := decimal.New(rapid.Int64Range(1, 1000).Draw(t, "step"), rapid.IntRange(-6, 3).Draw(t, "stepExp"))
		for _, r := range []decimal.Rounding{decimal.HalfEven, decimal.HalfUp, decimal.Truncate, decimal.HalfDown, decimal.HalfToPlus} {
			got := a.RoundTo(step, r)
			k := new(big.Rat).Quo(rat(got), rat(step))
			if !k.IsInt() {
				t.Fatalf("%s to %s is off the grid: %s", a, step, got)
			}
			off := new(big.Rat).Sub(rat(got), ra)
			twice := new(big.Rat).Mul(new(big.Rat).Abs(off), big.NewRat(2, 1))
			switch c := twice.Cmp(rat(step)); {
			case r != decimal.Truncate && c > 0:
				t.Fatalf("%s to %s %s is too far: %s", a, step, r, got)
			case r == decimal.HalfEven && c == 0 && k.Num().Bit(0) == 1:
				t.Fatalf("a tie of %s to %s went to the odd multiple %s", a, step, got)
			case r == decimal.HalfUp && c == 0 && off.Sign()*ra.Sign() < 0:
				t.Fatalf("a tie of %s to %s went towards zero: %s", a, step, got)
			case r == decimal.HalfDown && c == 0 && off.Sign()*ra.Sign() > 0:
				t.Fatalf("a tie of %s to %s went away from zero: %s", a, step, got)
			case r == decimal.HalfToPlus && c == 0 && off.Sign() < 0:
				t.Fatalf("a tie of %s to %s went down: %s", a, step, got)
			case r == decimal.Truncate && (new(big.Rat).Abs(off).Cmp(rat(step)) >= 0 || off.Sign()*ra.Sign() > 0):
				t.Fatalf("%s truncated to %s gives %s", a, step, got)
			}
		}
	})
}

// Kind: property.
func TestParseRefuses(t *testing.T) {
	for _, s := range []string{"", "-", ".", "1,5", "1.2.3", "0x10", "1e", "1e9999", "NaN", "Inf", "--1", "1 "} {
		_, err := decimal.Parse(s)
		require.Error(t, err, s)
	}
}

// What is read is what math/big reads, and reads back.
//
// Kind: model.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"-12.50e3", "-9223372036854775809", "+9223372036854775808.5", "-0.00000000000000000001e-3"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if d, err := decimal.Parse(s); err == nil {
			if want, ok := new(big.Rat).SetString(s); !ok || rat(d).Cmp(want) != 0 {
				t.Fatalf("%q reads as %s", s, d)
			}
			if back, err := decimal.Parse(d.String()); err != nil || !back.Equal(d) {
				t.Fatalf("%q reads as %s, which does not read back", s, d)
			}
		}
	})
}

func BenchmarkSteps(b *testing.B) {
	v, step := decimal.New(8_001_234_567, -9), decimal.New(1, -3)
	b.ReportAllocs()
	for b.Loop() {
		v.Steps(step, decimal.HalfEven)
	}
}

// At the edges of 64 bits, of the powers of ten that fit, and of numbers wider
// than either, arithmetic agrees with math/big's rationals.
//
// Kind: model.
func TestArithmeticAtTheEdges(t *testing.T) {
	var all []decimal.Decimal
	for _, c := range []int64{0, 1, -1, 5, -5, 10, 1 << 31, 1 << 32, -1 << 32, 3_037_000_500, 1e18, -1e18, 5e18, math.MaxInt64, math.MaxInt64 - 1, math.MinInt64, math.MinInt64 + 1} {
		for _, e := range []int{0, -1, 18, 19, -19, 2} {
			all = append(all, decimal.New(c, e))
		}
		all = append(all, decimal.New(c, 0).Mul(decimal.MustParse("100000000000000000000")), decimal.New(c, 1).Mul(decimal.MustParse("100000000000000000001")))
	}
	for _, a := range all {
		ra := rat(a)
		require.Zero(t, rat(a.Neg()).Cmp(new(big.Rat).Neg(ra)), "−%s", a)
		require.Zero(t, rat(a.Abs()).Cmp(new(big.Rat).Abs(ra)), "|%s|", a)
		require.Zero(t, rat(a.Trim()).Cmp(ra), "%s trimmed is %s", a, a.Trim())
		if c, fits := a.Trim().Coefficient(); fits && c != 0 {
			require.NotZero(t, c%10, "%s trimmed", a)
		}
		n, whole := a.Int64()
		require.Equal(t, ra.IsInt() && ra.Num().IsInt64(), whole, "%s is a whole number of 64 bits", a)
		if whole {
			require.Equal(t, ra.Num().Int64(), n)
		}
		for _, b := range all {
			rb := rat(b)
			require.Zero(t, rat(a.Add(b)).Cmp(new(big.Rat).Add(ra, rb)), "%s + %s = %s", a, b, a.Add(b))
			require.Zero(t, rat(a.Sub(b)).Cmp(new(big.Rat).Sub(ra, rb)), "%s − %s = %s", a, b, a.Sub(b))
			require.Zero(t, rat(a.Mul(b)).Cmp(new(big.Rat).Mul(ra, rb)), "%s × %s = %s", a, b, a.Mul(b))
			require.Equal(t, ra.Cmp(rb), a.Cmp(b), "%s against %s", a, b)
		}
	}
}

// Quotients of every sign and width are rounded as their remainder says: the
// rounded quotient is found anew from the fraction.
//
// Kind: model.
func TestQuotients(t *testing.T) {
	wide := decimal.MustParse("100000000000000000000")
	var nums, dens []decimal.Decimal
	for n := int64(-25); n <= 25; n++ {
		nums = append(nums, decimal.New(n, 0), decimal.New(n, 0).Mul(wide))
	}
	nums = append(nums, decimal.New(math.MaxInt64, 0), decimal.New(math.MinInt64, 0), decimal.New(math.MaxInt64-1, 0))
	for _, d := range []int64{1, -1, 2, -2, 4, -4, 10, -10, 7, math.MaxInt64, math.MinInt64} {
		dens = append(dens, decimal.New(d, 0), decimal.New(d, 0).Mul(wide))
	}
	for _, n := range nums {
		for _, d := range dens {
			q := new(big.Rat).Quo(rat(n), rat(d))
			for _, r := range []decimal.Rounding{decimal.HalfEven, decimal.HalfUp, decimal.Truncate, decimal.HalfDown, decimal.HalfToPlus} {
				require.Equal(t, rounded(q, r).String(), n.Quo(d, 0, r).String(), "%s ÷ %s, %s", n, d, r)
				a, narrow := n.Coefficient()
				b, both := d.Coefficient()
				if want := rounded(q, r); narrow && both && want.IsInt64() {
					require.Equal(t, want.Int64(), decimal.Quo64(a, b, r), "%s ÷ %s in 64 bits, %s", n, d, r)
				}
			}
		}
	}
}

// rounded is a fraction rounded to a whole number, from the definitions in ISO
// 80000-1 Annex B: the nearest whole number; of two as near, the even one, the
// one away from 0, towards it or above; truncation goes towards 0.
func rounded(q *big.Rat, r decimal.Rounding) *big.Int {
	down := new(big.Int).Div(q.Num(), q.Denom()) // Euclidean: towards −∞ for a denominator above 0
	up := new(big.Int).Add(down, big.NewInt(1))
	if q.IsInt() {
		return down
	}
	if r == decimal.Truncate {
		if q.Sign() < 0 {
			return up
		}
		return down
	}
	half := new(big.Rat).Add(new(big.Rat).SetInt(down), big.NewRat(1, 2))
	switch c := q.Cmp(half); {
	case c < 0:
		return down
	case c > 0:
		return up
	case r == decimal.HalfEven && down.Bit(0) == 0, r == decimal.HalfUp && q.Sign() < 0, r == decimal.HalfDown && q.Sign() > 0:
		return down
	}
	return up
}

// A length in a unit, under each of its names, is the picometres over those of the unit:
// exactly where that ends, else to half the last of 15 decimals.
//
// Kind: model.
func TestUnitsAgreeWithRationals(t *testing.T) {
	metres := map[string]string{"mm": "1/1000", "µm": "1/1000000", "μm": "1/1000000", "um": "1/1000000", "micron": "1/1000000", "microns": "1/1000000",
		"cm": "1/100", "m": "1", "in": "0.0254", "inch": "0.0254", "inches": "0.0254", "\"": "0.0254", "thou": "0.0000254", "mil": "0.0000254", "mils": "0.0000254",
		"µin": "0.0000000254", "μin": "0.0000000254", "uin": "0.0000000254", "nm": "1/1000000000", "pm": "1/1000000000000"}
	rapid.Check(t, func(t *rapid.T) {
		l := decimal.Length(rapid.Int64().Draw(t, "length"))
		for name, text := range metres {
			u, ok := decimal.ParseUnit(name)
			require.True(t, ok, name)
			size, _ := new(big.Rat).SetString(text)
			want := new(big.Rat).Quo(big.NewRat(int64(l), 1e12), size)
			v, exact := l.In(u)
			off := new(big.Rat).Sub(rat(v), want)
			require.Equal(t, exact, off.Sign() == 0, "%d pm in %s: %s", l, name, v)
			require.LessOrEqual(t, off.Abs(off).Cmp(big.NewRat(1, 2e15)), 0, "%d pm in %s: %s", l, name, v)
			if exact {
				back, ok := decimal.Exactly(v, u)
				require.True(t, ok && back == l, "%s %s", v, name)
			}
		}
	})
}

// Kind: property.
func TestUnknownUnits(t *testing.T) {
	for _, word := range []string{"", "ft", "MM", "km"} {
		_, ok := decimal.ParseUnit(word)
		require.False(t, ok, word)
	}
}

// A fraction is judged as it is: a third of a picometre beyond a limit lies beyond it.
//
// Kind: property.
func TestAFractionBesideALimit(t *testing.T) {
	third, err := decimal.ParseFraction("30/3")
	require.NoError(t, err)
	for _, c := range []struct {
		f    string
		side int
	}{{"31/3", 1}, {"29/3", -1}, {"30/3", 0}, {"-1/3", -1}} {
		f, err := decimal.ParseFraction(c.f)
		require.NoError(t, err)
		require.Equal(t, c.side, f.Cmp(third), c.f)
		require.Equal(t, c.side, f.Beside().Cmp(decimal.New(10, 0)), c.f)
	}
}
