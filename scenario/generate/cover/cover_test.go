package cover

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// uniform is factors of so many levels each: uniform(4, 3) is 3⁴.
func uniform(counts ...int) (fs []Factor) {
	for i := 0; i+1 < len(counts); i += 2 {
		for range counts[i] {
			f := Factor{Name: fmt.Sprint("f", len(fs))}
			for l := range counts[i+1] {
				f.Levels = append(f.Levels, fmt.Sprint(l))
			}
			fs = append(fs, f)
		}
	}
	return fs
}

// uncovered counts, by looking at every row for every tuple, the tuples that
// stand in no row and are not told to be impossible, and the tuples told to be
// impossible that stand in one. It shares no code with the maker.
func uncovered(t require.TestingT, a *Array) (missing, wrong int) {
	told := map[string]bool{}
	for _, im := range a.Impossible {
		require.NotEmpty(t, im.Why)
		told[a.Plan.Words(im.Tuple)] = true
	}
	var each func(fs []int, from int)
	each = func(fs []int, from int) {
		if len(fs) < a.Plan.Strength {
			for f := from; f < len(a.Plan.Factors); f++ {
				each(append(fs[:len(fs):len(fs)], f), f+1)
			}
			return
		}
		held := map[string]bool{} // levels of these factors that stand in a row
		for _, row := range a.Rows {
			held[a.Plan.Words(levels(fs, func(i int) int { return row[fs[i]] }))] = true
		}
		total := 1
		for _, f := range fs {
			total *= len(a.Plan.Factors[f].Levels)
		}
		for n := range total {
			rest := n
			tup := levels(fs, func(i int) int {
				size := len(a.Plan.Factors[fs[i]].Levels)
				l := rest % size
				rest /= size
				return l
			})
			switch name := a.Plan.Words(tup); {
			case held[name] && told[name]:
				wrong++
			case !held[name] && !told[name]:
				missing++
			}
		}
	}
	each(nil, 0)
	return missing, wrong
}

// levels is a tuple of some factors.
func levels(fs []int, of func(i int) int) Tuple {
	t := Tuple{Factors: fs}
	for i := range fs {
		t.Levels = append(t.Levels, of(i))
	}
	return t
}

// Kind: outside.
func TestSizesAgainstPublished(t *testing.T) {
	t.Parallel()
	// The sizes that published generators reach for the usual models, smallest
	// and largest: "Efficiency" table of www.pairwise.org/efficiency.html. An
	// array here must not be larger than the largest of them. Where only the
	// smallest possible size is known (to: 0), a third more is our own bar.
	for _, c := range []struct {
		name     string
		factors  []Factor
		strength int
		from, to int
	}{
		{"3^4", uniform(4, 3), 2, 9, 11},
		{"3^13", uniform(13, 3), 2, 15, 18},
		{"4^15 3^17 2^29", uniform(15, 4, 17, 3, 29, 2), 2, 29, 41},
		{"4^1 3^39 2^35", uniform(1, 4, 39, 3, 35, 2), 2, 21, 30},
		{"2^100", uniform(100, 2), 2, 10, 16},
		{"10^20", uniform(20, 10), 2, 180, 231},
		// Optimal: p² rows for p+1 factors of p levels, p a prime
		// (orthogonal arrays, Bush 1952; restated at www.mcdowella.demon.co.uk/allPairs.html).
		{"5^6", uniform(6, 5), 2, 25, 0},
		// C. J. Colbourn's covering array tables, as of November 2024 (held with
		// their authorities in table/ca_table.csv of github.com/chrispbsmolen/ca-tools):
		// (t,v,k) = (2,2,10): 6, Kleitman and Spencer or Katona 1973; (3,2,4): 8, an
		// orthogonal array; (3,2,5): 10, derived from strength 4.
		{"2^10", uniform(10, 2), 2, 6, 0},
		{"2^4 t=3", uniform(4, 2), 3, 8, 0},
		{"2^5 t=3", uniform(5, 2), 3, 10, 0},
		// L27.3.4, an orthogonal array of strength 3 (list of arrays of the R package
		// DoE.base, after Kuhfeld 2009).
		{"3^4 t=3", uniform(4, 3), 3, 27, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			plan := Plan{Factors: c.factors, Strength: c.strength, Seed: 1}
			if len(c.factors) > 50 {
				plan.Effort = -1
			}
			a, err := Make(plan)
			require.NoError(t, err)
			if c.to == 0 {
				c.to = c.from + c.from/3
			}
			t.Logf("%s: %d rows, wanted %d to %d", c.name, len(a.Rows), c.from, c.to)
			require.LessOrEqual(t, len(a.Rows), c.to)
			require.GreaterOrEqual(t, len(a.Rows), c.from, "smaller than has ever been found: it does not cover")
			missing, wrong := uncovered(t, a)
			require.Zero(t, missing, "combinations in no row")
			require.Zero(t, wrong)
		})
	}
	a, err := Make(Plan{Factors: uniform(4, 3), Strength: 2, Seed: 1})
	require.NoError(t, err)
	require.Len(t, a.Rows, 9, "3^4 is an orthogonal array of 9 rows")
}

