package steady_test

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"example.org/understudy/sim/steady"
)

// ulps between two floats of one sign.
func ulps(a, b float64) float64 {
	if a == b {
		return 0
	}
	return math.Abs(float64(int64(math.Float64bits(a)) - int64(math.Float64bits(b))))
}

// Reference: the Go standard library's own functions, themselves within 1 ulp.
//
// Kind: model.
func TestAgainstStandardLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(-740, 709).Draw(t, "x")
		if got, want := steady.Exp(x), math.Exp(x); want > 1e-300 && ulps(got, want) > 2 {
			t.Errorf("Exp(%v) = %v, want %v", x, got, want)
		}
		y := rapid.Float64Range(1e-300, 1e300).Draw(t, "y")
		if got, want := steady.Log(y), math.Log(y); ulps(got, want) > 2 {
			t.Errorf("Log(%v) = %v, want %v", y, got, want)
		}
		u := rapid.Float64Range(-0.25, 0.25).Draw(t, "turns")
		s, c := steady.SinCos(u)
		if want := math.Sin(2 * math.Pi * u); math.Abs(s-want) > 0x1p-52 {
			t.Errorf("Sin(%v) = %v, want %v", u, s, want)
		}
		if want := math.Cos(2 * math.Pi * u); math.Abs(c-want) > 0x1p-52 {
			t.Errorf("Cos(%v) = %v, want %v", u, c, want)
		}
		// A whole number of turns changes nothing at all: the sum is exact for
		// the quantised angle.
		q := math.Round(u*0x1p40) / 0x1p40
		n := float64(rapid.IntRange(-4000, 4000).Draw(t, "n"))
		if a, b := steady.Sin(q), steady.Sin(q+n); a != b {
			t.Errorf("Sin(%v) = %v, but %v after %v turns", q, a, b, n)
		}
	})
}

// Kind: property.
func TestNoNumber(t *testing.T) {
	for _, v := range []float64{steady.Sin(math.Inf(1)), steady.Log(-1), steady.Exp(math.NaN())} {
		if !math.IsNaN(v) {
			t.Errorf("got %v, want NaN", v)
		}
	}
}

// The cosine is checked against its Taylor series in 200-bit arithmetic: the
// true value, not another library's.
//
// Kind: model.
func TestCosineAgainstSeries(t *testing.T) {
	for _, u := range []float64{0.001, 1.0 / 120, 0.03125, 0.1, 0.124} {
		two := new(big.Float).SetPrec(200)
		two.SetString("6.28318530717958647692528676655900576839433879875021164194988918")
		x := two.Mul(two, big.NewFloat(u))
		sum, term := big.NewFloat(1).SetPrec(200), big.NewFloat(1).SetPrec(200)
		for k := 1; k < 40; k++ {
			term.Mul(term, x).Mul(term, x).Quo(term, big.NewFloat(float64((2*k-1)*2*k))).Neg(term)
			sum.Add(sum, term)
		}
		want, _ := sum.Float64()
		if got := steady.Cos(u); ulps(got, want) > 1 {
			t.Errorf("Cos(%v) = %v, want %v", u, got, want)
		}
	}
}

func BenchmarkSinCos(b *testing.B) {
	b.ReportAllocs()
	x, sum := 0.0, 0.0
	for b.Loop() {
		s, c := steady.SinCos(x)
		sum += s + c
		x += 0.001
	}
	_ = sum
}

func BenchmarkExp(b *testing.B) {
	b.ReportAllocs()
	x, sum := 0.0, 0.0
	for b.Loop() {
		sum += steady.Exp(-x)
		x += 0.0001
	}
	_ = sum
}
