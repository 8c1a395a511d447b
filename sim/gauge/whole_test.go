package gauge_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/zone"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

const ms = time.Millisecond

// texts are what a kind of emission says.
func texts(es []gauge.Emission, kind gauge.EmissionKind) (out []string) {
	for _, e := range es {
		if e.Kind == kind {
			out = append(out, e.Text)
		}
	}
	return out
}

// drive takes events in order of their times, sampling whenever the gauge wants
// it, and returns the tags and notes with their times.
func drive(t testing.TB, p *gauge.Profile, until time.Duration, at map[time.Duration][]gauge.Event) (log []string) {
	g, err := gauge.New(p)
	require.NoError(t, err)
	var out gauge.Out
	step := func(now time.Duration, e gauge.Event) {
		e.Tips = []gauge.Tip{{Pressed: 5 * decimal.Millimetre}}
		g.Step(now, e, &out)
		for _, e := range out.Emissions {
			switch e.Kind {
			case gauge.Tagged:
				log = append(log, fmt.Sprintf("%v tag %d", now, e.Tag))
			case gauge.Changed:
				log = append(log, fmt.Sprintf("%v %s %s", now, e.Change.Name, e.Change.To))
			case gauge.PowerTold, gauge.Noted:
				log = append(log, fmt.Sprintf("%v %s", now, e.Text))
			}
		}
	}
	for now := time.Duration(0); now <= until; now += ms {
		for g.Due() <= now {
			step(max(g.Due(), 0), gauge.Event{Kind: gauge.Sampled})
		}
		for _, e := range at[now] {
			step(now, e)
		}
	}
	return log
}

func down(b int) gauge.Event { return gauge.Event{Kind: gauge.Pressed, Button: b} }
func up(b int) gauge.Event   { return gauge.Event{Kind: gauge.Released, Button: b} }

// Kind: property.
func TestButtons(t *testing.T) {
	type when = map[time.Duration][]gauge.Event
	for name, c := range map[string]struct {
		button gauge.Button
		events when
		want   []string
	}{
		"a press is one tag, at once":       {gauge.Button{Press: gauge.TagAction}, when{100 * ms: {down(0)}, 200 * ms: {up(0)}}, []string{"100ms tag 1"}},
		"a contact that bounces is one":     {gauge.Button{Press: gauge.TagAction}, when{100 * ms: {down(0)}, 101 * ms: {up(0)}, 103 * ms: {down(0)}, 104 * ms: {up(0)}, 105 * ms: {down(0)}, 200 * ms: {up(0)}, 202 * ms: {down(0)}, 203 * ms: {up(0)}}, []string{"100ms tag 1"}},
		"two presses are two":               {gauge.Button{Press: gauge.TagAction}, when{100 * ms: {down(0)}, 150 * ms: {up(0)}, 200 * ms: {down(0)}, 250 * ms: {up(0)}}, []string{"100ms tag 1", "200ms tag 2"}},
		"too short to be seen to let go":    {gauge.Button{Press: gauge.TagAction}, when{100 * ms: {down(0)}, 105 * ms: {up(0)}, 200 * ms: {down(0)}}, []string{"100ms tag 1", "200ms tag 2"}},
		"with a long one it waits":          {gauge.Button{Press: gauge.TagAction, Long: gauge.PresetAction, LongAfter: 500 * ms}, when{100 * ms: {down(0)}, 300 * ms: {up(0)}}, []string{"300ms tag 1"}},
		"held it is the long one, once":     {gauge.Button{Press: gauge.TagAction, Long: gauge.PresetAction, LongAfter: 500 * ms}, when{100 * ms: {down(0)}, 2000 * ms: {up(0)}}, []string{"600ms preset 10 mm"}},
		"twice is the double one":           {gauge.Button{Press: gauge.TagAction, Double: gauge.ZeroAction, DoubleWithin: 300 * ms}, when{100 * ms: {down(0)}, 150 * ms: {up(0)}, 400 * ms: {down(0)}, 450 * ms: {up(0)}}, []string{"400ms zero 0 mm"}},
		"once is known when it is too late": {gauge.Button{Press: gauge.TagAction, Double: gauge.ZeroAction, DoubleWithin: 300 * ms}, when{100 * ms: {down(0)}, 150 * ms: {up(0)}, 500 * ms: {down(0)}, 550 * ms: {up(0)}}, []string{"450ms tag 1", "850ms tag 2"}},
		"both are neither":                  {gauge.Button{Press: gauge.TagAction}, when{100 * ms: {down(0)}, 200 * ms: {down(1)}, 300 * ms: {up(0)}, 310 * ms: {up(1)}}, []string{"200ms both buttons: zero", "200ms zero 0 mm"}},
		"too far apart they are each":       {gauge.Button{Press: gauge.TagAction}, when{100 * ms: {down(0)}, 251 * ms: {down(1)}, 300 * ms: {up(0)}, 310 * ms: {up(1)}}, []string{"300ms tag 1", "310ms function max"}},
		"off when held, on when held":       {gauge.Button{Long: gauge.PowerAction, LongAfter: time.Second}, when{100 * ms: {down(0)}, 1500 * ms: {up(0)}, 2000 * ms: {down(0)}, 2500 * ms: {up(0)}, 3000 * ms: {down(0)}, 4100 * ms: {up(0)}}, []string{"1.1s off: by the button", "4s starting", "4.4s on"}},
	} {
		t.Run(name, func(t *testing.T) {
			p := profile()
			p.Debounce = 20 * ms
			p.Power.StartUp = 400 * ms
			p.Buttons = [2]gauge.Button{c.button, {Press: gauge.FunctionAction}}
			if strings.Contains(name, "both") || strings.Contains(name, "apart") {
				p.Together = gauge.ZeroAction
			}
			require.Empty(t, cmp.Diff(c.want, drive(t, p, 5*time.Second, c.events)))
		})
	}
}

