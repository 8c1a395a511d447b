//go:build unix

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// command carries a command line out.
func command(ctx context.Context, args ...string) (code int, printed string) {
	var out bytes.Buffer
	code = run(ctx, args, strings.NewReader(""), &out, &out)
	return code, out.String()
}

func timeline(t *testing.T, gauges int, stream, cues string) string {
	var b strings.Builder
	b.WriteString("understudy: 1\ntitle: Budget\ngauges:\n")
	for i := range gauges {
		fmt.Fprintf(&b, "  - {name: g%d, dialect: line-ascii, stream: %s}\n", i, stream)
	}
	b.WriteString("cues:\n" + cues)
	file := filepath.Join(t.TempDir(), "budget.yaml")
	require.NoError(t, os.WriteFile(file, []byte(b.String()), 0o644))
	return file
}

// A timeline that takes too long on paper is cut off, and what is known is told.
//
// Kind: process.
func TestEventsOnPaper(t *testing.T) {
	t.Parallel()
	for name, file := range map[string]string{
		"hours":  timeline(t, 1, "20 Hz", "  - {at: 1000 h, do: tag}\n"),
		"crowd":  timeline(t, 30, "10 kHz", "  - {at: 60 s, do: tag}\n"),
		"slowly": timeline(t, 1, "0.001 Hz", "  - {at: 0 s, do: tag, times: 100000}\n"),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			code, printed := command(t.Context(), "explain", "--events", "5000", file)
			require.Equal(t, exitUndecided, code)
			require.Contains(t, printed, "Budget\n\n")
			require.Contains(t, printed, "and no further: more than 5000 events happen in it (--events)\n")
			picture := filepath.Join(t.TempDir(), "p.svg")
			code, printed = command(t.Context(), "plot", "--events", "5000", file, "-o", picture)
			require.Equal(t, exitUndecided, code)
			require.Contains(t, printed, "(--events)\n")
			require.FileExists(t, picture)
		})
	}
	code, printed := command(t.Context(), "explain", timeline(t, 1, "none", "  - {at: 0 s, do: tag, times: 2000}\n"))
	require.Equal(t, exitPass, code, printed)
	require.Contains(t, printed, "  tag 2000 ")
}

// What ends a command ends it at once, and the command tells what is known so far.
//
// Kind: process.
func TestStoppedOnPaper(t *testing.T) {
	t.Parallel()
	file := timeline(t, 1, "20 Hz", "  - {at: 1000 h, do: tag}\n")
	ctx, stop := context.WithCancelCause(t.Context())
	time.AfterFunc(50*time.Millisecond, func() { stop(errors.New("hangup signal received")) })
	code, printed := command(ctx, "explain", file)
	require.Equal(t, exitUndecided, code)
	require.Contains(t, printed, "and no further: hangup signal received\n")
	code, printed = command(t.Context(), "explain", "--within", "50ms", file)
	require.Equal(t, exitUndecided, code)
	require.Contains(t, printed, "and no further: it took longer than 50ms (--within)\n")
	code, printed = command(t.Context(), "explain", "--memory", "1", file)
	require.Equal(t, exitUndecided, code)
	require.Contains(t, printed, "and no further: it needs more than 1 MiB of memory (--memory)\n")
}

// A command that was asked to end reads no further, and its exit code is not that of a
// mistake in its arguments.
//
// Kind: process.
func TestStoppedWhileReading(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	code, printed := command(t.Context(), "check", "on-every-limit", "-r", filepath.Join(dir, "runs"))
	require.Equal(t, exitPass, code, printed)
	runs, err := filepath.Glob(filepath.Join(dir, "runs", "*"))
	require.NoError(t, err)
	require.Len(t, runs, 1)
	pcap := filepath.Join(dir, "c.pcapng")
	code, printed = command(t.Context(), "capture", runs[0], "-o", pcap)
	require.Equal(t, exitPass, code, printed)
	ctx, stop := context.WithCancelCause(t.Context())
	stop(errors.New("terminated signal received"))
	for _, args := range [][]string{
		{"report", runs[0]}, {"capture", runs[0], "-o", filepath.Join(dir, "d.pcapng")}, {"plot", runs[0], "-o", filepath.Join(dir, "p.svg")},
		{"scenario", "from", pcap, "--dialect", "line-ascii"}, {"replay", pcap, "-r", filepath.Join(dir, "replay")},
	} {
		code, printed := command(ctx, args...)
		require.Equal(t, exitUndecided, code, "%s: %s", args, printed)
		require.Contains(t, printed, "terminated signal received", "%s", args)
	}
	left, err := filepath.Glob(filepath.Join(dir, "*"))
	require.NoError(t, err)
	require.ElementsMatch(t, []string{filepath.Join(dir, "runs"), pcap}, left)
}

