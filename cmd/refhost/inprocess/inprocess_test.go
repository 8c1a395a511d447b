package inprocess_test

import (
	"path/filepath"
	"testing"

	"example.org/understudy/cmd/refhost/inprocess"
	"example.org/understudy/harness/explore/inside"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"
)

func shippedScenario(t testing.TB, file string) *scenario.Scenario {
	text, err := scenarios.Files.ReadFile(file)
	require.NoError(t, err)
	s, err := scenario.Parse(file, text, func(name string) (string, []byte, error) {
		text, err := scenarios.Files.ReadFile("dialects/" + name + ".yaml")
		return name + ".yaml", text, err
	})
	require.NoError(t, err)
	return s
}

// The host inside passes what the host outside passes, and a run of it comes
// out the same every time.
//
// Kind: process.
func TestInsidePassesTheShippedScenarios(t *testing.T) {
	files, err := filepath.Glob("../../../scenarios/*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	h, err := inprocess.Host("")
	require.NoError(t, err)
	for _, f := range files {
		t.Run(filepath.Base(f), func(t *testing.T) {
			s := shippedScenario(t, filepath.Base(f))
			r, err := inside.Do(t.Context(), s, h)
			require.NoError(t, err)
			require.Equal(t, judge.Pass, r.Verdict, "%v %+v", r.Reasons, r.Findings)
			require.NotZero(t, r.Counts.Records)
			require.Equal(t, r.Counts.Records, r.Counts.Paired)
			again, err := inside.Do(t.Context(), s, h)
			require.NoError(t, err)
			require.Empty(t, cmp.Diff(r.Entries, again.Entries, cmpopts.EquateComparable()))
			require.Empty(t, cmp.Diff(r.Records, again.Records))
		})
	}
}

func BenchmarkInside(b *testing.B) {
	h, err := inprocess.Host("")
	require.NoError(b, err)
	s := shippedScenario(b, "07-tag-burst.yaml")
	for b.Loop() {
		_, err := inside.Do(b.Context(), s, h)
		require.NoError(b, err)
	}
}
