//go:build linux

package check_test

import (
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"example.org/understudy/harness/check"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"github.com/creack/pty"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// What understudy can carry: benchmarks with a baseline in the same run, and a
// soak. The hosts are one thread in this process that empties every pty; its
// CPU time is known apart and not counted as understudy's.

var (
	fleetSize    = flag.Int("fleet", 1000, "BenchmarkFleet: how many gauges; twice as many are measured too")
	fleetSeconds = flag.Int("fleet-seconds", 5, "BenchmarkFleet: for how long")
)

const (
	frameSize = 24 // of line-ascii's reading
	fleetRate = 30 // readings a second of each gauge
)

// allow raises the limits of this process for n ptys, or skips with the reason
// why the machine cannot have them.
func allow(t testing.TB, n int) {
	t.Helper()
	number := func(file string) int {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		v, err := strconv.Atoi(strings.TrimSpace(string(text)))
		require.NoError(t, err)
		return v
	}
	if free := number("/proc/sys/kernel/pty/max") - number("/proc/sys/kernel/pty/nr"); free < n {
		t.Skipf("%d ptys: the kernel has %d left (the limit is kernel.pty.max)", n, free)
	}
	if most := number("/proc/sys/fs/inotify/max_user_watches"); most < n+1 {
		t.Skipf("%d ptys: want as many inotify watches and one more, and %d are allowed (the limit is fs.inotify.max_user_watches)", n, most)
	}
	var lim unix.Rlimit
	require.NoError(t, unix.Getrlimit(unix.RLIMIT_NOFILE, &lim))
	want := uint64(3*n + 64) // a gauge has two descriptors, its host one
	if lim.Cur < want {
		lim.Cur, lim.Max = max(lim.Cur, want), max(lim.Max, want)
		if err := unix.Setrlimit(unix.RLIMIT_NOFILE, &lim); err != nil {
			t.Skipf("%d ptys: want %d descriptors: %v (the limit is RLIMIT_NOFILE)", n, want, err)
		}
	}
}

func openHost(t testing.TB, path string) int {
	t.Helper()
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	require.NoError(t, err, path)
	return fd
}

// hosts empties many ptys from one thread.
type hosts struct {
	fds         []int
	epoll, wake int
	got         []int64 // bytes of each; read it after stop
	cpu         time.Duration
	total       atomic.Int64
	done        chan struct{}
}

func startHosts(t testing.TB, ports *check.Ports) *hosts {
	h := &hosts{got: make([]int64, len(ports.Ports)), done: make(chan struct{})}
	var err error
	h.epoll, err = unix.EpollCreate1(unix.EPOLL_CLOEXEC)
	require.NoError(t, err)
	h.wake, err = unix.Eventfd(0, unix.EFD_CLOEXEC)
	require.NoError(t, err)
	for _, p := range ports.Ports {
		h.fds = append(h.fds, openHost(t, p.Path()))
	}
	for i, fd := range append(slices.Clone(h.fds), h.wake) {
		require.NoError(t, unix.EpollCtl(h.epoll, unix.EPOLL_CTL_ADD, fd, &unix.EpollEvent{Events: unix.EPOLLIN, Fd: int32(i)}))
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	require.NoError(t, ports.Opened(ctx), "the ports were not seen to be opened")
	go h.read()
	return h
}

func (h *hosts) read() {
	defer close(h.done)
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	began := used(unix.RUSAGE_THREAD)
	events := make([]unix.EpollEvent, 512)
	buf := make([]byte, 4096)
	for {
		n, err := unix.EpollWait(h.epoll, events, -1)
		if err != nil && err != unix.EINTR {
			return
		}
		for _, ev := range events[:max(n, 0)] {
			i := int(ev.Fd)
			if i == len(h.fds) {
				h.cpu = used(unix.RUSAGE_THREAD) - began
				return
			}
			if k, _ := unix.Read(h.fds[i], buf); k > 0 {
				h.got[i] += int64(k)
				h.total.Add(int64(k))
			}
		}
	}
}

// await waits until the hosts have so many bytes.
func (h *hosts) await(n int64, within time.Duration) {
	for end := time.Now().Add(within); h.total.Load() < n && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
}

func (h *hosts) stop() {
	_, _ = unix.Write(h.wake, []byte{1, 0, 0, 0, 0, 0, 0, 0})
	<-h.done
	for _, fd := range append(h.fds, h.wake, h.epoll) {
		_ = unix.Close(fd)
	}
}

// used is the CPU time used so far by this process, or by this thread.
func used(who int) time.Duration {
	var r unix.Rusage
	if unix.Getrusage(who, &r) != nil {
		return 0
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}

// footing is what the process holds.
type footing struct{ rss, heap, descriptors, goroutines int }

func standing(t testing.TB) (f footing) {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	status, err := os.ReadFile("/proc/self/status")
	require.NoError(t, err)
	_, rest, _ := strings.Cut(string(status), "VmRSS:")
	_, err = fmt.Sscanf(rest, "%d kB", &f.rss)
	require.NoError(t, err)
	fds, err := os.ReadDir("/proc/self/fd")
	require.NoError(t, err)
	f.rss *= 1024
	f.heap, f.descriptors, f.goroutines = int(m.HeapAlloc), len(fds), runtime.NumGoroutine()
	return f
}

// fleet writes a scenario of n gauges that stream for some seconds. Together:
// all of them sample at the same instants. Else they are out of step, as gauges
// that nobody switched on at once are.
func fleet(n, seconds int, together bool) string {
	var b strings.Builder
	phase := ", phase: drawn"
	if together {
		phase = ""
	}
	fmt.Fprintf(&b, "understudy: 1\ntitle: A fleet\nuntil: %d ms\ngauges:\n", 1000*seconds+40)
	for i := range n {
		fmt.Fprintf(&b, "  - {name: g%d, dialect: line-ascii, mid-stroke: 8 mm, stream: %d Hz%s}\n", i, fleetRate, phase)
	}
	b.WriteString("cues:\n  - {at: 0 s, do: rest on, size: 8 mm, gauge: g0}\n")
	return b.String()
}

// fleetRun is what came of a fleet.
type fleetRun struct {
	made, sent, lost, missing int
	late                      lateness      // of each frame, from its time to when its port took it
	cpu                       time.Duration // of the gauges, without the hosts
	took                      time.Duration
	footing
}

// playFleet plays it in real time.
func playFleet(t testing.TB, text string) (r fleetRun) {
	s, err := scenario.Parse("fleet.yaml", []byte(text), shippedDialect)
	require.NoError(t, err)
	allow(t, len(s.Gauges))
	inbox := stage.NewInbox()
	ports, err := check.OpenPorts(s, t.TempDir(), inbox)
	require.NoError(t, err)
	defer func() { require.NoError(t, ports.Close()) }()
	h := startHosts(t, ports)
	var start time.Time // the first cue, at 0 s, is the first thing that happens
	ready := make(chan error)
	close(ready)
	st, err := stage.New(s.Play, stage.Options{Ports: ports.Ports, Inbox: inbox, Pace: stage.Real,
		Ledger: ledger.NewWriter(io.Discard), // its making counts; the disk's speed does not
		Keep: func(e ledger.Entry) {
			switch e.Kind {
			case ledger.KindCue:
				if start.IsZero() {
					start = time.Now()
				}
			case ledger.KindFrame:
				if e.Frame.Cause == ledger.Stream {
					r.made++
				}
			case ledger.KindOut:
				if e.Out.Fate != ledger.Sent {
					r.lost++
					return
				}
				r.sent++
				r.late.add(time.Since(start) - e.T)
			}
		}})
	require.NoError(t, err)
	require.NoError(t, st.Prelude(context.Background(), ready)) // the hosts' openings are served
	cpu, began := used(unix.RUSAGE_SELF), time.Now()
	require.NoError(t, st.Run(context.Background()))
	r.took = time.Since(began)
	h.await(int64(r.sent)*frameSize, 10*time.Second)
	r.cpu = used(unix.RUSAGE_SELF) - cpu
	r.footing = standing(t)
	h.stop()
	r.cpu -= h.cpu
	require.NoError(t, st.Finish("measured"))
	r.missing = r.sent - int(h.total.Load())/frameSize
	for i, n := range h.got {
		require.Zero(t, n%frameSize, "gauge %d: %d bytes are not whole frames", i, n)
	}
	return r
}

// lateness counts times in steps of 10 us, up to 2 s: its size does not grow.
type lateness struct {
	n     int
	steps [200_000]int32
}

const lateStep = 10 * time.Microsecond

func (l *lateness) add(d time.Duration) {
	l.n++
	l.steps[min(max(0, int(d/lateStep)), len(l.steps)-1)]++
}

// ms is a quantile in milliseconds, rounded up to a step.
func (l *lateness) ms(q float64) float64 {
	left := int(q * float64(l.n))
	for i, n := range l.steps {
		if left -= int(n); left <= 0 {
			return float64(time.Duration(i+1)*lateStep) / float64(time.Millisecond)
		}
	}
	return 0 // of none
}

// BenchmarkFleet plays gauges that stream 30 readings a second in real time.
// A frame that is lost fails it; all else is reported. The cost of twice as
// many over that of the fleet, for each gauge, is cost-ratio: 1 is linear.
func BenchmarkFleet(b *testing.B) {
	for _, together := range []bool{false, true} {
		name := "out-of-step"
		if together {
			name = "in-step"
		}
		b.Run(name, func(b *testing.B) {
			var cost [2]float64
			for i, n := range [2]int{*fleetSize, 2 * *fleetSize} {
				b.Run(strconv.Itoa(n), func(b *testing.B) {
					for range b.N {
						r := playFleet(b, fleet(n, *fleetSeconds, together))
						if r.lost+r.missing > 0 {
							b.Errorf("%d frames were not taken by a port and %d did not arrive, of %d", r.lost, r.missing, r.made)
						}
						if least := n * fleetRate * *fleetSeconds; r.made < least {
							b.Errorf("%d frames were made, want %d or more", r.made, least)
						}
						cost[i] = r.cpu.Seconds() / r.took.Seconds()
						b.ReportMetric(r.late.ms(0.5), "late-p50-ms")
						b.ReportMetric(r.late.ms(0.99), "late-p99-ms")
						b.ReportMetric(r.late.ms(1), "late-max-ms")
						b.ReportMetric(cost[i], "cpu-s/s")
						b.ReportMetric(float64(r.rss)/1e6, "rss-MB")
						b.ReportMetric(float64(r.descriptors), "descriptors")
						b.ReportMetric(float64(r.goroutines), "goroutines")
						b.ReportMetric(float64(r.sent)/r.took.Seconds(), "frames/s")
						if i == 1 && cost[0] > 0 {
							b.ReportMetric(cost[1]/cost[0]/2, "cost-ratio")
						}
					}
				})
			}
		})
	}
}

// BenchmarkOnePTY has one gauge stream through the whole stage, ledger and all,
// to a host that reads, and gives its frames a second over those of a bare write
// loop on a bare pty in the same run, the best of each: ratio, when the stage waits
// while the port is full, and drain-ratio, when it waits until each frame is read.
func BenchmarkOnePTY(b *testing.B) {
	const hz = 1000
	var fast stage.Pace
	require.NoError(b, fast.UnmarshalText([]byte("100000x")))
	play := func(pace stage.Pace, frames int) float64 {
		s, err := scenario.Parse("one.yaml", fmt.Appendf(nil, "understudy: 1\ntitle: One pty\nuntil: %d ms\ngauges: [{name: g, dialect: line-ascii, serial-line: 921600 8N1, mid-stroke: 8 mm, stream: %d Hz}]\n", 1000*frames/hz, hz), shippedDialect)
		require.NoError(b, err)
		inbox := stage.NewInbox()
		ports, err := check.OpenPorts(s, b.TempDir(), inbox)
		require.NoError(b, err)
		h := startHosts(b, ports)
		pty := ports.Ports[0]
		st, err := stage.New(s.Play, stage.Options{Ports: []port.Port{heldUp{pty, pty.(port.Gatherer)}}, Inbox: inbox, Pace: pace, Ledger: ledger.NewWriter(io.Discard)})
		require.NoError(b, err)
		ready := make(chan error)
		close(ready)
		require.NoError(b, st.Prelude(context.Background(), ready))
		began := time.Now()
		require.NoError(b, st.Run(context.Background()))
		c := pty.Stats()
		h.await(c.Sent.Bytes+c.Queued.Bytes, 10*time.Second)
		took := time.Since(began)
		require.NoError(b, st.Finish("measured"))
		h.stop()
		require.NoError(b, ports.Close())
		sent := c.Sent.Frames + c.Queued.Frames
		require.Equal(b, sent*frameSize, h.total.Load(), "bytes at pace %s", pace)
		require.GreaterOrEqual(b, sent, int64(frames))
		return float64(sent) / took.Seconds()
	}
	var best [3]float64
	for range b.N {
		for i, run := range []func() float64{
			func() float64 { return bareLoop(b, 8_000) },
			func() float64 { return play(fast, 8_000) },
			func() float64 { return play(stage.Drain, 8_000) },
		} {
			best[i] = max(best[i], run())
		}
	}
	b.ReportMetric(best[1]/best[0], "ratio")
	b.ReportMetric(best[2]/best[0], "drain-ratio")
	b.ReportMetric(best[0], "bare-frames/s")
	b.ReportMetric(best[1], "frames/s")
}

// heldUp is a port at which a gauge is held up while it is full.
type heldUp struct {
	port.Port
	port.Gatherer
}

func (p heldUp) Write(frame []byte) port.Outcome {
	o := p.Port.Write(frame)
	for ; o == port.DroppedFull; o = p.Port.Write(frame) {
		time.Sleep(20 * time.Microsecond) // as a write would block
	}
	return o
}

func (p heldUp) Gather(frame []byte) port.Outcome {
	if o := p.Gatherer.Gather(frame); o != port.DroppedFull {
		return o
	}
	return p.Write(frame)
}

// bareLoop is the frames a second of a write loop on a bare pty whose host reads.
func bareLoop(t testing.TB, frames int) float64 {
	m, s, err := pty.Open()
	require.NoError(t, err)
	defer m.Close()
	defer s.Close()
	line, err := unix.IoctlGetTermios(int(m.Fd()), unix.TCGETS)
	require.NoError(t, err)
	line.Iflag, line.Oflag, line.Lflag = 0, 0, 0
	require.NoError(t, unix.IoctlSetTermios(int(m.Fd()), unix.TCSETS, line))
	master, host := int(m.Fd()), int(s.Fd())
	done := make(chan struct{})
	go func() {
		defer close(done)
		buf := make([]byte, 4096)
		for n := frames * frameSize; n > 0; {
			k, err := unix.Read(host, buf)
			if err != nil {
				return
			}
			n -= k
		}
	}()
	frame := []byte("R +00008.000 mm 3 .*68\r\n")
	began := time.Now()
	for range frames {
		if n, err := unix.Write(master, frame); err != nil || n != frameSize {
			t.Fatal(n, err)
		}
	}
	<-done
	return float64(frames) / time.Since(began).Seconds()
}

// TestSoak plays gauges in real time for as long as UNDERSTUDY_SOAK says, to hosts
// that read, ask, close and open again, and shows that the second half of that time
// needs no more memory, descriptors and goroutines than the first.
//
// Kind: process.
func TestSoak(t *testing.T) {
	long, err := time.ParseDuration(os.Getenv("UNDERSTUDY_SOAK"))
	if err != nil {
		t.Skip("set UNDERSTUDY_SOAK to a time such as 10m")
	}
	const n = 20
	text := fleet(n, int(long.Seconds()), true)
	s, err := scenario.Parse("soak.yaml", []byte(text), shippedDialect)
	require.NoError(t, err)
	allow(t, n)
	inbox := stage.NewInbox()
	ports, err := check.OpenPorts(s, t.TempDir(), inbox)
	require.NoError(t, err)
	requests := 0
	st, err := stage.New(s.Play, stage.Options{Ports: ports.Ports, Inbox: inbox, Pace: stage.Real, Ledger: ledger.NewWriter(io.Discard),
		Keep: func(e ledger.Entry) {
			if e.Kind == ledger.KindRequest {
				requests++
			}
		}})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	hostsDone := make(chan struct{})
	go func() {
		defer close(hostsDone)
		buf := make([]byte, 4096)
		fds := make([]int, n)
		for i := range fds {
			fds[i] = -1
		}
		for round := 0; ctx.Err() == nil; round++ {
			for i := range fds {
				if (round+i)%50 == 0 && fds[i] >= 0 {
					_ = unix.Close(fds[i])
					fds[i] = -1
				}
				if fds[i] < 0 {
					fds[i], _ = unix.Open(ports.Ports[i].Path(), unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
				}
				_, _ = unix.Read(fds[i], buf)
				_, _ = unix.Write(fds[i], []byte("Q rate\nnonsense\n"))
			}
			time.Sleep(20 * time.Millisecond)
		}
		for _, fd := range fds {
			_ = unix.Close(fd)
		}
	}()
	ended := make(chan error, 1)
	go func() { ended <- st.Run(ctx) }()
	var seen []footing
	tick := time.NewTicker(long / 40)
	defer tick.Stop()
	for running := true; running; {
		select {
		case <-tick.C:
			f := standing(t)
			seen = append(seen, f)
			t.Logf("%+v", f)
		case err := <-ended:
			require.NoError(t, err)
			running = false
		}
	}
	cancel()
	<-hostsDone
	require.NoError(t, st.Finish("the soak ended"))
	require.NoError(t, ports.Close())
	require.Greater(t, requests, int(long.Seconds())*n, "the hosts asked all the time")
	first, second := seen[len(seen)/8:len(seen)/2], seen[len(seen)/2:]
	most := func(fs []footing, of func(footing) int) int {
		return of(slices.MaxFunc(fs, func(a, b footing) int { return of(a) - of(b) }))
	}
	for what, of := range map[string]func(footing) int{
		"bytes of heap": func(f footing) int { return f.heap }, "bytes resident": func(f footing) int { return f.rss },
		"descriptors": func(f footing) int { return f.descriptors }, "goroutines": func(f footing) int { return f.goroutines }} {
		a, b := most(first, of), most(second, of)
		t.Logf("%s: at most %d in the first half, %d in the second", what, a, b)
		slack := 2 // a host may be between closing and opening
		if strings.HasPrefix(what, "bytes") {
			slack = max(1<<20, a/20)
		}
		require.LessOrEqual(t, b, a+slack, what)
	}
}
