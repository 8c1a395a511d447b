package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/cmd/refhost/inprocess"
	"example.org/understudy/harness/explore"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/shard"
	"example.org/understudy/harness/show"
)

type exploreCmd struct {
	Host      string        `short:"H" help:"Host description: a file, or the name of a shipped one (default: the reference host, inside this program). Or write the host's command behind --."`
	Defect    string        `help:"Have the reference host make a mistake, to see it found. With all: each of its mistakes in turn, and a table of what was found."`
	Outside   bool          `help:"Run the reference host as a program of its own, as other hosts are."`
	Strength  int           `default:"2" help:"Covering strength: 2 (pairwise) or 3 (three-way)."`
	Only      []string      `sep:"none" placeholder:"FACTOR=LEVEL,..." help:"Restrict a factor to given levels, such as --only dialect=line-ascii,multi-ascii; repeatable. An unknown name lists the valid ones."`
	Seed      uint64        `default:"1" help:"Random seed. The same seed gives the same scenarios."`
	Shard     shard.Shard   `default:"1/1" placeholder:"K/N" help:"Run shard K of N; write each with --results and put them together with report."`
	Budget    time.Duration `default:"60s" help:"Time to explore for, such as 10m; shrinking takes extra time. 0 for as long as --runs takes."`
	Runs      int           `help:"How many scenarios to play at most."`
	Until     bool          `name:"until-found" help:"Stop at the first finding."`
	NoShrink  bool          `help:"Do not shrink failing scenarios."`
	Save      string        `type:"path" help:"Folder to keep the smallest scenario of each cause in, for check to play again; one that is there stays. combinations.csv in it says which combinations were run."`
	Results   string        `type:"path" help:"Write every run and finding to this file, as JSON Lines."`
	Tell      bool          `name:"combinations" help:"Also list the combinations that are impossible, and why, and those that were not run; --save writes all of them to a file."`
	RunFolder string        `short:"r" type:"path" help:"Folder for the runs (default: a temporary one). A run that comes to no verdict stays in it: its scenario, ledger, records, and what the host printed."`
	One       int           `name:"run" placeholder:"N" help:"Play run N of the exploration with this --seed alone, and keep its folder."`
}

func (c *exploreCmd) Run(a *app) error {
	switch {
	case c.Strength < 1 || c.Strength > 3:
		return fmt.Errorf("--strength %d: write 1, 2 or 3", c.Strength)
	case c.Defect == "all":
		return c.table(a)
	case c.One < 0 || c.One > 0 && c.Shard.N > 1:
		return errors.New("--run names one run of the whole exploration, from 1: leave --shard out")
	}
	o, err := c.options(a)
	if err != nil {
		return err
	}
	dir, done, err := c.runner(a, &o, c.Defect)
	if err != nil {
		return err
	}
	defer done()
	c.tellRuns(a, &o, dir)
	if c.Results != "" {
		f, err := os.Create(c.Results)
		if err != nil {
			return err
		}
		defer f.Close()
		o.Log = f
	}
	var saving error
	o.Found = func(f *explore.Found) {
		fmt.Fprintf(a.stdout, "FOUND %s in run %d: %s, %s\n", strings.TrimSpace(f.Code+" "+f.Cause), f.Run, show.Counted(len(f.Small.Cues), "cue"), show.Counted(len(f.Small.Gauges), "gauge"))
		if c.Save == "" {
			fmt.Fprintf(a.stdout, "\n%s\n", f.Text)
			return
		}
		saving = errors.Join(saving, c.save(a, f))
	}
	sum, err := explore.Explore(a.ctx, o)
	if err != nil {
		return err
	}
	c.summary(a, sum)
	if c.Save != "" {
		saving = errors.Join(saving, c.combinations(a, sum))
	}
	switch {
	case saving != nil:
		return saving
	case len(sum.Found) > 0:
		return coded{code: exitFinding}
	case a.ctx.Err() != nil:
		return coded{exitUndecided, errors.New("stopped before it was done")}
	case sum.Runs == sum.NoVerdict+sum.Skipped:
		return coded{exitUndecided, errors.New("no run came to a verdict")}
	}
	return nil
}

func (c *exploreCmd) options(a *app) (o explore.Options, err error) {
	only := map[string][]string{}
	for _, text := range c.Only {
		factor, levels, ok := strings.Cut(text, "=")
		if !ok {
			return o, fmt.Errorf("--only %s: write it FACTOR=LEVEL,..., such as --only dialect=line-ascii", text)
		}
		only[factor] = append(only[factor], strings.Split(levels, ",")...)
	}
	return explore.Options{Only: only, Dialects: library.DialectsBeside("."), Strength: c.Strength, Seed: c.Seed, Shard: c.Shard, Budget: c.Budget, Runs: c.Runs, Run: c.One,
		Enough: func(*explore.Found) bool { return c.Until }, NoShrink: c.NoShrink, Progress: func(p explore.Progress) { a.progress.paint(func(width int) string { return progressLine(p, width) }) }}, nil
}

