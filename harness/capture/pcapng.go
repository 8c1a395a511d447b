package capture

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"
)

// The form of the file is pcapng (IETF draft-ietf-opsawg-pcapng): a section
// header, an interface description for each line, and an enhanced packet block
// for each event, with times in nanoseconds.
//
// The link type is LINKTYPE_RTAC_SERIAL (250 in tcpdump.org's list of link
// types). Of the types in that list it is the one that is made for an
// asynchronous serial line: every packet says its direction and how the control
// lines stand, Wireshark and tshark take it apart without being set up, and its
// bytes can be decoded further as Modbus RTU there. LINKTYPE_USER0 would carry
// the bytes too, but shows nothing of a line before the reader has set it up.
const (
	linkSerial = 250 // LINKTYPE_RTAC_SERIAL
	linkUser0  = 147 // LINKTYPE_USER0 to LINKTYPE_USER15: bytes and nothing else
	linkUser15 = 162

	blockSection   = 0x0A0D0D0A
	blockInterface = 1
	blockPacket    = 6
	orderMagic     = 0x1A2B3C4D

	optEnd         = 0
	optComment     = 1
	optName        = 2 // of an interface
	optDescription = 3
	optFlags       = 2 // of a packet
	optProgram     = 4 // of a section
	optSpeed       = 8
	optResolution  = 9
	optOffset      = 14

	inbound, outbound = 1, 2 // optFlags, bits 0 and 1
)

// Types of a serial packet, and its control lines: see Wireshark's
// epan/dissectors/packet-rtacser.c. The capturing side is the host's, so what
// it transmits is for the gauge.
const (
	serialHeader = 12 // seconds, microseconds, type, control lines, footer

	serialStatus = 0
	serialToHost = 2 // DATA_RX_START
	serialToMe   = 1 // DATA_TX_START: from the host to the gauge
	serialLost   = 5 // CAPTURE_DATA_LOST
	serialBreak  = 9 // SERIAL_BREAK_EVENT

	lineRTS = 0x08
	lineDTR = 0x10
)

// MaxPacket is the most bytes of one event; longer ones are split when they
// are written, and refused when they are read.
const MaxPacket = 1 << 16

// A Writer appends events to a pcapng file. Each event is a whole block, so a
// capture that is cut off is readable up to the last whole one.
type Writer struct {
	w     io.Writer
	began time.Time
	lines int
	buf   []byte
}

