//go:build !linux

package port

import "net"

// unreadBy is how many of the bytes written to a connection its far side has not read:
// not known here.
func unreadBy(net.Conn, int64) (n int, known bool) { return 0, false }

// receivedBy is how many bytes have come to a connection from its far side: not known
// here.
func receivedBy(net.Conn) (n int64, known bool) { return 0, false }
