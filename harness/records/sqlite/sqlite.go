// Package sqlite lets a program read a host's records from SQLite databases: import it
// for that effect alone.
package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"strconv"
	"strings"

	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/records"
	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

func init() { records.RegisterSQLite(open) }

const (
	cellBytes = 16 << 20
	heapBytes = 256 << 20 // of all databases
)

// open opens a database for queries alone: somebody else may have made it, and
// the query. closed closes it.
func open(ctx context.Context, from infile.Opener, file string) (db *sql.Conn, closed func(), err error) {
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
	for limit, n := range map[int]int{lib.SQLITE_LIMIT_ATTACHED: 0, lib.SQLITE_LIMIT_LENGTH: cellBytes} {
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
