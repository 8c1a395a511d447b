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
