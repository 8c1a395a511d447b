package judge

import (
	"math"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// Conformity is the probability that what was measured lies within the
// specification limits, when the best estimate is y with standard uncertainty
// u and the possible values are spread normally about it (JCGM 106:2012 §7.4,
// equations (7) and (8), from memory). u must be above 0; an absent limit does not bound.
func Conformity(y, u decimal.Length, l zone.Limits) float64 {
	below := func(at zone.Limit, absent float64) float64 {
		if !at.Set {
			return absent
		}
		z := float64(at.At-y) / float64(u)
		return 0.5 * math.Erfc(-z/math.Sqrt2)
	}
	return below(l.Upper, 1) - below(l.Lower, 0)
}
