// Package infile opens the files that a user names. What is no file, never ends or is
// too large to be what it is taken for is refused before a byte of it is read.
package infile

import (
	"fmt"
	"io"
	"io/fs"
	"os"
)

// Largest files of each kind.
const (
	Text     = 4 << 20   // a description, or settings
	Capture  = 256 << 20 // what is held in memory: captures, results
	Streamed = 1 << 40   // what is read bit by bit
)

// Opener opens a file and looks at one, by name: those of the file system, or of a
// folder that no name leads out of.
type Opener interface {
	Open(name string) (*os.File, error)
	Stat(name string) (fs.FileInfo, error)
}

// Anywhere opens any file there is.
var Anywhere Opener = anywhere{}

type anywhere struct{}

func (anywhere) Open(name string) (*os.File, error)    { return os.Open(name) }
func (anywhere) Stat(name string) (fs.FileInfo, error) { return os.Stat(name) }

// Open opens a file of at most so many bytes.
func Open(from Opener, name string, most int64) (*os.File, error) {
	info, err := from.Stat(name) // first: to open a FIFO may take for ever
	if err == nil {
		err = check(name, info, most)
	}
	if err != nil {
		return nil, err
	}
	f, err := from.Open(name)
	if err != nil {
		return nil, err
	}
	if info, err = f.Stat(); err == nil {
		err = check(name, info, most)
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

func check(name string, info fs.FileInfo, most int64) error {
	switch {
	case info.IsDir():
		return fmt.Errorf("%s is a folder, and a file belongs here", name)
	case !info.Mode().IsRegular():
		return fmt.Errorf("%s is a device, a pipe or a socket, and a file belongs here", name)
	case info.Size() > most:
		return fmt.Errorf("%s has %d bytes, and at most %d are read", name, info.Size(), most)
	}
	return nil
}

// Read reads a file of at most so many bytes.
func Read(from Opener, name string, most int64) ([]byte, error) {
	f, err := Open(from, name, most)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, most))
}
