package judge

import (
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

func score(o *outcome, causes int) int {
	s := min(o.slack, maxSlack) + perLoss*o.lost + perOpen*o.open + perCause*causes
	for i := range o.diffs {
		if o.diffs[i].more {
			s += perMore
		} else {
			s += perDiff
		}
	}
	return s
}

// Bounds of the search. Causes are tried on parts of a long run.
const (
	maxCauses  = 4
	beamWidth  = 6
	allOf      = 3000      // a run of so many rows or fewer is tried whole,
	light      = 10        // if it has no more than so many frames to each of them
	warmUp     = 500       // frames before a part that bring the model into state
	partFrames = 300       // frames of a part
	partCount  = 4         // parts around findings
	pairBudget = 4_000_000 // wants times pairs of causes, for trying all pairs
)

// tried is a hypothesis with what came of it.
type tried struct {
	hyp       cause.Hypothesis
	score     int
	diffs     int
	slack     int
	signature uint64 // of the disagreements, whatever their order
}

// alike reports whether two hypotheses leave the same disagreements.
func alike(a, b tried) bool { return a.diffs == b.diffs && a.signature == b.signature }

// trial tries hypotheses on parts of a run, each once.
type trial struct {
	*judging
	spans []span
	done  map[string]tried
}

func (t *trial) try(h cause.Hypothesis) tried {
	name := h.Key()
	if r, ok := t.done[name]; ok {
		r.hyp = h
		return r
	}
	o := t.testSpans(h, t.spans)
	r := tried{hyp: h, score: score(o, len(h)), diffs: len(o.diffs), slack: o.slack}
	seed := maphash.Comparable(t.seed, key{})
	for i := range o.diffs {
		r.signature += maphash.Comparable(t.seed, o.diffs[i].key()) ^ seed
	}
	t.done[name] = r
	return r
}

// explained is the outcome of the competition.
type explained struct {
	named       []Explanation
	of          map[key]string // cause by disagreement
	unexplained int
}

// explain lets the causes compete for the disagreements of the correct host.
func (j *judging) explain(base *outcome) explained {
	t := &trial{judging: j, spans: j.parts(base), done: map[string]tried{}}
	if !j.short(base) {
		base.release()
	}
	start := t.try(nil)
	var active []cause.Variant
	var singles []tried
	for _, v := range cause.Variants() {
		r := t.try(cause.Hypothesis{v})
		if alike(r, start) && r.slack == start.slack {
			continue // it changes nothing here, so nothing speaks for it
		}
		active = append(active, v)
		singles = append(singles, r)
	}
	// A cause that changes nothing here alone may do so beside another one.
	beside := active
	if all := cause.Variants(); len(all)*beamWidth*base.expected <= pairBudget {
		beside = all
	}
	best := start
	beam := top(singles, beamWidth)
	if len(beam) > 0 && beam[0].score < best.score {
		best = beam[0]
	}
	for len(beam) > 0 && best.diffs > 0 && len(beam[0].hyp) < maxCauses {
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
	if n := len(active); best.diffs > 0 && n*n/4*base.expected <= pairBudget {
		// Two mistakes in the number may hide each other: then neither explains
		// anything alone.
		for a := range active {
			for b := a + 1; b < n && active[a].Number(); b++ {
				if active[a].Name() == active[b].Name() || !active[b].Number() {
					continue
				}
				if r := t.try(cause.Hypothesis{active[a], active[b]}); better(r, best) {
					best = r
				}
			}
		}
	}
	return j.name(base, t.needed(best.hyp), active, t)
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

func keysOf(o *outcome) map[key]bool {
	m := make(map[key]bool, len(o.diffs))
	for i := range o.diffs {
		m[o.diffs[i].key()] = true
	}
	return m
}

// name checks each cause of the best hypothesis against the whole run, finds
// its rival, and shares out the disagreements.
func (j *judging) name(base *outcome, hyp cause.Hypothesis, active []cause.Variant, t *trial) explained {
	ex := explained{of: map[key]string{}}
	if len(hyp) == 0 {
		ex.unexplained = len(base.diffs)
		return ex
	}
	left, before := keysOf(j.test(hyp)), keysOf(base)
	var without []map[key]bool
	for k := range hyp {
		if len(hyp) == 1 {
			without = append(without, before)
		} else {
			without = append(without, keysOf(j.test(slices.Delete(slices.Clone(hyp), k, k+1))))
		}
	}
	explains := make([]int, len(hyp))
	for d := range before {
		if left[d] {
			ex.unexplained++
			continue
		}
		// It belongs to each cause without which it would still be there.
		named := false
		for k := range hyp {
			if without[k][d] {
				explains[k]++
				if !named {
					named, ex.of[d] = true, hyp[k].Name()
				}
			}
		}
		if !named { // either of them explains it
			explains[0]++
			ex.of[d] = hyp[0].Name()
		}
	}
	for k, v := range hyp {
		e := Explanation{Cause: v.Cause(), Explains: explains[k]}
		for d := range left {
			if !before[d] && (len(hyp) == 1 || !without[k][d]) {
				e.Mispredicts++
			}
		}
		e.Rival, e.Same = t.rival(hyp, k, active)
		ex.named = append(ex.named, e)
	}
	slices.SortStableFunc(ex.named, func(a, b Explanation) int { return b.Explains - a.Explains })
	return ex
}

// needed drops causes whose prediction does not fit the evidence: what a cause
// explains must outweigh by far what it would have changed and did not.
func (t *trial) needed(hyp cause.Hypothesis) cause.Hypothesis {
	for k := 0; k < len(hyp); {
		rest := slices.Delete(slices.Clone(hyp), k, k+1)
		with, without := keysOf(t.testSpans(hyp, t.spans)), keysOf(t.testSpans(rest, t.spans))
		gain, loss := 0, 0
		for d := range without {
			if !with[d] {
				gain++
			}
		}
		for d := range with {
			if !without[d] {
				loss++
			}
		}
		if gain == 0 || 4*loss > gain {
			hyp, k = rest, 0
			continue
		}
		k++
	}
	return hyp
}

// rival finds the cause that could stand in a cause's place at the least cost.
func (t *trial) rival(hyp cause.Hypothesis, k int, active []cause.Variant) (name string, same bool) {
	own, rest := t.try(hyp), t.try(slices.Delete(slices.Clone(hyp), k, k+1))
	limit := min(own.score+perDiff+own.score/10, rest.score-1) // it has to explain something itself
	var best tried
	for _, v := range active {
		if hyp.Has(v) {
			continue
		}
		other := slices.Clone(hyp)
		other[k] = v
		r := t.try(other)
		if r.score <= limit && (best.hyp == nil || better(r, best)) {
			best, name = r, v.Name()
		}
	}
	return name, name != "" && alike(own, best)
}

// short reports whether a run is tried whole. Frames that nothing is recorded of
// cost little.
func (j *judging) short(base *outcome) bool {
	return base.expected <= allOf && len(j.h.Seen) <= light*allOf
}

// parts chooses what of the run the causes are tried on: all of a short run;
// of a long one its beginning, its end, and parts around findings.
func (j *judging) parts(base *outcome) []span {
	n := len(j.h.Seen)
	if j.short(base) {
		return []span{j.whole()}
	}
	at := []int{0, n - 1}
	for k := range partCount {
		d := &base.diffs[len(base.diffs)*k/partCount]
		if d.at >= 0 {
			at = append(at, int(d.at))
		}
	}
	slices.Sort(at)
	var spans []span
	for _, a := range at {
		from, to := max(0, a-partFrames/2), min(n, a+partFrames/2)
		if k := len(spans) - 1; k >= 0 && from <= spans[k].to {
			spans[k].to = max(to, spans[k].to)
			continue
		}
		spans = append(spans, span{warm: max(0, from-warmUp), from: from, to: to})
	}
	places, next := make([]uint16, len(j.Gauges)), 0
	for g := range places {
		places[g] = uint16(g)
	}
	for i := range spans {
		for ; next < spans[i].warm; next++ {
			if s := &j.h.Seen[next]; s.What == cause.Up {
				places[s.Gauge] = s.Place
			}
		}
		spans[i].places = slices.Clone(places)
		base.cut(&spans[i], len(j.readings), n)
	}
	return spans
}

// release keeps of an outcome only what its disagreements need.
func (o *outcome) release() {
	for i := range o.diffs {
		if w := o.diffs[i].want; w != nil {
			own := *w
			o.diffs[i].want = &own
		}
	}
	o.streams, o.rows = nil, nil
}

// cut gives a part the rows that were paired with its wants, and those between.
func (o *outcome) cut(sp *span, readings, end int) {
	for n, s := range o.streams {
		lo, hi := -1, -1 // rows: the last paired before the part, and the last in it
		for i, m := range s.match {
			if m < 0 {
				continue
			}
			switch seen := int(s.wants[i].Seen); {
			case seen >= 0 && seen < sp.from:
				lo = int(m)
			case seen >= 0 && seen < sp.to:
				hi = int(m)
			}
		}
		if sp.to == end {
			hi = len(s.recs) - 1
		}
		recs := s.recs[lo+1 : max(lo, hi)+1]
		if n < readings {
			sp.readings = append(sp.readings, recs)
		} else {
			sp.events = append(sp.events, recs)
		}
	}
}
