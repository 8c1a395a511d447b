package power

import (
	"fmt"
	"math"
	"math/big"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func cell(t testing.TB, cfg Config) *Cell {
	t.Helper()
	c, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// drain advances to a time through every event. No cell of a test has a thousand: one
// that has sends the same events again and again.
func drain(c *Cell, s *State, to time.Duration, l Load) []Event {
	var evs []Event
	for {
		ev, ok := c.Advance(s, to, l)
		if !ok {
			return evs
		}
		if evs = append(evs, ev); len(evs) == 1000 {
			panic(fmt.Sprintf("a thousand events by %s, the last of them %+v", s.At, ev))
		}
	}
}

// Closed form: 1 mAh is 3.6 C; a 850 mAh cell giving 42.5 mA is empty in 20 h
// less what leaks away. The leak is 2 % of capacity in 30 days at 20 °C:
// 850 mAh × 0.02 ÷ 720 h = 23.611 µA.
//
// Kind: outside.
func TestCoulombCount(t *testing.T) {
	c := cell(t, Config{Chemistry: LiIon, Capacity: 850, Charge: 100})
	s := c.Start()
	l := Load{Draw: 42_500, Temp: 20}
	if got := c.leak[degree(20)]; got != 23_611 {
		t.Errorf("leak %d nA, want 23611", got)
	}
	at, ok := c.TimeTo(&s, 0, l)
	want := 850.0 / (42.5 + 0.023611) * 3600
	if got := at.Seconds(); !ok || math.Abs(got-want) > 1e-6*want {
		t.Errorf("empty after %v s, want %v", got, want)
	}
	at, _ = c.TimeTo(&s, 60, l)
	if got, want := at.Seconds(), want*0.4; math.Abs(got-want) > 1e-6*want {
		t.Errorf("60 %% after %v s, want %v", got, want)
	}
	// Half the draw, twice the time, once the leak is set aside.
	a, _ := c.TimeTo(&s, 50, Load{Draw: 10_000, Temp: Coldest})
	b, _ := c.TimeTo(&s, 50, Load{Draw: 20_000, Temp: Coldest})
	if r := a.Seconds() / b.Seconds(); math.Abs(r-2) > 1e-4 {
		t.Errorf("half the draw lasts %v times as long", r)
	}
}

// The count against arbitrary-precision integers, over random loads and steps.
//
// Kind: model.
func TestCountIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, err := New(Config{Chemistry: LiIon, Capacity: 1000, Charge: 60, Brown: 1, Start: 2, Low: 1, LowClear: 2})
		if err != nil {
			t.Fatal(err)
		}
		s := c.Start()
		want := new(big.Int).Mul(big.NewInt(s.nc), big.NewInt(1e9))
		now := time.Duration(0)
		for range rapid.IntRange(1, 20).Draw(t, "steps") {
			l := Load{
				Draw:   MicroAmp(rapid.Int64Range(0, 50_000).Draw(t, "draw")),
				Charge: MicroAmp(rapid.Int64Range(0, 50_000).Draw(t, "charge")),
				Temp:   rapid.IntRange(Coldest, Hottest).Draw(t, "temp"),
			}
			dt := rapid.Int64Range(0, int64(20*time.Minute)).Draw(t, "dt")
			leak := int64(math.Round(1e9 * 0.02 / 720 * math.Pow(2, float64(l.Temp-20)/10))) // of 1000 mAh, in nA
			net := int64(l.Draw)*1000 + leak
			switch {
			case l.Temp < 0 || l.Temp > 45:
			case l.Charge <= l.Draw:
				net -= int64(l.Charge) * 1000
			default:
				net = min(0, leak-int64(l.Charge-l.Draw)*990)
			}
			want.Sub(want, new(big.Int).Mul(big.NewInt(net), big.NewInt(dt)))
			now += time.Duration(dt)
			if evs := drain(c, &s, now, l); evs != nil {
				t.Fatalf("events %v with thresholds out of reach", evs)
			}
			got := new(big.Int).Mul(big.NewInt(s.nc), big.NewInt(1e9))
			if got.Add(got, big.NewInt(s.ac)); got.Cmp(want) != 0 {
				t.Fatalf("charge %v aC, want %v", got, want)
			}
		}
	})
}

