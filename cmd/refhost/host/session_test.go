//go:build linux

package host

import (
	"bytes"
	"flag"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"go.bug.st/serial"
	"go.uber.org/goleak"
	"golang.org/x/sys/unix"

	simport "example.org/understudy/sim/port"
)

// TestMain lets the test binary be the host, so that a test can start it as a
// process and stop it by a signal.
func TestMain(m *testing.M) {
	if os.Getenv("REFHOST_IN_TEST") != "" {
		os.Exit(Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
	}
	goleak.VerifyTestMain(everything{m})
}

// everything is the tests, of which a run of all without a failure has tried every defect.
type everything struct{ *testing.M }

func (m everything) Run() int {
	code := m.M.Run()
	for _, part := range []string{"test.run", "test.skip", "test.list", "test.fuzz"} {
		if flag.Lookup(part).Value.String() != "" {
			return code
		}
	}
	for _, d := range Defects() {
		if _, ok := tried.Load(d.Name); code == 0 && !ok {
			fmt.Printf("no test has run a host with %s\n", d.Name)
			code = 1
		}
	}
	return code
}

const patience = 10 * time.Second

// Kind: process.
func TestHostOnPseudoTerminal(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	g := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
	g.mute = 1 // the first command goes unanswered: the host asks again
	h := startHost(t, writeJob(t, dir, "all", map[string]any{"port": g.path, "writes": []any{
		map[string]any{"setting": "unit", "channel": "A", "to": "mm"}, map[string]any{"verb": "stream-on"}}}), "")
	await(t, "ready", h.ready)
	require.Equal(t, []string{"set unit mm", "set unit mm", "stream-on"}, g.commands())

	a, b := g.frame(said{values: []string{"8.0011"}}), g.frame(said{tag: 7, values: []string{"8.015"}})
	g.send(a[:5])
	g.send(append(append([]byte{}, a[5:]...), b[:7]...), b[7:])
	g.send(b) // sent again
	spoilt := append([]byte{}, b...)
	spoilt[8] ^= 1
	g.send([]byte("\x00noise\xff\r\n"), spoilt, g.frame(said{tag: 8, values: []string{"under"}, low: true}))
	want := []string{"bore-1 A 8.001 mm inside reading", "bore-1 A 7 8.015 mm warn-high reading", "bore-1 low-cell", "bore-1 A 8 mm void reading"}
	require.Empty(t, cmp.Diff(want, h.waitRows(4)))

	for round := range 3 {
		g.hangUp()
		want = append(want, "bore-1 link-lost")
		h.waitRows(len(want))
		g.appear()
		want = append(want, "bore-1 link-back")
		h.waitRows(len(want))
		g.send(g.frame(said{tag: int64(9 + round), values: []string{"0.31516"}, unit: "in", low: true}))
		want = append(want, fmt.Sprintf("bore-1 A %d 8.005 mm inside reading", 9+round)) // 0.31516 in = 8.005064 mm
		h.waitRows(len(want))
	}
	require.Empty(t, cmp.Diff(want, h.stop()))
	require.Len(t, g.commands(), 3, "nothing is written again after a rejoin")
}

// What has arrived when the stop comes is recorded.
//
// Kind: process.
func TestStopRecordsWhatWasRead(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	g := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
	h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": g.path}), "")
	await(t, "ready", h.ready)
	for n := range 50 {
		g.send(g.frame(said{tag: int64(n + 1), values: []string{"8.000"}}))
	}
	h.waitRows(1)
	got := h.stop()
	for i, r := range got {
		require.Equal(t, fmt.Sprintf("bore-1 A %d 8.000 mm inside reading", i+1), r)
	}
	require.Len(t, got, 50, "the last bytes were in the port when the host was stopped")
}

// A frame that only a silence ends is whole when the host is stopped.
//
// Kind: process.
func TestStopEndsTheSilence(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	g := newFakeGauge(t, "testdata/silent.yaml", filepath.Join(dir, "bore-1"))
	h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": g.path, "dialect": "testdata/silent.yaml"}), "")
	await(t, "ready", h.ready)
	g.send(g.frame(said{tag: 1, values: []string{"8.000"}}))
	require.Equal(t, []string{"bore-1 A 1 8.000 mm inside reading"}, h.stop())
}

// Kind: process.
func TestSeveralGauges(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	one := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
	two := newFakeGauge(t, packed, filepath.Join(dir, "bore-2"))
	channels := []any{map[string]any{"name": "left"}, map[string]any{"name": "right", "limits-unit": "mm", "upper": "1"}}
	h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": one.path}, map[string]any{"port": two.path, "dialect": packed, "channels": channels, "serial-line": "115200 8E1"}), "")
	await(t, "ready", h.ready)
	one.send(one.frame(said{tag: 1, values: []string{"8.001"}}))
	h.waitRows(1)
	two.send(two.frame(said{tag: 1, values: []string{"0.5", "1.001"}, cell: 5}))
	require.Empty(t, cmp.Diff([]string{"bore-1 A 1 8.001 mm inside reading", "bore-2 low-cell", "bore-2 left 1 0.500 mm inside reading", "bore-2 right 1 1.001 mm above reading"}, h.waitRows(4)))
	two.hangUp()
	h.waitRows(5)
	one.send(one.frame(said{tag: 2, values: []string{"8.002"}}))
	require.Equal(t, "bore-1 A 2 8.002 mm inside reading", h.waitRows(6)[5], "one gauge's hang-up leaves the other alone")
}

// Kind: process.
func TestHostOnTCP(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": l.Addr().String(), "port-kind": "tcp"}), "")
	d := talkerFor(t, lineASCII, nil).dialect
	for n := range 2 {
		conn, err := l.Accept()
		require.NoError(t, err)
		_, err = conn.Write(frame(t, d, said{tag: int64(n + 1), values: []string{"8.001"}}))
		require.NoError(t, err)
		h.waitRows(3*n + 1)
		conn.Close()
	}
	require.Equal(t, []string{"bore-1 A 1 8.001 mm inside reading", "bore-1 link-lost", "bore-1 link-back", "bore-1 A 2 8.001 mm inside reading"}, h.waitRows(4)[:4])
}

// The line settings asked for. A pseudo-terminal keeps the speed and the stop
// bits, which are read back from one; it has no parity and always 8 data bits.
//
// Kind: process.
func TestLineSettings(t *testing.T) {
	t.Parallel()
	for _, k := range []struct {
		line, defect string
		want         serial.Mode
	}{
		{"9600 8N1", "", serial.Mode{BaudRate: 9600, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit}},
		{"19200 7E2", "", serial.Mode{BaudRate: 19200, DataBits: 7, Parity: serial.EvenParity, StopBits: serial.TwoStopBits}},
		{"9600 8O1", "", serial.Mode{BaudRate: 9600, DataBits: 8, Parity: serial.OddParity, StopBits: serial.OneStopBit}},
		{"9600 8N1", "wrong-baud", serial.Mode{BaudRate: 19200, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit}},
		{"9600 8N1", "wrong-parity", serial.Mode{BaudRate: 9600, DataBits: 8, Parity: serial.EvenParity, StopBits: serial.OneStopBit}},
		{"9600 8E1", "wrong-parity", serial.Mode{BaudRate: 9600, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit}},
	} {
		var l line
		require.NoError(t, l.UnmarshalText([]byte(k.line)))
		require.Equal(t, &k.want, l.with(trying(k.defect)).mode(), "%s %s", k.line, k.defect)

		dir := t.TempDir()
		g := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
		h := startHost(t, writeJob(t, dir, "all", map[string]any{"port": g.path, "serial-line": k.line}), k.defect)
		await(t, "ready", h.ready)
		got, err := unix.IoctlGetTermios(int(g.tty.Fd()), unix.TCGETS)
		require.NoError(t, err)
		want := map[int]uint32{9600: unix.B9600, 19200: unix.B19200}[k.want.BaudRate]
		if k.want.StopBits == serial.TwoStopBits {
			want |= unix.CSTOPB
		}
		require.Equal(t, want, got.Cflag&(unix.CBAUD|unix.CSTOPB), "%s %s", k.line, k.defect)
		require.Zero(t, got.Lflag&(unix.ICANON|unix.ECHO|unix.ISIG))
		h.stop()
	}
}

// The host on a Telnet COM port: the line it asks for, parity too.
//
// Kind: process.
func TestHostOnComPort(t *testing.T) {
	t.Parallel()
	for defect, want := range map[string]string{"": "19200 7E2", "wrong-parity": "19200 7N2", "wrong-baud": "38400 7E2", "control-lines-idle": "19200 7E2", "sends-breaks": "19200 7E2"} {
		asked := make(chan simport.Settings, 100)
		var mu sync.Mutex
		var lines simport.ControlLines
		breaks := 0
		p, _, err := simport.OpenRFC2217(simport.Config{Name: "bore-1"}, func(e simport.Event) {
			mu.Lock()
			defer mu.Unlock()
			switch e.Kind {
			case simport.Asked:
				asked <- e.Settings
			case simport.Lines:
				lines = e.Lines
			case simport.Break:
				breaks++
			}
		})
		require.NoError(t, err)
		dir := t.TempDir()
		h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": p.Path(), "port-kind": "rfc2217", "serial-line": "19200 7E2"}), defect)
		await(t, "ready", h.ready)
		var last simport.Settings
		for range 4 {
			last = <-asked
		}
		require.Contains(t, last.String(), want, defect)
		d := talkerFor(t, lineASCII, nil).dialect
		require.Equal(t, simport.Sent, p.Write(frame(t, d, said{tag: 1, values: []string{"8.001"}})))
		require.Equal(t, []string{"bore-1 A 1 8.001 mm inside reading"}, h.waitRows(1))
		h.stop()
		require.NoError(t, p.Close())
		high := defect != "control-lines-idle"
		require.Equal(t, simport.ControlLines{DTR: high, RTS: high}, lines, defect)
		require.Equal(t, map[string]int{"sends-breaks": 2}[defect], breaks, "on and off, with %s", defect)
	}
}

// The defects of configuring a gauge, as the gauge sees them.
//
// Kind: process.
func TestSettingsDefects(t *testing.T) {
	t.Parallel()
	for _, k := range []struct {
		defect      string
		before, all []string // commands before the first tag, and in all
	}{
		{"", []string{"set function max", "set unit in", "stream-on"}, nil},
		{"settings-not-written", nil, nil},
		{"setting-wrong-unit", []string{"set function max", "set unit mm", "stream-on"}, nil},
		{"writes-reversed", []string{"stream-on", "set unit in", "set function max"}, nil},
		{"function-ignored", []string{"set function live", "set unit in", "stream-on"}, nil},
		{"setting-late", nil, []string{"set function max", "set unit in", "stream-on"}},
	} {
		dir := t.TempDir()
		g := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
		h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": g.path, "function": "max", "writes": []any{
			map[string]any{"setting": "function", "to": "max"}, map[string]any{"setting": "unit", "to": "in"}, map[string]any{"verb": "stream-on"}}}), k.defect)
		await(t, "ready", h.ready)
		require.Equal(t, k.before, g.commands(), k.defect)
		g.send(g.frame(said{values: []string{"8.000"}}), g.frame(said{tag: 1, values: []string{"8.001"}}))
		h.waitRows(1)
		if k.all == nil {
			k.all = k.before
		}
		for range k.all {
			await(t, "a command", g.heard)
		}
		require.Equal(t, []string{"bore-1 A 1 8.001 mm inside reading"}, h.stop())
		require.Equal(t, k.all, g.commands(), k.defect)
	}
}

