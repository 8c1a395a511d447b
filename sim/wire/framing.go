package wire

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/enum"
	"example.org/understudy/sim/quantity"
)

// framing tells one frame from the next: it wraps a body on the way out, and
// on the way in (see End) finds the frame and unwraps it.
type framing struct {
	*framingSpec
	name     string
	roots    []int  // frames that stand in it, in the order they are tried
	lead     []byte // sent before a frame; an empty frame to the receiver
	start    []byte
	end      []byte
	ors      [][]byte
	ends     byteSet // bytes of every end
	alone    byteSet // bytes that are a frame by themselves
	longest  int     // bytes of the body, its check included
	rawMost  int     // bytes of a whole frame as sent
	code     code    // nil: the body stands as it is
	stuffed  *stuffing
	gap      time.Duration
	gapChars int // tenths of a character; used when gap is 0
	stale    time.Duration
	check    *covered
	node     node // of the check
	covers   string
	split    byte
	path     byte
	empty    bool // some frame has an empty body
}

type framingKinds struct{}

func (framingKinds) Names() []string {
	return []string{"delimited", "fixed", "length", "bracketed", "slip", "cobs", "hdlc", "silence", "sync"}
}
func (framingKinds) What() string { return "a framing" }

type framingKind = enum.Of[framingKinds]

const (
	delimited framingKind = iota
	fixedLength
	lengthPrefixed
	bracketed
	slip
	cobs
	hdlc
	silence
	syncBit
)

type framingSpec struct {
	Kind    framingKind       `yaml:"kind" need:"yes" doc:"delimited, fixed, length, bracketed, slip, cobs, hdlc, silence or sync"`
	Start   string            `yaml:"start" doc:"the bytes a frame starts with"`
	End     string            `yaml:"end" doc:"the bytes a frame ends with"`
	Or      []string          `yaml:"or" doc:"other ends that are taken as well, but never sent"`
	Bytes   int               `yaml:"bytes" range:"1 65536" doc:"bytes in a frame of fixed length, its check included"`
	Mask    int               `yaml:"mask" range:"1 255" doc:"the bits that are set in the first byte of a frame and in no other, such as 0x80"`
	Longest int               `yaml:"longest" range:"1 65536" doc:"most bytes in a frame, as its fields count them"`
	Size    int               `yaml:"size" range:"1 4" doc:"bytes of the length field"`
	Order   byteOrder         `yaml:"order" doc:"byte order of the length field: big or little"`
	After   int               `yaml:"after" range:"0 64" doc:"bytes of the frame that stand before the length field"`
	Plus    int               `yaml:"plus" doc:"what the length field counts beyond the bytes that follow it; may be negative"`
	Escape  string            `yaml:"escape" doc:"the byte that announces a stuffed one"`
	Xor     int               `yaml:"xor" range:"1 255" doc:"what a stuffed byte is combined with (exclusive or)"`
	Double  string            `yaml:"double" doc:"the byte that is sent twice when it stands inside a frame"`
	Gap     string            `yaml:"gap" doc:"the silence that ends a frame: 3.5 characters, or a time such as 5 ms"`
	Early   bool              `yaml:"early" doc:"a frame whose check is good ends at once, without the silence"`
	Stale   quantity.Duration `yaml:"stale" doc:"a frame left unfinished for this time is dropped, such as 500 ms"`
	Alone   string            `yaml:"alone" doc:"bytes that are a whole frame by themselves, outside start and end"`
	Coding  string            `yaml:"coding" one:"hex" doc:"hex: each byte is sent as two hexadecimal digits"`
	Check   *fieldSpec        `yaml:"check" doc:"the check at the end of every frame, such as {check: crc-16/modbus, order: little}"`
	Covers  string            `yaml:"covers" one:"body body-and-end all" doc:"what that check covers: body, body-and-end or all (default: body)"`
	Beyond  bool              `yaml:"check-after-end" doc:"the check stands after the end bytes"`
	Split   string            `yaml:"split" doc:"the byte that stands between several commands in one frame"`
	Path    string            `yaml:"path" doc:"the byte between the levels of a command's name; the next command in a frame starts at the same level"`
	Header  []fieldSpec       `yaml:"header" doc:"fields that every frame starts with"`
	Trailer []fieldSpec       `yaml:"trailer" doc:"fields that every frame ends with"`
}

