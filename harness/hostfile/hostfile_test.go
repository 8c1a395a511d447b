package hostfile_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/zone"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
)

const short = `understudy-host: 1
run: [linehost, "{port}", "{records}"]
records: {form: csv}
`

const full = `understudy-host: 1
title: Line host, German records
run: [python3, "{run}/host.py", --port, "{port:bore-1}", --job, "{job}", '{"a":{"b":1}}', "{{x}"]
environment: {LANG: C.UTF-8}
folder: "{run}"
ready: {says: "^ready$", within: 3 s}
stop: {signal: SIGINT, grace: 400 ms}
pace: 10×
keeps: all
dialects: [line-ascii, my-binary]
ports: [pty, rfc2217]
does-not-claim: [time]
records:
  form: csv
  file: "{run}/out.csv"
  separator: semicolon
  encoding: windows-1252
  decimal-mark: comma
  skip-lines: 2
  time: {form: "DD.MM.YYYY hh:mm:ss,f", zone: Europe/Berlin}
  columns: {time: Zeit, value: Messwert, unit: {always: Zoll}, zone: 4}
  zones: {IO: [inside, warn-low], NIO+: above}
  events: {M: reading, B: low-cell}
  gauges: {G1: bore-1}
  channels: {K1: A}
  units: {Zoll: in}
  void: [---, Fehler]
`

// Kind: property.
func TestShortestUsefulDescription(t *testing.T) {
	h, err := hostfile.Parse("h.yaml", []byte(short))
	require.NoError(t, err)
	require.Less(t, strings.Count(short, "\n"), 12)
	require.Empty(t, h.Keeps)
	require.True(t, h.Ready.Opened)
	require.Equal(t, quantity.Duration(20*time.Second), h.Ready.Within)
	require.Equal(t, hostfile.Signal("term"), h.Stop.Signal)
	require.Equal(t, "drain", h.Pace.String())
	require.Equal(t, "{records}", h.Records.File)
	require.Equal(t, hostfile.Column{Name: "value"}, h.Records.Columns.Value)
}

// Kind: property.
func TestFullDescription(t *testing.T) {
	h, err := hostfile.Parse("h.yaml", []byte(full))
	require.NoError(t, err)
	want := hostfile.Records{
		Form: hostfile.CSV, File: "{run}/out.csv", Separator: ';', Encoding: hostfile.Windows1252, Decimal: ',', Skip: 2,
		Columns: hostfile.Columns{Time: hostfile.Column{Name: "Zeit"}, Value: hostfile.Column{Name: "Messwert"}, Unit: hostfile.Column{Always: "Zoll"}, Zone: hostfile.Column{Number: 4}},
		Zones:   map[string]hostfile.Verdict{"IO": {Set: zone.SetOf(zone.Inside, zone.WarnLow)}, "NIO+": {Set: zone.SetOf(zone.Above)}},
		Events:  map[string]hostfile.Event{"M": hostfile.Reading, "B": hostfile.LowCell},
		Gauges:  map[string]string{"G1": "bore-1"}, Chans: map[string]string{"K1": "A"}, Units: map[string]string{"Zoll": "in"},
		Void: []string{"---", "Fehler"},
	}
	if d := cmp.Diff(want, h.Records, cmpopts.IgnoreFields(hostfile.Records{}, "Time")); d != "" {
		t.Error(d)
	}
	require.Equal(t, 10.0, float64(h.Pace))
	require.Equal(t, hostfile.Signal("int"), h.Stop.Signal)
	require.Equal(t, "^ready$", h.Ready.Pattern.String())
	words, err := hostfile.Places{Run: "/r", Job: "/r/job.json", Ports: map[string]string{"bore-1": "/r/p"}}.ExpandAll(h.Run)
	require.NoError(t, err)
	if d := cmp.Diff([]string{"python3", "/r/host.py", "--port", "/r/p", "--job", "/r/job.json", `{"a":{"b":1}}`, "{x}"}, words); d != "" {
		t.Error(d)
	}
}

