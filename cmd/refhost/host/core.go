package host

import (
	"slices"
	"time"

	"example.org/understudy/sim/decimal"
)

// core is what the host thinks: decoded messages and events go in with their
// time, rows come out. It is pure, so every defect of it shows in a table test.
type core struct {
	job     *job
	defects defects
	gauges  []gaugeState
	rows    []row // made since take was called
	made    int   // rows made so far
	kept    []row // held back by last-row-lost
	late    []row // held back by events-late
	since   []int // readings since each of them
}

// gaugeState is what the host remembers of one gauge.
type gaugeState struct {
	channels []channelState
	latest   []*reading // last streamed reading of each channel
	low      bool       // the low cell has been recorded and has not cleared
	lastTag  int64      // number of the newest tag
	anyTag   bool
	missed   bool // first-tag-missed has struck
	rejoined bool // no tag since the link came back
	away     bool // its port hung up and it has not come back
	left     bool // it came back elsewhere before the port where it was hung up
}

// channelState is what the host remembers of one channel. Values are in
// picometres.
type channelState struct {
	seen     map[int64]sighting // tag numbers within the window
	newest   int64              // tag number recorded last
	anyTag   bool
	tagValue reading         // of the newest tag
	got      decimal.Decimal // last good value received, streamed or tagged
	anyGot   bool
	before   decimal.Decimal // got, as it was when the link was lost
	anyBef   bool
	streamed decimal.Decimal // last good streamed value
	anyStrm  bool
	recorded decimal.Decimal // last value recorded
	anyRec   bool
	greatest decimal.Decimal
	zone     string // recorded last
}

type sighting struct {
	at time.Time
	of reading
}

// message is what one frame of a gauge says, in plain words.
type message struct {
	readings []reading // of a tagged message none when it tags the last streamed ones
	tagged   bool
	numbered bool  // tag holds the tag's number
	tag      int64 // number
	tellsLow bool  // low is known
	low      bool
}

// reading is one channel's part of a message.
type reading struct {
	channel int // index among the gauge's channels
	value   decimal.Decimal
	unit    unit
	assumed bool // the frame does not say the unit
	void    bool
	zone    string          // by the gauge's own limits, when it says so
	wrap    decimal.Decimal // what a binary field's whole range is worth; 0 for text
}

func (r reading) same(s reading) bool {
	return r.void == s.void && (r.void || r.unit == s.unit && r.value.Equal(s.value))
}

// row is one line of the records.
type row struct {
	time                                          time.Time
	gauge, channel, tag, value, unit, zone, event string
}

func newCore(j *job, d defects) *core {
	c := &core{job: j, defects: d, gauges: make([]gaugeState, len(j.Gauges))}
	for i, g := range j.Gauges {
		c.gauges[i].channels = make([]channelState, len(g.Channels))
		c.gauges[i].latest = make([]*reading, len(g.Channels))
		for k := range c.gauges[i].channels {
			c.gauges[i].channels[k].seen = map[int64]sighting{}
		}
	}
	return c
}

func (c *core) has(defect string) bool { return c.defects[defect] }

// take returns the rows that are ready to be written.
func (c *core) take() []row {
	rows := append(c.kept, c.rows...)
	c.kept, c.rows = nil, nil
	if c.has("last-row-lost") && len(rows) > 0 {
		c.kept = []row{rows[len(rows)-1]}
		rows = rows[:len(rows)-1]
	}
	return rows
}

func (c *core) put(r row) {
	if c.has("records-nothing") && r.event == "reading" {
		return
	}
	c.made++
	if c.has("time-zone") {
		r.time = r.time.Add(time.Hour)
	}
	if c.has("daylight-jump") && c.made > 3 {
		r.time = r.time.Add(time.Hour)
	}
	if c.has("times-backwards") && c.made%2 == 0 {
		r.time = r.time.Add(-time.Second)
	}
	c.rows = append(c.rows, r)
	if c.has("row-doubled") && c.made%5 == 2 {
		c.rows = append(c.rows, r)
	}
}