// Kind: process.
func TestNeverReopens(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	g := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
	other := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-2"))
	h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": g.path}, map[string]any{"port": other.path}), "never-reopens")
	await(t, "ready", h.ready)
	g.hangUp()
	h.waitRows(1)
	g.appear()
	other.send(other.frame(said{tag: 1, values: []string{"8.001"}}))
	h.waitRows(2)
	require.Equal(t, []string{"bore-1 link-lost", "bore-2 A 1 8.001 mm inside reading"}, h.stop())
}

// Two gauges come back at each other's place. What one sends before it was asked
// who it is, and while the question goes unanswered, is recorded under its name.
//
// Kind: process.
func TestSwappedPorts(t *testing.T) {
	t.Parallel()
	for _, k := range []struct {
		defect string
		names  [2]string // under which what comes from bore-1's port is recorded, and from bore-2's
	}{{"", [2]string{"bore-2", "bore-1"}}, {"gauges-by-port", [2]string{"bore-1", "bore-2"}}} {
		dir := t.TempDir()
		one := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
		two := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-2"))
		one.serial, two.serial = "N-1", "N-2"
		h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": one.path, "serial": "N-1"}, map[string]any{"port": two.path, "serial": "N-2"}), k.defect)
		await(t, "ready", h.ready)
		one.hangUp()
		h.waitRows(1)
		two.hangUp()
		h.waitRows(2)
		one.serial, two.serial, one.mute = "N-2", "N-1", 1
		want := []string{"bore-1 link-lost", "bore-2 link-lost"}
		for i, g := range []*fakeGauge{one, two} {
			g.appear()
			if k.defect == "" {
				await(t, "the question", g.heard)
			} else {
				h.waitRows(len(want) + 1)
			}
			g.send(g.frame(said{tag: 1, values: []string{"8.001"}}))
			want = append(want, k.names[i]+" link-back", k.names[i]+" A 1 8.001 mm inside reading")
			h.waitRows(len(want))
			g.send(g.frame(said{tag: 2, values: []string{"8.002"}}))
			want = append(want, k.names[i]+" A 2 8.002 mm inside reading")
			h.waitRows(len(want))
		}
		require.Empty(t, cmp.Diff(want, h.stop()), k.defect)
	}
}

