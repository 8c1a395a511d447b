package judge

import (
	"math"
	"slices"

	"example.org/understudy/harness/cause"
)

// Pattern is a sentence about findings that no cause explains: when rows are wrong,
// and what stands there. It has been checked against every row.
type Pattern struct {
	Text     string `json:"text"`
	Rows     int    `json:"rows"`     // that it speaks of, all of them wrong in this way
	Explains int    `json:"explains"` // findings
	Left     int    `json:"left"`     // rows wrong in the same respect that no sentence speaks of
}

// The search is for the shortest description (minimum description length): that of the
// sentence in bits against that of each wrong row by itself.
const (
	mostPatterns = 4
	mostLearned  = 200_000 // rows; of a longer run the parts that causes are looked for in
	mostSampled  = 4000    // rows that conditions are tried on first
	prescreen    = 300     // wrong rows that a way to be wrong is tried on first
	margin       = 4.0     // bits that a sentence saves at least
	pairCost     = 2.0     // bits of joining two conditions
	pairsFrom    = 160     // conditions that are joined in pairs
	pairHits     = 2       // a pair is true of one in so many at least of the rows wrong in that way
	mostOfOne    = 4.0     // bits of a way to be wrong that one row may show
	surely       = 14.0    // and one that takes the place of a cause
	inverse      = 1.0     // bits of turning a condition round
)

// contents is how many bits it takes to say what stands in a wrong row.
var contents = [aspects]float64{ofValue: 9, ofZone: 1.5, ofTag: 9}

// found is a pattern with what it explains.
type found struct {
	Pattern
	of    aspect
	saves float64
	keys  []key // and of the zones that follow from the values
}

// learner looks for patterns.
type learner struct {
	*judging
	items []*item
	conds []when
	open  map[key]bool // findings that are to be explained
}

// learn looks for sentences about the open findings.
func (j *judging) learn(o *outcome, open map[key]bool) (out []found) {
	if len(open) == 0 {
		return nil
	}
	l := &learner{judging: j, items: j.items(o), open: open}
	if len(l.items) == 0 {
		return nil
	}
	l.conds = j.conditions(l.items)
	for len(out) < mostPatterns && !j.ended() {
		var best found
		for a := range aspects {
			if f := l.aspect(a); f.saves > best.saves {
				best = f
			}
		}
		if best.saves < margin {
			break
		}
		for _, k := range best.keys {
			delete(l.open, k)
		}
		for i := range out {
			if out[i].of == best.of {
				out[i].Left = max(0, out[i].Left-best.Rows)
			}
		}
		out = append(out, best)
	}
	return out
}

// aspect finds the best sentence about one aspect of the rows.
func (l *learner) aspect(a aspect) (best found) {
	var wrong []*item
	for _, it := range l.items {
		if d := it.bad[a]; d != nil && l.open[d.key()] {
			wrong = append(wrong, it)
		}
	}
	if len(wrong) == 0 {
		return best
	}
	var ways []what
	switch a {
	case ofValue:
		ways = l.values(spread(wrong, 12))
	case ofZone:
		ways = l.zones()
	case ofTag:
		ways = l.tagsWrong(spread(wrong, 12))
	default:
		ways = slices.DeleteFunc(slices.Clone(simple), func(w what) bool { return w.of != a })
	}
	few := spread(wrong, prescreen)
	for _, w := range ways {
		if !slices.ContainsFunc(few, func(it *item) bool { ans, ok := w.says(it); return ok && l.got(it, a, ans) }) {
			continue
		}
		if f := l.way(w, wrong); f.saves > best.saves {
			best = f
		}
	}
	best.Left = len(wrong) - best.Rows
	return best
}

// spread is at most n of the items, from the beginning to the end.
func spread(items []*item, n int) []*item {
	if len(items) <= n {
		return items
	}
	out := make([]*item, n)
	for i := range out {
		out[i] = items[i*len(items)/n]
	}
	return out
}

// way finds the shortest condition under which rows are wrong in one way: true of no
// row that says something else.
func (l *learner) way(w what, wrong []*item) (best found) {
	var hits, misses []*item
	for _, it := range l.items {
		d := it.bad[w.of]
		if d == nil && !it.ok[w.of] || d != nil && !l.open[d.key()] {
			continue // it says nothing of this
		}
		ans, ok := w.says(it)
		if !ok {
			continue
		}
		switch {
		case l.got(it, w.of, ans):
			if d != nil {
				hits = append(hits, it)
			}
		default:
			misses = append(misses, it)
		}
	}
	if len(hits) == 0 {
		return best
	}
	worth := math.Log2(float64(len(l.items))) + contents[w.of]
	take := func(text string, bits float64, of []*item) {
		saves := float64(len(of))*worth - bits - w.bits
		if saves <= best.saves || len(of) < 2 && w.bits > mostOfOne {
			return
		}
		best = found{Pattern: Pattern{Text: text, Rows: len(of)}, of: w.of, saves: saves}
		for _, it := range of {
			best.keys = append(best.keys, it.bad[w.of].key())
			if w.of == ofValue {
				best.keys = append(best.keys, key{kind: KindZone, rec: it.rec})
			}
		}
	}
	if len(misses) == 0 {
		take("in every row "+w.text, 0, hits)
		return best
	}
	conds := slices.Clone(l.conds)
	for _, m := range l.measures() {
		conds = append(conds, bounds(m, hits, misses)...)
	}
	l.join(conds, w, hits, misses, take)
	return best
}

