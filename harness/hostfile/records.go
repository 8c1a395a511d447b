package hostfile

import (
	"errors"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/zone"
)

// Form is the form of the host's records.
type Form string

// Forms of records.
const (
	CSV       Form = "csv"        // RFC 4180, with any separator
	JSONLines Form = "json-lines" // one JSON object (RFC 8259) a line
	SQLite    Form = "sqlite"     // a table or a query of an SQLite database
	XLSX      Form = "xlsx"       // a worksheet of a workbook (ISO/IEC 29500)
	HTTP      Form = "http"       // JSON objects posted to an address of the harness
	Postgres  Form = "postgres"   // a table or a query of a PostgreSQL server
	MySQL     Form = "mysql"      // a table or a query of a MySQL or MariaDB server
	SQL       Form = "sql"        // a table or a query of a database that a Go test hands over
)

// Names lists the forms.
func (Form) Names() []string {
	return []string{"csv", "json-lines", "sqlite", "xlsx", "http", "postgres", "mysql", "sql"}
}

// UnmarshalText reads a form's name.
func (f *Form) UnmarshalText(b []byte) error {
	return choose((*string)(f), string(b), f.Names(), "a form of records")
}

// Encoding is how the text of the records is written as bytes.
type Encoding string

// Encodings. UTF-8 and UTF-16 may begin with a byte order mark.
const (
	UTF8        Encoding = "utf-8"
	UTF16       Encoding = "utf-16"
	Latin1      Encoding = "latin-1"
	Windows1252 Encoding = "windows-1252"
)

// Names lists the encodings.
func (Encoding) Names() []string {
	return []string{string(UTF8), string(UTF16), "utf-16le", "utf-16be", string(Latin1), string(Windows1252)}
}

// UnmarshalText reads an encoding's name.
func (e *Encoding) UnmarshalText(b []byte) error {
	return choose((*string)(e), strings.ToLower(string(b)), e.Names(), "an encoding")
}

// Mark is a character that separates: fields, or whole from decimals.
type Mark rune

// Written-out names of marks that are hard to see in a file.
var markNames = map[string]rune{"comma": ',', "semicolon": ';', "tab": '\t', "bar": '|', "point": '.', "space": ' '}

// UnmarshalText reads a single character or its name.
func (m *Mark) UnmarshalText(b []byte) error {
	s := string(b)
	if r, ok := markNames[s]; ok {
		*m = Mark(r)
		return nil
	}
	r := []rune(s)
	if len(r) != 1 || r[0] > 0x7e || r[0] == '"' || r[0] < ' ' && r[0] != '\t' || r[0] >= '0' && r[0] <= '9' {
		return fmt.Errorf("%q is not a mark; write one ASCII character in quotes, or comma, semicolon, tab, bar, point, space", s)
	}
	*m = Mark(r[0])
	return nil
}

// Records says where the host's records are and how they read.
type Records struct {
	Form      Form     `yaml:"form" need:"yes" doc:"csv, json-lines, sqlite, xlsx, http, postgres, mysql, or sql (a database that a Go test hands over)"`
	File      string   `yaml:"file" doc:"the file or database (default: {records}); {output} for the host's standard output"`
	Separator Mark     `yaml:"separator" doc:"the character between fields of csv (default: comma)"`
	Encoding  Encoding `yaml:"encoding" doc:"how the text is written as bytes (default: utf-8)"`
	Decimal   Mark     `yaml:"decimal-mark" doc:"the mark before the decimals of a value (default: point)"`
	NoHeader  bool     `yaml:"no-header" doc:"true: the first row of csv or xlsx is a record already; columns are then given by number"`
	Skip      int      `yaml:"skip-lines" doc:"lines (rows of xlsx) before the header, or the first record, that are not records"`
	Only      string   `yaml:"only-lines" doc:"a regular expression (RE2); lines it does not match are neither header nor records, for records among other output (default: all lines; of json-lines in {output}, those that begin with a brace)"`
	DSN       string   `yaml:"dsn" doc:"of postgres and mysql: where the database is, as a URL without a password, such as postgres://me@localhost/line"`
	Table     string   `yaml:"table" doc:"of sqlite: the table, in the order of its rowid (default: the only one); of a server or sql: the table"`
	Sheet     string   `yaml:"sheet" doc:"of xlsx: the name of the worksheet (default: the only one)"`
	Query     string   `yaml:"query" doc:"of sqlite, a server or sql: the query, instead of a table; it gives the rows in the order they were written"`

	Time    TimeForm           `yaml:"time" doc:"how times are written (default: RFC 3339)"`
	Columns Columns            `yaml:"columns" doc:"our columns and where each is in the records (default: those with our names)"`
	Zones   map[string]Verdict `yaml:"zones" doc:"the host's verdict words and the zone each means, or the list of zones where a word tells less, such as OK: [inside, warn-low, warn-high]"`
	Events  map[string]Event   `yaml:"events" doc:"the host's event words and what each means"`
	Gauges  map[string]string  `yaml:"gauges" doc:"the host's names of gauges and the scenario's"`
	Chans   map[string]string  `yaml:"channels" doc:"the host's names of channels and the gauge's"`
	Units   map[string]string  `yaml:"units" doc:"the host's unit words and the unit each means"`
	Void    []string           `yaml:"void" doc:"what stands in place of a value, or of its unit, when there is no valid reading; an empty one always does"`

	OnlyPattern *regexp.Regexp // Only, compiled
	OurNames    bool           // the columns are those of our names, and need not all be there
	Statistics  bool           // rows with the name of a statistic as their event are summaries
}

