package link

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"golang.org/x/exp/rand"
)

// FaultKind is a kind of scripted fault.
type FaultKind uint8

// Faults. Stall and Lose befall the link (see Link.Inject); the others what is
// written to the port (see Tamper). A late burst after a stall needs no fault
// of its own: it is what a Stall ends with.
const (
	// Stall: nothing gets through for a while; the frames come late, in order.
	// Longer than the supervision time-out, and the link is lost.
	Stall FaultKind = iota + 1
	// Lose: the link hangs up and the gauge is out of reach for a while, then
	// rejoins as its back-off has it.
	Lose
	// Garble: bits of each frame flipped, as on a noisy cable, or a checksum
	// spoiled on purpose. A radio that retransmits does not do this.
	Garble
	// Duplicate: each frame written more than once.
	Duplicate
	// Split: each write cut in pieces.
	Split
	// Merge: frames held back and written several at once.
	Merge
)

var faultNames = [...]string{"", "stall", "lose link", "garble", "duplicate", "split", "merge"}

func (k FaultKind) String() string {
	if int(k) < len(faultNames) && k > 0 {
		return faultNames[k]
	}
	return fmt.Sprintf("fault(%d)", uint8(k))
}

// MaxCount bounds Fault.Count.
const MaxCount = 1000

// Fault is a scripted fault: from At, for For. Fields that a kind does not use
// are ignored.
type Fault struct {
	Kind    FaultKind
	At, For time.Duration

	// Garble: bits flipped in a frame, 0 means 1.
	// Duplicate: extra copies, 0 means 1.
	// Split: pieces, 0 means 2.
	// Merge: frames in one write, 0 means 2.
	Count int
	Every int           // Garble, Duplicate: only one frame in so many, from the first; 0 means 1
	Gap   time.Duration // Split: from one piece to the next; Duplicate: from one copy to the next
	Keep  int           // Garble: bytes at the end left alone, such as a delimiter
	Span  int           // Garble: only so many bytes before those, such as a checksum; 0: all

	NewName bool // Lose: the gauge comes back under another port name
}

// Validate says what is wrong with f, if anything.
func (f Fault) Validate() error {
	var errs []error
	check := func(ok bool, format string, args ...any) {
		if !ok {
			errs = append(errs, fmt.Errorf("%v: "+format, append([]any{f.Kind}, args...)...))
		}
	}
	check(f.Kind >= Stall && f.Kind <= Merge, "is not a known fault")
	check(f.At >= 0, "at %v: must not be negative", f.At)
	check(f.For >= 0, "for %v: must not be negative", f.For)
	check(f.Count >= 0 && f.Count <= MaxCount, "count %d: must be 0 to %d", f.Count, MaxCount)
	check(f.Every >= 0, "every %d frames: must not be negative", f.Every)
	check(f.Gap >= 0 && f.Gap <= time.Hour, "gap %v: must be 0 to an hour", f.Gap)
	check(f.Keep >= 0 && f.Span >= 0, "keep %d and span %d bytes: must not be negative", f.Keep, f.Span)
	return errors.Join(errs...)
}

// covers says whether f is on at a time.
func (f *Fault) covers(at time.Duration) bool { return at >= f.At && at-f.At < f.For }

func (f *Fault) count(usual int) int {
	if f.Count == 0 {
		return usual
	}
	return f.Count
}

// Write is bytes to be written to a port in one piece at a time.
type Write struct {
	At    time.Duration
	Bytes []byte
}

// A Tamper stands between a gauge's frames and its port and lets Garble,
// Duplicate, Split and Merge faults loose on them. The order of bytes is never
// changed: a write never comes before an earlier one, whatever its gap.
type Tamper struct {
	rng    rand.PCGSource
	faults []scripted
	last   time.Duration // no write before this
	held   []byte        // frames waiting to be merged
	heldN  int
	heldTo time.Duration // when they go out at the latest
	buf    []byte        // backs the bytes of what Frame returned
}

type scripted struct {
	Fault
	seen int // frames since it began
}

// NewTamper has no faults yet. src seeds which bits are garbled.
func NewTamper(src rand.Source) *Tamper {
	t := &Tamper{}
	t.rng.Seed(src.Uint64())
	return t
}

