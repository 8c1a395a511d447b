// Package inside runs host software as Go functions in the same process as the
// gauges, thousands of times faster than a program on a serial port.
//
// A host gets a World instead of an operating system: its ports, its clock and
// its waiting come from there. The host's tasks and the stage take turns, one
// at a time, and time goes on only when every task waits. So a run needs no
// wall clock, takes no longer than the work in it, and comes out the same
// every time.
package inside

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"iter"
	"runtime/debug"
	"slices"
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/wire"
)

// Host is host software. It returns when the world ends, or earlier with what
// went wrong. It may wait only by the methods of World and Port, and start
// what runs beside it only by World.Go.
type Host func(w *World) error

// ErrEnd is returned by whatever waits when the run is over.
var ErrEnd = errors.New("the run is over")

// ErrGone is returned by Read and Write when the port was hung up.
var ErrGone = errors.New("the port was hung up")

// World is all that a host has.
type World struct {
	// Job is the job file, and Dialects what its dialect names stand for.
	Job      []byte
	Dialects map[string]*wire.Dialect
	// Records takes the host's records, as CSV with our column names.
	Records bytes.Buffer
	// Ready is called by the host when it has opened its ports and written
	// what it must.
	Ready func()

	ports  []*gaugePort
	places []string // of the gauges' ports at the start
	looked func()   // called when the host has been let live
	now    time.Duration
	tasks  []*task
	over   bool
	ctx    context.Context
	stop   context.CancelFunc
	err    error
	busy   bool
}

// task is a part of a host that waits on its own.
type task struct {
	next  func() (struct{}, bool)
	stop  func()
	yield func(struct{}) bool
	// What it waits for: something at a port, or a time, or the end.
	wake func() bool
	done bool
}

// killed unwinds a task that is killed.
type killed struct{}

// Now is the host's clock: the time on the scenario's timeline.
func (w *World) Now() time.Duration { return w.now }

// Context is done when the run is over. It is for asking; to wait, use Idle.
func (w *World) Context() context.Context { return w.ctx }

// Over reports whether the run is over and the host is to finish.
func (w *World) Over() bool { return w.over }

// Go runs f beside the caller.
func (w *World) Go(f func()) {
	t := &task{wake: func() bool { return true }}
	t.next, t.stop = iter.Pull(func(yield func(struct{}) bool) {
		t.yield = yield
		defer func() {
			if r := recover(); r != nil && r != any(killed{}) && w.err == nil {
				w.err = fmt.Errorf("the host panicked: %v\n%s", r, debug.Stack())
			}
		}()
		f()
	})
	w.tasks = append(w.tasks, t)
}

// current is the task that runs; the one that World runs at present.
func (w *World) current() *task {
	for _, t := range w.tasks {
		if t.wake == nil && !t.done {
			return t
		}
	}
	panic("inside: a host waits outside of its tasks; start them with World.Go")
}

// wait parks the running task until wake holds or the run is over.
func (w *World) wait(wake func() bool) {
	if w.over || wake() {
		return
	}
	t := w.current()
	t.wake = wake
	if !t.yield(struct{}{}) {
		panic(killed{})
	}
}

// Sleep waits for a time. It returns early with ErrEnd when the run is over.
func (w *World) Sleep(d time.Duration) error {
	until := w.now + d
	w.wait(func() bool { return w.now >= until })
	return w.ended()
}

// Idle waits for the end of the run.
func (w *World) Idle() { w.wait(func() bool { return false }) }

func (w *World) ended() error {
	if w.over {
		return ErrEnd
	}
	return nil
}

// settle lets every task run until all of them wait.
func (w *World) settle() {
	if w.busy { // a task does something to a port, which asks how things stand
		return
	}
	w.busy = true
	defer func() { w.busy = false }()
	for again := true; again; {
		again = false
		for i := 0; i < len(w.tasks); i++ { // a task may start others
			t := w.tasks[i]
			if t.done || !w.over && !t.wake() {
				continue
			}
			again = true
			t.wake = nil
			if _, more := t.next(); !more {
				t.done = true
			}
		}
		w.tasks = slices.DeleteFunc(w.tasks, func(t *task) bool { return t.done })
	}
}

// at lets the host live through the time up to t.
func (w *World) at(t time.Duration) {
	w.now = max(w.now, t)
	w.settle()
	w.looked()
}

// end tells the host that the run is over and lets it finish.
func (w *World) end() {
	w.over = true
	w.stop()
	w.settle()
	w.clear()
}

// clear ends what is left of the host, where it stands.
func (w *World) clear() {
	for _, t := range w.tasks {
		t.stop()
	}
	w.tasks = nil
}

