package probe_test

import (
	"crypto/sha256"
	"encoding/binary"
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/motion/noise"
	"example.org/understudy/sim/probe"
)

var update = flag.Bool("update", false, "write the golden files again")

const (
	mm = decimal.Millimetre
	um = decimal.Micrometre
	nm = decimal.Nanometre
	ms = time.Millisecond
)

func model(t testing.TB, s probe.Spec) *probe.Model {
	t.Helper()
	m, err := probe.New(s)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// An ideal probe reports the tip, plus noise, to the picometre; at the ends of
// its stroke it stops. The end itself is still within the stroke.
//
// Kind: property.
func TestIdealIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		length := func(name string, most int64) decimal.Length {
			return decimal.Length(rapid.Int64Range(-most, most).Draw(t, name))
		}
		spec := probe.Spec{Centre: length("centre", 1e12), Stroke: max(0, length("stroke", 1e10)), Offset: length("offset", 1e9)}
		m, err := probe.New(spec)
		if err != nil {
			t.Fatal(err)
		}
		s := probe.NewState(0)
		for range 5 {
			tip, n := spec.Centre+length("tip", 1e10), length("noise", 1e7)
			got, status := m.Read(s, tip, 0, 35, n)
			want, wantStatus := tip, probe.OK
			if lo := spec.Centre - spec.Stroke/2; spec.Stroke > 0 && tip < lo {
				want, wantStatus = lo, probe.Under
			} else if spec.Stroke > 0 && tip > lo+spec.Stroke {
				want, wantStatus = lo+spec.Stroke, probe.Over
			}
			if got != want+spec.Offset+n || status != wantStatus {
				t.Fatalf("tip %d: %d, %v; want %d, %v", tip, got, status, want+spec.Offset+n, wantStatus)
			}
		}
	})
}

// Kind: property.
func TestStatus(t *testing.T) {
	m := model(t, probe.Spec{Centre: 8 * mm, Stroke: 2 * mm})
	s := probe.NewState(1)
	type row struct {
		V decimal.Length
		S string
	}
	var got []row
	read := func(tip decimal.Length) {
		v, st := m.Read(s, tip, 0, 20, 0)
		got = append(got, row{v, st.String()})
	}
	read(7 * mm)
	read(7*mm - 1)
	read(9 * mm)
	read(9*mm + 1)
	s.Stuck = true
	read(8 * mm) // stays over: the tip has not moved
	s.Stuck = false
	read(8 * mm)
	s.Stuck = true
	read(8500 * um)
	s.Missing = true
	read(8500 * um)
	s.Missing, s.Stuck = false, false
	read(8500 * um)
	s = probe.NewState(1) // stuck from the beginning: stays where it is first read
	s.Stuck = true
	read(8200 * um)
	read(8300 * um)
	want := []row{
		{7 * mm, "ok"}, {7 * mm, "under"}, {9 * mm, "ok"}, {9 * mm, "over"}, {9 * mm, "over"},
		{8 * mm, "ok"}, {8 * mm, "ok"}, {0, "missing"}, {8500 * um, "ok"},
		{8200 * um, "ok"}, {8200 * um, "ok"},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Chebyshev's own definition: T_k(cos α) = cos kα, and the peaks are the
// stated lengths.
//
// Kind: outside.
func TestNonlinearity(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		spec := probe.Spec{Centre: 8 * mm, Stroke: 2 * mm}
		for i := range spec.Linearity {
			spec.Linearity[i] = decimal.Length(rapid.Int64Range(-1e7, 1e7).Draw(t, "peak"))
		}
		alpha := rapid.Float64Range(0, math.Pi).Draw(t, "alpha")
		tip := 8*mm + decimal.Length(math.Round(1e9*math.Cos(alpha)))
		u := math.Acos(float64(tip-8*mm) / 1e9)
		want := 0.0
		for i, c := range spec.Linearity {
			want += float64(c) * math.Cos(float64(i+2)*u)
		}
		m, err := probe.New(spec)
		if err != nil {
			t.Fatal(err)
		}
		got, _ := m.Read(probe.NewState(1), tip, 0, 20, 0)
		if d := float64(got-tip) - want; math.Abs(d) > 0.6 {
			t.Errorf("at %v: off by %d pm, want %.3f", math.Cos(u), got-tip, want)
		}
	})
}