// Kind: model.
func TestEveryTupleIsCoveredOrForbidden(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.IntRange(2, 6).Draw(t, "factors")
		p := Plan{Strength: rapid.IntRange(1, min(3, k)).Draw(t, "strength"), Seed: rapid.Uint64().Draw(t, "seed"), Effort: 40}
		for f := range k {
			p.Factors = append(p.Factors, uniform(1, rapid.IntRange(1, 4).Draw(t, "levels"))[0])
			p.Factors[f].Name = fmt.Sprint("f", f)
		}
		for r := range rapid.IntRange(0, 5).Draw(t, "rules") {
			rule := Rule{Why: fmt.Sprint("rule ", r), Forbid: map[string][]string{}}
			for range rapid.IntRange(1, 3).Draw(t, "named") {
				f := p.Factors[rapid.IntRange(0, k-1).Draw(t, "factor")]
				rule.Forbid[f.Name] = append(rule.Forbid[f.Name], rapid.SampledFrom(f.Levels).Draw(t, "level"))
			}
			p.Rules = append(p.Rules, rule)
		}
		// What the rules allow, found by trying every row there is.
		allowed := map[string]bool{}
		rows := 1
		for _, f := range p.Factors {
			rows *= len(f.Levels)
		}
		some := false
		for n := range rows {
			row := make([]int, k)
			for f, rest := 0, n; f < k; f++ {
				row[f] = rest % len(p.Factors[f].Levels)
				rest /= len(p.Factors[f].Levels)
			}
			if broken(p, row) {
				continue
			}
			some = true
			choose(k, p.Strength, func(c []int) {
				tup := Tuple{Factors: c}
				for _, f := range c {
					tup.Levels = append(tup.Levels, row[f])
				}
				allowed[p.Words(tup)] = true
			})
		}
		a, err := Make(p)
		if !some {
			require.Error(t, err)
			return
		}
		require.NoError(t, err)
		missing, wrong := uncovered(t, a)
		require.Zero(t, missing)
		require.Zero(t, wrong)
		require.Equal(t, len(allowed), a.Possible)
		for _, im := range a.Impossible {
			require.False(t, allowed[p.Words(im.Tuple)], p.Words(im.Tuple))
		}
		for _, row := range a.Rows {
			require.False(t, broken(p, row))
		}
		again, err := Make(p)
		require.NoError(t, err)
		require.Empty(t, cmp.Diff(a, again), "the same seed gives the same array")
	})
}

func broken(p Plan, row []int) bool {
	for _, r := range p.Rules {
		all := true
		for f, fac := range p.Factors {
			words, named := r.Forbid[fac.Name]
			if !named {
				continue
			}
			has := false
			for _, w := range words {
				has = has || w == fac.Levels[row[f]]
			}
			all = all && has
		}
		if all {
			return true
		}
	}
	return false
}

// Kind: property.
func TestReasonsAreTheRulesThatForbid(t *testing.T) {
	t.Parallel()
	p := Plan{Strength: 2, Seed: 1, Factors: []Factor{{"a", []string{"0", "1"}}, {"b", []string{"0", "1"}}, {"c", []string{"0", "1"}}}, Rules: []Rule{
		{"a and b", map[string][]string{"a": {"1"}, "b": {"1"}}},
		{"b off and c", map[string][]string{"b": {"0"}, "c": {"1"}}},
		{"idle", map[string][]string{"a": {"0"}, "b": {"0"}, "c": {"0"}}},
	}}
	a, err := Make(p)
	require.NoError(t, err)
	got := map[string][]string{}
	for _, im := range a.Impossible {
		got[p.Words(im.Tuple)] = im.Why
	}
	want := map[string][]string{
		"a=1, b=1": {"a and b"},
		"b=0, c=1": {"b off and c"},
		"a=1, c=1": {"a and b", "b off and c"},
		"a=0, b=0": {"b off and c", "idle"},
	}
	require.Empty(t, cmp.Diff(want, got))
}