// framingOptions lists the keys each framing takes, besides those all take.
var framingOptions = map[framingKind]string{
	delimited:      "end or coding split path",
	fixedLength:    "start bytes",
	lengthPrefixed: "start size order after plus",
	bracketed:      "start end or alone escape xor double coding check-after-end",
	slip:           "start",
	hdlc:           "start",
	silence:        "gap early",
	syncBit:        "mask bytes",
}

// openFramings makes a place for each framing of each side, so that frames can
// name them.
func (c *compiler) openFramings() {
	for _, side := range []Side{Gauge, Host} {
		s := &c.spec.Framing
		if side == Host && c.doc.Has(&c.spec.Host) {
			s = &c.spec.Host
		}
		list := []*framing{{framingSpec: s}}
		for i := range c.spec.Framings {
			n := &c.spec.Framings[i]
			list = append(list, &framing{name: n.Name, framingSpec: &n.framingSpec})
		}
		c.d.framings[side] = list
	}
}

func (c *compiler) framingNamed(from Side, name *string) *framing {
	list := c.d.framings[from]
	return list[max(c.lookup(name, len(list), func(i int) string { return list[i].name }, "framing", "name one of those under framings"), 0)]
}

// closeFramings compiles the framings that are used.
func (c *compiler) closeFramings() {
	for _, side := range []Side{Gauge, Host} {
		list := c.d.framings[side]
		rest := slices.DeleteFunc(slices.Clone(list[1:]), func(f *framing) bool {
			return !slices.ContainsFunc(c.d.frames, func(fr frame) bool { return fr.framing == f })
		})
		c.d.framings[side] = append(list[:1:1], rest...)
		c.framing(list[0], side)
		for _, f := range rest {
			if c.framing(f, side); len(f.start) == 0 && f.Kind != syncBit {
				c.doc.Errorf(f.framingSpec, "give it a start", "the framing %s cannot be told from the main one by its first byte", f.name)
			}
		}
	}
}

func (c *compiler) framing(f *framing, from Side) {
	s := f.framingSpec
	f.stale = c.duration(&s.Stale, s.Stale)
	c.framingKeys(s)
	f.start, f.end = c.bytesOf(&s.Start), c.bytesOf(&s.End)
	f.ends.addAll(f.end)
	for i := range s.Or {
		if from == Gauge && !c.doc.Has(&c.spec.Host) {
			break // a gauge sends the first end only
		}
		if f.ors = append(f.ors, c.bytesOf(&s.Or[i])); len(f.ors[i]) == 0 {
			c.doc.Errorf(&s.Or[i], "", "an end is empty")
			return
		}
		f.ends.addAll(f.ors[i])
	}
	if s.Check != nil && !c.framingCheck(f) {
		return
	}
	c.framingOfKind(f)
	f.ends.addAll(f.end)
	if s.Coding != "" && f.code != nil {
		c.doc.Errorf(&s.Coding, "", "hexadecimal digits need no stuffing")
	} else if s.Coding != "" {
		f.code = hexCode{}
	}
	f.covers = cmp.Or(s.Covers, "body")
	f.split, f.path = c.char(&s.Split, 0), c.char(&s.Path, 0)
	for _, wrong := range []struct {
		is   bool
		at   any
		want string
		what string
	}{
		{f.covers == "body-and-end" && !s.Beyond, &s.Covers, "add check-after-end: true", "the check stands before the end and cannot cover it"},
		{s.Beyond && f.check == nil, &s.Beyond, "write check: as well", "there is no check to stand after the end"},
		{f.split != 0 && f.check != nil, &s.Split, "", "a line of several commands has no check"},
		{f.path != 0 && f.split == 0, &s.Path, "write split as well", "a path matters only between the commands of one line"},
		{f.covers == "all" && f.code != nil, &s.Covers, "write body", "a check inside coded bytes covers the body"},
	} {
		if wrong.is {
			c.doc.Errorf(wrong.at, wrong.want, "%s", wrong.what)
		}
	}
	if s.Beyond && f.check == nil {
		return
	}
	c.framingLength(f)
	// A length that was damaged on the way may ask for more than ever comes; it
	// must not swallow what follows for ever.
	if f.stale == 0 && f.counted() {
		f.stale = 500 * time.Millisecond
	}
}

// counted says whether a frame's length is known before its end comes.
func (f *framing) counted() bool { return f.Kind == fixedLength || f.Kind == lengthPrefixed }

