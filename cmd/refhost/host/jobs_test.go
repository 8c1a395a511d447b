//go:build linux

package host

import (
	"bufio"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Jobs are done one after the other, each with its own records.
//
// Kind: process.
func TestJobs(t *testing.T) {
	t.Parallel()
	in, tell := io.Pipe()
	heard, out := io.Pipe()
	code := make(chan int, 1)
	go func() {
		code <- run(t.Context(), []string{"--jobs"}, in, out, io.Discard)
		out.Close()
	}()
	lines := bufio.NewScanner(heard)
	say := func(line, answer string) {
		_, err := io.WriteString(tell, line+"\n")
		require.NoError(t, err)
		require.True(t, lines.Scan())
		require.Equal(t, answer, lines.Text())
	}
	for _, value := range []string{"8.000", "8.001"} {
		dir := t.TempDir()
		g := newFakeGauge(t, lineASCII, filepath.Join(dir, "bore-1"))
		say("job "+writeJob(t, dir, "tagged", map[string]any{"port": g.path}), "ready")
		g.send(g.frame(said{tag: 1, values: []string{value}}))
		say("end", "ended")
		rows, err := os.ReadFile(filepath.Join(dir, "records.csv"))
		require.NoError(t, err)
		require.Contains(t, string(rows), ",1,"+value+",mm,inside,reading")
	}
	tell.Close()
	require.Equal(t, exitDone, <-code)
}

// Kind: process.
func TestJobsBadUsage(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		"end\n":         `"end" is not what comes next; write job FILE, then end, and so on`,
		"hello\n":       `"hello" is not what comes next`,
		"job nowhere\n": "nowhere: no such file",
	} {
		var errs strings.Builder
		from, tell := io.Pipe() // which stays open
		go io.WriteString(tell, in)
		require.Equal(t, exitBadCall, run(t.Context(), []string{"--jobs"}, from, io.Discard, &errs), in)
		require.Contains(t, errs.String(), want)
		tell.Close()
	}
	var errs strings.Builder
	require.Equal(t, exitBadCall, run(t.Context(), []string{"--jobs", "--job", "x"}, nil, io.Discard, &errs))
	require.Contains(t, errs.String(), "it is called as refhost --job FILE")
}