// gaugeName is the name a gauge is recorded under.
func (c *core) gaugeName(g int) string {
	if c.has("gauges-swapped") {
		g = (g + 1) % len(c.job.Gauges)
	}
	return c.job.Gauges[g].Name
}

func (c *core) event(g int, what string, now time.Time) {
	r := row{time: now, gauge: c.gaugeName(g), event: what}
	if c.has("events-late") {
		c.late, c.since = append(c.late, r), append(c.since, 0)
		return
	}
	c.put(r)
}

// overdue records the events that events-late has held back until as many
// readings of their gauge have followed.
func (c *core) overdue(gauge string, readings int, now time.Time) {
	for i := 0; i < len(c.late); {
		if r := c.late[i]; gauge == "" || r.gauge == gauge {
			if c.since[i]++; c.since[i] >= readings {
				r.time = now
				c.put(r)
				c.late, c.since = slices.Delete(c.late, i, i+1), slices.Delete(c.since, i, i+1)
				continue
			}
		}
		i++
	}
}

// finish records what was held back, when the host ends.
func (c *core) finish(now time.Time) { c.overdue("", 0, now) }

// lost records that a gauge's port hung up.
func (c *core) lost(g int, now time.Time) {
	if c.gauges[g].left {
		c.gauges[g].left = false
		return
	}
	c.gauges[g].away = true
	for i := range c.gauges[g].channels {
		ch := &c.gauges[g].channels[i]
		ch.before, ch.anyBef = ch.got, ch.anyGot
	}
	if !c.has("link-loss-missed") {
		c.event(g, "link-lost", now)
	}
}

// back records that a gauge's port is open again. Who is at another port now has
// left the one where it was, which need not have been noticed yet.
func (c *core) back(g int, now time.Time) {
	if !c.gauges[g].away {
		c.lost(g, now)
		c.gauges[g].left = true
	}
	c.gauges[g].away = false
	c.gauges[g].rejoined = true
	if !c.has("link-back-missed") {
		c.event(g, "link-back", now)
	}
}

// read takes the messages of one read of a gauge's port, in order.
func (c *core) read(g int, ms []message, now time.Time) {
	isTag := func(m message) bool { return m.tagged }
	if c.has("tag-dropped-burst") {
		if i := slices.IndexFunc(ms, isTag); i >= 0 {
			ms = append(slices.Clone(ms[:i+1]), slices.DeleteFunc(slices.Clone(ms[i+1:]), isTag)...)
		}
	}
	if c.has("tags-out-of-order") {
		ms = slices.Clone(ms)
		for i, k := 0, len(ms)-1; i < k; i, k = i+1, k-1 {
			for ; i < k && !ms[i].tagged; i++ {
			}
			for ; i < k && !ms[k].tagged; k-- {
			}
			ms[i], ms[k] = ms[k], ms[i]
		}
	}
	for _, m := range ms {
		c.message(g, m, now)
	}
}

func (c *core) message(g int, m message, now time.Time) {
	gs := &c.gauges[g]
	if m.tellsLow {
		if m.low && (!gs.low || c.has("low-cell-repeated")) && !c.has("low-cell-missed") {
			c.event(g, "low-cell", now)
		}
		gs.low = m.low
	}
	if c.has("channel-first-only") && len(m.readings) > 1 {
		m.readings = m.readings[:1]
	}
	if m.tagged && len(m.readings) == 0 { // a tag of what was streamed last
		for _, r := range gs.latest {
			if r != nil {
				m.readings = append(m.readings, *r)
			}
		}
	}
	if !m.tagged {
		for _, r := range m.readings {
			gs.latest[r.channel] = &r
			c.streamed(g, r, now)
		}
		return
	}
	if len(m.readings) == 0 {
		return
	}
	if m.numbered {
		if c.has("tag-wrap-dropped") && gs.anyTag && m.tag < gs.lastTag {
			return
		}
		gs.lastTag, gs.anyTag = m.tag, true
	}
	first, rejoined := !gs.missed, gs.rejoined
	gs.missed, gs.rejoined = true, false
	if first && c.has("first-tag-missed") || rejoined && c.has("tag-lost-at-rejoin") {
		return
	}
	for _, r := range m.readings {
		c.tagged(g, m, c.channelOf(g, r), rejoined, now)
	}
}

