package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"example.org/understudy/sim/wire"
)

type dialectNewCmd struct {
	File   string            `arg:"" help:"The file to write. It must not exist yet."`
	Answer map[string]string `short:"a" placeholder:"KEY=VALUE" help:"An answer given beforehand, such as --answer form=binary; may stand several times. What is not answered is asked for, with a default."`
}

func (c *dialectNewCmd) Run(a *app) error {
	if _, err := os.Stat(c.File); err == nil {
		return fmt.Errorf("%s is there already; nothing was changed", c.File)
	}
	answers := map[string]string{}
	for k, v := range c.Answer {
		answers[k] = v
	}
	for _, q := range wire.Questions() {
		if _, given := answers[q.Key]; given || !concerns(q.Key, answers) {
			continue
		}
		if q.Key == "name" {
			q.Default = strings.TrimSuffix(strings.TrimSuffix(filepath.Base(c.File), ".yaml"), ".yml")
		}
		choices := ""
		if n := len(q.Choices); n > 0 && n <= 8 {
			choices = " (" + strings.Join(q.Choices, ", ") + ")"
		}
		fmt.Fprintf(a.stdout, "%s%s [%s] ", q.Ask, choices, q.Default)
		line, err := readLine(a.stdin)
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		if errors.Is(err, io.EOF) {
			fmt.Fprintln(a.stdout)
		}
		if answers[q.Key] = strings.TrimSpace(line); answers[q.Key] == "" {
			answers[q.Key] = q.Default
		}
	}
	text, err := wire.Start(answers)
	if err != nil {
		return err
	}
	if err := os.WriteFile(c.File, text, 0o644); err != nil {
		return err
	}
	fmt.Fprintf(a.stdout, "%s is written. Put your gauge's fields in, and look at them with: understudy dialect try %s\n", c.File, c.File)
	return nil
}

// concerns reports whether a question matters after the answers so far.
func concerns(key string, answers map[string]string) bool {
	switch key {
	case "end":
		return answers["form"] != "binary"
	case "frame":
		return answers["form"] == "binary"
	}
	return true
}

// readLine reads one line, and not a byte more than it.
func readLine(r io.Reader) (string, error) {
	var b [1]byte
	var line []byte
	for len(line) < 1000 {
		if _, err := io.ReadFull(r, b[:]); err != nil {
			return string(line), err
		}
		if b[0] == '\n' {
			break
		}
		line = append(line, b[0])
	}
	return string(line), nil
}
