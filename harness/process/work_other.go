//go:build !linux

package process

// Working reports whether a thread of the host runs, which cannot be seen here.
func (p *Process) Working() bool { return false }

// Holds reports whether the host holds a port that was hung up, which cannot be seen here.
func (p *Process) Holds(map[string]bool) bool { return false }
