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

// explored runs understudy explore and returns its exit code and what it printed.
func explored(t *testing.T, args ...string) (code int, out, errs string) {
	var stdout, stderr bytes.Buffer
	code = run(context.Background(), append([]string{"explore"}, args...), strings.NewReader(""), &stdout, &stderr)
	return code, stdout.String(), stderr.String()
}

func TestExploreFindsNothingInTheCorrectHost(t *testing.T) {
	code, out, errs := explored(t, "--runs", "60", "--budget", "0s", "--combinations")
	require.Equal(t, exitPass, code, "%s%s", out, errs)
	require.Contains(t, out, "60 scenarios in ")
	require.Contains(t, out, "nothing was found")
	require.Contains(t, out, "impossible: dialect=line-ascii, channels=2 (the dialect carries one channel)")
	require.Contains(t, out, "not run: ")
}

// What is saved is found again by the check of the folder that holds it.
func TestExploreSavesEachCauseOnce(t *testing.T) {
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
	_, err = load(file)
	require.NoError(t, err)

	require.NoError(t, os.WriteFile(file, []byte("mine"), 0o644))
	code, out, _ = explored(t, "--defect", "strict-limits", "--until-found", "--runs", "300", "--budget", "0s", "--save", dir)
	require.Equal(t, exitFinding, code)
	require.Contains(t, out, "is there already and stays")
	text, err = os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, "mine", string(text))
}

func TestExploreShardsMerge(t *testing.T) {
	dir := t.TempDir()
	var files []string
	for _, k := range []string{"1/2", "2/2"} {
		f := filepath.Join(dir, "part-"+k[:1]+".jsonl")
		files = append(files, f)
		code, out, errs := explored(t, "--runs", "50", "--budget", "0s", "--shard", k, "--results", f)
		require.Equal(t, exitPass, code, "%s%s", out, errs)
	}
	code, out, errs := explored(t, "--merge", files[0], "--merge", files[1])
	require.Equal(t, exitPass, code, "%s%s", out, errs)
	require.Contains(t, out, "100 scenarios: 100 passed, 0 failed, 0 came to no verdict\n")
	require.NotContains(t, out, "not there, or not whole")
	code, out, _ = explored(t, "--merge", files[1], "--combinations")
	require.Equal(t, exitPass, code)
	require.Contains(t, out, "not there, or not whole: the results of shards 1\n")
	require.Contains(t, out, "not run: ")
}

func TestExploreBadUsage(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--strength", "4"}, "--strength 4: write 1, 2 or 3"},
		{[]string{"--shard", "3/2"}, "--shard 3/2: write it K/N, such as 1/4 for the first of four"},
		{[]string{"--shard", "one"}, "--shard one: write it K/N, such as 1/4 for the first of four"},
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
func TestExploreOutside(t *testing.T) {
	code, out, errs := explored(t, "--outside", "--runs", "4", "--budget", "0s")
	require.Equal(t, exitPass, code, "%s%s", out, errs)
	code, out, errs = explored(t, "--outside", "--defect", "unit-label", "--until-found", "--no-shrink", "--runs", "10", "--budget", "0s", "--run-folder", t.TempDir())
	require.Equal(t, exitFinding, code, "%s%s", out, errs)
	require.Contains(t, out, "FOUND C107 unit-label in run 1: ")
	require.Contains(t, out, "# Found by exploring with seed 1, in run 1.\n")
}
