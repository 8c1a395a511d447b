package wire

import (
	"cmp"
	"fmt"
	"sort"
	"strconv"
)

// regMap is a table of registers: what stands at each address.
type regMap struct {
	name  string
	word  int  // bytes in one register; 0: a register is one bit
	zero  bool // unlisted addresses inside a read give zero
	lines []regLine
}

type regLine struct {
	at, n int // first register, how many
	field []node
	ch    int
	write bool
	does  string
	whole bool // what it does is done to all channels
}

// Reasons the wire itself gives for refusing a command.
const (
	IllegalFunction = "illegal-function" // no such command
	IllegalAddress  = "illegal-address"  // no such register, or it may not be written
	IllegalValue    = "illegal-value"    // a value that cannot stand there
	WrongState      = "wrong-state"      // the command is not obeyed in this state of the conversation
	Unknown         = "unknown"          // bytes that are no command
	BadParameter    = "bad-parameter"    // a known command with something wrong behind its name
)

type tableSpec struct {
	Name    string    `yaml:"map" need:"yes" doc:"the table's name"`
	Word    string    `yaml:"word" one:"bit" doc:"bit: a register is one bit, such as a coil, and not two bytes"`
	Gaps    string    `yaml:"gaps" one:"refuse zero" doc:"what an unlisted address inside a read gives: refuse, or zero (default: refuse)"`
	Entries []mapLine `yaml:"registers" need:"yes" doc:"what stands at each address"`
}

type mapLine struct {
	At     int        `yaml:"at" need:"yes" range:"0 1048576" doc:"address of the first register"`
	Holds  *fieldSpec `yaml:"holds" need:"yes" doc:"the field in the register or registers"`
	Write  bool       `yaml:"write" doc:"the host may write it: a setting of the same name"`
	Does   string     `yaml:"does" doc:"what writing it does, such as zero or preset, when it is not a setting"`
	Stride int        `yaml:"each" doc:"addresses from one channel to the next"`
	Count  int        `yaml:"channels" range:"1 256" doc:"how many channels follow one another"`
}

func (c *compiler) maps() {
	count := 0
	for i := range c.spec.Maps {
		s := &c.spec.Maps[i]
		m := &regMap{name: s.Name, word: 2, zero: s.Gaps == "zero"}
		if s.Word != "" {
			m.word = 0
		}
		for j := range s.Entries {
			if l := &s.Entries[j]; l.Holds != nil && !l.Holds.wrong {
				c.mapLine(m, l, &count)
			}
		}
		sort.Slice(m.lines, func(a, b int) bool { return m.lines[a].at < m.lines[b].at })
		c.d.maps = append(c.d.maps, m)
	}
}

func (c *compiler) mapLine(m *regMap, l *mapLine, count *int) {
	sc := &scope{frame: &frame{}, seen: map[Term]bool{}, count: count}
	nodes := c.fields(sc, []fieldSpec{*l.Holds})
	if len(nodes) == 0 {
		return
	}
	nodes[0].spec = l.Holds
	least, most := sizeOf(nodes)
	size := 1
	switch {
	case m.word == 0 && least != 1:
		c.doc.Errorf(l.Holds, "write {flag: NAME, size: 1, set: 1, clear: 0}", "%s is more than one bit", nodes[0].name)
		return
	case least != most || least == 0 || m.word > 0 && least%m.word != 0 || least > 64:
		c.doc.Errorf(l.Holds, fmt.Sprintf("give it a size that is a multiple of %d bytes, 64 at most", m.word), "%s does not fill whole registers", nodes[0].name)
		return
	case m.word > 0:
		size = least / m.word
	}
	n := max(l.Count, 1)
	stride := max(l.Stride, 0)
	if stride == 0 {
		stride = size
	}
	if n > 1 && stride < size {
		c.doc.Errorf(&l.Stride, fmt.Sprintf("the value takes %d registers", size), "the channels overlap")
		return
	}
	before := m.lines
	for k := range n {
		line := regLine{at: l.At + k*stride, n: size, field: nodes, ch: k, write: l.Write, does: l.Does, whole: l.Count == 0}
		for _, o := range before {
			if line.at < o.at+o.n && o.at < line.at+line.n {
				c.doc.Errorf(&l.At, "", "register %d overlaps %s at %d", line.at, o.field[0].name, o.at)
				return
			}
		}
		m.lines = append(m.lines, line)
	}
}

