// Package replay plays a capture of a serial line back as a gauge: what the
// gauge sent on its own goes out at its times, and what a host asks is answered
// as the capture has it.
//
// A host need not ask as the captured one did. Each request is answered on its
// own: the first time with the first answer the capture has to it, then with
// the second, and after the last with the last again, whatever else is asked
// before or after it. The timeline waits for the host where the capture has a
// request, before the port goes until all is read, and when it is back until it is
// opened, for as long as Patience says: so what the gauge sends because it was asked to
// comes after the asking, and what the captured host got is not lost.
package replay

import (
	"bytes"
	"context"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/capture"
	"example.org/understudy/sim/wire"
)

// Script is what there is to play of one line of a capture.
type Script struct {
	Name     string // of the gauge
	Settings string // of the line; "" when the capture does not say
	Dialect  *wire.Dialect

	steps   []step
	answers map[string][]answer // by request
}

// step is one thing on the timeline.
type step struct {
	at   time.Duration
	what what
	data []byte // send
	text string // await: the request; back: the port's new name
}

type what uint8

const (
	send what = iota
	await
	gone
	back
)

type answer struct {
	after time.Duration // the request was whole
	data  []byte
}

// without a dialect, what follows within these times belongs together.
const (
	sameRequest = 50 * time.Millisecond // from one piece of a request to the next
	sameAnswer  = 20 * time.Millisecond // from one piece of an answer to the next
	answerMost  = 2 * time.Second       // from a request to its answer
)

// NewScript prepares a line of a capture. With a dialect, frames tell requests
// from one another and answers from what the gauge sends on its own. Without
// one (nil) the times have to: what the gauge sends next after a request is
// taken for its answer, which is wrong where a gauge streams and is asked at the
// same time.
func NewScript(ctx context.Context, c *capture.Capture, line int, d *wire.Dialect) (*Script, error) {
	if line < 0 || line >= len(c.Lines) {
		return nil, fmt.Errorf("the capture has %d lines, and no line %d", len(c.Lines), line)
	}
	s := &Script{Name: c.Lines[line].Name, Settings: c.Lines[line].Settings, Dialect: d, answers: map[string][]answer{}}
	events := c.Of(ctx, line)
	if d != nil {
		s.decode(events)
	} else {
		s.guess(events)
	}
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	slices.SortStableFunc(s.steps, func(a, b step) int { return int(max(-1, min(1, a.at-b.at))) })
	if len(s.steps) == 0 {
		return nil, fmt.Errorf("nothing was heard of %s", s.Name)
	}
	return s, nil
}

// Line finds a line of a capture by its gauge's name; "" is the only one.
func Line(c *capture.Capture, name string) (int, error) {
	var names []string
	for i, l := range c.Lines {
		if l.Name == name {
			return i, nil
		}
		names = append(names, l.Name)
	}
	switch {
	case name == "" && len(names) == 1:
		return 0, nil
	case name == "":
		return 0, fmt.Errorf("the capture has %d gauges; say which: %s", len(names), strings.Join(names, ", "))
	}
	return 0, fmt.Errorf("the capture has no gauge %q; it has %s", name, strings.Join(names, ", "))
}

// Requests is the number of different requests in the capture.
func (s *Script) Requests() int { return len(s.answers) }

// Sends is how often the gauge sends something on its own.
func (s *Script) Sends() (n int) {
	for i := range s.steps {
		if s.steps[i].what == send {
			n++
		}
	}
	return n
}

// Span is the time from the beginning to the last step.
func (s *Script) Span() time.Duration { return s.steps[len(s.steps)-1].at }

func (s *Script) other(e capture.Event) {
	switch e.Kind {
	case capture.Gone:
		s.steps = append(s.steps, step{at: e.At, what: gone})
	case capture.Back:
		s.steps = append(s.steps, step{at: e.At, what: back, text: e.Text})
	}
}

func (s *Script) request(at time.Duration, key string) {
	if _, known := s.answers[key]; !known {
		s.answers[key] = nil
	}
	s.steps = append(s.steps, step{at: at, what: await, text: key})
}

// decode makes the script by the dialect's frames.
func (s *Script) decode(events iter.Seq[capture.Event]) {
	type asked struct {
		key string
		at  time.Duration
	}
	numbers := map[int]asked{}
	var stream []byte // of the gauge, as far as it is in no message yet
	dec := capture.NewDecoder(s.Dialect, func(m capture.Message) {
		raw := slices.Clone(m.Raw)
		if m.From == wire.Gauge {
			// What stands before the frame and means nothing (a delimiter more
			// than is needed) is sent with it.
			i := bytes.Index(stream, m.Raw)
			if i < 0 {
				return // bytes that were taken along already
			}
			raw = slices.Clone(stream[:i+len(m.Raw)])
			stream = stream[i+len(m.Raw):]
		}
		switch a, known := numbers[m.Answers]; {
		case m.From == wire.Host:
			k := key(s.Dialect, m.Frame, m.Rec, m.Raw)
			numbers[m.Number] = asked{k, m.At}
			s.request(m.At, k)
		case m.Answers > 0 && known:
			s.answers[a.key] = append(s.answers[a.key], answer{max(0, m.At-a.at), raw})
		default:
			s.steps = append(s.steps, step{at: m.Start, what: send, data: raw})
		}
	})
	last := time.Duration(0)
	for e := range events {
		last = e.At
		s.other(e)
		if e.Kind == capture.FromGauge {
			stream = append(stream, e.Bytes...)
		}
		dec.Event(e)
	}
	dec.End()
	if len(stream) > 0 {
		s.steps = append(s.steps, step{at: last, what: send, data: stream})
	}
}

// key is the request as the dialect would write it, so that the ways to write
// one thing are one request; the bytes themselves when it is no frame.
func key(d *wire.Dialect, f wire.Frame, rec *wire.Record, raw []byte) string {
	if f != wire.NoFrame && rec != nil {
		own := d.NewRecord()
		own.CopyFrom(rec)
		if b, err := d.AppendFrame(nil, f, own); err == nil {
			return string(b)
		}
	}
	return string(raw)
}

// guess makes the script by times.
func (s *Script) guess(events iter.Seq[capture.Event]) {
	var req []byte // being put together
	var last capture.Event
	var answering string // the request that what comes now answers
	var askedAt, heardAt time.Duration
	flush := func() {
		if len(req) > 0 {
			answering, askedAt, heardAt = string(req), last.At, -1
			s.request(last.At, answering)
			req = nil
		}
	}
	for e := range events {
		switch e.Kind {
		case capture.FromHost:
			if len(req) > 0 && e.At-last.At > sameRequest {
				flush()
			}
			req = append(req, e.Bytes...)
			last = e
		case capture.FromGauge:
			flush()
			first := heardAt < 0 && e.At-askedAt <= answerMost
			more := heardAt >= 0 && e.At-heardAt <= sameAnswer
			if answering == "" || !first && !more {
				answering = ""
				s.steps = append(s.steps, step{at: e.At, what: send, data: e.Bytes})
				continue
			}
			heardAt = e.At
			if list := s.answers[answering]; more && len(list) > 0 {
				list[len(list)-1].data = append(slices.Clone(list[len(list)-1].data), e.Bytes...)
			} else {
				s.answers[answering] = append(list, answer{e.At - askedAt, e.Bytes})
			}
		default:
			s.other(e)
		}
	}
	flush()
}
