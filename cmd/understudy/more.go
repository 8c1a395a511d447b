package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/paper"
	"example.org/understudy/harness/plot"
	"example.org/understudy/harness/plot/pictures"
	"example.org/understudy/harness/records"
)

type causesCmd struct {
	Name string `arg:"" optional:"" help:"A cause's name or code (default: all of them)."`
}

func (c *causesCmd) Run(a *app) error {
	if c.Name != "" {
		k, ok := cause.Find(c.Name)
		if !ok {
			return fmt.Errorf("there is no cause %q; understudy causes lists them", c.Name)
		}
		fmt.Fprintf(a.stdout, "%s %s\n\nWhat it looks like\n  %s\nWhy it happens\n  %s\nHow to fix it\n  %s\n", k.Code, k.Name, k.Looks, k.Why, k.Fix)
		return nil
	}
	groups := cause.Groups()
	last := byte(0)
	for _, k := range cause.All() {
		if k.Code[1] != last {
			last = k.Code[1]
			fmt.Fprintf(a.stdout, "\n%s\n", groups[last])
		}
		fmt.Fprintf(a.stdout, "  %s %-22s %s\n", k.Code, k.Name, k.Looks)
	}
	return nil
}

type hostCmd struct {
	New hostNewCmd `cmd:"" help:"Draft a host description from a sample of the host's records."`
}

type hostNewCmd struct {
	From string `required:"" help:"A file of the host's own records."`
	Out  string `short:"o" help:"The file to write (default: standard output). It must not exist yet."`
}

func (c *hostNewCmd) Run(a *app) error {
	text, guesses, err := records.Draft(a.ctx, c.From)
	if err != nil {
		return err
	}
	if c.Out == "" {
		if _, err := a.stdout.Write(text); err != nil {
			return err
		}
	} else {
		if _, err := os.Stat(c.Out); err == nil {
			return fmt.Errorf("%s is there already; nothing was changed", c.Out)
		}
		if err := os.WriteFile(c.Out, text, 0o644); err != nil {
			return err
		}
		fmt.Fprintln(a.stdout, c.Out, "is written.")
	}
	fmt.Fprintln(a.stderr, "Guessed, so look at it; lint asks the questions until they are answered:")
	for _, g := range guesses {
		fmt.Fprintln(a.stderr, "-", g)
	}
	return nil
}

type plotCmd struct {
	Scenario string `arg:"" help:"A scenario file or the name of a shipped scenario, which is played on paper; or the folder of a run, whose ledger is drawn."`
	Out      string `short:"o" help:"The picture: a name that ends in .svg or .png (default: the scenario's name and .svg)."`
}

func (c *plotCmd) Run(a *app) error {
	draw, name := func() (*plot.Picture, error) { return pictures.Folder(a.ctx, c.Scenario) }, filepath.Base(c.Scenario)
	if !check.IsRun(c.Scenario) && !check.IsPlay(c.Scenario) {
		s, err := library.Load(c.Scenario)
		if err != nil {
			return err
		}
		draw, name = func() (*plot.Picture, error) { return pictures.Scenario(a.ctx, s) }, library.Name(s)
	}
	out := c.Out
	if out == "" {
		out = name + ".svg"
	}
	png := strings.HasSuffix(out, ".png")
	if !png && !strings.HasSuffix(out, ".svg") {
		return fmt.Errorf("%s is neither .svg nor .png", out)
	}
	pic, cut := draw()
	if cut != nil && !errors.As(cut, new(paper.Cut)) {
		return cut
	}
	if err := writeFile(out, func(f *os.File) error {
		if png {
			return pic.WritePNG(f)
		}
		return pic.WriteSVG(f)
	}); err != nil {
		return err
	}
	fmt.Fprintln(a.stdout, out)
	return cut
}
