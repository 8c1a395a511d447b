package gauge

import (
	"time"

	"example.org/understudy/sim/quantity"
)

// rateClock counts the events of a rate from a base time, so that a rate
// whose interval is not a whole number of nanoseconds does not drift.
type rateClock struct {
	rate quantity.Rate
	base time.Duration
	n    int64 // events so far
	due  time.Duration
}

// set starts the clock: the first event is due at once.
func (r *rateClock) set(rate quantity.Rate, at time.Duration) {
	*r = rateClock{rate: rate, base: at, due: at}
}

// next moves past the event that was due, and past any that were missed.
func (r *rateClock) next(at time.Duration) {
	r.n++
	r.due = r.base + r.rate.Interval(r.n)
	if r.due <= at { // a pause, or a jump in time: no burst to catch up
		r.set(r.rate, at)
		r.n = 1
		r.due = at + max(1, r.rate.Interval(1))
	}
}