func anyConfig() *rapid.Generator[Config] {
	return rapid.Custom(func(t *rapid.T) Config {
		return Config{
			Chemistry: Chemistry(rapid.IntRange(0, 2).Draw(t, "chemistry")),
			Series:    rapid.IntRange(1, 3).Draw(t, "series"),
			Capacity:  rapid.SampledFrom([]float64{0.01, 1, 30, 850}).Draw(t, "capacity"),
			Charge:    float64(rapid.IntRange(0, 100).Draw(t, "charge")),
			Restart:   time.Duration(rapid.IntRange(1, 5000).Draw(t, "restart")) * time.Millisecond,
		}
	})
}

func anyLoad() *rapid.Generator[Load] {
	return rapid.Custom(func(t *rapid.T) Load {
		return Load{
			Draw:   MicroAmp(rapid.IntRange(0, 200_000).Draw(t, "draw")),
			Peak:   MicroAmp(rapid.IntRange(0, 900_000).Draw(t, "peak")),
			Charge: MicroAmp(rapid.SampledFrom([]int{0, 0, 1000, 300_000}).Draw(t, "charge")),
			Temp:   rapid.IntRange(-50, 90).Draw(t, "temp"),
		}
	})
}

// Advancing in one step or in many gives the same state and the same events at
// the same nanosecond; Next foretells the first of them; and each event is at
// the first nanosecond its condition holds.
//
// Kind: property.
func TestLazyEqualsTicked(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, err := New(anyConfig().Draw(t, "config"))
		if err != nil {
			t.Fatal(err)
		}
		one, many := c.Start(), c.Start()
		now := time.Duration(0)
		for range rapid.IntRange(1, 4).Draw(t, "loads") {
			l := anyLoad().Draw(t, "load")
			span := time.Duration(rapid.Int64Range(1, int64(3*time.Hour)).Draw(t, "span"))
			next, any := c.Next(&one, l)
			var a, b []Event
			for limit := 0; limit < 200; limit++ { // a boot loop may go on for long
				before := one
				ev, ok := c.Advance(&one, now+span, l)
				if !ok {
					break
				}
				a = append(a, ev)
				holds := func(at time.Duration) bool {
					s, f := before, c.flow(&before, l)
					c.move(&s, at, f.net)
					v := c.volts(s.nc, f.peak, f.deg)
					switch ev.Kind {
					case WentLow:
						return v <= c.thr[tLow]
					case LowCleared:
						return v >= c.thr[tClear]
					case BrownedOut:
						return v < c.thr[tBrown]
					}
					return v >= c.thr[tStart]
				}
				if !holds(ev.At) {
					t.Fatalf("%v too early", ev)
				}
				if ev.Kind != Restarted && ev.At > before.At && holds(ev.At-1) {
					t.Fatalf("%v late", ev)
				}
			}
			if len(a) == 200 {
				t.Skip("a boot loop too long to follow")
			}
			now = one.At
			k := rapid.IntRange(2, 50).Draw(t, "ticks")
			from := many.At
			for i := 1; i <= k; i++ {
				b = append(b, drain(c, &many, from+(now-from)*time.Duration(i)/time.Duration(k), l)...)
			}
			if d := cmp.Diff(a, b); d != "" {
				t.Fatalf("events differ: %s", d)
			}
			if one != many {
				t.Fatalf("states differ: %+v, %+v", one, many)
			}
			if any && next.At <= now && (len(a) == 0 || a[0] != next) {
				t.Fatalf("foretold %v, got %v", next, a)
			}
			if !any && len(a) > 0 {
				t.Fatalf("foretold nothing, got %v", a)
			}
		}
	})
}

// Volts must not fall as charge grows, for any load: the search for a crossing
// rests on it.
//
// Kind: property.
func TestVoltageIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, err := New(anyConfig().Draw(t, "config"))
		if err != nil {
			t.Fatal(err)
		}
		i := MicroAmp(rapid.Int64Range(0, int64(MaxCurrent)).Draw(t, "current"))
		if rapid.Bool().Draw(t, "on the cradle") {
			i = -i / 10
		}
		deg := rapid.IntRange(0, Hottest-Coldest).Draw(t, "temp")
		q := rapid.Int64Range(0, c.full-1).Draw(t, "q")
		p := rapid.Int64Range(q+1, c.full).Draw(t, "p")
		if a, b := c.volts(q, i, deg), c.volts(p, i, deg); a > b {
			t.Fatalf("%d µV at %d nC, %d µV at %d nC", a, q, b, p)
		}
	})
}

