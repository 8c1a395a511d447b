package wire

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"hash/crc64"
	"strconv"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
)

// The benchmarks measure a dialect against hand-written Go for the same frame
// in the same run. The hand-written code does what a careful person would
// write for one protocol: exact integers, every byte checked, a filled struct.

const asciiDialect = `
dialect: bench-ascii
framing: {kind: delimited, end: "\r\n"}
frames:
  - name: reading
    fields:
      - "R "
      - {decimal: reading, width: 10, decimals: 3, sign: always, pad: "0"}
      - " "
      - {choice: unit, is: {mm: mm, in: in}}
      - " "
      - {choice: zone, is: {below: "1", warn-low: "2", inside: "3", warn-high: "4", above: "5", void: "6"}}
      - {flag: low, set: L, clear: "."}
      - "*"
      - {check: xor, form: hex}
      - "#"
`

const binaryDialect = `
dialect: bench-binary
framing: {kind: length, start: "\xAA\x55", size: 1, check: {check: crc-16/modbus, order: little}}
frames:
  - name: readings
    fields:
      - {int: seq, size: 1}
      - {int: channels, size: 1}
      - each: channel
        count: channels
        fields:
          - flags: state
            size: 1
            bits:
              - {bits: [0, 2], choice: zone, is: {below: 0, warn-low: 1, inside: 2, warn-high: 3, above: 4, void: 7}}
              - {bit: 3, choice: unit, is: {mm: 0, in: 1}}
              - {bit: 4, flag: low}
          - {int: reading, size: 4, order: little, sign: twos, scale: 0.00001}
`

type handReading struct {
	value      decimal.Decimal
	unit, zone string
	low        bool
}

type handFrame struct {
	seq      byte
	channels int
	ch       [8]handReading
}

var errHand = errors.New("no such frame")

func handEncodeASCII(dst []byte, r *handReading) ([]byte, error) {
	start := len(dst)
	dst = append(dst, "R "...)
	v := r.value
	if v.Exponent() != -3 {
		q := v.Quantize(-3, decimal.HalfEven)
		if !q.Equal(v) {
			return dst, errHand
		}
		v = q
	}
	n, ok := v.Coefficient()
	if !ok {
		return dst, errHand
	}
	sign := byte('+')
	if n < 0 {
		sign, n = '-', -n
	}
	if n > 99999999 {
		return dst, errHand
	}
	dst = append(dst, sign, 0, 0, 0, 0, 0, '.', 0, 0, 0)
	for i := len(dst) - 1; i >= len(dst)-9; i-- {
		if dst[i] != '.' {
			dst[i] = byte('0' + n%10)
			n /= 10
		}
	}
	dst = append(dst, ' ')
	dst = append(dst, r.unit...)
	dst = append(dst, ' ')
	switch r.zone {
	case "below":
		dst = append(dst, '1')
	case "warn-low":
		dst = append(dst, '2')
	case "inside":
		dst = append(dst, '3')
	case "warn-high":
		dst = append(dst, '4')
	case "above":
		dst = append(dst, '5')
	case "void":
		dst = append(dst, '6')
	default:
		return dst, errHand
	}
	if r.low {
		dst = append(dst, 'L')
	} else {
		dst = append(dst, '.')
	}
	dst = append(dst, '*')
	var x byte
	for _, b := range dst[start:] {
		x ^= b
	}
	const digits = "0123456789ABCDEF"
	return append(dst, digits[x>>4], digits[x&15], '#', '\r', '\n'), nil
}

