//go:build !(linux || darwin || dragonfly || freebsd || netbsd || openbsd)

package port

import "errors"

// ErrNoPTY is returned by OpenPTY where there are no pseudo-terminals.
var ErrNoPTY = errors.New("this system has no pseudo-terminals that a program can open as a serial port: put the gauge on tcp or rfc2217")

// Hub watches ptys; this system has none.
type Hub struct{}

// NewHub returns ErrNoPTY.
func NewHub() (*Hub, error) { return nil, ErrNoPTY }

// Close does nothing.
func (*Hub) Close() error { return nil }

// OpenPTY returns ErrNoPTY.
func OpenPTY(Config, func(Event)) (Port, error) { return nil, ErrNoPTY }
