package motion_test

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
	"pgregory.net/rapid"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/motion/noise"
)

var update = flag.Bool("update", false, "write the golden files again")

func hand() motion.Hand {
	return motion.Hand{
		Free:     9 * mm,
		Approach: 350 * ms,
		Bounce:   motion.Bounce{Amplitude: 15 * um, Frequency: 45, Decay: 20 * ms},
		Rock:     motion.Rock{Plane: motion.Axial, Angle: 4, Period: 700 * ms, Swings: 2},
		Lean:     0.3,
		Dwell:    900 * ms,
		Tremor:   motion.Tremor{Amplitude: um / 2, Frequency: 9.5},
		Lift:     300 * ms,
		Press:    0.6, DoublePress: 0.1, Twice: 180 * ms,
		Drop: 0.05, Height: decimal.Metre, Landing: motion.Bounce{Amplitude: 80 * um, Frequency: 60, Decay: 30 * ms},
		Unsteady: 0.1,
	}
}

// A steady hand that does not lean holds the part's true size, to the
// picometre, and has met its minimum while rocking.
//
// Kind: property.
func TestSteadyHandReadsTheTrueSize(t *testing.T) {
	h := hand()
	h.Lean, h.Unsteady, h.Tremor.Amplitude, h.Drop, h.DoublePress = 0, 0, 0, 0, 0
	if err := h.Check(); err != nil {
		t.Fatal(err)
	}
	p, rnd := motion.NewPath(9*mm), noise.NewRand(1)
	v := h.Measure(p, time.Second, 8*mm, &rnd)
	if p.At(v.Presses[0]) != 8*mm || v.Held != 8*mm || v.Pressed != 1 || v.Dropped {
		t.Errorf("at the press the tip is at %d: %+v", p.At(v.Presses[0]), v)
	}
	// Hand-worked: 350 + bounce + 1400 + 900 + 300 ms.
	if want := time.Second + 2950*ms + h.Bounce.Lasts(); v.End != want || p.End() != want || p.At(want) != 9*mm {
		t.Errorf("ends at %v (path %v) at %d, want %v", v.End, p.End(), p.At(want), want)
	}
	least := p.At(v.Seated)
	for at := v.Seated + h.Bounce.Lasts(); at < v.Presses[0]; at += ms {
		least = min(least, p.At(at))
	}
	if least != 8*mm {
		t.Errorf("the minimum while rocking is %d, want 8 mm", least)
	}
}

// Over many visits the shares and spreads are those asked for. A lean of σ in
// the axial plane adds d·E(1/cos θ − 1) = d·σ²/2 (1 + 5σ²/4 ...) on average.
//
// Kind: outside.
func TestHandStatistics(t *testing.T) {
	const n = 20000
	h, rnd := hand(), noise.NewRand(3)
	var excess, double, drops float64
	for range n {
		p := motion.NewPath(9 * mm)
		v := h.Measure(p, 0, 8*mm, &rnd)
		excess += float64(v.Held-8*mm) / n
		if v.Held < 8*mm {
			t.Fatal("a lean in the axial plane reads small")
		}
		if v.Pressed == 2 {
			double++
		}
		if v.Dropped {
			drops++
		}
		if v.End != p.End() || !(v.Start < v.Seated && v.Seated < v.Presses[0] && v.Presses[0] < v.End) {
			t.Fatalf("out of order: %+v, path ends at %v", v, p.End())
		}
		if at := p.At(v.Presses[0]) - v.Held; at < -um/2 || at > um/2 {
			t.Fatalf("at the press the tip is %d from the size held, beyond the tremor", at)
		}
	}
	sigma := 0.3 * math.Pi / 180
	for _, c := range []struct {
		what             string
		got, want, slack float64
	}{
		{"mean excess", excess / (8e9 * sigma * sigma / 2), 1, 4 * math.Sqrt(2.0/n)},
		{"double presses", double / n, 0.1, 4 * math.Sqrt(0.09/n)},
		{"drops", drops / n, 0.05, 4 * math.Sqrt(0.0475/n)},
	} {
		if math.Abs(c.got-c.want) > c.slack {
			t.Errorf("%s: %.4f, want %.4f ± %.4f", c.what, c.got, c.want, c.slack)
		}
	}
}

// No two holds tremble alike.
//
// Kind: property.
func TestTremorPhaseIsRandom(t *testing.T) {
	h, rnd := hand(), noise.NewRand(1)
	h.Unsteady, h.Lean, h.Drop, h.Tremor.Amplitude = 0, 0, 0, um
	seen := map[decimal.Length]bool{}
	for range 50 {
		p := motion.NewPath(9 * mm)
		v := h.Measure(p, 0, 8*mm, &rnd)
		seen[p.At(v.Presses[0])] = true
	}
	if len(seen) < 45 {
		t.Error("every hold trembles in the same phase")
	}
}

