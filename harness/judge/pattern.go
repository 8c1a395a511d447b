package judge

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Pattern is a sentence about findings that no cause explains: when rows are wrong,
// and what stands there. It has been checked against every row.
type Pattern struct {
	Text     string   `json:"text"`
	Rows     int      `json:"rows"`         // that it speaks of, all of them wrong in this way
	Explains int      `json:"explains"`     // findings
	Left     int      `json:"left"`         // rows wrong in the same respect that no sentence speaks of
	Or       []string `json:"or,omitempty"` // other sentences that fit all of these rows
}

// The search is for the shortest description (minimum description length): that of the
// sentence in bits against that of each wrong row by itself. What a condition costs is
// set against the choice of the wrong rows among those that could have been, as often as
// they differ in what it speaks of: so chance supports none.
const (
	mostPatterns = 4
	mostLearned  = 200_000 // rows; of a longer run the parts that causes are looked for in
	mostSampled  = 4000    // rows that conditions are tried on first
	prescreen    = 300     // wrong rows that a way to be wrong is tried on first
	least        = -3.0    // bits that a sentence about all that is wrong in one respect saves: a plain one may cost a little
	surely       = 12.0    // and one about some of it
	conditional  = 1.5     // bits that a condition may cost more than it saves
	pairCost     = 2.0     // bits of joining two conditions
	pairsFrom    = 160     // conditions that are joined in pairs
	certain      = 6.0     // bits that it takes at most to say what stands there, to be told without a sure condition
	inverse      = 1.0     // bits of turning a condition round
	nearly       = 3.0     // bits within which another sentence is told too
	ofPlace      = 4.0     // bits by which one that counts rows is told later: hosts seldom do
	ofAnother    = 3.0     // bits by which a condition on the tag number costs more where the value or the zone is wrong
	mostOthers   = 2
)

// contents is how many bits it takes to say what stands in a wrong row.
var contents = [aspects]float64{ofValue: 9, ofZone: 1.5, ofTag: 9}

// found is a pattern with what it explains.
type found struct {
	Pattern
	of    aspect
	bits  float64 // of the sentence
	saves float64 // against saying what is wrong row by row
	items []*item
	keys  []key // and of the zones that follow from the values
	whole bool  // nothing else is wrong in this respect
	place bool  // its condition is one of place,
	trips bool  // or of what hosts are known to lose rows over
	last  bool  // all that it says is that the last rows are missing
	doubt bool  // chance may support its condition
	what  string
	right int // rows that it does not speak of
}

// prior is the length of the sentence, and what it takes to hold a host to be like that.
func (f *found) prior() float64 {
	if f.place {
		return f.bits + ofPlace
	}
	return f.bits
}