// Asked to stop before a gauge has said who it is, the host records what it has
// under the name of the gauge that was there.
//
// Kind: process.
func TestStopBeforeTheGaugeSaysWhoItIs(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	one := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
	two := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-2"))
	h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": one.path, "serial": "N-1"}, map[string]any{"port": two.path, "serial": "N-2"}), "")
	await(t, "ready", h.ready)
	one.hangUp()
	h.waitRows(1)
	one.mute = 1000
	one.appear()
	await(t, "the question", one.heard)
	one.send(one.frame(said{tag: 1, values: []string{"8.001"}}))
	require.Empty(t, cmp.Diff([]string{"bore-1 link-lost", "bore-1 link-back", "bore-1 A 1 8.001 mm inside reading"}, h.stop()))
}

// A port that is not there yet is waited for, and said to be missing.
//
// Kind: process.
func TestWaitsForThePort(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, "bore-1")
	h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": path}), "")
	require.Eventually(t, func() bool { return strings.Contains(h.stderr.String(), path+" does not open: no such file") }, patience, 2*time.Millisecond)
	newFakeGauge(t, lineASCII, path)
	await(t, "ready", h.ready)
}

// A refused command is reported; the host goes on.
//
// Kind: process.
func TestRefusal(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	g := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
	g.refuse = "unknown"
	h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": g.path, "writes": []any{map[string]any{"verb": "zero"}, map[string]any{"verb": "polish"}}}), "")
	await(t, "ready", h.ready)
	h.stop()
	require.Contains(t, h.stderr.String(), "refhost: gauge bore-1: zero was refused: unknown\n")
	require.Contains(t, h.stderr.String(), "refhost: gauge bore-1: polish cannot be written: dialect line-ascii has no command for it")
}

