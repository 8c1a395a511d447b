package main

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"example.org/understudy/harness/bench"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/control"
	"example.org/understudy/harness/library"
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
	at := cmp.Or(f.Control, "127.0.0.1:0")
	d := control.NewDesk(s)
	opt := control.Options{Address: at, Keep: func(name string, text []byte) (string, error) { return keepScenario(dir, name, text) }}
	if f.Bench {
		opt.Pages = bench.Pages()
	}
	srv, err := serve(a, d, opt)
	if err != nil {
		return nil, nil, err
	}
	fmt.Fprintf(a.stdout, "control: %sv1/ (access token %s; %sv1/openapi.json describes it)\n", srv.URL, srv.Token, srv.URL)
	if f.Bench {
		fmt.Fprintf(a.stdout, "bench page: %s#token=%s\nbench page for watching only: %s\n", srv.URL, srv.Token, srv.URL)
	}
	return d, srv, nil
}

// serve starts a server for a desk, and warns where others can reach it.
func serve(a *app, d *control.Desk, opt control.Options) (*control.Server, error) {
	srv, err := control.Listen(d, opt)
	if err == nil && srv.Open() {
		fmt.Fprintf(a.stderr, "understudy: WARNING: %s can be reached from other machines. Anybody who sees the traffic learns the access tokens.\n", opt.Address)
	}
	return srv, err
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
		if err := writeNew(file, text); !errors.Is(err, os.ErrExist) {
			return file, err
		}
	}
	return "", fmt.Errorf("there are too many files called %s in %s", name, dir)
}

type teachCmd struct {
	Lesson string `arg:"" optional:"" help:"The lesson: a file, or the name of a shipped one (default: list the shipped ones)."`
	Listen string `placeholder:"ADDRESS" default:"127.0.0.1:0" help:"Address of the two screens, such as 192.0.2.7:8190, so that other machines reach them (default: a free port of this machine)."`
}

func (c *teachCmd) Run(a *app) (err error) {
	if c.Lesson == "" {
		return listLessons(a)
	}
	s, err := library.Load(c.Lesson)
	if err != nil {
		return err
	}
	if len(s.Chapters) == 0 {
		return fmt.Errorf("%s is no lesson: it has no chapters", c.Lesson)
	}
	dir, err := os.MkdirTemp("", "understudy-teach-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	inbox := stage.NewInbox()
	open, err := check.OpenPorts(s, dir, inbox)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, open.Close()) }()
	d := control.NewDesk(s)
	srv, err := serve(a, d, control.Options{Address: c.Listen, Pages: bench.Pages(), Class: true})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, srv.Close()) }()
	fmt.Fprintf(a.stdout, "%s\nfor the presenter: %s\nfor the class: %s\nThe lesson is held at its start. Stop with Ctrl-C. Simulated readings release no real part.\n", s.Title, srv.PresenterURL(), srv.ClassURL())
	p := &control.Playing{Scenario: s, Ports: open.Ports, Inbox: inbox, Pace: stage.Real, Ledger: filepath.Join(dir, "ledger.jsonl"), Desk: d,
		Stops: control.Stops(s), Began: func(*stage.Stage) func() { return func() {} }}
	s.Play.Until = openEnd
	at, why, err := p.Run(a.ctx)
	if err == nil {
		fmt.Fprintf(a.stdout, "%s after %.3f s\n", why, at.Seconds())
	}
	return err
}

// listLessons prints what there is to teach.
func listLessons(a *app) error {
	for _, name := range library.Shipped("lessons") {
		s, err := library.Load(name)
		if err != nil {
			return err
		}
		fmt.Fprintf(a.stdout, "%-24s %s\n%-24s %s (%s)\n", name, s.Title, "", s.Aim, takes(s))
	}
	fmt.Fprintln(a.stdout, "Teach one with understudy teach NAME.")
	return nil
}

// takes says how long a lesson is, without what a class says to its questions.
func takes(s *scenario.Scenario) string {
	return fmt.Sprintf("%d minutes and %d questions", (s.Play.Until+time.Minute-1)/time.Minute, len(s.Chapters))
}
