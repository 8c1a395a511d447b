package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"example.org/understudy/harness/library"
	"example.org/understudy/harness/registry"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/wire"
)

// lineFlags are the flags of commands that put one gauge on a port from a line.
type lineFlags struct {
	Dialect string `short:"d" help:"Dialect of the serial line: a file, or the name of a shipped one (default: none; the bytes alone are known)."`
	Folder  string `name:"run-folder" short:"r" default:"run" help:"Folder for the port's stable name and the ledger."`
	As      string `enum:"pty,tcp,rfc2217" default:"pty" help:"What the host opens: pty, tcp or rfc2217. A pty does not show what parity and character size the host asks for; rfc2217 does."`
}

// dialect reads the dialect; nil when none is named.
func (f *lineFlags) dialect() (*wire.Dialect, error) {
	if f.Dialect == "" {
		return nil, nil
	}
	file, text, err := library.Find("dialects", f.Dialect)
	if err != nil {
		return nil, err
	}
	return wire.Parse(file, text)
}

// claim takes the run folder and enters the run.
func (f *lineFlags) claim(kind, what string) (dir string, c *registry.Claim, err error) {
	return claim(f.Folder, kind, what)
}

// claim takes a run folder, with a folder for ports in it.
func claim(folder, kind, what string) (dir string, c *registry.Claim, err error) {
	if dir, err = filepath.Abs(folder); err != nil {
		return "", nil, err
	}
	if err := os.MkdirAll(filepath.Join(dir, "ports"), 0o755); err != nil {
		return "", nil, err
	}
	c, err = registry.Default().Claim(dir, registry.Entry{Kind: kind, Scenario: what, Began: time.Now()})
	return dir, c, err
}

// runFolder is the folder of a command's runs, which is the command's alone.
type runFolder struct {
	path      string
	temporary bool
	keep      bool // although it is temporary
	claim     *registry.Claim
}

// runFolder takes a folder for runs; a temporary one when it has no name.
func (a *app) runFolder(name, kind, what string) (f *runFolder, err error) {
	f = &runFolder{path: name, temporary: name == ""}
	if f.temporary {
		f.path, err = os.MkdirTemp("", "understudy-")
	} else if f.path, err = filepath.Abs(name); err == nil {
		err = os.MkdirAll(f.path, 0o755)
	}
	if err != nil {
		return nil, err
	}
	if f.claim, err = registry.Default().Claim(f.path, registry.Entry{Kind: kind, Scenario: what, Began: time.Now()}); err != nil {
		return nil, err
	}
	_ = f.claim.Publish(nil) // so that names it leaves when it is killed can be removed
	return f, nil
}

// close gives the folder back, and removes it where nobody wants it.
func (f *runFolder) close() error {
	err := f.claim.Close()
	if f.temporary && !f.keep {
		err = errors.Join(err, os.RemoveAll(f.path))
	}
	return err
}

// opener opens the port of the kind that was asked for.
func (f *lineFlags) opener(a *app, dir, name string, line port.Settings) func(sink func(port.Event)) (port.Port, error) {
	cfg := port.Config{Name: name, Dir: filepath.Join(dir, "ports"), Line: line}
	return func(sink func(port.Event)) (p port.Port, err error) {
		var warning string
		switch f.As {
		case "tcp":
			p, warning, err = port.OpenTCP(cfg, sink)
		case "rfc2217":
			p, warning, err = port.OpenRFC2217(cfg, sink)
		default:
			return port.OpenPTY(cfg, sink)
		}
		if warning != "" {
			fmt.Fprintln(a.stderr, "understudy:", warning)
		}
		return p, err
	}
}
