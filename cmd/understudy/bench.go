package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"sync/atomic"
	"time"

	"example.org/understudy/harness/bench"
	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/control"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
)

// benchFlags have a play steered while it runs.
type benchFlags struct {
	Bench   bool   `help:"Serve the bench page: the gauges on a screen, to be moved by hand. The timeline of a play then goes on after the last cue, until it is stopped."`
	Control string `placeholder:"ADDRESS" help:"Address of the HTTP interface that steers the play, and of the bench page with --bench, such as 127.0.0.1:8190 (default with --bench: a free port of this machine)."`
}

// openEnd is when a timeline that is steered by hand ends.
const openEnd = 24 * time.Hour

// desk opens the desk and its server; nil where none is asked for.
func (f *benchFlags) desk(a *app, s *scenario.Scenario, dir string) (*control.Desk, *control.Server, error) {
	if !f.Bench && f.Control == "" {
		return nil, nil, nil
	}
	at := f.Control
	if at == "" {
		at = "127.0.0.1:0"
	}
	d := control.NewDesk(s)
	opt := control.Options{Address: at, Keep: func(name string, text []byte) (string, error) { return keepScenario(dir, name, text) }}
	if f.Bench {
		opt.Pages = bench.Pages()
	}
	srv, err := control.Listen(d, opt)
	if err != nil {
		return nil, nil, err
	}
	if srv.Open() {
		fmt.Fprintf(a.stderr, "understudy: WARNING: %s can be reached from other machines. Anybody who sees the traffic learns the access token.\n", at)
	}
	fmt.Fprintf(a.stdout, "control: %sv1/ (access token %s; %sv1/openapi.json describes it)\n", srv.URL, srv.Token, srv.URL)
	if f.Bench {
		fmt.Fprintf(a.stdout, "bench page: %s#token=%s\nbench page for watching only: %s\n", srv.URL, srv.Token, srv.URL)
	}
	return d, srv, nil
}

// watch has the page see a check while it goes on, and what the judge makes of
// the host so far.
func (f *benchFlags) watch(a *app, all []*scenario.Scenario, c *check.Check) (*control.Server, error) {
	if !f.Bench && f.Control == "" {
		return nil, nil
	}
	if len(all) != 1 {
		return nil, fmt.Errorf("a bench shows one scenario, not %d: name the one", len(all))
	}
	d, srv, err := f.desk(a, c.Scenario, c.Run)
	if err != nil {
		return nil, err
	}
	d.Begin()
	c.Watch = &check.Watch{Stage: func(st *stage.Stage) { d.Take(st, nil) }, Entry: d.Keep, SoFar: d.Judged}
	if c.Pace == nil {
		real := stage.Real // to be looked at
		c.Pace = &real
	}
	return srv, nil
}

// keepScenario saves a scenario under a name that is free.
func keepScenario(dir, name string, text []byte) (string, error) {
	for n := 1; n < 10_000; n++ {
		file := filepath.Join(dir, name+".yaml")
		if n > 1 {
			file = filepath.Join(dir, name+"-"+strconv.Itoa(n)+".yaml")
		}
		f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if errors.Is(err, os.ErrExist) {
			continue
		}
		if err != nil {
			return "", err
		}
		_, err = f.Write(text)
		return file, errors.Join(err, f.Close())
	}
	return "", fmt.Errorf("there are too many files called %s in %s", name, dir)
}

// playing puts a scenario on its ports, and puts it on again whenever the desk
// asks for it.
type playing struct {
	scenario *scenario.Scenario
	ports    []port.Port
	inbox    *stage.Inbox
	pace     stage.Pace
	ledger   string
	desk     *control.Desk // may be nil
	settings map[int]gauge.Export
	// ready, which may be nil, waits until the first run may begin.
	ready func(ctx context.Context) error
	// began is called with the stage of each run; what it returns when the run
	// has ended.
	began func(st *stage.Stage) (ended func())
}

// run plays until the timeline ends or ctx is done, and returns when it was
// and why.
func (p *playing) run(ctx context.Context) (at time.Duration, why string, err error) {
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

func (p *playing) once(ctx context.Context, old *stage.Stage) (st *stage.Stage, again bool, why string, err error) {
	file, err := os.Create(p.ledger)
	if err != nil {
		return nil, false, "", err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	opt := stage.Options{Ports: p.ports, Inbox: p.inbox, Pace: p.pace, Ledger: ledger.NewWriter(ledger.UpTo(file, budget.Of(ctx).Ledger<<20)), Settings: p.settings}
	if p.desk != nil {
		p.desk.Begin()
		opt.Keep = p.desk.Keep
	}
	if st, err = stage.New(p.scenario.Play, opt); err != nil {
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
	if p.desk != nil {
		p.desk.Take(st, func() { restart.Store(true); cancel() })
	}
	ended := p.began(st)
	why = "the timeline ended"
	if p.ready != nil && old == nil {
		ready := make(chan error, 1)
		go func() { ready <- p.ready(rctx) }()
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
	if p.desk != nil {
		p.desk.Take(nil, nil)
	}
	// Who still asks the stage something needs its loop, which is over.
	done := make(chan struct{})
	go func() { ended(); close(done) }()
	st.Settle(context.WithoutCancel(ctx), done)
	return st, again, why, errors.Join(err, st.Finish(why))
}
