package judge

import (
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// waiting is about frames that are taken only when another one comes: the last rows are
// missing, and the times of others say that they were written so late, or nothing does.
func (j *judging) waiting(base *outcome) (f found, ok bool) {
	if len(base.diffs) == 0 || !j.tail(base) || len(base.rows) != 1 {
		return f, false
	}
	f = sentence("a frame waits in the host until more comes, as where one is taken for each read, so that the last are never recorded")
	f.take(base, func(d *diff) bool { return d.want != nil && d.rec < 0 })
	if !j.RealTime {
		if n := j.stopped(base); n > 0 {
			f.Text = fmt.Sprintf("%s%s, or no more than %d rows of a gauge are recorded", either, f.Text, n)
		}
		f.last = true
		return f, base.paired > 0 && len(j.ends) == 0 && !j.Killed && j.queued(base)
	}
	f.trips = true
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

// stopped is the number of rows after which those of every gauge are missing, if it is one
// that people choose for a limit, and 0 if there is no such number.
func (j *judging) stopped(base *outcome) (n int) {
	most := 0
	for s := range j.readings {
		match := base.streams[s].match
		there := len(match)
		for _, k := range match {
			if k < 0 {
				there--
			}
		}
		most = max(most, there)
		if there < len(match) && n > 0 && there != n {
			return 0
		} else if there < len(match) {
			n = there
		}
	}
	if most == n && n >= 8 && (n&(n-1) == 0 || slices.Contains([]string{"1", "2", "5"}, strings.TrimRight(strconv.Itoa(n), "0"))) {
		return n
	}
	return 0
}

// scaled says in what unit times are written in the place of the right one, if they are.
func scaled(j *judging, right func(read func(i int, t time.Time) time.Time) bool) string {
	for _, w := range []struct {
		by   float64
		text string
	}{{1e3, "times are counted in units 1000 times as long as the right ones"}, {1e6, "times are counted in units a million times as long as the right ones"},
		{1e-3, "times are counted in units a thousandth as long as the right ones"}} {
		if right(func(_ int, t time.Time) time.Time { return time.UnixMicro(int64(float64(t.UnixMicro()) * w.by)) }) {
			return w.text
		}
	}
	return ""
}

// doubled is about rows of events that stand more than once, one after the other.
func (j *judging) doubled(base *outcome) (f found, ok bool) {
	beside := func(rec int32) bool {
		of := j.events[max(0, int(j.rows[rec].gauge))]
		at := slices.Index(of, rec)
		same := func(k int) bool {
			return k >= 0 && k < len(of) && j.records[of[k]].Kind == j.records[rec].Kind
		}
		return at >= 0 && (same(at-1) || same(at+1))
	}
	kinds := map[string]bool{}
	f.take(base, func(d *diff) bool {
		is := d.kind == KindEventExtra && d.rec >= 0 && beside(d.rec)
		if is {
			kinds[j.records[d.rec].Kind] = true
		}
		return is
	})
	f.Text = strings.Join(slices.Sorted(maps.Keys(kinds)), " and ") + " is recorded more than once each time"
	return f, len(f.keys) > 0 && len(f.keys) == len(base.diffs)
}

// sorted is about tags that came in one piece and were recorded in the order of their numbers.
func (j *judging) sorted(base *outcome) (f found, ok bool) {
	if slices.ContainsFunc(base.diffs, func(d diff) bool { return d.kind != KindOrder }) || len(base.rows) != 1 {
		return f, false
	}
	pieces := make([]int, len(j.h.Seen)) // by frame
	for i := range j.h.Seen {
		if pieces[i] = i; j.h.Seen[i].Joined && i > 0 {
			pieces[i] = pieces[i-1]
		}
	}
	moved := map[*cause.Want]int32{}
	for i := range base.diffs {
		moved[base.diffs[i].want] = base.diffs[i].rec
	}
	for s := range min(len(base.streams), len(j.readings)) {
		a := &base.streams[s]
		type row struct {
			rec   int32
			piece int
			tag   int64
		}
		var rows []row
		for i, k := range a.match {
			w := &a.wants[i]
			rec, is := moved[w]
			if !is && k >= 0 {
				rec = a.recs[k]
			}
			if (is || k >= 0) && w.Tagged && w.Seen >= 0 {
				rows = append(rows, row{rec, pieces[w.Seen], w.Tag})
			}
		}
		slices.SortFunc(rows, func(x, y row) int { return int(x.rec - y.rec) })
		for n := 1; n < len(rows); n++ {
			if x, y := rows[n-1], rows[n]; y.piece < x.piece || y.piece == x.piece && y.tag < x.tag {
				return f, false
			}
		}
	}
	f = sentence("tags that came in one piece are recorded in the order of their numbers")
	f.trips = true
	f.take(base, func(*diff) bool { return true })
	return f, len(f.keys) > 0
}

// strange is about rows, or their times, that cannot be read.
func (j *judging) strange(base *outcome) (f found, ok bool) {
	raw := map[string]bool{}
	short := true
	f.take(base, func(d *diff) bool {
		if d.kind == KindUnreadable {
			raw[strings.TrimSpace(j.records[d.rec].Raw)] = true
			short = short && unpadded.MatchString(j.records[d.rec].Raw)
		}
		return d.kind == KindUnreadable
	})
	switch {
	case len(raw) > 0 && short:
		f.Text = "parts of a time below 10 are written without their leading zero"
	case len(raw) == 1 && len(j.ends) > 0:
		f.Text = "a line that is no record stands in the records again and again, such as a heading at each start"
	default:
		return f, false
	}
	return f, true
}

// unpadded is a time of day of which a part has one digit.
var unpadded = regexp.MustCompile(`\b(\d:\d\d?:\d\d?|\d\d:\d:\d\d?|\d\d:\d\d:\d)\b`)

// recast is about values that are all wrong in one way, where some rows were paired with
// the wants of others: they are paired again with what such a host writes.
func (j *judging) recast(base *outcome) (best found, ok bool) {
	of := func(kinds ...Kind) bool {
		return slices.ContainsFunc(base.diffs, func(d diff) bool { return slices.Contains(kinds, d.kind) })
	}
	if len(base.rows) != 1 || base.streams == nil || len(base.diffs) > fewDiffs || !of(KindValue, KindVoid) || !of(KindLost, KindTagLost, KindExtra, KindTagRepeated, KindOrder) {
		return best, false
	}
	items, before := j.items(base), holds(base)
	wrong := slices.DeleteFunc(slices.Clone(items), func(it *item) bool { return it.bad[ofValue] == nil })
	for _, w := range j.values(spread(wrong, 12)) {
		hits := 0
		for _, it := range wrong {
			if ans, ok := w.says(it); ok && j.got(it, ofValue, ans) {
				hits++
			}
		}
		if 2*hits < len(wrong) || best.keys != nil && w.bits > best.bits+1 || j.ended() {
			continue
		}
		o := j.remade(base, items, w)
		if before.against(o) > 0 || len(o.diffs) >= len(base.diffs) {
			continue
		}
		left, f := holds(o), sentence("in every row "+w.text)
		f.take(base, func(d *diff) bool { return left[d.key()] == nil })
		switch f.bits = w.bits; {
		case len(f.keys) > len(best.keys) || len(f.keys) == len(best.keys) && f.bits < best.bits:
			best = f
		case len(f.keys) == len(best.keys) && len(best.Or) < mostOthers:
			best.Or = append(best.Or, f.Text)
		}
	}
	return best, best.keys != nil
}

// remade compares the records with the rows of a host whose values are wrong in one way.
func (j *judging) remade(base *outcome, items []*item, w what) *outcome {
	at := map[*cause.Want]*item{}
	for _, it := range items {
		if it.c >= 0 && it.c < len(j.Gauges[it.g].Channels) {
			at[it.w] = it
		}
	}
	return j.otherwise(base, func(due *cause.Want) (own cause.Want, there bool) {
		own = *due
		it := at[due]
		if it == nil {
			return own, true
		}
		ans, ok := w.says(it)
		if !ok {
			return own, true
		}
		if own.Value, own.Void, own.Zone = ans.v, ans.none, zone.Void; !own.Void {
			pm := ans.v.Mul(decimal.New(int64(j.Unit.Size()), 0))
			own.Zone = j.Zone(&j.Gauges[it.g].Channels[it.c], pm, pm)
		}
		return own, true
	})
}

// otherwise compares the records with other rows in the place of those that are due.
func (j *judging) otherwise(base *outcome, row func(due *cause.Want) (own cause.Want, there bool)) *outcome {
	rows := *base.rows[0]
	rows.Readings = slices.Clone(rows.Readings)
	for s := range rows.Readings {
		due := base.streams[s].wants
		rows.Readings[s] = make([]cause.Want, 0, len(due))
		for i := range due {
			if own, there := row(&due[i]); there {
				rows.Readings[s] = append(rows.Readings[s], own)
			}
		}
	}
	o := &outcome{}
	j.testRows(o, &rows, j.whole())
	j.facts(o, &rows, j.whole())
	return o
}

// thinned is about rows that are missing among equal ones, so that it is not known which of
// them: those that a condition is true of are left out, and the others are there.
func (j *judging) thinned(base *outcome) (best found, ok bool) {
	lost := func(d *diff) bool { return d.kind == KindLost || d.kind == KindTagLost }
	if len(base.rows) != 1 || base.streams == nil || len(base.diffs) > fewDiffs || !slices.ContainsFunc(base.diffs, func(d diff) bool { return lost(&d) && d.like > 1 }) {
		return best, false
	}
	items, before := j.items(base), holds(base)
	due := slices.DeleteFunc(slices.Clone(items), func(it *item) bool { return it.c < 0 })
	for _, c := range j.conditions(items) {
		out := map[*cause.Want]bool{}
		for _, it := range due {
			if c.is(it) {
				out[it.w] = true
			}
		}
		if len(out) == 0 || len(out) == len(due) || c.place || c.bits > choice(len(out), len(due)-len(out)) || j.ended() {
			continue
		}
		o := j.otherwise(base, func(due *cause.Want) (cause.Want, bool) { return *due, !out[due] })
		if before.against(o) > 0 || slices.ContainsFunc(o.diffs, func(d diff) bool { return lost(&d) }) {
			continue
		}
		switch f := sentence("where " + c.text + ", the row is missing"); {
		case best.keys == nil || c.bits < best.bits:
			f.bits, f.trips = c.bits, c.trips
			f.take(base, lost)
			best = f
		case len(best.Or) < mostOthers && c.bits-best.bits <= nearly:
			best.Or = append(best.Or, f.Text)
		}
	}
	return best, best.keys != nil
}

// emptied is about records that are begun anew when a port is opened again: all rows from
// before are missing, that of the loss too, and no others.
func (j *judging) emptied(base *outcome) (f found, ok bool) {
	last := int32(-1) // that is missing
	events := false
	if base.streams == nil || len(j.ends) > 0 {
		return f, false
	}
	for i := range base.diffs {
		d := &base.diffs[i]
		if d.rec >= 0 || d.want == nil {
			return f, false
		}
		last, events = max(last, d.want.Seen), events || d.kind == KindEventMissing
	}
	few := len(j.records) <= j.width && len(base.diffs) > mostOverwritten
	one := int32(-1) // what the rows that are there are of
	for i := range base.streams {
		a := &base.streams[i]
		for k, m := range a.match {
			seen := a.wants[k].Seen
			if m < 0 || seen < 0 {
				continue
			}
			if few = few && (one < 0 || one == seen); seen <= last && !(few && j.h.Seen[last].At-j.h.Seen[seen].At <= beside) {
				return f, false
			}
			one = seen
		}
	}
	reopened := events && !few && last >= 0 && int(last) < len(j.h.Seen) && slices.ContainsFunc(j.h.Seen[last:], func(s cause.Seen) bool { return s.What == cause.Up })
	switch {
	case reopened:
		f = sentence("the rows from before a port was opened again are missing: the records are begun anew there")
	case few:
		f = sentence("only what was written last is there: each write takes the place of all rows before it")
	default:
		return f, false
	}
	f.trips = true
	f.take(base, func(*diff) bool { return true })
	return f, base.paired > 0
}

// More than mostOverwritten rows are missing where one took the place of the others.
const mostOverwritten = 2

// queued reports whether so many rows of each gauge are missing at most as frames came
// together with others, or one. Frames of a stream may have come so, unless damaged ones
// did: over those rows are lost for other reasons.
func (j *judging) queued(base *outcome) bool {
	left := make([]int, len(j.Gauges))
	for g := range left {
		left[g] = 1
	}
	for i := range j.h.Seen {
		if s := &j.h.Seen[i]; s.What == cause.Frame && (s.Joined || j.counts.Spoilt == 0 && !s.Tagged && !s.Other) {
			left[s.Gauge]++
		}
	}
	for i := range base.diffs {
		g := j.h.Seen[base.diffs[i].want.Seen].Gauge
		if left[g]--; left[g] < 0 {
			return false
		}
	}
	return true
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
	case scaled(j, right) != "":
		f.Text = scaled(j, right)
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
	case right(func(_ int, t time.Time) time.Time { return t.Add(12 * time.Hour) }):
		f.Text = "hours are written from 1 to 12, without telling the afternoon"
	case offset < -10*365*24*time.Hour && right(func(_ int, t time.Time) time.Time { return t.Add(-offset) }):
		f.Text = "times are counted from another beginning, such as the start of the machine or of the program"
	case offset != 0 && right(func(_ int, t time.Time) time.Time { return t.Add(-offset) }):
		f.Text, f.bits = fmt.Sprintf("every time is off by %s", offset), plain+1
	default:
		return f, false
	}
	return f, true
}