// Kind: property.
func TestIdleOffAndWhatIsKept(t *testing.T) {
	p := profile()
	p.IdleOff, p.Power.Stir = 10*time.Second, 50*um
	p.Tags.Queue = 3
	b := newBench(t, func(q *gauge.Profile) { *q = *p })
	b.set("factor", "2")
	b.do(gauge.Command{Verb: "preset", Channel: -1})
	run := func(until time.Duration, tip func() int64) (told []string) {
		for b.g.Due() <= until {
			b.at = b.g.Due()
			b.press(tip())
			told = append(told, texts(b.out.Emissions, gauge.PowerTold)...)
		}
		b.at = until
		return told
	}
	x := int64(5000)
	require.Empty(t, run(30*time.Second, func() int64 { x += 5; return x }), "a tip that moves beyond its play keeps it on")
	require.Empty(t, run(39*time.Second, func() int64 { return x }), "not yet")
	require.Equal(t, []string{"off: nothing was done for 10s"}, run(41*time.Second, func() int64 { return x }))
	require.Equal(t, gauge.Never, b.g.Due(), "it wants nothing while it is off")
	b.step(gauge.Event{Kind: gauge.Asked, Command: gauge.Command{Verb: "read", Channel: -1}})
	require.Empty(t, b.out.Emissions, "it answers nothing")
	b.step(gauge.Event{Kind: gauge.Pressed, Button: 0})
	require.Equal(t, gauge.On, b.g.Power(), "no button is for the power: any one does")
	require.NotContains(t, kinds(b.out.Emissions), gauge.Tagged, "and does nothing else")
	b.step(gauge.Event{Kind: gauge.Released, Button: 0})
	require.Equal(t, "2", b.g.Settings(0).Factor.String())
	r := b.press(x)
	require.Equal(t, gauge.Valid, r.Void)
	require.NotEqual(t, "5.000", r.Shown.String(), "the datum is kept")
	b.set("function", "fim")
	require.Equal(t, "0.000", b.press(x).Shown.String(), "max and min are not")
}

