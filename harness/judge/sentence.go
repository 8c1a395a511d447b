package judge

import (
	"cmp"
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
	"example.org/understudy/sim/stage/ledger"
)

// Some sentences are not of single rows that are due: they are about events, about rows
// in the place of others, and about names and times.

// ofRun is the aspect of a sentence about more than one row at a time.
const ofRun = aspects

// sentences are those that explain findings of several rows together.
func (j *judging) sentences(base *outcome) (out []found) {
	for _, of := range []func(*outcome) (found, bool){j.twisted, j.moved, j.copied, j.recast, j.thinned, j.emptied, j.doubled, j.strange, j.sorted, j.renamed, j.shuffled, j.mistimed, ofKind(KindDatum, "the host sets the gauge up again after its port came back, datum and all"),
		ofKind(KindUnset, "the serial line is set when the port is first opened, and not again after a hang-up"),
		j.deaf, ofKind(KindDeserted, "the host closes a port in mid-run, and does not open it again"), j.reopened, j.gaveUp, j.waiting, j.answers, j.written, j.again} {
		if j.ended() {
			return out
		}
		if f, ok := of(base); ok {
			f.of, f.saves = ofRun, surely
			f.Rows = len(f.keys)
			out = append(out, f)
		}
	}
	sure := map[bool]int{true: -1}
	slices.SortStableFunc(out, func(a, b found) int {
		return cmp.Or(len(b.keys)-len(a.keys), sure[a.trips]-sure[b.trips])
	})
	told := map[key]bool{}
	return slices.DeleteFunc(out, func(f found) bool {
		news := 0
		for _, k := range f.keys {
			if !told[k] {
				told[k] = true
				news++
			}
		}
		return news < len(f.keys) // of what another one explains it is not sure
	})
}

func sentence(text string) found { return found{Pattern: Pattern{Text: text}} }

// ofKind is a sentence about all findings of a kind.
func ofKind(kind Kind, text string) func(base *outcome) (found, bool) {
	return func(base *outcome) (found, bool) {
		f := sentence(text)
		f.take(base, func(d *diff) bool { return d.kind == kind })
		return f, len(f.keys) > 0
	}
}

// take adds the findings that a function says are explained.
func (f *found) take(base *outcome, explained func(d *diff) bool) {
	for i := range base.diffs {
		if d := &base.diffs[i]; explained(d) {
			f.keys = append(f.keys, d.key())
		}
	}
}

// either begins a sentence of several that fit as well.
const either = "either "

// twisted is about what the model host would record with a mistake that has no page: of
// those that make no other finding the one that explains most.
func (j *judging) twisted(base *outcome) (best found, ok bool) {
	before := holds(base)
	var others []string // all that fit as well
	for _, t := range j.Twists() {
		if t.Harm && j.counts.Spoilt == 0 || t.Text == cause.Damaged && j.checks() || !slices.ContainsFunc(base.diffs, func(d diff) bool { return effects[d.kind]&t.Of != 0 }) {
			continue
		}
		o := j.test(t.Made)
		if j.ended() || len(o.diffs) >= len(base.diffs) || before.against(o) > 0 || j.early(o) {
			continue
		}
		left := holds(o)
		f := sentence(t.Text)
		f.take(base, func(d *diff) bool { return left[d.key()] == nil })
		f.trips = t.Trips && len(f.keys) > 1
		if len(f.keys) > len(best.keys) {
			best = f
			others = nil
		} else if len(f.keys) == len(best.keys) && f.Text != best.Text {
			others = append(others, f.Text)
		}
	}
	if len(others) > 0 {
		best.Text = either + strings.Join(append([]string{best.Text}, others...), ", or ")
	}
	return best, best.keys != nil
}

// early reports whether the time of an event's row is before what the host is held to have
// been told it by.
func (j *judging) early(o *outcome) bool {
	if !j.RealTime || len(o.rows) != 1 {
		return false
	}
	after := func(a *aligned, i int) (time.Duration, bool) {
		if k := a.match[i]; k >= 0 && a.wants[i].Seen >= 0 && j.records[a.recs[k]].HasTime {
			return j.records[a.recs[k]].Time.Sub(j.Begun) - j.HostTime(j.h.Seen[a.wants[i].Seen].At), true
		}
		return 0, false
	}
	soonest := time.Duration(math.MaxInt64)
	for n := range o.streams {
		for i := range o.streams[n].wants {
			if d, ok := after(&o.streams[n], i); ok && n < len(j.readings) {
				soonest = min(soonest, d)
			} else if ok && soonest < math.MaxInt64 && d < soonest-j.Late {
				return true
			}
		}
	}
	return false
}