// Verdict is what a verdict word means: a zone, or several that the host does not
// tell apart.
type Verdict struct{ zone.Set }

// UnmarshalAny reads a zone's name, or a list of them.
func (v *Verdict) UnmarshalAny(n strict.Any) error {
	zones := make([]zone.Zone, 1)
	if n.Kind == strict.Sequence {
		if len(n.Items) == 0 {
			n.Errorf("write the zones that the word stands for, such as [inside, warn-low, warn-high]", "the word means nothing")
		}
		zones = nil
		n.Decode(&zones)
	} else if n.Scalar == Ask {
		n.Errorf("write a zone, or a list such as [inside, warn-low, warn-high]: "+strings.Join(zone.Zone(0).Names(), ", "), question+"which zone this verdict word means")
		return nil
	} else {
		n.Decode(&zones[0])
	}
	v.Set = zone.SetOf(zones...)
	return nil
}

// SchemaFor describes both forms.
func (Verdict) SchemaFor(of func(any) map[string]any) map[string]any {
	one := of(zone.Zone(0))
	return map[string]any{"anyOf": []any{one, map[string]any{"type": "array", "minItems": 1, "items": one}}}
}

// Event is what a record tells.
type Event string

// Events.
const (
	Reading  Event = "reading"
	LowCell  Event = "low-cell"
	CellDead Event = "cell-dead"
	LinkLost Event = "link-lost"
	LinkBack Event = "link-back"
	Ignored  Event = "ignored" // a row that says nothing the harness judges
)

// Names lists the events.
func (Event) Names() []string {
	return append([]string{"reading", "low-cell", "cell-dead", "link-lost", "link-back", "ignored"}, Statistics...)
}

// EventCalled is the event of our own that a word names, in any case.
func (r *Records) EventCalled(word string) (Event, bool) {
	names := Event("").Names()
	if !r.Statistics {
		names = names[:len(names)-len(Statistics)]
	}
	i := slices.IndexFunc(names, func(n string) bool { return strings.EqualFold(n, word) })
	if i < 0 {
		return "", false
	}
	return Event(names[i]), true
}

// UnmarshalText reads an event's name.
func (e *Event) UnmarshalText(b []byte) error {
	if string(b) == Ask {
		return errors.New(question + "what this event word means; write one of " + strings.Join(e.Names(), ", "))
	}
	return choose((*string)(e), string(b), e.Names(), "an event")
}

// Columns says where each of our columns stands in the records.
type Columns struct {
	Time    Column `yaml:"time" doc:"when the record was made"`
	Gauge   Column `yaml:"gauge" doc:"the gauge's name"`
	Channel Column `yaml:"channel" doc:"the channel's name"`
	Tag     Column `yaml:"tag" doc:"the tag number"`
	Value   Column `yaml:"value" doc:"the reading's number"`
	Unit    Column `yaml:"unit" doc:"the reading's unit"`
	Zone    Column `yaml:"zone" doc:"the verdict word"`
	Event   Column `yaml:"event" doc:"what the record tells; a reading if there is no such column"`
}

// ColumnNames are our columns, in the order of Columns.All.
var ColumnNames = [...]string{"time", "gauge", "channel", "tag", "value", "unit", "zone", "event"}

// All returns the columns in order.
func (c *Columns) All() [8]*Column {
	return [8]*Column{&c.Time, &c.Gauge, &c.Channel, &c.Tag, &c.Value, &c.Unit, &c.Zone, &c.Event}
}

