package wire

import (
	"fmt"
	"time"

	"example.org/understudy/sim/uart"
)

// Incoming is one frame that arrived, or bytes that are none. Rec and Raw are
// only good until the function that was given them returns.
type Incoming struct {
	Frame       Frame // NoFrame when the bytes are no frame
	Rec         *Record
	Raw         []byte        // as received, framing included
	Start       time.Duration // when its first byte came
	Garbage     error         // nil for a good frame; else why it is none
	BadChecksum bool          // it looks like Frame but its check does not match

	wrongState bool // a command that is not obeyed in the state it met
	more       bool // another command of the same line follows
	part       int  // its place among the commands of the line
}

// End is one end of a wire: it finds the frames in the bytes that arrive,
// however they are split or merged, and skips what is none. Its memory is
// bounded. It is not safe for concurrent use.
type End struct {
	// Fill gives the gauge's present values, for what its end says by itself.
	Fill func(rec *Record)

	d    *Dialect
	side Side
	from Side
	f    *framing // of the bytes in hand
	rec  *Record
	ask  *Record // what was asked last, on the host's end
	asks [][]int // in-turn: the frames that may answer each command not yet answered

	buf     []byte
	seen    int     // bytes of buf that were scanned: the beginning of a frame
	chunks  []chunk // when the bytes of buf came
	last    time.Duration
	whole   unwrapped
	junk    []byte // bytes that are no frame, not yet reported
	junkAt  time.Duration
	junkWhy error
	junkSum bool
	ended   bool // a frame has just ended: the rest of another end may follow
	skip    bool // the frame in hand became too long: wait for its end

	reason string // why a command cannot be understood, for the queue of errors
	line   uart.Settings
	talk   conversation
}

type chunk struct {
	off int
	at  time.Duration
}

// NewEnd returns the end of a wire that stands on one side: the gauge's end
// receives what the host sends.
func (d *Dialect) NewEnd(side Side) *End {
	e := &End{d: d, side: side, from: side.other(), rec: d.NewRecord(), line: d.line}
	e.f = d.framings[e.from][0]
	e.talk.init(e)
	return e
}

// SetLine tells the end how the line is set now; it matters to framings that
// count silence in characters.
func (e *End) SetLine(l uart.Settings) {
	if l.Baud > 0 {
		e.line = l
	}
}

// gap is the silence that ends a frame, or 0.
func (e *End) gap() time.Duration {
	if e.f.Kind != silence {
		return 0
	}
	if e.f.gap > 0 {
		return e.f.gap
	}
	if e.f.gapChars == 35 && e.line.Baud > 19200 {
		// Modbus over Serial Line V1.02 §2.5.1.1: above 19200 bit/s a fixed 1.750 ms.
		return 1750 * time.Microsecond
	}
	return e.line.Chars(e.f.gapChars) / 10
}

// Receive takes bytes that arrived at a time and calls yield for every frame
// they complete and for bytes that are no frame.
func (e *End) Receive(p []byte, at time.Duration, yield func(Incoming)) {
	if len(p) == 0 {
		return
	}
	e.quietBytes(at, yield)
	e.last = at
	for len(p) > 0 {
		n := min(len(p), e.f.rawMost)
		if len(e.chunks) == 0 || e.chunks[len(e.chunks)-1].at != at {
			e.chunks = append(e.chunks, chunk{len(e.buf), at})
		}
		e.buf = append(e.buf, p[:n]...)
		p = p[n:]
		e.scan(yield)
	}
}

// scan takes the frames out of the bytes in hand, and what is none.
func (e *End) scan(yield func(Incoming)) {
	for len(e.buf) > 0 {
		if e.seen == 0 && !e.skip {
			e.pick()
		}
		if e.ended && len(e.f.ors) > 0 && e.f.ends.has(e.buf[0]) {
			e.drop(1)
			continue
		}
		e.ended = false
		if e.skip && e.f.Kind == silence {
			e.discard(len(e.buf), errTooLong, yield)
			return
		}
		if e.f.Early && e.wholeEarly(yield) {
			continue
		}
		n, what, why := e.f.scan(e.buf, e.seen)
		switch {
		case what == scanMore:
			e.seen = len(e.buf)
			return
		case what == scanLong:
			e.discard(n, why, yield)
			e.skip = true
		case what == scanJunk:
			e.discard(n, why, yield)
			if why == errRestart {
				e.flush(yield)
			}
		case e.skip:
			e.discard(n, errTooLong, yield)
			e.flush(yield)
			e.skip, e.ended = false, true
		default:
			e.ended = true
			e.complete(n, yield)
		}
	}
}

