//go:build unix

package stage_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/motion/noise"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"
)

// words is a dialect with a banner and with parts that need not be sent.
const words = `
dialect: words
title: For tests
serial-line: {baud: 9600}
framing: {kind: delimited, end: "\n", longest: 80}
frames:
  - name: reading
    sent: [reading, tag]
    fields:
      - {decimal: channel, decimals: 0, sign: none}
      - ":"
      - {decimal: reading, void: {under: "u", over: "o", missing: "m", empty: "e"}}
      - " #"
      - {decimal: seq, decimals: 0, sign: none}
      - {when: with-keys, fields: [" ", {flag: button-1, set: A, clear: a}, {flag: pedal, set: P, clear: p}]}
      - {when: with-tail, fields: ["*", {check: sum, form: hex}]}
  - {name: hello, sent: [banner], fields: ["HELLO ", {text: serial}]}
  - {name: done, sent: [reply], fields: ["OK"]}
  - {name: refused, sent: [reply], fields: ["NO ", {text: error}]}
commands:
  - {name: write, fields: ["W ", {text: setting}, "=", {text: value, numbers: true}], does: set, reply: done, refusal: refused}
`

// fake is a port whose far side is the test.
type fake struct {
	got  []string
	up   bool
	sink func(port.Event)
}

func (f *fake) Path() string               { return "fake" }
func (f *fake) Name() string               { return "fake" }
func (f *fake) Real() string               { return "fake" }
func (f *fake) Open() bool                 { return f.up }
func (f *fake) Unread() (int, bool)        { return 0, true }
func (f *fake) Stats() port.Stats          { return port.Stats{} }
func (f *fake) HangUp() (int, bool, error) { f.up = false; return 0, true, nil }
func (f *fake) Return(string) error {
	f.up = true
	f.sink(port.Event{Kind: port.Opened}) // a host that opens it at once
	return nil
}
func (f *fake) Close() error { return nil }
func (f *fake) Write(p []byte) port.Outcome {
	f.got = append(f.got, string(p))
	return port.Sent
}

// at is something the host does at a time.
type at struct {
	t time.Duration
	e port.Event
}

// play runs one gauge against a fake host and returns the ledger and what the
// host got, piece by piece.
func played(t testing.TB, m stage.Member, until time.Duration, cues []stage.Cue, host ...at) ([]ledger.Entry, []string) {
	in := stage.NewInbox()
	f := &fake{up: true, sink: in.Sink(0)}
	f.sink(port.Event{Kind: port.Opened})
	var all []ledger.Entry
	for _, h := range host {
		cues = append(cues, stage.Cue{At: h.t, Channel: -1, Act: stage.Plug{}, Text: fmt.Sprint("host ", h.t)})
	}
	slices.SortStableFunc(cues, func(a, b stage.Cue) int { return int(a.At - b.At) })
	s, err := stage.New(stage.Play{Seed: 1, Cast: []stage.Member{m}, Cues: cues, Until: until}, stage.Options{Ports: []port.Port{f}, Inbox: in, Pace: stage.Drain, Patience: 20 * time.Millisecond,
		Keep: func(e ledger.Entry) {
			all = append(all, clone(t, e))
			for _, h := range host {
				if e.Kind == ledger.KindCue && e.Note == fmt.Sprint("host ", h.t) {
					f.sink(h.e)
				}
			}
		}})
	require.NoError(t, err)
	require.NoError(t, s.Run(context.Background()))
	require.NoError(t, s.Finish("the end"))
	return all, f.got
}

func wordy(t testing.TB) stage.Member {
	d, err := wire.Parse("words.yaml", []byte(words))
	require.NoError(t, err)
	m := plain("g")
	m.Dialect, m.Wired = d, true
	m.Profile.Serial = "SN-1"
	m.Profile.Rate = quantity.Rate{Hz: decimal.New(2, 0)}
	return m
}

func cue(at time.Duration, a stage.Act) stage.Cue { return stage.Cue{At: at, Channel: -1, Act: a} }

