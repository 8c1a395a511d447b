package check_test

import (
	"testing"

	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"github.com/stretchr/testify/require"
)

// A port that goes away again while the host is still opening it was never open
// for the host: it may note one loss of the link, or two.
//
// Kind: process.
func TestAPortThatGoesAwayWhileItIsOpened(t *testing.T) {
	t.Parallel()
	s, err := scenario.Parse("brief.yaml", []byte(`
understudy: 1
title: Back for ten milliseconds
gauges: [{name: g1, dialect: line-ascii}]
cues:
  - {at: 500 ms, do: tag}
  - {at: 1490 ms, do: lose link, for: 400 ms}
  - {at: 1900 ms, do: lose link, for: 500 ms}
  - {at: 3 s, do: tag}
until: 4170 ms
`), shippedDialect)
	require.NoError(t, err)
	for range 3 {
		out := judged(t, s)
		require.Equal(t, judge.Pass, out.Verdict, explain(out))
	}
	for _, wrong := range []string{"link-loss-missed", "link-back-missed"} {
		require.Equal(t, judge.Fail, judged(t, s, "--defect", wrong).Verdict, wrong)
	}
}
