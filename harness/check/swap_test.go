package check_test

import (
	"strings"
	"testing"

	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/stage/ledger"
	"github.com/stretchr/testify/require"
)

// Gauges on sockets change places as those on pseudo-terminals do, and the host
// that knows them by their place is found out.
//
// Kind: process.
func TestSwappedSockets(t *testing.T) {
	t.Parallel()
	text, err := scenarios.Files.ReadFile("36-ports-swapped.yaml")
	require.NoError(t, err)
	for _, kind := range []string{"tcp", "rfc2217"} {
		t.Run(kind, func(t *testing.T) {
			s, err := scenario.Parse("swapped.yaml", []byte(strings.ReplaceAll(string(text), "dialect: ", "port: "+kind+", dialect: ")), shippedDialect)
			require.NoError(t, err)
			out := judged(t, s)
			require.Equal(t, judge.Pass, out.Verdict, explain(out))
			at := map[string][]string{} // where each gauge was opened
			for _, e := range out.Entries {
				if e.Kind == ledger.KindPort && e.Port.What == "opened" {
					at[e.Gauge] = append(at[e.Gauge], e.Port.Path)
				}
			}
			left, right := at["journal-left"], at["journal-right"]
			require.Len(t, left, 3)
			require.Equal(t, []string{left[1], left[0], left[1]}, right)
			require.Equal(t, left[0], left[2])

			out = judged(t, s, "--defect", "gauges-by-port")
			require.Equal(t, judge.Fail, out.Verdict, out.Why)
			require.Equal(t, "gauges-by-port", out.Explanations[0].Cause.Name, explain(out))
			require.Zero(t, out.Unexplained, explain(out))
		})
	}
}
