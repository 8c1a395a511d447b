package records_test

import (
	"context"
	"database/sql"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/records"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// A query from elsewhere reads its database, and does nothing else.
//
// Kind: property.
func TestQueryIsConfined(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file, other := filepath.Join(dir, "h.db"), filepath.Join(dir, "other.db")
	db, err := sql.Open("sqlite", file)
	require.NoError(t, err)
	_, err = db.Exec(statements + "create view again as with recursive n(x) as (select 1 union all select x+1 from n) select x as nr from n;")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	before, err := os.ReadFile(file)
	require.NoError(t, err)

	d := describe(t, "  {form: sqlite, columns: {value: nr}}")
	for _, c := range []struct{ query, want string }{
		{"attach '" + other + "' as o", "authorization denied"},
		{"vacuum into '" + other + "'", "authorization denied"},
		{"select 1 as nr; attach '" + other + "' as o", "more than one statement"},
		{"select 1 as nr where 'it''s;' <> \"nr;\" -- ;\n; /* ; */ vacuum into '" + other + "'", "more than one statement"},
		{"create table x(y)", "authorization denied"},
		{"create temp table x(y)", "authorization denied"},
		{"pragma writable_schema = 1", "authorization denied"},
		{"select load_extension('/nowhere') as nr", "not authorized"},
		{"select zeroblob(5000000000) as nr", "too big"},
		{"with recursive n(x) as (select 1 union all select x+1 from n) select x as nr from n", "there are more than 50000 rows (--rows)"},
		{"select nr from again", "there are more than 50000 rows (--rows)"},
		{"with recursive n(x) as (select 1 union all select x+1 from n) select x as nr from n where x < 0", "no more time"},
		{"with recursive n(x) as (select 1 union all select x+1 from n) select max(x) as nr from n", "no more time"},
		{"with recursive n(x, y) as (select 1, zeroblob(1000000) union select x+1, y || x from n) select max(x) as nr from n", ""},
	} {
		ctx, stop := budget.With(t.Context(), budget.Limits{Within: time.Minute, Memory: 4096, Rows: 50_000})
		late := func() {}
		if c.want == "no more time" || c.want == "" { // what else there is ends by itself
			ctx, late = context.WithTimeoutCause(ctx, 200*time.Millisecond, os.ErrDeadlineExceeded)
		}
		if c.want == "no more time" {
			c.want = os.ErrDeadlineExceeded.Error()
		}
		d.Query = c.query
		_, _, err := records.Read(ctx, d, infile.Anywhere, file)
		require.ErrorContains(t, err, c.want, c.query)
		late()
		stop()
	}
	d.Query = "select max(nr) as nr from [measured] where 'a;b' <> \"nr\" ; -- one; statement"
	got, _, err := records.Read(t.Context(), d, infile.Anywhere, file)
	require.NoError(t, err)
	require.Len(t, got, 1)

	after, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, before, after)
	left, err := filepath.Glob(filepath.Join(dir, "*"))
	require.NoError(t, err)
	if d := cmp.Diff([]string{file}, left); d != "" {
		t.Error(d)
	}
}

// Kind: property.
func TestRowsAreBounded(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "r.csv")
	require.NoError(t, os.WriteFile(file, []byte("tag,value\n"+strings.Repeat("1,"+strings.Repeat("x", 1000)+"\n", 3000)), 0o644))
	ctx, stop := budget.With(t.Context(), budget.Limits{Within: time.Minute, Memory: 4096, Rows: 100})
	defer stop()
	got, _, err := records.Read(ctx, describe(t, "  {form: csv}"), infile.Anywhere, file)
	require.ErrorContains(t, err, "there are more than 100 rows (--rows)")
	require.Equal(t, `the value "`+strings.Repeat("x", 147)+"…"+strings.Repeat("x", 50)+`" is not a number`, got[0].Problem)
}
