package wire

import (
	"fmt"
	"strconv"
	"strings"
)

// each is a group of fields that stands there once for every channel.
type each struct {
	nodes    []node
	between  []byte
	smallest int  // least bytes of one group
	count    int  // fixed count of groups; 0: see the rest
	by       Term // the term that says how many there are; −1 none
	rest     bool // as many as there are, up to what ends them
	ends     byteSet
	spacer   node // for annotations
}

type eachSpec struct {
	Each string `yaml:"each" need:"yes" doc:"a group of fields for every channel; the name is only a label"`
	common
	Count   string      `yaml:"count" need:"yes" doc:"how many: a number, a number that stands earlier, or rest: as many as there are"`
	Between string      `yaml:"between" doc:"what stands between two groups"`
	Fields  []fieldSpec `yaml:"fields" need:"yes" doc:"the fields of the group"`
}

func (s *eachSpec) compile(c *compiler, sc *scope, n *node) {
	if sc.each {
		c.doc.Errorf(n.spec, "", "a group of channels cannot stand in another")
		return
	}
	f := &each{between: c.bytesOf(&s.Between), by: -1, spacer: newNode("between", &literal{})}
	switch k, err := strconv.Atoi(s.Count); {
	case s.Count == "rest":
		f.rest = true
	case err != nil:
		t, ok := c.d.termOf[s.Count]
		if !ok || !sc.seen[t] || c.kinds[t] != Number {
			c.doc.Errorf(&s.Count, "write a number, rest, or a number field that stands earlier in the frame", "%q does not say how many groups there are", s.Count)
		}
		f.by = t
		sc.frame.counts = append(sc.frame.counts, t)
	case k < 1 || k > MaxChannels:
		c.doc.Errorf(&s.Count, fmt.Sprintf("write 1 to %d", MaxChannels), "%d is not a number of channels", k)
	default:
		f.count = k
	}
	inner := *sc
	inner.each = true
	f.nodes = c.fields(&inner, s.Fields)
	c.cover(&inner, f.nodes, true)
	sc.marks = inner.marks
	if f.smallest, _ = sizeOf(f.nodes); f.smallest == 0 && f.rest {
		c.doc.Errorf(n.spec, "", "the group may be empty: how many there are cannot be told")
	}
	n.field = f
}

func (f *each) children() [][]node { return [][]node{f.nodes} }

func (f *each) encode(e *encoder, dst []byte) ([]byte, string) {
	n := e.rec.channels
	switch {
	case f.count > 0:
		if n > f.count {
			return dst, whyGroups
		}
		n = f.count
		e.rec.Channels(n)
	case f.by >= 0:
		k, ok := e.rec.at(f.by, 0).Num.Int64()
		if !ok || k < 0 || k > MaxChannels || int(k) != n && k != 0 {
			return dst, whyGroups
		}
		n = int(k)
	}
	ch := e.ch
	var why string
	for e.ch = 0; e.ch < n; e.ch++ {
		if e.ch > 0 {
			dst = append(dst, f.between...)
		}
		if dst, why = e.inGroup(dst, f.nodes); why != "" {
			return dst, why
		}
	}
	e.ch = ch
	return dst, ""
}

func (f *each) decode(d *decoder) string {
	n := f.count
	if f.by >= 0 {
		k, ok := d.rec.at(f.by, 0).Num.Int64()
		if !ok || k < 0 || k > MaxChannels {
			return whyGroups
		}
		n = int(k)
	}
	if f.rest {
		n = MaxChannels
	} else {
		if n*f.smallest > d.end-d.pos {
			return whyEnd
		}
		d.rec.Channels(n)
	}
	ch := d.ch
	for i := range n {
		if f.rest {
			if f.over(d, i) {
				break
			}
			d.rec.Channels(i + 1)
		}
		if i > 0 && len(f.between) > 0 {
			if !d.begins(f.between) {
				return whyLiteral
			}
			d.pos += len(f.between)
			if d.note != nil {
				d.note(&f.spacer, d.pos-len(f.between), d.pos, i, "")
			}
		}
		d.ch = i
		start := d.pos
		if !d.inGroup(f.nodes) {
			return whyInside
		}
		if f.rest && d.pos == start {
			return whyGroups
		}
	}
	d.ch = ch
	return ""
}

