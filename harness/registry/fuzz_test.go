package registry_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"example.org/understudy/harness/registry"
	"github.com/stretchr/testify/require"
)

// Whatever stands in the files of the registry and of a run folder, listing tells
// only of runs that live, twice the same, and the folder can be claimed.
//
// Kind: property.
func FuzzEntries(f *testing.F) {
	f.Add([]byte(`{"kind":"play","pid":1,"process":"x","began":"2026-11-02T06:00:00Z","folder":"/nowhere"}`), []byte(`{"pid":4194304}`))
	f.Add([]byte(`{"pid":-1,"folder":"."}`), []byte("{"))
	f.Fuzz(func(t *testing.T, entry, inUse []byte) {
		dir, run := filepath.Join(t.TempDir(), "registry"), t.TempDir()
		var e registry.Entry
		if json.Unmarshal(entry, &e) == nil && filepath.IsAbs(e.Folder) {
			e.Folder = run // no run of this machine is touched
			entry, _ = json.Marshal(e)
		}
		require.NoError(t, os.Mkdir(dir, 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(dir, "a.json"), entry, 0o600))
		require.NoError(t, os.WriteFile(filepath.Join(run, "in-use.json"), inUse, 0o600))
		r := registry.At(dir)
		all, err := r.List()
		require.NoError(t, err)
		for _, e := range all {
			require.Positive(t, e.PID)
		}
		again, err := r.List()
		require.NoError(t, err)
		require.Equal(t, all, again)
		c, err := r.Claim(run, registry.Entry{Kind: "play", Began: began})
		require.NoError(t, err)
		_, err = r.Claim(run, registry.Entry{Kind: "play", Began: began})
		require.ErrorAs(t, err, new(registry.InUse))
		require.NoError(t, c.Close())
	})
}
