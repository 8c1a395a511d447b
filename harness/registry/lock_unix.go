//go:build unix

package registry

import (
	"errors"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// lock locks a file for as long as it is open; the system gives the lock back
// when the process ends, however it ends. held says that another has it.
func lock(f *os.File) (held bool, err error) {
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	return errors.Is(err, unix.EWOULDBLOCK), ignore(err, unix.EWOULDBLOCK)
}

func ignore(err, which error) error {
	if errors.Is(err, which) {
		return nil
	}
	return err
}

func removeLocked(f *os.File) error { return errors.Join(os.Remove(f.Name()), f.Close()) }

// private reports whether a folder is the user's and nobody else can write to it.
func private(info os.FileInfo) bool {
	s, ok := info.Sys().(*syscall.Stat_t)
	return ok && int(s.Uid) == os.Getuid() && info.Mode().Perm()&0o022 == 0
}

// alive reports whether there is a process of a number.
func alive(pid int) bool {
	err := unix.Kill(pid, 0)
	return err == nil || errors.Is(err, unix.EPERM)
}
