package check_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
	"github.com/stretchr/testify/require"
)

const roundAgain = `understudy: 1
title: A counter of two numbers comes round, soon and late
gauges: [{name: g, dialect: line-ascii, tags: {first: 1, last: 2}}]
cues:
  - {at: 1 s, do: tag}
  - {at: 2 s, do: tag}
  - {at: 8 s, do: tag}
  - {at: 34 s, do: tag}
`

// A host reckons the window on repeated tags by its own clock, which a run at a speed
// factor outruns: it is not accused for either answer where the clocks disagree, and
// still is where they agree.
//
// Kind: process.
func TestWindowByTheHostsClock(t *testing.T) {
	t.Parallel()
	s, err := scenario.Parse("round.yaml", []byte(roundAgain), shippedDialect)
	require.NoError(t, err)
	self, err := os.Executable()
	require.NoError(t, err)
	for _, c := range []struct {
		pace   string
		extra  []string
		missed int
	}{
		{"10x", nil, 0}, // 0.6 s of the host's, and 2.6 s
		{"10x", []string{"--defect", "tag-window-endless"}, 1},
		{"40x", nil, 0}, // 0.15 s, and 0.65 s
		{"40x", []string{"--defect", "tag-window-endless"}, 0},
	} {
		t.Run(c.pace+strings.Join(c.extra, " "), func(t *testing.T) {
			t.Parallel()
			var pace stage.Pace
			require.NoError(t, pace.UnmarshalText([]byte(c.pace)))
			out, err := (&check.Check{Scenario: s, Host: reference(t), Run: t.TempDir(), Self: self, Extra: c.extra, Pace: &pace}).Do(t.Context())
			require.NoError(t, err)
			require.Len(t, out.Findings, c.missed, "%s %s: %s", c.pace, c.extra, explain(out))
			require.Equal(t, c.missed > 0, out.Verdict == judge.Fail, out.Why)
			require.Contains(t, out.NotJudged, "the window on repeated tag numbers: at this pace the host's clock is not the scenario's")
		})
	}
}

const endsTwice = `understudy: 1
title: The host ends twice
gauges: [{name: g, dialect: line-ascii}]
cues:
  - {at: 500 ms, do: tag, times: 3, every: 100 ms}
  - {at: 1 s, do: restart host, by: kill}
  - {at: 4 s, do: restart host}
until: 6 s
`

// A finding is confirmed at a timed pace; at real pace where the host, which takes a
// while to start, was not back in time at a faster one.
//
// Kind: process.
func TestConfirmedAtRealPace(t *testing.T) {
	t.Parallel()
	s, err := scenario.Parse("ends-twice.yaml", []byte(endsTwice), shippedDialect)
	require.NoError(t, err)
	self, err := os.Executable()
	require.NoError(t, err)
	h := reference(t)
	h.Run = []string{"/bin/sh", "-c", `sleep 1.6; exec "$0" "$@"`, self, "refhost", "--job", "{job}", "--defect", "rows-buffered"}
	c := check.Check{Scenario: s, Host: h, Run: filepath.Join(t.TempDir(), "run"), Self: self}
	out, err := c.Prove(t.Context())
	require.NoError(t, err)
	require.Equal(t, judge.Fail, out.Verdict, "%s %s", out.Why, out.Reasons)
}
