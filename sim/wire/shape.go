package wire

import (
	"fmt"
	"sort"
)

// The bytes a frame may have are a regular language. Two frames of one sender
// whose languages meet cannot always be told apart; one whose language lies
// within an earlier frame's is never read at all. Both are found on automata
// built from the fields. The automata know widths, literals, choices and bits,
// but not checks, and take a text of free length as one of any length, so that
// now and then frames are taken to look alike that do not: the word after says
// in which order to try them.

type nfa struct {
	edges []edge
	free  [][2]int // moves without a byte
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

// loop is any number of bytes of a set.
func (a *nfa) loop(from int, set byteSet) int {
	at := a.state()
	a.jump(from, at)
	a.edges = append(a.edges, edge{at, at, set})
	return at
}

func (a *nfa) literal(from int, lit []byte, fold bool) int {
	for _, b := range lit {
		var s byteSet
		s.add(b)
		if fold && (b|0x20)-'a' <= 25 {
			s.add(b ^ 0x20)
		}
		from = a.step(from, s)
	}
	return from
}

func (a *nfa) repeat(from int, set byteSet, n int) int {
	for range n {
		from = a.step(from, set)
	}
	return from
}

// most bounds what is written out state by state.
const mostStates = 4096

func (a *nfa) fields(ops []op, from int) int {
	for i := range ops {
		from = a.field(&ops[i], from)
	}
	return from
}

func (a *nfa) field(o *op, from int) int {
	if a.n > mostStates {
		return a.loop(from, anyByte())
	}
	end := a.state()
	for _, s := range o.specials {
		a.jump(a.literal(from, s.token, false), end)
	}
	digit := byteRange('0', '9')
	hexes := digit
	hexes.union(byteRange('A', 'F'))
	hexes.union(byteRange('a', 'f'))
	at := from
	switch o.kind {
	case opLiteral:
		at = a.literal(from, o.lit, o.anyCase)
	case opDecimal:
		body := digit
		if o.mark != 0 {
			body.add(o.mark)
		}
		lead := byteSet{}
		if o.sign != signNone {
			lead.addAll([]byte("+-"))
		}
		if o.sign == signSpace {
			lead.add(' ')
		}
		if o.exponent != 0 {
			body.addAll([]byte("Ee+-"))
		}
		if o.width > 0 {
			pad := body
			pad.union(lead)
			pad.add(o.pad)
			first := pad
			if o.sign == signAlways && o.pad == '0' && !o.left {
				first = lead
			}
			at = a.repeat(a.step(from, first), pad, o.width-1)
			break
		}
		if !lead.empty() {
			signed := a.step(from, lead)
			at = a.state()
			a.jump(from, at)
			a.jump(signed, at)
		}
		at = a.loop(a.step(at, body), body)
	case opHex:
		if o.width > 0 {
			at = a.repeat(from, hexes, o.width)
		} else {
			at = a.loop(a.step(from, hexes), hexes)
		}
	case opInt:
		set := anyByte()
		if o.width == 1 && o.bounded {
			set = byteSet{}
			for b := range 256 {
				if o.accept(o.value(uint64(b), 8)) == "" {
					set.add(byte(b))
				}
			}
		}
		at = a.repeat(from, set, o.width)
	case opFloat, opBCD:
		at = a.repeat(from, anyByte(), o.width)
	case opText:
		set := byteRange(' ', '~')
		switch {
		case o.quoted:
			var q byteSet
			q.add('"')
			at = a.step(a.loop(a.step(from, q), set), q)
		case o.width > 0:
			at = a.repeat(from, a.without(set, o.stop), o.width)
		default:
			at = a.loop(from, a.without(set, o.stop))
		}
	case opChoice:
		for _, ch := range o.choices {
			a.jump(a.literal(from, ch.lit, o.quoted), end)
		}
		return end
	case opFlags:
		at = a.flags(o, from)
	case opTime:
		for _, p := range o.layout {
			if p.lit != 0 {
				at = a.literal(at, []byte{p.lit}, false)
			} else {
				at = a.repeat(at, digit, p.n)
			}
		}
	case opEach:
		if o.countN > 0 && o.countN <= 16 {
			for i := range o.countN {
				if i > 0 {
					at = a.literal(at, o.between, false)
				}
				at = a.fields(o.sub, at)
			}
			break
		}
		head := a.state()
		a.jump(from, head)
		last := a.fields(o.sub, head)
		a.jump(a.literal(last, o.between, false), head)
		a.jump(last, end)
		at = from
	case opWhen:
		a.jump(a.fields(o.sub, from), end)
		a.jump(a.fields(o.alt, from), end)
		return end
	case opCheck, opLength:
		set := anyByte()
		if o.form == formHex {
			set = hexes
		} else if o.form == formDecimal {
			set = digit
		}
		at = a.repeat(from, set, o.width)
	case opSkip:
		if o.rest {
			at = a.loop(from, anyByte())
		} else {
			at = a.repeat(from, anyByte(), o.width)
		}
	case opSpace:
		var set byteSet
		set.addAll([]byte(" \t"))
		if o.digits > 0 {
			at = a.step(at, set)
		}
		at = a.loop(at, set)
	case opBlock:
		var hash byteSet
		hash.add('#')
		at = a.loop(a.step(a.step(from, hash), digit), anyByte())
	case opHeader:
		for _, w := range o.words {
			at := a.literal(from, []byte(w), true)
			a.jump(at, end)
			a.jump(a.literal(a.literal(from, []byte(":"), false), []byte(w), true), end)
		}
		return end
	case opMap:
		if o.countN > 0 {
			at = a.repeat(from, anyByte(), o.countN*o.table.word)
		} else {
			at = a.loop(a.repeat(from, anyByte(), o.table.word), anyByte())
		}
	}
	a.jump(at, end)
	return end
}

func (a *nfa) without(set byteSet, stop *byteSet) byteSet {
	if stop != nil {
		for i := range set {
			set[i] &^= stop[i]
		}
	}
	return set
}

// flags gives each byte of a word of bits the values its constants allow.
func (a *nfa) flags(o *op, from int) int {
	m, v := appendUint(nil, o.bitMask, o.width, o.order), appendUint(nil, o.bitValue, o.width, o.order)
	for i := range m {
		var set byteSet
		for b := range 256 {
			if byte(b)&m[i] == v[i] {
				set.add(byte(b))
			}
		}
		from = a.step(from, set)
	}
	return from
}

// language is an automaton ready to run: for every state the states reached
// without a byte, and the edges.
type language struct {
	close [][]int
	out   [][]edge
	end   int
}

func newLanguage(ops []op) *language {
	var a nfa
	start := a.state()
	end := a.fields(ops, start)
	l := &language{close: make([][]int, a.n), out: make([][]edge, a.n), end: end}
	free := make([][]int, a.n)
	for _, j := range a.free {
		free[j[0]] = append(free[j[0]], j[1])
	}
	seen := make([]int, a.n)
	for i := range seen {
		seen[i] = -1
	}
	for s := range a.n {
		stack := []int{s}
		seen[s] = s
		for len(stack) > 0 {
			t := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			l.close[s] = append(l.close[s], t)
			for _, u := range free[t] {
				if seen[u] != s {
					seen[u] = s
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

// mostWork bounds how many steps one dialect's comparisons may take together;
// a dialect too large for that is taken as it is.
const mostWork = 1_000_000

// meet finds bytes that both languages have.
func (l *language) meet(m *language, work *int) (example []byte, found bool) {
	type node struct {
		a, b   int
		parent int
		by     byte
	}
	queue := []node{{0, 0, -1, 0}}
	seen := map[[2]int]bool{{0, 0}: true}
	for i := 0; i < len(queue) && *work > 0; i++ {
		n := queue[i]
		for _, a := range l.close[n.a] {
			for _, b := range m.close[n.b] {
				if a == l.end && b == m.end {
					for k := i; queue[k].parent >= 0; k = queue[k].parent {
						example = append(example, queue[k].by)
					}
					for x, y := 0, len(example)-1; x < y; x, y = x+1, y-1 {
						example[x], example[y] = example[y], example[x]
					}
					return example, true
				}
				for _, e := range l.out[a] {
					for _, f := range m.out[b] {
						*work--
						if !e.set.meets(f.set) || seen[[2]int{e.to, f.to}] {
							continue
						}
						seen[[2]int{e.to, f.to}] = true
						both := e.set
						for w := range both {
							both[w] &= f.set[w]
						}
						queue = append(queue, node{e.to, f.to, i, both.lowest()})
					}
				}
			}
		}
	}
	return nil, false
}

// within says whether every frame of l is also one of m.
func (l *language) within(m *language, budget *int) bool {
	// One byte of every class that no edge tells apart.
	var sets []byteSet
	for _, lang := range []*language{l, m} {
		for _, out := range lang.out {
			for _, e := range out {
				sets = append(sets, e.set)
			}
		}
	}
	seenClass := map[string]bool{}
	var reps []byte
	sig := make([]byte, (len(sets)+7)/8)
	for b := range 256 {
		clear(sig)
		for i, s := range sets {
			if s.has(byte(b)) {
				sig[i/8] |= 1 << (i % 8)
			}
		}
		if !seenClass[string(sig)] {
			seenClass[string(sig)] = true
			reps = append(reps, byte(b))
		}
	}
	type node struct {
		a   int
		set string
	}
	pack := func(states map[int]bool) string {
		list := make([]int, 0, len(states))
		for s := range states {
			list = append(list, s)
		}
		sort.Ints(list)
		return fmt.Sprint(list)
	}
	type work struct {
		a   int
		set map[int]bool
	}
	start := map[int]bool{}
	for _, s := range m.close[0] {
		start[s] = true
	}
	queue := []work{{0, start}}
	seen := map[node]bool{{0, pack(start)}: true}
	for i := 0; i < len(queue); i++ {
		w := queue[i]
		for _, a := range l.close[w.a] {
			if a == l.end && !w.set[m.end] {
				return false
			}
			for _, e := range l.out[a] {
				for _, b := range reps {
					if !e.set.has(b) {
						continue
					}
					if *budget -= 1 + len(w.set); *budget < 0 {
						return false // too large to say: not an error
					}
					next := map[int]bool{}
					for s := range w.set {
						for _, f := range m.out[s] {
							if f.set.has(b) {
								for _, t := range m.close[f.to] {
									next[t] = true
								}
							}
						}
					}
					if n := (node{e.to, pack(next)}); !seen[n] {
						seen[n] = true
						queue = append(queue, work{e.to, next})
					}
				}
			}
		}
	}
	return true
}

// order settles in which order the frames of a sender are tried, and finds
// frames that look alike without a word about the order.
func (c *compiler) order(from Side) {
	var list []int
	after := map[int]map[int]bool{}
	for i := range c.d.frames {
		f := &c.d.frames[i]
		if f.from != from {
			continue
		}
		list = append(list, i)
		after[i] = map[int]bool{}
		names := f.after()
		for k := range names {
			found := names[k] == "all"
			for j := range c.d.frames {
				g := &c.d.frames[j]
				if j != i && g.from == from && (names[k] == "all" || g.name == names[k]) {
					found = true
					after[i][j] = true
				}
			}
			if !found {
				c.doc.Errorf(&names[k], "", "there is no frame %q from the %s", names[k], from)
			}
		}
	}
	// A frame comes once all it waits for have come; in file order otherwise.
	done := map[int]bool{}
	var order []int
	for len(order) < len(list) {
		before := len(order)
		for _, i := range list {
			if done[i] {
				continue
			}
			ready := true
			for j := range after[i] {
				ready = ready && (done[j] || after[j][i] && !explicit(&c.d.frames[i], c.d.frames[j].name))
			}
			if ready {
				done[i] = true
				order = append(order, i)
				break
			}
		}
		if len(order) == before {
			c.doc.Errorf(c.d.frames[list[0]].spec, "", "the frames wait for each other in a circle")
			return
		}
	}
	c.d.roots[from] = order
	langs := map[int]*language{}
	for _, i := range order {
		langs[i] = newLanguage(c.d.frames[i].ops)
	}
	work := mostWork
	for y, j := range order {
		for _, i := range order[:y] {
			if c.d.inTurn && from == Gauge {
				continue // the command before says which it is
			}
			example, meet := langs[i].meet(langs[j], &work)
			if !meet {
				continue
			}
			a, b := &c.d.frames[i], &c.d.frames[j]
			switch {
			case langs[j].within(langs[i], &work):
				c.doc.Errorf(b.spec, "tell the two apart with a literal, or try this one first: give "+a.name+" the key after", "%s is unreachable: whatever it looks like is read as %s", b.name, a.name)
			case !after[j][i]:
				c.doc.Errorf(b.spec, fmt.Sprintf("tell them apart with a literal, or write after: [%s]", a.name), "the decode is ambiguous: %s and %s may both be the bytes % X", a.name, b.name, example)
			}
		}
	}
}

func (f *frame) after() []string {
	switch s := f.spec.(type) {
	case *frameSpec:
		return s.After
	case *cmdSpec:
		return s.After
	}
	return nil
}

func explicit(f *frame, name string) bool { return contains(f.after(), name) }