// told is what a row says, as far as it tells it from others.
type told struct {
	event string
	tag   int64
	value string
}

func (j *judging) due(w *cause.Want) told {
	t := told{event: w.Event.String(), tag: w.Tag}
	if !w.Void && w.Event == cause.NoEvent {
		t.value = w.Value.Trim().String()
	}
	return t
}

func (j *judging) says(rec *Record) (t told) {
	if rec.Kind != "reading" {
		t.event = rec.Kind
	}
	if rec.Tag != nil {
		t.tag = *rec.Tag
	}
	if rec.Value != nil {
		t.value = rec.Value.Trim().String()
	}
	return t
}

// moved is about rows that stand under the names of other gauges: all that are missing at
// one are too many at the other, and what else is too many there may be missing.
func (j *judging) moved(base *outcome) (f found, ok bool) {
	gone, may, more := make([]map[told]int, len(j.Gauges)), make([]map[told]int, len(j.Gauges)), make([]map[told]int, len(j.Gauges))
	for g := range gone {
		gone[g], may[g], more[g] = map[told]int{}, map[told]int{}, map[told]int{}
	}
	for i := range base.diffs {
		d := &base.diffs[i]
		switch r := j.respect(d); r.effect {
		case missing:
			gone[r.gauge][j.due(d.want)]++
		case surplus:
			more[r.gauge][j.says(&j.records[d.rec])]++
		}
	}
	for n, s := range base.streams {
		g := n / j.width
		if n >= len(j.readings) {
			g = n - len(j.readings)
		}
		for i := range s.wants {
			if s.match[i] < 0 && s.wants[i].Loss < cause.Must {
				may[g][j.due(&s.wants[i])]++
			}
		}
	}
	for _, what := range []string{"rows", "events", "link-lost", "link-back", "low-cell"} {
		of := func(t told) bool { return what == "rows" || t.event == what || what == "events" && t.event != "" }
		var texts []string
		var own found
		for g := range gone {
			for to := range more {
				if g == to || !within(gone[g], more[to], nil, of) || !within(more[to], gone[g], may[g], of) {
					continue
				}
				name := "events"
				for t := range gone[g] {
					if t.event == "" || what != "rows" {
						name = what
					}
				}
				texts = append(texts, fmt.Sprintf("%s of %s stand under the name of %s", name, j.Gauges[g].Name, j.Gauges[to].Name))
				own.take(base, func(d *diff) bool {
					switch r := j.respect(d); r {
					case respect{missing, int32(g)}:
						return of(j.due(d.want))
					case respect{surplus, int32(to)}:
						return of(j.says(&j.records[d.rec]))
					}
					return false
				})
			}
		}
		if len(own.keys) > len(f.keys) {
			f = own
			f.Text = strings.Join(texts, ", and ")
		}
	}
	return f, len(f.keys) > 0
}

// within reports whether all that is told of some kind in one place is told in another, or
// may be, and that there is some.
func within(a, b, may map[told]int, of func(t told) bool) (some bool) {
	for t, n := range a {
		if of(t) && n > b[t]+may[t] {
			return false
		}
		some = some || of(t)
	}
	return some
}

// again is about lines that are set as they should be when the port is first opened.
func (j *judging) again(base *outcome) (f found, ok bool) {
	f = sentence("the line is set otherwise only when the port is opened again")
	ok = true
	f.take(base, func(d *diff) bool {
		ok = ok && (d.kind != KindLine || lineFits("", j.Gauges[d.gauge].Line, j.h.Gauges[d.gauge].First))
		return d.kind == KindLine
	})
	return f, ok && len(f.keys) > 0
}

// answers is about messages of a conversation that are taken for what they were not.
func (j *judging) answers(base *outcome) (f found, ok bool) {
	for _, t := range []struct{ what, says string }{
		{ledger.Accepts, "the host accepts messages that were corrupted on their way"},
		{ledger.Refuses, "the host refuses messages that were intact"},
	} {
		f = sentence(t.says)
		f.take(base, func(d *diff) bool { return d.kind == KindAnswer && j.h.Gauges[d.gauge].Answers[d.nth].What == t.what })
		if len(f.keys) > 0 {
			return f, true
		}
	}
	return f, false
}

