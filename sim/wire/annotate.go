package wire

import (
	"bytes"
	"errors"
	"fmt"
	"sort"
)

// Span is a run of bytes of one frame and what it is.
type Span struct {
	Start, End int    // bytes Start to End−1 of the frame as sent
	Field      string // the field's name; start, end, length, check or code for the framing's own bytes
	Shows      string // the value, or what is wrong with it
	Good       bool
	Want       string // of a check that does not match: what it should be
}

// Annotate says what each byte of one frame is, framing included. The spans
// are in order and together cover the frame. A frame that stops making sense
// has a span that is not Good where it does; what follows it is unread.
func (d *Dialect) Annotate(raw []byte, from Side) []Span {
	return d.NewEnd(from.other()).Annotate(raw)
}

// Annotate says what each byte of one frame that arrived at this end is, in
// the light of what was asked before (see Asked): a reply with registers shows
// their values. It does not receive the frame.
func (e *End) Annotate(raw []byte) []Span {
	if len(raw) == 0 {
		return nil
	}
	a := annotation{e: e, raw: raw, f: e.framingOf(raw)}
	if err := a.frame(); err != nil {
		a.add(0, len(raw), "frame", err.Error(), false)
	}
	return a.settle()
}

// framingOf is the framing that a frame seems to stand in.
func (e *End) framingOf(raw []byte) *framing {
	buf, f := e.buf, e.f
	e.buf = raw
	e.pick()
	found := e.f
	e.buf, e.f = buf, f
	return found
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
		if inc.part > 0 {
			return // another command of the same line: the line is one piece
		}
		raw := bytes.Clone(inc.Raw)
		if i := bytes.Index(stream[at:], raw); i >= 0 {
			at += i
		}
		p := Piece{Frame: inc.Frame, Start: at, Raw: raw, Garbage: inc.Garbage, Spans: d.Annotate(raw, from)}
		if inc.Frame != NoFrame {
			p.Name = d.frames[inc.Frame].name
		}
		at += len(raw)
		list = append(list, p)
	}
	e.hear(note, stream)
	return list
}

// annotation collects candidate spans: where several claim a byte, the first
// one has it.
type annotation struct {
	e     *End
	f     *framing
	raw   []byte
	parts []Span
}

func (a *annotation) add(start, end int, field, shows string, good bool) {
	if start < end {
		a.parts = append(a.parts, Span{Start: start, End: end, Field: field, Shows: shows, Good: good})
	}
}

const codeByte = "code"

// frame takes a frame apart, notes what the framing's own bytes are, and has the
// body's fields noted where they stand.
func (a *annotation) frame() error {
	f, raw := a.f, a.raw
	first := 0
	for len(f.lead) > 0 && first+len(f.lead) < len(raw) && raw[first] == f.lead[0] {
		first++
	}
	raw = raw[first:]
	alone := len(raw) == 1 && f.alone.has(raw[0])
	var u unwrapped
	u.unwrap(f, raw)
	switch {
	case u.why != "":
		return errors.New(u.why)
	case !alone && !bytes.HasPrefix(raw, f.start):
		return errors.New("does not begin with the start of a frame")
	case !alone && len(f.end) > 0 && u.end == 0:
		return errors.New("does not end like a frame")
	}
	from, stop := first+u.start, first+u.stop
	a.add(0, from, "start", fmt.Sprintf("%q", a.raw[:from]), true)
	a.add(stop, stop+u.end, "end", fmt.Sprintf("%q", a.raw[stop:stop+u.end]), true)
	// Where each byte of the body stands, the check and the length field among them.
	var place []int
	if coded := raw[u.start:u.stop]; f.code != nil {
		place = f.code.places(coded)
	} else {
		for i := range len(coded) + 1 {
			place = append(place, i)
		}
	}
	for i := range place {
		place[i] += from
	}
	if f.Kind == cobs {
		a.codeBytes(from, raw[u.start:u.stop], place)
	}
	if u.sum != nil {
		at, end := stop+u.end, len(a.raw)
		if k := len(u.plain) - len(u.sum); !f.Beyond {
			at, end = place[k], place[len(u.plain)]
			place = place[:k+1]
		}
		s := Span{Start: at, End: end, Field: f.node.name, Shows: f.check.shows(nil, 0, u.sum), Good: !u.bad}
		if u.bad {
			s.Shows, s.Want = s.Shows+" "+whyCheck, f.check.right(u.over)
		}
		a.parts = append(a.parts, s)
	}
	if k := f.After; f.Kind == lengthPrefixed {
		a.add(place[k], place[k+f.Size], "length", fmt.Sprint(readUint(u.plain[k:k+f.Size], f.Order)), true)
		place = append(place[:k], place[k+f.Size:]...)
	}
	if len(place) != len(u.body)+1 {
		return errors.New("is not coded as the framing says")
	}
	a.body(u.body, place)
	return nil
}