// tellRuns tells of runs that come to no verdict, and of the one that --run names.
func (c *exploreCmd) tellRuns(a *app, o *explore.Options, dir *runFolder) {
	o.Unclear = func(u explore.Unclear) {
		fmt.Fprintf(a.stdout, "NO VERDICT in run %d: %s\n", u.Run, strings.Join(u.Reasons, "; "))
		if u.Folder != "" {
			dir.keep = true
			fmt.Fprintf(a.stdout, "   kept in %s; play it again with --run %d added to this command\n", u.Folder, u.Run)
		}
	}
	o.Kept = func(p explore.Played) {
		fmt.Fprintf(a.stdout, "run %d: %s\n", c.One, p.Verdict)
		if p.Folder != "" {
			dir.keep = true
			fmt.Fprintln(a.stdout, "   kept in", p.Folder)
		}
	}
}

// runner makes what plays the scenarios; done gives back what it holds.
func (c *exploreCmd) runner(a *app, o *explore.Options, defect string) (dir *runFolder, done func(), err error) {
	if dir, err = a.runFolder(c.RunFolder, "explore", "scenarios that nobody wrote"); err != nil {
		return nil, nil, err
	}
	program, err := c.choose(a, o, defect, dir.path)
	if err != nil {
		return nil, nil, errors.Join(err, dir.close())
	}
	return dir, func() { program(); dir.close() }, nil
}

// choose makes what plays the scenarios in a folder.
func (c *exploreCmd) choose(a *app, o *explore.Options, defect, dir string) (done func(), err error) {
	if c.Host == "" && len(a.rest) == 0 && !c.Outside {
		h, err := inprocess.Host(defect)
		if err != nil {
			return nil, err
		}
		o.Runner, o.Host = explore.Inside{Host: h, Folder: dir, Keep: c.One > 0}, strings.TrimSpace("reference "+defect)
		return func() {}, nil
	}
	named := &checkCmd{Host: c.Host, Defect: defect}
	if named.Host == "" && len(a.rest) == 0 {
		named.Host = "reference-kept"
	}
	h, text, err := named.host(a)
	if err != nil {
		return nil, err
	}
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	switch {
	case len(a.rest) > 0: // the program without its words, which may name other folders in another shard
		o.Host = filepath.Base(a.rest[0])
	case c.Host != "":
		o.Host = filepath.Base(c.Host)
	default:
		o.Host = strings.TrimSpace("reference " + defect)
	}
	if h.Running {
		fmt.Fprintln(a.stdout, "the host, which runs already, finds the gauges of every run in", filepath.Join(dir, explore.HostFolder, "ports"))
	}
	unmade, err := o.Narrow(h)
	if err != nil {
		return nil, err
	}
	for _, d := range unmade {
		fmt.Fprintf(a.stdout, "not explored: the dialect %s, for which no scenarios are made\n", d)
	}
	h.Scenarios = nil // those it names are not the ones that are made here
	program := &explore.Program{Host: h, Self: self, Extra: named.extra(), HostText: text, Folder: dir, Keep: c.One > 0}
	o.Runner = program
	return program.Close, nil
}

// progressLine is how far an exploration is: combinations covered, runs, causes
// and the time left, in at most so many characters.
func progressLine(p explore.Progress, width int) string {
	line := ""
	if bar := min(width-72, 20); bar > 4 { // where there is room for it beside the rest
		full := bar * p.Tuples / max(1, p.Of)
		line = "[" + strings.Repeat("#", full) + strings.Repeat(".", bar-full) + "] "
	}
	line += fmt.Sprintf("%d/%d combinations, %s, %s", p.Tuples, p.Of, show.Counted(p.Runs, "run"), show.Counted(p.Causes, "cause"))
	if p.Left > 0 {
		line += ", " + p.Left.Round(time.Second).String() + " left"
	}
	if p.Shrinking != "" {
		line += fmt.Sprintf("; try %d at making %s small", p.Tried+1, p.Shrinking)
	}
	return line[:min(len(line), max(0, width))]
}

// save keeps a scenario under its cause's name.
func (c *exploreCmd) save(a *app, f *explore.Found) error {
	if err := os.MkdirAll(c.Save, 0o755); err != nil {
		return err
	}
	file := filepath.Join(c.Save, strings.ReplaceAll(f.Cause, " ", "-")+".yaml")
	err := writeNew(file, f.Text)
	if errors.Is(err, os.ErrExist) {
		fmt.Fprintln(a.stdout, "  ", file, "is there already and stays")
		return nil
	}
	fmt.Fprintln(a.stdout, "  ", file)
	return err
}

