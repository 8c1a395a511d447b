package explore_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/cmd/refhost/inprocess"
	"example.org/understudy/harness/explore"
	"example.org/understudy/harness/explore/inside"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/paper"
	"example.org/understudy/harness/shard"
	"example.org/understudy/scenario"
	"example.org/understudy/scenario/generate"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

func dialect(name string) (string, []byte, error) {
	text, err := scenarios.Files.ReadFile("dialects/" + name + ".yaml")
	return name + ".yaml", text, err
}

func refhost(t testing.TB, defect string) explore.Inside {
	h, err := inprocess.Host(defect)
	require.NoError(t, err)
	return explore.Inside{Host: h}
}

// options are those of an exploration. To find the rows that cover every pair takes most
// of the time of a short one.
func options(t testing.TB, defect string, runs int) explore.Options {
	return explore.Options{Runner: refhost(t, defect), Dialects: dialect, Seed: 1, Runs: runs, Strength: testenv.Count(1, 2)}
}

// first is enough at the first cause.
func first(*explore.Found) bool { return true }

// A host that writes each row only when it has made the next one is found by the row that
// it loses when it is killed: it has had the time to write it.
//
// Kind: property.
func TestOneRowBehindIsFound(t *testing.T) {
	t.Parallel()
	right, err := inprocess.Host("")
	require.NoError(t, err)
	behind := func(w *inside.World) error {
		from := w.Records.Len()
		w.Go(func() {
			defer func() {
				rows := bytes.SplitAfter(w.Records.Bytes()[from:], []byte("\n"))
				if n := len(rows) - 2; !w.Over() && n > 0 { // it is killed
					w.Records.Truncate(w.Records.Len() - len(rows[n]))
				}
			}()
			w.Idle()
		})
		return right(w)
	}
	o := options(t, "", 20)
	o.Runner, o.NoShrink, o.Only = explore.Inside{Host: behind}, true, map[string][]string{"fault": {"kill"}}
	sum, err := explore.Explore(t.Context(), o)
	require.NoError(t, err)
	require.NotEmpty(t, sum.Found)
}

// The correct host is never accused. (The count is kept small here; a longer
// run is understudy explore --runs 10000 --budget 0s.)
//
// Kind: model.
func TestNothingIsFoundInTheCorrectHost(t *testing.T) {
	t.Parallel()
	runs := testenv.Count(200, 500)
	o := options(t, "", runs)
	o.Strength = 2
	sum, err := explore.Explore(t.Context(), o)
	require.NoError(t, err)
	for _, f := range sum.Found {
		t.Errorf("%s:\n%s", f.Cause, f.Text)
	}
	require.Equal(t, runs, sum.Runs)
	require.Zero(t, sum.NoVerdict, "%v", sum.Why)
	require.Equal(t, sum.Of, sum.Tuples)
	require.Equal(t, len(sum.Array.Rows), sum.Rows)
	require.NotEmpty(t, sum.Impossible)
	require.Empty(t, sum.Coverage.Open())
}

// beyond are mistakes that generated scenarios do not show in process, and why.
var beyond = map[string]string{
	"quits":            "it shows as an error of the host as a program",
	"stalls-reading":   "the timeline waits for the host",
	"reads-too-slowly": "the timeline waits for the host",
}

// within are the mistakes that generated scenarios can show in process.
func within() []host.Defect {
	return slices.DeleteFunc(host.Defects(), func(d host.Defect) bool { return beyond[d.Name] != "" })
}

// Every mistake of the reference host is found by scenarios that nobody wrote
// for it, and what is kept is small.
//
// Kind: model.
func TestEveryMistakeIsFound(t *testing.T) {
	t.Parallel()
	for _, d := range testenv.Share(t, 5, 20, within()) {
		t.Run(d.Name, func(t *testing.T) {
			t.Parallel()
			o := options(t, d.Name, 300)
			o.Strength = 2
			named := func(f *explore.Found) bool { return f.Cause == d.Name }
			o.Enough, o.NoShrink = named, true
			sum, err := explore.Explore(t.Context(), o)
			require.NoError(t, err)
			require.True(t, slices.ContainsFunc(sum.Found, named), "%s is never named: %s", d.Name, d.Meaning)
		})
	}
}

