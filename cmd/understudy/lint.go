package main

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/infile"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/paper"
	"example.org/understudy/harness/proof"
	"example.org/understudy/harness/rehearse"
	"example.org/understudy/harness/report"
	"example.org/understudy/harness/show"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/wire"
)

type lintCmd struct {
	Paths []string `arg:"" name:"path" help:"Files, or folders whose *.yaml files are checked."`
}

// kinds of description files, by the key they start with.
var kinds = []struct {
	name   string // for schema
	dir    string // where the shipped ones are
	key    string
	schema func() []byte
	lint   func(ctx context.Context, file string, text []byte) error
}{
	{"scenario", ".", "understudy", scenario.Schema, func(ctx context.Context, file string, text []byte) error {
		s, err := scenario.Parse(file, text, library.DialectsBeside(file))
		if err != nil {
			return err
		}
		if err := paper.Speaks(ctx, s); err != nil {
			return err
		}
		if err := paper.Expectations(ctx, s); err != nil {
			return err
		}
		return s.Figured()
	}},
	// a profile names its dialect: look for its own key first
	{"gauge", "gauges", "understudy-gauge", scenario.ProfileSchema, func(ctx context.Context, file string, text []byte) error {
		return scenario.LintProfile(file, text, library.DialectsBeside(file))
	}},
	{"dialect", "dialects", "dialect", wire.Schema, func(ctx context.Context, file string, text []byte) error {
		d, err := wire.Parse(file, text)
		if err != nil {
			return err
		}
		return d.Prove(wire.Use{}).Err()
	}},
	{"host", "hosts", "understudy-host", hostfile.Schema, func(ctx context.Context, file string, text []byte) error {
		h, err := hostfile.Parse(file, text)
		if err == nil && len(h.Asked) > 0 {
			return h.Asked
		}
		return err
	}},
	{"line", "lines", "understudy-line", rehearse.Schema, func(ctx context.Context, file string, text []byte) error {
		_, err := rehearse.Parse(file, text, library.DialectsBeside(file))
		return err
	}},
}

func (c *lintCmd) Run(a *app) error {
	var files []string
	for _, p := range c.Paths {
		info, err := os.Stat(p)
		if err != nil {
			return err
		}
		if !info.IsDir() {
			files = append(files, p)
			continue
		}
		if err := filepath.WalkDir(p, func(f string, d fs.DirEntry, err error) error {
			if err == nil && !d.IsDir() && (strings.HasSuffix(f, ".yaml") || strings.HasSuffix(f, ".yml")) {
				files = append(files, f)
			}
			return err
		}); err != nil {
			return err
		}
	}
	bad := 0
	for i, f := range files {
		if a.ctx.Err() != nil {
			return coded{exitUndecided, fmt.Errorf("stopped (%w): %d of %s checked", context.Cause(a.ctx), i, show.Counted(len(files), "file"))}
		}
		text, err := infile.Read(infile.Anywhere, f, infile.Text)
		if err != nil {
			return err
		}
		if err := lint(a.ctx, f, text); err != nil {
			bad++
			fmt.Fprintln(a.stderr, err)
		}
	}
	if a.ctx.Err() != nil {
		return coded{exitUndecided, fmt.Errorf("stopped: %w", context.Cause(a.ctx))}
	}
	if bad > 0 {
		return coded{exitUsage, fmt.Errorf("%d of %s with mistakes", bad, show.Counted(len(files), "file"))}
	}
	fmt.Fprintln(a.stdout, show.Counted(len(files), "file"), "without a mistake")
	return nil
}

// lint checks a file of any kind.
func lint(ctx context.Context, file string, text []byte) error {
	var root strict.Any
	doc, err := strict.Decode(file, text, &root)
	if err != nil {
		return err
	}
	keys := []string{}
	for _, k := range kinds {
		if _, ok := root.Lookup(k.key); ok {
			return k.lint(ctx, file, text)
		}
		keys = append(keys, k.key+":")
	}
	doc.Errorf(&root, "one of "+strings.Join(keys, ", ")+" says what it is", "this is no scenario, dialect, gauge profile, host description or line")
	return doc.Err()
}

type schemaCmd struct {
	Kind string `arg:"" optional:"" default:"scenario" help:"What kind of file: scenario (default), gauge, dialect, host or line; job: what a host is told; report: what check and report write with --json; verify: what verify writes with --json."`
}

func (c *schemaCmd) Run(a *app) error {
	makers := map[string]func() []byte{"job": check.JobSchema, "report": report.Schema, "verify": proof.Schema}
	names := []string{}
	for _, k := range kinds {
		makers[k.name] = k.schema
		names = append(names, k.name)
	}
	names = append(names, "job", "report", "verify")
	if make, ok := makers[c.Kind]; ok {
		_, err := a.stdout.Write(make())
		return err
	}
	return fmt.Errorf("there is no schema of %q; there is %s", c.Kind, strings.Join(names, ", "))
}
