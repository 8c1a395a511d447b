package wire

import (
	"fmt"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
)

func (c *compiler) framings() {
	for _, side := range []Side{Gauge, Host} {
		s := &c.spec.Framing
		if side == Host && c.doc.Has(&c.spec.Host) {
			s = &c.spec.Host
		}
		if side == Host && s == &c.spec.Framing {
			c.d.framings[Host] = c.framing(s, side)
			continue
		}
		c.d.framings[side] = c.framing(s, side)
	}
}

// framingOptions lists the keys each framing takes, besides kind, longest,
// check, covers and stale.
var framingOptions = map[framingKind]string{
	delimited:      "end or coding split path",
	fixedLength:    "start bytes",
	lengthPrefixed: "start size order after plus",
	bracketed:      "start end or alone escape xor double coding check-after-end",
	slip:           "start",
	cobs:           "",
	hdlc:           "start",
	silence:        "gap early",
}

func (c *compiler) framing(s *framingSpec, from Side) *framing {
	f := &framing{kind: s.Kind, order: s.Order, size: s.Size, after: s.After, plus: s.Plus, bytes: s.Bytes,
		early: s.Early, beyond: s.Beyond, stale: c.duration(&s.Stale)}
	takes := strings.Fields(framingOptions[s.Kind] + " kind longest check covers stale")
	for _, k := range []struct {
		key string
		ptr any
	}{{"start", &s.Start}, {"end", &s.End}, {"or", &s.Or}, {"bytes", &s.Bytes}, {"size", &s.Size}, {"order", &s.Order},
		{"after", &s.After}, {"plus", &s.Plus}, {"escape", &s.Escape}, {"xor", &s.Xor}, {"double", &s.Double}, {"alone", &s.Alone}, {"gap", &s.Gap},
		{"early", &s.Early}, {"coding", &s.Coding}, {"check-after-end", &s.Beyond}, {"split", &s.Split}, {"path", &s.Path}} {
		if c.doc.Has(k.ptr) && !contains(takes, k.key) {
			c.doc.Errorf(k.ptr, "it takes "+strings.Join(takes, ", "), "the key %q means nothing for %s framing", k.key, framingKinds.names[s.Kind])
		}
	}
	f.start = c.bytesOf(&s.Start)
	f.end = c.bytesOf(&s.End)
	for i := range s.Or {
		if from == Gauge && !c.doc.Has(&c.spec.Host) {
			break // a gauge sends the first end only
		}
		f.ors = append(f.ors, c.bytesOf(&s.Or[i]))
		if len(f.ors[i]) == 0 {
			c.doc.Errorf(&s.Or[i], "", "an end is empty")
			f.ors = nil
			return f
		}
	}
	needs := func(ptr any, ok bool, what string) {
		if !ok {
			c.doc.Errorf(ptr, "", "%s framing needs %s", framingKinds.names[s.Kind], what)
		}
	}
	if s.Check != nil {
		if s.Check.Check == "" {
			c.doc.Errorf(s.Check, "write {check: crc-16/modbus, order: little}", "the framing's check is no check")
			return f
		}
		sc := &scope{frame: &frame{}, seen: map[Term]bool{}, count: new(int)}
		o := c.field(sc, s.Check)
		f.check = &o
		if s.Check.From != "" || s.Check.To != "" {
			c.doc.Errorf(s.Check, "write covers: body, body-and-end or all", "the framing's check has no from and to")
		}
	}
	f.covers = map[string]uint8{"body": coversBody, "body-and-end": coversBodyAndEnd, "all": coversAll}[c.pick(&s.Covers, "body", "body", "body-and-end", "all")]
	if f.covers == coversBodyAndEnd && !f.beyond {
		c.doc.Errorf(&s.Covers, "add check-after-end: yes", "the check stands before the end and cannot cover it")
	}
	if f.beyond && f.check == nil {
		c.doc.Errorf(&s.Beyond, "write check: as well", "there is no check to stand after the end")
		f.beyond = false
	}
	switch s.Kind {
	case delimited:
		needs(s, len(f.end) > 0, "an end")
	case fixedLength:
		needs(&s.Bytes, s.Bytes > 0 && s.Bytes <= maxLongest, "bytes: how many bytes a frame has")
	case lengthPrefixed:
		needs(&s.Size, s.Size >= 1 && s.Size <= 4, "size: the bytes of its length field, 1 to 4")
		needs(&s.After, s.After >= 0 && s.After <= 64, "a length field within the first bytes")
	case bracketed:
		needs(s, len(f.start) > 0 && len(f.end) > 0, "a start and an end")
		f.alone.addAll(c.bytesOf(&s.Alone))
		if c.doc.Has(&s.Escape) {
			f.escape, f.xor, f.stuffed = c.char(&s.Escape, 0), byte(s.Xor), true
			if s.Xor < 1 || s.Xor > 255 {
				c.doc.Errorf(s, "write xor: 0x20", "a stuffed byte must differ from the one it stands for")
			}
			for _, b := range append(append([]byte{f.escape}, f.start...), f.end...) {
				x := b ^ f.xor
				if x == f.escape || len(f.start) > 0 && x == f.start[0] || len(f.end) > 0 && x == f.end[len(f.end)-1] {
					c.doc.Errorf(&s.Xor, "choose another", "what is sent for a stuffed byte would end or start a frame")
					break
				}
			}
		}
		if c.doc.Has(&s.Double) {
			if f.stuffed {
				c.doc.Errorf(&s.Double, "choose escape or double", "a frame is stuffed in one way only")
			}
			f.twice, f.double, f.stuffed = c.char(&s.Double, 0), true, true
			for _, p := range []struct {
				ptr *string
				b   []byte
			}{{&s.Start, f.start}, {&s.End, f.end}} {
				if len(p.b) != 2 || p.b[0] != f.twice || p.b[1] == f.twice {
					c.doc.Errorf(p.ptr, fmt.Sprintf("write the byte %q and another", s.Double), "with doubling, a start or end is the doubled byte and one more")
				}
			}
		}
	case slip: // RFC 1055
		f.end, f.escape, f.stuffed = []byte{0xc0}, 0xdb, true
		f.swap = [][2]byte{{0xc0, 0xdc}, {0xdb, 0xdd}}
	case hdlc: // RFC 1662 §4: octet-stuffed framing
		f.end, f.escape, f.xor, f.stuffed = []byte{0x7e}, 0x7d, 0x20, true
	case cobs:
		f.end = []byte{0}
	case silence:
		needs(s, s.Gap != "", "a gap, such as 3.5 characters or 5 ms")
		if num, ok := strings.CutSuffix(s.Gap, " characters"); ok {
			v, err := decimal.Parse(num)
			n, whole := v.Mul(decimal.New(10, 0)).Int64()
			if err != nil || !whole || n < 5 || n > 10000 {
				c.doc.Errorf(&s.Gap, "write 3.5 characters", "%q is no silence", s.Gap)
			}
			f.gapChars = int(n)
		} else {
			f.gap = c.duration(&s.Gap)
		}
		if f.early && f.check == nil {
			c.doc.Errorf(&s.Early, "give the framing a check", "without a check nothing says that a frame is whole")
		}
	}
	if s.Kind == slip || s.Kind == hdlc {
		if c.doc.Has(&s.Start) && string(f.start) != string(f.end) {
			c.doc.Errorf(&s.Start, "leave it out, or write the end byte", "a frame of this framing starts with nothing, or with its end byte")
		}
		f.lead, f.start = f.start, nil
	}
	switch {
	case s.Coding == "":
	case s.Coding != "hex":
		c.doc.Errorf(&s.Coding, "write hex", "%q is no coding", s.Coding)
	case f.stuffed:
		c.doc.Errorf(&s.Coding, "", "hexadecimal digits need no stuffing")
	default:
		f.hex = true
	}
	if c.doc.Has(&s.Split) {
		f.split = c.char(&s.Split, 0)
		f.path = c.char(&s.Path, 0)
		if f.check != nil {
			c.doc.Errorf(&s.Split, "", "a line of several commands has no check")
		}
	} else if c.doc.Has(&s.Path) {
		c.doc.Errorf(&s.Path, "write split as well", "a path matters only between the commands of one line")
	}
	if f.covers == coversAll && (f.stuffed || f.hex || s.Kind == cobs) {
		c.doc.Errorf(&s.Covers, "write body", "a check inside coded bytes covers the body")
	}
	// How long a frame may be.
	for i := range c.d.frames {
		fr := &c.d.frames[i]
		if fr.from != from {
			continue
		}
		least, most := sizeOf(fr.ops)
		f.empty = f.empty || least == 0
		extra := 0
		if f.check != nil && !f.beyond {
			extra = f.check.width
		}
		if s.Longest > 0 && least+extra > s.Longest {
			c.doc.Errorf(&s.Longest, fmt.Sprintf("write at least %d", least+extra), "the frame %s has more bytes than the framing allows", fr.name)
		}
		if s.Kind == fixedLength && (s.Bytes < least+extra+len(f.start) || s.Bytes > most+extra+len(f.start)) {
			c.doc.Errorf(fr.spec, fmt.Sprintf("its fields take %d", least), "the frame %s cannot have %d bytes", fr.name, s.Bytes)
		}
		if s.Kind == lengthPrefixed {
			if least < s.After {
				c.doc.Errorf(fr.spec, "", "the frame %s may be shorter than the %d bytes before the length field", fr.name, s.After)
			}
			if s.Longest == 0 && s.Size < 4 && most-s.After+extra+s.Plus >= 1<<(8*s.Size) && least == most {
				c.doc.Errorf(&s.Size, "", "the length of frame %s does not fit in %d bytes", fr.name, s.Size)
			}
		}
		if s.Longest == 0 {
			f.longest = max(f.longest, min(most+extra, maxLongest))
		}
	}
	if s.Longest > 0 {
		f.longest = s.Longest
		if s.Longest > maxLongest {
			c.doc.Errorf(&s.Longest, fmt.Sprintf("write %d at most", maxLongest), "a frame of %d bytes is too long", s.Longest)
		}
	}
	if f.longest == 0 {
		f.longest = 64
	}
	if f.split != 0 {
		f.longest = max(f.longest, 256)
	}
	if f.kind == fixedLength {
		f.longest = f.bytes
	}
	f.rawMost = f.longest
	switch {
	case f.hex, f.stuffed:
		f.rawMost *= 2
	case f.kind == cobs:
		f.rawMost += f.longest/254 + 1
	}
	f.rawMost += len(f.lead) + len(f.start) + len(f.end) + f.size
	if f.beyond {
		f.rawMost += f.check.width
	}
	f.oneEnd = len(f.end) == 1 && len(f.ors) == 0
	f.plain = f.kind == delimited && len(f.ors) == 0 && f.check == nil && !f.hex
	f.endSet.addAll(f.end)
	for _, o := range f.ors {
		f.endSet.addAll(o)
	}
	// Fields after a length cannot be told from the next frame's; a frame left
	// unfinished must not swallow it for ever.
	if f.stale == 0 && (f.kind == fixedLength || f.kind == lengthPrefixed) {
		f.stale = 500_000_000
	}
	return f
}