// reopened is about ports that the host takes for gone while they are there.
func (j *judging) reopened(base *outcome) (f found, ok bool) {
	times := make([]int, len(j.Gauges))
	for i := range j.h.Seen {
		if s := &j.h.Seen[i]; s.What == cause.Restart {
			times[s.Gauge]++
		}
	}
	f = sentence("the host closes a port by itself and opens it again, and records that the link was lost")
	f.take(base, func(d *diff) bool {
		is := d.kind == KindEventExtra && cause.EventNamed(j.records[d.rec].Kind) == cause.LinkLostEvent && times[j.respect(d).gauge] > 0
		if is {
			times[j.respect(d).gauge]--
		}
		return is
	})
	return f, len(f.keys) > 0
}

// deaf is about ports that the host opens again and does not listen to.
func (j *judging) deaf(base *outcome) (f found, ok bool) {
	f = sentence("a port that came back is opened again, and nothing is read from it")
	f.trips = true
	f.take(base, func(d *diff) bool { return d.kind == KindReopen && j.h.Gauges[d.gauge].Mute > 0 })
	return f, len(f.keys) > 0
}

// gaveUp is about a host that ends while it waits for a port.
func (j *judging) gaveUp(base *outcome) (f found, ok bool) {
	if j.quit == nil || j.away == nil {
		return f, false
	}
	f = sentence("the host ends by itself while the port of " + j.away.Name + " is away: it no longer tries to open it")
	f.trips = true
	f.take(base, func(d *diff) bool { return d.kind == KindQuit })
	return f, len(f.keys) > 0
}

// written is about what a host writes into settings instead of what is due.
func (j *judging) written(base *outcome) (f found, ok bool) {
	number := func(do func(n decimal.Decimal) decimal.Decimal) func(_ *cause.Gauge, due, got cause.Write) bool {
		return func(_ *cause.Gauge, due, got cause.Write) bool {
			n, err := decimal.Parse(due.To)
			m, wrong := decimal.Parse(got.To)
			return err == nil && wrong == nil && got.Channel == due.Channel && !m.Equal(n) && m.Equal(do(n))
		}
	}
	type way struct {
		text string
		is   func(g *cause.Gauge, due, got cause.Write) bool
	}
	ways := []way{{"numbers are written into settings with an exponent, as in 5e-05", func(_ *cause.Gauge, due, got cause.Write) bool {
		n, err := decimal.Parse(due.To)
		v, wrong := decimal.Parse(exponent.FindString(got.To))
		return err == nil && wrong == nil && v.Equal(n)
	}}, {"numbers are written into settings with a decimal comma", func(_ *cause.Gauge, due, got cause.Write) bool {
		comma := strings.ReplaceAll(due.To, ".", ",")
		return comma != due.To && strings.Contains(got.To, comma)
	}}}
	for places := 6; places >= 0; places-- {
		ways = append(ways, way{fmt.Sprintf("numbers are written into settings with %d decimals", places), number(func(n decimal.Decimal) decimal.Decimal { return n.Quantize(-places, decimal.HalfEven) })},
			way{fmt.Sprintf("numbers are written into settings cut off after %d decimals", places), number(func(n decimal.Decimal) decimal.Decimal { return n.Quantize(-places, decimal.Truncate) })})
	}
	ways = append(ways, way{"numbers are written into settings without the zeros at their end, also before the decimal mark", number(func(n decimal.Decimal) decimal.Decimal {
		cut, _ := decimal.Parse("0" + strings.TrimRight(n.Abs().Trim().String(), "0"))
		return cut
	})}, way{"numbers are written into settings without their sign", number(decimal.Decimal.Abs)})
	for _, by := range []int{-1, 1} {
		ways = append(ways, way{fmt.Sprintf("what is set for a channel is set for the one %s it", map[int]string{-1: "before", 1: "after"}[by]), func(g *cause.Gauge, due, got cause.Write) bool {
			at := func(name string) int {
				return slices.IndexFunc(g.Channels, func(c cause.Channel) bool { return c.Name == name })
			}
			return due.To == got.To && at(due.Channel) >= 0 && at(got.Channel) == at(due.Channel)+by
		}})
	}
	of := func(d *diff) bool {
		return d.kind == KindSettingValue || d.kind == KindSettingRefused || d.kind == KindSettingMissing
	}
	for _, w := range ways {
		f = sentence(w.text)
		same := true
		f.take(base, func(d *diff) bool {
			g := &j.Gauges[d.gauge]
			is := of(d) && int(d.nth) < len(g.Writes) && (j.instead(d, func(due, got cause.Write) bool { return w.is(g, due, got) }) ||
				slices.ContainsFunc(j.h.Gauges[d.gauge].Garbled, func(sent string) bool { return w.is(g, g.Writes[d.nth], cause.Write{To: sent}) }))
			same = same && (is || !of(d))
			return is
		})
		f.trips = slices.ContainsFunc(base.diffs, func(d diff) bool { return d.kind == KindSettingMissing && len(j.h.Gauges[d.gauge].Garbled) > 0 })
		if same && len(f.keys) > 0 {
			return f, true
		}
	}
	return j.unwritten(base)
}

