package judge

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
)

// findings writes out the disagreements of the correct host, so many of each kind as
// the budget lists, and counts all of them.
func (j *judging) findings(base *outcome, ex explained, byKind map[Kind]int) []Finding {
	most := budget.Of(j.ctx).Findings
	// A cause's findings stand together with the unexplained ones in order of
	// time; those that are left out for their number are the last of a kind.
	var fs []Finding
	equal := map[[2]int32]int{} // rows that are missing of those that are equal
	for i := range base.diffs {
		if d := &base.diffs[i]; d.want != nil && d.rec < 0 && d.like > 1 {
			equal[[2]int32{d.stream, d.first}]++
		}
	}
	for i := range base.diffs {
		d := &base.diffs[i]
		byKind[d.kind]++
		if byKind[d.kind] > most {
			continue
		}
		f := j.finding(d)
		if n := equal[[2]int32{d.stream, d.first}]; d.want != nil && d.rec < 0 && d.like > 1 {
			verb := map[bool]string{true: "has", false: "have"}[n == 1]
			f.Rule = fmt.Sprintf("of %d equal readings in a row from %.3f s on %d %s no row; which of them cannot be known", d.like, f.At.Seconds(), n, verb)
		}
		f.Cause, f.Pattern = ex.of[d.key()], ex.by[d.key()]
		fs = append(fs, f)
	}
	slices.SortStableFunc(fs, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Gauge, b.Gauge))
	})
	return fs
}

func (j *judging) finding(d *diff) Finding {
	f := Finding{Kind: d.kind}
	if d.at >= 0 {
		f.At = j.h.Seen[d.at].At + d.after
	}
	if d.rec >= 0 {
		rec := &j.records[d.rec]
		f.Record, f.Gauge, f.Channel = rec, rec.Gauge, rec.Channel
	}
	if d.stream >= 0 {
		g, c := int(d.stream)/j.width, int(d.stream)%j.width
		f.Gauge = j.Gauges[g].Name
		if c < len(j.Gauges[g].Channels) {
			f.Channel = j.Gauges[g].Channels[c].Name
		}
	} else if d.rec < 0 {
		f.Gauge = j.Gauges[d.gauge].Name
	}
	var reading *cause.Reading
	if d.want != nil && d.want.Seen >= 0 {
		s := &j.h.Seen[d.want.Seen]
		f.At, f.Frame, f.Bytes = s.At, int(s.ID), s.Bytes
		for i, rs := 0, j.h.Of(s); i < len(rs); i++ {
			if d.stream >= 0 && int(rs[i].Channel) == int(d.stream)%j.width {
				reading = &rs[i]
			}
		}
	}
	if s := j.damagedFor(d); s != nil {
		f.At, f.Frame, f.Bytes = s.At, int(s.ID), s.Bytes
	}
	j.words(&f, d, reading)
	if d.kind == KindExtra && f.Frame > 0 {
		f.Rule = "the frame arrived damaged; nothing whole asks for this row"
	}
	return f
}

// damagedFor is the damaged frame that a row without a want may come of: one of the
// gauge's that arrived after what the row before it comes of, and before the next
// whole one that has to be recorded. It is the one with the row's tag, or the how
// manieth of them that the row is of the rows there.
func (j *judging) damagedFor(d *diff) *cause.Seen {
	if d.kind != KindExtra || d.stream < 0 {
		return nil
	}
	tag := j.records[d.rec].Tag
	n := int32(0)
	var nth *cause.Seen
	for i := d.at + 1; int(i) < len(j.h.Seen) && int(i-d.at) < damagedWithin; i++ {
		switch s := &j.h.Seen[i]; {
		case int(s.Gauge) != int(d.stream)/j.width || s.What != cause.Frame:
		case s.State == cause.Spoilt && s.Numbered && tag != nil && s.Tag == *tag:
			return s
		case s.State == cause.Spoilt && s.Other || !s.Tagged && !j.All:
		case s.State == cause.Spoilt:
			if n == d.nth {
				nth = s
			}
			n++
		case s.State == cause.Sure:
			return nth
		}
	}
	return nth
}