func (c *compiler) errorQueue() {
	s := &c.spec.Errors
	if !c.doc.Has(s) {
		return
	}
	q := &errorQueue{depth: s.Depth, none: s.None, overflow: s.Overflow,
		code: c.d.Term(ErrorCode), text: c.d.Term(ErrorText), count: c.d.Term(QueuedCount)}
	if q.depth < 1 || q.depth > 1000 {
		c.doc.Errorf(&s.Depth, "write 1 to 1000", "%d is no depth of a queue", q.depth)
	}
	for i := range s.Listed {
		l := &s.Listed[i]
		q.listed = append(q.listed, errorRule{l.For, errorEntry{l.Code, l.Text}, c.assignments(&l.Let, l.Let)})
	}
	c.d.errors = q
}

func (c *compiler) assignments(at any, m map[string]string) []assignment {
	var list []assignment
	for i, k := range c.d.keeps {
		text, ok := m[k.name]
		if !ok {
			continue
		}
		e, err := newExpression(text, c.finder(nil, ""), false)
		if err != nil {
			c.doc.Errorf(at, "", "%s: %v", k.name, err)
			continue
		}
		list = append(list, assignment{i, e})
	}
	if len(list) < len(m) {
		for name := range m {
			if t, ok := c.d.termOf[name]; !ok || !c.keepT[t] {
				c.doc.Errorf(at, "list it under keeps", "%q is no number the dialect keeps", name)
				break
			}
		}
	}
	return list
}

