//go:build unix

package stage_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/probe"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"
)

// deed is what an act must leave in the ledger.
type deed struct {
	act  stage.Act
	also []stage.Act // done at the same time, after it
	see  func(all []ledger.Entry) bool
}

func notes(all []ledger.Entry) (n []string) {
	for _, e := range of(all, ledger.KindGauge) {
		n = append(n, e.Note)
	}
	return n
}

// shown returns the readings of streamed frames from a time on.
func shown(all []ledger.Entry, from time.Duration) (s []string) {
	for _, e := range of(all, ledger.KindFrame) {
		if e.T >= from && e.Frame.Cause == ledger.Stream {
			for _, r := range e.Frame.Readings {
				if r.Void != "" {
					s = append(s, r.Void)
				} else {
					s = append(s, r.Shown.String())
				}
			}
		}
	}
	return s
}

// span is the largest and the smallest of the readings.
func span(s []string) decimal.Decimal {
	var lo, hi decimal.Decimal
	first := true
	for _, w := range s {
		d, err := decimal.Parse(w)
		if err != nil {
			continue
		}
		if first || d.Cmp(lo) < 0 {
			lo = d
		}
		if first || d.Cmp(hi) > 0 {
			hi = d
		}
		first = false
	}
	return hi.Sub(lo)
}

func outs(all []ledger.Entry, ok func(*ledger.Out) bool) int {
	n := 0
	for _, e := range of(all, ledger.KindOut) {
		if ok(e.Out) {
			n += max(1, len(e.Out.Frames))
		}
	}
	return n
}

func faults(fault string, n int) func([]ledger.Entry) bool {
	return func(all []ledger.Entry) bool {
		return outs(all, func(o *ledger.Out) bool { return strings.Contains(o.Fault, fault) }) == n
	}
}

func setTo(name, to string) func([]ledger.Entry) bool {
	return func(all []ledger.Entry) bool {
		return slices.ContainsFunc(of(all, ledger.KindSetting), func(e ledger.Entry) bool {
			return e.Setting.Name == name && e.Setting.To == to && e.Setting.By == "cue"
		})
	}
}

