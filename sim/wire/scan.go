package wire

import (
	"bytes"
	"errors"
)

// scanned is what stands at the beginning of the bytes in hand.
type scanned uint8

const (
	scanMore  scanned = iota // the beginning of a frame
	scanFrame                // a frame
	scanJunk                 // bytes that are none
	scanLong                 // bytes of what is too long for a frame
)

var (
	errUnfinished = errors.New("the frame was left unfinished")
	errTooLong    = errors.New("the frame is longer than the framing allows")
	errOutside    = errors.New("the bytes stand outside a frame")
	errRestart    = errors.New("another frame starts before this one has ended")
)

// scan looks at the beginning of the bytes in hand. The first seen of them were
// looked at before, and were the beginning of a frame. What it finds does not
// depend on how many bytes follow.
func (f *framing) scan(buf []byte, seen int) (n int, what scanned, why error) {
	switch f.Kind {
	case fixedLength, lengthPrefixed:
		return f.scanCounted(buf)
	case bracketed:
		return f.scanBracketed(buf, seen)
	case syncBit:
		return f.scanSync(buf)
	case silence:
		if len(buf) > f.rawMost {
			return len(buf), scanLong, errTooLong
		}
		return 0, scanMore, nil
	}
	// An end may be split between what was seen and what is new.
	last, most := f.end[len(f.end)-1], min(len(buf), f.rawMost)
	for i := seen; i < most; i++ {
		if len(f.ors) == 0 { // only the end's last byte can end a frame
			k := bytes.IndexByte(buf[i:most], last)
			if k < 0 {
				break
			}
			i += k
		}
		if f.ends.has(buf[i]) && f.endOf(buf[:i+1]) > 0 {
			return i + 1, scanFrame, nil
		}
	}
	if len(buf) >= f.rawMost {
		return f.rawMost - len(f.end) + 1, scanLong, errTooLong
	}
	return 0, scanMore, nil
}

// scanCounted reads a frame whose length is known, or said by it.
func (f *framing) scanCounted(buf []byte) (n int, what scanned, why error) {
	if k := min(len(buf), len(f.start)); !bytes.Equal(buf[:k], f.start[:k]) {
		return 1, scanJunk, errOutside
	}
	n = f.Bytes
	if f.Kind == lengthPrefixed {
		head := len(f.start) + f.After + f.Size
		if len(buf) < head {
			return 0, scanMore, nil
		}
		u := readUint(buf[head-f.Size:head], f.Order)
		n = int(min(u, 1<<30)) - f.Plus
		if n < 0 || n+f.After > f.longest {
			return 1, scanJunk, errOutside
		}
		n += head
	}
	if len(buf) < n {
		return 0, scanMore, nil
	}
	return n, scanFrame, nil
}

func (f *framing) scanSync(buf []byte) (n int, what scanned, why error) {
	k := min(len(buf), f.Bytes)
	switch i := f.unsynced(buf[:k]); {
	case i == 0:
		return 1, scanJunk, errOutside
	case i > 0:
		return i, scanJunk, errRestart
	case k < f.Bytes:
		return 0, scanMore, nil
	}
	return f.Bytes, scanFrame, nil
}

// scanBracketed reads a frame between a start and an end.
func (f *framing) scanBracketed(buf []byte, seen int) (n int, what scanned, why error) {
	if f.alone.has(buf[0]) {
		return 1, scanFrame, nil
	}
	if k := min(len(buf), len(f.start)); !bytes.Equal(buf[:k], f.start[:k]) {
		return 1, scanJunk, errOutside
	}
	after := 0
	if f.Beyond {
		after = f.check.width
	}
	for n := max(seen, len(f.start)) + 1; n <= len(buf); n++ {
		raw := buf[:n]
		switch end := n - after; {
		case end >= len(f.start)+len(f.end) && f.closes(raw[:end]):
			return n, scanFrame, nil
		case f.starts(raw) && !f.closesBefore(raw, after):
			return n - len(f.start), scanJunk, errRestart
		case n >= f.rawMost:
			return n, scanJunk, errTooLong
		}
	}
	return 0, scanMore, nil
}

// closes says whether the bytes, which begin with the start, end a frame.
func (f *framing) closes(raw []byte) bool { return f.endOf(raw) > 0 && f.unpaired(raw) }

// starts says whether a new start stands at the end of the bytes.
func (f *framing) starts(raw []byte) bool { return bytes.HasSuffix(raw, f.start) && f.unpaired(raw) }

// closesBefore says whether the end is already there and only the check is wanted.
func (f *framing) closesBefore(raw []byte, after int) bool {
	for n := len(raw); n > len(raw)-after && n >= len(f.start)+len(f.end); n-- {
		if f.closes(raw[:n]) {
			return true
		}
	}
	return false
}

// unpaired says whether a byte that is sent twice inside a frame stands alone
// before the last one, so that the two mean something to the framing.
func (f *framing) unpaired(raw []byte) bool {
	if f.stuffed == nil || !f.stuffed.double {
		return true
	}
	n := 0
	for i := len(raw) - 2; i >= len(f.start) && raw[i] == f.stuffed.escape; i-- {
		n++
	}
	return n%2 == 1
}
