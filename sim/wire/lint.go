package wire

import (
	"fmt"
	"strings"

	"example.org/understudy/sim/strict"
)

// lint finds what can be written but not told apart when it is read.
func (c *compiler) lint() {
	for i := range c.d.frames {
		f := &c.d.frames[i]
		c.follow(f.ops, byteSet{}, c.d.framings[f.from].forbidden())
		c.misspelt(f)
		c.contains(f)
	}
	if c.doc.Err() == nil {
		c.order(Gauge)
		c.order(Host)
	}
}

// misspelt refuses a dialect's own term that is nearly one of the gauge's:
// nothing would ever fill it.
func (c *compiler) misspelt(f *frame) {
	check := func(at any, t Term) {
		name := c.d.terms[t]
		if c.keepT[t] || contains(Terms(), name) || strings.ContainsAny(name, "0123456789") {
			return
		}
		if near := strict.Nearest(name, Terms()); near != "" && len(near) > 3 && near[0] == name[0] {
			c.doc.Errorf(at, fmt.Sprintf("did you mean %q?", near), "no gauge has the term %q", name)
		}
	}
	eachOp(f.ops, func(o *op) {
		if o.spec != nil && o.term >= 0 && o.kind != opLiteral && o.derive == nil {
			check(o.spec, o.term)
		}
		for i := range o.bits {
			check(o.spec, o.bits[i].term)
		}
	})
}

// forbidden returns the bytes a text must not have because the framing would
// take them for its own.
func (f *framing) forbidden() (set byteSet) {
	if f.split != 0 {
		set.add(f.split)
	}
	if f.hex || f.stuffed || f.kind != delimited && f.kind != bracketed {
		return set
	}
	set.union(f.endSet)
	set.addAll(f.start)
	return set
}

// follow tells every text of free length where it ends, at the bytes that may
// stand after it, and finds fields whose end cannot be told.
func (c *compiler) follow(ops []op, after, forbid byteSet) {
	for i := range ops {
		o := &ops[i]
		next, empty := firstBytes(ops[i+1:])
		if empty {
			next.union(after)
		}
		var own byteSet // what the field may be continued by
		switch {
		case o.kind == opText && !o.quoted:
			stop := forbid
			if o.width == 0 {
				stop.union(next)
				if i+1 < len(ops) && ops[i+1].kind == opText && !ops[i+1].quoted {
					c.doc.Errorf(o.spec, "put a literal between them, or give it a width", "the frame is ambiguous: where %s ends and %s starts cannot be told", o.name, ops[i+1].name)
				}
			}
			o.stop = &stop
		case o.kind == opDecimal && o.width == 0:
			own = byteRange('0', '9')
			if o.mark != 0 {
				own.add(o.mark)
			}
			if o.exponent != 0 {
				own.addAll([]byte("Ee"))
			}
		case o.kind == opHex && o.width == 0:
			own = byteRange('0', '9')
			own.union(byteRange('A', 'F'))
			own.union(byteRange('a', 'f'))
		case o.kind == opChoice:
			for j, a := range o.choices {
				for k, b := range o.choices {
					if j != k && len(a.lit) < len(b.lit) && strings.HasPrefix(string(b.lit), string(a.lit)) {
						own.add(b.lit[len(a.lit)])
					}
				}
			}
		case o.kind == opHeader:
			own = headerBytes()
		case o.kind == opSpace:
			own.addAll([]byte(" \t"))
		case o.kind == opWhen && !o.cond.known:
			first, none := firstBytes(o.sub)
			other, otherNone := firstBytes(o.alt)
			if otherNone {
				other.union(next)
			}
			if none || first.meets(other) {
				c.doc.Errorf(o.spec, "let the part start with a byte that nothing else there starts with", "the frame is ambiguous: whether the part is there cannot be told")
			}
		case o.kind == opEach:
			inner, _ := firstBytes(o.sub)
			if len(o.between) > 0 {
				inner = byteSet{}
				inner.add(o.between[0])
			}
			if o.rest && inner.meets(next) {
				c.doc.Errorf(o.spec, "give the number of groups, or put a literal after them", "the frame is ambiguous: where the groups end cannot be told")
			}
			inner.union(next)
			c.follow(o.sub, inner, forbid)
			continue
		}
		if own.meets(next) {
			c.doc.Errorf(o.spec, "put a literal after it, or give it a width", "the frame is ambiguous: where %s ends cannot be told", o.name)
		}
		c.follow(o.sub, next, forbid)
		c.follow(o.alt, next, forbid)
	}
}

