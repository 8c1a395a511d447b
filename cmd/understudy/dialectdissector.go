package main

import (
	"example.org/understudy/harness/capture/dissector"
	"example.org/understudy/harness/library"
)

type dialectDissectorCmd struct {
	Dialect string `arg:"" help:"A dialect file, or the name of a shipped dialect."`
}

// Run writes the dissector to standard output.
func (c *dialectDissectorCmd) Run(a *app) error {
	file, text, err := library.Find("dialects", c.Dialect)
	if err != nil {
		return err
	}
	lua, err := dissector.Lua(file, text)
	if err != nil {
		return err
	}
	_, err = a.stdout.Write(lua)
	return err
}
