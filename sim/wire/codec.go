package wire

import (
	"bytes"
	"fmt"

	"example.org/understudy/sim/decimal"
)

// Error messages of decoding are constant texts; see number.go.
const (
	whyLiteral = "is not what stands here"
	whyChoice  = "is none of the listed values"
	whyMore    = "bytes are left over"
	whyText    = "has a character that cannot stand here"
	whyCheck   = "does not match"
	whyLength  = "is not the length that follows"
	whyGroups  = "does not match the number of groups"
	whyAbsent  = "has no value"
	whyKind    = "is not a value of this kind"
)

// encoder writes one frame's body. Everything it needs is inside it, so that
// it lives on the stack.
type encoder struct {
	rec   *Record
	ch    int
	group int // where the innermost group starts
	marks [maxMarks]int
	wait  [maxPending]pending // checks and lengths, filled in when the group is whole
	nwait int
	fail  failure
	err   error // of an expression
}

type pending struct {
	op    *op
	at    int
	group int
	ch    int
}

type failure struct {
	op  *op
	pos int
	why string
	ch  int
}

func (e *encoder) stop(o *op, why string) bool {
	e.fail = failure{op: o, why: why, ch: e.ch}
	return false
}

func (e *encoder) run(dst []byte, ops []op) ([]byte, bool) {
	ok := true
	for i := range ops {
		o := &ops[i]
		if o.marked && o.markStart >= 0 {
			e.marks[o.markStart] = len(dst)
		}
		// The common kinds first; the rest is in one.
		switch o.kind {
		case opLiteral:
			dst = appendShort(dst, o.lit)
		case opChoice:
			v := e.rec.at(o.term, e.ch)
			if k := o.pick(v); k >= 0 && o.derive == nil {
				dst = appendShort(dst, o.choices[k].lit)
			} else if dst, ok = e.one(dst, o); !ok {
				return dst, false
			}
		case opDecimal:
			v := e.rec.at(o.term, e.ch)
			if v.Kind == Number && !o.bounded && o.derive == nil {
				var why string
				if dst, why = o.appendDecimal(dst, v.Num); why != "" {
					return dst, e.stop(o, why)
				}
			} else if dst, ok = e.one(dst, o); !ok {
				return dst, false
			}
		case opCheck:
			if o.atOnce {
				dst = o.appendCheck(dst, o.check.sum(dst[e.group:]))
			} else if dst, ok = e.one(dst, o); !ok {
				return dst, false
			}
		case opInt:
			v := e.rec.at(o.term, e.ch)
			if n, fast := o.fast(v); fast {
				dst = appendUint(dst, uint64(n), o.width, o.order)
			} else if dst, ok = e.one(dst, o); !ok {
				return dst, false
			}
		default:
			if dst, ok = e.one(dst, o); !ok {
				return dst, false
			}
		}
		if o.marked && o.markEnd >= 0 {
			e.marks[o.markEnd] = len(dst)
		}
	}
	return dst, true
}

// appendShort appends a few bytes without the price of a call for one.
func appendShort(dst, lit []byte) []byte {
	if len(lit) == 1 {
		return append(dst, lit[0])
	}
	return append(dst, lit...)
}

// pick finds a listed text or a flag among the choices, or −1.
func (o *op) pick(v *Value) int {
	if v.Kind == Flag && o.yesNo {
		if v.Num.IsZero() {
			return o.noAt
		}
		return 1 - o.noAt
	}
	x := o.byText
	if v.Kind != Text || x == nil || v.Text == "" {
		return -1
	}
	k := int(x.slots[x.slot(len(v.Text), v.Text[0], v.Text[len(v.Text)-1])])
	if k >= 0 && o.choices[k].val.Text == v.Text && o.choices[k].val.Kind == Text {
		return k
	}
	return -1
}

// fast returns the count of a plain number that needs no conversion.
func (o *op) fast(v *Value) (int64, bool) {
	if !o.fastInt || o.bounded || o.derive != nil || v.Kind != Number || v.Num.Exponent() != o.scaleExp {
		return 0, false
	}
	n, ok := v.Num.Coefficient()
	shift := 64 - 8*uint(o.width)
	if o.sign == signNone {
		return n, ok && uint64(n)<<shift>>shift == uint64(n)
	}
	return n, ok && n<<shift>>shift == n
}

