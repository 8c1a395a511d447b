package motion_test

import (
	"math"
	"math/big"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/motion"
)

const (
	mm = decimal.Millimetre
	um = decimal.Micrometre
	ms = time.Millisecond
)

// Kind: outside.
func TestMoveShapes(t *testing.T) {
	// Minimum jerk in closed form, worked by hand with whole numbers:
	// s(1/4) = 10/64 − 15/256 + 6/1024 = 106/1024, s(1/2) = 1/2, s(3/4) = 1 − s(1/4).
	for _, c := range []struct {
		shape motion.Shape
		at    time.Duration
		want  decimal.Length
	}{
		{motion.Ramp, 999 * ms, 0},
		{motion.Ramp, 1000 * ms, 0},
		{motion.Ramp, 1100 * ms, 256 * um},
		{motion.Ramp, 1400*ms - 1, 1024*um - 3}, // 1.024e9 pm / 4e8 ns = 2.56 pm per ns
		{motion.Ramp, 1400 * ms, 1024 * um},
		{motion.Ramp, time.Hour, 1024 * um},
		{motion.MinimumJerk, 1000 * ms, 0},
		{motion.MinimumJerk, 1100 * ms, 106 * um},
		{motion.MinimumJerk, 1200 * ms, 512 * um},
		{motion.MinimumJerk, 1300 * ms, 918 * um},
		{motion.MinimumJerk, 1400 * ms, 1024 * um},
	} {
		p := motion.NewPath(0)
		p.Move(time.Second, 1024*um, 400*ms, c.shape)
		if diff := cmp.Diff(c.want, p.At(c.at)); diff != "" {
			t.Errorf("%v at %v (-want +got):\n%s", c.shape, c.at, diff)
		}
	}
}

// A ramp is the straight line, rounded to the nearest picometre: exact
// rational arithmetic.
//
// Kind: model.
func TestRampIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := rapid.Int64Range(-1e15, 1e15).Draw(t, "from")
		to := rapid.Int64Range(-1e15, 1e15).Draw(t, "to")
		over := rapid.Int64Range(1, 1e14).Draw(t, "over")
		el := rapid.Int64Range(0, over).Draw(t, "elapsed")
		p := motion.NewPath(decimal.Length(from))
		p.Move(0, decimal.Length(to), time.Duration(over), motion.Ramp)
		// 2·|got·over − (from·over + (to−from)·el)| ≤ over
		off := new(big.Int).Mul(big.NewInt(int64(p.At(time.Duration(el)))-from), big.NewInt(over))
		off.Sub(off, new(big.Int).Mul(big.NewInt(to-from), big.NewInt(el)))
		if off.Abs(off).Lsh(off, 1).Cmp(big.NewInt(over)) > 0 {
			t.Fatalf("%d is not the nearest picometre", p.At(time.Duration(el)))
		}
	})
}

// A tremor swells from the size held and fades back to it, and reaches its
// amplitude in between.
//
// Kind: property.
func TestTremor(t *testing.T) {
	p := motion.NewPath(8 * mm)
	p.Tremble(time.Second, time.Second, motion.Tremor{Amplitude: um, Frequency: 9.5, Phase: 0.3})
	largest := decimal.Length(0)
	for at := time.Second; at < 2*time.Second; at += 100 * time.Microsecond {
		off := max(p.At(at)-8*mm, 8*mm-p.At(at))
		largest = max(largest, off)
		edge := min(at-time.Second, 2*time.Second-at)
		if limit := decimal.Length(min(1, edge.Seconds()*10)*1e6) + 1; off > limit {
			t.Fatalf("at %v the tip is %d off, want at most %d", at, off, limit)
		}
	}
	if largest < 999*decimal.Nanometre || p.At(2*time.Second) != 8*mm {
		t.Errorf("largest %d, want 1 µm; ends at %d, want 8 mm", largest, p.At(2*time.Second))
	}
}

// A scripted size that is held is that size to the picometre, whatever the
// route to it.
//
// Kind: property.
func TestHeldSizeIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.Map(rapid.Int64Range(-1e14, 1e14), func(n int64) decimal.Length { return decimal.Length(n) })
		p := motion.NewPath(size.Draw(t, "first"))
		at := time.Duration(0)
		for range rapid.IntRange(1, 6).Draw(t, "moves") {
			to := size.Draw(t, "to")
			over := time.Duration(rapid.Int64Range(0, int64(time.Minute)).Draw(t, "over"))
			from := p.At(at)
			switch rapid.IntRange(0, 4).Draw(t, "kind") {
			case 0:
				p.Rest(at, to)
			case 1:
				p.Move(at, to, over, motion.Ramp)
			case 2:
				p.Move(at, to, over, motion.MinimumJerk)
			case 3:
				to = from
				p.Bounce(at, motion.Bounce{Amplitude: 50 * um, Frequency: 40, Decay: 30 * ms})
			case 4:
				p.Rock(at, to, motion.Rock{Plane: motion.Axial, Angle: 5, Period: over/7 + 1, Swings: 3})
			}
			if got := p.At(p.End()); got != to {
				t.Fatalf("at the end: %d, want %d", got, to)
			}
			// Between two sizes a move stays between them.
			mid := p.At(at + over/3)
			if lo, hi := min(from, to), max(from, to); over > 0 && p.End() == at+over && (mid < lo || mid > hi) {
				t.Fatalf("%d lies outside %d to %d", mid, lo, hi)
			}
			at = p.End() + time.Duration(rapid.Int64Range(1, int64(time.Second)).Draw(t, "dwell"))
			if got := p.At(at); got != to {
				t.Fatalf("held: %d, want %d", got, to)
			}
		}
	})
}

