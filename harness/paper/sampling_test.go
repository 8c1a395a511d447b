package paper_test

import (
	"fmt"
	"strings"
	"testing"

	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"github.com/stretchr/testify/require"
)

// A rotor that is 0.020 mm out of centre moves an indicator by twice as much in a
// turn (geometry of a circle; full indicator movement as ASME Y14.5 has it). A gauge
// that samples at 1 kHz finds it however seldom it streams, and one that samples only
// as it streams does not; the streamed readings of both are the same.
//
// Kind: outside.
func TestSamplingIsNotStreaming(t *testing.T) {
	play := func(function, sampling string) (streamed []string, tagged string) {
		s, err := scenario.Parse("rotor.yaml", []byte(fmt.Sprintf(`understudy: 1
title: A rotor out of centre, at one reading a second
part: {nominal: 40 mm}
gauges: [{name: stand, dialect: any-unit, resolution: 0.001 mm, stream: 1 Hz, function: %s%s}]
cues:
  - {at: 0 s, do: preset, to: 40 mm}
  - {at: 100 ms, do: turn, size: 40 mm, contacts: one, lobes: 1, amplitude: 0.020 mm, period: 700 ms, turns: 6}
  - {at: 6 s, do: tag}
`, function, sampling)), func(string) (string, []byte, error) { return "any-unit.yaml", []byte(anyUnit), nil })
		require.NoError(t, err)
		entries, err := paper.Ledger(t.Context(), s)
		require.NoError(t, err)
		for _, e := range entries {
			if e.Frame != nil && e.Frame.Cause == ledger.Stream {
				streamed = append(streamed, e.Frame.Readings[0].Shown.String())
			} else if e.Frame != nil {
				tagged = e.Frame.Readings[0].Shown.String()
			}
		}
		return streamed, tagged
	}
	seldom, _ := play("live", "")
	often, _ := play("live", ", sampling: 1 kHz")
	require.Equal(t, seldom, often, "what is streamed")
	lo, hi := decimal.MustParse(seldom[0]), decimal.MustParse(seldom[0])
	for _, r := range seldom {
		if d := decimal.MustParse(r); d.Cmp(lo) < 0 {
			lo = d
		} else if d.Cmp(hi) > 0 {
			hi = d
		}
	}
	_, ofStream := play("fim", "")
	_, ofSamples := play("fim", ", sampling: 1 kHz")
	require.Equal(t, hi.Sub(lo).String(), ofStream)
	require.Negative(t, decimal.MustParse(ofStream).Cmp(decimal.MustParse(ofSamples)))
	require.Equal(t, "0.040", ofSamples, strings.Join(seldom, " "))
}