func deeds(t testing.TB) map[string]deed {
	to := length(t, "8.050 mm")
	return map[string]deed{
		"rest on": {stage.RestOn{Size: to}, nil, func(e []ledger.Entry) bool { return all(shown(e, time.Second), "5.050") }},
		"move to": {stage.MoveTo{Size: to, Over: seconds(0.99), Bounce: length(t, "0.2 mm")}, nil, func(e []ledger.Entry) bool {
			return slices.Contains(shown(e, time.Second), "5.000") && all(shown(e, late), "5.050") && span(shown(e, 2*time.Second)).Cmp(decimal.New(5, -3)) > 0
		}},
		"lift": {stage.Lift{}, nil, func(e []ledger.Entry) bool { return all(shown(e, late), "under") }},
		"rock": {stage.Rock{Size: to, Angle: quantity.Angle{Value: decimal.New(3, 0)}, Period: seconds(1), Swings: 2}, nil, func(e []ledger.Entry) bool {
			return span(shown(e, time.Second)).Cmp(decimal.New(10, -3)) > 0 && all(shown(e, late), "5.050")
		}},
		"turn": {stage.Turn{Size: to, Contacts: motion.OneContact, Lobes: 1, Amplitude: length(t, "0.010 mm"), Period: seconds(1), Turns: 2}, nil, func(e []ledger.Entry) bool {
			return span(shown(e, 1050*time.Millisecond)).Equal(decimal.New(20, -3))
		}},
		"measure": {stage.Measure{Size: to, Bounce: length(t, "0.2 mm"), Dwell: seconds(0.8)}, nil, func(e []ledger.Entry) bool { // a press, between two times in the air
			s := shown(e, time.Second)
			return tags(e) == 1 && slices.Contains(notes(e), "button A released") && slices.Contains(s, "5.050") && s[len(s)-1] == "under"
		}},
		"study": {stage.Study{Operator: "one", Size: to, Parts: 2, Trials: 1, Every: seconds(1)}, nil, func(e []ledger.Entry) bool {
			read := 0
			for _, f := range of(e, ledger.KindFrame) {
				if f.Frame.Cause == ledger.Tag && f.Frame.Readings[0].Shown.String() == "5.050" {
					read++
				}
			}
			return read == 2
		}},
		"cycle": {stage.Cycle{Size: to, Every: seconds(1), Times: 3, Approach: seconds(0.2), Dwell: seconds(0.4)}, nil, func(e []ledger.Entry) bool {
			var at []time.Duration
			for _, f := range of(e, ledger.KindFrame) {
				if f.Frame.Cause == ledger.Tag && f.Frame.Readings[0].Shown.String() == "5.050" {
					at = append(at, f.T)
				}
			}
			return slices.Equal(at, []time.Duration{1400 * time.Millisecond, 2400 * time.Millisecond, 3400 * time.Millisecond}) && all(shown(e, late), "under")
		}},
		"zero": {stage.Zero{}, nil, func(e []ledger.Entry) bool { return setTo("zero", "0 mm")(e) && all(shown(e, time.Second), "0.000") }},
		"preset": {stage.Preset{To: &to}, nil, func(e []ledger.Entry) bool {
			return setTo("preset", "8.05 mm")(e) && all(shown(e, time.Second), "8.050")
		}},
		"clear":       {stage.RestOn{Size: to}, []stage.Act{stage.Set{Setting: "function", To: "fim"}, stage.RestOn{Size: length(t, "8.000 mm")}, stage.Clear{}}, func(e []ledger.Entry) bool { return all(shown(e, late), "0.000") }},
		"tag":         {stage.Tag{Times: 3, Every: seconds(0.5)}, nil, func(e []ledger.Entry) bool { return tags(e) == 3 }},
		"press":       {stage.Press{Button: 0}, nil, func(e []ledger.Entry) bool { return tags(e) == 1 && slices.Contains(notes(e), "button A released") }},
		"press pedal": {stage.Pedal{}, nil, func(e []ledger.Entry) bool { return tags(e) == 1 && slices.Contains(notes(e), "pedal released") }},
		"tilt": {stage.Tilt{To: quantity.Angle{Value: decimal.New(180, 0)}}, nil, func(e []ledger.Entry) bool {
			return slices.Contains(notes(e), "the display turns over")
		}},
		"set": {stage.Set{Setting: "resolution", To: "0.01"}, nil, func(e []ledger.Entry) bool { return setTo("resolution", "0.01")(e) && all(shown(e, late), "5.00") }},
		"unplug probe": {stage.Unplug{For: seconds(1)}, nil, func(e []ledger.Entry) bool {
			return slices.Contains(shown(e, time.Second), "missing") && !slices.Contains(shown(e, late), "missing")
		}},
		"plug probe": {stage.Unplug{}, []stage.Act{stage.Plug{}}, func(e []ledger.Entry) bool {
			return slices.Contains(shown(e, 0), "missing") && !slices.Contains(shown(e, 1120*time.Millisecond), "missing")
		}},
		"warm": {stage.Warm{Part: &quantity.Celsius{Value: decimal.New(21, 0)}}, nil, func(e []ledger.Entry) bool {
			return slices.Contains(shown(e, time.Second), "5.050") && slices.Contains(shown(e, 2*time.Second), "5.018") // 50 µm/e
		}},
		"stick tip": {stage.Stick{For: seconds(1)}, []stage.Act{stage.RestOn{Size: to}}, func(e []ledger.Entry) bool {
			return slices.Contains(shown(e, time.Second), "5.000") && all(shown(e, late), "5.050")
		}},
		"lose link": {stage.LoseLink{For: seconds(1)}, nil, func(e []ledger.Entry) bool { return outs(e, fated(ledger.Lost)) >= 19 && links(e) == "lost up" }},
		"swap ports": {stage.SwapPorts{With: "other", For: seconds(1)}, nil, func(e []ledger.Entry) bool {
			return outs(e, fated(ledger.Lost)) >= 2*19 && links(e) == "lost lost up up"
		}},
		"stall": {stage.Stall{For: seconds(1)}, nil, func(e []ledger.Entry) bool {
			return links(e) == "stalled up" && outs(e, fated(ledger.Sent)) == frames(e)
		}},
		"garble":    {stage.Garble{Frames: 2}, nil, faults("garble", 2)},
		"duplicate": {stage.Duplicate{Frames: 2}, nil, faults("duplicate", 2)},
		"split":     {stage.Split{Frames: 2, At: 3}, nil, faults("split", 2)},
		"merge":     {stage.Merge{Frames: 3}, nil, faults("merge", 3)},
		// At 20 Hz ten frames are sent in half a second; what is sent at the very end of it is right again.
		"change line speed": {stage.ChangeSpeed{To: 4800, For: seconds(0.5)}, nil, faults("wrong speed", 10)},
		"restore line speed": {stage.ChangeSpeed{To: 4800}, []stage.Act{stage.RestoreSpeed{}}, func(e []ledger.Entry) bool {
			return faults("wrong speed", 3)(e) && slices.Contains(notes(e), "line set to 9600 8N1")
		}},
		"set on cradle": {stage.FadeCell{To: quantity.Percent{Value: decimal.New(5, 0)}}, []stage.Act{stage.Cradle{For: seconds(3), Current: &quantity.Current{Value: decimal.New(100_000, 0)}}}, func(e []ledger.Entry) bool {
			c := of(e, ledger.KindCell)
			return len(c) > 1 && c[0].Cell.Percent == 5 && c[1].Cell.Percent == 6
		}},
		"fade cell": {stage.FadeCell{To: quantity.Percent{Value: decimal.New(5, 0)}}, nil, func(e []ledger.Entry) bool {
			c := of(e, ledger.KindCell)
			return len(c) == 1 && c[len(c)-1].Cell.Percent == 5 && c[len(c)-1].Cell.Low
		}},
	}
}

