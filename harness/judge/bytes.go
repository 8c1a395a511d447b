package judge

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"example.org/understudy/sim/decimal"
)

// atItsWord is the length of a reading whose frame holds a binary fraction of 32 bits, taken
// for exactly that number.
func atItsWord(it *item) (pm decimal.Decimal, ok bool) {
	if it.r == nil || it.r.Void || it.seen == nil {
		return pm, false
	}
	f := float32(it.r.Shown.Float64())
	bits := math.Float32bits(f)
	big, little := binary.BigEndian.AppendUint32(nil, bits), binary.LittleEndian.AppendUint32(nil, bits)
	if !bytes.Contains(it.seen.Bytes, big) && !bytes.Contains(it.seen.Bytes, little) {
		return pm, false
	}
	v, err := decimal.Parse(strconv.FormatFloat(float64(f), 'f', 24, 64))
	return v.Mul(decimal.New(int64(it.r.Unit.Size()), 0)), err == nil
}

const asLiteral = "the binary fraction of 32 bits in the frame is taken at its word, not for the decimal that it stands for"

// asCut is what the binary fraction of 32 bits in the frame is when it is cut off to so many
// decimals.
func asCut(it *item, places int) (pm decimal.Decimal, ok bool) {
	if pm, ok = atItsWord(it); ok {
		size := decimal.New(int64(it.r.Unit.Size()), 0)
		pm = pm.Quo(size, -places, decimal.Truncate).Mul(size)
	}
	return pm, ok
}

// place is where in binary frames a number stands, and how.
type place struct {
	at, width int
	little    bool // the lowest byte comes first
	single    bool // a binary fraction of 32 bits
	exponent  int
}

// cut are the bytes of a number, the highest first; nil where the frame has none there.
func (p place) cut(b []byte) []byte {
	if p.at+p.width > len(b) {
		return nil
	}
	b = slices.Clone(b[p.at : p.at+p.width])
	if p.little {
		slices.Reverse(b)
	}
	return b
}

// signed is a number in two's complement, the highest byte first.
func signed(b []byte) (n int64) {
	for k, one := range b {
		if n = n<<8 | int64(one); k == 0 {
			n = int64(int8(one))
		}
	}
	return n
}

// as is the number that bytes make.
func (p place) as(b []byte) (v decimal.Decimal, ok bool) {
	if !p.single || len(b) != 4 {
		return decimal.New(signed(b), p.exponent), len(b) > 0
	}
	f := float64(math.Float32frombits(binary.BigEndian.Uint32(b)))
	if math.IsNaN(f) || math.Abs(f) > 1e9 {
		return v, false
	}
	v, err := decimal.Parse(strconv.FormatFloat(f, 'f', -1, 32))
	return v, err == nil
}

// placed finds where the number of a reading stands in its frame.
func placed(it *item) (all []place) {
	if it.r == nil || it.r.Void || it.seen == nil {
		return nil
	}
	for at := range it.seen.Bytes {
		for _, p := range []place{{width: 4}, {width: 3}, {width: 2}, {width: 4, single: true}} {
			for e := it.r.Shown.Exponent(); e >= it.r.Shown.Exponent()-3 && (!p.single || e == it.r.Shown.Exponent()); e-- {
				for _, p.little = range []bool{false, true} {
					p.at, p.exponent = at, e
					if v, ok := p.as(p.cut(it.seen.Bytes)); ok && v.Equal(it.r.Shown) {
						all = append(all, p)
					}
				}
			}
		}
	}
	return all
}

// misread are the ways in which the bytes of a number can be taken for another one.
func (j *judging) misread(add adds, examples []*item) {
	for n, it := range examples {
		if ps := placed(it); len(ps) > 0 {
			ps = slices.DeleteFunc(ps, func(p place) bool {
				return slices.ContainsFunc(examples[n+1:], func(it *item) bool { return it.r != nil && !it.r.Void && !slices.Contains(placed(it), p) })
			})
			if len(ps) > 0 {
				j.miscut(add, ps[0])
			}
			break
		}
	}
	j.codes(add, examples)
}