// combinationsFile is what is left, beside the scenarios, of which combinations
// were run.
const combinationsFile = "combinations.csv"

// combinations writes every combination with what became of it.
func (c *exploreCmd) combinations(a *app, s *explore.Summary) error {
	if err := os.MkdirAll(c.Save, 0o755); err != nil {
		return err
	}
	name := filepath.Join(c.Save, combinationsFile)
	fmt.Fprintln(a.stdout, "which combinations were run, and which are impossible and why, stands in", name)
	return writeFiles(file{name, func(w io.Writer) error { return csv.NewWriter(w).WriteAll(s.Combinations()) }})
}

func (c *exploreCmd) summary(a *app, s *explore.Summary) {
	rate := ""
	if secs := s.Took.Seconds(); secs > 0 {
		rate = fmt.Sprintf(", %.0f a second", float64(s.Runs)/secs)
	}
	fmt.Fprintf(a.stdout, "%s in %s%s, seed %d\n", show.Counted(s.Runs, "scenario"), s.Took.Round(time.Millisecond), rate, c.Seed)
	fmt.Fprintf(a.stdout, "%d of %d combinations of %d factors run, in %d of %d rows; %d combinations are impossible\n",
		s.Tuples, s.Of, c.Strength, s.Rows, len(s.Array.Rows), len(s.Impossible))
	if s.NoVerdict > 0 {
		fmt.Fprintf(a.stdout, "%s came to no verdict\n", show.Counted(s.NoVerdict, "run"))
	}
	if s.NeverReady {
		fmt.Fprintln(a.stdout, "the host was started twice and never became ready; exploring stopped")
	}
	if s.Skipped > 0 {
		fmt.Fprintf(a.stdout, "%s skipped: they ask for what the host does not claim\n", show.Counted(s.Skipped, "run"))
	}
	if c.Tell {
		for _, im := range s.Impossible {
			fmt.Fprintf(a.stdout, "impossible: %s (%s)\n", s.Array.Plan.Words(im.Tuple), strings.Join(im.Why, "; "))
		}
		for _, words := range s.Coverage.Open() {
			fmt.Fprintln(a.stdout, "not run:", words)
		}
	}
	if len(s.Found) == 0 {
		fmt.Fprintln(a.stdout, "nothing was found")
		return
	}
	fmt.Fprintf(a.stdout, "found: %s\n", show.Counted(len(s.Found), "cause"))
}

// table explores with each of the reference host's mistakes in turn, each
// until it is found and named, or its budget is used up.
func (c *exploreCmd) table(a *app) error {
	const form = "%-22s %6s %9s   %-22s %6s %9s %5s %6s\n"
	fmt.Fprintf(a.stdout, form, "mistake", "run", "found in", "named", "run", "after", "cues", "gauges")
	var all explore.Mistakes
	for _, d := range host.Defects() {
		o, err := c.options(a)
		if err != nil {
			return err
		}
		o.Enough = func(f *explore.Found) bool { return f.Cause == d.Name }
		_, done, err := c.runner(a, &o, d.Name)
		if err != nil {
			return err
		}
		sum, err := explore.Explore(a.ctx, o)
		done()
		if err != nil {
			return err
		}
		if a.ctx.Err() != nil {
			return coded{exitUndecided, errors.New("stopped")}
		}
		first, f := all.Add(d.Name, sum.Found)
		if f == nil {
			fmt.Fprintf(a.stdout, form, d.Name, "-", "no", "", "", "", "", "")
			continue
		}
		fmt.Fprintf(a.stdout, form, d.Name, strconv.Itoa(first.Run), first.After.Round(time.Millisecond), f.Cause,
			strconv.Itoa(f.Run), f.After.Round(time.Millisecond), strconv.Itoa(len(f.Small.Cues)), strconv.Itoa(len(f.Small.Gauges)))
		if c.Save != "" {
			if err := c.save(a, f); err != nil {
				return err
			}
		}
	}
	found := all.Tried - len(all.Missed)
	fmt.Fprintf(a.stdout, "\n%d of %d mistakes found (%.1f %%), %d of them named, seed %d\n", found, all.Tried, 100*float64(found)/float64(all.Tried), found-len(all.Unnamed), c.Seed)
	if found > 0 {
		cues, gauges := all.Medians()
		fmt.Fprintf(a.stdout, "the median shrunk scenario has %s and %s\n", show.Counted(cues, "cue"), show.Counted(gauges, "gauge"))
	}
	if len(all.Unnamed) > 0 {
		fmt.Fprintln(a.stdout, "found under another name only:", strings.Join(all.Unnamed, ", "))
	}
	if len(all.Missed) > 0 {
		fmt.Fprintln(a.stdout, "not found:", strings.Join(all.Missed, ", "))
		return coded{code: exitUndecided}
	}
	return nil
}
