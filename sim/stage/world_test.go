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
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/power"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
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
	cell, err := power.New(power.Config{Capacity: 850, Charge: 100, LowAt: 10})
	require.NoError(t, err)
	m.Cell, m.Parts, m.Temp = cell, power.TypicalParts(), 20
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

func all(s []string, want string) bool {
	return len(s) > 0 && !slices.ContainsFunc(s, func(w string) bool { return w != want })
}

// late is long after an act at 1 s has settled.
const late = 4 * time.Second

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
