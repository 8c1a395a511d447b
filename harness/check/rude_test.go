//go:build linux

package check_test

import (
	"bytes"
	"context"
	"os"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/check"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// Hosts that misbehave, on the real stage and a real pty. Each is survived, and
// the ledger accounts for every byte. Time is the ledger's: a host acts when an
// entry of the ledger says that it may, and nothing here waits for a clock but to
// give up.

// rude is a gauge that streams at a pty to a host that the test plays.
type rude struct {
	t     *testing.T
	ports *check.Ports
	st    *stage.Stage
	ctx   context.Context
	all   []ledger.Entry     // of the loop until the play has ended
	brief bool               // all is not kept: there is too much of it
	on    func(ledger.Entry) // called in the loop
}

func newRude(t *testing.T, text string, pace stage.Pace) *rude {
	s, err := scenario.Parse("rude.yaml", []byte(text), shippedDialect)
	require.NoError(t, err)
	r := &rude{t: t}
	inbox := stage.NewInbox()
	r.ports, err = check.OpenPorts(s, t.TempDir(), inbox)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, r.ports.Close()) })
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	t.Cleanup(cancel)
	r.ctx = ctx
	ports := r.ports.Ports
	if pace == stage.Drain { // the host acts in the loop, so each frame has to be there at once
		ports = nil
		for _, p := range r.ports.Ports {
			ports = append(ports, struct{ port.Port }{p})
		}
	}
	r.st, err = stage.New(s.Play, stage.Options{Ports: ports, Inbox: inbox, Pace: pace, Patience: 20 * time.Millisecond,
		Keep: func(e ledger.Entry) {
			if !r.brief {
				r.all = append(r.all, e)
			}
			if r.on != nil {
				r.on(e)
			}
		}})
	require.NoError(t, err)
	return r
}

func (r *rude) port() port.Port { return r.ports.Ports[0] }

// open has the host open the port, and waits until it is seen.
func (r *rude) open() int {
	fd := openHost(r.t, r.port().Path())
	require.NoError(r.t, r.ports.Opened(r.ctx))
	return fd
}

// file is a host's end whose Write and Read wait.
func file(fd int) *os.File { return os.NewFile(uintptr(fd), "host") }

// play plays the timeline to its end, with the host's last words served.
func (r *rude) play() {
	require.NoError(r.t, r.st.Run(r.ctx))
	require.NoError(r.t, r.st.Finish("tested"))
}

// account is where the bytes of all frames went, by the ledger.
type account struct{ Made, Sent, Refused, Unread int }

func (r *rude) account() (a account) {
	size := map[int]int{}
	for _, e := range r.all {
		switch {
		case e.Frame != nil:
			size[e.Frame.ID] = len(e.Frame.Bytes)
			a.Made += len(e.Frame.Bytes)
		case e.Out != nil && e.Out.Fate == ledger.Unread:
			a.Unread += e.Out.Count
		case e.Out != nil:
			n := 0
			for _, id := range e.Out.Frames {
				n += size[id]
			}
			if e.Out.Fate == ledger.Sent {
				a.Sent += n
			} else {
				a.Refused += n
			}
		}
	}
	return a
}

func (r *rude) count(of func(ledger.Entry) bool) (n int) {
	for _, e := range r.all {
		if of(e) {
			n++
		}
	}
	return n
}

func at(what string) func(ledger.Entry) bool {
	return func(e ledger.Entry) bool { return e.Port != nil && e.Port.What == what }
}

// drainAll reads what waits at a descriptor that does not block.
func drainAll(fd int) (all []byte) {
	buf := make([]byte, 4096)
	for {
		n, err := unix.Read(fd, buf)
		if n <= 0 || err != nil {
			return all
		}
		all = append(all, buf[:n]...)
	}
}

// readAll reads n bytes that were sent, and checks that no more come.
func readAll(t *testing.T, fd, n int) []byte {
	t.Helper()
	all := make([]byte, n)
	for got := 0; got < n; {
		k, err := unix.Read(fd, all[got:])
		if err == unix.EAGAIN { // the port hands on what it still holds
			poll := []unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}
			ready, _ := unix.Poll(poll, 10_000)
			require.Positive(t, ready, "%d of %d bytes have come", got, n)
			continue
		}
		require.NoError(t, err)
		got += k
	}
	require.Empty(t, drainAll(fd))
	return all
}

const longStream = `
understudy: 1
title: A stream that nobody keeps up with
until: 100 s
gauges: [{name: g, dialect: line-ascii, mid-stroke: 8 mm, stream: 30 Hz}]
cues: [{at: 0 s, do: rest on, size: 8 mm}]
`

