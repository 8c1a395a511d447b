//go:build linux

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// mostResident is how much memory a command may hold for an input that is meant to
// use up all there is.
const mostResident = 300 << 10 // KiB

// Inputs that are small and ask for much are refused, or cut off by the budget, in
// little memory. What each took is logged.
//
// Kind: process.
func TestInputsThatAskForMuch(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
		return path
	}
	line := func(stream, cue string) string {
		return "understudy: 1\ntitle: Much\ngauges:\n  - {name: g, dialect: line-ascii, stream: " + stream + "}\ncues:\n  - {" + cue + "}\n"
	}
	head := "understudy: 1\ntitle: Much\n"
	var keys, crowd strings.Builder
	for i := range 100_000 {
		fmt.Fprintf(&keys, "k%d: 1\n", i)
	}
	for i := range 30 {
		fmt.Fprintf(&crowd, "  - {name: g%d, dialect: line-ascii, stream: 10 kHz}\n", i)
	}
	for _, c := range []struct {
		name  string
		words string // FILE is the file
		text  string
		stdin string
		code  int
		says  string
	}{
		{"a stream without an end between readings", "lint FILE", line("1e-10 Hz", "at: 1 s, do: tag"), "", exitUsage, `FILE:4:44: "1e-10 Hz": a rate is 0.001 Hz to 1 GHz`},
		{"40,000 brackets", "lint FILE", "understudy: 1\ntitle: " + strings.Repeat("[", 40_000) + strings.Repeat("]", 40_000) + "\n", "", exitUsage, "FILE:2:108: nested more than 100 deep"},
		{"40,000 braces", "lint FILE", head + "gauges: " + strings.Repeat("{a: ", 40_000) + "1" + strings.Repeat("}", 40_000) + "\n", "", exitUsage, "nested more than 100 deep"},
		{"100,000 unknown keys", "lint FILE", head + keys.String(), "", exitUsage, "FILE:4001:1: this mapping has more than 4000 keys"},
		{"a title of 3 MB", "lint FILE", "understudy: 1\ntitle: '" + strings.Repeat("x", 3<<20) + "'\n", "", exitUsage, "FILE:"},
		{"a name of 60,000 bytes", "lint FILE", strings.Replace(line("none", "at: 1 s, do: tag"), "line-ascii", strings.Repeat("x", 60_000), 1), "", exitUsage, "FILE:4:24: the name of a file has at most 1024 bytes"},
		{"ten hours", "explain FILE --events 20000", line("20 Hz", "at: 10 h, do: tag"), "", exitUndecided, "more than 20000 events happen in it (--events)"},
		{"a hundred hours", "plot FILE --events 20000 -o DIR/p.svg", line("20 Hz", "at: 100 h, do: tag"), "", exitUndecided, "more than 20000 events happen in it (--events)"},
		{"10^18 ns", "explain FILE", line("20 Hz", "at: 1000000000 s, do: tag"), "", exitUsage, "FILE:6:6: 1000000000 s is after the end of the longest timeline"},
		{"30 gauges at 10 kHz", "explain FILE --events 20000", head + "gauges:\n" + crowd.String() + "cues:\n  - {at: 60 s, do: tag}\n", "", exitUndecided, "more than 20000 events happen in it (--events)"},
		{"an act 100,000 times", "explain FILE --events 20000", line("none", "at: 1 s, do: tag, times: 100000"), "", exitUndecided, "more than 20000 events happen in it (--events)"},
		{"1 MB without a frame", "dialect try line-ascii", "", strings.Repeat("A", 1<<20), exitFinding, "no frame"},
		{"1 MB of line ends", "dialect try line-ascii", "", strings.Repeat("\r\n", 1<<19), exitFinding, "no frame"},
		{"a host that floods", "check FILE --ledger 2 --pace real -r DIR/runs -- sh -c 'exec cat /dev/zero >{port}'", line("20 Hz", "at: 30 s, do: tag"), "", exitUndecided, "its ledger is larger than 2 MiB (--ledger)"},
	} {
		t.Run(c.name, func(t *testing.T) {
			name := file("much.yaml", c.text)
			words, command, _ := strings.Cut(c.words, " sh -c ")
			args := strings.Fields(strings.NewReplacer("FILE", name, "DIR", dir).Replace(words))
			if command != "" {
				args = append(args, "sh", "-c", strings.Trim(command, "'"))
			}
			ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
			defer cancel()
			cmd := exec.CommandContext(ctx, "understudy", args...)
			cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGTERM) }
			cmd.WaitDelay = 10 * time.Second
			var printed bytes.Buffer
			cmd.Stdin, cmd.Stdout, cmd.Stderr = strings.NewReader(c.stdin), &printed, &printed
			began := time.Now()
			if err := cmd.Run(); err != nil {
				require.ErrorAs(t, err, new(*exec.ExitError), "%v", err)
			}
			require.False(t, errors.Is(ctx.Err(), context.DeadlineExceeded), "it has not ended")
			used, ok := cmd.ProcessState.SysUsage().(*syscall.Rusage)
			require.True(t, ok)
			t.Logf("%.2f s, %d MiB", time.Since(began).Seconds(), used.Maxrss>>10)
			require.Equal(t, c.code, cmd.ProcessState.ExitCode(), "%.2000s", printed.String())
			require.Contains(t, printed.String(), strings.ReplaceAll(c.says, "FILE", name))
			if !raced {
				require.Less(t, used.Maxrss, int64(mostResident))
			}
		})
	}
}
