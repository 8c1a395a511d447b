//go:build unix

package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/library"
	"github.com/creack/pty"
	"github.com/stretchr/testify/require"
)

// onTerminal runs the command on a terminal so many columns wide, presses Ctrl-C once
// what it shows holds a text, and returns all it has shown and its exit code.
func onTerminal(t *testing.T, cols uint16, until string, args ...string) (shown string, code int) {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.CommandContext(t.Context(), self)
	cmd.Args = append([]string{"understudy"}, args...)
	term, err := pty.StartWithSize(cmd, &pty.Winsize{Rows: 24, Cols: cols})
	require.NoError(t, err)
	defer term.Close()
	guard := time.AfterFunc(2*time.Minute, func() { cmd.Process.Kill() })
	defer guard.Stop()
	var all bytes.Buffer
	pressed := false
	for buf := make([]byte, 4096); ; {
		n, err := term.Read(buf)
		all.Write(buf[:n])
		if !pressed && strings.Contains(all.String(), until) {
			pressed = true
			_, err := term.WriteString("\x03")
			require.NoError(t, err)
		}
		if err != nil {
			break // the terminal is closed
		}
	}
	_ = cmd.Wait()
	require.True(t, pressed, "%q was never shown: %.500q", until, all.String())
	return all.String(), cmd.ProcessState.ExitCode()
}

// On a terminal the progress is painted on one line; Ctrl-C keeps what there is.
//
// Kind: process.
func TestExploreOnATerminal(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "kept")
	shown, code := onTerminal(t, 80, "FOUND ", "explore", "--defect", "unit-label", "--budget", "10m", "--save", dir)
	require.Equal(t, exitFinding, code, "%s", shown)
	painted := regexp.MustCompile(`\r\x1b\[K(\[[#.]{7}\] \d+/\d+ combinations, [^\r\n]*)`).FindAllStringSubmatch(shown, -1)
	require.NotEmpty(t, painted, "%q", shown)
	for _, p := range painted {
		require.Less(t, len(p[1]), 80, "a line that wraps cannot be painted over")
	}
	require.Contains(t, shown, "\r\x1b[KFOUND C107 unit-label in run ")
	require.Contains(t, shown, "found: 1 cause\r\n")
	require.NotRegexp(t, `\b1 (runs|causes|cues|gauges|scenarios)\b`, shown)

	names, err := expand([]string{dir})
	require.NoError(t, err)
	require.Len(t, names, 1)
	_, err = library.Load(names[0])
	require.NoError(t, err)
	table, err := os.ReadFile(filepath.Join(dir, combinationsFile))
	require.NoError(t, err)
	require.Contains(t, string(table), "\n\"dialect=line-ascii, channels=2\",impossible,the dialect carries one channel\n")
	require.Contains(t, string(table), ",run,\n")

	for _, more := range [][]string{nil, {"--outside"}} {
		shown, code = onTerminal(t, 60, " left", append([]string{"explore", "--budget", "10m"}, more...)...)
		require.Equal(t, exitUndecided, code, "%s", shown)
		require.Contains(t, shown, "understudy: stopped before it was done\r\n")
		require.Contains(t, shown, "nothing was found\r\n")
	}
}