func (e *encoder) one(dst []byte, o *op) ([]byte, bool) {
	var why string
	switch o.kind {
	case opLiteral:
		return append(dst, o.lit...), true
	case opSkip:
		return appendFill(dst, o.pad, o.width), true
	case opSpace:
		if o.longest > 0 && o.width == 0 && o.digits == 0 {
			return dst, true // any: none is sent
		}
		return append(dst, ' '), true
	case opHeader:
		return append(dst, o.words[0]...), true
	case opEach:
		return e.each(dst, o)
	case opWhen:
		yes, err := o.cond.holds(e.rec, e.ch)
		if err != nil {
			e.err = err
			return dst, e.stop(o, whyAbsent)
		}
		for _, m := range o.inner { // a part that is not there is empty
			if m >= 0 {
				e.marks[m] = len(dst)
			}
		}
		if yes {
			return e.run(dst, o.sub)
		}
		return e.run(dst, o.alt)
	case opCheck, opLength:
		if e.nwait == maxPending {
			return dst, e.stop(o, "is one check too many")
		}
		e.wait[e.nwait] = pending{o, len(dst), e.group, e.ch}
		e.nwait++
		return appendFill(dst, 0, o.width), true
	case opFlags:
		dst, why = e.flags(dst, o)
	case opMap:
		dst, why = o.table.appendRegisters(dst, o, e.rec)
	default:
		v := e.rec.at(o.term, e.ch)
		if o.derive != nil {
			var d Value
			if d, e.err = o.derive.eval(e.rec, e.ch); e.err != nil {
				return dst, e.stop(o, whyAbsent)
			}
			*v = d
		}
		dst, why = e.value(dst, o, v)
	}
	if why != "" {
		return dst, e.stop(o, why)
	}
	return dst, true
}

// value writes a field that carries one term.
func (e *encoder) value(dst []byte, o *op, v *Value) ([]byte, string) {
	if v.Kind == Absent {
		return e.absent(dst, o)
	}
	switch o.kind {
	case opChoice:
		for i := range o.choices {
			c := &o.choices[i]
			if c.val.Kind == v.Kind && (v.Kind == Text && c.val.Text == v.Text || v.Kind != Text && c.val.Num.Equal(v.Num)) {
				return append(dst, c.lit...), ""
			}
		}
		if o.other >= 0 {
			return append(dst, o.choices[o.other].lit...), ""
		}
		return dst, whyChoice
	case opText, opBlock:
		text := v.Text
		if v.Kind == Number {
			text = v.Num.String()
		} else if v.Kind != Text {
			return dst, whyKind
		}
		return o.appendText(dst, text)
	}
	if v.Kind != Number {
		return dst, whyKind
	}
	num := v.Num
	if o.bounded {
		var why string
		if num, why = o.settle(num); why != "" {
			return dst, why
		}
	}
	switch o.kind {
	case opDecimal:
		return o.appendDecimal(dst, num)
	case opInt:
		n, big, why := o.counts(num)
		if why == "" {
			var u uint64
			if u, why = o.pattern(n, big, 8*o.width); why == "" {
				return appendUint(dst, u, o.width, o.order), ""
			}
		}
		return dst, why
	case opHex:
		n, big, why := o.counts(num)
		if why != "" {
			return dst, why
		}
		width := o.width
		if width == 0 {
			u, why := o.pattern(n, big, 64)
			if why != "" {
				return dst, why
			}
			if width = hexWidth(u); width > o.longest {
				return dst, whyWidth
			}
		}
		u, why := o.pattern(n, big, 4*width)
		if why != "" {
			return dst, why
		}
		return appendHex(dst, u, width, o.lower), ""
	case opFloat:
		if o.decimals >= 0 {
			q := num.Quantize(-o.decimals, o.round)
			if !o.mayRound && !q.Equal(num) {
				return dst, whyDecimals
			}
			num = q
		}
		u, why := floatBits(num, o.width)
		if why != "" {
			return dst, why
		}
		return appendUint(dst, u, o.width, o.order), ""
	case opBCD:
		return o.appendBCD(dst, num)
	case opTime:
		return o.appendTime(dst, num)
	}
	return dst, whyKind
}

// absent writes what stands in a value's place when there is none.
func (e *encoder) absent(dst []byte, o *op) ([]byte, string) {
	if len(o.specials) > 0 {
		reason := o.voidReason(e.rec, e.ch)
		pick := -1
		for i := range o.specials {
			s := &o.specials[i]
			if s.reason == reason && s.void == (reason != "") {
				pick = i
				break
			}
			if pick < 0 || s.reason == "none" && o.specials[pick].reason != "none" {
				pick = i
			}
		}
		return append(dst, o.specials[pick].token...), ""
	}
	if o.kind == opChoice && o.anyCase { // a flag: absent is no
		for i := range o.choices {
			if c := &o.choices[i]; c.val.Kind == Flag && !c.val.True() {
				return append(dst, c.lit...), ""
			}
		}
	}
	return dst, whyAbsent
}

func (e *encoder) each(dst []byte, o *op) ([]byte, bool) {
	n := e.rec.channels
	switch {
	case o.countN > 0:
		n = o.countN
		if e.rec.channels > n {
			return dst, e.stop(o, whyGroups)
		}
		e.rec.Channels(n)
	case o.countBy >= 0:
		v := e.rec.at(o.countBy, 0)
		if c, ok := v.Num.Int64(); !ok || c < 0 || c > MaxChannels || int(c) != n && c != 0 {
			return dst, e.stop(o, whyGroups)
		} else {
			n = int(c)
		}
	}
	group, ch := e.group, e.ch
	ok := true
	for i := range n {
		if i > 0 {
			dst = append(dst, o.between...)
		}
		first := e.nwait
		e.ch, e.group = i, len(dst)
		if dst, ok = e.run(dst, o.sub); !ok {
			return dst, false
		}
		if e.nwait > first && !e.resolve(dst, first) {
			return dst, false
		}
	}
	e.ch, e.group = ch, group
	return dst, true
}