// Changing one share leaves the luck of all else alone.
//
// Kind: property.
func TestHandDrawsAreIndependent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		visits := func(h motion.Hand) (held []decimal.Length) {
			rnd := noise.NewRand(seed)
			for range 20 {
				held = append(held, h.Measure(motion.NewPath(0), 0, 8*mm, &rnd).Held)
			}
			return held
		}
		a, b := hand(), hand()
		b.Drop, b.DoublePress, b.Unsteady = rapid.Float64Range(0, 1).Draw(t, "drop"), 1, 0
		if diff := cmp.Diff(visits(a), visits(b)); diff != "" {
			t.Errorf("(-a +b):\n%s", diff)
		}
	})
}

// A fixture repeats: every cycle is the first one moved in time.
//
// Kind: property.
func TestFixtureRepeats(t *testing.T) {
	f := motion.Fixture{
		Free: 9 * mm, Approach: 200 * ms, Dwell: 500 * ms, Press: 400 * ms, Retract: 150 * ms, Cycle: 1200 * ms,
		Bounce: motion.Bounce{Amplitude: 5 * um, Frequency: 80, Decay: 8 * ms},
	}
	if err := f.Check(); err != nil {
		t.Fatal(err)
	}
	p := motion.NewPath(9 * mm)
	for k := range 5 {
		v := f.Measure(p, time.Duration(k)*f.Cycle, 8*mm)
		start := time.Duration(k) * f.Cycle
		want := motion.Visit{
			Start: start, Seated: start + 200*ms, End: start + 850*ms, Held: 8 * mm,
			Presses: [2]time.Duration{start + 600*ms}, Pressed: 1,
		}
		if diff := cmp.Diff(want, v); diff != "" {
			t.Errorf("cycle %d (-want +got):\n%s", k, diff)
		}
		if got := p.At(v.Presses[0]); got != 8*mm || p.At(start+700*ms) != 8*mm || p.At(start+775*ms) != 8500*um || p.At(v.End) != 9*mm {
			t.Errorf("cycle %d reads %d, want 8 mm; then retracts over 150 ms from 700 ms on", k, got)
		}
	}
	c := p.Cursor()
	for at := time.Duration(0); at < f.Cycle; at += 333 * time.Microsecond {
		for k := range time.Duration(5) {
			if got := c.At(at + k*f.Cycle); got != p.At(at) {
				t.Fatalf("cycle %d at %v: %d, want %d", k, at, got, p.At(at))
			}
		}
	}
}

// Kind: property.
func TestCheckSaysWhatIsWrong(t *testing.T) {
	h := hand()
	h.Dwell, h.Drop, h.Lean = -ms, 1.5, math.NaN()
	f := motion.Fixture{Approach: 200 * ms, Dwell: 500 * ms, Retract: 150 * ms, Cycle: 800 * ms}
	late := motion.Fixture{Dwell: 500 * ms, Press: 600 * ms, Cycle: time.Second}
	got := []string{fmt.Sprint(h.Check()), fmt.Sprint(f.Check()), fmt.Sprint(late.Check())}
	want := []string{
		"dwell is -1ms; it must not be negative\ndrop is 1.5; it must lie between 0 and 1\nlean is NaN; it must lie between 0 and 20",
		"a cycle of 800ms is too short for its strokes; they take 850ms",
		"the reading is taken 600ms after seating, but the dwell ends at 500ms",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Same seed, same bytes: three shifts of a hand are kept in testdata. A visit by hand:
// 350 + 1400 + 900 + 300 ms, each uncertain by a tenth, so 173 ms in all, and the
// bounce; a drop adds to it. A lean of 0.3° holds 8 mm·(0.3°)²/2 = 0.11 µm too much on
// average, and 4·0.3° at most 16 times that.
//
// Kind: golden.
func TestGoldenHand(t *testing.T) {
	var b strings.Builder
	for seed := range uint64(3) {
		h, rnd, p := hand(), noise.NewRand(seed), motion.NewPath(9*mm)
		fmt.Fprintf(&b, "seed %d\n", seed)
		at := time.Duration(0)
		for range 4 {
			v := h.Measure(p, at, 8*mm, &rnd)
			fmt.Fprintf(&b, "%+v\n", v)
			if off := v.End - v.Start - 2950*ms - h.Bounce.Lasts(); !v.Dropped && max(off, -off) > 4*173*ms {
				t.Errorf("a visit is %v longer than by hand", off)
			}
			if v.Held < 8*mm || v.Held > 8*mm+16*um*11/100 {
				t.Errorf("%d pm are held", v.Held)
			}
			at = v.End + 500*ms
		}
		sum := sha256.New()
		c := p.Cursor()
		for t0 := time.Duration(0); t0 < at; t0 += ms {
			_ = binary.Write(sum, binary.LittleEndian, c.At(t0)) // a hash never fails
			if t0%(250*ms) == 0 {
				fmt.Fprintln(&b, t0, int64(c.At(t0)))
			}
		}
		fmt.Fprintf(&b, "sha256 at 1 kHz %x\n", sum.Sum(nil))
	}
	const name = "testdata/hand.golden"
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
