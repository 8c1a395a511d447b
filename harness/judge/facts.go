package judge

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/align"
	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
)

// facts compares what is known beside the records.
func (j *judging) facts(out *outcome, rows *cause.Rows, sp span) {
	out.diffs = append(out.diffs, sp.loose...)
	zoned, jumped := rows.Zoned && j.oneZone(), rows.Jumps && j.oneJump()
	for _, d := range sp.times {
		switch {
		case d.kind == KindTime && rows.Backwards, d.kind == KindTimeOff && zoned, jumped && j.off(j.records[d.rec].Time) != 0:
			out.slack++
		default:
			out.diffs = append(out.diffs, d)
		}
	}
	if j.quit != nil && rows.Quits {
		out.slack++
	} else if j.quit != nil {
		out.diffs = append(out.diffs, diff{kind: KindQuit, rec: -1, stream: -1, at: -1})
	}
	for g := range j.Gauges {
		f := &j.h.Gauges[g]
		if lost := f.Unheard || j.muted(out, g); j.Claimed(cause.Reopen) && lost == rows.Reopens && lost {
			out.diffs = append(out.diffs, diff{kind: KindReopen, rec: -1, stream: -1, gauge: int32(g), at: -1})
		}
		if j.Claimed(cause.KeepUp) && f.Full > 0 && !rows.Slow {
			out.diffs = append(out.diffs, diff{kind: KindOverrun, rec: -1, stream: -1, gauge: int32(g), at: -1})
		}
		note := func(k Kind) {
			out.diffs = append(out.diffs, diff{kind: k, rec: -1, stream: -1, gauge: int32(g), at: -1})
		}
		if j.Claimed(cause.Line) && j.Gauges[g].Shows && f.Opened {
			if (f.DTR.Against(j.AtLine.DTR) || f.RTS.Against(j.AtLine.RTS)) && !rows.Idle {
				note(KindControl)
			}
			if b := j.AtLine.Breaks; b != nil && *b != (f.Breaks > 0) && !rows.Breaks {
				note(KindBreak)
			}
		}
		if at := j.AtLine.Reads; j.Claimed(cause.KeepUp) && at > 0 && f.Stall > at && !rows.Stalls {
			note(KindStall)
		}
		if want := rows.Lines[g]; j.Claimed(cause.Line) && f.Line != "" && !(lineFits(want, j.Gauges[g].Line, f.Line) && (want == j.Gauges[g].Line || lineFits(want, j.Gauges[g].Line, f.First))) {
			out.diffs = append(out.diffs, diff{kind: KindLine, rec: -1, stream: -1, gauge: int32(g), at: -1})
		}
		if f.Unread > 0 {
			note(KindDeserted)
		}
		for n := range f.Answers {
			out.diffs = append(out.diffs, diff{kind: KindAnswer, rec: -1, stream: -1, gauge: int32(g), nth: int32(n), at: -1})
		}
		if j.Claimed(cause.Line) && f.Unset && j.Gauges[g].Line != "" {
			note(KindUnset)
		}
		if j.Claimed(cause.Settings) && f.Opened {
			j.settings(out, rows, g)
			for n := range f.Datums {
				out.diffs = append(out.diffs, diff{kind: KindDatum, rec: -1, stream: -1, gauge: int32(g), nth: int32(n), at: -1})
			}
		}
	}
}

// muted reports whether a gauge's port was opened again and nothing was read from it: there
// is no row of what came.
func (j *judging) muted(out *outcome, g int) (is bool) {
	from := j.h.Gauges[g].Mute
	for i := 0; from > 0 && i < len(out.streams); i++ {
		a := &out.streams[i]
		for k, m := range a.match {
			s := int(a.wants[k].Seen)
			if s < from || a.wants[k].Event != cause.NoEvent || int(j.h.Seen[s].Gauge) != g {
				continue
			}
			if is = true; m >= 0 {
				return false
			}
		}
	}
	return is
}

// off is how far a time lies outside the run, 0 when it lies inside.
func (j *judging) off(t time.Time) time.Duration {
	switch {
	case j.Begun.IsZero():
	case t.Before(j.Begun.Add(-clockSlack)):
		return t.Sub(j.Begun)
	case !j.Ended.IsZero() && t.After(j.Ended.Add(clockSlack)):
		return t.Sub(j.Ended)
	}
	return 0
}