// Kind: property.
func TestTagsWaitForTheLink(t *testing.T) {
	for _, depth := range []int{0, 2} {
		b := newBench(t, func(p *gauge.Profile) { p.Tags.Queue, p.Tags.Last, p.Streaming = depth, 9, false })
		b.step(gauge.Event{Kind: gauge.LinkTold, Up: false})
		var sent, noted []string
		for i := range int64(3) {
			b.press(5000 + i)
			b.step(gauge.Event{Kind: gauge.Asked, Command: gauge.Command{Verb: "tag", Channel: -1}})
			for _, e := range b.out.Emissions {
				if e.Kind == gauge.Tagged {
					sent = append(sent, fmt.Sprint(e.Tag))
				}
			}
			noted = append(noted, texts(b.out.Emissions, gauge.Noted)...)
		}
		b.press(7000)
		b.step(gauge.Event{Kind: gauge.LinkTold, Up: true})
		for _, e := range b.out.Emissions {
			if e.Kind == gauge.Tagged {
				sent = append(sent, fmt.Sprintf("%d late %s", e.Tag, e.Readings[0].Shown))
			}
		}
		want, waits := []string{"1", "2", "3"}, []string(nil)
		if depth == 2 {
			want, waits = []string{"3", "1 late 5.000", "2 late 5.001"}, []string{"tag 1 waits for the link", "tag 2 waits for the link"}
		}
		require.Equal(t, want, sent, "the readings of then, not of now")
		require.Equal(t, waits, noted)
	}
}

// Kind: property.
func TestLampsBuzzerAndDisplay(t *testing.T) {
	b := newBench(t, func(p *gauge.Profile) {
		p.Lamps = []gauge.Lamp{{Name: "top", Shows: gauge.ShowZone, Looks: map[string]gauge.Look{"above": {Colour: "plum", Rhythm: gauge.Rhythm{100 * ms, 50 * ms}}, "inside": {Colour: "teal"}}}}
		p.Buzzer = true
		p.Buzzes = map[string]gauge.Rhythm{"above": {300 * ms}, "datum": {50 * ms, 50 * ms, 50 * ms}, "low": {10 * ms}, "refused": {500 * ms}}
		p.Display = gauge.Display{Digits: 5, Follows: true, Marks: map[string]string{"above": "^", "inside": "o", "full": "#####"}}
	})
	b.step(gauge.Event{Kind: gauge.Asked, Command: gauge.Command{Verb: "preset", Channel: -1}})
	require.Equal(t, []string{"datum (50ms on 50ms off 50ms on)"}, texts(b.out.Emissions, gauge.Buzzed))
	require.Equal(t, []string{"top: inside (teal, steady)"}, texts(b.out.Emissions, gauge.Lamped))
	require.Equal(t, gauge.Face{Figures: "10.000", Fits: true, Unit: "mm", Zone: "o", Cell: 100}, b.g.Face())
	b.press(5251)
	require.Equal(t, []string{"above (300ms on)"}, texts(b.out.Emissions, gauge.Buzzed))
	require.Equal(t, []string{"top: above (plum, 100ms on 50ms off)"}, texts(b.out.Emissions, gauge.Lamped))
	require.Equal(t, "^", b.g.Face().Zone)
	b.press(5251)
	require.Empty(t, texts(b.out.Emissions, gauge.Buzzed), "once for each change")
	b.set("resolution", "0.0001")
	require.Equal(t, "#####", b.g.Face().Figures, "six figures do not fit in five")
	require.False(t, b.g.Face().Fits)
	b.set("function", "fim")
	require.Equal(t, "fim", b.g.Face().Function)
	b.set("function", "live")
	b.step(gauge.Event{Kind: gauge.Sampled, Tips: []gauge.Tip{{Void: gauge.Under}}})
	require.Equal(t, "-----", b.g.Face().Figures)
	for _, tilt := range []struct {
		to   int
		over bool
	}{{90, false}, {170, true}, {95, true}, {79, false}, {-101, true}, {360, false}, {540, true}, {280, true}, {290, false}} {
		b.step(gauge.Event{Kind: gauge.Tilted, Degrees: tilt.to})
		require.Equal(t, tilt.over, b.g.Face().UpsideDown, tilt.to)
	}
	b.step(gauge.Event{Kind: gauge.CellTold, Low: true, Percent: 9})
	require.Equal(t, []string{"low (10ms on)"}, texts(b.out.Emissions, gauge.Buzzed))
	require.Contains(t, kinds(b.out.Emissions), gauge.StatusTold)
	b.step(gauge.Event{Kind: gauge.CellTold, Dead: true})
	require.Equal(t, gauge.Face{}, b.g.Face())
	require.Equal(t, []string{"dark"}, b.g.Lamps())
}

