package judge

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/stage/ledger"
)

// Candidate is one explanation of what a host did wrong, which can be held against any
// of its runs: a cause of the catalogue with its parameter, a mistake of the model host
// that has no page, or a sentence.
type Candidate struct {
	Key   string      // the same in all runs, whatever the gauges are called
	Cause cause.Cause // without a name: Text says it
	Text  string
	Bits  float64 // what it takes to say it

	hyp cause.Hypothesis
}

// Title is how people tell a candidate from others: the name of a cause, or the sentence.
func (e *Candidate) Title() string { return cmp.Or(e.Cause.Name, e.Text) }

// End is how a host ended, as far as a mistake is about that.
type End uint8

// Ends of a host.
const (
	AnyEnd End = iota // the mistake is not about it
	Asked
	Killed
)

// Weight is what a run says of a candidate.
type Weight struct {
	Explains []int // findings, by their number in the case
	Rows     int   // that a sentence speaks of
	Against  bool  // a row contradicts it
	Slack    int   // what it leaves to chance, and that came so
	// Of the Expected rows May could be missing by what it says, and Gone are.
	Expected, May, Gone int
	// A mistake that loses the last rows did so, or did not, at an end of this kind.
	End  End
	Lost bool
}

// Case is a run that candidates are held against.
type Case struct {
	j      *judging
	base   *outcome
	before held
	number map[key]int // of the findings
	items  []*item
	conds  map[string]when
	ways   []what
	equal  map[*cause.Want]*alikes
	own    []found // sentences about several rows together
	twists []cause.Twist
}

// What a candidate takes to say, in bits, as far as its words do not tell.
const causeBits = 3.0

// NewCase makes a case of a judged run. It is nil where the run is too long to be held
// against every candidate as a whole, or was not decided.
func NewCase(ctx context.Context, spec Spec, entries []ledger.Entry, records []Record) *Case {
	if spec.Resolution.Sign() <= 0 || len(entries) == 0 {
		return nil
	}
	j := newJudging(ctx, &spec, slices.Values(entries), records)
	if j.ended() || len(j.unmapped) > 0 || j.cut {
		return nil
	}
	c := &Case{j: j, base: j.test(nil), number: map[key]int{}, conds: map[string]when{}}
	if spans, _ := j.parts(c.base); len(spans) != 1 || spans[0].to-spans[0].warm != len(j.h.Seen) {
		return nil
	}
	c.before = holds(c.base)
	c.equal = c.alike()
	for i := range c.base.diffs {
		k := c.base.diffs[i].key()
		if _, ok := c.number[k]; !ok {
			c.number[k] = len(c.number)
		}
	}
	c.items = j.items(c.base)
	for _, w := range j.conditions(c.items) {
		c.conds[w.text] = w
		if is := w.is; w.no != "" {
			c.conds[w.no] = when{text: w.no, is: func(it *item) bool { return !is(it) }}
		}
	}
	for a := range aspects {
		var wrong []*item
		for _, it := range c.items {
			if it.bad[a] != nil {
				wrong = append(wrong, it)
			}
		}
		c.ways = append(c.ways, j.ways(a, spread(wrong, 12))...)
	}
	c.twists = j.Twists()
	c.own = slices.DeleteFunc(j.sentences(c.base), func(f found) bool {
		return strings.HasPrefix(f.Text, either) || slices.ContainsFunc(c.twists, func(w cause.Twist) bool { return w.Text == f.Text })
	})
	return c
}

// alikes are rows due that say the same, one after the other, of which some are not there:
// which of them cannot be known.
type alikes struct {
	missing []key
	spare   int // that need not be there
}

func (c *Case) alike() map[*cause.Want]*alikes {
	out := map[*cause.Want]*alikes{}
	for s := range min(len(c.base.streams), len(c.j.readings)) {
		a := &c.base.streams[s]
		side := c.j.sides(c.base.rows[0], a.wants, a.recs, int32(s))
		for from, to := 0, 0; from < len(a.wants); from = to {
			e := &alikes{}
			for to = from; to < len(a.wants) && side.WantKey(to) == side.WantKey(from); to++ {
				out[&a.wants[to]] = e
				if a.match[to] < 0 {
					e.spare++
				}
			}
		}
	}
	for i := range c.base.diffs {
		d := &c.base.diffs[i]
		if e := out[d.want]; e != nil && d.rec < 0 {
			e.missing = append(e.missing, d.key())
			e.spare--
		}
	}
	for w, e := range out {
		if len(e.missing)+e.spare == 0 {
			delete(out, w)
		}
	}
	return out
}

