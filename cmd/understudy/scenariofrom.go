package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"example.org/understudy/harness/capture/draft"
	"example.org/understudy/harness/library"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/wire"
)

type scenarioCmd struct {
	From scenarioFromCmd `cmd:"" help:"Turn a capture into a scenario that plays back to the same readings."`
}

type scenarioFromCmd struct {
	Capture string `arg:"" help:"A pcapng capture of serial lines."`
	Dialect string `short:"d" required:"" help:"Dialect of the serial lines: a file, or the name of a shipped one."`
	Title   string `help:"The scenario's title."`
	Out     string `short:"o" type:"path" help:"The file to write (default: standard output). It must not exist yet."`
}

func (c *scenarioFromCmd) Run(a *app) error {
	file, text, err := library.Find("dialects", c.Dialect)
	if err != nil {
		return err
	}
	d, err := wire.Parse(file, text)
	if err != nil {
		return err
	}
	heard, err := readCapture(a, c.Capture)
	if err != nil {
		return err
	}
	title := c.Title
	if title == "" {
		title = "From the capture " + filepath.Base(c.Capture)
	}
	name := c.Dialect
	if file == name && c.Out != "" { // a file of the user's: the scenario finds it from its own folder
		if name, err = relative(c.Out, name); err != nil {
			return err
		}
	}
	f, notes, err := draft.Scenario(a.ctx, heard, draft.Options{Title: title, Dialect: d, Name: name})
	if err != nil {
		return fmt.Errorf("%s: %w", c.Capture, err)
	}
	out := scenario.Marshal(f, strings.Join(notes, "\n"))
	if c.Out == "" {
		_, err := a.stdout.Write(out)
		return err
	}
	w, err := os.OpenFile(c.Out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if os.IsExist(err) {
		return fmt.Errorf("%s is there already; nothing was changed", c.Out)
	}
	if err != nil {
		return err
	}
	_, err = w.Write(out)
	if cerr := w.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		fmt.Fprintf(a.stdout, "%s: %s, %s\n", c.Out, counted(len(f.Gauges), "gauge"), counted(len(f.Cues), "cue"))
	}
	return err
}

// relative is the path of a file as seen from another file's folder.
func relative(from, to string) (string, error) {
	from, err := filepath.Abs(filepath.Dir(from))
	if err != nil {
		return "", err
	}
	if to, err = filepath.Abs(to); err != nil {
		return "", err
	}
	return filepath.Rel(from, to)
}