// codeBytes notes the bytes of COBS that stand for nothing.
func (a *annotation) codeBytes(start int, coded []byte, place []int) {
	stands := map[int]bool{}
	for _, p := range place {
		stands[p] = true
	}
	for i := range coded {
		if !stands[start+i] {
			a.add(start+i, start+i+1, codeByte, fmt.Sprint(coded[i]), true)
		}
	}
}

// right is what a check should be, as it is shown.
func (f *covered) right(over []byte) string {
	raw, _ := f.append(nil, f.check.sum(over))
	return f.shows(nil, 0, raw)
}

// body notes the fields of a body whose byte i stands at place[i].
func (a *annotation) body(body []byte, place []int) {
	if a.f.split == 0 {
		a.unit(unit{text: body}, place)
		return
	}
	before := 0
	a.f.units(body, a.e.from, func(u unit) {
		a.add(place[before], place[u.at], "space", "", true)
		a.unit(u, place)
		before = u.at + len(u.text)
		if u.more && before < len(body) && body[before] == a.f.split {
			a.add(place[before], place[before+1], "split", fmt.Sprintf("%q", body[before]), true)
			before++
		}
	})
	a.add(place[before], place[len(body)], "space", "", true)
}

// unit notes the fields of one command or reply.
func (a *annotation) unit(u unit, place []int) {
	d := a.e.d
	text := append(append([]byte(nil), u.prefix...), u.text...)
	at := func(i int) int { return place[u.at+max(i-len(u.prefix), 0)] }
	rec := d.NewRecord()
	dec := &rec.dec
	among := a.f.roots
	if len(a.e.asks) > 0 {
		among = a.e.asks[0]
	}
	fr, _ := d.decodeBody(among, text, rec, a.e.ask)
	if fr == NoFrame {
		if fr = Frame(dec.bestFrame); fr < 0 {
			return
		}
	}
	groups := groupedNodes(d.frames[fr].nodes)
	rec.Reset()
	dec.begin(rec, text, a.e.ask)
	dec.note = func(n *node, start, end, ch int, why string) {
		if why != "" {
			end = max(end, min(max(start, len(u.prefix))+1, len(text)))
		}
		if start >= end || end <= len(u.prefix) {
			return
		}
		name, shows := n.name, why
		if l, ok := n.field.(*literal); ok && l.is.Kind == Absent {
			name = "literal"
		}
		if s, ok := n.field.(interface {
			shows(*Record, int, []byte) string
		}); why == "" && ok {
			shows = s.shows(rec, ch, text[start:end])
		} else if why == "" {
			shows = fmt.Sprintf("%q", text[start:end])
		}
		if ch > 0 || groups[n] {
			name = fmt.Sprintf("%s/%d", name, ch+1)
		}
		a.add(at(start), at(end), name, shows, why == "")
	}
	ok := d.decodeFrame(dec, int(fr))
	dec.note = nil
	if bad := dec.bad; bad.node != nil {
		for i := range a.parts {
			if p := &a.parts[i]; p.Start == at(bad.pos) && p.Good {
				c := bad.node.field.(*covered)
				from, to := c.span(&pending{c, bad.pos, dec.group, bad.ch}, &dec.marks, dec.end)
				p.Good, p.Shows = false, p.Shows+" "+whyCheck
				if from <= to && to <= len(text) {
					p.Want = c.right(text[from:to])
				}
			}
		}
	}
	if !ok && dec.fail.why == whyMore && dec.pos < len(text) {
		a.add(at(dec.pos), at(len(text)), "left over", whyMore, false)
	}
}

// groupedNodes are the fields that stand in a group of channels.
func groupedNodes(nodes []node) map[*node]bool {
	in := map[*node]bool{}
	eachNode(nodes, func(n *node) {
		if g, ok := n.field.(*each); ok {
			in[&g.spacer] = true
			eachNode(g.nodes, func(m *node) { in[m] = true })
		}
	})
	return in
}

// settle turns the candidates into spans that cover all bytes, each once.
func (a *annotation) settle() []Span {
	// Fields first, then what the framing adds inside them.
	order := append([]Span(nil), a.parts...)
	sort.SliceStable(order, func(i, j int) bool { return order[i].Field != codeByte && order[j].Field == codeByte })
	owner := make([]*Span, len(a.raw))
	for i := range order {
		for k := max(order[i].Start, 0); k < min(order[i].End, len(owner)); k++ {
			if owner[k] == nil {
				owner[k] = &order[i]
			}
		}
	}
	var spans []Span
	for i, j := 0, 0; i < len(owner); i = j {
		for j = i; j < len(owner) && owner[j] == owner[i]; j++ {
		}
		s := Span{Field: "unread", Shows: "not read"}
		if owner[i] != nil {
			s = *owner[i]
		}
		s.Start, s.End = i, j
		spans = append(spans, s)
	}
	return spans
}
