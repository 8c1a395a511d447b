package stage

import (
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
)

// step is the grid of a reading: decimals of a unit.
type step struct {
	unit     decimal.Unit
	exponent int
}

// carried notes in a frame's entry what its bytes do not carry, for no host
// can know it: a tag's number that is not sent, readings that a tag's frame
// leaves to the stream, and decimals for which there is no room. A resolution
// that no frame has room for is a mistake of the scenario, but a gauge can be
// set to another unit while it runs.
func (a *actor) carried(entry *ledger.Frame, f wire.Frame, rs []gauge.Reading) {
	numberless := entry.Tag != nil && !a.g.SendTag
	look := numberless
	for i := range rs {
		r := &rs[i]
		look = look || r.Void == gauge.Valid && !a.roomy[step{r.Unit, r.Shown.Exponent()}] && !(r.Unit == a.fitted.Unit && r.Shown == a.fitted.Shown)
	}
	if !look && entry.Tag == nil {
		return
	}
	if !a.m.Dialect.Carries(f, a.terms.reading) {
		// The frame only says that the operator tagged: what was tagged is what
		// the stream said last.
		entry.Bare = entry.Tag != nil
		if entry.Bare {
			entry.Readings = a.streamed
		}
		rs, look = nil, numberless
	}
	if !look {
		return
	}
	see := func(inc wire.Incoming) {
		if inc.Garbage != nil || inc.Rec == nil {
			return
		}
		entry.Numberless = entry.Tag != nil && a.terms.tag >= 0 && inc.Rec.Get(a.terms.tag, 0).Kind != wire.Number
		for i, r := range rs {
			if r.Void != gauge.Valid {
				continue
			}
			switch v := inc.Rec.Get(a.terms.reading, i); {
			case v.Kind != wire.Number: // registers, which the host asks for one by one
			case !v.Num.Equal(r.Shown):
				entry.Readings[i].Sent = &v.Num
				continue
			case r.Shown.Trim().Exponent() > r.Shown.Exponent():
				a.fitted = r // there may be no room for a last decimal that is not 0
				continue
			}
			if a.roomy == nil {
				a.roomy = map[step]bool{}
			}
			a.roomy[step{r.Unit, r.Shown.Exponent()}] = true
		}
	}
	end := a.m.Dialect.NewEnd(wire.Host)
	end.Receive(entry.Bytes, 0, see)
	end.Quiet(time.Hour, see)
}
