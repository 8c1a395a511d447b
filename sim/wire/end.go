package wire

import (
	"bytes"
	"errors"
	"fmt"
	"time"
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
}

// End is one end of a wire: it finds the frames in the bytes that arrive,
// however they are split or merged, and skips what is none. Its memory is
// bounded. It is not safe for concurrent use.
type End struct {
	d     *Dialect
	side  Side
	from  Side
	f     *framing
	roots []int // the frames that may arrive, in the order they are tried
	rec   *Record
	ask   *Record // what was asked last, on the host's end
	asks  [][]int // in-turn: the frames that may answer each command not yet answered

	buf     []byte
	chunks  []chunk // when the bytes of buf came
	last    time.Duration
	scratch []byte
	junk    []byte // bytes that are no frame, not yet reported
	junkAt  time.Duration
	junkWhy error
	junkSum bool
	inFrame bool // bracketed: the start was seen
	ended   bool // a frame has just ended: the rest of another end may follow
	skip    bool // the frame in hand became too long: wait for its end

	timed   bool   // silence matters
	simple  bool   // no commands share a line, no handshake, no order of replies
	more    bool   // another command of the same line follows the one being delivered
	part    int    // its place among the commands of the line
	reason  string // why a command cannot be understood, for the queue of errors
	line    Line
	address int64
	srv     server
}

type chunk struct {
	off int
	at  time.Duration
}

// NewEnd returns the end of a wire that stands on one side: the gauge's end
// receives what the host sends.
func (d *Dialect) NewEnd(side Side) *End {
	e := &End{d: d, side: side, from: side.other(), rec: d.NewRecord(), line: d.line, address: d.station.is}
	e.f = d.framings[e.from]
	e.roots = d.roots[e.from]
	e.timed = e.f.kind == silence || e.f.stale > 0
	e.simple = e.f.split == 0 && len(d.states) == 0 && !d.inTurn
	e.srv.init(d)
	return e
}

// SetLine tells the end how the line is set now; it matters to framings that
// count silence in characters.
func (e *End) SetLine(l Line) {
	if l.Baud > 0 {
		e.line = l
	}
}

// SetAddress sets the gauge's address, where the dialect has addresses.
func (e *End) SetAddress(n int64) { e.address = n }

// gap is the silence that ends a frame, or 0.
func (e *End) gap() time.Duration {
	if e.f.kind != silence {
		return 0
	}
	if e.f.gap > 0 {
		return e.f.gap
	}
	g := e.line.Character() * time.Duration(e.f.gapChars) / 10
	if e.f.gapChars == 35 && e.line.Baud > 19200 {
		// Modbus over Serial Line V1.02 §2.5.1.1: above 19200 bit/s a fixed 1.750 ms.
		g = 1750 * time.Microsecond
	}
	return g
}

// Receive takes bytes that arrived at a time and calls yield for every frame
// they complete and for bytes that are no frame.
func (e *End) Receive(p []byte, at time.Duration, yield func(Incoming)) {
	if len(p) == 0 {
		return
	}
	if e.timed {
		e.quietBytes(at, yield)
	}
	e.last = at
	switch e.f.kind {
	case fixedLength, lengthPrefixed:
		e.chunks = append(e.chunks, chunk{len(e.buf), at})
		e.slide(p, yield)
	case silence:
		if !e.skip {
			e.chunks = append(e.chunks, chunk{len(e.buf), at})
		}
		e.gather(p, yield)
	case bracketed:
		e.chunks = append(e.chunks, chunk{len(e.buf), at})
		e.bracket(p, yield)
	default:
		e.delimit(p, yield)
	}
}