// The burst defects show when several frames come close together.
//
// Kind: process.
func TestBursts(t *testing.T) {
	t.Parallel()
	for defect, want := range map[string][]string{"": {"1", "2", "3"}, "tag-dropped-burst": {"1"}, "tags-out-of-order": {"3", "2", "1"}} {
		dir := t.TempDir()
		g := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
		h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": g.path}), defect)
		await(t, "ready", h.ready)
		var burst []byte
		for n := range int64(3) {
			burst = append(burst, g.frame(said{tag: n + 1, values: []string{"8.000"}})...)
		}
		g.send(burst)
		var got []string
		for _, r := range h.waitRows(len(want)) {
			got = append(got, strings.Fields(r)[2])
		}
		require.Equal(t, want, got, defect)
		require.Len(t, h.stop(), len(want))
	}
}

// The host as a process of its own, ended by a signal and started again: what it
// had recorded stays, also when it is killed.
//
// Kind: process.
func TestProcess(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	g := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
	row := func(n int) string { return fmt.Sprintf("bore-1 A %d 8.001 mm inside reading", n) }
	for _, k := range []struct {
		defect string
		want   [3][]string // after each of three lives, of which the first is killed
	}{
		{"", [3][]string{{row(1)}, {row(1), row(2)}, {row(1), row(2), row(3)}}},
		{"rows-buffered", [3][]string{nil, {row(2)}, {row(2), row(3)}}},
		{"starts-over", [3][]string{{row(1)}, {row(2)}, {row(3)}}},
	} {
		file := writeJob(t, dir, "tagged", map[string]any{"port": g.path})
		h := &running{t: t, records: filepath.Join(dir, "records.csv")}
		require.NoError(t, os.WriteFile(h.records, nil, 0o600))
		for life, sig := range []syscall.Signal{syscall.SIGKILL, syscall.SIGTERM, syscall.SIGINT} {
			trying(k.defect)
			cmd := exec.Command(os.Args[0], "--job", file, "--defect", k.defect)
			cmd.Env = append(os.Environ(), "REFHOST_IN_TEST=1")
			out, err := cmd.StdoutPipe()
			require.NoError(t, err)
			require.NoError(t, cmd.Start())
			word := make([]byte, 6)
			_, err = out.Read(word)
			require.NoError(t, err)
			require.Equal(t, "ready\n", string(word))
			g.send(g.frame(said{tag: int64(life + 1), values: []string{"8.001"}}))
			if sig == syscall.SIGKILL && k.defect != "rows-buffered" {
				h.waitRows(len(k.want[life])) // a host that is asked to end records what it was sent by itself
			}
			require.NoError(t, cmd.Process.Signal(sig))
			if err := cmd.Wait(); sig != syscall.SIGKILL {
				require.NoError(t, err, "exit 0")
			} else { // what it did not read goes with it
				g.hangUp()
				g.appear()
			}
			require.Equal(t, k.want[life], h.rows(), "%s, life %d", k.defect, life)
		}
	}
}

