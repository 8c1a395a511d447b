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
	long   bool           // the rest of a line that is too long is passed over
	header []string
	where  places
	known  bool // where is settled
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

// Left returns what was left out of the records so far.
func (p *Parser) Left() Left { return p.r.left }

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
		if p.long {
			i := bytes.IndexByte(b, '\n')
			if i < 0 {
				p.buf.Reset()
				return
			}
			p.buf.Next(i + 1)
			p.line++
			p.long = false
			continue
		}
		row, n, lines, whole := p.cut(b, end)
		if n == 0 {
			return
		}
		at, before := p.line+1, len(p.out)
		p.line += lines
		if at > p.r.d.Skip {
			p.row(at, string(row), whole)
		}
		if p.long = lines == 0; p.long && len(p.out) > before {
			note(&p.out[len(p.out)-1], fmt.Sprintf("the line is longer than %d bytes", maxRecord))
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
			return b[:i], i, 0, false // a line without end
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
	p.cells(at, raw, whole)
}

// cells takes the row whose fields are in p.fields.
func (p *Parser) cells(at int, raw string, whole bool) {
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
	if p.header != nil && slices.Equal(p.fields, p.header) {
		return // a host that was started again wrote its header again
	}
	t := p.where.pick(p.fields)
	rec, ok := p.r.record(at, raw, &t)
	if !ok {
		return
	}
	if p.header != nil && len(p.fields) != len(p.header) && new(hostfile.Event).UnmarshalText([]byte(rec.Kind)) != nil {
		// Its fields are not where they belong, so that no word of it can be taken as one.
		rec = Record{Row: rec.Row, Raw: rec.Raw}
	}
	switch short := p.header != nil && len(p.fields) < len(p.header); {
	case !utf8.ValidString(raw):
		note(&rec, "it has bytes that are not UTF-8; is the encoding another?")
	case short && !whole:
		note(&rec, fmt.Sprintf("the row is cut off after %d of %d fields", len(p.fields), len(p.header)))
		if !p.where.reaches(len(p.fields)) && rec.Kind == string(hostfile.Reading) {
			rec.Kind = "" // it tells nothing of a reading, nor that it is one
		}
	case p.header != nil && len(p.fields) > len(p.header) && p.where.reaches(len(p.fields)-len(p.header)):
		note(&rec, fmt.Sprintf("the row has %d fields, the header %d: another row may have been written on behind it", len(p.fields), len(p.header)))
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

// places are where our columns stand in a row, from 0; −1 if they do not. Some
// of ours are two of the host's.
type places struct {
	first, second [8]int
	always        [8]string
}

func (w *places) pick(fields []string) (t texts) {
	for i := range t {
		t[i] = w.always[i]
		if at := w.first[i]; at >= 0 && at < len(fields) {
			t[i] = fields[at]
		}
		if at := w.second[i]; at >= 0 && at < len(fields) {
			t[i] = trim(t[i]) + " " + trim(fields[at])
		}
	}
	return t
}

// reaches reports whether that many fields hold the value or the zone.
func (w *places) reaches(fields int) bool {
	has := func(ours int) bool { return w.first[ours] >= 0 && w.first[ours] < fields }
	return has(valueAt) || has(zoneAt)
}

// Places of ours in hostfile.ColumnNames.
const valueAt, zoneAt = 4, 6

// locate finds our columns among the host's. Columns that the description
// names must be there; those it leaves to our names may be missing, but not
// both the value and the zone.
func locate(d *hostfile.Records, header []string) (w places, err error) {
	find := func(name string, number int, what string) int {
		switch {
		case number > 0:
			if header != nil && number > len(header) && err == nil {
				err = fmt.Errorf("the records have %d columns; the host description gives %s as column %d", len(header), what, number)
			}
			return number - 1
		case name == "":
			return -1
		}
		for j, h := range header {
			if trim(h) == name {
				return j
			}
		}
		for j, h := range header {
			if strings.EqualFold(trim(h), name) {
				return j
			}
		}
		if !d.OurNames && err == nil {
			err = fmt.Errorf("the records have no column %q for %s; their columns are %s", name, what, strings.Join(header, ", "))
		}
		return -1
	}
	found := false
	for i, c := range d.Columns.All() {
		what := hostfile.ColumnNames[i]
		w.always[i] = c.Always
		w.first[i] = find(c.Name, c.Number, what)
		w.second[i] = find(c.Then.Name, c.Then.Number, what)
		found = found || w.first[i] >= 0 && (what == "value" || what == "zone")
	}
	if err == nil && !found {
		err = fmt.Errorf("the records have neither a column for value nor for zone; their columns are %s", strings.Join(header, ", "))
	}
	return w, err
}

// object reads one line of JSON Lines.
func (p *Parser) object(at int, raw string, whole bool) {
	dec := json.NewDecoder(strings.NewReader(raw))
	dec.UseNumber()
	var v any
	err := dec.Decode(&v)
	if err == nil && dec.More() {
		err = errors.New("more stands behind it")
	}
	obj, isObject := v.(map[string]any)
	if err != nil || !isObject {
		rec := Record{Row: at, Raw: clip(raw)} // of no kind: nothing in it can be read
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
		t[i] = c.Always
		if c.Name != "" {
			t[i] = jsonText(obj, c.Name)
		}
		if c.Then.Name != "" {
			t[i] += " " + jsonText(obj, c.Then.Name)
		}
	}
	if rec, ok := p.r.record(at, raw, &t); ok {
		p.out = append(p.out, rec)
	}
}

// jsonText finds the value at a path, or under the path as a key of its own,
// as the text that stands in the file.
func jsonText(obj map[string]any, path string) string {
	v, ok := obj[path]
	for rest, more := path, true; !ok && more; {
		var key string
		key, rest, more = strings.Cut(rest, ".")
		if v = obj[key]; more {
			if obj, more = v.(map[string]any); !more {
				return ""
			}
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
	return NewParser(d).all(context.Background(), src)
}

func (p *Parser) all(ctx context.Context, src io.Reader) ([]Record, error) {
	var all []Record
	buf := make([]byte, 256<<10)
	for {
		if err := bounded(ctx, len(all)); err != nil {
			return all, err
		}
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
