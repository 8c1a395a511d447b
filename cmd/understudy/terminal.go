package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"sync"
	"time"
	"unicode/utf8"

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

// clean is an output on which titles, names and records from elsewhere cannot command
// a terminal: control characters but tab and line feed, and bytes that are not UTF-8,
// are written as \xNN.
type clean struct {
	io.Writer
	half   []byte // of a character whose rest is to come
	before func() // is called before anything is written
}

func (c *clean) Write(b []byte) (int, error) {
	in := append(c.half, b...)
	out := make([]byte, 0, len(in))
	for len(in) > 0 && utf8.FullRune(in) {
		r, n := utf8.DecodeRune(in)
		if r == utf8.RuneError && n == 1 || r < ' ' && r != '\n' && r != '\t' || r >= 0x7f && r < 0xa0 {
			for _, c := range in[:n] {
				out = fmt.Appendf(out, `\x%02x`, c)
			}
		} else {
			out = append(out, in[:n]...)
		}
		in = in[n:]
	}
	c.half = bytes.Clone(in)
	if c.before != nil {
		c.before()
	}
	if _, err := c.Writer.Write(out); err != nil {
		return 0, err
	}
	return len(b), nil
}

// terminal is the file of an output, if it has one.
func terminal(w io.Writer) (f *os.File, ok bool) {
	if c, is := w.(*clean); is {
		w = c.Writer
	}
	f, ok = w.(*os.File)
	return f, ok
}
