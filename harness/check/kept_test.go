package check_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"github.com/stretchr/testify/require"
)

// inTurn is a scenario of one tag with a loss of the link, with a reading that
// only it has.
func inTurn(t testing.TB, n int) *scenario.Scenario {
	s, err := scenario.Parse("turn.yaml", fmt.Appendf(nil, `
understudy: 1
title: Reading %d
part: {feature: rim, nominal: 5 mm}
gauges: [{name: g1, dialect: line-ascii}]
cues:
  - {at: 0 s, do: preset}
  - {at: 0 s, do: rest on, size: 5.00%d mm}
  - {at: 1 s, do: tag}
  - {at: 2 s, do: lose link, for: 1 s}
until: 4 s
`, n, n), shippedDialect)
	require.NoError(t, err)
	return s
}

func whole(text string) []byte {
	return []byte("understudy-host: 1\n" + text + "\nrecords: {form: csv}\n")
}

func described(t testing.TB, text string) *hostfile.Host {
	h, err := hostfile.Parse("host.yaml", whole(text))
	require.NoError(t, err)
	return h
}

const told = `run: ["{self}", refhost, --jobs]
many-runs: {begin: "job {job}", end: end, ended: "^ended$"}
ready: {says: "^ready$"}
`

// Hosts are kept from one check to the next: one that is told of each, and one
// that goes on, whose records of the checks before do not count.
//
// Kind: process.
func TestKept(t *testing.T) {
	t.Parallel()
	self, err := os.Executable()
	require.NoError(t, err)
	for name, desc := range map[string]string{
		"told": told,
		"goes on": `run: ["{self}", refhost, --job, "{job}"]
many-runs: true
`,
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			kept := &check.Kept{Folder: filepath.Join(dir, "host")}
			defer kept.Close()
			for n := 1; n <= 3; n++ {
				c := &check.Check{Scenario: inTurn(t, n), Host: described(t, desc), HostText: whole(desc), Run: kept.Folder, Self: self, Kept: kept}
				if name == "told" {
					c.Run = filepath.Join(dir, fmt.Sprint(n))
				}
				out, err := c.Do(t.Context())
				require.NoError(t, err)
				require.Equal(t, judge.Pass, out.Verdict, explain(out))
				require.Equal(t, n, kept.Runs(), "it is the same host")
				require.Equal(t, fmt.Sprintf("5.00%d", n), out.Records[0].Text)
				require.Len(t, out.Records, 3, "the tag, and that the link went and came back")

				again, err := check.Reopen(t.Context(), c.Run, true)
				require.NoError(t, err)
				require.Equal(t, judge.Pass, again.Verdict, explain(again))
				require.Len(t, again.Records, 3)
			}
			kept.Close()
			require.Zero(t, kept.Runs())
			kept.Close() // there is nothing left to end
		})
	}
}

// A description for many runs does for one as well.
//
// Kind: process.
func TestToldOfOneRun(t *testing.T) {
	t.Parallel()
	self, err := os.Executable()
	require.NoError(t, err)
	c := check.Check{Scenario: inTurn(t, 1), Host: described(t, told), Run: t.TempDir(), Self: self}
	out, err := c.Do(t.Context())
	require.NoError(t, err)
	require.Equal(t, judge.Pass, out.Verdict, explain(out))
	require.True(t, out.Exit.Clean() && out.Exit.Asked, out.Exit.String())
}

// One that does not end the run when it is told to, or ends by itself, is ended,
// and another one takes its place.
//
// Kind: process.
func TestKeptHostThatFails(t *testing.T) {
	t.Parallel()
	self, err := os.Executable()
	require.NoError(t, err)
	dir := t.TempDir()
	kept := &check.Kept{Folder: filepath.Join(dir, "host")}
	defer kept.Close()
	n := 0
	run := func(desc string) *check.Outcome {
		n++
		c := &check.Check{Scenario: inTurn(t, n), Host: described(t, desc), Run: filepath.Join(dir, fmt.Sprint(n)), Self: self, Kept: kept}
		out, err := c.Do(t.Context())
		require.NoError(t, err)
		return out
	}
	out := run(told)
	require.Equal(t, judge.Pass, out.Verdict, explain(out))
	out = run(strings.Replace(told, "^ended$", "^never$", 1) + "stop: {grace: 300 ms}\n")
	require.Equal(t, 2, kept.Runs())
	require.True(t, out.Exit.Killed, out.Exit.String())
	out = run(told)
	require.Equal(t, judge.Pass, out.Verdict, explain(out))
	require.Equal(t, 1, kept.Runs(), "another one")
	out = run(strings.Replace(told, "job {job}", "job nowhere", 1))
	require.Equal(t, judge.Inconclusive, out.Verdict)
	require.Contains(t, out.Why, "the host ended with exit status 3 and did not print a line that matches")
	out = run(told)
	require.Equal(t, judge.Pass, out.Verdict, explain(out))
	require.Equal(t, 1, kept.Runs())
}
