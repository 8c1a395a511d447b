package wire

import (
	"bytes"
	"fmt"
)

// Why writing or reading failed.
const (
	whyLiteral  = "is not what stands here"
	whyChoice   = "is none of the listed values"
	whyMore     = "bytes are left over"
	whyText     = "has a character that cannot stand here"
	whyCheck    = "does not match"
	whyLength   = "is not the length that follows"
	whyGroups   = "does not match the number of groups"
	whyAbsent   = "has no value"
	whyKind     = "is not a value of this kind"
	whyDecimals = "has more decimals than the field"
	whyWidth    = "does not fit in the field"
	whyNegative = "is negative and the field has no sign"
	whyNumber   = "is not a number"
	whyRange    = "is outside the field's range"
	whyCount    = "is not a whole number of counts"
	whyEnd      = "the frame ends too early"
	whyPending  = "is one check too many"
	whyCovers   = "covers bytes that are not in the frame"
)

const (
	maxMarks   = 16 // ranges one frame may name
	maxPending = 8  // checks and lengths in one group
)

// failure is where a frame could not be written or read, and why.
type failure struct {
	node *node
	pos  int
	why  string
	ch   int
}

// describe words a failure for a person.
func (f failure) describe(frame string) error {
	if f.node == nil {
		return fmt.Errorf("%s: %s", frame, f.why)
	}
	if l, ok := f.node.field.(*literal); ok && l.is.Kind == Absent && f.why == whyLiteral {
		return fmt.Errorf("%s, byte %d: %q is wanted here", frame, f.pos, l.lit)
	}
	return fmt.Errorf("%s, byte %d: %s %s", frame, f.pos, f.node.name, f.why)
}

// mark is the place of a field that a check or a length names.
type mark struct {
	start, end int
	size       int // that a length has announced; −1: none
}

// pending is a check or length that is filled in, or verified, when its group
// is whole.
type pending struct {
	of    *covered
	at    int
	group int // where the group starts
	ch    int
}

// encoder writes one frame's body. It belongs to a record, so that it need not
// be made for each frame.
type encoder struct {
	rec   *Record
	ch    int
	group int // where the innermost group starts
	marks [maxMarks]mark
	wait  [maxPending]pending
	nwait int
	fail  failure
	err   error // of an expression

	voidBits []voidBit // of the frame
}

func (e *encoder) begin(rec *Record, at, ch int) {
	e.rec, e.ch, e.group, e.nwait, e.err = rec, ch, at, 0, nil
}

func (e *encoder) run(dst []byte, nodes []node) (_ []byte, ok bool) {
	var why string
	for i := range nodes {
		n := &nodes[i]
		if n.mark >= 0 {
			e.marks[n.mark].start = len(dst)
		}
		if dst, why = n.encode(e, dst); why != "" {
			if why != whyInside {
				e.fail = failure{node: n, why: why, ch: e.ch}
			}
			return dst, false
		}
		if n.mark >= 0 {
			e.marks[n.mark].end = len(dst)
		}
	}
	return dst, true
}

// whyInside says that a field of a group failed and has said why.
const whyInside = "inside"

// inGroup writes the fields of a group, whose checks and lengths see only it.
func (e *encoder) inGroup(dst []byte, nodes []node) ([]byte, string) {
	first, group := e.nwait, e.group
	e.group = len(dst)
	dst, ok := e.run(dst, nodes)
	if !ok || !e.resolve(dst, first) {
		return dst, whyInside
	}
	e.group = group
	return dst, ""
}

// resolve fills in the lengths and then the checks of a finished group.
func (e *encoder) resolve(dst []byte, first int) bool {
	for pass := range 2 {
		for i := first; i < e.nwait; i++ {
			w := &e.wait[i]
			if c := w.of; (c.check != nil) == (pass == 1) {
				if why := c.fill(dst, w, &e.marks); why != "" {
					e.fail = failure{node: c.node, why: why, ch: w.ch}
					return false
				}
			}
		}
	}
	e.nwait = first
	return true
}

