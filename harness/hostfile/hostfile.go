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
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/strict"
)

// Version of the language.
const Version = 1

// Host is one host description.
type Host struct {
	Version     int               `yaml:"understudy-host" need:"yes" doc:"write understudy-host: 1, the version of this language"`
	Title       string            `yaml:"title" doc:"what the host is, for reports"`
	Run         []string          `yaml:"run" doc:"the command that starts the host, word by word; placeholders such as {port} and {records} are filled in"`
	Running     bool              `yaml:"already-running" doc:"true: the host is started by hand and only its port and its records are watched"`
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
	Summary       *Summary          `yaml:"summary" doc:"the host writes statistics of the tagged readings of each channel, and these are its rules ({}: the defaults)"`

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
	Opened  bool              `yaml:"opened" doc:"true: the host has opened the ports of all gauges"`
	Command bool              `yaml:"first-command" doc:"true: the host has sent something to every gauge"`
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

// UnmarshalAny takes true, for a host that is told nothing, beside the mapping.
func (m *ManyRuns) UnmarshalAny(n strict.Any) error {
	type plain ManyRuns
	if n.Kind != strict.Scalar {
		n.Decode((*plain)(m))
	} else if n.Scalar != "true" {
		n.Errorf("write true, or a mapping such as {begin: \"job {job}\", end: end, ended: ^ended$}", "%q does not say how the host is told of each run", n.Scalar)
	}
	return nil
}

// SchemaFor describes both forms.
func (ManyRuns) SchemaFor(of func(any) map[string]any) map[string]any {
	type manyRuns ManyRuns
	return map[string]any{"anyOf": []any{map[string]any{"enum": []any{true}}, of(manyRuns{})}}
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
		doc.Errorf(h, "write run: [command, words], or already-running: true", "nothing says how the host is started")
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
			if claim == "line" {
				doc.Errorf(&h.NoClaim[i], "write serial-line", "%q is called %q now", claim, cause.Line)
				continue
			}
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
	for _, word := range sortedKeys(h.Records.Events) {
		if e := h.Records.Events[word]; h.Summary == nil && slices.Contains(Statistics, string(e)) {
			doc.Errorf(&h.Records.Events, "write summary: {} beside records, or the rules that the host goes by", "the event word %q means the statistic %s, and the host claims none", word, e)
		}
	}
	if h.Summary != nil {
		h.Summary.check(doc, h)
	}
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
	if h.Summary != nil {
		h.Summary.fill()
		h.Records.Statistics = h.Summary.Records == nil
	}
}

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

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// Schema is the JSON Schema of a host description.
func Schema() []byte { return strict.Schema("understudy host description", Host{}) }