// Kind: property.
func TestMistakesStandWhereTheyAre(t *testing.T) {
	with := func(records string) string { return "understudy-host: 1\nrun: [h]\nrecords: " + records + "\n" }
	many := func(how string) string {
		return "understudy-host: 1\nrun: [h, \"{job}\"]\nmany-runs: " + how + "\nrecords: {form: csv}"
	}
	summary := func(rules string) string { return with("{form: csv}") + "summary: " + rules }
	for name, c := range map[string]struct{ src, want string }{
		"statistic, none":  {with("{form: csv, events: {AVG: mean}}"), `h:3:31: the event word "AVG" means the statistic mean, and the host claims none; write summary: {} beside records`},
		"subgroup":         {summary("{subgroup: 1}"), `h:4:21: a subgroup of 1 has no spread; write 2 to 1000`},
		"subgroup, range":  {summary("{subgroup: 11, within: mean-range}"), `h:4:21: the mean range of subgroups of 11 is not used; write 2 to 10, or within: pooled`},
		"within":           {summary("{within: range}"), `h:4:19: "range" is not a spread within subgroups; write pooled or mean-range`},
		"study variation":  {summary("{study-variation: 0}"), `h:4:28: a study variation of 0 standard deviations is none; write 6 or 5.15`},
		"no records":       {summary("{statistics: {mean: A}}"), `h:4:24: a column for each statistic needs records of their own; write records: beside it`},
		"no file":          {summary("{records: {form: csv}}"), `h:4:21: nothing says where the summaries are; write file: "{run}/summary.csv", for example`},
		"statistic":        {summary("{records: {form: csv, file: f}, statistics: {median: A}}"), `h:4:55: "median" is not a statistic; write one of count, mean, s, range, Cp, Cpk, Pp, Ppk, %R&R, ndc`},
		"form of its own":  {summary("{records: {form: http}}"), `h:4:27: summaries of their own are not read by http; write csv, json-lines, sqlite or xlsx`},
		"zones, none":      {with("{form: csv, zones: {OK: []}}"), `h:3:34: the word means nothing; write the zones that the word stands for, such as [inside, warn-low, warn-high]`},
		"zones, unknown":   {with("{form: csv, zones: {OK: [inside, warm]}}"), `h:3:43: "warm" is not a zone; write void, below, warn-low, inside, warn-high, above or unproven`},
		"place":            {"understudy-host: 1\nrun: [h, \"{prot}\"]\nrecords: {form: csv}", `h:2:10: {prot} is not a place; did you mean {port}?`},
		"place, empty":     {"understudy-host: 1\nrun: [h, \"{port:}\"]\nrecords: {form: csv}", `h:2:10: {port:} names no gauge; write {port:NAME}, or {port}`},
		"place with name":  {"understudy-host: 1\nrun: [h, \"{run:x}\"]\nrecords: {form: csv}", `h:2:10: {run:x}: only {port:NAME} takes a name; write {run}`},
		"both lives":       {"understudy-host: 1\nrun: [h]\nalready-running: true\nrecords: {form: csv}", `h:3:18: a host that is already running is not started by run as well; keep one of them`},
		"no life":          {"understudy-host: 1\nrecords: {form: csv}", `h:1:1: nothing says how the host is started; write run: [command, words], or already-running: true`},
		"version":          {"understudy-host: 2\nrun: [h]\nrecords: {form: csv}", `h:1:18: version 2 of the language is not known here; write 1`},
		"not ours":         {"understudy: 1\n", "h:1:1: unknown key \"understudy\""},
		"ready":            {"understudy-host: 1\nrun: [h]\nready: soon\nrecords: {form: csv}", `h:3:8: "soon" is not a way to be ready; write opened, first-command, or a mapping such as {says: ready}`},
		"ready twice":      {"understudy-host: 1\nrun: [h]\nready: {says: a, after: 1 s}\nrecords: {form: csv}", `h:3:9: 2 ways to be ready stand side by side; keep one`},
		"ready expression": {"understudy-host: 1\nrun: [h]\nready: {says: \"(\"}\nrecords: {form: csv}", `h:3:15: the regular expression cannot be read`},
		"signal":           {"understudy-host: 1\nrun: [h]\nstop: {signal: tern}\nrecords: {form: csv}", `h:3:16: "tern" is not a signal; write one of term, int, hup, quit, kill; did you mean "term"?`},
		"pace":             {"understudy-host: 1\nrun: [h]\npace: fast\nrecords: {form: csv}", `h:3:7: "fast" is not a pace; write drain, real, or a factor up to 1000000× such as 10×`},
		"form":             {with("{form: cvs}"), `h:3:17: "cvs" is not a form of records; write one of csv, json-lines, sqlite, xlsx, http, postgres, mysql, sql; did you mean "csv"?`},
		"zone":             {with("{form: csv, zones: {OK: inn}}"), `h:3:34: "inn" is not a zone`},
		"unit":             {with("{form: csv, units: {bar: bar}}"), `h:3:30: the unit word "bar" means "bar", which is not a unit of length`},
		"fixed unit":       {with("{form: csv, columns: {value: v, unit: {always: psi}}}"), `h:3:49: "psi" is not a unit; write a unit of length`},
		"json number":      {with("{form: json-lines, columns: {value: 3}}"), `h:3:46: JSON has no column 3; write its name, or a path such as data.value`},
		"separator":        {with("{form: csv, separator: comet}"), `h:3:33: "comet" is not a mark`},
		"separator, json":  {with("{form: json-lines, separator: tab}"), `h:3:40: a separator has no meaning for records of form json-lines`},
		"comma twice":      {with("{form: csv, decimal-mark: comma}"), `h:3:36: the decimal mark is a comma, and so is the separator by default`},
		"no header":        {with("{form: csv, no-header: true}"), `h:3:33: without a header the columns must be given by number`},
		"no header, name":  {with("{form: csv, no-header: true, columns: {value: v}}"), `h:3:56: there is no header that could name the column "v"`},
		"no value":         {with("{form: csv, columns: {tag: 1}}"), `h:3:32: the columns name neither a value nor a zone; write at least value or zone`},
		"a dialect's file": {"understudy-host: 1\nrun: [h]\ndialects: [line-ascii, my/binary.yaml]\nrecords: {form: csv}", `h:3:24: "my/binary.yaml" is not a dialect's name; write the name that stands in the dialect's file behind dialect:`},
		"a dialect again":  {"understudy-host: 1\nrun: [h]\ndialects: [line-ascii, line-ascii]\nrecords: {form: csv}", `h:3:24: the dialect line-ascii is claimed twice`},
		"no dialect":       {"understudy-host: 1\nrun: [h]\ndialects: []\nrecords: {form: csv}", `h:3:11: the host speaks no dialect; leave it out if the host speaks every dialect`},
		"no port":          {"understudy-host: 1\nrun: [h]\nports: []\nrecords: {form: csv}", `h:3:8: the host opens no port; leave it out if the host opens every kind of port`},
		"a port":           {"understudy-host: 1\nrun: [h]\nports: [com]\nrecords: {form: csv}", `h:3:9: "com" is not a kind of port; write one of pty, tcp, rfc2217`},
		"claim":            {"understudy-host: 1\nrun: [h]\ndoes-not-claim: [time, lnk-lost]\nrecords: {form: csv}", `h:3:24: "lnk-lost" is nothing that is judged; did you mean "link-lost"?`},
		"three columns":    {with("{form: csv, columns: {time: [a, b, c], value: v}}"), `h:3:38: a list here has two columns, which are read as one`},
		"time":             {with("{form: csv, time: stardate}"), `h:3:28: "stardate" is not a form of time at "stardate"`},
		"time zone":        {with("{form: csv, time: {form: iso, zone: Mars/Base}}"), `h:3:29: "Mars/Base" is not a zone that is known here`},
		"table and query":  {with("{form: sqlite, table: a, query: select 1}"), `h:3:42: a table and a query stand side by side; keep one of them`},
		"many runs":        {many("maybe"), `h:3:12: "maybe" does not say how the host is told of each run; write true, or a mapping such as {begin: "job {job}", end: end, ended: ^ended$}`},
		"many, running":    {"understudy-host: 1\nalready-running: true\nmany-runs: true\nrecords: {form: csv}", `h:3:12: a host that is already running is kept anyway; leave it out`},
		"many, place":      {many("{begin: \"{jop}\"}"), `h:3:20: {jop} is not a place; did you mean {job}?`},
		"many, line end":   {many("{begin: b, end: \"a\\nb\"}"), `h:3:28: the line has a line end in it`},
		"many, expression": {many("{begin: b, end: e, ended: \"(\"}"), `h:3:38: the regular expression cannot be read`},
		"many, never told": {many("{begin: b, ended: e}"), `h:3:30: the host is not told that a run is over and cannot say that it has ended it; write end: and the line that has the host end a run`},
		"many, address":    {strings.Replace(many("yes"), "csv", "http", 1), `h:3:12: each run's records are posted to an address of their own, and the host is not told of it`},
		"many, once":       {many("{begin: b}"), `h:2:10: {job} is another one in each run, and the host is started once for many; write it in begin`},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := hostfile.Parse("h", []byte(c.src))
			require.ErrorContains(t, err, c.want)
		})
	}
}