// oneZone reports whether all times are off by the same whole number of
// quarter hours, as time zones are.
func (j *judging) oneZone() bool {
	const quarter, most = 15 * time.Minute, 14 * time.Hour
	for shift := -most; shift <= most; shift += quarter {
		n, fits := 0, shift != 0
		for _, d := range j.times {
			if d.kind == KindTimeOff && fits {
				n++
				fits = j.off(j.records[d.rec].Time.Add(-shift)) == 0
			}
		}
		if fits && n > 0 && n == j.timed {
			return true
		}
	}
	return false
}

// oneJump reports whether the times that are off are those from some row on,
// or up to some row, and off by one hour.
func (j *judging) oneJump() bool {
	for _, shift := range [2]time.Duration{time.Hour, -time.Hour} {
		fits, n := true, 0
		for _, d := range j.times {
			if d.kind == KindTimeOff {
				n++
				fits = fits && j.off(j.records[d.rec].Time.Add(-shift)) == 0
			}
		}
		changes, was := 0, false
		for i := range j.records {
			if rec := &j.records[i]; rec.HasTime {
				off := j.off(rec.Time) != 0
				if i > 0 && off != was {
					changes++
				}
				was = off
			}
		}
		if fits && n > 0 && changes == 1 {
			return true
		}
	}
	return false
}

// lineFits compares the line settings a host asked for with those wanted: the
// speed and the character format; what follows them is not judged.
func lineFits(want, own, got string) bool {
	w, g := strings.Fields(own), strings.Fields(got)
	if len(w) < 2 || len(g) < 2 {
		return own == "" || own == got
	}
	switch want {
	case cause.AnotherSpeed:
		return g[0] != w[0] && g[1] == w[1]
	case cause.AnotherParity:
		return g[0] == w[0] && g[1] != w[1]
	}
	return g[0] == w[0] && g[1] == w[1]
}

// requestSides are the requests a gauge is due and those it got.
type requestSides struct{ due, got []cause.Request }

func (s *requestSides) Len() (int, int) { return len(s.due), len(s.got) }
func (s *requestSides) Skip(int) int    { return align.Full }
func (s *requestSides) Extra(int) int   { return align.Full }
func (s *requestSides) Pair(i, k int) int {
	switch {
	case !sameSetting(s.due[i], s.got[k]):
		return 3 * align.Full
	case !sameText(s.due[i].To, s.got[k].To):
		return 11
	}
	return 0
}
func (s *requestSides) Same(i, k int) (same, named bool) { return s.Pair(i, k) == 0, false }
func (s *requestSides) WantKey(int) uint64               { return 0 }
func (s *requestSides) RecordKey(int) uint64             { return 1 }

func sameSetting(a, b cause.Request) bool {
	return a.Verb == b.Verb && a.Setting == b.Setting && (a.Channel == b.Channel || a.Channel == "" || b.Channel == "")
}

// sameText compares settings: numbers by value, words without regard to case.
func sameText(a, b string) bool {
	if x, err := decimal.Parse(a); err == nil {
		if y, err := decimal.Parse(b); err == nil {
			return x.Equal(y)
		}
	}
	return strings.EqualFold(a, b)
}

// ofOtherUnit reports whether a unit is another one than is due, or a number what another
// one is in another unit, as far as its digits go.
func ofOtherUnit(due, got string) bool {
	u, unit := decimal.ParseUnit(due)
	v, too := decimal.ParseUnit(got)
	if unit || too {
		return unit && too && u != v
	}
	n, err := decimal.Parse(due)
	m, wrong := decimal.Parse(got)
	if err != nil || wrong != nil || m.IsZero() && m.Exponent() > n.Exponent() {
		return false // a zero with fewer decimals says nothing
	}
	units := []decimal.Unit{decimal.MM, decimal.IN, decimal.UM, decimal.UIN}
	for _, from := range units {
		for _, to := range units {
			pm := n.Mul(decimal.New(int64(from.Size()), 0))
			if from != to && pm.Quo(decimal.New(int64(to.Size()), 0), m.Exponent(), decimal.HalfEven).Equal(m) {
				return true
			}
		}
	}
	return false
}

