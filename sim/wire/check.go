package wire

import (
	"cmp"
	"fmt"
	"math/bits"
	"sync"
)

// CRC is a cyclic redundancy check in the usual parametric model: Width 1 to
// 64 bits, polynomial and initial value written most significant bit first,
// ReflectIn and ReflectOut as in the catalogue, XorOut applied last.
type CRC struct {
	Width                 int
	Poly, Init, XorOut    uint64
	ReflectIn, ReflectOut bool
}

// crcTable computes one CRC, a byte a step. The register is kept at the low end
// of a word when input bits are reflected and at the high end when they are not,
// so that one step serves every width.
type crcTable struct {
	CRC
	start uint64
	t     [256]uint64
}

func newCRC(c CRC) *crcTable {
	k := &crcTable{CRC: c}
	k.start = c.Init << (64 - c.Width)
	poly := c.Poly << (64 - c.Width)
	if c.ReflectIn {
		k.start, poly = bits.Reverse64(k.start), bits.Reverse64(poly)
	}
	for i := range k.t {
		r := uint64(i)
		if !c.ReflectIn {
			r <<= 56
		}
		for range 8 {
			if c.ReflectIn {
				r = r>>1 ^ poly&-(r&1)
			} else {
				r = r<<1 ^ poly&-(r>>63)
			}
		}
		k.t[i] = r
	}
	return k
}

func (k *crcTable) sum(p []byte) uint64 {
	r := k.start
	if k.ReflectIn {
		for _, b := range p {
			r = r>>8 ^ k.t[byte(r)^b]
		}
	} else {
		for _, b := range p {
			r = r<<8 ^ k.t[byte(r>>56)^b]
		}
	}
	// The value now stands at the low end if it was reflected in, else at the high end.
	switch {
	case k.ReflectIn != k.ReflectOut:
		r = bits.Reverse64(r)
		if k.ReflectIn {
			r >>= 64 - k.Width
		}
	case !k.ReflectIn:
		r >>= 64 - k.Width
	}
	return r ^ k.XorOut
}

// checker computes one kind of check value.
type checker struct {
	bits int // width of the value in bits
	sum  func(p []byte) uint64
}

// plainSum adds bytes up; finish is what the sum is turned into.
func plainSum(finish func(s uint64) uint64) func(bits int) func(p []byte) uint64 {
	return func(bits int) func(p []byte) uint64 {
		return func(p []byte) uint64 {
			var s uint64
			for _, b := range p {
				s += uint64(b)
			}
			return finish(s) & (^uint64(0) >> (64 - bits))
		}
	}
}

// namedChecks are the checks that are no CRC. bits is 0 where the width is the
// file's.
var namedChecks = []struct {
	name string
	bits int
	sum  func(bits int) func(p []byte) uint64
}{
	{"sum", 0, plainSum(func(s uint64) uint64 { return s })},
	{"sum-negated", 0, plainSum(func(s uint64) uint64 { return -s })},
	{"sum-inverted", 0, plainSum(func(s uint64) uint64 { return ^s })},
	{"xor", 8, func(int) func([]byte) uint64 { return xorSum }},
	{"fletcher-16", 16, fletcher},
	{"fletcher-32", 32, fletcher},
	{"fletcher-64", 64, fletcher},
}

func xorSum(p []byte) uint64 {
	x := byte(0)
	for _, b := range p {
		x ^= b
	}
	return uint64(x)
}

// fletcher computes Fletcher's checksum of 16, 32 or 64 bits: two running sums
// of 1-, 2- or 4-byte little-endian words, modulo all ones (ones' complement
// sums, RFC 1146 Appendix I for the 8-bit words). A short last word is filled
// with zero bytes.
func fletcher(width int) func(p []byte) uint64 {
	size := width / 16
	mod := uint64(1)<<(8*size) - 1
	return func(p []byte) uint64 {
		var a, b uint64
		for len(p) > 0 {
			var w uint64
			for i := range min(size, len(p)) {
				w |= uint64(p[i]) << (8 * i)
			}
			a = (a + w) % mod
			b = (b + a) % mod
			p = p[min(size, len(p)):]
		}
		return b<<(8*size) | a
	}
}

// CheckNames lists the checks a dialect may name, besides "crc" with its own
// parameters.
func CheckNames() (names []string) {
	for _, c := range namedChecks {
		names = append(names, c.name)
	}
	for _, c := range crcCatalogue {
		names = append(names, c.name)
	}
	return names
}

