package generate

import (
	"fmt"
	"testing"

	"example.org/understudy/scenario"
	"example.org/understudy/scenario/generate/cover"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func dialect(name string) (string, []byte, error) {
	text, err := scenarios.Files.ReadFile("dialects/" + name + ".yaml")
	return name + ".yaml", text, err
}

// good checks that a generated scenario reads like any other, says the same
// when it is written and read again, and keeps its cues in order.
func good(t require.TestingT, f *scenario.File) {
	text := scenario.Marshal(f, "")
	s, err := scenario.Parse("generated", text, dialect)
	require.NoError(t, err, "%s", text)
	require.Empty(t, cmp.Diff(*f, s.File, cmpopts.IgnoreUnexported(scenario.Cue{}), cmpopts.EquateEmpty()), "%s", text)
	require.NotEmpty(t, s.Play.Cues)
	require.Less(t, s.Play.Until.Seconds(), 60.0)
}

// Kind: property.
func TestRowsAreScenarios(t *testing.T) {
	t.Parallel()
	for strength, most := range map[int]int{1: 18, 2: 180, 3: 1400} {
		if strength == 3 && !testenv.Long() {
			continue
		}
		p := Plan(strength, 1)
		if strength == 3 {
			p.Effort = -1
		}
		a, err := cover.Make(p)
		require.NoError(t, err)
		t.Logf("strength %d: %d rows for %d combinations; %d are impossible", strength, len(a.Rows), a.Possible, len(a.Impossible))
		require.Less(t, len(a.Rows), most)
		all := a.Coverage()
		for i, row := range a.Rows {
			all.Add(row)
			if strength < 3 || i%10 == 0 {
				good(t, FromRow(&p, row, uint64(i)))
			}
		}
		require.Equal(t, a.Possible, all.Run())
		require.Empty(t, all.Open())
		require.Equal(t, a.Possible-countTuples(p, 1), len(openAfter(a)))
	}
}

// countTuples is how many tuples so many rows hold: k choose t each.
func countTuples(p cover.Plan, rows int) int {
	n, k := 1, len(p.Factors)
	for i := range p.Strength {
		n = n * (k - i) / (i + 1)
	}
	return n * rows
}

func openAfter(a *cover.Array) []string {
	c := a.Coverage()
	c.Add(a.Rows[0])
	return c.Open()
}

// Kind: property.
func TestRandomScenarios(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		f := Random(seed)
		good(t, f)
		require.Equal(t, string(scenario.Marshal(f, "")), string(scenario.Marshal(Random(seed), "")))
	})
}

// Readings lean to the edges: most of those tagged lie on a limit or within
// two of the host's steps of one.
//
// Kind: property.
func TestReadingsLeanToTheEdges(t *testing.T) {
	t.Parallel()
	m := &maker{Levels: Levels{}, rng: random.New(1), f: &scenario.File{}}
	for _, f := range Factors() {
		m.Levels[f.Name] = f.Levels[0]
	}
	m.sizes()
	m.part()
	require.Len(t, m.edges, 4)
	on, near := 0, 0
	for range 1000 {
		v := m.reading()
		for _, e := range m.edges {
			switch d := max(v-e, e-v); {
			case d == 0:
				on++
			case d <= 2*m.step:
				near++
			}
		}
	}
	// Four in five are drawn at an edge, and of their ten distances two are none
	// and five no more than two steps: of 1000 that is 160 and 560, with standard
	// deviations of 12 and 16, and more where edges lie close together.
	require.Greater(t, on, 160-4*12)
	require.Greater(t, on+near, 560-4*16)
}

// Kind: property.
func TestWithout(t *testing.T) {
	t.Parallel()
	got := Without(Without(map[string][]string{"gauges": {"1"}}, "port", "tcp"), "port", "pty")
	require.Empty(t, cmp.Diff(map[string][]string{"gauges": {"1"}, "port": {"rfc2217"}}, got))
	require.Empty(t, cmp.Diff(map[string][]string{"port": {"pty", "tcp"}}, Without(nil, "port", "rfc2217")))
}

// How long the arrays of what varies take to make, and how many rows they have.
func BenchmarkPlan(b *testing.B) {
	for strength := 1; strength <= 3; strength++ {
		b.Run(fmt.Sprint("strength=", strength), func(b *testing.B) {
			rows := 0
			for b.Loop() {
				a, err := cover.Make(Plan(strength, 1))
				require.NoError(b, err)
				rows = len(a.Rows)
			}
			b.ReportMetric(float64(rows), "rows")
		})
	}
}
