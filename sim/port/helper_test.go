package port

import (
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/understudy/sim/random"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience bounds every wait of the tests; nothing is asserted about time.
const patience = 20 * time.Second

// log is a sink that keeps everything.
type log struct {
	mu     sync.Mutex
	events []Event
	moved  chan struct{}
}

func newLog() *log { return &log{moved: make(chan struct{})} }

func (l *log) sink(e Event) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.events = append(l.events, e)
	close(l.moved)
	l.moved = make(chan struct{})
}

// until waits until the events so far satisfy ok and returns them.
func (l *log) until(t testing.TB, what string, ok func([]Event) bool) []Event {
	t.Helper()
	deadline := time.After(patience)
	for {
		l.mu.Lock()
		events, moved := append([]Event(nil), l.events...), l.moved
		l.mu.Unlock()
		if ok(events) {
			return events
		}
		select {
		case <-moved:
		case <-deadline:
			t.Fatalf("no %s; events: %v", what, brief(events))
		}
	}
}

func (l *log) count(t testing.TB, k Kind, n int) []Event {
	t.Helper()
	return l.until(t, fmt.Sprintf("%s number %d", k, n), func(es []Event) bool { return len(of(k, es)) >= n })
}

func of(k Kind, events []Event) (out []Event) {
	for _, e := range events {
		if e.Kind == k {
			out = append(out, e)
		}
	}
	return out
}

func received(events []Event) (out []byte) {
	for _, e := range of(Received, events) {
		out = append(out, e.Data...)
	}
	return out
}

func brief(events []Event) (out []string) {
	if n := len(events); n > 40 {
		return append(append(brief(events[:20]), fmt.Sprintf("(%d more)", n-40)), brief(events[n-20:])...)
	}
	for _, e := range events {
		text := e.Kind.String()
		switch e.Kind {
		case Received, Dropped:
			text += fmt.Sprintf(" %d bytes", len(e.Data))
		case Asked:
			text += " " + e.Settings.String() + " " + e.Cooked
		case Closed, Purged:
			text += fmt.Sprintf(" lost %d", e.Lost)
		case Break, Paused:
			text += fmt.Sprintf(" %v", e.On)
		case Lines:
			text += fmt.Sprintf(" %+v", e.Lines)
		case Trouble:
			text += " " + e.Err.Error()
		}
		out = append(out, strings.TrimSpace(text))
	}
	return out
}

// waitFor is for what no event tells.
func waitFor(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); !ok(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("no %s", what)
		}
	}
}

func read(t testing.TB, f io.Reader, n int) string {
	t.Helper()
	b := make([]byte, n)
	if got, err := io.ReadFull(f, b); err != nil {
		t.Fatalf("host read %d of %d bytes: %v", got, n, err)
	}
	return string(b)
}

// frames makes bytes of a fixed seed, cut into frames of 1 to 64 bytes.
func frames(size int) (all []byte, cut [][]byte) {
	r := random.New(7)
	all = make([]byte, size)
	for i := range all {
		all[i] = byte(r.Uint32())
	}
	for rest := all; len(rest) > 0; {
		n := min(len(rest), 1+r.Intn(64))
		cut = append(cut, rest[:n])
		rest = rest[n:]
	}
	return all, cut
}

// descriptors counts open files, with those of the Go poller among them.
func descriptors(t testing.TB) int {
	t.Helper()
	if r, w, err := os.Pipe(); err == nil { // so that the poller has its own by now
		_, _ = r.Close(), w.Close()
	}
	entries, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Skip("descriptors are counted in /proc only:", err)
	}
	return len(entries)
}
