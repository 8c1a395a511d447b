package wire

import "bytes"

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
		appendHex(dst[from+2*i:from+2*i], uint64(b), 2)
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
