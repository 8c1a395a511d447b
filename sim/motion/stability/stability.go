// Package stability says how steady a series of equally spaced readings is:
// mean, standard deviation, lag-1 autocorrelation and Allan deviation.
//
// The Allan deviation at an averaging time τ tells the kinds of noise apart by
// its slope: white falls as τ^−1/2, flicker is flat, a random walk rises as
// τ^+1/2 and a drift D as D·τ/√2.
//
// A series is of integers (lengths) or floats. Differences from the first
// value are taken in the series' own type, so that a series of lengths loses
// nothing to a large common part.
package stability

import "math"

// Number is what a series may be of.
type Number interface{ ~int64 | ~float64 }

// sum adds with Neumaier's compensation (Z. angew. Math. Mech. 54 (1974) 39–51).
type sum struct{ s, c float64 }

func (a *sum) add(x float64) {
	t := a.s + x
	if math.Abs(a.s) >= math.Abs(x) {
		a.c += (a.s - t) + x
	} else {
		a.c += (x - t) + a.s
	}
	a.s = t
}

func (a sum) value() float64 { return a.s + a.c }

// centre returns the mean of x less its first value.
func centre[T Number](x []T) float64 {
	var a sum
	for _, v := range x {
		a.add(float64(v - x[0]))
	}
	return a.value() / float64(len(x))
}

// Mean returns the arithmetic mean; NaN of nothing.
func Mean[T Number](x []T) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	return float64(x[0]) + centre(x)
}

// squares returns Σ(xᵢ−x̄)² and Σ(xᵢ−x̄)(xᵢ₋₁−x̄), corrected for the error left in the mean.
func squares[T Number](x []T) (square, lagged float64) {
	m := centre(x)
	var s, l, rest sum
	last := 0.0
	for i, v := range x {
		d := float64(v-x[0]) - m
		s.add(float64(d * d))
		rest.add(d)
		if i > 0 {
			l.add(float64(d * last))
		}
		last = d
	}
	r := rest.value()
	return s.value() - float64(r*r)/float64(len(x)), l.value()
}

// StandardDeviation returns the sample standard deviation √(Σ(xᵢ−x̄)²/(n−1));
// NaN of fewer than two values.
func StandardDeviation[T Number](x []T) float64 {
	if len(x) < 2 {
		return math.NaN()
	}
	s, _ := squares(x)
	return math.Sqrt(s / float64(len(x)-1))
}

// Autocorrelation returns the lag-1 autocorrelation coefficient
// Σᵢ₌₂(xᵢ−x̄)(xᵢ₋₁−x̄) / Σᵢ₌₁(xᵢ−x̄)²; NaN of fewer than two values or of a
// constant series.
func Autocorrelation[T Number](x []T) float64 {
	if len(x) < 2 {
		return math.NaN()
	}
	s, l := squares(x)
	return l / s
}

// Allan returns the Allan deviation over groups of m readings, from adjacent
// groups: √(½⟨(ȳₖ₊₁−ȳₖ)²⟩) (NIST SP 1065 §5.2.2). NaN when m is below 1 or
// fewer than two groups fit.
func Allan[T Number](y []T, m int) float64 { return allan(y, m, m) }

// OverlappingAllan returns the Allan deviation over groups of m readings, from
// every pair of adjoining groups: the same expectation as Allan with a smaller
// spread (NIST SP 1065 §5.2.4). NaN as for Allan.
func OverlappingAllan[T Number](y []T, m int) float64 { return allan(y, m, 1) }

func allan[T Number](y []T, m, stride int) float64 {
	if m < 1 || m > len(y)/2 {
		return math.NaN()
	}
	// d is the sum of the second group less that of the first, slid along.
	var d, total sum
	for i := range m {
		d.add(float64(y[m+i] - y[i]))
	}
	n := 0
	for j := 0; ; j++ {
		if j%stride == 0 {
			v := d.value() / float64(m)
			total.add(float64(v * v))
			n++
		}
		if j+2*m >= len(y) {
			break
		}
		d.add(float64(y[j+2*m] - y[j+m]))
		d.add(-float64(y[j+m] - y[j]))
	}
	return math.Sqrt(total.value() / float64(2*n))
}