// over says whether a group that goes on as long as there are more has no
// further one.
func (f *each) over(d *decoder, i int) bool {
	if d.pos >= d.end {
		return true
	}
	if i > 0 && len(f.between) > 0 {
		return !d.begins(f.between)
	}
	return f.ends.has(d.buf[d.pos])
}

func (f *each) pattern() pattern {
	g := groups{of: patternOf(f.nodes), between: bytesAs(f.between, false), most: MaxChannels}
	if f.count > 0 {
		g.least, g.most = f.count, f.count
	}
	return g
}

// when is fields that are there only when a condition holds.
type when struct {
	cond      *condition
	then, alt []node
	marks     []int8 // of fields in either part
}

type whenSpec struct {
	When string `yaml:"when" need:"yes" doc:"fields that are there only when the condition holds"`
	common
	Fields []fieldSpec `yaml:"fields" need:"yes" doc:"the fields when it holds"`
	Else   []fieldSpec `yaml:"else" doc:"the fields when it does not"`
}

func (s *whenSpec) compile(c *compiler, sc *scope, n *node) {
	f := &when{cond: s.condition(c, sc)}
	if f.cond == nil {
		return
	}
	f.then = c.fields(sc, s.Fields)
	f.alt = c.fields(sc, s.Else)
	if f.cond.term >= 0 {
		sc.seen[f.cond.term] = true
	}
	n.field, n.name = f, "when "+s.When
}

func (s *whenSpec) condition(c *compiler, sc *scope) *condition {
	cond := &condition{term: -1, known: true}
	text := strings.TrimSpace(s.When)
	if rest, ok := strings.CutPrefix(text, "not "); ok && !strings.ContainsAny(rest, " ()=<>") {
		text, cond.negate = strings.TrimSpace(rest), true
	}
	if plainName(text) {
		if now := earlierTerms[text]; now != "" {
			c.doc.Errorf(&s.When, "write "+now, "the term %q is called %q now", text, now)
		}
		cond.term = c.term(text)
		cond.known = sc.seen[cond.term]
		cond.flag = c.kinds[cond.term] == Flag
		if !cond.known {
			// Not seen yet: it is a flag that this part stands for, unless the part
			// itself carries it.
			if cond.flag = !carries(s.Fields, text) && !carries(s.Else, text); cond.flag {
				c.kinds[cond.term] = Flag
			}
		}
		return cond
	}
	e := c.expression(&s.When, s.When, Flag, func(t Term) bool { return sc.seen[t] })
	if e == nil {
		return nil
	}
	if len(e.refs) == 0 {
		c.doc.Errorf(&s.When, "leave the condition out", "the condition never changes: one of its alternatives is unreachable")
	}
	cond.expr = e
	return cond
}

// carries says whether one of the fields, or of those in them, carries a term.
func carries(fields []fieldSpec, term string) bool {
	for i := range fields {
		switch s := fields[i].is.(type) {
		case nil:
		case *whenSpec:
			if carries(s.Fields, term) || carries(s.Else, term) {
				return true
			}
		case *codedSpec:
			if carries(s.Fields, term) {
				return true
			}
		case *wordSpec:
			for _, b := range s.Bits {
				if b.Flag == term || b.Int == term || b.Choice == term {
					return true
				}
			}
		default:
			if _, says := kindOf(s); *says == term {
				return true
			}
		}
	}
	return false
}

func (f *when) children() [][]node { return [][]node{f.then, f.alt} }

func (f *when) encode(e *encoder, dst []byte) ([]byte, string) {
	yes, err := f.cond.holds(e.rec, e.ch)
	if err != nil {
		e.err = err
		return dst, whyAbsent
	}
	for _, m := range f.marks { // a part that is not there is empty
		e.marks[m] = mark{len(dst), len(dst), -1}
	}
	nodes := f.alt
	if yes {
		nodes = f.then
	}
	dst, ok := e.run(dst, nodes)
	if !ok {
		return dst, whyInside
	}
	return dst, ""
}

