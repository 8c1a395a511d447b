package scenario_test

import (
	"context"
	"errors"
	"io/fs"
	"strings"
	"testing"
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/strict"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"
)

// one is a scenario of one gauge, with more keys of it.
func one(keys string, more ...string) []byte {
	return []byte("understudy: 1\ntitle: t\npart: {nominal: 8.000 mm, limits: [7.9 mm, 8.1 mm]}\ngauges:\n  - name: g\n    " +
		strings.ReplaceAll(keys, "\n", "\n    ") + "\n" + strings.Join(more, "\n"))
}

func parse(t testing.TB, text []byte) *scenario.Scenario {
	s, err := scenario.Parse("s.yaml", text, shippedDialect)
	require.NoError(t, err, "%s", text)
	return s
}

// A profile gives what the gauge leaves out, and nothing else: a gauge written
// out in full is the same as one that names its profile.
//
// Kind: property.
func TestProfileUnderAGauge(t *testing.T) {
	ignore := cmpopts.IgnoreUnexported(gauge.Expr{})
	for _, name := range scenario.ProfileNames() {
		t.Run(name, func(t *testing.T) {
			text, err := scenarios.Files.ReadFile("gauges/" + name + ".yaml")
			require.NoError(t, err)
			require.NoError(t, scenario.LintProfile(name, text, shippedDialect))
			_, keys, _ := strings.Cut(string(text), "title:")
			_, keys, _ = strings.Cut(keys, "\n")
			full := parse(t, one(strings.TrimSpace(keys))).Play.Cast[0]
			named := parse(t, one("profile: "+name)).Play.Cast[0]
			require.Equal(t, name, named.Profile.Model)
			full.Profile.Model = name
			require.Empty(t, cmp.Diff(full.Profile, named.Profile, ignore))
			require.Equal(t, full.Dialect.Name(), named.Dialect.Name())
			require.Equal(t, full.Channels[0], named.Channels[0])
			require.Equal(t, full.Wired, named.Wired)
			require.Equal(t, full.Cell == nil, named.Cell == nil)
			require.Equal(t, full.Link == nil, named.Link == nil)
		})
	}
	require.Equal(t, []string{"bore-plug", "depth-foot", "fixture-four", "height-stand", "long-inch", "snap-gauge"}, scenario.ProfileNames())
}

// Each shipped profile plays: it streams, or waits to be asked, and reads sizes.
//
// Kind: property.
func TestProfilesPlay(t *testing.T) {
	for _, name := range scenario.ProfileNames() {
		s := parse(t, one("profile: "+name, "cues: [{at: 0 s, do: preset}, {at: 1 s, do: press, button: A, for: 50 ms}]", "until: 3 s"))
		frames, asked := 0, false
		st, err := stage.New(s.Play, stage.Options{Keep: func(e ledger.Entry) {
			if e.Kind == ledger.KindFrame {
				frames++
			}
		}, Asks: []time.Duration{500 * time.Millisecond}, Answer: func(_, _ int, rs []gauge.Reading) {
			asked = true
			l, ok := decimal.Exactly(rs[0].Shown, rs[0].Unit)
			require.True(t, ok)
			off := l - 8*decimal.Millimetre
			require.True(t, max(off, -off) <= 13*decimal.Micrometre/10, "%s reads %s %s", name, rs[0].Shown, rs[0].Unit) // half a step of 0.0001 in
		}})
		require.NoError(t, err)
		require.NoError(t, st.Run(context.Background()))
		require.True(t, asked)
		if name != "height-stand" { // which speaks when it is asked
			require.NotZero(t, frames, name)
		}
	}
}

