//go:build unix

package stage_test

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/power"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/testenv"
	"example.org/understudy/sim/wire"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

var update = flag.Bool("update", false, "write the golden files anew")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// dialect reads a shipped dialect.
func dialect(t testing.TB, name string) *wire.Dialect {
	file := filepath.Join("..", "..", "scenarios", "dialects", name+".yaml")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	d, err := wire.Parse(file, text)
	require.NoError(t, err)
	return d
}

// talking is a plain gauge with a dialect and a cell.
func talking(t testing.TB, name, words string) stage.Member {
	m := plain(name)
	m.Dialect = dialect(t, words)
	cell, err := power.New(power.Config{Capacity: 850, Charge: 100})
	require.NoError(t, err)
	m.Cell, m.Parts, m.Temp, m.LowAt = cell, power.TypicalParts(), 20, 10
	m.Profile.Rate = quantity.Rate{Hz: decimal.New(20, 0)}
	return m
}

func length(t testing.TB, text string) (l quantity.Length) {
	require.NoError(t, l.UnmarshalText([]byte(text)))
	return l
}

func seconds(s float64) quantity.Duration { return quantity.Duration(s * 1e9) }

// onPaper plays and returns the ledger.
func onPaper(t testing.TB, p stage.Play) (all []ledger.Entry) {
	s, err := stage.New(p, stage.Options{Keep: func(e ledger.Entry) { all = append(all, clone(t, e)) }})
	require.NoError(t, err)
	require.NoError(t, s.Run(context.Background()))
	require.NoError(t, s.Finish("the end"))
	return all
}

// clone copies an entry through its written form, which is what a reader sees.
func clone(t testing.TB, e ledger.Entry) (c ledger.Entry) {
	text, err := json.Marshal(e)
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(text, &c))
	return c
}

// reader is a host that reads what comes, and opens the port again when it was
// hung up.
type reader struct {
	mu   sync.Mutex
	got  []byte
	stop chan struct{}
	done chan struct{}
}

func startReader(path string) *reader {
	r := &reader{stop: make(chan struct{}), done: make(chan struct{})}
	go func() {
		defer close(r.done)
		buf := make([]byte, 4096)
		for {
			select {
			case <-r.stop:
				return
			default:
			}
			f, err := os.OpenFile(path, os.O_RDWR|openFlags, 0)
			if err != nil {
				time.Sleep(time.Millisecond) // hung up: nothing to open yet
				continue
			}
			for {
				_ = f.SetReadDeadline(time.Now().Add(20 * time.Millisecond))
				n, err := f.Read(buf)
				r.mu.Lock()
				r.got = append(r.got, buf[:n]...)
				r.mu.Unlock()
				stopped := false
				select {
				case <-r.stop:
					stopped = true
				default:
				}
				if err != nil && !os.IsTimeout(err) || stopped {
					break
				}
			}
			f.Close()
		}
	}()
	return r
}

func (r *reader) end() []byte {
	close(r.stop)
	<-r.done
	return r.got
}

// onPTY plays against a host that reads, and returns the ledger and what the
// host read at each gauge's name.
func onPTY(t testing.TB, p stage.Play) (all []ledger.Entry, got map[string][]byte) {
	in := stage.NewInbox()
	dir := t.TempDir()
	var ports []port.Port
	for i := range p.Cast {
		prt, err := port.OpenPTY(port.Config{Name: p.Cast[i].Profile.Name, Dir: dir}, in.Sink(i))
		require.NoError(t, err)
		ports = append(ports, prt)
	}
	s, err := stage.New(p, stage.Options{Ports: ports, Inbox: in, Pace: stage.Drain,
		Keep: func(e ledger.Entry) { all = append(all, clone(t, e)) }, Patience: 20 * time.Second})
	require.NoError(t, err)
	readers := map[string]*reader{}
	for _, prt := range ports {
		readers[prt.Name()] = startReader(prt.Path())
	}
	ready := make(chan error, 1)
	go func() {
		for _, prt := range ports {
			for !prt.Open() {
				time.Sleep(time.Millisecond)
			}
		}
		ready <- nil
	}()
	require.NoError(t, s.Prelude(context.Background(), ready))
	require.NoError(t, s.Run(context.Background()))
	require.NoError(t, s.Finish("the end"))
	got = map[string][]byte{}
	for name, r := range readers {
		got[name] = r.end()
	}
	for _, prt := range ports {
		require.NoError(t, prt.Close())
	}
	return all, got
}