// A move given while another is under way takes over from where the tip is,
// leaves the past alone, and drops the rest of the plan.
//
// Kind: property.
func TestTakingOver(t *testing.T) {
	p := motion.NewPath(0)
	p.Move(0, 10*mm, time.Second, motion.Ramp)
	p.Move(2*time.Second, 20*mm, time.Second, motion.Ramp)
	c := p.Cursor()
	c.At(600 * ms)
	p.Move(500*ms, 0, time.Second, motion.Ramp)
	got := map[string]decimal.Length{}
	for _, at := range []time.Duration{250 * ms, 500 * ms, 1000 * ms, 1500 * ms, 2500 * ms} {
		got[at.String()] = c.At(at)
	}
	want := map[string]decimal.Length{"250ms": 2500 * um, "500ms": 5 * mm, "1s": 2500 * um, "1.5s": 0, "2.5s": 0}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	p.Stop(time.Second)
	if got := c.At(time.Minute); got != 2500*um {
		t.Errorf("stopped at %d, want 2.5 mm", got)
	}
	// Two instructions at one time: the second starts from the first.
	p.Rest(3*time.Second, 7*mm)
	p.Move(3*time.Second, 8*mm, time.Second, motion.Ramp)
	if got := c.At(3500 * ms); got != 7500*um {
		t.Errorf("halfway from the rest: %d, want 7.5 mm", got)
	}
}

// A cursor, asked in any order and across edits, says what the path says.
//
// Kind: property.
func TestCursorAgreesWithPath(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := motion.NewPath(mm)
		c := p.Cursor()
		for range 40 {
			at := time.Duration(rapid.Int64Range(-10, 3000).Draw(t, "at")) * ms
			switch rapid.IntRange(0, 9).Draw(t, "do") {
			case 0:
				p.Rest(at, decimal.Length(at))
			case 1:
				p.Move(at, decimal.Length(at)*1000, 200*ms, motion.MinimumJerk)
			case 2:
				p.Bounce(at, motion.Bounce{Amplitude: 20 * um, Frequency: 35, Decay: 25 * ms})
			case 3:
				p.Tremble(at, 300*ms, motion.Tremor{Amplitude: um, Frequency: 10, Phase: 0.2})
			case 4:
				p.Forget(at)
				// The past is undefined now, so ask only about what follows.
				c.At(at)
				if got, want := c.At(at), p.At(at); got != want {
					t.Fatalf("after forgetting, at %v: cursor %d, path %d", at, got, want)
				}
			default:
				if got, want := c.At(at), p.At(at); got != want {
					t.Fatalf("at %v: cursor %d, path %d", at, got, want)
				}
			}
		}
	})
}

// Logarithmic decrement in closed form: successive peaks of one sign stand as
// exp(1/(fT)) to one (e.g. Thomson, Theory of Vibration; from memory).
//
// Kind: outside.
func TestBounceRingsDown(t *testing.T) {
	b := motion.Bounce{Amplitude: 100 * um, Frequency: 50, Decay: 40 * ms}
	p := motion.NewPath(8 * mm)
	p.Bounce(0, b)
	peak := func(n int) float64 {
		best := decimal.Length(0)
		for t := time.Duration(n) * 20 * ms; t < time.Duration(n+1)*20*ms; t += 10 * time.Microsecond {
			best = max(best, p.At(t)-8*mm)
		}
		return float64(best)
	}
	want := math.Exp(1 / (50 * 0.040))
	for n := range 4 {
		if got := peak(n) / peak(n+1); math.Abs(got/want-1) > 1e-6 {
			t.Errorf("peak %d to %d: ratio %.8f, want %.8f", n, n+1, got, want)
		}
	}
	if got, want := p.End(), time.Duration(40e6*math.Log(2e8)); (got - want).Abs() > 2 {
		t.Errorf("ends at %v, want T·ln(2A) = %v", got, want)
	}
	if got := p.At(p.End() - 1); (got-8*mm) < -1 || (got-8*mm) > 1 {
		t.Errorf("just before the end %d pm off the seat, want at most 1", got-8*mm)
	}
}