// The play operator's defining properties.
//
// Kind: property.
func TestPlay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := decimal.Length(rapid.Int64Range(1, 1e7).Draw(t, "play"))
		m, err := probe.New(probe.Spec{Play: w})
		if err != nil {
			t.Fatal(err)
		}
		read := func(s *probe.State, x decimal.Length) decimal.Length {
			v, _ := m.Read(s, x, 0, 20, 0)
			return v
		}
		coarse, fine := probe.NewState(1), probe.NewState(1)
		last := decimal.Length(0)
		read(coarse, 0)
		read(fine, 0)
		for range rapid.IntRange(1, 20).Draw(t, "moves") {
			x := decimal.Length(rapid.Int64Range(-3e7, 3e7).Draw(t, "x"))
			// Rate independence: stops on the way change nothing.
			for k := range decimal.Length(7) {
				read(fine, last+(x-last)*k/7)
			}
			a, b := read(coarse, x), read(fine, x)
			if a != b {
				t.Fatalf("to %d: %d at one go, %d by steps", x, a, b)
			}
			// The signal is never further from the tip than the play allows.
			if d := a - x; d < -(w+1)/2 || d > (w+1)/2 {
				t.Fatalf("at %d: %d is more than half of %d away", x, a, w)
			}
			last = x
		}
		// Return-point memory: an excursion that comes back to where it turned
		// leaves no trace.
		far := last + 10*w
		before := read(coarse, far)
		read(coarse, far-decimal.Length(rapid.Int64Range(0, 1e8).Draw(t, "excursion")))
		if after := read(coarse, far); after != before {
			t.Fatalf("after an excursion %d, before it %d", after, before)
		}
	})
}

// The repeatability error has the stated spread over fresh placings and stands
// still while the tip does.
//
// Kind: property.
func TestRepeatability(t *testing.T) {
	const n = 20000
	m := model(t, probe.Spec{Repeat: um, Slip: 50 * um})
	s := probe.NewState(7)
	var errs []float64 // µm
	for i := range n {
		m.Read(s, mm, time.Duration(2*i)*ms, 20, 0) // lifted
		v, _ := m.Read(s, 0, time.Duration(2*i+1)*ms, 20, 0)
		if again, _ := m.Read(s, 40*um, 0, 20, 0); again-40*um != v {
			t.Fatal("the error changed although the tip moved less than the slip")
		}
		errs = append(errs, float64(v)/1e6)
	}
	if sd := stat.StdDev(errs, nil); math.Abs(sd-1) > 4/math.Sqrt(2*n) {
		t.Errorf("standard deviation %.4f µm, want 1", sd)
	}
	if r := stat.Correlation(errs[1:], errs[:n-1], nil); math.Abs(r) > 4/math.Sqrt(n) {
		t.Errorf("placings are correlated: %.4f", r)
	}
}

// The first-order filter against its closed form: after a step at the first
// reading the share left at t is e^(−t/T), in one stride or in many.
//
// Kind: outside.
func TestLag(t *testing.T) {
	m := model(t, probe.Spec{Lag: 100 * ms})
	for _, step := range []time.Duration{ms, 10 * ms, 100 * ms} {
		s := probe.NewState(1)
		m.Read(s, 0, 0, 20, 0)
		for at := step; at <= 3*time.Second; at += step {
			got, _ := m.Read(s, mm, at, 20, 0)
			want := 1e9 * -math.Expm1(-at.Seconds()/0.1)
			if math.Abs(float64(got)-want) > 2 {
				t.Fatalf("stride %v, after %v: %d, want %.1f", step, at, got, want)
			}
		}
		if got, _ := m.Read(s, mm, 3*time.Second+step, 20, 0); got != mm {
			t.Errorf("stride %v: settles on %d, want 1 mm exactly", step, got)
		}
	}
	// A tip that climbs by r at each reading is followed at a distance that
	// tends to r·a/(1−a), a = e^(−dt/T): the geometric series.
	s := probe.NewState(1)
	a := math.Exp(-0.2)
	var behind decimal.Length
	for i := range decimal.Length(500) {
		v, _ := m.Read(s, i*um, time.Duration(i)*20*ms, 20, 0)
		behind = i*um - v
	}
	if want := 1e6 * a / (1 - a); math.Abs(float64(behind)-want) > 1 {
		t.Errorf("follows %d pm behind, want %.1f", behind, want)
	}
}

