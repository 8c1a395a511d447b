package judge_test

import (
	"slices"
	"testing"
	"time"

	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
	"github.com/stretchr/testify/require"
)

// A host's clock may be off by 5 s at either end of a run, and no more.
//
// Kind: outside.
func TestClockSlack(t *testing.T) {
	for off, want := range map[time.Duration]bool{-5 * time.Second: true, -5001 * time.Millisecond: false, time.Hour: true, time.Hour + 5*time.Second: true, time.Hour + 5001*time.Millisecond: false} {
		w := newWorld(4, shape{gauges: 1, channels: 1, steps: 10}).play(shape{gauges: 1, channels: 1, steps: 10}).correct()
		require.NotEmpty(t, w.records)
		for i := range w.records {
			w.records[i].Time = w.begun.Add(off)
		}
		res := judge.Judge(w.spec, w.entries, w.records)
		require.Equal(t, want, res.Verdict == judge.Pass, "%v: %s", off, describe(res.Findings))
		for _, f := range res.Findings {
			require.Equal(t, judge.KindTimeOff, f.Kind)
		}
	}
}

// Time zones come in quarter hours (from memory: Nepal is at +05:45, the Chatham
// Islands at +12:45): records that are all off by such a time are put down to it,
// and those that are off by another to something else.
//
// Kind: outside.
func TestQuarterHourZones(t *testing.T) {
	for off, want := range map[time.Duration]bool{
		-5*time.Hour - 45*time.Minute: true, 12*time.Hour + 45*time.Minute: true, 2 * time.Hour: true, 14 * time.Hour: true,
		-5*time.Hour - 40*time.Minute: false, 15 * time.Hour: false,
	} {
		sh := shape{gauges: 1, channels: 1, steps: 20}
		w := newWorld(4, sh).play(sh).correct()
		w.spec.Ended = w.begun.Add(w.now)
		for i := range w.records {
			w.records[i].Time = w.records[i].Time.Add(off)
		}
		res := judge.Judge(w.spec, w.entries, w.records)
		require.Equal(t, judge.Fail, res.Verdict)
		zone := slices.ContainsFunc(res.Explanations, func(e judge.Explanation) bool { return e.Cause.Name == "time-zone" })
		require.Equal(t, want, zone, "%v: %+v", off, res.Explanations)
	}
}

// A row that has its tag or its value is the row of its reading; one that has
// neither is another row, and the reading's is lost. One without a tag still is,
// whatever its value.
//
// Kind: outside.
func TestWhichRowIsWhose(t *testing.T) {
	number := func(n int64) *int64 { return &n }
	for _, c := range []struct {
		name  string
		tag   *int64
		value string
		want  []judge.Kind
	}{
		{"its tag and value", number(1), "8.000", nil},
		{"another tag", number(7), "8.000", []judge.Kind{judge.KindTag}},
		{"another value", number(1), "8.002", []judge.Kind{judge.KindValue}},
		{"another tag and value", number(7), "8.002", []judge.Kind{judge.KindTagLost, judge.KindExtra}},
		{"no tag", nil, "8.000", []judge.Kind{judge.KindTag}},
		{"no tag and another value", nil, "8.002", []judge.Kind{judge.KindTag, judge.KindValue}},
	} {
		v := decimal.MustParse(c.value)
		res := oneRow(judge.Spec{Resolution: decimal.MustParse("0.001")}, "8.000", "mm", judge.Record{Row: 2, Kind: "reading", Gauge: "g", Channel: "A", Tag: c.tag, Value: &v, Unit: "mm", Zone: "in"})
		var got []judge.Kind
		for _, f := range res.Findings {
			got = append(got, f.Kind)
		}
		require.ElementsMatch(t, c.want, got, c.name)
	}
}
