package link

import (
	"errors"
	"fmt"
	"time"
)

// FaultKind is a kind of scripted fault.
type FaultKind uint8

// Faults of the link, put in by Link.Inject. A late burst after a stall needs
// no fault of its own: it is what a Stall ends with.
const (
	// Stall: nothing gets through for a while; the frames come late, in order.
	// Longer than the supervision time-out, and the link is lost.
	Stall FaultKind = iota + 1
	// Lose: the link hangs up and the gauge is out of reach for a while, then
	// rejoins as its back-off has it.
	Lose
)

var faultNames = [...]string{"", "stall", "lose link"}

func (k FaultKind) String() string {
	if int(k) < len(faultNames) && k > 0 {
		return faultNames[k]
	}
	return fmt.Sprintf("fault(%d)", uint8(k))
}

// Fault is a scripted fault: from At, for For.
type Fault struct {
	Kind    FaultKind
	At, For time.Duration
	NewName bool // Lose: the gauge comes back under another port name; else ignored
}

// Validate says what is wrong with f, if anything.
func (f Fault) Validate() error {
	var errs []error
	check := func(ok bool, format string, args ...any) {
		if !ok {
			errs = append(errs, fmt.Errorf("%v: "+format, append([]any{f.Kind}, args...)...))
		}
	}
	check(f.Kind == Stall || f.Kind == Lose, "is not a known fault")
	check(f.At >= 0, "at %v: must not be negative", f.At)
	check(f.For >= 0, "for %v: must not be negative", f.For)
	return errors.Join(errs...)
}

// Inject lets a Stall or a Lose begin. Its time must be s.Now, that is, after
// Advance to it; one that begins late ends no later for it. What follows comes
// out of Advance.
func (l *Link) Inject(s *State, f Fault) error {
	if err := f.Validate(); err != nil {
		return err
	}
	if f.At > s.Now {
		return fmt.Errorf("link: %v at %v put in at %v: advance the link to it first", f.Kind, f.At, s.Now)
	}
	end := never
	if f.For < never-f.At {
		end = f.At + f.For
	}
	switch f.Kind {
	case Stall:
		s.stallUntil = max(s.stallUntil, end)
	case Lose:
		s.outUntil = max(s.outUntil, end)
		s.newName = s.newName || f.NewName
		s.hangup = s.Phase.Joined()
	}
	l.listen(s)
	l.schedule(s)
	return nil
}

// Clear ends, now, every fault that Inject began.
func (l *Link) Clear(s *State) {
	s.stallUntil, s.outUntil = min(s.stallUntil, s.Now), min(s.outUntil, s.Now)
	l.listen(s)
	l.schedule(s)
	if !s.Phase.Joined() && l.cfg.Rejoin.atOnce() {
		l.backOff(s)
	}
}
