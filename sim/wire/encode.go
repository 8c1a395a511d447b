package wire

import (
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
