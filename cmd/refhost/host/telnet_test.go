package host

import (
	"bytes"
	"net"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The bytes of RFC 2217 §2 (SET-BAUDRATE 1, SET-DATASIZE 2, SET-PARITY 3 with
// EVEN 3, SET-STOPSIZE 4 with 2 bits 2; COM-PORT-OPTION 44) and of RFC 854
// (IAC 255, SB 250, SE 240, WILL 251, WONT 252, DO 253, DONT 254).
//
// Kind: outside.
func TestComPortBytes(t *testing.T) {
	t.Parallel()
	p := &comPort{settings: Wants{line: line{0xff01, 7, 'E', "2"}}.commands()}
	data, answer := p.decode([]byte{255, 253, 44})
	require.Zero(t, data)
	require.Equal(t, []byte{255, 250, 44, 1, 0, 0, 255, 255, 1, 255, 240, 255, 250, 44, 2, 7, 255, 240, 255, 250, 44, 3, 3, 255, 240, 255, 250, 44, 4, 2, 255, 240}, answer)
	b := []byte{'a', 255, 255, 255, 253, 31, 255, 251, 1, 255, 253, 0, 255, 241, 'b'}
	data, answer = p.decode(b)
	require.Equal(t, []byte{'a', 255, 'b'}, b[:data])
	require.Equal(t, []byte{255, 252, 31, 255, 254, 1}, answer, "options that are not ours are declined, ours need no answer")
	for _, sub := range [][]byte{{101, 0, 0, 255, 255, 1}, {102, 7}, {103, 3}} {
		p.decode(append(append([]byte{255, 250, 44}, sub...), 255, 240))
	}
	require.Equal(t, 3, p.set)
	require.NoError(t, p.odd)
	p.decode([]byte{255, 250, 44, 104, 1, 255, 240})
	require.ErrorContains(t, p.odd, "the server set 01 where 02 was asked (RFC 2217 command 4)")
}

// However the bytes come, the data is the same.
//
// Kind: property.
func TestComPortSplits(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		all := rapid.SliceOf(rapid.SampledFrom([]byte{0, 1, 3, 44, 'a', 240, 250, 251, 253, 255})).Draw(t, "bytes")
		whole, split := &comPort{}, &comPort{}
		once := append([]byte{}, all...)
		n, wantAnswer := whole.decode(once)
		var got, answers []byte
		for rest := append([]byte{}, all...); len(rest) > 0; {
			k := rapid.IntRange(1, len(rest)).Draw(t, "part")
			n, answer := split.decode(rest[:k])
			got, answers = append(got, rest[:n]...), append(answers, answer...)
			rest = rest[k:]
		}
		if !bytes.Equal(once[:n], got) || !bytes.Equal(wantAnswer, answers) {
			t.Fatalf("% x and % x, in parts % x and % x", once[:n], wantAnswer, got, answers)
		}
	})
}

// A server that is no COM port server is said to be none.
//
// Kind: process.
func TestComPortRefused(t *testing.T) {
	t.Parallel()
	for answer, want := range map[string]string{"\xff\xfe\x2c": "the server refuses COM port commands", "": "EOF"} {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		go func() {
			if conn, err := l.Accept(); err == nil {
				conn.Read(make([]byte, 64))
				conn.Write([]byte(answer))
				conn.Close()
			}
		}()
		_, err = dialComPort(t.Context(), "rfc2217://"+l.Addr().String(), Wants{line: line{9600, 8, 'N', "1"}}.commands())
		require.ErrorContains(t, err, want)
		l.Close()
	}
}