// Kind: process.
func TestHostNeverReads(t *testing.T) {
	t.Parallel()
	var fast stage.Pace
	require.NoError(t, fast.UnmarshalText([]byte("10000x")))
	for _, pace := range []stage.Pace{stage.Drain, fast} {
		t.Run(pace.String(), func(t *testing.T) {
			r := newRude(t, longStream, pace)
			fd := r.open()
			defer unix.Close(fd)
			r.play()
			a := r.account()
			require.Equal(t, 3001*frameSize, a.Made)
			require.Equal(t, account{a.Made, a.Unread, a.Made - a.Unread, a.Unread}, a, "what was sent was not read, and all else was refused")
			require.Positive(t, a.Refused)
			require.Positive(t, a.Unread)
			if pace == stage.Drain {
				require.Equal(t, 1, r.count(at("not reading")))
			}
			readAll(t, fd, a.Unread)
		})
	}
}

// Kind: process.
func TestHostReadsOneByteASecond(t *testing.T) {
	t.Parallel()
	r := newRude(t, longStream, stage.Drain)
	fd := r.open()
	defer unix.Close(fd)
	var got []byte
	r.on = func(e ledger.Entry) {
		for e.Kind == ledger.KindOut && time.Duration(len(got)+1)*time.Second <= e.T {
			var b [1]byte
			n, err := unix.Read(fd, b[:])
			if n != 1 || err != nil {
				t.Errorf("at %s: %d, %v", e.T, n, err)
			}
			got = append(got, b[0])
		}
	}
	r.play()
	a := r.account()
	require.Len(t, got, 100)
	require.Equal(t, account{3001 * frameSize, 100 + a.Unread, 3001*frameSize - a.Sent, a.Unread}, a)
	require.Positive(t, a.Refused)
	got = append(got, readAll(t, fd, a.Unread)...)
	for i := 0; i < len(got); i += frameSize { // whole frames, or none of it
		require.Equal(t, "R +", string(got[i:i+3]))
		require.Equal(t, "\r\n", string(got[i+22:i+24]))
	}
}

const quiet = `
understudy: 1
title: A gauge that is asked
until: 1 s
gauges: [{name: g, dialect: line-ascii, mid-stroke: 8 mm, stream: none}]
cues: [{at: 0 s, do: rest on, size: 8 mm}]
`

// talk serves a host, before the timeline begins, until the ledger has n entries
// of a sort.
func (r *rude) talk(host func(), n int, of func(ledger.Entry) bool) {
	ready := make(chan error, 1)
	seen := 0
	r.on = func(e ledger.Entry) {
		if of(e) {
			if seen++; seen == n {
				ready <- nil
			}
		}
	}
	done := make(chan struct{})
	go func() { defer close(done); host() }()
	if err := r.st.Prelude(r.ctx, ready); err != nil {
		r.t.Logf("%d of %d; %+v", seen, n, r.port().Stats())
		r.t.Fatal(err)
	}
	<-done
}

// Kind: process.
func TestHostFloodsCommands(t *testing.T) {
	t.Parallel()
	r := newRude(t, quiet, stage.Drain)
	f := file(r.open())
	defer f.Close()
	const n = 20_000
	request := func(e ledger.Entry) bool { return e.Request != nil }
	r.talk(func() {
		if _, err := f.Write(bytes.Repeat([]byte("N\n"), n)); err != nil {
			t.Error(err)
		}
	}, n, request)
	r.play()
	a := r.account()
	require.Equal(t, n, r.count(request))
	require.GreaterOrEqual(t, a.Made, n*frameSize)
	require.Equal(t, account{a.Made, a.Unread, a.Made - a.Unread, a.Unread}, a, "every command has its answer, sent or refused for want of room")
	require.Positive(t, a.Refused)
}

// A flood must not keep the timeline from going on, nor other gauges from sending.
//
// Kind: process.
func TestTimelineGoesOnInAFlood(t *testing.T) {
	t.Parallel()
	var fast stage.Pace
	require.NoError(t, fast.UnmarshalText([]byte("10x")))
	for _, pace := range []stage.Pace{stage.Drain, fast} {
		t.Run(pace.String(), func(t *testing.T) {
			r := newRude(t, `
understudy: 1
title: One of two is flooded
until: 500 ms
gauges:
  - {name: g, dialect: line-ascii, mid-stroke: 8 mm, stream: none}
  - {name: h, dialect: line-ascii, mid-stroke: 8 mm, stream: 30 Hz}
cues: [{at: 0 s, do: rest on, size: 8 mm}]
`, pace)
			f := file(openHost(t, r.port().Path()))
			other := openHost(t, r.ports.Ports[1].Path())
			defer unix.Close(other)
			require.NoError(t, r.ports.Opened(r.ctx))
			flowing := make(chan error, 1)
			r.brief = true
			requests, frames, read := 0, 0, 0
			r.on = func(e ledger.Entry) {
				switch {
				case e.Request != nil:
					if requests++; requests == 1000 {
						flowing <- nil
					}
				case e.Gauge == "h" && e.Frame != nil:
					frames++
				case e.Gauge == "h" && e.Out != nil:
					read += len(drainAll(other))
				}
			}
			done := make(chan struct{})
			go func() {
				defer close(done)
				flood := bytes.Repeat([]byte("N\n"), 2000)
				for {
					if _, err := f.Write(flood); err != nil { // closed below
						return
					}
				}
			}()
			err := r.st.Prelude(r.ctx, flowing)
			before := requests
			if err == nil {
				err = r.st.Run(r.ctx)
			}
			require.NoError(t, f.Close())
			<-done
			require.NoError(t, err)
			require.NoError(t, r.st.Finish("tested"))
			require.Equal(t, 16, frames)
			require.Greater(t, requests, before, "the flood went on")
			require.Equal(t, 16*frameSize, read+len(drainAll(other)))
		})
	}
}

