package wire

import (
	"errors"
	"fmt"
	"sort"
	"strings"
	"time"
)

// Span is a run of bytes of one frame and what it is.
type Span struct {
	Start, End int    // bytes Start to End−1 of the frame as sent
	Field      string // the field's name; start, end, length, check or code for the framing's own bytes
	Shows      string // the value, or what is wrong with it
	Good       bool
}

// Annotate says what each byte of one frame is, framing included. The spans
// are in order and together cover the frame. A frame that stops making sense
// has a span that is not Good where it does; what follows it is unread.
func (d *Dialect) Annotate(raw []byte, from Side) []Span {
	spans, _, _ := d.annotate(raw, from, d.roots[from], nil)
	return spans
}

// Annotate says what each byte of one frame that arrived at this end is, in
// the light of what was asked before (see Asked): a reply with registers shows
// their values. It does not receive the frame.
func (e *End) Annotate(raw []byte) []Span {
	spans, _, _ := e.d.annotate(raw, e.from, e.among(), e.ask)
	return spans
}

// Piece is a part of a stream of bytes: one frame, or bytes that are none.
type Piece struct {
	Frame   Frame // NoFrame for bytes that are none
	Name    string
	Start   int // place of its first byte in the stream
	Raw     []byte
	Spans   []Span
	Garbage error // why the bytes are no frame
}

// Explain finds the frames in a stream of bytes that one side sent, and says
// of each what its bytes are.
func (d *Dialect) Explain(stream []byte, from Side) []Piece {
	e := d.NewEnd(from.other())
	var list []Piece
	at := 0
	note := func(inc Incoming) {
		raw := append([]byte(nil), inc.Raw...)
		if e.part > 0 && len(list) > 0 {
			return // another command of the same line: the line is one piece
		}
		if i := strings.Index(string(stream[at:]), string(raw)); i >= 0 {
			at += i
		}
		p := Piece{Frame: inc.Frame, Start: at, Raw: raw, Garbage: inc.Garbage, Spans: d.Annotate(raw, from)}
		if inc.Frame != NoFrame {
			p.Name = d.frames[inc.Frame].name
		}
		at += len(raw)
		list = append(list, p)
	}
	e.Receive(stream, 0, note)
	e.Quiet(24*time.Hour, note)
	return list
}

// Table writes the spans of a frame in columns a person can read: where, the
// bytes in hexadecimal and as text, the field, and what it shows. A line that
// is not good begins with an exclamation mark.
func Table(raw []byte, spans []Span) string {
	const perLine = 8
	var b strings.Builder
	for _, s := range spans {
		for at := s.Start; at < s.End; at += perLine {
			end := min(at+perLine, s.End)
			mark := ' '
			if !s.Good {
				mark = '!'
			}
			text := make([]byte, 0, perLine)
			for _, c := range raw[at:end] {
				if c < ' ' || c > '~' {
					c = '.'
				}
				text = append(text, c)
			}
			field, shows := s.Field, s.Shows
			if at > s.Start {
				field, shows = "", ""
			}
			line := fmt.Sprintf("%c %4d  %-23s  %-8s  %-16s  %s", mark, at, fmt.Sprintf("% X", raw[at:end]), text, field, shows)
			b.WriteString(strings.TrimRight(line, " ") + "\n")
		}
	}
	return b.String()
}

// part is a candidate span: where several claim a byte, the first one has it.
type part struct {
	Span
	id int
}