// framingKeys refuses keys that mean nothing for a kind of framing.
func (c *compiler) framingKeys(s *framingSpec) {
	takes := strings.Fields(framingOptions[s.Kind] + " kind longest check covers stale header trailer")
	for _, k := range keysOf(s) {
		if c.doc.Has(k.ptr) && !contains(takes, k.key) {
			c.doc.Errorf(k.ptr, "it takes "+strings.Join(takes, ", "), "the key %q means nothing for %s framing", k.key, s.Kind)
		}
	}
}

func (c *compiler) framingCheck(f *framing) bool {
	s, ok := f.Check.is.(*checkSpec)
	if !ok || f.Check.wrong {
		c.doc.Errorf(f.Check, "write {check: crc-16/modbus, order: little}", "the framing's check is no check")
		return false
	}
	if s.From != "" || s.To != "" {
		c.doc.Errorf(f.Check, "write covers: body, body-and-end or all", "the framing's check has no from and to")
	}
	f.node = c.field(&scope{frame: &frame{}, seen: map[Term]bool{}, count: new(int)}, f.Check)
	f.check, ok = f.node.field.(*covered)
	return ok
}

func (c *compiler) framingOfKind(f *framing) {
	s := f.framingSpec
	needs := func(ptr any, ok bool, what string) {
		if !ok {
			c.doc.Errorf(ptr, "", "%s framing needs %s", s.Kind, what)
		}
	}
	switch s.Kind {
	case delimited:
		needs(s, len(f.end) > 0, "an end")
	case fixedLength:
		needs(&s.Bytes, s.Bytes > 0, "bytes: how many bytes a frame has")
	case lengthPrefixed:
		needs(&s.Size, s.Size > 0, "size: the bytes of its length field, 1 to 4")
	case bracketed:
		needs(s, len(f.start) > 0 && len(f.end) > 0, "a start and an end")
		f.alone.addAll(c.bytesOf(&s.Alone))
		c.bracketStuffing(f)
	case slip: // RFC 1055
		f.end = []byte{0xc0}
		f.stuffed = &stuffing{escape: 0xdb, swap: [][2]byte{{0xc0, 0xdc}, {0xdb, 0xdd}}}
	case hdlc: // RFC 1662 §4: octet-stuffed framing
		f.end = []byte{0x7e}
		f.stuffed = &stuffing{escape: 0x7d, xor: 0x20}
	case cobs:
		f.end, f.code = []byte{0}, cobsCode{}
	case silence:
		needs(s, s.Gap != "", "a gap, such as 3.5 characters or 5 ms")
		c.silentGap(f)
	case syncBit:
		needs(&s.Mask, s.Mask > 0, "mask: the bits of the first byte that no other has, such as 0x80")
		needs(&s.Bytes, s.Bytes > 0, "bytes: how many bytes a frame has")
	}
	if s.Kind == slip || s.Kind == hdlc {
		if c.doc.Has(&s.Start) && string(f.start) != string(f.end) {
			c.doc.Errorf(&s.Start, "leave it out, or write the end byte", "a frame of this framing starts with nothing, or with its end byte")
		}
		f.lead, f.start = f.start, nil
	}
	if f.stuffed != nil {
		f.code = f.stuffed
		if !f.stuffed.double {
			f.stuffed.marks.add(f.stuffed.escape)
			f.stuffed.marks.addAll(f.start)
			f.stuffed.marks.addAll(f.end)
		}
	}
}

// stuffing compiles an escape that is combined with what it announces.
func (c *compiler) stuffing(at any, escape *string, xor *int, marks []byte) *stuffing {
	s := &stuffing{escape: c.char(escape, 0), xor: byte(*xor)}
	s.marks.add(s.escape)
	s.marks.addAll(marks)
	if *xor == 0 {
		c.doc.Errorf(at, "write xor: 0x20", "a stuffed byte must differ from the one it stands for")
		return s
	}
	for b := range 256 {
		if s.marks.has(byte(b)) && s.marks.has(byte(b)^s.xor) {
			c.doc.Errorf(xor, "choose another", "what is sent for a stuffed byte would end or start a frame")
			break
		}
	}
	return s
}

