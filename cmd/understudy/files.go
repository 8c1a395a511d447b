package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"time"

	"example.org/understudy/harness/registry"
)

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

// file is a file that a command writes; nothing is written where it has no name.
type file struct {
	name string
	as   func(w io.Writer) error
}

func writeFiles(all ...file) error {
	for _, w := range all {
		if w.name == "" {
			continue
		}
		f, err := os.Create(w.name)
		if err != nil {
			return err
		}
		if err := errors.Join(w.as(f), f.Close()); err != nil {
			return err
		}
	}
	return nil
}

// there is a file that must not be there yet, and is.
type there string

func (name there) Error() string { return string(name) + " is there already; nothing was changed" }

func (there) Is(target error) bool { return target == os.ErrExist }

// writeNew writes a file that must not be there yet.
func writeNew(name string, text []byte) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if os.IsExist(err) {
		return there(name)
	}
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	return errors.Join(err, f.Close())
}
