package uart

import "time"

// Char is one character as a receiver reports it.
type Char struct {
	Byte    byte          // data bits, the unused high ones zero
	Framing bool          // the stop bit was sampled low
	Parity  bool          // the parity bit does not fit the data
	Break   bool          // every bit down to the stop bit was low (Framing is set too)
	At      time.Duration // when the stop bit was decided, from the start of the line
}

// A Line is the level of a wire over time, written by a transmitter. It begins
// idle (high), and is idle for ever after what was written.
type Line struct {
	tx     Settings
	levels []bool // one for each half bit
}

// NewLine is an idle line written with the given settings, which must be valid.
func NewLine(tx Settings) *Line { return &Line{tx: tx} }

// Send writes bytes back to back. Only the low DataBits bits of each go out.
func (l *Line) Send(bytes ...byte) {
	for _, b := range bytes {
		b &= byte(1<<l.tx.DataBits - 1)
		l.hold(false, 2)
		for i := range l.tx.DataBits {
			l.hold(b>>i&1 == 1, 2)
		}
		if l.tx.Parity != None {
			l.hold(parityBit(l.tx.Parity, b), 2)
		}
		l.hold(true, int(l.tx.Stop))
	}
}

func (l *Line) hold(level bool, halves int) {
	for range halves {
		l.levels = append(l.levels, level)
	}
}

// oversampling is how many times a bit the receiver looks at the line; the
// three looks 7, 8 and 9 vote (Microchip SAM D/L "Sample Adjustment": samples
// 7-8-9 for 16x oversampling by majority; other makers take 8, 9 and 10).
const oversampling = 16

// AppendChars appends to dst what a receiver set to rx reports of the line.
//
// The receiver looks at the line 16 times a bit. A high-to-low edge starts a
// character if the majority of looks 7, 8, 9 of the start bit is low, and is
// ignored as a glitch if not. Data, parity and the first stop bit are decided
// by the same vote, then the receiver hunts for the next edge at once, so a
// second stop bit is never checked. After a low stop bit it waits for the line
// to go high first. The receiver's clock is in step with the line at its
// start; a look that falls on an edge sees the level after it.
func (l *Line) AppendChars(dst []Char, rx Settings) []Char {
	r := reader{levels: l.levels, num: int64(l.tx.Baud), den: oversampling / 2 * int64(rx.Baud)}
	end := r.first(int64(len(l.levels))) // from this look on the line is idle for good
	was := true
	for k := int64(0); k < end; k = max(k+1, r.first(r.half(k)+1)) {
		level := r.look(k)
		edge := was && !level
		was = level
		if !edge {
			continue
		}
		if was = r.vote(k, 0); was { // a glitch
			k += 8
			continue
		}
		var c Char
		bit := int64(1)
		ones := false
		for i := range rx.DataBits {
			if r.vote(k, bit) {
				c.Byte |= 1 << i
				ones = true
			}
			bit++
		}
		if rx.Parity != None {
			got := r.vote(k, bit)
			c.Parity = got != parityBit(rx.Parity, c.Byte)
			ones = ones || got
			bit++
		}
		was = r.vote(k, bit)
		c.Framing = !was
		c.Break = !was && !ones
		k += bit*oversampling + 8
		c.At = lookTime(k+1, rx.Baud)
		dst = append(dst, c)
	}
	return dst
}

// lookTime is k ÷ (16 × baud) seconds, rounded down to a nanosecond.
func lookTime(k int64, baud int) time.Duration {
	per := oversampling * int64(baud)
	return time.Duration(k/per)*time.Second + time.Duration(k%per*1e9/per)
}

// reader samples a line at looks of another clock: look k falls in half bit
// k·num/den.
type reader struct {
	levels   []bool
	num, den int64
}

func (r *reader) half(k int64) int64 { return k * r.num / r.den }

// first is the first look that falls in half bit i or later.
func (r *reader) first(i int64) int64 { return (i*r.den + r.num - 1) / r.num }

func (r *reader) look(k int64) bool {
	i := r.half(k)
	return i >= int64(len(r.levels)) || r.levels[i]
}

// vote is the majority of looks 7, 8 and 9 of a bit of the character whose
// edge was seen at look k.
func (r *reader) vote(k, bit int64) bool {
	k += bit * oversampling
	a, b, c := r.look(k+7), r.look(k+8), r.look(k+9)
	return a && b || b && c || a && c
}

// Receive is what a receiver set to rx reports when sent goes out back to back
// from a transmitter set to tx. Both settings must be valid.
func Receive(sent []byte, tx, rx Settings) []Char {
	l := NewLine(tx)
	l.Send(sent...)
	return l.AppendChars(nil, rx)
}
