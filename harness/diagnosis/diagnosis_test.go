package diagnosis_test

import (
	"fmt"
	"slices"
	"testing"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/diagnosis"
	"example.org/understudy/harness/judge"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

// told is a run that says of each candidate what it is told to.
type told struct {
	findings int
	weights  map[string]judge.Weight
}

func (r told) Findings() int                        { return r.findings }
func (r told) Weigh(e judge.Candidate) judge.Weight { return r.weights[e.Key] }
func (r told) Candidates() (out []judge.Candidate) {
	for k := range 8 {
		key := fmt.Sprint(k)
		if w := r.weights[key]; len(w.Explains) > 0 && !w.Against {
			out = append(out, candidate(key))
		}
	}
	return out
}

func candidate(key string) judge.Candidate {
	return judge.Candidate{Key: key, Cause: cause.Cause{Name: key}, Bits: float64(key[0] - '0')}
}

func drawRun(t *rapid.T, k int) diagnosis.Run {
	r := told{findings: rapid.IntRange(0, 3).Draw(t, "findings"), weights: map[string]judge.Weight{}}
	for k := range 8 {
		w := judge.Weight{Against: rapid.IntRange(0, 3).Draw(t, "against") == 0, Slack: rapid.IntRange(0, 2).Draw(t, "slack")}
		for n := range r.findings {
			if !w.Against && rapid.IntRange(0, 2).Draw(t, "explains") > 0 {
				w.Explains = append(w.Explains, n)
			}
		}
		r.weights[fmt.Sprint(k)] = w
	}
	return diagnosis.Run{Name: fmt.Sprint(k), Evidence: r, Dialects: []string{rapid.SampledFrom([]string{"a", "b"}).Draw(t, "dialect")}}
}

// What is named explains every finding, and no run with its dialect contradicts it. One
// is named wherever one would do.
//
// Kind: property.
func TestNamesHold(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var runs []diagnosis.Run
		for k := range rapid.IntRange(1, 5).Draw(t, "runs") {
			runs = append(runs, drawRun(t, k))
		}
		d := diagnosis.Of(runs)
		holds := func(keys ...string) bool {
			for _, r := range runs {
				left := r.Findings()
				for n := range left {
					if slices.ContainsFunc(keys, func(k string) bool { return slices.Contains(r.Evidence.(told).weights[k].Explains, n) }) {
						left--
					}
				}
				against := slices.ContainsFunc(keys, func(k string) bool { return r.Evidence.(told).weights[k].Against })
				if left > 0 || against && (d.Dialect == "" || slices.Contains(r.Dialects, d.Dialect)) {
					return false
				}
			}
			return true
		}
		var keys []string
		for _, n := range d.Named {
			keys = append(keys, n.Key)
		}
		if len(keys) > 0 && !holds(keys...) {
			t.Fatalf("%v does not hold", keys)
		}
		for k := range 8 {
			if d.Failing > 0 && len(keys) != 1 && holds(fmt.Sprint(k)) {
				t.Fatalf("%d would do, and named is %v", k, keys)
			}
		}
		for _, o := range d.Or {
			if !holds(o.Key) {
				t.Fatalf("%s does not hold and is told too", o.Key)
			}
		}
	})
}

// What runs decide about each other.
//
// Kind: property.
func TestRunsDecide(t *testing.T) {
	t.Parallel()
	all := func(n int) (ks []int) {
		for k := range n {
			ks = append(ks, k)
		}
		return ks
	}
	failing := func(name string, n int, explain ...string) diagnosis.Run {
		r := told{n, map[string]judge.Weight{}}
		for _, e := range explain {
			r.weights[e] = judge.Weight{Explains: all(n)}
		}
		return diagnosis.Run{Name: name, Dialects: []string{"text"}, First: explain[:1], Evidence: r}
	}
	against := func(r diagnosis.Run, what ...string) diagnosis.Run {
		for _, e := range what {
			r.Evidence.(told).weights[e] = judge.Weight{Against: true}
		}
		return r
	}
	passing := diagnosis.Run{Name: "passing", Dialects: []string{"text"}, Evidence: told{0, map[string]judge.Weight{}}}
	ends := func(r diagnosis.Run, lost bool) diagnosis.Run {
		w := r.Evidence.(told).weights["1"]
		w.End, w.Lost = judge.Asked, lost
		r.Evidence.(told).weights["1"] = w
		return r
	}
	binary := diagnosis.Run{Name: "binary", Dialects: []string{"binary"}, Evidence: told{0, map[string]judge.Weight{"1": {Against: true}}}}
	for _, c := range []struct {
		name string
		runs []diagnosis.Run
		want string
	}{
		{"nothing was found", []diagnosis.Run{passing}, ""},
		{"what fits both, though it is first in neither", []diagnosis.Run{failing("a", 2, "1", "3"), failing("b", 1, "2", "3")}, "3"},
		{"what it is put down to goes first", []diagnosis.Run{failing("a", 2, "2", "1"), passing}, "2 or 1"},
		{"a run that passed decides", []diagnosis.Run{failing("a", 2, "1", "2"), against(failing("p", 0, "0"), "1")}, "2"},
		{"two mistakes", []diagnosis.Run{failing("a", 2, "1"), failing("b", 1, "2")}, "1, 2"},
		{"none that holds", []diagnosis.Run{failing("a", 2, "1"), against(failing("b", 1, "2"), "1")}, "alone 1 against b, alone 2"},
		{"one dialect only", []diagnosis.Run{failing("a", 2, "1"), binary}, "1 with text"},
		{"the last rows, and at another such end none", []diagnosis.Run{ends(failing("a", 2, "1"), true), ends(failing("p", 0, "0"), false)}, "alone 1"},
	} {
		if diff := cmp.Diff(c.want, words(diagnosis.Of(c.runs)), cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
	}
}

func words(d diagnosis.Diagnosis) (s string) {
	add := func(text string) {
		if s != "" {
			s += ", "
		}
		s += text
	}
	for _, n := range d.Named {
		add(n.Title())
	}
	for _, o := range d.Or {
		s += " or " + o.Title()
	}
	if d.Dialect != "" {
		s += " with " + d.Dialect
	}
	for _, a := range d.Alone {
		add("alone " + a.Title())
		if a.Against != "" {
			s += " against " + a.Against
		}
	}
	return s
}
