//go:build unix

package check_test

import (
	"database/sql"
	"encoding/json"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/judge"
	_ "example.org/understudy/harness/records/sqlite"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

const secret = "first line of a file that is nobody's business\n"

// A run folder that somebody else has made is judged without a command being run, a
// file outside being read or written, and without end.
//
// Kind: process.
func TestHostileRunFolder(t *testing.T) {
	t.Parallel()
	text := []byte("understudy-host: 1\nrun: [/bin/sh, -c, 'exit 1']\nrecords: {form: csv}\n")
	made := judged(t, shipped(t, "01-in-the-middle"))
	require.Equal(t, judge.Pass, made.Verdict, explain(made))
	for _, c := range []struct {
		name string
		make func(t *testing.T, run, outside string)
		err  string // of opening it again
		why  string // it comes to no verdict
		own  string // the same where outside is allowed
	}{
		{name: "nothing", make: func(*testing.T, string, string) {}},
		{name: "commands", make: func(t *testing.T, run, outside string) {
			put(t, filepath.Join(run, "host.yaml"), "understudy-host: 1\nrun: [/bin/sh, -c, 'echo > "+outside+"/ran']\nenvironment: {LD_PRELOAD: "+outside+"/x}\nfolder: "+outside+
				"\nready: {file: "+outside+"/secret}\nstop: {says: x}\nmany-runs: {begin: a, end: b, ended: c}\nrecords: {form: csv}\n")
		}},
		{name: "a scenario outside", make: edit(`"scenario.yaml"`, `"../outside/secret"`), err: "is outside the run folder"},
		{name: "a scenario that is a link", make: link("scenario.yaml", "secret"), err: "path escapes from parent"},
		{name: "a host that is a link", make: link("host.yaml", "secret"), err: "path escapes from parent"},
		{name: "dialects that are a link", make: link("dialects", "."), err: "path escapes from parent"},
		{name: "a ledger that is a link", make: link("ledger.jsonl", "secret"), why: "path escapes from parent"},
		{name: "a dialect outside", make: edit(`"dialects/line-ascii.yaml"`, `"../outside/secret"`), err: "is outside the run folder"},
		{name: "records that are a link", make: link("records.csv", "secret"), why: "path escapes from parent", own: "neither a column for value nor for zone"},
		{name: "records outside", make: func(t *testing.T, run, outside string) {
			put(t, filepath.Join(run, "host.yaml"), "understudy-host: 1\nrun: [x]\nrecords: {form: csv, file: "+outside+"/secret}\n")
		}, why: "is outside the run folder", own: "neither a column for value nor for zone"},
		{name: "records that never end", make: func(t *testing.T, run, _ string) {
			require.NoError(t, os.Remove(filepath.Join(run, "records.csv")))
			require.NoError(t, syscall.Mkfifo(filepath.Join(run, "records.csv"), 0o600))
		}, why: "is a device, a pipe or a socket"},
		{name: "a device", make: func(t *testing.T, run, _ string) {
			put(t, filepath.Join(run, "host.yaml"), "understudy-host: 1\nrun: [x]\nrecords: {form: csv, file: /dev/zero}\n")
		}, why: "is outside the run folder", own: "is a device, a pipe or a socket"},
		{name: "a database attached", make: query("attach '{outside}/made.db' as o"), why: "authorization denied"},
		{name: "a database written", make: query("vacuum into '{outside}/made.db'"), why: "authorization denied"},
		{name: "two statements", make: query("select 1 as v; vacuum into '{outside}/made.db'"), why: "more than one statement"},
		{name: "a large value", make: query("select zeroblob(5000000000) as v"), why: "too big"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			top := t.TempDir()
			run, outside := filepath.Join(top, "run"), filepath.Join(top, "outside")
			require.NoError(t, os.CopyFS(run, os.DirFS(made.Check.Run)))
			require.NoError(t, os.Mkdir(outside, 0o755))
			put(t, filepath.Join(run, "host.yaml"), string(text))
			put(t, filepath.Join(outside, "secret"), secret)
			c.make(t, run, outside)
			before := tree(t, top)
			began := time.Now()
			out, err := check.Reopen(t.Context(), run, false)
			t.Log(time.Since(began))
			if c.err != "" {
				require.ErrorContains(t, err, c.err)
				require.NotContains(t, err.Error(), "nobody")
			} else {
				require.NoError(t, err)
				require.Contains(t, out.Why, c.why)
				require.Equal(t, c.why != "", out.Verdict == judge.Inconclusive, explain(out))
			}
			if c.own != "" {
				out, err := check.Reopen(t.Context(), run, true)
				require.NoError(t, err)
				require.Contains(t, out.Why, c.own)
			}
			if d := cmp.Diff(before, tree(t, top)); d != "" {
				t.Error(d)
			}
		})
	}
}

func put(t *testing.T, file, text string) {
	require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
}

// edit changes what the run says of itself.
func edit(from, to string) func(t *testing.T, run, outside string) {
	return func(t *testing.T, run, _ string) {
		text, err := os.ReadFile(filepath.Join(run, "run.json"))
		require.NoError(t, err)
		require.Contains(t, string(text), from)
		put(t, filepath.Join(run, "run.json"), strings.ReplaceAll(string(text), from, to))
	}
}

// link puts a link to something outside in the place of a file.
func link(name, to string) func(t *testing.T, run, outside string) {
	return func(t *testing.T, run, outside string) {
		require.NoError(t, os.RemoveAll(filepath.Join(run, name)))
		require.NoError(t, os.Symlink(filepath.Join(outside, to), filepath.Join(run, name)))
	}
}

// query has the records be what a query gives.
func query(text string) func(t *testing.T, run, outside string) {
	return func(t *testing.T, run, outside string) {
		db, err := sql.Open("sqlite", filepath.Join(run, "records.csv.db"))
		require.NoError(t, err)
		_, err = db.Exec("create table r(v); insert into r values (1)")
		require.NoError(t, err)
		require.NoError(t, db.Close())
		q, err := json.Marshal(strings.ReplaceAll(text, "{outside}", outside))
		require.NoError(t, err)
		put(t, filepath.Join(run, "host.yaml"), "understudy-host: 1\nrun: [x]\nrecords: {form: sqlite, file: \"{run}/records.csv.db\", columns: {value: v}, query: "+string(q)+"}\n")
	}
}

// tree is all that is in a folder, with the text of each file.
func tree(t *testing.T, dir string) map[string]string {
	all := map[string]string{}
	require.NoError(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			var text []byte
			text, err = os.ReadFile(path)
			all[path] = string(text)
		} else if err == nil {
			all[path] = d.Type().String()
		}
		return err
	}))
	return all
}
