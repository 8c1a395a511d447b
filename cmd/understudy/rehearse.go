package main

import (
	"errors"
	"fmt"
	"strings"

	"example.org/understudy/harness/library"
	"example.org/understudy/harness/rehearse"
	"example.org/understudy/harness/shard"
	"example.org/understudy/sim/strict"
)

type rehearseCmd struct {
	Line   string      `arg:"" help:"Line file, or the name of a shipped line: bench, cell, hall or housing."`
	Shifts int         `default:"20" help:"How many shifts to play on paper, each with its own random seed."`
	Shard  shard.Shard `default:"1/1" placeholder:"K/N" help:"Play shard K of N only; write each with --json and put them together with report."`
	JSON   string      `name:"json" type:"path" help:"Write the result, of a shard or of all, to this file."`
	HTML   string      `name:"html" type:"path" help:"Write the report as a page to this file."`
	PDF    string      `name:"pdf" type:"path" help:"Write the report as a PDF to this file (needs chromium)."`
}

func (c *rehearseCmd) Run(a *app) error {
	line, err := readLine(c.Line)
	if err != nil {
		return err
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
	if err := writeFiles(file{c.JSON, result.Write}); err != nil {
		return err
	}
	fmt.Fprintf(a.stdout, "Part %d of %d is in %s; put all parts together with understudy report.\n", c.Shard.K, c.Shard.N, c.JSON)
	return nil
}

// readLine reads a line: a file, or a shipped one by its name.
func readLine(name string) (*rehearse.Line, error) {
	file, text, err := library.Find("lines", name)
	if err != nil {
		return nil, err
	}
	return rehearse.Parse(file, text, library.DialectsBeside(file))
}

// lineOf is readLine where the name is that of a line; else nil.
func lineOf(name string) (*rehearse.Line, error) {
	file, text, err := library.Find("lines", name)
	if err != nil {
		return nil, nil // it is looked for among the scenarios
	}
	var root strict.Any
	if _, err := strict.Decode(file, text, &root); err != nil {
		return nil, nil
	}
	if _, ok := root.Lookup("understudy-line"); !ok {
		return nil, nil
	}
	return readLine(name)
}

// only keeps the gauges of some stations.
func only(l *rehearse.Line, stations []string) (*rehearse.Line, error) {
	if len(stations) == 0 {
		return l, nil
	}
	kept, all := l.Only(stations)
	if kept == nil {
		return nil, fmt.Errorf("--station %s: the stations are %s", strings.Join(stations, ", "), strings.Join(all, ", "))
	}
	return kept, nil
}