// asked is the first request that a gauge refused of a host that had written what is due
// up to then, and nothing else: the scenario asks for what cannot be. It is nil for none.
func (j *judging) asked(g int) *cause.Request {
	due := j.Gauges[g].Writes
	for i := range j.h.Gauges[g].Requests {
		r := &j.h.Gauges[g].Requests[i]
		if len(due) == 0 {
			return nil
		}
		w := due[0]
		w.Verb = cmp.Or(w.Verb, "set")
		switch {
		case sameSetting(cause.Request{Write: w}, *r) && sameText(w.To, r.To):
			if r.Refused != "" {
				return r
			}
			due = due[1:]
		case slices.Contains([]string{"read", "get", "identify", "ack"}, r.Verb):
		default:
			return nil
		}
	}
	return nil
}

// stated reports whether a request is of a setting that the host was told to write.
func (j *judging) stated(g int, r cause.Request) bool {
	return slices.ContainsFunc(j.Gauges[g].Writes, func(w cause.Write) bool {
		w.Verb = cmp.Or(w.Verb, "set")
		return sameSetting(cause.Request{Write: w}, r)
	})
}

// settings compares a gauge's requests with those due. A request more than is
// due does no harm unless it sets something due to another value.
func (j *judging) settings(out *outcome, rows *cause.Rows, g int) {
	due := rows.Requests[g]
	concerns := func(r cause.Request) bool {
		return r.Setting == "function" && r.Verb == "set" && j.Gauges[g].Function != "" || j.stated(g, r) ||
			slices.ContainsFunc(due, func(d cause.Request) bool { return sameSetting(d, r) })
	}
	var got, late []cause.Request
	for _, r := range j.h.Gauges[g].Requests {
		switch {
		case !concerns(r):
		case r.Late:
			late = append(late, r)
		case len(got) > 0 && r == got[len(got)-1]: // asked again, as after a time-out
		default:
			got = append(got, r)
		}
	}
	match := align.Align(&requestSides{due, got})
	used := make([]bool, len(got))
	for _, k := range match {
		if k >= 0 {
			used[k] = true
		}
	}
	written := false // one with another value, which the gauge took
	for i, k := range match {
		written = written || k >= 0 && got[k].Refused == "" && !sameText(due[i].To, got[k].To)
	}
	add := func(kind Kind, nth int) {
		out.diffs = append(out.diffs, diff{kind: kind, rec: -1, stream: -1, gauge: int32(g), nth: int32(nth), at: -1})
	}
	for i, k := range match {
		d := due[i]
		same := func(r cause.Request) bool { return sameSetting(d, r) && sameText(d.To, r.To) }
		switch {
		case k >= 0 && rows.LateWrites: // a host that writes late has not written yet
			add(KindSettingOrder, i)
		case k >= 0 && got[k].Refused != "" && j.asked(g) == nil && (!rows.LoseValue || !written || sameText(d.To, got[k].To)):
			add(KindSettingRefused, i)
		case k >= 0 && sameText(d.To, got[k].To):
		case k >= 0 && rows.LoseValue && ofOtherUnit(d.To, got[k].To):
			out.slack++
		case k >= 0:
			add(KindSettingValue, i)
		case rows.LateWrites && slices.ContainsFunc(late, same):
		case slices.ContainsFunc(late, same):
			add(KindSettingLate, i)
		default:
			if at := slices.IndexFunc(got, same); at >= 0 && !used[at] {
				used[at] = true
				add(KindSettingOrder, i)
			} else if at := slices.IndexFunc(got, func(r cause.Request) bool { return sameSetting(d, r) }); at >= 0 && !used[at] {
				used[at] = true
				add(KindSettingValue, i)
			} else {
				add(KindSettingMissing, i)
			}
		}
	}
	// What is left over counts only where it ends with another value, or where
	// it should not have been written at all.
	for k := range got {
		if used[k] {
			continue
		}
		again := slices.ContainsFunc(got[k+1:], func(r cause.Request) bool { return sameSetting(got[k], r) })
		i := slices.IndexFunc(due, func(d cause.Request) bool { return sameSetting(d, got[k]) })
		switch {
		case again, i >= 0 && sameText(due[i].To, got[k].To):
		case i < 0 && !j.stated(g, got[k]) && sameText(got[k].To, j.Gauges[g].Function):
		default:
			add(KindSettingValue, 100+k)
		}
	}
	if len(due) == 0 {
		for k := range late {
			add(KindSettingValue, 200+k)
		}
	}
}
