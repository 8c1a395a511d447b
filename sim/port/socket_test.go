package port

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"os/exec"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
)

func newTCP(t testing.TB, cfg Config) (*socket, *log) {
	t.Helper()
	if cfg.Name == "" {
		cfg.Name = "bore-1"
	}
	l := newLog()
	p, warning, err := OpenTCP(cfg, l.sink)
	if err != nil || warning != "" {
		t.Fatal(err, warning)
	}
	t.Cleanup(func() { _ = p.Close() })
	return p.(*socket), l
}

// Kind: process.
func TestTCPOpenCloseAndBytes(t *testing.T) {
	p, l := newTCP(t, Config{})
	if o := p.Write([]byte("nobody")); o != DroppedUnheard {
		t.Errorf("write with no client: %v", o)
	}
	for round := range 20 { // the next client comes at once
		c := dial(t, p)
		l.count(t, Opened, round+1)
		all := make([]byte, 256)
		for i := range all {
			all[i] = byte(i)
		}
		if _, err := c.Write(all); err != nil {
			t.Fatal(err)
		}
		l.until(t, "256 bytes", func(es []Event) bool { return len(received(es)) >= 256*(round+1) })
		if o := p.Write(all); o != Sent {
			t.Errorf("write: %v", o)
		}
		if got := read(t, c, 256); got != string(all) {
			t.Errorf("client read % x", got)
		}
		_ = c.Close()
	}
	events := l.count(t, Closed, 20)
	if trouble := of(Trouble, events); len(trouble) != 0 {
		t.Errorf("%v", brief(trouble))
	}
	for i, e := range events {
		if want := []Kind{Opened, Received, Closed}; e.Kind != want[0] && e.Kind != want[1] && e.Kind != want[2] || i > 0 && e.Kind == Opened && events[i-1].Kind != Closed {
			t.Errorf("event %d: %v", i, brief(events[:i+1]))
		}
	}
	waitFor(t, "close", func() bool { return !p.Open() })
}

