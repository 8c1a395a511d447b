package explore_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"example.org/understudy/harness/explore/inside"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage/ledger"
	"github.com/stretchr/testify/require"
)

// What a frame does not carry no host can know, and none is accused of it.
// These were found by exploring.
//
// Kind: model.
func TestWhatAFrameDoesNotCarry(t *testing.T) {
	t.Parallel()
	const limits = "part: {feature: rim, nominal: 12.7 mm, limits: [none, 12.7015 mm]}\n"
	for _, c := range []struct{ name, text, tag, value string }{
		{"a tag's number that is not sent", `
gauges: [{name: g1, dialect: parts-ascii, carries: [keys, tail, lead]}]
cues:
  - {at: 0 s, do: preset}
  - {at: 1 s, do: tag}
`, "", "12.700"},
		{"a tag's number that is not sent any more", `
gauges: [{name: g1, dialect: parts-ascii}]
cues:
  - {at: 0 s, do: preset}
  - {at: 1 s, do: set, setting: with-number, to: "off"}
  - {at: 2 s, do: tag}
`, "", "12.700"},
		// 0.500056 in goes as 0.50006 in.
		{"a decimal for which the frame has no room", `
gauges: [{name: g1, dialect: multi-binary, resolution: 0.0001 mm, stream: 20 Hz}]
cues:
  - {at: 0 s, do: preset}
  - {at: 0 s, do: rest on, size: 12.7014 mm}
  - {at: 0 s, do: set, setting: unit, to: in}
  - {at: 1 s, do: tag}
`, "1", "12.7015"},
		{"the same in a frame of text", `
gauges: [{name: g1, dialect: block-check, resolution: 0.0001 mm}]
cues:
  - {at: 0 s, do: preset}
  - {at: 0 s, do: rest on, size: 12.7014 mm}
  - {at: 0 s, do: set, setting: unit, to: in}
  - {at: 1 s, do: tag}
`, "1", "12.7025"}, // 0.5001 in is 12.70254 mm
		// The frame at 1 s with 12.701 mm is damaged; the host knows 12.7 mm.
		{"a reading left to a stream that was damaged", `
gauges: [{name: g1, dialect: multi-binary, stream: 10 Hz}]
cues:
  - {at: 0 s, do: preset}
  - {at: 950 ms, do: rest on, size: 12.701 mm}
  - {at: 950 ms, do: garble}
  - {at: 1010 ms, do: tag}
`, "1", "12.700"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, err := scenario.Parse("carried", []byte("understudy: 1\ntitle: "+c.name+"\n"+limits+c.text), dialect)
			require.NoError(t, err)
			run, err := inside.Do(t.Context(), s, refhost(t, "").Host)
			require.NoError(t, err)
			require.Equal(t, judge.Pass, run.Verdict, "%v", run.Findings)
			require.Len(t, run.Records, 1)
			tag := ""
			if n := run.Records[0].Tag; n != nil {
				tag = fmt.Sprint(*n)
			}
			require.Equal(t, c.tag, tag)
			require.Equal(t, c.value, run.Records[0].Text)

			wrong, err := refhost(t, "datum-twice").Play(t.Context(), s, "run")
			require.NoError(t, err)
			require.Equal(t, judge.Fail, wrong.Verdict, "what it does carry is judged")
		})
	}
}

// Scenarios, found by exploring, in which the correct host was once accused.
//
// Kind: model.
func TestInnocent(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("testdata/innocent/*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, f := range files {
		t.Run(filepath.Base(f), func(t *testing.T) {
			text, err := os.ReadFile(f)
			require.NoError(t, err)
			s, err := scenario.Parse(f, text, dialect)
			require.NoError(t, err)
			run, err := inside.Do(t.Context(), s, refhost(t, "").Host)
			require.NoError(t, err)
			require.Equal(t, judge.Pass, run.Verdict, "%v %v", run.Findings, run.Reasons)
			require.NotZero(t, run.Counts.Expected)
			for _, e := range run.Entries { // what is sent stands under its frame
				require.False(t, e.Out != nil && e.Out.Fate == ledger.Sent && len(e.Out.Frames) == 0 && len(e.Out.Bytes) > 4, "at %s: %s", e.T, e.Out)
			}
		})
	}
}
