package check_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/understudy/harness/check"
	"github.com/stretchr/testify/require"
)

// A run folder of somebody else is judged or refused: whatever stands in run.json,
// and however the ledger goes, nothing of a file outside the folder is told, and
// nothing in it changes.
//
// Kind: property.
func FuzzReopen(f *testing.F) {
	const secret = "the-secret-of-another-folder"
	f.Add([]byte(`{"scenario":"scenario.yaml","source":"s.yaml","seed":1,"pace":"drain","places":{}}`), []byte(`{"t":0,"k":"run","run":{"version":1}}
{"t":1,"k":"end"}
`))
	f.Add([]byte(`{"scenario":"../secret.yaml","dialects":{"line-ascii":"../secret.yaml"},"places":{"Records":"../secret.yaml"}}`), []byte(""))
	f.Fuzz(func(t *testing.T, run, entries []byte) {
		root := t.TempDir()
		dir := filepath.Join(root, "run")
		require.NoError(t, os.Mkdir(dir, 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(root, "secret.yaml"), []byte(secret), 0o644))
		for name, text := range map[string]string{"run.json": string(run), "ledger.jsonl": string(entries),
			"scenario.yaml": "understudy: 1\ntitle: nothing\npart: {limits: [none, 5.1 mm]}\ngauges: [{name: g1, dialect: line-ascii}]\nuntil: 1 s\n",
			"host.yaml":     "command: [host]\nrecords: {form: csv, columns: {value: value}}\n", "records.csv": "value\n1\n"} {
			require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644))
		}
		out, err := check.Reopen(t.Context(), dir, false)
		said := ""
		if err != nil {
			said = err.Error()
		} else {
			said = out.Why + explain(out)
		}
		require.NotContains(t, said, secret)
		b, err := os.ReadFile(filepath.Join(root, "secret.yaml"))
		require.NoError(t, err)
		require.Equal(t, secret, string(b))
		inside, err := os.ReadDir(root)
		require.NoError(t, err)
		require.Len(t, inside, 2, "something was written outside the run folder")
		require.False(t, strings.Contains(said, "panic"))
	})
}