// Kind: process.
func TestTCPMegabyteEachWay(t *testing.T) {
	l := newLog()
	room := make(chan struct{}, 1)
	p, _, err := OpenTCP(Config{Name: "g"}, func(e Event) {
		if e.Kind == Room {
			room <- struct{}{}
		} else {
			l.sink(e)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	c := dial(t, p)
	l.count(t, Opened, 1)
	all, cut := frames(1 << 20)
	var wg sync.WaitGroup
	got := make([]byte, len(all))
	var readErr, writeErr error
	wg.Go(func() { _, readErr = io.ReadFull(c, got) })
	wg.Go(func() { _, writeErr = c.Write(all) })
	for _, frame := range cut {
		for p.Write(frame) == DroppedFull {
			select {
			case <-room:
			case <-time.After(patience):
				t.Fatal("no Room")
			}
		}
	}
	wg.Wait()
	if readErr != nil || writeErr != nil || !bytes.Equal(got, all) {
		t.Fatal("read:", readErr, "write:", writeErr, "same bytes:", bytes.Equal(got, all))
	}
	events := l.until(t, "megabyte", func(es []Event) bool { return len(received(es)) >= len(all) })
	if !bytes.Equal(received(events), all) {
		t.Error("the port received something else than the client wrote")
	}
	if n, exact := p.Unread(); n != 0 || exact != (runtime.GOOS == "linux") {
		t.Errorf("unread %d exact %v", n, exact)
	}
}

// Kind: process.
func TestTCPClientThatNeverReads(t *testing.T) {
	for _, policy := range []Policy{DropNewest, DropOldest} {
		p, l := newTCP(t, Config{Buffer: 1000, Full: policy})
		c := dial(t, p)
		l.count(t, Opened, 1)
		frame := make([]byte, 500)
		// The sockets hold a lot by themselves: write until nothing more gets through.
		var carried int64
		still := 0
		waitFor(t, "full port", func() bool {
			for range 100 {
				p.Write(frame)
			}
			st := p.Stats()
			if n := st.Sent.Bytes + st.Queued.Bytes; n != carried {
				carried, still = n, 0
			}
			still++
			return still > 20
		})
		st := p.Stats()
		n, exact := p.Unread()
		if exact && n != int(carried) || st.Deepest > 1000 {
			t.Errorf("%d bytes of %d wait, deepest %d", n, carried, st.Deepest)
		}
		_ = c.Close()
		events := l.count(t, Closed, 1)
		// What was in the client's socket then it may have read.
		if e := of(Closed, events); e[0].Lost > 1000+chunk || e[0].Lost == 0 {
			t.Errorf("lost %d", e[0].Lost)
		}
		if policy == DropOldest {
			l.count(t, Dropped, int(st.Full.Frames))
		}
		waitFor(t, "empty port", func() bool { n, exact := p.Unread(); return n == 0 && exact })
	}
}

// Kind: process.
func TestSecondClientIsTurnedAway(t *testing.T) {
	tcp, tcpLog := newTCP(t, Config{})
	com, comLog := newComPort(t, Config{})
	for _, s := range []struct {
		port  Port
		log   *log
		greet int // bytes
	}{{tcp, tcpLog, 0}, {com, comLog, 6}} {
		c := dial(t, s.port)
		s.log.count(t, Opened, 1)
		read(t, c, s.greet)
		d := dial(t, s.port)
		if _, err := d.Read(make([]byte, 1)); !errors.Is(err, io.EOF) {
			t.Errorf("%s: second client: %v", s.port.Path(), err)
		}
		s.log.count(t, Trouble, 1)
		s.port.Write([]byte("still here"))
		if got := read(t, c, 10); got != "still here" {
			t.Errorf("%s: first client read %q", s.port.Path(), got)
		}
	}
}

// Kind: process.
func TestTCPHangUpAndReturn(t *testing.T) {
	p, l := newTCP(t, Config{})
	path := p.Path()
	c := dial(t, p)
	l.count(t, Opened, 1)
	p.Write([]byte("first"))
	if got := read(t, c, 5); got != "first" {
		t.Errorf("client read %q", got)
	}
	if _, _, err := p.HangUp(); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Read(make([]byte, 1)); !errors.Is(err, io.EOF) {
		t.Errorf("client after the hang-up: %v", err)
	}
	if _, err := net.Dial("tcp", p.Real()); err == nil {
		t.Error("a client got through while the port is hung up")
	}
	if o := p.Write([]byte("x")); o != DroppedDown {
		t.Errorf("write while down: %v", o)
	}
	if _, _, err := p.HangUp(); !errors.Is(err, ErrDown) {
		t.Error(err)
	}
	if err := p.Return(""); err != nil || p.Path() != path {
		t.Fatal(err, p.Path(), path)
	}
	if err := p.Return(""); !errors.Is(err, ErrUp) {
		t.Error(err)
	}
	d := dial(t, p)
	if e := of(Opened, l.count(t, Opened, 2)); e[0].Taken != 0 || e[1].Taken != 5 {
		t.Errorf("taken before each opening: %d, %d; want 0, 5", e[0].Taken, e[1].Taken)
	}
	p.Write([]byte("again"))
	if got := read(t, d, 5); got != "again" {
		t.Errorf("client read %q", got)
	}
	if n := len(of(Closed, l.count(t, Opened, 2))); n != 0 {
		t.Errorf("%d Closed events for a hang-up", n)
	}
	if _, _, err := p.HangUp(); err != nil {
		t.Fatal(err)
	}
	if err := p.Return("0.0.0.0:0"); err == nil || !strings.Contains(err.Error(), "loopback") {
		t.Errorf("return to an open address: %v", err)
	}
	if err := p.Return("127.0.0.1:0"); err != nil || p.Path() == path {
		t.Error(err, p.Path(), path)
	}
	_ = p.Close()
	if err := p.Return(""); !errors.Is(err, ErrClosed) {
		t.Error(err)
	}
}

// Kind: process.
func TestTCPWarnsWhenOthersCanReachIt(t *testing.T) {
	for addr, want := range map[string]bool{"127.0.0.1:0": false, "localhost:0": false, "[::1]:0": false, "0.0.0.0:0": true, ":0": true} {
		p, warning, err := OpenTCP(Config{Name: "g", Listen: addr}, func(Event) {})
		if err != nil {
			if addr == "[::1]:0" {
				t.Log("no IPv6 here:", err)
				continue
			}
			t.Fatal(err)
		}
		if (warning != "") != want {
			t.Errorf("%s: warning %q", addr, warning)
		}
		c := dial(t, p) // Path works from here even so
		_ = c.Close()
		_ = p.Close()
	}
	for _, cfg := range []Config{{Name: "g", Listen: "nonsense"}, {Name: "g", Listen: "127.0.0.1:99999"}, {Name: ""}} {
		if p, _, err := OpenTCP(cfg, func(Event) {}); err == nil {
			t.Errorf("%+v was taken", cfg)
			_ = p.Close()
		}
	}
}

// Kind: process.
func TestTCPCloseLeavesNothing(t *testing.T) {
	before := descriptors(t)
	for i := range 20 {
		l := newLog()
		p, _, err := OpenTCP(Config{Name: fmt.Sprint("g", i)}, l.sink)
		if err != nil {
			t.Fatal(err)
		}
		c := dial(t, p)
		l.count(t, Opened, 1)
		p.Write([]byte("half"))
		_ = p.Close()
		_ = c.Close()
	}
	if after := descriptors(t); after != before {
		t.Errorf("%d descriptors before, %d after", before, after)
	}
}

// Replies from within the sink, and hanging up from there.
//
// Kind: process.
func TestTCPReplyFromSink(t *testing.T) {
	var p Port
	ready := make(chan struct{})
	p, _, err := OpenTCP(Config{Name: "g"}, func(e Event) {
		<-ready
		if e.Kind == Received && string(e.Data) == "bye" {
			_, _, _ = p.HangUp()
		} else if e.Kind == Received {
			p.Write(append([]byte("re:"), e.Data...))
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	close(ready)
	c := dial(t, p)
	_, _ = c.Write([]byte("one"))
	if got := read(t, c, 6); got != "re:one" {
		t.Errorf("client read %q", got)
	}
	_, _ = c.Write([]byte("bye"))
	if _, err := c.Read(make([]byte, 1)); !errors.Is(err, io.EOF) {
		t.Error(err)
	}
}

// A port counts as open from when its opening has been told.
//
// Kind: process.
func TestTCPOpensWhenTold(t *testing.T) {
	open := make(chan bool, 1)
	ready := make(chan struct{})
	var p Port
	p, _, err := OpenTCP(Config{Name: "g"}, func(e Event) {
		if <-ready; e.Kind == Opened {
			open <- p.Open()
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	close(ready)
	defer dial(t, p).Close()
	if <-open {
		t.Error("open before it is told")
	}
}

// A client written by others: socat, in both directions at once.
//
// Kind: outside.
func TestTCPWithSocat(t *testing.T) {
	testenv.Program(t, "socat", "socat")
	p, l := newTCP(t, Config{})
	cmd := exec.Command("socat", "-", "TCP:"+p.Path())
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	cmd.Stdout = &out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	l.count(t, Opened, 1)
	if _, err := io.WriteString(in, "?\r\n"); err != nil {
		t.Fatal(err)
	}
	l.until(t, "command", func(es []Event) bool { return string(received(es)) == "?\r\n" })
	p.Write([]byte("8.001\r\n"))
	waitFor(t, "network that takes the frame", func() bool { n, _ := p.Unread(); return n == 0 })
	if _, _, err := p.HangUp(); err != nil { // socat ends when the far side does
		t.Fatal(err)
	}
	_ = in.Close()
	if err := cmd.Wait(); err != nil {
		t.Error(err)
	}
	if diff := cmp.Diff("8.001\r\n", out.String()); diff != "" {
		t.Error(diff)
	}
}
