package host

import (
	"math/big"
	"slices"
	"strconv"
	"time"
)

// mind is what the host thinks: what gauges say goes in with its time, rows come
// out. It is pure, so every mistake of it shows in a table test.
type mind struct {
	job     *job
	defects defects
	steps   map[step][]func(*making) // mistakes, by where they are made
	gauges  []gaugeMemory
	ready   []row // to be written
	made    int   // rows so far
	held    *row  // by last-row-lost
	late    []lateRow
}

// gaugeMemory is what the host remembers of one gauge.
type gaugeMemory struct {
	channels []memory
	low      bool   // the low cell is recorded and has not cleared
	newest   *int64 // tag number
	tagged   bool   // a tag has come
	rejoined bool   // and none since the link is back
	away     bool   // its port hung up and it has not come back
	left     bool   // it came back elsewhere before its port was noticed to hang up
}

// memory is what the host remembers of one channel.
type memory struct {
	seen     map[int64]sighting // tags that may be repeated, by number
	newest   *int64             // tag number
	lastTag  *reading
	streamed *reading // the last, good or void
	got      *reading // the last good one, streamed or tagged
	before   *reading // got, when the link was lost
	flowing  *reading // the last good one that was streamed
	value    *big.Rat // of the row before, as it should have been
	greatest *big.Rat // of all rows
	zone     string   // of the row before, as it should have been
	sums     []taken  // for its statistics
}

// sighting is a tag as it was last seen.
type sighting struct {
	at time.Time
	of reading
}

// message is what one frame of a gauge says, in plain words.
type message struct {
	readings []reading // none for a tag of what was streamed last
	tagged   bool
	number   *int64 // of the tag; nil: it has none
	low      *bool  // the cell is low; nil: the frame does not say
}

// reading is one channel's part of a message.
type reading struct {
	channel int      // index among the gauge's channels
	value   *big.Rat // nil when it is void
	unit    unit
	assumed bool // the frame does not say the unit
	void    bool
	zone    string // by the gauge's own limits, when it says so
}

func (r reading) same(s reading) bool {
	return r.void == s.void && (r.void || r.unit == s.unit && r.value.Cmp(s.value) == 0)
}

// row is one line of the records.
type row struct {
	time                                          time.Time
	gauge, channel, tag, value, unit, zone, event string
}

// header names the columns of a row.
var header = []string{"time", "gauge", "channel", "tag", "value", "unit", "zone", "event"}

func (r row) columns() []string {
	return []string{r.time.UTC().Format("2006-01-02T15:04:05.000000000Z"), r.gauge, r.channel, r.tag, r.value, r.unit, r.zone, r.event}
}

// lateRow is an event that events-late holds back.
type lateRow struct {
	row
	readings int // of its gauge that are still to come before it
}

func newMind(j *job, d defects) *mind {
	h := &mind{job: j, defects: d, steps: map[step][]func(*making){}, gauges: make([]gaugeMemory, len(j.Gauges))}
	for _, m := range catalogue {
		if d[m.Name] && m.do != nil {
			h.steps[m.at] = append(h.steps[m.at], m.do)
		}
	}
	for g := range j.Gauges {
		h.gauges[g].channels = make([]memory, len(j.Gauges[g].Channels))
	}
	return h
}

func (h *mind) has(defect string) bool { return h.defects[defect] }

func (h *mind) memory(g, channel int) *memory { return &h.gauges[g].channels[channel] }

// take returns the rows that are ready to be written.
func (h *mind) take() []row {
	rows := h.ready
	h.ready = nil
	if h.held != nil {
		rows = append([]row{*h.held}, rows...)
		h.held = nil
	}
	if n := len(rows); n > 0 && h.has("last-row-lost") {
		h.held, rows = &rows[n-1], rows[:n-1]
	}
	return rows
}

