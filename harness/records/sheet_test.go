package records_test

import (
	"archive/zip"
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/records"
	_ "example.org/understudy/harness/records/xlsx"
	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"
)

const protocol = `Protocol of line 4

When,Station,Piece,Size,Unit,Verdict
2026-01-31 07:30:00.125,bore-1,7,8.014,mm,good
2026-01-31 07:30:01.250,bore-1,8,8.0215,mm,too large
,,,,,
2026-01-31 07:30:02.500,bore-1,9,,mm,none
`

const sheetHost = `  form: xlsx
  skip-lines: 2
  time: sheet-days
  columns: {time: When, gauge: Station, tag: Piece, value: Size, unit: Unit, zone: Verdict}
  zones: {good: inside, too large: above, none: void}
`

// A worksheet that a spreadsheet program wrote, with dates as it stores them.
// Source: gnumeric's ssconvert, of the csv above.
//
// Kind: outside.
func TestReadsWhatASpreadsheetProgramWrites(t *testing.T) {
	t.Parallel()
	convert := testenv.Program(t, "ssconvert", "gnumeric")
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "a.csv"), []byte(protocol), 0o644))
	c := exec.Command(convert, "a.csv", "a.xlsx")
	c.Dir, c.Env = dir, append(os.Environ(), "LC_ALL=C.UTF-8")
	out, err := c.CombinedOutput()
	require.NoError(t, err, "%s", out)
	got, left, err := records.Read(t.Context(), describe(t, sheetHost), infile.Anywhere, filepath.Join(dir, "a.xlsx"))
	require.NoError(t, err)
	if d := cmp.Diff([]string{
		"4 reading at 2026-01-31T07:30:00.125Z bore-1/ tag 7 value 8.014 mm inside",
		"5 reading at 2026-01-31T07:30:01.25Z bore-1/ tag 8 value 8.0215 mm above",
		"7 reading at 2026-01-31T07:30:02.5Z bore-1/ tag 9 mm void",
	}, showAll(got)); d != "" {
		t.Error(d)
	}
	require.Empty(t, left)

	text, guesses, err := records.Draft(t.Context(), filepath.Join(dir, "a.xlsx"))
	require.NoError(t, err)
	require.Contains(t, guesses, `the records are in the worksheet "a.csv"`)
	h, err := hostfile.Parse("draft", text)
	require.NoError(t, err, "%s", text)
	h.Records.Columns.Tag.Name = "Piece" // the answer to its question
	drafted, _, err := records.Read(t.Context(), h.Records, infile.Anywhere, filepath.Join(dir, "a.xlsx"))
	require.NoError(t, err)
	if d := cmp.Diff(showAll(got), showAll(drafted)); d != "" {
		t.Errorf("%s\n%s", d, text)
	}
}

// workbook writes a workbook of two worksheets: one for people, and the records with
// merged cells above the header, from column B on.
func workbook(t *testing.T) string {
	f := excelize.NewFile()
	defer f.Close()
	require.NoError(t, f.SetSheetName("Sheet1", "Cover"))
	require.NoError(t, f.SetCellValue("Cover", "A1", "for the file"))
	_, err := f.NewSheet("Sizes")
	require.NoError(t, err)
	for cell, v := range map[string]any{"B4": "Reading", "E4": "Result",
		"B5": "no", "C5": "value", "D5": "unit", "E5": "zone",
		"B6": 7, "C6": 8.014, "D6": "mm", "E6": "inside",
		"B8": 8, "C8": "8,0215", "D8": "mm", "E8": "above",
		"B9": 9, "C9": "#N/A", "D9": "mm", "E9": "void",
		"B10": 10, "C10": 8.25, "G10": "by hand"} {
		require.NoError(t, f.SetCellValue("Sizes", cell, v))
	}
	require.NoError(t, f.MergeCell("Sizes", "B4", "D4"))
	file := filepath.Join(t.TempDir(), "kept.xlsx")
	require.NoError(t, f.SaveAs(file))
	return file
}

