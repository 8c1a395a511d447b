// Package testenv is for tests: in one place it says what a test does where the
// machine lacks a program, and how much of a long test is run.
package testenv

import (
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
)

// The variables of the environment, which are read nowhere else.
const (
	all  = "UNDERSTUDY_ALL"  // 1: every program is installed, so a skip is a failure
	long = "UNDERSTUDY_LONG" // 1: long tests run in full, not a sample of them
	seed = "UNDERSTUDY_SEED" // the random seed of the samples (default: 1)
)

// All reports whether every program is said to be installed.
func All() bool { return os.Getenv(all) == "1" }

// Missing skips a test that needs what the machine lacks. Where everything is
// said to be installed it fails the test instead.
func Missing(t testing.TB, what string) {
	t.Helper()
	if All() {
		t.Fatalf("%s, and %s=1 says that nothing is missing", what, all)
	} else {
		t.Skip(what)
	}
}

// Program returns the path of a program of a Debian package, which is Missing
// where it is not installed.
func Program(t testing.TB, name, pkg string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		Missing(t, "needs Debian's "+pkg)
	}
	return path
}

// Works runs a probe of a Debian package's program or library, which is Missing
// where the probe fails.
func Works(t testing.TB, pkg string, probe ...string) {
	t.Helper()
	if exec.Command(probe[0], probe[1:]...).Run() != nil {
		Missing(t, "needs Debian's "+pkg)
	}
}

// Python returns the first python3 on the path that has the serial library. Debian's
// package gives it to the system's own, which need not be the first.
func Python(t testing.TB) string {
	t.Helper()
	for _, dir := range filepath.SplitList(os.Getenv("PATH")) {
		program := filepath.Join(dir, "python3")
		if exec.Command(program, "-c", "import serial.rfc2217").Run() == nil {
			return program
		}
	}
	Missing(t, "needs Debian's python3-serial")
	return ""
}

// Long reports whether long tests run in full.
func Long() bool { return os.Getenv(long) == "1" }

// Count is how often a long test does what it does: full times, or as often as is
// enough for a sample.
func Count(sample, full int) int {
	if Long() {
		return full
	}
	return sample
}

// Sample returns n of what a long test goes through, in their order, or everything
// where long tests run in full.
func Sample[T any](t testing.TB, n int, from []T) []T {
	t.Helper()
	return Share(t, n, len(from), from)
}

// Share returns what a test that is too long even in full goes through: a sample,
// or the greater share where long tests run in full. The seed chooses it, and one
// seed after the other goes through everything. The test's log names the share.
func Share[T any](t testing.TB, sample, greater int, from []T) []T {
	t.Helper()
	n := Count(sample, greater)
	if n >= len(from) {
		return from
	}
	with, err := 1, error(nil)
	if text := os.Getenv(seed); text != "" {
		if with, err = strconv.Atoi(text); err != nil || with < 1 {
			t.Fatalf("%s is %q, not a whole number from 1", seed, text)
		}
	}
	t.Logf("a share of %d of %d, drawn with %s=%d", n, len(from), seed, with)
	order := rand.New(rand.NewPCG(1, 0)).Perm(len(from))
	places := make([]int, n)
	for i := range places {
		places[i] = order[((with-1)*n+i)%len(order)]
	}
	slices.Sort(places)
	out := make([]T, n)
	for i, k := range places {
		out[i] = from[k]
	}
	return out
}
