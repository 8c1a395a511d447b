package wire

import (
	"fmt"
	"sort"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
)

// compiler turns a file's structs into a Dialect; every mistake goes to doc.
type compiler struct {
	doc   *strict.Doc
	spec  *fileSpec
	d     *Dialect
	kinds map[Term]Kind
	frac  map[Term]bool // numbers that may have decimals: not for expressions
	keepT map[Term]bool
}

const (
	maxFrames     = 256
	maxFields     = 2000
	maxNesting    = 8
	defaultText   = 64
	defaultDigits = 20
	maxLongest    = 1 << 16
)

func compile(doc *strict.Doc, spec *fileSpec) *Dialect {
	c := &compiler{doc: doc, spec: spec, kinds: map[Term]Kind{}, frac: map[Term]bool{}, keepT: map[Term]bool{}}
	c.d = &Dialect{name: spec.Dialect, title: spec.Title, inTurn: spec.InTurn, termOf: map[string]Term{}}
	if !plainName(spec.Dialect) {
		doc.Errorf(&spec.Dialect, "write small letters, digits and hyphens", "%q is not a dialect's name", spec.Dialect)
	}
	c.void()
	c.lineSettings()
	c.station()
	c.keeps()
	c.maps()
	c.frames()
	if doc.Err() != nil {
		return nil
	}
	c.framings()
	c.errorQueue()
	c.commands()
	c.states()
	if doc.Err() != nil {
		return nil
	}
	c.lint()
	for i := range c.d.frames {
		f := &c.d.frames[i]
		f.quick = fuse(f.ops)
		info := FrameInfo{Name: f.name, From: f.from, Sent: f.sent}
		if f.cmd != nil {
			info.Verb = f.cmd.verb
		}
		c.d.infos = append(c.d.infos, info)
	}
	return c.d
}

func plainName(s string) bool {
	return s != "" && strings.Trim(s, "abcdefghijklmnopqrstuvwxyz0123456789-") == "" && s[0] != '-'
}

func (c *compiler) term(name string) Term {
	if t, ok := c.d.termOf[name]; ok {
		return t
	}
	t := Term(len(c.d.terms))
	c.d.terms = append(c.d.terms, name)
	c.d.termOf[name] = t
	return t
}

// void interns the terms that the package itself sets.
func (c *compiler) void() {
	c.d.void = c.term(Void)
	c.term(Error)
	if c.doc.Has(&c.spec.Errors) {
		c.kinds[c.term(ErrorCode)] = Number
		c.kinds[c.term(ErrorText)] = Text
		c.kinds[c.term(QueuedCount)] = Number
	}
}

func (c *compiler) lineSettings() {
	l, s := &c.d.line, &c.spec.Line
	*l = Line{Baud: s.Baud, DataBits: s.Data, Parity: s.Parity, StopBits: s.Stop}
	if !c.doc.Has(&s.Baud) {
		l.Baud = 9600
	}
	if !c.doc.Has(&s.Data) {
		l.DataBits = 8
	}
	if !c.doc.Has(&s.Stop) {
		l.StopBits = 1
	}
	if l.Baud < 50 || l.Baud > 4_000_000 {
		c.doc.Errorf(&s.Baud, "", "%d is not a speed of a serial line", l.Baud)
		l.Baud = 9600
	}
	if l.DataBits < 5 || l.DataBits > 8 {
		c.doc.Errorf(&s.Data, "write 5 to 8", "%d is not a number of data bits", l.DataBits)
	}
	if l.StopBits != 1 && l.StopBits != 2 {
		c.doc.Errorf(&s.Stop, "write 1 or 2", "%d is not a number of stop bits", l.StopBits)
	}
}

func (c *compiler) station() {
	s := &c.spec.Station
	c.d.station = station{term: -1, is: s.Is, broadcast: s.Broadcast}
	if s.Term != "" {
		c.d.station.term = c.term(s.Term)
		c.kinds[c.d.station.term] = Number
	}
}

