package judge

import (
	"fmt"
	"hash/maphash"
	"slices"

	"example.org/understudy/harness/cause"
)

// The score of a hypothesis: what it leaves disagreeing, and what it assumes.
// An assumption costs less than one disagreement, so that a cause that explains
// a single finding and nothing against it is named; what a cause leaves to
// chance costs less than an assumption, so that an exact cause wins; a cause
// whose rows may be missing, or may say anything, pays for each of them.
const (
	perDiff  = 10
	perMore  = 2 // another disagreement of the same row
	perCause = 5
	perLoss  = 1
	perOpen  = 4
	maxSlack = 4
)

// Bounds of the search.
const (
	maxCauses  = 4
	beamWidth  = 6
	pairBudget = 4_000_000 // wants times pairs of causes, for trying all pairs
	candidates = 40        // hypotheses that are looked at for rows against them
	wholeTests = 4         // and those of them that are held against all of a long run
)

// What a cause may leave to chance, where not all of the rows that it lets be missing are: that the missing rows all lie among those that
// it lets be missing is less likely than mostChance without it, and of those that it
// lets be missing one in leastGone is.
const (
	mostChance = 0.05
	leastGone  = 6
)

// tried is a hypothesis with what came of it.
type tried struct {
	hyp       cause.Hypothesis
	score     int
	left      int // disagreements that it leaves, or does not fit
	against   int // of them those that it makes, or changes
	slack     int
	may, gone int    // rows that may be missing, and those that are
	expected  int    // rows that have to be there
	signature uint64 // of the disagreements, whatever their order
	covers    int    // rows of it that are somewhere in the records; 0 where that was not looked at
}

// alike reports whether two hypotheses leave the same disagreements.
func alike(a, b tried) bool { return a.left == b.left && a.signature == b.signature }

// expectation is what a disagreement's want says, as far as its kind goes.
func expectation(d *diff) string {
	w := d.want
	if w == nil {
		return ""
	}
	switch d.kind {
	case KindValue, KindVoid:
		return fmt.Sprint(w.Void, w.Value.Trim())
	case KindZone:
		return w.Zone.String()
	case KindTag:
		return fmt.Sprint(w.Tagged, w.Tag)
	}
	return ""
}

// held are disagreements by what identifies them.
type held map[key]*diff

func holds(o *outcome) held {
	m := make(held, len(o.diffs))
	for i := range o.diffs {
		m[o.diffs[i].key()] = &o.diffs[i]
	}
	return m
}

var effects = map[Kind]cause.Effect{
	KindValue: cause.OnValue, KindVoid: cause.OnValue, KindUnit: cause.OnUnit, KindZone: cause.OnZone, KindTag: cause.OnTag,
	KindLost: cause.OnLoss, KindTagLost: cause.OnLoss, KindTagRepeated: cause.OnMore, KindExtra: cause.OnMore, KindOrder: cause.OnPlace,
	KindEventMissing: cause.OnEvent, KindEventExtra: cause.OnEvent, KindEventLate: cause.OnDelay,
	KindSettingMissing: cause.OnSetting, KindSettingValue: cause.OnSetting, KindSettingLate: cause.OnSetting,
	KindSettingOrder: cause.OnSetting, KindDatum: cause.OnSetting, KindSettingRefused: cause.OnSetting,
	KindLine: cause.OnLine, KindUnset: cause.OnLine, KindControl: cause.OnLine, KindBreak: cause.OnLine, KindStall: cause.OnLine, KindReopen: cause.OnLine,
	KindOverrun: cause.OnLine, KindQuit: cause.OnLine, KindTime: cause.OnTime, KindTimeOff: cause.OnTime,
}

func effectsOf(h cause.Hypothesis) (e cause.Effect) {
	for _, v := range h {
		e |= v.Effects()
	}
	return e
}

// against counts the disagreements of an outcome that the correct host does not have,
// or not with the same expectation: rows that the hypothesis gets wrong.
func (base held) against(o *outcome) (n int) {
	for i := range o.diffs {
		d := &o.diffs[i]
		if b, ok := base[d.key()]; !ok || expectation(b) != expectation(d) {
			n++
		}
	}
	return n
}

// trial tries hypotheses on parts of a run, each once.
type trial struct {
	*judging
	spans  []span
	base   held // the disagreements of the correct host there
	done   map[string]tried
	active []cause.Variant // those that change something
}

