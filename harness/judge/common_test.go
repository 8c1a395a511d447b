package judge_test

import (
	"fmt"
	"testing"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/diagnosis"
	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/testenv"
)

// first is what a run by itself is put down to.
func first(res *judge.Result) (out []string) {
	for _, e := range res.Explanations {
		out = append(out, e.Cause.Name)
	}
	for _, p := range res.Patterns {
		out = append(out, p.Text)
	}
	return out
}

// Over six runs of a model host with a mistake the one name is right at least as often as
// that of the first run with findings, and no run contradicts it.
//
// Kind: self.
func TestOneNameOverRuns(t *testing.T) {
	t.Parallel()
	const runs = 6
	r := random.New(3)
	suites, over, alone, none, wrong := 0, 0, 0, 0, map[string]int{}
	for _, v := range testenv.Sample(t, 24, cause.Variants()) {
		var all []diagnosis.Run
		name := ""
		for k := range runs {
			sh := shape{gauges: 1 + r.Intn(2), channels: 1 + r.Intn(2), steps: 8 + r.Intn(12), events: r.Intn(3) > 0, streams: r.Intn(2) == 0}
			w := newWorld(r.Uint64(), sh).play(sh).mistaken(cause.Hypothesis{v})
			res := judge.Judge(w.spec, w.entries, w.records)
			c := judge.NewCase(t.Context(), w.spec, w.entries, w.records)
			if c == nil {
				continue
			}
			if own := first(&res); name == "" && len(res.Findings) > 0 {
				name = "none"
				if len(own) == 1 {
					name = own[0]
				}
			}
			all = append(all, diagnosis.Run{Name: fmt.Sprint(k), First: first(&res), Evidence: c})
		}
		if name == "" {
			continue // it shows in none
		}
		suites++
		if name == v.Name() {
			alone++
		}
		d := diagnosis.Of(all)
		switch {
		case len(d.Named) == 1 && d.Named[0].Cause.Name == v.Name():
			over++
		case len(d.Named) == 0:
			none++
			wrong[v.Name()+" as none"]++
		default:
			wrong[v.Name()+" as "+d.Named[0].Title()]++
		}
		for _, n := range d.Named {
			for _, one := range all {
				if one.Weigh(n.Candidate).Against {
					t.Errorf("%s: run %s contradicts %s", v.Name(), one.Name, n.Title())
				}
			}
		}
	}
	t.Logf("right in %d of %d suites, none in %d; by the first run %d; %v", over, suites, none, alone, wrong)
	if over < alone {
		t.Errorf("right in %d of %d suites, and by the first run in %d: %v", over, suites, alone, wrong)
	}
}