// pick chooses the framing of the frame that begins: what the state says, what
// answers the command that was asked, or the first that begins like this.
func (e *End) pick() {
	list := e.d.framings[e.from]
	if st := e.talk.framing(); e.side == Gauge && st != nil {
		e.f = st
		return
	}
	if len(e.asks) > 0 {
		e.f = e.d.frames[e.asks[0][0]].framing
		if len(e.asks[0]) == 1 || e.f.opens(e.buf[0]) {
			return
		}
	}
	for _, f := range list[1:] {
		if f.opens(e.buf[0]) {
			e.f = f
			return
		}
	}
	e.f = list[0]
}

// wholeEarly delivers the frame that the bytes in hand begin with, when its
// check is good although no silence has come.
func (e *End) wholeEarly(yield func(Incoming)) bool {
	for n := e.seen + 1; n <= min(len(e.buf), e.f.rawMost); n++ {
		if e.whole.unwrap(e.f, e.buf[:n]); e.whole.why != "" || e.whole.bad {
			continue
		}
		if f, whole := e.d.decodeBody(e.among(), e.whole.body, e.rec, e.ask); f != NoFrame && whole {
			e.complete(n, yield)
			return true
		}
	}
	return false
}

// Deadline returns when Quiet should be called if nothing arrives before.
func (e *End) Deadline() (at time.Duration, ok bool) {
	at, ok = e.talk.deadline()
	if len(e.buf) == 0 && len(e.junk) == 0 && !e.skip {
		return at, ok
	}
	for _, wait := range [2]time.Duration{e.gap(), e.f.stale} {
		if wait > 0 && (!ok || e.last+wait < at) {
			at, ok = e.last+wait, true
		}
	}
	return at, ok
}

// Quiet says that nothing arrived up to a time: a frame that silence ends is
// complete, one left unfinished for too long is dropped, and a conversation's
// time may have run out (see Says).
func (e *End) Quiet(at time.Duration, yield func(Incoming)) {
	e.quietBytes(at, yield)
	e.talk.timeout(at)
}

func (e *End) quietBytes(at time.Duration, yield func(Incoming)) {
	if gap := e.gap(); gap > 0 && at >= e.last+gap {
		if e.skip {
			e.flush(yield)
			e.skip = false
		} else if len(e.buf) > 0 {
			e.complete(len(e.buf), yield)
		}
	}
	if e.f.stale == 0 || at < e.last+e.f.stale || len(e.buf)+len(e.junk) == 0 {
		return
	}
	for len(e.buf) > 0 {
		if !e.f.counted() {
			e.discard(len(e.buf), errUnfinished, yield)
			break
		}
		// A length that was damaged on the way may have taken whole frames in:
		// they are found behind its first byte.
		e.discard(1, errUnfinished, yield)
		e.scan(yield)
	}
	e.flush(yield)
	e.skip = false
}

func (e *End) startAt() time.Duration {
	if len(e.chunks) == 0 {
		return e.last
	}
	return e.chunks[0].at
}

// drop forgets the first n bytes in hand.
func (e *End) drop(n int) {
	e.seen = 0
	e.buf = e.buf[:copy(e.buf, e.buf[n:])]
	keep := 0
	for keep+1 < len(e.chunks) && e.chunks[keep+1].off <= n {
		keep++
	}
	e.chunks = e.chunks[:copy(e.chunks, e.chunks[keep:])]
	for i := range e.chunks {
		e.chunks[i].off = max(e.chunks[i].off-n, 0)
	}
	if len(e.buf) == 0 {
		e.chunks = e.chunks[:0]
	}
}

// discard moves the first n bytes in hand to the junk.
func (e *End) discard(n int, why error, yield func(Incoming)) {
	for n > 0 {
		if len(e.junk) == 0 {
			e.junkAt, e.junkWhy = e.startAt(), why
		}
		k := min(n, e.f.rawMost-len(e.junk))
		e.junk = append(e.junk, e.buf[:k]...)
		e.drop(k)
		n -= k
		if len(e.junk) >= e.f.rawMost {
			e.flush(yield)
		}
	}
}

// flush reports the junk.
func (e *End) flush(yield func(Incoming)) {
	if len(e.junk) == 0 {
		return
	}
	inc := Incoming{Frame: NoFrame, Raw: e.junk, Start: e.junkAt, Garbage: e.junkWhy, BadChecksum: e.junkSum}
	e.junk, e.junkSum = e.junk[:0], false
	e.deliver(&inc, yield)
}

