package paper_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/library"
	"example.org/understudy/harness/paper"
	"example.org/understudy/harness/study"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage/ledger"
	"github.com/stretchr/testify/require"
)

// onPaper plays a scenario of one gauge with the keys and the cues given.
func onPaper(t *testing.T, keys, cues string) []ledger.Entry {
	text := fmt.Sprintf(`understudy: 1
title: of a test
seed: 3
part: {nominal: 40 mm}
gauges: [{name: g, dialect: line-ascii, resolution: 0.001 mm, %s}]
cues:
  - {at: 0 s, do: preset, to: 40 mm}
%s`, keys, cues)
	s, err := scenario.Parse("test.yaml", []byte(text), library.DialectsBeside("test.yaml"))
	require.NoError(t, err)
	entries, err := paper.Ledger(t.Context(), s)
	require.NoError(t, err)
	return entries
}

// A plug reads its bore up to the mouth. Outside it is out of its stroke at once, so no
// sample shows a size that the part never had, whether a hand or a machine leads it.
//
// Kind: property.
func TestAPlugLeavesItsBoreAtOnce(t *testing.T) {
	for _, cue := range []string{
		"{at: 1 s, do: lift, over: 200 ms}",
		"{at: 1 s, do: measure, size: 40.011 mm, times: 2}",
		"{at: 1 s, do: cycle, size: 40.011 mm, every: 1 s, approach: 200 ms, dwell: 300 ms, times: 2}",
	} {
		seen := map[string]bool{}
		for _, e := range onPaper(t, "stream: 100 Hz, larger-part: releases", "  - {at: 500 ms, do: rest on, size: 40.011 mm}\n  - "+cue+"\nuntil: 6 s\n") {
			if e.Frame != nil && e.T > 500*time.Millisecond {
				r := e.Frame.Readings[0]
				seen[r.Shown.String()+r.Void] = true
			}
			if e.Frame != nil && cue[9:] == "do: lift, over: 200 ms}" && e.T >= 1200*time.Millisecond {
				require.Equal(t, "under", e.Frame.Readings[0].Void, e.T)
			}
		}
		require.Equal(t, map[string]bool{"40.011": true, "0under": true}, seen, cue)
	}
}

// cells are what the ledger says of the cell.
func cells(entries []ledger.Entry) (cs []ledger.Cell) {
	for _, e := range entries {
		if e.Cell != nil {
			cs = append(cs, *e.Cell)
		}
	}
	return cs
}

// By hand: 4 mA to measure, 1.5 mA for the display, 8 mA for the radio and, one frame
// of 2.5 ms a second, a quarter of a per cent of 25 mA: 13.5625 mA, in eight hours
// 108.5 mAh, 16.7 % of 650 mAh.
//
// Kind: outside.
func TestTheChargeShownFalls(t *testing.T) {
	cs := cells(onPaper(t, "stream: 1 Hz, cell: {capacity: 650 mAh}", "until: 8 h\n"))
	require.Equal(t, 83, cs[len(cs)-1].Percent)
	require.Len(t, cs, 17, "one for each per cent lost")
}

// A cell that really drains is low at the charge stated; by its voltage where that is
// 0 %, which for lithium-ion is 3.5 V, 22 % to 23 % of the charge.
//
// Kind: property.
func TestLowAtTheChargeStated(t *testing.T) {
	for at, want := range map[string]int{"5 %": 5, "26 %": 26, "0 %": 22} {
		for _, c := range cells(onPaper(t, "stream: 10 Hz, cell: {capacity: 1 mAh, charge: 30 %, low-at: "+at+"}", "until: 75 s\n")) {
			if at != "0 %" || c.Percent != want+1 {
				require.Equal(t, c.Percent <= want, c.Low, "low-at %s, %+v", at, c)
			}
		}
	}
}

// A gauge that is off does not come back when its radio could, and says nothing of its
// charge.
//
// Kind: property.
func TestAGaugeThatIsOffStaysAway(t *testing.T) {
	entries := onPaper(t, "stream: 10 Hz, cell: {charge: 50 %}, link: {class: 2, distance: 2 m}", `  - {at: 1 s, do: lose link, for: 5 s}
  - {at: 2 s, do: set, setting: power, to: "off"}
  - {at: 3 s, do: set on cradle, for: 30 min}
until: 1 h
`)
	for _, e := range entries {
		if e.T > 2*time.Second {
			require.False(t, e.Link != nil && e.Link.State == "up" || e.Cell != nil || e.Frame != nil, "%+v", e)
		}
	}
}