// channelOf says which channel a reading is taken for.
func (c *core) channelOf(g int, r reading) reading {
	if c.has("channels-swapped") && len(c.job.Gauges[g].Channels) > 1 && r.channel < 2 {
		r.channel = 1 - r.channel
	}
	if c.has("channels-as-first") {
		r.channel = 0
	}
	return r
}

func (c *core) streamed(g int, r reading, now time.Time) {
	r = c.channelOf(g, r)
	ch := &c.gauges[g].channels[r.channel]
	switch {
	case c.has("stream-as-tag"):
		c.record(g, r, number(c.gauges[g].lastTag), now)
	case c.job.Keeps == "all" && !c.has("streams-unrecorded") || c.has("streams-recorded"):
		c.record(g, r, "", now)
	}
	if !r.void {
		pm := c.length(g, r)
		ch.got, ch.anyGot = pm, true
		ch.streamed, ch.anyStrm = pm, true
	}
}

func (c *core) tagged(g int, m message, r reading, rejoined bool, now time.Time) {
	ch := &c.gauges[g].channels[r.channel]
	if m.numbered && c.repeated(g, ch, m.tag, r, now) && !c.has("tag-repeated") {
		return
	}
	if c.has("tag-merged") && ch.anyTag && ch.tagValue.same(r) {
		return
	}
	ch.tagValue, ch.anyTag = r, true
	if r.void && c.has("void-dropped") {
		return
	}
	tag := ""
	if m.numbered && !c.has("tag-unrecorded") {
		tag = number(m.tag)
		if c.has("tag-number-off") {
			tag = number(m.tag + 1)
		}
	}
	switch {
	case c.has("stale-after-rejoin") && rejoined && ch.anyBef:
		r = inPicometres(r, ch.before)
	case c.has("tag-value-streamed") && ch.anyStrm:
		r = inPicometres(r, ch.streamed)
	}
	c.record(g, r, tag, now)
	if !r.void {
		ch.got, ch.anyGot = c.length(g, r), true
	}
}

// inPicometres is a reading with another value, already a length.
func inPicometres(r reading, pm decimal.Decimal) reading {
	return reading{channel: r.channel, value: pm, unit: unit{decimal.PM}}
}

// repeated reports whether a tag is one that was recorded already: the same
// number with the same reading within the window since it was last seen. A
// number that lies ahead of the newest, counted round the wrap by less than
// half the range, is new whatever was seen (serial number arithmetic, RFC 1982
// §3.2): in a short range a wrap can come within the window.
func (c *core) repeated(g int, ch *channelState, tag int64, r reading, now time.Time) bool {
	t := c.job.Gauges[g].Tags
	span := t.Last - t.First + 1
	ahead := ((tag-ch.newest)%span + span) % span
	before, known := ch.seen[tag]
	ch.seen[tag] = sighting{now, r}
	if c.has("tag-window-endless") {
		return known
	}
	if len(ch.seen) > 1024 {
		for n, s := range ch.seen {
			if now.Sub(s.at) > t.Window.Duration {
				delete(ch.seen, n)
			}
		}
	}
	newer := ahead > 0 && ahead <= (span-1)/2
	if newer || !ch.anyTag {
		ch.newest = tag // a tag that comes late does not make the newer ones new again
	}
	return known && !newer && now.Sub(before.at) <= t.Window.Duration && before.of.same(r)
}
