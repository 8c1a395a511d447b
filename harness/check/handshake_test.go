package check_test

import (
	"fmt"
	"testing"
	"time"

	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage/ledger"
	"github.com/stretchr/testify/require"
)

// What a fault holds back, or takes, of a handshake no host can answer, so its
// answer is not waited for: real time would go on and the timeline would not,
// and a tag that is repeated after 200 ms would come after the 2 s in which a
// right host takes it for a repeat.
//
// Kind: process.
func TestNoAnswerIsWaitedForThatCannotCome(t *testing.T) {
	t.Parallel()
	for _, fault := range []string{"clear", "merge, frames: 2", "split", "stall, for: 300 ms", "lose link, for: 300 ms, seen: silence", "lose link, for: 300 ms"} {
		t.Run(fault, func(t *testing.T) {
			s, err := scenario.Parse("held.yaml", fmt.Appendf(nil, `
understudy: 1
title: A handshake that is held up
part: {limits: [none, 5.1 mm]}
gauges: [{name: g1, dialect: block-check, stream: 5 Hz, tags: {repeat: 200 ms, tries: 2}}]
cues:
  - {at: 0 s, do: preset}
  - {at: 850 ms, do: tag}
  - {at: 855 ms, do: %s}
until: 3900 ms
`, fault), shippedDialect)
			require.NoError(t, err)
			out := judged(t, s)
			require.Equal(t, judge.Pass, out.Verdict, explain(out))
			for _, e := range out.Entries {
				require.False(t, e.Port != nil && e.Port.What == "not answering", "at %s", e.T)
			}
			require.Equal(t, fault != "clear", delayed(out.Entries) > 0, "the fault hits the handshake of %d frames", delayed(out.Entries))
		})
	}
}

// delayed counts the frames that did not go out whole as soon as they were made
// and the line had carried the word before them, as they do in a handshake that
// nothing holds up.
func delayed(all []ledger.Entry) (n int) {
	const word = 5 * time.Millisecond // more than a byte takes on the line
	made := map[int]time.Duration{}
	for _, e := range all {
		switch {
		case e.Kind == ledger.KindFrame:
			made[e.Frame.ID] = e.T
		case e.Kind == ledger.KindOut && e.Out.Fate == ledger.Sent && e.Out.Fault == "":
			for _, id := range e.Out.Frames {
				if e.T-made[id] < word {
					delete(made, id)
				}
			}
		}
	}
	return len(made)
}
