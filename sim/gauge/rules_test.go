package gauge_test

import (
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/zone"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Tag numbers run from the first to the last of the stated range, and begin
// again with the first of it, whatever that is.
//
// Kind: property.
func TestTagsWrapToTheFirstOfTheirRange(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		first := rapid.Int64Range(0, 9).Draw(rt, "first")
		count := rapid.Int64Range(1, 4).Draw(rt, "count")
		b := newBench(t, func(p *gauge.Profile) { p.Tags = gauge.Tags{First: first, Last: first + count - 1} })
		for n := range 3 * count {
			b.step(gauge.Event{Kind: gauge.Asked, Command: gauge.Command{Verb: "tag", Channel: -1}})
			require.Equal(rt, gauge.Tagged, b.out.Emissions[0].Kind)
			require.Equal(rt, first+n%count, b.out.Emissions[0].Tag)
		}
	})
}

// averaging is a gauge that shows the mean of n samples to the picometre.
func averaging(t *testing.T, n int) (*bench, func(x int64) string) {
	b := newBench(t, func(p *gauge.Profile) { p.Channels[0].Average, p.Channels[0].Resolution = n, decimal.New(1, -9) })
	return b, func(x int64) string {
		b.at = b.g.Due()
		return b.press(x).Shown.Trim().String()
	}
}

// A moving mean holds no sample from before the probe was lost, none from before
// the setting was made shorter, and none that was taken out of turn. The means
// are by hand.
//
// Kind: outside.
func TestWhatAMeanIsOf(t *testing.T) {
	b, press := averaging(t, 4) // newBench has pressed 5000 µm once
	require.Equal(t, "5.5", press(6000))
	b.step(gauge.Event{Kind: gauge.Sampled, Tips: []gauge.Tip{{Void: gauge.Missing}}})
	require.Equal(t, "1", press(1000), "nothing is left of 5 and 6")
	require.Equal(t, "2", press(3000))

	press(3000)
	press(3000)
	b.set("average", "2")
	press(8000)
	require.Equal(t, "8.5", press(9000), "the mean of two")
	require.Equal(t, "6", press(3000), "the mean of two")

	b.step(gauge.Event{Kind: gauge.Looked, Tips: []gauge.Tip{{Pressed: 9 * decimal.Millimetre}}})
	require.Equal(t, "6", b.g.Readings(nil)[0].Shown.Trim().String(), "a look out of turn is no sample")
	require.Equal(t, "2", press(1000))
}

// Tags that waited for the link go out once, however often the link is told to
// be up.
//
// Kind: property.
func TestWaitingTagsGoOutOnce(t *testing.T) {
	b := newBench(t, func(p *gauge.Profile) { p.Tags.Queue, p.Streaming = 2, false })
	b.step(gauge.Event{Kind: gauge.LinkTold, Up: false})
	b.step(gauge.Event{Kind: gauge.Asked, Command: gauge.Command{Verb: "tag", Channel: -1}})
	var tags []int64
	for range 3 {
		for _, e := range b.step(gauge.Event{Kind: gauge.LinkTold, Up: true}) {
			if e.Kind == gauge.Tagged {
				tags = append(tags, e.Tag)
			}
		}
	}
	require.Equal(t, []int64{1}, tags)
	require.Zero(t, b.g.Waiting())
}

// After a pause the gauge goes on at its rate: what it missed is not caught up.
//
// Kind: property.
func TestNoBurstAfterAPause(t *testing.T) {
	b := newBench(t, nil) // 20 readings a second
	b.at = b.g.Due() + 10*time.Second
	b.press(5000)
	streamed := 0
	for until := b.at + time.Second; b.g.Due() < until; {
		require.Greater(t, b.g.Due(), b.at)
		b.at = b.g.Due()
		b.press(5000)
		streamed += len(b.out.Emissions)
	}
	require.InDelta(t, 20, streamed, 1)
}

// Any master can be preset, in any unit and with any factor on either side of the
// datum, and the value is then exactly its size: 20 mm has no end as a decimal of
// inches, and 7/0.7 none in the other order. What is exported keeps it so.
//
// Kind: property.
func TestAPresetReadsItsMaster(t *testing.T) {
	factors := []string{"1", "0.7", "3", "-1.1", "0.999", "6", "1.000001", "0.3", "-7", "1.3", "9"}
	for _, unit := range []decimal.Unit{decimal.MM, decimal.IN, decimal.UIN} {
		for _, last := range []bool{false, true} {
			b := newBench(t, func(p *gauge.Profile) {
				c := &p.Channels[0]
				c.Unit, c.Resolution, c.Limits, c.Rounding = unit, gauge.ResolutionIn(decimal.Micrometre, unit), zone.Limits{}, decimal.Truncate
				p.Chain.FactorLast = last
			})
			for n := range int64(10_000) {
				master := decimal.Length(n+1) * 10 * um
				b.set("factor", factors[n%int64(len(factors))])
				b.press(n % 9973)
				require.Equal(t, gauge.Done, b.do(gauge.Command{Verb: "preset", Channel: -1, Value: gauge.Size(master)}).Refused)
				require.True(t, b.g.Readings(nil)[0].Exact.Equal(decimal.New(int64(master), 0).Fraction()), "%d × 10 µm", n+1)
			}
			other, err := gauge.New(b.g.Profile())
			require.NoError(t, err)
			require.NoError(t, other.Import(0, b.g.Export(), "hand", &b.out))
			other.Step(b.at, gauge.Event{Kind: gauge.Sampled, Tips: []gauge.Tip{b.tip}}, &b.out)
			require.True(t, other.Readings(nil)[0].Exact.Equal(b.g.Readings(nil)[0].Exact))
		}
	}
}

// A tag takes what is looked at when it is asked for, or the last sample, or the next one,
// or the first that finds the tip where it has been for as long as is said.
//
// Kind: property.
func TestWhichReadingATagTakes(t *testing.T) {
	const turn = 50 * time.Millisecond // at 20 Hz
	for takes, want := range map[gauge.Takes]struct {
		samples int
		shown   string
	}{gauge.Fresh: {0, "8"}, gauge.Last: {0, "7"}, gauge.Next: {1, "8"}, gauge.WhenStill: {7, "8"}} { // 300 ms after it is first seen at 8 mm
		b := newBench(t, func(p *gauge.Profile) {
			p.Tags.Takes, p.Tags.Within, p.Tags.For = takes, 2*decimal.Micrometre, 300*time.Millisecond
		})
		for range 9 {
			b.at += turn
			b.press(7000)
		}
		shown, samples := "", 0
		step := func(e gauge.Event) {
			for _, e := range b.step(e) {
				if e.Kind == gauge.Tagged {
					shown = e.Readings[0].Shown.Trim().String()
				}
			}
		}
		tips := []gauge.Tip{{Pressed: 8 * decimal.Millimetre}}
		b.at += turn / 2
		step(gauge.Event{Kind: gauge.Looked, Tips: tips})
		step(gauge.Event{Kind: gauge.Asked, Command: gauge.Command{Verb: "tag", Channel: -1}})
		for b.at -= turn / 2; shown == "" && samples < 99; samples++ {
			b.at += turn
			step(gauge.Event{Kind: gauge.Sampled, Tips: tips})
		}
		require.Equal(t, want.shown, shown, takes)
		require.Equal(t, want.samples, samples, takes)
	}
}
