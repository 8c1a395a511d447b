package steady_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"

	"example.org/understudy/sim/testenv"
)

// floating are the packages that compute in floats and must give the same bits
// everywhere.
var floating = []string{"harness/plot", "harness/show", "sim/link", "sim/motion", "sim/motion/noise", "sim/power", "sim/probe", "sim/steady"}

// The compiler fuses x*y + z where the processor can, which would change the
// last bit from one machine to another. The listing of every package that
// computes in floats is searched for such an instruction, for each processor
// that has one and is fused for by default (amd64 is not).
//
// Kind: property.
func TestNoFusedMultiplyAdd(t *testing.T) {
	args := []string{"build", "-gcflags=-S"}
	for _, p := range floating {
		args = append(args, "example.org/understudy/"+p)
		// Read here so that a change to them runs the test again: the go
		// command caches results by the files a test opens.
		files, err := filepath.Glob(filepath.Join("..", "..", p, "*.go"))
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: no sources: %v", p, err)
		}
		for _, f := range files {
			if _, err := os.ReadFile(f); err != nil {
				t.Fatal(err)
			}
		}
	}
	fused := regexp.MustCompile(`(?m)^\s+0x[0-9a-f]+ \d+ \((.*)\)\s+((?:FN?M(?:ADD|SUB|SUBD|ADDD|ADDS|SUBS)|WFM[AS](?:DB|SB)|VFN?M[AS]\S*)\b.*)$`)
	for _, arch := range testenv.Sample(t, 1, []string{"arm64", "ppc64le", "riscv64", "s390x"}) {
		t.Run(arch, func(t *testing.T) {
			cmd := exec.Command("go", args...)
			cmd.Env = append(os.Environ(), "GOOS=linux", "GOARCH="+arch, "CGO_ENABLED=0")
			out, err := cmd.CombinedOutput()
			if err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			if !regexp.MustCompile(`(?m)^example\.org/understudy/sim/steady\.SinCos STEXT`).Match(out) {
				t.Fatal("the compiler printed no listing")
			}
			for _, m := range fused.FindAllSubmatch(out, -1) {
				t.Errorf("%s: %s", m[1], m[2])
			}
		})
	}
}