func says(text string) port.Event { return port.Event{Kind: port.Received, Data: []byte(text + "\n")} }

// Off by the host, on by a button: the answer still comes, then nothing, then
// the banner; the sequence starts anew. On a wire the port stays.
//
// Kind: property.
func TestPowerOnAWire(t *testing.T) {
	m := wordy(t)
	m.Profile.Power.StartUp = 400 * time.Millisecond
	all, got := played(t, m, 4*time.Second, []stage.Cue{cue(2200*time.Millisecond, stage.Press{Button: 0})},
		at{700 * time.Millisecond, says("W power=off")}, at{1500 * time.Millisecond, says("W unit=in")})
	require.Equal(t, []string{"1:5.000 #1\n", "1:5.000 #2\n", "OK\n", "HELLO SN-1\n", "1:5.000 #2\n", "1:5.000 #3\n", "1:5.000 #4\n"}, got)
	require.Equal(t, []string{"power off: asked by the host", "button A pressed", "power starting", "button A released", "power on"}, notes(all))
	for _, e := range all {
		if e.Kind == ledger.KindIn && e.T == 1500*time.Millisecond {
			require.Equal(t, "lost: the gauge is off", e.Note)
		}
		require.NotEqual(t, ledger.KindLink, e.Kind, "a wire")
	}
	for _, e := range of(all, ledger.KindFrame) {
		if e.Frame.Cause == ledger.Banner {
			require.Equal(t, 2600*time.Millisecond, e.T)
		}
	}
}

// With a radio the link goes when the gauge goes off, and the port with it; the
// banner waits until a host hears it.
//
// Kind: property.
func TestPowerOnARadio(t *testing.T) {
	m := wordy(t)
	m.Wired = false
	m.Profile.IdleOff = 1200 * time.Millisecond
	all, got := played(t, m, 3*time.Second, []stage.Cue{cue(2200*time.Millisecond, stage.Press{Button: 1})})
	require.Equal(t, "lost up", links(all))
	require.Equal(t, []string{"1:5.000 #1\n", "1:5.000 #2\n", "1:5.000 #3\n", "HELLO SN-1\n", "1:5.000 #2\n", "1:5.000 #3\n"}, got)
	var ports []string
	for _, e := range of(all, ledger.KindPort) {
		ports = append(ports, e.Port.What)
	}
	require.Equal(t, []string{"opened", "hung up", "returned", "opened"}, ports)
}

// A tag during a loss is sent when the host is back, where the gauge has room
// for it; the same on paper and on a pty.
//
// Kind: process.
func TestTagDuringLoss(t *testing.T) {
	for _, depth := range []int{0, 1} {
		play := func() stage.Play {
			m := talking(t, "g", "line-ascii")
			m.Profile.Tags.Queue = depth
			return stage.Play{Seed: 5, Cast: []stage.Member{m}, Until: 5 * time.Second, Cues: []stage.Cue{
				cue(time.Second, stage.LoseLink{For: seconds(2)}), cue(1500*time.Millisecond, stage.Tag{}), cue(1700*time.Millisecond, stage.Tag{}), cue(4*time.Second, stage.Tag{})}}
		}
		paper := onPaper(t, play())
		var fates []string
		names := map[int]int64{}
		for _, e := range paper {
			switch {
			case e.Kind == ledger.KindFrame && e.Frame.Tag != nil:
				names[e.Frame.ID] = *e.Frame.Tag
			case e.Kind == ledger.KindOut:
				for _, id := range e.Out.Frames {
					if n, ok := names[id]; ok {
						fates = append(fates, fmt.Sprintf("%v tag %d %s", e.T, n, e.Out.Fate))
					}
				}
			}
		}
		want := []string{"1.5s tag 1 lost", "1.7s tag 2 lost", "4.025s tag 3 sent"}
		if depth == 1 {
			want = []string{"1.7s tag 2 lost", "3s tag 1 sent", "4.025s tag 3 sent"}
		}
		require.Equal(t, want, fates)
		real, _ := onPTY(t, play())
		kinds := []ledger.Kind{ledger.KindFrame, ledger.KindOut, ledger.KindGauge, ledger.KindLink}
		require.Empty(t, cmp.Diff(of(paper, kinds...), of(real, kinds...), cmpopts.EquateEmpty()))
	}
}