// unwritten is about settings that are not written where they are due.
func (j *judging) unwritten(base *outcome) (f found, ok bool) {
	first, most := math.MaxInt, 0
	elsewhere := true
	missing := map[[2]int32]bool{}
	for i := range base.diffs {
		d := &base.diffs[i]
		if d.kind != KindSettingMissing || int(d.nth) >= len(j.Gauges[d.gauge].Writes) {
			continue
		}
		first, most = min(first, int(d.nth)), max(most, len(j.Gauges[d.gauge].Writes))
		missing[[2]int32{d.gauge, d.nth}] = true
		due := j.Gauges[d.gauge].Writes[d.nth]
		due.Verb = cmp.Or(due.Verb, "set")
		at := func(f cause.Facts) bool {
			return slices.ContainsFunc(f.Requests, func(r cause.Request) bool { return r.Write == due })
		}
		elsewhere = elsewhere && slices.ContainsFunc(j.h.Gauges, at)
	}
	rest := first > 0
	for g := range j.Gauges {
		for n := first; n < len(j.Gauges[g].Writes); n++ {
			rest = rest && missing[[2]int32{int32(g), int32(n)}]
		}
	}
	switch {
	case len(missing) == 0:
		return f, false
	case elsewhere:
		f = sentence("what is to be set at one gauge is set at another")
	case rest && most > 1:
		f = sentence(fmt.Sprintf("of the settings of a gauge no more than the first %d are written", first))
	default:
		return f, false
	}
	f.take(base, func(d *diff) bool { return missing[[2]int32{d.gauge, d.nth}] && d.kind == KindSettingMissing })
	return f, true
}

var exponent = regexp.MustCompile(`[-+]?[0-9]+(\.[0-9]*)?[eE][-+]?[0-9]+`)

// instead reports whether the host has written something else of the kind that a finding
// says is due.
func (j *judging) instead(d *diff, is func(due, got cause.Write) bool) bool {
	due := j.Gauges[d.gauge].Writes[d.nth]
	due.Verb = cmp.Or(due.Verb, "set")
	return slices.ContainsFunc(j.h.Gauges[d.gauge].Requests, func(r cause.Request) bool {
		return r.Verb == due.Verb && r.Setting == due.Setting && is(due, r.Write)
	})
}

// copied is about rows that are as many as are due, of which the wrong ones say what
// others say.
func (j *judging) copied(base *outcome) (f found, ok bool) {
	for s := range min(len(base.streams), len(j.readings)) {
		a := &base.streams[s]
		if len(a.wants) != len(a.recs) || len(base.rows) != 1 {
			continue
		}
		side := j.sides(base.rows[0], a.wants, a.recs, int32(s))
		later, earlier, wrong := true, true, 0
		for k := range a.recs {
			if side.Pair(k, k) == 0 {
				continue
			}
			wrong++
			is := func(from, to int) bool {
				for i := max(0, from); i < min(to, len(a.wants)); i++ {
					if side.Pair(i, k) == 0 {
						return true
					}
				}
				return false
			}
			if later, earlier = later && is(k+1, k+near), earlier && is(k-near, k); !later && !earlier {
				break
			}
		}
		if wrong == 0 || !later && !earlier {
			continue
		}
		place := map[bool]string{true: "a later", false: "an earlier"}[later]
		f = sentence(fmt.Sprintf("there are as many rows as are due, and each wrong one is a copy of %s row", place))
		f.take(base, func(d *diff) bool { return d.stream == int32(s) })
		return f, len(f.keys) > 1
	}
	return f, false
}

