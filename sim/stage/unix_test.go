//go:build unix

package stage_test

import "golang.org/x/sys/unix"

// openFlags open a serial port as hosts do: not as the controlling terminal,
// and without waiting for a carrier.
const openFlags = unix.O_NOCTTY | unix.O_NONBLOCK
