// Package steady has the few elementary functions the physical models need,
// written so that every processor gives the same bits.
//
// The standard library's Exp, Log, Sin and Cos differ in their last bit from
// one architecture to another: some have assembly, and the compiler may fuse a
// multiply and an add where the processor can. Here every product that meets
// an addition is rounded first (an explicit float64 conversion forbids the
// fusion: Go specification, "Floating-point operators"), and only IEEE 754
// basic operations are used, which are correctly rounded everywhere.
//
// Angles are in turns (1 turn = 360°), so that the reduction of a large angle
// is exact. Errors are below 2 ulp in the result, or below 2⁻⁵² absolute near a
// zero of the sine or cosine.
package steady

import "math"

// Minimax coefficients on |r| ≤ ln2/2: fdlibm e_exp.c (Sun Microsystems, 1993).
const (
	ln2Hi = 6.93147180369123816490e-01
	ln2Lo = 1.90821492927058770002e-10
	log2e = 1.44269504088896338700e+00
	e1    = 1.66666666666666019037e-01
	e2    = -2.77777777770155933842e-03
	e3    = 6.61375632143793436117e-05
	e4    = -1.65339022054652515390e-06
	e5    = 4.13813679705723846039e-08
)

// Exp returns eˣ; it overflows to +Inf above about 709.78 and underflows to 0
// below about −745.13.
func Exp(x float64) float64 {
	switch {
	case math.IsNaN(x) || x > 709.782712893383973096:
		return x * math.Inf(1) // NaN stays NaN
	case x < -745.13321910194110842:
		return 0
	}
	k := math.RoundToEven(x * log2e)
	hi := x - float64(k*ln2Hi)
	lo := float64(k * ln2Lo)
	r := hi - lo
	t := float64(r * r)
	p := float64(e5*t) + e4
	p = float64(p*t) + e3
	p = float64(p*t) + e2
	p = float64(p*t) + e1
	c := r - float64(p*t)
	y := 1 - ((lo - float64(r*c)/(2-c)) - hi)
	return math.Ldexp(y, int(k))
}

// Minimax coefficients on [√2/2, √2]: fdlibm e_log.c (Sun Microsystems, 1993).
const (
	l1 = 6.666666666666735130e-01
	l2 = 3.999999999940941908e-01
	l3 = 2.857142874366239149e-01
	l4 = 2.222219843214978396e-01
	l5 = 1.818357216161805012e-01
	l6 = 1.531383769920937332e-01
	l7 = 1.479819860511658591e-01
)

// Log returns the natural logarithm: NaN below zero, −Inf at zero.
func Log(x float64) float64 {
	switch {
	case math.IsNaN(x) || math.IsInf(x, 1):
		return x
	case x < 0:
		return math.NaN()
	case x == 0:
		return math.Inf(-1)
	}
	f1, ki := math.Frexp(x)
	if f1 < math.Sqrt2/2 {
		f1 *= 2
		ki--
	}
	f, k := f1-1, float64(ki)
	s := f / (2 + f)
	s2 := float64(s * s)
	s4 := float64(s2 * s2)
	t1 := float64(l7*s4) + l5
	t1 = float64(t1*s4) + l3
	t1 = s2 * (float64(t1*s4) + l1)
	t2 := float64(l6*s4) + l4
	t2 = s4 * (float64(t2*s4) + l2)
	r := float64(t1) + float64(t2)
	h := float64(0.5 * f * f)
	return float64(k*ln2Hi) - ((h - (float64(s*(h+r)) + float64(k*ln2Lo))) - f)
}

// Kernel coefficients on |x| ≤ π/4: fdlibm k_sin.c, k_cos.c (Sun Microsystems, 1993).
const (
	s1 = -1.66666666666666324348e-01
	s2 = 8.33333333332248946124e-03
	s3 = -1.98412698298579493134e-04
	s4 = 2.75573137070700676789e-06
	s5 = -2.50507602534068634195e-08
	s6 = 1.58969099521155010221e-10

	c1 = 4.16666666666666019037e-02
	c2 = -1.38888888888741095749e-03
	c3 = 2.48015872894767294178e-05
	c4 = -2.75573143513906633035e-07
	c5 = 2.08757232129817482790e-09
	c6 = -1.13596475577881948265e-11
)

// Sin returns the sine of an angle in turns: exactly 0 at every half turn and
// ±1 at the odd quarters. An infinite angle gives NaN.
func Sin(turns float64) float64 { s, _ := SinCos(turns); return s }

// Cos returns the cosine of an angle in turns: exactly 0 at the odd quarters
// and ±1 at every half turn. An infinite angle gives NaN.
func Cos(turns float64) float64 { _, c := SinCos(turns); return c }

// SinCos returns both, for the price of one reduction.
func SinCos(turns float64) (sin, cos float64) {
	if math.IsNaN(turns) || math.IsInf(turns, 0) {
		return math.NaN(), math.NaN()
	}
	if math.Abs(turns) >= 1<<50 {
		turns = math.Mod(turns, 1) // exact; keeps the quarter count in range
	}
	q := math.RoundToEven(turns * 4)
	x := float64((turns - float64(q*0.25)) * (2 * math.Pi)) // exact but for this last product
	z := float64(x * x)
	p := float64(s6*z) + s5
	p = float64(p*z) + s4
	p = float64(p*z) + s3
	p = float64(p*z) + s2
	p = float64(p*z) + s1
	s := x + float64(float64(x*z)*p)
	p = float64(c6*z) + c5
	p = float64(p*z) + c4
	p = float64(p*z) + c3
	p = float64(p*z) + c2
	p = float64(p*z) + c1
	h := float64(0.5 * z)
	w := 1 - h
	c := w + (((1 - w) - h) + float64(float64(z*z)*p))
	switch int64(q) & 3 {
	case 0:
		return s, c
	case 1:
		return c, -s
	case 2:
		return -s, -c
	}
	return -c, s
}