func handDecode(p []byte, r *handReading) error {
	// R +00008.015 mm 3.*hh#\r\n
	if len(p) != 24 || p[0] != 'R' || p[1] != ' ' || p[12] != ' ' || p[15] != ' ' || p[18] != '*' || p[21] != '#' || p[22] != '\r' || p[23] != '\n' {
		return errHand
	}
	if p[2] != '+' && p[2] != '-' || p[8] != '.' {
		return errHand
	}
	var n int64
	for i := 3; i < 12; i++ {
		if i == 8 {
			continue
		}
		c := p[i] - '0'
		if c > 9 {
			return errHand
		}
		n = n*10 + int64(c)
	}
	if p[2] == '-' {
		n = -n
	}
	r.value = decimal.New(n, -3)
	switch string(p[13:15]) {
	case "mm":
		r.unit = "mm"
	case "in":
		r.unit = "in"
	default:
		return errHand
	}
	switch p[16] {
	case '1':
		r.zone = "below"
	case '2':
		r.zone = "warn-low"
	case '3':
		r.zone = "inside"
	case '4':
		r.zone = "warn-high"
	case '5':
		r.zone = "above"
	case '6':
		r.zone = "void"
	default:
		return errHand
	}
	switch p[17] {
	case 'L':
		r.low = true
	case '.':
		r.low = false
	default:
		return errHand
	}
	var x byte
	for _, b := range p[:19] {
		x ^= b
	}
	hi, ok1 := hexDigit(p[19])
	lo, ok2 := hexDigit(p[20])
	if !ok1 || !ok2 || hi<<4|lo != x {
		return errHand
	}
	return nil
}

var handCRC = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xa001
			} else {
				c >>= 1
			}
		}
		t[i] = c
	}
	return t
}()

func handCRC16(p []byte) uint16 {
	c := uint16(0xffff)
	for _, b := range p {
		c = c>>8 ^ handCRC[byte(c)^b]
	}
	return c
}

var handZones = [8]string{"below", "warn-low", "inside", "warn-high", "above", "", "", "void"}

func handEncodeBinary(dst []byte, f *handFrame) ([]byte, error) {
	dst = append(dst, 0xaa, 0x55, 0)
	body := len(dst)
	dst = append(dst, f.seq, byte(f.channels))
	for i := range f.channels {
		r := &f.ch[i]
		s := byte(255)
		for j, z := range handZones {
			if z == r.zone {
				s = byte(j)
				break
			}
		}
		if s == 255 {
			return dst, errHand
		}
		switch r.unit {
		case "mm":
		case "in":
			s |= 8
		default:
			return dst, errHand
		}
		if r.low {
			s |= 16
		}
		v := r.value
		if v.Exponent() != -5 {
			q := v.Quantize(-5, decimal.HalfEven)
			if !q.Equal(v) {
				return dst, errHand
			}
			v = q
		}
		n, ok := v.Coefficient()
		if !ok || n != int64(int32(n)) {
			return dst, errHand
		}
		dst = append(dst, s)
		dst = binary.LittleEndian.AppendUint32(dst, uint32(n))
	}
	dst[body-1] = byte(len(dst) - body + 2)
	return binary.LittleEndian.AppendUint16(dst, handCRC16(dst[body-1:])), nil
}

func handDecodeBinary(p []byte, f *handFrame) error {
	if len(p) < 7 || p[0] != 0xaa || p[1] != 0x55 || int(p[2]) != len(p)-3 {
		return errHand
	}
	end := len(p) - 2
	if handCRC16(p[2:end]) != binary.LittleEndian.Uint16(p[end:]) {
		return errHand
	}
	f.seq, f.channels = p[3], int(p[4])
	if f.channels > len(f.ch) || end != 5+5*f.channels {
		return errHand
	}
	for i := range f.channels {
		q := p[5+5*i:]
		r := &f.ch[i]
		if q[0]>>5 != 0 {
			return errHand
		}
		if r.zone = handZones[q[0]&7]; r.zone == "" {
			return errHand
		}
		r.unit = "mm"
		if q[0]&8 != 0 {
			r.unit = "in"
		}
		r.low = q[0]&16 != 0
		r.value = decimal.New(int64(int32(binary.LittleEndian.Uint32(q[1:]))), -5)
	}
	return nil
}

// handStream finds frames in a stream by hand: as the End does, however the
// bytes are split, with the time of a frame's first byte.
type handStream struct {
	buf   []byte
	start time.Duration
}

