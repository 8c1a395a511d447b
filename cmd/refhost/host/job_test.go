package host

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"
)

const fullJob = `{ "version": 1, "feature": "guide bore", "unit": "mm", "resolution": "0.001", "rounding": "half-even",
  "decide": "displayed", "limits-are": "inclusive", "guard": "0.002", "keeps": "tagged", "records": "records.csv", "later": {"key": 1},
  "gauges": [ { "name": "bore-1", "serial": "US-0001", "port": "ports/bore-1", "port-kind": "pty", "serial-line": "19200 7E2",
      "dialect": "line-ascii.yaml", "factor": "1", "preset": "8.000", "function": "live",
      "tags": {"first": 1, "last": 9999, "window": "2 s"},
      "writes": [ {"setting": "unit", "channel": "A", "to": "in"}, {"verb":"stream-on"} ],
      "channels": [ {"name": "A", "limits-unit": "in", "lower": "7.985", "upper": "8.015", "warn-lower": "7.990"} ] } ] }`

// Kind: property.
func TestParseJob(t *testing.T) {
	t.Parallel()
	j, err := parseJob("job.json", []byte(fullJob))
	require.NoError(t, err)
	want := &job{Version: 1, Feature: "guide bore", Unit: "mm", Rounding: "half-even", Resolution: *dec("0.001"), Decide: "displayed", LimitsAre: "inclusive",
		Guard: *dec("0.002"), Keeps: "tagged", Records: "records.csv", AtLine: atLine{"raised", "raised", "none"}, Gauges: []gauge{{
			Name: "bore-1", Serial: "US-0001", Port: "ports/bore-1", PortKind: "pty", Line: line{19200, 7, 'E', "2"}, Dialect: "line-ascii.yaml",
			Unit: &j.Unit, Factor: dec("1"), Preset: dec("8.000"), Function: "live", Tags: tagNumbers{1, 9999, duration{2 * time.Second}},
			Writes:   []write{{"set", "unit", "A", "in"}, {Verb: "stream-on"}},
			Channels: []channel{{Name: "A", LimitsUnit: "in", Lower: dec("7.985"), Upper: dec("8.015"), WarnLower: dec("7.990")}},
		}}}
	if d := cmp.Diff(want, j, cmpopts.IgnoreUnexported(gauge{}), cmp.Comparer(func(a, b number) bool { return a.places == b.places && a.value().Cmp(b.value()) == 0 })); d != "" {
		t.Fatalf("(-want +got):\n%s", d)
	}
}

// Kind: property.
func TestParseJobMistakes(t *testing.T) {
	t.Parallel()
	for _, k := range []struct{ old, new, want string }{
		{`"version": 1`, `"version": 2`, "version is 2; this host reads version 1"},
		{`"guide bore",`, `"guide bore"`, `job.json:1:41: invalid character '"' after object key:value pair`},
		{`"first": 1`, `"first": "x"`, "job.json:5:27: json: cannot unmarshal string"},
		{`"unit": "mm"`, `"unit": "bar"`, `"bar" is not a unit of length; write one of mm,`},
		{`"resolution": "0.001"`, `"resolution": "0"`, "resolution is 0; write the recorded step"},
		{`"rounding": "half-even"`, `"rounding": "up"`, `rounding is "up"; write one of half-even, half-up, truncate`},
		{`"displayed"`, `"shown"`, `decide is "shown"; write one of displayed, unrounded`},
		{`"inclusive"`, `"open"`, `limits-are is "open"; write one of inclusive, strict`},
		{`"records.csv"`, `""`, "records is missing"},
		{`"tagged"`, `"none"`, `keeps is "none"`},
		{`"pty"`, `"usb"`, `gauges[0].port-kind is "usb"; write one of pty, serial, tcp, rfc2217`},
		{`19200 7E2`, `19200 9E2`, `"19200 9E2" are not line settings`},
		{`"2 s"`, `"two"`, `"two" is not a time`},
		{`"first": 1`, `"first": 10000`, "gauges[0].tags: last is 9999, before first, 10000"},
		{`"dialect": "line-ascii.yaml"`, `"dialect": ""`, "gauges[0] needs a name, a port, a dialect"},
		{`"lower": "7.985"`, `"lower": "7,985"`, `"7,985" is not a decimal number`},
	} {
		require.Contains(t, fullJob, k.old)
		_, err := parseJob("job.json", []byte(strings.Replace(fullJob, k.old, k.new, 1)))
		require.ErrorContains(t, err, k.want)
		require.ErrorContains(t, err, "job.json")
	}
}

