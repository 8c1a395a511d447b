package accept_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/harness/accept"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/paper"
	"example.org/understudy/harness/rehearse"
	"example.org/understudy/harness/report"
	"example.org/understudy/scenario/generate"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

// The test program is the reference host too.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == "refhost" {
		os.Exit(host.Main(os.Args[2:], os.Stdin, os.Stdout, os.Stderr))
	}
	os.Exit(m.Run())
}

func line(t testing.TB, name string) *rehearse.Line {
	file, text, err := library.Find("lines", name)
	require.NoError(t, err)
	l, err := rehearse.Parse(file, text, library.DialectsBeside(file))
	require.NoError(t, err)
	return l
}

// tested takes a reference host through a line's acceptance test. What a correct one does
// is worth what it covers; what a mistake does is a finding the first time.
func tested(t testing.TB, name string, extra ...string) *accept.Test {
	l := line(t, name)
	trials, err := l.Acceptance()
	require.NoError(t, err)
	h, text, err := library.LoadHost("reference")
	require.NoError(t, err)
	self, err := os.Executable()
	require.NoError(t, err)
	h.Scenarios = nil
	var runs []report.Run
	for _, trial := range trials {
		c := &check.Check{Scenario: trial.Scenario, Host: h, HostText: text, Run: t.TempDir(), Self: self, Extra: extra, Coverage: len(extra) == 0}
		play := c.Prove
		if len(extra) > 0 {
			play = c.Do
		}
		out, err := play(context.Background())
		require.NoError(t, err)
		runs = append(runs, out.Report())
	}
	return accept.Of(l.Title, trials, runs)
}

// The reference host is accepted at the nine gauges: every case that applies happened,
// at every gauge and channel, and is right. What the test could not have shown is what
// is no mistake where the line asks for the other way, and what needs another port or
// another pace; nothing else.
//
// Kind: process.
func TestReferenceHostIsAccepted(t *testing.T) {
	t.Parallel()
	test := tested(t, "housing")
	var text, page bytes.Buffer
	require.NoError(t, test.Text(&text))
	require.NoError(t, test.HTML(&page))
	require.Equal(t, judge.Pass, test.Verdict, text.String())
	require.Equal(t, test.Applies, test.Exercised)
	require.Zero(t, test.Elsewhere)
	require.Len(t, test.Tables[0].Rows, 18, "channels, the computed ones too")
	require.Len(t, test.Tables[1].Rows, 9, "gauges")
	covered, ok := report.Covered(test.Runs)
	require.True(t, ok)
	slices.Sort(covered.Unshown)
	require.Equal(t, []string{
		"control-lines-idle", "decides-displayed", "factor-inverted", "factor-twice", "inclusive-limits",
		"reads-too-slowly", "rounds-half-even", "sends-breaks", "stalls-reading", "streams-unrecorded", "wrong-parity",
	}, covered.Unshown)
	require.Contains(t, test.Sentence(), fmt.Sprintf("%d of the %d cases", test.Exercised, test.Applies), "no verdict without what it covers")
	require.Contains(t, test.Sentence(), "could not have shown 11 of 96 mistakes")
	require.Contains(t, page.String(), "Simulated results never release real parts.")
	require.Contains(t, page.String(), "Mistakes that the test could not have shown")
	for _, name := range covered.Unshown {
		require.Contains(t, page.String(), name)
	}
	require.NotRegexp(t, `(src|href)=`, page.String(), "the page stands alone")
}

// Mistakes of the reference host are found at the nine gauges: in a long test 24 of those
// that the test could show, others with each seed.
//
// Kind: process.
func TestMistakesAreFound(t *testing.T) {
	unshown := []string{"control-lines-idle", "decides-displayed", "factor-inverted", "factor-twice", "inclusive-limits",
		"reads-too-slowly", "rounds-half-even", "sends-breaks", "stalls-reading", "streams-unrecorded", "wrong-parity"}
	var all []string
	for _, d := range host.Defects() {
		if !slices.Contains(unshown, d.Name) {
			all = append(all, d.Name)
		}
	}
	for _, name := range testenv.Share(t, 1, 24, all) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			test := tested(t, "housing", "--defect", name)
			if name == "wrong-baud" { // the host hears nothing
				require.Equal(t, judge.Inconclusive, test.Verdict, test.Sentence())
				return
			}
			require.Equal(t, judge.Fail, test.Verdict, test.Sentence())
			require.Contains(t, test.Sentence(), "FAIL: ")
		})
	}
}

