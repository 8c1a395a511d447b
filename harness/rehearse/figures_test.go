package rehearse

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %v, not %v (within %v)", what, got, want, within)
	}
}

// With hardly any uncertainty hardly anything is misjudged; with far too much,
// what is accepted does not depend on the part.
//
// Kind: property.
func TestRisksAtTheEdges(t *testing.T) {
	t.Parallel()
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
//
// Kind: model.
func TestRisksAgainstCounting(t *testing.T) {
	t.Parallel()
	for _, f := range []feature{
		{step: decimal.Nanometre}, {step: decimal.Nanometre, guard: 2}, {step: 5 * decimal.Micrometre},
		{step: 4 * decimal.Micrometre, guard: 4}, {step: decimal.Micrometre, nominal: 400 * decimal.Nanometre},
	} {
		f.lower, f.upper, f.mean, f.spread, f.u = -11, 11, 2, 5, 2
		r := random.New(9)
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

// The limits cover the true index in 95 of 100 samples, more or less: the
// chi-square limits exactly, the normal approximation closely.
//
// Kind: property.
func TestCapabilityCovers(t *testing.T) {
	t.Parallel()
	r := random.New(3)
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

// Kind: outside.
func TestMoments(t *testing.T) {
	t.Parallel()
	var m Moments
	for _, v := range []float64{1, 2, 3, 4, 5, 11, 12, 13, 14, 15, 7} {
		m.add(v)
	}
	if m.N != 11 || m.Groups != 2 || m.Within != 20 || m.Sum != 87 || m.Square != 959 {
		t.Errorf("%+v", m)
	}
}

// The queue of a port, fed at random, with things that all take the same and with two
// kinds of them, against the closed form.
//
// Kind: model.
func TestWaiting(t *testing.T) {
	t.Parallel()
	if Waiting(1, time.Minute, 0) != math.MaxInt64 {
		t.Error("a full server's queue has an end")
	}
	for _, use := range []float64{0.2, 0.5, 0.8} {
		for _, long := range []time.Duration{10, 30} { // the second kind, one in four, takes longer
			var q queue
			r := random.New(17)
			takes, other := 10*time.Millisecond, long*time.Millisecond
			mean := (3*takes + other) / 4
			cv2 := (0.75*takes.Seconds()*takes.Seconds()+0.25*other.Seconds()*other.Seconds())/(mean.Seconds()*mean.Seconds()) - 1
			at := time.Duration(0)
			const n = 600_000
			for i := range n {
				at += time.Duration(r.ExpFloat64() * float64(mean) / use)
				a := arrival{at: at, takes: takes}
				if r.Intn(4) == 0 {
					a.takes = other
				}
				q.waiting = append(q.waiting, a)
				if i%1000 == 0 {
					q.until(at, nil)
				}
			}
			q.until(math.MaxInt64, nil)
			got, want := float64(q.Wait.Sum)/n, float64(Waiting(use, mean, cv2))
			near(t, "mean wait over the closed form", got/want, 1, 0.03)
			near(t, "use", q.Busy.Seconds()/at.Seconds(), use, 0.01*use)
			if q.Records != n || q.Wait.N != n || q.Backlog < q.Wait.Most {
				t.Errorf("%+v", q.Queued)
			}
		}
	}
}

// A port that seven gauges share, each with its even stream: the queue ΣD/D/1,
// or N*D/D/1. What one of N even streams of period D finds is what N-1 of them
// leave: P(V > x) = Σ C(n,k)·((k-x)/D)^k·(1-(k-x)/D)^(n-k)·(D-n+x)/(D-k+x) over k
// above x, in times of one frame (Eckberg 1979; Roberts and Virtamo 1991; from
// memory). It is below what frames at random would wait, by the closed form.
//
// Kind: outside.
func TestEvenStreamsAtOnePort(t *testing.T) {
	t.Parallel()
	// seven times ten frames of 24 bytes a second; 1920 characters a second: 12.5 ms
	// each, every 100 ms
	l := edited(t, "cell", "name: column, at: [5 m, 5 m], better-by: 12 dB", "name: column, at: [5 m, 5 m], better-by: 30 dB, serial-line: 19200 8N1",
		"shift: 8 h", "shift: 2 min", "place: shop-in-sight", "place: free-air", "motion: 0.5 m", "motion: 0 m",
		"breaks: [{at: 2 h, for: 15 min}, {at: 4 h, for: 30 min}, {at: 6 h, for: 15 min}]\n", "", "forgets: 0.5 %", "forgets: 100 %")
	if len(l.ports) != 1 || len(l.ports[0].gauges) != 7 {
		t.Fatalf("ports: %+v", l.ports)
	}
	const n, d = 6, 8.0
	shifts := testenv.Count(500, 1500)
	var waits []float64
	frames := 0
	for i := range shifts {
		p := &l.Play(i, true).Ports[0]
		waits = append(waits, p.Wait.Mean().Seconds()*1000/12.5)
		frames += p.Records
		near(t, "use", p.Busy.Seconds()/120, 0.875, 0.002)
	}
	above := func(x float64) (q float64) {
		for k := int(math.Floor(x)) + 1; k <= n; k++ {
			p := (float64(k) - x) / d
			q += float64(choose(n, k)) * math.Pow(p, float64(k)) * math.Pow(1-p, float64(n-k)) * (d - n + x) / (d - float64(k) + x)
		}
		return q
	}
	want := 0.0
	const steps = 6000
	for i := range steps {
		want += above((float64(i)+0.5)*n/steps) * n / steps
	}
	got, err := Mean(waits)
	near(t, "mean wait in frames", got, want, 4*err)
	if err > 0.02*want*math.Sqrt(1500/float64(shifts)) {
		t.Errorf("the check is blunt: %v ± %v", got, err)
	}
	use, mean, cv2 := l.load(&l.ports[0], func(int) float64 { return 0 })
	near(t, "use", use, 0.875, 1e-9)
	near(t, "spread of frames", cv2, 0, 1e-9)
	if random := Waiting(use, mean, cv2).Seconds() * 1000 / 12.5; want > random {
		t.Errorf("even streams wait %v frames, streams at random %v", want, random)
	}
	if frames < shifts*7*1190 || frames > shifts*7*1200 {
		t.Errorf("%d frames", frames)
	}
}

func choose(n, k int) int {
	c := 1
	for i := range k {
		c = c * (n - i) / (i + 1)
	}
	return c
}

// Frames that are counted together find the same queue as frames that are
// served one by one.
//
// Kind: model.
func TestFramesTogetherAreFramesOneByOne(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"bench", "hall"} {
		l := edited(t, name, "shift: 8 h", "shift: 8 h", "rate: 10 Hz", "rate: 7 Hz")
		l.Shift = quantity.Duration(40 * time.Minute)
		fast := l.Play(0, true)
		for i := range l.ports { // a port that is not a gauge's alone serves one by one
			l.ports[i].gauges = append(l.ports[i].gauges, l.ports[i].gauges[0])
		}
		slow := l.Play(0, true)
		if d := cmp.Diff(fast.Ports, slow.Ports); d != "" {
			t.Errorf("%s: %s", name, d)
		}
		if d := cmp.Diff(fast.Host, slow.Host); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
}

// A silent spell holds frames back until its end, a lost link drops them.
//
// Kind: property.
func TestStreamOfALink(t *testing.T) {
	t.Parallel()
	l := shipped(t, "bench")
	s := served{gauge: &l.gauges[0]}
	var q queue
	s.streamFrom(0, &q, &l.ports[0])
	s.make(time.Second, -1, false)                       // 0 to 0.9 s, at once
	s.make(2*time.Second, 2*time.Second, false)          // 1 to 1.9 s, at 2 s
	s.make(3*time.Second, -1, true)                      // 2 to 2.9 s, never
	s.make(3*time.Second+50*time.Millisecond, -1, false) // 3 s
	q.until(math.MaxInt64, nil)
	// ten together: the k-th waits k times 25 ms (24 bytes at 960 a second)
	if q.Records != 21 || q.Wait.Sum != 45*25*time.Millisecond || q.Wait.Most != 225*time.Millisecond || q.Backlog != 250*time.Millisecond {
		t.Errorf("%+v", q.Queued)
	}
}

// Kind: property.
func TestSpans(t *testing.T) {
	t.Parallel()
	next := time.Duration(0)
	for b := range lastBin - 1 {
		low, high := binEnds(b)
		if low != next || binOf(low) != b || binOf(high-1) != b {
			t.Fatalf("bin %d: %v to %v", b, low, high)
		}
		next = high
	}
	if binOf(math.MaxInt64) != lastBin-1 || binOf(time.Hour) != 317 {
		t.Errorf("the longest time is in bin %d, an hour in %d", binOf(math.MaxInt64), binOf(time.Hour))
	}
	rapid.Check(t, func(t *rapid.T) {
		all := rapid.SliceOfN(rapid.Int64Range(0, int64(9*time.Hour)), 1, 60).Draw(t, "all")
		var one, a, b Spans
		for i, v := range all {
			one.add(time.Duration(v))
			if i%3 == 0 {
				a.add(time.Duration(v))
			} else {
				b.add(time.Duration(v))
			}
		}
		a.merge(&b)
		if d := cmp.Diff(one, a); d != "" {
			t.Fatal(d)
		}
		if err := one.check(); err != nil {
			t.Fatal(err)
		}
		slices.Sort(all)
		share := rapid.Float64Range(0.001, 1).Draw(t, "share")
		want := float64(all[int(math.Ceil(share*float64(len(all))))-1])
		if got := float64(one.Below(share)); math.Abs(got-want) > want/16+1 || got > float64(one.Most) {
			t.Fatalf("%v of them are below %v, not %v", share, got, want)
		}
	})
}

// Kind: property.
func TestWorst(t *testing.T) {
	t.Parallel()
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
	// no event in 30: at most 9.5 % (Clopper and Pearson, the one-sided 95 % limit of
	// published tables; from memory), and the rule of three
	near(t, "none of 30", atMost(30), 0.095, 0.0005)
	near(t, "none of 1000", atMost(1000), 0.003, 0.00001)
	if m, e := Mean([]float64{1, 3}); m != 2 || e != 1 {
		t.Errorf("mean %v ± %v", m, e)
	}
}