// Kind: property.
func TestManyRuns(t *testing.T) {
	for src, want := range map[string]struct {
		many   *hostfile.ManyRuns
		goesOn bool
	}{
		"run: [h]":                      {nil, false},
		"already-running: true":         {nil, true},
		"run: [h]\nmany-runs: true":     {&hostfile.ManyRuns{}, true},
		"run: [h]\nmany-runs: {}":       {&hostfile.ManyRuns{}, true},
		"run: [h]\nmany-runs: {end: e}": {&hostfile.ManyRuns{End: "e"}, true},
		"run: [h]\nmany-runs: {begin: \"job {job}\", end: e, ended: ^E}": {&hostfile.ManyRuns{Begin: "job {job}", End: "e", Ended: "^E"}, false},
	} {
		h, err := hostfile.Parse("h", []byte("understudy-host: 1\n"+src+"\nrecords: {form: csv}\n"))
		require.NoError(t, err, src)
		require.Empty(t, cmp.Diff(want.many, h.Many, cmpopts.IgnoreFields(hostfile.ManyRuns{}, "EndedPattern")), src)
		require.Equal(t, want.goesOn, h.GoesOn(), src)
		require.Equal(t, want.many != nil && want.many.Ended != "", h.Many != nil && h.Many.EndedPattern != nil)
	}
}

