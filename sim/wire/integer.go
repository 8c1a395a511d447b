package wire

import (
	"cmp"
	"encoding/hex"
	"math"
	"math/bits"
	"strconv"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/enum"
	"example.org/understudy/sim/strict"
)

// numeral is how a pattern of bits stands on the wire.
type numeral struct {
	form    numeralForm
	width   int // bytes, or digits; 0: as many hexadecimal digits as it needs
	longest int
	order   byteOrder
}

type numeralForms struct{}

func (numeralForms) Names() []string { return []string{"binary", "hex", "decimal"} }
func (numeralForms) What() string    { return "a form" }

type numeralForm = enum.Of[numeralForms]

const (
	inBytes numeralForm = iota
	inHex
	inDigits
)

type byteOrders struct{}

func (byteOrders) Names() []string {
	return []string{"big", "little", "big-swapped", "little-swapped"}
}
func (byteOrders) What() string { return "a byte order" }

type byteOrder = enum.Of[byteOrders]

const (
	bigEndian byteOrder = iota
	littleEndian
	bigSwapped
	littleSwapped
)

// orderKey is the key of what has several bytes.
type orderKey struct {
	Order byteOrder `yaml:"order" doc:"order of its bytes: big, little, big-swapped or little-swapped (16-bit words in the other order)"`
}

// numeralKeys are the keys for the form of a check or a length.
type numeralKeys struct {
	Form numeralForm `yaml:"form" doc:"binary, hex or decimal (default: binary)"`
	orderKey
}

// numeral compiles the keys; bytes and digits are its width in either form.
func (c *compiler) numeral(k *numeralKeys, bytes, digits int) numeral {
	n := numeral{form: k.Form, order: k.Order, width: bytes}
	if n.form != inBytes {
		n.width = digits
	}
	c.ordered(&k.Order, &n)
	return n
}

// ordered refuses a byte order that a width cannot have.
func (c *compiler) ordered(ptr *byteOrder, n *numeral) {
	bytes := n.width
	if n.form == inHex {
		bytes /= 2
	}
	switch {
	case n.order == bigEndian:
	case n.form == inDigits, n.form == inHex && (n.width == 0 || n.width%2 != 0):
		c.doc.Errorf(ptr, "leave it out", "these digits are no whole bytes, whose order could be turned")
	case n.order >= bigSwapped && bytes%2 != 0:
		c.doc.Errorf(ptr, "write big or little", "%d bytes are not whole 16-bit words", bytes)
	default:
		return
	}
	n.order = bigEndian
}

// bits is how wide the pattern is.
func (n *numeral) bits() int {
	switch {
	case n.form == inBytes:
		return 8 * n.width
	case n.form == inHex && n.width > 0:
		return 4 * n.width
	}
	return 64
}

func (n *numeral) append(dst []byte, u uint64) ([]byte, string) {
	if w := n.bits(); w < 64 && u>>w != 0 {
		return dst, whyWidth
	}
	width := n.width
	switch {
	case n.form == inBytes:
		return appendUint(dst, u, width, n.order), ""
	case n.form == inDigits:
		dst = appendFill(dst, '0', width)
		for i := len(dst) - 1; i >= len(dst)-width; i-- {
			dst[i] += byte(u % 10)
			u /= 10
		}
		if u != 0 {
			return dst, whyWidth
		}
		return dst, ""
	case width == 0:
		if width = max(1, (bits.Len64(u)+3)/4); width > n.longest {
			return dst, whyWidth
		}
	}
	if n.order != bigEndian {
		var b [8]byte
		u = readUint(appendUint(b[:0], u, width/2, n.order), bigEndian)
	}
	return appendHex(dst, u, width), ""
}

func (n *numeral) read(b []byte) (u uint64, ok bool) {
	switch n.form {
	case inBytes:
		return readUint(b, n.order), true
	case inDigits:
		for _, c := range b {
			k := uint64(c - '0')
			if k > 9 || u > (math.MaxUint64-k)/10 {
				return 0, false
			}
			u = u*10 + k
		}
		return u, len(b) > 0
	}
	if len(b) == 0 || len(b) > 16 {
		return 0, false
	}
	for _, c := range b {
		d, ok := hexDigit(c)
		if !ok {
			return 0, false
		}
		u = u<<4 | uint64(d)
	}
	if n.order != bigEndian {
		var p [8]byte
		u = readUint(appendUint(p[:0], u, len(b)/2, bigEndian), n.order)
	}
	return u, true
}

