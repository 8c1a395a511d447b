package rehearse

import (
	"fmt"
	"math"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"golang.org/x/exp/rand"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %v, not %v (within %v)", what, got, want, within)
	}
}

// Published risks for a normal process with limits at ±SL of its standard
// deviations and a test uncertainty 1/TUR of it: D. Deaver, "How to Maintain
// Confidence", p. 7 and p. 10 (guarded to 0.91 of the limits), as quoted in the
// tests of Sandia's uncertainty calculator (sandialabs/suncal). The worked
// numbers of JCGM 106 itself could not be opened; its equations are those used.
func TestRisksAsPublished(t *testing.T) {
	for _, c := range []struct {
		sl, u, guard, in, out, within float64
	}{
		{2, 0.25, 0, 0.008, -1, 0.0005},
		{2.5, 0.25, 0, 0.0025, -1, 0.0001},
		{2.5, 1, 0, 0.005, -1, 0.001},
		{2, 0.5, 2 - 2*0.91, 0.008, 0.066, 0.001},
	} {
		in, out := Misjudged([2]float64{-c.sl, c.sl}, [2]float64{-c.sl + c.guard, c.sl - c.guard}, 0, 1, c.u)
		near(t, "consumer's risk", in, c.in, c.within)
		if c.out >= 0 {
			near(t, "producer's risk", out, c.out, c.within)
		}
	}
}

// With hardly any uncertainty hardly anything is misjudged; with far too much,
// what is accepted does not depend on the part.
func TestRisksAtTheEdges(t *testing.T) {
	limits := [2]float64{-2, 2}
	in, out := Misjudged(limits, limits, 0.3, 1, 1e-3)
	near(t, "consumer's risk", in, 0, 1e-4)
	near(t, "producer's risk", out, 0, 1e-4)
	limits = [2]float64{-1, 1}
	in, out = Misjudged(limits, limits, 0, 1, 1000)
	near(t, "consumer's risk", in, 0.3173*2/(1000*math.Sqrt(2*math.Pi)), 1e-5) // 31.73 % lie outside ±σ
	near(t, "producer's risk", out, 0.6827, 0.001)
}

// The closed form against parts that are counted one by one, with readings that
// are rounded to the resolution and limits that are moved or not.
func TestRisksAgainstCounting(t *testing.T) {
	for _, f := range []feature{
		{step: decimal.Nanometre}, {step: decimal.Nanometre, guard: 2}, {step: 5 * decimal.Micrometre},
		{step: 4 * decimal.Micrometre, guard: 4}, {step: decimal.Micrometre, nominal: 400 * decimal.Nanometre},
	} {
		f.lower, f.upper, f.mean, f.spread, f.u = -11, 11, 2, 5, 2
		r := rand.New(rand.NewSource(9))
		const n = 400_000
		var in, out int
		for range n {
			size := f.mean + f.spread*normal(r)
			bad, rejected := f.outside(size, 0), f.outside(f.round(size+f.u*normal(r)), f.guard)
			if bad && !rejected {
				in++
			}
			if !bad && rejected {
				out++
			}
		}
		wantIn, wantOut := Misjudged([2]float64{f.lower, f.upper}, f.acceptance(), f.mean, f.spread, f.u)
		for _, c := range []struct {
			got  int
			want float64
		}{{in, wantIn}, {out, wantOut}} {
			near(t, fmt.Sprintf("counted share at steps of %d pm", f.step), float64(c.got)/n, c.want, 4*math.Sqrt(c.want/n))
		}
	}
}

