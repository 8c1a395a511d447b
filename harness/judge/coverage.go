package judge

import (
	"context"
	"iter"
	"slices"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
)

// Coverage is what a run could have shown: the mistakes of the catalogue whose host
// would have left other records of it. It is mutation coverage of a test of a host.
type Coverage struct {
	Shown   []string `json:"shown"`            // causes by name
	Unshown []string `json:"not-shown"`        // whose host would have left the same records
	Lacks   []string `json:"lacks,omitempty"`  // what the run has none of, such as "value on a limit"
	Frames  int      `json:"frames,omitempty"` // only so many from the beginning were looked at; 0: all
}

// coveredFrames bounds the part of a long run in which mistakes are tried.
const coveredFrames = 30_000

// Covers works out what a run could have shown. Whether the records have times is what
// timed says.
func Covers(ctx context.Context, spec Spec, entries iter.Seq[ledger.Entry], timed bool) Coverage {
	if spec.Resolution.Sign() <= 0 {
		return Coverage{}
	}
	j := &judging{Spec: &spec, ctx: ctx}
	j.observe(entries)
	return j.covers(timed)
}

func (j *judging) covers(timed bool) (c Coverage) {
	sp := span{to: len(j.h.Seen)}
	if sp.to > coveredFrames {
		sp.to, c.Frames = coveredFrames, coveredFrames
	}
	base := j.expect(nil, sp)
	could := j.could(base, timed)
	shown := map[string]bool{}
	var order []string
	for _, v := range cause.Variants() {
		name := v.Name()
		if len(order) == 0 || order[len(order)-1] != name {
			order = append(order, name)
		}
		if shown[name] || j.ended() {
			continue
		}
		rows := j.expect(cause.Hypothesis{v}, sp)
		shown[name] = overlap(rows.Chances, could) || j.tells(base, rows)
	}
	for _, n := range order {
		if shown[n] {
			c.Shown = append(c.Shown, n)
		} else {
			c.Unshown = append(c.Unshown, n)
		}
	}
	c.Lacks = j.lacks(base)
	return c
}

// tells reports whether the rows of a host tell it from a correct one, by what the host
// claims.
func (j *judging) tells(base, rows *cause.Rows) bool {
	for s := range base.Readings {
		if j.tellsReadings(base.Readings[s], rows.Readings[s]) {
			return true
		}
	}
	for g := range base.Events {
		claimed := func(w cause.Want) bool { return w.Loss == cause.Must && j.Claimed(w.Event.Aspect()) }
		a, b := only(base.Events[g], claimed), only(rows.Events[g], claimed)
		if !slices.EqualFunc(a, b, func(v, w cause.Want) bool { return v.Event == w.Event && v.Seen == w.Seen }) {
			return true
		}
		f := &j.h.Gauges[g]
		if base.Lines[g] != rows.Lines[g] && j.Claimed(cause.Line) && f.Line != "" && base.Lines[g] != "" && !(f.Hides && rows.Lines[g] == cause.AnotherParity) {
			return true
		}
		if j.Claimed(cause.Settings) && !slices.Equal(base.Requests[g], rows.Requests[g]) {
			return true
		}
	}
	return base.Reopens != rows.Reopens && j.Claimed(cause.Reopen) &&
		(slices.ContainsFunc(j.h.Seen, func(s cause.Seen) bool { return s.What == cause.Up }) ||
			slices.ContainsFunc(j.h.Gauges, func(f cause.Facts) bool { return f.Unheard }))
}

func only(ws []cause.Want, keep func(cause.Want) bool) (out []cause.Want) {
	for _, w := range ws {
		if keep(w) {
			out = append(out, w)
		}
	}
	return out
}

func (j *judging) tellsReadings(base, rows []cause.Want) bool {
	if slices.ContainsFunc(rows, func(w cause.Want) bool { return w.Changed&cause.LooseValue != 0 }) {
		return j.Claimed(cause.Complete) // rows that say anything, where none are due
	}
	sure := func(w cause.Want) bool { return w.Loss == cause.Must }
	a, b := only(base, sure), only(rows, sure)
	if len(a) != len(b) {
		return j.Claimed(cause.Complete)
	}
	for i := range a {
		v, w := &a[i], &b[i]
		switch {
		case v.Seen != w.Seen && j.Claimed(cause.Complete),
			j.Claimed(cause.Void) && v.Void != w.Void,
			j.Claimed(cause.Value) && !v.Void && !w.Void && !v.Value.Equal(w.Value),
			j.Claimed(cause.Zone) && v.Zone != w.Zone,
			j.Claimed(cause.Tag) && (v.Tagged != w.Tagged || v.Tagged && v.Tag != w.Tag),
			j.Claimed(cause.Unit) && !v.Void && v.Unit != w.Unit:
			return true
		}
	}
	return false
}

