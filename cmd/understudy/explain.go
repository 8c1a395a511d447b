package main

import (
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/paper"
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
