package scenario_test

import (
	"strings"
	"testing"
	"time"

	"example.org/understudy/scenario"
	"github.com/google/go-cmp/cmp"
)

// A port may not come back under a name that another gauge's port has at that
// time, and only gauges that a host can tell apart change places.
//
// Kind: property.
func TestNamesOfPorts(t *testing.T) {
	const swap = `{at: 1 s, do: swap ports, gauge: a, with: b, for: 1 s}`
	for _, c := range []struct{ name, gauges, cues, want string }{
		{name: "a name of its own", cues: `{at: 1 s, do: lose link, for: 2 s, gauge: a, return-as: a-2}`},
		{name: "another's name", cues: `{at: 1 s, do: lose link, for: 2 s, gauge: a, return-as: b}`,
			want: "6:7: lose link: the port of a comes back as b, which is the name of b's port then; take another name"},
		{name: "another's name while that is hung up", cues: `{at: 1 s, do: lose link, for: 9 s, gauge: b}, {at: 1 s, do: lose link, for: 2 s, gauge: a, return-as: b}`,
			want: "6:53: lose link: the port of a comes back as b, which is the name of b's port then; take another name"},
		{name: "a name that has been given up", cues: `{at: 1 s, do: lose link, for: 1 s, gauge: b, return-as: c}, {at: 3 s, do: lose link, for: 2 s, gauge: a, return-as: b}`},
		{name: "a name that is given up before the return", cues: `{at: 1 s, do: lose link, for: 2 s, gauge: a, return-as: b}, {at: 2 s, do: lose link, for: 2 s, gauge: b, return-as: a}`},
		{name: "a name that is given up after the return", cues: `{at: 1 s, do: lose link, for: 1 s, gauge: a, return-as: b}, {at: 3 s, do: lose link, for: 2 s, gauge: b, return-as: a}`,
			want: "6:7: lose link: the port of a comes back as b, which is the name of b's port then; take another name"},
		{name: "all under one name", cues: `{at: 1 s, do: lose link, for: 2 s, return-as: c}`,
			want: "6:7: lose link: the port of b comes back as c, which is the name of a's port then; take another name"},
		{name: "a port that stays", cues: `{at: 1 s, do: lose link, for: 2 s, gauge: a, seen: silence, return-as: c}`,
			want: "6:7: lose link: a port that stays keeps its name; leave return-as out, or write seen: hang-up"},
		{name: "a socket under a name", gauges: "port: tcp", cues: `{at: 1 s, do: lose link, for: 2 s, gauge: a, return-as: c}`,
			want: `6:7: lose link: the port of a is at tcp; it returns at an address such as 127.0.0.1:7001, not "c"`},
		{name: "a socket at an address", gauges: "port: tcp", cues: `{at: 1 s, do: lose link, for: 2 s, gauge: a, return-as: "127.0.0.1:7009"}`},
		{name: "a swap", cues: swap},
		{name: "a swap of sockets", gauges: "port: rfc2217", cues: swap},
		{name: "a swap and a loss under the own name", cues: swap + `, {at: 5 s, do: lose link, for: 1 s, gauge: a, return-as: b}, {at: 8 s, do: lose link, for: 1 s, gauge: b, return-as: b}`,
			want: "6:123: lose link: the port of b comes back as b, which is the name of a's port then; take another name"},
		{name: "a swap with nobody", cues: `{at: 1 s, do: swap ports, gauge: a, with: q, for: 1 s}`, want: `6:7: swap ports: there is no gauge "q"; did you mean "a"?`},
		{name: "a swap with itself", cues: `{at: 1 s, do: swap ports, gauge: a, with: a, for: 1 s}`, want: "6:7: swap ports: it is done to one gauge, with another: write gauge: and with:"},
		{name: "a swap of all", cues: `{at: 1 s, do: swap ports, with: a, for: 1 s}`, want: "6:7: swap ports: it is done to one gauge, with another: write gauge: and with:"},
		{name: "a swap of kinds", gauges: "port: tcp", cues: strings.Replace(swap, "with: b", "with: c", 1),
			want: "6:7: swap ports: a appears at a tcp and c at a pty: neither can take the other's place"},
		{name: "a swap of dialects", gauges: "dialect: scpi", cues: strings.Replace(swap, "with: b", "with: c", 1),
			want: "6:7: swap ports: a and c differ in dialect, line or channels: a host could not talk to the one in the other's place"},
		{name: "a swap of gauges that say nothing of themselves", gauges: "dialect: parts-ascii", cues: swap,
			want: "6:7: swap ports: a gauge that speaks parts-ascii is not asked who it is, so that no host could tell a from b"},
	} {
		t.Run(c.name, func(t *testing.T) {
			keys := "dialect: line-ascii"
			if c.gauges != "" && !strings.HasPrefix(c.gauges, "dialect") {
				keys += ", " + c.gauges
			} else if c.gauges != "" {
				keys = c.gauges
			}
			text := "understudy: 1\ntitle: names\ngauges: [{name: a, " + keys + "}, {name: b, " + keys + "}"
			if strings.Contains(c.cues, "with: c") {
				text += ", {name: c, dialect: line-ascii}"
			}
			text += "]\n\ncues:\n   [ " + c.cues + " ]\n"
			_, err := scenario.Parse("f", []byte(text), shippedDialect)
			got := ""
			if err != nil {
				got = strings.TrimPrefix(err.Error(), "f:")
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("%s\n%s", text, d)
			}
		})
	}
}

