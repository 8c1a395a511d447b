//go:build !(linux || darwin || dragonfly || freebsd || netbsd || openbsd)

package port

import "time"

// Nap waits for about a time below a millisecond, or somewhat longer here.
func Nap(d time.Duration) { time.Sleep(d) }