// By hand: operators who differ by a bias of 2, 0 and -2 µm alone spread by √4 µm; the
// parts are the same for each. 90 readings lie as far apart as the parts do, and 4 µm.
//
// Kind: outside.
func TestAStudyOfBiasAlone(t *testing.T) {
	text := `understudy: 1
title: of a test
part: {nominal: 20 mm}
gauges: [{name: g, dialect: line-ascii, resolution: 0.0001 mm, stream: none}]
cues:
  - {at: 0 s, do: preset, to: 20 mm}
`
	for i, bias := range []string{"2", "0", "-2"} {
		text += fmt.Sprintf("  - {at: %d s, do: study, operator: o%d, size: 20 mm, bias: %s µm, every: 300 ms}\n", 10*i+1, i, bias)
	}
	s, err := scenario.Parse("test.yaml", []byte(text+"until: 40 s\n"), library.DialectsBeside("test.yaml"))
	require.NoError(t, err)
	var out strings.Builder
	require.NoError(t, paper.Explain(t.Context(), &out, s, false, false))
	_, known, _ := strings.Cut(out.String(), "  study    g: n")
	require.Contains(t, known, " 90, mean 20.000000000 mm, s 0.001642142 mm, range 0.004000 mm") // √(60·4/89) µm
	require.Contains(t, known, "equipment 0 mm, operators 0.002 mm, R&R 0.002 mm, parts 0 mm, total 0.002 mm; %R&R 100.00, ndc 1")
}

// A tag may carry no reading, and explain says all there is of it.
//
// Kind: property.
func TestATagOfNoReading(t *testing.T) {
	var out strings.Builder
	s, err := scenario.Parse("test.yaml", []byte(`understudy: 1
title: of a test
part: {nominal: 20 mm}
gauges: [{name: g, dialect: scpi, stream: none}]
cues:
  - {at: 1 s, do: tag}
  - {at: 2 s, do: tag}
`), library.DialectsBeside("test.yaml"))
	require.NoError(t, err)
	require.NoError(t, paper.Explain(t.Context(), &out, s, false, false))
	require.Contains(t, out.String(), "2.000 s  cue      tag")
}

// The tags of a study come in one order only where every operator measures the same parts
// as often, and there is more than one of each.
//
// Kind: property.
func TestLayouts(t *testing.T) {
	for cues, want := range map[string]*study.Layout{
		"operator: a/operator: b":                       {Operators: 2, Parts: 10, Trials: 3},
		"operator: a, parts: 4/operator: b, parts: 4":   {Operators: 2, Parts: 4, Trials: 3},
		"operator: a, parts: 4/operator: b":             nil,
		"operator: a":                                   nil,
		"operator: a, trials: 1/operator: b, trials: 1": nil,
	} {
		text := "understudy: 1\ntitle: of a test\npart: {nominal: 20 mm}\ngauges: [{name: g, dialect: line-ascii}]\ncues:\n"
		for i, cue := range strings.Split(cues, "/") {
			text += fmt.Sprintf("  - {at: %d s, do: study, size: 20 mm, every: 200 ms, %s}\n", 10*i+1, cue)
		}
		s, err := scenario.Parse("test.yaml", []byte(text), library.DialectsBeside("test.yaml"))
		require.NoError(t, err, cues)
		require.Equal(t, []*study.Layout{want}, paper.Layouts(s), cues)
	}
}

// A gauge that is to be set on its master every 2 s says so when they have passed, and
// no more once it was.
//
// Kind: property.
func TestTheMasterIsOverdue(t *testing.T) {
	var said []string
	for _, e := range onPaper(t, "stream: 10 Hz, master-every: 2 s", "  - {at: 5 s, do: zero}\nuntil: 10 s\n") {
		if e.Note == "the gauge is to be set on its master again" {
			said = append(said, e.T.String())
		}
	}
	require.Equal(t, []string{"2s", "7s"}, said)
}
