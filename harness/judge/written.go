package judge

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// waiting is about frames that are taken only when another one comes: the last rows are
// missing, and the times of others say that they were written so late.
func (j *judging) waiting(base *outcome) (f found, ok bool) {
	if !j.RealTime || !j.tail(base) || len(base.rows) != 1 {
		return f, false
	}
	f = sentence("a frame waits in the host until the next one comes, so that the last are never recorded")
	f.trips = true
	f.take(base, func(d *diff) bool { return d.want != nil && d.rec < 0 })
	for s := range j.readings {
		a := &base.streams[s]
		soonest, before := time.Duration(math.MaxInt64), time.Duration(-1)
		for i, k := range a.match {
			if k < 0 || a.wants[i].Seen < 0 || !j.records[a.recs[k]].HasTime {
				continue
			}
			after := j.records[a.recs[k]].Time.Sub(j.Begun) - j.HostTime(j.h.Seen[a.wants[i].Seen].At)
			soonest, before = min(soonest, after), after
		}
		// The last row that is there came so late that it waited for the next frame, too.
		last := slices.IndexFunc(a.match, func(k int32) bool { return k < 0 })
		if last < 1 || a.wants[last].Seen < 0 || a.match[last-1] < 0 {
			continue
		}
		own, next := j.h.Seen[a.wants[last-1].Seen].At, j.h.Seen[a.wants[last].Seen].At
		if late := before - soonest; late > waitsFor && late > j.HostTime(next-own)*3/4 {
			return f, true
		}
	}
	return f, false
}

// waitsFor is how late a row is at least that waited for another frame.
const waitsFor = 300 * time.Millisecond

// epoch is a time in seconds since 1970 with microseconds, one after the other.
var epoch = regexp.MustCompile(`\b(1[0-9]{9})([0-9]{1,6})\b`)

var fraction = regexp.MustCompile(`:\d\d[.,](\d{1,9})`)

// mistimed is about times that are wrong in one way.
func (j *judging) mistimed(base *outcome) (f found, ok bool) {
	of := func(d *diff) bool { return d.kind == KindTime || d.kind == KindTimeOff }
	if f.take(base, of); len(f.keys) == 0 || j.Begun.IsZero() {
		return f, false
	}
	digits, months, longest := make([]string, len(j.records)), true, 0
	var offset time.Duration
	latest := j.Begun
	for i := range j.records {
		rec := &j.records[i]
		if m := fraction.FindStringSubmatch(rec.Raw); m != nil {
			digits[i] = m[1]
			longest = max(longest, len(m[1]))
		}
		months = months && (!rec.HasTime || rec.Time.Minute() == int(rec.Time.Month()))
		if offset == 0 && rec.HasTime {
			offset = rec.Time.Sub(j.Begun).Round(time.Second)
		}
	}
	// right reports whether all times are in order and of the run when they are read so.
	right := func(read func(i int, t time.Time) time.Time) bool {
		last := make([]time.Time, len(j.Gauges))
		for i := range j.records {
			rec := &j.records[i]
			if !rec.HasTime {
				continue
			}
			t := read(i, rec.Time)
			if g := j.rows[i].gauge; j.off(t) != 0 || g >= 0 && t.Before(last[g]) {
				return false
			} else if g >= 0 {
				last[g] = t
			}
		}
		return true
	}
	switch {
	case right(func(i int, t time.Time) time.Time {
		if digits[i] == "" {
			return t
		}
		n, _ := strconv.ParseInt(digits[i]+strings.Repeat("0", 9-longest), 10, 64)
		return t.Truncate(time.Second).Add(time.Duration(n))
	}):
		f.Text = "the fraction of the second is written without its leading zeros"
	case right(func(i int, t time.Time) time.Time {
		m := epoch.FindStringSubmatch(j.records[i].Raw)
		if m == nil {
			return t
		}
		s, _ := strconv.ParseInt(m[1], 10, 64)
		us, _ := strconv.ParseInt(m[2], 10, 64)
		return time.Unix(s, us*1000)
	}):
		f.Text = "the microseconds of a time that counts them are written without their leading zeros"
	case months && right(func(_ int, t time.Time) time.Time {
		t = t.Add(time.Duration(latest.Minute()-t.Minute()) * time.Minute)
		if t.Before(latest.Add(-clockSlack)) {
			t = t.Add(time.Minute)
		}
		latest = t
		return t
	}):
		f.Text = "the minute of every time is its month"
	case offset != 0 && right(func(_ int, t time.Time) time.Time { return t.Add(-offset) }):
		f.Text, f.bits = fmt.Sprintf("every time is off by %s", offset), plain+1
	default:
		return f, false
	}
	return f, true
}
