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

// A port that goes away again while a client of RFC 2217 still opens it was not open for
// the host, although it has set the line; a pty was.
//
// Kind: outside.
func TestLostWhileItIsOpened(t *testing.T) {
	t.Parallel()
	const (
		one  = "tag 1 8.001\n row g A 1 8.001 mm inside\n"
		two  = "tag 2 8.002\n row g A 2 8.002 mm inside\n"
		loss = "lost\n row g link-lost\nback\nsoon line 9600 8N1\n"
	)
	for _, c := range []struct {
		again string
		shows bool
		want  judge.Verdict
	}{
		{"soon lost\n", true, judge.Pass},
		{"soon lost\n", false, judge.Fail},
		{"wait 1s\nlost\n", true, judge.Fail},
	} {
		w := tell(t, one+loss+c.again+"back\nline 9600 8N1\n row g link-back\n"+two, "right")
		w.spec.Gauges[0].Shows = c.shows
		if res := judge.Judge(w.spec, w.entries, w.records); res.Verdict != c.want {
			t.Errorf("%s %v: %s %q\n%s", c.again, c.shows, res.Verdict, res.Reasons, describe(res.Findings))
		}
	}
}

// Of gauges that come back at each other's port, one part of a host may tell that a gauge is
// back before another tells that it was lost; of one that comes back at its own, none may.
//
// Kind: outside.
func TestBackElsewhereBeforeItsLoss(t *testing.T) {
	t.Parallel()
	const (
		begin = "gauge a\ngauge b\ntag 1 8.001\n row a A 1 8.001 mm inside\na lost\nb lost\n"
		right = " row a link-lost\n row b link-lost\n row a link-back\n row b link-back\n"
		early = " row b link-back\n row b link-lost\n row a link-lost\n row a link-back\n"
		end   = "a tag 2 8.002\n row a A 2 8.002 mm inside\nb tag 1 8.003\n row b A 1 8.003 mm inside\n"
	)
	for name, c := range map[string]struct {
		back, rows string
		want       judge.Verdict
	}{
		"in order":            {"a back b\nb back a\n", right, judge.Pass},
		"early":               {"a back b\nb back a\n", early, judge.Pass},
		"early, at its own":   {"a back\nb back\n", early, judge.Fail},
		"the loss not told":   {"a back b\nb back a\n", " row a link-lost\n row b link-back\n row a link-back\n", judge.Fail},
		"back not told":       {"a back b\nb back a\n", " row a link-lost\n row b link-lost\n row b link-back\n", judge.Fail},
		"neither of one":      {"a back b\nb back a\n", " row a link-lost\n row a link-back\n", judge.Fail},
		"early, and at drain": {"a back b\nb back a\n", early, judge.Fail},
	} {
		w := tell(t, begin+c.back+c.rows+end, "right")
		w.spec.RealTime = name != "early, and at drain"
		if res := judge.Judge(w.spec, w.entries, w.records); res.Verdict != c.want {
			t.Errorf("%s: %s %q\n%s", name, res.Verdict, res.Reasons, describe(res.Findings))
		}
	}
}