// A case that did not happen is none that was passed: without it there is no pass.
//
// Kind: property.
func TestNothingPassesUnexercised(t *testing.T) {
	t.Parallel()
	l := line(t, "bench")
	trials, err := l.Acceptance()
	require.NoError(t, err)
	var runs []report.Run
	for _, trial := range trials {
		entries, err := paper.Ledger(context.Background(), trial.Scenario)
		require.NoError(t, err)
		runs = append(runs, report.Run{Name: trial.Path, Ledger: entries, Result: judge.Result{Verdict: judge.Pass}})
	}
	test := accept.Of(l.Title, trials, runs)
	require.Equal(t, judge.Pass, test.Verdict)

	runs[1].NotRun = true
	test = accept.Of(l.Title, trials, runs)
	require.Equal(t, judge.Inconclusive, test.Verdict)
	for _, r := range test.Reasons(accept.NotExercised) {
		require.Contains(t, generate.GaugeCases, r.Case)
		require.Contains(t, r.Why, "its scenario was not played")
	}

	for i := range runs {
		runs[i].NotRun = false
		for k := range runs[i].Ledger {
			if o := runs[i].Ledger[k].Out; o != nil {
				o.Fate = "unheard" // nobody had a port open
			}
		}
	}
	test = accept.Of(l.Title, trials, runs)
	require.Equal(t, judge.Inconclusive, test.Verdict)
	require.Zero(t, test.Exercised)
	require.True(t, strings.HasPrefix(test.Sentence(), "INCONCLUSIVE: 0 of the "), test.Sentence())
}

// A finding is put to the case during which it was, at its gauge and channel, and to no
// other.
//
// Kind: property.
func TestFindingsAreOfTheirCase(t *testing.T) {
	t.Parallel()
	at := decimal.Millimetre
	trials := []rehearse.Trial{{Exercises: []generate.Exercise{
		{Gauge: "g", Channel: "A", Case: generate.ChannelCases[0], From: 0, To: 10, Reading: &at},
		{Gauge: "g", Channel: "B", Case: generate.ChannelCases[0], From: 0, To: 10, Reading: &at},
		{Gauge: "h", Channel: "A", Case: generate.ChannelCases[0], From: 0, To: 10, Reading: &at},
		{Gauge: "g", Channel: "A", Case: generate.ChannelCases[1], From: 11, To: 20, Not: "there is none"},
		{Gauge: "h", Channel: "A", Case: generate.ChannelCases[1], From: 11, To: 20, Not: "it cannot", Applies: true},
	}}}
	runs := []report.Run{{Result: judge.Result{Verdict: judge.Fail, Findings: []judge.Finding{
		{Gauge: "g", Channel: "B", At: 4}, {Gauge: "g", Channel: "B", At: 5}, {Gauge: "g", Channel: "B", At: 30},
	}}}}
	test := accept.Of("a line", trials, runs)
	got := map[string]string{}
	for _, r := range test.Tables[0].Rows {
		for k := range 2 {
			got[fmt.Sprint(r.Gauge, " ", r.Channel, " ", k)] = fmt.Sprint(r.Cells[k].State, " ", r.Cells[k].Findings)
		}
	}
	require.Equal(t, map[string]string{
		"g A 0": "not exercised 0", "g A 1": " 0", // nothing was tagged in this run
		"g B 0": "wrong 2", "g B 1": " 0",
		"h A 0": "not exercised 0", "h A 1": "not exercised 0",
	}, got)
	require.Equal(t, 1, test.Elsewhere)
	require.Equal(t, judge.Fail, test.Verdict)
}
