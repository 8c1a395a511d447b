package align_test

import (
	"slices"
	"testing"
	"time"

	"example.org/understudy/harness/align"
	"example.org/understudy/sim/random"
	"pgregory.net/rapid"
)

// item is a numbered value; a want may also be one whose loss is free, and a
// record one that is free to be extra.
type item struct {
	tag, value int
	free       bool
}

type sides struct {
	wants, records []item
	pairs          int
}

func (s *sides) Len() (int, int) { return len(s.wants), len(s.records) }

func gap(it item) int {
	if it.free {
		return 0
	}
	return align.Full
}
func (s *sides) Skip(i int) int  { return gap(s.wants[i]) }
func (s *sides) Extra(j int) int { return gap(s.records[j]) }
func (s *sides) Pair(i, j int) (c int) {
	s.pairs++
	if s.wants[i].tag != s.records[j].tag {
		c += 13
	}
	if s.wants[i].value != s.records[j].value {
		c += 8
	}
	return c
}
func (s *sides) Same(i, j int) (bool, bool) { return s.wants[i].tag == s.records[j].tag, true }
func (s *sides) WantKey(i int) uint64       { return s.wants[i].key() }
func (s *sides) RecordKey(j int) uint64     { return s.records[j].key() }

func (it item) key() uint64 { return uint64(it.tag)<<32 | uint64(it.value) }

// failing is a test, or one case of a drawn one.
type failing interface{ Fatalf(string, ...any) }

// cost adds up an alignment and checks its order.
func (s *sides) cost(t failing, match []int32) (c int) {
	used := make([]bool, len(s.records))
	last := int32(-1)
	for i, j := range match {
		if j < 0 {
			c += s.Skip(i)
			continue
		}
		if j <= last {
			t.Fatalf("want %d has record %d after %d", i, j, last)
		}
		last, used[j] = j, true
		c += s.Pair(i, int(j))
	}
	for j, u := range used {
		if !u {
			c += s.Extra(j)
		}
	}
	return c
}

// least is the textbook recurrence over the whole table (Needleman and Wunsch 1970).
func (s *sides) least() int {
	n, m := s.Len()
	row := make([]int, m+1)
	for j := 1; j <= m; j++ {
		row[j] = row[j-1] + s.Extra(j-1)
	}
	for i := 1; i <= n; i++ {
		diag := row[0]
		row[0] += s.Skip(i - 1)
		for j := 1; j <= m; j++ {
			next := min(diag+s.Pair(i-1, j-1), row[j]+s.Skip(i-1), row[j-1]+s.Extra(j-1))
			diag, row[j] = row[j], next
		}
	}
	return row[m]
}

func draw(t *rapid.T, n, tags int) []item {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) item {
		return item{rapid.IntRange(0, tags).Draw(t, "tag"), rapid.IntRange(0, 2).Draw(t, "value"), rapid.IntRange(0, 4).Draw(t, "free") == 0}
	}), 0, n).Draw(t, "items")
}

// What fits a window is aligned at the least possible cost, whatever it is.
//
// Kind: model.
func TestShortSidesAreOptimal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := &untagged{sides{wants: draw(t, 16, 5), records: draw(t, 16, 5)}}
		if got, want := s.cost(t, align.Align(s)), s.least(); got != want {
			t.Fatalf("cost %d, least %d", got, want)
		}
	})
}

// same is a sequence of which nothing tells where in it one is.
type same struct{ sides }

func (s *same) Same(i, j int) (bool, bool) { return s.wants[i].value == s.records[j].value, false }

// In long stretches of the same value, whether a want that is free has a record
// shows only where the stretch ends, or nowhere: neither way costs anything.
//
// Kind: property.
func TestFreeWantsAmongTheSame(t *testing.T) {
	check := func(t failing, seed uint64, change, n int) {
		r := random.New(seed)
		s := &same{}
		value, at := 0, r.Intn(n)
		for i := range n {
			if r.Intn(change) == 0 {
				value = r.Intn(3)
			}
			w := item{value: value, free: i == at}
			s.wants = append(s.wants, w)
			if !w.free || r.Intn(2) == 0 {
				w.free = false
				s.records = append(s.records, w)
			}
		}
		if c := s.cost(t, align.Align(s)); c != 0 {
			t.Fatalf("cost %d: %d wants, %d records", c, len(s.wants), len(s.records))
		}
	}
	check(t, 0, 3000, 257) // longer than is worked out as a whole; pairs have to be moved
	rapid.Check(t, func(t *rapid.T) {
		check(t, rapid.Uint64().Draw(t, "seed"), rapid.SampledFrom([]int{3, 30, 3000}).Draw(t, "change"), rapid.IntRange(1, 2000).Draw(t, "n"))
	})
}

