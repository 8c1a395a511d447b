package main

import (
	"errors"
	"fmt"
	"time"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/capture"
	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/registry"
	"example.org/understudy/harness/replay"
	"example.org/understudy/sim/port"
)

type replayCmd struct {
	Capture  string        `arg:"" help:"A pcapng capture of a serial line."`
	Gauge    string        `short:"g" help:"Which gauge of the capture (default: the only one)."`
	Patience time.Duration `default:"2s" help:"How long the timeline waits for a request that the capture has at its place."`
	UntilEnd bool          `help:"End with the timeline, instead of answering on."`
	To       string        `type:"path" placeholder:"FILE.pcapng" help:"File for the bytes of the replay (default: none)."`
	lineFlags
}

// readCapture reads a capture, and says so when it is cut off.
func readCapture(a *app, name string) (*capture.Capture, error) {
	f, err := infile.Open(infile.Anywhere, name, infile.Capture)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	c, whole, err := capture.Read(budget.Reader(a.ctx, f))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if !whole {
		fmt.Fprintf(a.stderr, "understudy: %s is cut off; what is whole is used\n", name)
	}
	return c, nil
}

func (c *replayCmd) Run(a *app) (err error) {
	d, err := c.dialect()
	if err != nil {
		return err
	}
	heard, err := readCapture(a, c.Capture)
	if err != nil {
		return err
	}
	i, err := replay.Line(heard, c.Gauge)
	if err != nil {
		return fmt.Errorf("%s: %w", c.Capture, err)
	}
	script, err := replay.NewScript(a.ctx, heard, i, d)
	if err != nil {
		return fmt.Errorf("%s: %w", c.Capture, err)
	}
	var line port.Settings
	if script.Settings != "" {
		if line, err = port.ParseSettings(script.Settings); err != nil { // another program's words
			fmt.Fprintf(a.stderr, "understudy: the line of %s is not known: %v\n", script.Name, err)
		}
	}
	title := "A replay of " + c.Capture
	dir, claim, err := c.claim("replay", title)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, claim.Close()) }()
	var k *capture.Recording
	srv, err := replay.Open(replay.Config{Script: script, Patience: c.Patience, Ends: c.UntilEnd,
		Port:   c.opener(a, dir, script.Name, line),
		Record: func(e capture.Event) error { return k.Event(e) }})
	if err != nil {
		return err
	}
	k, err = capture.Record(dir, c.To, title, capture.NewLine(script.Name, script.Settings), d, srv.Began())
	if err == nil {
		err = claim.Publish([]registry.Gauge{{Name: script.Name, Path: srv.Port().Path()}})
	}
	if err != nil {
		return errors.Join(err, srv.Port().Close())
	}
	fmt.Fprintf(a.stdout, "%s is at %s; its timeline of %.3f s starts when a host opens it\nDifferent requests it answers: %d; times it sends on its own: %d. Stop with Ctrl-C.\n",
		script.Name, srv.Port().Path(), script.Span().Seconds(), script.Requests(), script.Sends())
	n, err := srv.Run(a.ctx)
	err = errors.Join(err, k.Close("the replay was ended"))
	fmt.Fprintf(a.stdout, "sent on its own: %d of %d; requests answered: %d", n.Sent, script.Sends(), n.Answered)
	for _, w := range []struct {
		n    int
		what string
	}{
		{n.Silent, "requests that the gauge had not answered either"}, {n.Unknown, "requests that are not in the capture"},
		{n.Strange, "bytes that are no request"}, {n.GivenUp, "requests of the capture that did not come in time"},
	} {
		if w.n > 0 {
			fmt.Fprintf(a.stdout, "; %s: %d", w.what, w.n)
		}
	}
	fmt.Fprintln(a.stdout)
	return err
}
