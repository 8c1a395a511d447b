package stage

import (
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
)

// carried notes in a frame's entry what its bytes do not carry, for no host
// can know it: a tag's number that is not sent, readings that a tag's frame
// leaves to the stream, and decimals for which there is no room. A resolution
// that no frame has room for is a mistake of the scenario, but a gauge can be
// set to another unit while it runs.
func (a *actor) carried(entry *ledger.Frame, f wire.Frame, rs []gauge.Reading) {
	tagged := entry.Tag != nil
	if !a.reads[f] {
		// The frame only says that the operator tagged: what was tagged is what
		// the stream said last.
		if entry.Bare = tagged; tagged {
			entry.Readings = a.streamed
		}
		rs = nil
	}
	if tagged && a.terms.tag >= 0 {
		entry.Numberless = a.rec.Carried(a.terms.tag, 0).Kind != wire.Number
	}
	for i := range rs {
		if v := a.rec.Carried(a.terms.reading, i); v.Kind == wire.Number && !v.Num.Equal(rs[i].Shown) {
			num := v.Num // so that only what differs is allocated
			entry.Readings[i].Sent = &num
		}
	}
}