// Kind: property.
func FuzzParseJob(f *testing.F) {
	f.Add([]byte(fullJob))
	f.Fuzz(func(t *testing.T, src []byte) {
		j, err := parseJob("job.json", src)
		if (j == nil) == (err == nil) {
			t.Fatal("a job or an error, not both")
		}
	})
}

// Kind: property.
func TestParseDefects(t *testing.T) {
	t.Parallel()
	d, err := parseDefects("factor-twice, unit-label,")
	require.NoError(t, err)
	require.Equal(t, defects{"factor-twice": true, "unit-label": true}, d)
	_, err = parseDefects("factor-thrice")
	require.ErrorContains(t, err, `there is no defect "factor-thrice"; did you mean "factor-twice"?`)
	_, err = parseDefects("xylophone")
	require.ErrorContains(t, err, `there is no defect "xylophone"; refhost --list prints them all`)
}

// Kind: property.
func TestWrites(t *testing.T) {
	t.Parallel()
	set := func(name, to string) write { return write{Verb: "set", Setting: name, To: to} }
	stated := []write{set("unit", "in"), set("function", "max"), set("upper", "8.015"), set("rate", "20"), {Verb: "preset", To: "8.000"}, {Verb: "stream-on"}}
	for _, k := range []struct {
		defect string
		want   []write
	}{
		{"", stated},
		{"settings-not-written", nil},
		{"writes-reversed", []write{{Verb: "stream-on"}, {Verb: "preset", To: "8.000"}, set("rate", "20"), set("upper", "8.015"), set("function", "max"), set("unit", "in")}},
		{"function-ignored", []write{set("unit", "in"), set("function", "live"), set("upper", "8.015"), set("rate", "20"), {Verb: "preset", To: "8.000"}, {Verb: "stream-on"}}},
		// 8.015/25.4 = 0.31555, 8/25.4 = 0.31496
		{"setting-wrong-unit", []write{set("unit", "mm"), set("function", "max"), set("upper", "0.316"), set("rate", "20"), {Verb: "preset", To: "0.315"}, {Verb: "stream-on"}}},
	} {
		j := plainJob()
		j.Gauges[0].Writes = stated
		if d := cmp.Diff(k.want, newMind(j, trying(k.defect)).writes(0)); d != "" {
			t.Errorf("%s (-want +got):\n%s", k.defect, d)
		}
	}
	j := plainJob()
	j.Gauges[0].Function = "fim"
	require.Equal(t, []write{set("function", "live")}, newMind(j, trying("function-ignored")).writes(0))
}

// Kind: property.
func TestAsker(t *testing.T) {
	t.Parallel()
	a := asker{queue: []write{{Verb: "a"}, {Verb: "b"}}}
	_, ok := a.answered()
	require.False(t, ok, "nothing was asked yet")
	w, send := a.next(dayOne)
	require.True(t, send)
	require.Equal(t, "a", w.Verb)
	_, send = a.next(dayOne.Add(replyWait - 1))
	require.False(t, send, "waits for the answer")
	w, send = a.next(dayOne.Add(replyWait))
	require.True(t, send && w.Verb == "a", "asks again")
	a.again()
	w, send = a.next(dayOne.Add(replyWait))
	require.True(t, send && w.Verb == "a", "asks again on a new line at once")
	w, ok = a.answered()
	require.True(t, ok && w.Verb == "a")
	w, send = a.next(dayOne)
	require.True(t, send && w.Verb == "b" && !a.done())
	a.answered()
	require.True(t, a.done())
}
