package explore_test

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/harness/explore"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/scenario/generate"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	if len(os.Args) > 1 {
		switch os.Args[1] {
		case "refhost":
			os.Exit(host.Main(os.Args[2:], os.Stdin, os.Stdout, os.Stderr))
		case "leaks":
			os.Exit(leaks())
		}
	}
	goleak.VerifyTestMain(m)
}

// leaks is a host in which something stays from one job to the next: from the
// second on it records in another step.
func leaks() int {
	in, tell := io.Pipe()
	go func() {
		jobs := 0
		for s := bufio.NewScanner(os.Stdin); s.Scan(); {
			if file, is := strings.CutPrefix(s.Text(), "job "); is {
				if jobs++; jobs > 1 {
					text, _ := os.ReadFile(file)
					_ = os.WriteFile(file, []byte(strings.Replace(string(text), `"resolution": `, `"resolution": "0.5", "was": `, 1)), 0o644)
				}
			}
			fmt.Fprintln(tell, s.Text())
		}
		tell.Close()
	}()
	return host.Main([]string{"--jobs"}, in, os.Stdout, os.Stderr)
}

// program is a host that is a program, by a shipped description.
func program(t testing.TB, name string) *explore.Program {
	text, err := scenarios.Files.ReadFile("hosts/" + name + ".yaml")
	require.NoError(t, err)
	h, err := hostfile.Parse(name, text)
	require.NoError(t, err)
	self, err := os.Executable()
	require.NoError(t, err)
	p := &explore.Program{Host: h, HostText: text, Self: self, Folder: t.TempDir()}
	t.Cleanup(p.Close)
	return p
}

// A host that is kept from run to run is found out just as one that is started
// for each is, and each run leaves its folder behind as it was.
//
// Kind: process.
func TestProgramIsKept(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"reference", "reference-kept"} {
		o := options(t, "", testenv.Count(4, 12))
		p := program(t, name)
		o.Runner = p
		sum, err := explore.Explore(t.Context(), o)
		require.NoError(t, err)
		require.Empty(t, sum.Found)
		require.Zero(t, sum.NoVerdict, "%v", sum.Why)

		o.Runner = program(t, name)
		o.Runner.(*explore.Program).Extra = []string{"--defect", "unit-label"}
		o.Enough, o.NoShrink = first, true
		sum, err = explore.Explore(t.Context(), o)
		require.NoError(t, err)
		require.Len(t, sum.Found, 1)
		require.Equal(t, "unit-label", sum.Found[0].Cause)
		runs, err := filepath.Glob(filepath.Join(p.Folder, "run-*"))
		require.NoError(t, err)
		require.Empty(t, runs)
	}
}

// What a kept host does wrong only because of an earlier run does not show when
// its scenario is played alone: that is said, and it is neither a finding of
// the scenario nor a pass.
//
// Kind: process.
func TestWhatStaysFromOneRunToTheNext(t *testing.T) {
	t.Parallel()
	p := program(t, "reference-kept")
	p.Host.Run[1], p.Host.Run = "leaks", p.Host.Run[:2]
	s, err := scenario.Parse("one", []byte("understudy: 1\ntitle: One tag\ngauges: [{name: g1, dialect: line-ascii, mid-stroke: 5.123 mm}]\ncues: [{at: 0 s, do: preset, to: 5.123 mm}, {at: 1 s, do: tag}]\n"), dialect)
	require.NoError(t, err)
	r, err := p.Play(t.Context(), s, "run")
	require.NoError(t, err)
	require.Equal(t, judge.Pass, r.Verdict)
	r, err = p.Play(t.Context(), s, "run")
	require.NoError(t, err)
	require.Equal(t, judge.Inconclusive, r.Verdict)
	require.Len(t, r.Reasons, 1)
	require.Contains(t, r.Reasons[0], "in its run 2 the host did otherwise than when it was started anew (")
}