// literal is a condition or its contrary, and what of a sample it is true of.
type literal struct {
	when
	misses []uint64
	hits   []*item
}

// join tries conditions, and pairs of them.
func (l *learner) join(conds []when, w what, hits, misses []*item, take func(text string, bits float64, of []*item)) {
	sample := spread(misses, mostSampled)
	var lits []literal
	for _, c := range conds {
		for turned := range 2 {
			if turned == 1 && c.no == "" {
				continue
			}
			lit := literal{when: c, misses: make([]uint64, len(sample)/64+1)}
			if turned == 1 {
				is := c.is
				lit.text, lit.bits, lit.is = c.no, c.bits+inverse, func(it *item) bool { return !is(it) }
			}
			for _, it := range hits {
				if lit.is(it) {
					lit.hits = append(lit.hits, it)
				}
			}
			if len(lit.hits) == 0 {
				continue
			}
			none, all := true, true
			for i, it := range sample {
				if lit.is(it) {
					lit.misses[i/64] |= 1 << (i % 64)
					none = false
				} else {
					all = false
				}
			}
			if none && !slices.ContainsFunc(misses, lit.is) {
				take("where "+lit.text+", "+w.text, lit.bits, lit.hits)
			} else if !all || len(misses) > len(sample) {
				lits = append(lits, lit)
			}
		}
	}
	slices.SortStableFunc(lits, func(a, b literal) int { return len(b.hits) - len(a.hits) })
	lits = lits[:min(len(lits), pairsFrom)]
	for a := range lits {
		for b := a + 1; b < len(lits); b++ {
			if slices.ContainsFunc(zip(lits[a].misses, lits[b].misses), func(x uint64) bool { return x != 0 }) {
				continue
			}
			both := func(it *item) bool { return lits[a].is(it) && lits[b].is(it) }
			var of []*item
			for _, it := range lits[a].hits {
				if lits[b].is(it) {
					of = append(of, it)
				}
			}
			if len(of) > 1 && pairHits*len(of) >= len(hits) && !slices.ContainsFunc(misses, both) {
				take("where "+lits[a].text+" and "+lits[b].text+", "+w.text, lits[a].bits+lits[b].bits+pairCost, of)
			}
		}
	}
}

func zip(a, b []uint64) []uint64 {
	out := make([]uint64, len(a))
	for i := range a {
		out[i] = a[i] & b[i]
	}
	return out
}

// patterns adds sentences to what the causes explain. A cause that leaves to chance
// which rows it concerns gives way to a sentence that says which, and one that explains
// some of what a sentence explains gives way to it.
func (j *judging) patterns(base *outcome, ex *explained) {
	if j.ended() {
		return
	}
	o := base
	parts := ""
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
	if len(ex.named) > 0 && (len(ex.loose) > 0 || ex.unexplained > 0) {
		open := map[key]bool{}
		for k := range all {
			open[k] = true
		}
		for _, f := range j.learn(o, open) {
			ex.yield(f)
		}
	}
	for k := range all {
		if ex.of[k] != "" {
			delete(all, k)
		}
	}
	for n, f := range j.learn(o, all) {
		f.Text += parts
		ex.patterns = append(ex.patterns, f.Pattern)
		for _, k := range f.keys {
			if ex.of[k] == "" && ex.by[k] == 0 {
				ex.by[k] = n + 1
			}
		}
	}
	ex.doubt(base)
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

// mostLeft is how many findings of its kinds may be left for each that a cause explains:
// one that explains few of many does so by chance.
const mostLeft = 3

func (ex *explained) doubt(base *outcome) {
	ex.named = slices.DeleteFunc(ex.named, func(e Explanation) bool {
		v, left, own := cause.Named(e.Cause.Name)[0], 0, 0
		for i := range base.diffs {
			d := &base.diffs[i]
			switch k := d.key(); {
			case ex.of[k] == e.Cause.Name:
				own++
			case ex.of[k] == "" && ex.by[k] == 0 && v.Effects()&effects[d.kind] != 0:
				left++
			}
		}
		if left < mostLeft*max(own, 1) {
			return false
		}
		ex.forget(e.Cause.Name)
		return true
	})
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
// more, or they leave to chance what it says.
func (ex *explained) yield(f found) {
	in := map[key]bool{}
	for _, k := range f.keys {
		in[k] = true
	}
	ex.named = slices.DeleteFunc(ex.named, func(e Explanation) bool {
		own, shared := 0, 0
		for k, name := range ex.of {
			if name == e.Cause.Name {
				own++
				if in[k] {
					shared++
				}
			}
		}
		if shared == 0 || shared < own || !(f.Rows > own || ex.loose[e.Cause.Name] && f.saves > surely) {
			return false
		}
		ex.forget(e.Cause.Name)
		return true
	})
}

// loosely reports whether a cause leaves to chance which of the rows it concerns.
func loosely(o, rest *outcome) bool {
	return o.gone-rest.gone > 0 && o.gone-rest.gone < o.may-rest.may || o.slack > rest.slack || o.open > rest.open
}