// Kind: property.
func TestExpandNamesWhatCannotBeFilled(t *testing.T) {
	p := hostfile.Places{Ports: map[string]string{"a": "/p/a", "b": "/p/b"}}
	_, err := p.Expand("{port:c}")
	require.EqualError(t, err, `the scenario has no gauge "c" for {port:c}; its gauges are a, b`)
	_, err = p.Expand("{job}")
	require.EqualError(t, err, "nothing stands for {job} in this run")
}

// Kind: outside.
func TestTimeForms(t *testing.T) {
	for _, c := range []struct{ form, zone, text, want string }{
		{"iso", "", "2026-01-31T07:30:00.125Z", "2026-01-31T07:30:00.125Z"},
		{"iso", "", "2026-01-31 07:30:00,125", "2026-01-31T07:30:00.125Z"},
		{"iso", "Europe/Berlin", "2026-01-31 07:30:00", "2026-01-31T06:30:00Z"},
		{"iso", "Europe/Berlin", "2026-07-31T07:30:00+00:00", "2026-07-31T07:30:00Z"},
		// Example of RFC 3339 section 5.8: 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z.
		{"iso", "", "1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"},
		// POSIX.1 4.19 seconds since the Epoch; 1234567890 s is 2009-02-13T23:31:30Z (common practice).
		{"unix", "", "1234567890.5", "2009-02-13T23:31:30.5Z"},
		{"unix-ms", "", "1234567890500", "2009-02-13T23:31:30.5Z"},
		{"unix-ns", "", "1234567890500000001", "2009-02-13T23:31:30.500000001Z"},
		{"DD.MM.YYYY hh:mm:ss,f", "+01:00", "31.01.2026 07:30:00,25", "2026-01-31T06:30:00.25Z"},
		{"DD.MM.YYYY hh:mm:ss,f", "+01:00", "31.01.2026 07:30:00", "2026-01-31T06:30:00Z"},
		{"M/D/YYYY h:mm:ss AP", "", "1/31/2026 7:30:00 PM", "2026-01-31T19:30:00Z"},
		{"YYYYMMDDThhmmssZ", "", "20260131T073000Z", "2026-01-31T07:30:00Z"},
		{"DD-MMM-YY hh:mm:ss", "", "31-Jan-26 07:30:00", "2026-01-31T07:30:00Z"},
	} {
		f, err := hostfile.NewTimeForm(c.form, c.zone)
		require.NoError(t, err, c.form)
		got, err := f.Parse(c.text)
		require.NoError(t, err, c.form)
		require.Equal(t, c.want, got.UTC().Format(time.RFC3339Nano), c.form)
	}
	f, err := hostfile.NewTimeForm("unix", "")
	require.NoError(t, err)
	_, err = f.Parse("soon")
	require.EqualError(t, err, `"soon" is not a time of the form unix`)
	_, err = hostfile.NewTimeForm("hh:mm", "")
	require.ErrorContains(t, err, "no seconds")
}

