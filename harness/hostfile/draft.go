package hostfile

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"example.org/understudy/sim/zone"
)

// Rows of a sample that are looked at.
const maxSampleRows = 500

// Draft writes a host description for a sample of the host's records, and says
// in words what it guessed and what the user has to look at. What the sample does
// not show stands in it as a question (Ask), which lint asks. The sample may be cut
// off anywhere. What it writes is always a description that Parse takes. The error
// says why the sample holds no records.
func Draft(sample []byte) (description []byte, guesses []string, err error) {
	d := newDrafter()
	if bytes.HasPrefix(sample, []byte("SQLite format 3\x00")) {
		d.say("the records are an SQLite database; write the table or the query, and the names of its columns")
		d.line("form: sqlite")
	} else if err := d.text(sample); err != nil {
		return nil, nil, err
	}
	return d.written(), d.guesses, nil
}

// DraftSheet drafts from the rows of a worksheet, as Draft does from a text.
func DraftSheet(rows [][]string) (description []byte, guesses []string, err error) {
	d := newDrafter()
	t, skip, widest := table{sheet: true}, 0, 0
	filled := func(r []string) (n int) {
		for _, c := range r {
			if c != "" {
				n++
			}
		}
		return n
	}
	for _, r := range rows {
		widest = max(widest, filled(r))
	}
	for skip < len(rows) && filled(rows[skip])*2 < widest {
		skip++ // a title and the like
	}
	if widest == 0 || skip > 1000 {
		return nil, nil, errors.New("the worksheet is empty; take one that holds some of the host's records")
	}
	t.rows = rows[skip:]
	d.line("form: xlsx")
	d.table(&t, skip)
	d.columns(t)
	return d.written(), d.guesses, nil
}

func newDrafter() *drafter {
	d := &drafter{}
	d.say("how the host is started: write its command, and how it ends if the signal TERM does not end it")
	return d
}

// written is the draft as a host description.
func (d *drafter) written() []byte {
	var out strings.Builder
	out.WriteString("understudy-host: 1\ntitle: My host\n")
	out.WriteString("run: [my-host, \"{port}\", \"{records}\"]\n")
	if d.noClaim != "" {
		out.WriteString("does-not-claim: [" + d.noClaim + "]\n")
	}
	out.WriteString("records:\n")
	for _, l := range d.lines {
		out.WriteString("  " + l + "\n")
	}
	if d.summaries {
		out.WriteString("summary: {}\n")
	}
	return []byte(out.String())
}

type drafter struct {
	lines, guesses []string
	noClaim        string
	summaries      bool // statistics are among the records
}

func (d *drafter) line(format string, args ...any) {
	d.lines = append(d.lines, fmt.Sprintf(format, args...))
}
func (d *drafter) say(format string, args ...any) {
	d.guesses = append(d.guesses, fmt.Sprintf(format, args...))
}

// ask puts a question into the draft, above the line that it is about.
func (d *drafter) ask(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	d.line("# %s", strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, text))
	d.say("question: %s", text)
}

func (d *drafter) text(sample []byte) error {
	enc, text := decodeSample(sample)
	if strings.TrimSpace(text) == "" {
		return errors.New("the sample is empty; take a file that holds some of the host's records")
	}
	odd, all := 0, 0
	for _, r := range text {
		all++
		if r == utf8.RuneError || unicode.IsControl(r) && !strings.ContainsRune("\t\r\n\f", r) {
			odd++
		}
	}
	if odd*100 > all {
		return fmt.Errorf("the sample is no text: %d of its %d characters are control characters or none; take a file of CSV or JSON Lines, or an SQLite database or a workbook", odd, all)
	}
	lines := strings.Split(strings.ReplaceAll(text, "\r\n", "\n"), "\n")
	if len(lines) > 1 && len(lines[len(lines)-1]) > 0 {
		lines = lines[:len(lines)-1] // the last one may be cut off
	}
	if len(lines) > maxSampleRows {
		lines = lines[:maxSampleRows]
	}
	t, ok := jsonTable(lines)
	if ok {
		d.line("form: json-lines")
		if n := len(lines); len(t.rows) < n/2 {
			d.line("only-lines: '^\\s*\\{'")
			d.say("lines that do not begin with a brace are other output, not records")
		}
	} else {
		t = d.csvTable(lines)
	}
	if enc != UTF8 {
		d.line("encoding: %s", enc)
		d.say("the encoding: %s", enc)
	}
	d.columns(t)
	return nil
}

// unsure says why the sample does not show what a verdict word means; it is empty
// where it does.
func (d *drafter) unsure(t table, word string, zoneOf map[string]zone.Zone, zoneCol, valueCol int) string {
	z, known := zoneOf[word]
	if _, _, unsided := verdictOf(word); !known && !unsided {
		return "It is not known"
	}
	if !known {
		return ""
	}
	for other, same := range zoneOf {
		if same == z && other != word && !strings.EqualFold(other, word) {
			return fmt.Sprintf("%q looks the same", other)
		}
	}
	if strings.ContainsAny(word, "?!*") {
		return "It has a mark that says something"
	}
	if z == zone.Void || valueCol < 0 {
		return ""
	}
	valued := slices.ContainsFunc(t.rows, func(r []string) bool {
		return zoneCol < len(r) && r[zoneCol] == word && valueCol < len(r) && r[valueCol] != ""
	})
	if !valued {
		return "No row with it has a value"
	}
	return ""
}

func quote(s string) string {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	_ = enc.Encode(s)
	return strings.TrimSpace(b.String())
}