func (d *Dialect) annotate(raw []byte, from Side, among []int, ask *Record) ([]Span, *Record, error) {
	f := d.framings[from]
	var parts []part
	add := func(start, end int, field, shows string, good bool) {
		if start < end {
			parts = append(parts, part{Span{start, end, field, shows, good}, len(parts)})
		}
	}
	body, place, why := f.spread(raw, add)
	if why != "" {
		add(0, len(raw), "frame", why, false)
		return settle(parts, len(raw)), nil, errors.New(why)
	}
	rec := d.NewRecord()
	var failed error
	section := func(u unit) {
		text := append(append([]byte(nil), u.prefix...), u.text...)
		at := func(i int) int { return place[u.at+max(i-len(u.prefix), 0)] }
		rec = d.NewRecord()
		fr, _ := d.decodeBody(among, text, rec, ask)
		best := int(fr)
		if fr == NoFrame {
			if best = rec.dec.bestFrame; best < 0 {
				return
			}
		}
		rec.Reset()
		dec := &rec.dec
		dec.begin(rec, text, ask)
		groups := len(d.frames[best].channelsOf()) > 0
		dec.note = func(o *op, start, end, ch int, why string) {
			if why != "" {
				end = max(end, min(max(start, len(u.prefix))+1, len(text)))
			}
			if start >= end || end <= len(u.prefix) {
				return
			}
			shows := why
			if why == "" {
				shows = o.shows(rec, ch, text[start:end])
			}
			name := o.name
			if o.kind == opLiteral && o.term < 0 {
				name = "literal"
			}
			if ch > 0 || groups && inGroup(d.frames[best].ops, o) {
				name = fmt.Sprintf("%s/%d", name, ch+1)
			}
			add(at(start), at(end), name, shows, why == "")
		}
		ok := d.decodeFrame(dec, best, d.frames[best].ops)
		dec.note = nil
		if dec.bad.op != nil {
			for i := range parts {
				if p := &parts[i]; p.Start == at(dec.bad.pos) && p.Field == dec.bad.op.name {
					p.Good = false
					p.Shows += " " + whyCheck
				}
			}
			failed = dec.bad.describe(d.frames[best].name)
		}
		if !ok {
			failed = dec.fail.describe(d.frames[best].name)
			if dec.fail.why == whyMore && dec.pos < len(text) {
				add(at(dec.pos), at(len(text)), "left over", whyMore, false)
			}
		}
	}
	if f.split == 0 {
		section(unit{text: body})
	} else {
		before := 0
		f.units(body, from, func(u unit) {
			add(place[before], place[u.at], "space", "", true)
			section(u)
			before = u.at + len(u.text)
			if end := before; u.more && end < len(body) && body[end] == f.split {
				add(place[end], place[end+1], "split", fmt.Sprintf("%q", body[end]), true)
				before++
			}
		})
		add(place[before], place[len(body)], "space", "", true)
	}
	return settle(parts, len(raw)), rec, failed
}

func (f *frame) channelsOf() (list []*op) {
	eachOp(f.ops, func(o *op) {
		if o.kind == opEach {
			list = append(list, o)
		}
	})
	return list
}

// inGroup says whether an op stands in a channel group.
func inGroup(ops []op, o *op) (found bool) {
	for i := range ops {
		if ops[i].kind == opEach {
			eachOp(ops[i].sub, func(p *op) { found = found || p == o })
		} else {
			found = found || inGroup(ops[i].sub, o) || inGroup(ops[i].alt, o)
		}
	}
	return found
}

// shows writes a field's value for a person.
func (o *op) shows(rec *Record, ch int, raw []byte) string {
	switch o.kind {
	case opLiteral:
		if o.term >= 0 {
			return o.konst.String()
		}
		return fmt.Sprintf("%q", raw)
	case opCheck:
		if o.form == formBinary {
			return fmt.Sprintf("%X", raw)
		}
		return string(raw)
	case opLength:
		n, _ := o.readLength(raw)
		return fmt.Sprint(n)
	case opFlags:
		var list []string
		for i := range o.bits {
			list = append(list, o.bits[i].name+" "+rec.Get(o.bits[i].term, ch).String())
		}
		return strings.Join(list, ", ")
	case opSkip, opSpace, opHeader, opMap:
		return fmt.Sprintf("%q", raw)
	}
	v := rec.Get(o.term, ch)
	if v.Kind == Absent {
		if why := o.voidReason(rec, ch); why != "" {
			return "void: " + why
		}
		return "void"
	}
	return v.String()
}

// settle turns the candidates into spans that cover all bytes, each once.
func settle(parts []part, n int) []Span {
	owner := make([]int, n)
	for i := range owner {
		owner[i] = -1
	}
	// Fields first, then what the framing adds inside them.
	order := append([]part(nil), parts...)
	sort.SliceStable(order, func(i, j int) bool {
		return (order[i].Field == codeByte) != (order[j].Field == codeByte) && order[j].Field == codeByte
	})
	for _, p := range order {
		for i := max(p.Start, 0); i < min(p.End, n); i++ {
			if owner[i] < 0 {
				owner[i] = p.id
			}
		}
	}
	var spans []Span
	for i := 0; i < n; {
		j := i + 1
		for j < n && owner[j] == owner[i] {
			j++
		}
		s := Span{Field: "unread", Shows: "not read"}
		if owner[i] >= 0 {
			s = parts[owner[i]].Span
		}
		s.Start, s.End = i, j
		spans = append(spans, s)
		i = j
	}
	return spans
}

