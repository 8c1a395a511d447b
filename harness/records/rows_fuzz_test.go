package records_test

import (
	"database/sql"
	"testing"

	"example.org/understudy/harness/records"
	"github.com/stretchr/testify/require"
)

// Whatever a row of a database holds, it leaves one record, twice the same, that
// tells what it could not read.
//
// Kind: property.
func FuzzRows(f *testing.F) {
	db, err := sql.Open("sqlite", ":memory:")
	require.NoError(f, err)
	db.SetMaxOpenConns(1)
	f.Cleanup(func() { db.Close() })
	_, err = db.Exec("create table measured (at, nr, v, verdict)")
	require.NoError(f, err)
	d := describe(f, sqliteHost)
	f.Add("2026-01-31 07:30:00", int64(7), 8.015, []byte("OK"), false)
	f.Add("", int64(-1<<63), 1e308, []byte{0xff, 0}, true)
	f.Fuzz(func(t *testing.T, at string, nr int64, v float64, verdict []byte, mixed bool) {
		values := []any{at, nr, v, string(verdict)}
		if mixed { // SQLite's columns hold values of any type
			values = []any{nr, v, verdict, at}
		}
		_, err := db.Exec("delete from measured")
		require.NoError(t, err)
		for range 2 {
			_, err = db.Exec("insert into measured values (?, ?, ?, ?)", values...)
			require.NoError(t, err)
		}
		got, _, err := records.Query(t.Context(), db, d, "select at, nr, v, verdict from measured")
		require.NoError(t, err)
		require.Len(t, got, 2)
		for i := range got {
			require.Equal(t, i+1, got[i].Row)
		}
		require.Equal(t, got[0].Raw, got[1].Raw)
		require.Equal(t, got[0].Kind, got[1].Kind)
		again, _, err := records.Query(t.Context(), db, d, "select at, nr, v, verdict from measured")
		require.NoError(t, err)
		require.Equal(t, got, again)
	})
}
