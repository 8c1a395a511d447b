// Package mutants breaks a central rule of a package, one at a time, and has the
// package's own tests notice it. What is broken is broken in the compiler's view
// of the source only: nothing is written into the tree.
package mutants_test

import (
	"encoding/json"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var (
	many   = flag.Int("mutants", 3, "how many mutants to build and test, -1 for all of them")
	turn   = flag.Int("turn", 0, "which share of them: each turn takes the mutants after those of the turn before")
	oracle = flag.Bool("oracle", false, "take only mutants of what judges a host, and have the generated scenarios of harness/explore notice them")
)

// mutant is one rule broken: in the one place of package dir where old is
// written, new is.
type mutant struct {
	rule, old, new string
	// survives says why no test of the package can notice it.
	survives string
}

// tested is a package with its mutants.
type tested struct {
	dir string
	// run chooses those of the package's tests that are quick; empty for all.
	run     string
	mutants []mutant
}

var lists = []tested{
	{dir: "sim/zone", mutants: zones},
	{dir: "sim/decimal", mutants: decimals},
	{dir: "sim/gauge", mutants: gauges},
	{dir: "sim/power", mutants: cells},
	{dir: "sim/stage", run: "Tamper|Handshake", mutants: tampering},
	{dir: "scenario/generate/cover", mutants: covering},
	{dir: "harness/align", mutants: aligning},
	{dir: "harness/cause", mutants: causes},
	{dir: "harness/judge", run: "Named|Outside|Correct|Rule|Lost", mutants: judging},
}

const root = "../../.."

// TestMutants gives each mutant of this turn to the tests of its package.
func TestMutants(t *testing.T) {
	total, taken := 0, 0
	for _, p := range lists {
		total += len(p.mutants)
	}
	from, count := 0, total
	if *many >= 0 && *many < total {
		from, count = *turn**many%total, *many
	}
	if testing.Short() {
		count = 0
	}
	at := 0
	for _, p := range lists {
		for _, m := range p.mutants {
			// A stride that has no factor in common with the total spreads a share over the packages.
			mine := (at*stride(total)+total-from)%total < count
			at++
			t.Run(p.dir+": "+m.rule, func(t *testing.T) {
				file, src := the(t, filepath.Join(root, p.dir), m.old)
				if !mine || *oracle && !strings.HasPrefix(p.dir, "harness/") {
					t.Skip("not in this share; see -mutants and -turn")
				}
				t.Parallel()
				taken++
				killed, out := test(t, p, file, strings.Replace(src, m.old, m.new, 1))
				switch {
				case killed && m.survives != "":
					t.Errorf("it is noticed now; take the reason out of the list: %s", m.survives)
				case !killed && m.survives == "":
					t.Errorf("no test of %s noticed it\n%s", p.dir, out)
				}
			})
		}
	}
}

// stride is near the golden section of n, and has no factor in common with it.
func stride(n int) int {
	for s := n * 618 / 1000; ; s++ {
		a, b := n, s
		for b > 0 {
			a, b = b, a%b
		}
		if a == 1 {
			return s
		}
	}
}

// test builds the tests of a package with one file replaced and reports whether
// one of them fails.
func test(t *testing.T, p tested, file, src string) (failed bool, out string) {
	dir := t.TempDir()
	broken := filepath.Join(dir, "broken.go")
	require.NoError(t, os.WriteFile(broken, []byte(src), 0o644))
	overlay, err := json.Marshal(map[string]any{"Replace": map[string]string{file: broken}})
	require.NoError(t, err)
	list := filepath.Join(dir, "overlay.json")
	require.NoError(t, os.WriteFile(list, overlay, 0o644))
	pkg, run := p.dir, p.run
	if *oracle {
		pkg, run = "harness/explore", "^TestOracle$"
	}
	args := []string{"test", "-vet=off", "-short", "-failfast", "-timeout=120s", "-overlay", list, "-run", run, "./" + pkg}
	cmd := exec.CommandContext(t.Context(), "go", args...)
	cmd.Dir = root
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

// the finds the one place of a text in the source of a package.
func the(t *testing.T, dir, text string) (file, src string) {
	files, err := filepath.Glob(filepath.Join(dir, "*.go"))
	require.NoError(t, err)
	places := 0
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") {
			continue
		}
		b, err := os.ReadFile(f)
		require.NoError(t, err)
		if n := strings.Count(string(b), text); n > 0 {
			places += n
			src = string(b)
			file, err = filepath.Abs(f)
			require.NoError(t, err)
		}
	}
	if places != 1 {
		t.Fatalf("the text is in %d places of %s, not in one: write the mutant anew for the source as it is now, or take it out\n%s", places, dir, text)
	}
	return file, src
}
