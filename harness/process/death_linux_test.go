package process_test

import (
	"bufio"
	"context"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/process"
	"github.com/creack/pty"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// When the program that started a host is killed, the host ends too: by the kernel, and
// by the watchdog of other systems.
//
// Kind: process.
func TestHostEndsWithItsStarter(t *testing.T) {
	for _, starter := range []string{"starter", "watched starter"} {
		t.Run(starter, func(t *testing.T) {
			c := exec.Command(os.Args[0])
			c.Env = append(os.Environ(), "HOST="+starter)
			out, err := c.StdoutPipe()
			require.NoError(t, err)
			require.NoError(t, c.Start())
			line, err := bufio.NewReader(out).ReadString('\n')
			require.NoError(t, err)
			pid, err := strconv.Atoi(strings.TrimSpace(strings.TrimPrefix(line, "host ")))
			require.NoError(t, err)
			host, err := unix.PidfdOpen(pid, 0)
			require.NoError(t, err)
			defer unix.Close(host)
			require.NoError(t, c.Process.Kill())
			_ = c.Wait() // it was killed
			n, err := unix.Poll([]unix.PollFd{{Fd: int32(host), Events: unix.POLLIN}}, int(time.Minute/time.Millisecond))
			require.NoError(t, err)
			require.Equal(t, 1, n, "the host has not ended")
		})
	}
}

// A watchdog is sent away when its host has ended, and does not change how it ended.
//
// Kind: process.
func TestWatchdogIsSentAway(t *testing.T) {
	p, err := process.StartWatched(t.Context(), process.Spec{Words: []string{os.Args[0]}, Env: map[string]string{"HOST": "good"}, ReadyLine: regexp.MustCompile("^ready")})
	require.NoError(t, err)
	require.NoError(t, p.Await(t.Context(), soon))
	e := p.Stop(process.Ask{Grace: soon.Within})
	require.True(t, e.Clean(), "%+v", e)
	require.ErrorIs(t, unix.Waitid(unix.P_ALL, 0, nil, unix.WEXITED|unix.WNOHANG, nil), unix.ECHILD, "a child is left")
}

// A host is seen at work while it runs, and not while it waits.
//
// Kind: process.
func TestWorking(t *testing.T) {
	p := start(t, context.Background(), "good", nil)
	require.NoError(t, p.Await(context.Background(), soon))
	require.Eventually(t, func() bool { return !p.Working() }, time.Minute, time.Millisecond)
	p.Stop(process.Ask{Signal: "kill"})
	p = start(t, context.Background(), "busy", nil)
	require.NoError(t, p.Await(context.Background(), soon))
	for range 20 {
		require.True(t, p.Working())
	}
	p.Stop(process.Ask{Signal: "kill"})
}

// A host holds a pseudo-terminal of the run that was hung up, and not one that it has
// from whoever started it.
//
// Kind: process.
func TestHolds(t *testing.T) {
	master, slave, err := pty.Open()
	require.NoError(t, err)
	defer slave.Close()
	_, err = unix.FcntlInt(slave.Fd(), unix.F_SETFD, 0) // programs that are started get it
	require.NoError(t, err)
	p := start(t, context.Background(), "good", nil)
	defer p.Stop(process.Ask{Signal: "kill"})
	require.NoError(t, p.Await(context.Background(), soon))
	ours := map[string]bool{slave.Name(): true}
	require.False(t, p.Holds(ours))
	require.NoError(t, master.Close())
	require.True(t, p.Holds(ours))
	require.False(t, p.Holds(map[string]bool{"/dev/pts/none": true}))
}