const codeByte = "code"

// spread unwraps a frame like unwrap does, and notes where each byte of the
// body stands: byte i at place[i], and the body ends at place[len(body)].
func (f *framing) spread(raw []byte, add func(start, end int, field, shows string, good bool)) (body []byte, place []int, why string) {
	if len(raw) == 1 && f.alone.has(raw[0]) {
		return raw, []int{0, 1}, ""
	}
	start := len(f.start)
	for start+len(f.lead) < len(raw) && len(f.lead) > 0 && raw[start] == f.lead[0] {
		start++
	}
	if start > len(raw) || string(raw[:len(f.start)]) != string(f.start) {
		return nil, nil, "does not begin with the start of a frame"
	}
	stop := len(raw)
	if f.beyond {
		stop -= f.check.width
	}
	if stop < start {
		return nil, nil, whyEnd
	}
	end := f.endOf(raw[:stop])
	if len(f.end) > 0 && end == 0 || start+end > stop {
		return nil, nil, "does not end like a frame"
	}
	add(0, start, "start", fmt.Sprintf("%q", raw[:start]), true)
	add(stop-end, stop, "end", fmt.Sprintf("%q", raw[stop-end:stop]), true)
	body, _, why, badSum := f.unwrap(raw[start-len(f.start):], nil)
	if why != "" {
		return nil, nil, why
	}
	checkShows := func(b []byte) string {
		s := f.check.shows(nil, 0, b)
		if badSum {
			s += " " + whyCheck
		}
		return s
	}
	if f.beyond {
		add(stop, len(raw), "check", checkShows(raw[stop:]), !badSum)
	}
	// The coded body: where each decoded byte comes from.
	coded := raw[start : stop-end]
	switch {
	case f.kind == cobs:
		for i := 0; i < len(coded); {
			run := int(coded[i])
			if i > 0 && f.zeroBefore(coded, i) {
				place = append(place, start+i) // the code byte stands for a zero
			} else {
				add(start+i, start+i+1, codeByte, fmt.Sprint(run), true)
			}
			for k := 1; k < run && i+k < len(coded); k++ {
				place = append(place, start+i+k)
			}
			i += run
		}
	case f.stuffed:
		esc := f.escape
		if f.double {
			esc = f.twice
		}
		for i := 0; i < len(coded); i++ {
			place = append(place, start+i)
			if coded[i] == esc {
				i++
			}
		}
	case f.hex:
		for i := 0; i < len(coded); i += 2 {
			place = append(place, start+i)
		}
	default:
		for i := range coded {
			place = append(place, start+i)
		}
	}
	place = append(place, stop-end)
	if f.check != nil && !f.beyond {
		k := len(place) - 1 - f.check.width
		if k < 0 {
			return nil, nil, whyEnd
		}
		sum := make([]byte, 0, f.check.width)
		full, _, _, _ := f.bare(raw[start-len(f.start):])
		sum = append(sum, full[len(full)-f.check.width:]...)
		add(place[k], place[len(place)-1], "check", checkShows(sum), !badSum)
		place = place[:k+1]
	}
	if f.kind == lengthPrefixed {
		k := f.after
		add(place[k], place[k+f.size], "length", fmt.Sprint(readUint(raw[place[k]:place[k+f.size]], f.order)), true)
		place = append(place[:k], place[k+f.size:]...)
	}
	if len(place) != len(body)+1 {
		return nil, nil, "is not coded as the framing says"
	}
	return body, place, ""
}

// bare unwraps without taking the check off.
func (f *framing) bare(raw []byte) ([]byte, []byte, string, bool) {
	g := *f
	g.check, g.kind = nil, f.kind
	if f.kind == lengthPrefixed {
		g.kind = silence
	}
	return g.unwrap(raw, nil)
}