// Add gives the tamper a fault, to come or begun.
func (t *Tamper) Add(f Fault) error {
	if err := f.Validate(); err != nil {
		return err
	}
	if f.Kind == Stall || f.Kind == Lose {
		return fmt.Errorf("%v is a fault of the link, not of what is written", f.Kind)
	}
	t.faults = slices.DeleteFunc(t.faults, func(old scripted) bool { return old.At < t.last && !old.covers(t.last) })
	t.faults = append(t.faults, scripted{Fault: f})
	return nil
}

// Clear ends every fault at a time. Frames held for merging are due then.
func (t *Tamper) Clear(at time.Duration) {
	t.faults = t.faults[:0]
	t.heldTo = min(t.heldTo, at)
}

// find is the last added fault of a kind that is on.
func (t *Tamper) find(k FaultKind, at time.Duration) *scripted {
	for i := len(t.faults) - 1; i >= 0; i-- {
		if f := &t.faults[i]; f.Kind == k && f.covers(at) {
			return f
		}
	}
	return nil
}

// touches counts a frame and says whether it is one f befalls.
func (f *scripted) touches() bool {
	n := f.seen
	f.seen++
	return n%max(f.Every, 1) == 0
}

// Frame takes a frame that is to be written at a time, not before any earlier
// one, and appends the writes it leads to. Their bytes are good until the next
// call on t.
func (t *Tamper) Frame(dst []Write, at time.Duration, frame []byte) []Write {
	t.buf = t.buf[:0]
	dst = t.release(dst, at, false)
	t.last = max(t.last, at)
	if f := t.find(Garble, at); f != nil && f.touches() {
		frame = t.garble(frame, f)
	}
	copies, gap := 1, time.Duration(0)
	if f := t.find(Duplicate, at); f != nil && f.touches() {
		copies, gap = 1+f.count(1), f.Gap
	}
	for i := range copies {
		if i > 0 {
			t.last += gap
		}
		if m := t.find(Merge, at); m != nil {
			if t.heldN == 0 {
				t.heldTo = never
				if m.For < never-m.At {
					t.heldTo = m.At + m.For
				}
			}
			t.held = append(t.held, frame...)
			if t.heldN++; t.heldN >= m.count(2) {
				dst = t.release(dst, at, true)
			}
			continue
		}
		dst = t.write(dst, at, frame)
	}
	return dst
}

// Next is when held frames go out by themselves; ok is false if none are held.
func (t *Tamper) Next() (time.Duration, bool) { return t.heldTo, t.heldN > 0 && t.heldTo != never }

// Flush appends the write of held frames that are due by a time. Its bytes are
// good until the next call on t.
func (t *Tamper) Flush(dst []Write, to time.Duration) []Write {
	t.buf = t.buf[:0]
	return t.release(dst, to, false)
}

// release writes the held frames if they are due, or at once.
func (t *Tamper) release(dst []Write, at time.Duration, now bool) []Write {
	if t.heldN == 0 || !now && t.heldTo > at {
		return dst
	}
	if !now {
		at = max(t.heldTo, t.last)
	}
	t.last = max(t.last, at)
	from := len(t.buf)
	t.buf = append(t.buf, t.held...)
	t.held, t.heldN = t.held[:0], 0
	return t.write(dst, at, t.buf[from:])
}

// write appends a write, in pieces if a split is on.
func (t *Tamper) write(dst []Write, at time.Duration, b []byte) []Write {
	f := t.find(Split, at)
	if f == nil || len(b) == 0 {
		return append(dst, Write{t.last, b})
	}
	n := min(f.count(2), len(b))
	for i := range n {
		if i > 0 {
			t.last += f.Gap
		}
		dst = append(dst, Write{t.last, b[i*len(b)/n : (i+1)*len(b)/n]})
	}
	return dst
}

// garble is a copy of frame with bits of the chosen span flipped, each at most
// once.
func (t *Tamper) garble(frame []byte, f *scripted) []byte {
	from := len(t.buf)
	t.buf = append(t.buf, frame...)
	b := t.buf[from:]
	end := max(0, len(b)-f.Keep)
	begin := 0
	if f.Span > 0 {
		begin = max(0, end-f.Span)
	}
	bits := 8 * (end - begin)
	want := min(f.count(1), bits)
	// Each bit in turn is chosen with the chance that leaves every choice of
	// want bits equally likely (selection sampling).
	for i := 0; want > 0; i++ {
		if uniform(&t.rng)*float64(bits-i) <= float64(want) {
			b[begin+i/8] ^= 1 << (i % 8)
			want--
		}
	}
	return b
}
