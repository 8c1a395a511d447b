package main

import (
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"golang.org/x/term"
)

// paintEvery is how often the progress is painted at most.
const paintEvery = 100 * time.Millisecond

// progress is a line on a terminal that says how far a command is. The next line of
// output takes its place.
type progress struct {
	f *os.File // nil: there is no terminal

	mu    sync.Mutex
	last  time.Time
	shown bool
}

func newProgress(stderr io.Writer) *progress {
	if f, ok := stderr.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		return &progress{f: f}
	}
	return &progress{}
}

// paint paints, over what was painted before, a line of the given width: what wraps
// cannot be painted over.
func (p *progress) paint(line func(width int) string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.f == nil || time.Since(p.last) < paintEvery {
		return
	}
	width, _, err := term.GetSize(int(p.f.Fd()))
	if err != nil || width <= 0 {
		width = 80
	}
	text := line(width - 1)
	fmt.Fprint(p.f, "\r\x1b[K"+text[:min(len(text), width-1)])
	p.last, p.shown = time.Now(), true
}

// clear takes away what was painted.
func (p *progress) clear() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.shown {
		fmt.Fprint(p.f, "\r\x1b[K")
		p.shown = false
	}
}