func (c *compiler) bracketStuffing(f *framing) {
	s := f.framingSpec
	if c.doc.Has(&s.Escape) {
		f.stuffed = c.stuffing(s, &s.Escape, &s.Xor, append(append([]byte(nil), f.start...), f.end...))
	}
	if !c.doc.Has(&s.Double) {
		return
	}
	if f.stuffed != nil {
		c.doc.Errorf(&s.Double, "choose escape or double", "a frame is stuffed in one way only")
	}
	twice := c.char(&s.Double, 0)
	f.stuffed = &stuffing{escape: twice, double: true}
	f.stuffed.marks.add(twice)
	for _, p := range []struct {
		ptr *string
		b   []byte
	}{{&s.Start, f.start}, {&s.End, f.end}} {
		if len(p.b) != 2 || p.b[0] != twice || p.b[1] == twice {
			c.doc.Errorf(p.ptr, fmt.Sprintf("write the byte %q and another", s.Double), "with doubling, a start or end is the doubled byte and one more")
		}
	}
}

func (c *compiler) silentGap(f *framing) {
	s := f.framingSpec
	if num, ok := strings.CutSuffix(s.Gap, " characters"); ok {
		v, err := decimal.Parse(num)
		n, whole := v.Mul(decimal.New(10, 0)).Int64()
		if err != nil || !whole || n < 5 || n > 10000 {
			c.doc.Errorf(&s.Gap, "write 3.5 characters", "%q is no silence", s.Gap)
		}
		f.gapChars = int(n)
	} else {
		var gap quantity.Duration
		if err := gap.UnmarshalText([]byte(s.Gap)); err != nil {
			c.doc.Errorf(&s.Gap, "", "%v", err)
		}
		f.gap = c.duration(&s.Gap, gap)
	}
	if f.Early && f.check == nil {
		c.doc.Errorf(&s.Early, "give the framing a check", "without a check nothing says that a frame is whole")
	}
}

// framingLength settles how long a frame may be.
func (c *compiler) framingLength(f *framing) {
	s := f.framingSpec
	extra := 0
	if f.check != nil && !f.Beyond {
		extra = f.check.width
	}
	for i := range c.d.frames {
		fr := &c.d.frames[i]
		if fr.framing != f {
			continue
		}
		least, most := sizeOf(fr.nodes)
		least, most = least+extra, most+extra
		f.empty = f.empty || least == extra
		if s.Longest == 0 {
			f.longest = max(f.longest, min(most, maxLongest))
		} else if least > s.Longest {
			c.doc.Errorf(&s.Longest, fmt.Sprintf("write at least %d", least), "the frame %s has more bytes than the framing allows", fr.name)
		}
		if (s.Kind == fixedLength || s.Kind == syncBit) && (s.Bytes < least+len(f.start) || s.Bytes > most+len(f.start)) {
			c.doc.Errorf(fr.spec, fmt.Sprintf("its fields take %d", least-extra), "the frame %s cannot have %d bytes", fr.name, s.Bytes)
		}
		if s.Kind == lengthPrefixed {
			if least-extra < s.After {
				c.doc.Errorf(fr.spec, "", "the frame %s may be shorter than the %d bytes before the length field", fr.name, s.After)
			}
			if s.Longest == 0 && s.Size < 4 && most-s.After+s.Plus >= 1<<(8*s.Size) && least == most {
				c.doc.Errorf(&s.Size, "", "the length of frame %s does not fit in %d bytes", fr.name, s.Size)
			}
		}
	}
	switch {
	case f.Kind == fixedLength || f.Kind == syncBit:
		f.longest = f.Bytes
	case s.Longest > 0:
		f.longest = s.Longest
	case f.longest == 0:
		f.longest = 64
	}
	if f.split != 0 {
		f.longest = max(f.longest, 256)
	}
	f.rawMost = f.longest + len(f.lead) + len(f.start) + len(f.end) + f.Size
	if f.code != nil {
		f.rawMost += f.code.size(f.longest) - f.longest
	}
	if f.Beyond {
		f.rawMost += f.check.width
	}
}

// open writes what stands before the body.
func (f *framing) open(dst []byte) []byte { return append(append(dst, f.lead...), f.start...) }