// registers is a run of registers of a table.
type registers struct {
	table   *regMap
	first   Term
	num     Term // −1: always count of them
	count   int
	longest int // bytes
	sized   bool
}

type mapSpec struct {
	Map string `yaml:"map" need:"yes" doc:"registers of the named table"`
	common
	First   string `yaml:"first" need:"yes" doc:"the term with the first register's address"`
	Count   string `yaml:"count" need:"yes" doc:"how many: a number, or the term that says it"`
	Longest int    `yaml:"longest" doc:"most bytes (default: 250)"`
}

func (s *mapSpec) compile(c *compiler, _ *scope, n *node) {
	f := &registers{num: -1, longest: cmp.Or(s.Longest, 250)}
	i := c.lookup(&s.Map, len(c.d.maps), func(i int) string { return c.d.maps[i].name }, "table", "name one of the tables under maps")
	if i < 0 {
		return
	}
	f.table = c.d.maps[i]
	f.first = c.numberTerm(s.First)
	switch k, err := strconv.Atoi(s.Count); {
	case err != nil:
		f.num = c.numberTerm(s.Count)
	case k > 0 && k < 1000:
		f.count = k
	default:
		c.doc.Errorf(&s.Count, "", "%d is not a number of registers", k)
		return
	}
	n.field = f
}

// bytes is how many bytes some registers take.
func (m *regMap) bytes(count int) int {
	if m.word == 0 {
		return (count + 7) / 8
	}
	return count * m.word
}

// lookup returns the first line that ends after an address.
func (m *regMap) lookup(at int) int {
	return sort.Search(len(m.lines), func(i int) bool { return m.lines[i].at+m.lines[i].n > at })
}

// readable says whether count registers from first can be read.
func (m *regMap) readable(first, count int) bool {
	if count <= 0 {
		return false
	}
	i := m.lookup(first)
	if m.zero {
		return i < len(m.lines) && m.lines[i].at < first+count
	}
	for at := first; at < first+count; i++ {
		if i == len(m.lines) || m.lines[i].at > at {
			return false
		}
		at = m.lines[i].at + m.lines[i].n
	}
	return true
}

// writable says whether count registers from first are whole lines that may be
// written, and returns them.
func (m *regMap) writable(first, count int) ([]regLine, bool) {
	i := m.lookup(first)
	from := i
	for at := first; at < first+count; i++ {
		if i == len(m.lines) {
			return nil, false
		}
		l := &m.lines[i]
		if l.at != at || l.at+l.n > first+count || !l.write && l.does == "" {
			return nil, false
		}
		at += l.n
	}
	return m.lines[from:i], count > 0
}

// window returns the registers meant; ok is false when the record (and what the
// host asked) do not say.
func (f *registers) window(rec, ask *Record) (first, count int, ok bool) {
	find := func(t Term) (int, bool) {
		v := rec.Get(t, 0)
		if v.Kind == Absent && ask != nil {
			v = ask.Get(t, 0)
		}
		n, whole := v.Num.Int64()
		return int(n), v.Kind == Number && whole && n >= 0 && n <= 1<<24
	}
	first, ok = find(f.first)
	count = f.count
	if ok && count == 0 {
		count, ok = find(f.num)
	}
	return first, count, ok
}

