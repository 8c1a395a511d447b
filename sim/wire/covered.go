package wire

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"

	"example.org/understudy/sim/strict"
)

// covered is a field computed from other bytes of its frame or group: a check
// over a range of them, or the length of one.
type covered struct {
	numeral
	node             *node
	check            *checker // nil: a length
	from, to         int8     // marks; −1 is the start of the group, or the field itself
	fromByte, toByte int      // a byte range, when not −1
	plus             int      // of a length
}

type checkSpec struct {
	Check string `yaml:"check" need:"yes" doc:"a check value over part of the frame: its name, or crc with parameters"`
	common
	Size int `yaml:"size" range:"1 8" doc:"bytes of a plain sum (default: 1)"`
	numeralKeys
	From string   `yaml:"from" doc:"the first field covered, or a byte number; the frame's first unless given"`
	To   string   `yaml:"to" doc:"the last field covered, or a byte number; the one before unless given"`
	CRC  *crcSpec `yaml:"crc" doc:"parameters of check: crc"`
}

type crcSpec struct {
	Width      int    `yaml:"width" need:"yes" range:"1 64" doc:"bits, 1 to 64"`
	Poly       uint64 `yaml:"poly" need:"yes" doc:"polynomial, most significant bit first, such as 0x8005"`
	Init       uint64 `yaml:"init" doc:"initial value"`
	ReflectIn  bool   `yaml:"reflect-in" doc:"each byte goes in least significant bit first"`
	ReflectOut bool   `yaml:"reflect-out" doc:"the register is reflected at the end"`
	XorOut     uint64 `yaml:"xor-out" doc:"combined with the result (exclusive or)"`
}

func newCovered() *covered {
	return &covered{from: -1, to: -1, fromByte: -1, toByte: -1}
}

func (s *checkSpec) compile(c *compiler, _ *scope, n *node) {
	var custom *CRC
	if p := s.CRC; p != nil {
		custom = &CRC{p.Width, p.Poly, p.Init, p.XorOut, p.ReflectIn, p.ReflectOut}
		if p.Width < 64 && (p.Poly>>p.Width != 0 || p.Init>>p.Width != 0 || p.XorOut>>p.Width != 0) {
			c.doc.Errorf(&p.Poly, "leave out the polynomial's leading one", "a parameter does not fit in %d bits", p.Width)
		}
	}
	f := newCovered()
	var err error
	if f.check, err = newChecker(s.Check, cmp.Or(s.Size, 1), custom); err != nil {
		c.doc.Errorf(&s.Check, strict.Suggest(s.Check, CheckNames(), "write one of "+strings.Join(CheckNames(), ", ")), "%v", err)
		f.check, _ = newChecker("xor", 1, nil)
	}
	digits := (f.check.bits + 3) / 4
	if s.Form == inDigits {
		digits = len(strconv.FormatUint(^uint64(0)>>(64-f.check.bits), 10))
	}
	f.numeral = c.numeral(&s.numeralKeys, (f.check.bits+7)/8, digits)
	n.field = f
}

type lengthSpec struct {
	Length string `yaml:"length" need:"yes" doc:"how many bytes the named field or group has; the rest, of the frame"`
	common
	Size  int `yaml:"size" range:"1 8" doc:"its bytes, in binary form"`
	Width int `yaml:"width" range:"1 8" doc:"its digits, in the other forms"`
	numeralKeys
	Plus int `yaml:"plus" doc:"what it counts beyond the bytes"`
}

func (s *lengthSpec) compile(c *compiler, _ *scope, n *node) {
	f := newCovered()
	f.plus = s.Plus
	f.numeral = c.numeral(&s.numeralKeys, s.Size, s.Width)
	if f.width < 1 {
		c.doc.Errorf(n.spec, "write size (bytes) or width (digits), 1 to 8", "the length has no size")
		f.width = 1
	}
	n.name, n.field = "length", f
}

// encode leaves room for what is filled in when the group is whole.
func (f *covered) encode(e *encoder, dst []byte) ([]byte, string) {
	if e.nwait == maxPending {
		return dst, whyPending
	}
	e.wait[e.nwait] = pending{f, len(dst), e.group, e.ch}
	e.nwait++
	return appendFill(dst, 0, f.width), ""
}

