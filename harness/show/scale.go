package show

import (
	"math"
	"strconv"
	"strings"
)

// Step is the least of 1, 2, 5 times a power of ten that is not below x, which is
// above 0.
func Step(x float64) float64 {
	p := math.Pow10(decade(x))
	for _, m := range []float64{1, 2, 5} {
		if m*p >= x*(1-1e-9) {
			return m * p
		}
	}
	return 10 * p
}

// decade is the exponent of the power of ten at or below x, which is above 0.
// The logarithm only finds the neighbourhood, for it differs in its last bit
// between processors.
func decade(x float64) int {
	e := int(math.Floor(math.Log10(x)))
	for math.Pow10(e) > x {
		e--
	}
	for math.Pow10(e+1) <= x {
		e++
	}
	return e
}

// Ticks are round values from lo to hi, about as many as asked, and the decimals they
// take.
func Ticks(lo, hi float64, about int) (at []float64, decimals int) {
	step := Step((hi - lo) / float64(max(about, 1)))
	decimals = max(0, -decade(step*(1+1e-9)))
	for k := math.Ceil(lo / step); k*step <= hi && len(at) < 100; k++ {
		at = append(at, k*step)
	}
	return at, decimals
}

// Decimal writes a value with so many decimals, and a zero without a sign.
func Decimal(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}
