package wire

import (
	"fmt"
	"slices"
	"sort"
)

// The bytes a frame may have are a regular language. Two frames of one sender
// whose languages meet cannot always be told apart. That is found on automata
// built from the fields. The automata know widths, literals, choices and bits,
// but not checks, and take a text of free length as one of any length, so that
// now and then frames are taken to look alike that do not: the word after says
// in which order to try them. Whether each is then read at all, Prove finds.

// byteSet is a set of byte values.
type byteSet [4]uint64

func (s *byteSet) add(b byte)      { s[b>>6] |= 1 << (b & 63) }
func (s *byteSet) has(b byte) bool { return s[b>>6]>>(b&63)&1 != 0 }

func (s *byteSet) addAll(p []byte) {
	for _, b := range p {
		s.add(b)
	}
}

func (s *byteSet) union(t byteSet) {
	for i := range s {
		s[i] |= t[i]
	}
}

func (s byteSet) common(t byteSet) byteSet {
	for i := range s {
		s[i] &= t[i]
	}
	return s
}

func (s byteSet) meets(t byteSet) bool { return !s.common(t).empty() }
func (s byteSet) empty() bool          { return s == byteSet{} }

func (s byteSet) lowest() byte {
	for i := range 256 {
		if s.has(byte(i)) {
			return byte(i)
		}
	}
	return 0
}

func anyByte() byteSet { return byteSet{^uint64(0), ^uint64(0), ^uint64(0), ^uint64(0)} }

func byteRange(lo, hi byte) (s byteSet) {
	for b := int(lo); b <= int(hi); b++ {
		s.add(byte(b))
	}
	return s
}

func hexSet() byteSet {
	set := byteRange('0', '9')
	set.union(byteRange('A', 'F'))
	set.union(byteRange('a', 'f'))
	return set
}

// pattern is the bytes a field may have: how many, and which.
type pattern interface {
	sizes() (least, most int)
	grow(a *nfa, from int) int // the state behind the bytes
}

// run is from least to most bytes of a set.
type run struct {
	set         byteSet
	least, most int
}

func times(set byteSet, n int) run     { return run{set, n, n} }
func (r run) sizes() (least, most int) { return r.least, r.most }

// grow takes more than the least as any number.
func (r run) grow(a *nfa, from int) int {
	for range min(r.least, mostStates) {
		from = a.step(from, r.set)
	}
	if r.most > min(r.least, mostStates) {
		at := a.state()
		a.jump(from, at)
		a.edges = append(a.edges, edge{at, at, r.set})
		return at
	}
	return from
}

// row is patterns one behind the other.
type row []pattern

func (r row) sizes() (least, most int) {
	for _, p := range r {
		a, b := p.sizes()
		least, most = least+a, min(most+b, 1<<24)
	}
	return least, most
}

func (r row) grow(a *nfa, from int) int {
	for _, p := range r {
		if a.n > mostStates {
			p = run{anyByte(), 0, 1}
		}
		from = p.grow(a, from)
	}
	return from
}

// either is one of several patterns.
type either []pattern

func (e either) sizes() (least, most int) {
	least = 1 << 20
	for _, p := range e {
		a, b := p.sizes()
		least, most = min(least, a), max(most, b)
	}
	return least, most
}

func (e either) grow(a *nfa, from int) int {
	end := a.state()
	for _, p := range e {
		a.jump(p.grow(a, from), end)
	}
	return end
}

// groups is a pattern from least to most times, with something between.
type groups struct {
	of, between pattern
	least, most int
}

func (g groups) sizes() (least, most int) {
	least, most = g.of.sizes()
	_, gap := g.between.sizes()
	if g.least == 0 {
		return 0, min((most+gap)*g.most, maxLongest)
	}
	return least*g.least + gap*(g.least-1), min(most*g.most+gap*(g.most-1), 1<<24)
}

// grow takes many groups as any number.
func (g groups) grow(a *nfa, from int) int {
	if g.least == g.most && g.most <= 16 {
		list := row{g.of}
		for range g.most - 1 {
			list = append(list, g.between, g.of)
		}
		return list.grow(a, from)
	}
	head, end := a.state(), a.state()
	a.jump(from, head)
	last := g.of.grow(a, head)
	a.jump(g.between.grow(a, last), head)
	a.jump(last, end)
	a.jump(from, end)
	return end
}

// bytesAs is the pattern of given bytes; with fold, of small and capital letters alike.
func bytesAs(lit []byte, fold bool) pattern {
	out := make(row, len(lit))
	for i, b := range lit {
		var s byteSet
		s.add(b)
		if fold && (b|0x20)-'a' <= 25 {
			s.add(b ^ 0x20)
		}
		out[i] = times(s, 1)
	}
	return out
}

func patternOf(nodes []node) row {
	out := make(row, len(nodes))
	for i := range nodes {
		out[i] = nodes[i].pattern()
	}
	return out
}

// sizeOf returns the least and most bytes a list of nodes takes.
func sizeOf(nodes []node) (least, most int) { return patternOf(nodes).sizes() }

// mostStates bounds what is written out state by state.
const mostStates = 4096

// nfa is an automaton being built: edges that take a byte of a set, and moves
// that take none.
type nfa struct {
	edges []edge
	free  [][2]int
	n     int
}

type edge struct {
	from, to int
	set      byteSet
}

func (a *nfa) state() int {
	a.n++
	return a.n - 1
}