// Kind: property.
func TestMistakesInAPlan(t *testing.T) {
	t.Parallel()
	two := uniform(2, 2)
	for _, c := range []struct {
		plan Plan
		want string
	}{
		{Plan{Factors: two, Strength: 3}, "a strength of 3 does not go with 2 factors; write 1 to 2"},
		{Plan{Factors: []Factor{{Name: "x"}}, Strength: 1}, "the factor x has no levels"},
		{Plan{Factors: append(uniform(1, 2), uniform(1, 2)...), Strength: 1}, `there are two factors "f0"`},
		{Plan{Factors: two, Strength: 2, Rules: []Rule{{"r", map[string][]string{"f0": {"9"}}}}}, `the rule "r" names the level "9", which f0 does not have`},
		{Plan{Factors: two, Strength: 2, Rules: []Rule{{"r", map[string][]string{"g": {"0"}}}}}, `the rule "r" names a factor that is not there, or none`},
		{Plan{Factors: two, Strength: 2, Rules: []Rule{{"r", map[string][]string{"f0": {"0", "1"}}}}}, "the rules forbid every row"},
	} {
		_, err := Make(c.plan)
		require.EqualError(t, err, c.want)
	}
}

// Rules hold in every row of an array of which rows were taken out and the rest
// mended.
//
// Kind: property.
func TestMendedRowsKeepToTheRules(t *testing.T) {
	for seed := range uint64(4) {
		p := Plan{Strength: 2, Seed: seed, Factors: uniform(9, 3), Rules: []Rule{
			{"a", map[string][]string{"f0": {"0"}, "f1": {"1", "2"}}}, {"b", map[string][]string{"f2": {"2"}, "f3": {"2"}, "f4": {"0", "1"}}},
			{"c", map[string][]string{"f5": {"1"}, "f8": {"1"}}}, {"d", map[string][]string{"f6": {"0"}, "f1": {"0"}}},
		}}
		a, err := Make(p)
		require.NoError(t, err)
		for _, row := range a.Rows {
			require.False(t, broken(p, row), "%v", row)
		}
		p.Effort = -1
		whole, err := Make(p)
		require.NoError(t, err)
		require.Less(t, len(a.Rows), len(whole.Rows), "no row was taken out")
		missing, wrong := uncovered(t, a)
		require.Zero(t, missing)
		require.Zero(t, wrong)
	}
}

// Coverage counts what has been run: nothing at first, every possible tuple once
// every row has been run, and each row takes from what is open what it holds.
//
// Kind: property.
func TestCoverage(t *testing.T) {
	a, err := Make(Plan{Factors: uniform(3, 3, 2, 2), Strength: 2, Seed: 3})
	require.NoError(t, err)
	require.Len(t, a.Words(), a.Possible)
	c := a.Coverage()
	require.Zero(t, c.Run())
	require.ElementsMatch(t, a.Words(), c.Open())
	for i, row := range a.Rows {
		before := c.Open()
		c.Add(row)
		after := c.Open()
		require.Equal(t, a.Possible, c.Run()+len(after), "row %d", i)
		for _, words := range before {
			held := true
			for part := range strings.SplitSeq(words, ", ") {
				name, level, _ := strings.Cut(part, "=")
				f := slices.IndexFunc(a.Plan.Factors, func(f Factor) bool { return f.Name == name })
				held = held && a.Plan.Factors[f].Levels[row[f]] == level
			}
			require.Equal(t, !held, slices.Contains(after, words), "%s after row %d", words, i)
		}
	}
	require.Empty(t, c.Open())
}

// Another seed gives another array.
//
// Kind: property.
func TestSeedsDiffer(t *testing.T) {
	a, err := Make(Plan{Factors: uniform(6, 4), Strength: 2, Seed: 1})
	require.NoError(t, err)
	b, err := Make(Plan{Factors: uniform(6, 4), Strength: 2, Seed: 2})
	require.NoError(t, err)
	require.NotEqual(t, a.Rows, b.Rows)
}
