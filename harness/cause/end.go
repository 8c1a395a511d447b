package cause

import "time"

// What a host may lose as it ends.

// loseLast lets the last row of all be missing where the host loses it.
func (m *model) loseLast() {
	if !m.has(lastRowLost) || m.last == nil {
		return
	}
	w := *m.last
	w[len(w)-1].Loss = slight
	// Rows of several gauges may have been written in another order.
	for g := range m.gauges {
		var last []*Want // of the gauge, by what was seen last
		for _, ws := range append(m.rows.Readings[g*m.width:(g+1)*m.width:(g+1)*m.width], m.rows.Events[g]) {
			n := len(ws)
			if n == 0 || len(last) > 0 && ws[n-1].Seen < last[0].Seen {
				continue
			}
			if len(last) > 0 && ws[n-1].Seen > last[0].Seen {
				last = last[:0]
			}
			last = append(last, &ws[n-1])
		}
		for _, l := range last {
			l.Loss = min(l.Loss, 4*slight)
		}
	}
}

// inHandFor is how long after it was received a reading may still be in hand.
const inHandFor = time.Second

// ended has the host forget what it held in memory. It may have kept which tags
// it had seen.
func (m *model) ended(s *Seen, seen int) {
	if s.What == Killed && s.State == Perhaps {
		for g := range m.gauges {
			m.inHand(g, s.At)
		}
	}
	m.loseLast()
	for g := range m.gauges {
		if s.What == Stopped {
			m.remark(g, seen, LinkLostEvent)
		}
		m.remark(g, seen, LinkBackEvent) // of the one that is started now
		gs := &m.gauges[g]
		gs.cell.cleared, gs.anyTag, gs.rejoined = gs.cell.low, false, false
		for c := range gs.channels {
			gs.channels[c] = channelState{seen: gs.channels[c].seen, forgot: int32(seen)}
		}
	}
}

// inHand lets a gauge's last row be absent when the host is killed at a time, unless it
// was received too long before.
func (m *model) inHand(g int, at time.Duration) {
	var last *Want
	for _, ws := range append(m.rows.Readings[g*m.width:(g+1)*m.width:(g+1)*m.width], m.rows.Events[g]) {
		if n := len(ws); n > 0 && ws[n-1].Seen >= 0 && (last == nil || ws[n-1].Seen >= last.Seen) {
			last = &ws[n-1]
		}
	}
	if last != nil && (!m.RealTime || m.HostTime(at-m.h.Seen[last.Seen].At) <= inHandFor) {
		last.Loss = 0
	}
}