func fated(f ledger.Fate) func(*ledger.Out) bool {
	return func(o *ledger.Out) bool { return o.Fate == f && len(o.Frames) > 0 }
}

func frames(all []ledger.Entry) int { return len(of(all, ledger.KindFrame)) }

func tags(all []ledger.Entry) (n int) {
	for _, e := range of(all, ledger.KindFrame) {
		if e.Frame.Cause == ledger.Tag && !e.Frame.Repeat {
			n++
		}
	}
	return n
}

func links(all []ledger.Entry) string {
	var w []string
	for _, e := range of(all, ledger.KindLink) {
		w = append(w, e.Link.State)
	}
	return strings.Join(w, " ")
}

// play has the deed's acts done at 1 s.
func (d deed) play(t testing.TB) stage.Play {
	p := stage.Play{Title: "one act", Seed: 7, Cast: []stage.Member{talking(t, "g", "line-ascii")}, Until: 5 * time.Second}
	if _, two := d.act.(stage.SwapPorts); two {
		p.Cast = append(p.Cast, talking(t, "other", "line-ascii"))
	}
	if _, warm := d.act.(stage.Warm); warm { // by 50 µm a kelvin
		model, err := probe.New(probe.Spec{Part: probe.Growth{Length: 50 * decimal.Millimetre, PerKelvin: 1e-3, Settles: time.Second}})
		require.NoError(t, err)
		p.Cast[0].Channels[0].Probe, p.Cast[0].Channels[0].Temp = model, probe.Reference
	}
	g := p.Cast[0].Profile
	g.Buttons[0].Press, g.Pedal, g.Display.Follows = gauge.TagAction, gauge.TagAction, true
	for i, a := range append([]stage.Act{d.act}, d.also...) {
		require.NoError(t, stage.CheckAct(a))
		p.Cues = append(p.Cues, stage.Cue{At: time.Second + time.Duration(i)*120*time.Millisecond, Gauge: 0, Channel: -1, Act: a})
	}
	return p
}

