package steady_test

import (
	"os"
	"os/exec"
	"regexp"
	"testing"

	// Imported so that a change to them runs the test again.
	_ "example.org/understudy/harness/plot"
	_ "example.org/understudy/sim/link"
	_ "example.org/understudy/sim/motion"
	_ "example.org/understudy/sim/motion/noise"
	_ "example.org/understudy/sim/motion/stability"
	_ "example.org/understudy/sim/power"
	_ "example.org/understudy/sim/probe"
)

// The compiler fuses x*y + z where the processor can, which would change the
// last bit from one machine to another. The listing of every package that
// computes in floats is searched for such an instruction, for each processor
// that has one and is fused for by default (amd64 is not).
func TestNoFusedMultiplyAdd(t *testing.T) {
	if testing.Short() {
		t.Skip("compiles for other processors")
	}
	fused := regexp.MustCompile(`(?m)^\s+0x[0-9a-f]+ \d+ \((.*)\)\s+((?:FN?M(?:ADD|SUB|SUBD|ADDD|ADDS|SUBS)|WFM[AS](?:DB|SB)|VFN?M[AS]\S*)\b.*)$`)
	for _, arch := range []string{"arm64", "ppc64le", "riscv64", "s390x"} {
		t.Run(arch, func(t *testing.T) {
			cmd := exec.Command("go", "build", "-gcflags=-S",
				"example.org/understudy/harness/plot",
				"example.org/understudy/sim/steady",
				"example.org/understudy/sim/link",
				"example.org/understudy/sim/motion",
				"example.org/understudy/sim/motion/noise",
				"example.org/understudy/sim/motion/stability",
				"example.org/understudy/sim/power",
				"example.org/understudy/sim/probe")
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
