package gauge

import (
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/zone"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write the golden files anew")

// inches is a gauge of two channels that reads in inches, with a lock.
func inches(t testing.TB) *Gauge {
	ch := Channel{Name: "A", Stroke: 10 * decimal.Millimetre, Settings: Settings{
		Factor: decimal.New(1, 0), Unit: decimal.IN, Resolution: decimal.New(1, -4), Preset: decimal.Inch}}
	second := ch
	second.Name = "B"
	g, err := New(&Profile{Name: "g", Model: "m", Channels: []Channel{ch, second}, PassCode: "0417", Tags: Tags{First: 1, Last: 9},
		Common: Common{Rate: quantity.Rate{Hz: decimal.New(20, 0)}, Streaming: true}})
	require.NoError(t, err)
	var out Out
	g.Step(0, Event{Kind: Sampled, Tips: []Tip{{Pressed: 1e9}, {Pressed: 2e9}}}, &out)
	return g
}

// tried is what is written to each setting: values that are taken, with what
// they read back as where that differs, and values that are refused, and why.
var tried = map[string]struct {
	takes   []string // "written" or "written → read back"
	refuses map[string]Refusal
}{
	"unit":        {[]string{"in", "mm", "µm", "um → µm"}, map[string]Refusal{"bar": BadValue, "25": BadValue, "": BadValue}},
	"resolution":  {[]string{"0.0005", "0.0002 in → 0.0002"}, map[string]Refusal{"0": OutOfRange, "-1": OutOfRange, "11": OutOfRange, "0.01 mm": WrongUnit, "x": BadValue}},
	"sense":       {[]string{"falling", "rising"}, map[string]Refusal{"up": BadValue, "1": BadValue}},
	"rounding":    {[]string{"truncate", "half-up", "half-down", "half-to-plus", "half-even"}, map[string]Refusal{"half-odd": BadValue}},
	"function":    {[]string{"fim", "max", "min", "live"}, map[string]Refusal{"tir": BadValue}},
	"factor":      {[]string{"-0.5", "1000", "0.000001", "2"}, map[string]Refusal{"0": OutOfRange, "1000.1": OutOfRange, "0.0000001": OutOfRange, "1.00000000001": OutOfRange, "2 mm": WrongUnit, "x": BadValue}},
	"average":     {[]string{"64", "1", "8"}, map[string]Refusal{"0": OutOfRange, "65": OutOfRange, "1.5": BadValue, "4 s": WrongUnit}},
	"preset-size": {[]string{"0.25", "-1", "0.1 in → 0.1"}, map[string]Refusal{"1 mm": WrongUnit, "1e-30": OutOfRange, "x": BadValue}},
	"datum":       {[]string{"0.5", "-2.25 mm → -2.25"}, map[string]Refusal{"1000001": OutOfRange, "1 in": WrongUnit, "x": BadValue}},
	"lower":       {[]string{"0.1", "none"}, map[string]Refusal{"1 mm": WrongUnit, "x": BadValue, "": BadValue}},
	"upper":       {[]string{"2", "none"}, map[string]Refusal{"1 s": WrongUnit}},
	"warn-lower":  {[]string{"0.2", "none"}, map[string]Refusal{"low": BadValue}},
	"warn-upper":  {[]string{"1.5", "none"}, map[string]Refusal{"high": BadValue}},
	"dead-band":   {[]string{"0.001", "0"}, map[string]Refusal{"-0.001": OutOfRange, "0.1 mm": WrongUnit}},
	"rate":        {[]string{"30", "0.001", "10000", "25 Hz → 25"}, map[string]Refusal{"0": OutOfRange, "10001": OutOfRange, "12.345678901": OutOfRange, "1 s": WrongUnit, "fast": BadValue}},
	"stream":      {[]string{"off", "on", "0 → off", "1 → on"}, map[string]Refusal{"maybe": BadValue, "2": BadValue}},
	"stream-mode": {[]string{"change", "rate"}, map[string]Refusal{"always": BadValue}},
	"with-number": {[]string{"on", "off"}, map[string]Refusal{"x": BadValue}},
	"with-keys":   {[]string{"on", "off"}, map[string]Refusal{"x": BadValue}},
	"with-tail":   {[]string{"on", "off"}, map[string]Refusal{"x": BadValue}},
	"with-lead":   {[]string{"on", "off"}, map[string]Refusal{"x": BadValue}},
	"buzzer":      {[]string{"on", "off"}, map[string]Refusal{"loud": BadValue}},
	"idle-off":    {[]string{"90", "0.5", "86400", "0", "60 s → 60"}, map[string]Refusal{"-1": OutOfRange, "86401": OutOfRange, "1 mm": WrongUnit}},
	"facing":      {[]string{"2", "1"}, map[string]Refusal{"0": OutOfRange, "3": OutOfRange}},
	"tag-next":    {[]string{"9", "1"}, map[string]Refusal{"0": OutOfRange, "10": OutOfRange, "1.5": BadValue}},
	"lock":        {[]string{"on", "0417 → off"}, map[string]Refusal{"off": WrongCode, "0418": WrongCode, "": WrongCode}},
	"power":       {nil, map[string]Refusal{"on": BadValue, "0": BadValue}},
	"reset":       {nil, map[string]Refusal{"yes": BadValue}},
}