// damagedWithin bounds how far on a damaged frame is looked for.
const damagedWithin = 10_000

// words says what was expected, what was got, and why.
func (j *judging) words(f *Finding, d *diff, r *cause.Reading) {
	w, rec := d.want, f.Record
	switch d.kind {
	case KindValue:
		f.Expected, f.Got = j.number(w.Value), textOf(rec)
		f.Rule = j.conversion(d, r)
	case KindVoid:
		if w.Void {
			f.Expected, f.Got, f.Rule = "no value", textOf(rec), "a void reading is not a number"
		} else {
			f.Expected, f.Got, f.Rule = j.number(w.Value), orNone(rec.Text, "no value"), "the gauge sent a valid reading"
		}
	case KindZone:
		f.Expected, f.Got = w.Zone.String(), orNone(rec.Zone, "none")
		f.Rule = j.placing(d, w, r)
	case KindUnit:
		f.Expected, f.Got, f.Rule = w.Unit.Symbol(), rec.Unit, "the host records in "+j.Unit.Symbol()
	case KindTag:
		f.Expected, f.Got, f.Rule = "no tag number", "no tag number", "the tag number is the one in the frame"
		if w.Tagged {
			f.Expected = fmt.Sprintf("tag %d", w.Tag)
		} else {
			f.Rule = "the reading was not tagged"
		}
		if rec.Tag != nil {
			f.Got = fmt.Sprintf("tag %d", *rec.Tag)
		}
	case KindLost, KindTagLost:
		f.Expected, f.Got = j.row(w), "no row"
		f.Rule = "the host received the frame intact"
		if d.like > 1 {
			f.At, f.Frame, f.Bytes = j.h.Seen[d.first].At, 0, nil
		}
	case KindTagRepeated:
		f.Expected, f.Got = "one row for "+j.row(w), "another row"
		f.Rule = "the same number with the same reading within the window is one tag"
	case KindExtra:
		f.Expected, f.Got = "no row", rowText(rec)
		f.Rule = "nothing that the host received asks for this row"
	case KindOrder:
		f.Expected, f.Got = j.row(w)+" in its place", "the row in another place"
		f.Rule = "rows come in the order of the frames"
	case KindIdentity:
		f.Expected, f.Got = "a gauge and a channel of the run", strings.TrimSpace(rec.Gauge+" "+rec.Channel)
		f.Rule = "the host was told the names of gauges and channels"
	case KindUnreadable:
		f.Expected, f.Got, f.Rule = "a row that can be read", rec.Raw, rec.Problem
	case KindEventMissing:
		f.Expected, f.Got, f.Rule = w.Event.String(), "no row", eventRules[w.Event]
	case KindEventLate:
		f.Expected, f.Got, f.Rule = w.Event.String()+" before the readings that follow", "its row after them", eventRules[w.Event]
	case KindEventExtra:
		f.Expected, f.Got, f.Rule = "no row", rec.Kind, "it did not happen, or was recorded already"
	case KindTime:
		f.Expected, f.Got, f.Rule = "a time not before that of a row above it", rec.Time.Format(time.RFC3339Nano), "times do not run backwards"
	case KindTimeOff:
		f.Expected = "a time from " + j.Begun.Format(time.RFC3339) + " on"
		if !j.Ended.IsZero() {
			f.Expected += " until " + j.Ended.Format(time.RFC3339)
		}
		f.Got, f.Rule = rec.Time.Format(time.RFC3339Nano), "rows are written while the run lasts"
	default:
		j.portWords(f, d)
	}
}

