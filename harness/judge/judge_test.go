package judge_test

import (
	"testing"

	"example.org/understudy/harness/judge"
	"pgregory.net/rapid"
)

func drawShape(t *rapid.T) (uint64, shape) {
	return rapid.Uint64().Draw(t, "seed"), shape{
		gauges: rapid.IntRange(1, 3).Draw(t, "gauges"), channels: rapid.IntRange(1, 3).Draw(t, "channels"), steps: rapid.IntRange(0, 60).Draw(t, "steps"),
		events: rapid.Bool().Draw(t, "events"), streams: rapid.Bool().Draw(t, "streams")}
}

// A correct host is never accused, whatever happens in the run.
//
// Kind: model.
func TestCorrectRecordsAreNeverAccused(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		seed, sh := drawShape(t)
		w := newWorld(seed, sh).play(sh).correct()
		res := judge.Judge(w.spec, w.entries, w.records)
		if len(res.Findings) > 0 || res.Verdict == judge.Fail {
			t.Fatalf("%s\n%s", res.Verdict, describe(res.Findings))
		}
	})
}