// Kind: property.
func TestFoundIsSmallAndTheSameEveryTime(t *testing.T) {
	t.Parallel()
	type small struct {
		defect       string
		cues, gauges int // at most
	}
	for _, c := range testenv.Sample(t, 2, []small{
		{"strict-limits", 4, 1}, {"tag-wrap-dropped", 5, 1}, {"stale-after-rejoin", 5, 1}, {"gauges-swapped", 4, 2}, {"void-as-zero", 4, 1}, {"writes-reversed", 4, 1},
	}) {
		t.Run(c.defect, func(t *testing.T) {
			t.Parallel()
			o := options(t, c.defect, 300)
			o.Strength, o.Enough = 2, first
			sum, err := explore.Explore(t.Context(), o)
			require.NoError(t, err)
			require.NotEmpty(t, sum.Found)
			f := sum.Found[0]
			require.True(t, f.Steady)
			require.LessOrEqual(t, len(f.Small.Cues), c.cues, "%s", f.Text)
			require.LessOrEqual(t, len(f.Small.Gauges), c.gauges, "%s", f.Text)

			// What is kept is a scenario like any other, and shows it again.
			s, err := scenario.Parse("kept", f.Text, dialect)
			require.NoError(t, err, "%s", f.Text)
			r, err := o.Runner.Play(t.Context(), s, "run")
			require.NoError(t, err)
			require.Contains(t, explore.Causes(&r.Result), f.Cause)
			require.Contains(t, string(f.Text), "# Found by exploring with seed 1, in run")
			r, err = refhost(t, "").Play(t.Context(), s, "run")
			require.NoError(t, err)
			require.Equal(t, judge.Pass, r.Verdict, "the correct host does it right: %v", r.Reasons)

			again, err := explore.Explore(t.Context(), o)
			require.NoError(t, err)
			require.Equal(t, string(f.Text), string(again.Found[0].Text))
			require.Equal(t, f.Run, again.Found[0].Run)
		})
	}
}

// results explores and reads back what was written.
func results(t *testing.T, name string, o explore.Options) *explore.Results {
	t.Helper()
	var log bytes.Buffer
	o.Log = &log
	_, err := explore.Explore(t.Context(), o)
	require.NoError(t, err)
	r, err := explore.Read(name, &log)
	require.NoError(t, err)
	return r
}

// Shards do different parts of the same work: put together, in whatever order,
// they are what one exploration writes, to the last digit but for real times.
//
// Kind: property.
func TestShards(t *testing.T) {
	t.Parallel()
	took := regexp.MustCompile(`,"took-ms":\d+`)
	text := func(r *explore.Results) string {
		var b bytes.Buffer
		require.NoError(t, r.Write(&b))
		return took.ReplaceAllString(b.String(), "")
	}
	part := func(k, n, runs int) *explore.Results {
		o := options(t, "guard-ignored", runs)
		o.Shard, o.Host = shard.Shard{K: k, N: n}, "reference"
		return results(t, fmt.Sprintf("%d.jsonl", k), o)
	}
	each := testenv.Count(6, 60)
	whole := part(1, 1, 3*each)
	merged, err := explore.Merge([]*explore.Results{part(3, 3, each), part(1, 3, each), part(2, 3, each)})
	require.NoError(t, err)
	require.Empty(t, cmp.Diff(text(whole), text(merged)))
	again, err := explore.Merge([]*explore.Results{merged})
	require.NoError(t, err)
	require.Equal(t, text(merged), text(again))

	told, err := merged.Tell()
	require.NoError(t, err)
	require.Equal(t, 3*each, told.Runs)
	require.Equal(t, told.Of, told.Tuples)
	require.Empty(t, told.Open)
	require.True(t, merged.Whole())
	require.Equal(t, told.Runs, told.Verdicts["pass"]+told.Verdicts["fail"])
	var found []string
	for _, f := range told.Found {
		found = append(found, f.Cause)
	}
	require.Contains(t, found, "guard-ignored")
}