// sure reports whether a sentence is told before those that may be so by chance.
func (f *found) sure() bool { return !f.doubt && (!f.place || f.of != ofValue && f.of != ofTag) }

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
	l := &learner{judging: j, items: j.items(o), open: map[key]bool{}}
	for k := range open {
		l.open[k] = true
	}
	if len(l.items) == 0 {
		return nil
	}
	l.conds = j.conditions(l.items)
	for len(out) < mostPatterns && !j.ended() {
		var best found
		for a := range aspects {
			if f := l.aspect(a); f.items != nil && (best.items == nil || f.saves > best.saves) {
				best = f
			}
		}
		if best.items == nil {
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
	return slices.DeleteFunc(out, func(f found) bool { return f.Left > 0 }) // what it leaves contradicts it
}

// aspect finds the best sentence about one aspect of the rows.
func (l *learner) aspect(a aspect) found {
	all := l.fitting(a)
	if len(all) == 0 {
		return found{}
	}
	best := all[0]
	for _, f := range all[1:] {
		if len(best.Or) < mostOthers && f.prior()-best.prior() <= nearly && slices.Equal(f.items, best.items) && !strings.HasPrefix(f.Text, best.Text) {
			best.Or = append(best.Or, f.Text)
		}
	}
	if best.doubt { // what stands there is sure, and when it does is not
		best.Or = append([]string{best.Text}, best.Or...)
		best.Text = fmt.Sprintf("in %d of %d rows %s", best.Rows, best.Rows+best.right, best.what)
	}
	return best
}

// fitting are the sentences about one aspect of the rows, the best first.
func (l *learner) fitting(a aspect) (all []found) {
	var wrong []*item
	for _, it := range l.items {
		if d := it.bad[a]; d != nil && l.open[d.key()] {
			wrong = append(wrong, it)
		}
	}
	if len(wrong) == 0 {
		return nil
	}
	few := spread(wrong, prescreen)
	for _, w := range l.ways(a, spread(wrong, 12)) {
		if slices.ContainsFunc(few, func(it *item) bool { ans, ok := w.says(it); return ok && l.got(it, a, ans) }) {
			all = append(all, l.way(w, wrong)...)
		}
	}
	for i := range all {
		all[i].Left = len(wrong) - len(all[i].items)
		for _, it := range all[i].items {
			if it.bad[a] == nil { // it is wrong in another respect too, which the sentence says
				all[i].Left++
			}
		}
		all[i].whole = all[i].Left == 0
	}
	all = slices.DeleteFunc(all, func(f found) bool { return !f.whole && f.saves < surely || f.doubt && (!f.whole || f.saves < 0) })
	slices.SortStableFunc(all, func(x, y found) int {
		if x.whole && y.whole {
			if x.sure() != y.sure() {
				return map[bool]int{true: 1, false: -1}[y.sure()]
			}
			return cmp.Or(cmp.Compare(x.prior(), y.prior()), cmp.Compare(y.saves, x.saves))
		}
		return cmp.Or(cmp.Compare(y.Rows, x.Rows), cmp.Compare(y.saves, x.saves))
	})
	return all
}

// ways are the ways in which an aspect can be wrong; examples are wrong items.
func (j *judging) ways(a aspect, examples []*item) []what {
	switch a {
	case ofValue:
		return j.values(examples)
	case ofZone:
		return j.zones()
	case ofTag:
		return j.tagsWrong(examples)
	}
	return slices.DeleteFunc(slices.Clone(simple), func(w what) bool { return w.of != a })
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

// distinct counts the items that differ in what something speaks of.
func distinct(items []*item, a about) int {
	if a == aboutRow {
		return len(items)
	}
	seen := map[any]bool{}
	for _, it := range items {
		seen[it.subject(a)] = true
	}
	return len(seen)
}

// choice is how many bits it takes to say which n of n+m they are.
func choice(n, m int) float64 {
	lg := func(k int) float64 { v, _ := math.Lgamma(float64(k + 1)); return v }
	return (lg(n+m) - lg(n) - lg(m)) / math.Ln2
}

var contentAbout = [aspects]about{ofValue: aboutValue, ofZone: aboutValue, ofTag: aboutTag}

// way finds the short conditions under which rows are wrong in one way: true of no
// row that says something else.
func (l *learner) way(w what, wrong []*item) (out []found) {
	var hits, misses []*item
	for _, it := range l.items {
		ans, ok := w.says(it)
		if !ok {
			continue
		}
		d := it.bad[w.of]
		if w.of != ofLoss && ans.lost && it.rec < 0 {
			d = it.bad[ofLoss]
		} else if w.of != ofLoss && w.of != ofEvent && it.rec < 0 && !ans.lost {
			continue // it says nothing of this
		}
		switch {
		case d == nil && it.rec >= 0 && !it.ok[w.of] && !ans.lost, d != nil && !l.open[d.key()]:
		case l.got(it, w.of, ans):
			if d != nil {
				hits = append(hits, it)
			}
		default:
			misses = append(misses, it)
		}
	}
	if len(hits) == 0 {
		return nil
	}
	counts := [3]int{}
	for a := range counts {
		counts[a] = distinct(misses, about(a))
	}
	take := func(c when, of []*item) {
		where, text := 0.0, "in every row "+w.text
		if c.text != "" {
			if where = choice(distinct(of, c.about), counts[c.about]); c.bits > where+conditional && (w.of != ofValue && w.of != ofTag || w.bits > certain) {
				return
			}
			text = "where " + c.text + ", " + w.text
		}
		saves := where - c.bits + contents[w.of]*float64(distinct(of, contentAbout[w.of])) - w.bits
		if saves >= least {
			f := l.found(text, w.of, c.bits+w.bits, saves, of)
			f.place, f.trips, f.doubt = c.place, c.trips, c.bits > where+conditional
			f.what, f.right = w.text, len(misses)
			out = append(out, f)
		}
	}
	if len(misses) == 0 {
		take(when{}, hits)
		return out
	}
	conds := slices.Clone([]when(l.conds))
	if w.of == ofValue || w.of == ofZone {
		conds = slices.DeleteFunc(conds, func(c when) bool { return c.drops })
		for i := range conds {
			if conds[i].about == aboutTag {
				conds[i].bits += ofAnother
			}
		}
	}
	for _, m := range l.measures() {
		conds = append(conds, bounds(m, hits, misses)...)
	}
	conds = append(conds, places(hits, misses)...)
	l.join(conds, hits, misses, take)
	return out
}

func (l *learner) found(text string, of aspect, bits, saves float64, items []*item) found {
	f := found{Pattern: Pattern{Text: text, Rows: len(items)}, of: of, bits: bits, saves: saves, items: items}
	for _, it := range items {
		if d := it.bad[of]; d != nil {
			f.keys = append(f.keys, d.key())
		} else if d := it.bad[ofLoss]; d != nil {
			f.keys = append(f.keys, d.key())
		}
		if of == ofValue && it.tied != nil {
			f.keys = append(f.keys, it.tied.key())
		}
	}
	return f
}

// literal is a condition or its contrary, and what of a sample it is true of.
type literal struct {
	when
	misses []uint64
	hits   []*item
}

// join tries conditions, and pairs of them.
func (l *learner) join(conds []when, hits, misses []*item, take func(c when, of []*item)) {
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
				take(lit.when, lit.hits)
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
			if len(of) == len(hits) && !slices.ContainsFunc(misses, both) {
				x, y := lits[a], lits[b]
				pair := when{bits: x.bits + y.bits + pairCost, text: x.text + " and " + y.text, about: x.about, place: x.place || y.place, trips: x.trips && y.trips}
				if y.about != x.about {
					pair.about = aboutRow
				}
				take(pair, of)
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
