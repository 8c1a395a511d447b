package check

import (
	"context"
	"sync"

	"example.org/understudy/harness/process"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
)

// life is the host as a program: it is started, and may be ended and started
// again in mid-run, as scenarios ask (stage.Host).
type life struct {
	*run
	ctx  context.Context // of the performance
	quit func()          // called when the host ends by itself

	heard map[port.Port]int64 // bytes the gauges had before the host was started

	mu   sync.Mutex
	host *started // nil while there is none
	work sync.WaitGroup
}

// program is a host that was started: a process, or a function of this program.
type program interface {
	Await(context.Context, process.Ready) error
	Stop(process.Ask) process.Exit
	Done() <-chan struct{}
}

// started is the host, started once.
type started struct {
	program
	ended bool // its end was asked for
}

// raise starts the host, or takes the one that was kept; the channel gets why it
// did not become ready, or nil.
func (l *life) raise() (<-chan error, error) {
	l.heard = map[port.Port]int64{}
	for _, p := range l.Ports.Ports {
		l.heard[p] = p.Stats().Received
	}
	host, again, err := l.start(l.ctx)
	if err != nil {
		return nil, err
	}
	l.mu.Lock()
	l.host = &started{program: host}
	l.mu.Unlock()
	cond, err := l.ready(again)
	if err != nil {
		return nil, err
	}
	ready := make(chan error, 1)
	l.work.Go(func() {
		err := l.begin(l.ctx, host)
		if err == nil {
			err = host.Await(l.ctx, cond)
		}
		if err == nil {
			// A host may say that it is ready a moment before the ports are
			// seen to be open. One that never opens them is judged for it.
			octx, cancel := context.WithTimeout(l.ctx, openWithin)
			defer cancel()
			_ = l.Opened(octx)
			l.noted(l.ctx)
		}
		ready <- err
	})
	return ready, nil
}

// watch has quit called once the host has ended without being asked to.
func (l *life) watch() {
	l.mu.Lock()
	host := l.host
	l.mu.Unlock()
	l.work.Go(func() {
		select {
		case <-host.Done():
			l.mu.Lock()
			alone := !host.ended
			l.mu.Unlock()
			if alone {
				l.quit()
			}
		case <-l.ctx.Done():
		}
	})
}

// stop ends the host that is there.
func (l *life) stop(ask process.Ask) (e process.Exit) {
	if host := l.leave(); host != nil {
		e = host.Stop(ask)
	}
	return e
}

// last ends the run at the host that is there, and the host where it is not kept.
func (l *life) last() (e process.Exit) {
	if host := l.leave(); host != nil {
		e = l.finish(host.program)
	}
	return e
}

// over reports whether the host has ended.
func (l *life) over() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.host == nil {
		return false // it is not ours to watch
	}
	select {
	case <-l.host.Done():
		return true
	default:
		return false
	}
}

// leave notes that the host's end is asked for.
func (l *life) leave() *started {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.host != nil {
		l.host.ended = true
	}
	return l.host
}

// End ends the host in mid-run.
func (l *life) End(how stage.Ending) <-chan struct{} {
	done := make(chan struct{})
	ask := l.ask()
	if how == stage.Kill {
		ask = process.Ask{Signal: "kill"}
	}
	l.work.Go(func() {
		defer close(done)
		l.say("ending the host")
		l.stop(ask)
		// The kernel closes its ports; frames must not go to a host that is gone.
		ctx, cancel := context.WithTimeout(l.ctx, openWithin)
		defer cancel()
		_ = l.Closed(ctx)
		l.mu.Lock()
		l.host = nil
		l.mu.Unlock()
	})
	return done
}

// Start starts it again.
func (l *life) Start() <-chan error {
	ready := make(chan error, 1)
	l.work.Go(func() {
		l.say("starting the host again")
		got, err := l.raise()
		if err == nil {
			err = <-got
		}
		if err == nil {
			l.watch()
		}
		ready <- err
	})
	return ready
}
