package check_test

import (
	"bytes"
	"context"
	"path/filepath"
	"testing"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/report"
	"example.org/understudy/sim/stage/ledger"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// A ledger too long to hold is judged to the same findings, and what is held of
// it is enough for the page, which says so.
//
// Kind: process.
func TestLongLedger(t *testing.T) {
	t.Parallel()
	folder := filepath.Join(t.TempDir(), "run")
	h, text, err := library.Described([]string{"a function of the test"}, "")
	require.NoError(t, err)
	c := check.Check{Scenario: shipped(t, "11-damaged-frames"), Host: h, HostText: text, Run: folder, Func: func(ctx context.Context, j *check.Job) error {
		return host.Do(ctx, filepath.Join(filepath.Dir(j.Records), "job.json"), "guard-ignored")
	}}
	out, err := c.Do(t.Context()) // once: the folder is that of one run
	require.NoError(t, err)
	require.Equal(t, 1, out.Every)
	again, err := check.ReopenHolding(t.Context(), folder, false, 300)
	require.NoError(t, err)
	require.Greater(t, again.Every, 1)
	require.LessOrEqual(t, len(again.Entries), 300)
	require.Empty(t, cmp.Diff(out.Result, again.Result))
	shown := map[int]bool{}
	for _, e := range again.Entries {
		if e.Frame != nil {
			shown[e.Frame.ID] = true
		}
	}
	for _, e := range out.Entries {
		if e.Kind != ledger.KindFrame && e.Kind != ledger.KindOut {
			require.Contains(t, again.Entries, e, "what is not about single frames is held")
		} else if e.Frame != nil {
			require.Equal(t, e.Frame.ID%again.Every == 0, shown[e.Frame.ID])
		}
	}
	var page bytes.Buffer
	r := again.Report()
	require.NoError(t, report.HTML(&page, "a long run", []report.Run{r}))
	require.Contains(t, page.String(), "drawn of 1 frame in")
}