func (c *compiler) gaugeFrame(ptr *string, name string) Frame {
	if name == "" || name == "none" {
		return NoFrame
	}
	var names []string
	for i := range c.d.frames[:c.d.gaugeFrames] {
		if c.d.frames[i].name == name {
			return Frame(i)
		}
		names = append(names, c.d.frames[i].name)
	}
	want := "name one of the gauge's frames"
	if near := strict.Nearest(name, names); near != "" {
		want = fmt.Sprintf("did you mean %q?", near)
	}
	c.doc.Errorf(ptr, want, "there is no frame %q", name)
	return NoFrame
}

// Verbs are what a command may ask of a gauge.
func Verbs() []string {
	return []string{"read", "tag", "ack", "zero", "preset", "clear", "set", "get", "stream-on", "stream-off", "identify", "press"}
}

func (c *compiler) commands() {
	for i := range c.spec.Commands {
		s := &c.spec.Commands[i]
		fr := &c.d.frames[c.d.gaugeFrames+i]
		k := fr.cmd
		k.verb, k.setting, k.refuse = s.Does, s.Setting, s.Refuse
		k.reply = c.gaugeFrame(&s.Reply.name, s.Reply.name)
		k.refusal = c.gaugeFrame(&s.Refusal.name, s.Refusal.name)
		if s.Does != "" && !contains(Verbs(), s.Does) {
			want := "a gauge can " + strings.Join(Verbs(), ", ")
			if near := strict.Nearest(s.Does, Verbs()); near != "" {
				want = fmt.Sprintf("did you mean %q?", near)
			}
			c.doc.Errorf(&s.Does, want, "%q is nothing a gauge does", s.Does)
		}
		if s.Does != "" && s.Refuse != "" {
			c.doc.Errorf(&s.Refuse, "leave one out", "the command cannot both do something and always be refused")
		}
		k.value = c.d.Term(SettingTo)
		if s.Value != "" {
			if k.value = c.d.Term(s.Value); k.value < 0 {
				c.doc.Errorf(&s.Value, "name a field of the command", "no field carries %q", s.Value)
			}
		}
		k.settingBy, k.channelBy = c.d.Term(SettingName), c.d.Term(Channel)
		if (s.Does == "set" || s.Does == "get") && s.Setting == "" {
			has := false
			eachOp(fr.ops, func(o *op) { has = has || o.term >= 0 && o.term == k.settingBy || o.kind == opMap })
			if !has {
				c.doc.Errorf(&s.Does, "write setting: and its name, or give the command a field setting", "which setting is not said")
			}
		}
		k.let, k.then = c.assignments(&s.Let, s.Let), c.assignments(&s.Then, s.Then)
		k.clears, k.takes = s.Clears, s.Takes
		if (s.Clears || s.Takes) && c.d.errors == nil {
			c.doc.Errorf(s, "write errors: at the top of the file", "the dialect has no queue of errors")
		}
		for j := range s.In {
			if n := c.stateIndex(&s.In[j], s.In[j]); n >= 0 {
				k.in = append(k.in, n)
			}
		}
		eachOp(fr.ops, func(o *op) {
			named := o.kind == opText || o.kind == opChoice && o.choices[0].val.Kind == Text
			if o.term >= 0 && o.term == k.channelBy && named {
				c.doc.Errorf(o.spec, "write {choice: channel, is: {1: A, 2: B}} for channels A and B", "a command's channel must be a number, from 1")
			}
			if o.kind == opMap {
				k.mapOps, k.writesMaps = append(k.mapOps, o), true
			}
		})
		if len(k.mapOps) == 0 && k.reply != NoFrame {
			eachOp(c.d.frames[k.reply].ops, func(o *op) {
				if o.kind == opMap {
					k.mapOps = append(k.mapOps, o)
				}
			})
		}
	}
}

