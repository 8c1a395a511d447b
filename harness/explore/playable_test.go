package explore_test

import (
	"errors"
	"strings"
	"testing"

	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"example.org/understudy/scenario/generate"
	"example.org/understudy/scenario/generate/cover"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

// Every cue of a scenario that nobody wrote can be done, and the gauges take what its host
// is to write. A line that a cue has made slow may be too slow for its stream: that is the
// fault.
//
// Kind: property.
func TestGeneratedScenariosCanBePlayed(t *testing.T) {
	t.Parallel()
	plan := generate.Plan(2, 1)
	array, err := cover.Make(plan)
	require.NoError(t, err)
	play := func(f *scenario.File) {
		s, err := scenario.Parse("generated.yaml", scenario.Marshal(f, ""), dialect)
		require.NoError(t, err)
		err = errors.Join(paper.Expectations(t.Context(), s), paper.Speaks(t.Context(), s))
		var wrong strict.Errors
		for _, e := range wrongs(err) {
			if !strings.Contains(e.Msg, "its line is too slow") {
				wrong = append(wrong, e)
			}
		}
		require.Empty(t, wrong, "%s", scenario.Marshal(f, ""))
	}
	for _, row := range testenv.Sample(t, 60, array.Rows) {
		play(generate.FromRow(&array.Plan, row, uint64(len(row))))
	}
	seeds := make([]uint64, 20_000)
	for i := range seeds {
		seeds[i] = uint64(i)
	}
	for _, seed := range testenv.Share(t, 300, 4000, seeds) {
		play(generate.RandomFrom(&array.Plan, seed))
	}
}

func wrongs(err error) (all strict.Errors) {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range joined.Unwrap() {
			all = append(all, wrongs(e)...)
		}
	} else if own := strict.Errors(nil); errors.As(err, &own) {
		all = append(all, own...)
	}
	return all
}
