// Package zone places a reading among its limits: below, warn-low, inside,
// warn-high, above, or void. How a value at a limit counts, whether the
// rounded or the unrounded value decides, and what measurement uncertainty
// takes away are rules that a scenario states; nothing is assumed.
//
// Sources, all from memory: ASTM E29 (rounding method and absolute method of
// comparing a value with a limit); JCGM 106:2012 §8.2 (simple acceptance) and §8.3.2
// (guarded acceptance with w = U); ISO 14253-1:1998 and :2013 (conformity proven inside
// the specification reduced by the expanded uncertainty U, nonconformity outside the
// specification increased by it, neither between; the edition of 2017 takes less).
package zone

import (
	"fmt"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/enum"
)

// Zone is where a reading falls.
type Zone = enum.Of[zones]

// Zones. Void is a reading that is not a number: out of range, probe missing.
const (
	Void Zone = iota
	Below
	WarnLow
	Inside
	WarnHigh
	Above
	// Unproven is a value so near a specification limit that neither conformity nor
	// nonconformity is proven, where a scenario has that for a zone of its own.
	Unproven
)

type zones struct{}

func (zones) Names() []string { return names }
func (zones) What() string    { return "a zone" }

// Was are earlier words: a row with the unit inch would read "0.5000,in,in".
func (zones) Was() map[string]string { return map[string]string{"in": "inside"} }

var names = []string{"void", "below", "warn-low", "inside", "warn-high", "above", "unproven"}

// Conforms reports whether a zone is inside the specification limits.
func Conforms(z Zone) bool { return z == WarnLow || z == Inside || z == WarnHigh }

// Limit is one limit: a length, or absent.
type Limit struct {
	At  decimal.Length
	Set bool
}

// At is a limit at a length.
func At(l decimal.Length) Limit { return Limit{l, true} }

// Limits are the specification limits and the warning limits inside them. Any
// of them may be absent.
type Limits struct {
	Lower, Upper         Limit
	WarnLower, WarnUpper Limit
}

// Kind is one of the four limits.
type Kind struct {
	Name    string // what it is called
	Setting string // the gauge's setting
	Of      func(*Limits) *Limit
}

// Kinds are the limits: the specification limits first, the lower of each two first.
var Kinds = [4]Kind{
	{"lower specification limit", "lower", func(l *Limits) *Limit { return &l.Lower }},
	{"upper specification limit", "upper", func(l *Limits) *Limit { return &l.Upper }},
	{"lower warning limit", "warn-lower", func(l *Limits) *Limit { return &l.WarnLower }},
	{"upper warning limit", "warn-upper", func(l *Limits) *Limit { return &l.WarnUpper }},
}

// Check reports the first thing wrong with the limits' order.
func (l Limits) Check() error {
	order := [...]Kind{Kinds[0], Kinds[2], Kinds[3], Kinds[1]}
	for i := range order {
		for j := i + 1; j < len(order); j++ {
			if a, b := order[i].Of(&l), order[j].Of(&l); a.Set && b.Set && a.At > b.At {
				return fmt.Errorf("the %s lies above the %s", order[i].Name, order[j].Name)
			}
		}
	}
	return nil
}

// Decide says which value is compared with the limits.
type Decide = enum.Of[decides]

// What is compared.
const (
	Displayed Decide = iota // the rounded value (ASTM E29 rounding method)
	Unrounded               // the value before rounding (ASTM E29 absolute method)
)

type decides struct{}

func (decides) Names() []string { return decideNames }
func (decides) What() string    { return "a way to decide" }

var decideNames = []string{"displayed", "unrounded"}

// Rule is how values are compared with limits.
type Rule struct {
	Decide Decide
	// Strict makes a value equal to a limit fall outside it. By default limits
	// are inclusive: a value equal to a limit conforms.
	Strict bool
	// Guard is the width each specification limit moves inwards: the expanded
	// uncertainty U for a guarded decision (JCGM 106 §8.3.2 with w = U) or a share
	// of it, 0 for the simple one.
	Guard decimal.Length
	// Unproven rejects beyond the guard band on the other side of the limit only: in
	// between a value is unproven.
	Unproven bool
	// U is the expanded uncertainty.
	U decimal.Length
}

