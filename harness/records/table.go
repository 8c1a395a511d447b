package records

import (
	"context"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/infile"
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

// queryTime is the most that a query may take.
const queryTime = 2 * time.Minute

// An Opener opens an SQLite database for queries alone; closed closes it.
type Opener func(ctx context.Context, from infile.Opener, file string) (db *sql.Conn, closed func(), err error)

// sqlite opens SQLite databases; nil in a program without them.
var sqlite Opener

// RegisterSQLite is called by the package that carries SQLite, harness/records/sqlite,
// which a program imports as it would a driver of database/sql: one whose host keeps
// its records elsewhere does without the database.
func RegisterSQLite(open Opener) { sqlite = open }

func openSQLite(ctx context.Context, from infile.Opener, file string) (db *sql.Conn, closed func(), err error) {
	if sqlite == nil {
		return nil, nil, errors.New(`this program does not carry SQLite: import _ "example.org/understudy/harness/records/sqlite" beside the test`)
	}
	return sqlite(ctx, from, file)
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
func Query(ctx context.Context, db querier, d hostfile.Records, query string) ([]Record, Left, error) {
	t, err := Fetch(ctx, db, query)
	if err != nil {
		return nil, Left{}, err
	}
	return t.Records(d)
}

// Table is what a query gave.
type Table struct {
	Columns []string   `json:"columns"`
	Rows    [][]string `json:"rows"`
}

// Fetch does a query.
func Fetch(ctx context.Context, db querier, query string) (t Table, err error) {
	rows, err := db.QueryContext(ctx, query)
	if err != nil {
		if ctx.Err() != nil {
			err = context.Cause(ctx)
		}
		return t, fmt.Errorf("the records cannot be queried: %w", err)
	}
	defer rows.Close()
	if t.Columns, err = rows.Columns(); err != nil {
		return t, err
	}
	err = eachRow(ctx, rows, func(_, fields []string) { t.Rows = append(t.Rows, fields) })
	return t, err
}

// Records reads the rows by a description.
func (t *Table) Records(d hostfile.Records) (recs []Record, left Left, err error) {
	r := newReader(d)
	where, err := locate(&r.d, t.Columns)
	if err != nil {
		return nil, left, err
	}
	for i, fields := range t.Rows {
		raw := make([]string, len(fields))
		for i, f := range fields {
			raw[i] = t.Columns[i] + "=" + f
		}
		cells := where.pick(fields)
		if rec, ok := r.record(i+1, strings.Join(raw, " "), &cells); ok {
			recs = append(recs, rec)
		}
	}
	return recs, r.left, nil
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
		return PlainFloat(c)
	case time.Time:
		return c.Format(time.RFC3339Nano)
	}
	return fmt.Sprint(c)
}

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

// A Sheets reads the rows of a worksheet of a workbook, in order and without gaps,
// each with its number from 1, until row returns an error. Without a name it is the
// only worksheet. names are all worksheets.
type Sheets func(from infile.Opener, file, sheet string, row func(n int, cells []string) error) (names []string, err error)

// sheets reads worksheets; nil in a program without them.
var sheets Sheets

// RegisterXLSX is called by the package that reads workbooks, harness/records/xlsx,
// which a program imports for that effect.
func RegisterXLSX(read Sheets) { sheets = read }

var errNoSheets = errors.New(`this program does not read workbooks: import _ "example.org/understudy/harness/records/xlsx" beside the test`)

// readSheet reads the records of a worksheet.
func readSheet(ctx context.Context, d hostfile.Records, from infile.Opener, file string) (recs []Record, left Left, err error) {
	if sheets == nil {
		return nil, left, errNoSheets
	}
	p := NewParser(d)
	_, err = sheets(from, file, d.Sheet, func(n int, cells []string) error {
		if err := bounded(ctx, len(p.out)); err != nil {
			return err
		}
		p.sheetRow(n, cells)
		return p.err
	})
	return p.out, p.Left(), err
}

// sheetRow takes a row of a worksheet. Its last cells are missing where they are empty.
func (p *Parser) sheetRow(n int, cells []string) {
	for len(cells) > 0 && trim(cells[len(cells)-1]) == "" {
		cells = cells[:len(cells)-1]
	}
	if n <= p.r.d.Skip || len(cells) == 0 {
		return
	}
	p.fields = append(p.fields[:0], cells...)
	if more := len(p.header) - len(cells); more > 0 {
		p.fields = append(p.fields, slices.Repeat([]string{""}, more)...)
	}
	p.cells(n, strings.Join(cells, "\t"), true)
}