// Column is where one of our columns stands: a column of the host's records by
// name (of JSON, a path such as data.value) or by number from 1, two of them
// joined by a space (a date and a time of day), or a text that holds for every
// record. The zero value is a column that is not there.
type Column struct {
	Name   string
	Number int
	Always string
	Then   Joined
}

// Joined is the second of two columns that are read as one.
type Joined struct {
	Name   string
	Number int
}

// Set reports whether the column is there.
func (c Column) Set() bool { return c != Column{} }

// UnmarshalAny reads a name or number, a list of two, or {always: TEXT}.
func (c *Column) UnmarshalAny(n strict.Any) error {
	if n.Kind == strict.Sequence {
		if len(n.Items) != 2 || n.Items[0].Kind != strict.Scalar || n.Items[1].Kind != strict.Scalar {
			n.Errorf("", "a list here has two columns, which are read as one")
			return nil
		}
		var second Column
		if err := c.UnmarshalAny(n.Items[0]); err != nil {
			return err
		}
		if err := second.UnmarshalAny(n.Items[1]); err != nil {
			return err
		}
		c.Then = Joined{second.Name, second.Number}
		return nil
	}
	if n.Kind == strict.Scalar {
		if d, err := decimal.Parse(n.Scalar); err == nil && !n.Quoted {
			i, ok := d.Int64()
			if !ok || i < 1 || i > 10000 {
				n.Errorf("columns are counted from 1; write a name that looks like a number in quotes", "%s is not a column's number", n.Scalar)
				return nil
			}
			c.Number = int(i)
			return nil
		}
		if n.Scalar == Ask && !n.Quoted {
			n.Errorf("write the column's name or number, or leave the key out", question+"which column it is")
			return nil
		}
		if n.Scalar == "" {
			n.Errorf("leave the key out if there is no such column", "the column's name is empty")
		}
		c.Name = n.Scalar
		return nil
	}
	var fixed fixedColumn
	n.Decode(&fixed)
	c.Always = fixed.Always
	return nil
}

type fixedColumn struct {
	Always string `yaml:"always" need:"yes" doc:"the text that holds for every record"`
}

// SchemaFor describes the forms.
func (Column) SchemaFor(of func(any) map[string]any) map[string]any {
	one := []any{map[string]any{"type": "string", "minLength": 1}, map[string]any{"type": "integer", "minimum": 1}}
	return map[string]any{"anyOf": []any{
		one[0], one[1],
		map[string]any{"type": "array", "items": map[string]any{"anyOf": one}, "minItems": 2, "maxItems": 2,
			"description": "two columns that are read as one, with a space between: a date and a time of day"},
		of(fixedColumn{}),
	}}
}