func eachOp(ops []op, do func(*op)) {
	for i := range ops {
		do(&ops[i])
		eachOp(ops[i].sub, do)
		eachOp(ops[i].alt, do)
	}
}

func (c *compiler) stateIndex(ptr *string, name string) int {
	var names []string
	for i := range c.spec.States {
		if c.spec.States[i].Name == name {
			return i
		}
		names = append(names, c.spec.States[i].Name)
	}
	want := ""
	if near := strict.Nearest(name, names); near != "" {
		want = fmt.Sprintf("did you mean %q?", near)
	}
	c.doc.Errorf(ptr, want, "there is no state %q", name)
	return -1
}

func (c *compiler) states() {
	reached := map[int]bool{0: true}
	for i := range c.spec.States {
		s := &c.spec.States[i]
		st := state{name: s.Name}
		for j := range s.Rules {
			r := &s.Rules[j]
			k := rule{on: NoFrame, send: NoFrame, goTo: -1, els: -1, hold: r.Hold, release: r.Free, resend: r.Again, drop: r.Drop, atMost: r.AtMost}
			switch {
			case r.On != "" && r.After != "" || r.On == "" && r.After == "":
				c.doc.Errorf(r, "write on: or after:", "a rule needs one thing that sets it off")
			case r.After != "":
				k.when, k.after = onTime, c.duration(&r.After)
			case r.On == "emission":
				k.when = onEmission
			case r.On == "garbage":
				k.when = onGarbage
			default:
				for n := c.d.gaugeFrames; n < len(c.d.frames); n++ {
					if c.d.frames[n].name == r.On {
						k.on = Frame(n)
					}
				}
				if k.on == NoFrame {
					var names []string
					for _, f := range c.d.frames[c.d.gaugeFrames:] {
						names = append(names, f.name)
					}
					want := "name a command, or write emission or garbage"
					if near := strict.Nearest(r.On, names); near != "" {
						want = fmt.Sprintf("did you mean %q?", near)
					}
					c.doc.Errorf(&r.On, want, "there is no command %q", r.On)
				}
			}
			for _, e := range st.rules {
				if e.when == k.when && e.on == k.on && e.when != onTime {
					c.doc.Errorf(r, "", "an earlier rule is set off by the same: this one is unreachable")
				}
			}
			if r.Send != "" {
				k.send = c.gaugeFrame(&r.Send, r.Send)
			}
			if r.Go != "" {
				if k.goTo = c.stateIndex(&r.Go, r.Go); k.goTo >= 0 {
					reached[k.goTo] = true
				}
			}
			if (r.AtMost > 0) != (r.Else != "") {
				c.doc.Errorf(r, "write both at-most and else", "how often and what then go together")
			} else if r.Else != "" {
				if k.els = c.stateIndex(&r.Else, r.Else); k.els >= 0 {
					reached[k.els] = true
				}
			}
			st.rules = append(st.rules, k)
		}
		c.d.states = append(c.d.states, st)
	}
	for i := range c.spec.States {
		if !reached[i] {
			c.doc.Errorf(&c.spec.States[i].Name, "", "the state %q is unreachable: no rule goes to it", c.spec.States[i].Name)
		}
	}
}