func (h *mind) put(r row) {
	if h.has("records-nothing") && r.event == "reading" {
		return
	}
	h.made++
	if h.has("time-zone") {
		r.time = r.time.Add(time.Hour)
	}
	if h.has("daylight-jump") && h.made > 3 {
		r.time = r.time.Add(time.Hour)
	}
	if h.has("times-backwards") && h.made%2 == 0 {
		r.time = r.time.Add(-time.Second)
	}
	h.ready = append(h.ready, r)
	if h.has("row-doubled") && h.made%5 == 2 {
		h.ready = append(h.ready, r)
	}
}

// name is the name a gauge is recorded under.
func (h *mind) name(g int) string {
	if h.has("gauges-swapped") {
		g = (g + 1) % len(h.job.Gauges)
	}
	return h.job.Gauges[g].Name
}

func (h *mind) event(g int, what string, now time.Time) {
	r := row{time: now, gauge: h.name(g), event: what}
	if h.has("events-late") {
		h.late = append(h.late, lateRow{r, 3})
		return
	}
	h.put(r)
}

// finish records what events-late holds back, when the host ends.
func (h *mind) finish(now time.Time) {
	for _, l := range h.late {
		l.time = now
		h.put(l.row)
	}
	h.late = nil
}

// record records a reading.
func (h *mind) record(g int, r reading, tag string, now time.Time) {
	m := h.make(g, r)
	name := h.name(g)
	h.put(row{time: now, gauge: name, channel: m.gauge.Channels[r.channel].Name, tag: tag, value: m.text(), unit: m.word, zone: m.zone, event: "reading"})
	var still []lateRow
	for _, l := range h.late {
		if l.gauge == name {
			l.readings--
		}
		if l.readings > 0 {
			still = append(still, l)
			continue
		}
		l.time = now
		h.put(l.row)
	}
	h.late = still
}

// lost records that a gauge's port hung up.
func (h *mind) lost(g int, now time.Time) {
	gauge := &h.gauges[g]
	if gauge.left {
		gauge.left = false
		return
	}
	gauge.away = true
	for c := range gauge.channels {
		gauge.channels[c].before = gauge.channels[c].got
	}
	if !h.has("link-loss-missed") {
		h.event(g, "link-lost", now)
	}
}

// back records that a gauge's port is open again. A gauge that is at another port
// now has left its own, which need not have been noticed yet.
func (h *mind) back(g int, now time.Time) {
	gauge := &h.gauges[g]
	if !gauge.away {
		h.lost(g, now)
		gauge.left = true
	}
	gauge.away, gauge.rejoined = false, true
	if !h.has("link-back-missed") {
		h.event(g, "link-back", now)
	}
}

// read takes the messages of one read of a gauge's port, in order.
func (h *mind) read(g int, said []message, now time.Time) {
	var tags []int // of the messages
	for i := range said {
		if said[i].tagged {
			tags = append(tags, i)
		}
	}
	if h.has("tags-out-of-order") {
		said = slices.Clone(said)
		for i, k := 0, len(tags)-1; i < k; i, k = i+1, k-1 {
			said[tags[i]], said[tags[k]] = said[tags[k]], said[tags[i]]
		}
	}
	for i, m := range said {
		if h.has("tag-dropped-burst") && m.tagged && i > tags[0] {
			continue
		}
		h.hear(g, m, now)
	}
}

