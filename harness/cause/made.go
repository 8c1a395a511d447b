package cause

import (
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// Length is a reading in picometres.
func (r Reading) Length() decimal.Decimal { return r.Shown.Mul(decimal.New(int64(r.Unit.Size()), 0)) }

// Display is what a correct host shows of a length in picometres: in its own unit, and
// in picometres.
func (s *Spec) Display(pm decimal.Decimal) (shown, shownPM decimal.Decimal) {
	m := model{Spec: s}
	return m.display(pm)
}

// Zone is where a correct host places a length that it received and shows so, by the
// limits of a channel.
func (s *Spec) Zone(limits *Channel, received, shown decimal.Decimal) zone.Zone {
	if s.Rule.Decide == zone.Unrounded {
		return limits.Limits.Place(received, s.Rule)
	}
	return limits.Limits.Place(shown, s.Rule)
}
