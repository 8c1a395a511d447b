//go:build linux

package check_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/stage"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// A host that floods its gauge fills no disk: the run is stopped, and is judged by
// nobody.
// Kind: process.
func TestHostThatFloods(t *testing.T) {
	t.Parallel()
	ctx, stop := budget.With(t.Context(), budget.Limits{Within: time.Minute, Memory: 4096, Rows: 1000, Ledger: 3})
	defer stop()
	floods := func(ctx context.Context, job *check.Job) error {
		fd, err := unix.Open(job.Gauges[0].Port, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
		if err != nil {
			return err
		}
		defer unix.Close(fd)
		buf := make([]byte, 4096)
		for ctx.Err() == nil {
			_, _ = unix.Write(fd, []byte("nonsense\r\nnonsense\r\nnonsense\r\nnonsense\r\n"))
			_, _ = unix.Read(fd, buf)
		}
		return nil
	}
	c := check.Check{Scenario: shipped(t, "01-in-the-middle"), Host: reference(t), Run: t.TempDir(), Func: floods, Pace: &stage.Real}
	out, err := c.Do(ctx)
	require.NoError(t, err)
	require.Equal(t, judge.Inconclusive, out.Verdict, explain(out))
	require.Contains(t, out.Why, "(--ledger)")
	info, err := os.Stat(filepath.Join(c.Run, "ledger.jsonl"))
	require.NoError(t, err)
	require.LessOrEqual(t, info.Size(), int64(3<<20))
}
