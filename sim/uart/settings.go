// Package uart is the asynchronous serial line as bits on a wire: how long a
// byte takes at a line rate, and what a receiver set to another rate, word
// size or parity makes of the bits that arrive.
//
// A character is a start bit (low), the data bits least significant first, an
// optional parity bit and one, one and a half or two stop bits (high); the
// idle line is high (ISO 1177 start-stop character structure, from memory;
// common practice of every UART data sheet).
//
// All times are integers: bit edges are compared as fractions, so no rounding
// ever decides which bit a sample falls in.
package uart

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/sim/enum"
)

type parities struct{}

func (parities) Names() []string { return []string{"none", "even", "odd", "mark", "space"} }
func (parities) What() string    { return "a parity" }

// Parity is the rule for the bit after the data bits.
type Parity = enum.Of[parities]

// Parity rules. Even and Odd count the ones of the data and the parity bit
// together; Mark is always one, Space always zero.
const (
	None Parity = iota
	Even
	Odd
	Mark
	Space
)

const parityLetters = "NEOMS"

// parityBit is the parity bit for the low n bits of b.
func parityBit(p Parity, b byte) bool {
	ones := false
	for ; b != 0; b &= b - 1 {
		ones = !ones
	}
	switch p {
	case Even:
		return ones
	case Odd:
		return !ones
	}
	return p == Mark
}

// StopBits is the length of the stop element, counted in half bits.
type StopBits uint8

// Stop lengths.
const (
	Stop1  StopBits = 2
	Stop15 StopBits = 3
	Stop2  StopBits = 4
)

func (b StopBits) String() string {
	switch b {
	case Stop1:
		return "1"
	case Stop15:
		return "1.5"
	case Stop2:
		return "2"
	}
	return fmt.Sprintf("stop(%d half bits)", uint8(b))
}

// MaxBaud bounds the line rate, bits per second.
const MaxBaud = 50_000_000

// Settings are the line settings of one end.
type Settings struct {
	Baud     int // bits per second, 1 to MaxBaud
	DataBits int // 5 to 8
	Parity   Parity
	Stop     StopBits
}

// Validate says what is wrong with s, if anything.
func (s Settings) Validate() error {
	switch {
	case s.Baud < 1 || s.Baud > MaxBaud:
		return fmt.Errorf("line rate %d bit/s: must be 1 to %d", s.Baud, MaxBaud)
	case s.DataBits < 5 || s.DataBits > 8:
		return fmt.Errorf("%d data bits: must be 5 to 8", s.DataBits)
	case s.Parity > Space:
		return fmt.Errorf("%v: must be one of none, even, odd, mark, space", s.Parity)
	case s.Stop < Stop1 || s.Stop > Stop2:
		return fmt.Errorf("%v: must be 1, 1.5 or 2 stop bits", s.Stop)
	}
	return nil
}

// String gives the usual short form, "9600 8N1".
func (s Settings) String() string {
	p := byte('?')
	if int(s.Parity) < len(parityLetters) {
		p = parityLetters[s.Parity]
	}
	return fmt.Sprintf("%d %d%c%v", s.Baud, s.DataBits, p, s.Stop)
}

// Parse reads the short form "9600 8N1": line rate, one space, data bits,
// parity letter (N, E, O, M or S, either case) and stop bits (1, 1.5 or 2).
func Parse(text string) (Settings, error) {
	bad := func(why string) (Settings, error) {
		return Settings{}, fmt.Errorf("line settings %q: %s; write them as %q", text, why, "9600 8N1")
	}
	rate, word, ok := strings.Cut(text, " ")
	if !ok {
		return bad("no space between the line rate and the word")
	}
	for _, c := range rate {
		if c < '0' || c > '9' {
			return bad(fmt.Sprintf("%q is not a digit of a line rate", c))
		}
	}
	baud, err := strconv.Atoi(rate)
	if err != nil {
		return bad(fmt.Sprintf("%q is not a line rate", rate))
	}
	if len(word) < 3 {
		return bad(fmt.Sprintf("%q is not a word", word))
	}
	p := strings.IndexByte(parityLetters, word[1]&^0x20)
	if p < 0 {
		return bad(fmt.Sprintf("%q is not a parity letter (N, E, O, M, S)", word[1]))
	}
	s := Settings{Baud: baud, DataBits: int(word[0]) - '0', Parity: Parity(p)}
	switch word[2:] {
	case "1":
		s.Stop = Stop1
	case "1.5":
		s.Stop = Stop15
	case "2":
		s.Stop = Stop2
	default:
		return bad(fmt.Sprintf("%q is not a number of stop bits (1, 1.5, 2)", word[2:]))
	}
	if err := s.Validate(); err != nil {
		return bad(err.Error())
	}
	return s, nil
}

// halves is the length of one character in half bits.
func (s Settings) halves() int64 {
	n := 2 + 2*int64(s.DataBits) + int64(s.Stop)
	if s.Parity != None {
		n += 2
	}
	return n
}

// BitsPerChar is the length of one character in bits, a multiple of 0.5.
func (s Settings) BitsPerChar() float64 { return float64(s.halves()) / 2 }

// Chars is the time n characters take back to back, rounded down to a whole
// nanosecond: n × bits ÷ baud. Rounding is of the total, never per character,
// so a million characters are as exact as one.
func (s Settings) Chars(n int) time.Duration {
	// whole seconds first, so that the product stays inside an int64
	per := 2 * int64(s.Baud) // half bits a second
	total := int64(n) * s.halves()
	return time.Duration(total/per)*time.Second + time.Duration(total%per*1e9/per)
}