func (s *handStream) lines(p []byte, at time.Duration, frame func(raw []byte, start time.Duration)) {
	for len(p) > 0 {
		if len(s.buf) == 0 {
			s.start = at
		}
		n := bytes.IndexByte(p, '\n') + 1
		switch {
		case n == 0:
			if s.buf = append(s.buf, p...); len(s.buf) > 64 {
				s.buf = s.buf[:0]
			}
			return
		case len(s.buf) == 0:
			frame(p[:n], s.start)
		default:
			s.buf = append(s.buf, p[:n]...)
			frame(s.buf, s.start)
			s.buf = s.buf[:0]
		}
		p = p[n:]
	}
}

func (s *handStream) counted(p []byte, at time.Duration, frame func(raw []byte, start time.Duration) bool) {
	if len(s.buf) == 0 {
		s.start = at
	}
	s.buf = append(s.buf, p...)
	for len(s.buf) >= 3 {
		n := 3 + int(s.buf[2])
		if s.buf[0] == 0xaa && s.buf[1] == 0x55 {
			if n > len(s.buf) {
				return
			}
			if !frame(s.buf[:n], s.start) {
				n = 1
			}
		} else {
			n = 1
		}
		s.buf = s.buf[:copy(s.buf, s.buf[n:])]
		s.start = at
	}
}

// ratio runs two pieces of work in turn, in short batches, and reports the
// least time of a batch of each and how many times slower the first is. The
// least time is the one that other work on the machine disturbs least.
func ratio(b *testing.B, ours, hand func()) {
	b.ReportAllocs()
	ours()
	hand()
	if n := testing.AllocsPerRun(100, ours); n != 0 {
		b.Errorf("%v allocations a frame", n)
	}
	const batch = 64
	least := [2]time.Duration{time.Hour, time.Hour}
	b.ResetTimer()
	for range b.N {
		for k, work := range [2]func(){ours, hand} {
			start := time.Now()
			for range batch {
				work()
			}
			least[k] = min(least[k], time.Since(start))
		}
	}
	b.ReportMetric(float64(least[0].Nanoseconds())/batch, "ns/frame")
	b.ReportMetric(float64(least[1].Nanoseconds())/batch, "hand-ns/frame")
	b.ReportMetric(float64(least[0])/float64(least[1]), "times-hand")
}

func benchASCII(b *testing.B) (*Dialect, *Record, []byte, handReading) {
	d := parse(b, "bench-ascii.yaml", asciiDialect)
	rec := set(d, d.NewRecord(), 0, Reading, "8.015", Unit, "mm", Zone, "inside", Low, false)
	raw, err := d.AppendFrame(nil, 0, rec)
	if err != nil || len(raw) != 24 {
		b.Fatalf("%q has %d bytes: %v", raw, len(raw), err)
	}
	h := handReading{decimal.MustParse("8.015"), "mm", "inside", false}
	own, err := handEncodeASCII(nil, &h)
	if err != nil || string(own) != string(raw) {
		b.Fatalf("by hand %q, by the dialect %q", own, raw)
	}
	return d, rec, raw, h
}

func BenchmarkEncodeASCII(b *testing.B) {
	d, rec, raw, h := benchASCII(b)
	buf := make([]byte, 0, 64)
	ratio(b, func() {
		var err error
		if buf, err = d.AppendFrame(buf[:0], 0, rec); err != nil || len(buf) != len(raw) {
			b.Fatal(err)
		}
	}, func() {
		var err error
		if buf, err = handEncodeASCII(buf[:0], &h); err != nil || len(buf) != len(raw) {
			b.Fatal(err)
		}
	})
}

func BenchmarkDecodeASCII(b *testing.B) {
	d, _, raw, h := benchASCII(b)
	e := d.NewEnd(Host)
	good := 0
	count := func(inc Incoming) {
		if inc.Garbage == nil {
			good++
		}
	}
	var stream handStream
	hands := 0
	hand := func(raw []byte, _ time.Duration) {
		if handDecode(raw, &h) == nil {
			hands++
		}
	}
	ratio(b, func() {
		before := good
		e.Receive(raw, 0, count)
		if good != before+1 {
			b.Fatal("no frame")
		}
	}, func() {
		before := hands
		stream.lines(raw, 0, hand)
		if hands != before+1 {
			b.Fatal("no frame")
		}
	})
}