// A run from full to dead and back on the cradle. The brown-out must come
// under the radio's peak while the rested battery is still above the
// threshold, and the gauge must come back by itself and go again (common
// practice: a cold or tired battery that cannot carry the radio).
//
// Kind: property.
func TestLowBrownOutRestart(t *testing.T) {
	c := cell(t, Config{Chemistry: LiIon, Capacity: 100, Charge: 30, Milliohm: 900,
		Low: 3450, LowClear: 3550, Brown: 3100, Start: 3200, Restart: 3 * time.Second})
	s := c.Start()
	l := Load{Draw: 20_000, Peak: 150_000, Temp: 20}
	var kinds []EventKind
	var at []time.Duration
	for len(kinds) < 4 {
		ev, ok := c.Advance(&s, 10*time.Hour, l)
		if !ok {
			break
		}
		kinds, at = append(kinds, ev.Kind), append(at, ev.At)
	}
	if d := cmp.Diff([]EventKind{WentLow, BrownedOut, Restarted, BrownedOut}, kinds); d != "" {
		t.Fatal(d)
	}
	if at[2]-at[1] != 3*time.Second || at[3] != at[2] {
		t.Errorf("boot loop times %v", at)
	}
	if !s.Low || !s.Dead {
		t.Errorf("state %+v", s)
	}
	// On the cradle it starts again and the low flag goes, at a higher voltage
	// than it came.
	l.Charge = 100_000
	evs := drain(c, &s, at[3]+2*time.Hour, l)
	if len(evs) != 2 || evs[0].Kind != Restarted || evs[1].Kind != LowCleared {
		t.Fatalf("on the cradle: %v", evs)
	}
	if c.Charge(&s) != 1e6 {
		t.Errorf("after 2 h on the cradle: %d ppm", c.Charge(&s))
	}
	if evs := drain(c, &s, at[3]+4*time.Hour, l); evs != nil {
		t.Errorf("full on the cradle: %v", evs)
	}
}

// A battery too empty to start stays dead until charged; a primary cell on a
// cradle stays dead.
//
// Kind: property.
func TestEmptyStaysDead(t *testing.T) {
	for _, chem := range []Chemistry{LiIon, NiMH, Alkaline} {
		c := cell(t, Config{Chemistry: chem, Capacity: 500, Charge: 0})
		s := c.Start()
		evs := drain(c, &s, 5*time.Hour, Load{Draw: 5000, Temp: 20})
		if len(evs) != 2 || evs[0] != (Event{0, WentLow}) || evs[1] != (Event{0, BrownedOut}) {
			t.Fatalf("%v: empty: %v", chem, evs)
		}
		evs = drain(c, &s, 50*time.Hour, Load{Draw: 5000, Charge: 100_000, Temp: 20})
		if back := len(evs) > 0 && evs[0].Kind == Restarted; back != (chem != Alkaline) {
			t.Errorf("%v on the cradle: %v", chem, evs)
		}
	}
}

// By hand: class 1 at η = 25 %, 3 V: 100 mW ÷ 0.75 V = 133.333 mA, and 25 mA
// of electronics, 158.333 mA while sending; 30 frames of 2.5 ms are 7.5 % of
// the time: 11.875 mA. With 4 mA idle, 8 mA joined and a 1.5 mA display:
// 25.375 mA mean, peak 13.5 + 158.333 mA.
//
// Kind: outside.
func TestParts(t *testing.T) {
	got := TypicalParts().Load(Use{Display: true, Radio: true, Microwatts: 100_000, FramesPerHour: 108_000, Temp: 25})
	want := Load{Draw: 25_374, Peak: 171_833, Temp: 25}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	got = TypicalParts().Load(Use{Lamp: true, Buzzer: true, Cradle: 7})
	if d := cmp.Diff(Load{Draw: 34_000, Peak: 34_000, Charge: 7}, got); d != "" {
		t.Error(d)
	}
	rapid.Check(t, func(t *rapid.T) {
		p := Parts{RadioBase: 1, Efficiency: rapid.IntRange(-1, 101).Draw(t, "η"), Millivolts: rapid.IntRange(-1, 5000).Draw(t, "mV"),
			PerFrame: time.Duration(rapid.Int64().Draw(t, "per frame"))}
		u := Use{Radio: true, Microwatts: rapid.Int64().Draw(t, "µW"), FramesPerHour: rapid.Int64().Draw(t, "frames")}
		if l := p.Load(u); p.PerFrame >= 0 && (l.Draw < 0 || l.Draw > l.Peak) {
			t.Fatalf("%+v", l)
		}
	})
}