// Kind: process.
func TestHostSendsGarbage(t *testing.T) {
	t.Parallel()
	r := newRude(t, quiet, stage.Drain)
	f := file(r.open())
	defer f.Close()
	src := random.New(8)
	garbage := make([]byte, 100_000)
	for i := range garbage {
		garbage[i] = byte(128 + src.Intn(128)) // no command has such bytes
	}
	sent := append(garbage, "\r\nQ rate\n"...)
	var got string
	r.talk(func() {
		if _, err := f.Write(sent); err != nil {
			t.Error(err)
			return
		}
		buf := make([]byte, 4096)
		for !strings.Contains(got, "V rate=") {
			n, err := f.Read(buf)
			if err != nil {
				t.Error(err)
				return
			}
			got += string(buf[:n])
		}
	}, 1, func(e ledger.Entry) bool { return e.Request != nil && e.Request.Verb == "get" })
	r.play()
	var in []byte
	for _, e := range r.all {
		if e.Kind == ledger.KindIn {
			in = append(in, e.Bytes...)
		}
	}
	require.Empty(t, cmp.Diff(sent, in), "every byte is in the ledger")
	require.Positive(t, r.count(at("garbage")))
	require.Equal(t, 1, r.count(func(e ledger.Entry) bool { return e.Request != nil }))
}

// Kind: process.
func TestHostClosesInMidFrame(t *testing.T) {
	t.Parallel()
	r := newRude(t, longStream, stage.Drain)
	const rounds = 50
	var got []byte
	closes := 0
	fd := r.open()
	r.on = func(e ledger.Entry) {
		switch {
		case closes == rounds || fd < 0:
		case e.Out != nil && e.Out.Fate == ledger.Sent: // 10 bytes of a frame, and away
			buf := make([]byte, 10)
			n, err := unix.Read(fd, buf)
			if n != 10 || err != nil || string(buf[:2]) != "R " {
				t.Errorf("round %d begins with %q (%v)", closes, buf[:max(n, 0)], err)
			}
			got = append(got, buf[:max(n, 0)]...)
			_ = unix.Close(fd)
			fd = -1
		}
		if at("closed")(e) && closes < rounds {
			closes++
			fd = openHost(t, r.port().Path())
		} else if closes == rounds && fd >= 0 && e.Out != nil {
			got = append(got, drainAll(fd)...)
		}
	}
	r.play()
	got = append(got, drainAll(fd)...)
	require.NoError(t, unix.Close(fd))
	a := r.account()
	require.Equal(t, rounds, closes)
	require.Equal(t, rounds, r.count(at("closed")))
	require.Equal(t, rounds+1, r.count(at("opened")))
	// Finish counts as unread what this host reads only after it.
	require.GreaterOrEqual(t, a.Unread, rounds*(frameSize-10))
	require.Equal(t, a.Made, a.Sent+a.Refused)
	require.LessOrEqual(t, a.Sent, len(got)+a.Unread)
}

// Kind: process.
func TestHostOpensAndClosesInALoop(t *testing.T) {
	t.Parallel()
	r := newRude(t, quiet, stage.Drain)
	const n = 200
	// The last of them says something, so that its opening is surely told.
	r.talk(func() {
		for i := range n {
			fd := openHost(t, r.port().Path())
			if i == n-1 {
				_, _ = unix.Write(fd, []byte("N\n"))
			}
			_ = unix.Close(fd)
		}
	}, 1, func(e ledger.Entry) bool { return e.Request != nil })
	done := make(chan struct{})
	r.on = func(e ledger.Entry) {
		if at("closed")(e) && !r.port().Open() {
			select {
			case <-done:
			default:
				close(done)
			}
		}
	}
	if !r.port().Open() {
		close(done)
	}
	r.st.Settle(r.ctx, done)
	require.NoError(t, r.st.Finish("tested"))
	opened, closed := r.count(at("opened")), r.count(at("closed"))
	require.Equal(t, opened, closed)
	require.Equal(t, int64(opened), r.port().Stats().Opens)
	require.LessOrEqual(t, opened, n)
	require.Positive(t, opened, "the last one, which says something")
	open := false
	for _, e := range r.all {
		if at("opened")(e) || at("closed")(e) {
			require.NotEqual(t, open, at("opened")(e), "what is told goes to and fro")
			open = !open
		}
	}
	t.Logf("%d of %d openings told", opened, n)
}
