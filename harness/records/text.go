package records

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"example.org/understudy/harness/hostfile"
	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

// Bounds of one record of a text file. A quoted field of csv that runs over
// more is taken for a stray quotation mark, so that one mistake of the host
// swallows one row and not the file.
const (
	maxRecord     = 256 << 10
	maxQuotedRows = 200
)

// Parser reads the text of a csv or json-lines file as it grows. Feed it bytes
// in any portions; it hands out the records that are whole.
type Parser struct {
	r      *reader
	to     io.WriteCloser // decodes into buf
	buf    bytes.Buffer   // decoded, not yet taken
	line   int            // lines taken
	header []string
	where  [8]int      // of our columns in a row, −1 if absent
	paths  [8][]string // of our columns in a JSON object
	known  bool        // where (or paths) is settled
	err    error
	fields []string
	out    []Record
}

// NewParser starts reading text by a description of form csv or json-lines.
func NewParser(d hostfile.Records) *Parser {
	p := &Parser{r: newReader(d)}
	var enc encoding.Encoding
	switch p.r.d.Encoding {
	case hostfile.UTF16:
		enc = unicode.UTF16(unicode.LittleEndian, unicode.UseBOM) // without a mark: little-endian, as Windows writes it
	case "utf-16le":
		enc = unicode.UTF16(unicode.LittleEndian, unicode.UseBOM)
	case "utf-16be":
		enc = unicode.UTF16(unicode.BigEndian, unicode.UseBOM)
	case hostfile.Latin1:
		enc = charmap.ISO8859_1
	case hostfile.Windows1252:
		enc = charmap.Windows1252
	default:
		p.to = nopCloser{&p.buf}
		return p
	}
	p.to = transform.NewWriter(&p.buf, enc.NewDecoder())
	return p
}

type nopCloser struct{ io.Writer }

func (nopCloser) Close() error { return nil }

// Feed takes the next bytes of the file and returns the records that are whole
// now. The error is lasting: the file is not what the description says.
func (p *Parser) Feed(b []byte) ([]Record, error) {
	if p.err == nil {
		if _, err := p.to.Write(b); err != nil {
			p.err = p.undecodable(err)
		}
		p.take(false)
	}
	return p.hand()
}

// End says that the file has ended and returns the last records.
func (p *Parser) End() ([]Record, error) {
	if p.err == nil {
		if err := p.to.Close(); err != nil {
			p.err = p.undecodable(err)
		}
		p.take(true)
	}
	return p.hand()
}

func (p *Parser) undecodable(err error) error {
	return fmt.Errorf("the records are not %s text (%w)", p.r.d.Encoding, err)
}

func (p *Parser) hand() ([]Record, error) {
	out := p.out
	p.out = nil
	return out, p.err
}

// take consumes whole rows from the buffer.
func (p *Parser) take(end bool) {
	if p.line == 0 && p.buf.Len() > 0 {
		b := p.buf.Bytes()
		if len(b) < 3 && !end {
			return // a byte order mark may be on its way
		}
		switch {
		case bytes.HasPrefix(b, []byte("\ufeff")):
			p.buf.Next(3)
		case p.r.d.Encoding == hostfile.UTF8 && (bytes.HasPrefix(b, []byte{0xff, 0xfe}) || bytes.HasPrefix(b, []byte{0xfe, 0xff})):
			p.err = errors.New("the records begin with the byte order mark of UTF-16; write encoding: utf-16 in the host description")
			return
		}
	}
	for p.err == nil {
		b := p.buf.Bytes()
		row, n, lines, whole := p.cut(b, end)
		if n == 0 {
			return
		}
		at := p.line + 1
		p.line += lines
		if at > p.r.d.Skip {
			p.row(at, string(row), whole)
		}
		p.buf.Next(n)
	}
}