// decode notes what is verified when the group is whole.
func (f *covered) decode(d *decoder) string {
	start := d.pos
	raw := d.take(f.width)
	switch {
	case raw == nil:
		return whyEnd
	case d.nwait == maxPending:
		return whyPending
	case f.check == nil:
		if why := f.announce(d, raw); why != "" {
			return why
		}
	}
	d.wait[d.nwait] = pending{f, start, d.group, d.ch}
	d.nwait++
	return ""
}

func (f *covered) shows(_ *Record, _ int, raw []byte) string {
	if f.check == nil {
		u, _ := f.read(raw)
		return fmt.Sprint(u)
	}
	if f.form == inBytes {
		return fmt.Sprintf("%X", raw)
	}
	return string(raw)
}

// span returns the bytes that are covered.
func (f *covered) span(w *pending, marks *[maxMarks]mark, end int) (from, to int) {
	switch {
	case f.check == nil && f.to < 0:
		return w.at + f.width, end
	case f.fromByte >= 0:
		from = w.group + f.fromByte
	case f.from >= 0:
		from = marks[f.from].start
	default:
		from = w.group
	}
	switch {
	case f.toByte >= 0:
		to = w.group + f.toByte + 1
	case f.to >= 0:
		to = marks[f.to].end
	default:
		to = w.at
	}
	return from, to
}

// fill writes the value into its place.
func (f *covered) fill(dst []byte, w *pending, marks *[maxMarks]mark) string {
	from, to := f.span(w, marks, len(dst))
	if from > to || to > len(dst) {
		return whyCovers
	}
	n := to - from + f.plus
	u := uint64(n)
	switch {
	case f.check != nil:
		u = f.check.sum(dst[from:to])
	case n < 0:
		return whyLength
	}
	_, why := f.append(dst[w.at:w.at], u)
	return why
}

// count returns the bytes that a length says.
func (f *covered) count(raw []byte) (int64, bool) {
	u, ok := f.read(raw)
	return int64(u) - int64(f.plus), ok && u < 1<<31
}

// announce notes what a length says of the bytes that follow.
func (f *covered) announce(d *decoder, raw []byte) string {
	n, ok := f.count(raw)
	switch {
	case !ok:
		return whyNumber
	case n < 0 || n > int64(d.end-d.pos+f.width) || f.to < 0 && int(n) != d.end-d.pos:
		return whyLength
	case f.to >= 0:
		d.marks[f.to].size = int(n)
	}
	return ""
}

// matches compares a check as it stands with the one computed.
func (f *covered) matches(raw, over []byte) bool {
	u, ok := f.read(raw)
	return ok && u == f.check.sum(over)
}

// cover resolves what the checks and lengths of a list of fields cover, and
// finishes what needs to know its neighbours.
func (c *compiler) cover(sc *scope, nodes []node, group bool) {
	r := coverage{c: c, sc: sc, top: nodes, group: group, byName: map[string]place{}}
	r.collect(nodes, -1)
	r.resolve(nodes, -1)
	eachNode(nodes, func(n *node) {
		w, ok := n.field.(*when)
		if !ok {
			return
		}
		w.marks = nil
		for _, part := range w.children() {
			eachNode(part, func(p *node) {
				if p.mark >= 0 {
					w.marks = append(w.marks, p.mark)
				}
			})
		}
	})
	for i := range nodes {
		f, ok := nodes[i].field.(*coded)
		if !ok {
			continue
		}
		least, most := sizeOf(nodes[i+1:])
		_, escapes := f.code.(*stuffing)
		if f.tail = least; least != most && (f.fixed < 0 || escapes) {
			c.doc.Errorf(nodes[i].spec, "give what follows it a fixed length, or the coded fields", "where the coded part ends cannot be told")
		}
	}
	if sc.marks > maxMarks && len(nodes) > 0 {
		c.doc.Errorf(nodes[0].spec, "", "a frame's checks and lengths name at most %d places", maxMarks)
	}
}

// coverage finds fields by name among a frame's or group's own.
type coverage struct {
	c      *compiler
	sc     *scope
	top    []node
	group  bool
	byName map[string]place
	names  []string
}