func (g *Gauge) ask(at time.Duration, c Command) (Outcome, []Emission) {
	var out Out
	g.Step(at, Event{Kind: Asked, Command: c}, &out)
	for _, e := range out.Emissions {
		if e.Kind == Replied {
			return e.Outcome, out.Emissions
		}
	}
	return Outcome{Refused: "no reply"}, out.Emissions
}

// Every setting takes what it should, written as a text or as a number, tells
// the change and reads it back; a refused write gives its reason and changes
// nothing at all; a locked one is refused.
//
// Kind: property.
func TestEverySetting(t *testing.T) {
	for _, s := range SettingTable() {
		t.Run(s.Name, func(t *testing.T) {
			try, ok := tried[s.Name]
			require.True(t, ok, "no test of this setting")
			g := inches(t)
			write := func(v string) Outcome {
				o, _ := g.ask(0, Command{Verb: "set", Setting: s.Name, Channel: -1, Value: Text(v)})
				return o
			}
			read := func(ch int) string {
				o, _ := g.ask(0, Command{Verb: "get", Setting: s.Name, Channel: ch})
				require.Equal(t, Done, o.Refused)
				return o.Value.String()
			}
			for _, w := range try.takes {
				v, want, other := strings.Cut(w, " → ")
				if !other {
					want = v
				}
				require.Equal(t, Done, write(v).Refused, v)
				require.Equal(t, want, read(-1), v)
				if s.PerChannel {
					require.Equal(t, want, read(1), "of every channel")
				}
				if n, err := decimal.Parse(v); err == nil && s.Name != "lock" {
					o, _ := g.ask(0, Command{Verb: "set", Setting: s.Name, Channel: -1, Value: Number(n)})
					require.Equal(t, Done, o.Refused, "as a number")
				}
			}
			for v, why := range try.refuses {
				g := inches(t)
				before := g.Clone()
				o, es := g.ask(0, Command{Verb: "set", Setting: s.Name, Channel: -1, Value: Text(v)})
				require.Equal(t, why, o.Refused, "%q", v)
				require.Len(t, es, 1, "a refusal and nothing else")
				require.Equal(t, before.Export(), g.Export())
				require.Equal(t, before.Readings(nil), g.Readings(nil))
			}
			if !s.Free && len(try.takes) > 0 {
				g = inches(t)
				require.Equal(t, Done, func() Refusal {
					o, _ := g.ask(0, Command{Verb: "set", Setting: "lock", Channel: -1, Value: Text("on")})
					return o.Refused
				}())
				before := g.Export()
				require.Equal(t, Locked, write(strings.Split(try.takes[0], " → ")[0]).Refused)
				require.Equal(t, before, g.Export())
			}
			// What the power takes is what the table says.
			g = inches(t)
			if len(try.takes) == 0 || s.Name == "lock" {
				return
			}
			other := ""
			for _, w := range try.takes {
				v, want, has := strings.Cut(w, " → ")
				if !has {
					want = v
				}
				if want != read(-1) {
					other = want
					require.Equal(t, Done, write(v).Refused)
					break
				}
			}
			was := func() string { v, _ := inches(t).Get(s.Name, -1); return v.String() }()
			require.NotEqual(t, was, other)
			var out Out
			g.Step(time.Second, Event{Kind: CellTold, Dead: true}, &out)
			g.Step(2*time.Second, Event{Kind: CellTold, Percent: 50}, &out)
			if want := other; s.Volatile {
				require.Equal(t, was, read(-1), "volatile")
			} else {
				require.Equal(t, want, read(-1), "kept while off")
			}
		})
	}
}