func (r *Records) check(doc *strict.Doc, h *Host) {
	wrongForm := func(ptr any, set bool, what string, forms ...Form) {
		if set && r.Form != "" && !slices.Contains(forms, r.Form) {
			doc.Errorf(ptr, "", "%s has no meaning for records of form %s", what, r.Form)
		}
	}
	wrongForm(&r.Separator, r.Separator != 0, "a separator", CSV)
	wrongForm(&r.NoHeader, r.NoHeader, "no-header", CSV, XLSX)
	wrongForm(&r.Skip, r.Skip != 0, "skip-lines", CSV, JSONLines, XLSX)
	wrongForm(&r.Only, r.Only != "", "only-lines", CSV, JSONLines)
	wrongForm(&r.Encoding, r.Encoding != "", "an encoding", CSV, JSONLines)
	wrongForm(&r.Table, r.Table != "", "a table", SQLite, Postgres, MySQL, SQL)
	wrongForm(&r.Query, r.Query != "", "a query", SQLite, Postgres, MySQL, SQL)
	wrongForm(&r.DSN, r.DSN != "", "a dsn", Postgres, MySQL)
	r.checkServer(doc)
	wrongForm(&r.File, r.File != "", "a file", CSV, JSONLines, SQLite, XLSX)
	wrongForm(&r.Sheet, r.Sheet != "", "a sheet", XLSX)
	r.OnlyPattern = compile(doc, &r.Only, r.Only)
	if r.Skip < 0 || r.Skip > 1000 {
		doc.Errorf(&r.Skip, "", "skip-lines is 0 to 1000, not %d", r.Skip)
	}
	if r.Table != "" && r.Query != "" {
		doc.Errorf(&r.Query, "keep one of them", "a table and a query stand side by side")
	}
	if m := r.Decimal; m != 0 && m != '.' && m != ',' {
		doc.Errorf(&r.Decimal, "write point or comma", "%q is not a decimal mark", rune(m))
	}
	if r.Form == CSV && r.Decimal == ',' && !doc.Has(&r.Separator) {
		doc.Errorf(&r.Decimal, "write the separator too, such as separator: semicolon", "the decimal mark is a comma, and so is the separator by default")
	}
	if (r.Form == SQL || r.Form.Server()) && r.Table == "" && r.Query == "" {
		doc.Errorf(&r.Form, "write query: and a query that gives the rows in the order they were written, or table:", "nothing says which rows of the database are the records")
	}
	any := false
	for i, c := range r.Columns.All() {
		any = any || c.Set()
		if r.NoHeader && (c.Name != "" || c.Then.Name != "") {
			doc.Errorf(c, "write its number, counted from 1", "there is no header that could name the column %q", c.Name+c.Then.Name)
		}
		if (c.Number != 0 || c.Then.Number != 0) && (r.Form == JSONLines || r.Form == HTTP) {
			doc.Errorf(c, "write its name, or a path such as data.value", "JSON has no column %d", c.Number+c.Then.Number)
		}
		if ColumnNames[i] == "unit" && c.Always != "" {
			if _, ok := decimal.ParseUnit(r.unit(c.Always)); !ok {
				doc.Errorf(c, "write a unit of length, such as mm or in", "%q is not a unit", c.Always)
			}
		}
	}
	if r.NoHeader && !any {
		doc.Errorf(&r.NoHeader, "write columns: {value: 2, ...}", "without a header the columns must be given by number")
	}
	if any && !r.Columns.Value.Set() && !r.Columns.Zone.Set() {
		doc.Errorf(&r.Columns, "write at least value or zone", "the columns name neither a value nor a zone")
	}
	words := sortedKeys(r.Units)
	for _, w := range words {
		if r.Units[w] == Ask {
			doc.Errorf(&r.Units, "write one of "+strings.Join(decimal.UnitSymbols(), ", "), question+"which unit the word %q means", w)
			continue
		}
		if _, ok := decimal.ParseUnit(r.Units[w]); !ok {
			doc.Errorf(&r.Units, "write one of "+strings.Join(decimal.UnitSymbols(), ", "), "the unit word %q means %q, which is not a unit of length", w, r.Units[w])
		}
	}
	if h.Running && strings.Contains(r.File, "{output}") {
		doc.Errorf(&r.File, "", "the output of a host that is already running cannot be read")
	}
}

// checkServer checks where the database of a server is.
func (r *Records) checkServer(doc *strict.Doc) {
	if !r.Form.Server() {
		return
	}
	like := map[Form]string{Postgres: "postgres://USER@HOST:PORT/DATABASE", MySQL: "mysql://USER@HOST:PORT/DATABASE"}[r.Form]
	if r.DSN == "" {
		doc.Errorf(&r.Form, "write dsn: "+like, "nothing says where the database is")
		return
	}
	u, err := url.Parse(r.DSN)
	if err != nil || u.Scheme != string(r.Form) {
		doc.Errorf(&r.DSN, "write "+like, "this is not the address of a database of form %s", r.Form)
		return
	}
	if _, has := u.User.Password(); has || u.Query().Has("password") {
		doc.Errorf(&r.DSN, "leave it out, and set PGPASSWORD or MYSQL_PWD where understudy runs", "the dsn has a password, and every run folder keeps this description")
	}
}

// Server reports whether records of the form are at a database server.
func (f Form) Server() bool { return f == Postgres || f == MySQL }

// Select is the query for the records of a database.
func (r *Records) Select() string {
	if r.Query != "" {
		return r.Query
	}
	return "select * from " + r.Table
}

func (r *Records) unit(word string) string {
	if u, ok := r.Units[word]; ok {
		return u
	}
	return word
}

// Fill puts the defaults of a description of records in, for one that was not
// made by Parse.
func (r *Records) Fill() {
	or(&r.File, "{records}")
	or(&r.Separator, ',')
	or(&r.Decimal, '.')
	or(&r.Encoding, UTF8)
	or(&r.Time.Form, "iso")
	if r.OnlyPattern == nil && r.Form == JSONLines && strings.Contains(r.File, "{output}") {
		r.OnlyPattern = objectLine
	}
	if r.Columns == (Columns{}) && !r.NoHeader {
		r.OurNames = true
		for i, c := range r.Columns.All() {
			c.Name = ColumnNames[i]
		}
	}
}

var objectLine = regexp.MustCompile(`^\s*\{`)
