package port

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"
)

func newPTY(t testing.TB, cfg Config) (*ptyPort, *log) {
	t.Helper()
	if cfg.Name == "" {
		cfg.Name = "bore-1"
	}
	if cfg.Dir == "" {
		cfg.Dir = t.TempDir()
	}
	l := newLog()
	p, err := OpenPTY(cfg, l.sink)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := p.Close(); err != nil {
			t.Error(err)
		}
	})
	return p.(*ptyPort), l
}

// open is a host's plain open of the port.
func open(t testing.TB, p Port) *os.File {
	t.Helper()
	fd, err := unix.Open(p.Path(), unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	f := os.NewFile(uintptr(fd), p.Path()) // in the Go poller, so that deadlines work
	t.Cleanup(func() { _ = f.Close() })
	if err := f.SetDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	return f
}

func write(t testing.TB, f *os.File, text string) {
	t.Helper()
	if _, err := f.WriteString(text); err != nil {
		t.Fatal(err)
	}
}

// Kind: process.
func TestPTYOpenAndClose(t *testing.T) {
	p, l := newPTY(t, Config{})
	if got := p.Write([]byte("stale")); got != DroppedUnheard {
		t.Errorf("write with no host: %v", got)
	}
	f := open(t, p)
	l.count(t, Opened, 1)
	if !p.Open() {
		t.Error("not open after Opened")
	}
	if got := p.Write([]byte("8.000\r\n")); got != Sent {
		t.Errorf("write with a host: %v", got)
	}
	if got := read(t, f, 7); got != "8.000\r\n" {
		t.Errorf("host read %q", got)
	}
	_ = f.Close()
	l.count(t, Closed, 1)
	if p.Open() {
		t.Error("open after Closed")
	}
	if got := p.Write([]byte("late")); got != DroppedUnheard {
		t.Errorf("write after the close: %v", got)
	}
	want := Stats{Sent: Count{1, 7}, Unheard: Count{2, 9}, Opens: 1}
	if diff := cmp.Diff(want, p.Stats()); diff != "" {
		t.Error(diff)
	}
}

// A second descriptor of the host must not look like a close when it goes.
//
// Kind: process.
func TestPTYSecondOpenerDoesNotClose(t *testing.T) {
	p, l := newPTY(t, Config{})
	f := open(t, p)
	l.count(t, Opened, 1)
	for i := range 20 {
		g := open(t, p)
		_ = g.Close()
		write(t, f, "x")
		l.until(t, "byte", func(es []Event) bool { return len(received(es)) > i })
	}
	events := l.until(t, "anything", func([]Event) bool { return true })
	if n := len(of(Closed, events)); n != 0 || !p.Open() {
		t.Errorf("%d closes, open %v: %v", n, p.Open(), brief(events))
	}
	_ = f.Close()
	l.count(t, Closed, 1)
}

// Openings with no time between them count one by one, and the port is closed only
// when the last has gone.
//
// Kind: process.
func TestPTYCountsOpenings(t *testing.T) {
	p, l := newPTY(t, Config{})
	var held []*os.File
	for range 50 {
		held = append(held, open(t, p))
	}
	for _, f := range held[1:] {
		_ = f.Close()
	}
	l.count(t, Opened, 1)
	p.Write([]byte("kept"))
	write(t, held[0], "x")
	events := l.until(t, "byte", func(es []Event) bool { return len(received(es)) > 0 })
	p.mu.Lock()
	opens := p.opens
	p.mu.Unlock()
	if n := len(of(Closed, events)); n != 0 || opens != 1 {
		t.Errorf("%d closes, %d openings: %v", n, opens, brief(events))
	}
	if got := read(t, held[0], 4); got != "kept" {
		t.Errorf("host read %q", got)
	}
	_ = held[0].Close()
	l.count(t, Closed, 1)
}

// When many open and close in parallel the count may go wrong, and recovers when it is
// checked or the host says something.
//
// Kind: process.
func TestPTYRecoversFromChurn(t *testing.T) {
	p, l := newPTY(t, Config{})
	churn := func() {
		var wg sync.WaitGroup
		for i := range 4 {
			wg.Go(func() {
				for range 250 {
					fd, err := unix.Open(p.Path(), []int{unix.O_RDWR, unix.O_RDONLY}[i%2]|unix.O_NOCTTY|unix.O_CLOEXEC, 0)
					if err != nil {
						t.Error(err)
						return
					}
					_ = unix.Close(fd)
				}
			})
		}
		wg.Wait()
		// Until the count has been checked, it may be wrong.
		waitFor(t, "check", func() bool {
			p.hub.settle()
			p.mu.Lock()
			defer p.mu.Unlock()
			return p.confirm == 0
		})
	}
	churn()
	if p.Open() {
		t.Error("open, with nobody there")
	}
	f := open(t, p)
	churn()
	if !p.Open() { // then it is seen at the latest when the host says something
		write(t, f, "x")
	}
	waitFor(t, "host that is there", p.Open)
	p.Write([]byte("kept"))
	if got := read(t, f, 4); got != "kept" {
		t.Errorf("host read %q", got)
	}
	n := len(of(Closed, l.until(t, "anything", func([]Event) bool { return true })))
	_ = f.Close()
	l.count(t, Closed, n+1)
	waitFor(t, "close", func() bool { return !p.Open() })
}

// A host that reconnects as fast as it can finds its settings untouched and gets
// every answer, and each of its sessions is told.
//
// Kind: process.
func TestPTYFastReconnect(t *testing.T) {
	var p Port
	ready := make(chan struct{})
	l := newLog()
	p, err := OpenPTY(Config{Name: "g", Dir: t.TempDir()}, func(e Event) {
		<-ready
		l.sink(e)
		if e.Kind == Received {
			if o := p.Write([]byte("ok")); o != Sent {
				t.Errorf("answer: %v", o)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	close(ready)
	const rounds = 300
	bauds := []uint32{unix.B9600, unix.B19200, unix.B9600, unix.B9600}
	for i := range rounds {
		f := open(t, p)
		code := bauds[i%len(bauds)]
		setTermios(t, f, func(line *unix.Termios) {
			line.Cflag = line.Cflag&^unix.CBAUD | code
			line.Iflag, line.Lflag = unix.IGNPAR, 0
		})
		write(t, f, "?")
		if got := read(t, f, 2); got != "ok" {
			t.Fatalf("round %d: host read %q", i, got)
		}
		if line := termios(t, f); line.Cflag&unix.CBAUD != code || line.Iflag != unix.IGNPAR {
			t.Fatalf("round %d: the host's settings are gone: %+v", i, line)
		}
		_ = f.Close()
	}
	events := l.count(t, Closed, rounds)
	if n, m := len(of(Opened, events)), len(of(Received, events)); n != rounds || m != rounds {
		t.Errorf("%d openings, %d commands, want %d of both", n, m, rounds)
	}
	var kinds []string
	for _, e := range events {
		if k := e.Kind.String(); len(kinds) == 0 || kinds[len(kinds)-1] != k {
			kinds = append(kinds, k) // a setting may be told more than once
		}
	}
	want := make([]string, 0, 4*rounds)
	for range rounds {
		want = append(want, "opened", "asked", "received", "closed")
	}
	if diff := cmp.Diff(want, kinds); diff != "" {
		t.Error(diff)
	}
}

// Kind: process.
func TestPTYReadOnlyHostIsSeen(t *testing.T) {
	p, l := newPTY(t, Config{})
	f, err := os.OpenFile(p.Path(), os.O_RDONLY|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	l.count(t, Opened, 1)
	_ = f.Close()
	l.count(t, Closed, 1)
}

// Hosts that reconnect at once are the hard case: what the first left unread must
// not reach the second.
//
// Kind: process.
func TestPTYReopenFindsNoStaleBytes(t *testing.T) {
	p, l := newPTY(t, Config{})
	const rounds = 50
	for i := range rounds {
		f := open(t, p)
		l.count(t, Opened, i+1)
		if got := p.Write([]byte("unread")); got != Sent {
			t.Fatalf("round %d: %v", i, got)
		}
		_ = f.Close()
	}
	l.count(t, Closed, rounds)
	if got := p.Stats(); got.Unread != rounds*6 || got.Opens != rounds {
		t.Errorf("%d opens, %d bytes left unread; want %d and %d", got.Opens, got.Unread, rounds, rounds*6)
	}
	f := open(t, p)
	l.count(t, Opened, rounds+1)
	p.Write([]byte("fresh"))
	if got := read(t, f, 5); got != "fresh" {
		t.Errorf("host read %q", got)
	}
}

// Kind: process.
func TestPTYHangUpAndReturn(t *testing.T) {
	dir := t.TempDir()
	p, l := newPTY(t, Config{Dir: dir, Name: "bore-1"})
	f := open(t, p)
	l.count(t, Opened, 1)
	p.Write([]byte("0123456789"))
	if got := read(t, f, 4); got != "0123" {
		t.Fatal(got)
	}
	if n, exact := p.Unread(); exact { // more could be on its way, and is not here
		t.Errorf("%d unread, exactly", n)
	}
	real := p.Real()
	lost, exact, err := p.HangUp()
	if err != nil || lost != 6 || !exact {
		t.Errorf("lost %d, exact %v, %v; want 6, exactly", lost, exact, err)
	}
	if n, err := f.Read(make([]byte, 9)); n != 0 || err == nil {
		t.Errorf("the host reads on after the hang-up: %d, %v", n, err)
	}
	if _, err := os.Lstat(filepath.Join(dir, "bore-1")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the link is still there: %v", err)
	}
	if o := p.Write([]byte("x")); o != DroppedDown {
		t.Errorf("write while down: %v", o)
	}
	if _, _, err := p.HangUp(); !errors.Is(err, ErrDown) {
		t.Errorf("second hang-up: %v", err)
	}
	if err := p.Return(""); err != nil {
		t.Fatal(err)
	}
	if err := p.Return(""); !errors.Is(err, ErrUp) {
		t.Errorf("second return: %v", err)
	}
	if to, err := os.Readlink(filepath.Join(dir, "bore-1")); err != nil || to != p.Real() || to == real {
		t.Errorf("link to %q, %v; real %q, before %q", to, err, p.Real(), real) // f still holds the old number
	}
	g := open(t, p)
	if e := of(Opened, l.count(t, Opened, 2)); e[1].Taken != 10 {
		t.Errorf("%d bytes taken before it came back, want 10", e[1].Taken)
	}
	write(t, g, "back")
	p.Write([]byte("again"))
	if got := read(t, g, 5); got != "again" {
		t.Errorf("host read %q", got)
	}
	// The old host's late close is not the new host's.
	_ = f.Close()
	events := l.until(t, "back", func(es []Event) bool { return string(received(es)) == "back" })
	if len(of(Closed, events)) != 0 || !p.Open() {
		t.Errorf("events %v", brief(events))
	}
	if _, _, err := p.HangUp(); err != nil {
		t.Error(err)
	}
	if err := p.Return("bore-2"); err != nil {
		t.Fatal(err)
	}
	if want := filepath.Join(dir, "bore-2"); p.Path() != want {
		t.Errorf("path %q, want %q", p.Path(), want)
	}
	if entries, _ := os.ReadDir(dir); len(entries) != 1 {
		t.Errorf("left in the folder: %v", entries)
	}
	if _, _, err := p.HangUp(); err != nil {
		t.Error(err)
	}
	if err := p.Return("a/b"); err == nil {
		t.Error("a name with a slash was taken")
	}
}

// Calls from within the sink, as a gauge that answers a command makes them.
//
// Kind: process.
func TestPTYReplyFromSink(t *testing.T) {
	var p Port
	ready := make(chan struct{})
	p, err := OpenPTY(Config{Name: "g", Dir: t.TempDir()}, func(e Event) {
		<-ready
		if e.Kind != Received {
			return
		}
		if string(e.Data) == "bye" {
			_, _, _ = p.HangUp()
			_ = p.Return("")
			return
		}
		p.Write(append([]byte("re:"), e.Data...))
	})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	close(ready)
	f := open(t, p)
	write(t, f, "one")
	if got := read(t, f, 6); got != "re:one" {
		t.Errorf("host read %q", got)
	}
	write(t, f, "bye")
	if _, err := f.Read(make([]byte, 1)); err == nil {
		t.Error("no hang-up")
	}
	waitFor(t, "the link", func() bool { _, err := os.Stat(p.Path()); return err == nil })
	g := open(t, p)
	write(t, g, "two")
	if got := read(t, g, 6); got != "re:two" {
		t.Errorf("host read %q", got)
	}
}

// Kind: process.
func TestPTYHostClosesMidFrame(t *testing.T) {
	p, l := newPTY(t, Config{})
	for i := range 30 {
		f := open(t, p)
		l.count(t, Opened, i+1)
		p.Write([]byte("half of this is read\n"))
		read(t, f, 8)
		write(t, f, "half a comm")
		_ = f.Close()
		l.count(t, Closed, i+1)
	}
	events := l.count(t, Closed, 30)
	if got := len(received(events)); got != 30*11 {
		t.Errorf("received %d bytes, want %d", got, 30*11)
	}
	for i, e := range of(Closed, events) {
		if e.Lost != 13 {
			t.Errorf("close %d lost %d, want 13", i, e.Lost)
		}
	}
}

// Kind: process.
func TestPTYLinkInTheWay(t *testing.T) {
	dir := t.TempDir()
	if err := os.Symlink("/dev/pts/999999", filepath.Join(dir, "old")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "file"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	newPTY(t, Config{Dir: dir, Name: "old"})
	for _, cfg := range []Config{
		{Dir: dir, Name: "file"}, {Dir: dir, Name: ""}, {Dir: dir, Name: "a/b"}, {Dir: dir, Name: ".."},
		{Dir: filepath.Join(dir, "none"), Name: "x"}, {Dir: dir, Name: "x", Buffer: -1}, {Dir: dir, Name: "x", Full: 9},
	} {
		if p, err := OpenPTY(cfg, func(Event) {}); err == nil {
			t.Errorf("%+v was taken", cfg)
			_ = p.Close()
		}
	}
}

// Kind: process.
func TestPTYSharedHubLeavesNothing(t *testing.T) {
	before := descriptors(t)
	h, err := NewHub()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	l := newLog()
	const n = 100
	ports := make([]Port, n)
	hosts := make([]*os.File, n)
	for i := range ports {
		if ports[i], err = OpenPTY(Config{Name: fmt.Sprintf("g%d", i), Dir: dir, Hub: h}, l.sink); err != nil {
			t.Fatal(err)
		}
	}
	for i, p := range ports {
		hosts[i] = open(t, p)
	}
	l.count(t, Opened, n)
	for i, p := range ports {
		text := fmt.Sprintf("gauge %03d", i)
		if o := p.Write([]byte(text)); o != Sent {
			t.Fatal(o)
		}
		if got := read(t, hosts[i], len(text)); got != text {
			t.Errorf("host %d read %q", i, got)
		}
	}
	for i, p := range ports {
		switch i % 3 {
		case 0:
			_ = hosts[i].Close()
		case 1:
			if _, _, err := p.HangUp(); err != nil {
				t.Error(err)
			}
		case 2:
			if err := p.Close(); err != nil {
				t.Error(err)
			}
			if err := p.Close(); err != nil {
				t.Error("second close:", err)
			}
			if err := p.Return(""); !errors.Is(err, ErrClosed) {
				t.Error("return after close:", err)
			}
		}
	}
	if err := h.Close(); err != nil {
		t.Error(err)
	}
	if err := h.Close(); err != nil {
		t.Error(err)
	}
	if err := ports[0].Close(); err != nil { // the hub did it already
		t.Error(err)
	}
	if _, err := OpenPTY(Config{Name: "late", Dir: dir, Hub: h}, l.sink); !errors.Is(err, ErrClosed) {
		t.Errorf("a closed hub took a port: %v", err)
	}
	for _, f := range hosts {
		_ = f.Close()
	}
	if entries, _ := os.ReadDir(dir); len(entries) != 0 {
		t.Errorf("left in the folder: %v", entries)
	}
	if after := descriptors(t); after != before {
		t.Errorf("%d descriptors before, %d after", before, after)
	}
}

// Everything at once, for the race detector.
//
// Kind: process.
func TestPTYConcurrentUse(t *testing.T) {
	p, _ := newPTY(t, Config{Buffer: 500})
	stop := make(chan struct{})
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
					p.Write([]byte("8.000\r\n"))
					p.Unread()
				}
			}
		})
	}
	buf := make([]byte, 64)
	for i := range 60 {
		fd, err := unix.Open(p.Path(), unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
		if err != nil {
			t.Fatal(err)
		}
		_, _ = unix.Write(fd, []byte("?"))
		_, _ = unix.Read(fd, buf)
		if i%5 == 4 {
			if _, _, err := p.HangUp(); err != nil {
				t.Error(err)
			}
			if err := p.Return(""); err != nil {
				t.Error(err)
			}
		}
		_ = unix.Close(fd)
	}
	close(stop)
	wg.Wait()
	if st := p.Stats(); st.HangUps != 12 {
		t.Errorf("%+v", st)
	}
}