// How many times as many scenarios a second a host that is kept takes as one
// that is started for each, and as one inside: all in turn in the same run.
func BenchmarkPrograms(b *testing.B) {
	kept, anew, within := program(b, "reference-kept"), program(b, "reference"), refhost(b, "")
	var all []*scenario.Scenario
	for seed := range uint64(20) {
		s, err := scenario.Parse("generated", scenario.Marshal(generate.Random(seed), ""), dialect)
		require.NoError(b, err)
		all = append(all, s)
	}
	var took [3]time.Duration
	for n := 0; b.Loop(); n++ {
		for i, r := range []explore.Runner{kept, anew, within} {
			began := time.Now()
			_, err := r.Play(b.Context(), all[n%len(all)], "run")
			require.NoError(b, err)
			took[i] += time.Since(began)
		}
	}
	b.ReportMetric(took[1].Seconds()/took[0].Seconds(), "anew/kept")
	b.ReportMetric(took[1].Seconds()/took[2].Seconds(), "anew/inside")
}

// What a host does wrong at pace drain only is no finding: both runs are kept, with
// all that there is of them. One that never becomes ready is not tried for ever.
//
// Kind: process.
func TestTimingIsNoFinding(t *testing.T) {
	t.Parallel()
	p := program(t, "reference")
	self := p.Self
	p.Host.Run = []string{"sh", "-c", `case "$2" in *-again) exec "$0" refhost --job "$1";; *) echo here >&2; exec "$0" refhost --job "$1" --defect first-tag-missed;; esac`, self, "{job}", "{run}"}
	o := options(t, "", 1)
	o.Only = map[string][]string{"dialect": {"line-ascii"}, "port": {"pty"}}
	var unclear []explore.Unclear
	o.Runner, o.Unclear = p, func(u explore.Unclear) { unclear = append(unclear, u) }
	for o.Run = 1; len(unclear) == 0 && o.Run < 20; o.Run++ {
		sum, err := explore.Explore(t.Context(), o)
		require.NoError(t, err)
		require.Empty(t, sum.Found)
	}
	require.Len(t, unclear, 1)
	require.Contains(t, unclear[0].Reasons[0], "depends on timing: first-tag-missed; the host passed when it was played once more, at pace")
	for _, folder := range []string{unclear[0].Folder, unclear[0].Folder + "-again"} {
		for _, file := range []string{"scenario.yaml", "ledger.jsonl", "records.csv", "host.out", "host.err", "run.json"} {
			require.FileExists(t, filepath.Join(folder, file))
		}
	}

	p.Host.Run, p.Host.Ready = []string{"sleep", "60"}, hostfile.Ready{Opened: true, Within: quantity.Duration(100 * time.Millisecond)}
	o.Run, o.Runs, unclear = 0, 100, nil
	sum, err := explore.Explore(t.Context(), o)
	require.NoError(t, err)
	require.Equal(t, 2, sum.Runs)
	require.True(t, sum.Stopped)
	require.Contains(t, unclear[1].Reasons[0], "the host did not open the ports of all gauges within 100ms; nobody has opened ")
}

// What a hand cannot do in a scenario that nobody wrote, and rows of a killed host that
// it might have lost, are no reason to come to no verdict.
//
// Kind: process.
func TestDrawnScenarioIsDecided(t *testing.T) {
	t.Parallel()
	for name, cues := range map[string]string{
		"a zero without a probe": "{at: 100 ms, do: tag}, {at: 200 ms, do: unplug probe, for: 500 ms}, {at: 300 ms, do: zero}",
		"killed over one row":    "{at: 100 ms, do: tag}, {at: 200 ms, do: restart host, by: kill, for: 5 s}",
	} {
		s, err := scenario.Parse("generated", []byte("understudy: 1\ntitle: "+name+"\ngauges: [{name: g, dialect: line-ascii}]\nuntil: 6 s\ncues: ["+cues+"]\n"), dialect)
		require.NoError(t, err)
		p, err := program(t, "reference").Play(t.Context(), s, "run-1")
		require.NoError(t, err)
		require.Equal(t, judge.Pass, p.Verdict, "%s: %v", name, p.Reasons)
	}
}
