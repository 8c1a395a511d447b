// Package cover makes covering arrays: few rows of levels, one level per
// factor, so that every combination of levels of any t factors stands in some
// row. What may not stand together is left out, and told with the reason.
//
// A row at a time is built greedily from several random candidates; then rows
// are taken out again while the rest can be mended by changing single
// combinations. The same seed gives the same array on every machine.
package cover

import (
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"

	"example.org/understudy/sim/random"
)

// Factor is something that varies, and its levels in words.
type Factor struct {
	Name   string
	Levels []string
}

// Rule forbids a combination of levels.
type Rule struct {
	Why    string
	Forbid map[string][]string // by factor: it is forbidden when every named factor has one of these levels
}

// Plan says what is to be covered.
type Plan struct {
	Factors  []Factor
	Rules    []Rule
	Strength int // t; 1 to the number of factors
	Seed     uint64
	// Effort is how many changes are tried to take one row out; 0 means 400,
	// below 0 none.
	Effort int
}

// Array is a covering array.
type Array struct {
	Plan       Plan
	Rows       [][]int // a level's index for each factor
	Possible   int     // tuples that can stand in a row; every one of them does
	Impossible []Impossible
}

// Impossible is a tuple that the rules forbid.
type Impossible struct {
	Tuple Tuple
	Why   []string // the rules that together forbid it
}

// Tuple is a choice of levels for some factors, by their indices.
type Tuple struct{ Factors, Levels []int }

// Words writes a tuple as "unit=in, stream=off".
func (p *Plan) Words(t Tuple) string {
	var b strings.Builder
	for i, f := range t.Factors {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(p.Factors[f].Name + "=" + p.Factors[f].Levels[t.Levels[i]])
	}
	return b.String()
}

const free = -1 // no level chosen yet

// forbids is a rule in indices.
type forbids struct {
	why     string
	factors []int
	levels  [][]bool // by place in factors, then by level
}

// open is how many of the rule's factors are free in a row that has its levels otherwise,
// and the last of them; 0 where the row breaks the rule, -1 where it cannot any more.
func (r *forbids) open(row []int) (n, last int) {
	for i, f := range r.factors {
		switch {
		case row[f] == free:
			n, last = n+1, f
		case !r.levels[i][row[f]]:
			return -1, free
		}
	}
	return n, last
}

type maker struct {
	*Plan
	t      int
	rules  []forbids
	ruled  [][]int // rules by factor
	combos [][]int // every choice of t factors
	of     [][]int // combos by factor
	base   []int   // first tuple of a combo
	count  []int   // rows that hold a tuple; impossible ones count as held
	never  []bool  // impossible
	left   int     // possible tuples in no row
	rng    *random.Rand
	rows   [][]int
}

// Make makes a covering array. The error says what is wrong with the plan.
func Make(p Plan) (*Array, error) {
	m := &maker{Plan: &p, t: p.Strength}
	if err := m.prepare(); err != nil {
		return nil, err
	}
	m.rng = random.New(p.Seed)
	a := &Array{Plan: p}
	a.Impossible = m.impossible()
	a.Possible = m.left
	for m.left > 0 {
		m.add(m.bestRow())
	}
	effort := p.Effort
	if effort == 0 {
		effort = 400
	}
	for effort > 0 && len(m.rows) > 1 && m.shed(effort) {
	}
	a.Rows = m.rows
	return a, nil
}

func (m *maker) prepare() error {
	k := len(m.Factors)
	if m.t < 1 || m.t > k {
		return fmt.Errorf("a strength of %d does not go with %d factors; write 1 to %d", m.t, k, k)
	}
	index := map[string]int{}
	for f, fac := range m.Factors {
		if len(fac.Levels) == 0 {
			return fmt.Errorf("the factor %s has no levels", fac.Name)
		}
		if _, twice := index[fac.Name]; twice {
			return fmt.Errorf("there are two factors %q", fac.Name)
		}
		index[fac.Name] = f
	}
	m.ruled = make([][]int, k)
	for _, r := range m.Rules {
		fr := forbids{why: r.Why}
		for f, fac := range m.Factors { // in the order of the factors, not of the map
			words, ok := r.Forbid[fac.Name]
			if !ok {
				continue
			}
			levels := make([]bool, len(fac.Levels))
			for _, w := range words {
				l := slices.Index(fac.Levels, w)
				if l < 0 {
					return fmt.Errorf("the rule %q names the level %q, which %s does not have", r.Why, w, fac.Name)
				}
				levels[l] = true
			}
			fr.factors, fr.levels = append(fr.factors, f), append(fr.levels, levels)
			m.ruled[f] = append(m.ruled[f], len(m.rules))
		}
		if len(fr.factors) != len(r.Forbid) || len(fr.factors) == 0 {
			return fmt.Errorf("the rule %q names a factor that is not there, or none", r.Why)
		}
		m.rules = append(m.rules, fr)
	}
	if !m.extends(m.empty(), m.rules) {
		return errors.New("the rules forbid every row")
	}
	m.of = make([][]int, k)
	n := 0
	choose(k, m.t, func(c []int) {
		for _, f := range c {
			m.of[f] = append(m.of[f], len(m.combos))
		}
		m.combos = append(m.combos, slices.Clone(c))
		m.base = append(m.base, n)
		size := 1
		for _, f := range c {
			size *= len(m.Factors[f].Levels)
		}
		n += size
	})
	m.count, m.never, m.left = make([]int, n), make([]bool, n), n
	return nil
}

