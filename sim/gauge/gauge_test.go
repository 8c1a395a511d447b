package gauge_test

import (
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

const um = decimal.Micrometre

func profile() *gauge.Profile {
	return &gauge.Profile{
		Name: "bore-1", Common: gauge.Common{Rate: quantity.Rate{Hz: decimal.New(20, 0)}, Streaming: true},
		Tags:    gauge.Tags{First: 1, Last: 3},
		Buttons: [2]gauge.Button{{Press: gauge.TagAction}, {Press: gauge.FunctionAction, Long: gauge.PresetAction, LongAfter: time.Second}},
		Lamps:   []gauge.Lamp{{Name: "top", Shows: gauge.ShowZone}, {Name: "side", Shows: gauge.ShowProbe}},
		Channels: []gauge.Channel{{Name: "A", Stroke: 10 * decimal.Millimetre, Settings: gauge.Settings{
			Factor: decimal.New(1, 0), Unit: decimal.MM, Resolution: decimal.New(1, -3), Preset: 10 * decimal.Millimetre,
			Limits: zone.Limits{Lower: zone.At(9750 * um), WarnLower: zone.At(9800 * um), WarnUpper: zone.At(10200 * um), Upper: zone.At(10250 * um)},
		}}},
	}
}

// bench drives a gauge by hand in a test.
type bench struct {
	t   testing.TB
	g   *gauge.Gauge
	out gauge.Out
	at  time.Duration
	tip gauge.Tip
}

func newBench(t testing.TB, change func(*gauge.Profile)) *bench {
	p := profile()
	if change != nil {
		change(p)
	}
	g, err := gauge.New(p)
	require.NoError(t, err)
	b := &bench{t: t, g: g}
	b.press(5000)
	return b
}

func (b *bench) step(e gauge.Event) []gauge.Emission {
	b.g.Step(b.at, e, &b.out)
	return b.out.Emissions
}

// press sets the tip that many µm into its stroke and samples.
func (b *bench) press(microns int64) gauge.Reading {
	b.tip = gauge.Tip{Pressed: decimal.Length(microns) * um}
	b.step(gauge.Event{Kind: gauge.Sampled, Tips: []gauge.Tip{b.tip}})
	return b.g.Readings(nil)[0]
}

func (b *bench) do(c gauge.Command) gauge.Outcome {
	for _, e := range b.step(gauge.Event{Kind: gauge.Asked, Command: c}) {
		if e.Kind == gauge.Replied {
			return e.Outcome
		}
	}
	b.t.Fatal("no reply to ", c.Verb)
	return gauge.Outcome{}
}

func (b *bench) set(setting, to string) {
	require.Equal(b.t, gauge.Done, b.do(gauge.Command{Verb: "set", Setting: setting, Channel: -1, Value: gauge.Text(to)}).Refused)
}

// Max minus min is the full indicator movement (ASME Y14.5).
//
// Kind: outside.
func TestFunctions(t *testing.T) {
	b := newBench(t, nil)
	b.do(gauge.Command{Verb: "clear", Channel: -1})
	for _, p := range []int64{5000, 5040, 4970, 5010} {
		b.press(p)
	}
	for f, want := range map[string]string{"live": "5.010", "max": "5.040", "min": "4.970", "fim": "0.070"} {
		b.set("function", f)
		require.Equal(t, want, b.g.Readings(nil)[0].Shown.String(), f)
	}
	b.set("function", "max")
	b.step(gauge.Event{Kind: gauge.Sampled, Tips: []gauge.Tip{{Void: gauge.Under}}})
	require.Equal(t, "5.040", b.g.Readings(nil)[0].Shown.String(), "read after the gauge has left the part")
	b.do(gauge.Command{Verb: "clear", Channel: -1})
	require.Equal(t, gauge.Empty, b.g.Readings(nil)[0].Void)
	b.press(5000)
	b.step(gauge.Event{Kind: gauge.Sampled, Tips: []gauge.Tip{{Void: gauge.Missing}}})
	require.Equal(t, gauge.Missing, b.g.Readings(nil)[0].Void)
}

// Kind: property.
func TestVoidReadings(t *testing.T) {
	b := newBench(t, nil)
	for _, v := range []gauge.Void{gauge.Under, gauge.Over, gauge.Missing} {
		b.step(gauge.Event{Kind: gauge.Sampled, Tips: []gauge.Tip{{Void: v}}})
		r := b.g.Readings(nil)[0]
		require.Equal(t, v, r.Void)
		require.Equal(t, zone.Void, r.Zone)
		require.Equal(t, gauge.NoReading, b.do(gauge.Command{Verb: "zero", Channel: -1}).Refused)
	}
}

func kinds(es []gauge.Emission) (ks []gauge.EmissionKind) {
	for _, e := range es {
		ks = append(ks, e.Kind)
	}
	return ks
}

// Kind: property.
func TestTagsNumberAndWrap(t *testing.T) {
	b := newBench(t, nil)
	var got []int64
	for range 5 {
		for _, e := range b.step(gauge.Event{Kind: gauge.Pressed, Button: 0}) {
			if e.Kind == gauge.Tagged {
				got = append(got, e.Tag)
			}
		}
		b.step(gauge.Event{Kind: gauge.Pressed, Button: 0}) // bounce: it is down already
		b.step(gauge.Event{Kind: gauge.Released, Button: 0})
	}
	require.Equal(t, []int64{1, 2, 3, 1, 2}, got)
}

// Kind: property.
func TestTagsAreSentAgainUntilAcknowledged(t *testing.T) {
	b := newBench(t, func(p *gauge.Profile) {
		p.Streaming = false
		p.Tags.Repeat, p.Tags.Tries = 500*time.Millisecond, 3
	})
	b.step(gauge.Event{Kind: gauge.Pressed, Button: 0})
	first := append([]gauge.Reading(nil), b.out.Emissions[0].Readings...)
	sent := 0
	for b.at = 0; b.at < 3*time.Second; b.at = b.at + 50*time.Millisecond {
		b.press(5000 + int64(b.at/time.Millisecond)) // the tip moves on
		for _, e := range b.out.Emissions {
			if e.Kind == gauge.Tagged {
				sent++
				require.True(t, e.Repeat)
				require.Empty(t, cmp.Diff(first, e.Readings), "the reading that was tagged, not the present one")
			}
		}
	}
	require.Equal(t, 2, sent)
	b.step(gauge.Event{Kind: gauge.Pressed, Button: 0})
	b.step(gauge.Event{Kind: gauge.Released, Button: 0})
	b.step(gauge.Event{Kind: gauge.Pressed, Button: 0})
	require.Equal(t, gauge.Done, b.do(gauge.Command{Verb: "ack", Channel: -1, Value: gauge.Number(decimal.New(2, 0))}).Refused)
	require.Equal(t, gauge.NotPending, b.do(gauge.Command{Verb: "ack", Channel: -1, Value: gauge.Number(decimal.New(2, 0))}).Refused)
}

// Kind: property.
func TestLongPress(t *testing.T) {
	b := newBench(t, nil)
	b.step(gauge.Event{Kind: gauge.Pressed, Button: 1})
	b.at += 100 * time.Millisecond
	b.step(gauge.Event{Kind: gauge.Released, Button: 1})
	require.Equal(t, gauge.Max, b.g.Settings(0).Function, "a short press: next function")
	b.step(gauge.Event{Kind: gauge.Pressed, Button: 1})
	require.LessOrEqual(t, b.g.Due(), b.at+time.Second)
	b.at += time.Second
	r := b.press(5100)
	require.Equal(t, "10.000", r.Shown.String(), "held: preset")
	b.step(gauge.Event{Kind: gauge.Released, Button: 1})
	require.Equal(t, gauge.Max, b.g.Settings(0).Function, "the release of a long press does nothing more")
}

// Kind: property.
func TestStreamAtTheRate(t *testing.T) {
	b := newBench(t, func(p *gauge.Profile) { p.Rate = quantity.Rate{Hz: decimal.New(30, 0)} })
	n := 1 // the first tick came with newBench's sample
	for b.at = b.g.Due(); b.at < 10*time.Second; b.at = b.g.Due() {
		b.press(5000)
		n += len(b.out.Emissions)
	}
	require.Equal(t, 300, n, "30 readings a second")
	require.Equal(t, gauge.Done, b.do(gauge.Command{Verb: "stream-off", Channel: -1}).Refused)
	b.at = b.g.Due()
	b.press(5000)
	require.Empty(t, b.out.Emissions)
}

// Kind: property.
func TestRefusedWritesChangeNothing(t *testing.T) {
	b := newBench(t, func(p *gauge.Profile) { p.Channels = append(p.Channels, p.Channels[0]) })
	before := []gauge.Settings{b.g.Settings(0), b.g.Settings(1)}
	for _, c := range []struct {
		setting, to string
		channel     int
		want        gauge.Refusal
	}{
		{"unit", "bar", -1, gauge.BadValue}, {"factor", "0", -1, gauge.OutOfRange}, {"factor", "x", -1, gauge.BadValue},
		{"resolution", "-1", -1, gauge.OutOfRange}, {"resolution", "11", -1, gauge.OutOfRange}, {"sense", "up", 0, gauge.BadValue},
		{"colour", "red", 0, gauge.UnknownSetting}, {"unit", "in", 2, gauge.NoChannel}, {"lower", "11", 0, gauge.OutOfRange},
		{"rate", "0", -1, gauge.OutOfRange}, {"tag-next", "4", -1, gauge.OutOfRange}, {"stream", "maybe", -1, gauge.BadValue},
	} {
		got := b.do(gauge.Command{Verb: "set", Setting: c.setting, Channel: c.channel, Value: gauge.Text(c.to)})
		require.Equal(t, c.want, got.Refused, "%s to %s", c.setting, c.to)
		require.NotContains(t, kinds(b.out.Emissions), gauge.Changed)
	}
	require.Empty(t, cmp.Diff(before, []gauge.Settings{b.g.Settings(0), b.g.Settings(1)}))
	require.Equal(t, gauge.UnknownVerb, b.do(gauge.Command{Verb: "dance", Channel: -1}).Refused)
}

// Kind: property.
func TestLampsTellChanges(t *testing.T) {
	b := newBench(t, nil)
	b.do(gauge.Command{Verb: "preset", Channel: -1})
	b.press(5251)
	require.Equal(t, []string{"above", "good"}, b.g.Lamps())
	require.Contains(t, kinds(b.out.Emissions), gauge.Lamped)
	b.step(gauge.Event{Kind: gauge.Sampled, Tips: []gauge.Tip{{Void: gauge.Missing}}})
	require.Equal(t, []string{"void", "fault"}, b.g.Lamps())
}

// Kind: property.
func TestTraceShowsEachStep(t *testing.T) {
	b := newBench(t, nil)
	b.do(gauge.Command{Verb: "preset", Channel: -1})
	b.press(5251)
	var lines []string
	for _, s := range b.g.Trace(0) {
		lines = append(lines, s.Name+" = "+s.Value)
	}
	want := `tip travel = 5.251 mm
sense rising = 5.251 mm
factor 1 = 5.251 mm
datum 5 mm = 10.251 mm
function live = 10.251 mm
rounded half-even to 0.001 = 10.251 mm
zone above = the displayed value is above the upper specification limit 10.25 mm`
	require.Empty(t, cmp.Diff(want, strings.Join(lines, "\n")))
}

// The same events give the same emissions, and a clone lives its own life.
//
// Kind: property.
func TestDeterministicAndCloneable(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SampledFrom([]*gauge.Profile{profile(), modelProfile(), fixture(t, func(p *gauge.Profile) {
			p.Chain = gauge.Chain{FactorLast: true, RawMemory: true}
			p.AfterFrame, p.OnChange, p.Debounce, p.Buzzer, p.PassCode = true, true, 20*time.Millisecond, true, "1"
			p.Channels[1].Average = 5
		}).Profile()}).Draw(t, "profile")
		g, err := gauge.New(p)
		require.NoError(t, err)
		h, err := gauge.New(p)
		require.NoError(t, err)
		var og, oh, spare gauge.Out
		at := time.Duration(0)
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			at += time.Duration(rapid.Int64Range(0, 3e8).Draw(t, "dt"))
			e := gauge.Event{
				Kind: gauge.EventKind(rapid.IntRange(0, int(gauge.LinkTold)).Draw(t, "kind")), Button: rapid.IntRange(-1, 2).Draw(t, "button"),
				Up: rapid.Bool().Draw(t, "up"), Dead: rapid.IntRange(0, 9).Draw(t, "dead") == 0, Degrees: rapid.Int().Draw(t, "degrees"),
				Tips: []gauge.Tip{{Pressed: decimal.Length(rapid.Int64Range(0, 1e10).Draw(t, "tip")), Void: gauge.Void(rapid.IntRange(0, 3).Draw(t, "void"))}},
				Command: gauge.Command{
					Verb:    rapid.SampledFrom([]string{"read", "tag", "zero", "preset", "clear", "set", "get", "ack", "press", "nonsense"}).Draw(t, "verb"),
					Setting: rapid.SampledFrom(append(gauge.SettingNames(), "x")).Draw(t, "setting"), Channel: rapid.IntRange(-1, 1).Draw(t, "channel"),
					Value: gauge.Text(rapid.SampledFrom([]string{"1", "-2.5", "1e-30", "9e300", "mm", "in", "2 in", "falling", "max", "on", "off", "change", "factory", "none", ""}).Draw(t, "value")),
				},
			}
			c := g.Clone()
			c.Step(at, e, &spare)
			c.Step(at, gauge.Event{Kind: gauge.Pressed, Button: 0}, &spare) // must not reach g
			g.Step(at, e, &og)
			h.Step(at, e, &oh)
			if d := cmp.Diff(og.Emissions, oh.Emissions); d != "" {
				t.Fatal(d)
			}
			if g.Due() < 0 {
				t.Fatal("due before the start")
			}
		}
		if d := cmp.Diff(g.Readings(nil), h.Readings(nil)); d != "" {
			t.Fatal(d)
		}
	})
}

func BenchmarkReading(b *testing.B) {
	p := profile()
	p.Lamps = nil
	g, err := gauge.New(p)
	require.NoError(b, err)
	var out gauge.Out
	tips := []gauge.Tip{{Pressed: 5 * decimal.Millimetre}}
	b.ReportAllocs()
	for b.Loop() {
		tips[0].Pressed += 1000
		if tips[0].Pressed > 9*decimal.Millimetre {
			tips[0].Pressed = 0
		}
		g.Step(g.Due(), gauge.Event{Kind: gauge.Sampled, Tips: tips}, &out)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}
