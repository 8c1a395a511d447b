package main

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"text/template"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/explore"
	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/rehearse"
	"example.org/understudy/harness/report"
	"example.org/understudy/harness/show"
	"example.org/understudy/harness/suite"
)

type reportCmd struct {
	Paths   []string `arg:"" name:"path" help:"Folders of runs, results that explore wrote with --results or rehearse with --json, or folders that hold any of them. All shards of a work are put together."`
	HTML    string   `name:"html" type:"path" help:"Write a page to this file."`
	PDF     string   `name:"pdf" type:"path" help:"Write the page of a rehearsal as a PDF to this file (needs chromium)."`
	JUnit   string   `name:"junit" type:"path" help:"Write JUnit XML of runs to this file."`
	JSON    string   `name:"json" type:"path" help:"Write JSON to this file: of runs a report, of shards the results of the whole."`
	Outside bool     `help:"Also read records that a run of your own keeps outside its folder. Folders from elsewhere are judged without it."`
	Tell    bool     `name:"combinations" help:"Of an exploration, also list the combinations that are impossible, and why, and those that were not run."`
}

func (c *reportCmd) Run(a *app) error {
	f, err := suite.Find(c.Paths)
	if err != nil {
		return err
	}
	switch {
	case f.Kinds() > 1 && c.HTML+c.PDF+c.JUnit+c.JSON != "":
		return fmt.Errorf("%s: write the page and the other files of one kind at a time", f)
	case c.JUnit != "" && len(f.Runs) == 0:
		return errors.New("--junit is for runs")
	case c.PDF != "" && len(f.Rehearsals) == 0:
		return errors.New("--pdf is for rehearsals; write --html and print that page from a browser")
	}
	fmt.Fprintf(a.stdout, "Found: %s.\n\n", f)
	worst := exitPass
	for _, do := range []struct {
		names []string
		tell  func(a *app, names []string) error
	}{{f.Runs, c.runs}, {f.Rehearsals, c.rehearsal}, {f.Explorations, c.exploration}} {
		if len(do.names) == 0 {
			continue
		}
		err := do.tell(a, do.names)
		var code coded
		switch {
		case err == nil:
		case errors.As(err, &code) && code.error == nil:
			worst = worse(worst, code.code)
		default:
			return err
		}
	}
	if worst == exitPass {
		return nil
	}
	return coded{code: worst}
}

// worse of two exit codes: a finding is worse than what could not be decided.
func worse(a, b int) int {
	if a == exitFinding || b == exitFinding {
		return exitFinding
	}
	return max(a, b)
}

func (c *reportCmd) runs(a *app, names []string) error {
	var runs []report.Run
	for _, d := range names {
		if a.ctx.Err() != nil {
			why := fmt.Sprintf("not judged: %v", context.Cause(a.ctx))
			runs = append(runs, report.Run{Name: filepath.Base(d), NotRun: true, Result: judge.Result{Verdict: judge.Inconclusive, Reasons: []string{why}}})
			continue
		}
		out, err := check.Reopen(a.ctx, d, c.Outside)
		if err != nil {
			return err
		}
		runs = append(runs, out.Report())
	}
	report.Diagnose(a.ctx, runs)
	if err := report.Terminal(a.paint(), runs, a.screen()); err != nil {
		return err
	}
	if err := writeFiles(reports(runs, c.JUnit, c.JSON, c.HTML)...); err != nil {
		return err
	}
	return byVerdict(report.Verdict(runs))
}

// shards reads the results of shards.
func shards[T any](a *app, names []string, read func(name string, src io.Reader) (T, error)) (parts []T, err error) {
	for _, name := range names {
		f, err := infile.Open(infile.Anywhere, name, infile.Capture)
		if err != nil {
			return nil, err
		}
		r, err := read(name, budget.Reader(a.ctx, f))
		if err := errors.Join(err, f.Close()); err != nil {
			return nil, err
		}
		parts = append(parts, r)
	}
	return parts, nil
}

func (c *reportCmd) rehearsal(a *app, names []string) error {
	parts, err := shards(a, names, rehearse.Read)
	if err != nil {
		return err
	}
	r, err := rehearse.Merge(parts)
	if err != nil {
		return err
	}
	return tellRehearsal(a, r, c.JSON, c.HTML, c.PDF)
}

// tellRehearsal writes the report of a whole rehearsal.
func tellRehearsal(a *app, r *rehearse.Result, json, html, pdf string) error {
	sum := r.Line().Summarise(r)
	if err := sum.Text(a.stdout); err != nil {
		return err
	}
	if err := writeFiles(file{json, r.Write}, file{html, sum.HTML}); err != nil {
		return err
	}
	if pdf != "" {
		if err := sum.PDF(a.ctx, pdf); err != nil {
			return err
		}
	}
	if !sum.Holds {
		return coded{code: exitFinding}
	}
	return nil
}

//go:embed exploration.tmpl
var explorationText string

var explorationTemplate = template.Must(template.New("exploration").Funcs(template.FuncMap{"counted": show.Counted, "join": strings.Join}).Parse(explorationText))

func (c *reportCmd) exploration(a *app, names []string) error {
	parts, err := shards(a, names, explore.Read)
	if err != nil {
		return err
	}
	for i, p := range parts {
		if !p.Whole() {
			fmt.Fprintf(a.stdout, "%s was cut off, or stopped before its work was done; what it has is counted.\n", names[i])
		}
	}
	r, err := explore.Merge(parts)
	if err != nil {
		return err
	}
	told, err := r.Tell()
	if err != nil {
		return err
	}
	if err := explorationTemplate.Execute(a.stdout, struct {
		*explore.Told
		Tell bool
	}{told, c.Tell}); err != nil {
		return err
	}
	if err := writeFiles(file{c.JSON, r.Write}, file{c.HTML, told.HTML}); err != nil {
		return err
	}
	switch {
	case len(told.Found) > 0:
		return coded{code: exitFinding}
	case told.Undecided()+told.Verdicts["skipped"] == told.Runs:
		return coded{code: exitUndecided}
	}
	fmt.Fprintln(a.stdout, "nothing was found")
	return nil
}
