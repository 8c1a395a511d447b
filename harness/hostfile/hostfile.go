// Package hostfile reads host descriptions: how the software under test is
// started, when it is ready, how it stops, and how its records read. One file
// describes one host for every scenario.
//
// The shortest useful description:
//
//	understudy-host: 1
//	title: Line host
//	run: [python3, linehost.py, --port, "{port}", --out, "{records}"]
//	records: {form: csv}
//
// The package is pure: it reads text and returns values; nothing is started
// and no file is opened.
package hostfile

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"sort"
	"strings"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/zone"
)

// Version of the language.
const Version = 1

// Host is one host description.
type Host struct {
	Version     int               `yaml:"understudy-host" need:"yes" doc:"write understudy-host: 1, the version of this language"`
	Title       string            `yaml:"title" doc:"what the host is, for reports"`
	Run         []string          `yaml:"run" doc:"the command that starts the host, word by word; placeholders such as {port} and {records} are filled in"`
	Running     bool              `yaml:"already-running" doc:"yes: the host is started by hand and only its port and its records are watched"`
	Environment map[string]string `yaml:"environment" doc:"variables set for the host, beside those of the harness"`
	Folder      string            `yaml:"folder" doc:"the folder the host starts in, from the description's own folder (default: the run folder)"`
	Ready       Ready             `yaml:"ready" doc:"when the host counts as ready (default: when it has opened all its ports)"`
	Stop        Stop              `yaml:"stop" doc:"how the host is ended"`
	Many        *ManyRuns         `yaml:"many-runs" doc:"the host can be kept from one run to the next, where many are played (default: it is started anew for each)"`
	Pace        Pace              `yaml:"pace" doc:"how fast the scenario plays: drain (as fast as the host reads), real, or a factor such as 10×"`
	Keeps       Keeps             `yaml:"keeps" doc:"which readings the host records, tagged or all, whatever the scenario asks (default: as the scenario has it)"`
	// CommitsWithin is 0 when it is left out; see Commits.
	CommitsWithin quantity.Duration `yaml:"commits-within" doc:"how long the host may take to record what it has read: what it read longer before it is killed has to be in its records (default: 250 ms)"`
	Dialects      []string          `yaml:"dialects" doc:"the names of the dialects that the host claims to speak, if not all: a scenario in which a gauge speaks another is skipped, and explore keeps to these"`
	Ports         []Port            `yaml:"ports" doc:"the kinds of port that the host claims to open, if not all: pty, tcp, rfc2217"`
	Scenarios     []string          `yaml:"scenarios" doc:"the names of the scenarios that the host is made for, if not all: another is skipped"`
	NoClaim       []string          `yaml:"does-not-claim" doc:"what the host does not set out to do; reported as not judged. A scenario that asks for nothing else is skipped, and without settings one that has the host set up a gauge"`
	Records       Records           `yaml:"records" need:"yes" doc:"where the host's records are and how they read"`

	// Asked are the questions of a draft that nobody has answered, each at its place.
	Asked strict.Errors
}

// Ask stands in a draft in place of what the sample did not show.
const Ask = "ask"

// question begins what Parse says of an Ask.
const question = "still to be answered: "

// Ready says when the host counts as ready. At most one of the conditions is
// set; none means Opened.
type Ready struct {
	Says    string            `yaml:"says" was:"line" doc:"a regular expression (RE2) that a line of the host's standard output matches"`
	File    string            `yaml:"file" doc:"a file that appears; placeholders are filled in"`
	Opened  bool              `yaml:"opened" doc:"yes: the host has opened the ports of all gauges"`
	Command bool              `yaml:"first-command" doc:"yes: the host has sent something to every gauge"`
	After   quantity.Duration `yaml:"after" doc:"this long after its start; the last resort"`
	Within  quantity.Duration `yaml:"within" doc:"how long to wait for it (default: 20 s)"`

	Pattern *regexp.Regexp // Line, compiled
}