// Kind: outside.
func TestEstimate(t *testing.T) {
	cfg := Config{Chemistry: LiIon, Capacity: 850, Charge: 62}
	c := cell(t, cfg)
	s := c.Start()
	if got := c.Shown(&s, Load{Temp: 20}); got != 62 {
		t.Errorf("no error: %d %%", got)
	}
	cfg.Step = 25
	c = cell(t, cfg)
	if got := c.Shown(&s, Load{Temp: 20}); got != 50 {
		t.Errorf("four bars: %d %%", got)
	}
	// By voltage: right when rested, low under load.
	cfg.Step, cfg.ByVoltage = 1, true
	c = cell(t, cfg)
	if got := c.Shown(&s, Load{Temp: 20}); got != 62 {
		t.Errorf("rested, by voltage: %d %%", got)
	}
	// 800 mA through 120 mΩ: 96 mV down the 0.96 V-per-unit slope, 10 points.
	if got := c.Shown(&s, Load{Peak: 800_000, Temp: 20}); got != 52 {
		t.Errorf("loaded, by voltage: %d %%", got)
	}
}

// Kind: property.
func TestNewSaysWhatIsWrong(t *testing.T) {
	ok := Config{Chemistry: LiIon, Capacity: 850, Charge: 62}
	for part, spoil := range map[string]func(*Config){
		"?(9)":             func(c *Config) { c.Chemistry = 9 },
		"in series":        func(c *Config) { c.Series = -1 },
		"capacity NaN":     func(c *Config) { c.Capacity = math.NaN() },
		"capacity 0":       func(c *Config) { c.Capacity = 0 },
		"charge 101":       func(c *Config) { c.Charge = 101 },
		"internal":         func(c *Config) { c.Milliohm = -5 },
		"low flag":         func(c *Config) { c.Low, c.LowClear = 3500, 3500 },
		"brown-out":        func(c *Config) { c.Brown = 4000 },
		"restart":          func(c *Config) { c.Restart = -1 },
		"display step 101": func(c *Config) { c.Step = 101 },
	} {
		cfg := ok
		spoil(&cfg)
		if _, err := New(cfg); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("error %v, want one with %q", err, part)
		}
	}
	for _, c := range []Chemistry{LiIon, NiMH, Alkaline} {
		var got Chemistry
		if err := got.UnmarshalText([]byte(c.String())); err != nil || got != c {
			t.Errorf("%v: %v, %v", c, got, err)
		}
	}
	if err := new(Chemistry).UnmarshalText([]byte("lead")); err == nil || !strings.Contains(err.Error(), "nimh") {
		t.Errorf("unknown chemistry: %v", err)
	}
	if got := Restarted.String() + " " + BrownedOut.String(); got != "restarted browned out" {
		t.Error(got)
	}
}

// Kind: property.
func TestBackwardsAndFarAhead(t *testing.T) {
	c := cell(t, Config{Chemistry: LiIon, Capacity: 100_000, Charge: 100})
	s := c.Start()
	drain(c, &s, time.Hour, Load{Draw: 1000})
	before := s
	if _, ok := c.Advance(&s, time.Minute, Load{Draw: 1000}); ok || s != before {
		t.Error("a time in the past changed the battery")
	}
	for range 3 {
		c.Advance(&s, math.MaxInt64, Load{Draw: MaxCurrent * 2})
	}
	if c.Charge(&s) < 0 || s.nc < 0 {
		t.Errorf("%+v", s)
	}
}