// Settings the host writes: refused ones get the dialect's refusal and change
// nothing; parts of the frame come and go.
//
// Kind: property.
func TestSettingsOverTheWire(t *testing.T) {
	m := wordy(t)
	m.Profile.PassCode, m.Profile.WithTail = "77", true
	talk := []struct{ host, reply, frame string }{ // and the stream's frame before
		{"with-tail=off", "OK", "1:5.000 #1*FC"}, // 508 is 1FC hexadecimal: the sum of all characters up to the star
		{"with-keys=1", "OK", "1:5.000 #3"},
		{"lock=on", "OK", "1:5.000 #5 ap"},
		{"unit=in", "NO settings are locked", "1:5.000 #7 ap"},
		{"lock=78", "NO wrong pass-code", "1:5.000 #9 ap"},
		{"lock=77", "OK", "1:5.000 #11 aP"},
		{"rate=9 mm", "NO wrong unit", "1:5.000 #13 ap"},
		{"rate=0", "NO out of range", "1:5.000 #15 ap"},
		{"unit=in", "OK", "1:5.000 #17 ap"},
		{"colour=red", "NO unknown setting", "1:0.19686 #19 ap"}, // 5 mm is 0.1968504 in; the step is 0.00002 in
	}
	var host []at
	var want []string
	for i, k := range talk {
		host = append(host, at{time.Duration(i)*500*time.Millisecond + 250*time.Millisecond, says("W " + k.host)})
		want = append(want, k.frame+"\n", k.reply+"\n")
	}
	_, got := played(t, m, 4999*time.Millisecond, []stage.Cue{cue(2400*time.Millisecond, stage.Pedal{For: seconds(0.2)})}, host...)
	require.Empty(t, cmp.Diff(want, got))
}

// Whether a host opens its port again after a lost link changes nothing of what
// is measured: on a port that nobody opens the readings are those of the perfect
// listener on paper.
//
// Kind: process.
func TestHostsDoNotChangeTheNoise(t *testing.T) {
	m := wordy(t)
	m.Wired = false
	m.Channels[0].Noise = noise.Spec{White: decimal.Micrometre}
	p := stage.Play{Seed: 1, Cast: []stage.Member{m}, Until: 6 * time.Second, Cues: []stage.Cue{cue(time.Second, stage.LoseLink{For: seconds(1)})}}
	readings := func(all []ledger.Entry) (out []string) {
		for _, e := range of(all, ledger.KindFrame) {
			out = append(out, fmt.Sprint(e.T, e.Frame.Readings))
		}
		return out
	}
	in := stage.NewInbox()
	prt, err := port.OpenPTY(port.Config{Name: "g", Dir: t.TempDir()}, in.Sink(0))
	require.NoError(t, err)
	defer prt.Close()
	var unheard []ledger.Entry
	s, err := stage.New(p, stage.Options{Ports: []port.Port{prt}, Inbox: in, Pace: stage.Drain, Keep: func(e ledger.Entry) { unheard = append(unheard, clone(t, e)) }})
	require.NoError(t, err)
	require.NoError(t, s.Run(context.Background()))
	require.NoError(t, s.Finish("the end"))
	want := readings(onPaper(t, p))
	require.Len(t, want, 13)
	require.Empty(t, cmp.Diff(want, readings(unheard)))
}