// What is no file, or far too large, is refused wherever a file is named.
//
// Kind: process.
func TestFilesThatAreNone(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	fifo, large := filepath.Join(dir, "fifo.yaml"), filepath.Join(dir, "large.yaml")
	require.NoError(t, syscall.Mkfifo(fifo, 0o600))
	require.NoError(t, os.WriteFile(large, nil, 0o644))
	require.NoError(t, os.Truncate(large, 900<<20))
	for _, words := range []string{
		"lint FILE", "explain FILE", "plot FILE", "check FILE", "play FILE -r DIR/1", "explore --host FILE", "rehearse FILE", "dialect try FILE",
		"check on-every-limit --host FILE", "report FILE", "replay FILE -r DIR/2", "host new --from FILE", "scenario from FILE --dialect line-ascii", "tap /dev/null --dialect FILE -r DIR/3",
		"play on-every-limit -r DIR/4 --load-settings guide-plug=FILE",
	} {
		for _, file := range []string{"/dev/zero", fifo, large} {
			if file == large && strings.HasPrefix(words, "host new") {
				continue // it takes a sample of it
			}
			args := strings.Fields(strings.NewReplacer("FILE", file, "DIR", dir).Replace(words))
			code, printed := command(t.Context(), args...)
			require.Equal(t, exitUsage, code, "%s: %s", args, printed)
			want := "is a device, a pipe or a socket, and a file belongs here"
			if file == large {
				want = "has 943718400 bytes, and at most "
			}
			require.Contains(t, printed, want, "%s", args)
		}
	}
}

// Titles and names from elsewhere do not command a terminal.
//
// Kind: process.
func TestOutputIsClean(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "t.yaml")
	require.NoError(t, os.WriteFile(file, []byte("understudy: 1\ntitle: \"a\\e[31mb\\ac\\x9b0m é\"\ngauges: [{name: g, dialect: line-ascii}]\n"), 0o644))
	code, printed := command(t.Context(), "explain", file)
	require.Equal(t, exitPass, code)
	require.Contains(t, printed, `a\x1b[31mb\x07c\xc2\x9b0m é`+"\n")

	var out bytes.Buffer
	w := &clean{Writer: &out}
	text := "é\r\n\t\x1b\xff€\u0085x\x7f"
	for i := range len(text) { // also in pieces
		n, err := w.Write([]byte(text[i : i+1]))
		require.NoError(t, err)
		require.Equal(t, 1, n)
	}
	require.Equal(t, `é\x0d`+"\n\t"+`\x1b\xff€\xc2\x85x\x7f`, out.String())
}

// Kind: process.
func TestHelpOfACommand(t *testing.T) {
	t.Parallel()
	code, all := command(t.Context(), "help")
	require.Equal(t, exitPass, code, all)
	require.Contains(t, all, "Usage: understudy <command>")
	code, printed := command(t.Context(), "help", "dialect", "try")
	require.Equal(t, exitPass, code, printed)
	require.True(t, strings.HasPrefix(printed, "Usage: understudy dialect try <dialect>"), printed)
	code, printed = command(t.Context(), "help", "chekc")
	require.Equal(t, exitUsage, code)
	require.Contains(t, printed, "chekc")
}

// A message quotes no more than 200 bytes of what was written on the command line.
//
// Kind: property.
func TestLongWordsAreQuotedInShort(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("x", 100_000)
	for _, words := range [][]string{{long}, {"check", long}, {"lint", long}, {"causes", long}, {"report", long}, {"explore", "--only", long + "=1"}, {"explore", "--only=port=" + long}} {
		code, printed := command(t.Context(), words...)
		require.Equal(t, exitUsage, code, "%.40q", words)
		require.Less(t, len(printed), 1000, "%.40q: %.300s", words, printed)
		require.Contains(t, printed, "xxx…xxx")
	}
}