func (c *compiler) keeps() {
	for i := range c.spec.Keeps {
		k := &c.spec.Keeps[i]
		t := c.term(k.Name)
		if c.keepT[t] {
			c.doc.Errorf(&k.Name, "", "%q is kept twice", k.Name)
		}
		c.keepT[t] = true
		c.kinds[t] = Number
		c.d.keeps = append(c.d.keeps, keep{k.Name, t, k.Start})
	}
}

// toBytes turns a text of the file into bytes: one character is one byte.
func toBytes(s string) ([]byte, error) {
	b := make([]byte, 0, len(s))
	for _, r := range s {
		if r > 255 {
			return nil, fmt.Errorf("%q is not one byte", r)
		}
		b = append(b, byte(r))
	}
	return b, nil
}

func (c *compiler) bytesOf(ptr *string) []byte {
	b, err := toBytes(*ptr)
	if err != nil {
		c.doc.Errorf(ptr, `write bytes above 7F as "\xB5"`, "%v", err)
	}
	return b
}

// scope is one frame being compiled.
type scope struct {
	frame *frame
	seen  map[Term]bool // terms whose fields stand earlier
	each  bool
	marks int
	depth int
	count *int
}

func (c *compiler) frames() {
	names := map[string]bool{}
	total := 0
	add := func(name *string, from Side, fields []fieldSpec, sent []string, cmd *command, spec any) {
		f := frame{name: *name, from: from, sent: sent, cmd: cmd, spec: spec}
		if names[f.name] {
			c.doc.Errorf(name, "", "the name %q is already taken", f.name)
		}
		names[f.name] = true
		sc := &scope{frame: &f, seen: map[Term]bool{}, count: &total}
		f.ops = c.fields(sc, fields)
		c.ranges(sc, f.ops, false)
		eachOp(f.ops, func(o *op) {
			if o.derive != nil {
				f.derived = append(f.derived, o)
			}
			f.lengths = f.lengths || o.kind == opLength
			if o.kind == opEach && o.countBy >= 0 {
				f.counts = append(f.counts, o.countBy)
			}
		})
		if len(c.d.frames) >= maxFrames {
			c.doc.Errorf(name, "", "a dialect has at most %d frames", maxFrames)
			return
		}
		c.d.frames = append(c.d.frames, f)
	}
	for i := range c.spec.Frames {
		s := &c.spec.Frames[i]
		for j := range s.Sent {
			if c.spec.InTurn && s.Sent[j] != "reply" {
				c.doc.Errorf(&s.Sent[j], "write reply, or leave in-turn out", "a gauge that speaks only when asked sends no %s on its own", s.Sent[j])
			}
			switch s.Sent[j] {
			case "reading", "tag", "status", "banner", "reply":
			default:
				c.doc.Errorf(&s.Sent[j], "write reading, tag, status, banner or reply", "%q is nothing a gauge sends", s.Sent[j])
			}
		}
		add(&s.Name, Gauge, s.Fields, s.Sent, nil, s)
	}
	for i := range c.spec.Commands {
		s := &c.spec.Commands[i]
		for _, r := range []struct {
			to     *reply
			suffix string
		}{{&s.Reply, "-reply"}, {&s.Refusal, "-refusal"}} {
			if r.to.fields != nil {
				r.to.name = s.Name + r.suffix
				add(&r.to.name, Gauge, r.to.fields, []string{"reply"}, nil, r.to)
			}
		}
	}
	c.d.gaugeFrames = len(c.d.frames)
	for i := range c.spec.Commands {
		s := &c.spec.Commands[i]
		add(&s.Name, Host, s.Fields, nil, &command{}, s)
	}
}