// pattern is the bytes the numeral is made of.
func (n *numeral) pattern() pattern {
	set := [...]byteSet{anyByte(), hexSet(), byteRange('0', '9')}[n.form]
	if n.width == 0 {
		return run{set, 1, n.longest}
	}
	return times(set, n.width)
}

// appendUint writes the low size bytes of u; the swapped orders have 16-bit
// words in the other order than the bytes in them.
func appendUint(dst []byte, u uint64, size int, order byteOrder) []byte {
	for i := range size {
		dst = append(dst, byte(u>>(8*weight(order, i, size))))
	}
	return dst
}

func readUint(b []byte, order byteOrder) (u uint64) {
	if order == bigEndian {
		for _, c := range b {
			u = u<<8 | uint64(c)
		}
		return u
	}
	for i, c := range b {
		u |= uint64(c) << (8 * weight(order, i, len(b)))
	}
	return u
}

// weight is the place of byte i of size, counted from the least significant.
func weight(o byteOrder, i, size int) int {
	switch o {
	case bigEndian:
		return size - 1 - i
	case littleEndian:
		return i
	case bigSwapped:
		return i ^ 1
	}
	return size - 1 - i ^ 1
}

func appendHex(dst []byte, u uint64, width int) []byte {
	for i := width - 1; i >= 0; i-- {
		dst = append(dst, "0123456789ABCDEF"[u>>(4*i)&15])
	}
	return dst
}

func hexDigit(c byte) (byte, bool) {
	switch {
	case c-'0' <= 9:
		return c - '0', true
	case c-'A' <= 5:
		return c - 'A' + 10, true
	case c-'a' <= 5:
		return c - 'a' + 10, true
	}
	return 0, false
}

func isDigit(b byte) bool { return b-'0' <= 9 }

// integer is a whole number of counts as a numeral.
type integer struct {
	counts
	numeral
}

func (f *integer) write(dst []byte, v decimal.Decimal) ([]byte, string) {
	u, why := f.bitsOf(v, f.bits())
	if why != "" {
		return dst, why
	}
	return f.append(dst, u)
}

func (f *integer) read(d *decoder) (v decimal.Decimal, why string) {
	n := f.width
	for n < f.longest && f.width == 0 && d.pos+n < d.end {
		if _, ok := hexDigit(d.buf[d.pos+n]); !ok {
			break
		}
		n++
	}
	raw := d.take(n)
	if raw == nil && n > 0 {
		return v, whyEnd
	}
	u, ok := f.numeral.read(raw)
	if !ok {
		return v, whyNumber
	}
	return f.value(u, f.bits())
}

func (f *integer) pattern() pattern {
	if f.form != inBytes || f.width != 1 {
		return f.numeral.pattern()
	}
	var set byteSet
	for b := range 256 {
		if _, why := f.value(uint64(b), 8); why == "" {
			set.add(byte(b))
		}
	}
	return times(set, 1)
}

type intSpec struct {
	Term string `yaml:"int" need:"yes" doc:"a binary whole number"`
	common
	Size int `yaml:"size" need:"yes" range:"1 8" doc:"bytes, 1 to 8"`
	orderKey
	countKeys
	numberKeys
}

func (s *intSpec) compile(c *compiler, _ *scope, n *node) {
	f := &integer{c.counts(&s.countKeys), numeral{width: s.Size, order: s.Order}}
	c.integer(n, s.Term, f, &s.Order, &s.numberKeys)
}

func (c *compiler) integer(n *node, term string, f *integer, order *byteOrder, k *numberKeys) {
	c.ordered(order, &f.numeral)
	c.number(n, term, k, &f.counts, f, func(a strict.Any) []byte { return c.countToken(a, f) })
}

// countToken is the bytes of a count that stands for no value.
func (c *compiler) countToken(a strict.Any, f *integer) []byte {
	u, err := strconv.ParseUint(a.Scalar, 0, 64)
	if err != nil {
		n, err := strconv.ParseInt(a.Scalar, 0, 64)
		if err != nil && f.form == inHex { // the digits themselves
			return c.textToken(a, f.width)
		}
		if err != nil {
			a.Errorf("", "%q is not a whole number", a.Scalar)
			return nil
		}
		w := f.bits()
		if u = uint64(n) & (1<<w - 1); f.sign != signTwos || w < 64 && n < -1<<(w-1) {
			u = math.MaxUint64
		}
	}
	token, why := f.append(nil, u)
	if why != "" {
		a.Errorf("", "%s does not fit in %d bytes", a.Scalar, f.width)
		return nil
	}
	if v, why := f.value(u, f.bits()); f.span != nil && why == "" {
		a.Errorf("choose a count outside the range", "%s is also the value %s", a.Scalar, v)
	}
	return token
}

