package judge

import (
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// row is a record made ready for comparing.
type row struct {
	value    *decimal.Decimal
	tag      int64
	gauge    int16
	zones    zone.Set // of which the host does not say which; none for a word that is no zone
	unit     decimal.Unit
	hasTag   bool
	hasValue bool
	hasZone  bool
	hasUnit  bool
	known    bool // the unit is one
}

// near is how far back a row may repeat a tag.
const near = 64

// index sorts the records into streams and readies them.
func (j *judging) index() {
	j.rows = make([]row, len(j.records))
	j.readings = make([][]int32, len(j.Gauges)*j.width)
	j.events = make([][]int32, len(j.Gauges))
	last := make([]time.Time, len(j.Gauges))
	for i := range j.records {
		rec, r := &j.records[i], &j.rows[i]
		g, c, ok := j.stream(rec)
		r.gauge = int16(g)
		switch {
		case rec.Kind != "reading":
			e := cause.EventNamed(rec.Kind)
			if e != cause.NoEvent && g >= 0 && j.Claimed(e.Aspect()) {
				j.events[g] = append(j.events[g], int32(i))
			} else if e != cause.NoEvent && g < 0 {
				j.loose = append(j.loose, diff{kind: KindIdentity, rec: int32(i), stream: -1, at: -1})
			} else if e == cause.NoEvent && rec.Kind != "" {
				j.unmapped = append(j.unmapped, int32(i))
			} else if rec.Kind == "" {
				j.loose = append(j.loose, diff{kind: KindUnreadable, rec: int32(i), stream: -1, at: -1})
			}
		case !ok:
			j.loose = append(j.loose, diff{kind: KindIdentity, rec: int32(i), stream: -1, at: -1})
		default:
			j.ready(rec, r)
			s := g*j.width + c
			j.readings[s] = append(j.readings[s], int32(i))
		}
		if g >= 0 && rec.BadTime && j.Claimed(cause.Time) {
			j.loose = append(j.loose, diff{kind: KindUnreadable, rec: int32(i), stream: -1, at: -1})
		}
		if g < 0 || !rec.HasTime || !j.Claimed(cause.Time) {
			continue
		}
		j.timed++
		if rec.Time.Before(last[g]) {
			j.times = append(j.times, diff{kind: KindTime, rec: int32(i), stream: -1, at: -1})
		} else {
			last[g] = rec.Time
		}
		if j.off(rec.Time) != 0 {
			j.times = append(j.times, diff{kind: KindTimeOff, rec: int32(i), stream: -1, at: -1})
		}
	}
}

// clockSlack is how far a host's clock may be off.
const clockSlack = 5 * time.Second

// stream finds the gauge and channel a record names.
func (j *judging) stream(rec *Record) (g, c int, ok bool) {
	g, ok = j.names[rec.Gauge]
	if !ok {
		if rec.Gauge != "" || len(j.Gauges) != 1 {
			return -1, 0, false
		}
		g = 0
	}
	chs, name := j.Gauges[g].Channels, rec.Channel
	for c := range chs {
		if j.called != nil {
			name = j.called(c, &chs[c], rec.Channel)
		}
		if chs[c].Name == name {
			return g, c, true
		}
	}
	return g, 0, rec.Channel == "" && len(chs) <= 1
}

func (j *judging) ready(rec *Record, r *row) {
	if rec.Tag != nil {
		r.tag, r.hasTag, j.numbered = *rec.Tag, true, true
	}
	if rec.Value != nil {
		r.value, r.hasValue = rec.Value, true
	}
	if rec.Zone != "" {
		r.hasZone = true
		_ = r.zones.UnmarshalText([]byte(rec.Zone))
	}
	if rec.Unit != "" {
		r.hasUnit = true
		if rec.Unit == j.Unit.Symbol() {
			r.unit, r.known = j.Unit, true
		} else {
			r.unit, r.known = decimal.ParseUnit(rec.Unit)
		}
	}
}
