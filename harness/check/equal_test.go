package check_test

import (
	"slices"
	"testing"

	"example.org/understudy/cmd/refhost/inprocess"
	"example.org/understudy/harness/explore/inside"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

const equal = `understudy: 1
title: A tip at rest
part: {feature: bore, nominal: 8.000 mm, limits: [7.985 mm, 8.015 mm]}
gauges:
  - {name: g1, dialect: line-ascii, resolution: 0.001 mm, serial-line: 115200 8N1, stream: 50 Hz}
host: {keeps: all}
cues:
  - {at: 0 s, do: preset, to: 8.000 mm}
  - {at: 1010 ms, do: tag, times: 8, every: 1 s}
until: 10 s
`

// However long the readings stay the same, a lost row is one finding, and a doubled
// one is one: the tags hold the rest in place.
//
// Kind: process.
func TestOneRowAmongEqualOnes(t *testing.T) {
	t.Parallel()
	s, err := scenario.Parse("equal.yaml", []byte(equal), shippedDialect)
	require.NoError(t, err)
	h, err := inprocess.Host("")
	require.NoError(t, err)
	run, err := inside.Do(t.Context(), s, h)
	require.NoError(t, err)
	require.Equal(t, judge.Pass, run.Verdict)
	r := random.New(4)
	for range testenv.Count(4, 25) {
		rows := slices.Clone(run.Records)
		lost := r.Intn(6)
		for range lost {
			k := r.Intn(len(rows))
			rows = slices.Delete(rows, k, k+1)
		}
		res := judge.Judge(run.Spec, run.Entries, rows)
		require.Equal(t, lost, res.Counts.Findings, "%d rows lost: %+v", lost, res.Counts.ByKind)
		if lost == 0 {
			k := r.Intn(len(rows))
			rows = slices.Insert(rows, k, rows[k])
			res := judge.Judge(run.Spec, run.Entries, rows)
			require.Equal(t, 1, res.Counts.Findings, "row %d doubled: %+v", k, res.Counts.ByKind)
			require.Equal(t, "row-doubled", res.Explanations[0].Cause.Name)
		}
	}
}
