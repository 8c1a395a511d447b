package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The four exit codes, as the README has them.
//
// Kind: process.
func TestExitCodes(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write := func(name, text string) string {
		file := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
		return file
	}
	idle := write("idle.yaml", "understudy-host: 1\nrun: [sleep, \"60\"]\nready: {opened: true, within: 200 ms}\nrecords: {form: csv}\n")
	some := write("some.yaml", "understudy-host: 1\nrun: [\"{self}\", refhost, --job, \"{job}\"]\nready: {says: \"^ready$\"}\nscenarios: [in-the-middle]\nrecords: {form: csv}\n")
	bad := write("bad.yaml", "understudy: 1\ntitle: t\ngauges: [{name: g, dialect: line-ascii, resolutoin: 0.001 mm}]\n")
	for _, k := range []struct {
		args string
		code int
		says string
	}{
		{"check in-the-middle", exitPass, "1 pass"},
		{"check in-the-middle --defect datum-twice -r " + filepath.Join(dir, "a"), exitFinding, "datum-twice"},
		{"check in-the-middle on-every-limit --defect strict-limits -r " + filepath.Join(dir, "b"), exitFinding, "1 fail"},
		{"check in-the-middle -r " + filepath.Join(dir, "c") + " --host " + idle, exitUndecided, "did not open the ports"},
		{"check in-the-middle tag-burst --host " + some, exitPass, "2 scenarios: 1 pass, 1 skipped"},
		{"check tag-burst --host " + some, exitUndecided, "nothing was judged"},
		{"check in-the-middle --defect datum-twcie", exitUsage, `did you mean "datum-twice"?`},
		{"check in-the-middle -- ./no-such-host {port}", exitUsage, "no-such-host"},
		{"check in-the-midle", exitUsage, "did you mean"},
		{"check " + bad, exitUsage, `bad.yaml:3:41: unknown key "resolutoin"; did you mean "resolution"?`},
		{"lint " + bad, exitUsage, `bad.yaml:3:41: unknown key "resolutoin"; did you mean "resolution"?`},
		{"check --pace fast in-the-middle", exitUsage, "pace"},
		{"frobnicate", exitUsage, "understudy --help"},
	} {
		t.Run(k.args, func(t *testing.T) {
			var out bytes.Buffer
			code := run(context.Background(), strings.Fields(k.args), strings.NewReader(""), &out, &out)
			require.Equal(t, k.code, code, out.String())
			require.Contains(t, out.String(), k.says)
		})
	}
}