// of keeps the entries of some kinds.
func of(all []ledger.Entry, kinds ...ledger.Kind) (some []ledger.Entry) {
	for _, e := range all {
		if slices.Contains(kinds, e.Kind) {
			some = append(some, e)
		}
	}
	return some
}

// Whatever else is in the cast, a gauge does the same things and sends the
// same bytes: every model draws from its own stream of chance.
//
// Kind: property.
func TestAGaugeDoesNotDependOnTheOthers(t *testing.T) {
	cast := func(names ...string) (ms []stage.Member) {
		for _, n := range names {
			m := full(t, n)
			m.Dialect = dialect(t, "line-ascii")
			ms = append(ms, m)
		}
		return ms
	}
	play := func(names ...string) (mine []ledger.Entry) {
		for _, e := range onPaper(t, stage.Play{Seed: 41, Cast: cast(names...), Until: 20 * time.Second, Cues: []stage.Cue{
			{At: time.Second, Gauge: slices.Index(names, "b"), Channel: -1, Act: stage.Garble{Frames: 3}},
			{At: 2 * time.Second, Gauge: -1, Channel: -1, Act: stage.Tag{}},
			{At: 3 * time.Second, Gauge: slices.Index(names, "b"), Channel: -1, Act: stage.LoseLink{For: seconds(3)}}}}) {
			if e.Gauge == "b" {
				mine = append(mine, e)
			}
		}
		return mine
	}
	alone := play("b")
	require.Greater(t, len(of(alone, ledger.KindFrame)), 300)
	for _, names := range [][]string{{"a", "b", "c"}, {"b", "z"}, {"c", "a", "b"}} {
		if d := cmp.Diff(alone, play(names...), cmpopts.EquateEmpty()); d != "" {
			t.Errorf("with %v:\n%s", names, d)
		}
	}
}

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

func all(s []string, want string) bool {
	return len(s) > 0 && !slices.ContainsFunc(s, func(w string) bool { return w != want })
}

func setTo(name, to string) func([]ledger.Entry) bool {
	return func(all []ledger.Entry) bool {
		return slices.ContainsFunc(of(all, ledger.KindSetting), func(e ledger.Entry) bool {
			return e.Setting.Name == name && e.Setting.To == to && e.Setting.By == "cue"
		})
	}
}

// late is long after an act at 1 s has settled.
const late = 4 * time.Second