// zeroBefore says whether the code byte at i stands for a zero: the run
// before it was not of the greatest length.
func (f *framing) zeroBefore(coded []byte, i int) bool {
	at := 0
	for at < i {
		run := int(coded[at])
		if at+run == i {
			return run != 0xff
		}
		at += run
	}
	return false
}

// Sample fills a record with plausible values for a frame and writes it, for
// showing what a dialect looks like.
func (d *Dialect) Sample(f Frame) (*Record, []byte, error) {
	if f < 0 || int(f) >= len(d.frames) {
		return nil, nil, fmt.Errorf("dialect %s has no frame %d", d.name, int(f))
	}
	rec := d.NewRecord()
	fr := &d.frames[f]
	for _, k := range d.keeps {
		rec.Set(k.term, 0, Int(k.start))
	}
	groups := 1
	for _, o := range fr.channelsOf() {
		groups = max(o.countN, 2)
	}
	rec.Channels(groups)
	d.sample(rec, fr.ops, groups)
	raw, err := d.AppendFrame(nil, f, d.addressed(f, rec))
	return rec, raw, err
}

var sampleTexts = map[string]string{Name: "bore-1", Serial: "0017", Firmware: "1.0", SettingName: "lower", SettingTo: "7.985",
	Error: "refused", Unit: "mm", Zone: "in", Function: "live", Link: "up", Sense: "rising", ErrorText: "No error"}

var sampleNumbers = map[string]int64{Tag: 42, Seq: 17, Cell: 62, "first": 0, "count": 2}

func (d *Dialect) sample(rec *Record, ops []op, groups int) {
	for i := range ops {
		o := &ops[i]
		d.sample(rec, o.sub, groups)
		d.sample(rec, o.alt, groups)
		switch o.kind {
		case opFlags:
			for j := range o.bits {
				b := &o.bits[j]
				v := Bool(false)
				switch b.kind {
				case opInt:
					v = Int(0)
				case opChoice:
					v = b.choices[0].val
					for _, c := range b.choices {
						if c.val.Text == sampleTexts[b.name] {
							v = c.val
						}
					}
				}
				for ch := range groups {
					rec.Set(b.term, ch, v)
				}
			}
		case opMap:
			if len(o.table.lines) > 0 {
				l := &o.table.lines[0]
				rec.Set(o.first, 0, Int(int64(l.at)))
				if o.num >= 0 {
					rec.Set(o.num, 0, Int(int64(l.n)))
				}
				d.sample(rec, l.field, groups)
			}
		default:
			if o.term < 0 || o.term == d.station.term || o.kind == opLiteral || o.derive != nil || o.kind == opEach {
				continue
			}
			if rec.Get(o.term, 0).Kind != Absent && o.kind != opChoice {
				continue
			}
			for ch := range groups {
				if v, ok := o.sampleValue(d.terms[o.term], ch); ok {
					rec.Set(o.term, ch, v)
				}
			}
		}
	}
	for _, fr := range d.frames {
		for _, t := range fr.counts {
			rec.Set(t, 0, Int(int64(groups)))
		}
	}
}

// sampleValue finds a value the field can carry.
func (o *op) sampleValue(term string, ch int) (Value, bool) {
	var tries []Value
	switch o.kind {
	case opChoice:
		for _, c := range o.choices {
			if c.val.Kind == Text && c.val.Text == sampleTexts[term] || c.val.Kind == Flag && !c.val.True() {
				return c.val, true
			}
		}
		return o.choices[0].val, true
	case opText, opBlock:
		tries = []Value{Str(sampleTexts[term]), Str("abc"), Str("a"), Str("")}
		if tries[0].Text == "" {
			tries = tries[1:]
		}
	default:
		if term == Channel {
			tries = append(tries, Int(int64(ch+1)))
		}
		for _, s := range [...]int64{8015, 42000, 1000, 0} {
			tries = append(tries, Num(milli(s)))
		}
		if n, ok := sampleNumbers[term]; ok {
			tries = append([]Value{Int(n)}, tries...)
		}
		if o.hasRange {
			tries = append(tries, Num(o.least))
		}
	}
	for _, v := range tries {
		rec := newRecord(int(o.term) + 1)
		rec.Set(o.term, 0, v)
		e := encoder{rec: rec}
		if _, why := e.value(nil, o, rec.at(o.term, 0)); why == "" {
			return v, true
		}
	}
	return Value{}, false
}