// UnmarshalAny takes the short forms `opened` and `first-command` beside the mapping.
func (r *Ready) UnmarshalAny(n strict.Any) error {
	type plain Ready
	if n.Kind != strict.Scalar {
		n.Decode((*plain)(r))
		return nil
	}
	switch n.Scalar {
	case "opened":
		r.Opened = true
	case "first-command":
		r.Command = true
	default:
		n.Errorf("write opened, first-command, or a mapping such as {says: ready}", "%q is not a way to be ready", n.Scalar)
	}
	return nil
}

// SchemaFor describes both forms.
func (Ready) SchemaFor(of func(any) map[string]any) map[string]any {
	type ready Ready
	return map[string]any{"anyOf": []any{map[string]any{"enum": []string{"opened", "first-command"}}, of(ready{})}}
}

// Commits is how long the host may take to record what it has read.
func (h *Host) Commits() time.Duration {
	if h.CommitsWithin > 0 {
		return h.CommitsWithin.D()
	}
	return 250 * time.Millisecond
}

// Stop says how the host is ended: a line on its standard input or a signal to
// its process group, then a time of grace, then the group is killed.
type Stop struct {
	Signal Signal            `yaml:"signal" doc:"the signal that asks the host to end (default: term)"`
	Says   string            `yaml:"says" was:"line" doc:"a line written to the host's standard input before it is closed, instead of a signal"`
	Grace  quantity.Duration `yaml:"grace" doc:"how long the host may take (default: 5 s)"`
}

// ManyRuns says how a host is kept from one run to the next: it is told of each
// run by a line on its standard input. One that is told nothing finds each
// run's ports at the same paths, must open them again when they come back, and
// adds to the same records, of which those that were there are left out.
type ManyRuns struct {
	Begin string `yaml:"begin" doc:"a line written to the host's standard input for each run, the first too; placeholders are filled in (default: the host is told nothing, ports keep their paths and the records go on)"`
	End   string `yaml:"end" doc:"a line written to the host's standard input when a run is over"`
	Ended string `yaml:"ended" doc:"a regular expression (RE2) that a line of the host's standard output matches when the run's records are complete"`

	EndedPattern *regexp.Regexp // Ended, compiled
}

// UnmarshalAny takes yes, for a host that is told nothing, beside the mapping.
func (m *ManyRuns) UnmarshalAny(n strict.Any) error {
	type plain ManyRuns
	if n.Kind != strict.Scalar {
		n.Decode((*plain)(m))
	} else if n.Scalar != "yes" {
		n.Errorf("write yes, or a mapping such as {begin: \"job {job}\", end: end, ended: ^ended$}", "%q does not say how the host is told of each run", n.Scalar)
	}
	return nil
}

// SchemaFor describes both forms.
func (ManyRuns) SchemaFor(of func(any) map[string]any) map[string]any {
	type manyRuns ManyRuns
	return map[string]any{"anyOf": []any{map[string]any{"enum": []string{"yes"}}, of(manyRuns{})}}
}

// GoesOn reports whether the host's ports and records are the same in every
// run: it runs on and is not told of them.
func (h *Host) GoesOn() bool { return h.Running || h.Many != nil && h.Many.Begin == "" }

// Signal names a signal of POSIX.1 without its SIG.
type Signal string

// Names lists the signals.
func (Signal) Names() []string { return []string{"term", "int", "hup", "quit", "kill"} }

// UnmarshalText reads a signal's name.
func (s *Signal) UnmarshalText(b []byte) error {
	name := strings.TrimPrefix(strings.ToLower(string(b)), "sig")
	return choose((*string)(s), name, s.Names(), "a signal")
}

// Port is a kind of port, as scenarios call them.
type Port string

// Names lists the kinds.
func (Port) Names() []string { return []string{"pty", "tcp", "rfc2217"} }

