package wire

import (
	"math"
	"math/bits"
)

// numeral is how a pattern of bits stands on the wire.
type numeral struct {
	form    numeralForm
	width   int // bytes, or digits; 0: as many hexadecimal digits as it needs
	longest int
	order   byteOrder
	lower   bool
}

type numeralForm uint8

const (
	inBytes numeralForm = iota
	inHex
	inDigits
)

// numeralKeys are the keys for the form of a check or a length.
type numeralKeys struct {
	Form  string    `yaml:"form" doc:"binary, hex or decimal (default: binary)"`
	Order byteOrder `yaml:"order" doc:"order of the bytes, in hexadecimal digits as well: big, little, big-swapped or little-swapped"`
	Case  string    `yaml:"case" doc:"upper or lower hexadecimal digits (default: upper)"`
}

// numeral compiles the keys; bytes and digits are its width in either form.
func (c *compiler) numeral(k *numeralKeys, bytes, digits int) numeral {
	n := numeral{order: k.Order, width: bytes}
	n.lower = c.pick(&k.Case, "upper", "upper", "lower") == "lower"
	switch c.pick(&k.Form, "binary", "binary", "hex", "decimal") {
	case "hex":
		n.form, n.width = inHex, digits
	case "decimal":
		n.form, n.width = inDigits, digits
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
	switch n.form {
	case inBytes:
		return appendUint(dst, u, n.width, n.order), ""
	case inDigits:
		start := len(dst)
		dst = appendFill(dst, '0', n.width)
		for i := len(dst) - 1; i >= start; i-- {
			dst[i] += byte(u % 10)
			u /= 10
		}
		if u != 0 {
			return dst, whyWidth
		}
		return dst, ""
	}
	width := n.width
	if width == 0 {
		if width = max(1, (bits.Len64(u)+3)/4); width > n.longest {
			return dst, whyWidth
		}
	}
	if n.order != bigEndian {
		var b [8]byte
		u = readUint(appendUint(b[:0], u, width/2, n.order), bigEndian)
	}
	return appendHex(dst, u, width, n.lower), ""
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

func (n *numeral) sizes() (least, most int) {
	if n.width == 0 {
		return 1, n.longest
	}
	return n.width, n.width
}

// set is the bytes the numeral is made of.
func (n *numeral) set() byteSet {
	switch n.form {
	case inHex:
		return hexSet()
	case inDigits:
		return byteRange('0', '9')
	}
	return anyByte()
}

func (n *numeral) shape(a *nfa, from int) int {
	if n.width == 0 {
		return a.loop(a.step(from, n.set()), n.set())
	}
	return a.repeat(from, n.set(), n.width)
}

// appendUint writes the low size bytes of u; the swapped orders have 16-bit
// words in the other order than the bytes in them.
func appendUint(dst []byte, u uint64, size int, order byteOrder) []byte {
	for i := range size {
		dst = append(dst, byte(u>>(8*order.place(i, size))))
	}
	return dst
}

func readUint(b []byte, order byteOrder) (u uint64) {
	for i, c := range b {
		u |= uint64(c) << (8 * order.place(i, len(b)))
	}
	return u
}

// place is the weight of byte i of size, counted from the least significant.
func (o byteOrder) place(i, size int) int {
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

func appendHex(dst []byte, u uint64, width int, lower bool) []byte {
	digits := "0123456789ABCDEF"
	if lower {
		digits = "0123456789abcdef"
	}
	for i := width - 1; i >= 0; i-- {
		dst = append(dst, digits[u>>(4*i)&15])
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