// Deadline returns when Quiet should be called if nothing arrives before.
func (e *End) Deadline() (at time.Duration, ok bool) {
	at, ok = e.srv.deadline()
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
// complete, one left unfinished for too long is dropped, and a handshake's
// time may have run out (see Outgoing).
func (e *End) Quiet(at time.Duration, yield func(Incoming)) {
	e.quietBytes(at, yield)
	e.srv.timeout(e, at)
}

func (e *End) quietBytes(at time.Duration, yield func(Incoming)) {
	if gap := e.gap(); gap > 0 && (len(e.buf) > 0 || e.skip) && at >= e.last+gap {
		if e.skip {
			e.flush(yield)
			e.skip = false
		} else {
			e.complete(e.buf, yield)
		}
		e.clear()
	}
	if e.f.stale > 0 && at >= e.last+e.f.stale && (len(e.buf) > 0 || len(e.junk) > 0) {
		for len(e.buf) > 0 {
			if e.f.kind != fixedLength && e.f.kind != lengthPrefixed {
				e.discard(len(e.buf), errUnfinished, yield)
				break
			}
			// A length that was damaged on the way may have taken whole frames
			// in: they are found behind its first byte.
			e.discard(1, errUnfinished, yield)
			e.slide(nil, yield)
		}
		e.flush(yield)
		e.inFrame, e.skip = false, false
	}
}

var (
	errUnfinished = errors.New("the frame was left unfinished")
	errTooLong    = errors.New("the frame is longer than the framing allows")
	errOutside    = errors.New("the bytes stand outside a frame")
	errCheck      = errors.New("the frame's check does not match")
	errRestart    = errors.New("another frame starts before this one has ended")
)

func (e *End) startAt() time.Duration {
	if len(e.chunks) == 0 {
		return e.last
	}
	return e.chunks[0].at
}

// clear forgets the bytes in hand.
func (e *End) clear() {
	e.buf = e.buf[:0]
	e.chunks = e.chunks[:0]
}

// drop forgets the first n bytes in hand.
func (e *End) drop(n int) {
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
		k := min(n, e.junkMost()-len(e.junk))
		e.junk = append(e.junk, e.buf[:k]...)
		e.drop(k)
		n -= k
		if len(e.junk) >= e.junkMost() {
			e.flush(yield)
		}
	}
}

func (e *End) junkMost() int { return e.f.rawMost }

// flush reports the junk.
func (e *End) flush(yield func(Incoming)) {
	if len(e.junk) == 0 {
		return
	}
	e.garbage(Incoming{Frame: NoFrame, Raw: e.junk, Start: e.junkAt, Garbage: e.junkWhy, BadChecksum: e.junkSum}, yield)
	e.junk, e.junkSum = e.junk[:0], false
}

func (e *End) garbage(inc Incoming, yield func(Incoming)) {
	e.srv.garbage(e)
	yield(inc)
}

// delimit finds frames that end with given bytes.
func (e *End) delimit(p []byte, yield func(Incoming)) {
	f := e.f
	noted := false // the time of the bytes that go to buf
	for len(p) > 0 {
		if len(f.ors) > 0 && len(e.buf) == 0 {
			for e.ended && len(p) > 0 && f.endSet.has(p[0]) {
				p = p[1:]
			}
			if len(p) == 0 {
				return
			}
			e.ended = false
		}
		n := f.nextEnd(p)
		if n > 0 && n <= f.rawMost && len(e.buf) == 0 && !e.skip && (f.oneEnd || f.ended(p[:n])) {
			// A whole frame lies in the bytes: no need to keep it. Most are good, and
			// no more is said of them than that.
			e.ended = true
			raw := p[:n]
			p = p[n:]
			if f.plain && e.simple && len(e.junk) == 0 && n > len(f.end) {
				if fr, whole := e.d.decodeBody(e.roots, raw[:n-len(f.end)], e.rec, e.ask); whole {
					yield(Incoming{Frame: fr, Rec: e.rec, Raw: raw, Start: e.last})
					continue
				}
			}
			e.complete(raw, yield)
			continue
		}
		take := n
		if n == 0 {
			take = len(p)
		}
		take = min(take, f.rawMost-len(e.buf))
		if !noted {
			e.chunks = append(e.chunks, chunk{len(e.buf), e.last})
			noted = true
		}
		e.buf = append(e.buf, p[:take]...)
		p = p[take:]
		switch {
		case take == n && n > 0 && f.ended(e.buf):
			e.ended = true
			if e.skip {
				e.discard(len(e.buf), errTooLong, yield)
				e.flush(yield)
				e.skip = false
			} else {
				e.complete(e.buf, yield)
			}
			e.clear()
			noted = false
		case len(e.buf) >= f.rawMost:
			// Too long to be a frame. Keep what may be the first part of the end.
			e.discard(len(e.buf)-len(f.end)+1, errTooLong, yield)
			e.skip = true
			noted = len(e.buf) > 0
		}
	}
}

// nextEnd returns the length of p up to and with the first byte that may
// finish an end, or 0.
func (f *framing) nextEnd(p []byte) int {
	last := f.end[len(f.end)-1]
	n := bytes.IndexByte(p, last) + 1
	for _, o := range f.ors {
		if k := bytes.IndexByte(p, o[len(o)-1]) + 1; k > 0 && (n == 0 || k < n) {
			n = k
		}
	}
	return n
}