// Kind: property.
func TestGaugeOverridesItsProfile(t *testing.T) {
	s := parse(t, one(`profile: depth-foot
dialect: multi-ascii
serial-line: 19200 7E1
resolution: 0.0001 mm
buttons: {A: {press: clear}}
tags: {last: 99}
power: {start-up: 2 s}
cell: {charge: 40 %}
buzzer: false
carries: [tail]`))
	m := s.Play.Cast[0]
	p := m.Profile
	require.Equal(t, "multi-ascii", m.Dialect.Name())
	require.Equal(t, "19200 7E1", m.Line.String())
	require.Equal(t, "0.0001", p.Channels[0].Resolution.String())
	require.Equal(t, 12*decimal.Millimetre, p.Channels[0].Stroke, "of the profile")
	require.Equal(t, gauge.ClearAction, p.Buttons[0].Press)
	require.Equal(t, gauge.ZeroAction, p.Buttons[1].Press, "of the profile")
	require.Equal(t, gauge.Tags{First: 1, Last: 99, Queue: 4}, p.Tags, "key by key")
	require.Equal(t, 2*time.Second, p.Power.StartUp)
	require.Equal(t, 120*time.Second, p.IdleOff)
	require.False(t, p.Buzzer)
	require.Equal(t, []bool{false, false, true, false}, []bool{p.WithNumber, p.WithKeys, p.WithTail, p.WithLead})
	require.Equal(t, "15 %", s.Gauges[0].Cell.LowAt.String(), "of the profile's cell")

	p = parse(t, one("profile: fixture-four\nchannels: [{name: P3, factor: 2}]\ncomputed: [{name: width, limits: [1 mm, 2 mm]}]")).Play.Cast[0].Profile
	var names []string
	for _, c := range p.Channels {
		names = append(names, c.Name+" "+c.Factor.String())
	}
	require.Equal(t, []string{"P1 1", "P2 1", "P3 2", "P4 1", "width 1", "spread 1"}, names)
	require.Equal(t, decimal.Millimetre, p.Channels[4].Limits.Lower.At)
	require.False(t, p.Channels[5].Limits.Lower.Set, "the part's limits are not those of a computed channel")
	require.Equal(t, []int{0, 1}, p.Channels[4].Calc.Of)
}

// What is wrong with a gauge is said where it stands.
//
// Kind: property.
func TestGaugeMistakes(t *testing.T) {
	for _, c := range []struct{ gauge, more, want string }{
		{"profile: bore-plgu", "", `6:14: there is no shipped gauge profile "bore-plgu"; did you mean "bore-plug"?`},
		{"stroke: 1 mm", "", "5:5: the gauge speaks no dialect"},
		{"profile: fixture-four\nchannels: [{name: P9}]", "", `7:23: the profile's: there is no channel "P9"`},
		{"dialect: line-ascii\nserial-line: 9600", "", "7:18: line settings"},
		{"dialect: line-ascii\nserial-line: 9600 9N1", "", "7:18: line settings"},
		{"dialect: line-ascii\ncomputed: [{name: s}]", "", "7:17: s is not computed; write is:"},
		{"dialect: line-ascii\ncomputed: [{name: s, is: sum, of: [B]}]", "", `7:17: s: no channel "B" stands before it`},
		{"dialect: line-ascii\ncomputed: [{name: s, is: sum, of: [A], stroke: 1 mm}]", "", "7:52: a computed channel has no probe"},
		{"dialect: line-ascii\ncomputed: [{name: s, is: formula, formula: A + 1}]", "", "7:48: the formula"},
		{"dialect: line-ascii\ncomputed: [{name: s, is: sum, of: [A], formula: A}]", "", "7:53: a sum has no formula"},
		{"dialect: line-ascii\ncomputed: [{name: s, is: taper, of: [A, A]}]", "", "a taper has a distance"},
		{"dialect: line-ascii\ncomputed: [{name: A, is: sum, of: [A]}]", "", `a second channel is called "A"`},
		{"dialect: line-ascii\ncomputed: [{name: s, is: sum, of: [A]}]", "cues: [{at: 0 s, do: lift, channel: s}]", "8:9: lift: s is computed and has no tip; do it to a channel it is computed of"},
		{"dialect: line-ascii\nlamps: [{name: l, shows: cell, looks: {blue: {colour: red}}}]", "", `knows no "blue"`},
		{"dialect: line-ascii\nbuzzes: {ring: [1 s]}", "", `knows no "ring"`},
		{"dialect: line-ascii\nlock: {pass-code: \"\", locked: true}", "", "need a pass-code"},
		{"dialect: line-ascii\npower: {forgets: [colour]}", "", `"colour" is no setting that can be forgotten`},
		{"dialect: line-ascii\npower: {port: vanishes}", "", "write stays or goes"},
		{"dialect: line-ascii\ncarries: [tial]", "", `did you mean "tail"?`},
		{"dialect: line-ascii\ndisplay: {channel: Z}", "", `7:24: there is no channel "Z" to show`},
		{"dialect: line-ascii\naverage: 99", "", "a mean of 99 samples"},
		{"dialect: line-ascii", "cues: [{at: 0 s, do: press, button: A, times: 2, every: 50 ms}]", "let go before it is pressed again"},
		{"dialect: line-ascii", "cues: [{at: 0 s, do: press, button: C}]", "write A, B or both"},
	} {
		_, err := scenario.Parse("s.yaml", one(c.gauge, c.more), shippedDialect)
		var errs strict.Errors
		require.True(t, errors.As(err, &errs), "%s: %v", c.gauge, err)
		require.ErrorContains(t, err, c.want, c.gauge)
	}
}