// NewWriter writes the beginning of a capture of lines.
func NewWriter(w io.Writer, began time.Time, lines []Line) (*Writer, error) {
	c := &Writer{w: w, began: began, lines: len(lines)}
	c.begin(blockSection)
	c.put(uint32(orderMagic), uint16(1), uint16(0), uint64(math.MaxUint64)) // the section's length is not known
	c.option(optProgram, []byte("understudy"))
	c.put(uint32(optEnd))
	if err := c.end(); err != nil {
		return nil, err
	}
	for _, l := range lines {
		c.begin(blockInterface)
		c.put(uint16(linkSerial), uint16(0), uint32(0)) // no limit
		c.option(optName, []byte(l.Name))
		if l.Settings != "" {
			c.option(optDescription, []byte(l.Settings))
		}
		if l.Baud > 0 {
			c.option(optSpeed, binary.LittleEndian.AppendUint64(nil, uint64(l.Baud)))
		}
		c.option(optResolution, []byte{9}) // 10⁻⁹ s
		c.put(uint32(optEnd))
		if err := c.end(); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// Write appends one event.
func (c *Writer) Write(e Event) error {
	if e.Line < 0 || e.Line >= c.lines {
		return fmt.Errorf("the capture has %d lines, and no line %d", c.lines, e.Line)
	}
	for len(e.Bytes) > MaxPacket {
		first := e
		first.Bytes = e.Bytes[:MaxPacket]
		if err := c.packet(first); err != nil {
			return err
		}
		e.Bytes = e.Bytes[MaxPacket:]
	}
	return c.packet(e)
}

func (c *Writer) packet(e Event) error {
	at := c.began.Add(e.At)
	stamp := uint64(at.UnixNano())
	what, flags, text := byte(serialStatus), uint32(0), ""
	switch e.Kind {
	case FromGauge:
		what, flags, text = serialToHost, inbound, e.Text
	case FromHost:
		what, flags, text = serialToMe, outbound, e.Text
	case Break:
		what, flags, text = serialBreak, outbound, e.Text
	case Lost:
		what, text = serialLost, e.Text
	case Note:
		text = "note: " + e.Text
	default:
		text = e.Kind.String()
		if e.Text != "" {
			text += ": " + e.Text
		}
	}
	c.begin(blockPacket)
	n := uint32(serialHeader + len(e.Bytes))
	c.put(uint32(e.Line), uint32(stamp>>32), uint32(stamp), n, n)
	c.buf = binary.BigEndian.AppendUint32(c.buf, uint32(at.Unix()))
	c.buf = binary.BigEndian.AppendUint32(c.buf, uint32(at.Nanosecond()/1000))
	control := byte(0)
	if e.RTS {
		control |= lineRTS
	}
	if e.DTR {
		control |= lineDTR
	}
	c.buf = append(c.buf, what, control, 0, 0)
	c.buf = append(c.buf, e.Bytes...)
	c.pad()
	if text != "" {
		c.option(optComment, []byte(text[:min(len(text), 1<<15)]))
	}
	if flags != 0 {
		c.option(optFlags, binary.LittleEndian.AppendUint32(nil, flags))
	}
	if text != "" || flags != 0 {
		c.put(uint32(optEnd))
	}
	return c.end()
}

// put appends whole numbers, each in its size.
func (c *Writer) put(all ...any) {
	for _, v := range all {
		c.buf, _ = binary.Append(c.buf, binary.LittleEndian, v) // of a whole number it cannot fail
	}
}

func (c *Writer) begin(kind uint32) {
	c.buf = c.buf[:0]
	c.put(kind, uint32(0)) // its length, filled in at the end
}

func (c *Writer) pad() {
	for len(c.buf)%4 != 0 {
		c.buf = append(c.buf, 0)
	}
}

func (c *Writer) option(code uint16, value []byte) {
	c.put(code, uint16(len(value)))
	c.buf = append(c.buf, value...)
	c.pad()
}

func (c *Writer) end() error {
	n := uint32(len(c.buf) + 4)
	c.put(n)
	binary.LittleEndian.PutUint32(c.buf[4:], n)
	_, err := c.w.Write(c.buf)
	return err
}

// Limits of what is read, so that a damaged file cannot exhaust memory.
const (
	maxBlock = 1 << 20
	maxLines = 4096
)

// Read reads a whole pcapng capture of serial lines, ours or another program's:
// of either byte order, with any resolution of time, and with blocks and
// options it does not know, which are passed over. A block that is cut off at
// the end of the file ends the capture there, and whole is false. Events come
// out in the order of their times.
func Read(r io.Reader) (c *Capture, whole bool, err error) {
	rd := &reader{r: bufio.NewReaderSize(r, 64<<10), c: &Capture{}}
	for {
		more, err := rd.block()
		if err != nil {
			return nil, false, fmt.Errorf("pcapng, block at byte %d: %w", rd.at, err)
		}
		if !more {
			break
		}
	}
	if rd.order == nil {
		return nil, false, errors.New("the file is empty, so it is no pcapng capture")
	}
	rd.finish()
	return rd.c, !rd.cut, nil
}

// reader is a capture being read.
type reader struct {
	r     *bufio.Reader
	order binary.ByteOrder // of the section; nil before the first
	at    int64            // where the block in hand begins
	next  int64
	cut   bool
	lines []lineOf // of the section, by interface
	c     *Capture
	times []time.Time // of c.Events
}

// lineOf is an interface of the section in hand.
type lineOf struct {
	line   int // index in the capture
	link   uint16
	per    *big.Int // units of time in a second
	offset int64    // s
}

// fill reads all of p; more is false at the end of the file.
func (rd *reader) fill(p []byte) (more bool, err error) {
	n, err := io.ReadFull(rd.r, p)
	switch {
	case err == nil:
		return true, nil
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		rd.cut = rd.cut || n > 0
		return false, nil
	}
	return false, err
}

func (rd *reader) block() (more bool, err error) {
	rd.at = rd.next
	var head [12]byte
	if more, err := rd.fill(head[:8]); !more {
		return false, err
	}
	section := binary.LittleEndian.Uint32(head[:]) == blockSection // the same in either order
	if section {
		if more, err := rd.fill(head[8:]); !more {
			rd.cut = true
			return false, err
		}
		switch {
		case binary.LittleEndian.Uint32(head[8:]) == orderMagic:
			rd.order = binary.LittleEndian
		case binary.BigEndian.Uint32(head[8:]) == orderMagic:
			rd.order = binary.BigEndian
		default:
			return false, fmt.Errorf("the section's byte order is marked %x, not 1a2b3c4d or 4d3c2b1a", head[8:])
		}
	} else if rd.order == nil {
		return false, errors.New("the file does not begin with a section header, so it is no pcapng capture")
	}
	kind, length := rd.order.Uint32(head[:]), rd.order.Uint32(head[4:])
	least := uint32(12)
	if section {
		least = 28
	}
	if length < least || length%4 != 0 || length > maxBlock {
		return false, fmt.Errorf("a block is %d bytes long; expected a multiple of 4 from %d to %d", length, least, maxBlock)
	}
	body := make([]byte, length-8)
	got := 0
	if section {
		got = copy(body, head[8:])
	}
	if more, err := rd.fill(body[got:]); !more {
		rd.cut = true
		return false, err
	}
	if n := rd.order.Uint32(body[len(body)-4:]); n != length {
		return false, fmt.Errorf("the block says %d bytes at its beginning and %d at its end", length, n)
	}
	rd.next += int64(length)
	body = body[:len(body)-4]
	switch kind {
	case blockSection:
		if major := rd.order.Uint16(body[4:]); major != 1 {
			return false, fmt.Errorf("pcapng of version %d, not 1", major)
		}
		rd.lines = rd.lines[:0]
	case blockInterface:
		return true, rd.describe(body)
	case blockPacket:
		return true, rd.packet(body)
	}
	return true, nil
}

// options calls yield for each option.
func (rd *reader) options(p []byte, yield func(code uint16, value []byte)) error {
	for len(p) >= 4 {
		code, n := rd.order.Uint16(p), int(rd.order.Uint16(p[2:]))
		if code == optEnd {
			return nil
		}
		padded := (n + 3) &^ 3
		if 4+padded > len(p) {
			return fmt.Errorf("option %d is %d bytes long, longer than its block", code, n)
		}
		yield(code, p[4:4+n])
		p = p[4+padded:]
	}
	return nil
}

func (rd *reader) describe(p []byte) error {
	if len(p) < 8 {
		return errors.New("an interface description is too short")
	}
	if len(rd.c.Lines) >= maxLines {
		return fmt.Errorf("more than %d lines", maxLines)
	}
	l := Line{Name: "line-" + strconv.Itoa(len(rd.c.Lines)+1)}
	of := lineOf{link: rd.order.Uint16(p), per: big.NewInt(1e6)}
	err := rd.options(p[8:], func(code uint16, v []byte) {
		switch {
		case code == optName && len(v) > 0:
			l.Name = string(v)
		case code == optDescription:
			l.Settings = string(v)
		case code == optSpeed && len(v) == 8:
			if b := rd.order.Uint64(v); b <= math.MaxInt32 {
				l.Baud = int(b)
			}
		case code == optResolution && len(v) == 1:
			base := int64(10)
			if v[0]&0x80 != 0 {
				base = 2
			}
			of.per = new(big.Int).Exp(big.NewInt(base), big.NewInt(int64(v[0]&0x7F)), nil)
		case code == optOffset && len(v) == 8:
			of.offset = int64(rd.order.Uint64(v))
		}
	})
	// The same line may be described again, by a second section.
	of.line = slices.IndexFunc(rd.c.Lines, func(o Line) bool { return o.Name == l.Name })
	if of.line < 0 {
		of.line = len(rd.c.Lines)
		rd.c.Lines = append(rd.c.Lines, l)
	}
	rd.lines = append(rd.lines, of)
	return err
}

// time is a time stamp in units of an interface.
func (l *lineOf) time(stamp uint64) (time.Time, error) {
	ns := new(big.Int).SetUint64(stamp)
	ns.Mul(ns, big.NewInt(1e9)).Quo(ns, l.per)
	ns.Add(ns, new(big.Int).Mul(big.NewInt(l.offset), big.NewInt(1e9)))
	if !ns.IsInt64() {
		return time.Time{}, errors.New("a time is beyond the year 2262")
	}
	return time.Unix(0, ns.Int64()).UTC(), nil
}

func (rd *reader) packet(p []byte) error {
	if len(p) < 20 {
		return errors.New("a packet block is too short")
	}
	i, n := rd.order.Uint32(p), rd.order.Uint32(p[12:])
	if int64(i) >= int64(len(rd.lines)) {
		return fmt.Errorf("a packet of interface %d, but %d are described", i, len(rd.lines))
	}
	of := &rd.lines[i]
	padded := (int64(n) + 3) &^ 3
	if padded > int64(len(p)-20) || n > serialHeader+MaxPacket {
		return fmt.Errorf("a packet of %d bytes in a block of %d", n, len(p))
	}
	at, err := of.time(uint64(rd.order.Uint32(p[4:]))<<32 | uint64(rd.order.Uint32(p[8:])))
	if err != nil {
		return err
	}
	data := p[20 : 20+n]
	e := Event{Line: of.line}
	flags, comment := uint32(0), ""
	if err := rd.options(p[20+padded:], func(code uint16, v []byte) {
		switch {
		case code == optComment:
			comment = string(v)
		case code == optFlags && len(v) == 4:
			flags = rd.order.Uint32(v) & 3
		}
	}); err != nil {
		return err
	}
	switch {
	case of.link == linkSerial:
		if len(data) < serialHeader {
			return fmt.Errorf("a packet of %d bytes; a serial line's has a header of %d", len(data), serialHeader)
		}
		e.RTS, e.DTR = data[9]&lineRTS != 0, data[9]&lineDTR != 0
		e.tell(data[8], comment)
		data = data[serialHeader:]
	case of.link >= linkUser0 && of.link <= linkUser15 && flags == inbound:
		e.Kind, e.Text = FromGauge, comment
	case of.link >= linkUser0 && of.link <= linkUser15 && flags == outbound:
		e.Kind, e.Text = FromHost, comment
	case of.link >= linkUser0 && of.link <= linkUser15:
		return errors.New("a packet does not say its direction (epb_flags)")
	default:
		return fmt.Errorf("the link type is %d; expected %d, a serial line, or %d to %d, any bytes", of.link, linkSerial, linkUser0, linkUser15)
	}
	switch e.Kind {
	case FromGauge, FromHost:
		if len(data) == 0 {
			return nil // nothing was heard
		}
		e.Bytes = append([]byte(nil), data...)
	}
	rd.c.Events = append(rd.c.Events, e)
	rd.times = append(rd.times, at)
	return nil
}

// tell fills in what a serial packet says.
func (e *Event) tell(what byte, comment string) {
	e.Text = comment
	switch what {
	case serialToHost:
		e.Kind = FromGauge
	case serialToMe:
		e.Kind = FromHost
	case serialLost:
		e.Kind = Lost
	case serialBreak:
		e.Kind = Break
	case serialStatus:
		word, text, _ := strings.Cut(comment, ": ")
		for _, k := range []Kind{Opened, Closed, Asked, Gone, Back, Lines, Note} {
			if word == k.String() {
				e.Kind, e.Text = k, text
				return
			}
		}
		e.Kind = Lines // a status change of another program's
	default: // the end of a transmission, or an error of the line
		e.Kind = Note
	}
}

// finish puts the events in order and counts their times from the first.
func (rd *reader) finish() {
	if len(rd.times) == 0 {
		return
	}
	c := rd.c
	began := slices.MinFunc(rd.times, time.Time.Compare)
	for i := range c.Events {
		c.Events[i].At = rd.times[i].Sub(began)
	}
	c.Began = began
	slices.SortStableFunc(c.Events, func(a, b Event) int { return int(max(-1, min(1, a.At-b.At))) })
}