// Kind: property.
func TestStreamOnChange(t *testing.T) {
	b := newBench(t, func(p *gauge.Profile) { p.OnChange = true; p.Channels[0].DeadBand = 5 * um })
	var sent []string
	for _, tip := range []int64{5000, 5001, 5005, 5006, 5003, 5000, -1, -1, 5000} {
		b.at = b.g.Due()
		if tip < 0 {
			b.step(gauge.Event{Kind: gauge.Sampled, Tips: []gauge.Tip{{Void: gauge.Under}}})
		} else {
			b.press(tip)
		}
		for _, e := range b.out.Emissions {
			if e.Kind == gauge.Streamed {
				sent = append(sent, micrometres(e.Readings[0]))
			}
		}
	}
	require.Equal(t, []string{"5006", "5000", "void", "5000"}, sent, "5005 is not beyond the dead band of 5; the first 5000 went out in newBench")
}

// fixture has four probes and what is computed of them.
func fixture(t require.TestingT, change func(*gauge.Profile)) *gauge.Gauge {
	p := profile()
	p.Lamps = nil
	one := p.Channels[0]
	one.Limits = zone.Limits{}
	p.Channels = nil
	for _, n := range []string{"P1", "P2", "P3", "P4"} {
		one.Name = n
		p.Channels = append(p.Channels, one)
	}
	formula, err := gauge.NewExpr("(P1 + P2) / 2 - min(P3, P4) + mm(0.5)")
	require.NoError(t, err)
	of := func(names ...string) (out []int) {
		for _, n := range names {
			for i := range p.Channels {
				if p.Channels[i].Name == n {
					out = append(out, i)
				}
			}
		}
		return out
	}
	for name, c := range map[string]gauge.Calc{
		"sum": {Kind: gauge.Sum, Of: of("P1", "P2")}, "difference": {Kind: gauge.Difference, Of: of("P1", "P2")},
		"mean": {Kind: gauge.Mean, Of: of("P1", "P2", "P3")}, "spread": {Kind: gauge.Spread, Of: of("P1", "P2", "P3", "P4")},
		"taper":   {Kind: gauge.Taper, Of: of("P1", "P4"), Over: 40 * decimal.Millimetre, Per: 100 * decimal.Millimetre},
		"formula": {Kind: gauge.Formula, Formula: formula, Of: of(formula.Args...)},
	} {
		k := one
		k.Name, k.Stroke, k.Calc = name, 0, &c
		p.Channels = append(p.Channels, k)
	}
	if change != nil {
		change(p)
	}
	g, err := gauge.New(p)
	require.NoError(t, err)
	return g
}

func byName(g *gauge.Gauge) map[string]string {
	m := map[string]string{}
	for _, r := range g.Readings(nil) {
		m[g.Profile().Channels[r.Channel].Name] = r.Shown.String()
		if r.Void != gauge.Valid {
			m[g.Profile().Channels[r.Channel].Name] = r.Void.String()
		}
	}
	return m
}

// Kind: outside.
func TestComputedChannels(t *testing.T) {
	g := fixture(t, nil)
	var out gauge.Out
	at := func(um ...int64) (tips []gauge.Tip) {
		for _, u := range um {
			tips = append(tips, gauge.Tip{Pressed: decimal.Length(u) * decimal.Micrometre})
		}
		return tips
	}
	g.Step(0, gauge.Event{Kind: gauge.Sampled, Tips: at(5000, 4000, 3000, 4990)}, &out)
	want := map[string]string{"P1": "5.000", "P2": "4.000", "P3": "3.000", "P4": "4.990",
		"sum": "9.000", "difference": "1.000", "mean": "4.000", "spread": "2.000",
		"taper":   "0.025", // 0.01 mm over 40 mm is 0.025 mm per 100 mm
		"formula": "2.000", // 4.5 − 3 + 0.5
	}
	require.Empty(t, cmp.Diff(want, byName(g)))

	// One probe fails: what is made of it is void, and nothing else moves.
	tips := at(5000, 4000, 3000, 4990)
	tips[2] = gauge.Tip{Void: gauge.Missing}
	g.Step(ms, gauge.Event{Kind: gauge.Sampled, Tips: tips}, &out)
	failed := map[string]string{"P3": "missing", "mean": "missing", "spread": "missing", "formula": "missing"}
	for n, v := range want {
		if f, ok := failed[n]; ok {
			v = f
		}
		require.Equal(t, v, byName(g)[n], n)
	}

	// A datum on one probe moves what is computed of it, at once.
	g.Step(2*ms, gauge.Event{Kind: gauge.Sampled, Tips: at(5000, 4000, 3000, 4990)}, &out)
	g.Step(2*ms, gauge.Event{Kind: gauge.Asked, Command: gauge.Command{Verb: "zero", Channel: 0}}, &out)
	require.Equal(t, "0.000", byName(g)["P1"])
	require.Equal(t, "4.000", byName(g)["sum"])
	// Zero of the whole gauge is of its probes.
	g.Step(2*ms, gauge.Event{Kind: gauge.Asked, Command: gauge.Command{Verb: "zero", Channel: -1}}, &out)
	require.Equal(t, "0.000", byName(g)["P4"])
	require.Equal(t, "0.500", byName(g)["formula"])
}

