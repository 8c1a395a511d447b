package explore_test

import (
	"flag"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/scenario/generate"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

var (
	update  = flag.Bool("update", false, "TestConfusion: play all mistakes and raise the figures in the table")
	mistake = flag.String("mistake", "", "TestConfusion: play this mistake alone")
)

const (
	confusion = "../cause/confusion.md"
	enough    = 30   // scenarios that show a mistake
	atMost    = 6000 // that are played to find them
)

// worse says in which way a mistake is named worse than it was.
func (n named) worse(was named) string {
	switch {
	case n.shown < was.shown:
		return "is shown by fewer scenarios"
	case n.wrong > was.wrong:
		return "is taken for another one more often"
	case n.right+n.rival < was.right+was.rival:
		return "is named less often"
	case n.right < was.right:
		return "is named first less often"
	}
	return ""
}

const confusionHead = `# How the mistakes are named

Each mistake of the reference host over generated scenarios that show it, at most
%d: how often it is named first and all is explained (right), named as the rival of a
cause that explains as much (rival), taken for another one (wrong), or left wholly
or partly without a cause (unexplained).

Made by ` + "`go test ./harness/explore -run Confusion -update`" + `, which
does not let a figure get worse. The test fails where one is worse than it is here.

Not in the table is what generated scenarios do not show to the hosts in process that
play them; processes do, in the tests of harness/check:

%s
| mistake | shown | right | rival | wrong | unexplained | taken for |
|---|---:|---:|---:|---:|---:|---|
`

// readConfusion reads the table that is kept.
func readConfusion(t *testing.T) map[string]named {
	text, err := os.ReadFile(confusion)
	require.NoError(t, err)
	kept := map[string]named{}
	for line := range strings.Lines(string(text)) {
		var name string
		n := named{as: map[string]int{}}
		if _, err := fmt.Sscanf(line, "| %s | %d | %d | %d | %d | %d |", &name, &n.shown, &n.right, &n.rival, &n.wrong, &n.unexplained); err != nil {
			continue
		}
		for as := range strings.SplitSeq(strings.Split(line, "|")[7], ",") {
			other, count := "", 0
			if _, err := fmt.Sscan(as, &other, &count); err == nil {
				n.as[other] = count
			}
		}
		kept[name] = n
	}
	return kept
}

// TestConfusion plays each mistake to generated scenarios until enough have shown
// it, and holds what the judge says to the figures that are kept beside the
// causes.
//
// Kind: model.
func TestConfusion(t *testing.T) {
	t.Parallel()
	kept := readConfusion(t)
	all := numbered()
	var mu sync.Mutex
	got := map[string]named{}
	t.Run("each", func(t *testing.T) {
		share := within()
		if !*update {
			share = testenv.Share(t, 2, 10, share)
		}
		if *mistake != "" {
			share = slices.DeleteFunc(within(), func(d host.Defect) bool { return d.Name != *mistake })
			require.NotEmpty(t, share, "no mistake %q", *mistake)
		}
		for _, d := range share {
			t.Run(d.Name, func(t *testing.T) {
				t.Parallel()
				n := confusionOf(t, d, all)
				if was, ok := kept[d.Name]; !ok && !*update {
					t.Errorf("%s is not in %s", d.Name, confusion)
				} else if why := n.worse(was); ok && why != "" {
					t.Errorf("%s %s: %+v, was %+v", d.Name, why, n, was)
				}
				mu.Lock()
				defer mu.Unlock()
				got[d.Name] = n
			})
		}
	})
	t.Log("\n" + confusionTable(got))
	if maps.Copy(kept, got); *update && !t.Failed() {
		require.NoError(t, os.WriteFile(confusion, []byte(confusionTable(kept)), 0o644))
	}
}

func confusionOf(t *testing.T, d host.Defect, scenarios func(t *testing.T, i int) *scenario.Scenario) (n named) {
	runner := refhost(t, d.Name)
	for i := 0; i < atMost && n.shown < enough; i++ {
		s := scenarios(t, i)
		if s == nil {
			continue
		}
		r, err := runner.Play(t.Context(), s, "run")
		require.NoError(t, err)
		if r.Verdict == judge.Fail {
			n.add(d.Name, &r.Result)
		}
	}
	return n
}

// numbered returns the random scenarios by their number. Those with a handshake are
// left out (nil): what is repeated in them depends on how busy the machine is.
func numbered() func(t *testing.T, i int) *scenario.Scenario {
	var mu sync.Mutex
	made := map[int]*scenario.Scenario{}
	return func(t *testing.T, i int) *scenario.Scenario {
		mu.Lock()
		defer mu.Unlock()
		if s, ok := made[i]; ok {
			return s
		}
		s, err := scenario.Parse("generated", scenario.Marshal(generate.Random(uint64(i)), ""), dialect)
		require.NoError(t, err)
		for _, d := range s.Dialects {
			if d.Name() == "block-check" {
				s = nil
				break
			}
		}
		made[i] = s
		return s
	}
}

func confusionTable(got map[string]named) string {
	var b strings.Builder
	var missing strings.Builder
	for _, name := range slices.Sorted(maps.Keys(beyond)) {
		fmt.Fprintf(&missing, "- %s: %s\n", name, beyond[name])
	}
	fmt.Fprintf(&b, confusionHead, enough, missing.String())
	var sum named
	for _, d := range within() {
		n, ok := got[d.Name]
		if !ok {
			continue
		}
		var as []string
		for _, name := range slices.Sorted(maps.Keys(n.as)) {
			as = append(as, fmt.Sprintf("%s %d", name, n.as[name]))
		}
		fmt.Fprintf(&b, "| %s | %d | %d | %d | %d | %d | %s |\n", d.Name, n.shown, n.right, n.rival, n.wrong, n.unexplained, strings.Join(as, ", "))
		sum.shown, sum.right, sum.rival = sum.shown+n.shown, sum.right+n.right, sum.rival+n.rival
		sum.wrong, sum.unexplained = sum.wrong+n.wrong, sum.unexplained+n.unexplained
	}
	fmt.Fprintf(&b, "| **all** | %d | %d | %d | %d | %d | |\n", sum.shown, sum.right, sum.rival, sum.wrong, sum.unexplained)
	return b.String()
}
