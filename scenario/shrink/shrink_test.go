package shrink

import (
	"strings"
	"testing"

	"example.org/understudy/scenario"
	"example.org/understudy/scenario/generate"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/stage"
	"github.com/stretchr/testify/require"
)

func dialect(name string) (string, []byte, error) {
	text, err := scenarios.Files.ReadFile("dialects/" + name + ".yaml")
	return name + ".yaml", text, err
}

func sound(f *scenario.File) bool {
	_, err := scenario.Parse("small", scenario.Marshal(f, ""), dialect)
	return err == nil
}

func has(f *scenario.File, verbs ...string) bool {
	for _, c := range f.Cues {
		if len(verbs) > 0 && stage.VerbOf(c.Act) == verbs[0] {
			verbs = verbs[1:]
		}
	}
	return len(verbs) == 0
}

const large = `understudy: 1
title: Many things at once
seed: 99
part: {feature: width of a slot, nominal: 12.7 mm, limits: [12.6845 mm, 12.7155 mm], warn: [12.69 mm, 12.71 mm]}
host: {unit: in, resolution: 0.0001 in, uncertainty: 0.0002 in, writes: [{do: stream-on}]}
gauges:
  - {name: g1, dialect: multi-ascii, resolution: 0.001 mm, channels: [{name: A}, {name: B}], stream: 20 Hz}
  - {name: g2, dialect: compact-binary, factor: 2, tags: {first: 1, last: 3}}
cues:
  - {at: 0 s, do: preset}
  - {at: 350 ms, do: rest on, size: 12.70127 mm, gauge: g1, channel: A}
  - {at: 415 ms, do: tag, times: 4, every: 5 ms, gauge: g1}
  - {at: 760 ms, do: rest on, size: 12.68437 mm, gauge: g2}
  - {at: 820 ms, do: stall, for: 320 ms, gauge: g2}
  - {at: 825 ms, do: tag, times: 3, gauge: g2}
  - {at: 1720 ms, do: tag, gauge: g2}
until: 3 s
`

func parsed(t *testing.T, text string) *scenario.File {
	s, err := scenario.Parse("large", []byte(text), dialect)
	require.NoError(t, err)
	return &s.File
}

// Kind: property.
func TestShrink(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		holds Holds
		want  string
	}{
		{"anything at all", sound, `understudy: 1
title: Many things at once
seed: 1
part: {feature: width of a slot, nominal: 12.7 mm}
gauges:
  - {name: g1, dialect: line-ascii}
`},
		{"a tag in a stall", func(f *scenario.File) bool { return sound(f) && has(f, "stall", "tag") }, `understudy: 1
title: Many things at once
seed: 1
part: {feature: width of a slot, nominal: 12.7 mm}
gauges:
  - {name: g2, dialect: line-ascii}
cues:
  - {at: 0 s, do: stall, for: 1 s}
  - {at: 0 s, do: tag}
`},
		{"a size below 12.69 mm, tagged more than once", func(f *scenario.File) bool {
			for i, c := range f.Cues {
				if r, ok := c.Act.(stage.RestOn); ok && r.Size.Picometres() < 12_690_000_000 {
					for _, d := range f.Cues[i:] {
						if tag, ok := d.Act.(stage.Tag); ok && tag.Times > 1 {
							return sound(f)
						}
					}
				}
			}
			return false
		}, `understudy: 1
title: Many things at once
seed: 1
part: {feature: width of a slot, nominal: 12.7 mm}
gauges:
  - {name: g2, dialect: line-ascii}
cues:
  - {at: 0 s, do: rest on, size: 12.6 mm}
  - {at: 0 s, do: tag, times: 2}
`},
		{"two gauges, one of them in a binary dialect", func(f *scenario.File) bool {
			return len(f.Gauges) == 2 && strings.Contains(f.Gauges[1].Dialect, "binary") && sound(f)
		}, `understudy: 1
title: Many things at once
seed: 1
part: {feature: width of a slot, nominal: 12.7 mm}
gauges:
  - {name: g1, dialect: line-ascii}
  - {name: g2, dialect: compact-binary}
`},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := parsed(t, large)
			before := string(scenario.Marshal(f, ""))
			small, tried := Shrink(f, c.holds, 0)
			require.Equal(t, c.want, string(scenario.Marshal(small, "")))
			require.Less(t, tried, 300)
			require.Equal(t, before, string(scenario.Marshal(f, "")), "the scenario that was given is not changed")
		})
	}
}

// Whatever is asked, the result still has it, is no larger, is the same every
// time, and cannot be made smaller by asking again.
//
// Kind: property.
func TestShrinkProperties(t *testing.T) {
	t.Parallel()
	for seed := range uint64(12) {
		f := generate.Random(seed)
		holds := func(g *scenario.File) bool {
			return has(g, "preset", "tag") && len(g.Cues)%2 == len(f.Cues)%2 && sound(g)
		}
		require.True(t, holds(f))
		small, _ := Shrink(f, holds, 0)
		require.True(t, holds(small))
		require.LessOrEqual(t, len(key(small)), len(key(f)))
		again, _ := Shrink(f, holds, 0)
		require.Equal(t, key(small), key(again))
		still, _ := Shrink(small, holds, 0)
		require.Equal(t, key(small), key(still))
	}
}

// Kind: property.
func TestShrinkStopsWhenTold(t *testing.T) {
	t.Parallel()
	n := 0
	_, tried := Shrink(parsed(t, large), func(f *scenario.File) bool { n++; return true }, 5)
	require.Equal(t, 5, tried)
	require.Equal(t, 5, n)
}