// How a host is to behave at the line is read, and a time too short to be known is
// refused.
//
// Kind: property.
func TestAtLine(t *testing.T) {
	const text = "understudy: 1\ntitle: line\nhost: {at-port: {DTR: raised, RTS: lowered, breaks: some, reads-within: 300 ms}}\ngauges: [{name: a, dialect: line-ascii}]\nuntil: 1 s\n"
	s, err := scenario.Parse("f", []byte(text), shippedDialect)
	if err != nil {
		t.Fatal(err)
	}
	if at := s.Host.AtPort; *at.DTR != scenario.LevelOn || *at.RTS != scenario.LevelOff || *at.Breaks != scenario.SomeBreaks || at.Reads.D() != 300*time.Millisecond || s.Play.ReadsWithin != at.Reads.D() {
		t.Errorf("%+v", at)
	}
	if again, err := scenario.Parse("f", scenario.Marshal(&s.File, ""), shippedDialect); err != nil || cmp.Diff(s.Host.AtPort, again.Host.AtPort) != "" {
		t.Errorf("written and read again: %v\n%s", err, scenario.Marshal(&s.File, ""))
	}
	for was, now := range map[string]string{"300 ms": "19 ms", "DTR: raised": "DTR: high", "breaks: some": "breaks: 3"} {
		_, err := scenario.Parse("f", []byte(strings.Replace(text, was, now, 1)), shippedDialect)
		if want := map[string]string{
			"300 ms":      "f:3:18: how long bytes waited is not known to within 19 ms; write a time from 20 ms on",
			"DTR: raised": `f:3:23: "high" is not how a control line stands; write lowered or raised`, "breaks: some": `f:3:53: "3" is not what is said of breaks; write none or some`}[was]; err == nil || err.Error() != want {
			t.Errorf("%s: got %v, want %s", now, err, want)
		}
	}
}

// A gauge says who it is in words that a host can read: none holds the sign that parts it
// from the next, and none is longer than its place.
//
// Kind: property.
func TestIdentityThatCannotBeRead(t *testing.T) {
	for serial, readable := range map[string]map[string]bool{
		"A1":                    {"line-ascii": true, "compact-binary": true, "parts-ascii": true},
		"A;1":                   {"line-ascii": true, "compact-binary": true},
		"A,1":                   {"line-ascii": false, "compact-binary": false, "parts-ascii": true}, // which asks nobody who it is
		strings.Repeat("1", 64): {"line-ascii": false},
	} {
		for name, want := range readable {
			text := "understudy: 1\ntitle: who\ngauges: [{name: a, dialect: " + name + ", serial: \"" + serial + "\"}]\n"
			_, err := scenario.Parse("who.yaml", []byte(text), shippedDialect)
			if got := err == nil; got != want || !got && !strings.Contains(err.Error(), "who.yaml:3:11: a host cannot read the answer of a to who it is") {
				t.Errorf("%s in %s: %v", serial, name, err)
			}
		}
	}
}
