package cause

import (
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// Length is a reading in picometres.
func (r Reading) Length() decimal.Decimal { return r.Shown.Mul(decimal.New(int64(r.Unit.Size()), 0)) }

// Step is the step of a channel's displayed value in Unit.
func (s *Spec) Step(g, c int) decimal.Decimal {
	if c >= 0 && c < len(s.Gauges[g].Channels) {
		if own := s.Gauges[g].Channels[c].Resolution; !own.IsZero() {
			return own
		}
	}
	return s.Resolution
}

// Display is what a correct host shows of a channel's length in picometres: in its own
// unit, and in picometres.
func (s *Spec) Display(g, c int, pm decimal.Decimal) (shown, shownPM decimal.Decimal) {
	m := model{Spec: s}
	return m.display(g, c, pm)
}

// Zone is where a correct host places a length that it received and shows so, by the
// limits of a channel.
func (s *Spec) Zone(limits *Channel, received, shown decimal.Decimal) zone.Zone {
	if s.Rule.Decide == zone.Unrounded {
		return limits.Limits.Place(received, s.Rule)
	}
	return limits.Limits.Place(shown, s.Rule)
}
