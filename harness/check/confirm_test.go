package check_test

import (
	"slices"
	"testing"

	"example.org/understudy/cmd/refhost/inprocess"
	"example.org/understudy/harness/explore/inside"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/report"
	"github.com/stretchr/testify/require"
)

// A name that fits the second run of a scenario alone is not said: the first run, in which
// rows are there that it says are missing, contradicts it. One that fits both is kept.
//
// Kind: process.
func TestNameIsHeldForBothRuns(t *testing.T) {
	t.Parallel()
	h, err := inprocess.Host("")
	require.NoError(t, err)
	run, err := inside.Do(t.Context(), shipped(t, "07-tag-burst"), h)
	require.NoError(t, err)
	require.Equal(t, judge.Pass, run.Verdict)
	without := func(k int) report.Run {
		rows := slices.Delete(slices.Clone(run.Records), k, k+1)
		return report.Run{Host: "h", Name: "run", Spec: run.Spec, Ledger: run.Entries, Records: rows, Result: judge.Judge(run.Spec, run.Entries, rows)}
	}
	last := len(run.Records) - 1
	second := without(last)
	require.NotEmpty(t, second.Result.Explanations)
	require.NotEmpty(t, report.Hold(t.Context(), without(last), second).Explanations)
	held := report.Hold(t.Context(), without(4), second)
	require.Empty(t, held.Explanations)
	require.Equal(t, 1, held.Unexplained)
	require.Empty(t, held.Findings[0].Cause)
}
