package testenv_test

import (
	"fmt"
	"slices"
	"testing"

	"example.org/understudy/sim/testenv"
)

// Kind: property.
func TestSample(t *testing.T) {
	from := []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}
	draw := func(env map[string]string) []int {
		for _, name := range []string{"UNDERSTUDY_LONG", "UNDERSTUDY_SEED"} {
			t.Setenv(name, env[name])
		}
		return testenv.Sample(t, 4, from)
	}
	one := draw(nil)
	if len(one) != 4 || !slices.IsSorted(one) || len(slices.Compact(slices.Clone(one))) != 4 {
		t.Errorf("%v are not four of ten, each once and in their order", one)
	}
	if again := draw(map[string]string{"UNDERSTUDY_SEED": "1"}); !slices.Equal(one, again) {
		t.Errorf("the same seed draws %v and %v", one, again)
	}
	seen := map[int]bool{}
	for _, s := range []string{"2", "3", "4"} {
		for _, k := range draw(map[string]string{"UNDERSTUDY_SEED": s}) {
			seen[k] = true
		}
	}
	if len(seen) != len(from) {
		t.Errorf("three seeds drew only %v", seen)
	}
	if got := draw(map[string]string{"UNDERSTUDY_LONG": "1"}); !slices.Equal(got, from) {
		t.Errorf("in full: %v", got)
	}
	if got := testenv.Share(t, 2, 5, from); len(got) != 5 {
		t.Errorf("the greater share of five: %v", got)
	}
	if got := testenv.Count(2, 9); got != 9 {
		t.Errorf("in full: %d of 9", got)
	}
}

// told is a test that only keeps what it is told.
type told struct {
	testing.TB
	said []string
}

func (*told) Helper()                     {}
func (t *told) Skip(args ...any)          { t.said = append(t.said, "skipped: "+fmt.Sprint(args...)) }
func (t *told) Fatalf(f string, a ...any) { t.said = append(t.said, "failed: "+fmt.Sprintf(f, a...)) }

// Kind: property.
func TestMissing(t *testing.T) {
	for env, want := range map[string]string{
		"":  "skipped: needs Debian's no-such-package",
		"1": "failed: needs Debian's no-such-package, and UNDERSTUDY_ALL=1 says that nothing is missing",
	} {
		t.Setenv("UNDERSTUDY_ALL", env)
		var got told
		testenv.Program(&got, "no-such-program", "no-such-package")
		if !slices.Equal(got.said, []string{want}) {
			t.Errorf("UNDERSTUDY_ALL=%q: %q", env, got.said)
		}
	}
}
