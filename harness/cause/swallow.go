package cause

// swallowed reports whether a host skips a frame that stands in the length which a damaged
// one before it announced, if that is no more than it holds possible.
func (m *model) swallowed(s *Seen, gs *gaugeState) bool {
	if gs.swallows > 0 {
		gs.swallows -= len(s.Bytes)
		return true
	}
	if gs.length == nil {
		l := m.h.lengthByte(s.Gauge)
		gs.length = &l
	}
	if l := gs.length; s.State == Spoilt && l.at > 0 && l.at < len(s.Bytes) && s.Bytes[0] == l.start {
		if n := int(s.Bytes[l.at]) + l.more; n <= m.param[lengthTrusted] {
			gs.swallows = n - len(s.Bytes)
		}
	}
	return false
}

// lengthByte is a byte of a gauge's frames that says how long they are.
type lengthByte struct {
	start byte // of every frame
	at    int  // 0: there is none, as far as is known
	more  int  // bytes than it says
}

func (h *History) lengthByte(g uint16) (l lengthByte) {
	const last, most = 3, 8
	for l.at = 1; l.at <= last; l.at++ {
		fits, any := true, false
		for i := range h.Seen {
			s := &h.Seen[i]
			if s.Gauge != g || s.What != Frame || s.State != Sure {
				continue
			}
			if l.at >= len(s.Bytes) {
				return lengthByte{}
			}
			n := len(s.Bytes) - int(s.Bytes[l.at])
			if fits = n >= 0 && n <= most && (!any || n == l.more && s.Bytes[0] == l.start); !fits {
				break
			}
			any, l.more, l.start = true, n, s.Bytes[0]
		}
		if fits && any {
			return l
		}
	}
	return lengthByte{}
}