// Place returns the zone of a value in picometres (it may be fractional after
// a factor). Specification limits come before warning limits.
func (l Limits) Place(pm decimal.Decimal, r Rule) Zone {
	// cmp compares the value with a limit, inlined for the usual whole value.
	whole, fits := pm.Int64()
	cmp := func(at decimal.Length) int {
		if fits {
			switch {
			case whole < int64(at):
				return -1
			case whole > int64(at):
				return 1
			}
			return 0
		}
		return pm.Cmp(decimal.New(int64(at), 0))
	}
	under := func(at decimal.Length) bool { c := cmp(at); return c < 0 || c == 0 && r.Strict }
	over := func(at decimal.Length) bool { c := cmp(at); return c > 0 || c == 0 && r.Strict }
	switch {
	case l.Lower.Set && under(l.Lower.At+r.Guard):
		if r.Unproven && !under(l.Lower.At-r.Guard) {
			return Unproven
		}
		return Below
	case l.Upper.Set && over(l.Upper.At-r.Guard):
		if r.Unproven && !over(l.Upper.At+r.Guard) {
			return Unproven
		}
		return Above
	case l.WarnLower.Set && under(l.WarnLower.At):
		return WarnLow
	case l.WarnUpper.Set && over(l.WarnUpper.At):
		return WarnHigh
	}
	return Inside
}

// width is what the guard band is called: U, or w where it is another width.
func (r Rule) width() string {
	if r.U != 0 && r.U != r.Guard {
		return "w"
	}
	return "U"
}

// Why says in words which limit and rule put a value in its zone. The value
// and the limits are written in unit u.
func (l Limits) Why(pm decimal.Decimal, r Rule, u decimal.Unit) string {
	z := l.Place(pm, r)
	write := func(at decimal.Length) string {
		v, _ := at.In(u)
		return v.String() + " " + u.Symbol()
	}
	equal := func(at Limit) bool { return at.Set && pm.Equal(decimal.New(int64(at.At), 0)) }
	strictly := "limits are inclusive"
	if r.Strict {
		strictly = "limits are strict"
	}
	// What is outside without doubt is so beyond the guard band on the far side.
	in, moved := r.Guard, " moved in by "
	if r.Unproven {
		in, moved = -r.Guard, " moved out by "
	}
	// name is a limit with its size, and how far it is moved.
	name := func(k Kind, g decimal.Length) string {
		s := k.Name + " " + write(k.Of(&l).At)
		if g != 0 {
			s += moved + r.width() + " = " + write(r.Guard)
		}
		return s
	}
	equals := func(k Kind, g decimal.Length) string {
		return "the " + r.Decide.String() + " value equals the " + name(k, g) + " and " + strictly
	}
	at := func(k Kind, g decimal.Length, beyond string) string {
		limit := *k.Of(&l)
		if limit.At += g; equal(limit) {
			return equals(k, g)
		}
		return "the " + r.Decide.String() + " value is " + beyond + " the " + name(k, g)
	}
	// onLimit says of a value in a warning zone that it is on the specification
	// limit itself, which is where hosts go wrong.
	onLimit := func(k Kind) string {
		if !equal(*k.Of(&l)) {
			return ""
		}
		return equals(k, 0) + "; "
	}
	lower, upper, warnLower, warnUpper := Kinds[0], Kinds[1], Kinds[2], Kinds[3]
	switch z {
	case Below:
		return at(lower, in, "below")
	case Above:
		return at(upper, -in, "above")
	case Unproven:
		near := upper
		if r.Unproven = false; l.Place(pm, r) == Below {
			near = lower
		}
		return "the " + r.Decide.String() + " value is within " + r.width() + " = " + write(r.Guard) + " of the " + name(near, 0) + ": neither conformity nor nonconformity is proven"
	case WarnLow:
		return onLimit(lower) + at(warnLower, 0, "below")
	case WarnHigh:
		return onLimit(upper) + at(warnUpper, 0, "above")
	}
	for _, k := range [...]Kind{warnLower, warnUpper, lower, upper} {
		if equal(*k.Of(&l)) {
			return equals(k, 0)
		}
	}
	if l == (Limits{}) {
		return "no limits are set"
	}
	return "the " + r.Decide.String() + " value is inside all limits"
}
