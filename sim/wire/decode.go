package wire

import (
	"bytes"
	"fmt"
	"math"

	"example.org/understudy/sim/decimal"
)

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
		if n := uint64(c - '0'); n > 9 || u > (math.MaxUint64-n)/10 {
			return false
		} else {
			u = u*10 + n
		}
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
