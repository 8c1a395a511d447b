package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/library"

	"example.org/understudy/harness/explore"
	"github.com/stretchr/testify/require"
)

// explored runs understudy explore and returns its exit code and what it printed.
func explored(t *testing.T, args ...string) (code int, out, errs string) {
	var stdout, stderr bytes.Buffer
	code = run(context.Background(), append([]string{"explore"}, args...), strings.NewReader(""), &stdout, &stderr)
	return code, stdout.String(), stderr.String()
}

// Kind: process.
func TestExploreFindsNothingInTheCorrectHost(t *testing.T) {
	t.Parallel()
	code, out, errs := explored(t, "--runs", "60", "--budget", "0s", "--combinations")
	require.Equal(t, exitPass, code, "%s%s", out, errs)
	require.Contains(t, out, "60 scenarios in ")
	require.Contains(t, out, "nothing was found")
	require.Contains(t, out, "impossible: dialect=line-ascii, channels=2 (the dialect carries one channel)")
	require.Contains(t, out, "not run: ")
}

// What is saved is found again by the check of the folder that holds it.
//
// Kind: process.
func TestExploreSavesEachCauseOnce(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "kept")
	code, out, errs := explored(t, "--defect", "strict-limits", "--until-found", "--runs", "300", "--budget", "0s", "--save", dir)
	require.Equal(t, exitFinding, code, "%s%s", out, errs)
	file := filepath.Join(dir, "strict-limits.yaml")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Contains(t, string(text), "# Found by exploring with seed 1, in run ")
	require.Contains(t, string(text), "title: Shows strict-limits\n")
	names, err := expand([]string{dir})
	require.NoError(t, err)
	require.Equal(t, []string{file}, names)
	_, err = library.Load(file)
	require.NoError(t, err)

	require.NoError(t, os.WriteFile(file, []byte("mine"), 0o644))
	code, out, _ = explored(t, "--defect", "strict-limits", "--until-found", "--runs", "300", "--budget", "0s", "--save", dir)
	require.Equal(t, exitFinding, code)
	require.Contains(t, out, "is there already and stays")
	text, err = os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, "mine", string(text))
}

// reported runs understudy report.
func reported(args ...string) (code int, out, errs string) {
	var stdout, stderr bytes.Buffer
	code = run(context.Background(), append([]string{"report"}, args...), strings.NewReader(""), &stdout, &stderr)
	return code, stdout.String(), stderr.String()
}

// Shards that report puts together are one exploration, to the last digit but
// for real times.
//
// Kind: process.
func TestExploreShardsMerge(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := func(name string) string { return filepath.Join(dir, name) }
	shards := filepath.Join(dir, "shards")
	require.NoError(t, os.Mkdir(shards, 0o755))
	for _, k := range []string{"1", "2", "3"} {
		code, out, errs := explored(t, "--defect", "unit-label", "--runs", "8", "--budget", "0s", "--shard", k+"/3", "--results", filepath.Join(shards, k+".jsonl"))
		require.Equal(t, exitFinding, code, "%s%s", out, errs)
	}
	code, out, errs := explored(t, "--defect", "unit-label", "--runs", "24", "--budget", "0s", "--results", file("whole.jsonl"))
	require.Equal(t, exitFinding, code, "%s%s", out, errs)

	code, merged, errs := reported(shards, "--json", file("merged.jsonl"), "--html", file("merged.html"))
	require.Equal(t, exitFinding, code, "%s%s", merged, errs)
	require.Contains(t, merged, "Found: 3 results of an exploration.\n")
	require.Contains(t, merged, "24 scenarios against reference unit-label, seed 1: ")
	require.Contains(t, merged, "FOUND C107 unit-label in run 1: ")
	code, whole, errs := reported(file("whole.jsonl"), "--html", file("whole.html"))
	require.Equal(t, exitFinding, code, "%s%s", whole, errs)
	cut := func(s string) string { return s[strings.Index(s, "\n"):] } // the line that says what was found
	require.Equal(t, cut(whole), cut(merged))
	took := regexp.MustCompile(`,"took-ms":\d+`)
	read := func(name string) string {
		b, err := os.ReadFile(file(name))
		require.NoError(t, err)
		return took.ReplaceAllString(string(b), "")
	}
	require.Equal(t, read("whole.jsonl"), read("merged.jsonl"))
	require.Equal(t, read("whole.html"), read("merged.html"))
	require.Contains(t, read("whole.html"), "1 cause was found")

	one, two := filepath.Join(shards, "1.jsonl"), filepath.Join(shards, "2.jsonl")
	code, _, errs = reported(one, two)
	require.Equal(t, exitUsage, code)
	require.Contains(t, errs, "of 3 shards these are not there: 3/3; make them with --shard 3/3 and give all of them")
	code, _, errs = reported(one, one)
	require.Equal(t, exitUsage, code)
	require.Contains(t, errs, "are both shard 1/3")
	code, out, errs = reported(file("whole.jsonl"), "--combinations")
	require.Equal(t, exitFinding, code, errs)
	require.Contains(t, out, "impossible: dialect=line-ascii, channels=2 (the dialect carries one channel)")
	require.Contains(t, out, "not run: ")
	code, _, errs = reported(file("whole.jsonl"), "--junit", file("x.xml"))
	require.Equal(t, exitUsage, code)
	require.Contains(t, errs, "--junit is for runs")
	code, _, errs = reported(file("whole.html"))
	require.Equal(t, exitUsage, code)
	require.Contains(t, errs, "is neither the folder of a finished run, nor what explore --results or rehearse --json wrote")
	code, _, errs = reported(t.TempDir())
	require.Equal(t, exitUsage, code)
	require.Contains(t, errs, "there is no finished run in")
}