func deeds(t testing.TB) map[string]deed {
	to := length(t, "8.050 mm")
	return map[string]deed{
		"rest on": {stage.RestOn{Size: to}, nil, func(e []ledger.Entry) bool { return all(shown(e, time.Second), "5.050") }},
		"move to": {stage.MoveTo{Size: to, Over: seconds(0.99), Bounce: length(t, "0.2 mm")}, nil, func(e []ledger.Entry) bool {
			return slices.Contains(shown(e, time.Second), "5.000") && all(shown(e, late), "5.050") && span(shown(e, 2*time.Second)).Cmp(decimal.New(5, -3)) > 0
		}},
		"lift": {stage.Lift{}, nil, func(e []ledger.Entry) bool { return all(shown(e, late), "under") }},
		"rock": {stage.Rock{Size: to, Angle: quantity.Angle{Degrees: decimal.New(3, 0)}, Period: seconds(1), Swings: 2}, nil, func(e []ledger.Entry) bool {
			return span(shown(e, time.Second)).Cmp(decimal.New(10, -3)) > 0 && all(shown(e, late), "5.050")
		}},
		"turn": {stage.Turn{Size: to, Contacts: motion.OneContact, Lobes: 1, Amplitude: length(t, "0.010 mm"), Period: seconds(1), Turns: 2}, nil, func(e []ledger.Entry) bool {
			return span(shown(e, 1050*time.Millisecond)).Equal(decimal.New(20, -3))
		}},
		"measure": {stage.Measure{Size: to, Bounce: length(t, "0.2 mm"), Dwell: seconds(0.8)}, nil, func(e []ledger.Entry) bool { // a press, between two times in the air
			s := shown(e, time.Second)
			return tags(e) == 1 && slices.Contains(notes(e), "button A released") && slices.Contains(s, "5.050") && s[len(s)-1] == "under"
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
		"tilt": {stage.Tilt{To: quantity.Angle{Degrees: decimal.New(180, 0)}}, nil, func(e []ledger.Entry) bool {
			return slices.Contains(notes(e), "the display turns over")
		}},
		"set": {stage.Set{Setting: "resolution", To: "0.01"}, nil, func(e []ledger.Entry) bool { return setTo("resolution", "0.01")(e) && all(shown(e, late), "5.00") }},
		"unplug probe": {stage.Unplug{For: seconds(1)}, nil, func(e []ledger.Entry) bool {
			return slices.Contains(shown(e, time.Second), "missing") && !slices.Contains(shown(e, late), "missing")
		}},
		"plug probe": {stage.Unplug{}, []stage.Act{stage.Plug{}}, func(e []ledger.Entry) bool {
			return slices.Contains(shown(e, 0), "missing") && !slices.Contains(shown(e, 1120*time.Millisecond), "missing")
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
		"set on cradle": {stage.FadeCell{To: quantity.Percent{Value: decimal.New(5, 0)}}, []stage.Act{stage.Cradle{For: seconds(3), Current: &quantity.Current{MA: decimal.New(100_000, 0)}}}, func(e []ledger.Entry) bool {
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

// A host that opens the port and never reads fills its buffer; the play ends
// all the same, whole frames are lost and counted, and what it left is told.
//
// Kind: process.
func TestAHostThatNeverReads(t *testing.T) {
	in := stage.NewInbox()
	prt, err := port.OpenPTY(port.Config{Name: "g", Dir: t.TempDir(), Buffer: 512}, in.Sink(0))
	require.NoError(t, err)
	defer prt.Close()
	var all []ledger.Entry
	p := stage.Play{Seed: 1, Cast: []stage.Member{talking(t, "g", "line-ascii")}, Until: 60 * time.Second}
	s, err := stage.New(p, stage.Options{Ports: []port.Port{prt}, Inbox: in, Pace: stage.Drain, Patience: time.Millisecond,
		Keep: func(e ledger.Entry) { all = append(all, clone(t, e)) }})
	require.NoError(t, err)
	f, err := os.OpenFile(prt.Path(), os.O_RDWR|openFlags, 0)
	require.NoError(t, err)
	defer f.Close()
	ready := make(chan error, 1)
	go func() {
		for !prt.Open() {
			time.Sleep(time.Millisecond)
		}
		ready <- nil
	}()
	require.NoError(t, s.Prelude(context.Background(), ready))
	require.NoError(t, s.Run(context.Background()))
	require.NoError(t, s.Finish("the end"))
	full, sent, unread := outs(all, fated(ledger.Full)), outs(all, fated(ledger.Sent)), 0
	for _, e := range of(all, ledger.KindOut) {
		unread += e.Out.Count
	}
	require.Equal(t, frames(all), full+sent, "each frame was sent or found no room")
	require.Greater(t, full, 500)
	line := len(of(all, ledger.KindFrame)[0].Frame.Bytes)
	require.Equal(t, sent*line, unread, "it read nothing of what was sent")
	n := 0
	for _, e := range of(all, ledger.KindPort) {
		if e.Port.What == "not reading" {
			n++
		}
	}
	require.Equal(t, 1, n, "told once")
}

// What a host had not read when the link hung up is lost, and counted.
//
// Kind: process.
func TestHangUpCountsWhatWasNotRead(t *testing.T) {
	in := stage.NewInbox()
	prt, err := port.OpenPTY(port.Config{Name: "g", Dir: t.TempDir()}, in.Sink(0))
	require.NoError(t, err)
	defer prt.Close()
	var all []ledger.Entry
	p := stage.Play{Seed: 1, Cast: []stage.Member{talking(t, "g", "line-ascii")}, Until: 4 * time.Second, Cues: []stage.Cue{
		{At: time.Second, Gauge: 0, Channel: -1, Act: stage.LoseLink{For: seconds(100)}}}}
	s, err := stage.New(p, stage.Options{Ports: []port.Port{prt}, Inbox: in, Pace: stage.Drain, Patience: time.Millisecond,
		Keep: func(e ledger.Entry) { all = append(all, clone(t, e)) }})
	require.NoError(t, err)
	f, err := os.OpenFile(prt.Path(), os.O_RDWR|openFlags, 0)
	require.NoError(t, err)
	defer f.Close()
	ready := make(chan error, 1)
	go func() {
		for !prt.Open() {
			time.Sleep(time.Millisecond)
		}
		ready <- nil
	}()
	require.NoError(t, s.Prelude(context.Background(), ready))
	require.NoError(t, s.Run(context.Background()))
	require.NoError(t, s.Finish("the end"))
	sent, hung, unread := 0, 0, 0
	for _, e := range all {
		switch {
		case e.Kind == ledger.KindOut && e.Out.Fate == ledger.Sent:
			sent += len(e.Out.Frames)
		case e.Kind == ledger.KindOut:
			unread += e.Out.Count
		case e.Kind == ledger.KindPort && e.Port.What == "hung up":
			hung += e.Port.Lost
		}
	}
	line := len(of(all, ledger.KindFrame)[0].Frame.Bytes)
	require.Equal(t, 20, sent)
	require.Equal(t, sent*line, hung)
	require.Equal(t, hung, unread)
	require.Equal(t, 61, outs(all, fated(ledger.Lost)), "what came after the loss")
}

// The ledger of a short play with something of everything, as it is written.
//
// Kind: golden.
func TestLedgerGolden(t *testing.T) {
	var buf bytes.Buffer
	m := talking(t, "bore", "line-ascii")
	m.Profile.Rate = quantity.Rate{Hz: decimal.New(2, 0)}
	cue := func(at float64, a stage.Act) stage.Cue {
		return stage.Cue{At: seconds(at).D(), Gauge: 0, Channel: -1, Act: a, Text: stage.Describe(a)}
	}
	to := length(t, "8.000 mm")
	s, err := stage.New(stage.Play{Title: "Something of everything", Seed: 3, Cast: []stage.Member{m}, Until: 6 * time.Second, Cues: []stage.Cue{
		cue(0.1, stage.Preset{To: &to}), cue(0.6, stage.RestOn{Size: length(t, "8.016 mm")}), cue(0.7, stage.Tag{}), cue(1.2, stage.Garble{}),
		cue(1.7, stage.Unplug{For: seconds(0.5)}), cue(2.6, stage.Set{Setting: "unit", To: "in"}), cue(3.1, stage.LoseLink{For: seconds(1)}),
		cue(3.6, stage.Tag{}), cue(4.6, stage.Press{Button: 1}), cue(4.7, stage.Set{Setting: "unit", To: "bar"}), cue(5, stage.FadeCell{To: quantity.Percent{Value: decimal.New(8, 0)}}),
	}}, stage.Options{Ledger: ledger.NewWriter(&buf)})
	require.NoError(t, err)
	require.NoError(t, s.Run(context.Background()))
	require.NoError(t, s.Finish("the timeline ended"))
	file := filepath.Join("testdata", "ledger.jsonl")
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(file, buf.Bytes(), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Empty(t, cmp.Diff(strings.Split(string(want), "\n"), strings.Split(buf.String(), "\n")))
}

// Gauges whose phase is drawn first sample anywhere in the first interval, by the
// seed and their names, whoever else is there; a stated phase is kept.
//
// Kind: property.
func TestPhase(t *testing.T) {
	firsts := func(seed uint64, names ...string) map[string]time.Duration {
		var cast []stage.Member
		for _, n := range names {
			m := plain(n)
			m.Dialect, m.Drawn = dialect(t, "line-ascii"), n != "late"
			if m.Profile.Rate, m.Profile.Streaming = (quantity.Rate{Hz: decimal.New(10, 0)}), true; n == "late" {
				m.Profile.Phase = 42 * time.Millisecond
			}
			cast = append(cast, m)
		}
		first, second := map[string]time.Duration{}, map[string]time.Duration{}
		for _, e := range onPaper(t, stage.Play{Seed: seed, Cast: cast, Until: 300 * time.Millisecond}) {
			if e.Kind != ledger.KindFrame {
				continue
			}
			if _, ok := first[e.Gauge]; !ok {
				first[e.Gauge] = e.T
			} else if _, ok := second[e.Gauge]; !ok {
				second[e.Gauge] = e.T
			}
		}
		for n := range first {
			require.Equal(t, 100*time.Millisecond, second[n]-first[n], n)
		}
		return first
	}
	var many []string
	for i := range 50 {
		many = append(many, fmt.Sprint("g", i))
	}
	got := firsts(1, append(many, "late")...)
	require.Len(t, got, 51)
	require.Equal(t, 42*time.Millisecond, got["late"])
	delete(got, "late")
	quarters := map[time.Duration]int{}
	for _, at := range got {
		require.Less(t, at, 100*time.Millisecond)
		quarters[at/(25*time.Millisecond)]++
	}
	require.Len(t, quarters, 4, "50 gauges leave no quarter of the interval empty")
	require.Equal(t, got["g7"], firsts(1, "z", "g7")["g7"])
	require.NotEqual(t, got["g7"], firsts(2, "g7")["g7"])
}

// A port whose new name is taken, or is none for its kind, comes back under the
// name it had; ports of two kinds are not swapped. (A scenario with such cues is
// refused; a hand may do it.)
//
// Kind: process.
func TestNamesThatCannotBe(t *testing.T) {
	in := stage.NewInbox()
	dir := t.TempDir()
	one, err := port.OpenPTY(port.Config{Name: "one", Dir: dir}, in.Sink(0))
	require.NoError(t, err)
	two, err := port.OpenPTY(port.Config{Name: "two", Dir: dir}, in.Sink(1))
	require.NoError(t, err)
	net, _, err := port.OpenTCP(port.Config{Name: "net"}, in.Sink(2))
	require.NoError(t, err)
	ports := []port.Port{one, two, net}
	defer func() {
		for _, p := range ports {
			require.NoError(t, p.Close())
		}
	}()
	at := []string{one.Path(), two.Path(), net.Path()}
	var all []ledger.Entry
	minute := quantity.Duration(time.Minute)
	s, err := stage.New(stage.Play{Seed: 1, Cast: []stage.Member{talking(t, "one", "line-ascii"), talking(t, "two", "line-ascii"), talking(t, "net", "line-ascii")}, Until: 10 * time.Minute,
		Cues: []stage.Cue{
			{At: 1 * time.Minute, Gauge: 0, Channel: -1, Act: stage.LoseLink{For: minute, Return: "two"}},
			{At: 1 * time.Minute, Gauge: 2, Channel: -1, Act: stage.LoseLink{For: minute, Return: "three"}},
			{At: 3 * time.Minute, Gauge: 0, Channel: -1, Act: stage.SwapPorts{With: "net", For: minute}},
			{At: 3 * time.Minute, Gauge: 0, Channel: -1, Act: stage.SwapPorts{With: "one", For: minute}},
			{At: 4 * time.Minute, Gauge: 0, Channel: -1, Act: stage.SwapPorts{With: "two", For: minute}},
			{At: 4 * time.Minute, Gauge: 1, Channel: -1, Act: stage.SwapPorts{With: "one", For: minute}},
		}}, stage.Options{Ports: ports, Inbox: in, Pace: stage.Drain, Keep: func(e ledger.Entry) { all = append(all, clone(t, e)) }})
	require.NoError(t, err)
	require.NoError(t, s.Run(context.Background()))
	require.NoError(t, s.Finish("the end"))
	require.Equal(t, []string{at[1], at[0], at[2]}, []string{one.Path(), two.Path(), net.Path()})
	var told []string
	for _, e := range all {
		if e.Kind == ledger.KindPort && e.Port.What == "returned" {
			told = append(told, e.Gauge+": "+e.Port.Note)
		} else if e.Kind == ledger.KindGauge {
			told = append(told, e.Gauge+": "+e.Note)
		}
	}
	require.Empty(t, cmp.Diff([]string{
		"one: it keeps its name: two is at two",
		"net: it keeps its name: port net: listen tcp: address three: missing port in address",
		"one: the cue was not done: the ports of one and net are of two kinds",
		`one: the cue was not done: there is no other gauge "one"`,
		"two: the cue was not done: the link of two is lost already",
		"one: ", "two: "}, told))
}
