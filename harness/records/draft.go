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
	nothing := func(int, []string) error { return nil }
	names, err := sheets(infile.Anywhere, file, "", nothing)
	if len(names) == 0 {
		return nil, nil, err
	}
	best, most := "", 0
	for _, name := range names {
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
		text, notes, err := hostfile.DraftSheet(rows)
		if err != nil {
			continue
		}
		if found := columnsFound(text); found > most {
			best, most, description, guesses = name, found, text, notes
		}
	}
	if most == 0 {
		return nil, nil, fmt.Errorf("%s: no worksheet has rows that look like records; its worksheets are %s", file, strings.Join(names, ", "))
	}
	name, _ := json.Marshal(best)
	description = bytes.Replace(description, []byte("form: xlsx\n"), []byte("form: xlsx\n  sheet: "+string(name)+"\n"), 1)
	return description, append(guesses, fmt.Sprintf("the records are in the worksheet %q", best)), nil
}

// draftRows of a worksheet are looked at.
const draftRows = 500

var errEnough = errors.New("enough rows")

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
	best, most := "", 0
	for _, t := range tables {
		rows, err := db.QueryContext(ctx, "select * from "+quoteName(t)+" limit 300")
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
		if err != nil {
			return nil, nil, err
		}
		if sample.Len() == 0 {
			continue
		}
		text, notes, err := hostfile.Draft(sample.Bytes())
		if err != nil {
			continue
		}
		if found := columnsFound(text); found > most {
			best, most, description, guesses = t, found, text, notes
		}
	}
	if most == 0 {
		description, guesses, err = hostfile.Draft([]byte("SQLite format 3\x00"))
		return description, append(guesses, "the tables are "+strings.Join(tables, ", ")+", and none has rows that look like records"), err
	}
	name, _ := json.Marshal(best)
	description = bytes.Replace(description, []byte("form: json-lines\n"), []byte("form: sqlite\n  table: "+string(name)+"\n"), 1)
	return description, append(guesses, fmt.Sprintf("the records are the table %q", best)), nil
}