type place struct {
	n     *node
	index int // among the frame's or group's own fields
}

func (r *coverage) collect(nodes []node, index int) {
	for i := range nodes {
		n, at := &nodes[i], index
		if at < 0 {
			at = i
		}
		if _, dup := r.byName[n.name]; !dup && n.spec != nil && n.spec.is != nil {
			r.byName[n.name] = place{n, at}
			r.names = append(r.names, n.name)
		}
		if w, ok := n.field.(*when); ok {
			r.collect(w.then, at)
			r.collect(w.alt, at)
		}
	}
}

func (r *coverage) find(ptr *string) (place, bool) {
	p, ok := r.byName[*ptr]
	if !ok {
		r.c.doc.Errorf(ptr, strict.Suggest(*ptr, r.names, "name a field of the same frame or group"), "the range reaches outside the frame: there is no field %q in it", *ptr)
	}
	return p, ok
}

// mark has the place of a field noted.
func (r *coverage) mark(n *node) int8 {
	if n.mark < 0 {
		n.mark = int8(min(r.sc.marks, maxMarks-1))
		r.sc.marks++
	}
	return n.mark
}

func (r *coverage) resolve(nodes []node, index int) {
	pendings := 0
	for i := range nodes {
		n, at := &nodes[i], index
		if at < 0 {
			at = i
		}
		switch f := n.field.(type) {
		case *when:
			r.resolve(f.then, at)
			r.resolve(f.alt, at)
		case *covered:
			f.node = n
			pendings++
			if s, ok := n.spec.is.(*lengthSpec); ok {
				r.length(s, f, at)
			} else {
				r.check(n.spec.is.(*checkSpec), n, f, at, index < 0)
			}
		}
	}
	if pendings > maxPending {
		r.c.doc.Errorf(nodes[0].spec, "", "a group has at most %d checks and lengths", maxPending)
	}
}

func (r *coverage) length(s *lengthSpec, f *covered, at int) {
	if s.Length == "rest" {
		if r.group {
			r.c.doc.Errorf(&s.Length, "name a field of the group", "the rest of the frame is outside the group")
		}
		return
	}
	p, ok := r.find(&s.Length)
	if !ok {
		return
	}
	if p.index <= at {
		r.c.doc.Errorf(&s.Length, "name a field that follows", "%q stands before its length", s.Length)
		return
	}
	f.from = r.mark(p.n)
	f.to = f.from
	p.n.sized = true
	if m, ok := p.n.field.(*registers); ok {
		m.sized = true
	}
}

func (r *coverage) check(s *checkSpec, n *node, f *covered, at int, own bool) {
	_, most := sizeOf(r.top)
	from, to := 0, at-1
	end := func(ptr *string, byteAt, index *int) *place {
		if *ptr == "" {
			return nil
		}
		if k, err := strconv.Atoi(*ptr); err == nil {
			if k < 0 || k >= most {
				r.c.doc.Errorf(ptr, fmt.Sprintf("its bytes are 0 to %d", most-1), "the range reaches outside the frame: there is no byte %d", k)
				return nil
			}
			*byteAt = k
			return nil
		}
		p, ok := r.find(ptr)
		if !ok {
			return nil
		}
		*index = p.index
		return &p
	}
	if p := end(&s.From, &f.fromByte, &from); p != nil {
		f.from = r.mark(p.n)
	}
	if p := end(&s.To, &f.toByte, &to); p != nil {
		f.to = r.mark(p.n)
	}
	named := f.fromByte < 0 && f.toByte < 0
	switch {
	case named && from > to, f.fromByte >= 0 && f.toByte >= 0 && f.fromByte > f.toByte:
		r.c.doc.Errorf(n.spec, "write from before to", "the check's range is empty")
	case named && from <= at && at <= to:
		r.c.doc.Errorf(n.spec, "leave the check out of its range", "the check covers itself")
	}
	// A numbered range must not reach into the check itself.
	if least, wide := sizeOf(r.top[:at]); own && least == wide && f.toByte >= least && f.fromByte < least+f.width {
		r.c.doc.Errorf(&s.To, fmt.Sprintf("the last byte before it is %d", least-1), "the check covers itself")
	}
}