func (c *compiler) fields(sc *scope, specs []fieldSpec) []op {
	if len(specs) == 0 {
		return nil
	}
	if sc.depth++; sc.depth > maxNesting {
		c.doc.Errorf(&specs[0], "", "groups are nested more than %d deep", maxNesting)
		return nil
	}
	defer func() { sc.depth-- }()
	ops := make([]op, 0, len(specs))
	for i := range specs {
		if *sc.count++; *sc.count > maxFields {
			c.doc.Errorf(&specs[i], "", "a dialect has at most %d fields", maxFields)
			return ops
		}
		f := &specs[i]
		if f.At != "" {
			ops = c.placeAt(sc, ops, f)
		}
		o := c.field(sc, f)
		// Neighbouring literals become one, unless somebody may refer to them.
		if n := len(ops); o.kind == opLiteral && n > 0 && ops[n-1].kind == opLiteral && f.isText && ops[n-1].term < 0 && ops[n-1].spec.isText && !o.anyCase {
			ops[n-1].lit = append(ops[n-1].lit, o.lit...)
			ops[n-1].width += o.width
			continue
		}
		ops = append(ops, o)
	}
	return ops
}

// placeAt checks a stated byte offset against where the field would stand, and
// fills a gap.
func (c *compiler) placeAt(_ *scope, ops []op, f *fieldSpec) []op {
	at, err := strconv.Atoi(f.At)
	if err != nil || at < 0 || at > maxLongest {
		c.doc.Errorf(&f.At, "count bytes from 0", "%q is not a byte's place", f.At)
		return ops
	}
	least, most := sizeOf(ops)
	switch {
	case least != most:
		c.doc.Errorf(&f.At, "leave at out, or give the fields before a fixed width", "what stands before byte %d has no fixed length", at)
	case at < least:
		last := "the fields before it"
		if len(ops) > 0 {
			last = ops[len(ops)-1].name
		}
		c.doc.Errorf(&f.At, fmt.Sprintf("the next free byte is %d", least), "the field overlaps %s", last)
	case at > least:
		ops = append(ops, op{kind: opSkip, name: "gap", term: -1, width: at - least, countBy: -1, markStart: -1, markEnd: -1, from: -1, to: -1, target: -1, fromByte: -1, toByte: -1, first: -1, num: -1})
	}
	return ops
}

// sizeOf returns the least and most bytes a list of ops takes.
func sizeOf(ops []op) (least, most int) {
	for i := range ops {
		a, b := ops[i].sizes()
		least += a
		most = min(most+b, 1<<24)
	}
	return least, most
}

func (o *op) sizes() (least, most int) {
	switch o.kind {
	case opWhen:
		a, b := sizeOf(o.sub)
		x, y := sizeOf(o.alt)
		return min(a, x), max(b, y)
	case opEach:
		a, b := sizeOf(o.sub)
		if o.countN > 0 {
			gap := (o.countN - 1) * len(o.between)
			return a*o.countN + gap, min(b*o.countN+gap, 1<<24)
		}
		return 0, min((b+len(o.between))*MaxChannels, maxLongest)
	case opSpace:
		return o.digits, o.longest
	case opSkip:
		if o.rest {
			return 0, 256
		}
	case opHeader:
		least, most = 1<<20, 0
		for _, w := range o.words {
			least, most = min(least, len(w)), max(most, len(w)+1)
		}
		return least, most
	case opChoice:
		least, most = 1<<20, 0
		for _, ch := range o.choices {
			least, most = min(least, len(ch.lit)), max(most, len(ch.lit))
		}
		for _, s := range o.specials {
			least, most = min(least, len(s.token)), max(most, len(s.token))
		}
		return least, most
	case opText:
		if o.quoted {
			return 2, 2*o.longest + 2
		}
	case opBlock:
		return 3, o.longest + 11
	case opMap:
		if o.countN > 0 {
			return o.countN * o.table.word, o.countN * o.table.word
		}
		return o.table.word, o.longest
	}
	if o.width > 0 || o.kind == opLiteral || o.kind == opSkip {
		return o.width, o.width
	}
	least = 1
	if o.kind == opText {
		least = 0
	}
	for _, s := range o.specials {
		least = min(least, len(s.token))
	}
	return least, o.longest
}

