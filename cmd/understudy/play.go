package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/control"
	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/registry"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"golang.org/x/term"
)

type playCmd struct {
	Scenario string             `arg:"" help:"A scenario or a line: a file, or the name of a shipped one. A line's gauges measure a shift of parts."`
	Station  []string           `help:"Only the gauges of this station of a line; repeatable."`
	Stay     bool               `help:"Go on after the last cue until stopped (always with a line, --bench or --control)."`
	Folder   string             `name:"run-folder" short:"r" default:"run" help:"Folder for the ports' stable names and the ledger."`
	Pace     stage.Pace         `default:"real" help:"How fast the timeline plays: real, a speed factor such as 10x, or drain (as fast as the far side reads)."`
	Seed     *uint64            `help:"Seed instead of the scenario's own."`
	Port     *scenario.PortKind `placeholder:"KIND" help:"Where all gauges appear, instead of where the scenario says: pty, tcp or rfc2217."`
	Listen   string             `placeholder:"HOST[:PORT]" help:"Address on which tcp and rfc2217 ports listen, so that other machines reach them (default: 127.0.0.1). The first gauge gets PORT, the next PORT+1."`
	benchFlags
	Load map[string]string `name:"load-settings" placeholder:"GAUGE=FILE" help:"Load settings that --save-settings wrote into a gauge before the start; repeatable."`
	Save string            `name:"save-settings" placeholder:"DIR" type:"path" help:"Write each gauge's settings to DIR/GAUGE.settings.json at the end, to load into another gauge of the same model."`
	Wait bool              `help:"Start the timeline when a host has opened every port, instead of at once."`
}

func (c *playCmd) Run(a *app) (err error) {
	s, err := c.scenario()
	if err != nil {
		return err
	}
	if c.Seed != nil {
		s.Play.Seed = *c.Seed
	}
	dir, claim, err := claim(c.Folder, "play", s.Title)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, claim.Close()) }()
	inbox := stage.NewInbox()
	if c.Port != nil {
		for i := range s.Gauges {
			s.Gauges[i].Port = *c.Port
		}
	}
	open, err := check.OpenPortsAt(s, filepath.Join(dir, "ports"), inbox, c.Listen)
	if err != nil {
		return err
	}
	for _, w := range open.Warnings {
		fmt.Fprintln(a.stderr, "understudy: warning:", w)
	}
	defer func() { err = errors.Join(err, open.Close()) }()
	listed := lister(s, open.Ports, claim, filepath.Join(dir, "port-map.json"))
	if err := listed(); err != nil { // the gauges are there all the same
		fmt.Fprintln(a.stderr, "understudy: understudy ports does not list this run:", err)
	}
	if c.Stay || c.Bench || c.Control != "" {
		s.Play.Until = openEnd
	}
	desk, srv, err := c.desk(a, s, dir)
	if err != nil {
		return err
	}
	if srv != nil {
		defer func() { err = errors.Join(err, srv.Close()) }()
	}
	p := &control.Playing{Scenario: s, Ports: open.Ports, Inbox: inbox, Pace: c.Pace, Ledger: filepath.Join(dir, "ledger.jsonl"), Desk: desk}
	if c.Wait {
		p.Ready = open.Opened
	}
	if p.Settings, err = c.settings(s); err != nil {
		return err
	}
	var last *stage.Stage
	p.Began = func(st *stage.Stage) func() {
		last = st
		show, stop := context.WithCancel(a.ctx)
		shown := make(chan struct{})
		go func() {
			defer close(shown)
			showStatus(show, a, st, listed)
		}()
		return func() { stop(); <-shown }
	}
	greet(a, s, open.Ports, p.Ledger)
	at, why, err := p.Run(a.ctx)
	if err == nil {
		fmt.Fprintf(a.stdout, "%s after %.3f s; the ledger is whole\n", why, at.Seconds())
		err = c.saveSettings(s, last)
	}
	return err
}

// scenario reads the scenario, or makes that of a line's shift.
func (c *playCmd) scenario() (*scenario.Scenario, error) {
	line, err := lineOf(c.Scenario)
	if err != nil {
		return nil, err
	}
	if line == nil {
		if len(c.Station) > 0 {
			return nil, errors.New("--station is for a line; a scenario has no stations")
		}
		return library.Load(c.Scenario)
	}
	if line, err = only(line, c.Station); err != nil {
		return nil, err
	}
	c.Stay = true
	return line.Scenario(0, line.Shift.D())
}

