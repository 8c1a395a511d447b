package stability_test

import (
	"bufio"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/motion/stability"
)

// agreement is the number of leading digits two numbers share: −log₁₀ of the
// relative error (absolute when the certified value is 0), at most 15.
func agreement(got, want float64) float64 {
	if got == want {
		return 15
	}
	e := math.Abs(got - want)
	if want != 0 {
		e /= math.Abs(want)
	}
	return math.Min(15, -math.Log10(e))
}

func load(t *testing.T, name string) (x []float64) {
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	s := bufio.NewScanner(f)
	for s.Scan() {
		if line := s.Text(); !strings.HasPrefix(line, "#") {
			for _, w := range strings.Fields(line) {
				v, err := strconv.ParseFloat(w, 64)
				if err != nil {
					t.Fatal(err)
				}
				x = append(x, v)
			}
		}
	}
	return x
}

// pairs is NumAcc2–4's construction: base+2, then 500 pairs base+1, base+3.
func pairs[T stability.Number](mid, lo, hi T) []T {
	x := []T{mid}
	for range 500 {
		x = append(x, lo, hi)
	}
	return x
}

// NIST StRD (Statistical Reference Datasets), univariate summary statistics:
// the certified values of eight of the nine data sets. Real data in testdata/,
// constructed data by their construction. (Left out: PiDigits, whose file is
// not at hand and cannot be computed: its certified mean, 4.5348, is not that
// of the first 5000 digits of π, 4.5358.)
// https://www.itl.nist.gov/div898/strd/univ/homepage.html
//
// Kind: outside.
func TestCertifiedValues(t *testing.T) {
	type values = [3]float64 // mean, standard deviation, lag-1 autocorrelation
	lengths := func(x []decimal.Length, per float64) values {
		return values{stability.Mean(x) / per, stability.StandardDeviation(x) / per, stability.Autocorrelation(x)}
	}
	floats := func(x []float64) values {
		return values{stability.Mean(x), stability.StandardDeviation(x), stability.Autocorrelation(x)}
	}
	check := func(name string, got, want, digits values) {
		t.Helper()
		for i := range got {
			if a := agreement(got[i], want[i]); a < digits[i] {
				t.Errorf("%s, %s: %.15g, certified %.15g: %.1f digits agree, want %v", name,
					[3]string{"mean", "standard deviation", "autocorrelation"}[i], got[i], want[i], a, digits[i])
			}
		}
	}
	full := values{14, 14, 13} // of 15 certified digits; r(1) is a quotient of long sums
	check("Lew", floats(load(t, "Lew.dat")), values{-177.435, 277.332168044316, -0.307304800605679}, full)
	check("Lottery", floats(load(t, "Lottery.dat")), values{518.958715596330, 291.699727470969, -0.120948622967393}, full)
	// 2.0018 has no exact double, which costs the last digits of a deviation
	// that is 5000 times smaller; as lengths nothing is lost.
	mavro := load(t, "Mavro.dat")
	check("Mavro", floats(mavro), values{2.001856, 0.000429123454003053, 0.937989183438248}, values{15, 12, 12})
	michelso := load(t, "Michelso.dat")
	check("Michelso", floats(michelso), values{299.8524, 0.0790105478190518, 0.535199668621283}, values{15, 12, 12})
	scaled := func(x []float64, k float64) (n []decimal.Length) {
		for _, v := range x {
			n = append(n, decimal.Length(math.Round(v*k)))
		}
		return n
	}
	check("Mavro, as lengths", lengths(scaled(mavro, 1e5), 1e5), values{2.001856, 0.000429123454003053, 0.937989183438248}, full)
	check("Michelso, as lengths", lengths(scaled(michelso, 100), 100), values{299.8524, 0.0790105478190518, 0.535199668621283}, full)
	check("NumAcc1", floats([]float64{10000001, 10000003, 10000002}), values{10000002, 1, -0.5}, values{15, 15, 15})
	want := values{1.2, 0.1, -0.999}
	check("NumAcc2", floats(pairs(1.2, 1.1, 1.3)), want, values{15, 14, 13})
	want[0] = 1000000.2
	check("NumAcc3", floats(pairs(1000000.2, 1000000.1, 1000000.3)), want, values{15, 9, 9}) // 1000000.1 in double is good to 1e−10
	check("NumAcc3, as lengths", lengths(pairs[decimal.Length](10000002, 10000001, 10000003), 10), want, values{15, 15, 14})
	want[0] = 10000000.2
	check("NumAcc4", floats(pairs(10000000.2, 10000000.1, 10000000.3)), want, values{15, 8, 8}) // 10000000.1 in double is good to 1e−9
	check("NumAcc4, as lengths", lengths(pairs[decimal.Length](100000002, 100000001, 100000003), 10), want, values{15, 15, 14})
}

