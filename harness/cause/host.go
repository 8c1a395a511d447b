package cause

import (
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// model is the model host at work.
type model struct {
	*Spec
	h      *History
	on     Set
	param  [twistCount]int
	gauges []gaugeState
	width  int
	rows   Rows
	// The last want appended, for last-row-lost.
	last *[]Want
}

type gaugeState struct {
	channels []channelState
	lastTag  int64
	count    int64 // of tags, as the host counts them itself
	// beforeTag is the number that came before it.
	beforeTag int64
	lastAt    time.Duration
	anyTag    bool   // a tag has come
	pieceTag  bool   // a tag has come in the same piece
	rejoined  bool   // no tag since the link came back
	first     answer // whether the latest tag is one that came before, by its first channel
	told      uint8  // events that have been told, a bit each
	cell      cellState
	lowSelf   bool // its own cell was low in its last frame
	swallows  int  // bytes that are still to be skipped
	length    *lengthByte
	place     int  // the gauge that stood first where this one's port is now
	known     int  // the gauge that the host holds to be at this one's first port,
	asked     bool // and that it was told so when the port came back
}

// cellState is what the host knows of a cell.
type cellState struct {
	low     bool  // it was low in the last frame that was surely read
	maybe   int32 // one more than the Seen at which it may have been low first since, 0 for none
	cleared bool  // it may have been good since
}

// sighting is when and with what a tag number was last seen on a channel.
type sighting struct {
	at   time.Duration
	seen int32 // the frame's index in History.Seen
	r    Reading
	old  bool // by the rule it may have been taken for one that came before it
	// sure is the last sighting before this one that was surely read, where this one
	// was perhaps not: what the host could not read has told it nothing.
	sure *sighting
}

type channelState struct {
	got, before, streamed, recorded, greatest decimal.Decimal // pm
	seen                                      map[int64]sighting
	forgot                                    int32 // sightings before this may be forgotten
	tag                                       Reading
	hasGot, hasBefore, hasStreamed, hasRec    bool
	hasTag, hasZone                           bool
	zone                                      zone.Zone
}

// Expect works out what a host with the given mistakes writes. The empty
// hypothesis is the correct host.
func Expect(s *Spec, h *History, hyp Hypothesis) *Rows {
	m := &model{Spec: s, h: h, width: s.Width(), gauges: make([]gaugeState, len(s.Gauges))}
	for _, v := range hyp {
		m.on.add(v.defect)
		m.param[v.defect] = v.param
	}
	m.rows = Rows{Readings: make([][]Want, len(s.Gauges)*m.width), Events: make([][]Want, len(s.Gauges)),
		Reopens: !m.has(neverReopens), Chances: Chances{Doubles: m.has(rowDoubled), Shuffles: m.has(tagsOutOfOrder),
			Backwards: m.has(timesBackwards), LateWrites: m.has(settingLate), LoseValue: m.has(settingWrongUnit), Zoned: m.has(timeZone),
			Late: m.has(eventsLate), Tails: m.has(rowsBuffered), Slow: m.has(readsTooSlowly), Jumps: m.has(daylightJump),
			Again: m.has(lossToldAgain), Idle: m.has(controlLinesIdle), Breaks: m.has(sendsBreaks), Stalls: m.has(stallsReading), Over: m.has(startsOver), Quits: m.has(quits), Nothing: m.has(recordsNothing)}}
	for g := range s.Gauges {
		m.gauges[g] = gaugeState{channels: make([]channelState, m.width), anyTag: h.Later, place: g, known: g}
		if h.Places != nil {
			m.gauges[g].place = int(h.Places[g])
		}
		for c := range m.gauges[g].channels {
			m.gauges[g].channels[c].seen = map[int64]sighting{}
		}
		m.rows.Requests = append(m.rows.Requests, m.writes(g))
		m.rows.Lines = append(m.rows.Lines, m.line(g))
	}
	m.room()
	for g := range s.Gauges {
		if !h.Later {
			m.remark(g, -1, LinkBackEvent)
		}
	}
	for i := range h.Seen {
		m.see(i, &h.Seen[i])
	}
	if !h.Cut {
		m.loseLast()
		for g := range s.Gauges {
			m.remark(g, len(h.Seen)-1, LinkLostEvent)
		}
	}
	return &m.rows
}

// room makes room for the wants at once, as far as their number is known.
func (m *model) room() {
	n := make([]int, len(m.rows.Readings))
	for i := range m.h.Seen {
		s := &m.h.Seen[i]
		if s.What != Frame || !s.Tagged && !m.All {
			continue
		}
		for _, r := range m.h.Of(s) {
			n[int(s.Gauge)*m.width+int(r.Channel)]++
		}
	}
	for s := range n {
		m.rows.Readings[s] = make([]Want, 0, n[s])
	}
}

func (m *model) has(d defect) bool { return m.on.has(d) }

func (m *model) see(i int, s *Seen) {
	if s.What == Stopped || s.What == Killed {
		m.ended(s, i)
		return
	}
	g := int(s.Gauge)
	was := m.gauges[g].place
	at := &m.gauges[was]
	if s.What == Up {
		m.gauges[g].place = int(s.Place)
		if at = &m.gauges[s.Place]; !at.asked {
			at.known, at.asked = g, true
		}
	}
	if m.has(gaugesByPort) {
		g = m.gauges[g].place
	} else if m.has(askedOnce) {
		g = at.known
	}
	gs := &m.gauges[g]
	loss := uint8(Must)
	if s.State == Perhaps {
		loss = 0
	}
	switch s.What {
	case Down:
		gs.swallows = 0
		for c := range gs.channels {
			ch := &gs.channels[c]
			ch.before, ch.hasBefore = ch.got, ch.hasGot
		}
		if !m.has(linkLossMissed) {
			m.event(g, i, LinkLostEvent, loss)
		}
	case Up:
		gs.rejoined = true
		if m.has(lossAtReturn) {
			m.event(g, i, LinkLostEvent, loss)
		}
		if m.has(lowToldAgain) {
			gs.cell.low = false
		}
		if !m.has(linkBackMissed) {
			if !m.heard(i, s.Gauge) {
				loss = 0
			}
			if m.event(g, i, LinkBackEvent, loss); was != int(s.Place) && m.RealTime {
				m.early(g)
			}
		}
	case RadioOff:
		m.event(g, i, LinkLostEvent, 0)
	case RadioOn:
		m.event(g, i, LinkBackEvent, 0)
	case Restart: // the host starts afresh, or remembers
		m.remark(g, i, LinkBackEvent)
		gs.cell.cleared, gs.anyTag = gs.cell.low, false
		for c := range gs.channels {
			gs.channels[c].forgot = int32(i)
		}
	case Dead:
		m.event(g, i, CellDeadEvent, 0)
	case Frame:
		m.frame(i, s, g, loss)
	}
}

// heard reports whether something came from a gauge, as surely as the host was there to
// read it, between its port's return and the next loss.
func (m *model) heard(up int, gauge uint16) bool {
	for i := up + 1; i < len(m.h.Seen); i++ {
		switch s := &m.h.Seen[i]; {
		case s.What == Stopped, s.What == Killed, s.Gauge == gauge && (s.What == Down || s.What == Restart):
			return false
		case s.Gauge == gauge && s.What == Frame && s.State == Sure:
			return true
		}
	}
	return false
}

func (m *model) frame(i int, s *Seen, g int, loss uint8) {
	gs := &m.gauges[g]
	rs := m.h.Of(s)
	if m.has(lengthTrusted) && m.swallowed(s, gs) {
		return
	}
	if s.State == Spoilt {
		if m.has(checksumIgnored) && !s.Other && (s.Tagged || m.All) {
			for _, r := range rs {
				m.put(g, int(r.Channel), Want{Seen: int32(i), Tagged: s.Numbered, Tag: s.Tag,
					Changed: LooseValue | LooseTag | LooseZone | LooseUnit})
			}
		}
		return
	}
	if m.has(splitFrameLost) && s.Split {
		loss = min(loss, slight)
	}
	gs.pieceTag = gs.pieceTag && s.Joined
	if s.Tagged || !m.has(lowOfTags) {
		m.cell(i, s, g, loss)
	}
	if s.Other || len(rs) == 0 {
		return
	}
	if m.has(channelFirstOnly) {
		rs = rs[:1]
	}
	if !s.Tagged || m.has(tagsStreamed) && m.All && m.param[tagsStreamed] == 0 {
		m.streamed(i, s, g, rs, loss)
	}
	if !s.Tagged {
		return
	}
	if m.has(ownNumbers) && s.Numbered {
		own := *s
		own.Tag = m.gauges[g].count + int64(m.param[ownNumbers])
		m.gauges[g].count++
		s = &own
	}
	if s.Numbered {
		if m.has(tagWrapDropped) && gs.anyTag && s.Tag < gs.lastTag {
			return
		}
	}
	first, rejoined := !gs.anyTag, gs.rejoined
	burst := gs.anyTag && (s.Joined || s.At-gs.lastAt < 250*time.Millisecond)
	gs.beforeTag, gs.lastTag, gs.lastAt, gs.anyTag, gs.rejoined = gs.lastTag, s.Tag, s.At, true, false
	if m.has(tagDroppedBurst) {
		p := m.param[tagDroppedBurst]
		switch {
		case p == 0 && burst:
			loss = min(loss, slight)
		case p == onlyFirst && s.Joined, p == onlyFirst+ofTags && gs.pieceTag,
			p == onlyLast && m.followed(i, s, false), p == onlyLast+ofTags && m.followed(i, s, true):
			return
		}
		gs.pieceTag = true
	}
	if first && m.has(firstTagMissed) || rejoined && m.has(tagLostAtRejoin) {
		return
	}
	for _, r := range rs {
		m.tagged(i, s, r, g, m.channel(g, r), rejoined, loss)
	}
	if m.has(tagsStreamed) && m.All && m.param[tagsStreamed] == 1 {
		m.streamed(i, s, g, rs, loss)
	}
}

// Which frame of one read is taken, of all or of the tagged ones.
const (
	onlyFirst = 1
	onlyLast  = 2
	ofTags    = 2
)

// followed reports whether another frame of the gauge came in the same piece after a
// frame, or another tag.
func (m *model) followed(i int, s *Seen, tag bool) bool {
	for k := i + 1; k < len(m.h.Seen) && m.h.Seen[k].At == s.At; k++ {
		if n := &m.h.Seen[k]; n.Gauge == s.Gauge && n.What == Frame {
			if !n.Joined || n.Tagged || !tag {
				return n.Joined
			}
		}
	}
	return false
}

type answer uint8

const (
	no answer = iota
	maybe
	either // it repeats one that may not have been read
	yes
)

// repeated answers whether a tagged frame is one that came before, by the rule
// of Tags.Window, and sees to the case that the one before may not have been
// read. A number that comes round again within the window with the same
// reading is a new tag in truth and a repeat by the rule, so either is right;
// so it is where the host's clock, which does not run as the scenario's or is a little
// late, may find it within the window or after it.
func (m *model) repeated(i int, s *Seen, g, c int, ch *channelState, r Reading) answer {
	before, known := ch.seen[s.Tag]
	now := sighting{at: s.At, seen: int32(i), r: r}
	defer func() { ch.seen[s.Tag] = now }()
	if m.h.Seen[i].State == Perhaps && known {
		if now.sure = before.sure; m.h.Seen[before.seen].State != Perhaps {
			now.sure = &before
		}
	}
	since, window := s.At-before.at, m.Gauges[g].Tags.Window
	within, after := since <= window, false
	if own := m.HostTime(since); m.RealTime {
		within, after = within && own <= window-m.Late, since > window && own > window+m.Late
	}
	switch {
	case !known, m.has(tagRepeated):
		return no
	case m.has(lastNumberOnly) && m.gauges[g].beforeTag != s.Tag:
		return no
	case m.has(numberAlone):
		return m.alone(since, window)
	case m.has(tagWindowEndless):
		return yes
	case before.sure != nil && !before.r.same(r) && before.sure.r.same(r):
		now.old = true
		return maybe
	case !before.r.same(r), after:
		return no
	case !within || !s.Repeat || before.seen < ch.forgot:
		now.old = true
		return maybe
	}
	if m.h.Seen[before.seen].State == Perhaps {
		if now.old = before.old; now.old {
			return maybe
		}
		return either
	}
	now.seen, now.old = before.seen, before.old
	if m.has(windowOfFirst) {
		now.at = before.at
	}
	return yes
}

// alone answers of a host that looks at nothing but the number, by its own clock.
func (m *model) alone(since, window time.Duration) answer {
	own := m.HostTime(since)
	switch {
	case own <= window-m.Late:
		return yes
	case m.RealTime && own <= window+m.Late:
		return maybe
	}
	return no
}

func (r Reading) same(s Reading) bool {
	return r.Void == s.Void && (r.Void || r.Unit == s.Unit && r.Shown.Equal(s.Shown))
}

// channel says which channel a reading is taken for.
func (m *model) channel(g int, r Reading) int {
	switch {
	case m.has(channelsSwapped) && r.Channel < 2 && len(m.Gauges[g].Channels) > 1:
		return 1 - int(r.Channel)
	case m.has(channelsAsFirst):
		return 0
	case m.has(channelDigit):
		n := int(r.Channel) + 1
		if m.param[channelDigit] > 0 {
			return max(0, n%10-1)
		}
		for n > 9 {
			n /= 10
		}
		return n - 1
	case m.has(channelsTurned):
		n, by := len(m.Gauges[g].Channels), m.param[channelsTurned]
		if by == m.width {
			return n - 1 - int(r.Channel)
		}
		return (int(r.Channel) + by) % n
	}
	return int(r.Channel)
}

// afterTag is streamAsTag of a host that keeps the number of the last tag, and has none
// before the first.
const afterTag = 1

// withTag is streamAsTag of a host that records all readings, each with the number of the
// last tag.
const withTag = 2

func (m *model) streamed(i int, s *Seen, g int, rs []Reading, loss uint8) {
	gs := &m.gauges[g]
	for _, r := range rs {
		c := m.channel(g, r)
		ch := &gs.channels[c]
		switch {
		case m.has(streamAsTag) && m.param[streamAsTag] == withTag && m.All:
			m.record(i, g, c, ch, r, Want{Tag: gs.lastTag, Tagged: gs.anyTag, Loss: loss})
		case m.has(streamAsTag) && m.param[streamAsTag] == afterTag:
			if gs.anyTag && !ch.seen[gs.lastTag].r.same(r) { // else the host takes it for the tag sent again
				ch.seen[gs.lastTag] = sighting{at: s.At, seen: int32(i), r: r}
				m.record(i, g, c, ch, r, Want{Tag: gs.lastTag, Tagged: true, Loss: loss})
			}
		case m.has(streamAsTag):
			m.record(i, g, c, ch, r, Want{Tag: gs.lastTag, Tagged: true, Loss: loss, Changed: LooseTag})
		case m.All && !m.has(streamsUnrecorded) || m.has(streamsRecorded):
			if s.Asked || s.Repeat && m.Gauges[g].Counts { // whose count tells the host that it has it
				loss = 0
			}
			m.record(i, g, c, ch, r, Want{Loss: loss})
		}
		if !r.Void {
			pm := m.length(g, r)
			ch.got, ch.hasGot = pm, true
			ch.streamed, ch.hasStreamed = pm, true
		}
	}
}

func (m *model) tagged(i int, s *Seen, r Reading, g, c int, rejoined bool, loss uint8) {
	ch := &m.gauges[g].channels[c]
	w := Want{Loss: loss, Tag: s.Tag, Tagged: s.Numbered}
	if s.Numbered {
		before := ch.seen[s.Tag].seen
		is := m.repeated(i, s, g, c, ch, r)
		if gs := &m.gauges[g]; c == 0 {
			gs.first = is
		} else if m.has(firstChannelTells) {
			is = gs.first
		}
		switch is {
		case yes:
			return
		case maybe:
			w.Loss = 0
		case either:
			w.Instead = before + 1
		}
	} else if s.Repeat {
		w.Loss = 0 // without a number nothing tells it from a new tag
	}
	if m.has(tagMerged) && ch.hasTag && ch.tag.same(r) {
		return
	}
	ch.tag, ch.hasTag = r, true
	if r.Void && m.has(voidDropped) {
		return
	}
	if m.has(tagNumberOff) {
		w.Tag += int64(m.param[tagNumberOff])
	}
	if m.has(tagUnrecorded) {
		w.Tagged = false
	}
	switch {
	case m.has(staleAfterRejoin) && rejoined && ch.hasBefore:
		r = lengthReading(r, ch.before)
	case m.has(tagValueStreamed) && ch.hasStreamed:
		r = lengthReading(r, ch.streamed)
	}
	m.record(i, g, c, ch, r, w)
	if !r.Void {
		ch.got, ch.hasGot = m.length(g, r), true
	}
}

// lengthReading is a reading with another value, worked out before, in pm.
func lengthReading(r Reading, pm decimal.Decimal) Reading {
	r.Shown, r.Unit, r.Void = pm, decimal.PM, false
	return r
}

// record makes the row of a reading.
func (m *model) record(i, g, c int, ch *channelState, r Reading, w Want) {
	w.Seen, w.Unit = int32(i), m.Unit
	if m.has(unitLabel) {
		w.Unit = other(m.Unit)
		w.Changed |= LooseUnit
	}
	if r.Void {
		switch {
		case m.has(voidAsZero):
			r = lengthReading(r, decimal.Decimal{})
			w.Changed |= LooseZone
		case m.has(voidAsLast) && ch.hasGot:
			r = lengthReading(r, ch.got)
			w.Changed |= LooseZone
		}
	}
	if w.Void = r.Void; w.Void {
		w.Zone = zone.Void
		if m.has(voidInside) {
			w.Zone = zone.Inside
		}
	} else {
		pm := m.length(g, r)
		own := pm
		if ch.hasRec {
			switch {
			case m.has(valueStale):
				pm = ch.recorded
			case m.has(averages):
				pm = pm.Add(ch.recorded).Mul(decimal.New(5, -1))
			case m.has(greatestSoFar) && ch.greatest.Cmp(pm) > 0:
				pm = ch.greatest
			}
		}
		ch.recorded, ch.greatest, ch.hasRec = own, pm, true
		var shown decimal.Decimal
		w.Value, shown = m.display(g, c, pm)
		w.Zone = m.place(g, c, r, pm, shown)
	}
	if m.has(zoneFromGauge) && !r.Void {
		w.Zone = r.Gauge
	}
	if m.has(zoneAlwaysInside) {
		w.Zone = zone.Inside
	}
	if judged := w.Zone; m.has(zoneStale) {
		if ch.hasZone {
			w.Zone = ch.zone
		}
		ch.zone, ch.hasZone = judged, true
	}
	m.put(g, c, w)
}

func (m *model) put(g, c int, w Want) {
	at := &m.rows.Readings[m.name(g)*m.width+c]
	*at = append(*at, w)
	m.last = at
}

// Lines a mistaken host asks for.
const (
	AnotherSpeed  = "another speed"
	AnotherParity = "another parity"
)