// The moving average is the mean of the last readings, and has settled after
// as many of them, exactly.
//
// Kind: model.
func TestAverage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, probe.MaxAverage).Draw(t, "n")
		m, err := probe.New(probe.Spec{Average: n})
		if err != nil {
			t.Fatal(err)
		}
		s := probe.NewState(1)
		var xs []decimal.Length
		var last decimal.Length
		for range rapid.IntRange(1, 150).Draw(t, "readings") {
			xs = append(xs, decimal.Length(rapid.Int64Range(-1e12, 1e12).Draw(t, "x")))
			last, _ = m.Read(s, xs[len(xs)-1], 0, 20, 0)
			w := xs[max(0, len(xs)-n):]
			sum := int64(0)
			for _, x := range w {
				sum += int64(x)
			}
			if want := decimal.Length(decimal.Quo64(sum, int64(len(w)), decimal.HalfEven)); last != want {
				t.Fatalf("after %d readings: %d, want %d", len(xs), last, want)
			}
		}
		for range n {
			last, _ = m.Read(s, 8*mm, 0, 20, 0)
		}
		if last != 8*mm {
			t.Fatalf("after %d steady readings: %d, want 8 mm", n, last)
		}
	})
}

// An unplugged probe comes back with its filters empty.
//
// Kind: property.
func TestReplugging(t *testing.T) {
	m := model(t, probe.Spec{Lag: time.Second, Average: 8, Play: um})
	s := probe.NewState(1)
	for i := range 20 {
		m.Read(s, mm, time.Duration(i)*ms, 20, 0)
	}
	s.Missing = true
	m.Read(s, 5*mm, 20*ms, 20, 0)
	s.Missing = false
	if got, st := m.Read(s, 5*mm, 21*ms, 20, 0); got != 5*mm || st != probe.OK {
		t.Errorf("reads %d, %v after it is plugged in again; want 5 mm, ok", got, st)
	}
}