// choose calls f with every choice of t of k numbers, ascending.
func choose(k, t int, f func([]int)) {
	c := make([]int, t)
	var pick func(i, from int)
	pick = func(i, from int) {
		if i == t {
			f(c)
			return
		}
		for n := from; n <= k-(t-i); n++ {
			c[i] = n
			pick(i+1, n+1)
		}
	}
	pick(0, 0)
}

func (m *maker) empty() []int {
	row := make([]int, len(m.Factors))
	for f := range row {
		row[f] = free
	}
	return row
}

// tuple is the number of the tuple a row holds of a combo, or -1 when a factor
// of it is free.
func (m *maker) tuple(combo int, row []int) int {
	n := 0
	for _, f := range m.combos[combo] {
		if row[f] == free {
			return -1
		}
		n = n*len(m.Factors[f].Levels) + row[f]
	}
	return m.base[combo] + n
}

// levelsOf is the tuple behind a number.
func (m *maker) levelsOf(tuple int) Tuple {
	combo := sort.SearchInts(m.base, tuple+1) - 1
	t := Tuple{Factors: m.combos[combo], Levels: make([]int, m.t)}
	n := tuple - m.base[combo]
	for i := m.t - 1; i >= 0; i-- {
		size := len(m.Factors[t.Factors[i]].Levels)
		t.Levels[i] = n % size
		n /= size
	}
	return t
}

// put gives a row the levels of a tuple.
func put(row []int, t Tuple) {
	for i, f := range t.Factors {
		row[f] = t.Levels[i]
	}
}

func (m *maker) impossible() (all []Impossible) {
	if len(m.rules) == 0 {
		return nil
	}
	for n := range m.count {
		row, t := m.empty(), m.levelsOf(n)
		if put(row, t); m.extends(row, m.rules) {
			continue
		}
		m.never[n], m.count[n] = true, 1
		m.left--
		all = append(all, Impossible{t, m.reasons(row)})
	}
	return all
}

// reasons is a smallest set of rules that forbids a partial row: one that
// stops forbidding it when any of the rules is left out.
func (m *maker) reasons(row []int) (why []string) {
	needed := slices.Clone(m.rules)
	for i := len(needed) - 1; i >= 0; i-- {
		if without := slices.Delete(slices.Clone(needed), i, i+1); !m.extends(row, without) {
			needed = without
		}
	}
	for _, r := range needed {
		why = append(why, r.why)
	}
	return why
}

// extends reports whether a partial row can be filled without breaking a rule.
func (m *maker) extends(row []int, rules []forbids) bool {
	// The free factor of the rule that is closest to being broken goes next;
	// a factor that no rule names can have any level.
	next, fewest := -1, len(row)+1
	for i := range rules {
		switch open, last := rules[i].open(row); {
		case open == 0:
			return false
		case open > 0 && open < fewest:
			next, fewest = last, open
		}
	}
	if next < 0 {
		return true
	}
	defer func() { row[next] = free }()
	for l := range m.Factors[next].Levels {
		row[next] = l
		if m.extends(row, rules) {
			return true
		}
	}
	return false
}

// fits reports whether a level can be given to a free factor of a partial row that can be
// filled, and the rest still be filled: it can where no rule of the factor can be broken
// any more, for the others do not ask about it.
func (m *maker) fits(row []int, f, level int) bool {
	row[f] = level
	defer func() { row[f] = free }()
	asks := func(r int) bool { n, _ := m.rules[r].open(row); return n >= 0 }
	return !slices.ContainsFunc(m.ruled[f], asks) || m.extends(row, m.rules)
}

// gain is how many tuples in no row a partial row holds with one more factor.
func (m *maker) gain(row []int, f int) (n int) {
	for _, c := range m.of[f] {
		if t := m.tuple(c, row); t >= 0 && m.count[t] == 0 {
			n++
		}
	}
	return n
}

// candidates is how many rows are tried for each that is taken.
const candidates = 24

func (m *maker) bestRow() (best []int) {
	most := 0
	for range candidates {
		row := m.candidate()
		n := 0
		for c := range m.combos {
			if m.count[m.tuple(c, row)] == 0 {
				n++
			}
		}
		if n > most {
			best, most = row, n
		}
	}
	return best
}

// open is the i-th tuple that is still to be covered.
func (m *maker) open(i int) int {
	for t, n := range m.count {
		if n == 0 {
			if i == 0 {
				return t
			}
			i--
		}
	}
	return -1
}

