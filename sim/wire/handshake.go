package wire

// Awaits appends what a host says to let a handshake go on when all is well:
// the command of the first rule of the present state that neither drops nor
// repeats a frame. ok is false when the state waits for no host.
func (e *End) Awaits(dst []byte) (out []byte, ok bool) {
	if e.side != Gauge || len(e.d.states) == 0 {
		return dst, false
	}
	for _, r := range e.d.states[e.srv.state].rules {
		if r.when != onFrame || r.resend || r.drop {
			continue
		}
		if out, err := e.d.AppendRequest(dst, e.d.frames[r.on].name, e.d.NewRecord()); err == nil {
			return out, true
		}
	}
	return dst, false
}
