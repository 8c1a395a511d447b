package explore_test

import (
	"testing"

	"example.org/understudy/harness/explore/inside"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"github.com/stretchr/testify/require"
)

// What a host waits for comes although the timeline waits for the host, what cannot come
// is not waited for, and what is lost is not held against it.
//
// Kind: property.
func TestNobodyWaitsInVain(t *testing.T) {
	for name, text := range map[string]string{
		"an answer takes the time of the line while the host is started again": `
host: {writes: [{set: upper, to: 12.715}, {set: rate, to: 10}]}
gauges:
  - {name: g, dialect: line-ascii}
cues:
  - {at: 100 ms, do: tag}
  - {at: 500 ms, do: restart host, by: kill, for: 100 ms}
  - {at: 500 ms, do: tag}
  - {at: 1 s, do: tag}
`,
		"an enquiry is lost with the link, and has no answer": `
gauges:
  - {name: g, dialect: block-check, stream: 20 Hz}
cues:
  - {at: 770 ms, do: tag}
  - {at: 775 ms, do: lose link, for: 300 ms}
  - {at: 1300 ms, do: tag}
`,
		"what a slow line loses finds nothing behind garbage": `
host: {keeps: all}
gauges:
  - {name: g, dialect: multi-ascii, stream: 20 Hz}
cues:
  - {at: 0 s, do: change line speed, to: 4800 Bd, for: 1 s}
  - {at: 2 s, do: tag}
`,
	} {
		t.Run(name, func(t *testing.T) {
			s, err := scenario.Parse("wait.yaml", []byte("understudy: 1\ntitle: "+name+text), dialect)
			require.NoError(t, err)
			run, err := inside.Do(t.Context(), s, refhost(t, "").Host)
			require.NoError(t, err)
			require.Equal(t, judge.Pass, run.Verdict, "%v", run.Reasons)
			for _, e := range run.Entries {
				require.False(t, e.Port != nil && e.Port.What == "not answering", "at %s", e.T)
			}
		})
	}
}