// newChecker finds a check by name. size is the width in bytes of a plain sum.
func newChecker(name string, size int, custom *CRC) (*checker, error) {
	if name == "crc" && custom != nil {
		return &checker{custom.Width, newCRC(*custom).sum}, nil
	} else if name == "crc" {
		return nil, fmt.Errorf("a crc needs its parameters")
	}
	for _, c := range namedChecks {
		if c.name == name {
			bits := cmp.Or(c.bits, 8*size)
			return &checker{bits, c.sum(bits)}, nil
		}
	}
	for i := range crcCatalogue {
		if c := &crcCatalogue[i]; c.name == name {
			return &checker{c.crc.Width, c.table().sum}, nil
		}
	}
	return nil, fmt.Errorf("unknown check %q", name)
}

type catalogued struct {
	name  string
	crc   CRC
	table func() *crcTable
}

// crcCatalogue names the checks met on instruments and in open standards,
// with the parameters of the public catalogue of parametrised CRC algorithms.
var crcCatalogue = func() []catalogued {
	list := []catalogued{
		{name: "crc-5/usb", crc: CRC{5, 0x05, 0x1f, 0x1f, true, true}},
		{name: "crc-5/epc-c1g2", crc: CRC{5, 0x09, 0x09, 0, false, false}},
		{name: "crc-6/itu", crc: CRC{6, 0x03, 0, 0, true, true}},
		{name: "crc-7/mmc", crc: CRC{7, 0x09, 0, 0, false, false}},
		{name: "crc-8/smbus", crc: CRC{8, 0x07, 0, 0, false, false}},
		{name: "crc-8/maxim-dow", crc: CRC{8, 0x31, 0, 0, true, true}},
		{name: "crc-8/autosar", crc: CRC{8, 0x2f, 0xff, 0xff, false, false}},
		{name: "crc-10/atm", crc: CRC{10, 0x233, 0, 0, false, false}},
		{name: "crc-11/flexray", crc: CRC{11, 0x385, 0x01a, 0, false, false}},
		{name: "crc-12/umts", crc: CRC{12, 0x80f, 0, 0, false, true}},
		{name: "crc-15/can", crc: CRC{15, 0x4599, 0, 0, false, false}},
		{name: "crc-16/arc", crc: CRC{16, 0x8005, 0, 0, true, true}},
		{name: "crc-16/modbus", crc: CRC{16, 0x8005, 0xffff, 0, true, true}},
		{name: "crc-16/usb", crc: CRC{16, 0x8005, 0xffff, 0xffff, true, true}},
		{name: "crc-16/ibm-3740", crc: CRC{16, 0x1021, 0xffff, 0, false, false}},
		{name: "crc-16/xmodem", crc: CRC{16, 0x1021, 0, 0, false, false}},
		{name: "crc-16/kermit", crc: CRC{16, 0x1021, 0, 0, true, true}},
		{name: "crc-16/ibm-sdlc", crc: CRC{16, 0x1021, 0xffff, 0xffff, true, true}},
		{name: "crc-16/dnp", crc: CRC{16, 0x3d65, 0, 0xffff, true, true}},
		{name: "crc-17/can-fd", crc: CRC{17, 0x1685b, 0, 0, false, false}},
		{name: "crc-21/can-fd", crc: CRC{21, 0x102899, 0, 0, false, false}},
		{name: "crc-24/openpgp", crc: CRC{24, 0x864cfb, 0xb704ce, 0, false, false}},
		{name: "crc-31/philips", crc: CRC{31, 0x04c11db7, 0x7fffffff, 0x7fffffff, false, false}},
		{name: "crc-32/iso-hdlc", crc: CRC{32, 0x04c11db7, 0xffffffff, 0xffffffff, true, true}},
		{name: "crc-32/bzip2", crc: CRC{32, 0x04c11db7, 0xffffffff, 0xffffffff, false, false}},
		{name: "crc-32/iscsi", crc: CRC{32, 0x1edc6f41, 0xffffffff, 0xffffffff, true, true}},
		{name: "crc-32/mpeg-2", crc: CRC{32, 0x04c11db7, 0xffffffff, 0, false, false}},
		{name: "crc-40/gsm", crc: CRC{40, 0x0004820009, 0, 0xffffffffff, false, false}},
		{name: "crc-64/ecma-182", crc: CRC{64, 0x42f0e1eba9ea3693, 0, 0, false, false}},
		{name: "crc-64/xz", crc: CRC{64, 0x42f0e1eba9ea3693, ^uint64(0), ^uint64(0), true, true}},
		{name: "crc-64/go-iso", crc: CRC{64, 0x000000000000001b, ^uint64(0), ^uint64(0), true, true}},
	}
	for i := range list {
		list[i].table = sync.OnceValue(func() *crcTable { return newCRC(list[i].crc) })
	}
	return list
}()

// CRCNamed returns the parameters of a CRC that a dialect may name.
func CRCNamed(name string) (CRC, bool) {
	for i := range crcCatalogue {
		if crcCatalogue[i].name == name {
			return crcCatalogue[i].crc, true
		}
	}
	return CRC{}, false
}
