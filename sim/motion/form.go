package motion

import (
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/enum"
	"example.org/understudy/sim/steady"
)

// Contacts is how many contacts touch a turning part, and where.
type Contacts = enum.Of[contacts]

// Ways of touching a part whose radius, seen from its axis, is R + a·cos nφ.
// The reading given is that of a gauge set to read the diameter of a round part.
const (
	// TwoContacts face each other: they see 2R + 2a·cos nφ when n is even and
	// nothing, 2R, when n is odd (a figure of constant width).
	TwoContacts Contacts = iota
	// ThreeContacts stand 120° apart and centre themselves: to first order in
	// a they see 2R + 2a·cos nφ when three divides n, and nothing otherwise.
	ThreeContacts
	// OneContact sees the part turn about its axis: 2R + a·cos nφ. One lobe is
	// an eccentricity a, whose full movement is 2a.
	OneContact
	// In a vee block an indicator sees the part rise as its lobes pass the flanks:
	// 2R + F·a·cos nφ, see veeGain.
	Vee60
	Vee90
	Vee120
)

type contacts struct{}

func (contacts) Names() []string { return contactNames }
func (contacts) What() string    { return "a number of contacts" }

var contactNames = []string{"two", "three", "one", "vee-60", "vee-90", "vee-120"}

// Gain returns how many times a lobe's amplitude contacts see where a lobe is under
// the contact; below 0 where they see a valley there.
func Gain(c Contacts, lobes int) float64 {
	switch {
	case c == TwoContacts && lobes%2 == 0, c == ThreeContacts && lobes%3 == 0:
		return 2
	case c == OneContact:
		return 1
	case c >= Vee60:
		return veeGain(lobes, [...]float64{60, 90, 120}[c-Vee60])
	}
	return 0
}

// veeGain returns how many times a lobe's amplitude an indicator sees that
// stands over a part lying in a vee block of the given included angle
// (degrees, above 0 and below 180), on its bisector: 1 + cos(n(90°+α/2)) /
// sin(α/2). The part rises in the vee as its lobes pass the two flanks. (The
// three-point summit method of ISO 4292:1985, derived here from the geometry.)
func veeGain(lobes int, degrees float64) float64 {
	half := degrees / 720
	return 1 + steady.Cos(float64(lobes)*(0.25+half))/steady.Sin(half)
}

// Turn is a lobed part turning under the contacts: at τ the lobes have turned
// by τ/Period of a revolution, beginning with a lobe under the contact.
type Turn struct {
	Contacts  Contacts
	Lobes     int
	Amplitude decimal.Length // a, of each lobe in radius
	Period    time.Duration  // one revolution
	Turns     int            // whole revolutions
}

// Lasts returns how long the turning goes on.
func (r Turn) Lasts() time.Duration {
	if r.Period <= 0 || r.Turns <= 0 {
		return 0
	}
	return time.Duration(r.Turns) * r.Period
}

// Turn turns a lobed part of the given mean diameter under the contacts. A
// whole number of revolutions ends where it began, on a lobe.
func (p *Path) Turn(at time.Duration, size decimal.Length, r Turn) {
	amp := Gain(r.Contacts, r.Lobes) * float64(r.Amplitude)
	s := segment{start: at, end: at + r.Lasts(), from: size, to: size + grid(amp), kind: turn, amp: amp}
	if s.end > at {
		s.freq = float64(r.Lobes) / float64(r.Period)
	}
	p.put(s)
}