// headerWords expands a command name in the notation of SCPI-99 (volume 1,
// §5.1): capitals are the short form, brackets hold what may be left out.
// The words come without a leading colon, in capitals; the first is the
// shortest: short forms, nothing optional.
func headerWords(pattern string) ([]string, error) {
	const most = 256
	p := strings.TrimPrefix(pattern, ":")
	query := ""
	if strings.HasSuffix(p, "?") {
		p, query = strings.TrimSuffix(p, "?"), "?"
	}
	if strings.HasPrefix(p, "*") {
		if strings.Trim(p[1:], "ABCDEFGHIJKLMNOPQRSTUVWXYZ") != "" || len(p) < 2 {
			return nil, fmt.Errorf("%q is no common command", pattern)
		}
		return []string{p + query}, nil
	}
	words := []string{""}
	for p != "" {
		optional := false
		if strings.HasPrefix(p, "[") {
			end := strings.IndexByte(p, ']')
			if end < 0 {
				return nil, fmt.Errorf("%q has an open bracket", pattern)
			}
			optional = true
			p = p[1:end] + "\x00" + p[end+1:]
		}
		p = strings.TrimPrefix(p, ":")
		n := strings.IndexAny(p, ":[\x00")
		if n < 0 {
			n = len(p)
		}
		node := p[:n]
		p = strings.TrimPrefix(p[n:], "\x00")
		upper := strings.ToUpper(node)
		short := strings.TrimRight(node, "abcdefghijklmnopqrstuvwxyz")
		if short == "" || strings.Trim(upper, "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_") != "" || strings.ToUpper(short) != short {
			return nil, fmt.Errorf("%q is no part of a command's name", node)
		}
		var next []string
		for _, w := range words {
			join := w
			if join != "" {
				join += ":"
			}
			if optional {
				next = append(next, w)
			}
			next = append(next, join+short)
			if upper != short {
				next = append(next, join+upper)
			}
		}
		if len(next) > most {
			return nil, fmt.Errorf("%q has more than %d spellings", pattern, most)
		}
		words = next
	}
	out := words[:0]
	for _, w := range words {
		if w != "" {
			out = append(out, w+query)
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("%q is no command's name", pattern)
	}
	return out, nil
}