// UnmarshalText reads a kind's name.
func (p *Port) UnmarshalText(b []byte) error {
	return choose((*string)(p), string(b), p.Names(), "a kind of port")
}

// Keeps says which readings the host records.
type Keeps string

// What a host keeps.
const (
	Tagged Keeps = "tagged"
	All    Keeps = "all"
)

// Names lists the words.
func (Keeps) Names() []string { return []string{"tagged", "all"} }

// UnmarshalText reads a word.
func (k *Keeps) UnmarshalText(b []byte) error {
	return choose((*string)(k), string(b), k.Names(), "what a host keeps")
}

func choose(to *string, word string, names []string, what string) error {
	for _, n := range names {
		if n == word {
			*to = n
			return nil
		}
	}
	return fmt.Errorf("%q is not %s; write one of %s", word, what, strings.Join(names, ", "))
}

// Pace is how fast a scenario plays: 0 as fast as the host reads (drain), 1
// real time, otherwise that many times real time.
type Pace float64

// UnmarshalText reads drain, real, 10× or 10x.
func (p *Pace) UnmarshalText(b []byte) error {
	s := string(b)
	switch s {
	case "drain":
		*p = 0
		return nil
	case "real":
		*p = 1
		return nil
	}
	num, isFactor := strings.CutSuffix(strings.TrimSuffix(s, "x"), "×")
	if isFactor || strings.HasSuffix(s, "x") {
		if d, err := decimal.Parse(num); err == nil && d.Sign() > 0 && d.Cmp(decimal.New(1, 6)) <= 0 {
			*p = Pace(d.Float64())
			return nil
		}
	}
	return fmt.Errorf("%q is not a pace; write drain, real, or a factor up to 1000000× such as 10×", s)
}

func (p Pace) String() string {
	switch p {
	case 0:
		return "drain"
	case 1:
		return "real"
	}
	return fmt.Sprintf("%g×", float64(p))
}

// SchemaFor describes the text.
func (Pace) SchemaFor(func(any) map[string]any) map[string]any {
	return map[string]any{"type": "string", "pattern": `^(drain|real|[0-9.]+[x×])$`, "examples": []string{"drain", "real", "10×"}}
}

// Form is the form of the host's records.
type Form string

// Forms of records.
const (
	CSV       Form = "csv"        // RFC 4180, with any separator
	JSONLines Form = "json-lines" // one JSON object (RFC 8259) a line
	SQLite    Form = "sqlite"     // a table or a query of an SQLite database
	HTTP      Form = "http"       // JSON objects posted to an address of the harness
	SQL       Form = "sql"        // a table or a query of a database that a Go test hands over
)