// A host that waits after each few bytes takes that much longer for a flood.
//
// Kind: process.
func TestReadsTooSlowly(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	g := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
	h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": g.path}), "reads-too-slowly")
	await(t, "ready", h.ready)
	began, sent := time.Now(), 0
	for n := range 20 {
		f := g.frame(said{tag: int64(n + 1), values: []string{"8.000"}})
		sent += len(f)
		g.send(f)
	}
	h.waitRows(20)
	require.Greater(t, time.Since(began), time.Duration(sent/16-1)*20*time.Millisecond)
	h.stop()
}

// A host that stalls does not read for 1.2 s, within any twenty of its reads.
//
// Kind: process.
func TestStallsReading(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	g := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
	h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": g.path}), "stalls-reading")
	await(t, "ready", h.ready)
	began := time.Now()
	for n := range 21 { // each is read by itself
		g.send(g.frame(said{tag: int64(n + 1), values: []string{"8.000"}}))
		h.waitRows(n + 1)
	}
	require.Greater(t, time.Since(began), 1200*time.Millisecond)
	h.stop()
}

// A host that quits ends with an error at its third row.
//
// Kind: process.
func TestQuits(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	g := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
	h := startHost(t, writeJob(t, dir, "tagged", map[string]any{"port": g.path}), "quits")
	await(t, "ready", h.ready)
	for n := range 3 {
		g.send(g.frame(said{tag: int64(n + 1), values: []string{"8.000"}}))
	}
	select {
	case code := <-h.code:
		require.Equal(t, exitFailed, code)
		h.code = nil
	case <-time.After(patience):
		t.Fatal("it did not quit")
	}
	require.Contains(t, h.stderr.String(), "a row too many")
	require.Len(t, h.rows(), 2)
}

// Kind: process.
func TestUsage(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	noDialect := writeJob(t, dir, "all", map[string]any{"port": "p", "dialect": filepath.Join(dir, "none.yaml")})
	for _, k := range []struct {
		args        []string
		code        int
		out, errOut string
	}{
		{[]string{"--list"}, exitDone, "factor-twice  ", ""},
		{nil, exitBadCall, "", "refhost: it is called as refhost --job FILE"},
		{[]string{"--help"}, exitDone, "", "-job"},
		{[]string{"--polish"}, exitBadCall, "", "flag provided but not defined"},
		{[]string{"--job", "none.json"}, exitBadCall, "", "none.json: no such file"},
		{[]string{"--job", noDialect}, exitBadCall, "", "none.yaml: no such file"},
		{[]string{"--job", noDialect, "--defect", "polish"}, exitBadCall, "", `there is no defect "polish"`},
	} {
		var out, errOut bytes.Buffer
		require.Equal(t, k.code, run(t.Context(), k.args, nil, &out, &errOut), "%v", k.args)
		require.Contains(t, out.String(), k.out)
		require.Contains(t, errOut.String(), k.errOut)
	}
	var list bytes.Buffer
	run(t.Context(), []string{"--list"}, nil, &list, &list)
	require.Equal(t, len(Defects())+len(SummaryDefects()), strings.Count(list.String(), "\n"))
}