// could says which of the things that a mistake leaves to chance the run could have
// shown.
func (j *judging) could(base *cause.Rows, timed bool) (c cause.Chances) {
	readings, bursts, late := 0, false, false
	for s, ws := range base.Readings {
		sure := only(ws, func(w cause.Want) bool { return w.Loss == cause.Must })
		readings += len(sure)
		for i := 1; i < len(sure); i++ {
			bursts = bursts || j.h.Seen[sure[i].Seen].Joined && !sure[i].Value.Equal(sure[i-1].Value)
		}
		for _, e := range base.Events[s/j.width] {
			if e.Loss == cause.Must && j.Claimed(e.Event.Aspect()) {
				after := only(sure, func(w cause.Want) bool { return w.Seen > e.Seen })
				late = late || len(after) > latest
			}
		}
	}
	complete := j.Claimed(cause.Complete) && readings > 0
	killed, ended := j.Killed, false
	for _, e := range j.ends {
		killed, ended = killed || e.killed, true
	}
	timed = timed && j.Claimed(cause.Time) && readings > 1
	c.Doubles, c.Nothing, c.Quits = complete, complete, true
	c.Shuffles = complete && bursts
	c.Backwards, c.Zoned, c.Jumps = timed, timed && !j.Begun.IsZero(), timed && !j.Begun.IsZero()
	c.Late = late
	c.Tails, c.Over = complete && killed, complete && ended
	c.Slow = j.RealTime && j.Claimed(cause.KeepUp)
	at := j.AtLine
	for g := range j.Gauges {
		if j.Claimed(cause.Settings) && len(base.Requests[g]) > 0 {
			c.LateWrites = c.LateWrites || readings > 0
			c.LoseValue = c.LoseValue || slices.ContainsFunc(base.Requests[g], func(r cause.Request) bool {
				_, err := decimal.Parse(r.To)
				return err == nil || r.Setting == "unit"
			})
		}
		if j.Claimed(cause.Line) && j.Gauges[g].Shows {
			c.Idle = c.Idle || at.DTR != nil || at.RTS != nil
			c.Breaks = c.Breaks || at.Breaks != nil
		}
	}
	c.Stalls = at.Reads > 0 && j.RealTime && j.Claimed(cause.KeepUp)
	return c
}

// overlap reports whether something is left to chance that could have been shown.
func overlap(a, b cause.Chances) bool {
	return a.Doubles && b.Doubles || a.Shuffles && b.Shuffles || a.Backwards && b.Backwards || a.LateWrites && b.LateWrites ||
		a.Quits && b.Quits || a.Nothing && b.Nothing || a.Over && b.Over || a.Late && b.Late || a.Tails && b.Tails ||
		a.Slow && b.Slow || a.Jumps && b.Jumps || a.Idle && b.Idle || a.Breaks && b.Breaks || a.Stalls && b.Stalls ||
		a.LoseValue && b.LoseValue || a.Zoned && b.Zoned
}

// lacks lists what the run has none of, in words that follow "no".
func (j *judging) lacks(base *cause.Rows) (out []string) {
	items := j.items(&outcome{streams: j.unmatched(base)})
	some := func(f func(it *item) bool) bool { return slices.ContainsFunc(items, f) }
	seen := func(f func(s *cause.Seen) bool) bool {
		return slices.ContainsFunc(j.h.Seen, func(s cause.Seen) bool { return f(&s) })
	}
	number := func(it *item) bool { return it.r != nil && !it.r.Void }
	for _, l := range []struct {
		what string
		has  bool
	}{
		{"value on a limit", some(func(it *item) bool {
			if !number(it) {
				return false
			}
			_, shown := j.Display(it.g, it.c, it.r.Length())
			return slices.ContainsFunc(zone.Kinds[:], func(n zone.Kind) bool {
				at := *n.Of(j.limits(it))
				return at.Set && shown.Equal(decimal.New(int64(at.At), 0))
			})
		})},
		{"value between two steps", some(func(it *item) bool { return number(it) && j.tie(it) })},
		{"negative reading", some(func(it *item) bool { return number(it) && it.r.Shown.Sign() < 0 })},
		{"void reading", some(func(it *item) bool { return it.w.Void && it.c >= 0 })},
		{"other unit", some(func(it *item) bool { return it.r != nil && it.r.Unit != j.Unit })},
		{"second channel", j.width > 1},
		{"second gauge", len(j.Gauges) > 1},
		{"loss of the port", seen(func(s *cause.Seen) bool { return s.What == cause.Up })},
		{"damaged frame", seen(func(s *cause.Seen) bool { return s.State == cause.Spoilt })},
		{"frame in parts", seen(func(s *cause.Seen) bool { return s.Split })},
		{"two frames in one piece", seen(func(s *cause.Seen) bool { return s.Joined })},
		{"tag sent again", seen(func(s *cause.Seen) bool { return s.Repeat })},
		{"low cell", seen(func(s *cause.Seen) bool { return s.Low })},
		{"restart of the host", len(j.ends) > 0},
		{"idle time of a minute", some(func(it *item) bool { return it.since >= time.Minute })},
	} {
		if !l.has {
			out = append(out, l.what)
		}
	}
	return out
}

// unmatched are the rows that are due, as streams that are right in all.
func (j *judging) unmatched(rows *cause.Rows) (out []aligned) {
	j.rows = make([]row, 1)
	j.readings = make([][]int32, len(rows.Readings))
	add := func(ws []cause.Want) {
		own := only(ws, func(w cause.Want) bool { return w.Loss == cause.Must })
		out = append(out, aligned{wants: own, recs: []int32{0}, match: make([]int32, len(own))})
	}
	for _, ws := range rows.Readings {
		add(ws)
	}
	for _, ws := range rows.Events {
		add(ws)
	}
	return out
}