// Kind: property.
func TestFormulasThatAreRefused(t *testing.T) {
	mm := func(s string) decimal.Decimal { return decimal.MustParse(s).Mul(decimal.New(1, 9)) }
	for text, why := range map[string]string{
		"A + 1": "a length on one side and a plain number", "A * B": "to the power 2", "A / B": "a plain number", "2": "a plain number", "A > B": "not a supported operator",
		"A ? B : A": "is not supported; write", "min()": "not a supported function of 0", "len(A)": "not a supported function", "mm(A)": "one number", `"x"`: "not supported", "A +": "", "A[0]": "not supported",
		"min(A, 1)": "min of", "A ** 2": "not a supported operator", "": "", "let x = A; x": "not supported", strings.Repeat("A+", 300) + "A": "500",
	} {
		_, err := gauge.NewExpr(text)
		require.ErrorContains(t, err, why, text)
	}
	e, err := gauge.NewExpr("A / (B - A) * A")
	require.NoError(t, err)
	_, ok := (&gauge.Calc{Kind: gauge.Formula, Formula: e}).Value([]decimal.Fraction{mm("1").Fraction(), mm("1").Fraction()})
	require.False(t, ok, "a division by zero has no value")
}

// Kind: property.
func FuzzFormula(f *testing.F) {
	for _, s := range []string{"A+B", "mean(A, in(0.5))/2", "((A", "A/0*1e3", "-(-A)"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		e, err := gauge.NewExpr(s)
		if err != nil {
			return
		}
		args := make([]decimal.Fraction, len(e.Args))
		for i := range args {
			args[i] = decimal.New(int64(i+1), 9).Fraction()
		}
		v, ok := (&gauge.Calc{Kind: gauge.Formula, Formula: e}).Value(args)
		again, err := gauge.NewExpr(e.Text)
		require.NoError(t, err)
		require.Equal(t, e.Args, again.Args)
		w, ok2 := (&gauge.Calc{Kind: gauge.Formula, Formula: again}).Value(args)
		require.Equal(t, ok, ok2)
		require.True(t, !ok || v.Equal(w), "%s and %s", v, w)
		for _, a := range e.Args {
			require.Contains(t, s, a, "a channel that the formula does not name")
		}
		// A formula is a length: within brackets, and taken twice, it still is.
		double, err := gauge.NewExpr("(" + s + ")*2")
		if err != nil || !ok {
			return // too long, or a comment swallows the bracket
		}
		w, ok = (&gauge.Calc{Kind: gauge.Formula, Formula: double}).Value(args)
		require.True(t, ok)
		require.True(t, w.Equal(v.Add(v)), "twice %s is %s", v, w)
	})
}

