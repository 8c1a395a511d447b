package judge_test

import (
	"testing"

	"example.org/understudy/harness/judge"
)

// A host that records link-back when it is started is right about it at each start, and
// one that does not too. More such rows than there are starts answer to nothing. A host that is
// started while a port is away need not know of the loss, or of the return.
//
// Kind: outside.
func TestLinkBackAtAStart(t *testing.T) {
	t.Parallel()
	const (
		one  = "tag 1 8.001\n row g A 1 8.001 mm inside\n"
		two  = "tag 2 8.002\n row g A 2 8.002 mm inside\n"
		back = " row g link-back\n"
	)
	late := func(rows string) string { return one + "ends killed\nlost\nback\n" + rows + two }
	for name, c := range map[string]struct {
		text string
		want judge.Verdict
	}{
		"at no start":         {one + "restarts\n" + two, judge.Pass},
		"at the first":        {"wait 1s\n" + back + one + "restarts\n" + two, judge.Pass},
		"at both":             {"wait 1s\n" + back + one + "restarts\n" + back + two, judge.Pass},
		"after a kill":        {one + "killed\n" + back + two, judge.Pass},
		"three at two":        {one + "restarts\n" + back + back + back + two, judge.Fail},
		"without a start":     {one + back + two + " row g link-back\n", judge.Fail},
		"the port away, none": {late(""), judge.Pass},
		"the port away, back": {late(back), judge.Pass},
		"the port away, both": {late(" row g link-lost\n" + back), judge.Pass},
		"the port away, four": {late(back + back + back + back), judge.Fail},
	} {
		w := tell(t, c.text, "right")
		if res := judge.Judge(w.spec, w.entries, w.records); res.Verdict != c.want {
			t.Errorf("%s: %s %q\n%s", name, res.Verdict, res.Reasons, describe(res.Findings))
		}
	}
}

// A gauge that refuses what a host was to write, after all before it, refuses the scenario:
// no verdict. It refuses a host that wrote something else first.
//
// Kind: outside.
func TestGaugeRefusesTheScenario(t *testing.T) {
	t.Parallel()
	const due, tag = "write set lock 2718\nwrite set factor 2\n", "tag 1 8.001\n row g A 1 8.001 mm inside\n"
	for name, c := range map[string]struct {
		text string
		want judge.Verdict
	}{
		"nothing is refused":      {"set lock 2718\nset factor 2\n", judge.Pass},
		"the factor":              {"set lock 2718\nset factor 2 out of range\n", judge.Inconclusive},
		"all":                     {"set lock 2718 no pass-code\nset factor 2 locked\n", judge.Inconclusive},
		"without the pass-code":   {"set factor 2 locked\nset lock 2718\n", judge.Fail},
		"with another one":        {"set lock 2719 wrong pass-code\nset factor 2 locked\n", judge.Fail},
		"with another before it":  {"set unit in\nset lock 2718\nset factor 2 wrong unit\n", judge.Fail},
		"and then it is accepted": {"set lock 2718\nset factor 2 out of range\nset factor 2\n", judge.Inconclusive},
	} {
		w := tell(t, due+c.text+tag, "right")
		if res := judge.Judge(w.spec, w.entries, w.records); res.Verdict != c.want {
			t.Errorf("%s: %s %q\n%s", name, res.Verdict, res.Reasons, describe(res.Findings))
		}
	}
}