// Kind: property.
func TestReadsAWorksheet(t *testing.T) {
	t.Parallel()
	file := workbook(t)
	read := func(d string) ([]string, error) {
		got, _, err := records.Read(t.Context(), describe(t, d), infile.Anywhere, file)
		return showAll(got), err
	}
	want := []string{
		"6 reading tag 7 value 8.014 mm inside",
		"8 reading tag 8 value 8.0215 mm above",
		"9 reading tag 9 mm void",
		"10 reading tag 10 value 8.25 ! the row has 7 fields, the header 5",
	}
	for i, d := range []string{
		"  {form: xlsx, sheet: Sizes, skip-lines: 4, decimal-mark: comma, void: [\"#N/A\"], columns: {tag: \"no\", value: value, unit: unit, zone: zone}}",
		"  {form: xlsx, sheet: Sizes, skip-lines: 5, no-header: true, decimal-mark: comma, void: [\"#N/A\"], columns: {tag: 2, value: 3, unit: 4, zone: 5}}",
	} {
		got, err := read(d)
		require.NoError(t, err)
		if i == 1 {
			want[3] = "10 reading tag 10 value 8.25" // without a header, so that no column is one too many
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Error(d)
		}
	}
	for d, why := range map[string]string{
		"  {form: xlsx}":                "the workbook has the worksheets Cover, Sizes; write which one in the host description, as sheet: NAME",
		"  {form: xlsx, sheet: Seizes}": `the workbook has no worksheet "Seizes"; its worksheets are Cover, Sizes`,
		"  {form: xlsx, sheet: Cover}":  "the records have neither a column for value nor for zone; their columns are for the file",
	} {
		_, err := read(d)
		require.EqualError(t, err, why)
	}
	whole, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(file, whole[:len(whole)/2], 0o644))
	_, err = read("  {form: xlsx, sheet: Sizes}")
	require.ErrorContains(t, err, "the workbook cannot be read (a host that is still writing it")
}

// withSheet writes a workbook whose only worksheet is the XML.
func withSheet(t *testing.T, xml string) (file string) {
	var b bytes.Buffer
	book := excelize.NewFile()
	_, err := book.WriteTo(&b)
	require.NoError(t, err)
	require.NoError(t, book.Close())
	parts, err := zip.NewReader(bytes.NewReader(b.Bytes()), int64(b.Len()))
	require.NoError(t, err)
	file = filepath.Join(t.TempDir(), "a.xlsx")
	out, err := os.Create(file)
	require.NoError(t, err)
	defer out.Close()
	w := zip.NewWriter(out)
	for _, p := range parts.File {
		if p.Name != "xl/worksheets/sheet1.xml" {
			require.NoError(t, w.Copy(p))
			continue
		}
		to, err := w.Create(p.Name)
		require.NoError(t, err)
		_, err = io.WriteString(to, xml)
		require.NoError(t, err)
	}
	require.NoError(t, w.Close())
	return file
}

// A number is the decimal that the host had, in however many digits its program wrote
// the binary number that stands for it.
//
// Kind: property.
func TestNumbersOfAWorksheet(t *testing.T) {
	t.Parallel()
	for cell, want := range map[string]string{
		"8.014": "8.014", "8.0139999999999993": "8.014", "8.0140000000000011": "8.014000000000001", "1.0000000000000001E-3": "0.001", "8.0500": "8.0500",
		"12345678901234567890": "12345678901234567890", "-0.10000000000000001": "-0.1",
	} {
		file := withSheet(t, `<worksheet><sheetData><row r="1"><c r="A1" t="inlineStr"><is><t>value</t></is></c></row><row r="2"><c r="A2"><v>`+cell+`</v></c></row></sheetData></worksheet>`)
		got, _, err := records.Read(t.Context(), describe(t, "  {form: xlsx}"), infile.Anywhere, file)
		require.NoError(t, err)
		require.Equal(t, []string{"2 reading value " + want}, showAll(got), cell)
	}
}

// A worksheet that no program should write is read as far as it goes, or is an error.
//
// Kind: property.
func TestOddWorksheets(t *testing.T) {
	t.Parallel()
	const head = `<worksheet><sheetData><row r="1"><c r="A1" t="inlineStr"><is><t>value</t></is></c></row>`
	for xml, want := range map[string]struct {
		rows []string
		err  string
	}{
		"":             {[]string{}, ""},
		"<worksheet/>": {[]string{}, ""},
		head:           {[]string{}, ""},
		head + `<row r="3"><c r="A3" t="s"><v>-1</v></c><c r="A4" t="s"><v>99</v></c><c/></row></sheetData></worksheet>`: {[]string{}, ""},
		head + `<row r="2"><c r="A2" s="77"><v>1</v></c></row></sheetData></worksheet>`:                                  {[]string{"2 reading value 1"}, ""},
		head + `<row r="9999999"><c r="A9999999"><v>1</v></c></row></sheetData></worksheet>`:                             {[]string{}, `row 1 of the worksheet "Sheet1" cannot be read: row number exceeds maximum limit`},
		head + `<row r="2"><c r="XFE2"><v>1</v></c></row></sheetData></worksheet>`: {[]string{},
			`row 2 of the worksheet "Sheet1" cannot be read: the column number must be greater than or equal to 1 and less than or equal to 16384`},
	} {
		got, _, err := records.Read(t.Context(), describe(t, "  {form: xlsx}"), infile.Anywhere, withSheet(t, xml))
		require.Equal(t, want.rows, showAll(got), xml)
		if want.err == "" {
			require.NoError(t, err, xml)
		} else {
			require.EqualError(t, err, want.err, xml)
		}
	}
}