// Names lists the forms.
func (Form) Names() []string { return []string{"csv", "json-lines", "sqlite", "http", "sql"} }

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
	Form      Form     `yaml:"form" need:"yes" doc:"csv, json-lines, sqlite, http, or sql (a database that a Go test hands over)"`
	File      string   `yaml:"file" doc:"the file or database (default: {records}); {output} for the host's standard output"`
	Separator Mark     `yaml:"separator" doc:"the character between fields of csv (default: comma)"`
	Encoding  Encoding `yaml:"encoding" doc:"how the text is written as bytes (default: utf-8)"`
	Decimal   Mark     `yaml:"decimal-mark" doc:"the mark before the decimals of a value (default: point)"`
	NoHeader  bool     `yaml:"no-header" doc:"yes: the first row of csv is a record already; columns are then given by number"`
	Skip      int      `yaml:"skip-lines" doc:"lines before the header (or the first record) that are not records"`
	Only      string   `yaml:"only-lines" doc:"a regular expression (RE2); lines it does not match are neither header nor records, for records among other output (default: all lines; of json-lines in {output}, those that begin with a brace)"`
	Table     string   `yaml:"table" doc:"of sqlite: the table, in the order of its rowid (default: the only one); of sql: the table"`
	Query     string   `yaml:"query" doc:"of sqlite and sql: the query, instead of a table; it gives the rows in the order they were written"`

	Time    TimeForm           `yaml:"time" doc:"how times are written (default: RFC 3339)"`
	Columns Columns            `yaml:"columns" doc:"our columns and where each is in the records (default: those with our names)"`
	Zones   map[string]Verdict `yaml:"zones" doc:"the host's verdict words and the zone each means, or the list of zones where a word tells less, such as OK: [inside, warn-low, warn-high]"`
	Events  map[string]Event   `yaml:"events" doc:"the host's event words and what each means"`
	Gauges  map[string]string  `yaml:"gauges" doc:"the host's names of gauges and the scenario's"`
	Chans   map[string]string  `yaml:"channels" doc:"the host's names of channels and the gauge's"`
	Units   map[string]string  `yaml:"units" doc:"the host's unit words and the unit each means"`
	Void    []string           `yaml:"void" doc:"what stands in place of a value when there is no valid reading; an empty one always does"`

	OnlyPattern *regexp.Regexp // Only, compiled
	OurNames    bool           // the columns are those of our names, and need not all be there
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
	return []string{"reading", "low-cell", "cell-dead", "link-lost", "link-back", "ignored"}
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
	var fixed struct {
		Always string `yaml:"always" need:"yes" doc:"the text that holds for every record"`
	}
	n.Decode(&fixed)
	c.Always = fixed.Always
	return nil
}

// SchemaFor describes the forms.
func (Column) SchemaFor(func(any) map[string]any) map[string]any {
	one := []any{map[string]any{"type": "string", "minLength": 1}, map[string]any{"type": "integer", "minimum": 1}}
	return map[string]any{"anyOf": []any{
		one[0], one[1],
		map[string]any{"type": "array", "items": map[string]any{"anyOf": one}, "minItems": 2, "maxItems": 2},
		map[string]any{"type": "object", "properties": map[string]any{"always": map[string]any{"type": "string"}}, "required": []string{"always"}, "additionalProperties": false},
	}}
}

// Defaults.
const (
	DefaultWithin = 20 * time.Second
	DefaultGrace  = 5 * time.Second
)

// Parse reads a host description. The error is strict.Errors, with every
// mistake at its line and column. A draft with open questions (Host.Asked) is
// readable, and nothing to judge a host by.
func Parse(file string, src []byte) (*Host, error) {
	h := new(Host)
	doc, err := strict.Decode(file, src, h)
	if err != nil && h.Version != Version && !doc.Has(&h.Version) {
		return nil, err // not a host description at all: more errors would mislead
	}
	h.check(doc)
	if err := doc.Err(); err != nil && !errors.As(err, &h.Asked) {
		return nil, err
	}
	if mistake := func(e strict.Error) bool { return !strings.HasPrefix(e.Msg, question) }; slices.ContainsFunc(h.Asked, mistake) {
		return nil, h.Asked
	}
	h.fill()
	return h, nil
}