// cut finds the next row: its text without the line end, the bytes and lines
// it takes up, and whether it has a line end. n = 0 means that more is needed.
func (p *Parser) cut(b []byte, end bool) (row []byte, n, lines int, whole bool) {
	csv := p.r.d.Form == hostfile.CSV && p.line >= p.r.d.Skip
	sep := byte(p.r.d.Separator)
	first := -1 // end of the first line, to fall back to when a quotation never ends
	quoted, fieldStart, rows := false, true, 0
	for i := 0; i < len(b); i++ {
		c := b[i]
		switch {
		case csv && c == '"' && quoted:
			if i+1 < len(b) && b[i+1] == '"' {
				i++
			} else {
				quoted = false
			}
		case csv && c == '"' && fieldStart:
			quoted = true
		case c == '\n':
			if first < 0 {
				first = i
			}
			rows++
			if !quoted {
				return chomp(b[:i]), i + 1, rows, true
			}
			if rows > maxQuotedRows {
				return chomp(b[:first]), first + 1, 1, true
			}
		}
		fieldStart = c == sep && !quoted
		if i > maxRecord {
			if first >= 0 {
				return chomp(b[:first]), first + 1, 1, true
			}
			return b[:i], i, 0, true // a line without end: in portions, each a record with a problem
		}
	}
	if !end || len(b) == 0 {
		return nil, 0, 0, false
	}
	if quoted && first >= 0 {
		return chomp(b[:first]), first + 1, 1, true
	}
	return chomp(b), len(b), rows + 1, false
}

func chomp(b []byte) []byte { return bytes.TrimSuffix(b, []byte{'\r'}) }

func (p *Parser) row(at int, raw string, whole bool) {
	if only := p.r.d.OnlyPattern; only != nil && !only.MatchString(raw) {
		return
	}
	if strings.TrimSpace(raw) == "" {
		return
	}
	if p.r.d.Form == hostfile.JSONLines {
		p.object(at, raw, whole)
		return
	}
	p.fields = splitCSV(p.fields[:0], raw, byte(p.r.d.Separator))
	if !p.known {
		p.known = true
		if !p.r.d.NoHeader {
			p.header = append([]string(nil), p.fields...)
		}
		p.where, p.err = locate(&p.r.d, p.header)
		if p.header != nil || p.err != nil {
			return
		}
	}
	if p.header != nil && sameFields(p.fields, p.header) {
		return // a host that was started again wrote its header again
	}
	var t texts
	for i, c := range p.r.d.Columns.All() {
		switch w := p.where[i]; {
		case c.Always != "":
			t[i] = c.Always
		case w >= 0 && w < len(p.fields):
			t[i] = p.fields[w]
		}
	}
	rec, ok := p.r.record(at, raw, &t)
	if !ok {
		return
	}
	switch short := p.header != nil && len(p.fields) < len(p.header); {
	case !utf8.ValidString(raw):
		note(&rec, "it has bytes that are not UTF-8; is the encoding another?")
	case short && !whole:
		note(&rec, fmt.Sprintf("the row is cut off after %d of %d fields", len(p.fields), len(p.header)))
	case p.header != nil && len(p.fields) != len(p.header):
		note(&rec, fmt.Sprintf("the row has %d fields, the header %d", len(p.fields), len(p.header)))
	}
	p.out = append(p.out, rec)
}

func note(rec *Record, problem string) {
	if rec.Problem != "" {
		problem += "; " + rec.Problem
	}
	rec.Problem = problem
}

func sameFields(a, b []string) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// splitCSV cuts a row into its fields (RFC 4180 section 2). A quotation mark
// inside an unquoted field stands for itself.
func splitCSV(fields []string, row string, sep byte) []string {
	for {
		if strings.HasPrefix(row, `"`) {
			var text strings.Builder
			rest := row[1:]
			for {
				i := strings.IndexByte(rest, '"')
				if i < 0 {
					// The quotation never ends: the mark stands for itself.
					break
				}
				text.WriteString(rest[:i])
				rest = rest[i+1:]
				if !strings.HasPrefix(rest, `"`) {
					// Anything between the mark and the separator belongs to the field.
					tail, more, found := strings.Cut(rest, string(sep))
					text.WriteString(tail)
					fields = append(fields, text.String())
					if !found {
						return fields
					}
					row = more
					goto next
				}
				text.WriteByte('"')
				rest = rest[1:]
			}
		}
		if i := strings.IndexByte(row, sep); i >= 0 {
			fields = append(fields, row[:i])
			row = row[i+1:]
		} else {
			return append(fields, row)
		}
	next:
	}
}

