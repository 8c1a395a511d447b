package main

import (
	"cmp"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/paper"
	"example.org/understudy/harness/plot"
	"example.org/understudy/harness/plot/pictures"
)

type explainCmd struct {
	Scenario string `arg:"" help:"A scenario file, or the name of a shipped scenario."`
	All      bool   `help:"Show every streamed reading, not only those where the zone changes."`
	Steps    bool   `help:"Follow each reading through the gauge's measuring chain, step by step."`
}

func (c *explainCmd) Run(a *app) error {
	s, err := library.Load(c.Scenario)
	if err != nil {
		return err
	}
	return paper.Explain(a.ctx, a.stdout, s, c.All, c.Steps)
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
	out := cmp.Or(c.Out, name+".svg")
	png := strings.HasSuffix(out, ".png")
	if !png && !strings.HasSuffix(out, ".svg") {
		return fmt.Errorf("%s is neither .svg nor .png", out)
	}
	pic, cut := draw()
	if cut != nil && !errors.As(cut, new(paper.Cut)) {
		return cut
	}
	write := pic.WriteSVG
	if png {
		write = pic.WritePNG
	}
	if err := writeFiles(file{out, write}); err != nil {
		return err
	}
	fmt.Fprintln(a.stdout, out)
	return cut
}
