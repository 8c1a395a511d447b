package check_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/understudy/cmd/refhost/host"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

// summing is the reference host that writes statistics, with some of its description
// replaced by something else.
func summing(t *testing.T, replace ...string) *hostfile.Host {
	text, err := scenarios.Files.ReadFile("hosts/reference-summaries.yaml")
	require.NoError(t, err)
	h, err := hostfile.Parse("summing.yaml", []byte(strings.NewReplacer(replace...).Replace(string(text))))
	require.NoError(t, err)
	return h
}

func summed(t *testing.T, s *scenario.Scenario, h *hostfile.Host, defect string) *check.Outcome {
	self, err := os.Executable()
	require.NoError(t, err)
	c := check.Check{Scenario: s, Host: h, Run: t.TempDir(), Self: self, Extra: []string{"--defect", defect}, Coverage: defect != ""}
	out, err := c.Do(t.Context())
	require.NoError(t, err)
	return out
}

// The statistics of a correct host are right of every shipped scenario, by any rules.
//
// Kind: model.
func TestSummariesOfACorrectHost(t *testing.T) {
	t.Parallel()
	const stated = "{subgroup: 5, within: pooled, share-of: tolerance}"
	for _, rules := range []string{stated, "{of: received, subgroup: 2, within: mean-range, interaction: kept}"} {
		for _, name := range testenv.Share(t, 4, 40, shippedNames(t)) {
			t.Run(name+" "+rules, func(t *testing.T) {
				t.Parallel()
				out := summed(t, shipped(t, name), summing(t, stated, rules), "")
				require.Equal(t, judge.Pass, out.Verdict, explain(out))
			})
		}
		t.Run("published "+rules, func(t *testing.T) {
			t.Parallel()
			out := summed(t, shipped(t, "40-published-statistics"), summing(t, stated, rules), "")
			require.Equal(t, judge.Pass, out.Verdict, explain(out))
			require.GreaterOrEqual(t, out.Statistics, 24)
			require.Empty(t, out.NotJudged)
		})
	}
}

// Every mistake of the statistics is found and named, and another scenario could have
// shown it.
//
// Kind: process.
func TestEverySummaryMistakeIsNamed(t *testing.T) {
	t.Parallel()
	for _, d := range host.SummaryDefects() {
		t.Run(d.Name, func(t *testing.T) {
			t.Parallel()
			name := "40-published-statistics"
			if d.Name == "summary-rounding" {
				name = "10-no-reading" // whose host has a coarser step than the gauge
			}
			out := summed(t, shipped(t, name), summing(t), d.Name)
			require.Equal(t, judge.Fail, out.Verdict, explain(out))
			require.Len(t, out.Explanations, 1, explain(out))
			require.Equal(t, d.Name, out.Explanations[0].Cause.Name, explain(out))
			require.Zero(t, out.Unexplained)
			require.Equal(t, len(out.Findings), out.Counts.ByKind[judge.KindSummary])
			require.Contains(t, out.Coverage.Shown, d.Name)
		})
	}
}

// The data of NumAcc4 through a gauge of 1000 mm that resolves 10 nm: a correct host has
// the certified mean and standard deviation, times 10⁻⁴, and one that sums squares in one
// pass is found.
//
// Kind: outside.
func TestNumAcc4ThroughAGauge(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	b.WriteString(`understudy: 1
title: NumAcc4
seed: 1
part: {feature: length, limits: [999.99 mm, 1000.01 mm]}
gauges:
  - {name: bar, dialect: compact-binary, resolution: 0.00001 mm, channels: [{name: A, mid-stroke: 1000 mm, preset: 1000 mm}]}
cues:
  - {at: 0 s, do: preset}
`)
	for i := range 1001 {
		size := "2"
		if i > 0 {
			size = []string{"3", "1"}[i%2]
		}
		fmt.Fprintf(&b, "  - {at: %d ms, do: rest on, size: 1000.0000%s mm}\n  - {at: %d ms, do: tag}\n", 1000+100*i, size, 1050+100*i)
	}
	for _, defect := range []string{"", "spread-in-one-pass"} {
		s, err := scenario.Parse("numacc4.yaml", []byte(b.String()), shippedDialect)
		require.NoError(t, err)
		out := summed(t, s, summing(t), defect)
		text, err := os.ReadFile(filepath.Join(out.Check.Run, "records.csv"))
		require.NoError(t, err)
		has := func(row string) bool { return strings.Contains(string(text), row) }
		require.True(t, has(",bar,A,,1000.00002000,mm,,mean\n"), explain(out))
		if defect == "" {
			require.Equal(t, judge.Pass, out.Verdict, explain(out))
			require.True(t, has(",bar,A,,0.000010000,mm,,s\n"))
			continue
		}
		require.Equal(t, judge.Fail, out.Verdict, explain(out))
		require.Equal(t, defect, out.Explanations[0].Cause.Name, explain(out))
	}
}

// Summaries in a file of their own, a column for each statistic, in a decimal comma. What
// is wrong there is found; where rows are wrong, or the file is not there, nothing is said.
//
// Kind: process.
func TestSummariesInAFileOfTheirOwn(t *testing.T) {
	t.Parallel()
	const description = `understudy-host: 1
title: Host with two files
run: [none]
records: {form: csv, only-lines: ",(event|reading)$"}
summary:
  records: {form: csv, file: "{run}/summary.csv", separator: semicolon, decimal-mark: comma, columns: {gauge: Gauge}}
  statistics: {mean: Average, s: Sigma, count: Count}
`
	for _, c := range []struct {
		name, defect, claims, file string
		verdict                    judge.Verdict
		right                      int
		says                       string
	}{
		{"right", "", "", "Gauge;Count;Average;Sigma\nmavro;50;2,001856;0,000429\nnumacc;3;1000,0002;0,0001\n", judge.Pass, 6, ""},
		{"wrong", "", "", "Gauge;Count;Average;Sigma\nmavro;50;2,001856;0,000430\n", judge.Fail, 2, ""},
		{"no column", "", "", "Gauge;Count;Average\nmavro;50;2,001856\n", judge.Pass, 0, `summaries: the records have no column "Sigma" for value; their columns are Gauge, Count, Average`},
		{"none", "", "", "", judge.Pass, 0, "summaries: the host has written none"},
		{"of rows that are not claimed", "", "does-not-claim: [complete]\n", "Gauge;Count;Average;Sigma\nmavro;50;2,1;0,1\n", judge.Pass, 0, "summaries: the host does not claim complete, so they may be of other readings"},
		{"of wrong rows", "decimal-shifted", "", "Gauge;Count;Average;Sigma\nmavro;50;20,01856;0,00429\n", judge.Fail, 0, "summaries: the rows that they are of are not all right"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			h, err := hostfile.Parse("own.yaml", []byte(description+c.claims))
			require.NoError(t, err)
			run := t.TempDir()
			check := check.Check{Scenario: shipped(t, "40-published-statistics"), Host: h, Run: run, Func: func(ctx context.Context, _ *check.Job) error {
				err := host.Do(ctx, filepath.Join(run, "job.json"), c.defect)
				if c.file != "" {
					require.NoError(t, os.WriteFile(filepath.Join(run, "summary.csv"), []byte(c.file), 0o644))
				}
				return err
			}}
			out, err := check.Do(t.Context())
			require.NoError(t, err)
			require.Equal(t, c.verdict, out.Verdict, explain(out))
			require.Equal(t, c.right, out.Statistics)
			if c.says != "" {
				require.Contains(t, out.NotJudged, c.says)
			}
		})
	}
}
