package wire

import (
	"bytes"
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
	Count   string      `yaml:"count" doc:"how many: a number, a number that stands earlier, or rest: as many as there are"`
	Between string      `yaml:"between" doc:"what stands between two groups"`
	Fields  []fieldSpec `yaml:"fields" doc:"the fields of the group"`
}

func (s *eachSpec) says() *string { return &s.Each }

func (s *eachSpec) compile(c *compiler, sc *scope, n *node) {
	if sc.each {
		c.doc.Errorf(n.spec, "", "a group of channels cannot stand in another")
		return
	}
	f := &each{between: c.bytesOf(&s.Between), by: -1, spacer: newNode("between", &literal{})}
	switch k, err := strconv.Atoi(s.Count); {
	case s.Count == "":
		c.doc.Errorf(n.spec, "write count: 4, count: channels or count: rest", "how many groups there are is not said")
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
	if len(s.Fields) == 0 {
		c.doc.Errorf(n.spec, "", "the group has no fields")
		return
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

func (f *each) sizes() (least, most int) {
	least, most = sizeOf(f.nodes)
	if f.count > 0 {
		gaps := (f.count - 1) * len(f.between)
		return least*f.count + gaps, min(most*f.count+gaps, 1<<24)
	}
	return 0, min((most+len(f.between))*MaxChannels, maxLongest)
}

func (f *each) shape(a *nfa, from int) int {
	if f.count > 0 && f.count <= 16 {
		for i := range f.count {
			if i > 0 {
				from = a.literal(from, f.between, false)
			}
			from = a.fields(f.nodes, from)
		}
		return from
	}
	head, end := a.state(), a.state()
	a.jump(from, head)
	last := a.fields(f.nodes, head)
	a.jump(a.literal(last, f.between, false), head)
	a.jump(last, end)
	a.jump(from, end)
	return end
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
	Fields []fieldSpec `yaml:"fields" doc:"the fields when it holds"`
	Else   []fieldSpec `yaml:"else" doc:"the fields when it does not"`
}

func (s *whenSpec) says() *string { return &s.When }

func (s *whenSpec) compile(c *compiler, sc *scope, n *node) {
	if len(s.Fields) == 0 {
		c.doc.Errorf(n.spec, "", "the condition has no fields")
		return
	}
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
	e, err := newExpression(s.When, c.finder(func(t Term) bool { return sc.seen[t] }, "does not stand earlier in the frame, and who reads it cannot know it"), true)
	if err != nil {
		c.doc.Errorf(&s.When, "", "%v", err)
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
			if *s.says() == term {
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
		e.marks[m] = len(dst)
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
		d.marks[m], d.sizes[m] = d.pos, -1
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

func (f *when) sizes() (least, most int) {
	a, b := sizeOf(f.then)
	x, y := sizeOf(f.alt)
	return min(a, x), max(b, y)
}

func (f *when) shape(a *nfa, from int) int {
	end := a.state()
	a.jump(a.fields(f.then, from), end)
	a.jump(a.fields(f.alt, from), end)
	return end
}

// coded is fields whose bytes are sent in another code.
type coded struct {
	nodes []node
	code  code
	tail  int // bytes that follow in the frame, where the group has no fixed length
	fixed int // bytes of the group before coding; −1: not fixed
}

type codedSpec struct {
	Coded string `yaml:"coded" need:"yes" doc:"fields whose bytes are sent in a code: hex (two digits a byte), escape, or seven-bit (eight bits spread over bytes of seven)"`
	common
	Escape  string      `yaml:"escape" doc:"of code escape: the byte that announces a coded one"`
	Xor     int         `yaml:"xor" doc:"of code escape: what a coded byte is combined with (exclusive or)"`
	Escapes string      `yaml:"escapes" doc:"of code escape: the bytes that are coded, besides the escape itself"`
	Fields  []fieldSpec `yaml:"fields" doc:"the fields"`
}

func (s *codedSpec) says() *string { return &s.Coded }

func (s *codedSpec) compile(c *compiler, sc *scope, n *node) {
	f := &coded{fixed: -1}
	switch c.pick(&s.Coded, "hex", "hex", "escape", "seven-bit") {
	case "hex":
		f.code = hexCode{}
	case "seven-bit":
		f.code = sevenBit{}
	default:
		f.code = c.stuffing(s, &s.Escape, &s.Xor, c.bytesOf(&s.Escapes))
	}
	if len(s.Fields) == 0 {
		c.doc.Errorf(n.spec, "", "the code has no fields")
		return
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

func (f *coded) sizes() (least, most int) {
	least, most = sizeOf(f.nodes)
	if _, escapes := f.code.(*stuffing); escapes {
		return least, 2 * most
	}
	return f.code.size(least), f.code.size(most)
}

func (f *coded) shape(a *nfa, from int) int {
	least, most := f.sizes()
	if least == most {
		return a.repeat(from, f.code.set(), least)
	}
	return a.loop(from, f.code.set())
}

// code is a way to send bytes as others.
type code interface {
	encode(dst []byte, from int) []byte // of dst[from:], in place
	decode(out, coded []byte) ([]byte, string)
	size(n int) int            // of n bytes, coded
	set() byteSet              // bytes that it may send
	places(coded []byte) []int // where each byte stands in the coded ones, and their end
}

type hexCode struct{}

func (hexCode) encode(dst []byte, from int) []byte {
	n := len(dst) - from
	dst = appendFill(dst, 0, n)
	for i := n - 1; i >= 0; i-- {
		b := dst[from+i]
		appendHex(dst[from+2*i:from+2*i], uint64(b), 2, false)
	}
	return dst
}

func (hexCode) decode(out, coded []byte) ([]byte, string) {
	if len(coded)%2 != 0 {
		return out, "has an odd number of hexadecimal digits"
	}
	for i := 0; i < len(coded); i += 2 {
		hi, ok1 := hexDigit(coded[i])
		lo, ok2 := hexDigit(coded[i+1])
		if !ok1 || !ok2 {
			return out, "has a character that is no hexadecimal digit"
		}
		out = append(out, hi<<4|lo)
	}
	return out, ""
}

func (hexCode) size(n int) int { return 2 * n }
func (hexCode) set() byteSet   { return hexSet() }

func (hexCode) places(coded []byte) (at []int) {
	for i := 0; i <= len(coded); i += 2 {
		at = append(at, i)
	}
	return at
}

// sevenBit sends eight-bit bytes as a stream of bits in bytes of seven, the
// most significant first; what is left of the last byte is zero.
type sevenBit struct{}

func (sevenBit) encode(dst []byte, from int) []byte {
	plain := len(dst)
	var hold uint
	bits := 0
	for i := from; i < plain; i++ {
		hold, bits = hold<<8|uint(dst[i]), bits+8
		for bits >= 7 {
			bits -= 7
			dst = append(dst, byte(hold>>bits&0x7f))
		}
	}
	if bits > 0 {
		dst = append(dst, byte(hold<<(7-bits)&0x7f))
	}
	return append(dst[:from], dst[plain:]...)
}

func (sevenBit) decode(out, coded []byte) ([]byte, string) {
	var hold uint
	bits := 0
	for _, b := range coded {
		if b > 0x7f {
			return out, "has a byte with its top bit set"
		}
		if hold, bits = hold<<7|uint(b), bits+7; bits >= 8 {
			bits -= 8
			out = append(out, byte(hold>>bits))
		}
	}
	if hold&(1<<bits-1) != 0 {
		return out, "has bits behind its last byte"
	}
	return out, ""
}

func (sevenBit) size(n int) int { return (8*n + 6) / 7 }
func (sevenBit) set() byteSet   { return byteRange(0, 0x7f) }

func (sevenBit) places(coded []byte) (at []int) {
	for i := 0; i <= 7*len(coded)/8; i++ {
		at = append(at, min((8*i+6)/7, len(coded)))
	}
	return at
}

// stuffing sends an escape before bytes that mean something, and something else
// in their place. It is the framing's and the group's.
type stuffing struct {
	escape byte
	xor    byte
	swap   [][2]byte // SLIP: byte and what stands for it
	double bool      // the byte is sent twice
	marks  byteSet   // the bytes that are stuffed
}

func (s *stuffing) stand(b byte) byte {
	for _, p := range s.swap {
		if p[0] == b {
			return p[1]
		}
	}
	if s.double {
		return b
	}
	return b ^ s.xor
}

func (s *stuffing) encode(dst []byte, from int) []byte {
	extra := 0
	for _, b := range dst[from:] {
		if s.marks.has(b) {
			extra++
		}
	}
	r := len(dst) - 1
	dst = appendFill(dst, 0, extra)
	for w := len(dst) - 1; w > r; r-- { // from behind, until nothing has to move
		b := dst[r]
		if s.marks.has(b) {
			dst[w] = s.stand(b)
			b, w = s.escape, w-1
		}
		dst[w] = b
		w--
	}
	return dst
}

func (s *stuffing) decode(out, coded []byte) ([]byte, string) {
	const why = "has an escape that stands for nothing"
	for i := 0; i < len(coded); i++ {
		b := coded[i]
		if b != s.escape {
			out = append(out, b)
			continue
		}
		if i++; i == len(coded) {
			return out, why
		}
		plain, found := coded[i]^s.xor, len(s.swap) == 0 && !s.double
		for _, p := range s.swap {
			if p[1] == coded[i] {
				plain, found = p[0], true
			}
		}
		if s.double && coded[i] == s.escape {
			plain, found = s.escape, true
		}
		if !found {
			return out, why
		}
		out = append(out, plain)
	}
	return out, ""
}

func (s *stuffing) size(n int) int { return 2 * n }
func (s *stuffing) set() byteSet   { return anyByte() }

func (s *stuffing) places(coded []byte) (at []int) {
	for i := 0; i < len(coded); i++ {
		at = append(at, i)
		if coded[i] == s.escape {
			i++
		}
	}
	return append(at, len(coded))
}

// cobsCode is consistent overhead byte stuffing, without the zero that ends the
// frame.
type cobsCode struct{}

func (cobsCode) encode(dst []byte, from int) []byte {
	n := len(dst) - from
	dst = append(dst, dst[from:]...) // the source moves behind, with room for the code
	dst = appendFill(dst, 0, n/254+2)
	src := dst[len(dst)-n:]
	copy(src, dst[from:from+n])
	out := append(dst[:from], 0)
	code, run := from, byte(1)
	for i, b := range src {
		if b != 0 {
			out = append(out, b)
			run++
		}
		if b == 0 || run == 0xff && i < len(src)-1 {
			out[code] = run
			code, run = len(out), 1
			out = append(out, 0)
		}
	}
	out[code] = run
	return out
}

func (cobsCode) decode(out, coded []byte) ([]byte, string) {
	for len(coded) > 0 {
		run := int(coded[0])
		if run == 0 || run > len(coded) || bytes.IndexByte(coded[1:run], 0) >= 0 {
			return out, "is not coded as COBS"
		}
		out = append(out, coded[1:run]...)
		coded = coded[run:]
		if run < 0xff && len(coded) > 0 {
			out = append(out, 0)
		}
	}
	return out, ""
}

func (cobsCode) size(n int) int { return n + n/254 + 1 }
func (cobsCode) set() byteSet   { return anyByte() }

func (cobsCode) places(coded []byte) (at []int) {
	for i, last := 0, 0xff; i < len(coded); {
		run := int(coded[i])
		if last != 0xff {
			at = append(at, i) // the code byte stands for a zero
		}
		for k := 1; k < run; k++ {
			at = append(at, i+k)
		}
		i, last = i+run, run
	}
	return append(at, len(coded))
}
