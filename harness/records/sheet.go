package records

import (
	"context"
	"errors"
	"slices"
	"strings"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/infile"
)

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
