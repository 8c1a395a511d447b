package main

import (
	"context"
	"io"
	"os"
	"time"
	"unicode/utf8"

	"example.org/understudy/harness/budget"
)

// budgetFlags bound every command.
type budgetFlags struct {
	Within   time.Duration `default:"${within}" group:"Budget of every command:" help:"Longest time by the wall clock (default: ${default})."`
	Memory   int64         `default:"${memory}" group:"Budget of every command:" placeholder:"MIB" help:"Most memory, in MiB (default: ${default})."`
	Events   int64         `default:"${events}" group:"Budget of every command:" help:"Most events of a timeline that is played on paper (default: ${default})."`
	Rows     int           `default:"${rows}" group:"Budget of every command:" help:"Most rows of a host's records (default: ${default})."`
	Findings int           `default:"${findings}" group:"Budget of every command:" help:"Most findings of one kind that are listed of a run; all are counted (default: ${default})."`
	Ledger   int64         `default:"${ledger}" group:"Budget of every command:" placeholder:"MIB" help:"Largest ledger of a run, in MiB (default: ${default})."`
}

func (f budgetFlags) apply(ctx context.Context) (context.Context, context.CancelFunc) {
	return budget.With(ctx, budget.Limits(f))
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
	const digits = "0123456789abcdef"
	in := append(c.half, b...)
	out := make([]byte, 0, len(in))
	for len(in) > 0 && utf8.FullRune(in) {
		r, n := utf8.DecodeRune(in)
		if r == utf8.RuneError && n == 1 || r < ' ' && r != '\n' && r != '\t' || r >= 0x7f && r < 0xa0 {
			for _, c := range in[:n] {
				out = append(out, '\\', 'x', digits[c>>4], digits[c&15])
			}
		} else {
			out = append(out, in[:n]...)
		}
		in = in[n:]
	}
	c.half = append([]byte(nil), in...)
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