// Sets of results that are not one exploration are refused, with what would be
// right.
//
// Kind: property.
func TestMergeRefuses(t *testing.T) {
	t.Parallel()
	part := func(name string, k, n int, change func(o *explore.Options)) *explore.Results {
		o := options(t, "", 1)
		o.Strength, o.Shard = 1, shard.Shard{K: k, N: n}
		if change != nil {
			change(&o)
		}
		return results(t, name, o)
	}
	first := part("a", 1, 2, nil)
	for _, c := range []struct {
		parts []*explore.Results
		want  string
	}{
		{nil, "there are no results"},
		{[]*explore.Results{first}, "of 2 shards these are not there: 2/2; make them with --shard 2/2 and give all of them"},
		{[]*explore.Results{first, part("b", 1, 2, nil)}, "a and b are both shard 1/2: leave one of them out"},
		{[]*explore.Results{first, part("b", 2, 3, nil)}, "b is shard 2/3, but a is shard 1/2: take the shards of one work, all of 2 or all of 3"},
		{[]*explore.Results{first, part("b", 2, 2, func(o *explore.Options) { o.Seed = 2 })}, "b is of an exploration with seed 2, a of one with 1: take the shards of one exploration"},
		{[]*explore.Results{first, part("b", 2, 2, func(o *explore.Options) { o.Strength = 2 })}, "b is of an exploration with strength 2, a of one with 1: take the shards of one exploration"},
		{[]*explore.Results{first, part("b", 2, 2, func(o *explore.Options) { o.Host = "another" })}, "b is of an exploration with the host another, a of one with : take the shards of one exploration"},
	} {
		_, err := explore.Merge(c.parts)
		require.EqualError(t, err, c.want)
	}
	const start = `{"explore":"start","version":2,"shard":"1/2","strength":2}` + "\n"
	for _, c := range []struct{ text, want string }{
		{"", "x.jsonl is not the results of an exploration: it has no whole line"},
		{"{}\n", "x.jsonl does not start as the results of an exploration do"},
		{"{\n", "x.jsonl:1: unexpected end of JSON input"},
		{`{"explore":"start","version":1}` + "\n", "x.jsonl is of version 1 of the results; this program reads version 2: explore again"},
		{start + `{"explore":"run","run":2}` + "\n", `x.jsonl:2: no "run" of run 2 of shard 1/2 belongs here`},
		{start + `{"explore":"found","run":1}` + "\n", `x.jsonl:2: no "found" of run 1 of shard 1/2 belongs here`},
		{start + `{"explore":"end"}` + "\n" + `{"explore":"end"}` + "\n", "x.jsonl:3: there is something behind the end"},
	} {
		_, err := explore.Read("x.jsonl", strings.NewReader(c.text))
		require.EqualError(t, err, c.want)
	}
	r, err := explore.Read("x.jsonl", strings.NewReader(start))
	require.NoError(t, err)
	_, err = r.Tell()
	require.ErrorContains(t, err, "has other combinations: explore again")
}

// Kind: property.
func FuzzRead(f *testing.F) {
	var log bytes.Buffer
	o := options(f, "strict-limits", 20)
	o.Log, o.NoShrink = &log, true
	_, err := explore.Explore(f.Context(), o)
	require.NoError(f, err)
	f.Add(log.String())
	f.Add(`{"explore":"start","version":2,"shard":"1/1","strength":99}` + "\n")
	f.Fuzz(func(t *testing.T, text string) {
		r, err := explore.Read("fuzz.jsonl", strings.NewReader(text))
		if err != nil {
			return
		}
		if _, err := r.Tell(); err != nil {
			return
		}
		var b bytes.Buffer
		require.NoError(t, r.Write(&b))
		_, err = explore.Read("again.jsonl", &b)
		require.NoError(t, err)
	})
}

// Stopped at any time, it keeps what it has.
//
// Kind: property.
func TestStopped(t *testing.T) {
	t.Parallel()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	o := options(t, "zone-always-inside", 100_000)
	var log bytes.Buffer
	o.Log = &log
	o.NoShrink = true
	o.Progress = func(p explore.Progress) {
		if p.Runs >= 20 {
			stop()
		}
	}
	sum, err := explore.Explore(ctx, o)
	require.NoError(t, err)
	require.True(t, sum.Stopped)
	require.NotEmpty(t, sum.Found)
	require.GreaterOrEqual(t, sum.Runs, 20)
	text := log.String()
	for _, cut := range []int{len(text), len(text) - 3} { // cut off in the middle of the last line
		r, err := explore.Read("stopped.jsonl", strings.NewReader(text[:cut]))
		require.NoError(t, err)
		require.False(t, r.Whole())
		told, err := r.Tell()
		require.NoError(t, err)
		require.Equal(t, sum.Runs, told.Runs)
	}

	o = options(t, "", 0)
	o.Budget = time.Nanosecond
	sum, err = explore.Explore(t.Context(), o)
	require.NoError(t, err)
	require.Zero(t, sum.Runs)
}

