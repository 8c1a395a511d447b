package noise

import (
	"crypto/sha256"
	"encoding/binary"
	"flag"
	"fmt"
	"hash/fnv"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/motion"
)

var update = flag.Bool("update", false, "write the golden files again")

const um = decimal.Micrometre

// everything switches every kind of noise on.
var everything = Spec{
	White: um / 5, Flicker: um / 20, Walk: um / 100, Drift: 2 * um,
	Hum:    Hum{Amplitude: um / 10, Frequency: 50, Phase: 0.1},
	Shocks: Shocks{PerHour: 3600, Ring: motion.Bounce{Amplitude: 2 * um, Frequency: 12, Decay: 200 * time.Millisecond}},
}

// series samples a source at a rate in hertz that divides 10⁹.
func series(s *Source, rate, n int) []decimal.Length {
	y := make([]decimal.Length, n)
	for i := range y {
		y[i] = s.Next(time.Duration(i) * (time.Second / time.Duration(rate)))
	}
	return y
}

// Kind: model.
func TestQuantile(t *testing.T) {
	t.Parallel()
	// Reference library: gonum's normal distribution, both ways.
	rapid.Check(t, func(t *rapid.T) {
		p := math.Pow(10, rapid.Float64Range(-15, -0.31).Draw(t, "log p"))
		z := Quantile(p)
		if want := distuv.UnitNormal.Quantile(p); math.Abs(z-want) > 1e-9 {
			t.Errorf("quantile(%v) = %v, want %v", p, z, want)
		}
		if back := distuv.UnitNormal.CDF(z); math.Abs(back/p-1) > 1e-12 {
			t.Errorf("CDF(quantile(%v)) = %v", p, back)
		}
		if p > 1e-3 {
			if up := Quantile(1 - p); math.Abs(up+z) > 1e-12*math.Abs(z) {
				t.Errorf("quantile(1−%v) = %v, want %v", p, up, -z)
			}
		}
	})
}

// Kind: property.
func TestSplit(t *testing.T) {
	t.Parallel()
	// FNV-1a by the standard library.
	h := fnv.New64a()
	h.Write([]byte("bore-1\xffnoise\xff"))
	if got, want := Split(7, "bore-1", "noise"), mix(7+h.Sum64()); got != want {
		t.Errorf("Split = %x, want %x", got, want)
	}
	seen := map[uint64]string{}
	for g := range 200 {
		for _, p := range []string{"noise", "hand", "link", "cell", "probe"} {
			for seed := range uint64(20) {
				k, name := Split(seed, fmt.Sprint("g", g), p), fmt.Sprint(seed, g, p)
				if seen[k] != "" {
					t.Fatalf("%s and %s share a stream", name, seen[k])
				}
				seen[k] = name
			}
		}
	}
	if Split(1, "ab", "c") == Split(1, "a", "bc") {
		t.Error("the boundary between the names does not count")
	}
}

// Shocks come at the stated rate, at the same instants whatever the sampling
// rate, and a day's count is Poisson: variance over mean near 1.
//
// Kind: outside.
func TestShocks(t *testing.T) {
	t.Parallel()
	spec := Spec{Shocks: Shocks{PerHour: 60, Ring: motion.Bounce{Amplitude: um, Frequency: 100, Decay: 10 * time.Millisecond}}}
	count := func(step time.Duration, hours int, seed uint64) (n []float64) {
		s := New(spec, seed)
		for h := range hours {
			k := 0
			for t := time.Duration(h) * time.Hour; t < time.Duration(h+1)*time.Hour; t += step {
				last := s.struck
				s.Next(t)
				if s.struck != last {
					k++
				}
			}
			n = append(n, float64(k))
		}
		return n
	}
	a := count(100*time.Millisecond, 200, 5)
	within(t, "shocks an hour", stat.Mean(a, nil), 60, 4*math.Sqrt(60.0/200))
	v := stat.StdDev(a, nil)
	within(t, "variance / mean", v*v/60, 1, 4*math.Sqrt(2.0/199))
	if s := New(everything, 1); s.rng == s.shocks {
		t.Error("the shocks are drawn from the noise's own stream")
	}
	fast, slow := New(spec, 6), New(spec, 6)
	for i := range 36000 {
		t0 := time.Duration(i) * 100 * time.Millisecond
		fast.Next(t0)
		fast.Next(t0 + 50*time.Millisecond)
		fast.Next(t0 + 99*time.Millisecond)
	}
	slow.Next(3600*time.Second - time.Millisecond)
	if fast.struck != slow.struck {
		t.Errorf("the last shock fell at %v sampled fast, at %v sampled slowly", fast.struck, slow.struck)
	}
}