func (t *trial) try(h cause.Hypothesis) tried {
	name := h.Key()
	if r, ok := t.done[name]; ok {
		r.hyp = h
		return r
	}
	o := t.testSpans(h, t.spans)
	if t.base == nil {
		t.base = holds(o)
	}
	r := tried{hyp: h, left: len(o.diffs), against: t.base.against(o), slack: o.slack, may: o.may, gone: o.gone, expected: o.expected}
	r.score = min(o.slack, maxSlack) + perLoss*o.lost + perOpen*o.open + perCause*len(h)
	seed := maphash.Comparable(t.seed, key{})
	left := holds(o)
	for i := range o.diffs {
		r.signature += maphash.Comparable(t.seed, o.diffs[i].key()) ^ seed
		if o.diffs[i].more {
			r.score += perMore
		} else {
			r.score += perDiff
		}
	}
	fit := effectsOf(h)
	for k, d := range t.base {
		if _, ok := left[k]; !ok && fit&effects[d.kind] == 0 {
			r.left++
			r.score += perDiff
		}
	}
	t.done[name] = r
	return r
}

// explained is the outcome of the competition.
type explained struct {
	named       []Explanation
	of          map[key]string // cause by disagreement
	unexplained int
	loose       map[string]bool // causes that leave to chance which rows they concern
	patterns    []Pattern
	by          map[key]int // one more than the pattern by disagreement
	spans       []span
	tail        bool   // nothing is wrong but that the last rows are missing
	searched    string // which part of the run causes were looked for in; empty: all
}

// explain lets the causes compete for the disagreements of the correct host.
func (j *judging) explain(base *outcome) explained {
	t := &trial{judging: j, done: map[string]tried{}}
	var searched string
	t.spans, searched = j.parts(base)
	whole := base
	if searched != "" {
		whole = base.released()
	}
	start := t.try(nil)
	t.search(start, base.expected)
	var all []tried
	for _, r := range t.done {
		if r.score < start.score {
			all = append(all, r)
		}
	}
	all = top(all, candidates)
	if searched != "" && len(base.diffs) > fewDiffs {
		all = append(t.covering(), all...)
	}
	tests := 0
	for n, r := range all {
		if n > 0 && j.ended() || searched != "" && tests == wholeTests {
			break
		}
		if r.covers == 0 && !t.clean(r) {
			continue
		}
		tests++
		if ex, ok := j.name(whole, r.hyp); ok {
			for k := range ex.named {
				ex.named[k].Rivals = t.rivals(r.hyp, ex.named[k].Cause)
			}
			ex.searched, ex.spans = searched, t.spans
			return ex
		}
	}
	return explained{of: map[key]string{}, by: map[key]int{}, unexplained: len(base.diffs), searched: searched, spans: t.spans}
}

// fitting are the variants of causes that make disagreements of a kind that is there: of a
// number, not only of its zone.
func (t *trial) fitting() []cause.Variant {
	var kinds cause.Effect
	for _, d := range t.base {
		kinds |= effects[d.kind]
	}
	stray := slices.ContainsFunc(t.loose, func(d diff) bool { return d.kind == KindIdentity })
	return slices.DeleteFunc(cause.Variants(), func(v cause.Variant) bool {
		if stray && v.Loses() || v.Unchecked() && !t.checks() {
			return true // the rows are there under other names; there is nothing to be ignored
		}
		own := v.Effects()
		if v.Number() {
			own &^= cause.OnZone
		}
		return own&kinds == 0
	})
}