// Kind: property.
func TestLockTakesItsCodeAsTextAndAsNumber(t *testing.T) {
	for _, code := range []Value{Text("0417"), Number(decimal.New(417, 0))} {
		g := inches(t)
		set := func(v Value) Refusal {
			o, _ := g.ask(0, Command{Verb: "set", Setting: "lock", Channel: -1, Value: v})
			return o.Refused
		}
		require.Equal(t, Done, set(Text("on")))
		require.Equal(t, WrongCode, set(Number(decimal.New(418, 0))))
		require.Equal(t, Done, set(code))
		require.False(t, g.Locked)
	}
	g := inches(t)
	p := *g.p
	p.PassCode = ""
	g, err := New(&p)
	require.NoError(t, err)
	o, _ := g.ask(0, Command{Verb: "set", Setting: "lock", Channel: -1, Value: Text("on")})
	require.Equal(t, NoCode, o.Refused)
	p.Locked = true
	_, err = New(&p)
	require.ErrorContains(t, err, "pass-code")
}

// Measuring goes on while the settings are locked: only a preset to another
// size is a setting.
//
// Kind: property.
func TestLockedMeasures(t *testing.T) {
	g := inches(t)
	g.Locked = true
	for _, c := range []Command{{Verb: "zero", Channel: -1}, {Verb: "preset", Channel: -1}, {Verb: "preset", Channel: -1, Value: Text("1")}, {Verb: "clear", Channel: -1},
		{Verb: "tag", Channel: -1}, {Verb: "stream-off", Channel: -1}, {Verb: "read", Channel: 0}} {
		o, _ := g.ask(0, c)
		require.Equal(t, Done, o.Refused, c.Verb)
	}
	o, _ := g.ask(0, Command{Verb: "preset", Channel: -1, Value: Text("0.5")})
	require.Equal(t, Locked, o.Refused)
	require.Equal(t, decimal.Inch, g.Settings(0).Preset)
}

// Whatever a profile forgets comes back as the profile has it, in any unit and
// whatever else was set.
//
// Kind: property.
func TestForgets(t *testing.T) {
	for _, s := range SettingTable() {
		if s.Own {
			continue
		}
		g := inches(t)
		p := *g.p
		p.Channels = append([]Channel(nil), p.Channels...)
		p.Channels[0].Limits = zone.Limits{Lower: zone.At(7e9 + 1), Upper: zone.At(8e9)}
		p.Channels[0].Preset = 3e9 + 1 // neither can be written in inches
		p.Forgets = []string{s.Name}
		g, err := New(&p)
		require.NoError(t, err)
		want, _ := New(&p)
		for _, name := range slices.Sorted(maps.Keys(tried)) {
			if try := tried[name]; len(try.takes) > 0 && name != "lock" && !strings.HasPrefix(name, "warn") {
				g.ask(0, Command{Verb: "set", Setting: name, Channel: 0, Value: Text(strings.Split(try.takes[0], " → ")[0])})
			}
		}
		g.ask(0, Command{Verb: "set", Setting: "unit", Channel: 0, Value: Text("mm")})
		g.ask(0, Command{Verb: "set", Setting: "lower", Channel: 0, Value: Text("none")})
		g.ask(0, Command{Verb: "set", Setting: "upper", Channel: 0, Value: Text("6")})
		var out Out
		g.Step(time.Second, Event{Kind: CellTold, Dead: true}, &out)
		g.Step(2*time.Second, Event{Kind: CellTold}, &out)
		g.ch[0].Unit, want.ch[0].Unit = decimal.PM, decimal.PM
		if s.Name == "unit" || s.Name == "resolution" {
			require.Equal(t, want.ch[0].step, g.ch[0].step)
			continue
		}
		require.Equal(t, table[s.Name].get(want, &want.ch[0]), table[s.Name].get(g, &g.ch[0]), s.Name)
	}
}