// Open opens the port at the place where a gauge stood first, with line settings
// such as "9600 8N1", and waits for one while none is there. As outside, a pty
// shows no character size and no parity, and a plain socket no settings at all.
func (w *World) Open(gauge int, line string) (*Port, error) {
	var g *gaugePort
	w.wait(func() bool {
		k := slices.IndexFunc(w.ports, func(p *gaugePort) bool { return p.name == w.places[gauge] && p.up && p.host == nil })
		if k >= 0 {
			g = w.ports[k]
		}
		return k >= 0
	})
	if err := w.ended(); err != nil {
		return nil, err
	}
	set, err := port.ParseSettings(line)
	if err != nil {
		return nil, err
	}
	p := &Port{w: w, g: g}
	g.host = p
	g.stats.Opens++
	g.sink(port.Event{Kind: port.Opened, Taken: g.stats.Taken()})
	switch g.kind { // what each kind of port shows of the line, as those of sim/port do
	case scenario.PTY:
		set.Data, set.Parity = 0, port.ParityUnknown
		fallthrough
	case scenario.RFC2217:
		g.sink(port.Event{Kind: port.Asked, Settings: set})
	}
	return p, nil
}

// Port is a gauge's port as the host has it open.
type Port struct {
	w     *World
	g     *gaugePort
	limit time.Duration // of a read; below 0: none
	gone  bool
}

// Control moves the control lines, which are low when the port is opened, where
// the port shows them.
func (p *Port) Control(lines port.ControlLines) {
	if p.g.kind == scenario.RFC2217 {
		p.g.sink(port.Event{Kind: port.Lines, Lines: lines})
	}
}

// Break sends a break, where the port shows it.
func (p *Port) Break() {
	for _, on := range []bool{true, false} {
		if p.g.kind == scenario.RFC2217 {
			p.g.sink(port.Event{Kind: port.Break, On: on})
		}
	}
}

// SetReadTimeout bounds the next reads; below 0 they wait for ever.
func (p *Port) SetReadTimeout(d time.Duration) error {
	p.limit = d
	return nil
}

// Read reads what has come. It returns 0 and no error when nothing came in
// time or the run is over.
func (p *Port) Read(b []byte) (int, error) {
	until := p.w.now + p.limit
	p.w.wait(func() bool { return p.gone || len(p.g.data) > 0 || p.limit >= 0 && p.w.now >= until })
	if p.gone {
		return 0, ErrGone
	}
	n := copy(b, p.g.data)
	p.g.data = p.g.data[n:]
	return n, nil
}

// Write sends to the gauge.
func (p *Port) Write(b []byte) (int, error) {
	if p.gone {
		return 0, ErrGone
	}
	p.g.stats.Received += int64(len(b))
	p.g.sink(port.Event{Kind: port.Received, Data: slices.Clone(b)})
	return len(b), nil
}

// Close lets the port go.
func (p *Port) Close() error {
	if p.gone {
		return nil
	}
	p.gone = true
	p.g.host = nil
	p.g.sink(port.Event{Kind: port.Closed, Lost: p.g.drop()})
	return nil
}

// room is how many bytes a port holds for a host that does not read.
const room = 64 << 10

// gaugePort is the gauge's side: a port.Port without an operating system.
type gaugePort struct {
	w     *World
	name  string
	kind  scenario.PortKind
	sink  func(port.Event)
	clock func() time.Duration
	up    bool
	host  *Port
	data  []byte
	stats port.Stats
}

func (g *gaugePort) drop() int {
	n := len(g.data)
	g.data = nil
	g.stats.Unread += int64(n)
	return n
}

// Path is the gauge's name, until the port comes back under another.
func (g *gaugePort) Path() string { return g.name }

// Name is Path.
func (g *gaugePort) Name() string { return g.name }

// Real is Path.
func (g *gaugePort) Real() string { return g.name }

// Write hands a frame to the host.
func (g *gaugePort) Write(frame []byte) port.Outcome {
	add := func(c *port.Count) {
		c.Frames++
		c.Bytes += int64(len(frame))
	}
	switch {
	case !g.up:
		add(&g.stats.Down)
		return port.DroppedDown
	case g.host == nil:
		add(&g.stats.Unheard)
		return port.DroppedUnheard
	case len(g.data)+len(frame) > room:
		add(&g.stats.Full)
		return port.DroppedFull
	}
	add(&g.stats.Sent)
	g.data = append(g.data, frame...)
	return port.Sent
}

// Unread lets the host live up to the present and says what it left.
func (g *gaugePort) Unread() (int, bool) {
	g.w.at(g.clock())
	return len(g.data), true
}

// Open lets the host live up to the present and says whether it has the port
// open.
func (g *gaugePort) Open() bool {
	g.w.at(g.clock())
	return g.host != nil
}

// HangUp takes the port away.
func (g *gaugePort) HangUp() (lost int, exact bool, err error) {
	if !g.up {
		return 0, true, port.ErrDown
	}
	g.up = false
	g.stats.HangUps++
	lost = g.drop()
	if g.host != nil {
		g.host.gone, g.host = true, nil
	}
	g.w.at(g.clock())
	return lost, true, nil
}

// Return brings it back.
func (g *gaugePort) Return(name string) error {
	if g.up {
		return port.ErrUp
	}
	g.up = true
	if name != "" {
		g.name = name
	}
	g.w.at(g.clock()) // a host that waits for it opens it at once
	return nil
}

// Stats is a copy of the counts.
func (g *gaugePort) Stats() port.Stats { return g.stats }

// Close does nothing: there is nothing to give back.
func (g *gaugePort) Close() error { return nil }
