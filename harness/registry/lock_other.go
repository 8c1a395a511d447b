//go:build !unix

package registry

import (
	"errors"
	"os"
)

// lock goes by what the file says: it is held while the process it names is
// there. Two runs that start in the same moment are not kept apart.
func lock(f *os.File) (held bool, err error) {
	e, err := readEntry(f)
	return err == nil && e.PID != os.Getpid() && alive(e.PID), nil
}

// removeLocked closes first: an open file cannot be removed here.
func removeLocked(f *os.File) error { return errors.Join(f.Close(), os.Remove(f.Name())) }

// private trusts the place, which is the user's own on these systems.
func private(os.FileInfo) bool { return true }

func alive(pid int) bool {
	p, err := os.FindProcess(pid)
	if err != nil {
		return false
	}
	_ = p.Release()
	return true
}