// miscut are the ways to take the bytes at a place otherwise than they are meant.
func (j *judging) miscut(add adds, p place) {
	way := func(bits float64, text string, cut func(b []byte) []byte) {
		add(bits, text, func(it *item) (answer, bool) {
			if it.r == nil || it.r.Void || it.seen == nil {
				return answer{}, false
			}
			b := p.cut(it.seen.Bytes)
			if b == nil {
				return answer{}, false
			}
			v, ok := p.as(cut(b))
			return j.shown(it, v.Mul(decimal.New(int64(it.r.Unit.Size()), 0))), ok
		})
	}
	way(3, "the bytes of the value are taken in the reverse order", func(b []byte) []byte { slices.Reverse(b); return b })
	if p.width == 4 {
		way(3.5, "the two halves of the bytes of the value are exchanged", func(b []byte) []byte { return append(b[2:4:4], b[:2]...) })
		way(3.5, "the bytes of the value are exchanged in pairs", func(b []byte) []byte { return []byte{b[1], b[0], b[3], b[2]} })
	}
	if p.single {
		return
	}
	for less := 1; p.width-less >= 2; less++ {
		way(3.5+float64(less)/2, fmt.Sprintf("of the %d bytes of the value the last %d alone are read", p.width, p.width-less), func(b []byte) []byte { return b[less:] })
		way(4+float64(less)/2, fmt.Sprintf("of the %d bytes of the value the last %d alone are read, and without a sign", p.width, p.width-less), func(b []byte) []byte { return append([]byte{0}, b[less:]...) })
	}
	for _, or := range []bool{true, false} {
		bits, text := 6.5, "added up"
		if or {
			bits, text = 6, "joined"
		}
		way(bits, "the bytes of the value are "+text+" as signed ones", func(b []byte) []byte {
			var n int64
			for k, one := range b {
				part := int64(int8(one)) << (8 * (len(b) - 1 - k))
				if or {
					n |= part
				} else {
					n += part
				}
			}
			return binary.BigEndian.AppendUint64(nil, uint64(n))
		})
	}
	way(3.5, "the first bit of the value is taken for its sign, and the others for its magnitude", func(b []byte) []byte {
		n := signed(b)
		if n < 0 {
			n = -(n & (1<<(8*p.width-1) - 1))
		}
		return binary.BigEndian.AppendUint64(nil, uint64(n))
	})
}

// codes are what the bytes of void readings say as numbers, where they say what the
// examples show: the code for there being none is taken for a number.
func (j *judging) codes(add adds, examples []*item) {
	voids := slices.DeleteFunc(slices.Clone(examples), func(it *item) bool {
		return it.rec < 0 || !it.w.Void || it.seen == nil || !j.rows[it.rec].hasValue
	})
	if len(voids) == 0 {
		return
	}
	for at := range voids[0].seen.Bytes {
		for _, p := range []place{{width: 2}, {width: 3}, {width: 4}} {
			for p.exponent = -7; p.exponent <= 0; p.exponent++ {
				for _, p.little = range []bool{false, true} {
					p.at = at
					j.coded(add, voids, p)
				}
			}
		}
	}
}

// coded are codes at one place of the frame.
func (j *judging) coded(add adds, voids []*item, p place) {
	code := func(it *item) string { return string(p.cut(it.seen.Bytes)) }
	number := func(it *item) (answer, bool) {
		v, ok := p.as(p.cut(it.seen.Bytes))
		return j.shown(it, v.Mul(decimal.New(int64(j.Unit.Size()), 0))), ok
	}
	codes := map[string]bool{}
	for _, it := range voids {
		if a, ok := number(it); ok && equal(a.v, *j.rows[it.rec].value) && a.v.Sign() != 0 {
			codes[code(it)] = true
		}
	}
	if !codes[code(voids[0])] {
		return
	}
	var names []string
	for _, c := range slices.Sorted(maps.Keys(codes)) {
		b := []byte(c)
		if p.little {
			slices.Reverse(b)
		}
		names = append(names, fmt.Sprintf("% x", b))
	}
	verbs := [2]string{"says that there is no reading, and is taken for a number", "say that there is no reading, and are taken for numbers"}
	add(8, fmt.Sprintf("%s in bytes %d to %d of the frame %s", strings.Join(names, " and "), p.at+1, p.at+p.width, verbs[min(1, len(names)-1)]), func(it *item) (answer, bool) {
		if !it.w.Void || it.seen == nil || !codes[code(it)] {
			return answer{}, false
		}
		return number(it)
	})
}
