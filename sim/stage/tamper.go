package stage

import (
	"bytes"
	"slices"
	"strings"
	"time"

	"example.org/understudy/sim/port"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
)

// pieceGap is the time from one piece of a split frame to the next, unless the piece takes
// longer on the line: longer than a host takes to read what has come.
const pieceGap = 2 * time.Millisecond

// mergeWait is how long a frame is held for merging in a conversation.
const mergeWait = 20 * time.Millisecond

// tamper stands between the link and the port and does to frames what cues ask
// for: garble, duplicate, split, merge. The order of bytes never changes.
type tamper struct {
	rng       *random.Rand
	garble    int
	duplicate int
	split     int
	splitAt   int
	merge     int
	held      []flight
	last      time.Duration // no write before this
	begun     time.Duration // when the latest bytes went out, or are to
	queued    int           // writes that are still to go out
	behind    []came        // since the host was last sent a frame it could find
}

// came is what came to a host at a time.
type came struct {
	at    time.Duration
	bytes []byte
}

func newTamper(src random.Source) tamper { return tamper{rng: random.From(src)} }

// frame takes a frame that is due at the port.
func (t *tamper) frame(a *actor, fl flight) {
	raw, fault := fl.bytes, ""
	if t.full(a) { // it follows nothing, and nothing is found behind it
		a.gone(a.only(fl.id), ledger.Lost, nil, tooSlow)
		return
	}
	if a.asked != a.line {
		var errors port.LineState
		raw, errors = misread(raw, a.line, a.asked)
		fault = "wrong speed"
		a.tellErrors(errors)
		if len(raw) == 0 {
			a.gone([]int{fl.id}, ledger.Lost, nil, fault) // not one start bit was seen
			return
		}
		t.swallowed(a, raw)
	} else if len(t.behind) > 0 && !t.found(a, raw) {
		fault = "behind garbage"
	}
	if fl.id == 0 { // what a handshake says between frames is left alone
		t.release(a)
		t.write(a, []int{0}, raw, fault)
		return
	}
	if t.garble > 0 {
		t.garble--
		if bad, ok := t.garbled(a, raw); ok {
			raw, fault = bad, join(fault, "garble")
		}
	}
	if t.duplicate > 0 {
		t.duplicate--
		raw = append(slices.Clone(raw), raw...)
		fault = join(fault, "duplicate")
	}
	if t.merge > 0 {
		t.held = append(t.held, flight{fl.id, raw})
		switch {
		case len(t.held) >= t.merge:
			t.release(a)
		case a.end != nil && a.end.State() != "":
			// The host answers a frame before the next one is sent: it goes with what
			// follows soon, not with frames that would never come.
			a.s.at(a.s.now+mergeWait, func() { t.release(a) })
		}
		return
	}
	if t.split > 0 {
		t.split--
		t.inPieces(a, fl.id, raw, join(fault, "split"))
		return
	}
	ids := a.only(fl.id)
	if a.s.now < t.last {
		ids = []int{fl.id} // they wait
	}
	t.write(a, ids, raw, fault)
}

// swallowed remembers what a host was sent that may hold up its decoder.
func (t *tamper) swallowed(a *actor, raw []byte) {
	const most = 64 // of them: more than the longest frame takes
	if len(t.behind) == most {
		t.behind = append(t.behind[:0], t.behind[1:]...)
	}
	t.behind = append(t.behind, came{a.s.now, raw})
}

// found reports whether a host finds a good frame behind what was sampled at a
// wrong speed. Where the garbage ended in no delimiter, or looked like the
// start of a longer frame, a right decoder takes the frame for the rest of it.
func (t *tamper) found(a *actor, raw []byte) (ok bool) {
	if a.m.Dialect == nil {
		t.behind = nil
		return true
	}
	t.swallowed(a, raw)
	end := a.m.Dialect.NewEnd(wire.Host)
	see := func(inc wire.Incoming) { ok = ok || inc.Garbage == nil && bytes.Equal(inc.Raw, raw) }
	for _, c := range t.behind {
		end.Receive(c.bytes, c.at, see)
	}
	end.Quiet(a.s.now+50*time.Millisecond, see) // the silence that ends a frame, where one does
	if ok {
		t.behind = nil
	}
	return ok
}

func join(a, b string) string {
	if a == "" {
		return b
	}
	return a + ", " + b
}

// backlog is how far behind a gauge's line may be before it gives frames up.
const backlog = time.Second

