package replay_test

import (
	"bufio"
	"context"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/capture"
	"example.org/understudy/harness/replay"
	"example.org/understudy/sim/port"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"go.bug.st/serial"
)

// A host that does what the captured one did gets what that one got, on a pty,
// and finds the gauge under its new name after the link was lost.
//
// Kind: process.
func TestServesAHost(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	var record []capture.Event
	srv, err := replay.Open(replay.Config{
		Script: script(t, session, dialect(t, "line-ascii")), Patience: time.Minute, Ends: true,
		Port: func(sink func(port.Event)) (port.Port, error) {
			return port.OpenPTY(port.Config{Name: "pin-snap", Dir: dir}, sink)
		},
		Record: func(e capture.Event) error { record = append(record, e); return nil },
	})
	require.NoError(t, err)
	type result struct {
		replay.Counts
		error
	}
	done := make(chan result, 1)
	go func() {
		c, err := srv.Run(context.Background())
		done <- result{c, err}
	}()
	host, err := serial.Open(dir+"/pin-snap", &serial.Mode{BaudRate: 9600})
	require.NoError(t, err)
	require.NoError(t, host.SetReadTimeout(20*time.Second))
	lines := bufio.NewScanner(host)
	var got []string
	for _, word := range []string{"Q unit", "N", "N", "S1"} {
		_, err := host.Write([]byte(word + "\r\n"))
		require.NoError(t, err)
		require.True(t, lines.Scan())
		got = append(got, lines.Text())
	}
	for lines.Scan() { // until the port hangs up
		got = append(got, lines.Text())
	}
	require.NoError(t, host.Close())
	require.Empty(t, cmp.Diff([]string{"V unit=mm", "R +00006.001 mm 3 .*67", "R +00006.002 mm 3 .*64", "OK", "R +00006.003 mm 3 .*65"}, got[:5]))
	require.Contains(t, strings.Join(got, "\n"), "T0001 +00006.004")
	host, err = serial.Open(awaitPort(t, srv, dir+"/pin-snap-2"), &serial.Mode{BaudRate: 9600})
	require.NoError(t, err)
	defer host.Close()
	require.NoError(t, host.SetReadTimeout(20*time.Second))
	lines = bufio.NewScanner(host)
	require.True(t, lines.Scan())
	require.Equal(t, "R +00006.005 mm 3 .*63", lines.Text())
	r := <-done
	require.NoError(t, r.error)
	require.Equal(t, replay.Counts{Sent: 4, Answered: 4}, r.Counts)
	kinds := map[capture.Kind]int{}
	for _, e := range record {
		kinds[e.Kind]++
	}
	require.Equal(t, 1, kinds[capture.Gone])
	require.Equal(t, 1, kinds[capture.Back])
}

// awaitPort waits until the gauge has its new name.
func awaitPort(t *testing.T, srv *replay.Server, path string) string {
	for end := time.Now().Add(20 * time.Second); srv.Port().Path() != path; {
		if time.Now().After(end) {
			t.Fatalf("the port does not come back as %s; it is %s", path, srv.Port().Path())
		}
		time.Sleep(time.Millisecond)
	}
	return path
}
