package records

import (
	"context"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/infile"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// readSQLite reads an SQLite database, which the host may still have open.
func readSQLite(ctx context.Context, d hostfile.Records, from infile.Opener, file string) (recs []Record, left Left, err error) {
	ctx, stop := context.WithTimeoutCause(ctx, queryTime, fmt.Errorf("the query took longer than %s", queryTime))
	defer stop()
	db, closed, err := openSQLite(ctx, from, file)
	if err != nil {
		return nil, left, err
	}
	defer closed()
	query := d.Query
	if query == "" {
		if query, err = tableQuery(ctx, db, d.Table); err != nil {
			return nil, left, err
		}
	}
	if err := single(query); err != nil {
		return nil, left, err
	}
	return Query(ctx, db, d, query)
}

// Bounds of a query.
const (
	queryTime = 2 * time.Minute
	cellBytes = 16 << 20
	heapBytes = 256 << 20 // of all databases
)

// openSQLite opens a database for queries alone: somebody else may have made it, and
// the query. closed closes it.
func openSQLite(ctx context.Context, from infile.Opener, file string) (db *sql.Conn, closed func(), err error) {
	f, err := infile.Open(from, file, infile.Streamed)
	if err != nil {
		return nil, nil, err // the driver would make an empty one
	}
	f.Close()
	// Read only, and patient with a host that is writing. A database with a
	// write-ahead log that a killed host left is recovered on opening, which
	// needs the right to write: immutable is not set.
	u := url.URL{Scheme: "file", Opaque: (&url.URL{Path: file}).EscapedPath(), RawQuery: "mode=ro&_pragma=busy_timeout(5000)&_pragma=query_only(1)" +
		"&_pragma=trusted_schema(0)&_pragma=cell_size_check(1)&_pragma=temp_store(2)&_pragma=hard_heap_limit(" + strconv.Itoa(heapBytes) + ")"}
	pool, err := sql.Open("sqlite", u.String())
	if err != nil {
		return nil, nil, err
	}
	if db, err = pool.Conn(ctx); err == nil {
		err = confine(db)
	}
	if err != nil {
		pool.Close()
		return nil, nil, fmt.Errorf("the database cannot be opened: %w", err)
	}
	return db, func() { db.Close(); pool.Close() }, nil
}

// confine lets a connection select, and nothing else.
func confine(db *sql.Conn) error {
	for limit, n := range map[int]int{sqlite3.SQLITE_LIMIT_ATTACHED: 0, sqlite3.SQLITE_LIMIT_LENGTH: cellBytes} {
		if _, err := sqlite.Limit(db, limit, n); err != nil {
			return err
		}
	}
	return db.Raw(func(conn any) error {
		c, ok := conn.(sqlite.AuthorizerRegisterer)
		if !ok {
			return errors.New("its driver takes no authorizer")
		}
		return c.RegisterAuthorizer(func(action sqlite.AuthorizerActionCode, _, what, _, _ string) sqlite.AuthorizerReturnCode {
			switch action {
			case sqlite.AuthSelect, sqlite.AuthRead, sqlite.AuthRecursive:
				return sqlite.AuthorizerOK
			case sqlite.AuthFunction:
				if !strings.EqualFold(what, "load_extension") {
					return sqlite.AuthorizerOK
				}
			}
			return sqlite.AuthorizerDeny
		})
	})
}

// single reports what follows the first statement of a query.
func single(query string) error {
	end := func(from int, of string) int { // of what begins at from and ends with of
		if n := strings.Index(query[from:], of); n >= 0 {
			return from + n + len(of)
		}
		return len(query)
	}
	ended := false
	for i := 0; i < len(query); {
		switch c := query[i]; {
		case strings.HasPrefix(query[i:], "--"):
			i = end(i, "\n")
			continue
		case strings.HasPrefix(query[i:], "/*"):
			i = end(i+2, "*/")
			continue
		case c == ';':
			ended = true
		case c <= ' ':
		case ended:
			return errors.New("the query is more than one statement; write one, a select")
		case c == '\'' || c == '"' || c == '`':
			i = end(i+1, string(c))
			continue
		case c == '[':
			i = end(i, "]")
			continue
		}
		i++
	}
	return nil
}

// bounded reports why no more rows are read.
func bounded(ctx context.Context, rows int) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if most := budget.Of(ctx).Rows; rows > most {
		return fmt.Errorf("there are more than %d rows (--rows)", most)
	}
	return nil
}

// querier is a database, or a connection to one.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

func tableNames(ctx context.Context, db querier) (names []string, err error) {
	rows, err := db.QueryContext(ctx, "select name from sqlite_schema where type in ('table','view') and name not like 'sqlite_%' order by name")
	if err != nil {
		return nil, fmt.Errorf("the database cannot be read: %w", err)
	}
	err = eachRow(ctx, rows, func(_, fields []string) { names = append(names, fields[0]) })
	return names, err
}

func tableQuery(ctx context.Context, db querier, table string) (string, error) {
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
func eachRow(ctx context.Context, rows *sql.Rows, f func(names, fields []string)) error {
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
		if err := bounded(ctx, n); err != nil {
			return err
		}
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
		if ctx.Err() != nil {
			err = context.Cause(ctx)
		}
		return fmt.Errorf("the records end early: %w", err)
	}
	return nil
}

func quoteName(name string) string { return `"` + strings.ReplaceAll(name, `"`, `""`) + `"` }

// Query reads records from any database of database/sql: the query's columns
// are the host's. Numbers that the database holds in binary are taken in the
// fewest decimals that stand for them.
func Query(ctx context.Context, db querier, d hostfile.Records, query string) (recs []Record, left Left, err error) {
	rows, err := db.QueryContext(ctx, query)
	if err != nil {
		if ctx.Err() != nil {
			err = context.Cause(ctx)
		}
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
	err = eachRow(ctx, rows, func(names, fields []string) {
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