// Capability.
func TestCapabilityAsPublished(t *testing.T) {
	// NIST/SEMATECH e-Handbook 6.1.6: limits 8 and 20, mean 16, spread 2 (from memory).
	p, pk := indices(8, 20, 16, 2, 50, 49)
	near(t, "Cp", p.Value, 1, 1e-12)
	near(t, "Cpk", pk.Value, 0.6667, 5e-5)
	// Montgomery, Introduction to Statistical Quality Control, example on a
	// confidence interval for Cp: limits 38 and 62, n = 20, s = 1.75: 2.29, 1.57 to
	// 3.01 (the upper limit also on a public page of worked answers; the lower from
	// memory).
	p, _ = indices(38, 62, 50, 1.75, 20, 19)
	near(t, "Cp", p.Value, 2.29, 0.005)
	near(t, "lower limit", p.Low, 1.57, 0.0055)
	near(t, "upper limit", p.High, 3.01, 0.005)
	// The same, for Cpk = 1.33 and n = 20: 0.88 to 1.78 (from memory).
	_, pk = indices(-3*1.33, 100, 0, 1, 20, 19)
	near(t, "lower limit", pk.Low, 0.88, 0.005)
	near(t, "upper limit", pk.High, 1.78, 0.005)
}

// The limits cover the true index in 95 of 100 samples, more or less: the
// chi-square limits exactly, the normal approximation closely.
func TestCapabilityCovers(t *testing.T) {
	r := rand.New(rand.NewSource(3))
	const samples, n = 4000, 100
	inP, inPk, inC := 0, 0, 0
	for range samples {
		var m Moments
		for range n {
			m.add(1 + 2*normal(r))
		}
		c := m.Capability(-8, 8, n)
		count := func(i Index, want float64, to *int) {
			if i.Low <= want && want <= i.High {
				*to++
			}
		}
		count(c.Pp, 16.0/12, &inP)
		count(c.Cp, 16.0/12, &inC)
		count(c.Ppk, 7.0/6, &inPk)
	}
	near(t, "coverage of Pp", float64(inP)/samples, 0.95, 0.014) // four standard errors
	near(t, "coverage of Cp", float64(inC)/samples, 0.95, 0.014)
	near(t, "coverage of Ppk", float64(inPk)/samples, 0.95, 0.02)
}

func TestMoments(t *testing.T) {
	var m Moments
	for _, v := range []float64{1, 2, 3, 4, 5, 11, 12, 13, 14, 15, 7} {
		m.add(v)
	}
	if m.N != 11 || m.Groups != 2 || m.Within != 20 || m.Sum != 87 || m.Square != 959 {
		t.Errorf("%+v", m)
	}
}

// M/D/1. A public encyclopaedia's example: 20 customers an hour, 30 served an
// hour: 0.067 h in the system (the rates from memory); and the host's queue
// itself, fed at random.
func TestWaiting(t *testing.T) {
	service := 2 * time.Minute
	near(t, "time in the system", (Waiting(20.0/30, service) + service).Hours(), 0.067, 0.0005)
	if Waiting(1, service) != math.MaxInt64 {
		t.Error("a full server's queue has an end")
	}
	for _, use := range []float64{0.2, 0.5, 0.8} {
		var h server
		r := rand.New(rand.NewSource(17))
		takes := 10 * time.Millisecond
		at := time.Duration(0)
		const n = 600_000
		for range n {
			at += time.Duration(r.ExpFloat64() * float64(takes) / use)
			h.take(at, takes)
		}
		got, want := float64(h.Wait.Sum)/n, float64(Waiting(use, takes))
		near(t, "mean wait over the closed form", got/want, 1, 0.03)
		if h.Records != n || h.Wait.N != n || h.Backlog < h.Wait.Most {
			t.Errorf("%+v", h.Queued)
		}
	}
}

func TestWorst(t *testing.T) {
	var v []float64
	for i := 100; i >= 1; i-- {
		v = append(v, float64(i))
	}
	at, low, high := Worst(v)
	// order statistics of 100: P(X<=i) for Binomial(100, 0.05), tables: P(X<=0) =
	// 0.0059, P(X<=1) = 0.0371, P(X<=9) = 0.9718, P(X<=10) = 0.9885 (from memory)
	if at != 5 || low != 1 || high != 11 {
		t.Errorf("%v (%v, %v)", at, low, high)
	}
	if at, low, high := Worst([]float64{3, 2}); at != 2 || !math.IsNaN(low) || high != 3 {
		t.Errorf("of two: %v (%v, %v)", at, low, high)
	}
	if m, e := Mean([]float64{1, 3}); m != 2 || e != 1 {
		t.Errorf("mean %v ± %v", m, e)
	}
}