// close wraps the body dst[body:], whose frame starts at dst[frame:].
func (f *framing) close(dst []byte, frame, body int) ([]byte, string) {
	if len(dst) == body+1 && f.alone.has(dst[body]) {
		return append(dst[:frame], dst[body]), ""
	}
	if f.Kind == lengthPrefixed {
		n := len(dst) - body - f.After
		if n < 0 {
			return dst, "is shorter than the part before its length field"
		}
		if f.check != nil {
			n += f.check.width
		}
		u := n + f.Plus
		if u < 0 || uint64(u)>>(8*f.Size) != 0 {
			return dst, whyLength
		}
		dst = appendFill(dst, 0, f.Size)
		at := body + f.After
		copy(dst[at+f.Size:], dst[at:len(dst)-f.Size])
		appendUint(dst[at:at], uint64(u), f.Size, f.Order)
	}
	if f.check != nil && !f.Beyond {
		from := body
		if f.covers == "all" {
			from = frame
		}
		dst, _ = f.check.append(dst, f.check.check.sum(dst[from:]))
	}
	if n := len(dst) - body; n > f.longest+f.Size {
		return dst, "is longer than the framing allows"
	}
	switch {
	case f.Bytes > 0 && len(dst)-frame != f.Bytes:
		return dst, "is not of the fixed length"
	case f.Kind == syncBit && f.unsynced(dst[frame:]) >= 0:
		return dst, "has the sync bits in the wrong bytes"
	case f.code != nil:
		dst = f.code.encode(dst, body)
	}
	dst = append(dst, f.end...)
	if f.check != nil && f.Beyond {
		from, to := f.over(frame, body, len(dst), len(f.end))
		dst, _ = f.check.append(dst, f.check.check.sum(dst[from:to]))
	}
	return dst, ""
}

// over is what a check behind the end covers.
func (f *framing) over(frame, body, stop, end int) (from, to int) {
	switch f.covers {
	case "body":
		return body, stop - end
	case "all":
		return frame, stop
	}
	return body, stop
}

// unsynced returns the first byte whose sync bits are wrong, or −1.
func (f *framing) unsynced(raw []byte) int {
	for i, b := range raw {
		if (int(b)&f.Mask == f.Mask) != (i == 0) {
			return i
		}
	}
	return -1
}

// unwrapped is a frame taken apart.
type unwrapped struct {
	start, stop int    // the body's first byte, and the one behind it, on the line
	end         int    // bytes of the end
	plain       []byte // the body decoded, the framing's own fields among it
	body        []byte
	sum, over   []byte // the check and what it covers
	bad         bool   // the check does not match
	why         string // it is no frame
	scratch     []byte // for a body that has to be rewritten
}

// unwrap takes a whole frame apart.
func (u *unwrapped) unwrap(f *framing, raw []byte) {
	stop := len(raw)
	u.start, u.stop, u.end, u.sum, u.bad, u.why = 0, stop, 0, nil, false, ""
	u.plain, u.body, u.scratch = raw, raw, u.scratch[:0]
	if stop == 1 && f.alone.has(raw[0]) {
		return
	}
	if f.Beyond {
		stop -= f.check.width
	}
	u.end = f.endOf(raw[:max(stop, 0)])
	if u.start, u.stop = len(f.start), stop-u.end; u.start > u.stop {
		u.why = whyEnd
		return
	}
	u.plain = raw[u.start:u.stop]
	if f.code != nil {
		if u.scratch, u.why = f.code.decode(u.scratch, u.plain); u.why != "" {
			return
		}
		u.plain = u.scratch
	}
	u.body = u.plain
	switch {
	case f.Beyond:
		from, to := f.over(0, u.start, stop, u.end)
		u.sum, u.over = raw[stop:], raw[from:to]
	case f.check != nil:
		n := len(u.plain) - f.check.width
		if n < 0 || f.Kind == lengthPrefixed && n < f.After+f.Size {
			u.why = whyEnd
			return
		}
		u.sum, u.over, u.body = u.plain[n:], u.plain[:n], u.plain[:n]
		if f.covers == "all" {
			u.over = raw[:len(raw)-f.check.width]
		}
	}
	u.bad = u.sum != nil && !f.check.matches(u.sum, u.over)
	if f.Kind == lengthPrefixed && f.After == 0 {
		u.body = u.body[f.Size:]
	} else if f.Kind == lengthPrefixed { // close up over the length field
		u.scratch = append(append(u.scratch, u.body[:f.After]...), u.body[f.After+f.Size:]...)
		u.body = u.scratch
	}
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

// opens says whether a frame may begin with a byte.
func (f *framing) opens(b byte) bool {
	switch {
	case f.alone.has(b):
		return true
	case len(f.start) > 0:
		return f.start[0] == b
	case f.Kind == syncBit:
		return int(b)&f.Mask == f.Mask
	}
	return true
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
			name, _, _ := bytes.Cut(text, []byte(" "))
			if k := bytes.LastIndexByte(name, f.path); k >= 0 {
				path = append(append([]byte{}, u.prefix...), name[:k+1]...)
			}
		}
		each(u)
	}
}