// Kind: self.
func TestSchemaTakesWhatParseTakes(t *testing.T) {
	s, err := jsonschema.UnmarshalJSON(strings.NewReader(string(hostfile.Schema())))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	require.NoError(t, c.AddResource("host.json", s))
	schema, err := c.Compile("host.json")
	require.NoError(t, err)
	var v any
	require.NoError(t, json.Unmarshal([]byte(`{"understudy-host": 1, "run": ["h", "{port}"], "ready": "opened", "pace": "10×",
		"records": {"form": "csv", "columns": {"value": 3, "unit": {"always": "mm"}}, "zones": {"OK": "inside"}, "time": {"form": "iso"}}}`), &v))
	require.NoError(t, schema.Validate(v))
	for how, fits := range map[string]bool{`true`: true, `{"begin": "job {job}", "end": "end", "ended": "^ended$"}`: true, `false`: false, `{"start": "x"}`: false} {
		require.NoError(t, json.Unmarshal([]byte(`{"understudy-host": 1, "run": ["h"], "many-runs": `+how+`, "records": {"form": "csv"}}`), &v))
		require.Equal(t, fits, schema.Validate(v) == nil, how)
	}
	require.NoError(t, json.Unmarshal([]byte(`{"understudy-host": 1, "ready": "soon", "records": {"form": "csv"}}`), &v))
	require.Error(t, schema.Validate(v))
}

// Kind: property.
func FuzzParse(f *testing.F) {
	f.Add(short)
	f.Add(full)
	f.Fuzz(func(t *testing.T, src string) {
		h, err := hostfile.Parse("h", []byte(src))
		if err != nil {
			return
		}
		if _, err := h.Records.Time.Parse("2026-01-31 07:30:00"); err != nil && err.Error() == "" {
			t.Error("an error without words")
		}
		again, err := hostfile.Parse("h", []byte(src))
		require.NoError(t, err)
		require.Equal(t, h.Run, again.Run)
		require.Equal(t, h.Records.Columns, again.Records.Columns)
		filled, err := hostfile.Places{Port: "p", Run: "r", Job: "j", Records: "c", Output: "o", Self: "s"}.ExpandAll(h.Run)
		require.True(t, err != nil || len(filled) == len(h.Run), "the command %q became %q", h.Run, filled)
	})
}

// Kind: property.
func TestShippedDescriptions(t *testing.T) {
	files, err := filepath.Glob("../../scenarios/hosts/*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, f := range files {
		src, err := os.ReadFile(f)
		require.NoError(t, err)
		_, err = hostfile.Parse(filepath.Base(f), src)
		require.NoError(t, err)
	}
}

// Kind: property.
func TestClaims(t *testing.T) {
	h, err := hostfile.Parse("h", []byte(full))
	require.NoError(t, err)
	require.True(t, h.Speaks("my-binary"))
	require.False(t, h.Speaks("multi-ascii"))
	require.True(t, h.Opens("pty"))
	require.False(t, h.Opens("tcp"))
	h, err = hostfile.Parse("h", []byte(short))
	require.NoError(t, err)
	require.True(t, h.Speaks("multi-ascii") && h.Opens("tcp"), "all are claimed where none is named")
}