// Kind: property.
func TestFactoryReset(t *testing.T) {
	g := inches(t)
	fresh := g.Export()
	for _, name := range slices.Sorted(maps.Keys(tried)) {
		if try := tried[name]; len(try.takes) > 0 && name != "lock" {
			g.ask(0, Command{Verb: "set", Setting: name, Channel: -1, Value: Text(strings.Split(try.takes[0], " → ")[0])})
		}
	}
	require.NotEqual(t, fresh, g.Export())
	o, es := g.ask(0, Command{Verb: "set", Setting: "reset", Channel: -1, Value: Text("factory")})
	require.Equal(t, Done, o.Refused)
	require.Empty(t, cmp.Diff(fresh, g.Export()))
	require.Greater(t, len(es), 10, "each change is told")
	require.Equal(t, "0.0394", g.Readings(nil)[0].Shown.String(), "1 mm without a datum")
	require.Equal(t, int64(9), g.NextTag(), "the number of the next tag is the gauge's own")
}

// Kind: property.
func TestExportAndImport(t *testing.T) {
	from, to := inches(t), inches(t)
	for _, s := range [][2]string{
		{"unit", "mm"}, {"upper", "40"}, {"lower", "30"}, {"resolution", "0.002"},
		{"rate", "7"}, {"datum", "3.5"}, {"sense", "falling"}, {"with-tail", "on"},
	} {
		o, _ := from.ask(0, Command{Verb: "set", Setting: s[0], Channel: 0, Value: Text(s[1])})
		require.Equal(t, Done, o.Refused, s[0])
	}
	// what stands in the way of the new limits in the one that takes them
	for _, c := range []Command{{Setting: "upper", Value: Text("0.4")}, {Setting: "lower", Value: Text("0.1")}} {
		c.Verb, c.Channel = "set", -1
		o, _ := to.ask(0, c)
		require.Equal(t, Done, o.Refused)
	}
	var out Out
	text, err := json.Marshal(from.Export())
	require.NoError(t, err)
	var file Export
	require.NoError(t, json.Unmarshal(text, &file))
	require.NoError(t, to.Import(0, file, "hand", &out))
	require.Empty(t, cmp.Diff(from.Export(), to.Export()))
	require.NotEmpty(t, out.Emissions)
	require.Equal(t, from.Readings(nil)[0].Shown.String(), to.Readings(nil)[0].Shown.String())

	for want, change := range map[string]func(*Export, *Gauge){
		"of the model":      func(e *Export, _ *Gauge) { e.Model = "other" },
		"of the channels":   func(e *Export, _ *Gauge) { e.Channels = []string{"A"} },
		"no setting that":   func(e *Export, _ *Gauge) { e.Settings[0].Name = "colour" },
		"does not have":     func(e *Export, _ *Gauge) { e.Settings[0].Channel = "Z" },
		"cannot be":         func(e *Export, _ *Gauge) { e.Settings[0].Value = "bar" },
		"settings are lock": func(_ *Export, g *Gauge) { g.Locked = true },
		"gauge is off":      func(_ *Export, g *Gauge) { g.Step(0, Event{Kind: CellTold, Dead: true}, &Out{}) },
	} {
		g := inches(t)
		e := from.Export()
		change(&e, g)
		before := g.Export()
		require.ErrorContains(t, g.Import(0, e, "hand", &out), want)
		require.Equal(t, before, g.Export(), "all or nothing")
	}
}

