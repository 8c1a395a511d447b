// Package xlsx lets a program read a host's records from the worksheets of workbooks
// (ISO/IEC 29500): import it for that effect alone.
package xlsx

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/records"
	"github.com/xuri/excelize/v2"
)

func init() { records.RegisterXLSX(rows) }

// Bounds of a workbook, packed and unpacked.
const (
	packed   = 64 << 20
	unpacked = 512 << 20
)

func rows(from infile.Opener, file, sheet string, row func(n int, cells []string) error) (names []string, err error) {
	f, err := infile.Open(from, file, packed)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	// All in memory: nothing is left in a folder for temporary files.
	book, err := excelize.OpenReader(f, excelize.Options{RawCellValue: true, UnzipSizeLimit: unpacked, UnzipXMLSizeLimit: unpacked})
	if err != nil {
		return nil, fmt.Errorf("the workbook cannot be read (a host that is still writing it, or was killed in it, leaves a part): %w", err)
	}
	defer book.Close()
	names = book.GetSheetList()
	switch {
	case sheet == "" && len(names) == 1:
		sheet = names[0]
	case sheet == "":
		return names, fmt.Errorf("the workbook has the worksheets %s; write which one in the host description, as sheet: NAME", strings.Join(names, ", "))
	case !slices.Contains(names, sheet):
		return names, fmt.Errorf("the workbook has no worksheet %q; its worksheets are %s", sheet, strings.Join(names, ", "))
	}
	next, err := book.Rows(sheet)
	if err != nil {
		return names, fmt.Errorf("the worksheet %q cannot be read: %w", sheet, err)
	}
	defer next.Close()
	for n := 1; ; n++ {
		cells, more, err := cellsOf(next)
		if err != nil {
			return names, fmt.Errorf("row %d of the worksheet %q cannot be read: %w", n, sheet, err)
		}
		if !more {
			return names, nil
		}
		if err := row(n, cells); err != nil {
			return names, err
		}
	}
}

// cellsOf takes the next row. What the library stumbles over is an error of the file.
func cellsOf(rows *excelize.Rows) (cells []string, more bool, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("%v", p)
		}
	}()
	if !rows.Next() {
		return nil, false, rows.Error()
	}
	cells, err = rows.Columns()
	for i := range cells {
		cells[i] = number(cells[i])
	}
	return cells, true, err
}

// number writes a cell's number in the fewest decimals that stand for it: the file
// holds a binary number (ISO/IEC 29500-1, 18.18.11: a cell value of type n is a
// double), which programs write with up to 17 digits, 8.014 as 8.0139999999999993.
func number(cell string) string {
	const sure = 15 // a binary number gives back that many digits of any decimal
	digits := 0
	for _, c := range cell {
		if c >= '0' && c <= '9' {
			digits++
		}
	}
	if digits <= sure && !strings.ContainsAny(cell, "eE") || !strings.ContainsAny(cell, ".eE") {
		return cell
	}
	f, err := strconv.ParseFloat(cell, 64)
	if err != nil || math.IsInf(f, 0) || math.IsNaN(f) {
		return cell
	}
	return records.PlainFloat(f)
}
