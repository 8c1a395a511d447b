package check_test

import (
	"flag"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/cmd/refhost/inprocess"
	"example.org/understudy/harness/explore/inside"
	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

var allPairs = flag.Bool("pairs", false, "TestTwoDefectsAtOnce tries every pair of defects and prints those of which one is not found")

// Two mistakes at once are both found: each is named in the scenario that shows it
// alone, when the host makes the other one too. A pair counts when either mistake
// changes what the host records beside the other.
//
// Kind: process.
func TestTwoDefectsAtOnce(t *testing.T) {
	t.Parallel()
	alone := map[string]string{} // what the records of one mistake alone look like to the judge, by scenario
	var names []string
	for _, d := range host.Defects() {
		name := d.Name
		if _, ok := shows[name]; !ok || name == "quits" {
			continue
		}
		names = append(names, name)
	}
	looks := func(scenario, defects string) (judge.Result, string) {
		h, err := inprocess.Host(defects)
		require.NoError(t, err)
		r, err := inside.Do(t.Context(), shipped(t, scenario), h)
		require.NoError(t, err, "%s: %s", scenario, defects)
		var b strings.Builder
		for _, f := range r.Findings {
			fmt.Fprintln(&b, f.Kind, f.Gauge, f.Channel, f.Frame, f.Got)
		}
		return r.Result, b.String()
	}
	var pairs [][2]string
	for i, a := range names {
		for _, b := range names[i+1:] {
			pairs = append(pairs, [2]string{a, b})
		}
	}
	if !*allPairs {
		pairs = testenv.Share(t, 24, 120, pairs)
	}
	for _, p := range pairs {
		for k := range p {
			for _, s := range []string{shows[p[0]], shows[p[1]]} {
				if key := s + " " + p[k]; alone[key] == "" {
					_, l := looks(s, p[k])
					alone[key] = "!" + l
				}
			}
		}
	}
	var mu sync.Mutex
	both, hidden := 0, 0
	var missed []string
	t.Run("pairs", func(t *testing.T) {
		const lanes = 4
		for lane := range lanes {
			t.Run(fmt.Sprint(lane), func(t *testing.T) {
				t.Parallel()
				for n := lane; n < len(pairs); n += lanes {
					p := pairs[n]
					found, seen := 0, 0
					var said []string
					for k := range p {
						s := shows[p[k]]
						res, look := looks(s, p[0]+","+p[1])
						if "!"+look == alone[s+" "+p[1-k]] {
							continue // the other one hides it
						}
						seen++
						if slices.ContainsFunc(res.Explanations, func(e judge.Explanation) bool {
							return e.Cause.Name == p[k] || slices.Contains(e.Rivals, judge.Rival{Name: p[k], Same: true})
						}) {
							found++
							continue
						}
						said = append(said, s+":")
						for _, e := range res.Explanations {
							said = append(said, fmt.Sprintf("%s(%d)", e.Cause.Name, e.Explains))
						}
						said = append(said, fmt.Sprintf("and %d unexplained;", res.Unexplained))
					}
					mu.Lock()
					switch {
					case seen < 2:
						hidden++
					case found == 2:
						both++
					default:
						missed = append(missed, fmt.Sprintf("%s + %s: %s", p[0], p[1], strings.Join(said, " ")))
					}
					mu.Unlock()
				}
			})
		}
	})
	slices.Sort(missed)
	t.Logf("%d pairs: both are found in %d, one hides the other in %d, one is not named in %d (%.1f %% of those that can be told apart are found):\n%s",
		len(pairs), both, hidden, len(missed), 100*float64(both)/float64(both+len(missed)), strings.Join(missed, "\n"))
	require.GreaterOrEqual(t, 3*(both+len(missed)), len(pairs), "too few pairs show both mistakes to say anything")
	few := testenv.Count(1, 0) // one miss weighs more in a sample
	require.GreaterOrEqual(t, 10*(both+few), 9*(both+len(missed)))
}
