package cause

import "slices"

// The events that the model host tells, and to whose name.

// remark has the host say, if it likes, that it is connected when it starts, or
// no longer when it ends.
func (m *model) remark(g, seen int, what Event) {
	m.tell(m.eventName(g), seen, what, 0)
}

// tell writes the row of an event under the name of a gauge.
func (m *model) tell(g, seen int, what Event, loss uint8) {
	if m.has(linkTurned) {
		switch what {
		case LinkLostEvent:
			what = LinkBackEvent
		case LinkBackEvent:
			what = LinkLostEvent
		}
	}
	m.rows.Events[g] = append(m.rows.Events[g], Want{Seen: int32(seen), Event: what, Loss: loss})
}

// name is the gauge whose name rows are written under.
func (m *model) name(g int) int {
	if m.has(gaugesSwapped) {
		return (g + 1) % len(m.gauges)
	}
	return g
}

func (m *model) event(g, seen int, what Event, loss uint8) {
	if m.has(lossAtReturn) && what == LinkLostEvent && m.h.Seen[seen].What != Up {
		return
	}
	if gs := &m.gauges[g]; m.has(toldOnce) && what == Event(m.param[toldOnce]) {
		if gs.told>>what&1 != 0 {
			return
		}
		gs.told |= 1 << what
	}
	if last := len(m.gauges) - 1; m.has(lossOfLast) && g != last {
		switch what {
		case LinkBackEvent: // the gauge was not lost, as far as the host knows; the last one may have come back
			g, loss = last, 0
		case LinkLostEvent:
			g = last
		}
	}
	if g = m.eventName(g); m.has(lossOfAll) && what == LinkLostEvent {
		for other := range m.gauges {
			if other != g {
				m.tell(other, seen, what, loss)
			}
		}
	}
	m.tell(g, seen, what, loss)
	m.last = &m.rows.Events[g]
}

// early lets the return of a gauge at another's port, which another part of the host may
// look after, be told before its loss is, where the timeline does not wait for the host.
func (m *model) early(g int) {
	es := &m.rows.Events[m.eventName(g)]
	last := len(*es) - 1
	for k := last - 1; k >= 0; k-- {
		if lost := (*es)[k]; lost.Event == LinkLostEvent {
			(*es)[last].Instead = lost.Seen + 1
			*es = slices.Insert(*es, k, Want{Seen: lost.Seen, Event: LinkBackEvent})
			return
		}
	}
}

// eventName is the gauge whose name events are written under.
func (m *model) eventName(g int) int {
	switch {
	case m.has(eventsOfOne) && m.param[eventsOfOne] == 0:
		return 0
	case m.has(eventsOfOne):
		return len(m.gauges) - 1
	}
	return m.name(g)
}

// cell sees to the low-cell event, which is due once until the cell is good
// again, at the first reading that was surely received and says so. Replies
// and status frames may not say it.
func (m *model) cell(i int, s *Seen, g int, loss uint8) {
	if m.has(lowCellMissed) {
		return
	}
	gs := &m.gauges[g].cell
	if m.has(lowShared) {
		gs = &m.gauges[0].cell
	}
	own := &m.gauges[g].lowSelf // not of a shared state
	switch unsure := s.State == Perhaps || s.Other; {
	case unsure && !s.Low:
		gs.cleared = gs.low
	case unsure:
		if !gs.low || gs.cleared {
			m.event(g, i, LowCellEvent, 0)
			if gs.maybe == 0 && !gs.low {
				gs.maybe = int32(i) + 1
			}
		}
	case !s.Low && m.has(lowKept):
	case !s.Low && gs.low && m.has(lowBothWays):
		m.event(g, i, LowCellEvent, loss)
		gs.low = false
	case !s.Low:
		gs.low, gs.maybe, gs.cleared = false, 0, false
	default:
		if !gs.low || gs.cleared || m.has(lowCellRepeated) {
			if gs.cleared {
				loss = 0
			} else if m.has(lowShared) && *own { // in what order the gauges were read is not known
				loss = min(loss, slight)
			}
			m.event(g, i, LowCellEvent, loss)
			es := m.rows.Events[m.eventName(g)]
			es[len(es)-1].Instead = gs.maybe
		} else if m.has(lowShared) && !*own {
			m.event(g, i, LowCellEvent, slight)
		}
		gs.low, gs.maybe, gs.cleared = true, 0, false
	}
	*own = s.Low
}