// resolve fills in the lengths and then the checks of a finished group.
func (e *encoder) resolve(dst []byte, first int) bool {
	for pass := range 2 {
		for i := first; i < e.nwait; i++ {
			w := &e.wait[i]
			if (w.op.kind == opCheck) != (pass == 1) {
				continue
			}
			if why := w.fill(dst, &e.marks, len(dst)); why != "" {
				return e.stop(w.op, why)
			}
		}
	}
	e.nwait = first
	return true
}

// span returns the bytes a check or length covers.
func (w *pending) span(marks *[maxMarks]int, end int) (from, to int) {
	o := w.op
	if o.kind == opLength {
		if o.target < 0 {
			return w.at + o.width, end
		}
		return marks[o.from], marks[o.to]
	}
	from, to = w.group, w.at
	switch {
	case o.fromByte >= 0:
		from = w.group + o.fromByte
	case o.from >= 0:
		from = marks[o.from]
	}
	switch {
	case o.toByte >= 0:
		to = w.group + o.toByte + 1
	case o.to >= 0:
		to = marks[o.to]
	}
	return from, to
}

func (w *pending) fill(dst []byte, marks *[maxMarks]int, end int) string {
	o := w.op
	from, to := w.span(marks, end)
	if from > to || to > len(dst) {
		return "covers bytes that are not in the frame"
	}
	out := dst[w.at:w.at]
	if o.kind == opCheck {
		o.appendCheck(out, o.check.sum(dst[from:to]))
		return ""
	}
	n := to - from + o.plus
	if n%o.per != 0 || n < 0 {
		return whyLength
	}
	u, why := uint64(n/o.per), ""
	switch o.form {
	case formHex:
		if hexWidth(u) > o.width {
			return whyWidth
		}
		appendHex(out, u, o.width, o.lower)
	case formDecimal:
		_, why = o.appendDecimal(out, decimal.New(int64(u), 0))
	default:
		if o.width < 8 && u>>(8*o.width) != 0 {
			return whyWidth
		}
		appendUint(out, u, o.width, o.order)
	}
	return why
}

// appendCheck writes a check value in the field's form. The field is always
// wide enough: the compiler made it so.
func (o *op) appendCheck(dst []byte, u uint64) []byte {
	switch o.form {
	case formHex:
		return appendHex(dst, u, o.width, o.lower)
	case formDecimal:
		for i := o.width - 1; i >= 0; i-- {
			dst = append(dst, '0')
		}
		for i := len(dst) - 1; i >= len(dst)-o.width; i-- {
			dst[i] = byte('0' + u%10)
			u /= 10
		}
		return dst
	}
	return appendUint(dst, u, o.width, o.order)
}

func (e *encoder) flags(dst []byte, o *op) ([]byte, string) {
	u := o.bitValue
	for i := range o.bits {
		b := &o.bits[i]
		v := e.rec.at(b.term, e.ch)
		var n uint64
		switch b.kind {
		case opFlags:
			if v.Kind != Flag && v.Kind != Absent {
				return dst, whyKind
			}
			if v.Kind == Flag && !v.Num.IsZero() {
				n = 1
			}
		case opChoice:
			k := b.other
			if x := b.byText; x != nil && v.Kind == Text && v.Text != "" {
				if j := x.slots[x.slot(len(v.Text), v.Text[0], v.Text[len(v.Text)-1])]; j >= 0 && b.choices[j].val.Text == v.Text {
					k = int(j)
				}
			} else {
				k = b.pick(v)
			}
			if k < 0 {
				return dst, whyChoice
			}
			n = b.choices[k].n
		default:
			if v.Kind != Number {
				return dst, whyAbsent
			}
			c, ok := v.Num.Int64()
			if !ok || c < 0 || b.width < 64 && uint64(c)>>b.width != 0 {
				return dst, whyWidth
			}
			n = uint64(c)
		}
		u |= n << b.shift
	}
	return appendUint(dst, u, o.width, o.order), ""
}

// pick finds a value among the choices, or the one for all others, or −1.
func (b *bitOp) pick(v *Value) int {
	for j := range b.choices {
		if b.choices[j].val.Same(*v) {
			return j
		}
	}
	return b.other
}

