package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"example.org/understudy/harness"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"golang.org/x/term"
)

type playCmd struct {
	Scenario string     `arg:"" help:"A scenario file, or the name of a shipped scenario."`
	Folder   string     `name:"run-folder" short:"r" default:"run" help:"Folder for the ports' stable names and the ledger."`
	Pace     stage.Pace `default:"real" help:"How fast the timeline plays: real, a number of times such as 10x, or drain (as fast as the far side reads)."`
	Seed     *uint64    `help:"Seed instead of the scenario's own."`
	Wait     bool       `help:"Start the timeline when a host has opened every port, instead of at once."`
}

func (c *playCmd) Run(a *app) (err error) {
	s, err := load(c.Scenario)
	if err != nil {
		return err
	}
	if c.Seed != nil {
		s.Play.Seed = *c.Seed
	}
	dir, err := filepath.Abs(c.Folder)
	if err != nil {
		return err
	}
	ports := filepath.Join(dir, "ports")
	if err := os.MkdirAll(ports, 0o755); err != nil {
		return err
	}
	inbox := stage.NewInbox()
	open, err := harness.OpenPorts(s, ports, inbox)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, open.Close()) }()
	file, err := os.Create(filepath.Join(dir, "ledger.jsonl"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	st, err := stage.New(s.Play, stage.Options{Ports: open.Ports, Inbox: inbox, Pace: c.Pace, Ledger: ledger.NewWriter(file)})
	if err != nil {
		return err
	}
	fmt.Fprintln(a.stdout, s.Title)
	for i, p := range open.Ports {
		fmt.Fprintf(a.stdout, "%s is at %s (%s)\n", s.Gauges[i].Name, p.Path(), s.Line(i))
	}
	fmt.Fprintf(a.stdout, "ledger: %s\nStop with Ctrl-C. Simulated readings release no real part.\n", file.Name())

	show, stop := context.WithCancel(a.ctx)
	shown := make(chan struct{})
	go func() {
		defer close(shown)
		showStatus(show, a, st)
	}()
	why := "the timeline ended"
	if c.Wait {
		ready := make(chan error, 1)
		go func() { ready <- open.Opened(show) }()
		err = st.Prelude(a.ctx, ready)
	}
	if err == nil {
		err = st.Run(a.ctx)
	}
	if a.ctx.Err() != nil {
		why, err = "stopped by hand", nil
	}
	// The last status needs the loop, which is over: let it be served while
	// the display stops.
	stop()
	done := make(chan struct{})
	go func() { <-shown; close(done) }()
	st.Settle(context.WithoutCancel(a.ctx), done)
	finish := st.Finish(why)
	fmt.Fprintf(a.stdout, "%s after %.3f s; the ledger is whole\n", why, st.Now().Seconds())
	return errors.Join(err, finish)
}

// showStatus shows a line a gauge: five times a second on a terminal, in place;
// else a line whenever what it says has changed, at most once a second.
func showStatus(ctx context.Context, a *app, st *stage.Stage) {
	f, ok := a.stdout.(*os.File)
	live := ok && term.IsTerminal(int(f.Fd()))
	every := time.Second
	if live {
		every = 200 * time.Millisecond
	}
	tick := time.NewTicker(every)
	defer tick.Stop()
	lines := 0
	last := ""
	for {
		all, err := st.Status(ctx)
		if err != nil {
			return
		}
		var b strings.Builder
		for _, s := range all {
			b.WriteString(statusLine(s))
			b.WriteByte('\n')
		}
		switch {
		case live:
			if lines > 0 {
				fmt.Fprintf(a.stdout, "\x1b[%dA", lines)
			}
			fmt.Fprint(a.stdout, strings.ReplaceAll(b.String(), "\n", "\x1b[K\n"))
			lines = len(all)
		case b.String() != last:
			last = b.String()
			fmt.Fprint(a.stdout, last)
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

func statusLine(s stage.Status) string {
	cell := fmt.Sprintf("cell %d %%", s.Percent)
	if s.Low {
		cell += " LOW"
	}
	far := "nobody listens"
	if s.Open {
		far = "port open"
	}
	lost := ""
	if s.Lost > 0 {
		lost = fmt.Sprintf(", %d not delivered", s.Lost)
	}
	return fmt.Sprintf("%8.1f s  %-14s %14s  %-9s tags %-4d %-10s link %-9s %s%s", s.At.Seconds(), s.Name, s.Reading, s.Zone, s.Tags, cell, s.Link, far, lost)
}