// decoder reads one frame's body. It belongs to a record, as the encoder does.
type decoder struct {
	rec     *Record
	buf     []byte
	pos     int
	end     int
	ch      int
	group   int
	marks   [maxMarks]mark
	wait    [maxPending]pending
	nwait   int
	fail    failure
	bad     failure // a check that did not match
	best    failure // of the frame that came furthest
	scratch []byte  // what a coded group decodes to
	note    func(n *node, start, end, ch int, why string)
	ask     *Record // what the host asked, for a register block

	bestFrame int // −1: none was tried
}

// begin makes the decoder ready for one body.
func (d *decoder) begin(rec *Record, body []byte, ask *Record) {
	d.rec, d.buf, d.pos, d.end, d.ch, d.group, d.nwait, d.ask = rec, body, 0, len(body), 0, 0, 0, ask
	d.fail, d.bad.node, d.scratch = failure{}, nil, d.scratch[:0]
}

// stop notes a failure; of several, the one that came furthest.
func (d *decoder) stop(n *node, pos int, why string) bool {
	if why != whyInside && (d.fail.why == "" || pos >= d.fail.pos) {
		d.fail = failure{node: n, pos: pos, why: why, ch: d.ch}
	}
	return false
}

func (d *decoder) run(nodes []node) bool {
	for i := range nodes {
		n := &nodes[i]
		start := d.pos
		var why string
		if n.mark < 0 {
			why = n.decode(d)
		} else {
			why = d.placed(n)
		}
		if d.note != nil {
			if _, group := n.field.(parent); !group {
				d.note(n, start, d.pos, d.ch, why)
			}
		}
		if why != "" {
			return d.stop(n, start, why)
		}
	}
	return true
}

// placed reads a field whose place a check or a length names.
func (d *decoder) placed(n *node) (why string) {
	m, outer := &d.marks[n.mark], d.end
	m.start = d.pos
	announced := n.sized && m.size >= 0
	if announced {
		if m.size > d.end-d.pos {
			return whyEnd
		}
		d.end = d.pos + m.size
	}
	if why = n.decode(d); why == "" && announced && d.pos != d.end {
		why = whyLength
	}
	d.end, m.end = outer, d.pos
	return why
}

// inGroup reads the fields of a group, whose checks and lengths see only it.
func (d *decoder) inGroup(nodes []node) bool {
	first, group := d.nwait, d.group
	d.group = d.pos
	if !d.run(nodes) || !d.resolve(first) {
		return false
	}
	d.group = group
	return true
}

// resolve verifies the lengths and checks of a finished group.
func (d *decoder) resolve(first int) bool {
	for i := first; i < d.nwait; i++ {
		w := &d.wait[i]
		c := w.of
		raw := d.buf[w.at : w.at+c.width]
		from, to := c.span(w, &d.marks, d.pos)
		switch {
		case from > to || to > d.pos:
			return d.stop(c.node, w.at, whyCovers)
		case c.check == nil:
			if n, _ := c.count(raw); n != int64(to-from) {
				return d.stop(c.node, w.at, whyLength)
			}
		case !c.matches(raw, d.buf[from:to]) && d.bad.node == nil:
			d.bad = failure{node: c.node, pos: w.at, why: whyCheck, ch: w.ch}
		}
	}
	d.nwait = first
	return true
}

// take returns the next n bytes, or nil when the frame ends before them.
func (d *decoder) take(n int) []byte {
	if d.end-d.pos < n {
		return nil
	}
	d.pos += n
	return d.buf[d.pos-n : d.pos : d.pos]
}

// begins says whether the next bytes are these.
func (d *decoder) begins(lit []byte) bool {
	n := len(lit)
	if d.end-d.pos < n || n > 0 && d.buf[d.pos] != lit[0] {
		return false
	}
	return n <= 1 || string(d.buf[d.pos:d.pos+n]) == string(lit)
}

