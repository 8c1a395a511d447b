package explore_test

import (
	"cmp"
	"flag"
	"slices"
	"sync"
	"testing"

	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/scenario/generate"
	"example.org/understudy/scenario/generate/cover"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

// generated are the rows of a covering array and so many random scenarios.
func generated(t testing.TB, random int) (all []func() *scenario.Scenario) {
	p := generate.Plan(2, 1)
	a, err := cover.Make(p)
	require.NoError(t, err)
	var files []*scenario.File
	for i, row := range a.Rows {
		files = append(files, generate.FromRow(&p, row, uint64(i)))
	}
	for seed := range uint64(random) {
		files = append(files, generate.Random(seed))
	}
	for _, f := range files {
		all = append(all, sync.OnceValue(func() *scenario.Scenario { // few are needed where few defects are tried
			s, err := scenario.Parse("generated", scenario.Marshal(f, ""), dialect)
			require.NoError(t, err)
			return s
		}))
	}
	return all
}

// named counts what the judge says of a mistake, over scenarios that show it.
type named struct {
	shown int
	right int // the mistake is the first cause, and nothing is left unexplained
	rival int // it is named as the rival of a cause that explains as much
	wrong int // another cause is named, whatever else is
	// nothing wrong is named, but not all is explained
	unexplained int
	as          map[string]int // the causes that were named wrongly
}

func (n *named) add(name string, r *judge.Result) {
	n.shown++
	is := func(e judge.Explanation) bool {
		return e.Cause.Name == name || slices.ContainsFunc(e.Rivals, func(r judge.Rival) bool { return r.Name == name })
	}
	other := slices.IndexFunc(r.Explanations, func(e judge.Explanation) bool { return !is(e) })
	switch {
	case other >= 0:
		n.wrong++
		if n.as == nil {
			n.as = map[string]int{}
		}
		n.as[r.Explanations[other].Cause.Name]++
	case len(r.Explanations) == 0 || r.Unexplained > 0:
		n.unexplained++
	case r.Explanations[0].Cause.Name == name:
		n.right++
	default:
		n.rival++
	}
}

var correct = flag.Int("correct", 0, "TestOracle: play so many scenarios to the correct host")

// TestOracle holds the harness's judgement to what is known of the reference
// host: it passes all when it is correct, and each mistake is named by its own
// name in some scenario that was not written for it.
//
// Kind: model.
func TestOracle(t *testing.T) {
	t.Parallel()
	n := cmp.Or(*correct, testenv.Count(20, 150))
	all := generated(t, max(250, n))
	for i, s := range all[:n] {
		r, err := refhost(t, "").Play(t.Context(), s(), "run")
		require.NoError(t, err)
		require.Equal(t, judge.Pass, r.Verdict, "the correct host, scenario %d: %v %v", i, r.Findings, r.Reasons)
		require.NotZero(t, r.Counts.Expected)
	}
	for _, pin := range []struct {
		text, defect string
		verdict      judge.Verdict
		kind         judge.Kind
	}{
		{lateNumber, "tag-window-endless", judge.Fail, judge.KindTagLost},
		{sameNumber, "", judge.Pass, ""},
		{sameNumber, "tag-window-endless", judge.Fail, judge.KindTagLost},
		{sameNumber, "unit-label", judge.Fail, judge.KindUnit},
	} {
		s, err := scenario.Parse("pinned", []byte(pin.text), dialect)
		require.NoError(t, err)
		r, err := refhost(t, pin.defect).Play(t.Context(), s, "run")
		require.NoError(t, err)
		require.Equal(t, pin.verdict, r.Verdict, "%s: %v", pin.defect, r.Findings)
		if pin.kind != "" {
			require.NotZero(t, r.Counts.ByKind[pin.kind], "%s: %v", pin.defect, r.Counts.ByKind)
		}
	}
	for _, d := range testenv.Share(t, 4, 20, within()) {
		var n named
		for _, s := range all {
			if n.shown == 4 {
				break
			}
			r, err := refhost(t, d.Name).Play(t.Context(), s(), "run")
			require.NoError(t, err)
			if r.Verdict == judge.Fail {
				n.add(d.Name, &r.Result)
			}
		}
		require.NotZero(t, n.shown, "%s never shows", d.Name)
		require.GreaterOrEqual(t, 4*(n.right+n.rival), n.shown, "%s: %+v", d.Name, n)
	}
}

// A number that comes round with the same reading after the window of 2 s is
// a new tag, which a host with an endless memory drops.
const lateNumber = `understudy: 1
title: The same number with the same reading, much later
part: {feature: rim, nominal: 5 mm}
gauges:
  - {name: g1, dialect: line-ascii, tags: {first: 1, last: 3}}
cues:
  - {at: 0 s, do: preset}
  - {at: 1 s, do: tag, times: 3, every: 100 ms}
  - {at: 6 s, do: tag}
`

// The same number within the window, but with another reading, is a new tag.
const sameNumber = `understudy: 1
title: The same number with another reading, at once
part: {feature: rim, nominal: 5 mm}
gauges:
  - {name: g1, dialect: line-ascii}
cues:
  - {at: 0 s, do: preset}
  - {at: 1 s, do: tag}
  - {at: 1200 ms, do: set, setting: tag-next, to: 1}
  - {at: 1200 ms, do: rest on, size: 5.01 mm}
  - {at: 1300 ms, do: tag}
`
