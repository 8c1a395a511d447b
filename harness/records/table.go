package records

import (
	"context"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"example.org/understudy/harness/hostfile"
	_ "modernc.org/sqlite" // the database/sql driver "sqlite"
)

// readSQLite reads an SQLite database, which the host may still have open.
func readSQLite(ctx context.Context, d hostfile.Records, file string) (recs []Record, left Left, err error) {
	db, err := openSQLite(file)
	if err != nil {
		return nil, left, err
	}
	defer db.Close()
	query := d.Query
	if query == "" {
		if query, err = tableQuery(ctx, db, d.Table); err != nil {
			return nil, left, err
		}
	}
	return Query(ctx, db, d, query)
}

func openSQLite(file string) (*sql.DB, error) {
	if _, err := os.Stat(file); err != nil {
		return nil, err // the driver would make an empty one
	}
	// Read only, and patient with a host that is writing. A database with a
	// write-ahead log that a killed host left is recovered on opening, which
	// needs the right to write: immutable is not set.
	u := url.URL{Scheme: "file", Opaque: (&url.URL{Path: file}).EscapedPath(), RawQuery: "mode=ro&_pragma=busy_timeout(5000)"}
	return sql.Open("sqlite", u.String())
}

func tableNames(ctx context.Context, db *sql.DB) (names []string, err error) {
	rows, err := db.QueryContext(ctx, "select name from sqlite_schema where type in ('table','view') and name not like 'sqlite_%' order by name")
	if err != nil {
		return nil, fmt.Errorf("the database cannot be read: %w", err)
	}
	err = eachRow(rows, func(_, fields []string) { names = append(names, fields[0]) })
	return names, err
}

func tableQuery(ctx context.Context, db *sql.DB, table string) (string, error) {
	names, err := tableNames(ctx, db)
	switch {
	case err != nil:
		return "", err
	case slices.Contains(names, table):
		return "select * from " + quoteName(table), nil
	case table == "" && len(names) == 1:
		return "select * from " + quoteName(names[0]), nil
	case len(names) == 0:
		return "", errors.New("the database has no table")
	case table == "":
		return "", fmt.Errorf("the database has the tables %s; write which one in the host description, as table: NAME", strings.Join(names, ", "))
	}
	return "", fmt.Errorf("the database has no table %q; its tables are %s", table, strings.Join(names, ", "))
}

// eachRow calls f for each row, with its cells as text, and closes rows.
func eachRow(rows *sql.Rows, f func(names, fields []string)) error {
	defer rows.Close()
	names, err := rows.Columns()
	if err != nil {
		return err
	}
	cells := make([]any, len(names))
	into := make([]any, len(names))
	for i := range cells {
		into[i] = &cells[i]
	}
	for n := 1; rows.Next(); n++ {
		if err := rows.Scan(into...); err != nil {
			return fmt.Errorf("record %d cannot be read: %w", n, err)
		}
		fields := make([]string, len(cells))
		for i, c := range cells {
			fields[i] = cellText(c)
		}
		f(names, fields)
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("the records end early: %w", err)
	}
	return nil
}

func quoteName(name string) string { return `"` + strings.ReplaceAll(name, `"`, `""`) + `"` }

// Query reads records from any database of database/sql: the query's columns
// are the host's. Numbers that the database holds in binary are taken in the
// fewest decimals that stand for them.
func Query(ctx context.Context, db *sql.DB, d hostfile.Records, query string) (recs []Record, left Left, err error) {
	rows, err := db.QueryContext(ctx, query)
	if err != nil {
		return nil, left, fmt.Errorf("the records cannot be queried: %w", err)
	}
	defer rows.Close()
	names, err := rows.Columns()
	if err != nil {
		return nil, left, err
	}
	r := newReader(d)
	where, err := locate(&r.d, names)
	if err != nil {
		return nil, left, err
	}
	n := 0
	err = eachRow(rows, func(names, fields []string) {
		n++
		raw := make([]string, len(fields))
		for i, f := range fields {
			raw[i] = names[i] + "=" + f
		}
		t := where.pick(fields)
		if rec, ok := r.record(n, strings.Join(raw, " "), &t); ok {
			recs = append(recs, rec)
		}
	})
	return recs, r.left, err
}

func cellText(c any) string {
	switch c := c.(type) {
	case nil:
		return ""
	case string:
		return c
	case []byte:
		if utf8.Valid(c) {
			return string(c)
		}
		return "0x" + hex.EncodeToString(c)
	case int64:
		return strconv.FormatInt(c, 10)
	case float64:
		return plainFloat(c)
	case time.Time:
		return c.Format(time.RFC3339Nano)
	}
	return fmt.Sprint(c)
}