// encode writes the registers. One whose value is absent, with nothing stated
// for that case, reads as zero.
func (f *registers) encode(e *encoder, dst []byte) ([]byte, string) {
	m := f.table
	first, count, ok := f.window(e.rec, nil)
	if !ok {
		return dst, "does not know which registers"
	}
	if !m.readable(first, count) || m.bytes(count) > f.longest {
		return dst, "has no such registers"
	}
	start := len(dst)
	dst = appendFill(dst, 0, m.bytes(count))
	ch := e.ch
	defer func() { e.ch = ch }()
	for i := m.lookup(first); i < len(m.lines) && m.lines[i].at < first+count; i++ {
		l := &m.lines[i]
		if l.ch >= e.rec.channels {
			continue
		}
		e.ch = l.ch
		kept := len(e.rec.carried)
		out, good := e.run(dst, l.field) // behind the registers, for the moment
		if l.at < first || l.at+l.n > first+count {
			e.rec.carried = e.rec.carried[:kept] // half of a value says nothing
		}
		if !good && e.fail.why != whyAbsent {
			return dst, e.fail.why
		}
		if !good {
			continue
		}
		value := out[len(dst):]
		if m.word == 0 {
			dst[start+(l.at-first)/8] |= value[0] & 1 << ((l.at - first) % 8)
			continue
		}
		at := (l.at - first) * m.word // may begin before the window, or end after it
		skip := max(-at, 0)
		copy(dst[start+max(at, 0):], value[min(skip, len(value)):])
	}
	return dst, ""
}

// decode reads registers into the record. Without knowing which they are (a
// reply seen without its request), it only passes over them.
func (f *registers) decode(d *decoder) string {
	m := f.table
	first, count, ok := f.window(d.rec, d.ask)
	n := d.end - d.pos
	if m.word > 0 {
		n /= m.word
	} else {
		n *= 8
	}
	if f.count > 0 {
		n = f.count
	} else if ok && m.bytes(count) <= d.end-d.pos {
		n = count
	}
	start := d.pos
	if d.take(m.bytes(n)) == nil && n > 0 {
		return whyEnd
	}
	if m.bytes(n) > f.longest {
		return whyWidth
	}
	if f.sized && d.pos != d.end {
		d.pos = d.end // more bytes than registers: for the gauge to refuse
		n = -1
	}
	switch {
	case ok && count != n:
		// As many bytes as the length says, but not as many registers. Of the
		// frame itself that is for the gauge to refuse; of an older question it
		// only means that this does not answer it.
		own, _, said := f.window(d.rec, nil)
		d.rec.invalid = said && own == first
		return ""
	case !ok:
		return ""
	}
	for i := m.lookup(first); i < len(m.lines) && m.lines[i].at < first+n; i++ {
		l := &m.lines[i]
		if l.at < first || l.at+l.n > first+n {
			continue // half of a value says nothing
		}
		if l.ch >= d.rec.channels {
			d.rec.Channels(l.ch + 1)
		}
		if !f.line(d, l, start, first) {
			// The frame is whole; it is for the gauge to refuse the value.
			d.rec.invalid = true
			return ""
		}
	}
	return ""
}

// line reads the registers of one line.
func (f *registers) line(d *decoder, l *regLine, start, first int) bool {
	outer := *d
	d.ch = l.ch
	d.pos = start + (l.at-first)*f.table.word
	d.end = d.pos + l.n*f.table.word
	if f.table.word == 0 {
		d.note = nil
		d.buf = append(d.scratch, d.buf[start+(l.at-first)/8]>>((l.at-first)%8)&1)
		d.pos, d.end = len(d.buf)-1, len(d.buf)
	}
	ok := d.run(l.field)
	d.ch, d.pos, d.end, d.buf, d.note = outer.ch, outer.pos, outer.end, outer.buf, outer.note
	return ok
}

func (f *registers) pattern() pattern {
	if f.count > 0 {
		return times(anyByte(), f.table.bytes(f.count))
	}
	return run{anyByte(), max(f.table.word, 1), f.longest}
}