// candidate starts from a random tuple that is still to be covered and gives
// the other factors, in random order, the level that covers most.
func (m *maker) candidate() []int {
	row := m.empty()
	put(row, m.levelsOf(m.open(m.rng.Intn(m.left))))
	for _, f := range m.rng.Perm(len(row)) {
		if row[f] != free {
			continue
		}
		most, level, ties := -1, free, 0
		for l := range m.Factors[f].Levels {
			row[f] = l
			n := m.gain(row, f)
			row[f] = free
			if n < most {
				continue // whether it fits or not
			}
			if !m.fits(row, f, l) {
				continue
			}
			switch {
			case n > most:
				most, level, ties = n, l, 1
			case n == most:
				if ties++; m.rng.Intn(ties) == 0 {
					level = l
				}
			}
		}
		row[f] = level
	}
	return row
}

func (m *maker) add(row []int) {
	m.rows = append(m.rows, row)
	for c := range m.combos {
		m.hold(m.tuple(c, row), 1)
	}
}

func (m *maker) hold(t, by int) {
	before := m.count[t]
	m.count[t] += by
	switch {
	case before == 0:
		m.left--
	case m.count[t] == 0:
		m.left++
	}
}

// set gives a row that is among the rows the levels of a tuple.
func (m *maker) set(row []int, t Tuple) {
	for i, f := range t.Factors {
		for _, c := range m.of[f] {
			m.hold(m.tuple(c, row), -1)
		}
		row[f] = t.Levels[i]
		for _, c := range m.of[f] {
			m.hold(m.tuple(c, row), 1)
		}
	}
}

// shed takes one row out and mends the rest. It reports whether that worked;
// otherwise the rows are as they were.
func (m *maker) shed(effort int) bool {
	least, at := len(m.count)+1, -1
	for i, row := range m.rows {
		n := 0
		for c := range m.combos {
			if m.count[m.tuple(c, row)] == 1 {
				n++
			}
		}
		if n <= least {
			least, at = n, i
		}
	}
	if least > effort { // hopeless
		return false
	}
	before := make([][]int, len(m.rows))
	for i, row := range m.rows {
		before[i] = slices.Clone(row)
	}
	for c := range m.combos {
		m.hold(m.tuple(c, m.rows[at]), -1)
	}
	m.rows = slices.Delete(m.rows, at, at+1)
	for range effort {
		if m.left == 0 {
			return true
		}
		m.mend()
	}
	if m.left == 0 {
		return true
	}
	m.rows, m.left = nil, 0
	for t := range m.count {
		m.count[t] = 0
		if m.never[t] {
			m.count[t] = 1
		} else {
			m.left++
		}
	}
	for _, row := range before {
		m.add(row)
	}
	return false
}

// mend puts a random tuple that is in no row into the row that loses least.
func (m *maker) mend() {
	want := m.levelsOf(m.open(m.rng.Intn(m.left)))
	least, best, ties := 1<<30, []int(nil), 0
	was := make([]int, m.t)
	for _, row := range m.rows {
		for j, f := range want.Factors {
			was[j] = row[f]
		}
		put(row, want)
		ok := m.extends(row, m.rules)
		put(row, Tuple{want.Factors, was})
		if !ok {
			continue
		}
		before := m.left
		m.set(row, want)
		cost := m.left - before
		m.set(row, Tuple{want.Factors, was})
		switch {
		case cost < least:
			least, best, ties = cost, row, 1
		case cost == least:
			if ties++; m.rng.Intn(ties) == 0 {
				best = row
			}
		}
	}
	if best != nil {
		m.set(best, want)
	}
}

// Coverage counts which tuples of a plan have been run.
type Coverage struct {
	a    *Array
	seen map[string]bool
}

// Coverage is the coverage of no rows yet.
func (a *Array) Coverage() *Coverage { return &Coverage{a, map[string]bool{}} }

// tuples calls f with every tuple a row holds.
func (c *Coverage) tuples(row []int, f func(words string)) {
	t := Tuple{Levels: make([]int, c.a.Plan.Strength)}
	choose(len(row), c.a.Plan.Strength, func(factors []int) {
		t.Factors = factors
		for i, f := range factors {
			t.Levels[i] = row[f]
		}
		f(c.a.Plan.Words(t))
	})
}

// Add counts a row as run.
func (c *Coverage) Add(row []int) {
	c.tuples(row, func(words string) { c.seen[words] = true })
}

// Run is how many tuples have been run, of Array.Possible.
func (c *Coverage) Run() int { return len(c.seen) }

// Open lists the possible tuples that have not been run.
func (c *Coverage) Open() (open []string) {
	for _, words := range c.a.Words() {
		if !c.seen[words] {
			open = append(open, words)
		}
	}
	return open
}

// Words names every possible tuple, in the order in which rows hold them first.
func (a *Array) Words() (all []string) {
	told := map[string]bool{}
	c := a.Coverage()
	for _, row := range a.Rows {
		c.tuples(row, func(words string) {
			if !told[words] {
				told[words] = true
				all = append(all, words)
			}
		})
	}
	return all
}
