package control

import (
	"context"
	"errors"
	"sync/atomic"
	"time"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/registry"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
)

// Playing puts a scenario on its ports, and puts it on again whenever the desk
// asks for it.
type Playing struct {
	Scenario *scenario.Scenario
	Ports    []port.Port
	Inbox    *stage.Inbox
	Pace     stage.Pace
	Ledger   string
	Desk     *Desk // may be nil
	Settings map[int]gauge.Export
	Stops    []time.Duration // where the timeline is held
	// Ready, which may be nil, waits until the first run may begin.
	Ready func(ctx context.Context) error
	// Began is called with the stage of each run; what it returns when the run
	// has ended.
	Began func(st *stage.Stage) (ended func())
}

// Run plays until the timeline ends or ctx is done, and returns when it was
// and why.
func (p *Playing) Run(ctx context.Context) (at time.Duration, why string, err error) {
	var old *stage.Stage
	for {
		var again bool
		old, again, why, err = p.once(ctx, old)
		if err != nil || !again {
			if old != nil {
				at = old.Now()
			}
			return at, why, err
		}
	}
}

func (p *Playing) once(ctx context.Context, old *stage.Stage) (st *stage.Stage, again bool, why string, err error) {
	file, err := registry.Create(p.Ledger)
	if err != nil {
		return nil, false, "", err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	opt := stage.Options{Ports: p.Ports, Inbox: p.Inbox, Pace: p.Pace, Ledger: ledger.NewWriter(ledger.UpTo(file, budget.Of(ctx).Ledger<<20)), Settings: p.Settings, Stops: p.Stops}
	if p.Desk != nil {
		p.Desk.Begin()
		opt.Keep = p.Desk.Keep
	}
	if st, err = stage.New(p.Scenario.Play, opt); err != nil {
		return nil, false, "", err
	}
	if old != nil {
		if err := st.Succeed(old); err != nil {
			return st, false, "", err
		}
	}
	rctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var restart atomic.Bool
	if p.Desk != nil {
		p.Desk.Take(st, func() { restart.Store(true); cancel() })
	}
	ended := p.Began(st)
	why = "the timeline ended"
	if p.Ready != nil && old == nil {
		ready := make(chan error, 1)
		go func() { ready <- p.Ready(rctx) }()
		err = st.Prelude(rctx, ready)
	}
	if err == nil {
		err = st.Run(rctx)
	}
	switch {
	case ctx.Err() != nil:
		why, err = "stopped by hand", nil
	case restart.Load():
		again, why, err = true, "started again by hand", nil
	}
	if p.Desk != nil {
		p.Desk.Take(nil, nil)
	}
	// Who still asks the stage something needs its loop, which is over.
	done := make(chan struct{})
	go func() { ended(); close(done) }()
	st.Settle(context.WithoutCancel(ctx), done)
	return st, again, why, errors.Join(err, st.Finish(why))
}
