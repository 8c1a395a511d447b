package records

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/infile"
)

// sampleBytes of a file are looked at to draft a description.
const sampleBytes = 1 << 20

// Draft drafts a host description from a file of the host's records, as
// hostfile.Draft does, and can look into an SQLite database and a workbook too.
func Draft(ctx context.Context, file string) (description []byte, guesses []string, err error) {
	f, err := infile.Open(infile.Anywhere, file, infile.Streamed)
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	sample, err := io.ReadAll(io.LimitReader(f, sampleBytes))
	if err != nil {
		return nil, nil, err
	}
	switch {
	case bytes.HasPrefix(sample, []byte("SQLite format 3\x00")):
		return draftSQLite(ctx, file)
	case bytes.HasPrefix(sample, []byte("PK\x03\x04")):
		return draftSheet(file)
	}
	if description, guesses, err = hostfile.Draft(sample); err != nil {
		err = fmt.Errorf("%s: %w", file, err)
	}
	return description, guesses, err
}

// draftSheet drafts from the worksheet whose rows give the most columns of ours.
func draftSheet(file string) (description []byte, guesses []string, err error) {
	if sheets == nil {
		return nil, nil, errNoSheets
	}
	names, err := sheets(infile.Anywhere, file, "", func(int, []string) error { return nil })
	if len(names) == 0 {
		return nil, nil, err
	}
	best, description, guesses, err := fullest(names, func(name string) ([]byte, []string, error) {
		var rows [][]string
		_, err := sheets(infile.Anywhere, file, name, func(n int, cells []string) error {
			if n > draftRows {
				return errEnough
			}
			row := slices.Clone(cells)
			for i := range row {
				row[i] = trim(row[i])
			}
			rows = append(rows, row)
			return nil
		})
		if err != nil && !errors.Is(err, errEnough) {
			return nil, nil, err
		}
		text, notes, _ := hostfile.DraftSheet(rows)
		return text, notes, nil
	})
	switch {
	case err != nil:
		return nil, nil, err
	case best == "":
		return nil, nil, fmt.Errorf("%s: no worksheet has rows that look like records; its worksheets are %s", file, strings.Join(names, ", "))
	}
	description = bytes.Replace(description, []byte("form: xlsx\n"), fmt.Appendf(nil, "form: xlsx\n  sheet: %q\n", best), 1)
	return description, append(guesses, fmt.Sprintf("the records are in the worksheet %q", best)), nil
}

// draftRows of a worksheet or a table are looked at.
const draftRows = 500

var errEnough = errors.New("enough rows")

// fullest drafts from each of several tables, and returns the draft that names the most
// columns of ours; best is empty where none names any. A draft of nil is none.
func fullest(names []string, draft func(name string) ([]byte, []string, error)) (best string, description []byte, guesses []string, err error) {
	most := 0
	for _, name := range names {
		text, notes, err := draft(name)
		if err != nil {
			return "", nil, nil, err
		}
		if found := columnsFound(text); found > most {
			best, most, description, guesses = name, found, text, notes
		}
	}
	return best, description, guesses, nil
}

// columnsFound counts the columns of ours that a draft names by the host's names.
func columnsFound(draft []byte) (found int) {
	h, err := hostfile.Parse("draft", draft)
	if err != nil || h.Records.OurNames {
		return 0
	}
	for _, c := range h.Records.Columns.All() {
		if c.Set() {
			found++
		}
	}
	return found
}

// draftSQLite drafts from the table whose rows give the most columns of ours.
func draftSQLite(ctx context.Context, file string) (description []byte, guesses []string, err error) {
	db, closed, err := openSQLite(ctx, infile.Anywhere, file)
	if err != nil {
		return nil, nil, err
	}
	defer closed()
	tables, err := tableNames(ctx, db)
	if err != nil {
		return nil, nil, err
	}
	if len(tables) == 0 {
		return nil, nil, fmt.Errorf("%s has no table", file)
	}
	best, description, guesses, err := fullest(tables, func(table string) ([]byte, []string, error) {
		rows, err := db.QueryContext(ctx, fmt.Sprintf("select * from %s limit %d", quoteName(table), draftRows))
		if err != nil {
			return nil, nil, err
		}
		// The rows as JSON Lines, which keep the names of the columns.
		var sample bytes.Buffer
		err = eachRow(ctx, rows, func(names, fields []string) {
			m := map[string]string{}
			for i, n := range names {
				m[n] = fields[i]
			}
			line, _ := json.Marshal(m) // texts only: it cannot fail
			sample.Write(append(line, '\n'))
		})
		text, notes, _ := hostfile.Draft(sample.Bytes()) // an error: it has no rows
		return text, notes, err
	})
	if err != nil {
		return nil, nil, err
	}
	if best == "" {
		description, guesses, err = hostfile.Draft([]byte("SQLite format 3\x00"))
		return description, append(guesses, "the tables are "+strings.Join(tables, ", ")+", and none has rows that look like records"), err
	}
	description = bytes.Replace(description, []byte("form: json-lines\n"), fmt.Appendf(nil, "form: sqlite\n  table: %q\n", best), 1)
	return description, append(guesses, fmt.Sprintf("the records are the table %q", best)), nil
}