func (f *when) decode(d *decoder) string {
	for _, m := range f.marks {
		d.marks[m] = mark{d.pos, d.pos, -1}
	}
	yes := false
	if f.cond.known {
		var err error
		if yes, err = f.cond.holds(d.rec, d.ch); err != nil {
			return whyAbsent
		}
	} else {
		// The condition speaks of a value that is only known from the part itself:
		// the part is there when it can be read. The compiler made sure that what
		// follows starts differently.
		start, waiting, note := d.pos, d.nwait, d.note
		d.note = nil
		yes = d.run(f.then)
		d.pos, d.nwait, d.note = start, waiting, note
		if f.cond.flag {
			*d.rec.at(f.cond.term, d.ch) = Bool(yes != f.cond.negate)
		}
	}
	nodes := f.alt
	if yes {
		nodes = f.then
	}
	if !d.run(nodes) {
		return whyInside
	}
	return ""
}

func (f *when) pattern() pattern { return either{patternOf(f.then), patternOf(f.alt)} }

// coded is fields whose bytes are sent in another code.
type coded struct {
	nodes []node
	code  code
	tail  int // bytes that follow in the frame, where the group has no fixed length
	fixed int // bytes of the group before coding; −1: not fixed
}

type codedSpec struct {
	Coded string `yaml:"coded" need:"yes" one:"hex escape seven-bit" doc:"fields whose bytes are sent in a code: hex (two digits a byte), escape, or seven-bit (eight bits spread over bytes of seven)"`
	common
	Escape  string      `yaml:"escape" doc:"of code escape: the byte that announces a coded one"`
	Xor     int         `yaml:"xor" doc:"of code escape: what a coded byte is combined with (exclusive or)"`
	Escapes string      `yaml:"escapes" doc:"of code escape: the bytes that are coded, besides the escape itself"`
	Fields  []fieldSpec `yaml:"fields" need:"yes" doc:"the fields"`
}

func (s *codedSpec) compile(c *compiler, sc *scope, n *node) {
	f := &coded{fixed: -1}
	switch s.Coded {
	case "hex":
		f.code = hexCode{}
	case "seven-bit":
		f.code = sevenBit{}
	default:
		f.code = c.stuffing(s, &s.Escape, &s.Xor, c.bytesOf(&s.Escapes))
	}
	f.nodes = c.fields(sc, s.Fields)
	c.cover(sc, f.nodes, true)
	if least, most := sizeOf(f.nodes); least == most {
		f.fixed = least
	}
	n.field = f
}

func (f *coded) children() [][]node { return [][]node{f.nodes} }

func (f *coded) encode(e *encoder, dst []byte) ([]byte, string) {
	start := len(dst)
	dst, why := e.inGroup(dst, f.nodes)
	if why == "" {
		dst = f.code.encode(dst, start)
	}
	return dst, why
}

func (f *coded) decode(d *decoder) string {
	from, to := d.pos, d.end-f.tail
	if _, escapes := f.code.(*stuffing); f.fixed >= 0 && !escapes {
		to = from + f.code.size(f.fixed)
	}
	if to < from || to > d.end {
		return whyEnd
	}
	first := len(d.scratch)
	out, why := f.code.decode(d.scratch, d.buf[from:to])
	if why != "" {
		return why
	}
	d.scratch = out
	outer := *d
	d.buf, d.pos, d.end = out, first, len(out)
	if note := outer.note; note != nil {
		place := f.code.places(outer.buf[from:to])
		d.note = func(n *node, a, b, ch int, why string) { note(n, from+place[a-first], from+place[b-first], ch, why) }
	}
	ok := d.inGroup(f.nodes)
	if ok && d.pos != d.end {
		ok = d.stop(nil, to, whyMore)
	}
	d.buf, d.pos, d.end, d.note, d.group = outer.buf, to, outer.end, outer.note, outer.group
	if !ok {
		return whyInside
	}
	return ""
}

func (f *coded) pattern() pattern {
	least, most := sizeOf(f.nodes)
	if _, escapes := f.code.(*stuffing); !escapes {
		least = f.code.size(least)
	}
	return run{f.code.set(), least, f.code.size(most)}
}
