package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

// asUnderstudy returns a path at which the test program is the command.
func asUnderstudy(t *testing.T) string {
	self, err := os.Executable()
	require.NoError(t, err)
	program := filepath.Join(t.TempDir(), "understudy")
	require.NoError(t, os.Symlink(self, program))
	return program
}

// The tests of a host in Python pass with Debian's pytest, with the file that the
// command writes. A host that is wrong, does not claim, ends itself or cannot be
// started fails, skips or breaks its test with the reason.
//
// Kind: process.
func TestPytest(t *testing.T) {
	t.Parallel()
	python := testenv.Python(t)
	testenv.Works(t, "python3-pytest", python, "-c", "import pytest")
	program, dir := asUnderstudy(t), t.TempDir()
	require.NoError(t, os.CopyFS(dir, os.DirFS("../../testdata/clients/pytest")))
	plugin, err := exec.Command(program, "host", "pytest").Output()
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "understudy_pytest.py"), plugin, 0o644))
	pytest := func(args ...string) (string, error) {
		cmd := exec.Command(python, append([]string{"-m", "pytest", "-p", "no:cacheprovider", "-rs"}, args...)...)
		cmd.Dir, cmd.Env = dir, append(os.Environ(), "UNDERSTUDY="+program)
		out, err := cmd.CombinedOutput()
		return string(out), err
	}
	out, err := pytest()
	require.NoError(t, err, out)
	require.Contains(t, out, "2 passed")

	require.NoError(t, os.WriteFile(filepath.Join(dir, "test_wrong.py"), []byte(`
import functools
from test_host import RECORDS, host

def test_wrong(understudy):
    understudy("on-every-limit", func=functools.partial(host, near=("inside", "inside")), records=RECORDS)

def test_skipped(understudy, tmp_path):
    (tmp_path / "mine.yaml").write_text("understudy-host: 1\nrun: [sleep]\ndialects: [multi-ascii]\nrecords: {form: csv}\n")
    understudy("in-the-middle", host=tmp_path / "mine.yaml")

def test_raises(understudy):
    def broken(job, stop):
        raise KeyError("of the host")
    understudy("in-the-middle", func=broken)

def test_command(understudy):
    understudy("in-the-middle", command=["/nowhere/host", "{port}"])

def test_restarted(understudy):
    understudy("the-host-ends-twice", host="reference")
`), 0o644))
	out, err = pytest("test_wrong.py")
	require.Error(t, err)
	require.Contains(t, out, "3 failed, 1 passed, 1 skipped")
	for _, says := range []string{"explains 4 of 4 findings", "does not claim", "of the host", "/nowhere/host"} {
		require.Contains(t, out, says)
	}
}