// Kind: process.
func TestExploreBadUsage(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--strength", "4"}, "--strength 4: write 1, 2 or 3"},
		{[]string{"--shard", "3/2"}, `"3/2" is not a shard; write its number and how many there are, such as 2/8`},
		{[]string{"--shard", "one"}, `"one" is not a shard; write its number and how many there are, such as 2/8`},
		{[]string{"--only", "dialect"}, "--only dialect: write it FACTOR=LEVEL,..., such as --only dialect=line-ascii"},
		{[]string{"--only", "dialect=morse"}, `dialect cannot be "morse"; it is one of line-ascii, `},
		{[]string{"--budget", "0s"}, "an exploration needs a budget of time or of runs"},
		{[]string{"--defect", "no-such"}, `there is no defect "no-such"`},
		{[]string{"--host", "no-such"}, "no-such"},
	} {
		code, _, errs := explored(t, c.args...)
		require.Equal(t, exitUsage, code)
		require.Contains(t, errs, c.want)
	}
}

// A host that is a program of its own is found out just the same.
//
// Kind: process.
func TestExploreOutside(t *testing.T) {
	t.Parallel()
	code, out, errs := explored(t, "--outside", "--runs", "4", "--budget", "0s")
	require.Equal(t, exitPass, code, "%s%s", out, errs)
	code, out, errs = explored(t, "--outside", "--defect", "unit-label", "--until-found", "--no-shrink", "--runs", "10", "--budget", "0s", "--run-folder", t.TempDir())
	require.Equal(t, exitFinding, code, "%s%s", out, errs)
	require.Contains(t, out, "FOUND C107 unit-label in run 1: ")
	require.Contains(t, out, "# Found by exploring with seed 1, in run 1.\n")
}

// Kind: process.
func TestProgressLine(t *testing.T) {
	t.Parallel()
	p := explore.Progress{Runs: 1, Tuples: 50, Of: 100, Causes: 1, Left: 61400 * time.Millisecond}
	require.Equal(t, "[####....] 50/100 combinations, 1 run, 1 cause, 1m1s left", progressLine(p, 80))
	require.Equal(t, "50/100 combinations, 1 run, 1 cause, 1m1s left", progressLine(p, 60))
	require.Equal(t, "50/100 combinations, 1 run, 1 c", progressLine(p, 31))
	require.Empty(t, progressLine(p, -1))
	p.Runs, p.Causes, p.Left, p.Tuples, p.Shrinking, p.Tried = 2, 0, 0, 100, "unit-label", 4
	require.Equal(t, "[####################] 100/100 combinations, 2 runs, 0 causes; try 5 at making unit-label small", progressLine(p, 200))
}

// What a host's description does not claim is not explored.
//
// Kind: process.
func TestExploreKeepsToTheClaims(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "host.yaml")
	write := func(claims string) {
		require.NoError(t, os.WriteFile(file, []byte("understudy-host: 1\nrun: [\"{self}\", refhost, --job, \"{job}\"]\nready: {says: ^ready$}\nrecords: {form: csv}\n"+claims), 0o644))
	}
	results := filepath.Join(t.TempDir(), "results.jsonl")
	write("dialects: [block-check, line-ascii, my-own]\nports: [pty]\n")
	code, out, errs := explored(t, "--host", file, "--only", "dialect=slip-binary,line-ascii", "--runs", "2", "--budget", "0s", "--results", results)
	require.Equal(t, exitPass, code, out+errs)
	text, err := os.ReadFile(results)
	require.NoError(t, err)
	require.Contains(t, string(text), `"only":{"dialect":["line-ascii"],"port":["pty"]}`)
	write("dialects: [my-own]\n")
	code, out, errs = explored(t, "--host", file, "--runs", "2", "--budget", "0s")
	require.Equal(t, exitUsage, code, out+errs)
	require.Contains(t, errs, "the host's description claims no dialect of those that are explored")
}