// lister enters the ports among those that understudy ports lists, as they are named
// when it is called, and writes them to a file.
func lister(s *scenario.Scenario, ports []port.Port, claim *registry.Claim, file string) func() error {
	var gauges []registry.Gauge
	return func() error {
		now := make([]registry.Gauge, len(ports))
		for i, p := range ports {
			now[i] = registry.Gauge{Name: s.Gauges[i].Name, Serial: s.Play.Cast[i].Profile.Serial, Path: p.Path(), Line: s.Line(i)}
		}
		if slices.Equal(now, gauges) {
			return nil
		}
		gauges = now
		text, err := json.MarshalIndent(now, "", "  ")
		if err == nil {
			err = os.WriteFile(file, append(text, '\n'), 0o644)
		}
		return errors.Join(err, claim.Publish(now))
	}
}

// greet says where the gauges are, and what is left to whoever plays.
func greet(a *app, s *scenario.Scenario, ports []port.Port, ledger string) {
	fmt.Fprintln(a.stdout, s.Title)
	for i, p := range ports {
		fmt.Fprintf(a.stdout, "%s is at %s (%s)\n", s.Gauges[i].Name, p.Path(), s.Line(i))
	}
	for _, c := range s.Play.Cues {
		if stage.OfHost(c.Act) {
			fmt.Fprintf(a.stdout, "at %s the host is to be ended and started again (%s): here that is for you to do\n", quantity.Duration(c.At), c.Text)
		}
	}
	fmt.Fprintf(a.stdout, "ledger: %s\nStop with Ctrl-C. Simulated readings release no real part.\n", ledger)
}

// settings reads the files of --load-settings.
func (c *playCmd) settings(s *scenario.Scenario) (map[int]gauge.Export, error) {
	all := map[int]gauge.Export{}
	for name, file := range c.Load {
		i := s.GaugeIndex(name)
		if i < 0 {
			return nil, fmt.Errorf("--load-settings %s: the scenario has no such gauge", name)
		}
		text, err := infile.Read(infile.Anywhere, file, infile.Text)
		if err != nil {
			return nil, err
		}
		var e gauge.Export
		if err := json.Unmarshal(text, &e); err != nil {
			return nil, fmt.Errorf("%s is not a file of settings: %w", file, err)
		}
		all[i] = e
	}
	return all, nil
}

// saveSettings writes the files of --save-settings.
func (c *playCmd) saveSettings(s *scenario.Scenario, st *stage.Stage) error {
	if c.Save == "" || st == nil {
		return nil
	}
	if err := os.MkdirAll(c.Save, 0o755); err != nil {
		return err
	}
	for i := range s.Gauges {
		text, err := json.MarshalIndent(st.Kept(i), "", "  ")
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(c.Save, s.Gauges[i].Name+".settings.json"), append(text, '\n'), 0o644); err != nil {
			return err
		}
	}
	return nil
}

// showStatus shows a line a gauge: five times a second on a terminal, in place; else at
// the start, and whenever something but its readings has changed, looked at once a
// second. each is called as often as it looks.
func showStatus(ctx context.Context, a *app, st *stage.Stage, each func() error) {
	f, ok := terminal(a.stdout)
	live := ok && term.IsTerminal(int(f.Fd()))
	every := time.Second
	if live {
		every = 200 * time.Millisecond
	}
	tick := time.NewTicker(every)
	defer tick.Stop()
	lines := 0
	last := map[string]string{}
	for {
		all, err := st.Status(ctx)
		if err != nil {
			return
		}
		_ = each() // that it cannot be entered was said at the start
		var b strings.Builder
		for _, s := range all {
			stands := fmt.Sprint(s.Open, s.Link, s.Low)
			if live || last[s.Name] != stands {
				b.WriteString(statusLine(s) + "\n")
			}
			last[s.Name] = stands
		}
		if live {
			if lines > 0 {
				fmt.Fprintf(f, "\x1b[%dA", lines)
			}
			fmt.Fprint(f, strings.ReplaceAll(b.String(), "\n", "\x1b[K\n"))
			lines = len(all)
		} else {
			fmt.Fprint(a.stdout, b.String())
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
	far := "port not open"
	if s.Open {
		far = "port open"
	}
	lost := ""
	if s.Lost > 0 {
		lost = fmt.Sprintf(", %d not delivered", s.Lost)
	}
	return fmt.Sprintf("%8.1f s  %-14s %14s  %-9s tags %-4d %-10s link %-9s %s%s", s.At.Seconds(), s.Name, s.Reading, s.Zone, s.Tags, cell, s.Link, far, lost)
}
