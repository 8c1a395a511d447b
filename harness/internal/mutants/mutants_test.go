// Package mutants breaks a central rule of a package, one at a time, and has the
// package's own tests notice it. What is broken is broken in the compiler's view
// of the source only: nothing is written into the tree.
package mutants_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

var (
	all    = flag.Bool("mutants", false, "build and test every mutant, not a sample of them")
	oracle = flag.Bool("oracle", false, "take mutants of the model host, and have the generated scenarios of harness/explore notice them")
)

// mutant is one rule broken: in the one place of package dir where old is
// written, new is.
type mutant struct {
	rule, old, new string
	// survives says why no test of the package can notice it, unseen why generated
	// scenarios cannot.
	survives, unseen string
}

// tested is a package with its mutants.
type tested struct {
	dir string
	// run chooses those of the package's tests that are quick, skip leaves out
	// those that are not; empty for all and none.
	run, skip string
	mutants   []mutant
}

var lists = []tested{
	{dir: "sim/zone", mutants: zones},
	{dir: "sim/decimal", mutants: decimals},
	{dir: "sim/gauge", mutants: gauges},
	{dir: "sim/power", mutants: cells},
	{dir: "sim/wire", skip: "PinnedBytes|ProveShipped|Schema|Lint|Samples", mutants: wires},
	{dir: "sim/stage", run: "Tamper|Handshake", mutants: tampering},
	{dir: "scenario/generate/cover", mutants: covering},
	{dir: "harness/align", mutants: aligning},
	{dir: "harness/cause", mutants: causes},
	{dir: "harness/summary", mutants: summaries},
	{dir: "harness/judge", skip: "TwoCauses|LongRun|Unknown|EveryCause|NotClaimed|Mistakes|PatternsAreFound|PlacesIn|ManyRows|OneNameOverRuns|Sentences|OneLostAmongMany", mutants: judging},
}

const root = "../../.."

// place is a mutant in its package.
type place struct {
	tested
	mutant
}

func places() (all []place) {
	for _, p := range lists {
		for _, m := range p.mutants {
			all = append(all, place{p, m})
		}
	}
	return all
}

// Every mutant has its one place in the source as it is now.
//
// Kind: self.
func TestMutantsFit(t *testing.T) {
	for _, m := range places() {
		if _, _, err := m.find(); err != nil {
			t.Errorf("%s: %s: %v", m.dir, m.rule, err)
		}
	}
}

// Each mutant, or a sample of them, is noticed by a test of its package.
//
// Kind: self.
func TestMutants(t *testing.T) {
	var noticed atomic.Int32
	from := places()
	if *oracle {
		from = slices.DeleteFunc(from, func(m place) bool { return m.dir != "harness/cause" || m.unseen != "" })
	}
	n := 3
	if *all {
		n = len(from)
	}
	if testing.Short() {
		n = 0
	}
	t.Cleanup(func() { t.Logf("%d of %d mutants noticed; the others are listed with the reason", noticed.Load(), n) })
	for _, m := range testenv.Share(t, n, n, from) {
		t.Run(m.dir+": "+m.rule, func(t *testing.T) {
			t.Parallel()
			file, src, err := m.find()
			require.NoError(t, err)
			killed, out := m.test(t, file, strings.Replace(src, m.old, m.new, 1))
			if !killed && m.survives == "" { // the few draws of a property may have missed it
				killed, out = m.test(t, file, strings.Replace(src, m.old, m.new, 1), "RAPID_CHECKS=1000")
			}
			if killed {
				noticed.Add(1)
			}
			switch {
			case killed && m.survives != "":
				t.Errorf("it is noticed now; take the reason out of the list: %s", m.survives)
			case !killed && m.survives == "":
				t.Errorf("no test of %s noticed it\n%s", m.dir, out)
			case !killed:
				t.Logf("not noticed: %s", m.survives)
			}
		})
	}
}

// test builds the tests of a package with one file replaced and reports whether
// one of them fails. Where generated scenarios have to notice it, one of what a
// mistake does meets the scenarios that show that mistake; the others meet the correct
// host and a share of the mistakes.
func (m place) test(t *testing.T, file, src string, env ...string) (failed bool, out string) {
	dir := t.TempDir()
	broken := filepath.Join(dir, "broken.go")
	require.NoError(t, os.WriteFile(broken, []byte(src), 0o644))
	overlay, err := json.Marshal(map[string]any{"Replace": map[string]string{file: broken}})
	require.NoError(t, err)
	list := filepath.Join(dir, "overlay.json")
	require.NoError(t, os.WriteFile(list, overlay, 0o644))
	pkg, run := m.dir, m.run
	if *oracle {
		pkg, run = "harness/explore", "^TestOracle$"
	}
	args := []string{"test", "-vet=off", "-short", "-failfast", "-timeout=5m", "-overlay", list, "-run", run, "-skip", m.skip, "./" + pkg}
	if name, _, _ := strings.Cut(m.rule, " "); *oracle {
		if _, ok := cause.Find(name); ok {
			args[slices.Index(args, run)] = "^TestConfusion$"
			args = append(args, "-args", "-mistake", name)
		} else {
			args = append(args, "-args", "-correct", "3000")
		}
	}
	cmd := exec.CommandContext(t.Context(), "go", args...)
	cmd.Dir = root
	long := map[bool]string{true: "UNDERSTUDY_LONG=1", false: "UNDERSTUDY_LONG=0"}[*oracle]
	// Any case that fails will do, and the same samples every day.
	cmd.Env = append(append(os.Environ(), "RAPID_SHRINKTIME=0s", "UNDERSTUDY_SEED=1", long), env...)
	b, err := cmd.CombinedOutput()
	out = string(b)
	require.NotContains(t, out, "[build failed]", "the mutant does not compile")
	require.NotContains(t, out, "no tests to run")
	if err == nil {
		return false, out
	}
	require.ErrorAs(t, err, new(*exec.ExitError))
	require.True(t, strings.Contains(out, "--- FAIL") || strings.Contains(out, "panic: "), "the tests did not run\n%s", out)
	return true, out
}

// find finds the one place of a mutant in the source of its package.
func (m place) find() (file, src string, err error) {
	dir := filepath.Join(root, m.dir)
	files, err := filepath.Glob(filepath.Join(dir, "*.go"))
	if err != nil {
		return "", "", err
	}
	times := 0
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") {
			continue
		}
		b, err := os.ReadFile(f)
		if err != nil {
			return "", "", err
		}
		if n := strings.Count(string(b), m.old); n > 0 {
			times += n
			src = string(b)
			if file, err = filepath.Abs(f); err != nil {
				return "", "", err
			}
		}
	}
	if times != 1 {
		return "", "", fmt.Errorf("its text is in the package %d times, not once: write the mutant anew for the source as it is now, or take it out\n%s", times, m.old)
	}
	return file, src, nil
}
