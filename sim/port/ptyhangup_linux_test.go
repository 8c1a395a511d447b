package port

import (
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"example.org/understudy/sim/testenv"
	"golang.org/x/sys/unix"
)

// A host that finds the bytes gone that it was told of takes the port for lost, as
// clients do (python3-serial 3.5, serialposix.py, read), and opens it again: by then the
// port has no name, or the host would lose it twice.
//
// Kind: process.
func TestPTYIsLostOnce(t *testing.T) {
	p, _ := newPTY(t, Config{})
	path := p.Path()
	var opens, sessions atomic.Int64
	var stop atomic.Bool
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for !stop.Load() {
			fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
			if err != nil {
				time.Sleep(10 * time.Microsecond)
				continue
			}
			if line, err := unix.IoctlGetTermios(fd, unix.TCGETS); err == nil { // else it was hung up
				line.Cc[unix.VMIN], line.Cc[unix.VTIME] = 0, 0
				if unix.IoctlSetTermios(fd, unix.TCSETS, line) == nil {
					opens.Add(1)
				}
			}
			buf := make([]byte, 64)
			for n := 1; n > 0 && !stop.Load(); {
				ready := []unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}
				if k, _ := unix.Poll(ready, 20); k > 0 {
					n, _ = unix.Read(fd, buf)
				}
			}
			_ = unix.Close(fd)
		}
	}()
	t.Cleanup(func() { stop.Store(true); <-ended })
	for range testenv.Count(100, 1000) {
		want := sessions.Add(1)
		for began := time.Now(); opens.Load() < want || !p.Open(); time.Sleep(50 * time.Microsecond) {
			if time.Since(began) > patience {
				t.Fatal("the host did not open the port")
			}
		}
		for range 20 {
			p.Write([]byte("R +00008.000 mm 3 .*68\r\n"))
		}
		if _, _, err := p.HangUp(); err != nil {
			t.Fatal(err)
		}
		if got := opens.Load(); got != want {
			t.Fatalf("opened %d times in %d sessions", got, want)
		}
		if err := p.Return(""); err != nil {
			t.Fatal(err)
		}
	}
}

// What comes to a host that waits in a read is the host's, or is counted as lost, however
// soon the port is hung up.
//
// Kind: process.
func TestPTYCountsWhatAReadHadNotGot(t *testing.T) {
	const frame = "R +00008.000 mm 3 .*68\r\n"
	p, l := newPTY(t, Config{})
	for session := range testenv.Count(200, 2000) {
		fd, err := unix.Open(p.Path(), unix.O_RDWR|unix.O_NOCTTY|unix.O_CLOEXEC, 0)
		if err != nil {
			t.Fatal(err)
		}
		l.count(t, Opened, session+1)
		got := make(chan int)
		go func() {
			all, buf := 0, make([]byte, 64)
			for {
				n, err := unix.Read(fd, buf)
				if err != nil || n <= 0 {
					break
				}
				all += n
			}
			_ = unix.Close(fd)
			got <- all
		}()
		runtime.Gosched()
		p.Write([]byte(frame))
		lost, exact, err := p.HangUp()
		if err != nil || !exact {
			t.Fatal(exact, err)
		}
		if n := <-got; n+lost < len(frame) {
			t.Fatalf("the host got %d of %d bytes, and %d were lost", n, len(frame), lost)
		}
		if err := p.Return(""); err != nil {
			t.Fatal(err)
		}
	}
}
