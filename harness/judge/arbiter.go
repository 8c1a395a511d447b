package judge

import (
	"maps"
	"slices"
	"strings"

	"example.org/understudy/harness/cause"
)

// Causes and sentences compete for the findings. What either leaves over of one kind at
// one gauge contradicts it; of several that explain the same all are told.

// patterns adds sentences to what the causes explain. A cause that leaves to chance
// which rows it concerns gives way to a sentence that says which, and those that explain
// some of what a sentence explains give way to it.
func (j *judging) patterns(base *outcome, ex *explained) {
	if j.ended() {
		return
	}
	o, parts := base, ""
	switch {
	case base.expected > mostLearned:
		o, parts = j.testSpans(nil, ex.spans), ", in the parts of the run that were looked at"
	case o.streams == nil: // let go for the causes
		o = j.test(nil)
	}
	all := map[key]bool{}
	for i := range o.diffs {
		if _, ok := aspectOf[o.diffs[i].kind]; ok {
			all[o.diffs[i].key()] = true
		}
	}
	several, learned := j.sentences(base), j.learn(o, all)
	several = slices.DeleteFunc(several, func(f found) bool {
		return slices.ContainsFunc(learned, func(g found) bool { return (g.trips || g.Text == f.Text) && g.includes(f) })
	})
	if len(ex.named) > 0 {
		for _, f := range append(learned, several...) {
			ex.yield(f)
		}
	}
	j.besides(o, ex)
	var rest []found
	for again := true; again; {
		rest = nil
		open := map[key]bool{}
		for k := range all {
			open[k] = ex.of[k] == ""
		}
		for _, f := range several {
			if slices.ContainsFunc(f.keys, func(k key) bool { return ex.of[k] == "" }) {
				rest = append(rest, f)
			}
			for _, k := range f.keys {
				open[k] = false
			}
		}
		maps.DeleteFunc(open, func(_ key, is bool) bool { return !is })
		rest = append(rest, j.learn(o, open)...)
		again = j.contradicted(ex, base, &rest)
	}
	for j.contradicted(ex, base, &rest) { // by what a sentence explained that is taken back
	}
	for n, f := range rest {
		f.Text += parts
		ex.patterns = append(ex.patterns, f.Pattern)
		for _, k := range f.keys {
			if ex.of[k] == "" && ex.by[k] == 0 {
				ex.by[k] = n + 1
			}
		}
	}
	ex.unexplained = 0
	for i := range base.diffs {
		switch k := base.diffs[i].key(); {
		case ex.by[k] > 0:
			ex.patterns[ex.by[k]-1].Explains++
		case ex.of[k] == "":
			ex.unexplained++
		}
	}
}

// besides adds to causes that explain a few missing rows each what else is true of those
// rows alone: of several causes each may fit by chance.
func (j *judging) besides(o *outcome, ex *explained) {
	for k := range ex.named {
		e := &ex.named[k]
		own := map[key]bool{}
		for d, name := range ex.of {
			if name == e.Cause.Name {
				own[d] = true
			}
		}
		if len(ex.named) < 2 || len(e.Or) > 0 || len(own) > thin || cause.Named(e.Cause.Name)[0].Effects()&^cause.OnEvent != cause.OnLoss {
			continue
		}
		for _, f := range j.learn(o, own) {
			if len(f.keys) == len(own) {
				e.Or = append(append(e.Or, f.Text), f.Or...)
			}
		}
	}
}

// includes reports whether a sentence explains all that another one does.
func (f *found) includes(g found) bool {
	return !slices.ContainsFunc(g.keys, func(k key) bool { return !slices.Contains(f.keys, k) })
}

// respect is what findings are alike in: their kind, as far as one mistake makes them
// of one kind, and the gauge.
type respect struct {
	effect cause.Effect
	gauge  int32
}

// missing and surplus are rows of all kinds.
const (
	missing = cause.OnLoss | cause.OnEvent
	surplus = cause.OnMore | cause.OnEvent
)

func (j *judging) respect(d *diff) respect {
	r := respect{effects[d.kind], d.gauge}
	switch d.kind {
	case KindLost, KindTagLost, KindEventMissing:
		r.effect = missing
	case KindExtra, KindTagRepeated, KindEventExtra:
		r.effect = surplus
	case KindSettingRefused: // it may follow from any wrong value
		r.effect = 0
	}
	if d.stream >= 0 {
		r.gauge = d.stream / int32(j.width)
	} else if d.rec >= 0 {
		r.gauge = int32(j.rows[d.rec].gauge)
	}
	return r
}

// tolerated is how many findings a cause explains at least for each of their kind and gauge
// that nothing explains: in a long run the pairing of a few rows is not sure.
const tolerated = 20