// portWords says what a host did at a port, and what was right.
func (j *judging) portWords(f *Finding, d *diff) {
	if d.kind == KindQuit {
		f.Gauge, f.At = "", j.quit.T
		f.Expected, f.Got = "the host at work until it is asked to end", strings.TrimPrefix(strings.TrimPrefix(j.quit.Note, ledger.Quit), ": ")
		f.Rule = "what the gauges send after that is lost"
		return
	}
	h := &j.h.Gauges[d.gauge]
	switch d.kind {
	case KindOverrun:
		f.Expected, f.Got = "every frame read", fmt.Sprintf("%d frames given up", h.Full)
		f.Rule = "the port was full: the host did not read"
	case KindLine:
		f.At, f.Expected, f.Got = h.LineAt, j.Gauges[d.gauge].Line, h.Line
		f.Rule = "the port is opened with the gauge's own line settings"
		if h.First != h.Line {
			f.Got += ", where it had " + h.First + " when it opened the port first"
		}
	case KindUnset:
		f.At, f.Expected, f.Got = h.Again, j.Gauges[d.gauge].Line+", set again", "the system's own settings"
		f.Rule = "what comes back after a hang-up is a new device, which does not know how the line was set"
	case KindDatum:
		m := &h.Datums[d.nth]
		f.At, f.Expected, f.Got = m.At, m.Name+" as it was", m.Name+" moved from "+m.From+" to "+m.To
		f.Rule = "the gauge has kept its datum over the loss of the link: to set it again takes the part that is on it for the master"
	case KindAnswer:
		a := &h.Answers[d.nth]
		f.At, f.Frame = a.At, a.Frame
		if a.What == ledger.Accepts {
			f.Expected, f.Got = "a refusal, or no answer", "accepted a message that was corrupted on its way"
			f.Rule = "what is accepted is not sent again: its reading is lost"
			break
		}
		f.Expected, f.Got = "an acceptance", "refused an intact message each time it was sent"
		f.Rule = "the gauge gives up what is refused again and again: its reading is lost"
	case KindControl:
		f.Expected, f.Got = j.control(h)
		f.Rule = "the scenario states how the control lines stand while the gauge sends"
	case KindBreak:
		f.Expected, f.Got = "no break", fmt.Sprintf("%d breaks", h.Breaks)
		if *j.AtLine.Breaks {
			f.Expected, f.Got = "a break", "none"
		}
		f.Rule = "the scenario states whether the host sends breaks"
	case KindStall:
		f.At, f.Expected, f.Got = h.StallAt, fmt.Sprintf("some bytes read within %s", j.AtLine.Reads), fmt.Sprintf("none read for %s", h.Stall)
		f.Rule = "bytes had come and waited for the host, in real time"
	case KindDeserted:
		f.At, f.Expected, f.Got = h.Deserted, "the port kept open", fmt.Sprintf("closed it, and not opened it again: nobody heard %d frames", h.Unread)
		f.Rule = "what the gauge sends meanwhile is lost"
	case KindReopen:
		f.Expected, f.Got, f.Rule = "the port opened again", "not opened", "the port came back after the hang-up"
		if h.Mute > 0 {
			f.Expected, f.Got = "the port read again", "opened it, and read nothing from it"
		}
	default:
		j.settingWords(f, d)
	}
}

// control says how the control lines of a gauge's port are to stand, and how those
// stood that did not.
func (j *judging) control(f *cause.Facts) (want, got string) {
	words := map[bool]string{true: "raised", false: "lowered"}
	var wants, gots []string
	for _, l := range []struct {
		name   string
		stated *bool
		stood  cause.Stood
	}{{"DTR", j.AtLine.DTR, f.DTR}, {"RTS", j.AtLine.RTS, f.RTS}} {
		if l.stood.Against(l.stated) {
			wants, gots = append(wants, l.name+" "+words[*l.stated]), append(gots, l.name+" "+words[!*l.stated])
		}
	}
	return strings.Join(wants, ", "), strings.Join(gots, ", ")
}

var eventRules = map[cause.Event]string{
	cause.LowCellEvent:  "the frame says that the cell is low",
	cause.LinkLostEvent: "the port hung up",
	cause.LinkBackEvent: "the port was opened again",
}

func say(w cause.Write) string {
	return strings.Join(strings.Fields(cmp.Or(w.Verb, "set")+" "+w.Setting+" "+w.Channel+" "+w.To), " ")
}