// complete delivers the frame that the first n bytes in hand are, or garbage
// that looks like none.
func (e *End) complete(n int, yield func(Incoming)) {
	raw := e.buf[:n]
	u := &e.whole
	u.unwrap(e.f, raw)
	inc := Incoming{Frame: NoFrame, Raw: raw, Start: e.startAt()}
	switch {
	case u.end > 0 && u.end == n && !e.f.empty:
		// Two ends in a row, or a flag shared by two frames.
		e.flush(yield)
		e.drop(n)
		return
	case u.why != "":
		inc.Garbage = fmt.Errorf("the frame %s", u.why)
	case e.f.split != 0:
		e.flush(yield)
		e.parts(inc, u.body, yield)
		e.drop(n)
		return
	default:
		e.read(&inc, u.body, u.bad)
	}
	if inc.Garbage != nil && (e.f.counted()) {
		// The length was not to be trusted: look behind its first byte.
		if len(e.junk) == 0 {
			e.junkSum = inc.BadChecksum
		}
		e.discard(1, inc.Garbage, yield)
		return
	}
	e.flush(yield)
	e.deliver(&inc, yield)
	e.drop(n)
}

// among lists the frames that may arrive now.
func (e *End) among() []int {
	if len(e.asks) > 0 {
		return e.asks[0]
	}
	return e.f.roots
}

// read decodes a body.
func (e *End) read(inc *Incoming, body []byte, badSum bool) {
	f, whole := e.d.decodeBody(e.among(), body, e.rec, e.ask)
	dec := &e.rec.dec
	inc.Frame = f
	switch {
	case badSum:
		inc.BadChecksum = true
		inc.Garbage = fmt.Errorf("the frame's %s does not match", e.f.node.name)
	case f == NoFrame:
		name := "no frame begins like this"
		e.reason = Unknown
		if dec.bestFrame >= 0 {
			fr := &e.d.frames[dec.bestFrame]
			name = fr.name
			if _, named := fr.nodes[0].field.(*header); named && dec.best.pos > 0 {
				e.reason = BadParameter // the name is known; what follows is not
			}
		}
		inc.Garbage = dec.best.describe(name)
		return
	case !whole:
		inc.BadChecksum = true
		inc.Garbage = dec.bad.describe(e.d.frames[f].name)
	}
	if f != NoFrame {
		inc.Rec = e.rec
	}
	if len(e.asks) > 0 {
		e.asks = append(e.asks[:0], e.asks[1:]...)
	}
}

// parts delivers the several commands, or replies, of one line.
func (e *End) parts(inc Incoming, body []byte, yield func(Incoming)) {
	e.f.units(body, e.from, func(u unit) {
		one := inc
		one.more, one.part = u.more, inc.part
		text := u.text
		if len(u.prefix) > 0 {
			text = append(append([]byte{}, u.prefix...), u.text...)
		}
		e.read(&one, text, false)
		e.deliver(&one, yield)
		inc.part++
	})
}

// deliver tells the conversation what arrived, and then whoever reads. Whether
// a command is obeyed is judged in the state that it meets.
func (e *End) deliver(inc *Incoming, yield func(Incoming)) {
	if e.side == Gauge {
		e.talk.arrived(inc)
	}
	yield(*inc)
}

// hear takes pieces of a stream, with a silence behind each that ends a frame
// where silence does, and at last a long one.
func (e *End) hear(see func(Incoming), pieces ...[]byte) {
	at := time.Duration(0)
	for _, p := range pieces {
		e.Receive(p, at, see)
		at += e.gap()
		e.Quiet(at, see)
	}
	e.Quiet(at+time.Hour, see)
}

// Spoils reports whether who reads the gauge finds bytes that came in place of
// its frame bad, and finds the frames that follow: one bit of a frame may be
// damaged without that, in a dialect that does not check it.
func (d *Dialect) Spoils(bad, frame []byte) bool {
	good := map[string]int{}
	read := func(p []byte, count int) (n int, right bool) {
		right = true
		d.NewEnd(Host).hear(func(inc Incoming) {
			if inc.Garbage == nil {
				n++
				good[string(inc.Raw)] += count
				right = right && good[string(inc.Raw)] > 0
			}
		}, frame, p, frame, frame)
		return n, right
	}
	all, _ := read(frame, 1)
	left, right := read(bad, 0)
	return right && left < all && left >= all/4*3
}