func (h *Host) check(doc *strict.Doc) {
	if doc.Has(&h.Version) && h.Version != Version {
		doc.Errorf(&h.Version, fmt.Sprintf("write %d", Version), "version %d of the language is not known here", h.Version)
	}
	switch {
	case h.Running && len(h.Run) > 0:
		doc.Errorf(&h.Running, "keep one of them", "a host that is already running is not started by run as well")
	case !h.Running && len(h.Run) == 0:
		doc.Errorf(h, "write run: [command, words], or already-running: yes", "nothing says how the host is started")
	}
	for i := range h.Run {
		checkPlaces(doc, &h.Run[i], h.Run[i])
	}
	for _, v := range h.Environment {
		checkPlaces(doc, &h.Environment, v) // a map's values have no place of their own
	}
	checkPlaces(doc, &h.Folder, h.Folder)
	checkPlaces(doc, &h.Ready.File, h.Ready.File)
	checkPlaces(doc, &h.Records.File, h.Records.File)

	r := &h.Ready
	if ways := count(r.Says != "", r.File != "", r.Opened, r.Command, r.After != 0); ways > 1 {
		doc.Errorf(r, "keep one", "%d ways to be ready stand side by side", ways)
	}
	if h.Running && r.Says != "" {
		doc.Errorf(&r.Says, "use opened, first-command or file", "the output of a host that is already running cannot be watched")
	}
	for _, d := range []*quantity.Duration{&r.After, &r.Within, &h.Stop.Grace} {
		if *d < 0 {
			doc.Errorf(d, "", "a time here cannot be negative")
		}
	}
	r.Pattern = compile(doc, &r.Says, r.Says)
	if h.Stop.Says != "" && h.Stop.Signal != "" {
		doc.Errorf(&h.Stop.Says, "keep one of them", "a host is asked to end by a line or by a signal, not both")
	}
	if strings.ContainsAny(h.Stop.Says, "\r\n") {
		doc.Errorf(&h.Stop.Says, "", "the line has a line end in it")
	}
	h.checkMany(doc)
	for i, claim := range h.NoClaim {
		if names := aspects(); !slices.Contains(names, claim) {
			want := "write any of " + strings.Join(names, ", ")
			if near := strict.Nearest(claim, names); near != "" {
				want = fmt.Sprintf("did you mean %q?", near)
			}
			doc.Errorf(&h.NoClaim[i], want, "%q is nothing that is judged", claim)
		}
	}
	if doc.Has(&h.Dialects) && len(h.Dialects) == 0 {
		doc.Errorf(&h.Dialects, "leave it out if the host speaks every dialect", "the host speaks no dialect")
	}
	if doc.Has(&h.Scenarios) && len(h.Scenarios) == 0 {
		doc.Errorf(&h.Scenarios, "leave it out if the host is made for every scenario", "the host is made for no scenario")
	}
	if doc.Has(&h.Ports) && len(h.Ports) == 0 {
		doc.Errorf(&h.Ports, "leave it out if the host opens every kind of port", "the host opens no port")
	}
	for i, name := range h.Dialects {
		switch {
		case name == "" || strings.ContainsAny(name, "/\\") || strings.HasSuffix(name, ".yaml"):
			doc.Errorf(&h.Dialects[i], "write the name that stands in the dialect's file behind dialect:", "%q is not a dialect's name", name)
		case slices.Contains(h.Dialects[:i], name):
			doc.Errorf(&h.Dialects[i], "", "the dialect %s is claimed twice", name)
		}
	}
	h.Records.check(doc, h)
}

// Speaks reports whether the host claims the dialect of that name.
func (h *Host) Speaks(dialect string) bool {
	return len(h.Dialects) == 0 || slices.Contains(h.Dialects, dialect)
}

// Opens reports whether the host claims the kind of port of that name.
func (h *Host) Opens(kind string) bool {
	return len(h.Ports) == 0 || slices.Contains(h.Ports, Port(kind))
}

// Plays reports whether the host claims the scenario of that name, which may stand
// in the description without its number.
func (h *Host) Plays(name string) bool {
	_, bare, _ := strings.Cut(name, "-")
	return len(h.Scenarios) == 0 || slices.Contains(h.Scenarios, name) || slices.Contains(h.Scenarios, bare)
}

