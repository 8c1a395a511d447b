package servers_test

import (
	"os"
	"testing"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/internal/dbserver"
	"example.org/understudy/harness/records"
	_ "example.org/understudy/harness/records/servers"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

const statements = `
create table sizes (id integer, made timestamp(6) null, piece integer, v decimal(12,4), w double precision, verdict varchar(20));
insert into sizes values (2, '2026-01-31 07:30:01.25', 8, 0.1000, 0.1, 'NOK');
insert into sizes values (1, '2026-01-31 07:30:00.125', 7, 8.0150, 8.015, 'OK');
insert into sizes values (3, '2026-01-31 07:30:03', 9, null, null, 'none');
`

// The same rows are read from either server as they stand: decimals to their last digit,
// binary numbers in the fewest, times as written; by one statement that can only read.
// Source: PostgreSQL and MariaDB themselves.
//
// Kind: outside.
func TestReadsServers(t *testing.T) {
	t.Parallel()
	for form, start := range map[hostfile.Form]func(*testing.T, string) string{hostfile.Postgres: dbserver.Postgres, hostfile.MySQL: dbserver.MariaDB} {
		t.Run(string(form), func(t *testing.T) {
			t.Parallel()
			url := start(t, statements)
			h, err := hostfile.Parse("h", []byte("understudy-host: 1\nrun: [x]\nrecords:\n  form: "+string(form)+"\n  dsn: "+url+
				"\n  query: select * from sizes order by id\n  columns: {time: made, tag: piece, value: v, zone: verdict}\n  zones: {OK: inside, NOK: above, none: void}\n"))
			require.NoError(t, err)
			db, err := records.Connect(t.Context(), h.Records)
			require.NoError(t, err)
			defer db.Close()
			read := func() (out []string) {
				table, err := records.Ask(t.Context(), db, h.Records)
				require.NoError(t, err)
				recs, _, err := table.Records(h.Records)
				require.NoError(t, err)
				for _, r := range recs {
					require.Empty(t, r.Problem)
					value := "void"
					if r.Value != nil {
						value = r.Value.String()
					}
					out = append(out, r.Time.Format("05.000")+" "+value+" "+r.Zone)
				}
				dir := t.TempDir()
				require.NoError(t, table.Keep(dir))
				kept, err := records.ReadKept(infile.Anywhere, dir)
				require.NoError(t, err)
				require.Equal(t, table, kept)
				return out
			}
			if d := cmp.Diff([]string{"00.125 8.0150 inside", "01.250 0.1000 above", "03.000 void void"}, read()); d != "" {
				t.Error(d)
			}
			h.Records.Columns.Value.Name = "w"
			if d := cmp.Diff([]string{"00.125 8.015 inside", "01.250 0.1 above", "03.000 void void"}, read()); d != "" {
				t.Error(d)
			}
			for query, want := range map[string]string{
				"delete from sizes":                      "the records cannot be queried",
				"select 1; delete from sizes":            "the query is more than one statement",
				"select $$;$$; drop table sizes":         "",
				"insert into sizes (id) values (4)":      "the records cannot be queried",
				"create table more (id integer)":         "the records cannot be queried",
				"select * from pieces":                   "the records cannot be queried",
				"select 'a\\'; insert into sizes values": "",
			} {
				h.Records.Query = query
				_, err := records.Ask(t.Context(), db, h.Records)
				require.ErrorContains(t, err, want, query)
			}
			h.Records.Query = "select count(*) from sizes"
			table, err := records.Ask(t.Context(), db, h.Records)
			require.NoError(t, err)
			require.Equal(t, [][]string{{"3"}}, table.Rows, "nothing was written")
		})
	}
}

// A database that is not there is said to be out of reach.
//
// Kind: property.
func TestOutOfReach(t *testing.T) {
	t.Parallel()
	for _, d := range []hostfile.Records{
		{Form: hostfile.Postgres, DSN: "postgres://me@/line?host=/nowhere"},
		{Form: hostfile.MySQL, DSN: "mysql://me@localhost/line?socket=/nowhere"},
	} {
		_, err := records.Connect(t.Context(), d)
		require.ErrorContains(t, err, "the database of the host's records cannot be reached: ")
		require.ErrorIs(t, err, os.ErrNotExist)
	}
	_, err := records.Connect(t.Context(), hostfile.Records{Form: hostfile.MySQL, DSN: "mysql://me@localhost/line?tls=maybe"})
	require.ErrorContains(t, err, "of the dsn, tls has no meaning here")
}
