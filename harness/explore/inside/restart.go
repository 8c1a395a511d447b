package inside

import (
	"context"
	"errors"

	"example.org/understudy/sim/stage"
)

// restarter is a host's life in a world, which a scenario may have it begin anew
// (stage.Host). Its records stay.
type restarter struct {
	w     *World
	ctx   context.Context // of the run
	host  Host
	ready bool
	looks int
	wait  chan error // for it to be ready, nil when nobody waits
}

// begin has the host begin.
func (r *restarter) begin() {
	r.ready, r.looks = false, 0
	r.w.over = false
	r.w.ctx, r.w.stop = context.WithCancel(r.ctx)
	r.w.Go(func() {
		if err := r.host(r.w); err != nil && !errors.Is(err, ErrEnd) && r.w.err == nil {
			r.w.err = err
		}
	})
}

// End ends the host: at once, or after what it does when it is asked to.
func (r *restarter) End(how stage.Ending) <-chan struct{} {
	w := r.w
	if how == stage.Kill {
		w.stop()
		w.clear()
	} else {
		w.end()
	}
	for _, g := range w.ports {
		if g.host != nil {
			g.host.Close()
		}
	}
	done := make(chan struct{})
	close(done)
	return done
}

// Start begins it anew.
func (r *restarter) Start() <-chan error {
	r.begin()
	r.wait = make(chan error, 1)
	return r.wait
}

// looked is called when the host has been let live, time and again.
func (r *restarter) looked() {
	if r.wait == nil {
		return
	}
	switch r.looks++; {
	case r.w.err != nil:
		r.wait <- r.w.err
	case r.ready:
		r.wait <- nil
	case r.looks > patient:
		r.wait <- errNotReady
	default:
		return
	}
	r.wait = nil
}

// patient is how often a host that gets ready is let live.
const patient = 1000

var errNotReady = errors.New("the host did not get ready")
