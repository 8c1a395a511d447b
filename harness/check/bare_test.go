package check_test

import (
	"strings"
	"testing"

	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"github.com/stretchr/testify/require"
)

// Where a dialect's tag frame carries no reading, what was tagged is what the
// stream said last; a correct host is not accused for not knowing more.
//
// Kind: process.
func TestATagWithoutAReading(t *testing.T) {
	t.Parallel()
	s, err := scenario.Parse("bare.yaml", []byte(`
understudy: 1
title: A tag between two streamed readings
part: {limits: [17.980 mm, 18.020 mm]}
gauges:
  - {name: fixture, dialect: multi-binary, resolution: 0.001 mm, mid-stroke: 18.000 mm, preset: 18.000 mm, stream: 10 Hz}
cues:
  - {at: 0 s, do: preset}
  - {at: 1 s, do: rest on, size: 18.005 mm}
  - {at: 1450 ms, do: rest on, size: 18.009 mm} # no frame says so before the tag
  - {at: 1460 ms, do: tag}
`), shippedDialect)
	require.NoError(t, err)
	out := judged(t, s)
	require.Equal(t, judge.Pass, out.Verdict, explain(out))
	require.Len(t, out.Records, 1)
	require.Equal(t, "18.005", out.Records[0].Text)
}

// A resolution that the frames round away would have every correct host send
// other numbers than the ledger holds: it is a mistake of the scenario.
//
// Kind: property.
func TestAResolutionFinerThanTheFrames(t *testing.T) {
	t.Parallel()
	text := `
understudy: 1
title: Six decimals in frames of five
gauges:
  - {name: fine, dialect: cobs-binary, resolution: 0.000001 mm, mid-stroke: 5 mm}
`
	_, err := scenario.Parse("fine.yaml", []byte(text), shippedDialect)
	require.ErrorContains(t, err, "fine.yaml:5:")
	require.ErrorContains(t, err, "a step of 0.000001 mm becomes 0.00000 in a frame of cobs-binary")
	_, err = scenario.Parse("fine.yaml", []byte(strings.Replace(text, "0.000001", "0.00001", 1)), shippedDialect)
	require.NoError(t, err)
}

// A cue that is refused while the scenario plays is never passed over: what it was to
// show did not happen, and the host is not to blame.
//
// Kind: process.
func TestARefusedCueIsSaid(t *testing.T) {
	t.Parallel()
	s, err := scenario.Parse("refused.yaml", []byte(`
understudy: 1
title: A preset on nothing
part: {limits: [17.980 mm, 18.020 mm]}
gauges:
  - {name: bore, dialect: line-ascii, resolution: 0.001 mm, mid-stroke: 18.000 mm, preset: 18.000 mm}
cues:
  - {at: 0 s, do: tag}
  - {at: 1 s, do: lift}
  - {at: 2 s, do: preset}
`), shippedDialect)
	require.NoError(t, err)
	out := judged(t, s)
	require.Equal(t, judge.Inconclusive, out.Verdict, explain(out))
	require.Contains(t, strings.Join(out.Reasons, "\n"), "the scenario, not the host: at refused.yaml:10:6, bore preset at 2 s cannot be done: no valid reading")
}

// Each channel, a computed one too, has its own resolution, and the host is told it.
//
// Kind: process.
func TestEachChannelHasItsResolution(t *testing.T) {
	t.Parallel()
	s, err := scenario.Parse("steps.yaml", []byte(`
understudy: 1
title: Three channels, three resolutions
part: {limits: [17.980 mm, 18.020 mm]}
gauges:
  - name: fixture
    dialect: multi-ascii
    mid-stroke: 18 mm
    preset: 18 mm
    channels: [{name: A, resolution: 0.001 mm}, {name: B, resolution: 0.01 mm}]
    computed: [{name: M, is: mean, of: [A, B], resolution: 0.002 mm}]
cues:
  - {at: 0 s, do: preset}
  - {at: 1 s, do: rest on, size: 18.007 mm}
  - {at: 2 s, do: tag}
`), shippedDialect)
	require.NoError(t, err)
	out := judged(t, s)
	require.Equal(t, judge.Pass, out.Verdict, explain(out))
	var got []string
	for _, r := range out.Records {
		got = append(got, r.Channel+" "+r.Text)
	}
	require.Equal(t, []string{"A 18.007", "B 18.01", "M 18.008"}, got)
}