func (o *op) appendText(dst []byte, text string) ([]byte, string) {
	if o.kind == opBlock {
		// IEEE 488.2 definite-length block: #, digits in the count, the count, the bytes.
		if len(text) > o.longest {
			return dst, whyWidth
		}
		n := decimal.New(int64(len(text)), 0).String()
		dst = append(dst, '#', byte('0'+len(n)))
		return append(append(dst, n...), text...), ""
	}
	for i := range len(text) {
		if c := text[i]; c < ' ' || c > '~' || !o.quoted && o.stop != nil && o.stop.has(c) {
			return dst, whyText
		}
	}
	if o.quoted {
		dst = append(dst, '"')
		for i := range len(text) {
			if text[i] == '"' {
				dst = append(dst, '"')
			}
			dst = append(dst, text[i])
		}
		if len(text) > o.longest {
			return dst, whyWidth
		}
		return append(dst, '"'), ""
	}
	if o.width == 0 {
		if len(text) > o.longest {
			return dst, whyWidth
		}
		return append(dst, text...), ""
	}
	fill := o.width - len(text)
	if fill < 0 {
		return dst, whyWidth
	}
	// A text whose own end looks like padding would not come back whole.
	if len(text) > 0 && (o.left && text[len(text)-1] == o.pad || !o.left && text[0] == o.pad) {
		return dst, whyText
	}
	if o.left {
		return appendFill(append(dst, text...), o.pad, fill), ""
	}
	return append(appendFill(dst, o.pad, fill), text...), ""
}

func (o *op) appendTime(dst []byte, v decimal.Decimal) ([]byte, string) {
	frac := 0
	for _, p := range o.layout {
		if p.unit == 'f' {
			frac = p.n
		}
	}
	q := v.Quantize(-frac, o.round)
	if !o.mayRound && !q.Equal(v) {
		return dst, whyDecimals
	}
	n, ok := q.Coefficient()
	if !ok || n < 0 {
		return dst, whyRange
	}
	unit := int64(1)
	for range frac {
		unit *= 10
	}
	top := true
	for _, p := range o.layout {
		if p.lit != 0 {
			dst = append(dst, p.lit)
			continue
		}
		var k int64
		switch p.unit {
		case 'h':
			k = n / unit / 3600
		case 'm':
			k = n / unit / 60
			if !top {
				k %= 60
			}
		case 's':
			k = n / unit
			if !top {
				k %= 60
			}
		default:
			k = n % unit
		}
		top = false
		start := len(dst)
		dst = appendFill(dst, '0', p.n)
		for i := len(dst) - 1; i >= start; i-- {
			dst[i] = byte('0' + k%10)
			k /= 10
		}
		if k != 0 {
			return dst, whyRange
		}
	}
	return dst, ""
}

// decoder reads one frame's body.
type decoder struct {
	rec   *Record
	buf   []byte
	pos   int
	end   int
	ch    int
	group int
	marks [maxMarks]int
	sizes [maxMarks]int // announced length of the op that starts at a mark; −1 none
	wait  [maxPending]pending
	nwait int
	fail  failure
	bad   failure // a check that did not match
	best  failure // of the frame that came furthest
	note  func(o *op, start, end, ch int, why string)
	ask   *Record // what the host asked, for a register block

	bestFrame int // −1: none was tried
}

// begin makes the decoder ready for one body.
func (d *decoder) begin(rec *Record, body []byte, ask *Record) {
	d.rec, d.buf, d.pos, d.end, d.ch, d.group, d.nwait, d.ask = rec, body, 0, len(body), 0, 0, 0, ask
	d.fail.pos, d.fail.why, d.bad.op = 0, "", nil
}

func (d *decoder) stop(o *op, why string) bool {
	if d.fail.why == "" || d.pos >= d.fail.pos {
		d.fail = failure{op: o, pos: d.pos, why: why, ch: d.ch}
	}
	return false
}

