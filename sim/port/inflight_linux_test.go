package port

import (
	"net"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// What a client on this machine has not read is known to the byte, wherever it waits.
//
// Kind: process.
func TestUnreadBy(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer ln.Close()
	client, err := net.Dial("tcp", ln.Addr().String())
	require.NoError(t, err)
	defer client.Close()
	conn, err := ln.Accept()
	require.NoError(t, err)
	defer conn.Close()
	sent := int64(0)
	settled := func(want int) {
		t.Helper()
		require.Eventually(t, func() bool {
			n, known := unreadBy(conn, sent)
			return known && n == want
		}, 5*time.Second, time.Millisecond)
	}
	settled(0)
	sent = 1000
	_, err = conn.Write(make([]byte, 1000))
	require.NoError(t, err)
	n, known := unreadBy(conn, sent)
	require.True(t, known)
	require.GreaterOrEqual(t, n, 1000, "never fewer than wait")
	settled(1000)
	_, err = client.Read(make([]byte, 300))
	require.NoError(t, err)
	settled(700)
}

func BenchmarkUnreadBy(b *testing.B) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(b, err)
	defer ln.Close()
	client, err := net.Dial("tcp", ln.Addr().String())
	require.NoError(b, err)
	defer client.Close()
	conn, err := ln.Accept()
	require.NoError(b, err)
	defer conn.Close()
	for b.Loop() {
		unreadBy(conn, 0)
	}
}

func BenchmarkNap(b *testing.B) {
	for b.Loop() {
		Nap(20 * time.Microsecond)
	}
}
