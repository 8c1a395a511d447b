package judge

import (
	"fmt"
	"slices"

	"example.org/understudy/harness/cause"
)

// A run is tried whole unless it is long or much in it disagrees; then causes are
// looked for in parts around findings, and what is found is held against all of it.
const (
	allOf      = 3000   // rows
	light      = 10     // frames to each of them
	fewDiffs   = 400    // disagreements
	partRows   = 30     // due rows on each side of a finding
	partFrames = 4000   // or so many frames
	partCount  = 24     // parts
	allParts   = 60_000 // frames of all parts
	warmTags   = 4      // tags of each gauge before a part, that bring the model into state,
	warmFrames = 500    // and frames of all,
	warmMost   = 20_000 // and no more than so many
	stack      = 32     // rows kept at each end of many that answer to nothing
)

// parts chooses what of the run the causes are tried on, and says what that is where
// it is not all.
func (j *judging) parts(base *outcome) ([]span, string) {
	n := len(j.h.Seen)
	if base.expected <= allOf && n <= light*allOf && len(base.diffs) <= fewDiffs {
		return []span{j.whole()}, ""
	}
	ats := j.around(base)
	var spans []span
	frames, used := 0, 0
	for _, a := range ats {
		sp := j.part(a)
		if frames += sp.to - sp.warm; frames > allParts && len(spans) > 0 {
			break
		}
		used++
		spans = append(spans, sp)
	}
	slices.SortFunc(spans, func(a, b span) int { return a.from - b.from })
	merged := spans[:1]
	for _, sp := range spans[1:] {
		if last := &merged[len(merged)-1]; sp.from <= last.to {
			last.to = max(last.to, sp.to)
		} else {
			merged = append(merged, sp)
		}
	}
	spans = merged
	spans[0].loose, spans[0].times = few(j.loose), few(j.times)
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
	first, last := j.h.Seen[spans[0].from].At, j.h.Seen[spans[len(spans)-1].to-1].At
	return spans, fmt.Sprintf("causes were looked for in %s of the run between %.1f s and %.1f s, around %d of the %d findings, and what was found was held against all of it",
		map[bool]string{true: "one part", false: fmt.Sprintf("%d parts", len(spans))}[len(spans) == 1], first.Seconds(), last.Seconds(), min(used, len(base.diffs)), len(base.diffs))
}

// around chooses places in the run: of each kind of disagreement in each stream the
// first and the last, then others, and the beginning and the end.
func (j *judging) around(base *outcome) (ats []int) {
	type group struct {
		kind   Kind
		stream int32
		gauge  int32
	}
	at := map[group][]int{}
	var order []group
	for i := range base.diffs {
		d := &base.diffs[i]
		if d.at < 0 {
			continue
		}
		g := group{d.kind, d.stream, d.gauge}
		if at[g] == nil {
			order = append(order, g)
		}
		at[g] = append(at[g], int(d.at))
	}
	add := func(a int) {
		if len(ats) < partCount && !slices.Contains(ats, a) {
			ats = append(ats, a)
		}
	}
	for _, g := range order {
		add(at[g][0])
	}
	add(0)
	add(len(j.h.Seen) - 1)
	for _, g := range order {
		add(at[g][len(at[g])-1])
	}
	for part := 2; part <= partCount && len(ats) < partCount; part++ {
		for _, g := range order {
			add(at[g][len(at[g])/part])
		}
	}
	return ats
}

// part is a place in the run with what is about it: rows of every gauge on both sides, and
// before them what the model has to know.
func (j *judging) part(at int) span {
	n := len(j.h.Seen)
	due := func(i int) bool {
		s := &j.h.Seen[i]
		return s.What == cause.Frame && (s.Tagged || j.All)
	}
	from, to := at, at+1
	for rows := 0; from > 0 && rows < partRows && at-from < partFrames; from-- {
		if due(from - 1) {
			rows++
		}
	}
	for rows := 0; to < n && rows < partRows && to-at < partFrames; to++ {
		if due(to) {
			rows++
		}
	}
	warm := from
	tags, full := make([]int, len(j.Gauges)), 0
	for warm > 0 && from-warm < warmMost && (full < len(tags) || from-warm < warmFrames) {
		warm--
		if s := &j.h.Seen[warm]; s.Tagged {
			if tags[s.Gauge]++; tags[s.Gauge] == warmTags {
				full++
			}
		}
	}
	return span{warm: warm, from: from, to: to}
}

// few is the first disagreements of each kind.
func few(all []diff) (some []diff) {
	of := map[Kind]int{}
	for _, d := range all {
		if of[d.kind]++; of[d.kind] <= fewDiffs {
			some = append(some, d)
		}
	}
	return some
}

// released keeps of an outcome only what its disagreements need.
func (o *outcome) released() *outcome {
	own := *o
	own.rows, own.streams = nil, nil
	for i := range own.diffs {
		if w := own.diffs[i].want; w != nil {
			one := *w
			own.diffs[i].want = &one
		}
	}
	o.streams, o.rows = nil, nil
	return &own
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
		recs := s.unstacked(lo+1, max(lo, hi)+1)
		if n < readings {
			sp.readings = append(sp.readings, recs)
		} else {
			sp.events = append(sp.events, recs)
		}
	}
}

// unstacked is rows from up to to, of which those in the middle of many that answer
// to nothing are left out.
func (a *aligned) unstacked(from, to int) []int32 {
	paired := make([]bool, to-from)
	for _, m := range a.match {
		if k := int(m) - from; k >= 0 && k < len(paired) {
			paired[k] = true
		}
	}
	recs := make([]int32, 0, to-from)
	for k := 0; k < len(paired); {
		e := k
		for e < len(paired) && !paired[e] {
			e++
		}
		if e-k > 2*stack {
			recs = append(append(recs, a.recs[from+k:from+k+stack]...), a.recs[from+e-stack:from+e]...)
		} else {
			recs = append(recs, a.recs[from+k:from+e]...)
		}
		if k = e; k < len(paired) {
			recs = append(recs, a.recs[from+k])
			k++
		}
	}
	return recs
}
