package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/harness/accept"
	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/rehearse"
	"example.org/understudy/harness/report"
	"example.org/understudy/harness/suite"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
	"golang.org/x/term"
)

type checkCmd struct {
	Scenarios []string      `arg:"" optional:"" name:"scenario" help:"Scenario files, folders of them, or names of shipped scenarios (default: all shipped scenarios). Or a line: a file, or the name of a shipped one, for its acceptance test."`
	Host      string        `short:"H" help:"Host description: a file, or the name of a shipped one (default: the shipped reference host). Or write the host's command behind --, with placeholders such as {port} and {records}."`
	Folder    string        `name:"run-folder" short:"r" help:"Folder for the runs: ledger, records, the host's output (default: a temporary folder, kept only when a run did not pass)."`
	Pace      *stage.Pace   `help:"How fast the timelines play: drain (as fast as the host reads), real, or a speed factor such as 10x (default: as the host description says)."`
	Defect    string        `help:"Have the reference host make a mistake, to see it found (understudy refhost --list names them)."`
	Seed      *uint64       `help:"Seed instead of the scenario's own."`
	Jobs      int           `short:"j" default:"${cores}" help:"How many scenarios to play at a time (default: the processors, here ${cores}). Write 1 for a host that cannot run twice at once."`
	KeepGoing bool          `help:"Go on with the other scenarios after one that could not be played, because a disk is full for example."`
	Timeout   time.Duration `help:"Longest time for one scenario by the wall clock, such as 2m (default: none). One that takes longer comes to no verdict."`
	Coverage  bool          `help:"List the mistakes of the catalogue that these runs could not have shown, with a shipped scenario that would show each."`
	benchFlags
	JUnit string `name:"junit" help:"Also write a JUnit XML report to this file." type:"path"`
	HTML  string `name:"html" help:"Also write a page to this file; of a line, the protocol of its acceptance test." type:"path"`
	PDF   string `name:"pdf" help:"Write the protocol of a line's acceptance test as a PDF to this file (needs chromium)." type:"path"`
	JSON  string `name:"json" help:"Also write a JSON report to this file." type:"path"`

	line   *rehearse.Line // nil: scenarios are checked
	trials []rehearse.Trial
}

func (c *checkCmd) Run(a *app) (err error) {
	h, text, err := c.host(a)
	if err != nil {
		return err
	}
	all, err := c.scenarios()
	if err != nil {
		return err
	}
	if c.line != nil {
		h.Scenarios = nil // those that are made of a line have no name among them
	}
	self, err := os.Executable()
	if err != nil {
		return err
	}
	dir, err := a.runFolder(c.Folder, "check", h.Title)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, dir.close()) }()
	s := &suite.Suite{Jobs: suite.Jobs(h, c.Jobs), KeepGoing: c.KeepGoing, Timeout: c.Timeout}
	folders := map[string]int{}
	for _, one := range all {
		name := library.Name(one)
		if folders[name]++; folders[name] > 1 { // of another folder, or named twice
			name += fmt.Sprintf("-%d", folders[name])
		}
		s.Checks = append(s.Checks, &check.Check{Scenario: one, Host: h, Run: filepath.Join(dir.path, name), Self: self, Pace: c.Pace, Extra: c.extra(), HostText: text, Coverage: true})
	}
	srv, err := c.watch(a, all, s.Checks[0])
	if err != nil {
		return err
	}
	if srv != nil {
		defer func() { err = errors.Join(err, srv.Close()) }()
	}
	return c.play(a, s, dir, h)
}

// scenarios reads the scenarios, or makes those of a line's acceptance test.
func (c *checkCmd) scenarios() (all []*scenario.Scenario, err error) {
	if len(c.Scenarios) == 1 {
		if c.line, err = lineOf(c.Scenarios[0]); err != nil {
			return nil, err
		}
	}
	if c.line != nil {
		if c.Seed != nil {
			c.line.Seed = *c.Seed
		}
		if c.trials, err = c.line.Acceptance(); err != nil {
			return nil, err
		}
		for _, t := range c.trials {
			all = append(all, t.Scenario)
		}
		return all, nil
	}
	if c.PDF != "" {
		return nil, errors.New("--pdf is for the acceptance test of a line; understudy report makes a PDF of runs")
	}
	names, err := expand(c.Scenarios)
	if err != nil {
		return nil, err
	}
	for _, n := range names {
		s, err := library.Load(n)
		if err != nil {
			return nil, err
		}
		if c.Seed != nil {
			s.Play.Seed = *c.Seed
		}
		all = append(all, s)
	}
	return all, nil
}