// locate finds our columns among the host's. Columns that the description
// names must be there; those it leaves to our names may be missing, but not
// both the value and the zone.
func locate(d *hostfile.Records, header []string) (where [8]int, err error) {
	byDefault := d.Columns.Value == hostfile.Column{Name: "value"} && d.Columns.Zone == hostfile.Column{Name: "zone"} && d.Columns.Gauge == hostfile.Column{Name: "gauge"}
	found := false
	for i, c := range d.Columns.All() {
		where[i] = -1
		switch {
		case c.Number > 0:
			where[i] = c.Number - 1
			if header != nil && c.Number > len(header) {
				return where, fmt.Errorf("the records have %d columns; the host description gives %s as column %d", len(header), hostfile.ColumnNames[i], c.Number)
			}
		case c.Name != "":
			for j, h := range header {
				if trim(h) == c.Name {
					where[i] = j
				}
			}
			if where[i] < 0 {
				for j, h := range header {
					if strings.EqualFold(trim(h), c.Name) {
						where[i] = j
					}
				}
			}
			if where[i] < 0 && !byDefault {
				return where, fmt.Errorf("the records have no column %q for %s; their columns are %s", c.Name, hostfile.ColumnNames[i], strings.Join(header, ", "))
			}
		}
		if n := hostfile.ColumnNames[i]; where[i] >= 0 && (n == "value" || n == "zone") {
			found = true
		}
	}
	if !found {
		return where, fmt.Errorf("the records have neither a column for value nor for zone; their columns are %s", strings.Join(header, ", "))
	}
	return where, nil
}

// object reads one line of JSON Lines.
func (p *Parser) object(at int, raw string, whole bool) {
	if !p.known {
		p.known = true
		for i, c := range p.r.d.Columns.All() {
			if c.Name != "" {
				p.paths[i] = strings.Split(c.Name, ".")
			}
		}
	}
	dec := json.NewDecoder(strings.NewReader(raw))
	dec.UseNumber()
	var v any
	err := dec.Decode(&v)
	if err == nil && dec.More() {
		err = errors.New("more stands behind it")
	}
	obj, isObject := v.(map[string]any)
	if err != nil || !isObject {
		rec := Record{Row: at, Raw: clip(raw), Kind: string(hostfile.Reading)}
		switch {
		case err != nil && !whole:
			rec.Problem = "the line is cut off"
		case err != nil:
			rec.Problem = fmt.Sprintf("the line is not JSON (%v)", err)
		default:
			rec.Problem = "the line is JSON, but not an object"
		}
		p.out = append(p.out, rec)
		return
	}
	var t texts
	for i, c := range p.r.d.Columns.All() {
		if c.Always != "" {
			t[i] = c.Always
		} else if p.paths[i] != nil {
			t[i] = jsonText(obj, c.Name, p.paths[i])
		}
	}
	if rec, ok := p.r.record(at, raw, &t); ok {
		p.out = append(p.out, rec)
	}
}

// jsonText finds the value at a path, or under the path as a key of its own,
// as the text that stands in the file.
func jsonText(obj map[string]any, name string, path []string) string {
	v, ok := obj[name]
	if !ok {
		v = obj
		for _, key := range path {
			m, isMap := v.(map[string]any)
			if !isMap {
				return ""
			}
			v = m[key]
		}
	}
	switch v := v.(type) {
	case nil:
		return ""
	case string:
		return v
	case json.Number:
		return v.String()
	default:
		b, err := json.Marshal(v)
		if err != nil {
			return fmt.Sprint(v)
		}
		return string(b)
	}
}

// Parse reads a whole csv or json-lines text.
func Parse(d hostfile.Records, src io.Reader) ([]Record, error) {
	p := NewParser(d)
	var all []Record
	buf := make([]byte, 256<<10)
	for {
		n, err := src.Read(buf)
		got, bad := p.Feed(buf[:n])
		all = append(all, got...)
		if bad != nil {
			return all, bad
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return all, err
		}
	}
	got, err := p.End()
	return append(all, got...), err
}