// bracket finds frames between a start and an end.
func (e *End) bracket(p []byte, yield func(Incoming)) {
	f := e.f
	for _, b := range p {
		if len(e.buf) == 0 && len(e.chunks) == 0 {
			e.chunks = append(e.chunks, chunk{0, e.last})
		}
		e.buf = append(e.buf, b)
		if !e.inFrame {
			if bytes.HasSuffix(e.buf, f.start) {
				if n := len(e.buf) - len(f.start); n > 0 {
					e.discard(n, errOutside, yield)
				}
				e.flush(yield)
				e.inFrame = true
			} else if f.alone.has(b) {
				if n := len(e.buf) - 1; n > 0 {
					e.discard(n, errOutside, yield)
				}
				e.complete(e.buf, yield)
				e.clear()
			} else if len(e.buf) >= f.rawMost {
				e.discard(len(e.buf)-len(f.start)+1, errOutside, yield)
			}
			continue
		}
		n := len(e.buf)
		if f.beyond {
			n -= f.check.width
		}
		if n >= len(f.start)+len(f.end) && f.closes(e.buf[:n]) {
			e.complete(e.buf, yield)
			e.clear()
			e.inFrame = false
			continue
		}
		if n := len(e.buf) - len(f.start); n > 0 && f.starts(e.buf) && (!f.beyond || !f.closesWithin(e.buf)) {
			e.discard(n, errRestart, yield)
			e.flush(yield)
		} else if len(e.buf) >= f.rawMost {
			e.discard(len(e.buf), errTooLong, yield)
			e.inFrame = false
		}
	}
	if len(e.buf) == 0 {
		e.chunks = e.chunks[:0]
	}
}

// closes says whether the bytes, which begin with the start, end a frame.
func (f *framing) closes(raw []byte) bool {
	if f.endOf(raw) == 0 {
		return false
	}
	return !f.double || f.unpaired(raw)
}

// starts says whether a new start stands at the end of the bytes.
func (f *framing) starts(raw []byte) bool {
	if !bytes.HasSuffix(raw, f.start) {
		return false
	}
	return !f.double || f.unpaired(raw)
}

// closesWithin says whether the end is already there and only the check is wanted.
func (f *framing) closesWithin(raw []byte) bool {
	for n := len(raw); n > len(raw)-f.check.width && n >= len(f.start)+len(f.end); n-- {
		if f.closes(raw[:n]) {
			return true
		}
	}
	return false
}

// unpaired says whether the doubled byte before the last one stands alone.
func (f *framing) unpaired(raw []byte) bool {
	n := 0
	for i := len(raw) - 2; i >= len(f.start) && raw[i] == f.twice; i-- {
		n++
	}
	return n%2 == 1
}

// gather collects bytes until a silence, or until a frame whose check is good.
func (e *End) gather(p []byte, yield func(Incoming)) {
	f := e.f
	for len(p) > 0 {
		if e.skip {
			for _, b := range p {
				if len(e.junk) == 0 {
					e.junkAt, e.junkWhy = e.last, errTooLong
				}
				e.junk = append(e.junk, b)
				if len(e.junk) >= e.junkMost() {
					e.flush(yield)
				}
			}
			return
		}
		if len(e.buf) >= f.rawMost { // one byte more than a frame has
			e.discard(len(e.buf), errTooLong, yield)
			e.skip = true
			continue
		}
		if !f.early {
			n := min(len(p), f.rawMost-len(e.buf))
			e.buf = append(e.buf, p[:n]...)
			p = p[n:]
		} else {
			e.buf = append(e.buf, p[0])
			p = p[1:]
			if e.whole() {
				e.complete(e.buf, yield)
				e.clear()
				if len(p) > 0 {
					e.chunks = append(e.chunks, chunk{0, e.last})
				}
				continue
			}
		}
	}
}

// whole says whether the bytes in hand are a frame whose check is good.
func (e *End) whole() bool {
	body, scratch, why, badSum := e.f.unwrap(e.buf, e.scratch)
	e.scratch = scratch
	if why != "" || badSum {
		return false
	}
	f, whole := e.d.decodeBody(e.among(), body, e.rec, e.ask)
	return f != NoFrame && whole
}

