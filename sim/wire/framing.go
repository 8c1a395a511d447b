package wire

import (
	"bytes"
	"time"
)

// framing tells one frame from the next: it wraps a body on the way out, and
// on the way in (see End) finds the frame and unwraps it.
type framing struct {
	kind     framingKind
	lead     []byte // sent before a frame; an empty frame to the receiver
	start    []byte
	end      []byte
	ors      [][]byte
	endSet   byteSet // bytes of every end, skipped between frames when there are several ends
	bytes    int
	longest  int // bytes of the body, its check included
	rawMost  int // bytes of a whole frame as sent
	size     int
	order    byteOrder
	after    int
	plus     int
	stuffed  bool
	escape   byte
	xor      byte
	swap     [][2]byte // SLIP: byte and what stands for it
	double   bool
	twice    byte
	gap      time.Duration
	gapChars int // tenths of a character; used when gap is 0
	early    bool
	stale    time.Duration
	hex      bool
	check    *op
	covers   uint8
	beyond   bool
	alone    byteSet // bracketed: bytes that are a frame by themselves
	split    byte
	path     byte
	plain    bool // the body stands as it is before the end
	// oneEnd: the frame ends at the first end byte, with nothing more to think of.
	oneEnd bool
	empty  bool // some frame has an empty body
}

const (
	coversBody uint8 = iota
	coversBodyAndEnd
	coversAll
)

// open writes what stands before the body.
func (f *framing) open(dst []byte) []byte { return append(append(dst, f.lead...), f.start...) }

// close wraps the body dst[body:], whose frame starts at dst[frame:].
func (f *framing) close(dst []byte, frame, body int) ([]byte, string) {
	if len(dst) == body+1 && f.alone.has(dst[body]) {
		return append(dst[:frame], dst[body]), ""
	}
	if f.kind == lengthPrefixed {
		n := len(dst) - body - f.after
		if n < 0 {
			return dst, "is shorter than the part before its length field"
		}
		if f.check != nil {
			n += f.check.width
		}
		u := n + f.plus
		if u < 0 || f.size < 8 && uint64(u)>>(8*f.size) != 0 {
			return dst, whyLength
		}
		dst = appendFill(dst, 0, f.size)
		at := body + f.after
		copy(dst[at+f.size:], dst[at:len(dst)-f.size])
		appendUint(dst[at:at], uint64(u), f.size, f.order)
	}
	if f.check != nil && !f.beyond {
		from := body
		if f.covers == coversAll {
			from = frame
		}
		dst = f.check.appendCheck(dst, f.check.check.sum(dst[from:]))
	}
	if n := len(dst) - body; n > f.longest+f.size {
		return dst, "is longer than the framing allows"
	}
	if f.kind == fixedLength && len(dst)-frame != f.bytes {
		return dst, "is not of the fixed length"
	}
	if f.hex {
		n := len(dst) - body
		dst = appendFill(dst, 0, n)
		for i := n - 1; i >= 0; i-- {
			b := dst[body+i]
			appendHex(dst[body+2*i:body+2*i], uint64(b), 2, false)
		}
	}
	switch {
	case f.kind == cobs:
		dst = cobsEncode(dst, body)
	case f.stuffed:
		dst = f.stuff(dst, body)
	}
	dst = append(dst, f.end...)
	if f.check != nil && f.beyond {
		from, to := body, len(dst)
		switch f.covers {
		case coversBody:
			to -= len(f.end)
		case coversAll:
			from = frame
		}
		dst = f.check.appendCheck(dst, f.check.check.sum(dst[from:to]))
	}
	return dst, ""
}

// stuff replaces the bytes that mean something to the framing.
func (f *framing) stuff(dst []byte, body int) []byte {
	extra := 0
	for _, b := range dst[body:] {
		if _, yes := f.stand(b); yes {
			extra++
		}
	}
	if extra == 0 {
		return dst
	}
	n := len(dst)
	dst = appendFill(dst, 0, extra)
	w := len(dst)
	for r := n - 1; r >= body; r-- {
		b := dst[r]
		if s, yes := f.stand(b); yes {
			w -= 2
			dst[w], dst[w+1] = f.escape, s
			if f.double {
				dst[w] = b
			}
		} else {
			w--
			dst[w] = b
		}
	}
	return dst
}

// stand returns what stands for a byte after the escape.
func (f *framing) stand(b byte) (byte, bool) {
	if f.double {
		return b, b == f.twice
	}
	for _, s := range f.swap {
		if s[0] == b {
			return s[1], true
		}
	}
	if len(f.swap) > 0 {
		return 0, false
	}
	if b == f.escape || bytes.IndexByte(f.start, b) >= 0 || bytes.IndexByte(f.end, b) >= 0 {
		return b ^ f.xor, true
	}
	return 0, false
}

// unstuff undoes stuff into out; ok is false when an escape is followed by
// nothing it may be followed by.
func (f *framing) unstuff(out, raw []byte) (_ []byte, ok bool) {
	esc := f.escape
	if f.double {
		esc = f.twice
	}
	for i := 0; i < len(raw); i++ {
		b := raw[i]
		if b != esc {
			out = append(out, b)
			continue
		}
		if i++; i == len(raw) {
			return out, false
		}
		c := raw[i]
		switch {
		case f.double:
			if c != f.twice {
				return out, false
			}
			out = append(out, c)
		case len(f.swap) > 0:
			found := false
			for _, s := range f.swap {
				if s[1] == c {
					out, found = append(out, s[0]), true
				}
			}
			if !found {
				return out, false
			}
		default:
			out = append(out, c^f.xor)
		}
	}
	return out, true
}

