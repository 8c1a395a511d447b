package link

import "time"

// Scripted faults begin now, so the link is to be advanced to their time before. What
// follows comes out of Advance.

// Stall lets nothing through for a while; the frames come late, in order. Longer than
// the supervision time-out, and the link is lost.
func (l *Link) Stall(s *State, span time.Duration) {
	s.stallUntil = max(s.stallUntil, after(s.Now, span))
	l.listen(s)
	l.schedule(s)
}

// Lose hangs up. The gauge is out of reach for a while, then rejoins as its back-off
// has it.
func (l *Link) Lose(s *State, span time.Duration) {
	s.outUntil = max(s.outUntil, after(s.Now, span))
	s.hangup = s.Phase.Joined()
	l.listen(s)
	l.schedule(s)
}

func after(now, span time.Duration) time.Duration {
	if span >= never-now {
		return never
	}
	return now + span
}

// Clear ends every fault now.
func (l *Link) Clear(s *State) {
	s.stallUntil, s.outUntil = min(s.stallUntil, s.Now), min(s.outUntil, s.Now)
	l.listen(s)
	l.schedule(s)
	if !s.Phase.Joined() && l.cfg.Rejoin.atOnce() {
		l.backOff(s)
	}
}