// ofGauges are the verbs of what is done to gauges: what is done to the host has
// tests of its own.
func ofGauges() []string {
	return slices.DeleteFunc(stage.Verbs(), func(v string) bool {
		a, _ := stage.NewAct(v)
		return stage.OfHost(reflect.ValueOf(a).Elem().Interface().(stage.Act))
	})
}

// Every act does what its description says, on paper.
//
// Kind: property.
func TestEveryActOnPaper(t *testing.T) {
	ds := deeds(t)
	for _, verb := range ofGauges() {
		t.Run(verb, func(t *testing.T) {
			d, ok := ds[verb]
			require.True(t, ok, "no test of this act")
			all := onPaper(t, d.play(t))
			require.True(t, d.see(all), "the ledger does not show it: %v", summary(all))
			for _, n := range notes(all) {
				require.NotContains(t, n, "was not done")
			}
			var idle deed = d
			idle.act, idle.also = stage.Plug{}, nil
			if verb == "plug probe" { // the idle play's own act
				idle.act = stage.Clear{}
			}
			require.False(t, d.see(onPaper(t, idle.play(t))), "the check is met without the act")
		})
	}
}

func summary(all []ledger.Entry) string {
	var b strings.Builder
	for _, e := range all {
		if e.Kind != ledger.KindFrame && e.Kind != ledger.KindOut {
			text, _ := json.Marshal(e)
			b.Write(append(text, '\n'))
		}
	}
	return b.String() + strings.Join(shown(all, 0), " ")
}

// On a pty every act leaves the ledger it leaves on paper, but for what happens
// at the port; and the host reads the bytes that the ledger says were sent.
//
// Kind: process.
func TestEveryActOnAPTY(t *testing.T) {
	ds := deeds(t)
	for _, verb := range testenv.Sample(t, 12, ofGauges()) {
		t.Run(verb, func(t *testing.T) {
			d := ds[verb]
			paper := onPaper(t, d.play(t))
			real, got := onPTY(t, d.play(t))
			kinds := []ledger.Kind{ledger.KindFrame, ledger.KindOut, ledger.KindSetting, ledger.KindLink, ledger.KindCell, ledger.KindGauge}
			if diff := cmp.Diff(of(paper, kinds...), of(real, kinds...), cmpopts.EquateEmpty()); diff != "" {
				t.Error("paper and pty differ:\n", diff)
			}
			sent := map[string][]byte{} // by the name of the port
			at := map[string]string{}   // where each gauge is
			raw := map[string][]byte{}
			for _, e := range real {
				frame := func(id int) string { return fmt.Sprint(e.Gauge, id) }
				switch {
				case e.Kind == ledger.KindPort && e.Port.Path != "":
					at[e.Gauge] = filepath.Base(e.Port.Path)
				case e.Kind == ledger.KindFrame:
					raw[frame(e.Frame.ID)] = e.Frame.Bytes
				case e.Kind == ledger.KindOut && e.Out.Fate == ledger.Sent && len(e.Out.Bytes) > 0:
					sent[at[e.Gauge]] = append(sent[at[e.Gauge]], e.Out.Bytes...)
				case e.Kind == ledger.KindOut && e.Out.Fate == ledger.Sent:
					for _, id := range e.Out.Frames {
						sent[at[e.Gauge]] = append(sent[at[e.Gauge]], raw[frame(id)]...)
					}
				}
			}
			for name := range got {
				require.True(t, bytes.Equal(sent[name], got[name]), "%s: sent %d bytes, the host read %d", name, len(sent[name]), len(got[name]))
				require.NotEmpty(t, got[name])
			}
			if verb == "swap ports" {
				require.Equal(t, map[string]string{"g": "other", "other": "g"}, at)
			}
		})
	}
}
