package check_test

import (
	"context"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/internal/dbserver"
	"example.org/understudy/harness/judge"
	_ "example.org/understudy/harness/records/servers"
	_ "example.org/understudy/harness/records/xlsx"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

// The example hosts, in three languages on three serial libraries, with records
// of three forms, are right about every shipped scenario they are made for.

// example reads an example's host description; its program is in folder.
func example(t *testing.T, name, folder string) *hostfile.Host {
	return exampleAs(t, filepath.Join(name, "host.yaml"), folder)
}

func exampleAs(t *testing.T, name, folder string) *hostfile.Host {
	file := filepath.Join("..", "..", "testdata", "hosts", name)
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	h, err := hostfile.Parse(file, text)
	require.NoError(t, err)
	h.Folder = folder
	return h
}

// passesClaimed plays all shipped scenarios to a host, which passes those that its
// description claims, and these are so many.
func passesClaimed(t *testing.T, h *hostfile.Host, many int) {
	var passed atomic.Int32
	t.Cleanup(func() { require.Equal(t, many, int(passed.Load())) })
	for _, name := range shippedNames(t) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := check.Check{Scenario: shipped(t, name), Host: h, Run: t.TempDir()}
			out, err := c.Do(context.Background())
			require.NoError(t, err)
			if out.Verdict == judge.Skipped {
				return // counted below
			}
			require.Equal(t, judge.Pass, out.Verdict, "%s\n%+v", out.Why, out.Findings)
			passed.Add(1)
		})
	}
}

// The host in Python is correct by every rule, in every unit, in the three
// dialects it speaks: on every shipped scenario whose gauges speak them on a
// serial port of this machine.
//
// Kind: process.
func TestExampleHostInPython(t *testing.T) {
	t.Parallel()
	python := testenv.Python(t)
	folder, err := filepath.Abs("../../testdata/hosts/python")
	require.NoError(t, err)
	h := example(t, "python", folder)
	h.Run[0] = python
	passesClaimed(t, h, 35)
}

// The same host, whose records are a worksheet that is written anew for every row: of
// one gauge, of several, over a loss and over a kill.
//
// Kind: process.
func TestExampleHostWithAWorksheet(t *testing.T) {
	t.Parallel()
	python := testenv.Python(t)
	testenv.Works(t, "python3-openpyxl", python, "-c", "import openpyxl")
	folder, err := filepath.Abs("../../testdata/hosts/python")
	require.NoError(t, err)
	h := exampleAs(t, "python/sheet.yaml", folder)
	h.Run[0] = python
	for _, name := range []string{"02-on-every-limit", "08-link-lost", "10-no-reading", "12-two-channels", "37-the-host-ends-twice"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := check.Check{Scenario: shipped(t, name), Host: h, Run: t.TempDir()}
			out, err := c.Do(t.Context())
			require.NoError(t, err)
			require.Equal(t, judge.Pass, out.Verdict, "%s\n%+v", out.Why, out.Findings)
		})
	}
}

// The same host, whose records are rows of a PostgreSQL server's table: run after run in
// one table, over a loss and a kill. A report is made again without the server.
//
// Kind: process.
func TestExampleHostWithAServer(t *testing.T) {
	t.Parallel()
	python := testenv.Python(t)
	testenv.Works(t, "python3-psycopg2", python, "-c", "import psycopg2")
	url := dbserver.Postgres(t, `create table sizes (id bigserial primary key, made timestamptz, station text, point text, no integer,
		size numeric, unit text, verdict text, what text)`)
	folder, err := filepath.Abs("../../testdata/hosts/python")
	require.NoError(t, err)
	h := exampleAs(t, "python/server.yaml", folder)
	text, err := os.ReadFile(filepath.Join(folder, "server.yaml"))
	require.NoError(t, err)
	h.Run[0], h.Run[3], h.Records.DSN = python, url, url
	for _, name := range []string{"02-on-every-limit", "08-link-lost", "10-no-reading", "37-the-host-ends-twice"} {
		c := check.Check{Scenario: shipped(t, name), Host: h, HostText: text, Run: t.TempDir()}
		out, err := c.Do(t.Context())
		require.NoError(t, err)
		require.Equal(t, judge.Pass, out.Verdict, "%s: %s\n%+v", name, out.Why, out.Findings)
		again, err := check.Reopen(t.Context(), c.Run, false)
		require.NoError(t, err)
		require.Equal(t, judge.Pass, again.Verdict, again.Why)
		require.Equal(t, out.Counts, again.Counts)
	}
	h.Records.Table, h.Records.Query = "", "select * from sizes where verdict <> 'near upper' or verdict is null order by id"
	c := check.Check{Scenario: shipped(t, "02-on-every-limit"), Host: h, Run: t.TempDir()}
	out, err := c.Do(t.Context())
	require.NoError(t, err)
	require.Equal(t, judge.Fail, out.Verdict, "rows are missing")
}

// What a host does not claim is not played to it, nor passed.
//
// Kind: process.
func TestUnclaimedIsNotPlayed(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"12-two-channels": "not played: the host does not claim the dialect multi-ascii of spindle-fixture",
		"38-at-the-line":  "not played: the host does not claim ports such as that of recess-foot, rfc2217",
	} {
		h := &hostfile.Host{Run: []string{"/nowhere/host"}, Dialects: []string{"line-ascii"}, Ports: []hostfile.Port{"pty"}}
		c := check.Check{Scenario: shipped(t, name), Host: h, Run: filepath.Join(t.TempDir(), "run")}
		out, err := c.Do(context.Background())
		require.NoError(t, err)
		r := out.Report()
		require.Equal(t, judge.Skipped, r.Result.Verdict)
		require.Equal(t, []string{want}, r.Result.Reasons)
		require.Empty(t, r.HostEnd, "it was not started")
		require.NoDirExists(t, c.Run)
	}
}

// Kind: process.
func TestExampleHostInGo(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	output(t, "go", "build", "-o", filepath.Join(dir, "jsonhost"), "../../testdata/hosts/go")
	passesClaimed(t, example(t, "go", dir), 10)
}

// Kind: process.
func TestExampleHostInC(t *testing.T) {
	t.Parallel()
	testenv.Works(t, "gcc", "cc", "--version")
	dir := t.TempDir()
	output(t, "cc", "-Wall", "-Wextra", "-Werror", "-O1", "-o", filepath.Join(dir, "csvhost"), "../../testdata/hosts/c/csvhost.c")
	passesClaimed(t, example(t, "c", dir), 10)
}

// A host that is asked what it is not made for is found out, not passed: the
// one in Go knows no inches.
//
// Kind: process.
func TestExampleHostBeyondItsClaim(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	output(t, "go", "build", "-o", filepath.Join(dir, "jsonhost"), "../../testdata/hosts/go")
	h := example(t, "go", dir)
	h.Scenarios = nil
	c := check.Check{Scenario: shipped(t, "03-inch-host"), Host: h, Run: t.TempDir()}
	out, err := c.Do(context.Background())
	require.NoError(t, err)
	require.Equal(t, judge.Fail, out.Verdict)
}
