package paper_test

import (
	"testing"

	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"github.com/stretchr/testify/require"
)

// A cue that cannot be done is a mistake of the scenario at its line and column, and
// so is one that is done though the scenario says that it is refused.
//
// Kind: property.
func TestCuesThatCannotBeDone(t *testing.T) {
	for cue, want := range map[string]string{
		"do: preset, to: 8 mm":                          "preset at 1 s cannot be done: no valid reading",
		"do: set, setting: factor, to: \"5000\"":        "set at 1 s cannot be done: out of range",
		"do: set, setting: preset-size, to: 20 mm":      "set at 1 s cannot be done: wrong unit",
		"do: fade cell, to: 5 %":                        "fade cell at 1 s cannot be done: the gauge has no cell",
		"do: zero, refused: no valid reading":           "",
		"do: zero, refused: out of range":               "zero at 1 s cannot be done: no valid reading",
		"do: clear, refused: no valid reading":          "clear at 1 s is done, and not refused: no valid reading",
		"do: set, setting: factor, to: \"2\"":           "",
		"do: set, setting: preset-size, to: 0.78740157": "",
	} {
		s, err := scenario.Parse("cue.yaml", []byte(`understudy: 1
title: A gauge that is lifted
part: {nominal: 8 mm}
gauges: [{name: bore, dialect: any-unit, resolution: 0.0001 in}]
cues:
  - {at: 0 s, do: lift}
  - {at: 1 s, `+cue+`}
`), func(string) (string, []byte, error) { return "any-unit.yaml", []byte(anyUnit), nil })
		require.NoError(t, err)
		err = paper.Speaks(t.Context(), s)
		if want == "" {
			require.NoError(t, err, cue)
		} else {
			require.ErrorContains(t, err, "cue.yaml:7:6: "+want+"; put the cue right, or write refused: and the reason", cue)
		}
	}
}