// A host that knows only some of what varies is explored with that, whole.
//
// Kind: property.
func TestOnly(t *testing.T) {
	t.Parallel()
	o := options(t, "", 80)
	o.Only = map[string][]string{"dialect": {"multi-ascii", "line-ascii"}, "gauges": {"1"}, "fault": {"none"}}
	var log bytes.Buffer
	o.Log = &log
	played := map[string]int{}
	in := o.Runner
	o.Runner = spy{in, func(s *scenario.Scenario) {
		require.Len(t, s.Gauges, 1)
		played[s.Gauges[0].Dialect]++
	}}
	sum, err := explore.Explore(t.Context(), o)
	require.NoError(t, err)
	require.Equal(t, sum.Of, sum.Tuples)
	require.Less(t, len(sum.Array.Rows), 80)
	require.Len(t, played, 2)
	require.Positive(t, played["line-ascii"])
	require.Positive(t, played["multi-ascii"])

	r, err := explore.Read("only", &log)
	require.NoError(t, err)
	told, err := r.Tell()
	require.NoError(t, err)
	require.Equal(t, sum.Of, told.Of)
	require.Empty(t, told.Open)
}

// spy sees what is played, one scenario at a time.
type spy struct {
	explore.Runner
	see func(s *scenario.Scenario)
}

func (spy) Workers() int { return 1 }

func (s spy) Play(ctx context.Context, what *scenario.Scenario, name string) (explore.Played, error) {
	s.see(what)
	return s.Runner.Play(ctx, what, name)
}

// A host that breaks as a program is a finding of its own.
//
// Kind: property.
func TestHostThatPanics(t *testing.T) {
	t.Parallel()
	o := options(t, "", 30)
	good := refhost(t, "").Host
	o.Runner = explore.Inside{Host: func(w *inside.World) error {
		if bytes.Contains(w.Job, []byte(`"limits-are": "strict"`)) {
			panic("no such rule")
		}
		return good(w)
	}}
	sum, err := explore.Explore(t.Context(), o)
	require.NoError(t, err)
	require.Len(t, sum.Found, 1)
	require.Equal(t, "host-failed", sum.Found[0].Cause)
	require.Regexp(t, `^understudy: 1
title: Shows host-failed
seed: 1
part: {feature: bore of a test ring, nominal: \S+ (mm|in)}
host: {limits-are: strict}
gauges:
  - {name: g1, dialect: line-ascii}
$`, after(string(sum.Found[0].Text), "\nunderstudy"))
	require.Contains(t, sum.Why[0], "the host panicked: no such rule")
}

func after(s, mark string) string { return s[strings.Index(s, mark)+1:] }

func names() string {
	var all []string
	for _, f := range generate.Factors() {
		all = append(all, f.Name)
	}
	return strings.Join(all, ", ")
}

// Kind: property.
func TestMistakesInOptions(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		change func(o *explore.Options)
		want   string
	}{
		{func(o *explore.Options) { o.Runs = 0 }, "an exploration needs a budget of time or of runs"},
		{func(o *explore.Options) { o.Shard = shard.Shard{K: 4, N: 3} }, "shard 4/3 is not one of 3"},
		{func(o *explore.Options) { o.Only = map[string][]string{"dialekt": {"x"}} }, `nothing varies by the name "dialekt"; what varies is ` + names()},
		{func(o *explore.Options) { o.Only = map[string][]string{"port": {"usb"}} }, `port cannot be "usb"; it is one of pty, tcp, rfc2217`},
		{func(o *explore.Options) { o.Only = map[string][]string{"port": {}} }, `port can be nothing: name a level, one of pty, tcp, rfc2217`},
		{func(o *explore.Options) {
			o.Only = map[string][]string{"dialect": {"cobs-binary"}, "fault": {"fade"}}
		}, "with these levels only: the rules forbid every row"},
		{func(o *explore.Options) { o.Strength = 99 }, fmt.Sprintf("a strength of 99 does not go with %d factors; write 1 to %[1]d", len(generate.Factors()))},
	} {
		o := options(t, "", 1)
		c.change(&o)
		_, err := explore.Explore(t.Context(), o)
		require.EqualError(t, err, c.want)
	}
}