// Channels that are scanned are read one after the other, the last at the time
// of the sample; a computed channel is of what was read.
//
// Kind: property.
func TestScannedChannels(t *testing.T) {
	m := wordy(t)
	p := m.Profile
	second := p.Channels[0]
	second.Name = "B"
	width := second
	width.Name, width.Stroke, width.Calc = "difference", 0, &gauge.Calc{Kind: gauge.Difference, Of: []int{1, 0}}
	p.Channels = append(p.Channels, second, width)
	p.Scan = 10 * time.Millisecond
	m.Channels = append(m.Channels, m.Channels[0], stage.Fitting{})
	ramp := stage.MoveTo{Size: length(t, "9.000 mm"), Over: seconds(1), Shape: 1} // 1 µm a ms
	all := onPaper(t, stage.Play{Seed: 1, Cast: []stage.Member{m}, Until: 2 * time.Second, Cues: []stage.Cue{cue(0, ramp)}})
	var at []string
	for _, e := range of(all, ledger.KindFrame) {
		if e.T == 500*time.Millisecond {
			r := e.Frame.Readings[0]
			at = append(at, fmt.Sprintf("%s %s %d", r.Channel, r.Shown, r.Size))
		}
	}
	require.Equal(t, []string{"A 5.480 8480000000", "B 5.490 8490000000", "difference 0.010 10000000"}, at)
}

// Kind: property.
func TestBouncingButton(t *testing.T) {
	for _, debounce := range []time.Duration{0, 20 * time.Millisecond} {
		m := talking(t, "g", "line-ascii")
		m.Profile.Buttons[0].Press, m.Profile.Debounce = gauge.TagAction, debounce
		all := onPaper(t, stage.Play{Seed: 1, Cast: []stage.Member{m}, Until: 3 * time.Second, Cues: []stage.Cue{cue(time.Second, stage.Press{Button: 0, Bounces: 3})}})
		want := 1
		if debounce == 0 {
			want = 1 + 3 + 3 // each bounce of a contact that is believed is a press, going down and coming up
		}
		require.Equal(t, want, tags(all), debounce)
	}
}

// Settings move from one gauge of the cast to another, and the ledger tells it.
//
// Kind: property.
func TestSettingsMove(t *testing.T) {
	a, b, c := wordy(t), wordy(t), wordy(t)
	b.Profile.Name, c.Profile.Name, c.Profile.Model = "b", "c", "other"
	a.Profile.Channels[0].Unit, a.Profile.Channels[0].Resolution = decimal.IN, decimal.New(1, -4)
	var all []ledger.Entry
	s, err := stage.New(stage.Play{Seed: 1, Cast: []stage.Member{a, b, c}, Until: time.Second}, stage.Options{Keep: func(e ledger.Entry) { all = append(all, clone(t, e)) }})
	require.NoError(t, err)
	require.NoError(t, s.Run(context.Background()))
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { s.Settle(ctx, nil); close(done) }()
	e, err := s.Export(ctx, 0)
	require.NoError(t, err)
	require.NoError(t, s.Import(ctx, 1, e))
	require.ErrorContains(t, s.Import(ctx, 2, e), "of the model")
	require.ErrorContains(t, s.Import(ctx, 3, e), "no gauge 3")
	cancel()
	<-done
	require.True(t, slices.ContainsFunc(of(all, ledger.KindSetting), func(e ledger.Entry) bool {
		return e.Gauge == "b" && e.Setting.Name == "unit" && e.Setting.To == "in" && e.Setting.By == "hand"
	}))
}

// common practice, no source: seven gauges on one computer, 30 readings a second
// each.
//
// Kind: property.
func TestSevenGaugesAtThirtyASecond(t *testing.T) {
	var cast []stage.Member
	for _, n := range []string{"a", "b", "c", "d", "e", "f", "g"} {
		m := full(t, n)
		m.Dialect, m.Radio, m.Link = dialect(t, "line-ascii"), 1, nil // seven share a radio
		cast = append(cast, m)
	}
	made := map[string]int{}
	for _, e := range of(onPaper(t, stage.Play{Seed: 1, Cast: cast, Until: 10*time.Second - 1}), ledger.KindFrame) {
		made[e.Gauge]++
	}
	require.Equal(t, map[string]int{"a": 300, "b": 300, "c": 300, "d": 300, "e": 300, "f": 300, "g": 300}, made)
}

