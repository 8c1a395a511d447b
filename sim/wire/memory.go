package wire

import "sort"

// regMap is a table of registers: what stands at each address.
type regMap struct {
	name  string
	word  int
	zero  bool // unlisted addresses inside a read give zero
	lines []regLine
}

type regLine struct {
	at, n int // first register, how many
	field []op
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
	WrongState      = "wrong-state"      // the command is not obeyed in this state of the handshake
	Unknown         = "unknown"          // bytes that are no command
	BadParameter    = "bad-parameter"    // a known command with something wrong behind its name
)

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

// window returns the registers an op speaks of; ok is false when the record
// (and what the host asked) do not say.
func (o *op) window(rec, ask *Record) (first, count int, ok bool) {
	find := func(t Term) (int, bool) {
		v := rec.Get(t, 0)
		if v.Kind == Absent && ask != nil {
			v = ask.Get(t, 0)
		}
		n, whole := v.Num.Int64()
		return int(n), v.Kind == Number && whole && n >= 0 && n <= 1<<24
	}
	first, ok = find(o.first)
	count = o.countN
	if ok && count == 0 {
		count, ok = find(o.num)
	}
	return first, count, ok
}

// appendRegisters writes the registers the op speaks of. A register whose
// value is absent, with nothing stated for that case, reads as zero.
func (m *regMap) appendRegisters(dst []byte, o *op, rec *Record) ([]byte, string) {
	first, count, ok := o.window(rec, nil)
	if !ok {
		return dst, "does not know which registers"
	}
	if !m.readable(first, count) || count*m.word > o.longest {
		return dst, "has no such registers"
	}
	var line [64]byte
	i := m.lookup(first)
	for at := first; at < first+count; {
		if i == len(m.lines) || m.lines[i].at > at {
			dst = appendFill(dst, 0, m.word)
			at++
			continue
		}
		l := &m.lines[i]
		b := appendFill(line[:0], 0, l.n*m.word)
		if l.ch < rec.channels {
			e := encoder{rec: rec, ch: l.ch}
			out, good := e.run(line[:0], l.field)
			if !good && e.fail.why != whyAbsent {
				return dst, e.fail.why
			}
			if good {
				b = out
			} else {
				b = appendFill(line[:0], 0, l.n*m.word)
			}
		}
		skip := (at - l.at) * m.word
		n := min(l.at+l.n, first+count) - at
		dst = append(dst, b[skip:skip+n*m.word]...)
		at += n
		i++
	}
	return dst, ""
}

// registers reads registers into the record. Without knowing which they are
// (a reply seen without its request), it only passes over them.
func (d *decoder) registers(o *op) bool {
	m := o.table
	first, count, ok := o.window(d.rec, d.ask)
	n := (d.end - d.pos) / m.word
	if o.countN > 0 {
		n = o.countN
	} else if ok && count <= n {
		n = count
	}
	start := d.pos
	b := d.take(o, n*m.word)
	if b == nil && n > 0 {
		return false
	}
	if n*m.word > o.longest {
		return d.back(o, start, whyWidth)
	}
	if ok && count != n || o.sized && d.pos != d.end {
		// As many bytes as the length says, but not as many registers. Of the
		// frame itself that is for the gauge to refuse; of an older question it
		// only means that this does not answer it.
		own, _, said := o.window(d.rec, nil)
		d.rec.invalid = said && own == first
		if o.sized {
			d.pos = d.end
		}
		return true
	}
	if !ok {
		return true
	}
	for i := m.lookup(first); i < len(m.lines) && m.lines[i].at < first+n; i++ {
		l := &m.lines[i]
		if l.at < first || l.at+l.n > first+n {
			continue // half of a value says nothing
		}
		if l.ch >= d.rec.channels {
			d.rec.Channels(l.ch + 1)
		}
		off := start + (l.at-first)*m.word
		sub := decoder{rec: d.rec, buf: d.buf, pos: off, end: off + l.n*m.word, ch: l.ch, note: d.note}
		if !sub.run(l.field) {
			// The frame is whole; it is for the gauge to refuse the value.
			d.rec.invalid = true
			return true
		}
	}
	return true
}