// Kind: property.
func TestNewSaysWhatIsWrong(t *testing.T) {
	_, err := probe.New(probe.Spec{
		Stroke: -1, GainError: math.NaN(), Tilt: 90, Play: -2, Lag: -ms, Average: 65,
		Repeat: -1, Part: probe.Growth{Length: mm, PerKelvin: 11.5}, Linearity: [2]decimal.Length{1},
	})
	want := `stroke is -1 pm; it must not be negative
gain error is NaN; it must lie between -1 and 1
tilt is 90°; it must lie between -80° and 80°
play is -2 pm; it must not be negative
repeatability or slip is negative
lag is -1ms; it must not be negative
an average over 65 readings; it may take in up to 64
a non-linearity needs a stroke to extend over
expansion of 11.5 per kelvin; it must lie between -1e-3 and 1e-3`
	if diff := cmp.Diff(want, fmt.Sprint(err)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// everything has every error a probe may have.
var everything = probe.Spec{
	Centre: 8 * mm, Stroke: 2 * mm, Offset: um, GainError: 0.001, Tilt: 2,
	Linearity: [2]decimal.Length{500 * nm, -300 * nm},
	Play:      400 * nm, Repeat: 200 * nm, Slip: 20 * um, Lag: 40 * ms, Average: 4,
	Part: probe.Growth{Length: 8 * mm, PerKelvin: probe.Aluminium}, Gauge: probe.Growth{Length: 20 * mm, PerKelvin: probe.Steel},
}

var noisy = noise.Spec{
	White: 100 * nm, Flicker: 20 * nm, Walk: 10 * nm, Drift: um,
	Hum:    noise.Hum{Amplitude: 50 * nm, Frequency: 50},
	Shocks: noise.Shocks{PerHour: 60, Ring: motion.Bounce{Amplitude: um, Frequency: 15, Decay: 100 * ms}},
}

// chain is a hand, a noise source and a probe with everything switched on.
func chain(t testing.TB, seed uint64) func(time.Duration) decimal.Length {
	p := motion.NewPath(9 * mm)
	h := motion.Hand{
		Free: 9 * mm, Approach: 350 * ms, Bounce: motion.Bounce{Amplitude: 15 * um, Frequency: 45, Decay: 20 * ms},
		Rock: motion.Rock{Angle: 4, Period: 700 * ms, Swings: 2}, Lean: 0.3, Dwell: 900 * ms,
		Tremor: motion.Tremor{Amplitude: 500 * nm, Frequency: 9.5}, Lift: 300 * ms, Unsteady: 0.1,
	}
	rnd := noise.NewRand(noise.Split(seed, "bore-1", "hand"))
	for at := time.Duration(0); at < time.Hour; {
		at = h.Measure(p, at, 8*mm, &rnd).End + 200*ms
	}
	src, m, c := noise.New(noisy, noise.Split(seed, "bore-1", "noise")), model(t, everything), p.Cursor()
	s := probe.NewState(noise.Split(seed, "bore-1", "probe"))
	return func(at time.Duration) decimal.Length {
		v, _ := m.Read(s, c.At(at), at, 23.5, src.Next(at))
		return v
	}
}

// Same seed, same bytes: the whole chain is kept in testdata. The first reading by
// hand, at rest at the upper end of the stroke: growth (8·23.1 − 20·11.5 µm/m)·3.5 K
// = −0.158 µm; gain and tilt 1 mm·(1.001/cos 2° − 1) = 1.610 µm; all peaks of the
// non-linearity 0.2 µm; offset 1 µm. Repeatability and noise of 0.2 and 0.1 µm make
// the sum of 2.652 µm uncertain by 0.23 µm.
//
// Kind: golden.
func TestGoldenSeries(t *testing.T) {
	var b strings.Builder
	for seed := range uint64(3) {
		read := chain(t, seed)
		h := sha256.New()
		fmt.Fprintf(&b, "seed %d\n", seed)
		for i := range 20000 {
			v := read(time.Duration(i) * 33 * ms)
			_ = binary.Write(h, binary.LittleEndian, v) // a hash never fails
			if off := v - 9*mm - 2652*nm; i == 0 && max(off, -off) > 4*230*nm {
				t.Errorf("the first reading is %d pm off", off)
			}
			if i%8 == 0 && i < 160 {
				fmt.Fprintln(&b, int64(v))
			}
		}
		fmt.Fprintf(&b, "sha256 of 20000 readings %x\n", h.Sum(nil))
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

// No description that New takes makes Read panic, however odd its inputs.
//
// Kind: property.
func FuzzRead(f *testing.F) {
	f.Add(int64(2e9), 0.001, 2.0, int64(500), int64(400), int64(200), int64(40e6), 4, int64(8e9), int64(1e9), 20.0)
	f.Add(int64(0), -0.5, -80.0, int64(0), int64(1), int64(1), int64(1), 64, int64(math.MaxInt64), int64(-5), math.Inf(1))
	f.Fuzz(func(t *testing.T, stroke int64, gain, tilt float64, bow, play, repeat, lag int64, average int, tip, at int64, tempC float64) {
		m, err := probe.New(probe.Spec{
			Stroke: decimal.Length(stroke), GainError: gain, Tilt: tilt, Linearity: [2]decimal.Length{decimal.Length(bow)},
			Play: decimal.Length(play), Repeat: decimal.Length(repeat), Lag: time.Duration(lag), Average: average,
			Part: probe.Growth{Length: mm, PerKelvin: probe.Steel},
		})
		if err != nil {
			return
		}
		s, again := probe.NewState(1), probe.NewState(1)
		for k := range int64(70) {
			pressed, when := decimal.Length(tip)*decimal.Length(k%3), time.Duration(at*k)
			size, status := m.Read(s, pressed, when, tempC, decimal.Length(k))
			size2, status2 := m.Read(again, pressed, when, tempC, decimal.Length(k))
			if size != size2 || status != status2 {
				t.Fatalf("the same reading twice: %d %v and %d %v", size, status, size2, status2)
			}
		}
	})
}

// Kind: property.
func TestAllocatesNothing(t *testing.T) {
	read, at := chain(t, 1), time.Duration(0)
	if n := testing.AllocsPerRun(1000, func() { at += 33 * ms; read(at) }); n != 0 {
		t.Errorf("%v allocations a reading", n)
	}
}

func BenchmarkRead(b *testing.B) {
	for _, c := range []struct {
		name string
		spec probe.Spec
	}{
		{"ideal", probe.Spec{Centre: 8 * mm, Stroke: 2 * mm}},
		{"gain", probe.Spec{Centre: 8 * mm, Stroke: 2 * mm, GainError: 0.001}},
		{"everything", everything},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			m, s, at := model(b, c.spec), probe.NewState(1), time.Duration(0)
			for b.Loop() {
				v, _ := m.Read(s, 8*mm+decimal.Length(at%1e9), at, 23, 0)
				sink += v
				at += time.Second / 30
			}
		})
	}
	b.Run("hand, noise and probe, everything on", func(b *testing.B) {
		b.ReportAllocs()
		read, at := chain(b, 1), time.Duration(0)
		for b.Loop() {
			sink += read(at)
			at += time.Second / 30
		}
	})
}

var sink decimal.Length