// search tries causes alone, and then more and more of them together.
func (t *trial) search(start tried, expected int) {
	var singles []tried
	all := t.fitting()
	for _, v := range all {
		if t.ended() {
			return
		}
		r := t.try(cause.Hypothesis{v})
		if alike(r, start) && r.slack == start.slack {
			continue // it changes nothing here, so nothing speaks for it
		}
		t.active = append(t.active, v)
		singles = append(singles, r)
	}
	// A cause that changes nothing here alone may do so beside another one.
	beside := t.active
	if len(all)*beamWidth*expected <= pairBudget {
		beside = all
	}
	best := start
	beam := top(singles, beamWidth)
	if len(beam) > 0 && beam[0].score < best.score {
		best = beam[0]
	}
	for len(beam) > 0 && best.left > 0 && len(beam[0].hyp) < maxCauses && !t.ended() {
		var next []tried
		for _, b := range beam {
			for _, v := range beside {
				if !b.hyp.Has(v) {
					next = append(next, t.try(b.hyp.With(v)))
				}
			}
		}
		beam = top(next, beamWidth)
		if len(beam) == 0 || beam[0].score >= best.score {
			break
		}
		best = beam[0]
	}
	if n := len(t.active); best.left > 0 && n*n/4*expected <= pairBudget {
		// Two mistakes in the number may hide each other: then neither explains
		// anything alone.
		for a := range t.active {
			for b := a + 1; b < n && t.active[a].Number() && !t.ended(); b++ {
				if t.active[a].Name() != t.active[b].Name() && t.active[b].Number() {
					t.try(cause.Hypothesis{t.active[a], t.active[b]})
				}
			}
		}
	}
}

// mostCover are so many causes at most that are chosen by the rows they make.
const mostCover = 2