func (h *Host) checkMany(doc *strict.Doc) {
	m := h.Many
	if m == nil {
		return
	}
	if h.Running {
		doc.Errorf(&h.Many, "leave it out", "a host that is already running is kept anyway")
	}
	checkPlaces(doc, &m.Begin, m.Begin)
	checkPlaces(doc, &m.End, m.End)
	m.EndedPattern = compile(doc, &m.Ended, m.Ended)
	for _, line := range []*string{&m.Begin, &m.End} {
		if strings.ContainsAny(*line, "\r\n") {
			doc.Errorf(line, "", "the line has a line end in it")
		}
	}
	if m.Ended != "" && m.End == "" {
		doc.Errorf(&m.Ended, "write end: and the line that has the host end a run", "the host is not told that a run is over and cannot say that it has ended it")
	}
	if h.Records.Form == HTTP && m.Begin == "" {
		doc.Errorf(&h.Many, "tell it by begin: \"records {records}\"", "each run's records are posted to an address of their own, and the host is not told of it")
	}
	if m.Begin == "" {
		return
	}
	once := func(ptr any, text string) {
		for _, place := range placeForm.FindAllStringSubmatch(text, -1) {
			if name := place[1]; slices.Contains([]string{"port", "job", "records"}, name) {
				doc.Errorf(ptr, "write it in begin", "{%s} is another one in each run, and the host is started once for many", name)
			}
		}
	}
	for i := range h.Run {
		once(&h.Run[i], h.Run[i])
	}
	for _, k := range sortedKeys(h.Environment) {
		once(&h.Environment, h.Environment[k])
	}
	once(&h.Folder, h.Folder)
}

func aspects() (names []string) {
	for _, a := range cause.Aspects() {
		names = append(names, string(a))
	}
	return names
}

func (r *Records) check(doc *strict.Doc, h *Host) {
	wrongForm := func(ptr any, set bool, what string, forms ...Form) {
		for _, f := range forms {
			if r.Form == f {
				return
			}
		}
		if set && r.Form != "" {
			doc.Errorf(ptr, "", "%s has no meaning for records of form %s", what, r.Form)
		}
	}
	wrongForm(&r.Separator, r.Separator != 0, "a separator", CSV)
	wrongForm(&r.NoHeader, r.NoHeader, "no-header", CSV)
	wrongForm(&r.Skip, r.Skip != 0, "skip-lines", CSV, JSONLines)
	wrongForm(&r.Only, r.Only != "", "only-lines", CSV, JSONLines)
	wrongForm(&r.Encoding, r.Encoding != "", "an encoding", CSV, JSONLines)
	wrongForm(&r.Table, r.Table != "", "a table", SQLite, SQL)
	wrongForm(&r.Query, r.Query != "", "a query", SQLite, SQL)
	wrongForm(&r.File, r.File != "", "a file", CSV, JSONLines, SQLite)
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
		doc.Errorf(&r.Decimal, "write the separator too, such as separator: semicolon", "the decimal mark is a comma and so is the separator when left out")
	}
	if r.Form == SQL && r.Table == "" && r.Query == "" {
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

func (r *Records) unit(word string) string {
	if u, ok := r.Units[word]; ok {
		return u
	}
	return word
}

func compile(doc *strict.Doc, ptr any, expr string) *regexp.Regexp {
	if expr == "" {
		return nil
	}
	re, err := regexp.Compile(expr)
	if err != nil {
		doc.Errorf(ptr, "", "the regular expression cannot be read: %v", err)
	}
	return re
}

// fill puts the defaults in.
func (h *Host) fill() {
	or(&h.Folder, "{run}")
	or(&h.Ready.Within, quantity.Duration(DefaultWithin))
	or(&h.Stop.Grace, quantity.Duration(DefaultGrace))
	r := &h.Ready
	r.Opened = count(r.Says != "", r.File != "", r.Command, r.After != 0) == 0
	if h.Stop.Says == "" {
		or(&h.Stop.Signal, "term")
	}
	h.Records.Fill()
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

func or[T comparable](p *T, def T) {
	if *p == *new(T) {
		*p = def
	}
}

func count(conds ...bool) (n int) {
	for _, c := range conds {
		if c {
			n++
		}
	}
	return n
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}

// Schema is the JSON Schema of a host description.
func Schema() []byte { return strict.Schema("understudy host description", Host{}) }