// Wants that may be absent, and repeat a neighbour, do not lead the alignment
// astray: what has to be there is found.
//
// Kind: property.
func TestOptionalWants(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := random.New(rapid.Uint64().Draw(t, "seed"))
		s := &sides{}
		var full untagged
		for i := range rapid.IntRange(1, 400).Draw(t, "n") {
			w := item{tag: i + 1, value: r.Intn(3)}
			s.wants, s.records = append(s.wants, w), append(s.records, w)
			if r.Intn(6) == 0 {
				w.free = true
				s.wants = append(s.wants, w)
				if r.Intn(2) == 0 {
					s.records = append(s.records, item{tag: w.tag, value: w.value})
				}
			}
		}
		full.sides = *s
		for name, sides := range map[string]align.Sides{"named": s, "alike": &full} {
			if got := s.cost(t, align.Align(sides)); got != 0 {
				t.Fatalf("%s: cost %d", name, got)
			}
		}
	})
}

// A want whose record is lost takes none from a free neighbour that it does not fit,
// in sides longer than are worked out as a whole.
//
// Kind: property.
func TestALostWantBesideAFreeOne(t *testing.T) {
	s := &sides{}
	for i := range 300 {
		s.wants = append(s.wants, item{tag: i + 1, free: i == 100})
		if i != 101 {
			s.records = append(s.records, item{tag: i + 1})
		}
	}
	if c := s.cost(t, align.Align(s)); c != align.Full {
		t.Errorf("one lost costs %d", c)
	}
}

// numbered makes n wants, tag numbers wrapping as a gauge's do.
func numbered(n int, r *random.Rand) []item {
	w := make([]item, n)
	for i := range w {
		w[i] = item{tag: i%9999 + 1, value: r.Intn(40)}
	}
	return w
}

// Long sides with scattered edits cost no more than the edits did, and no more than the least.
//
// Kind: property.
func TestEditsAreFound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := random.New(rapid.Uint64().Draw(t, "seed"))
		s := &sides{wants: numbered(600, r)}
		every, want := rapid.IntRange(5, 300).Draw(t, "every"), 0
		for _, w := range s.wants {
			if r.Intn(every) > 0 {
				s.records = append(s.records, w)
				continue
			}
			switch r.Intn(3) {
			case 0: // lost
				want += align.Full
			case 1: // twice
				want += align.Full
				s.records = append(s.records, w, w)
			case 2: // another value
				want += 8
				s.records = append(s.records, item{tag: w.tag, value: w.value + 1})
			}
		}
		if got := s.cost(t, align.Align(s)); got > want || got != s.least() {
			t.Fatalf("edits that cost %d, cost %d, least %d", want, got, s.least())
		}
	})
}

// Kind: property.
func TestGaps(t *testing.T) {
	r := random.New(1)
	w := numbered(50_000, r)
	cut := func(from, to int) []item { return append(append([]item(nil), w[:from]...), w[to:]...) }
	other := func(it item) item { it.value++; return it }
	all := make([]item, len(w))
	for i := range w {
		all[i] = other(w[i])
	}
	others := make([]item, 600) // with no number that a want has
	for i := range others {
		others[i] = item{tag: 10_000 + i, value: 99}
	}
	for name, c := range map[string]struct {
		records []item
		cost    int
	}{
		"same":                    {w, 0},
		"nothing recorded":        {nil, 50_000 * align.Full},
		"the first lost":          {cut(0, 1), align.Full},
		"the last lost":           {w[:49_999], align.Full},
		"one lost":                {cut(30_000, 30_001), align.Full},
		"six thousand lost":       {cut(20_000, 26_000), 6000 * align.Full},
		"six hundred others":      {append(append(cut(30_000, 50_000), others...), w[30_600:]...), 600 * 2 * align.Full},
		"from the middle on lost": {w[:25_000], 25_000 * align.Full},
		"every value wrong":       {all, 50_000 * 8},
		"every value wrong, some lost": {append(append([]item(nil), all[:20_000]...), all[20_300:]...),
			49_700*8 + 300*align.Full},
	} {
		t.Run(name, func(t *testing.T) {
			s := &sides{wants: w, records: c.records}
			if got := s.cost(t, align.Align(s)); got != c.cost {
				t.Errorf("cost %d, want %d", got, c.cost)
			}
		})
	}
}