// renamed is about gauges that have another name in the records.
func (j *judging) renamed(base *outcome) (f found, ok bool) {
	as := map[string]int{}
	var texts []string
	for i := range base.diffs {
		d := &base.diffs[i]
		if d.kind != KindIdentity {
			continue
		}
		name := j.records[d.rec].Gauge
		if _, known := j.names[name]; known || name == "" {
			continue
		}
		for g := range j.Gauges {
			own := &j.Gauges[g]
			if cut := strings.HasPrefix(own.Name, name); cut || strings.EqualFold(own.Name, name) || own.Serial == name {
				if at, twice := as[name]; twice && at != g {
					return f, false // it may be either
				} else if as[name] = g; !twice && cut {
					texts = append(texts, fmt.Sprintf("the name %s is cut to the %d characters %s", own.Name, len(name), name))
				} else if !twice {
					texts = append(texts, fmt.Sprintf("%s is called %s", own.Name, name))
				}
			}
		}
	}
	if len(as) == 0 {
		return j.recalled(base)
	}
	return j.reread(base, strings.Join(texts, ", "), as, nil)
}

// recalled is about channels that have other names in the records.
func (j *judging) recalled(base *outcome) (f found, ok bool) {
	if !slices.ContainsFunc(base.diffs, func(d diff) bool { return d.kind == KindIdentity }) {
		return f, false
	}
	is := func(of func(c int, own *cause.Channel) string) func(c int, own *cause.Channel, name string) string {
		return func(c int, own *cause.Channel, name string) string {
			if strings.EqualFold(name, of(c, own)) {
				return own.Name
			}
			return name
		}
	}
	for _, w := range []struct {
		text   string
		called func(c int, own *cause.Channel, name string) string
	}{
		{"channels are called by their numbers from 1 on, not by their names", is(func(c int, _ *cause.Channel) string { return strconv.Itoa(c + 1) })},
		{"channels are called by their numbers from 0 on, not by their names", is(func(c int, _ *cause.Channel) string { return strconv.Itoa(c) })},
		{"the names of channels are written in other letters", is(func(_ int, own *cause.Channel) string { return own.Name })},
	} {
		if f, ok = j.reread(base, w.text, nil, w.called); ok {
			return f, true
		}
	}
	return f, false
}

// reread is about records that are right once their names are understood.
func (j *judging) reread(base *outcome, text string, gauges map[string]int, called func(c int, own *cause.Channel, name string) string) (f found, ok bool) {
	own := *j
	own.names, own.called, own.loose, own.times, own.unmapped, own.timed = maps.Clone(j.names), called, nil, nil, nil, 0
	maps.Copy(own.names, gauges)
	own.index()
	left := holds(own.test(nil))
	f = sentence(text)
	f.take(base, func(d *diff) bool { return left[d.key()] == nil })
	return f, len(f.keys) > 0
}

// shuffled is about rows whose times are right and whose order is not.
func (j *judging) shuffled(base *outcome) (f found, ok bool) {
	if len(base.rows) != 1 || !slices.ContainsFunc(base.diffs, func(d diff) bool { return d.kind == KindOrder }) {
		return f, false
	}
	exact := true
	for s := range min(len(base.streams), len(j.readings)) {
		a := &base.streams[s]
		recs := slices.Clone(a.recs)
		slices.SortStableFunc(recs, func(x, y int32) int { return j.records[x].Time.Compare(j.records[y].Time) })
		paired := 0
		side := j.sides(base.rows[0], a.wants, recs, int32(s))
		for i, k := range side.align() {
			if k >= 0 {
				paired++
				exact = exact && side.Pair(i, int(k)) == 0
			}
		}
		if paired < len(recs) || slices.ContainsFunc(recs, func(r int32) bool { return !j.records[r].HasTime }) {
			return f, false
		}
	}
	f = sentence("rows are written in another order than that of their times, which is the right one")
	f.take(base, func(d *diff) bool { return d.kind == KindOrder || d.kind == KindTime || exact && d.stream >= 0 })
	return f, slices.ContainsFunc(base.diffs, func(d diff) bool { return d.kind == KindTime })
}