// contradicted takes back the first cause that explains some of the findings of one kind
// at one gauge and leaves others, which nothing explains or a sentence that may be so by
// chance. Where there is none it takes back such sentences. It reports whether there was a
// cause.
func (j *judging) contradicted(ex *explained, base *outcome, rest *[]found) bool {
	by := map[key]int{} // one more than the sentence
	for n, f := range *rest {
		for _, k := range f.keys {
			by[k] = n + 1
		}
	}
	own, left, open := map[string]map[respect]int{}, map[respect]int{}, map[respect]int{}
	said := make([]map[respect]int, len(*rest))
	for i := range base.diffs {
		d := &base.diffs[i]
		r, n := j.respect(d), by[d.key()]-1
		switch name := ex.of[d.key()]; {
		case name != "":
			if own[name] == nil {
				own[name] = map[respect]int{}
			}
			own[name][r]++
			continue
		case d.kind == KindZone && d.rec >= 0 && j.records[d.rec].Problem != "":
			continue // its word means nothing to us, so that it contradicts nothing
		case n < 0:
			open[r]++
		default:
			if said[n] == nil {
				said[n] = map[respect]int{}
			}
			said[n][r]++
		}
		if n < 0 || (*rest)[n].saves < surely {
			left[r]++
		}
	}
	for k := len(ex.named) - 1; k >= 0; k-- {
		name := ex.named[k].Cause.Name
		more := 0
		for r, n := range own[name] {
			if more += left[r]; tolerated*left[r] > n {
				ex.named = slices.Delete(ex.named, k, k+1)
				ex.forget(name)
				return true
			}
		}
		ex.named[k].Left = more
	}
	n := -1
	*rest = slices.DeleteFunc(*rest, func(found) bool {
		n++
		for r, m := range said[n] {
			if tolerated*open[r] > m {
				return true
			}
		}
		return false
	})
	return false
}

// forget takes back what a cause explains.
func (ex *explained) forget(name string) {
	for k, n := range ex.of {
		if n == name {
			delete(ex.of, k)
		}
	}
}

// yield takes back the causes whose findings a sentence explains too, if it explains
// more, or alone what several do, or they leave to chance what it says. Beside one that
// stays the sentence is told.
func (ex *explained) yield(f found) {
	in := map[key]bool{}
	for _, k := range f.keys {
		in[k] = true
	}
	whole := map[string]int{} // causes of which it explains all
	joint := 0.0              // bits of those that explain nothing but what another one does with them
	for _, e := range ex.named {
		own, shared := 0, 0
		for k, name := range ex.of {
			if name == e.Cause.Name {
				own++
				if in[k] {
					shared++
				}
			}
		}
		if own > 0 && shared == own {
			whole[e.Cause.Name] = own
		} else if own == 0 {
			joint += e.bits()
		}
	}
	told := len(ex.named)
	ex.named = slices.DeleteFunc(ex.named, func(e Explanation) bool {
		own, ok := whole[e.Cause.Name]
		switch {
		case !ok:
			return false
		case len(whole) > 1 || len(in) > own || joint > 0 && f.of == ofRun:
		case f.of == ofRun && f.bits <= plain && cause.Named(e.Cause.Name)[0].Effects() == cause.OnTime:
		case ex.loose[e.Cause.Name] && (f.bits <= plain || f.saves-f.prior()+f.bits > loosely):
		case f.of == ofZone && joint == 0 && strings.HasPrefix(f.Text, "in every row ") && !f.onLimit():
			return false // both say something of every row that fits: both are told
		case f.of == ofZone && (f.bits < e.bits()+joint || f.edge() && cause.Named(e.Cause.Name)[0].Broad()):
		case f.trips && (f.of == ofRun || f.bits <= rare && cause.Named(e.Cause.Name)[0].Effects()&^cause.OnEvent == cause.OnLoss || cause.Named(e.Cause.Name)[0].Place()):
		default:
			return false
		}
		ex.forget(e.Cause.Name)
		return true
	})
	if joint > 0 && len(ex.named) < told { // they go with the one that they were told beside
		of := slices.Collect(maps.Values(ex.of))
		ex.named = slices.DeleteFunc(ex.named, func(e Explanation) bool { return !slices.Contains(of, e.Cause.Name) })
	}
	for k := range ex.named {
		if f.last && !cause.Named(ex.named[k].Cause.Name)[0].Loses() {
			continue // which says more
		}
		if n := whole[ex.named[k].Cause.Name]; n > 0 && (n <= thin || f.of == ofZone || f.of == ofRun || f.of == ofValue && strings.HasPrefix(f.Text, "in every row ")) {
			ex.named[k].Or = append(append(ex.named[k].Or, f.Text), f.Or...)
		}
	}
}

// edge reports whether a sentence is about values on a limit, or within the guard band: of
// those alone it says more than what goes for all values beyond it.
func (f *found) edge() bool { return strings.Contains(f.what, "guard band") || f.onLimit() }

func (f *found) onLimit() bool {
	return strings.HasSuffix(f.what, " as strict") || strings.HasSuffix(f.what, " as inclusive")
}

const (
	loosely = 4.0 // bits that a sentence saves before a cause that leaves much to chance gives way to it,
	plain   = 2.0 // or that it has at most
	rare    = 3.0 // that it has at most if its condition hardly ever holds by chance
	thin    = 6   // findings that hardly tell a cause from a sentence
)

// bits is the length of the shortest of a cause and its rivals.
func (e *Explanation) bits() float64 {
	bits := cause.Named(e.Cause.Name)[0].Bits()
	for _, r := range e.Rivals {
		bits = min(bits, cause.Named(r.Name)[0].Bits())
	}
	return bits
}

// chancy reports whether a cause leaves to chance which of the rows it concerns.
func chancy(o, rest *outcome) bool {
	return o.gone-rest.gone > 0 && o.gone-rest.gone < o.may-rest.may || o.slack > rest.slack || o.open > rest.open
}