// hear takes one message.
func (h *mind) hear(g int, m message, now time.Time) {
	gauge := &h.gauges[g]
	if m.low != nil {
		if *m.low && (!gauge.low || h.has("low-cell-repeated")) && !h.has("low-cell-missed") {
			h.event(g, "low-cell", now)
		}
		gauge.low = *m.low
	}
	readings := m.readings
	if h.has("channel-first-only") {
		readings = readings[:min(1, len(readings))]
	}
	if !m.tagged {
		for _, r := range readings {
			gauge.channels[r.channel].streamed = &r
			h.stream(g, h.channel(g, r), now)
		}
		return
	}
	if len(readings) == 0 {
		for c := range gauge.channels {
			if last := gauge.channels[c].streamed; last != nil {
				readings = append(readings, *last)
			}
		}
	}
	if len(readings) == 0 {
		return // a tag of nothing
	}
	if m.number != nil {
		if h.has("tag-wrap-dropped") && gauge.newest != nil && *m.number < *gauge.newest {
			return
		}
		gauge.newest = m.number
	}
	first, rejoined := !gauge.tagged, gauge.rejoined
	gauge.tagged, gauge.rejoined = true, false
	if first && h.has("first-tag-missed") || rejoined && h.has("tag-lost-at-rejoin") {
		return
	}
	for _, r := range readings {
		h.tag(g, h.channel(g, r), m.number, rejoined, now)
	}
}

// channel is a reading under the channel that it is taken for.
func (h *mind) channel(g int, r reading) reading {
	if h.has("channels-swapped") && len(h.job.Gauges[g].Channels) > 1 && r.channel < 2 {
		r.channel = 1 - r.channel
	}
	if h.has("channels-as-first") {
		r.channel = 0
	}
	return r
}

// stream takes a streamed reading.
func (h *mind) stream(g int, r reading, now time.Time) {
	h.keep(g, r, false)
	switch {
	case h.has("stream-as-tag"):
		last := int64(0)
		if n := h.gauges[g].newest; n != nil {
			last = *n
		}
		h.record(g, r, strconv.FormatInt(last, 10), now)
	case h.job.Keeps == "all" && !h.has("streams-unrecorded"), h.has("streams-recorded"):
		h.record(g, r, "", now)
	}
	if m := h.memory(g, r.channel); !r.void {
		m.got, m.flowing = &r, &r
	}
}

// tag takes a tagged reading.
func (h *mind) tag(g int, r reading, number *int64, rejoined bool, now time.Time) {
	m := h.memory(g, r.channel)
	if number != nil && h.repeated(m, h.job.Gauges[g].Tags, *number, r, now) && !h.has("tag-repeated") {
		return
	}
	last := m.lastTag
	if m.lastTag = &r; last != nil && last.same(r) && h.has("tag-merged") {
		return
	}
	if r.void && h.has("void-dropped") {
		return
	}
	written := ""
	if number != nil && !h.has("tag-unrecorded") {
		n := *number
		if h.has("tag-number-off") {
			n++
		}
		written = strconv.FormatInt(n, 10)
	}
	instead := &r
	switch {
	case h.has("stale-after-rejoin") && rejoined && m.before != nil:
		instead = m.before
	case h.has("tag-value-streamed") && m.flowing != nil:
		instead = m.flowing
	}
	h.keep(g, *instead, true)
	h.record(g, *instead, written, now)
	if !r.void {
		m.got = &r
	}
}

// repeated reports whether a tag of a channel was recorded already: the same
// number with the same reading, within the window since it was seen last.
//
// A number goes out of memory when one is used that it is ahead of, counted round
// the wrap by less than half the range (serial number arithmetic, RFC 1982 §3.2):
// in a short range a wrap can come within the window, and the number is then new.
func (h *mind) repeated(m *memory, tags tagNumbers, number int64, r reading, now time.Time) bool {
	before, known := m.seen[number]
	if m.seen == nil {
		m.seen = map[int64]sighting{}
	}
	m.seen[number] = sighting{now, r}
	if h.has("tag-window-endless") {
		return known
	}
	span := tags.Last - tags.First + 1
	ahead := func(of, n int64) bool {
		by := ((n-of)%span + span) % span
		return by > 0 && by <= (span-1)/2
	}
	if m.newest == nil || ahead(*m.newest, number) {
		m.newest = &number
		for n, s := range m.seen {
			if ahead(number, n) || len(m.seen) > 1024 && now.Sub(s.at) > tags.Window.Duration {
				delete(m.seen, n)
			}
		}
	}
	return known && now.Sub(before.at) <= tags.Window.Duration && before.of.same(r)
}
