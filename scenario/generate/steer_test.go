package generate

import (
	"slices"
	"testing"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

// Whatever a scenario's gauges are, their steered test is made of scenarios without a
// mistake, and says of each case at each gauge and channel when it is, or why it is not.
//
// Kind: property.
func TestSteered(t *testing.T) {
	t.Parallel()
	for seed := range uint64(testenv.Count(40, 600)) {
		f := Random(seed)
		f.Cues = nil
		s, err := scenario.Parse("base", scenario.Marshal(f, ""), dialect)
		require.NoError(t, err)
		said := map[[3]string]bool{}
		for _, trial := range Steer(f, s) {
			good(t, trial.File)
			for _, e := range trial.Exercises {
				said[[3]string{e.Gauge, e.Channel, e.Case}] = true
				if e.Not == "" {
					require.Less(t, e.From, e.To, "%d: %v", seed, e)
					require.LessOrEqual(t, e.To, trial.File.Until.D())
				}
				cases := ChannelCases
				if e.Channel == "" {
					cases = GaugeCases
				}
				require.True(t, slices.Contains(cases, e.Case), e.Case)
			}
		}
		for g := range s.Gauges {
			for _, c := range GaugeCases {
				require.True(t, said[[3]string{s.Gauges[g].Name, "", c}], "%d: %s at %s", seed, c, s.Gauges[g].Name)
			}
			for _, ch := range s.Play.Cast[g].Profile.Channels {
				for _, c := range ChannelCases {
					require.True(t, said[[3]string{s.Gauges[g].Name, ch.Name, c}], "%d: %s at %s %s", seed, c, s.Gauges[g].Name, ch.Name)
				}
			}
		}
	}
}