func (d *decoder) run(ops []op) bool {
	plain := d.note == nil
	pos := d.pos // kept at hand, and put back before anything else looks at it
	buf := d.buf[:d.end]
	for i := range ops {
		o := &ops[i]
		if plain && !o.marked {
			// The common kinds first; the rest is in one.
			rest := buf[pos:]
			switch o.kind {
			case opLiteral:
				if n := len(o.lit); o.term < 0 && len(rest) >= n {
					if n == 1 && rest[0] == o.lit[0] || n > 1 && sameShort(rest[:n], o.lit) {
						pos += n
						continue
					}
				}
			case opChoice:
				if len(rest) < o.width {
					break
				}
				k := int8(-1)
				if o.byByte != nil {
					k = o.byByte[rest[0]]
				} else if o.byFew != nil {
					few := packFew(rest[:o.width])
					for i, c := range o.byFew {
						if c == few {
							k = int8(i)
							break
						}
					}
				} else if x := o.byLit; x != nil {
					if k = x.slots[x.slot(o.width, rest[0], rest[o.width-1])]; k >= 0 && !sameShort(rest[:o.width], o.choices[k].lit) {
						k = -1
					}
				}
				if k >= 0 {
					v, c := d.rec.at(o.term, d.ch), &o.choices[k].val
					if v.Kind = c.Kind; c.Kind == Text {
						v.Text = c.Text
					} else {
						v.Num = c.Num
					}
					pos += o.width
					continue
				}
			case opCheck:
				if o.atOnce && len(rest) >= o.width {
					if !o.sumMatches(rest[:o.width], o.check.sum(buf[d.group:pos])) && d.bad.op == nil {
						d.bad = failure{op: o, pos: pos, why: whyCheck, ch: d.ch}
					}
					pos += o.width
					continue
				}
			case opDecimal:
				if o.width > 0 && !o.bounded && len(o.specials) == 0 && len(rest) >= o.width {
					if o.zeros {
						if num, ok := o.parseZeros(rest[:o.width]); ok {
							v := d.rec.at(o.term, d.ch)
							v.Num, v.Kind = num, Number
							pos += o.width
							continue
						}
					}
					num, why := o.parseDecimal(rest[:o.width])
					if why != "" {
						d.pos = pos
						return d.stop(o, why)
					}
					v := d.rec.at(o.term, d.ch)
					v.Num, v.Kind = num, Number
					pos += o.width
					continue
				}
			case opInt:
				if o.fastInt && !o.bounded && len(o.specials) == 0 && len(rest) >= o.width {
					shift := 64 - 8*uint(o.width)
					n := int64(readUint(rest[:o.width], o.order))
					if o.sign == signTwos {
						n = n << shift >> shift
					}
					v := d.rec.at(o.term, d.ch)
					v.Num, v.Kind = decimal.New(n, o.scaleExp), Number
					pos += o.width
					continue
				}
			}
			d.pos = pos
			if !d.one(o) {
				return false
			}
			pos = d.pos
			continue
		}
		d.pos = pos
		if o.markStart >= 0 {
			d.marks[o.markStart] = d.pos
		}
		start := d.pos
		outer := d.end
		if o.sized {
			if n := d.sizes[o.markStart]; n >= 0 {
				if n > d.end-d.pos {
					return d.stop(o, whyEnd)
				}
				d.end = d.pos + n
			}
		}
		ok := d.one(o)
		if ok && o.sized && d.sizes[o.markStart] >= 0 && d.pos != d.end {
			ok = d.stop(o, whyLength)
		}
		d.end = outer
		if d.note != nil && o.kind != opEach && o.kind != opWhen {
			why := ""
			if !ok {
				why = d.fail.why
			}
			d.note(o, start, d.pos, d.ch, why)
		}
		if !ok {
			return false
		}
		if o.markEnd >= 0 {
			d.marks[o.markEnd] = d.pos
		}
		pos = d.pos
	}
	d.pos = pos
	return true
}

// packFew is two to four bytes as one number.
func packFew(b []byte) uint32 {
	n := uint32(b[0])<<8 | uint32(b[1])
	for _, c := range b[2:] {
		n = n<<8 | uint32(c)
	}
	return n
}

