package wire

import (
	"fmt"
	"strings"

	"example.org/understudy/sim/strict"
)

// lint finds what can be written but not told apart when it is read.
func (c *compiler) lint() {
	for i := range c.d.frames {
		f := &c.d.frames[i]
		c.follow(f.nodes, byteSet{}, f.framing.forbidden())
		c.misspelt(f)
		c.contains(f)
	}
	c.sendable()
	if c.doc.Err() == nil {
		c.order(Gauge)
		c.order(Host)
	}
}

// misspelt refuses a dialect's own term that is nearly one of the gauge's:
// nothing would ever fill it.
func (c *compiler) misspelt(f *frame) {
	eachNode(f.nodes, func(n *node) {
		if v, ok := n.field.(*valued); ok && v.derive != nil {
			return
		} else if _, ok := n.field.(*literal); ok {
			return
		}
		for _, t := range n.terms() {
			name := c.d.terms[t]
			if c.kept[t] || contains(Terms(), name) || strings.ContainsAny(name, "0123456789") {
				continue
			}
			if near := strict.Nearest(name, Terms()); len(near) > 3 && near[0] == name[0] {
				c.doc.Errorf(n.spec, fmt.Sprintf("did you mean %q?", near), "no gauge has the term %q", name)
			}
		}
	})
}

// sendable refuses rules that send what the conversation has no values for: of
// the terms that a frame needs, the gauge, the remembered numbers or a command
// must give each.
func (c *compiler) sendable() {
	given := map[Term]bool{}
	for i := c.d.gaugeFrames; i < len(c.d.frames); i++ {
		eachNode(c.d.frames[i].nodes, func(n *node) {
			for _, t := range n.terms() {
				given[t] = true
			}
		})
	}
	sent := map[Frame]bool{}
	for i := range c.d.states {
		for _, r := range c.d.states[i].rules {
			for _, f := range append(r.do.send[:len(r.do.send):len(r.do.send)], r.els.send...) {
				sent[f] = true
			}
		}
	}
	for f := range sent {
		eachNode(c.d.frames[f].nodes, func(n *node) {
			v, ok := n.field.(*valued)
			if !ok || v.derive != nil || len(v.specials) > 0 || given[n.term] || c.kept[n.term] || n.term == c.d.left || n.term == c.d.waiting {
				return
			}
			if name := c.d.terms[n.term]; !contains(Terms(), name) || name == Error || name == SettingTo || name == SettingName {
				c.doc.Errorf(n.spec, "give it a value, or remember it", "%s sends %s on its own, and nothing gives %s a value", "a rule", c.d.frames[f].name, name)
			}
		})
	}
}

// forbidden returns the bytes a text must not have because the framing would
// take them for its own.
func (f *framing) forbidden() (set byteSet) {
	if f.split != 0 {
		set.add(f.split)
	}
	if f.code == nil && (f.Kind == delimited || f.Kind == bracketed) {
		set.union(f.ends)
		set.addAll(f.start)
	}
	return set
}

// follow tells every text of free length where it ends, at the bytes that may
// stand after it, and finds fields whose end cannot be told.
func (c *compiler) follow(nodes []node, after, forbid byteSet) {
	for i := range nodes {
		n := &nodes[i]
		next, empty := newLanguage(nodes[i+1:]).first()
		if empty {
			next.union(after)
		}
		var own byteSet // what the field may be continued by
		switch f := n.field.(type) {
		case *valued:
			text, ok := f.form.(*textForm)
			if ok && text.quoted {
				break // it says where it ends
			} else if !ok {
				own = newLanguage(nodes[i : i+1]).further()
				break
			}
			text.stop = forbid
			if text.width > 0 {
				break
			}
			text.stop.union(next)
			if i+1 < len(nodes) && isFreeText(&nodes[i+1]) {
				c.doc.Errorf(n.spec, "put a literal between them, or give it a width", "the frame is ambiguous: where %s ends and %s starts cannot be told", n.name, nodes[i+1].name)
			}
		case *header:
			for b := range 256 {
				if isHeaderByte(byte(b)) {
					own.add(byte(b))
				}
			}
		case *space:
			own = newLanguage(nodes[i : i+1]).further()
		case *when:
			if !f.cond.known {
				first, none := newLanguage(f.then).first()
				other, otherNone := newLanguage(f.alt).first()
				if otherNone {
					other.union(next)
				}
				if none || first.meets(other) {
					c.doc.Errorf(n.spec, "let the part start with a byte that nothing else there starts with", "the frame is ambiguous: whether the part is there cannot be told")
				}
			}
			c.follow(f.then, next, forbid)
			c.follow(f.alt, next, forbid)
		case *each:
			c.followEach(f, n, next, forbid)
		case *coded:
			c.follow(f.nodes, byteSet{}, byteSet{})
		}
		if own.meets(next) {
			c.doc.Errorf(n.spec, "put a literal after it, or give it a width", "the frame is ambiguous: where %s ends cannot be told", n.name)
		}
	}
}

func isFreeText(n *node) bool {
	v, ok := n.field.(*valued)
	if !ok {
		return false
	}
	text, ok := v.form.(*textForm)
	return ok && !text.quoted
}

func (c *compiler) followEach(f *each, n *node, next, forbid byteSet) {
	f.ends = next
	inner, _ := newLanguage(f.nodes).first()
	if len(f.between) > 0 {
		inner = byteSet{}
		inner.add(f.between[0])
	}
	if f.rest && inner.meets(next) {
		c.doc.Errorf(n.spec, "give the number of groups, or put a literal after them", "the frame is ambiguous: where the groups end cannot be told")
	}
	inner.union(next)
	c.follow(f.nodes, inner, forbid)
}

// contains refuses fields that may have the very bytes that end a frame.
func (c *compiler) contains(fr *frame) {
	f := fr.framing
	if f.code != nil || f.Kind != delimited && f.Kind != bracketed {
		return
	}
	marks := append([][]byte{f.end}, f.ors...)
	if f.Kind == bracketed {
		marks = append(marks, f.start)
	}
	check := func(n *node) {
		var a nfa
		n.pattern().grow(&a, a.state())
		var set byteSet
		for i := range a.edges {
			set.union(a.edges[i].set)
		}
		for _, m := range marks {
			all := true
			for _, b := range m {
				all = all && set.has(b)
			}
			if all && n.spec != nil {
				c.doc.Errorf(n.spec, "send it as text, or choose a framing that stuffs or counts bytes", "the frame is ambiguous: %s may have the bytes %q, which mean something to the framing", n.name, m)
				return
			}
		}
	}
	inCode := map[*node]bool{} // their bytes are sent as others
	eachNode(fr.nodes, func(n *node) {
		coded, ok := n.field.(*coded)
		if ok {
			eachNode(coded.nodes, func(m *node) { inCode[m] = true })
		}
		if _, group := n.field.(parent); !inCode[n] && (ok || !group) {
			check(n)
		}
	})
	if f.check != nil && !f.Beyond {
		check(&f.node)
	}
}
