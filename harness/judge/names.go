package judge

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"example.org/understudy/harness/cause"
)

// Sentences about rows that stand under other names than their own.

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
		take := func(name string, to int, from func(g int) bool) {
			texts = append(texts, fmt.Sprintf("%s stand under the name of %s", name, j.Gauges[to].Name))
			own.take(base, func(d *diff) bool {
				switch r := j.respect(d); {
				case r.effect == missing && from(int(r.gauge)):
					return of(j.due(d.want))
				case r == respect{surplus, int32(to)}:
					return of(j.says(&j.records[d.rec]))
				}
				return false
			})
		}
		named := func(g int) string {
			for t := range gone[g] {
				if t.event == "" || what != "rows" {
					return what
				}
			}
			return "events"
		}
		for g := range gone {
			for to := range more {
				if g != to && within(gone[g], more[to], nil, of) && within(more[to], gone[g], may[g], of) {
					take(named(g)+" of "+j.Gauges[g].Name, to, func(from int) bool { return from == g })
				}
			}
		}
		for to := range more {
			if all, some := others(gone, to), others(may, to); len(gone) > 2 && within(all, more[to], nil, of) && within(more[to], all, some, of) {
				texts, own = nil, found{}
				take(what+" of all gauges", to, func(from int) bool { return from != to })
				break
			}
		}
		if len(own.keys) > len(f.keys) {
			f = own
			f.Text = strings.Join(texts, ", and ")
		}
	}
	return f, len(f.keys) > 0
}

// others is what is told in all places but one.
func others(of []map[told]int, but int) map[told]int {
	sum := map[told]int{}
	for g := range of {
		for t, n := range of[g] {
			if g != but {
				sum[t] += n
			}
		}
	}
	return sum
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

// permuted is about channels of a gauge whose rows stand under each other's names.
func (j *judging) permuted(base *outcome) (f found, ok bool) {
	if len(base.rows) != 1 {
		return f, false
	}
	var texts []string
	for s := range min(len(base.streams), len(j.readings)) {
		g, to := s/j.width, s%j.width
		a := &base.streams[s]
		if to >= len(j.Gauges[g].Channels) || len(a.recs) == 0 || len(a.recs) != len(a.wants) {
			continue
		}
		holds := func(from int) bool {
			wants := base.streams[g*j.width+from].wants
			side := j.sides(base.rows[0], wants, a.recs, int32(s))
			same := len(wants) == len(a.recs)
			for i := 0; same && i < len(wants); i++ {
				row := &j.rows[a.recs[i]]
				same = (!side.tags || side.tagCost(&wants[i], row) == 0) && side.sameValue(&wants[i], row) &&
					(!side.claims.zone || zoneFits(&wants[i], row) || j.follows(&item{rec: a.recs[i], g: g, c: to}))
			}
			return same
		}
		if holds(to) {
			continue
		}
		for from := range j.Gauges[g].Channels {
			if from != to && holds(from) {
				texts = append(texts, fmt.Sprintf("readings of the channel %s stand under the name of %s", j.Gauges[g].Channels[from].Name, j.Gauges[g].Channels[to].Name))
				f.take(base, func(d *diff) bool { _, ok := aspectOf[d.kind]; return ok && d.stream == int32(s) })
				break
			}
		}
	}
	f.Text = strings.Join(texts, ", ")
	return f, len(texts) > 1
}

// renamed is about gauges that have another name in the records.
func (j *judging) renamed(base *outcome) (f found, ok bool) {
	as := map[string][]int{} // the gauges that a name may stand for
	for i := range base.diffs {
		if d := &base.diffs[i]; d.kind == KindIdentity && as[j.records[d.rec].Gauge] == nil {
			name := j.records[d.rec].Gauge
			if _, known := j.names[name]; known {
				continue
			}
			for g := range j.Gauges {
				own := &j.Gauges[g]
				if strings.HasPrefix(own.Name, name) || strings.EqualFold(own.Name, name) || own.Serial == name {
					as[name] = append(as[name], g)
				}
			}
		}
	}
	if len(as) == 0 {
		return j.recalled(base)
	}
	var texts []string
	one, several := map[string]int{}, map[int]bool{}
	for _, name := range slices.Sorted(maps.Keys(as)) {
		for _, g := range as[name] {
			own := j.Gauges[g].Name
			switch cut := strings.HasPrefix(own, name); {
			case name == "":
				texts = []string{"rows do not say which gauge they are of"}
			case cut && len(own) > len(name):
				texts = append(texts, fmt.Sprintf("the name %s is cut to the %d characters %s", own, len(name), name))
			default:
				texts = append(texts, fmt.Sprintf("%s is called %s", own, name))
			}
			if several[g] = len(as[name]) > 1; !several[g] {
				one[name] = g
			}
		}
	}
	if len(one) == len(as) {
		return j.reread(base, strings.Join(texts, ", "), one, nil)
	}
	f = sentence(strings.Join(texts, ", "))
	gone, there := map[told]int{}, map[told]int{}
	f.take(base, func(d *diff) bool {
		if d.kind == KindIdentity {
			there[j.says(&j.records[d.rec])]++
			return as[j.records[d.rec].Gauge] != nil
		}
		is := j.respect(d).effect == missing && several[int(j.respect(d).gauge)]
		if is {
			gone[j.due(d.want)]++
		}
		return is
	})
	return f, within(gone, there, nil, func(told) bool { return true })
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
