package stage

import "time"

// Rest adds up how long a host has rested since something last came of it. Time in
// which one of its threads runs does not count, and does not end the rest either: a
// host that looks for input many times a second rests between its looks, and one that
// waits for a processor does not.
type Rest struct {
	seen  time.Time // zero: not yet
	signs Signs
	sum   time.Duration
}

// restMost is how much of the time between two looks counts at most.
const restMost = 10 * time.Millisecond

// See takes what is seen of the host now, and whether something has come of it that the
// signs do not show. It returns how long the host has rested.
func (r *Rest) See(now time.Time, signs Signs, stirred bool) time.Duration {
	was := r.signs
	was.Working = signs.Working
	switch {
	case r.seen.IsZero(), stirred, signs.Holds, signs != was:
		r.sum = 0
	case !signs.Working && !r.signs.Working:
		r.sum += min(now.Sub(r.seen), restMost)
	}
	r.seen, r.signs = now, signs
	return r.sum
}