// write puts bytes now, or after those that are still to go: the line carries no
// more than its speed.
func (t *tamper) write(a *actor, ids []int, raw []byte, fault string) {
	if t.full(a) {
		a.gone(ids, ledger.Lost, nil, tooSlow)
		return
	}
	at := a.s.now
	if a.s.now > 0 && a.s.restart.starting == nil {
		at = max(at, t.last)
		t.last = at + a.onLine(len(raw))
	} else if t.queued > 0 { // a host gets ready: time stands, but the order stays
		at = max(at, t.begun)
	}
	t.begun = at
	if at > a.s.now || t.queued > 0 {
		t.queued++
		a.s.at(at, func() {
			t.queued--
			a.handOver(ids, raw, fault)
		})
		return
	}
	a.handOver(ids, raw, fault)
}

// onLine is how long bytes take on the gauge's line.
func (a *actor) onLine(bytes int) time.Duration {
	if a.line.Baud == 0 {
		return 0
	}
	return a.line.Chars(bytes)
}

// handOver puts bytes at the port and enters what became of them.
func (a *actor) handOver(ids []int, raw []byte, fault string) {
	f, sent := a.put(raw), len(raw)
	a.latest = told{ids[0], f == ledger.Sent && len(ids) == 1 && strings.Contains(fault, "garble"), f == ledger.Sent && fault == ""}
	a.doubtful = a.doubtful || len(ids) > 1 || strings.Contains(fault, "duplicate") // it answers each
	if a.other[ids[0]] == ledger.Partly {
		fault = join(fault, ledger.Partly)
	}
	if fault == "" && ids[0] != 0 && a.other[ids[0]] == "" { // else nothing else tells the bytes
		raw = nil
	}
	a.gone(ids, f, raw, fault)
	if f == ledger.Sent {
		a.cleared(sent)
	}
}

func (t *tamper) inPieces(a *actor, id int, raw []byte, fault string) {
	first := t.splitAt
	var pieces [][]byte
	if first > 0 && first < len(raw) {
		pieces = [][]byte{raw[:first], raw[first:]}
	} else {
		for i := range raw {
			pieces = append(pieces, raw[i:i+1])
		}
	}
	at := max(a.s.now, t.last)
	fate := ledger.Sent
	for i, p := range pieces {
		t.queued++
		a.s.at(at, func() {
			t.queued--
			if f := a.put(p); f != ledger.Sent {
				fate = f
			}
			if i == len(pieces)-1 {
				a.gone([]int{id}, fate, raw, fault)
				if fate == ledger.Sent {
					a.cleared(len(raw))
				}
			}
		})
		t.begun = at
		at += max(pieceGap, a.onLine(len(p)))
	}
	t.last = at
}

// release writes the frames held for merging in one piece.
func (t *tamper) release(a *actor) {
	if len(t.held) == 0 {
		return
	}
	var all []byte
	var ids []int
	for _, h := range t.held {
		all = append(all, h.bytes...)
		ids = append(ids, h.id)
	}
	t.held, t.merge = nil, 0
	t.write(a, ids, all, "merge")
}

// idle reports whether nothing is held back. What the line still carries is at the
// port already.
func (t *tamper) idle(now time.Duration) bool {
	return len(t.held) == 0 && t.queued == 0 && t.begun <= now
}

// full reports whether so much waits for the line that no more can.
func (t *tamper) full(a *actor) bool { return max(a.s.now, t.last) > a.s.now+backlog }

// purgesFor is how long after a purge a client may still throw away what comes: at pace
// drain, where time waits for it, as long as it counts as negotiating; else longer, for
// the answer and the client may be late.
func (s *Stage) purgesFor() time.Duration {
	if s.opt.Pace.kind == timed {
		return time.Second
	}
	return 150 * time.Millisecond
}

const tooSlow = "the line is too slow"

// drop gives up held frames when the link is lost.
func (t *tamper) drop(a *actor) {
	for _, h := range t.held {
		a.gone([]int{h.id}, ledger.Lost, nil, "")
	}
	t.held, t.merge = nil, 0
}

// garbled flips one bit of a frame so that a right decoder finds the frame
// bad, and only this frame: the next ones must still be found. Most bits will
// do; ok is false when none of 64 tries did, as in a dialect without a
// checksum, and the frame then goes undamaged.
func (t *tamper) garbled(a *actor, raw []byte) (bad []byte, ok bool) {
	bad = slices.Clone(raw)
	if len(raw) == 0 || a.m.Dialect == nil {
		return nil, false
	}
	for range 64 {
		bit := t.rng.Intn(8 * len(raw))
		bad[bit/8] ^= 1 << (bit % 8)
		if a.m.Dialect.Spoils(bad, raw) {
			return bad, true
		}
		bad[bit/8] ^= 1 << (bit % 8)
	}
	return nil, false
}
