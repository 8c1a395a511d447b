package gauge_test

import (
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
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