// 32 channels, each with its own settings, do not disturb one another.
//
// Kind: property.
func TestManyChannels(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, gauge.MaxChannels).Draw(t, "n")
		p := profile()
		p.Lamps = nil
		one := p.Channels[0]
		one.Limits = zone.Limits{}
		p.Channels = nil
		tips := make([]gauge.Tip, n)
		want := make([]string, n)
		for i := range n {
			c := one
			c.Name, c.Factor = fmt.Sprint("C", i), decimal.New(int64(i+1), 0)
			p.Channels = append(p.Channels, c)
			x := rapid.Int64Range(0, 10_000).Draw(t, "x")
			tips[i] = gauge.Tip{Pressed: decimal.Length(x) * um}
			want[i] = fmt.Sprint(x * int64(i+1))
			if rapid.IntRange(0, 4).Draw(t, "fails") == 0 {
				tips[i], want[i] = gauge.Tip{Void: gauge.Missing}, "void"
			}
		}
		g, err := gauge.New(p)
		require.NoError(t, err)
		var out gauge.Out
		g.Step(0, gauge.Event{Kind: gauge.Sampled, Tips: tips}, &out)
		for i, r := range g.Readings(nil) {
			require.Equal(t, i, r.Channel)
			require.Equal(t, want[i], micrometres(r))
		}
	})
	p := profile()
	for len(p.Channels) <= gauge.MaxChannels {
		p.Channels = append(p.Channels, p.Channels[0])
	}
	_, err := gauge.New(p)
	require.ErrorContains(t, err, "33 channels")
}

// The order of the chain is the profile's.
//
// Kind: property.
func TestChain(t *testing.T) {
	for _, c := range []struct {
		last bool
		want string
	}{{false, "10.200"}, {true, "10.200"}} {
		b := newBench(t, func(p *gauge.Profile) { p.Chain.FactorLast = c.last; p.Channels[0].Factor = decimal.New(2, 0) })
		b.do(gauge.Command{Verb: "preset", Channel: -1})
		require.Equal(t, "10.000", b.press(5000).Shown.String())
		require.Equal(t, c.want, b.press(5100).Shown.String())
	}
	// Where they differ: a factor that is changed after the preset.
	after := map[bool]string{}
	for _, last := range []bool{false, true} {
		b := newBench(t, func(p *gauge.Profile) { p.Chain.FactorLast = last })
		b.do(gauge.Command{Verb: "preset", Channel: -1})
		b.set("factor", "2")
		after[last] = b.press(5000).Shown.String()
	}
	require.Equal(t, map[bool]string{false: "15.000", true: "20.000"}, after, "2×5 + 5, and 2×(5 + 5)")

	for _, raw := range []bool{false, true} {
		b := newBench(t, func(p *gauge.Profile) {
			p.Chain.RawMemory = raw
			p.Channels[0].Average = 4
			p.Channels[0].Limits = zone.Limits{}
		})
		for _, x := range []int64{5000, 5000, 5000, 5400, 5000, 5000, 5000, 5000} {
			b.at = b.g.Due()
			b.press(x)
		}
		require.Equal(t, "5.000", b.g.Readings(nil)[0].Shown.String())
		b.set("function", "max")
		want := "5.100" // the mean of 5, 5, 5 and 5.4
		if raw {
			want = "5.400"
		}
		require.Equal(t, want, b.g.Readings(nil)[0].Shown.String())
	}
	for decide, want := range map[zone.Decide]zone.Zone{zone.Displayed: zone.WarnHigh, zone.Unrounded: zone.Above} {
		b := newBench(t, func(p *gauge.Profile) {
			p.Channels[0].Rule.Decide = decide
			p.Channels[0].Resolution = decimal.New(1, -2)
		})
		b.do(gauge.Command{Verb: "preset", Channel: -1})
		r := b.press(5254)
		require.Equal(t, "10.25", r.Shown.String())
		require.Equal(t, want, r.Zone, decide)
	}
}

// A moving mean is of the last n samples, whatever came before.
//
// Kind: property.
func TestAverage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, gauge.MaxAverage).Draw(t, "n")
		p := profile()
		p.Lamps, p.Channels[0].Average, p.Channels[0].Resolution, p.Channels[0].Limits = nil, n, decimal.New(1, -9), zone.Limits{}
		g, err := gauge.New(p)
		require.NoError(t, err)
		var out gauge.Out
		var seen []int64
		for range rapid.IntRange(1, 150).Draw(t, "samples") {
			x := rapid.Int64Range(0, 1e10).Draw(t, "x")
			g.Step(g.Due(), gauge.Event{Kind: gauge.Sampled, Tips: []gauge.Tip{{Pressed: decimal.Length(x)}}}, &out)
			if seen = append(seen, x); len(seen) > n {
				seen = seen[1:]
			}
			sum := int64(0)
			for _, s := range seen {
				sum += s
			}
			want := decimal.New(sum, 0).Quo(decimal.New(int64(len(seen)), 0), 0, decimal.HalfEven)
			require.True(t, g.Readings(nil)[0].Exact.Equal(want.Fraction()), "%s, not %s", g.Readings(nil)[0].Exact, want)
		}
	})
}

