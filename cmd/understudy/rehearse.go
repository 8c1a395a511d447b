package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/rehearse"
	"example.org/understudy/harness/report"
	"example.org/understudy/harness/shard"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
)

type rehearseCmd struct {
	Line   string             `arg:"" help:"Line file, or the name of a shipped line: bench, cell, hall or housing."`
	Shifts int                `default:"20" help:"How many shifts to play on paper, each with its own random seed."`
	Shard  shard.Shard        `default:"1/1" placeholder:"K/N" help:"Play shard K of N only; write each with --json and put them together with report."`
	JSON   string             `name:"json" type:"path" help:"Write the result, of a shard or of all, to this file."`
	HTML   string             `name:"html" type:"path" help:"Write the report as a page to this file."`
	PDF    string             `name:"pdf" type:"path" help:"Write the report as a PDF to this file (needs chromium)."`
	Live   bool               `help:"Play the beginning of a shift on ports instead, against a host, and judge its records."`
	Host   string             `short:"H" help:"Host description of --live: a file, or the name of a shipped one (default: the shipped reference host). Or write the host's command behind --."`
	For    *quantity.Duration `help:"How much of the shift --live plays (default: 10 min, or all of a shorter shift)."`
	Pace   *stage.Pace        `help:"How fast --live plays: real (default), drain (as fast as the host reads), or a speed factor such as 10x."`
	Defect string             `help:"Have the reference host of --live make a mistake, to see it found (understudy refhost --list names them)."`
	Shift  *int               `help:"Number of the shift that --live plays (default: 0, the first)."`
	Folder string             `name:"run-folder" short:"r" help:"Folder for the run of --live (default: a temporary one, kept only when the run did not pass)."`
}

func (c *rehearseCmd) Run(a *app) error {
	line, err := readLine(c.Line)
	if err != nil {
		return err
	}
	if c.Live {
		if c.PDF != "" || c.Shard.N > 1 {
			return errors.New("--pdf and --shard are for a rehearsal on paper; leave them or --live out")
		}
		return c.live(a, line)
	}
	if c.Host != "" || len(a.rest) > 0 || c.Defect != "" || c.Pace != nil || c.For != nil || c.Shift != nil || c.Folder != "" {
		return errors.New("a rehearsal on paper has no host; write --live to play a slice of the shift against one, or leave --host, --defect, --pace, --for, --shift, --run-folder and what stands behind -- out")
	}
	if c.Shifts < 1 || c.Shifts > rehearse.MostShifts {
		return fmt.Errorf("%d shifts: write 1 to %d", c.Shifts, rehearse.MostShifts)
	}
	if c.Shard.N > 1 && (c.JSON == "" || c.HTML != "" || c.PDF != "") {
		return errors.New("a shard tells nothing by itself; write it to a file with --json, and put all together with report")
	}
	result, err := line.Rehearse(a.ctx, c.Shifts, c.Shard, 0)
	if err != nil {
		stopped := coded{exitUndecided, fmt.Errorf("stopped (%w) after %d of %d shifts", err, result.Shifts, c.Shifts)}
		if c.Shard.N > 1 || result.Shifts == 0 {
			return stopped
		}
		if err := tellRehearsal(a, result, c.JSON, c.HTML, c.PDF); err != nil && !errors.As(err, new(coded)) {
			return err
		}
		return stopped
	}
	if c.Shard.N == 1 {
		return tellRehearsal(a, result, c.JSON, c.HTML, c.PDF)
	}
	if err := writeFile(c.JSON, func(f *os.File) error { return result.Write(f) }); err != nil {
		return err
	}
	fmt.Fprintf(a.stdout, "Part %d of %d is in %s; put all parts together with understudy report.\n", c.Shard.K, c.Shard.N, c.JSON)
	return nil
}

// live plays a slice of the shift on ports and judges the host's records.
func (c *rehearseCmd) live(a *app, line *rehearse.Line) error {
	length, index := min(10*time.Minute, line.Shift.D()), 0
	if c.For != nil {
		length = c.For.D()
	}
	if c.Shift != nil {
		index = *c.Shift
	}
	if length < 10*time.Second || length > line.Shift.D() {
		return fmt.Errorf("--for %v: write 10 s up to the shift of %v", *c.For, line.Shift)
	}
	if index < 0 || index >= rehearse.MostShifts {
		return fmt.Errorf("--shift %d: write 0 to %d", index, rehearse.MostShifts-1)
	}
	cmd := checkCmd{Host: c.Host, Defect: c.Defect}
	h, text, err := cmd.host(a)
	if err != nil {
		return err
	}
	h.Scenarios = nil // the one that is made here has no name among them
	s, err := line.Scenario(index, length)
	if err != nil {
		return err
	}
	dir, temporary := c.Folder, false
	if dir == "" {
		if dir, err = os.MkdirTemp("", "understudy-"); err != nil {
			return err
		}
		temporary = true
	}
	self, err := os.Executable()
	if err != nil {
		return err
	}
	if c.Pace == nil {
		c.Pace = &stage.Real
	}
	out, err := (&check.Check{Scenario: s, Host: h, Run: filepath.Join(dir, "slice"), Self: self, Pace: c.Pace, Extra: cmd.extra(), HostText: text, Coverage: true}).Do(a.ctx)
	if err != nil {
		if a.ctx.Err() != nil {
			return coded{exitUndecided, fmt.Errorf("stopped; its ledger is in %s", filepath.Join(dir, "slice"))}
		}
		return err
	}
	runs := []report.Run{out.Report()}
	if err := report.TerminalRun(a.paint(), &runs[0], a.screen(), false); err != nil {
		return err
	}
	if line := report.CoverageLine(runs); line != "" {
		fmt.Fprintln(a.stdout, line)
	}
	if err := writeReports(runs, "", c.JSON, c.HTML); err != nil {
		return err
	}
	if temporary && report.Verdict(runs) == judge.Pass {
		if err := os.RemoveAll(dir); err != nil {
			return err
		}
	} else {
		fmt.Fprintln(a.stdout, "The run is kept in", dir)
	}
	return byVerdict(report.Verdict(runs))
}