// sameShort compares two texts of one length, a few bytes each.
func sameShort(a, b []byte) bool {
	if len(a) > 4 {
		return string(a) == string(b)
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// take returns the next n bytes, or nil when the frame ends before them.
func (d *decoder) take(o *op, n int) []byte {
	if d.end-d.pos < n {
		d.stop(o, whyEnd)
		return nil
	}
	b := d.buf[d.pos : d.pos+n : d.pos+n]
	d.pos += n
	return b
}

func (d *decoder) back(o *op, pos int, why string) bool {
	d.pos = pos
	return d.stop(o, why)
}

func (d *decoder) one(o *op) bool {
	start := d.pos
	switch o.kind {
	case opLiteral:
		if d.end-d.pos < len(o.lit) || string(d.buf[d.pos:d.pos+len(o.lit)]) != string(o.lit) {
			if o.anyCase && d.end-d.pos >= len(o.lit) && bytes.EqualFold(d.buf[d.pos:d.pos+len(o.lit)], o.lit) {
				d.pos += len(o.lit)
				return true
			}
			return d.stop(o, whyLiteral)
		}
		d.pos += len(o.lit)
		if o.term >= 0 {
			*d.rec.at(o.term, d.ch) = o.konst
		}
		return true
	case opSkip:
		n := o.width
		if o.rest {
			n = d.end - d.pos
		}
		return d.take(o, n) != nil || n == 0
	case opSpace:
		for d.pos < d.end && d.pos-start < o.longest && (d.buf[d.pos] == ' ' || d.buf[d.pos] == '\t') {
			d.pos++
		}
		if d.pos == start && o.digits > 0 {
			return d.stop(o, "wants white space here")
		}
		return true
	case opHeader:
		return d.header(o)
	case opEach:
		return d.each(o)
	case opWhen:
		return d.when(o)
	case opCheck:
		b := d.take(o, o.width)
		if b == nil {
			return false
		}
		if d.nwait == maxPending {
			return d.stop(o, "is one check too many")
		}
		d.wait[d.nwait] = pending{o, start, d.group, d.ch}
		d.nwait++
		return true
	case opLength:
		b := d.take(o, o.width)
		if b == nil {
			return false
		}
		n, ok := o.readLength(b)
		if !ok {
			return d.back(o, start, whyNumber)
		}
		n = n*int64(o.per) - int64(o.plus)
		if n < 0 || n > int64(d.end-start) || o.target < 0 && int(n) != d.end-d.pos || d.nwait == maxPending {
			return d.back(o, start, whyLength)
		}
		if o.target >= 0 {
			d.sizes[o.target] = int(n)
		}
		d.wait[d.nwait] = pending{o, start, d.group, d.ch}
		d.nwait++
		return true
	case opFlags:
		return d.flags(o)
	case opMap:
		return d.registers(o)
	}
	v := d.rec.at(o.term, d.ch)
	if len(o.specials) > 0 && d.special(o, v) {
		return true
	}
	return d.value(o, v)
}

func (o *op) readLength(b []byte) (int64, bool) {
	switch o.form {
	case formHex:
		u, ok := parseHex(b)
		return int64(u), ok && u < 1<<31
	case formDecimal:
		v, why := o.parseDecimal(b)
		n, ok := v.Int64()
		return n, why == "" && ok && n < 1<<31
	}
	u := readUint(b, o.order)
	return int64(u), u < 1<<31
}

// special reads a text that stands in a value's place.
func (d *decoder) special(o *op, v *Value) bool {
	for i := range o.specials {
		s := &o.specials[i]
		if d.end-d.pos < len(s.token) || string(d.buf[d.pos:d.pos+len(s.token)]) != string(s.token) {
			continue
		}
		if o.kind == opDecimal && o.width == 0 && o.continues(d.buf[d.pos+len(s.token):d.end]) {
			continue // only the beginning of a number
		}
		d.pos += len(s.token)
		v.Kind = Absent
		if s.void && s.reason != "" && o.countBy >= 0 {
			if w := d.rec.at(o.countBy, d.ch); w.Kind == Absent {
				*w = Str(s.reason)
			}
		}
		return true
	}
	return false
}

// continues says whether a number of free width goes on.
func (o *op) continues(rest []byte) bool {
	return len(rest) > 0 && (isDigit(rest[0]) || rest[0] == o.mark && o.mark != 0)
}

// voidReason is the reason the record gives for a missing value.
func (o *op) voidReason(rec *Record, ch int) string {
	if o.countBy < 0 {
		return ""
	}
	if v := rec.at(o.countBy, ch); v.Kind == Text {
		return v.Text
	}
	if v := rec.at(o.countBy, 0); v.Kind == Text {
		return v.Text
	}
	return ""
}

func (d *decoder) value(o *op, v *Value) bool {
	start := d.pos
	var num decimal.Decimal
	var why string
	switch o.kind {
	case opChoice:
		return d.choice(o, v)
	case opText, opBlock:
		return d.text(o, v)
	case opDecimal:
		b := d.digits(o)
		if b == nil {
			return false
		}
		num, why = o.parseDecimal(b)
	case opInt:
		b := d.take(o, o.width)
		if b == nil {
			return false
		}
		num = o.value(readUint(b, o.order), 8*o.width)
	case opHex:
		n := o.width
		if n == 0 {
			for n < o.longest && d.pos+n < d.end {
				if _, ok := hexDigit(d.buf[d.pos+n]); !ok {
					break
				}
				n++
			}
		}
		b := d.take(o, n)
		if b == nil && n > 0 {
			return false
		}
		u, ok := parseHex(b)
		if !ok {
			return d.back(o, start, whyNumber)
		}
		width := 4 * o.width
		if width == 0 {
			width = 64
		}
		num = o.value(u, width)
	case opFloat:
		b := d.take(o, o.width)
		if b == nil {
			return false
		}
		if num, why = floatValue(readUint(b, o.order), o.width); why == "" && o.decimals >= 0 {
			num = num.Quantize(-o.decimals, decimal.HalfEven)
		}
	case opBCD:
		b := d.take(o, o.width)
		if b == nil {
			return false
		}
		num, why = o.parseBCD(b)
	case opTime:
		b := d.take(o, o.width)
		if b == nil {
			return false
		}
		num, why = o.parseTime(b)
	default:
		why = whyKind
	}
	if why == "" && o.bounded {
		why = o.accept(num)
	}
	if why != "" {
		return d.back(o, start, why)
	}
	v.Num, v.Kind = num, Number
	return true
}

// digits finds the characters of a decimal number.
func (d *decoder) digits(o *op) []byte {
	if o.width > 0 {
		return d.take(o, o.width)
	}
	n := d.pos
	for n < d.end && n-d.pos < o.longest {
		c := d.buf[n]
		if !isDigit(c) && (c != o.mark || c == 0) {
			first := n == d.pos
			power := o.exponent != 0 && (c == 'E' || c == 'e')
			sign := (c == '+' || c == '-') && (first || o.exponent != 0 && (d.buf[n-1]|0x20) == 'e')
			if !power && !sign && !(first && c == ' ' && o.sign == signSpace) {
				break
			}
		}
		n++
	}
	if n == d.pos {
		d.stop(o, whyNumber)
		return nil
	}
	b := d.buf[d.pos:n:n]
	d.pos = n
	return b
}

func (d *decoder) choice(o *op, v *Value) bool {
	rest := d.buf[d.pos:d.end]
	for i := range o.choices { // longest first
		c := &o.choices[i]
		if len(rest) >= len(c.lit) && (string(rest[:len(c.lit)]) == string(c.lit) ||
			o.quoted && bytes.EqualFold(rest[:len(c.lit)], c.lit)) {
			d.pos += len(c.lit)
			v.become(&c.val)
			return true
		}
	}
	return d.stop(o, whyChoice)
}

func (d *decoder) text(o *op, v *Value) bool {
	start := d.pos
	if o.kind == opBlock {
		return d.block(o, v)
	}
	if o.quoted {
		if d.end-d.pos < 2 || d.buf[d.pos] != '"' {
			return d.stop(o, whyText)
		}
		var out [256]byte
		text := out[:0]
		for i := d.pos + 1; i < d.end; i++ {
			c := d.buf[i]
			if c == '"' {
				if i+1 < d.end && d.buf[i+1] == '"' {
					i++
				} else {
					d.pos = i + 1
					v.setText(text)
					return true
				}
			}
			if c < ' ' || c > '~' || len(text) == min(len(out), o.longest) {
				return d.stop(o, whyText)
			}
			text = append(text, c)
		}
		return d.stop(o, whyEnd)
	}
	var b []byte
	if o.width > 0 {
		if b = d.take(o, o.width); b == nil {
			return false
		}
		if o.left {
			for len(b) > 0 && b[len(b)-1] == o.pad {
				b = b[:len(b)-1]
			}
		} else {
			for len(b) > 0 && b[0] == o.pad {
				b = b[1:]
			}
		}
	} else {
		for d.pos < d.end && d.pos-start < o.longest && (o.stop == nil || !o.stop.has(d.buf[d.pos])) {
			d.pos++
		}
		b = d.buf[start:d.pos]
	}
	for _, c := range b {
		if c < ' ' || c > '~' {
			return d.back(o, start, whyText)
		}
	}
	if o.numbers {
		if num, why := plainNumber.parseDecimal(b); why == "" {
			v.Num, v.Kind = num, Number
			return true
		}
	}
	v.setText(b)
	return true
}

// plainNumber is how a number stands in a text.
var plainNumber = op{mark: '.', decimals: -1, longest: maxDigits}

func (d *decoder) block(o *op, v *Value) bool {
	start := d.pos
	head := d.take(o, 2)
	if head == nil {
		return false
	}
	if head[0] != '#' || head[1] < '1' || head[1] > '9' {
		return d.back(o, start, whyNumber)
	}
	count := d.take(o, int(head[1]-'0'))
	if count == nil {
		return false
	}
	n := 0
	for _, c := range count {
		if !isDigit(c) {
			return d.back(o, start, whyNumber)
		}
		n = n*10 + int(c-'0')
	}
	if n > o.longest {
		return d.back(o, start, whyWidth)
	}
	b := d.take(o, n)
	if b == nil && n > 0 {
		return false
	}
	v.setText(b)
	return true
}

func (o *op) parseTime(b []byte) (decimal.Decimal, string) {
	var seconds, frac int64
	places := 0
	top := true
	for _, p := range o.layout {
		if p.lit != 0 {
			if b[0] != p.lit {
				return decimal.Decimal{}, whyLiteral
			}
			b = b[1:]
			continue
		}
		var k int64
		for _, c := range b[:p.n] {
			if !isDigit(c) {
				return decimal.Decimal{}, whyNumber
			}
			k = k*10 + int64(c-'0')
		}
		b = b[p.n:]
		if !top && p.unit != 'f' && k >= 60 {
			return decimal.Decimal{}, whyRange
		}
		top = false
		switch p.unit {
		case 'h':
			seconds += 3600 * k
		case 'm':
			seconds += 60 * k
		case 's':
			seconds += k
		default:
			frac, places = k, p.n
		}
	}
	return decimal.New(seconds, 0).Add(decimal.New(frac, -places)), ""
}

func (d *decoder) each(o *op) bool {
	n := o.countN
	switch {
	case n > 0:
	case o.countBy >= 0:
		c, ok := d.rec.at(o.countBy, 0).Num.Int64()
		if !ok || c < 0 || c > MaxChannels {
			return d.stop(o, whyGroups)
		}
		n = int(c)
	default:
		n = MaxChannels
	}
	if !o.rest {
		if n*o.smallest > d.end-d.pos {
			return d.stop(o, whyEnd)
		}
		d.rec.Channels(n)
	}
	group, ch := d.group, d.ch
	i := 0
	for ; i < n; i++ {
		if o.rest && d.pos >= d.end {
			break
		}
		if o.rest {
			d.rec.Channels(i + 1)
		}
		if i > 0 && len(o.between) > 0 {
			if !bytes.HasPrefix(d.buf[d.pos:d.end], o.between) {
				if o.rest {
					d.rec.Channels(i)
					break
				}
				return d.stop(o, whyLiteral)
			}
			d.pos += len(o.between)
			if d.note != nil {
				d.note(&between, d.pos-len(o.between), d.pos, i, "")
			}
		}
		first := d.nwait
		d.ch, d.group = i, d.pos
		if !d.run(o.sub) || d.nwait > first && !d.resolve(first) {
			return false
		}
		if o.rest && d.pos == d.group {
			return d.stop(o, whyGroups)
		}
	}
	d.ch, d.group = ch, group
	return true
}

// between is what annotations call the text between two groups.
var between = op{kind: opLiteral, name: "between", term: -1}

func (d *decoder) when(o *op) bool {
	for _, m := range o.inner {
		if m >= 0 {
			d.marks[m], d.sizes[m] = d.pos, -1
		}
	}
	if o.cond.known {
		yes, err := o.cond.holds(d.rec, d.ch)
		if err != nil {
			return d.stop(o, whyAbsent)
		}
		if yes {
			return d.run(o.sub)
		}
		return d.run(o.alt)
	}
	// The condition speaks of a value that is only known from the part itself:
	// the part is there when it can be read. The compiler made sure that what
	// follows starts differently.
	start, waiting, note := d.pos, d.nwait, d.note
	d.note = nil
	present := d.run(o.sub)
	d.note = note
	d.pos, d.nwait = start, waiting
	if present != o.cond.negate && o.cond.flag {
		*d.rec.at(o.cond.term, d.ch) = Bool(true)
	} else if o.cond.flag {
		*d.rec.at(o.cond.term, d.ch) = Bool(false)
	}
	if present {
		return d.run(o.sub)
	}
	return d.run(o.alt)
}

// resolve verifies the lengths and checks of a finished group.
func (d *decoder) resolve(first int) bool {
	for i := first; i < d.nwait; i++ {
		w := &d.wait[i]
		o := w.op
		from, to := w.span(&d.marks, d.pos)
		if from > to || to > d.pos {
			return d.stop(o, "covers bytes that are not in the frame")
		}
		raw := d.buf[w.at : w.at+o.width]
		if o.kind == opLength {
			n, _ := o.readLength(raw)
			if n*int64(o.per)-int64(o.plus) != int64(to-from) {
				return d.stop(o, whyLength)
			}
			continue
		}
		if !o.sumMatches(raw, o.check.sum(d.buf[from:to])) && d.bad.op == nil {
			d.bad = failure{op: o, pos: w.at, why: whyCheck, ch: w.ch}
		}
	}
	d.nwait = first
	return true
}

// sumMatches compares a check as it stands with the one computed.
func (o *op) sumMatches(raw []byte, want uint64) bool {
	switch o.form {
	case formBinary:
		return readUint(raw, o.order) == want
	case formHex:
		if len(raw) == 2 {
			hi, ok1 := hexDigit(raw[0])
			lo, ok2 := hexDigit(raw[1])
			return ok1 && ok2 && uint64(hi<<4|lo) == want
		}
		u, ok := parseHex(raw)
		return ok && u == want
	}
	var u uint64
	for _, c := range raw {
		if !isDigit(c) {
			return false
		}
		u = u*10 + uint64(c-'0')
	}
	return u == want
}

func (d *decoder) flags(o *op) bool {
	start := d.pos
	b := d.take(o, o.width)
	if b == nil {
		return false
	}
	u := readUint(b, o.order)
	if u&o.bitMask != o.bitValue {
		return d.back(o, start, whyLiteral)
	}
	for i := range o.bits {
		f := &o.bits[i]
		n := u >> f.shift & (1<<f.width - 1)
		v := d.rec.at(f.term, d.ch)
		switch f.kind {
		case opFlags:
			v.Num, v.Kind = decimal.New(int64(n), 0), Flag
		case opChoice:
			k := -1
			if f.byNumber != nil {
				k = int(f.byNumber[n])
			} else {
				for j := range f.choices {
					if f.choices[j].n == n {
						k = j
						break
					}
				}
			}
			if k < 0 {
				return d.back(o, start, whyChoice)
			}
			v.Text, v.Kind = f.choices[k].val.Text, Text
		default:
			v.Num, v.Kind = decimal.New(int64(n), 0), Number
		}
	}
	return true
}

// header reads an SCPI command name: the longest run of the characters a name
// may have must be one of the accepted spellings.
func (d *decoder) header(o *op) bool {
	n := d.pos
	for n < d.end && isHeaderByte(d.buf[n]) {
		n++
	}
	name := d.buf[d.pos:n]
	if len(name) > 0 && name[0] == ':' {
		name = name[1:]
	}
	for _, w := range o.words {
		if len(w) == len(name) && equalFold(name, w) {
			d.pos = n
			return true
		}
	}
	return d.stop(o, whyLiteral)
}

func isHeaderByte(c byte) bool {
	return c-'a' <= 25 || c-'A' <= 25 || isDigit(c) || c == '*' || c == ':' || c == '?' || c == '_'
}

func equalFold(b []byte, capitals string) bool {
	for i, c := range b {
		if c-'a' <= 25 {
			c -= 'a' - 'A'
		}
		if c != capitals[i] {
			return false
		}
	}
	return true
}

// why words a failure for a person.
func (f failure) describe(frame string) error {
	if f.op == nil {
		return fmt.Errorf("%s: %s", frame, f.why)
	}
	if f.op.kind == opLiteral && f.op.term < 0 {
		return fmt.Errorf("%s, byte %d: %s", frame, f.pos, fmt.Sprintf("%q is wanted here", f.op.lit))
	}
	return fmt.Errorf("%s, byte %d: %s %s", frame, f.pos, f.op.name, f.why)
}