type hexSpec struct {
	Term string `yaml:"hex" need:"yes" doc:"a whole number in ASCII hexadecimal digits"`
	common
	Width   int `yaml:"width" range:"1 16" doc:"digits, when it is always the same"`
	Longest int `yaml:"longest" range:"1 16" doc:"most digits (default: 16)"`
	orderKey
	countKeys
	numberKeys
}

func (s *hexSpec) compile(c *compiler, _ *scope, n *node) {
	f := &integer{c.counts(&s.countKeys), numeral{form: inHex, width: s.Width, longest: cmp.Or(s.Longest, 16), order: s.Order}}
	if f.sign != signNone && f.width == 0 {
		c.doc.Errorf(&s.Sign, "give it a width", "a signed hexadecimal number needs a width")
		f.width = 4
	}
	c.integer(n, s.Term, f, &s.Order, &s.numberKeys)
}

// bytesSpec is a literal in hexadecimal.
type bytesSpec struct {
	Bytes string `yaml:"bytes" need:"yes" doc:"literal bytes in hexadecimal, such as AA 55"`
	common
}

func (s *bytesSpec) compile(c *compiler, _ *scope, n *node) {
	b, err := hex.DecodeString(stripSpaces(s.Bytes))
	if err != nil || len(b) == 0 {
		c.doc.Errorf(&s.Bytes, "write pairs of hexadecimal digits, such as AA 55", "%q is not bytes", s.Bytes)
		return
	}
	n.field = &literal{lit: b, term: -1}
}

// bcdForm is packed decimal digits, two to a byte, the first in the high half.
type bcdForm struct {
	counts
	digits int
	order  byteOrder
	signed bool // the last half byte is C for plus, D for minus
}

type bcdSpec struct {
	Term string `yaml:"bcd" need:"yes" doc:"packed decimal digits, two to a byte"`
	common
	Digits   int    `yaml:"digits" need:"yes" range:"1 15" doc:"decimal digits, 1 to 15"`
	Decimals int    `yaml:"decimals" doc:"digits after the mark, which is only implied (default: 0)"`
	Sign     string `yaml:"sign" one:"none last" doc:"none, or last: a half byte C or D behind the digits (default: none)"`
	orderKey
	numberKeys
}

func (s *bcdSpec) compile(c *compiler, _ *scope, n *node) {
	f := &bcdForm{counts: places(s.Decimals), digits: s.Digits, order: s.Order, signed: s.Sign == "last"}
	if f.order > littleEndian {
		c.doc.Errorf(&s.Order, "write big or little", "packed decimal digits have no word order")
	}
	bytes := &integer{numeral: numeral{width: f.size()}, counts: places(0)}
	bytes.order = s.Order
	c.number(n, s.Term, &s.numberKeys, &f.counts, f, func(a strict.Any) []byte { return c.countToken(a, bytes) })
}

func (f *bcdForm) size() int {
	if f.signed {
		return (f.digits + 2) / 2
	}
	return (f.digits + 1) / 2
}

func (f *bcdForm) write(dst []byte, v decimal.Decimal) ([]byte, string) {
	u, neg, why := f.count(v)
	switch {
	case why != "":
		return dst, why
	case neg && !f.signed:
		return dst, whyNegative
	}
	var packed uint64
	for i := range f.digits {
		packed |= u % 10 << (4 * i)
		u /= 10
	}
	if u != 0 {
		return dst, whyWidth
	}
	if f.signed {
		packed = packed<<4 | 0xc
		if neg {
			packed |= 1
		}
	}
	return appendUint(dst, packed, f.size(), f.order), ""
}

func (f *bcdForm) read(d *decoder) (v decimal.Decimal, why string) {
	raw := d.take(f.size())
	if raw == nil {
		return v, whyEnd
	}
	packed, neg := readUint(raw, f.order), false
	if f.signed {
		if neg = packed&1 != 0; packed&0xe != 0xc {
			return v, "has no sign digit"
		}
		packed >>= 4
	}
	var u uint64
	for i := f.digits - 1; i >= 0; i-- {
		digit := packed >> (4 * i) & 15
		if digit > 9 {
			return v, "has a digit above 9"
		}
		u = 10*u + digit
	}
	if packed>>(4*f.digits) != 0 {
		return v, "has more digits than the field"
	}
	return f.worth(u, neg)
}

func (f *bcdForm) pattern() pattern { return times(anyByte(), f.size()) }