// NIST SP 1065 (W. J. Riley, Handbook of Frequency Stability Analysis, 2008)
// §12.4: the 1000-point set n₀ = 1234567890, nᵢ₊₁ = 16807·nᵢ mod (2³¹−1), read
// as nᵢ/(2³¹−1); Table 31. The nine-point set of NBS Monograph 140 Annex 8.E;
// Table 30. The values were read in two independent transcriptions of the
// tables (the test suites of public frequency-stability libraries), not in the
// document itself.
//
// Kind: outside.
func TestPublishedAllanDeviations(t *testing.T) {
	lcg := make([]float64, 1000)
	for i, n := 0, uint64(1234567890); i < len(lcg); i, n = i+1, n*16807%2147483647 {
		lcg[i] = float64(n) / 2147483647
	}
	nine := []float64{892, 809, 823, 798, 671, 644, 883, 903, 677}
	for _, c := range []struct {
		name      string
		y         []float64
		m         int
		overlap   bool
		published float64
	}{
		{"Table 30", nine, 1, false, 91.22945},
		{"Table 30", nine, 2, false, 115.8082},
		{"Table 30", nine, 1, true, 91.22945},
		{"Table 30", nine, 2, true, 85.95287},
		{"Table 31", lcg, 1, false, 2.922319e-01},
		{"Table 31", lcg, 10, false, 9.965736e-02},
		{"Table 31", lcg, 100, false, 3.897804e-02},
		{"Table 31", lcg, 1, true, 2.922319e-01},
		{"Table 31", lcg, 10, true, 9.159953e-02},
		{"Table 31", lcg, 100, true, 3.241343e-02},
	} {
		f := stability.Allan[float64]
		if c.overlap {
			f = stability.OverlappingAllan[float64]
		}
		// Seven digits are published.
		if got := f(c.y, c.m); math.Abs(got/c.published-1) > 5e-7*1.5 {
			t.Errorf("%s, m = %d, overlapping %v: %.7g, published %.7g", c.name, c.m, c.overlap, got, c.published)
		}
	}
}

// Kind: outside.
func TestClosedForms(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// A drift of D a reading has the Allan deviation D·m/√2 at any m.
		d := rapid.Int64Range(1, 1e6).Draw(t, "drift")
		m := rapid.IntRange(1, 20).Draw(t, "m")
		y := make([]decimal.Length, rapid.IntRange(2*m, 200).Draw(t, "n"))
		first := rapid.Int64Range(-1e15, 1e15).Draw(t, "first")
		for i := range y {
			y[i] = decimal.Length(first + int64(i)*d)
		}
		want := float64(d) * float64(m) / math.Sqrt2
		for _, got := range []float64{stability.Allan(y, m), stability.OverlappingAllan(y, m)} {
			if math.Abs(got/want-1) > 1e-12 {
				t.Errorf("drift %d, m = %d: %v, want %v", d, m, got, want)
			}
		}
		// An arithmetic series of n has the standard deviation d·√(n(n+1)/12).
		n := float64(len(y))
		if got, want := stability.StandardDeviation(y), float64(d)*math.Sqrt(n*(n+1)/12); math.Abs(got/want-1) > 1e-12 {
			t.Errorf("standard deviation %v, want %v", got, want)
		}
	})
}

// Kind: property.
func TestTooShort(t *testing.T) {
	for _, v := range []float64{
		stability.Mean([]float64{}), stability.StandardDeviation([]float64{1}),
		stability.Autocorrelation([]float64{1}), stability.Autocorrelation([]float64{1, 1}),
		stability.Allan([]float64{1, 2, 3}, 2), stability.OverlappingAllan([]float64{1, 2}, 0),
	} {
		if !math.IsNaN(v) {
			t.Errorf("got %v, want NaN", v)
		}
	}
}
