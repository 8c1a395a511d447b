package bytesheet

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"time"

	"example.org/understudy/harness/show"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/wire"
)

// Talk steps through a dialect's conversation as the gauge: each line that is
// read is something that happens, and what the gauge then says is shown. A line
// is the name of a command, "emit" (the gauge has a reading to send), "wait" and a
// number of seconds, or the host's bytes as Pasted reads them.
func Talk(out io.Writer, d *wire.Dialect, in io.Reader) error {
	t := talk{out: out, d: d, end: d.NewEnd(wire.Gauge)}
	t.end.Fill = func(rec *wire.Record) { rec.CopyFrom(d.Samples()) }
	fmt.Fprintf(out, "%s: write a command's name, emit, wait 2, or bytes\n", d.Name())
	t.state()
	lines := bufio.NewScanner(in)
	for lines.Scan() {
		if line := strings.TrimSpace(lines.Text()); line != "" {
			t.step(line)
		}
	}
	return lines.Err()
}

type talk struct {
	out io.Writer
	d   *wire.Dialect
	end *wire.End
	at  time.Duration
	n   int
}

func (t *talk) step(line string) {
	fmt.Fprintf(t.out, "> %s\n", line)
	word, rest, _ := strings.Cut(line, " ")
	switch {
	case word == "emit":
		t.emit()
	case word == "wait":
		seconds, err := decimal.Parse(rest)
		ms, _ := seconds.Mul(decimal.New(1000, 0)).Int64()
		if err != nil || ms <= 0 {
			fmt.Fprintf(t.out, "  %q is no number of seconds\n", rest)
			return
		}
		t.wait(t.at + time.Duration(ms)*time.Millisecond)
	default:
		raw, err := Pasted(line)
		for _, f := range t.d.Frames() {
			if f.From == wire.Host && f.Name == line {
				_, raw, err = t.d.Sample(t.d.FrameNamed(line))
			}
		}
		if err != nil {
			fmt.Fprintf(t.out, "  %v\n", err)
			return
		}
		t.hear(raw)
	}
	t.says()
	t.state()
}

func (t *talk) emit() {
	f := t.d.FrameFor("reading")
	if f == wire.NoFrame {
		fmt.Fprintln(t.out, "  the dialect sends no reading on its own")
		return
	}
	rec := t.d.NewRecord()
	t.end.Fill(rec)
	t.n++
	raw, err := t.end.Emit(nil, f, rec, t.n, t.at)
	if err != nil {
		fmt.Fprintf(t.out, "  %v\n", err)
	}
	t.show("", raw)
}

func (t *talk) hear(raw []byte) {
	t.end.Receive(raw, t.at, t.serve)
	if due, ok := t.end.Deadline(); ok && t.end.State() == "" {
		t.end.Quiet(due, t.serve) // where silence ends a frame
	}
}

// serve answers a command as a gauge that does everything.
func (t *talk) serve(inc wire.Incoming) {
	if inc.Garbage != nil {
		fmt.Fprintf(t.out, "  no frame: %v\n", inc.Garbage)
		return
	}
	fmt.Fprintf(t.out, "  the gauge reads %s\n", t.d.Frames()[inc.Frame].Name)
	t.says()
	req, ok := t.end.Request(inc)
	if !ok {
		return
	}
	rec := t.d.NewRecord()
	t.end.Fill(rec)
	raw, err := t.end.AppendReply(nil, req, wire.Outcome{OK: req.Refused == "", Reason: req.Refused, Rec: rec})
	if err != nil {
		fmt.Fprintf(t.out, "  no answer: %v\n", err)
	}
	t.show("answers and ", raw)
}

// wait lets time pass, from one moment at which something is due to the next.
func (t *talk) wait(until time.Duration) {
	for range 1000 {
		due, ok := t.end.Deadline()
		if !ok || due > until {
			break
		}
		t.at = max(t.at, due)
		t.end.Quiet(t.at, t.serve)
		t.says()
	}
	t.at = until
}

func (t *talk) says() {
	t.end.Says(t.at, func(s wire.Said) {
		switch {
		case s.Baud != 0:
			fmt.Fprintf(t.out, "%9.3f s  the line runs at %d bit/s\n", t.at.Seconds(), s.Baud)
		case s.Given:
			fmt.Fprintf(t.out, "%9.3f s  reading %d is given up\n", t.at.Seconds(), s.Of)
		default:
			t.show("", s.Bytes)
		}
	})
	if err := t.end.Trouble(); err != nil {
		fmt.Fprintf(t.out, "  a rule cannot send: %v\n", err)
	}
}

func (t *talk) show(how string, raw []byte) {
	if len(raw) > 0 {
		fmt.Fprintf(t.out, "%9.3f s  the gauge %ssends % x  %s\n", t.at.Seconds(), how, raw, show.Dotted(raw))
	}
}

func (t *talk) state() {
	if s := t.end.State(); s != "" {
		fmt.Fprintf(t.out, "  state %s\n", s)
	}
}
