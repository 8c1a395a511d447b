package wire

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/uart"
)

// compiler turns a file's structs into a Dialect; every mistake goes to doc.
type compiler struct {
	doc   *strict.Doc
	spec  *fileSpec
	d     *Dialect
	kinds map[Term]Kind
	frac  map[Term]bool // numbers that may have decimals: not for expressions
	kept  map[Term]bool // numbers that are remembered
}

const (
	maxFrames     = 256
	maxFields     = 2000
	maxNesting    = 8
	defaultText   = 64
	defaultDigits = 20
	maxLongest    = 1 << 16
)

func compile(doc *strict.Doc, spec *fileSpec) *Dialect {
	c := &compiler{doc: doc, spec: spec, kinds: map[Term]Kind{}, frac: map[Term]bool{}, kept: map[Term]bool{}}
	c.d = &Dialect{name: spec.Dialect, title: spec.Title, inTurn: spec.InTurn, termOf: map[string]Term{}, left: -1, waiting: -1}
	if !plainName(spec.Dialect) {
		doc.Errorf(&spec.Dialect, "write small letters, digits and hyphens", "%q is not a dialect's name", spec.Dialect)
	}
	c.ownTerms()
	c.lineSettings()
	c.maps()
	c.openFramings()
	c.frames()
	if doc.Err() != nil {
		return nil
	}
	c.closeFramings()
	c.errorQueue()
	c.commands()
	c.states()
	if doc.Err() != nil {
		return nil
	}
	c.lint()
	for i := range c.d.frames {
		f := &c.d.frames[i]
		info := FrameInfo{Name: f.name, From: f.from, Sent: f.sent}
		if f.cmd != nil {
			info.Verb = f.cmd.Does
		}
		c.d.infos = append(c.d.infos, info)
		c.d.numbers = append(c.d.numbers, len(c.d.numbers))
	}
	return c.d
}

func plainName(s string) bool {
	return s != "" && strings.Trim(s, "abcdefghijklmnopqrstuvwxyz0123456789-") == "" && s[0] != '-'
}

func contains(list []string, s string) bool { return slices.Contains(list, s) }

func stripSpaces(s string) string { return strings.ReplaceAll(s, " ", "") }

func (c *compiler) term(name string) Term {
	if t, ok := c.d.termOf[name]; ok {
		return t
	}
	t := Term(len(c.d.terms))
	c.d.terms = append(c.d.terms, name)
	c.d.termOf[name] = t
	return t
}

func (c *compiler) numberTerm(name string) Term {
	t := c.term(name)
	c.kinds[t] = Number
	return t
}

// ownTerms interns the terms that the package itself sets.
func (c *compiler) ownTerms() {
	c.d.void = c.term(Void)
	c.term(Error)
	if c.doc.Has(&c.spec.Errors) {
		c.numberTerm(ErrorCode)
		c.kinds[c.term(ErrorText)] = Text
		c.numberTerm(QueuedCount)
	}
	s := &c.spec.Station
	c.d.station = station{*s, -1}
	if s.Term != "" {
		c.d.station.term = c.numberTerm(s.Term)
	}
	for i := range c.spec.Remember {
		k := &c.spec.Remember[i]
		k.term = c.numberTerm(k.Name)
		if c.kept[k.term] {
			c.doc.Errorf(&k.Name, "", "%q is remembered twice", k.Name)
		}
		c.kept[k.term] = true
	}
	c.d.remembers = c.spec.Remember
	if len(c.spec.States) > 0 {
		c.d.left, c.d.waiting = c.numberTerm("left"), c.numberTerm("waiting")
	}
	c.d.replyAfter = c.duration(&c.spec.Reply, c.spec.Reply)
}

func (c *compiler) lineSettings() {
	s := &c.spec.Line
	c.d.line = uart.Settings{Baud: cmp.Or(s.Baud, 9600), DataBits: cmp.Or(s.Data, 8), Parity: s.Parity, Stop: uart.StopBits(2 * cmp.Or(s.Stop, 1))}
}

