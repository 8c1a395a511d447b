package check_test

import (
	"fmt"
	"net"
	"testing"

	"example.org/understudy/harness/check"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
	"github.com/stretchr/testify/require"
)

// Gauges at sockets get one port number after the other; ptys among them get none.
//
// Kind: property.
func TestListenAddresses(t *testing.T) {
	t.Parallel()
	s, err := scenario.Parse("listen.yaml", []byte(`
understudy: 1
title: Two kinds of socket
until: 1 s
gauges:
  - {name: a, dialect: line-ascii, port: tcp}
  - {name: b, dialect: line-ascii, port: rfc2217}
`), shippedDialect)
	require.NoError(t, err)
	open := func(listen string) (*check.Ports, error) {
		return check.OpenPortsAt(s, t.TempDir(), stage.NewInbox(), listen)
	}
	var ps *check.Ports
	first := 0
	for range 10 { // what is free now may be taken the next moment
		ln, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		first = ln.Addr().(*net.TCPAddr).Port
		require.NoError(t, ln.Close())
		if ps, err = open(fmt.Sprintf("127.0.0.1:%d", first)); err == nil {
			break
		}
	}
	require.NotNil(t, ps)
	require.Empty(t, ps.Warnings)
	require.Equal(t, fmt.Sprintf("127.0.0.1:%d", first), ps.Ports[0].Path())
	require.Equal(t, fmt.Sprintf("rfc2217://127.0.0.1:%d", first+1), ps.Ports[1].Path())
	require.NoError(t, ps.Close())

	ps, err = open("0.0.0.0")
	require.NoError(t, err)
	require.Len(t, ps.Warnings, 2)
	require.Contains(t, ps.Warnings[0], "other machines can reach it")
	require.NoError(t, ps.Close())

	for _, wrong := range []string{"shop-pc", "127.0.0.1:com1", "127.0.0.1:70000", "7001", ":", "127.0.0.1:-1"} {
		_, err := open(wrong)
		require.ErrorContains(t, err, "is not an address to listen on", wrong)
	}
}
