package explore_test

import (
	"encoding/json"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.org/understudy/harness/explore"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/scenario/generate"
	"example.org/understudy/scenario/generate/cover"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

// generated are the rows of a covering array and so many random scenarios.
func generated(t testing.TB, random int) (all []*scenario.Scenario) {
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
		s, err := scenario.Parse("generated", scenario.Marshal(f, ""), dialect)
		require.NoError(t, err)
		all = append(all, s)
	}
	return all
}

// TestOracle holds the harness's judgement to what is known of the reference
// host: it passes all when it is correct, and each mistake is named by its own
// name in some scenario that was not written for it.
func TestOracle(t *testing.T) {
	t.Parallel()
	all := generated(t, 250)
	for i, s := range all[:testenv.Count(40, 150)] {
		r, err := refhost(t, "").Play(t.Context(), s, "run")
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
	for _, d := range testenv.Sample(t, 16, within()) {
		named := slices.IndexFunc(all, func(s *scenario.Scenario) bool {
			r, err := refhost(t, d.Name).Play(t.Context(), s, "run")
			require.NoError(t, err)
			return r.Verdict == judge.Fail && slices.Contains(explore.Causes(&r.Result), d.Name)
		})
		require.GreaterOrEqual(t, named, 0, "%s is never named", d.Name)
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

var mutants = flag.Bool("mutants", false, "break the harness's judgement in many ways and see that TestOracle notices each; takes minutes")

// TestMutants breaks the oracle, one way at a time, in the compiler's view of
// the source, and has TestOracle notice it. That each way fits the source is seen
// without -mutants too.
func TestMutants(t *testing.T) {
	t.Parallel()
	const cause, judging, align = "cause", "judge", "align"
	for _, m := range []struct{ what, dir, old, new string }{
		{"limits strict where inclusive is stated, and the reverse", cause, "z = ch.Limits.Place(v, rule)", "rule.Strict = !rule.Strict\n\t\tz = ch.Limits.Place(v, rule)"},
		{"no guard band", cause, "z = ch.Limits.Place(v, rule)", "rule.Guard = 0\n\t\tz = ch.Limits.Place(v, rule)"},
		{"all channels judged by the first one's limits", cause, "z = ch.Limits.Place(v, rule)", "z = m.Gauges[g].Channels[0].Limits.Place(v, rule)"},
		{"the displayed value decides where unrounded is stated, and the reverse", cause, "if rule.Decide == zone.Unrounded {", "if rule.Decide != zone.Unrounded {"},
		{"truncated always", cause, "step, rounding := m.Resolution, m.Rounding", "step, rounding := m.Resolution, decimal.Truncate"},
		{"ties always to even", cause, "step, rounding := m.Resolution, m.Rounding", "step, rounding := m.Resolution, decimal.HalfEven"},
		{"ten times the resolution", cause, "step, rounding := m.Resolution, m.Rounding", "step, rounding := m.Resolution.Mul(decimal.New(1, 1)), m.Rounding"},
		{"no conversion of units", cause, "pm := v.Mul(from)", "pm := v.Mul(to)"},
		{"every tag is new", cause, "case !known, m.has(tagRepeated):", "case !known || s != nil, m.has(tagRepeated):"},
		{"a tag is old whatever it reads", cause, "case !before.r.same(r), !within && m.RealTime:", "case !within && m.RealTime:"},
		{"a tag is old however late it comes", cause, "case !before.r.same(r), !within && m.RealTime:", "case !before.r.same(r):"},
		{"streamed readings are not recorded where all are", cause, "case m.All && !m.has(streamsUnrecorded) || m.has(streamsRecorded):", "case m.has(streamsRecorded):"},
		{"a void reading is in", cause, "w.Zone = zone.Void", "w.Zone = zone.In"},
		{"settings need not be written", cause, "if m.has(settingsNotWritten) {", "if true {"},
		{"a low cell is never noted", cause, "default:\n\t\tif !gs.low || gs.cleared || m.has(lowCellRepeated) {", "default:\n\t\tif m.has(lowCellRepeated) {"},
		{"the zone is not compared", judging, "if !zoneFits(w, r) {", "if false {"},
		{"the value is not compared", judging, "if !s.sameValue(w, r) {\n\t\t\tif", "if false {\n\t\t\tif"},
		{"the unit is not compared", judging, "if !s.unitFits(w, r) {\n\t\t\t\tadd", "if false {\n\t\t\t\tadd"},
		{"the tag number is not compared", judging, "case w.Tagged && w.Tag != r.tag && w.Changed&cause.LooseTag == 0:", "case false:"},
		{"lost rows are not missed", judging, "case w.Loss == cause.Must:\n\t\t\t\tlost", "case false:\n\t\t\t\tlost"},
		{"extra rows are not noticed", judging, "for n, k := range extra {", "for n, k := range extra[:0] {"},
		{"times may run backwards", judging, "if rec.Time.Before(last[g]) {", "if false {"},
		{"channels are taken for the first", judging, "return g, c, true", "return g, 0, true"},
		{"damaged frames count as read", judging, "state, n = cause.Spoilt, 0", "state, n = cause.Sure, 0"},
		{"line settings are not looked at", judging, "f.Line = known(", "_ = known("},
		{"hang-ups may go unrecorded", judging, "j.h.Seen[o.downs[0]].State = cause.Sure", "j.h.Seen[o.downs[0]].State = cause.Perhaps"},
		{"findings do not fail a run", judging, "res.Verdict = Fail", "res.Verdict = Inconclusive"},
		{"rows are paired in order, whatever they say", align, "if a.sure(i, j) || a.joined(i, j) {", "if true || a.joined(i, j) {"},
	} {
		t.Run(m.what, func(t *testing.T) {
			file, src := the(t, m.dir, m.old)
			if !*mutants {
				return // to build the harness once for each takes minutes
			}
			dir := t.TempDir()
			broken := filepath.Join(dir, "broken.go")
			require.NoError(t, os.WriteFile(broken, []byte(strings.Replace(src, m.old, m.new, 1)), 0o644))
			overlay, err := json.Marshal(map[string]any{"Replace": map[string]string{file: broken}})
			require.NoError(t, err)
			list := filepath.Join(dir, "overlay.json")
			require.NoError(t, os.WriteFile(list, overlay, 0o644))
			cmd := exec.CommandContext(t.Context(), "go", "test", "-vet=off", "-count=1", "-overlay", list, "-run", "^TestOracle$", ".")
			cmd.Env = append(os.Environ(), "UNDERSTUDY_LONG=1")
			out, err := cmd.CombinedOutput()
			require.Error(t, err, "it was not noticed")
			require.Contains(t, string(out), "--- FAIL: TestOracle", "%s", out)
		})
	}
}

// the finds the one place of a text in a package of the harness.
func the(t *testing.T, dir, text string) (file, src string) {
	files, err := filepath.Glob(filepath.Join("..", dir, "*.go"))
	require.NoError(t, err)
	places := 0
	for _, f := range files {
		b, err := os.ReadFile(f)
		require.NoError(t, err)
		if n := strings.Count(string(b), text); n > 0 && !strings.HasSuffix(f, "_test.go") {
			places += n
			src = string(b)
			file, err = filepath.Abs(f)
			require.NoError(t, err)
		}
	}
	require.Equal(t, 1, places, "package %s has changed; mend this table", dir)
	return file, src
}