// play plays the scenarios and reports as they end. What is known is reported
// whatever ends it.
func (c *checkCmd) play(a *app, s *suite.Suite, dir *runFolder, h *hostfile.Host) error {
	var runs []report.Run
	screen, ran := a.screen(), false
	failed := s.Play(a.ctx, func(out *check.Outcome) error {
		r := out.Report()
		runs, ran = append(runs, r), ran || !r.NotRun && r.Result.Verdict != judge.Error
		if !ran && !c.KeepGoing && r.Result.Verdict == judge.Error {
			return nil // the error says all there is
		}
		return report.TerminalRun(a.paint(), &r, screen, len(s.Checks) > 1)
	})
	report.Diagnose(a.ctx, runs)
	if ran || failed == nil || a.ctx.Err() != nil {
		if err := report.TerminalSummary(a.paint(), runs, screen); err != nil {
			return err
		}
		if c.Coverage {
			if err := c.coverage(a, runs, h); err != nil {
				return err
			}
		}
	}
	html, verdict := c.HTML, report.Verdict(runs)
	if c.line != nil && ran {
		test := accept.Of(c.line.Title, c.trials, runs)
		html, verdict = "", test.Verdict
		if err := c.tellTest(a, test); err != nil {
			return errors.Join(failed, err)
		}
	}
	if err := writeFiles(reports(runs, c.JUnit, c.JSON, html)...); err != nil {
		return errors.Join(failed, err)
	}
	if dir.keep = verdict != judge.Pass && (ran || failed == nil); dir.keep || c.Folder != "" {
		fmt.Fprintln(a.stdout, "The runs are kept in", dir.path)
	}
	switch {
	case a.ctx.Err() != nil:
		return coded{exitUndecided, errors.New("stopped")}
	case failed != nil:
		return failed
	}
	return byVerdict(verdict)
}

// tellTest writes the protocol of an acceptance test.
func (c *checkCmd) tellTest(a *app, test *accept.Test) error {
	if err := test.Text(a.paint()); err != nil {
		return err
	}
	if err := writeFiles(file{c.HTML, test.HTML}); err != nil {
		return err
	}
	if c.PDF != "" {
		return rehearse.PDF(a.ctx, test.HTML, c.PDF)
	}
	return nil
}

// coverage lists the mistakes that no run could have shown, and where each shows.
func (c *checkCmd) coverage(a *app, runs []report.Run, h *hostfile.Host) error {
	all, ok := report.Covered(runs)
	if !ok || len(all.Unshown) == 0 {
		return nil
	}
	at, err := check.Showing(a.ctx, h, all.Unshown)
	if err != nil {
		return err
	}
	w := a.paint()
	for _, m := range append(cause.All(), cause.Summaries()...) {
		n := m.Name
		if !slices.Contains(all.Unshown, n) {
			continue
		}
		where := "shown by no shipped scenario on paper"
		if at[n] != "" {
			where = "shown by " + at[n]
		}
		fmt.Fprintf(w, "  %s %s: %s; %s\n", m.Code, m.Name, m.Looks, where)
	}
	return nil
}

// byVerdict is the exit code of a verdict, as an error without words.
func byVerdict(v judge.Verdict) error {
	switch v {
	case judge.Pass:
		return nil
	case judge.Fail:
		return coded{code: exitFinding}
	}
	return coded{code: exitUndecided}
}

// reports are the files of a report on runs.
func reports(runs []report.Run, junit, json, html string) []file {
	return []file{
		{junit, func(w io.Writer) error { return report.JUnit(w, runs) }},
		{json, func(w io.Writer) error { return report.JSON(w, runs) }},
		{html, func(w io.Writer) error { return report.HTML(w, "understudy", runs) }},
	}
}

// screen is what the terminal can do.
func (a *app) screen() report.Screen {
	if f, ok := terminal(a.stdout); ok && term.IsTerminal(int(f.Fd())) {
		w, _, _ := term.GetSize(int(f.Fd()))
		return report.Screen{Color: os.Getenv("NO_COLOR") == "", Width: w}
	}
	return report.Screen{}
}

// paint is standard output for what has been made visible already and is in colours.
func (a *app) paint() io.Writer {
	if f, ok := terminal(a.stdout); ok {
		a.progress.clear()
		return f
	}
	return a.stdout
}

func (c *checkCmd) host(a *app) (h *hostfile.Host, text []byte, err error) {
	switch {
	case len(a.rest) > 0 && c.Host != "":
		return nil, nil, errors.New("write either --host or a command behind --, not both")
	case len(a.rest) > 0 && c.Defect != "", c.Host != "" && c.Defect != "" && !strings.HasPrefix(c.Host, "reference"):
		return nil, nil, errors.New("--defect is for the reference host; leave it or the other host out")
	case len(a.rest) > 0:
		return library.Command(a.rest)
	}
	if err := host.CheckDefects(c.Defect); err != nil {
		return nil, nil, err
	}
	name := cmp.Or(c.Host, "reference")
	return library.LoadHost(name)
}

func (c *checkCmd) extra() []string {
	if c.Defect == "" {
		return nil
	}
	return []string{"--defect", c.Defect}
}

// expand turns folders into their scenario files; nothing into all shipped ones.
func expand(names []string) (out []string, err error) {
	if len(names) == 0 {
		return library.Shipped("."), nil
	}
	for _, n := range names {
		if info, err := os.Stat(n); err != nil || !info.IsDir() {
			out = append(out, n)
			continue
		}
		files, err := fs.Glob(os.DirFS(n), "*.yaml")
		if err != nil {
			return nil, err
		}
		if len(files) == 0 {
			return nil, fmt.Errorf("the folder %s holds no scenario (*.yaml)", n)
		}
		for _, f := range files {
			out = append(out, filepath.Join(n, f))
		}
	}
	return out, nil
}