// Kind: property.
func TestProfileFileMistakes(t *testing.T) {
	for text, want := range map[string]string{
		"understudy-gauge: 2\ntitle: t\ndialect: line-ascii\n":              "p.yaml:1:19: this program reads version 1",
		"understudy-gauge: 1\ntitle: t\ndialect: line-ascii\nstrok: 1 mm\n": `did you mean "stroke"?`,
		"understudy-gauge: 1\ntitle: t\ndialect: line-asci\n":               "p.yaml:3:10:",
		"understudy-gauge: 1\ntitle: t\ndialect: line-ascii\nname: x\n":     `unknown key "name"`,
	} {
		require.ErrorContains(t, scenario.LintProfile("p.yaml", []byte(text), shippedDialect), want)
	}
	own := func(text string) scenario.Source {
		return func(name string) (string, []byte, error) {
			if name == "own/p.yaml" {
				return name, []byte(text), nil
			}
			if strings.Contains(name, "/") {
				return name, nil, fs.ErrNotExist
			}
			return shippedDialect(name)
		}
	}
	s, err := scenario.Parse("s.yaml", one("profile: own/p.yaml"), own("understudy-gauge: 1\ntitle: t\ndialect: line-ascii\nstroke: 3 mm\n"))
	require.NoError(t, err)
	require.Equal(t, 3*decimal.Millimetre, s.Play.Cast[0].Profile.Channels[0].Stroke)
	_, err = scenario.Parse("s.yaml", one("profile: own/p.yaml"), own("understudy-gauge: 1\nstroke: 3 mm\n"))
	require.ErrorContains(t, err, "run understudy lint own/p.yaml")
	_, err = scenario.Parse("s.yaml", one("profile: no/p.yaml"), own(""))
	require.ErrorContains(t, err, "s.yaml:6:14: ")
}

// Whatever a file says, reading it ends with a scenario or with mistakes that
// have places.
//
// Kind: property.
func FuzzParse(f *testing.F) {
	for _, dir := range []string{"*.yaml", "gauges/*.yaml"} {
		files, err := fs.Glob(scenarios.Files, dir)
		require.NoError(f, err)
		for _, name := range files {
			text, err := scenarios.Files.ReadFile(name)
			require.NoError(f, err)
			f.Add(text)
		}
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		for _, err := range []error{scenario.LintProfile("f.yaml", text, shippedDialect), func() error { _, err := scenario.Parse("f.yaml", text, shippedDialect); return err }()} {
			var errs strict.Errors
			if err != nil && !errors.As(err, &errs) {
				t.Fatalf("%T: %v", err, err)
			}
			for _, e := range errs {
				if e.Line < 1 || e.File == "" {
					t.Fatalf("no place: %v", e)
				}
			}
		}
	})
}

// The schema of profiles names every key there is.
//
// Kind: self.
func TestProfileSchema(t *testing.T) {
	schema := string(scenario.ProfileSchema())
	for _, key := range []string{`"understudy-gauge"`, `"idle-off"`, `"looks"`, `"computed"`, `"after-frame"`, `"pass-code"`} {
		require.Contains(t, schema, key)
	}
}

// A gauge with a seat and no other size begins where its tip is in reach.
//
// Kind: property.
func TestStartsOnItsSeat(t *testing.T) {
	for _, k := range []struct{ part, keys, want string }{
		{"", "mid-stroke: 30 mm", "30 mm"},
		{"", "mid-stroke: 30 mm, preset: 31 mm", "31 mm"},
		{"part: {nominal: 29 mm}", "mid-stroke: 30 mm", "29 mm"},
		{"", "mid-stroke: 30 mm, starts-on: 28 mm", "28 mm"},
	} {
		s := parse(t, []byte("understudy: 1\ntitle: t\n"+k.part+"\ngauges: [{name: g, dialect: line-ascii, "+k.keys+"}]\n"))
		var want quantity.Length
		require.NoError(t, want.UnmarshalText([]byte(k.want)))
		require.Equal(t, want.Picometres(), s.Play.Cast[0].Channels[0].Starts, k.keys)
	}
}