// ranges resolves what checks and lengths cover.
func (c *compiler) ranges(sc *scope, ops []op, group bool) {
	type place struct {
		o     *op
		index int
	}
	byName := map[string]place{}
	var names []string
	var walk func(ops []op, index int)
	walk = func(ops []op, index int) {
		for i := range ops {
			o := &ops[i]
			at := index
			if at < 0 {
				at = i
			}
			if o.spec != nil && !o.spec.isText {
				if _, dup := byName[o.name]; !dup {
					byName[o.name] = place{o, at}
					names = append(names, o.name)
				}
			}
			if o.kind == opWhen {
				walk(o.sub, at)
				walk(o.alt, at)
			}
		}
	}
	walk(ops, -1)
	find := func(ptr *string) (place, bool) {
		p, ok := byName[*ptr]
		if !ok {
			want := "name a field of the same frame or group"
			if near := strict.Nearest(*ptr, names); near != "" {
				want = fmt.Sprintf("did you mean %q?", near)
			}
			c.doc.Errorf(ptr, want, "the range reaches outside the frame: there is no field %q in it", *ptr)
		}
		return p, ok
	}
	slot := func(s *int8) int8 {
		if *s < 0 {
			*s = int8(sc.marks)
			if sc.marks++; sc.marks > maxMarks {
				*s = 0
			}
		}
		return *s
	}
	_, most := sizeOf(ops)
	var resolve func(ops []op, index int)
	resolve = func(ops []op, index int) {
		pendings := 0
		for i := range ops {
			o := &ops[i]
			at := index
			if at < 0 {
				at = i
			}
			switch o.kind {
			case opWhen:
				resolve(o.sub, at)
				resolve(o.alt, at)
			case opLength:
				pendings++
				if o.spec.Length == "rest" {
					if group {
						c.doc.Errorf(&o.spec.Length, "name a field of the group", "the rest of the frame is outside the group")
					}
					continue
				}
				p, ok := find(&o.spec.Length)
				if !ok {
					continue
				}
				if p.index <= at {
					c.doc.Errorf(&o.spec.Length, "name a field that follows", "%q stands before its length", o.spec.Length)
					continue
				}
				o.target = slot(&p.o.markStart)
				o.from, o.to = o.target, slot(&p.o.markEnd)
				p.o.sized = true
			case opCheck:
				pendings++
				from, to := 0, at-1
				for _, e := range []struct {
					ptr  *string
					out  *int8
					byte *int
					idx  *int
					end  bool
				}{{&o.spec.From, &o.from, &o.fromByte, &from, false}, {&o.spec.To, &o.to, &o.toByte, &to, true}} {
					if *e.ptr == "" {
						continue
					}
					if n, err := strconv.Atoi(*e.ptr); err == nil {
						if n < 0 || n >= most {
							c.doc.Errorf(e.ptr, fmt.Sprintf("its bytes are 0 to %d", most-1), "the range reaches outside the frame: there is no byte %d", n)
							continue
						}
						*e.byte = n
						continue
					}
					p, ok := find(e.ptr)
					if !ok {
						continue
					}
					*e.idx = p.index
					if e.end {
						*e.out = slot(&p.o.markEnd)
					} else {
						*e.out = slot(&p.o.markStart)
					}
				}
				if from > to && o.fromByte < 0 && o.toByte < 0 {
					c.doc.Errorf(o.spec, "write from before to", "the check's range is empty")
				} else if from <= at && at <= to && o.fromByte < 0 && o.toByte < 0 {
					c.doc.Errorf(o.spec, "leave the check out of its range", "the check covers itself")
				}
				if o.fromByte >= 0 && o.toByte >= 0 && o.fromByte > o.toByte {
					c.doc.Errorf(o.spec, "write from before to", "the check's range is empty")
				}
				// A numbered range must not reach into the check itself.
				if least, wide := sizeOf(ops[:i]); index < 0 && least == wide && o.toByte >= least && (o.fromByte < least+o.width) {
					c.doc.Errorf(&o.spec.To, fmt.Sprintf("the last byte before it is %d", least-1), "the check covers itself")
				}
			}
		}
		if pendings > maxPending {
			c.doc.Errorf(ops[0].spec, "", "a group has at most %d checks and lengths", maxPending)
		}
	}
	resolve(ops, -1)
	plain := true
	for i := range ops {
		plain = plain && ops[i].kind != opLength && ops[i].kind != opWhen
		if o := &ops[i]; o.kind == opCheck && plain && o.from < 0 && o.to < 0 && o.fromByte < 0 && o.toByte < 0 {
			o.atOnce = true
		}
	}
	eachOp(ops, func(o *op) { o.marked = o.markStart >= 0 || o.markEnd >= 0 })
	eachOp(ops, func(o *op) {
		if o.kind != opWhen {
			return
		}
		o.inner = nil
		for _, part := range [2][]op{o.sub, o.alt} {
			eachOp(part, func(p *op) {
				if p.marked {
					o.inner = append(o.inner, p.markStart, p.markEnd)
				}
			})
		}
	})
	if sc.marks > maxMarks {
		c.doc.Errorf(ops[0].spec, "", "a frame's checks and lengths name at most %d places", maxMarks)
	}
}