// covering are the causes whose rows in the parts nearly all stand somewhere in the
// records. Where a cause moves rows far away, as to another gauge, the parts hold the
// wrong rows of the records, so nothing else shows it.
func (t *trial) covering() (out []tried) {
	there := make(map[uint64]struct{}, len(t.records))
	streams := t.whole().readings
	for s := range streams {
		side := &sides{judging: t.judging, recs: streams[s], tags: true}
		for k := range streams[s] {
			there[side.RecordKey(k)*31+uint64(s)] = struct{}{}
		}
	}
	covers := func(h cause.Hypothesis) (n, all int) {
		for _, sp := range t.spans {
			rows := t.expect(h, sp)
			for s := range rows.Readings {
				side := &sides{judging: t.judging, wants: rows.Readings[s], tags: true}
				for i := range side.wants {
					if _, ok := there[side.WantKey(i)*31+uint64(s)]; ok {
						n++
					}
					all++
				}
			}
		}
		return n, all
	}
	least, _ := covers(nil)
	for _, v := range t.active {
		r := t.try(cause.Hypothesis{v})
		if n, all := covers(r.hyp); n > least && 10*n >= 9*all {
			r.covers = n
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, func(a, b tried) int { return b.covers - a.covers })
	return out[:min(len(out), mostCover)]
}

// better orders hypotheses: by score, then by the causes' ranks.
func better(a, b tried) bool {
	if a.score != b.score {
		return a.score < b.score
	}
	return rank(a.hyp) < rank(b.hyp)
}

func rank(h cause.Hypothesis) (r int) {
	for _, v := range h {
		r += v.Rank()
	}
	return r
}

// top returns the n best, each set of causes once.
func top(ts []tried, n int) []tried {
	slices.SortStableFunc(ts, func(a, b tried) int {
		switch {
		case better(a, b):
			return -1
		case better(b, a):
			return 1
		}
		return 0
	})
	var out []tried
	for _, t := range ts {
		if len(out) == n {
			break
		}
		if !slices.ContainsFunc(out, func(o tried) bool { return sameCauses(o.hyp, t.hyp) }) {
			out = append(out, t)
		}
	}
	return out
}

func sameCauses(a, b cause.Hypothesis) bool {
	for _, v := range a {
		if !b.Has(v) {
			return false
		}
	}
	return len(a) == len(b)
}

// clean reports whether a hypothesis gets no row wrong, and each of its causes
// explains something of a kind that fits it and leaves little to chance.
func (t *trial) clean(r tried) bool {
	if t.refuted(r) {
		return false
	}
	left := holds(t.testSpans(r.hyp, t.spans))
	placed := true // it is known which rows are missing
	for k, d := range t.base {
		placed = placed && (left[k] != nil || d.like <= 1)
	}
	for k, v := range r.hyp {
		rest := t.try(without(r.hyp, k))
		if gone, may := r.gone-rest.gone, r.may-rest.may; v.Chancy() && gone > 0 && gone < may {
			chance := 1.0
			for range gone {
				chance *= float64(may) / float64(r.expected+r.may)
			}
			if chance > mostChance || leastGone*gone < may || v.Whole() && !(t.RealTime && placed) {
				return false
			}
		}
		if explains(holds(t.testSpans(rest.hyp, t.spans)), left, v) == 0 || !t.stands(r.hyp, v) {
			return false
		}
	}
	return true
}

// stands reports whether a mistake in the rounding explains something without the others of
// its kind: of two one may make whatever the other does not, so that together they fit
// rows that neither has to do with.
func (t *trial) stands(h cause.Hypothesis, v cause.Variant) bool {
	rest := slices.DeleteFunc(slices.Clone(h), cause.Variant.Rounds)
	return !v.Rounds() || len(rest) == len(h)-1 || explains(holds(t.testSpans(rest, t.spans)), holds(t.testSpans(rest.With(v), t.spans)), v) > 0
}

// refuted reports whether rows are against a hypothesis. At the edges of parts it is not
// sure which rows belong to them; what is found there is held against the whole run.
func (t *trial) refuted(r tried) bool {
	if len(t.spans) == 1 && t.spans[0].warm == 0 && t.spans[0].to == len(t.h.Seen) {
		return r.against > 0
	}
	return edges*r.against > len(t.base)-r.left
}

// edges is how many disagreements a cause explains at least for each row that is
// against it in parts of a run.
const edges = 5

func without(h cause.Hypothesis, k int) cause.Hypothesis {
	return slices.Delete(slices.Clone(h), k, k+1)
}

// explains counts the disagreements that are there without a cause, of a kind that
// fits it, and not with it.
func explains(without, with held, v cause.Variant) (n int) {
	for k, d := range without {
		if with[k] == nil && v.Effects()&effects[d.kind] != 0 {
			n++
		}
	}
	return n
}

// name holds a hypothesis against the whole run: it is refuted by a row that it gets
// wrong. The disagreements are shared out among its causes.
func (j *judging) name(base *outcome, hyp cause.Hypothesis) (ex explained, ok bool) {
	ex.of, ex.by, ex.loose = map[key]string{}, map[key]int{}, map[string]bool{}
	before, o := holds(base), j.test(hyp)
	if before.against(o) > 0 {
		return ex, false
	}
	left := holds(o)
	rest := make([]held, len(hyp))
	for k := range hyp {
		other := base
		if rest[k] = before; len(hyp) > 1 {
			other = j.test(without(hyp, k))
			rest[k] = holds(other)
		}
		if hyp[k].Chancy() && chancy(o, other) {
			ex.loose[hyp[k].Name()] = true
		}
	}
	count := make([]int, len(hyp))
	for d, at := range before {
		first := -1 // of the causes without which it would still be there, or of those that fit it
		fits := -1
		for k, v := range hyp {
			if left[d] != nil || v.Effects()&effects[at.kind] == 0 {
				continue
			}
			if fits < 0 {
				fits = k
			}
			if rest[k][d] != nil {
				count[k]++
				if first < 0 {
					first = k
				}
			}
		}
		switch {
		case first >= 0:
			ex.of[d] = hyp[first].Name()
		case fits >= 0: // either of several explains it
			count[fits]++
			ex.of[d] = hyp[fits].Name()
		default:
			ex.unexplained++
		}
	}
	for k, v := range hyp {
		if count[k] == 0 {
			return ex, false
		}
		ex.named = append(ex.named, Explanation{Cause: v.Cause(), Explains: count[k]})
	}
	slices.SortStableFunc(ex.named, func(a, b Explanation) int { return b.Explains - a.Explains })
	return ex, true
}

// mostRivals are told of a cause.
const mostRivals = 4

// rivals are the causes that could stand in a cause's place: they explain as much, and
// no row is against them. Same is said only where the model hosts of both write the same.
func (t *trial) rivals(hyp cause.Hypothesis, named cause.Cause) (out []Rival) {
	k := slices.IndexFunc(hyp, func(v cause.Variant) bool { return v.Name() == named.Name })
	own := t.try(hyp)
	var others []tried
	for _, v := range t.active {
		if hyp.Has(v) {
			continue
		}
		other := slices.Clone(hyp)
		other[k] = v
		if r := t.try(other); r.left <= own.left && !t.refuted(r) {
			others = append(others, r)
		}
	}
	a := t.testSpans(hyp, t.spans)
	for _, r := range top(others, len(others)) {
		if len(out) == mostRivals {
			break
		}
		if !t.clean(r) {
			continue
		}
		b, same := t.testSpans(r.hyp, t.spans), true
		for i := range a.rows {
			same = same && a.rows[i].Same(b.rows[i])
		}
		out = append(out, Rival{r.hyp[k].Name(), same})
	}
	return out
}