// slide finds frames whose length is known, stepping over one byte when the
// bytes in hand are no frame.
func (e *End) slide(p []byte, yield func(Incoming)) {
	f := e.f
	for {
		n := min(len(p), max(f.rawMost-len(e.buf), 0))
		e.buf = append(e.buf, p[:n]...)
		p = p[n:]
		need, ok := f.need(e.buf)
		switch {
		case len(e.buf) == 0:
			e.chunks = e.chunks[:0]
			return
		case !ok:
			e.discard(1, errOutside, yield)
		case need > len(e.buf):
			if len(p) == 0 {
				return
			}
		default:
			raw := e.buf[:need]
			body, scratch, why, badSum := f.unwrap(raw, e.scratch)
			e.scratch = scratch
			if why == "" && !badSum && e.simple {
				if fr, whole := e.d.decodeBody(e.roots, body, e.rec, e.ask); whole {
					if len(e.junk) > 0 {
						e.flush(yield)
					}
					yield(Incoming{Frame: fr, Rec: e.rec, Raw: raw, Start: e.startAt()})
					e.drop(need)
					break
				}
			}
			inc := Incoming{Frame: NoFrame, Raw: raw}
			if why != "" {
				inc.Garbage = fmt.Errorf("the frame %s", why)
			} else {
				e.read(&inc, body, badSum)
			}
			if inc.Garbage == nil {
				e.flush(yield)
				inc.Start = e.startAt()
				e.deliver(inc, yield)
				e.drop(need)
			} else {
				if len(e.junk) == 0 {
					e.junkSum = inc.BadChecksum
				}
				e.discard(1, inc.Garbage, yield)
			}
		}
		if len(p) > 0 {
			// Bytes still to come stand behind those in hand, at the same time.
			if len(e.chunks) == 0 {
				e.chunks = append(e.chunks, chunk{0, e.last})
			}
		}
	}
}

// need returns how long the frame in hand is, as far as its first bytes say;
// ok is false when they begin no frame.
func (f *framing) need(buf []byte) (n int, ok bool) {
	k := min(len(buf), len(f.start))
	if !bytes.Equal(buf[:k], f.start[:k]) {
		return 0, false
	}
	if f.kind == fixedLength {
		return f.bytes, true
	}
	head := len(f.start) + f.after + f.size
	if len(buf) < head {
		return head, true
	}
	u := readUint(buf[head-f.size:head], f.order)
	if u > uint64(f.longest+max(f.plus, 0)) {
		return 0, false
	}
	n = int(u) - f.plus
	if n < 0 || n+f.after > f.longest {
		return 0, false
	}
	return head + n, true
}

// among lists the frames that may arrive now.
func (e *End) among() []int {
	if len(e.asks) > 0 {
		return e.asks[0]
	}
	return e.roots
}

// read decodes a body.
func (e *End) read(inc *Incoming, body []byte, badSum bool) {
	f, whole := e.d.decodeBody(e.among(), body, e.rec, e.ask)
	dec := &e.rec.dec
	if f == NoFrame && dec.bestFrame >= 0 {
		e.d.why(e.rec, body, e.ask)
	}
	inc.Frame = f
	switch {
	case badSum:
		inc.BadChecksum = true
		inc.Garbage = errCheck
	case f == NoFrame:
		name := "no frame begins like this"
		e.reason = Unknown
		if dec.bestFrame >= 0 {
			fr := &e.d.frames[dec.bestFrame]
			name = fr.name
			if dec.best.pos > 0 && fr.ops[0].kind == opHeader {
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

// complete delivers a whole frame, or garbage that looks like none.
func (e *End) complete(raw []byte, yield func(Incoming)) {
	if len(e.junk) > 0 {
		e.flush(yield)
	}
	var why string
	var badSum bool
	body := raw[:max(len(raw)-len(e.f.end), 0)]
	if !e.f.plain {
		body, e.scratch, why, badSum = e.f.unwrap(raw, e.scratch)
	}
	if why == "" && !badSum && e.simple {
		if f, whole := e.d.decodeBody(e.roots, body, e.rec, e.ask); whole {
			yield(Incoming{Frame: f, Rec: e.rec, Raw: raw, Start: e.startAt()})
			return
		}
	}
	inc := Incoming{Frame: NoFrame, Raw: raw, Start: e.startAt()}
	if n := e.f.endOf(raw); n > 0 && n == len(raw) && !e.f.empty {
		return // two ends in a row, or a flag shared by two frames
	}
	if why != "" {
		inc.Garbage = fmt.Errorf("the frame %s", why)
		e.garbage(inc, yield)
		return
	}
	if e.f.split != 0 {
		e.parts(inc, body, yield)
		return
	}
	e.read(&inc, body, badSum)
	e.deliver(inc, yield)
}

func (e *End) deliver(inc Incoming, yield func(Incoming)) {
	if inc.Garbage != nil {
		e.garbage(inc, yield)
		return
	}
	e.srv.arrived(e, inc)
	yield(inc)
}

// parts delivers the several commands, or replies, of one line.
func (e *End) parts(inc Incoming, body []byte, yield func(Incoming)) {
	e.f.units(body, e.from, func(u unit) {
		one := inc
		e.more = u.more
		text := u.text
		if len(u.prefix) > 0 {
			text = append(append([]byte{}, u.prefix...), u.text...)
		}
		e.read(&one, text, false)
		e.deliver(one, yield)
		e.part++
	})
	e.part = 0
}
