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

// undecided are mistakes that the first run with findings names and six runs together do
// not, and why. What is mended comes off the list.
var undecided = map[string]string{
	"events-late": "a row that comes after the next event of its gauge is taken for one that is missing and one too many",
}

// Over six runs of a model host with a mistake the one name is right wherever that of the
// first run with findings is, and no run contradicts it. Each mistake has runs of its own,
// the same in every sample.
//
// Kind: self.
func TestOneNameOverRuns(t *testing.T) {
	t.Parallel()
	const runs = 6
	suites, over, alone, wrong := 0, 0, 0, map[string]int{}
	var places []int
	vs := cause.Variants()
	for n := range vs {
		places = append(places, n)
	}
	for _, n := range testenv.Sample(t, 8, places) {
		v := vs[n]
		var all []diagnosis.Run
		name := ""
		r := random.New(uint64(n))
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
		d := diagnosis.Of(all)
		said := "none"
		if len(d.Named) > 0 {
			said = d.Named[0].Title()
		}
		byAll := len(d.Named) == 1 && said == v.Name()
		if byAll {
			over++
		} else {
			wrong[v.Name()+" as "+said]++
		}
		if name == v.Name() {
			alone++
			if why := undecided[v.Name()]; byAll != (why == "") {
				t.Errorf("%s: named %s over all runs; noted for it: %q", v.Name(), said, why)
			}
		}
		for _, n := range d.Named {
			for _, one := range all {
				if one.Weigh(n.Candidate).Against {
					t.Errorf("%s: run %s contradicts %s", v.Name(), one.Name, n.Title())
				}
			}
		}
	}
	t.Logf("right in %d of %d suites, by the first run in %d; %v", over, suites, alone, wrong)
}
