package check_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"github.com/stretchr/testify/require"
)

const restarts = `understudy: 1
title: restarts
gauges:
  - {name: a, dialect: line-ascii, stream: 10 Hz}
cues:
  - {at: 1 s, do: tag}
  - {at: 2 s, do: restart host, by: kill}
  - {at: 3 s, do: tag}
`

func livesAgain(t *testing.T, host string) (*check.Outcome, error) {
	s, err := scenario.Parse("restarts.yaml", []byte(restarts), shippedDialect)
	require.NoError(t, err)
	h, err := hostfile.Parse("host.yaml", []byte(host))
	require.NoError(t, err)
	self, err := os.Executable()
	require.NoError(t, err)
	c := check.Check{Scenario: s, Host: h, Run: t.TempDir(), Self: self, HostText: []byte(host)}
	return c.Do(t.Context())
}

// A host that was started by hand cannot be started again by the harness, so that
// does not apply to it.
//
// Kind: process.
func TestRestartOfARunningHost(t *testing.T) {
	t.Parallel()
	out, err := livesAgain(t, "understudy-host: 1\nalready-running: true\nrecords: {form: csv, file: /nowhere}\n")
	require.NoError(t, err)
	require.Equal(t, judge.Skipped, out.Verdict)
	require.Contains(t, out.Why, "this one is started by hand")
}

// A host that does not come back leaves the run undecided, and says why.
//
// Kind: process.
func TestHostThatDoesNotComeBack(t *testing.T) {
	t.Parallel()
	if _, err := os.Stat("/bin/sh"); err != nil {
		t.Skip("there is no /bin/sh")
	}
	out, err := livesAgain(t, `understudy-host: 1
run: [/bin/sh, -c, 'test -e "$0/once" && exit 7; touch "$0/once"; exec "$1" refhost --job "$2"', "{run}", "{self}", "{job}"]
ready: {says: ready}
records: {form: csv}
`)
	require.NoError(t, err)
	require.Equal(t, judge.Inconclusive, out.Verdict, explain(out))
	require.Len(t, out.Reasons, 1)
	require.Contains(t, out.Reasons[0], "the host at 2s: not ready: the host")
	require.Contains(t, out.Reasons[0], "exit status 7")
}

// The run folder of a run with a restart judges the same again, and keeps what
// each life of the host has printed.
//
// Kind: process.
func TestRestartReopened(t *testing.T) {
	t.Parallel()
	text, err := scenarios.Files.ReadFile("hosts/reference.yaml")
	require.NoError(t, err)
	self, err := os.Executable()
	require.NoError(t, err)
	c := check.Check{Scenario: shipped(t, "37-the-host-ends-twice"), Host: reference(t), HostText: text, Run: t.TempDir(), Self: self, Extra: []string{"--defect", "starts-over"}}
	out, err := c.Do(t.Context())
	require.NoError(t, err)
	again, err := check.Reopen(t.Context(), out.Check.Run, false)
	require.NoError(t, err)
	require.Equal(t, out.Verdict, again.Verdict)
	require.Equal(t, "starts-over", again.Explanations[0].Cause.Name)
	printed, err := os.ReadFile(filepath.Join(out.Check.Run, "host.out"))
	require.NoError(t, err)
	require.Equal(t, 3, strings.Count(string(printed), "ready"))
}
