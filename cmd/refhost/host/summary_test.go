package host

import (
	"math/big"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// summed are the statistics of what a host heard, as "mean 8.001".
func summed(j *job, d defects, steps []event) string {
	h, now := newMind(j, d), dayOne
	for _, s := range steps {
		s(h, &now)
	}
	var out []string
	for _, r := range h.statistics(0, 0, now) {
		out = append(out, r.event+" "+r.value)
	}
	return strings.Join(out, ", ")
}

func summing(f func(r *rules)) func(j *job) {
	return func(j *job) {
		j.Summary = &rules{Of: "recorded", Subgroup: 2, Within: "pooled", Interaction: "pooled", ShareOf: "study-variation", Deviations: *dec("6")}
		j.Gauges[0].Channels = []channel{{Name: "A", Lower: dec("0"), Upper: dec("6"), LimitsUnit: "mm"}}
		if f != nil {
			f(j.Summary)
		}
	}
}

func studied(share string) func(j *job) {
	return func(j *job) {
		summing(func(r *rules) { r.ShareOf = share })(j)
		j.Gauges[0].Study = &layout{2, 2, 2}
	}
}

func tags(texts ...string) (all []event) {
	for i, t := range texts {
		all = append(all, tag(int64(i+1), t))
	}
	return all
}

// Of 1, 2, 4, 5 by hand: mean 3, squared deviations 10 in all, s = √(10/3); pairs of a
// variance of 1/2; limits 0 and 6. The study is that of two operators, two parts and two
// trials: equipment 1/2, operators 1, parts 10; its pairs have variances of 8, 8, 8 and 18.
//
// Kind: outside.
func TestStatistics(t *testing.T) {
	t.Parallel()
	four := tags("1", "2", "4", "5")
	const right = "count 4, mean 3.000000, s 1.8257419, range 4.000000, Cp 1.4142, Cpk 1.4142, Pp 0.5477, Ppk 0.5477"
	study := tags("1", "5", "1", "5", "2", "6", "2", "8")
	start := "count 8, mean 3.750000, s 2.6049404, range 7.000000, "
	for _, c := range []struct {
		name, defect string
		job          func(j *job)
		steps        []event
		want         string
	}{
		{"right", "", summing(nil), four, right},
		{"mean range", "", summing(func(r *rules) { r.Within = "mean-range" }), four, strings.Replace(right, "Cp 1.4142, Cpk 1.4142", "Cp 1.1280, Cpk 1.1280", 1)},
		{"with n", "spread-over-n", summing(nil), four, "count 4, mean 3.000000, s 1.5811388, range 4.000000, Cp 1.4142, Cpk 1.4142, Pp 0.6325, Ppk 0.6325"},
		{"in one pass", "spread-in-one-pass", summing(nil), four, right},
		{"Cp of all", "capability-overall", summing(nil), four, strings.Replace(right, "Cp 1.4142, Cpk 1.4142", "Cp 0.5477, Cpk 0.5477", 1)},
		{"Pp within", "performance-within", summing(nil), four, strings.Replace(right, "Pp 0.5477, Ppk 0.5477", "Pp 1.4142, Ppk 1.4142", 1)},
		{"limits of the first", "summary-limits", summing(nil), four, right},
		{"streamed left out", "", summing(nil), append(tags("2", "4"), stream("3")), "count 2, mean 3.000000, s 1.4142136, range 2.000000, Cp 0.7071, Cpk 0.7071, Pp 0.7071, Ppk 0.7071"},
		{"streamed among them", "summary-streamed", summing(nil), append(tags("2", "4"), stream("3")), "count 3, mean 3.000000, s 1.0000000, range 2.000000, Cp 0.7071, Cpk 0.7071, Pp 1.0000, Ppk 1.0000"},
		{"void left out", "", summing(nil), tags("2", "void", "4"), "count 2, mean 3.000000, s 1.4142136, range 2.000000, Cp 0.7071, Cpk 0.7071, Pp 0.7071, Ppk 0.7071"},
		{"void as 0", "summary-void-as-zero", summing(nil), tags("1", "void", "2"), "count 3, mean 1.000000, s 1.0000000, range 2.000000, Cp 1.4142, Cpk 0.4714, Pp 1.0000, Ppk 0.3333"},
		{"rounded", "", summing(nil), tags("1.0004", "3.0004"), "count 2, mean 2.000000, s 1.4142136, range 2.000000, Cp 0.7071, Cpk 0.4714, Pp 0.7071, Ppk 0.4714"},
		{"not rounded", "summary-rounding", summing(nil), tags("1.0004", "3.0004"), "count 2, mean 2.000400, s 1.4142136, range 2.000000, Cp 0.7071, Cpk 0.4715, Pp 0.7071, Ppk 0.4715"},
		{"a study", "", studied("study-variation"), study, start + "Cp 0.3086, Cpk 0.2315, Pp 0.3839, Ppk 0.2879, %R&R 36.116, ndc 3"},
		{"of the tolerance", "", studied("tolerance"), study, start + "Cp 0.3086, Cpk 0.2315, Pp 0.3839, Ppk 0.2879, %R&R 122.474, ndc 3"},
		{"5.15", "study-variation", studied("tolerance"), study, start + "Cp 0.3086, Cpk 0.2315, Pp 0.3839, Ppk 0.2879, %R&R 105.124, ndc 3"},
		{"of variances", "share-of-variances", studied("study-variation"), study, start + "Cp 0.3086, Cpk 0.2315, Pp 0.3839, Ppk 0.2879, %R&R 13.043, ndc 3"},
		{"the other share", "share-of-other", studied("study-variation"), study, start + "Cp 0.3086, Cpk 0.2315, Pp 0.3839, Ppk 0.2879, %R&R 122.474, ndc 3"},
		{"rounded ndc", "classes-rounded", studied("study-variation"), study, start + "Cp 0.3086, Cpk 0.2315, Pp 0.3839, Ppk 0.2879, %R&R 36.116, ndc 4"},
		{"of one reading", "", summing(nil), tags("1"), ""},
		{"nobody asked", "", func(*job) {}, four, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			j := plainJob()
			c.job(j)
			if d := cmp.Diff(c.want, summed(j, defects{c.defect: true}, c.steps)); d != "" {
				t.Error(d)
			}
		})
	}
}

// Kind: property.
func TestRootText(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		x := big.NewRat(rapid.Int64Range(0, 1e9).Draw(t, "numerator"), rapid.Int64Range(1, 1e6).Draw(t, "denominator"))
		n := rapid.IntRange(0, 9).Draw(t, "decimals")
		f := new(big.Float).SetPrec(300).SetRat(x)
		f.Add(f.Sqrt(f), big.NewFloat(1e-40)) // a tie goes away from zero
		require.Equal(t, f.Text('f', n), rootText(x, n))
	})
}
