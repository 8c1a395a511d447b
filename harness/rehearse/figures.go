package rehearse

import (
	"fmt"
	"math"
	"math/bits"
	"slices"
	"time"

	"gonum.org/v1/gonum/mathext" // not stat/distuv: it carries 4 MB of linear algebra
)

// Misjudged are the global risks of deciding by measured values: the share of
// all parts that is bad and accepted (the consumer's), and good and rejected
// (the producer's).
//
// Source: JCGM 106:2012, 9.5.2 (equations for R_C and R_P, from memory): the true values are
// normal with mean and spread, a measured value is normal about the true one
// with standard uncertainty u, a part is good within its tolerance limits, and
// accepted if its measured value lies within the acceptance limits. All in one
// unit; u is above zero.
func Misjudged(tolerance, acceptance [2]float64, mean, spread, u float64) (falseIn, falseOut float64) {
	density := func(x float64) float64 {
		z := (x - mean) / spread
		return math.Exp(-z*z/2) / (spread * math.Sqrt(2*math.Pi))
	}
	return MisjudgedOf(density, [2]float64{mean - float64(9*spread), mean + float64(9*spread)}, tolerance, acceptance, u)
}

// MisjudgedOf is Misjudged for true values with any density within a range.
func MisjudgedOf(density func(x float64) float64, within, tolerance, acceptance [2]float64, u float64) (falseIn, falseOut float64) {
	lower, upper := tolerance[0], tolerance[1]
	first, last := within[0], within[1]
	phi := func(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
	accepted := func(x float64) float64 { return phi((acceptance[1]-x)/u) - phi((acceptance[0]-x)/u) }
	// Simpson's rule, piece by piece: the integrand jumps at the limits only.
	simpson := func(a, b float64, f func(float64) float64) (sum float64) {
		const n = 4000
		if b <= a {
			return 0
		}
		h := (b - a) / n
		for i := 0; i <= n; i++ {
			w := 2.0
			switch {
			case i == 0 || i == n:
				w = 1
			case i%2 == 1:
				w = 4
			}
			sum += float64(w * f(a+float64(float64(i)*h)))
		}
		return sum * h / 3
	}
	in := func(x float64) float64 { return density(x) * accepted(x) }
	out := func(x float64) float64 { return density(x) * (1 - accepted(x)) }
	falseIn = simpson(first, math.Min(lower, last), in) + simpson(math.Max(upper, first), last, in)
	falseOut = simpson(math.Max(lower, first), math.Min(upper, last), out)
	return falseIn, falseOut
}

// Capability are the indices of a process against its limits.
type Capability struct {
	N                 int
	Mean, Within, All float64 // spread within subgroups, and of all parts
	Cp, Cpk, Pp, Ppk  Index
}

// Index is a capability index and its 95 % confidence limits.
type Index struct{ Value, Low, High float64 }

// Capability works the indices out of a process's moments. The limits are
// those of one shift's number of parts, n; degrees of freedom of the spread
// within subgroups are four for each five parts.
//
// Sources, from memory: Cp and Pp: chi-square limits, Ĉp·√(χ²/ν) (NIST/SEMATECH e-Handbook of
// Statistical Methods, 6.1.6; Montgomery, Introduction to Statistical Quality
// Control). Cpk and Ppk: normal approximation, Ĉpk ± z·√(1/9n + Ĉpk²/2ν) (the
// same). That short-term indices use the spread within subgroups is common
// practice.
func (m *Moments) Capability(lower, upper float64, n int) (c Capability) {
	c.N = m.N
	if m.N < 2 || m.Groups == 0 || n < 10 {
		return c
	}
	c.Mean = m.Sum / float64(m.N)
	c.All = math.Sqrt(math.Max(0, m.Square-float64(c.Mean*m.Sum)) / float64(m.N-1))
	c.Within = math.Sqrt(m.Within / float64(4*m.Groups))
	c.Cp, c.Cpk = indices(lower, upper, c.Mean, c.Within, n, n/5*4)
	c.Pp, c.Ppk = indices(lower, upper, c.Mean, c.All, n, n-1)
	return c
}

// indices are Cp and Cpk for a mean and a spread with dof degrees of freedom.
func indices(lower, upper, mean, spread float64, n, dof int) (p, pk Index) {
	p.Value = (upper - lower) / (6 * spread)
	nu := float64(dof)
	chi2 := func(p float64) float64 { return 2 * mathext.GammaIncRegInv(nu/2, p) } // its quantile
	p.Low, p.High = p.Value*math.Sqrt(chi2(0.025)/nu), p.Value*math.Sqrt(chi2(0.975)/nu)
	pk.Value = math.Min(upper-mean, mean-lower) / (3 * spread)
	half := float64(mathext.NormalQuantile(0.975) * math.Sqrt(1/(9*float64(n))+pk.Value*pk.Value/(2*nu)))
	pk.Low, pk.High = pk.Value-half, pk.Value+half
	return p, pk
}

// Waiting is the mean time before service at one server to which things come
// wholly at random: ρ·s·(1+c²) ÷ 2(1-ρ), with ρ the use, s the mean time for one
// and c² the squared coefficient of variation of that time (the queue M/G/1;
// Pollaczek and Khinchin): c² = 0 when each takes the same (M/D/1), 1 for exponential
// times (M/M/1). It is infinite from full use on.
func Waiting(use float64, service time.Duration, cv2 float64) time.Duration {
	if use >= 1 {
		return math.MaxInt64
	}
	return time.Duration(use * float64(service) * (1 + cv2) / (2 * (1 - use)))
}

// Mean is the mean of values and its standard error, the Monte Carlo error.
func Mean(values []float64) (mean, err float64) {
	for _, v := range values {
		mean += v
	}
	n := float64(len(values))
	mean /= n
	if len(values) < 2 {
		return mean, math.NaN()
	}
	for _, v := range values {
		err += float64((v - mean) * (v - mean))
	}
	return mean, math.Sqrt(err / (n - 1) / n)
}

// atMost is the upper 95 % limit of the share of shifts in which something
// happens that happened in none of n: 1 - 0.05^(1/n), about 3/n (Clopper and
// Pearson with no event; the "rule of three").
func atMost(n int) float64 { return 1 - math.Pow(0.05, 1/float64(n)) }

// Worst is the value that one in twenty lies below (the smaller of the two it
// falls between), and the 95 % limits its Monte Carlo error leaves, from the
// binomial law of how many lie below it. With too few values for a limit, it is
// not a number.
func Worst(values []float64) (at, low, high float64) {
	v := slices.Sorted(slices.Values(values))
	n := len(v)
	at = v[max(int(math.Ceil(0.05*float64(n)))-1, 0)]
	low, high = math.NaN(), math.NaN()
	below := func(k int) float64 { return mathext.RegIncBeta(float64(n-k), float64(k+1), 0.95) } // the share of k or fewer
	for i := range v {
		// v[i] lies above the quantile if at most i values lie below it
		if below(i) <= 0.025 {
			low = v[i]
		}
		if math.IsNaN(high) && below(i) >= 0.975 {
			high = v[i]
		}
	}
	return at, low, high
}

// Spans counts lengths of time, and keeps how they are distributed.
type Spans struct {
	N    int           `json:"n"`
	Sum  time.Duration `json:"sum"`
	Most time.Duration `json:"most"`
	Bins []Bin         `json:"bins,omitempty"` // in order of length; none where only the sums were kept
}

// Bin is how many lengths fall into a bin, and which: [number, count].
//
// A length in nanoseconds below 8 has a bin of its own; from there on each
// doubling is cut into eight, so that a bin is at most an eighth of its lower
// end wide and an hour is in bin 317. The bins are whole numbers, so that parts of a
// rehearsal add up to the whole to the last digit.
type Bin [2]int

const lastBin = 8 * 61 // of the longest time.Duration

func binOf(d time.Duration) int {
	if d < 8 {
		return int(max(d, 0))
	}
	e := bits.Len64(uint64(d)) - 4 // 0 for 8 to 15
	return 8*(e+1) + int(uint64(d)>>e&7)
}

// binEnds are the smallest length of a bin and the smallest of the next.
func binEnds(b int) (low, high time.Duration) {
	if b < 8 {
		return time.Duration(b), time.Duration(b + 1)
	}
	e := b/8 - 1
	low = time.Duration(8+b%8) << e
	return low, low + 1<<e
}

func (s *Spans) add(d time.Duration) { s.addN(d, 1) }

// addN adds n spans of the same length.
func (s *Spans) addN(d time.Duration, n int) {
	s.N += n
	s.Sum += d * time.Duration(n)
	s.Most = max(s.Most, d)
	s.put(binOf(d), n)
}

func (s *Spans) put(bin, n int) {
	if last := len(s.Bins) - 1; last >= 0 && s.Bins[last][0] == bin {
		s.Bins[last][1] += n
		return
	}
	i, found := slices.BinarySearchFunc(s.Bins, bin, func(b Bin, want int) int { return b[0] - want })
	if !found {
		s.Bins = slices.Insert(s.Bins, i, Bin{bin, 0})
	}
	s.Bins[i][1] += n
}

// merge adds the spans of another count.
func (s *Spans) merge(o *Spans) {
	s.N, s.Sum, s.Most = s.N+o.N, s.Sum+o.Sum, max(s.Most, o.Most)
	for _, b := range o.Bins {
		s.put(b[0], b[1])
	}
}

// Mean is the mean length; 0 if there are none.
func (s *Spans) Mean() time.Duration {
	if s.N == 0 {
		return 0
	}
	return s.Sum / time.Duration(s.N)
}

// Below is the length that a share of the spans, above 0 and up to 1, is not longer
// than: the middle of the bin it falls into, which is within 6 % of it, and never
// more than the longest. 0 if there are none.
func (s *Spans) Below(share float64) time.Duration {
	rank := int(math.Ceil(share * float64(s.N)))
	for _, b := range s.Bins {
		if rank -= b[1]; rank <= 0 {
			low, high := binEnds(b[0])
			return min(low+(high-low)/2, s.Most)
		}
	}
	return s.Most
}

// check says what is wrong with spans that were read.
func (s *Spans) check() error {
	n, last := 0, -1
	for _, b := range s.Bins {
		if b[0] <= last || b[0] >= lastBin || b[1] <= 0 || b[1] > s.N {
			return fmt.Errorf("%d spans in bin %d are out of order", b[1], b[0])
		}
		last = b[0]
		n += b[1]
	}
	if s.N < 0 || s.Sum < 0 || s.Most < 0 || s.Most > s.Sum || s.Bins != nil && (n != s.N || binOf(s.Most) != last) {
		return fmt.Errorf("its spans do not add up")
	}
	return nil
}
