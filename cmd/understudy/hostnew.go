package main

import (
	"fmt"
	"io"

	"example.org/understudy/harness/records"
	"example.org/understudy/harness/shipping"
)

type hostCmd struct {
	New    hostNewCmd    `cmd:"" help:"Draft a host description from a sample of the host's records."`
	Pytest hostPytestCmd `cmd:"" help:"Print the file that has pytest play scenarios to a host: understudy_pytest.py."`
}

type hostPytestCmd struct{}

func (hostPytestCmd) Run(a *app) error {
	_, err := io.WriteString(a.stdout, shipping.Pytest)
	return err
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
		_, err = a.stdout.Write(text)
	} else if err = writeNew(c.Out, text); err == nil {
		fmt.Fprintln(a.stdout, c.Out, "is written.")
	}
	if err != nil {
		return err
	}
	fmt.Fprintln(a.stderr, "Guessed, so look at it; lint asks the questions until they are answered:")
	for _, g := range guesses {
		fmt.Fprintln(a.stderr, "-", g)
	}
	return nil
}