// toBytes turns a text of the file into bytes: one character is one byte.
func toBytes(s string) ([]byte, error) {
	b := make([]byte, 0, len(s))
	for _, r := range s {
		if r > 255 {
			return nil, fmt.Errorf("%q is not one byte", r)
		}
		b = append(b, byte(r))
	}
	return b, nil
}

func (c *compiler) bytesOf(ptr *string) []byte {
	b, err := toBytes(*ptr)
	if err != nil {
		c.doc.Errorf(ptr, `write bytes above 7F as "\xB5"`, "%v", err)
	}
	return b
}

func (c *compiler) char(ptr *string, def byte) byte {
	if !c.doc.Has(ptr) {
		return def
	}
	b := c.bytesOf(ptr)
	if len(b) != 1 {
		c.doc.Errorf(ptr, "write one character", "%q is not one character", *ptr)
		return def
	}
	return b[0]
}

// duration is a time that a key says; it must be one that passes.
func (c *compiler) duration(key any, d quantity.Duration) time.Duration {
	if c.doc.Has(key) && (d <= 0 || d.D() >= 24*time.Hour) {
		c.doc.Errorf(key, "write a time above 0 s and below a day, such as 500 ms", "%s is no time to wait", d)
	}
	return d.D()
}

// frames compiles what either side sends.
func (c *compiler) frames() {
	count := 0
	for i := range c.spec.Frames {
		s := &c.spec.Frames[i]
		for j := range s.Sent {
			if c.spec.InTurn && s.Sent[j] != "reply" {
				c.doc.Errorf(&s.Sent[j], "write reply, or leave in-turn out", "a gauge that speaks only when asked sends no %s on its own", s.Sent[j])
			}
		}
		f := frame{name: s.Name, from: Gauge, sent: s.Sent, per: s.Per != "", after: s.After, spec: s}
		c.frame(f, &s.Name, &s.Framing, s.Fields, &count)
	}
	for i := range c.spec.Commands {
		s := &c.spec.Commands[i]
		for suffix, r := range map[string]*reply{"-reply": &s.Reply, "-refusal": &s.Refusal} {
			if r.fields != nil {
				r.name = s.Name + suffix
			}
		}
		for _, r := range []*reply{&s.Reply, &s.Refusal} {
			if r.fields != nil {
				c.frame(frame{name: r.name, from: Gauge, sent: []string{"reply"}, spec: r}, &r.name, &s.Framing, r.fields, &count)
			}
		}
	}
	c.d.gaugeFrames = len(c.d.frames)
	for i := range c.spec.Commands {
		s := &c.spec.Commands[i]
		c.frame(frame{name: s.Name, from: Host, cmd: &command{cmdSpec: s}, after: s.After, spec: s}, &s.Name, &s.Framing, s.Fields, &count)
	}
}

func (c *compiler) frame(f frame, name, framing *string, fields []fieldSpec, count *int) {
	for i := range c.d.frames {
		if c.d.frames[i].name == f.name {
			c.doc.Errorf(name, "", "the name %q is already taken", f.name)
		}
	}
	if len(c.d.frames) >= maxFrames {
		c.doc.Errorf(name, "", "a dialect has at most %d frames", maxFrames)
		return
	}
	f.pos = c.doc.At(name)
	f.framing = c.framingNamed(f.from, framing)
	sc := &scope{frame: &f, seen: map[Term]bool{}, count: count}
	for _, part := range [][]fieldSpec{f.framing.Header, fields, f.framing.Trailer} {
		f.nodes = append(f.nodes, c.fields(sc, part)...)
	}
	c.cover(sc, f.nodes, false)
	f.marks = sc.marks
	eachNode(f.nodes, func(n *node) {
		if v, ok := n.field.(*valued); ok && v.derive != nil {
			f.derived = append(f.derived, n)
		}
	})
	c.d.frames = append(c.d.frames, f)
}