// Findings is how many there are.
func (c *Case) Findings() int { return len(c.number) }

// Candidates are the explanations of findings of this run that no row of it contradicts.
func (c *Case) Candidates() (out []Candidate) {
	if c.Findings() == 0 {
		return nil
	}
	t := &trial{judging: c.j, done: map[string]tried{}, spans: []span{c.j.whole()}}
	t.try(nil)
	for _, v := range t.fitting() {
		h := cause.Hypothesis{v}
		if r := t.try(h); r.against > 0 || r.left >= len(c.base.diffs) {
			continue
		}
		bits := causeBits
		if v.Effects() == cause.OnZone {
			bits = v.Bits()
		}
		out = append(out, Candidate{Key: h.Key(), Cause: v.Cause(), Text: v.Cause().Looks, Bits: bits, hyp: h})
	}
	for _, w := range c.twists {
		out = append(out, Candidate{Key: w.Made.Key(), Text: w.Text, Bits: causeBits + float64(len(w.Made)-1), hyp: w.Made})
	}
	l := &learner{judging: c.j, items: c.items, open: map[key]bool{}}
	for k, d := range c.before {
		if _, ok := aspectOf[d.kind]; ok {
			l.open[k] = true
		}
	}
	l.conds = c.j.conditions(c.items)
	for a := range aspects {
		for _, f := range plainest(l.fitting(a)) {
			out = append(out, Candidate{Key: f.Text, Text: f.Text, Bits: f.prior()})
		}
	}
	for _, f := range c.own {
		out = append(out, Candidate{Key: c.nameless(f.Text), Text: f.Text, Bits: causeBits})
	}
	return slices.DeleteFunc(out, func(e Candidate) bool { w := c.Weigh(e); return w.Against || len(w.Explains) == 0 })
}

// mostFitting sentences about one aspect of a run are held against others.
const mostFitting = 300

func plainest(fs []found) []found {
	slices.SortStableFunc(fs, func(a, b found) int { return cmp.Compare(a.prior(), b.prior()) })
	return fs[:min(len(fs), mostFitting)]
}

// nameless is a sentence with one word for all gauges' names.
func (c *Case) nameless(text string) string {
	for g := range c.j.Gauges {
		text = strings.ReplaceAll(text, c.j.Gauges[g].Name, "a gauge")
	}
	return text
}

// Weigh holds a candidate against the run. A sentence that speaks of what the run does
// not have says nothing of it.
func (c *Case) Weigh(e Candidate) Weight {
	if e.hyp != nil {
		return c.made(e)
	}
	for _, f := range c.own {
		if c.nameless(f.Text) == e.Key {
			return Weight{Explains: c.numbers(f.keys), Rows: len(f.keys)}
		}
	}
	return c.said(e.Text)
}

func (c *Case) numbers(ks []key) (ns []int) {
	set := map[int]bool{}
	for _, k := range ks {
		if n, ok := c.number[k]; ok {
			set[n] = true
		}
	}
	return slices.Sorted(maps.Keys(set))
}

// made weighs a mistake of the model host.
func (c *Case) made(e Candidate) (w Weight) {
	o := c.j.test(e.hyp)
	w.Against = c.before.against(o) > 0
	w.Slack, w.Expected, w.May, w.Gone = o.slack+o.lost+o.open, o.expected, o.may-c.base.may, o.gone-c.base.gone
	if o.rows[0].Tails {
		if w.End, w.Lost = Asked, o.slack > 0; c.j.Killed || slices.ContainsFunc(c.j.ends, func(e end) bool { return e.killed }) {
			w.End = Killed
		}
	}
	left := holds(o)
	var gone []key
	for k, d := range c.before {
		if left[k] == nil && (e.Cause.Name == "" || effectsOf(e.hyp)&effects[d.kind] != 0) {
			gone = append(gone, k)
		}
	}
	w.Explains = c.numbers(gone)
	return w
}