func (a *nfa) step(from int, set byteSet) int {
	to := a.state()
	a.edges = append(a.edges, edge{from, to, set})
	return to
}

func (a *nfa) jump(from, to int) { a.free = append(a.free, [2]int{from, to}) }

// language is an automaton ready to run: for every state the states reached
// without a byte, and the edges. It begins in state 0.
type language struct {
	close [][]int
	out   [][]edge
	end   int
}

func newLanguage(nodes []node) *language {
	var a nfa
	a.state()
	end := patternOf(nodes).grow(&a, 0)
	l := &language{close: make([][]int, a.n), out: make([][]edge, a.n), end: end}
	free := make([][]int, a.n)
	for _, j := range a.free {
		free[j[0]] = append(free[j[0]], j[1])
	}
	seen := make([]int, a.n)
	for s := range a.n {
		stack := []int{s}
		seen[s] = s + 1
		for len(stack) > 0 {
			t := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			l.close[s] = append(l.close[s], t)
			for _, u := range free[t] {
				if seen[u] != s+1 {
					seen[u] = s + 1
					stack = append(stack, u)
				}
			}
		}
		sort.Ints(l.close[s])
	}
	for _, e := range a.edges {
		l.out[e.from] = append(l.out[e.from], e)
	}
	return l
}

// first returns the bytes the language may begin with; empty is true when it
// has the empty text.
func (l *language) first() (set byteSet, empty bool) {
	for _, s := range l.close[0] {
		empty = empty || s == l.end
		for _, e := range l.out[s] {
			set.union(e.set)
		}
	}
	return set, empty
}

// further returns the bytes by which a whole text of the language may go on.
func (l *language) further() (set byteSet) {
	for s := range l.close {
		if len(l.close[s]) > 0 && s != 0 && slices.Contains(l.close[s], l.end) {
			for _, t := range l.close[s] {
				for _, e := range l.out[t] {
					set.union(e.set)
				}
			}
		}
	}
	return set
}

// mostWork bounds how many steps one dialect's comparisons may take together;
// a dialect too large for that is taken as it is.
const mostWork = 1_000_000

// meet finds bytes that both languages have.
func (l *language) meet(m *language, work *int) (example []byte, found bool) {
	type pair struct {
		a, b   int
		parent int
		by     byte
	}
	queue := []pair{{0, 0, -1, 0}}
	seen := map[[2]int]bool{{0, 0}: true}
	for i := 0; i < len(queue) && *work > 0; i++ {
		n := queue[i]
		for _, a := range l.close[n.a] {
			for _, b := range m.close[n.b] {
				if a == l.end && b == m.end {
					for k := i; queue[k].parent >= 0; k = queue[k].parent {
						example = append(example, queue[k].by)
					}
					slices.Reverse(example)
					return example, true
				}
				for _, e := range l.out[a] {
					for _, f := range m.out[b] {
						*work--
						both := e.set.common(f.set)
						if next := [2]int{e.to, f.to}; !both.empty() && !seen[next] {
							seen[next] = true
							queue = append(queue, pair{e.to, f.to, i, both.lowest()})
						}
					}
				}
			}
		}
	}
	return nil, false
}

// order settles in which order the frames of a sender are tried, and finds
// frames that look alike without a word about the order.
func (c *compiler) order(from Side) {
	// A frame comes once all it waits for have come; in file order otherwise.
	var order []int
	begun, done := map[int]bool{}, map[int]bool{}
	var visit func(i int)
	visit = func(i int) {
		f := &c.d.frames[i]
		if done[i] {
			return
		} else if begun[i] {
			c.doc.Errorf(f.spec, "", "the frames wait for each other in a circle")
			return
		}
		begun[i] = true
		for k := range f.after {
			if f.after[k] == "all" {
				continue
			}
			name := func(j int) string {
				if g := &c.d.frames[j]; g.from == from && j != i {
					return g.name
				}
				return ""
			}
			if j := c.lookup(&f.after[k], len(c.d.frames), name, "frame", "name another frame of the "+from.String()); j >= 0 {
				visit(j)
			}
		}
		done[i] = true
		order = append(order, i)
	}
	for _, all := range []bool{false, true} { // those that wait for all others come last
		for i := range c.d.frames {
			if f := &c.d.frames[i]; f.from == from && contains(f.after, "all") == all {
				visit(i)
			}
		}
	}
	for _, f := range c.d.framings[from] {
		for _, i := range order {
			if c.d.frames[i].framing == f {
				f.roots = append(f.roots, i)
			}
		}
		if !c.d.inTurn || from == Host { // else the command before says which it is
			c.alike(f.roots)
		}
	}
}

// alike finds frames of one framing that may have the same bytes.
func (c *compiler) alike(order []int) {
	work := mostWork
	langs := make([]*language, len(order))
	for y, j := range order {
		langs[y] = newLanguage(c.d.frames[j].nodes)
		for x, i := range order[:y] {
			a, b := &c.d.frames[i], &c.d.frames[j]
			if contains(b.after, a.name) || contains(b.after, "all") {
				continue
			}
			if example, meet := langs[x].meet(langs[y], &work); meet {
				c.doc.Errorf(b.spec, fmt.Sprintf("tell them apart with a literal, or write after: [%s]", a.name), "the decode is ambiguous: %s and %s may both be the bytes % X", a.name, b.name, example)
			}
		}
	}
}
