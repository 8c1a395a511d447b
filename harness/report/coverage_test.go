package report_test

import (
	"testing"

	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/report"
)

// What several runs together could not have shown is what none of them could.
//
// Kind: property.
func TestCoverageOfRuns(t *testing.T) {
	run := func(shown, unshown, lacks []string) report.Run {
		return report.Run{Result: judge.Result{Coverage: &judge.Coverage{Shown: shown, Unshown: unshown, Lacks: lacks}}}
	}
	a := run([]string{"sign-lost"}, []string{"truncates", "void-inside"}, []string{"void reading", "second gauge"})
	b := run([]string{"truncates"}, []string{"sign-lost", "void-inside"}, []string{"void reading"})
	c := run([]string{"void-inside"}, nil, nil)
	for _, k := range []struct {
		runs []report.Run
		want string
	}{
		{[]report.Run{{}}, ""},
		{[]report.Run{a}, "this run could not have shown 2 of 3 mistakes of the catalogue: no void reading, no second gauge"},
		{[]report.Run{a, {}, b}, "these runs could not have shown 1 of 3 mistakes of the catalogue: no void reading"},
		{[]report.Run{a, b, c}, "these runs could have shown all 3 mistakes of the catalogue"},
	} {
		if got := report.CoverageLine(k.runs); got != k.want {
			t.Errorf("got %q, want %q", got, k.want)
		}
	}
	if len(a.Result.Coverage.Unshown) != 2 {
		t.Error("a run's own coverage is changed")
	}
}
