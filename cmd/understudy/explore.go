package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/harness"
	"example.org/understudy/harness/explore"
	"example.org/understudy/harness/shard"
	"golang.org/x/term"
)

type exploreCmd struct {
	Host      string        `short:"H" help:"Host description: a file, or the name of a shipped one. The reference host, inside this program, when left out. Or write the host's command behind --."`
	Defect    string        `help:"Have the reference host make a mistake, to see it found. With all: each of its mistakes in turn, and a table of what was found."`
	Outside   bool          `help:"Run the reference host as a program of its own, as other hosts are."`
	Strength  int           `default:"2" help:"How many factors are covered together: every combination of levels of any so many. 2 or 3."`
	Seed      uint64        `default:"1" help:"Seed of all chance. The same seed gives the same scenarios."`
	Shard     shard.Shard   `default:"1/1" placeholder:"K/N" help:"Do part K of N of the work only; write each with --results and put them together with report."`
	Budget    time.Duration `default:"60s" help:"Time to explore for, such as 10m. 0 for as long as --runs takes."`
	Runs      int           `help:"How many scenarios to play at most."`
	Until     bool          `name:"until-found" help:"Stop at the first finding."`
	NoShrink  bool          `help:"Leave what is found as it was generated."`
	Save      string        `type:"path" help:"Folder to keep the smallest scenario of each cause in, for check to play again. One that is there stays."`
	Results   string        `type:"path" help:"Write every run and finding to this file, as JSON Lines."`
	Tell      bool          `name:"combinations" help:"Also list the combinations that are impossible, and why, and those that were not run."`
	RunFolder string        `short:"r" type:"path" help:"Folder for the runs of a host that is a program; a temporary one when left out."`
}

func (c *exploreCmd) Run(a *app) error {
	switch {
	case c.Strength < 1 || c.Strength > 3:
		return fmt.Errorf("--strength %d: write 1, 2 or 3", c.Strength)
	case c.Defect == "all":
		return c.table(a)
	}
	o := c.options(a)
	done, err := c.runner(a, &o, c.Defect)
	if err != nil {
		return err
	}
	defer done()
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
		c.say(a, "")
		fmt.Fprintf(a.stdout, "FOUND %s in run %d: %s, %s\n", strings.TrimSpace(f.Code+" "+f.Cause), f.Run, counted(len(f.Small.Cues), "cue"), counted(len(f.Small.Gauges), "gauge"))
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
	c.say(a, "")
	c.summary(a, sum)
	switch {
	case saving != nil:
		return saving
	case len(sum.Found) > 0:
		return coded{code: exitFinding}
	case sum.Runs == sum.NoVerdict:
		return coded{exitUndecided, errors.New("no run came to a verdict")}
	}
	return nil
}

func (c *exploreCmd) options(a *app) explore.Options {
	return explore.Options{Dialects: harness.DialectsBeside("."), Strength: c.Strength, Seed: c.Seed, Shard: c.Shard, Budget: c.Budget, Runs: c.Runs,
		Enough: func(*explore.Found) bool { return c.Until }, NoShrink: c.NoShrink, Progress: func(p explore.Progress) { c.say(a, progressLine(p)) }}
}

// runner makes what plays the scenarios; done gives back what it holds.
func (c *exploreCmd) runner(a *app, o *explore.Options, defect string) (done func(), err error) {
	if c.Host == "" && len(a.rest) == 0 && !c.Outside {
		h, err := host.Inside(defect)
		if err != nil {
			return nil, err
		}
		o.Runner, o.Host = explore.Inside{Host: h}, strings.TrimSpace("reference "+defect)
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
	dir, done := c.RunFolder, func() {}
	if dir == "" {
		if dir, err = os.MkdirTemp("", "understudy-"); err != nil {
			return nil, err
		}
		done = func() { os.RemoveAll(dir) }
	}
	switch {
	case len(a.rest) > 0: // the program without its words, which may name other folders in another shard
		o.Host = filepath.Base(a.rest[0])
	case c.Host != "":
		o.Host = filepath.Base(c.Host)
	default:
		o.Host = strings.TrimSpace("reference " + defect)
	}
	program := &explore.Program{Host: h, Self: self, Extra: named.extra(), HostText: text, Folder: dir}
	o.Runner = program
	tidy := done
	return func() { program.Close(); tidy() }, nil
}

// say shows a line that the next one overwrites, on a terminal.
func (c *exploreCmd) say(a *app, line string) {
	if f, ok := a.stderr.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		fmt.Fprint(f, "\r\x1b[K"+line)
	}
}

const barWidth = 20

