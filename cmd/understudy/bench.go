package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"example.org/understudy/harness/bench"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/control"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
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