// The true size is the least value met in the axial plane, the greatest in the
// radial one, and it is met exactly.
//
// Kind: outside.
func TestRockReversal(t *testing.T) {
	const size = 25 * mm
	for _, c := range []struct {
		plane motion.Plane
		// The turning value at 3°: d/cos 3° and d·cos 3°, with
		// cos 3° = 0.998629534754574 (Abramowitz and Stegun, table 4.10; from memory).
		far decimal.Length
	}{
		{motion.Axial, decimal.Length(math.Round(25e9 / 0.998629534754574))},
		{motion.Radial, decimal.Length(math.Round(25e9 * 0.998629534754574))},
	} {
		p := motion.NewPath(0)
		p.Rock(0, size, motion.Rock{Plane: c.plane, Angle: 3, Period: 800 * ms, Swings: 2})
		if got := p.End(); got != 1600*ms {
			t.Errorf("%v: lasts %v, want 1.6 s", c.plane, got)
		}
		seen := []decimal.Length{}
		for t := time.Duration(0); t <= 1600*ms; t += ms {
			seen = append(seen, p.At(t))
		}
		lo, hi := slices.Min(seen), slices.Max(seen)
		near, far := lo, hi
		if c.plane == motion.Radial {
			near, far = hi, lo
		}
		if near != size || p.At(400*ms) != size || p.At(800*ms) != size {
			t.Errorf("%v: reversal reads %d, want %d", c.plane, near, size)
		}
		if d := far - c.far; d < -30 || d > 30 {
			t.Errorf("%v: turning value %d, want %d", c.plane, far, c.far)
		}
	}
}

// A fall from 1 m takes √(2/9.80665) s = 451.601 ms.
//
// Kind: outside.
func TestDrop(t *testing.T) {
	p := motion.NewPath(8 * mm)
	land := p.Drop(time.Second, 9*mm, decimal.Metre, motion.Bounce{Amplitude: 200 * um, Frequency: 80, Decay: 20 * ms})
	if got := (land - time.Second).Round(time.Microsecond); got != 451601*time.Microsecond {
		t.Errorf("falls for %v, want 451.601ms", got)
	}
	if p.At(time.Second-1) != 8*mm || p.At(land) != 9*mm || p.At(land+3*ms) == 9*mm || p.At(p.End()) != 9*mm {
		t.Error("the tip is not at its free position until it lands, then ringing, then at rest")
	}
}

// Kind: property.
func TestNames(t *testing.T) {
	for _, n := range motion.Shape(0).Names() {
		var s motion.Shape
		if err := s.UnmarshalText([]byte(n)); err != nil || s.String() != n {
			t.Errorf("%s: %v, %v", n, s, err)
		}
	}
	for _, n := range motion.Plane(0).Names() {
		var p motion.Plane
		if err := p.UnmarshalText([]byte(n)); err != nil || p.String() != n {
			t.Errorf("%s: %v, %v", n, p, err)
		}
	}
	err := new(motion.Shape).UnmarshalText([]byte("spline"))
	if want := `"spline" is not a shape; write minimum-jerk, ramp or spring`; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}

// Senseless instructions hold still instead of panicking.
//
// Kind: property.
func TestSenselessInstructions(t *testing.T) {
	p := motion.NewPath(mm)
	p.Move(0, 2*mm, -time.Second, motion.Ramp)
	p.Bounce(ms, motion.Bounce{Amplitude: mm, Frequency: math.NaN(), Decay: ms})
	p.Bounce(2*ms, motion.Bounce{Amplitude: mm, Frequency: 10, Decay: -ms})
	p.Rock(3*ms, 2*mm, motion.Rock{Angle: 90, Period: ms, Swings: 1})
	p.Rock(4*ms, 2*mm, motion.Rock{Angle: 1, Period: 0, Swings: 1})
	p.Tremble(5*ms, -ms, motion.Tremor{Amplitude: mm})
	p.Forget(-time.Hour)
	for at := -ms; at < 8*ms; at += 100 * time.Microsecond {
		if want := map[bool]decimal.Length{true: mm, false: 2 * mm}[at < 0]; p.At(at) != want {
			t.Fatalf("at %v: %d, want %d", at, p.At(at), want)
		}
	}
}

func BenchmarkCursor(b *testing.B) {
	hold := motion.NewPath(8 * mm)
	ramp := motion.NewPath(0)
	ramp.Move(0, 8*mm, 1e6*time.Second, motion.Ramp)
	jerk := motion.NewPath(0)
	jerk.Move(0, 8*mm, 1e6*time.Second, motion.MinimumJerk)
	rock := motion.NewPath(0)
	rock.Rock(0, 8*mm, motion.Rock{Angle: 2, Period: time.Second, Swings: 1e6})
	busy := motion.NewPath(0)
	for i := range 10000 {
		busy.Move(time.Duration(i)*time.Second, decimal.Length(i%2)*mm, 400*ms, motion.MinimumJerk)
	}
	for _, c := range []struct {
		name string
		path *motion.Path
	}{{"hold", hold}, {"ramp", ramp}, {"minimum-jerk", jerk}, {"rock", rock}, {"10000 moves at 30 Hz", busy}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			cur, t := c.path.Cursor(), time.Duration(0)
			for b.Loop() {
				sink += cur.At(t)
				t = (t + time.Second/30) % (1e4 * time.Second)
			}
		})
	}
}

var sink decimal.Length