// Kind: property.
func TestTraceOfOtherChains(t *testing.T) {
	g := fixture(t, func(p *gauge.Profile) { p.Chain.FactorLast = true; p.Channels[0].Average = 2 })
	var out gauge.Out
	for i, x := range []int64{5000, 5010} {
		g.Step(time.Duration(i)*50*ms, gauge.Event{Kind: gauge.Sampled, Tips: []gauge.Tip{{Pressed: decimal.Length(x) * um}, {Pressed: 4e9}, {Pressed: 3e9}, {Pressed: 2e9}}}, &out)
	}
	g.Step(60*ms, gauge.Event{Kind: gauge.Asked, Command: gauge.Command{Verb: "preset", Channel: 0}}, &out)
	lines := func(i int) string {
		var b strings.Builder
		for _, s := range g.Trace(i) {
			fmt.Fprintf(&b, "%s = %s\n", s.Name, s.Value)
		}
		return b.String()
	}
	require.Equal(t, `tip travel = 5.01 mm
mean of the last 2 = 5.005 mm
sense rising = 5.005 mm
datum 4.995 mm = 10 mm
factor 1 = 10 mm
function live = 10 mm
rounded half-even to 0.001 = 10.000 mm
zone inside = no limits are set
`, lines(0))
	for i, c := range g.Profile().Channels {
		if c.Name == "sum" {
			require.Contains(t, lines(i), "sum of P1 10 mm, P2 4 mm = 14 mm\n")
		}
	}
}

// Profiles that make no sense are refused with the reason.
//
// Kind: property.
func TestProfileMistakes(t *testing.T) {
	for want, change := range map[string]func(*gauge.Profile){
		"at least one channel": func(p *gauge.Profile) { p.Channels = nil },
		"rate is missing":      func(p *gauge.Profile) { p.Rate = quantity.Rate{} },
		"write the smaller":    func(p *gauge.Profile) { p.Tags.First = 9 },
		"sent at least once":   func(p *gauge.Profile) { p.Tags.Repeat = 1 },
		"holds none":           func(p *gauge.Profile) { p.Tags.Queue = -1 },
		"shows channel 3":      func(p *gauge.Profile) { p.Facing = 2 },
		"not negative":         func(p *gauge.Profile) { p.Scan = -1 },
		"stroke is missing":    func(p *gauge.Profile) { p.Channels[0].Stroke = 0 },
		"measures nothing":     func(p *gauge.Profile) { p.Channels[0].Factor = decimal.Decimal{} },
		"a mean of 65":         func(p *gauge.Profile) { p.Channels[0].Average = 65 },
		"resolution of 0":      func(p *gauge.Profile) { p.Channels[0].Resolution = decimal.Decimal{} },
		"knows no \"blue\"":    func(p *gauge.Profile) { p.Lamps[0].Looks = map[string]gauge.Look{"blue": {}} },
		"buzzer knows no":      func(p *gauge.Profile) { p.Buzzes = map[string]gauge.Rhythm{"ring": nil} },
		"1 to 20 figures":      func(p *gauge.Profile) { p.Display.Digits = 21 },
		"display knows no":     func(p *gauge.Profile) { p.Display.Marks = map[string]string{"x": ""} },
		"can be forgotten":     func(p *gauge.Profile) { p.Forgets = []string{"lock"} },
		"stand before it":      func(p *gauge.Profile) { p.Channels[0].Calc = &gauge.Calc{Of: []int{0}} },
		"a sum of 0":           func(p *gauge.Profile) { p.Channels[0].Calc = &gauge.Calc{} },
	} {
		p := profile()
		change(p)
		_, err := gauge.New(p)
		require.ErrorContains(t, err, want)
	}
}