// cobsEncode codes dst[body:] by consistent overhead byte stuffing, without
// the zero that ends the frame.
func cobsEncode(dst []byte, body int) []byte {
	n := len(dst) - body
	dst = append(dst, dst[body:]...) // the source moves behind
	src := dst[body+n:]
	out := dst[:body]
	// The coded form is at most n/254+1 bytes longer: make room between the two.
	room := n/254 + 2
	dst = appendFill(dst, 0, room)
	copy(dst[body+n+room:], src)
	src = dst[body+n+room : body+2*n+room]
	code := len(out)
	out = append(out, 0)
	run := byte(1)
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

func cobsDecode(out, raw []byte) (_ []byte, ok bool) {
	for len(raw) > 0 {
		run := int(raw[0])
		if run == 0 || run > len(raw) {
			return out, false
		}
		out = append(out, raw[1:run]...)
		raw = raw[run:]
		if run < 0xff && len(raw) > 0 {
			out = append(out, 0)
		}
	}
	return out, true
}

// unwrap finds the body of a whole frame. scratch is used when the body has to
// be rewritten. badSum is true when only the check was wrong.
func (f *framing) unwrap(raw, scratch []byte) (body, newScratch []byte, why string, badSum bool) {
	if len(raw) == 1 && f.alone.has(raw[0]) {
		return raw, scratch, "", false
	}
	frameEnd := len(raw)
	var tail []byte
	if f.beyond {
		tail = raw[len(raw)-f.check.width:]
		frameEnd -= f.check.width
	}
	end := f.endOf(raw[:frameEnd])
	if len(f.start)+end > frameEnd {
		return nil, scratch, whyEnd, false
	}
	body = raw[len(f.start) : frameEnd-end]
	if tail != nil {
		from, to := len(f.start), frameEnd
		switch f.covers {
		case coversBody:
			to -= end
		case coversAll:
			from = 0
		}
		badSum = !f.check.sumMatches(tail, f.check.check.sum(raw[from:to]))
	}
	switch {
	case f.kind == cobs:
		out, ok := cobsDecode(scratch[:0], body)
		if !ok {
			return nil, out, "is not coded as COBS", false
		}
		body, scratch = out, out
	case f.stuffed:
		out, ok := f.unstuff(scratch[:0], body)
		if !ok {
			return nil, out, "has an escape that stands for nothing", false
		}
		body, scratch = out, out
	}
	if f.hex {
		if len(body)%2 != 0 {
			return nil, scratch, "has an odd number of hexadecimal digits", false
		}
		out := scratch[:0]
		if f.stuffed || f.kind == cobs {
			out = body[:0]
		}
		for i := 0; i < len(body); i += 2 {
			hi, ok1 := hexDigit(body[i])
			lo, ok2 := hexDigit(body[i+1])
			if !ok1 || !ok2 {
				return nil, scratch, "has a character that is no hexadecimal digit", false
			}
			out = append(out, hi<<4|lo)
		}
		body, scratch = out, out
	}
	if f.check != nil && !f.beyond {
		n := len(body) - f.check.width
		if n < 0 || f.kind == lengthPrefixed && n < f.after+f.size {
			return nil, scratch, whyEnd, false
		}
		covered := body[:n]
		if f.covers == coversAll {
			covered = raw[:len(raw)-f.check.width]
		}
		badSum = !f.check.sumMatches(body[n:], f.check.check.sum(covered))
		body = body[:n]
	}
	if f.kind == lengthPrefixed {
		// Close up over the length field.
		if f.after == 0 {
			body = body[f.size:]
		} else {
			out := append(scratch[:0], body[:f.after]...)
			out = append(out, body[f.after+f.size:]...)
			body, scratch = out, out
		}
	}
	return body, scratch, "", badSum
}

// endOf returns the length of the end the bytes carry.
func (f *framing) endOf(raw []byte) int {
	if bytes.HasSuffix(raw, f.end) {
		return len(f.end)
	}
	for _, o := range f.ors {
		if bytes.HasSuffix(raw, o) {
			return len(o)
		}
	}
	return 0
}

// ended says whether the bytes end a frame.
func (f *framing) ended(raw []byte) bool {
	if n := len(raw); len(f.end) == 2 && n > 1 && raw[n-1] == f.end[1] && raw[n-2] == f.end[0] {
		return true
	}
	return bytes.HasSuffix(raw, f.end) || len(f.ors) > 0 && f.endOf(raw) > 0
}

// unit is one of several commands, or replies, in one line.
type unit struct {
	at     int    // where it stands in the body, white space left out
	prefix []byte // the level its name continues at
	text   []byte
	more   bool
}

// units splits a body at the framing's split byte, outside double quotes. Of
// what a host sends, a name without a leading path byte continues at the level
// of the one before (SCPI-99 volume 1 §6.2.4).
func (f *framing) units(body []byte, from Side, each func(unit)) {
	var path []byte
	quoted := false
	start := 0
	for i := 0; i <= len(body); i++ {
		if i < len(body) {
			if body[i] == '"' {
				quoted = !quoted
			}
			if body[i] != f.split || quoted {
				continue
			}
		}
		raw := body[start:i]
		text := bytes.TrimSpace(raw)
		u := unit{at: start + len(raw) - len(bytes.TrimLeft(raw, " \t\r\n\v\f")), text: text, more: i < len(body)}
		start = i + 1
		if f.path != 0 && from == Host && len(text) > 0 && text[0] != '*' {
			if text[0] != f.path {
				u.prefix = path
			}
			name := text
			if k := bytes.IndexByte(name, ' '); k >= 0 {
				name = name[:k]
			}
			if k := bytes.LastIndexByte(name, f.path); k >= 0 {
				path = append(append([]byte{}, u.prefix...), name[:k+1]...)
			}
		}
		each(u)
	}
}
