package wire

// Grouped reports whether a frame repeats a part for each channel, so that one
// frame carries the readings of all of them.
func (d *Dialect) Grouped(f Frame) bool {
	return f >= 0 && int(f) < len(d.frames) && grouped(d.frames[f].ops)
}

func grouped(ops []op) bool {
	for i := range ops {
		if o := &ops[i]; o.kind == opEach || o.kind == opMap || grouped(o.sub) || grouped(o.alt) {
			return true
		}
	}
	return false
}

// Carries reports whether a frame has a place for a term; a frame of registers
// may have one for any.
func (d *Dialect) Carries(f Frame, t Term) bool {
	return t >= 0 && f >= 0 && int(f) < len(d.frames) && opsCarry(d.frames[f].ops, t)
}

// Identity is the term by which a gauge can be told from another when it is
// asked who it is: Serial, or else Name; "" where the dialect has no such
// command or its answer says neither.
func (d *Dialect) Identity() string {
	for _, name := range []string{Serial, Name} {
		for i := range d.frames {
			if c := d.frames[i].cmd; c != nil && c.verb == "identify" && d.Carries(c.reply, d.Term(name)) {
				return name
			}
		}
	}
	return ""
}

func opsCarry(ops []op, t Term) bool {
	for i := range ops {
		o := &ops[i]
		if o.term == t || o.kind == opMap || opsCarry(o.sub, t) || opsCarry(o.alt, t) {
			return true
		}
		for _, b := range o.bits {
			if b.term == t {
				return true
			}
		}
	}
	return false
}