// Scenarios a second against a host inside, and how much of that is the same
// scenarios played on paper.
func BenchmarkInside(b *testing.B) {
	r := refhost(b, "")
	var all []*scenario.Scenario
	var texts [][]byte
	for seed := range uint64(50) {
		texts = append(texts, scenario.Marshal(generate.Random(seed), ""))
		s, err := scenario.Parse("generated", texts[seed], dialect)
		require.NoError(b, err)
		all = append(all, s)
	}
	b.Run("whole", func(b *testing.B) {
		n := 0
		for b.Loop() {
			s, err := scenario.Parse("generated", texts[n%50], dialect)
			require.NoError(b, err)
			_, err = r.Play(b.Context(), s, "run")
			require.NoError(b, err)
			n++
		}
		b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "scenarios/s")
	})
	b.Run("played", func(b *testing.B) {
		for n := 0; b.Loop(); n++ {
			_, err := r.Play(b.Context(), all[n%50], "run")
			require.NoError(b, err)
		}
	})
	b.Run("on-paper", func(b *testing.B) {
		for n := 0; b.Loop(); n++ {
			_, err := paper.Ledger(context.Background(), all[n%50])
			require.NoError(b, err)
		}
	})
}

// once shows a mistake the first time that a scenario is played, and never again.
type once struct {
	explore.Inside
	played map[string]bool
}

func (once) Workers() int { return 1 }

func (o once) Play(ctx context.Context, s *scenario.Scenario, name string) (explore.Played, error) {
	p, err := o.Inside.Play(ctx, s, name)
	if text := string(s.Text); len(o.played) == 0 || !o.played[text] {
		o.played[text] = true
		p.Verdict = judge.Fail
		p.Findings, p.Unexplained = []judge.Finding{{Kind: judge.KindTagLost}}, 1
	}
	return p, err
}

// What does not show again is not found; it is a run without a verdict.
//
// Kind: property.
func TestOnlyWhatShowsAgainIsFound(t *testing.T) {
	t.Parallel()
	for _, still := range []bool{false, true} {
		o := options(t, "", 3)
		o.Runner, o.NoShrink = once{refhost(t, ""), map[string]bool{}}, still
		var unclear []explore.Unclear
		o.Unclear = func(u explore.Unclear) { unclear = append(unclear, u) }
		sum, err := explore.Explore(t.Context(), o)
		require.NoError(t, err)
		require.Empty(t, sum.Found)
		require.Equal(t, 3, sum.NoVerdict)
		require.Len(t, unclear, 3)
		require.Equal(t, []string{"did not show when the scenario was played again: unexplained tag-lost"}, unclear[0].Reasons)
	}
}

// One run of an exploration can be made again, and its scenario is kept.
//
// Kind: property.
func TestOneRunAgain(t *testing.T) {
	t.Parallel()
	var texts []string
	o := options(t, "", 5)
	o.Runner = spy{o.Runner, func(s *scenario.Scenario) { texts = append(texts, string(s.Text)) }}
	_, err := explore.Explore(t.Context(), o)
	require.NoError(t, err)
	in := refhost(t, "")
	in.Folder, in.Keep = t.TempDir(), true
	var kept explore.Played
	o = options(t, "", 0)
	o.Runner, o.Run, o.Kept = in, 4, func(p explore.Played) { kept = p }
	_, err = explore.Explore(t.Context(), o)
	require.NoError(t, err)
	require.Equal(t, filepath.Join(in.Folder, "run-4"), kept.Folder)
	text, err := os.ReadFile(filepath.Join(kept.Folder, "scenario.yaml"))
	require.NoError(t, err)
	require.Equal(t, texts[3], string(text))
	for _, file := range []string{"ledger.jsonl", "records.csv"} {
		info, err := os.Stat(filepath.Join(kept.Folder, file))
		require.NoError(t, err)
		require.Positive(t, info.Size(), file)
	}
}
