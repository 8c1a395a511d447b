package records_test

import (
	"database/sql"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/records"
	_ "example.org/understudy/harness/records/sqlite"
	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const statements = `
create table other(x);
create table measured(id integer primary key, at text, nr integer, v real, verdict text);
insert into measured values (1, '2026-01-31 07:30:00', 7, 8.015, 'OK');
insert into measured values (2, '2026-01-31 07:30:01', 8, 0.1, 'NOK');
insert into measured values (3, null, null, null, null);
insert into measured values (4, '2026-01-31 07:30:03', 9, null, 'none');
`

var sqliteRead = []string{
	"1 reading at 2026-01-31T07:30:00Z tag 7 value 8.015 inside",
	"2 reading at 2026-01-31T07:30:01Z tag 8 value 0.1 above",
	"4 reading at 2026-01-31T07:30:03Z tag 9 void",
}

const sqliteHost = "  {form: sqlite, table: measured, columns: {time: at, tag: nr, value: v, zone: verdict}, zones: {OK: inside, NOK: above, none: void}}"

// Kind: property.
func TestReadsSQLite(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "a b?#%.db")
	db, err := sql.Open("sqlite", "file:"+strings.NewReplacer("?", "%3f", "#", "%23", "%", "%25", " ", "%20").Replace(file))
	require.NoError(t, err)
	_, err = db.Exec("pragma journal_mode=wal;" + statements)
	require.NoError(t, err)
	d := describe(t, sqliteHost)
	got, _, err := records.Read(t.Context(), d, infile.Anywhere, file) // while the host still has it open
	require.NoError(t, err)
	if d := cmp.Diff(sqliteRead, showAll(got)); d != "" {
		t.Error(d)
	}
	require.Equal(t, "id=1 at=2026-01-31 07:30:00 nr=7 v=8.015 verdict=OK", got[0].Raw)
	require.NoError(t, db.Close())

	d.Table, d.Query = "", "select nr, v, verdict, at from measured where v > 1"
	got, _, err = records.Read(t.Context(), d, infile.Anywhere, file)
	require.NoError(t, err)
	if d := cmp.Diff(sqliteRead[:1], showAll(got)); d != "" {
		t.Error(d)
	}
	for _, c := range []struct{ table, query, want string }{
		{"", "", "the database has the tables measured, other; write which one"},
		{"measures", "", `the database has no table "measures"; its tables are measured, other`},
		{"other", "", `the records have no column "at" for time; their columns are x`},
		{"", "selec 1", "the records cannot be queried"},
		{"", "delete from measured", "not authorized"},
	} {
		d.Table, d.Query = c.table, c.query
		_, _, err := records.Read(t.Context(), d, infile.Anywhere, file)
		require.ErrorContains(t, err, c.want)
	}
	_, _, err = records.Read(t.Context(), d, infile.Anywhere, filepath.Join(t.TempDir(), "none.db"))
	require.ErrorIs(t, err, os.ErrNotExist)
}

// A host that was killed leaves its write-ahead log unmerged; what it had
// committed is read all the same.
//
// Kind: property.
func TestReadsSQLiteOfAKilledHost(t *testing.T) {
	t.Parallel()
	dir, after := t.TempDir(), t.TempDir()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "h.db"))
	require.NoError(t, err)
	_, err = db.Exec("pragma journal_mode=wal; pragma wal_autocheckpoint=0;" + statements)
	require.NoError(t, err)
	for _, end := range []string{"", "-wal"} {
		b, err := os.ReadFile(filepath.Join(dir, "h.db"+end))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(after, "h.db"+end), b, 0o644))
	}
	require.NoError(t, db.Close())
	got, _, err := records.Read(t.Context(), describe(t, sqliteHost), infile.Anywhere, filepath.Join(after, "h.db"))
	require.NoError(t, err)
	if d := cmp.Diff(sqliteRead, showAll(got)); d != "" {
		t.Error(d)
	}
}

// Kind: property.
func TestDraftFromSQLite(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "h.db")
	db, err := sql.Open("sqlite", "file:"+file)
	require.NoError(t, err)
	_, err = db.Exec(strings.NewReplacer("'none'", "'invalid'", "'NOK'", "'too high'").Replace(statements))
	require.NoError(t, err)
	require.NoError(t, db.Close())
	text, guesses, err := records.Draft(t.Context(), file)
	require.NoError(t, err)
	h, err := hostfile.Parse("draft", text)
	require.NoError(t, err, string(text))
	got, _, err := records.Read(t.Context(), h.Records, infile.Anywhere, file)
	require.NoError(t, err, string(text))
	if d := cmp.Diff(sqliteRead, showAll(got)); d != "" {
		t.Errorf("%s\n%s", d, text)
	}
	require.Contains(t, guesses, `the records are the table "measured"`)
	_, _, err = records.Draft(t.Context(), filepath.Join(t.TempDir(), "none"))
	require.ErrorIs(t, err, os.ErrNotExist)
}

// The database is made by the sqlite3 program, SQLite's own.
//
// Kind: outside.
func TestReadsWhatSQLiteItselfWrites(t *testing.T) {
	t.Parallel()
	tool := testenv.Program(t, "sqlite3", "sqlite3")
	file := filepath.Join(t.TempDir(), "host.db")
	cmd := exec.Command(tool, file)
	cmd.Stdin = strings.NewReader(statements)
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, string(out))
	got, _, err := records.Read(t.Context(), describe(t, sqliteHost), infile.Anywhere, file)
	require.NoError(t, err)
	if d := cmp.Diff(sqliteRead, showAll(got)); d != "" {
		t.Error(d)
	}
}

type zeros struct{}

func (zeros) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = '0'
	}
	return len(b), nil
}

// Kind: process.
func TestEndpoint(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "posted")
	e, err := records.Listen(file)
	require.NoError(t, err)
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	for _, c := range []struct {
		method, body string
		want         int
	}{
		{"POST", `{"tag":1,"value":8.010,"zone":"inside"}`, 204},
		{"POST", "[{\"tag\":2,\n\"value\":\"8.011\"},{\"tag\":3,\"value\":8.012}]", 204},
		{"PUT", "{\"tag\":4}\n{\"tag\":5}\n", 204},
		{"POST", `{"tag":6} tag=7`, 400},
		{"POST", "", 204},
		{"GET", "", 405},
	} {
		req, err := http.NewRequestWithContext(t.Context(), c.method, e.URL, strings.NewReader(c.body))
		require.NoError(t, err)
		res, err := client.Do(req)
		require.NoError(t, err)
		_, _ = io.Copy(io.Discard, res.Body)
		res.Body.Close()
		require.Equal(t, c.want, res.StatusCode, c.body)
	}
	res, err := client.Post(e.URL, "application/json", io.LimitReader(zeros{}, 5<<20))
	require.NoError(t, err)
	res.Body.Close()
	require.Equal(t, 413, res.StatusCode)
	require.NoError(t, e.Close(5*time.Second))
	got, _, err := records.Read(t.Context(), hostfile.Records{Form: hostfile.HTTP}, infile.Anywhere, file)
	require.NoError(t, err)
	want := []string{"1 reading tag 1 value 8.010 inside", "2 reading tag 2 value 8.011", "3 reading tag 3 value 8.012", "4 reading tag 4", "5 reading tag 5", "6 reading tag 6", "7  ! the line is JSON, but not an object",
		"8  ! the line is JSON, but not an object"}
	if d := cmp.Diff(want, showAll(got)); d != "" {
		t.Error(d)
	}
}