func headerBytes() (set byteSet) {
	for i := range 256 {
		if isHeaderByte(byte(i)) {
			set.add(byte(i))
		}
	}
	return set
}

// contains refuses fields that may have the very bytes that end a frame.
func (c *compiler) contains(fr *frame) {
	f := c.d.framings[fr.from]
	if f.hex || f.stuffed || f.kind != delimited && f.kind != bracketed {
		return
	}
	marks := [][]byte{f.end}
	if f.kind == bracketed {
		marks = append(marks, f.start)
	}
	marks = append(marks, f.ors...)
	check := func(o *op, set byteSet) {
		for _, m := range marks {
			all := true
			for _, b := range m {
				all = all && set.has(b)
			}
			if all && o.spec != nil {
				c.doc.Errorf(o.spec, "send it as text, or choose a framing that stuffs or counts bytes", "the frame is ambiguous: %s may have the bytes %q, which mean something to the framing", o.name, m)
				return
			}
		}
	}
	eachOp(fr.ops, func(o *op) {
		if len(o.sub) > 0 || len(o.alt) > 0 {
			return
		}
		var n nfa
		n.field(o, n.state())
		var set byteSet
		for i := range n.edges {
			set.union(n.edges[i].set)
		}
		check(o, set)
	})
	if f.check != nil && !f.beyond && f.check.form == formBinary {
		check(f.check, anyByte())
	}
}

// firstBytes returns the bytes a list of ops may start with; empty is true
// when it may be empty.
func firstBytes(ops []op) (set byteSet, empty bool) {
	for i := range ops {
		s, e := ops[i].starts()
		set.union(s)
		if !e {
			return set, false
		}
	}
	return set, true
}

// starts returns the bytes one op may start with.
func (o *op) starts() (set byteSet, empty bool) {
	for _, s := range o.specials {
		if len(s.token) > 0 {
			set.add(s.token[0])
		} else {
			empty = true
		}
	}
	switch o.kind {
	case opLiteral:
		set.add(o.lit[0])
		if o.anyCase {
			set.union(anyByte())
		}
	case opDecimal:
		set.union(byteRange('0', '9'))
		if o.mark != 0 {
			set.add(o.mark)
		}
		if o.sign != signNone {
			set.add('-')
			set.add('+')
		}
		if o.pad != '0' && o.width > 0 || o.sign == signSpace {
			set.add(o.pad)
		}
		if o.sign == signSpace {
			set.add(' ')
		}
	case opHex:
		set.union(byteRange('0', '9'))
		set.union(byteRange('A', 'F'))
		set.union(byteRange('a', 'f'))
	case opText:
		if o.quoted {
			set.add('"')
			return set, empty
		}
		s := byteRange(' ', '~')
		set.union(s)
		return set, empty || o.width == 0
	case opChoice:
		for _, ch := range o.choices {
			if len(ch.lit) == 0 {
				empty = true
			} else {
				set.add(ch.lit[0])
				if o.quoted {
					set.addAll([]byte(strings.ToUpper(string(ch.lit[:1])) + strings.ToLower(string(ch.lit[:1]))))
				}
			}
		}
	case opTime:
		if o.layout[0].lit != 0 {
			set.add(o.layout[0].lit)
		} else {
			set.union(byteRange('0', '9'))
		}
	case opSpace:
		set.add(' ')
		set.add('\t')
		return set, empty || o.digits == 0
	case opHeader:
		set.add(':')
		for _, w := range o.words {
			set.add(w[0])
			set.add(w[0] | 0x20)
		}
	case opBlock:
		set.add('#')
	case opEach:
		s, e := firstBytes(o.sub)
		set.union(s)
		return set, empty || e || o.countN == 0
	case opWhen:
		s, e := firstBytes(o.sub)
		t, e2 := firstBytes(o.alt)
		set.union(s)
		set.union(t)
		return set, empty || e || e2
	case opCheck, opLength:
		switch o.form {
		case formHex:
			set.union(byteRange('0', '9'))
			set.union(byteRange('A', 'F'))
			set.union(byteRange('a', 'f'))
		case formDecimal:
			set.union(byteRange('0', '9'))
		default:
			return anyByte(), empty
		}
	default:
		if o.rest {
			return anyByte(), true
		}
		return anyByte(), empty
	}
	return set, empty
}