// A setting written while the gauge streams takes effect at once, or after the
// frame in flight, as the profile has it.
//
// Kind: property.
func TestWhenAWriteTakesEffect(t *testing.T) {
	for _, after := range []bool{false, true} {
		g := inches(t)
		p := *g.p
		p.AfterFrame = after
		g, err := New(&p)
		require.NoError(t, err)
		tips := []Tip{{Pressed: 25.4e8}, {Pressed: 25.4e8}}
		var out Out
		g.Step(0, Event{Kind: Sampled, Tips: tips}, &out)
		set := func(name, v string) Refusal {
			o, _ := g.ask(10*time.Millisecond, Command{Verb: "set", Setting: name, Channel: -1, Value: Text(v)})
			return o.Refused
		}
		require.Equal(t, Done, set("unit", "mm"))
		require.Equal(t, Done, set("resolution", "0.01"), "checked as it will be when it takes effect")
		require.Equal(t, BadValue, set("unit", "bar"), "refused at once")
		var frames []string
		for range 2 {
			g.Step(g.Due(), Event{Kind: Sampled, Tips: tips}, &out)
			for _, e := range out.Emissions {
				if e.Kind == Streamed {
					frames = append(frames, e.Readings[0].Shown.String()+e.Readings[0].Unit.Symbol())
				}
			}
		}
		want := []string{"2.54mm", "2.54mm"}
		if after {
			want[0] = "0.1000in"
		}
		require.Equal(t, want, frames)
	}
}

// The table in DEVELOPERS.md is made from the settings, so that it cannot lie.
//
// Kind: self.
func TestSettingsTable(t *testing.T) {
	var b strings.Builder
	b.WriteString("Made by `go test ./sim/gauge -run TestSettingsTable -update`; the test fails when it is out of date.\n" +
		"The default of each is what the profile says. Lengths are in the channel's unit.\n\n" +
		"| setting | of | may be | while off | while locked | implemented in | tested by |\n|---|---|---|---|---|---|---|\n")
	for i := range list {
		s := &list[i]
		of, off, locked := "the gauge", "kept", "refused"
		if s.PerChannel {
			of = "each channel"
		}
		if s.Volatile {
			off = "lost"
		}
		if s.Free {
			locked = "may be written"
		}
		switch s.Name {
		case "power":
			off = "reads back how it stands"
		case "reset":
			off = "reads back nothing"
		}
		file, _ := runtime.FuncForPC(reflect.ValueOf(s.set).Pointer()).FileLine(reflect.ValueOf(s.set).Pointer())
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s | `%s` | `TestEverySetting/%s` |\n", s.Name, of, s.Is, off, locked, filepath.Base(file), s.Name)
		_, ok := tried[s.Name]
		require.True(t, ok, "no test of %s", s.Name)
	}
	b.WriteString("\n`power` switches the gauge off when it is written, `reset` puts all but `tag-next` and `lock` back; both are\n" +
		"tested by the model in `model_test.go` and `TestFactoryReset`. `Forgets` of a profile says otherwise which settings are lost.\n")
	const file, begin, end = "../../DEVELOPERS.md", "<!-- settings: begin -->\n", "<!-- settings: end -->"
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	before, rest, ok := strings.Cut(string(text), begin)
	require.True(t, ok)
	table, after, ok := strings.Cut(rest, end)
	require.True(t, ok)
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(before+begin+b.String()+end+after), 0o644))
		table = b.String()
	}
	require.Empty(t, cmp.Diff(b.String(), table))
}