func benchBinary(b *testing.B) (*Dialect, *Record, []byte, handFrame) {
	d := parse(b, "bench-binary.yaml", binaryDialect)
	rec := d.NewRecord()
	h := handFrame{seq: 7, channels: 4}
	for i := range 4 {
		v := "8.0150" + strconv.Itoa(i)
		set(d, rec, i, Reading, v, Unit, "mm", Zone, "inside", Low, false)
		h.ch[i] = handReading{decimal.MustParse(v), "mm", "inside", false}
	}
	set(d, rec, 0, Seq, 7, Channels, 4)
	raw, err := d.AppendFrame(nil, 0, rec)
	if err != nil {
		b.Fatal(err)
	}
	return d, rec, raw, h
}

func BenchmarkEncodeBinary(b *testing.B) {
	d, rec, raw, h := benchBinary(b)
	buf := make([]byte, 0, 64)
	ratio(b, func() {
		var err error
		if buf, err = d.AppendFrame(buf[:0], 0, rec); err != nil || len(buf) != len(raw) {
			b.Fatal(err)
		}
	}, func() {
		var err error
		if buf, err = handEncodeBinary(buf[:0], &h); err != nil || len(buf) != len(raw) {
			b.Fatal(err)
		}
	})
}

func BenchmarkDecodeBinary(b *testing.B) {
	d, _, raw, h := benchBinary(b)
	// By hand the length byte is under the check as well.
	own, err := handEncodeBinary(nil, &h)
	if err != nil || len(own) != len(raw) {
		b.Fatal(err)
	}
	e := d.NewEnd(Host)
	good := 0
	count := func(inc Incoming) {
		if inc.Garbage == nil {
			good++
		}
	}
	var stream handStream
	hands := 0
	hand := func(raw []byte, _ time.Duration) bool {
		if handDecodeBinary(raw, &h) != nil {
			return false
		}
		hands++
		return true
	}
	ratio(b, func() {
		before := good
		e.Receive(raw, 0, count)
		if good != before+1 {
			b.Fatal("no frame")
		}
	}, func() {
		before := hands
		stream.counted(own, 0, hand)
		if hands != before+1 {
			b.Fatal("no frame")
		}
	})
}

// BenchmarkCRC32 compares a 32-bit CRC with the standard library's software
// path: a polynomial for which it has no hardware path. It goes byte by byte
// there; BenchmarkCRC64 has the comparison with slices.
func BenchmarkCRC32(b *testing.B) {
	for _, size := range []int{16, 256, 4096} {
		b.Run(strconv.Itoa(size), func(b *testing.B) {
			p := make([]byte, size)
			for i := range p {
				p[i] = byte(i * 31)
			}
			ours := newCRC(CRC{32, 0x741b8cd7, 0xffffffff, 0xffffffff, true, true})
			lib := crc32.MakeTable(crc32.Koopman)
			if ours.sum(p) != uint64(crc32.Checksum(p, lib)) {
				b.Fatal("the two differ")
			}
			var s uint64
			ratio(b, func() { s += ours.sum(p) }, func() { s += uint64(crc32.Checksum(p, lib)) })
		})
	}
}

// BenchmarkCRC64 compares with the standard library's own slicing by eight,
// which is what its software path for 32 bits does as well.
func BenchmarkCRC64(b *testing.B) {
	for _, size := range []int{16, 256, 4096} {
		b.Run(strconv.Itoa(size), func(b *testing.B) {
			p := make([]byte, size)
			for i := range p {
				p[i] = byte(i * 31)
			}
			c, err := newChecker("crc-64/xz", 1, nil)
			if err != nil {
				b.Fatal(err)
			}
			lib := crc64.MakeTable(crc64.ECMA)
			if c.sum(p) != crc64.Checksum(p, lib) {
				b.Fatal("the two differ")
			}
			var s uint64
			ratio(b, func() { s += c.sum(p) }, func() { s += crc64.Checksum(p, lib) })
		})
	}
}