// untagged sides have nothing to go by but being equal.
type untagged struct{ sides }

func (s *untagged) Same(i, j int) (bool, bool) { return s.Pair(i, j) == 0, false }

// The work grows with the length, not with its square, also when nothing agrees.
//
// Kind: property.
func TestWorkIsLinear(t *testing.T) {
	r := random.New(2)
	s := &untagged{}
	const n = 100_000
	for range n {
		v := r.Intn(1000)
		s.wants = append(s.wants, item{value: v})
		s.records = append(s.records, item{value: v + 10_000})
	}
	align.Align(s)
	if s.pairs > 400*n {
		t.Errorf("%d comparisons for %d items that all disagree", s.pairs, n)
	}
	s.pairs = 0
	s.records = append(append([]item(nil), s.wants[:n/2]...), s.wants[n/2+1:]...)
	align.Align(s)
	if s.pairs > 3*n {
		t.Errorf("%d comparisons for %d items of which one is lost", s.pairs, n)
	}
}

// BenchmarkAlign reports the time against one plain pass over the same pairs.
func BenchmarkAlign(b *testing.B) {
	w := numbered(1_000_000, random.New(1))
	s := &sides{wants: w, records: append(append([]item(nil), w[:500_000]...), w[500_001:]...)}
	start := time.Now()
	for i := range s.records {
		s.Pair(i, i)
	}
	base := time.Since(start)
	b.ReportAllocs()
	for b.Loop() {
		align.Align(s)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(base.Nanoseconds()), "x-plain-pass")
}

// Every pair of sequences of up to three items of two numbers and two values,
// each of them free to leave out or not, is aligned at the least possible cost.
//
// Kind: model.
func TestEveryShortCase(t *testing.T) {
	var all [][]item
	var grow func(s []item)
	grow = func(s []item) {
		all = append(all, s)
		if len(s) == 3 {
			return
		}
		for n := range 8 {
			grow(append(s[:len(s):len(s)], item{tag: n & 1, value: n >> 1 & 1, free: n>>2 == 1}))
		}
	}
	grow(nil)
	for _, wants := range all {
		for _, records := range all {
			s := &untagged{sides{wants: wants, records: records}}
			if got, want := s.cost(t, align.Align(s)), s.least(); got != want {
				t.Fatalf("%v against %v: cost %d, least %d", wants, records, got, want)
			}
		}
	}
}

// A disagreement that fits a window costs no more than the least there is: items
// dropped, put in and changed among others that stand where they should; also
// where some that follow stand, a little before, among those that were changed,
// so that the sides run together there too but not on the cheapest way.
//
// Kind: model.
func TestNeighbourhoodsAreOptimal(t *testing.T) {
	check := func(t failing, seed uint64) {
		r := random.New(seed)
		s := &untagged{}
		next := 0
		some := func(n int) (its []item) { // n that are like no others
			for range n {
				next++
				its = append(its, item{tag: next, value: r.Intn(3)})
			}
			return its
		}
		add := func(wants, records []item) {
			s.wants, s.records = append(s.wants, wants...), append(s.records, records...)
		}
		for range 1 + r.Intn(3) {
			run := some(r.Intn(20))
			add(run, run)
			if r.Intn(2) == 0 {
				add(some(r.Intn(12)), some(r.Intn(12)))
				continue
			}
			after := some(12 + r.Intn(20))
			early := append(some(r.Intn(3)), after[r.Intn(4):][:6]...)
			changed := slices.Clone(early)
			for i := range changed {
				changed[i].value += 3
			}
			if r.Intn(2) == 0 {
				add(early, changed)
			} else {
				add(changed, early)
			}
			add(after, after)
		}
		end := some(20)
		add(end, end)
		if got, want := s.cost(t, align.Align(s)), s.least(); got != want {
			t.Fatalf("cost %d, least %d\n%v\n%v", got, want, s.wants, s.records)
		}
	}
	check(t, 7476) // a place to join that is not on the cheapest way
	rapid.Check(t, func(t *rapid.T) { check(t, rapid.Uint64().Draw(t, "seed")) })
}