// One gauge's noise does not depend on which other gauges there are, or on the
// order in which they are asked.
//
// Kind: property.
func TestIndependentOfOtherGauges(t *testing.T) {
	t.Parallel()
	run := func(names ...string) []decimal.Length {
		src := map[string]*Source{}
		for _, n := range names {
			src[n] = New(everything, Split(41, n, "noise"))
		}
		var out []decimal.Length
		for i := range 200 {
			for _, n := range names {
				if v := src[n].Next(time.Duration(i) * 33 * time.Millisecond); n == "bore-1" {
					out = append(out, v)
				}
			}
		}
		return out
	}
	alone := run("bore-1")
	if diff := cmp.Diff(alone, run("snap-3", "bore-2", "bore-1", "bore-10")); diff != "" {
		t.Errorf("(-alone +in company):\n%s", diff)
	}
}

// Time that stands still or goes back moves no process, and does not panic.
//
// Kind: property.
func TestTimeStandsStill(t *testing.T) {
	t.Parallel()
	s := New(Spec{Walk: um, Flicker: um, Drift: um}, 9)
	s.Next(0)
	a := s.Next(time.Second)
	if b, c := s.Next(time.Second), s.Next(0); a != b || a != c {
		t.Errorf("%d, then %d at the same time, then %d at an earlier one", a, b, c)
	}
	if New(Spec{}, 1).Next(time.Hour) != 0 {
		t.Error("silence is not silent")
	}
}

// Same seed, same bytes: the series is kept in testdata. What its samples of 1/40 s
// differ by has the sum of the variances of what was switched on, in µm²: white
// 0.2² and flicker 0.05²; of the hum's alias at 10 Hz 0.1²/2·(1 − cos 90°); and of
// knocks, one a second, that ring with a²/2·e^(−2t/0.2 s), E a² = 4, until the next:
// 4/2/11 = 0.18, and 0.18·(1 − cos(2π·12/40)·0.88·0.98) = 0.23. Some 500 knocks with
// normal amplitudes leave that uncertain by 7 %.
//
// Kind: golden.
func TestGoldenSeries(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	for seed := range uint64(3) {
		y := series(New(everything, seed), 40, 20000)
		h := sha256.New()
		if err := binary.Write(h, binary.LittleEndian, y); err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for i := range y[1:] {
			d := float64(y[i+1]-y[i]) / 1e6
			sum += d * d / 2
		}
		within(t, "variance of what samples differ by", sum/float64(len(y)-1), 0.04+0.0025+0.005+0.23, 4*0.07*0.28)
		fmt.Fprintf(&b, "seed %d\n", seed)
		for _, v := range y[:12] {
			fmt.Fprintln(&b, int64(v))
		}
		fmt.Fprintf(&b, "sha256 of %d values %x\n", len(y), h.Sum(nil))
	}
	const name = "testdata/series.golden"
	if *update {
		if err := os.WriteFile(name, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), b.String()); diff != "" {
		t.Errorf("(-golden +got):\n%s", diff)
	}
}

// Kind: property.
func TestAllocatesNothing(t *testing.T) {
	s, at := New(everything, 1), time.Duration(0)
	if n := testing.AllocsPerRun(1000, func() { at += 33 * time.Millisecond; s.Next(at) }); n != 0 {
		t.Errorf("%v allocations a sample", n)
	}
}

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.6g, want %.6g ± %.2g", what, got, want, tolerance)
	}
}

func BenchmarkNext(b *testing.B) {
	for _, c := range []struct {
		name string
		spec Spec
	}{
		{"silent", Spec{}}, {"white", Spec{White: um}}, {"flicker", Spec{Flicker: um}}, {"everything", everything},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			s, t := New(c.spec, 1), time.Duration(0)
			for b.Loop() {
				sink += s.Next(t)
				t += time.Second / 30
			}
		})
	}
}

var sink decimal.Length