// Kind: property.
func TestNoAllocation(t *testing.T) {
	c := cell(t, Config{Chemistry: LiIon, Capacity: 850, Charge: 90})
	s := c.Start()
	p := TypicalParts()
	at := time.Duration(0)
	if n := testing.AllocsPerRun(200, func() {
		at += time.Second / 30
		l := p.Load(Use{Radio: true, Microwatts: 2500, FramesPerHour: 108_000, Temp: 20})
		c.Advance(&s, at, l)
		c.Next(&s, l)
		c.Shown(&s, l)
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkAdvance(b *testing.B) {
	c := cell(b, Config{Chemistry: LiIon, Capacity: 850, Charge: 90})
	s := c.Start()
	l := Load{Draw: 30_000, Peak: 100_000, Temp: 20}
	at := time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		at += time.Second / 30
		c.Advance(&s, at, l)
	}
}

func BenchmarkNext(b *testing.B) {
	c := cell(b, Config{Chemistry: LiIon, Capacity: 850, Charge: 90})
	s := c.Start()
	l := Load{Draw: 30_000, Peak: 100_000, Temp: 20}
	b.ReportAllocs()
	for b.Loop() {
		c.Next(&s, l)
	}
}

// By hand, 1000 nA is 1000 aC each nanosecond: the whole nanocoulombs fall to
// n as soon as less than (n+1)·1e9 aC are left, and rise to n at n·1e9.
//
// Kind: outside.
func TestReach(t *testing.T) {
	c := cell(t, Config{Chemistry: LiIon, Capacity: 1, Charge: 100})
	for _, tc := range []struct {
		nc, ac, to, net int64
		want            time.Duration
	}{
		{10, 0, 9, 1000, 1},
		{10, 999, 9, 1000, 1},
		{10, 1000, 9, 1000, 2},
		{10, 0, 8, 1000, 1_000_001},
		{10, 0, 12, -1000, 2_000_000},
		{10, 1, 11, -1000, 1_000_000},
		{10, 1000, 11, -1000, 999_999},
		{10, 5, 10, 1000, 0},
		{10, 5, 10, 0, 0},
		{10, 5, 9, -1, never},
		{10, 5, 11, 1, never},
		{10, 5, 11, 0, never},
		{1 << 60, 0, 0, 1, never},
	} {
		s := State{nc: tc.nc, ac: tc.ac}
		if got := c.reach(&s, tc.to, tc.net); got != tc.want {
			t.Errorf("%+v: %v", tc, got)
		}
	}
}

// By hand: one attocoulomb in or out of a cell that stands at a whole
// nanocoulomb, or one short of it.
//
// Kind: outside.
func TestCarryAndBorrow(t *testing.T) {
	c := cell(t, Config{Chemistry: LiIon, Capacity: 1, Charge: 100})
	for _, tc := range []struct{ nc, ac, net, wantNC, wantAC int64 }{
		{5, 999_999_999, -1, 6, 0},
		{5, 999_999_998, -1, 5, 999_999_999},
		{5, 0, 1, 4, 999_999_999},
		{5, 1, 1, 5, 0},
		{0, 0, 1, 0, 0},                          // empty
		{c.full - 1, 999_999_999, -5, c.full, 0}, // full
	} {
		s := State{nc: tc.nc, ac: tc.ac}
		c.move(&s, 1, tc.net)
		if s.nc != tc.wantNC || s.ac != tc.wantAC {
			t.Errorf("%+v: %d nC %d aC", tc, s.nc, s.ac)
		}
	}
}

// The low flag comes where the voltage is at its limit, not only below it. The
// rested alkaline cell stands at 1.300 V at 60 % (its table in chemistry.go).
//
// Kind: property.
func TestLowAtTheLimitItself(t *testing.T) {
	for low, want := range map[int]bool{1300: true, 1299: false} {
		c := cell(t, Config{Chemistry: Alkaline, Capacity: 2000, Charge: 60, Low: low, LowClear: 1400})
		s := c.Start()
		if v := c.Volts(&s, 0, 20); v != 1_300_000 {
			t.Fatalf("%d µV", v)
		}
		if ev, ok := c.Advance(&s, 0, Load{Temp: 20}); ok != want || ok && ev.Kind != WentLow {
			t.Errorf("low at %d mV: %v %v", low, ev, ok)
		}
	}
}

// The estimate by voltage of cells in series is that of one of them.
//
// Kind: property.
func TestEstimateOfCellsInSeries(t *testing.T) {
	for series := 1; series <= 4; series++ {
		c := cell(t, Config{Chemistry: Alkaline, Series: series, Capacity: 2000, Charge: 60, ByVoltage: true})
		s := c.Start()
		if got := c.Shown(&s, Load{Temp: 20}); got != 60 {
			t.Errorf("%d cells: %d %%", series, got)
		}
	}
}
