package check_test

import (
	"fmt"
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
			require.Contains(t, out.NotJudged, "numbers that come again within the window by the host's clock and after it by the scenario's: at this pace the host's clock is not the scenario's")
		})
	}
}

// once is a host that is started with the words of defect the first time, and after a
// while with those of later the next.
const once = `if [ -e started ]; then sleep %s; exec "$0" "$@" %s; fi; touch started; sleep %s; exec "$0" "$@" %s`

// A finding is confirmed at a timed pace. A second run that could not have shown it, for
// the host was not back in time or may have lost what it had in hand, proves nothing: it
// is played at real pace, and where that could not have shown it either, it is said.
// All are played at once.
//
// Kind: process.
func TestConfirmedAtRealPace(t *testing.T) {
	t.Parallel()
	self, err := os.Executable()
	require.NoError(t, err)
	const tags = "  - {at: 500 ms, do: tag, times: 3, every: 100 ms}\n"
	type play struct {
		name, cues, host string
		want             judge.Verdict
		reason           string
		out              *check.Outcome
		done             chan error
	}
	plays := []*play{
		{name: "it comes to no verdict", cues: tags + "  - {at: 1 s, do: restart host, by: kill}\n  - {at: 4 s, do: restart host}\n",
			host: fmt.Sprintf(once, "1.6", "--defect rows-buffered", "1.6", "--defect rows-buffered"), want: judge.Fail},
		{name: "the host is back late", cues: tags + "  - {at: 1 s, do: restart host}\n  - {at: 4600 ms, do: tag}\n",
			host: fmt.Sprintf(once, "2", "--defect first-tag-missed", "0", ""), want: judge.Fail},
		{name: "it is always back too late", cues: tags + "  - {at: 1 s, do: restart host}\n  - {at: 1500 ms, do: tag}\n",
			host: fmt.Sprintf(once, "2", "--defect first-tag-missed", "0", ""), want: judge.Inconclusive,
			reason: "at pace real, it could not have shown tag-lost of g at 1.500 s"},
		{name: "rows may be in hand at a kill", cues: tags + "  - {at: 1 s, do: restart host, by: kill}\n  - {at: 4 s, do: tag}\n",
			host: fmt.Sprintf(once, "0", "", "0", "--defect rows-buffered"), want: judge.Fail},
		{name: "the host passes", cues: tags + "  - {at: 1 s, do: restart host}\n  - {at: 4 s, do: tag}\n",
			host: `if [ -e ../../again ]; then exec "$0" "$@"; fi; touch ../../again; exec "$0" "$@" --defect last-row-lost`, want: judge.Inconclusive,
			reason: "the host passed when it was played once more, at pace 2x"},
	}
	for _, p := range plays {
		p.done = make(chan error, 1)
		s, err := scenario.Parse("ends-twice.yaml", []byte("understudy: 1\ntitle: The host ends\ngauges: [{name: g, dialect: line-ascii}]\ncues:\n"+p.cues+"until: 6 s\n"), shippedDialect)
		require.NoError(t, err)
		h := reference(t)
		h.CommitsWithin = 0
		h.Run = []string{"/bin/sh", "-c", p.host, self, "refhost", "--job", "{job}"}
		c := check.Check{Scenario: s, Host: h, Run: filepath.Join(t.TempDir(), "runs", "run"), Self: self}
		go func() {
			var err error
			p.out, err = c.Prove(t.Context())
			p.done <- err
		}()
	}
	for _, p := range plays {
		t.Run(p.name, func(t *testing.T) {
			require.NoError(t, <-p.done)
			require.Equal(t, p.want, p.out.Verdict, "%s %s", p.out.Why, p.out.Reasons)
			require.Contains(t, strings.Join(p.out.Reasons, "; "), p.reason)
		})
	}
}

// A run at a speed factor in which nothing was due, for the host was killed too soon, or
// in which the host was not back in time, shows nothing: the scenario is played at real
// pace instead, which shows what the host does.
//
// Kind: process.
func TestTooFastForTheHost(t *testing.T) {
	t.Parallel()
	var pace stage.Pace
	require.NoError(t, pace.UnmarshalText([]byte("20x")))
	self, err := os.Executable()
	require.NoError(t, err)
	for why, cues := range map[string]string{
		"nothing was due to be recorded":                        "  - {at: 900 ms, do: restart host, by: kill, for: 1 s}\nuntil: 1500 ms\n",
		"the host was not back when it was to be started again": "  - {at: 700 ms, do: restart host}\n  - {at: 5500 ms, do: restart host, by: kill}\nuntil: 5600 ms\n",
	} {
		t.Run(why, func(t *testing.T) {
			t.Parallel()
			s, err := scenario.Parse("soon.yaml", []byte("understudy: 1\ntitle: Ended soon\ngauges: [{name: g, dialect: line-ascii}]\ncues:\n"+
				"  - {at: 300 ms, do: tag, times: 3, every: 50 ms}\n"+cues), shippedDialect)
			require.NoError(t, err)
			h := reference(t)
			h.CommitsWithin, h.Run = 0, []string{"/bin/sh", "-c", `sleep 0.5; exec "$0" "$@"`, self, "refhost", "--job", "{job}"}
			want := judge.Pass
			if strings.HasPrefix(why, "nothing") {
				want, h.Run = judge.Fail, append(h.Run, "--defect", "rows-buffered")
			}
			c := check.Check{Scenario: s, Host: h, Run: filepath.Join(t.TempDir(), "run"), Pace: &pace}
			out, err := c.Do(t.Context())
			require.NoError(t, err)
			require.Equal(t, "at pace 20x "+why+": played at pace real", out.Twice, "%s %s", out.Why, out.Reasons)
			require.Equal(t, want, out.Verdict, "%s %s", out.Why, out.Reasons)
		})
	}
}
