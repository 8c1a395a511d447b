package records

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/infile"
)

// Drivers opens the database of a server by the URL of a description.
type Drivers func(form hostfile.Form, url string) (*sql.DB, error)

// drivers opens databases of servers; nil in a program without them.
var drivers Drivers

// RegisterServers is called by the package that carries the drivers of database
// servers, harness/records/servers, which a program imports for that effect.
func RegisterServers(open Drivers) { drivers = open }

// Connect opens the database of a description whose form is a database server's.
func Connect(ctx context.Context, d hostfile.Records) (*sql.DB, error) {
	if drivers == nil {
		return nil, errors.New(`this program carries no driver of a database server: import _ "example.org/understudy/harness/records/servers" beside the test`)
	}
	db, err := drivers(d.Form, d.DSN)
	if err == nil {
		ctx, stop := context.WithTimeout(ctx, queryTime)
		defer stop()
		if err = db.PingContext(ctx); err != nil {
			db.Close()
		}
	}
	if err != nil {
		return nil, fmt.Errorf("the database of the host's records cannot be reached: %w", err)
	}
	return db, nil
}

// Ask does the query of a description at a database server: one statement, in a
// transaction that can only read.
func Ask(ctx context.Context, db *sql.DB, d hostfile.Records) (t Table, err error) {
	query := d.Select()
	if err := single(query); err != nil {
		return t, err
	}
	ctx, stop := context.WithTimeoutCause(ctx, queryTime, fmt.Errorf("the query took longer than %s", queryTime))
	defer stop()
	tx, err := db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return t, fmt.Errorf("the records cannot be queried: %w", err)
	}
	defer func() { _ = tx.Rollback() }()
	return Fetch(ctx, prepared{tx}, query)
}

// prepared does each query as a prepared statement, which is one statement and not
// several for servers too.
type prepared struct{ tx *sql.Tx }

func (p prepared) QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error) {
	stmt, err := p.tx.PrepareContext(ctx, query) // closed with the transaction
	if err != nil {
		return nil, err
	}
	return stmt.QueryContext(ctx, args...)
}

// keptTable is the file of a run folder that keeps what a database gave.
const keptTable = "records.json"

// Keep writes a table into a run folder, so that its report can be made again when the
// database is gone or has changed.
func (t *Table) Keep(folder string) error {
	text, err := json.Marshal(t)
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(folder, keptTable), append(text, '\n'), 0o644)
}

// ReadKept reads what Keep wrote.
func ReadKept(from infile.Opener, folder string) (t Table, err error) {
	text, err := infile.Read(from, filepath.Join(folder, keptTable), 1<<30)
	if err != nil {
		return t, err
	}
	if err := json.Unmarshal(text, &t); err != nil {
		return t, fmt.Errorf("%s is damaged: %w", keptTable, err)
	}
	for i, row := range t.Rows {
		if len(row) != len(t.Columns) {
			return t, fmt.Errorf("%s is damaged: row %d has %d fields, and there are %d columns", keptTable, i+1, len(row), len(t.Columns))
		}
	}
	return t, nil
}
