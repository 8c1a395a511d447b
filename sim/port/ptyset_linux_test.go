package port

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

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

// A host that sets the line is known to have done so before anything goes on, and when
// the port is hung up at once (from memory: no event of a pty tells of tcsetattr).
//
// Kind: process.
func TestPTYSettingsAreNotMissed(t *testing.T) {
	for range 20 {
		p, l := newPTY(t, Config{})
		f := open(t, p)
		l.count(t, Opened, 1)
		set := func(f *os.File, code, baud uint32) {
			setTermios(t, f, func(line *unix.Termios) { setBaud(line, code, baud) })
		}
		set(f, unix.B9600, 9600)
		waitFor(t, "telling", p.Told)
		l.until(t, "settings when all is told", func(es []Event) bool {
			if len(of(Asked, es)) != 1 {
				t.Fatalf("all is told, and the settings are not: %v", brief(es))
			}
			return true
		})
		set(f, unix.B19200, 19200)
		_, _, err := p.HangUp()
		if err == nil {
			err = p.Return("")
		}
		if err != nil {
			t.Fatal(err)
		}
		_ = f.Close()
		again := open(t, p)
		asked := of(Asked, l.count(t, Opened, 2))
		if got := asked[len(asked)-1].Settings.Baud; len(asked) != 2 || got != 19200 {
			t.Fatalf("%d settings, the last %d baud; want 2, the last 19200", len(asked), got)
		}
		_ = again.Close()
		_ = p.Close()
	}
}