func (c *compiler) errorQueue() {
	s := &c.spec.Errors
	if !c.doc.Has(s) {
		return
	}
	for i := range s.Listed {
		l := &s.Listed[i]
		l.let = c.assignments(&l.Let, l.Let)
	}
	c.d.errors = &errorQueue{s, c.d.Term(ErrorCode), c.d.Term(ErrorText), c.d.Term(QueuedCount)}
}

func (c *compiler) assignments(at any, m map[string]string) (list []assignment) {
	for i, k := range c.d.remembers {
		text, ok := m[k.Name]
		if !ok {
			continue
		}
		if e := c.expression(at, text, Number, nil); e != nil {
			list = append(list, assignment{i, e})
		}
	}
	for name := range m {
		if t, ok := c.d.termOf[name]; !ok || !c.kept[t] {
			c.doc.Errorf(at, "list it under remembers", "%q is no number the dialect remembers", name)
			break
		}
	}
	return list
}

// lookup finds the one of n things that a key names, or −1; a misspelt name is
// answered with the nearest.
func (c *compiler) lookup(ptr *string, n int, name func(int) string, what, want string) int {
	var names []string
	for i := range n {
		if names = append(names, name(i)); names[i] == *ptr {
			return i
		}
	}
	c.doc.Errorf(ptr, strict.Suggest(*ptr, names, want), "there is no %s %q", what, *ptr)
	return -1
}

func (c *compiler) gaugeFrame(ptr *string) Frame {
	if *ptr == "" || *ptr == "none" {
		return NoFrame
	}
	return Frame(c.lookup(ptr, c.d.gaugeFrames, func(i int) string { return c.d.frames[i].name }, "frame", "name one of the gauge's frames"))
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
		k.reply, k.refusal = c.gaugeFrame(&s.Reply.name), c.gaugeFrame(&s.Refusal.name)
		if s.Does != "" && !contains(Verbs(), s.Does) {
			c.doc.Errorf(&s.Does, strict.Suggest(s.Does, Verbs(), "a gauge can "+strings.Join(Verbs(), ", ")), "%q is nothing a gauge does", s.Does)
		}
		if s.Does != "" && s.Refuse != "" {
			c.doc.Errorf(&s.Refuse, "leave one out", "the command cannot both do something and always be refused")
		}
		if k.value = c.d.Term(SettingTo); s.Value != "" {
			if k.value = c.d.Term(s.Value); k.value < 0 {
				c.doc.Errorf(&s.Value, "name a field of the command", "no field carries %q", s.Value)
			}
		}
		k.settingBy, k.channelBy = c.d.Term(SettingName), c.d.Term(Channel)
		k.let, k.then = c.assignments(&s.Let, s.Let), c.assignments(&s.Then, s.Then)
		if (s.Clears || s.Takes) && c.d.errors == nil {
			c.doc.Errorf(s, "write errors: at the top of the file", "the dialect has no queue of errors")
		}
		for j := range s.In {
			if n := c.stateIndex(&s.In[j]); n >= 0 {
				k.in = append(k.in, n)
			}
		}
		c.commandFields(s, fr)
	}
}

// commandFields looks at what a command's fields say of its meaning.
func (c *compiler) commandFields(s *cmdSpec, fr *frame) {
	k := fr.cmd
	names := false
	eachNode(fr.nodes, func(n *node) {
		switch f := n.field.(type) {
		case *registers:
			k.writes, names = append(k.writes, f), true
		case *valued:
			if n.term == k.channelBy && k.channelBy >= 0 && c.kinds[n.term] == Text {
				c.doc.Errorf(n.spec, "write {choice: channel, is: {1: A, 2: B}} for channels A and B", "a command's channel must be a number, from 1")
			}
		}
		names = names || n.term >= 0 && n.term == k.settingBy
	})
	if (s.Does == "set" || s.Does == "get") && s.Setting == "" && !names {
		c.doc.Errorf(&s.Does, "write setting: and its name, or give the command a field setting", "which setting is not said")
	}
	if k.reply == NoFrame {
		return
	}
	eachNode(c.d.frames[k.reply].nodes, func(n *node) {
		if f, ok := n.field.(*registers); ok {
			k.reads = append(k.reads, f)
		}
	})
}
