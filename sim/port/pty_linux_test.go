package port

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"example.org/understudy/sim/testenv"
	"github.com/creack/pty"
	"github.com/google/go-cmp/cmp"
	"go.bug.st/serial"
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

// termios reads the line as the host's descriptor shows it.
func termios(t testing.TB, f *os.File) *unix.Termios {
	t.Helper()
	var line *unix.Termios
	control(t, f, func(fd int) (err error) { line, err = unix.IoctlGetTermios(fd, unix.TCGETS2); return })
	return line
}

func setTermios(t testing.TB, f *os.File, change func(*unix.Termios)) {
	t.Helper()
	line := termios(t, f)
	change(line)
	control(t, f, func(fd int) error { return unix.IoctlSetTermios(fd, unix.TCSETS2, line) })
}

func control(t testing.TB, f *os.File, do func(fd int) error) {
	t.Helper()
	c, err := f.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	var inner error
	if err := c.Control(func(fd uintptr) { inner = do(int(fd)) }); err != nil || inner != nil {
		t.Fatal(err, inner)
	}
}

func setBaud(line *unix.Termios, code, baud uint32) {
	line.Cflag = line.Cflag&^unix.CBAUD | code
	line.Ispeed, line.Ospeed = baud, baud
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

// The mode before any host sets it, checked from both ends: bytes pass untouched
// (tcsetattr's canonical mode, echo, CR and NL translation, flow control and
// signals, POSIX.1-2017 chapter 11, would all show).
//
// Kind: process.
func TestPTYRawByDefault(t *testing.T) {
	p, l := newPTY(t, Config{})
	f := open(t, p)
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	write(t, f, string(all))
	l.until(t, "256 bytes", func(es []Event) bool { return len(received(es)) >= 256 })
	p.Write(all)
	if got := read(t, f, 256); got != string(all) {
		t.Errorf("host read % x", got)
	}
	write(t, f, "end")
	events := l.until(t, "end", func(es []Event) bool { return bytes.HasSuffix(received(es), []byte("end")) })
	if diff := cmp.Diff(append(all, "end"...), received(events)); diff != "" {
		t.Errorf("port received something else than was sent (echo?): %s", diff)
	}
	if asked := of(Asked, events); len(asked) != 0 {
		t.Errorf("nobody asked, yet: %v", brief(asked))
	}
}

// Kind: process.
func TestPTYSettingsAreToldBeforeTheBytesSentUnderThem(t *testing.T) {
	p, l := newPTY(t, Config{})
	f := open(t, p)
	steps := []struct {
		change func(*unix.Termios)
		want   Event
	}{
		{func(l *unix.Termios) { setBaud(l, unix.B9600, 9600) },
			Event{Settings: Settings{Baud: 9600, Stop: StopOne, Flow: FlowNone}}},
		{func(l *unix.Termios) { l.Cflag |= unix.CSTOPB | unix.CRTSCTS },
			Event{Settings: Settings{Baud: 9600, Stop: StopTwo, Flow: FlowRTSCTS}}},
		{func(l *unix.Termios) {
			setBaud(l, unix.B115200, 115200)
			l.Cflag &^= unix.CSTOPB | unix.CRTSCTS
			l.Iflag |= unix.IXON
		},
			Event{Settings: Settings{Baud: 115200, Stop: StopOne, Flow: FlowXonXoff}}},
		{func(l *unix.Termios) {
			setBaud(l, unix.BOTHER, 31250)
			l.Iflag = unix.ICRNL
			l.Oflag = unix.OPOST | unix.ONLCR
		},
			Event{Settings: Settings{Baud: 31250, Stop: StopOne, Flow: FlowNone}, Cooked: "icrnl onlcr"}},
		{func(l *unix.Termios) {
			l.Lflag = unix.ICANON | unix.ECHO | unix.ISIG
			l.Iflag = unix.ISTRIP
			l.Oflag = 0
		},
			Event{Settings: Settings{Baud: 31250, Stop: StopOne, Flow: FlowNone}, Cooked: "icanon echo isig istrip"}},
	}
	for i, s := range steps {
		setTermios(t, f, s.change)
		write(t, f, "Z")
		events := l.until(t, "byte", func(es []Event) bool { return len(received(es)) > i })
		asked := of(Asked, events)
		if len(asked) != i+1 || events[len(events)-1].Kind != Received {
			t.Fatalf("step %d: %v", i, brief(events))
		}
		s.want.Kind = Asked
		if diff := cmp.Diff(s.want, asked[i]); diff != "" {
			t.Errorf("step %d: %s", i, diff)
		}
	}
	// Without a byte to carry it, a change is told too.
	setTermios(t, f, func(l *unix.Termios) { setBaud(l, unix.B1200, 1200) })
	l.count(t, Asked, len(steps)+1)
	// The next host finds the line at rest, whatever this one left.
	_ = f.Close()
	l.count(t, Closed, 1)
	g := open(t, p)
	if line := termios(t, g); line.Lflag != 0 || line.Iflag != 0 || line.Oflag != 0 || line.Ospeed != restBaud {
		t.Errorf("second host finds %+v", line)
	}
}

// What the kernel hides, so that the documentation stays true: it forces eight
// bits without parity on a pty (Linux drivers/tty/pty.c, pty_set_termios).
//
// Kind: process.
func TestPTYHidesCharacterSizeAndParity(t *testing.T) {
	p, l := newPTY(t, Config{})
	f := open(t, p)
	setTermios(t, f, func(l *unix.Termios) {
		setBaud(l, unix.B4800, 4800)
		l.Cflag = l.Cflag&^unix.CSIZE | unix.CS7 | unix.PARENB
	})
	asked := of(Asked, l.count(t, Asked, 1))
	if got := asked[0].Settings.String(); got != "4800 ??1 no-flow" {
		t.Errorf("asked %q", got)
	}
	if line := termios(t, f); line.Cflag&(unix.CSIZE|unix.PARENB) != unix.CS8 {
		t.Errorf("the kernel keeps size and parity after all: cflag %o", line.Cflag)
	}
}

// A serial library as hosts use it, with TIOCEXCL and its own settings.
//
// Kind: outside.
func TestPTYWithSerialLibrary(t *testing.T) {
	p, l := newPTY(t, Config{})
	for round := range 3 {
		s, err := serial.Open(p.Path(), &serial.Mode{BaudRate: 19200, StopBits: serial.TwoStopBits})
		if err != nil {
			t.Fatal(err)
		}
		l.count(t, Opened, round+1)
		asked := of(Asked, l.count(t, Asked, round+1))
		if got, want := asked[round].Settings, (Settings{Baud: 19200, Stop: StopTwo, Flow: FlowNone}); got != want || asked[round].Cooked != "" {
			t.Errorf("asked %v cooked %q, want %v raw", got, asked[round].Cooked, want)
		}
		if _, err := s.Write([]byte("?\r")); err != nil {
			t.Fatal(err)
		}
		l.until(t, "command", func(es []Event) bool { return len(received(es)) >= 2*(round+1) })
		p.Write([]byte("8.001\r\n"))
		if got := read(t, s, 7); got != "8.001\r\n" {
			t.Errorf("host read %q", got)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		l.count(t, Closed, round+1)
	}
}

// A host as many write it: pyserial, locking the port, twice in a row.
//
// Kind: outside.
func TestPTYWithPyserial(t *testing.T) {
	python := testenv.Python(t)
	p, l := newPTY(t, Config{})
	const script = `
import serial, sys
for speed in (9600, 57600):
    with serial.Serial(sys.argv[1], speed, stopbits=2, timeout=10, exclusive=True) as s:
        s.write(b'?\r')
        line = s.readline()
        assert line == b'8.001\r\n', line
print('done')
`
	out := make(chan string, 1)
	cmd := exec.Command(python, "-c", script, p.Path())
	go func() {
		b, err := cmd.CombinedOutput()
		out <- fmt.Sprintf("%s%v", b, err)
	}()
	for i := range 2 {
		l.until(t, "command", func(es []Event) bool { return len(received(es)) >= 2*(i+1) })
		p.Write([]byte("8.001\r\n"))
	}
	select {
	case got := <-out:
		if got != "done\n<nil>" {
			t.Fatal(got)
		}
	case <-time.After(patience):
		_ = cmd.Process.Kill()
		t.Fatalf("the host hangs: %s", <-out)
	}
	events := l.count(t, Closed, 2)
	var asked []string
	for _, e := range of(Asked, events) {
		if e.Cooked == "" {
			asked = append(asked, e.Settings.String())
		}
	}
	text := strings.Join(asked, ", ")
	if !strings.Contains(text, "9600 ??2 no-flow") || !strings.Contains(text, "57600 ??2 no-flow") {
		t.Errorf("asked %s", text)
	}
	if got := received(events); string(got) != "?\r?\r" {
		t.Errorf("received %q", got)
	}
}

// A host that is killed leaves TIOCEXCL behind; the kernel would refuse the next
// host of another user, and the count of unread bytes must work all the same.
//
// Kind: process.
func TestPTYExclusiveHost(t *testing.T) {
	p, l := newPTY(t, Config{})
	f := open(t, p)
	control(t, f, func(fd int) error { return unix.IoctlSetInt(fd, unix.TIOCEXCL, 0) })
	l.count(t, Opened, 1)
	p.Write([]byte("12345"))
	if n, exact := p.Unread(); !exact {
		t.Errorf("unread %d, not exact", n)
	}
	_ = f.Close()
	closed := of(Closed, l.count(t, Closed, 1))
	if closed[0].Lost != 5 {
		t.Errorf("lost %d, want 5", closed[0].Lost)
	}
	g := open(t, p)
	control(t, g, func(fd int) error {
		if n, err := unix.IoctlGetInt(fd, unix.TIOCGEXCL); err != nil || n != 0 {
			return fmt.Errorf("TIOCGEXCL %d, %v: the line is still exclusive", n, err)
		}
		return nil
	})
}

// The same as a user without privileges, whom TIOCEXCL keeps out; it does not keep
// root out.
//
// Kind: process.
func TestPTYExclusiveHostUnprivileged(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("TestPTYExclusiveHost is this already when not run by root")
	}
	cmd := exec.Command("/proc/self/exe", "-test.run=^TestPTY(ExclusiveHost|KeepsExclusiveWhileHeld|WithSerialLibrary)$", "-test.v", "-test.testlogfile=")
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	cmd.Dir = "/"
	out, err := cmd.CombinedOutput()
	if err != nil || !bytes.Contains(out, []byte("--- PASS: TestPTYExclusiveHost")) {
		t.Errorf("%v\n%s", err, out)
	}
}

// A second look at who has the port open must not take a living host's lock away.
//
// Kind: process.
func TestPTYKeepsExclusiveWhileHeld(t *testing.T) {
	p, l := newPTY(t, Config{})
	f, g := open(t, p), open(t, p)
	control(t, f, func(fd int) error { return unix.IoctlSetInt(fd, unix.TIOCEXCL, 0) })
	_ = g.Close()
	write(t, f, "x")
	l.until(t, "byte", func(es []Event) bool { return len(received(es)) > 0 }) // by now the close is known
	waitFor(t, "probe", func() bool {
		p.mu.Lock()
		defer p.mu.Unlock()
		return p.confirm == 0
	})
	control(t, f, func(fd int) error {
		if n, err := unix.IoctlGetInt(fd, unix.TIOCGEXCL); err != nil || n != 1 {
			return fmt.Errorf("TIOCGEXCL %d, %v: the host's lock is gone", n, err)
		}
		return nil
	})
}

// Kind: process.
func TestPTYMegabyteEachWay(t *testing.T) {
	p, l := newPTY(t, Config{})
	f := open(t, p)
	l.count(t, Opened, 1)
	all, cut := frames(1 << 20)
	var wg sync.WaitGroup
	wg.Add(2)
	got := make([]byte, len(all))
	var readErr, writeErr error
	go func() { defer wg.Done(); _, readErr = io.ReadFull(f, got) }()
	go func() { defer wg.Done(); _, writeErr = f.Write(all) }()
	for _, frame := range cut {
		for p.Write(frame) == DroppedFull {
			p.Unread()
		}
	}
	wg.Wait()
	if readErr != nil || writeErr != nil {
		t.Fatal(readErr, writeErr)
	}
	if !bytes.Equal(got, all) {
		t.Error("the host read something else than was written")
	}
	events := l.until(t, "megabyte", func(es []Event) bool { return len(received(es)) >= len(all) })
	if !bytes.Equal(received(events), all) {
		t.Error("the port received something else than the host wrote")
	}
	st := p.Stats()
	if n := st.Sent.Bytes + st.Queued.Bytes; n != int64(len(all)) || st.Received != int64(len(all)) || st.Written().Bytes != n+st.Full.Bytes {
		t.Errorf("stats %+v", st)
	}
	if n, exact := p.Unread(); n != 0 || !exact {
		t.Errorf("unread %d exact %v", n, exact)
	}
}

// Kind: process.
func TestPTYHostThatNeverReads(t *testing.T) {
	for _, policy := range []Policy{DropNewest, DropOldest} {
		t.Run(fmt.Sprint(policy), func(t *testing.T) {
			p, l := newPTY(t, Config{Buffer: 1000, Full: policy})
			f := open(t, p)
			l.count(t, Opened, 1)
			const n, size = 2000, 24
			var sum [outcomes]int
			for i := range n {
				sum[p.Write(fmt.Appendf(nil, "%-*d\n", size-1, i))]++
			}
			st := p.Stats()
			waitFor(t, "steady count", func() bool { n, _ := p.Unread(); return int64(n) >= st.Sent.Bytes+st.Queued.Bytes })
			unread, exact := p.Unread()
			if kept := int64(unread); !exact || kept != st.Sent.Bytes+st.Queued.Bytes || kept > window+1000 || kept < window+1000-2*size {
				t.Errorf("%d bytes kept (exact %v), stats %+v", unread, exact, st)
			}
			if st.Written() != (Count{n, n * size}) {
				t.Errorf("written %+v", st.Written())
			}
			// Now it reads after all: whole frames, in order.
			got := read(t, f, unread)
			var last int
			for i, line := range strings.Split(strings.TrimSuffix(got, "\n"), "\n") {
				var k int
				if _, err := fmt.Sscanf(line, "%d", &k); err != nil || len(line) != size-1 {
					t.Fatalf("frame %d is torn: %q", i, line)
				}
				if i > 0 && k <= last || policy == DropNewest && k != i {
					t.Fatalf("frame %d follows %d", k, last)
				}
				last = k
			}
			if policy == DropOldest {
				if last != n-1 {
					t.Errorf("last frame %d, want %d", last, n-1)
				}
				events := l.count(t, Dropped, int(st.Full.Frames))
				if k := len(of(Dropped, events)); k != int(st.Full.Frames) || sum[DroppedFull] != 0 {
					t.Errorf("%d Dropped events, %d frames counted, %d refused", k, st.Full.Frames, sum[DroppedFull])
				}
			} else if int64(sum[DroppedFull]) != st.Full.Frames {
				t.Errorf("%d refused, %d counted", sum[DroppedFull], st.Full.Frames)
			}
		})
	}
}

// A gauge that waits for Room whenever a frame is refused loses nothing.
//
// Kind: process.
func TestPTYRoom(t *testing.T) {
	room := make(chan struct{}, 1)
	opened := make(chan struct{}, 1)
	p, err := OpenPTY(Config{Name: "g", Dir: t.TempDir(), Buffer: 300}, func(e Event) {
		switch e.Kind {
		case Opened:
			opened <- struct{}{}
		case Room:
			room <- struct{}{}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	f := open(t, p)
	<-opened
	all, cut := frames(200_000)
	got := make([]byte, len(all))
	done := make(chan error, 1)
	go func() { _, err := io.ReadFull(f, got); done <- err }()
	for _, frame := range cut {
		for p.Write(frame) == DroppedFull {
			select {
			case <-room:
			case <-time.After(patience):
				t.Fatal("no Room")
			}
		}
	}
	if err := <-done; err != nil || !bytes.Equal(got, all) {
		t.Error(err, "same bytes:", bytes.Equal(got, all))
	}
}

// A slow host gets every queued byte without any further Write.
//
// Kind: process.
func TestPTYQueueDrainsByItself(t *testing.T) {
	p, l := newPTY(t, Config{Buffer: 20000})
	f := open(t, p)
	l.count(t, Opened, 1)
	all, cut := frames(15000)
	for _, frame := range cut {
		if o := p.Write(frame); o != Sent && o != Queued {
			t.Fatal(o)
		}
	}
	if got := read(t, f, len(all)); got != string(all) {
		t.Error("the host read something else than was written")
	}
}

// Kind: process.
func TestPTYLargeFrames(t *testing.T) {
	p, l := newPTY(t, Config{Buffer: 100})
	f := open(t, p)
	l.count(t, Opened, 1)
	if o := p.Write(make([]byte, window+1)); o != DroppedFull {
		t.Errorf("a frame that fits nowhere: %v", o)
	}
	if o := p.Write(make([]byte, window)); o != Sent {
		t.Errorf("a frame that the kernel takes whole: %v", o)
	}
	if o := p.Write(make([]byte, 101)); o != DroppedFull {
		t.Errorf("a frame that the queue cannot take: %v", o)
	}
	if o := p.Write(nil); o != Sent {
		t.Errorf("an empty frame: %v", o)
	}
	if n := len(read(t, f, window)); n != window {
		t.Error(n)
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

// Kind: process.
func TestPTYHangUpCountsQueueAndKernel(t *testing.T) {
	p, l := newPTY(t, Config{Buffer: 2000})
	f := open(t, p)
	l.count(t, Opened, 1)
	for range 100 {
		p.Write(make([]byte, 50))
	}
	read(t, f, 120)
	if lost, _, err := p.HangUp(); err != nil || lost != 100*50-120 {
		t.Errorf("lost %d, %v; want %d", lost, err, 100*50-120)
	}
	if st := p.Stats(); st.Unread != 100*50-120 || st.HangUps != 1 {
		t.Errorf("stats %+v", st)
	}
}

// In canonical mode the kernel shows half a line to nobody; it is counted all the
// same, at a hang-up and at a close.
//
// Kind: process.
func TestPTYCountsHalfALine(t *testing.T) {
	p, l := newPTY(t, Config{})
	for round, finish := range []func(*os.File) int{
		func(*os.File) int { lost, _, _ := p.HangUp(); return lost },
		func(f *os.File) int { _ = f.Close(); return of(Closed, l.count(t, Closed, 1))[0].Lost },
	} {
		f := open(t, p)
		l.count(t, Opened, round+1)
		setTermios(t, f, func(line *unix.Termios) { line.Lflag = unix.ICANON })
		p.Write([]byte("whole\nhalf"))
		if got := read(t, f, 6); got != "whole\n" {
			t.Errorf("host read %q", got)
		}
		if lost := finish(f); lost != 4 {
			t.Errorf("round %d: lost %d, want 4", round, lost)
		}
		_ = p.Return("")
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

// BenchmarkPTYWrite reports the frames a second of Write against those of a bare
// write loop on a bare pty, both with a reading host, measured in turns in the
// same run, the best turn of each: ratio 1 is as fast as bare; gathered-ratio is that
// of frames handed over by Gather.
func BenchmarkPTYWrite(b *testing.B) {
	frame := []byte("01+0008.0012mm;TAG0007\r\n") // 24 bytes
	room, opened := make(chan struct{}, 1), make(chan struct{}, 1)
	p, err := OpenPTY(Config{Name: "g", Dir: b.TempDir()}, func(e Event) {
		switch e.Kind {
		case Room:
			room <- struct{}{}
		case Opened:
			opened <- struct{}{}
		}
	})
	if err != nil {
		b.Fatal(err)
	}
	defer p.Close()
	f := open(b, p)
	<-opened
	m, s, err := pty.Open()
	if err != nil {
		b.Fatal(err)
	}
	defer m.Close()
	defer s.Close()
	bare, err := unix.FcntlInt(m.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		b.Fatal(err)
	}
	defer unix.Close(bare)
	if _, _, err := rest(bare); err != nil {
		b.Fatal(err)
	}
	// drain reads n bytes as a host does, and says when it has them.
	drain := func(f *os.File, n int) chan error {
		done := make(chan error, 1)
		go func() {
			buf := make([]byte, 4096)
			for n > 0 {
				k, err := f.Read(buf)
				if err != nil {
					done <- err
					return
				}
				n -= k
			}
			done <- nil
		}()
		return done
	}
	_ = f.SetDeadline(time.Time{})
	bareHost := os.NewFile(s.Fd(), "bare")
	run := func(write func(), host *os.File, frames int) time.Duration {
		done := drain(host, frames*len(frame))
		start := time.Now()
		for range frames {
			write()
		}
		if err := <-done; err != nil {
			b.Fatal(err)
		}
		return time.Since(start)
	}
	ours := func() {
		for p.Write(frame) == DroppedFull {
			<-room
		}
	}
	base := func() {
		if n, err := unix.Write(bare, frame); err != nil || n != len(frame) {
			b.Fatal(n, err)
		}
	}
	const turn = 2000
	i := 0
	gathered := func() { // as a gauge does that has many frames to send at once
		for p.(Gatherer).Gather(frame) == DroppedFull {
			<-room
		}
		if i++; i%turn == 0 {
			p.(Gatherer).Flush()
		}
	}
	var best [3]time.Duration
	for b.Loop() {
		for k, took := range []time.Duration{run(base, bareHost, turn), run(ours, f, turn), run(gathered, f, turn)} {
			if best[k] == 0 || took < best[k] {
				best[k] = took
			}
		}
	}
	b.ReportMetric(float64(best[0])/float64(best[1]), "ratio")
	b.ReportMetric(float64(best[0])/float64(best[2]), "gathered-ratio")
	b.ReportMetric(turn/best[2].Seconds(), "gathered-frames/s")
	b.ReportMetric(turn/best[0].Seconds(), "bare-frames/s")
}

// Gathered frames reach the host whole and in order, at the latest with the next
// Write, by Flush, by Unread, or when many have gathered; the rules for a host that
// does not read, or is not there, are those of Write.
//
// Kind: process.
func TestPTYGather(t *testing.T) {
	p, l := newPTY(t, Config{Buffer: 2048})
	var g Gatherer = p
	if got := g.Gather([]byte("unheard")); got != DroppedUnheard {
		t.Errorf("nobody is there: %s", got)
	}
	s := open(t, p)
	l.count(t, Opened, 1)
	for _, hand := range []struct {
		what string
		over func()
	}{{"flush", g.Flush}, {"unread", func() { p.Unread() }}, {"write", func() { p.Write([]byte("w")) }}} {
		want := ""
		for i := range 10 {
			frame := fmt.Sprintf("%s %d\n", hand.what, i)
			if got := g.Gather([]byte(frame)); got != Queued {
				t.Errorf("%s: %s", hand.what, got)
			}
			want += frame
		}
		hand.over()
		if hand.what == "write" {
			want += "w"
		}
		if got := read(t, s, len(want)); got != want {
			t.Errorf("%s: host read %q", hand.what, got)
		}
	}
	many := strings.Repeat("0123456789abcdef", gatherMost/16)
	for i := 0; i < len(many); i += 16 {
		g.Gather([]byte(many[i : i+16]))
	}
	if got := read(t, s, len(many)); got != many {
		t.Errorf("many: host read %q", got)
	}
	frame := []byte("sixteen bytes...")
	before := p.Stats()
	taken := 0
	for o := Queued; o != DroppedFull; taken++ { // it does not read
		o = g.Gather(frame)
	}
	taken--
	g.Flush()
	if n, exact := p.Unread(); n > taken*len(frame) || n == 0 || exact && n < taken*len(frame) {
		t.Errorf("%d bytes unread (exact: %v) of %d frames of %d", n, exact, taken, len(frame))
	}
	if got := read(t, s, taken*len(frame)); got != strings.Repeat(string(frame), taken) {
		t.Errorf("after a full queue the host read %d bytes, not those sent", len(got))
	}
	st := p.Stats()
	if st.Full.Frames != 1 || st.Written().Frames-before.Written().Frames != int64(taken)+1 {
		t.Errorf("counted %+v after %+v", st, before)
	}
	if _, _, err := p.HangUp(); err != nil {
		t.Fatal(err)
	}
	if got := g.Gather(frame); got != DroppedDown {
		t.Errorf("hung up: %s", got)
	}
	g.Flush()
}