func (c *compiler) mapField(sc *scope, f *fieldSpec, o *op) {
	for _, m := range c.d.maps {
		if m.name == f.Map {
			o.table = m
		}
	}
	if o.table == nil {
		c.doc.Errorf(&f.Map, "name one of the tables under maps", "there is no table %q", f.Map)
		o.table = &regMap{word: 2}
	}
	o.longest = f.Longest
	if o.longest == 0 {
		o.longest = 250
	}
	if f.First == "" {
		c.doc.Errorf(f, "write first: and the term that carries the address", "which registers is not said")
		return
	}
	o.first = c.term(f.First)
	c.kinds[o.first] = Number
	switch n, err := strconv.Atoi(f.Count); {
	case f.Count == "":
		c.doc.Errorf(f, "write count: and a number or a term", "how many registers is not said")
	case err == nil && n > 0 && n < 1000:
		o.countN = n
	case err == nil:
		c.doc.Errorf(&f.Count, "", "%d is not a number of registers", n)
	default:
		o.num = c.term(f.Count)
		c.kinds[o.num] = Number
	}
}

func (c *compiler) maps() {
	count := 0
	for i := range c.spec.Maps {
		s := &c.spec.Maps[i]
		m := &regMap{name: s.Name, word: s.Word}
		if !c.doc.Has(&s.Word) {
			m.word = 2
		}
		if m.word < 1 || m.word > 8 {
			c.doc.Errorf(&s.Word, "write 1 to 8", "a register has 1 to 8 bytes, not %d", m.word)
			m.word = 2
		}
		m.zero = c.pick(&s.Gaps, "refuse", "refuse", "zero") == "zero"
		for j := range s.Entries {
			l := &s.Entries[j]
			if l.Holds == nil {
				continue
			}
			sc := &scope{frame: &frame{}, seen: map[Term]bool{}, count: &count}
			ops := []op{c.field(sc, l.Holds)}
			least, most := sizeOf(ops)
			if least != most || least == 0 || least%m.word != 0 || least > 64 {
				c.doc.Errorf(l.Holds, fmt.Sprintf("give it a size that is a multiple of %d bytes, 64 at most", m.word), "%s does not fill whole registers", ops[0].name)
				continue
			}
			if l.At < 0 || l.At > 1<<20 {
				c.doc.Errorf(&l.At, "", "%d is not a register's address", l.At)
				continue
			}
			n := max(l.Count, 1)
			if n > MaxChannels {
				c.doc.Errorf(&l.Count, "", "%d is not a number of channels", n)
				continue
			}
			stride := l.Stride
			if stride == 0 {
				stride = least / m.word
			}
			if n > 1 && stride < least/m.word {
				c.doc.Errorf(&l.Stride, fmt.Sprintf("the value takes %d registers", least/m.word), "the channels overlap")
				continue
			}
			first := max(l.Chan, 1) - 1
			for k := range n {
				m.lines = append(m.lines, regLine{at: l.At + k*stride, n: least / m.word, field: ops, ch: first + k, write: l.Write, does: l.Does, whole: l.Chan == 0 && l.Count == 0})
			}
			for k := range m.lines[:len(m.lines)-n] {
				o := &m.lines[k]
				for _, p := range m.lines[len(m.lines)-n:] {
					if p.at < o.at+o.n && o.at < p.at+p.n {
						c.doc.Errorf(&l.At, "", "register %d overlaps %s at %d", p.at, o.field[0].name, o.at)
						break
					}
				}
			}
		}
		sort.Slice(m.lines, func(a, b int) bool { return m.lines[a].at < m.lines[b].at })
		c.d.maps = append(c.d.maps, m)
	}
}

