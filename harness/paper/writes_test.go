package paper_test

import (
	"bytes"
	"strings"
	"testing"

	"example.org/understudy/harness/library"
	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"github.com/stretchr/testify/require"
)

// What the host is to write to a gauge before the timeline begins has been written on paper,
// too: what is expected and what is explained are readings of the gauge so set up, and what
// the gauge refuses is a mistake of the scenario. The sizes are chosen, so the readings
// follow from the preset: the master of 16 mm, and a part 0.007 mm larger.
//
// Kind: outside.
func TestWhatTheHostWritesIsPlayedOnPaper(t *testing.T) {
	text := `understudy: 1
title: The host sets the gauge on its master
part: {feature: bore, nominal: 16.000 mm, limits: [15.985 mm, 16.015 mm]}
gauges:
  - {name: other, dialect: line-ascii, starts-on: 16.000 mm, preset: 5.000 mm}
  - {name: plug, dialect: line-ascii, starts-on: 16.000 mm, preset: 5.000 mm}
host: {writes: [{gauge: plug, set: factor, to: "2"}, {gauge: plug, do: preset, to: 16.000 mm}]}
cues:
  - {at: 1 s, do: rest on, size: 16.007 mm}
  - {at: 2 s, do: tag}
expect:
  - {at: 2 s, gauge: plug, reading: 16.014 mm, zone: inside}
  - {at: 2 s, gauge: other, reading: 5.007 mm, zone: below}
`
	play := func(text string) (*scenario.Scenario, error) {
		s, err := scenario.Parse("writes.yaml", []byte(text), library.DialectsBeside("writes.yaml"))
		require.NoError(t, err)
		return s, paper.Expectations(t.Context(), s)
	}
	s, err := play(text)
	require.NoError(t, err)
	var out bytes.Buffer
	require.NoError(t, paper.Explain(t.Context(), &out, s, false, false))
	require.Contains(t, out.String(), "reading 16.014 mm")
	require.Contains(t, out.String(), "host: 16.014 mm, inside")

	_, err = play(strings.Replace(text, "reading: 16.014 mm", "reading: 5.014 mm", 1))
	require.ErrorContains(t, err, "writes.yaml:12:6: at 2 s plug reads 16.014 mm, not 5.014 mm")
	_, err = play(strings.Replace(text, "name: plug, dialect: line-ascii, starts-on: 16.000 mm", "name: plug, dialect: line-ascii, starts-on: 30.000 mm", 1))
	require.ErrorContains(t, err, "writes.yaml:7:55: plug refuses what the host is to write: no valid reading")
}
