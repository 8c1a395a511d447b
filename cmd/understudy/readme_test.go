package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"regexp"
	"strings"
	"testing"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"
)

// The test program stands in for the commands: as understudy in the scripts,
// and as the reference host that a check starts.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == "refhost" {
		os.Exit(host.Main(os.Args[2:], os.Stdin, os.Stdout, os.Stderr))
	}
	testscript.Main(m, map[string]func(){"understudy": main})
}

// The command scripts of testdata/script.
//
// Kind: process.
func TestScripts(t *testing.T) {
	t.Parallel()
	testscript.Run(t, testscript.Params{Dir: "testdata/script"})
}

var (
	consoleBlock = regexp.MustCompile("(?s)```console\n(.*?)```")
	yamlBlock    = regexp.MustCompile("(?s)```yaml\n(.*?)```")
	words        = regexp.MustCompile(`"[^"]*"|\S+`)
)

// Every console example in the documents is run and gives what stands there.
// A line "..." stands for any lines; "[1]" at the end is the exit code.
//
// Kind: process.
func TestDocumentExamples(t *testing.T) {
	t.Parallel()
	for _, doc := range []string{"../../README.md", "../../DEVELOPERS.md", "../../harness/hostfile/README.md", "../../sim/port/README.md"} {
		text, err := os.ReadFile(doc)
		require.NoError(t, err)
		for _, m := range consoleBlock.FindAllSubmatch(text, -1) {
			command, want, _ := strings.Cut(string(m[1]), "\n")
			command = strings.TrimPrefix(command, "$ understudy ")
			t.Run(command, func(t *testing.T) {
				t.Parallel()
				var args []string
				for _, w := range words.FindAllString(command, -1) {
					args = append(args, strings.Trim(w, `"`))
				}
				code := 0
				if i := strings.LastIndex(want, "\n["); i >= 0 {
					_, err := fmt.Sscanf(want[i+1:], "[%d]", &code)
					require.NoError(t, err)
					want = want[:i+1]
				}
				var out bytes.Buffer
				require.Equal(t, code, run(context.Background(), args, io.MultiReader(), &out, &out), out.String())
				if !matches(want, out.String()) {
					t.Error(cmp.Diff(want, out.String()))
				}
			})
		}
	}
}

// The commands of a tap are those that a script runs, with a gauge on a pty for
// the device.
//
// Kind: self.
func TestDocumentTapIsRun(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	script, err := os.ReadFile("testdata/script/lines.txtar")
	require.NoError(t, err)
	_, block, found := strings.Cut(string(text), "```sh\nunderstudy tap ")
	require.True(t, found)
	block, _, _ = strings.Cut("understudy tap "+block, "```")
	lines := strings.Split(strings.TrimSpace(block), "\n")
	require.Len(t, lines, 4)
	for _, line := range lines {
		require.Contains(t, string(script), "\nexec "+strings.Replace(line, "/dev/ttyUSB0", "device/ports/hub-stand", 1), line)
	}
}

// matches compares with an example in which "..." stands for any lines.
func matches(want, got string) bool {
	parts := strings.Split("\n"+strings.TrimSpace(want)+"\n", "\n...")
	got = "\n" + strings.TrimSpace(got) + "\n"
	for i, p := range parts {
		at := strings.Index(got, p)
		if at < 0 || i == 0 && at > 0 {
			return false
		}
		got = got[at+len(p)-1:]
	}
	return strings.TrimSpace(got) == "" || strings.HasSuffix(strings.TrimSpace(want), "...")
}

// Every scenario in the documents is one, and keeps its promises.
//
// Kind: self.
func TestDocumentScenarios(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	blocks := yamlBlock.FindAllSubmatch(text, -1)
	require.NotEmpty(t, blocks)
	for _, m := range blocks {
		s, err := scenario.Parse("README.md", m[1], library.DialectsBeside("README.md"))
		require.NoError(t, err)
		require.NoError(t, paper.Expectations(t.Context(), s))
	}
}