func (c *compiler) duration(ptr *string) time.Duration {
	if *ptr == "" {
		return 0
	}
	num, unit, _ := strings.Cut(*ptr, " ")
	per := map[string]time.Duration{"s": time.Second, "ms": time.Millisecond, "us": time.Microsecond, "µs": time.Microsecond}[strings.TrimSpace(unit)]
	v, err := decimal.Parse(num)
	if err == nil && per > 0 && v.Sign() > 0 {
		if n, ok := v.Mul(decimal.New(int64(per), 0)).Int64(); ok && n < int64(24*time.Hour) {
			return time.Duration(n)
		}
	}
	c.doc.Errorf(ptr, "write a number and its unit, such as 500 ms", "%q is no time", *ptr)
	return time.Second
}

// index makes the table by which a choice of fixed width is read.
func (o *op) index() {
	o.byByte, o.byFew, o.byLit = nil, nil, nil
	n := len(o.choices)
	switch {
	case o.quoted || n > 100 || o.width == 0:
	case o.width == 1:
		o.byByte = new([256]int8)
		for i := range o.byByte {
			o.byByte[i] = -1
		}
		for i, ch := range o.choices {
			if !ch.alias {
				o.byByte[ch.lit[0]] = int8(i)
			}
		}
	case o.width <= 4 && n <= 8:
		for _, ch := range o.choices {
			o.byFew = append(o.byFew, packFew(ch.lit))
		}
	default:
		var lits []string
		for _, ch := range o.choices {
			if !ch.alias { // the last ones
				lits = append(lits, string(ch.lit))
			}
		}
		o.byLit = newTextIndex(lits)
	}
}

// fuse joins choices of fixed width with the literals that follow them, so
// that a frame takes fewer steps. What it reads and writes is the same; where
// a frame is wrong, the steps as they stand in the file say what is wrong.
func fuse(ops []op) []op {
	out := make([]op, 0, len(ops))
	for i := range ops {
		o := ops[i]
		o.sub, o.alt = fuse(o.sub), fuse(o.alt)
		if n := len(out); n > 0 && o.kind == opLiteral && o.term < 0 && !o.marked && !o.anyCase && o.width <= 3 {
			if p := &out[n-1]; p.kind == opChoice && !p.marked && p.width > 0 && !p.quoted && p.derive == nil && len(p.specials) == 0 {
				p.choices = append([]choice(nil), p.choices...)
				for k := range p.choices {
					lit := p.choices[k].lit
					p.choices[k].lit = append(lit[:len(lit):len(lit)], o.lit...)
				}
				p.width += o.width
				p.index()
				continue
			}
		}
		out = append(out, o)
	}
	return out
}