// Kind: property.
func TestStatusShowsTheFace(t *testing.T) {
	m := wordy(t)
	m.Profile.Lamps = []gauge.Lamp{{Name: "top", Shows: gauge.ShowProbe, Looks: map[string]gauge.Look{"good": {Colour: "teal"}}}}
	s, err := stage.New(stage.Play{Seed: 1, Cast: []stage.Member{m}, Until: time.Second}, stage.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Run(context.Background()))
	require.Equal(t, "function live", strings.TrimSpace(s.Steps(0, 0)[4].Name))
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { s.Settle(ctx, nil); close(done) }()
	all, err := s.Status(ctx)
	cancel()
	<-done
	require.NoError(t, err)
	require.Equal(t, "5.000", all[0].Face.Figures)
	require.Equal(t, []stage.Lamp{{Name: "top", State: "good", Look: gauge.Look{Colour: "teal"}}}, all[0].Lamps)
	require.Equal(t, "5.000 mm", all[0].Reading)
}

// tardy is a port that is seen to be open before its opening is told.
type tardy struct {
	fake
	looks int
}

func (l *tardy) Open() bool {
	if l.looks++; l.looks == 5 {
		l.sink(port.Event{Kind: port.Opened})
	}
	return true
}

// Time does not pass between a host's opening a port and the word of it: what
// happens to the port next would not be due in the host's records.
//
// Kind: property.
func TestOpeningToldLate(t *testing.T) {
	in := stage.NewInbox()
	l := &tardy{fake: fake{up: true, sink: in.Sink(0)}}
	var all []ledger.Entry
	s, err := stage.New(stage.Play{Seed: 1, Cast: []stage.Member{plain("g")}, Cues: []stage.Cue{cue(time.Second, stage.Tag{})}, Until: 2 * time.Second},
		stage.Options{Ports: []port.Port{l}, Inbox: in, Pace: stage.Drain, Patience: 20 * time.Second, Keep: func(e ledger.Entry) { all = append(all, e) }})
	require.NoError(t, err)
	require.NoError(t, s.Run(t.Context()))
	require.NoError(t, s.Finish("the end"))
	opened := slices.IndexFunc(all, func(e ledger.Entry) bool { return e.Kind == ledger.KindPort && e.Port.What == "opened" })
	tagged := slices.IndexFunc(all, func(e ledger.Entry) bool { return e.Kind == ledger.KindCue })
	require.GreaterOrEqual(t, opened, 0)
	require.Less(t, opened, tagged)
}

// Where no host has ever had the port open, none is waited for: the link that is back
// is back for the gauge, and what waited is sent.
//
// Kind: property.
func TestALinkIsBackWithoutAListener(t *testing.T) {
	m := talking(t, "a", "line-ascii")
	m.Profile.Tags.Queue = 4
	in := stage.NewInbox()
	prt, err := port.OpenPTY(port.Config{Name: "a", Dir: t.TempDir()}, in.Sink(0))
	require.NoError(t, err)
	var all []ledger.Entry
	s, err := stage.New(stage.Play{Cast: []stage.Member{m}, Until: 10 * time.Second, Cues: []stage.Cue{
		{At: time.Second, Gauge: 0, Channel: -1, Act: stage.LoseLink{For: seconds(3)}},
		{At: 2 * time.Second, Gauge: 0, Channel: -1, Act: stage.Tag{}},
	}}, stage.Options{Ports: []port.Port{prt}, Inbox: in, Pace: stage.Drain, Keep: func(e ledger.Entry) { all = append(all, clone(t, e)) }})
	require.NoError(t, err)
	require.NoError(t, s.Run(t.Context()))
	require.NoError(t, s.Finish("the end"))
	require.NoError(t, prt.Close())
	require.Contains(t, notes(all), "tag 1 waits for the link")
	require.Equal(t, 1, tags(all))
}
