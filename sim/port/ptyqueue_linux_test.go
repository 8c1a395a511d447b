package port

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

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