// said weighs a sentence about single rows. What it says may go for several respects.
func (c *Case) said(text string) (w Weight) {
	var keys []key
	for _, of := range c.ways {
		if is := c.read(text, of.text); is != nil {
			own, rows, ok := c.of(of, is)
			if !ok {
				return Weight{Against: true}
			}
			keys = append(keys, own...)
			w.Rows = max(w.Rows, rows)
		}
	}
	w.Explains = c.numbers(keys)
	return w
}

// of are the findings of rows that are wrong in a way where a condition is true; ok is
// false where a row is against it.
func (c *Case) of(of what, is func(it *item) bool) (keys []key, rows int, ok bool) {
	taken := map[*alikes]int{}
	for _, it := range c.items {
		if !is(it) {
			continue
		}
		if e := c.equal[it.w]; e != nil && of.of == ofLoss {
			switch n := taken[e]; {
			case n < len(e.missing):
				keys = append(keys, e.missing[n])
				rows++
			case n == len(e.missing)+e.spare:
				return nil, 0, false
			}
			taken[e]++
			continue
		}
		ans, ok := of.says(it)
		if !ok {
			continue
		}
		d := it.bad[of.of]
		if of.of != ofLoss && ans.lost && it.rec < 0 {
			d = it.bad[ofLoss]
		} else if of.of != ofLoss && of.of != ofEvent && it.rec < 0 && !ans.lost {
			continue
		}
		switch {
		case d == nil && it.rec >= 0 && !it.ok[of.of] && !ans.lost:
		case !c.j.got(it, of.of, ans):
			return nil, 0, false
		case d != nil:
			rows++
			keys = append(keys, d.key())
			if of.of == ofValue && it.tied != nil {
				keys = append(keys, it.tied.key())
			}
		}
	}
	return keys, rows, true
}

// read finds the rows of which a sentence says that they are wrong in a way, by the
// words of both; nil where it says no such thing, or of what this run cannot tell.
func (c *Case) read(text, way string) func(it *item) bool {
	where, ok := strings.CutSuffix(text, way)
	if where == "in every row " {
		return func(*item) bool { return true }
	}
	if !ok || !strings.HasPrefix(where, "where ") || !strings.HasSuffix(where, ", ") {
		return nil
	}
	where = strings.TrimSuffix(strings.TrimPrefix(where, "where "), ", ")
	if is := c.condition(where); is != nil {
		return is
	}
	for at := 0; ; at++ {
		n := strings.Index(where[at:], " and ")
		if n < 0 {
			return nil
		}
		at += n
		if a, b := c.condition(where[:at]), c.condition(where[at+len(" and "):]); a != nil && b != nil {
			return func(it *item) bool { return a(it) && b(it) }
		}
	}
}

// condition finds a condition by its words, nil for none that this run can tell.
func (c *Case) condition(text string) func(it *item) bool {
	if w, ok := c.conds[text]; ok {
		return w.is
	}
	var n, b int
	if _, err := fmt.Sscanf(text, "byte %d of the frame is %x", &n, &b); err == nil {
		return func(it *item) bool {
			return it.seen != nil && n <= len(it.seen.Bytes) && int(it.seen.Bytes[n-1]) == b
		}
	}
	for _, m := range c.j.measures() {
		for most, form := range []string{m.least, m.most} {
			before, after, _ := strings.Cut(form, "%s")
			rest, ok := strings.CutPrefix(text, before)
			if !ok || form == "" {
				continue
			}
			if rest, ok = strings.CutSuffix(rest, after); !ok {
				continue
			}
			at, ok := c.bound(rest)
			if !ok {
				continue
			}
			return func(it *item) bool {
				f, ok := m.of(it)
				return ok && (most == 0 && f >= at || most == 1 && f <= at)
			}
		}
	}
	return nil
}

// bound reads the bound of a measure.
func (c *Case) bound(text string) (float64, bool) {
	if d, err := time.ParseDuration(text); err == nil {
		return float64(d), true
	}
	f, err := strconv.ParseFloat(strings.TrimSuffix(text, " "+c.j.Unit.Symbol()), 64)
	return f, err == nil && !math.IsNaN(f)
}
