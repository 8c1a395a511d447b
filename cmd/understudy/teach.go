package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"example.org/understudy/harness/bench"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/control"
	"example.org/understudy/harness/library"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
)

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
	srv, err := control.Listen(d, control.Options{Address: c.Listen, Pages: bench.Pages(), Class: true})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, srv.Close()) }()
	if srv.Open() {
		fmt.Fprintf(a.stderr, "understudy: WARNING: %s can be reached from other machines. Anybody who sees the traffic learns the access tokens.\n", c.Listen)
	}
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
