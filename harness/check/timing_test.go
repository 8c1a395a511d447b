package check_test

import (
	"testing"
	"time"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"github.com/stretchr/testify/require"
)

// What the pace alone may have made of a finding depends on the pace: at drain whatever
// a host does by its own clock, at a speed factor what it does late for want of a
// processor, and events of sessions that were not seen, at real pace nothing.
//
// Kind: property.
func TestOfTiming(t *testing.T) {
	for _, c := range []struct {
		pace  string
		until time.Duration
		want  int
	}{{"drain", time.Second, 3}, {"10x", time.Second, 2}, {"10x", time.Hour, 0}, {"real", time.Second, 0}, {"0.5x", time.Second, 0}} {
		out := check.Outcome{Check: &check.Check{Scenario: &scenario.Scenario{Play: stage.Play{Until: c.until}}},
			Entries: []ledger.Entry{{Kind: ledger.KindRun, Run: &ledger.Run{Pace: c.pace}}}}
		for _, kind := range []judge.Kind{judge.KindOverrun, judge.KindEventExtra, judge.KindTagLost, judge.KindValue} {
			out.Findings = append(out.Findings, judge.Finding{Kind: kind})
		}
		require.Len(t, out.OfTiming(), c.want, c.pace)
	}
}
