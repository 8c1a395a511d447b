//go:build linux || darwin || dragonfly || freebsd || netbsd || openbsd

package port

import (
	"time"

	"golang.org/x/sys/unix"
)

// Nap waits for about a time below a millisecond. A timer of Go's waits for more than
// one, however short it is set, while the program has nothing else to do.
func Nap(d time.Duration) {
	tv := unix.NsecToTimeval(int64(d))
	_, _ = unix.Select(0, nil, nil, nil, &tv) // woken early by a signal, it was a shorter nap
}
