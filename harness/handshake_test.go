package harness_test

import (
	"fmt"
	"testing"

	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"github.com/stretchr/testify/require"
)

// What a fault holds back, or takes, of a handshake no host can answer, so its
// answer is not waited for: real time would go on and the timeline would not,
// and a tag that is repeated after 200 ms would come after the 2 s in which a
// right host takes it for a repeat.
func TestNoAnswerIsWaitedForThatCannotCome(t *testing.T) {
	t.Parallel()
	for _, fault := range []string{"merge, frames: 2", "split", "stall, for: 300 ms", "lose link, for: 300 ms, seen: silence", "lose link, for: 300 ms"} {
		t.Run(fault, func(t *testing.T) {
			s, err := scenario.Parse("held.yaml", fmt.Appendf(nil, `
understudy: 1
title: A handshake that is held up
part: {limits: [none, 5.1 mm]}
gauges: [{name: g1, dialect: block-check, stream: 20 Hz, tags: {repeat: 200 ms, tries: 2}}]
cues:
  - {at: 0 s, do: preset}
  - {at: 850 ms, do: tag}
  - {at: 855 ms, do: %s}
until: 4 s
`, fault), shippedDialect)
			require.NoError(t, err)
			out := check(t, s)
			require.Equal(t, judge.Pass, out.Verdict, explain(out))
			for _, e := range out.Entries {
				require.False(t, e.Port != nil && e.Port.What == "not answering", "at %s", e.T)
			}
		})
	}
}