func (d *decoder) beginsFolded(lit []byte) bool {
	return d.end-d.pos >= len(lit) && bytes.EqualFold(d.buf[d.pos:d.pos+len(lit)], lit)
}

// decodeBody reads a body as one of some frames: the first that fits. whole is
// false when one of its checks does not match; rec.dec.bad then says which.
// When none fits, rec.dec.best says why, for the frame that came furthest.
func (d *Dialect) decodeBody(among []int, body []byte, rec, ask *Record) (f Frame, whole bool) {
	dec := &rec.dec
	dec.bestFrame = -1
	for _, i := range among {
		rec.Reset()
		dec.begin(rec, body, ask)
		if d.decodeFrame(dec, i) {
			return Frame(i), dec.bad.node == nil
		}
		if dec.bestFrame < 0 || dec.fail.pos > dec.best.pos {
			dec.bestFrame, dec.best = i, dec.fail
		}
	}
	return NoFrame, false
}

func (d *Dialect) decodeFrame(dec *decoder, i int) bool {
	fr := &d.frames[i]
	for i := range fr.marks {
		dec.marks[i].size = -1
	}
	if !dec.run(fr.nodes) || !dec.resolve(0) {
		return false
	}
	if dec.pos != dec.end {
		return dec.stop(nil, dec.pos, whyMore)
	}
	for _, v := range fr.voidBits {
		for ch := range dec.rec.channels {
			if dec.rec.at(v.bit, ch).True() {
				dec.rec.at(v.value, ch).Kind = Absent
			}
		}
	}
	for _, n := range fr.derived {
		if !dec.verify(n) {
			return false
		}
	}
	return true
}

// verify compares a derived field with what its expression gives.
func (d *decoder) verify(n *node) bool {
	derive := n.field.(*valued).derive
	for ch := range d.rec.channels {
		got := d.rec.Get(n.term, ch)
		if got.Kind == Absent || !derive.known(d.rec, ch) {
			continue // what it is derived from is not in the frame
		}
		want, err := derive.eval(d.rec, ch)
		if err != nil || !want.Same(got) {
			return d.stop(n, d.pos, "is not what it is derived from")
		}
	}
	return true
}

// appendBody writes what stands inside the framing.
func (d *Dialect) appendBody(dst []byte, f Frame, rec *Record) ([]byte, error) {
	return d.appendFields(dst, f, rec, 0)
}

// appendFields writes a body with the values of a channel.
func (d *Dialect) appendFields(dst []byte, f Frame, rec *Record, ch int) ([]byte, error) {
	fr := &d.frames[f]
	if ch > 0 {
		rec.spread(d, ch)
	}
	for _, t := range fr.counts {
		if v := rec.at(t, 0); v.Kind == Absent {
			*v = Int(int64(rec.channels))
		}
	}
	for _, v := range fr.voidBits {
		for ch := range rec.channels {
			*rec.at(v.bit, ch) = Bool(rec.at(v.value, ch).Kind == Absent)
		}
	}
	e := &rec.enc
	e.begin(rec, len(dst), ch)
	e.voidBits = fr.voidBits
	if out, ok := e.run(dst, fr.nodes); ok && e.resolve(out, 0) {
		return out, nil
	}
	where := fmt.Sprintf("dialect %s, frame %s", d.name, fr.name)
	n := e.fail.node
	switch {
	case e.err != nil:
		return dst, fmt.Errorf("%s, field %s: %w", where, n.name, e.err)
	case n.term >= 0 && e.fail.why == whyAbsent:
		return dst, fmt.Errorf("%s: field %s has no value", where, n.name)
	case n.term >= 0:
		return dst, fmt.Errorf("%s, field %s: %s %s", where, n.name, rec.Get(n.term, e.fail.ch), e.fail.why)
	}
	return dst, fmt.Errorf("%s: %s %s", where, n.name, e.fail.why)
}

func appendFill(dst []byte, b byte, n int) []byte {
	for range n {
		dst = append(dst, b)
	}
	return dst
}