func (j *judging) settingWords(f *Finding, d *diff) {
	g := &j.Gauges[d.gauge]
	f.Rule = "the host is to write its settings in order before the first tag"
	if int(d.nth) >= len(g.Writes) {
		f.Expected = "no other value"
		if g.Function != "" {
			f.Expected = "function " + g.Function
		}
		f.Got = "a request that sets another"
		for _, r := range j.h.Gauges[d.gauge].Requests {
			if r.Setting == "function" && !sameText(r.To, g.Function) {
				f.Got = "function " + r.To
			}
		}
		return
	}
	w := g.Writes[d.nth]
	f.Expected = say(w)
	switch d.kind {
	case KindSettingLate:
		f.Got = "only after the first tag"
	case KindSettingOrder:
		f.Got = "at another place in the order"
	case KindSettingMissing:
		f.Got = "not written"
		if bad := j.h.Gauges[d.gauge].Garbled; len(bad) > 0 {
			f.Got += fmt.Sprintf(", and sent what the gauge could not read, %d times (%s)", len(bad), bad[len(bad)-1])
		}
		j.instead(d, func(_, got cause.Write) bool {
			other := !slices.ContainsFunc(g.Writes, func(due cause.Write) bool { return say(due) == say(got) })
			if other {
				f.Got += ", but " + say(got)
			}
			return other
		})
	default:
		f.Got = "another value"
		for _, r := range j.h.Gauges[d.gauge].Requests {
			if r.Setting == w.Setting && r.Verb == cmp.Or(w.Verb, "set") {
				f.Got = say(r.Write)
				if r.Refused != "" {
					f.Got += ", refused: " + r.Refused
				}
			}
		}
	}
}

func (j *judging) number(v decimal.Decimal) string { return v.String() + " " + j.Unit.Symbol() }

func (j *judging) row(w *cause.Want) string {
	s := "void"
	if !w.Void {
		s = j.number(w.Value)
	}
	if w.Tagged {
		s = fmt.Sprintf("tag %d, %s", w.Tag, s)
	}
	return s
}

func rowText(rec *Record) string {
	s := textOf(rec)
	if rec.Tag != nil {
		s = fmt.Sprintf("tag %d, %s", *rec.Tag, s)
	}
	return s
}

func textOf(rec *Record) string {
	s := rec.Text
	if s == "" && rec.Value != nil {
		s = rec.Value.String()
	}
	return orNone(strings.TrimSpace(s+" "+rec.Unit), "no value")
}

func orNone(s, none string) string {
	if s == "" {
		return none
	}
	return s
}

// conversion says how the expected value comes from the reading.
func (j *judging) conversion(d *diff, r *cause.Reading) string {
	if r == nil {
		return ""
	}
	s := "the gauge sent " + r.Shown.String() + " " + r.Unit.Symbol()
	if r.Unit != j.Unit {
		s += ", converted once"
	}
	return s + ", rounded " + j.Rounding.String() + " to " + j.Step(int(d.stream)/j.width, int(d.stream)%j.width).String() + " " + j.Unit.Symbol()
}

// placing says which limit and rule give the expected zone.
func (j *judging) placing(d *diff, w *cause.Want, r *cause.Reading) string {
	if w.Zone == zone.Void {
		return "the reading is void"
	}
	g, c := int(d.stream)/j.width, int(d.stream)%j.width
	if r == nil || c >= len(j.Gauges[g].Channels) {
		return ""
	}
	ch := &j.Gauges[g].Channels[c]
	from, v := j.Unit, w.Value
	if j.Rule.Decide == zone.Unrounded {
		from, v = r.Unit, r.Shown
	}
	pm := v.Mul(decimal.New(int64(from.Size()), 0))
	s := ch.Limits.Why(pm, j.Rule, ch.LimitUnit)
	// U is twice the standard uncertainty as ISO 14253-1:2013 takes it (from memory).
	// The estimate is the reading as received: rounding for the display adds nothing to it.
	received := r.Shown.Mul(decimal.New(int64(r.Unit.Size()), 0))
	if y, ok := received.Quantize(0, decimal.HalfEven).Int64(); ok && j.Rule.U > 1 {
		p := Conformity(decimal.Length(y), j.Rule.U/2, ch.Limits)
		s += fmt.Sprintf("; taking U for twice the standard uncertainty, it conforms with a probability of %.2f", p)
	}
	return s
}
