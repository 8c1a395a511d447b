package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"example.org/understudy/harness/library"
	"example.org/understudy/sim/wire"
)

type dialectNewCmd struct {
	File string `arg:"" help:"The file to write. It must not exist yet."`
	Like string `default:"line-ascii" placeholder:"DIALECT" help:"The shipped dialect to start from (default: line-ascii)."`
}

// Run copies a shipped dialect under the new file's name.
func (c *dialectNewCmd) Run(a *app) error {
	if _, err := os.Stat(c.File); err == nil {
		return fmt.Errorf("%s is there already; nothing was changed", c.File)
	}
	from, text, err := library.Find("dialects", c.Like)
	if err != nil {
		return err
	}
	d, err := wire.Parse(from, text)
	if err != nil {
		return err
	}
	name := strings.TrimSuffix(strings.TrimSuffix(filepath.Base(c.File), ".yaml"), ".yml")
	text = bytes.Replace(text, []byte("\ndialect: "+d.Name()+"\n"), []byte("\ndialect: "+name+"\n"), 1)
	if _, err := wire.Parse(c.File, text); err != nil {
		return err
	}
	if err := os.WriteFile(c.File, text, 0o644); err != nil {
		return err
	}
	fmt.Fprintf(a.stdout, "%s is written, a copy of %s. Put your gauge's fields in, and look at them with: understudy dialect try %s\n", c.File, d.Name(), c.File)
	return nil
}