func progressLine(p explore.Progress) string {
	full := barWidth * p.Tuples / max(1, p.Of)
	line := fmt.Sprintf("[%s%s] %d of %d combinations, %d runs, %d causes", strings.Repeat("#", full), strings.Repeat(".", barWidth-full), p.Tuples, p.Of, p.Runs, p.Causes)
	if p.Left > 0 {
		line += ", " + p.Left.Round(time.Second).String() + " left"
	}
	if p.Shrinking != "" {
		line += ", shrinking " + p.Shrinking
	}
	return line
}

// save keeps a scenario under its cause's name.
func (c *exploreCmd) save(a *app, f *explore.Found) error {
	if err := os.MkdirAll(c.Save, 0o755); err != nil {
		return err
	}
	file := filepath.Join(c.Save, strings.ReplaceAll(f.Cause, " ", "-")+".yaml")
	out, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, os.ErrExist) {
		fmt.Fprintln(a.stdout, "  ", file, "is there already and stays")
		return nil
	}
	if err != nil {
		return err
	}
	_, err = out.Write(f.Text)
	fmt.Fprintln(a.stdout, "  ", file)
	return errors.Join(err, out.Close())
}

func (c *exploreCmd) summary(a *app, s *explore.Summary) {
	rate := ""
	if secs := s.Took.Seconds(); secs > 0 {
		rate = fmt.Sprintf(", %.0f a second", float64(s.Runs)/secs)
	}
	fmt.Fprintf(a.stdout, "%d scenarios in %s%s, seed %d\n", s.Runs, s.Took.Round(time.Millisecond), rate, c.Seed)
	fmt.Fprintf(a.stdout, "%d of %d combinations of %d factors run, in %d of %d rows; %d combinations are impossible\n",
		s.Tuples, s.Of, c.Strength, s.Rows, len(s.Array.Rows), len(s.Impossible))
	if s.NoVerdict > 0 {
		fmt.Fprintf(a.stdout, "%d runs came to no verdict: %s\n", s.NoVerdict, strings.Join(s.Why, "; "))
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
	fmt.Fprintf(a.stdout, "found: %s\n", counted(len(s.Found), "cause"))
}

// table explores with each of the reference host's mistakes in turn, each
// until it is found and named, or its budget is used up.
func (c *exploreCmd) table(a *app) error {
	const form = "%-22s %6s %9s   %-22s %6s %9s %5s %6s\n"
	fmt.Fprintf(a.stdout, form, "mistake", "run", "found in", "named", "run", "after", "cues", "gauges")
	all := host.Defects()
	var missed, unnamed []string
	var cues, gauges []int
	for _, d := range all {
		o := c.options(a)
		o.Enough = func(f *explore.Found) bool { return f.Cause == d.Name }
		done, err := c.runner(a, &o, d.Name)
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
		c.say(a, "")
		if len(sum.Found) == 0 {
			missed = append(missed, d.Name)
			fmt.Fprintf(a.stdout, form, d.Name, "-", "no", "", "", "", "", "")
			continue
		}
		first := sum.Found[0]
		f := first
		if i := slices.IndexFunc(sum.Found, func(f *explore.Found) bool { return f.Cause == d.Name }); i >= 0 {
			f = sum.Found[i]
		} else {
			unnamed = append(unnamed, d.Name)
		}
		cues, gauges = append(cues, len(f.Small.Cues)), append(gauges, len(f.Small.Gauges))
		fmt.Fprintf(a.stdout, form, d.Name, strconv.Itoa(first.Run), first.After.Round(time.Millisecond), f.Cause,
			strconv.Itoa(f.Run), f.After.Round(time.Millisecond), strconv.Itoa(len(f.Small.Cues)), strconv.Itoa(len(f.Small.Gauges)))
		if c.Save != "" {
			if err := c.save(a, f); err != nil {
				return err
			}
		}
	}
	slices.Sort(cues)
	slices.Sort(gauges)
	found := len(all) - len(missed)
	fmt.Fprintf(a.stdout, "\n%d of %d mistakes found (%.1f %%), %d of them named, seed %d\n", found, len(all), 100*float64(found)/float64(len(all)), found-len(unnamed), c.Seed)
	if found > 0 {
		fmt.Fprintf(a.stdout, "the median shrunk scenario has %d cues and %d gauges\n", cues[len(cues)/2], gauges[len(gauges)/2])
	}
	if len(unnamed) > 0 {
		fmt.Fprintln(a.stdout, "found under another name only:", strings.Join(unnamed, ", "))
	}
	if len(missed) > 0 {
		fmt.Fprintln(a.stdout, "not found:", strings.Join(missed, ", "))
		return coded{code: exitUndecided}
	}
	return nil
}

// counted is a number of things in words that agree: 1 cue, 2 cues.
func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
