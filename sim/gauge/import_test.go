package gauge

import (
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// Settings from a file are taken as a whole or refused as a whole: what is taken
// is what the gauge then has, and what is refused leaves it as it was.
//
// Kind: property.
func FuzzImport(f *testing.F) {
	text, err := json.Marshal(inches(f).Export())
	require.NoError(f, err)
	f.Add(text)
	f.Add([]byte(`{"settings":[{"name":"unit","channel":"A","value":"mm"},{"name":"upper","value":"1e300"}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		var e Export
		if json.Unmarshal(text, &e) != nil {
			return
		}
		g := inches(t)
		before := g.Export()
		var out Out
		if err := g.Import(0, e, "hand", &out); err != nil {
			require.NotEmpty(t, err.Error())
			require.Empty(t, cmp.Diff(before, g.Export()), "refused, and changed: %v", err)
			return
		}
		after := g.Export()
		require.NoError(t, g.Import(0, after, "hand", &out), "what a gauge exports it takes")
		require.Empty(t, cmp.Diff(after, g.Export()))
	})
}
