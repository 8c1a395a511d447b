package explore_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"example.org/understudy/harness/explore/inside"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/quantity"
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
		"a radio holds up what it sends, while the host is set up and started again too": `
host: {writes: [{set: upper, to: 12.715}, {set: rate, to: 20}]}
gauges:
  - {name: g, dialect: line-ascii, link: {class: 1, distance: 1 m, motion: 0 mm, latency: {stack: 80 ms, sniff: 100 ms, driver: 50 ms}}}
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

// A correct host is right on every shipped scenario when each gauge's radio holds up
// what it sends: how late a record is is judged from when the reading came.
//
// Kind: property.
func TestLateIsNotWrong(t *testing.T) {
	files, err := filepath.Glob("../../scenarios/[0-9]*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	ms := func(n int) quantity.Duration { return quantity.Duration(time.Duration(n) * time.Millisecond) }
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			s, err := scenario.Parse(file, text, dialect)
			require.NoError(t, err)
			for i := range s.Gauges {
				g := &s.Gauges[i]
				if g.Link == nil {
					far, still := quantity.MM("1000"), quantity.MM("0")
					g.Link = &scenario.Link{Class: 1, Distance: &far, Motion: &still}
				}
				g.Link.Latency = scenario.Latency{Stack: ms(40), Sniff: ms(100), Driver: ms(16)}
			}
			late, err := scenario.Parse(file, scenario.Marshal(&s.File, ""), dialect)
			require.NoError(t, err)
			run, err := inside.Do(t.Context(), late, refhost(t, "").Host)
			require.NoError(t, err)
			require.Equal(t, judge.Pass, run.Verdict, "%v", run.Reasons)
		})
	}
}
