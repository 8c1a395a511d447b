package judge_test

import (
	"slices"
	"testing"
	"time"

	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"github.com/stretchr/testify/require"
)

// A host's clock may be off by 5 s at either end of a run, and no more.
//
// Kind: property.
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
// Kind: property.
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
		res := oneRow(judge.Spec{Resolution: decimal.MustParse("0.001")}, "8.000", "mm", judge.Record{Row: 2, Kind: "reading", Gauge: "g", Channel: "A", Tag: c.tag, Value: &v, Unit: "mm", Zone: "inside"})
		var got []judge.Kind
		for _, f := range res.Findings {
			got = append(got, f.Kind)
		}
		require.ElementsMatch(t, c.want, got, c.name)
	}
}

// Each thing that a host's records or its use of the port can have wrong is found
// by its own name, and by no other: one change to what a correct host left.
//
// Kind: property.
func TestOneThingWrong(t *testing.T) {
	sh := shape{gauges: 1, channels: 1, steps: 12}
	number := func(n int64) *int64 { return &n }
	for _, c := range []struct {
		name   string
		change func(w *world)
		want   []judge.Kind
	}{
		{"nothing", func(*world) {}, nil},
		{"another speed", func(w *world) { w.asked("19200 8N1") }, []judge.Kind{judge.KindLine}},
		{"another parity", func(w *world) { w.asked("9600 8E1") }, []judge.Kind{judge.KindLine}},
		{"a setting written with fewer digits", func(w *world) {
			for i := range w.entries {
				if r := w.entries[i].Request; r != nil && r.Value == "8.000" {
					r.Value = "8"
				}
			}
		}, nil},
		{"the time of the row after", func(w *world) { w.records[3].Time = w.records[4].Time.Add(time.Second) }, []judge.Kind{judge.KindTime}},
		{"another unit word", func(w *world) { w.records[3].Unit = map[string]string{"mm": "in", "in": "mm"}[w.records[3].Unit] }, []judge.Kind{judge.KindUnit}},
		{"a word that is no unit", func(w *world) { w.records[3].Unit = "furlongs" }, []judge.Kind{judge.KindUnit}},
		{"another tag", func(w *world) { w.records[3].Tag = number(*w.records[3].Tag + 40) }, []judge.Kind{judge.KindTag}},
		{"no row", func(w *world) { w.records = slices.Delete(w.records, 3, 4) }, []judge.Kind{judge.KindTagLost}},
		{"a row twice", func(w *world) { w.records = slices.Insert(w.records, 4, w.records[3]) }, []judge.Kind{judge.KindTagRepeated}},
		{"a gauge that is not there", func(w *world) { w.row(judge.Record{Kind: "link-lost", Gauge: "h"}) }, []judge.Kind{judge.KindIdentity}},
		{"an event that was not", func(w *world) { w.row(judge.Record{Kind: "low-cell", Gauge: "g1"}) }, []judge.Kind{judge.KindEventExtra}},
	} {
		w := newWorld(6, sh).play(sh).correct()
		require.Greater(t, len(w.records), 6)
		c.change(w)
		res := judge.Judge(w.spec, w.entries, w.records)
		var got []judge.Kind
		for _, f := range res.Findings {
			got = append(got, f.Kind)
		}
		require.Equal(t, c.want, got, "%s\n%s", c.name, describe(res.Findings))
	}
}

// asked has the host of a world ask for other line settings.
func (w *world) asked(line string) {
	for i := range w.entries {
		if p := w.entries[i].Port; p != nil && p.What == "asked" {
			p.Line = line
		}
	}
}

// What a host may not have read when its port hung up it may leave out, and
// nothing before it.
//
// Kind: property.
func TestUnreadAtAHangUp(t *testing.T) {
	sh := shape{gauges: 1, channels: 1, steps: 10}
	for lost, want := range map[int]judge.Verdict{0: judge.Pass, 1: judge.Pass, 2: judge.Fail} {
		w := newWorld(3, sh).play(sh).correct()
		end := w.entries[len(w.entries)-1]
		w.entries = w.entries[:len(w.entries)-1]
		w.out(0, ledger.Out{Fate: ledger.Unread, Count: 1}) // the last byte of the last frame
		w.port("g1", ledger.Port{What: "hung up", Path: "ports/g1"})
		w.records = w.records[:len(w.records)-lost]
		w.row(judge.Record{Kind: "link-lost", Gauge: "g1"})
		w.port("g1", ledger.Port{What: "returned", Path: "ports/g1"})
		w.port("g1", ledger.Port{What: "opened", Path: "ports/g1"})
		w.row(judge.Record{Kind: "link-back", Gauge: "g1"})
		w.entries = append(w.entries, end)
		res := judge.Judge(w.spec, w.entries, w.records)
		require.Equal(t, want, res.Verdict, "%d rows left out: %s", lost, describe(res.Findings))
	}
}

// An event may stand one reading late, for a host may write it from another
// thread, and no later.
//
// Kind: property.
func TestEventsByAnotherThread(t *testing.T) {
	sh := shape{gauges: 1, channels: 1, steps: 10}
	for late, want := range map[int]judge.Verdict{0: judge.Pass, 1: judge.Pass, 2: judge.Fail} {
		w := newWorld(3, sh).play(sh)
		w.entries = w.entries[:len(w.entries)-1]
		w.port("g1", ledger.Port{What: "hung up", Path: "ports/g1"})
		at := len(w.records)
		w.row(judge.Record{Kind: "link-lost", Gauge: "g1"})
		w.port("g1", ledger.Port{What: "returned", Path: "ports/g1"})
		w.port("g1", ledger.Port{What: "opened", Path: "ports/g1"})
		back := len(w.records)
		w.row(judge.Record{Kind: "link-back", Gauge: "g1"})
		w.play(sh).correct()
		event := w.records[back]
		w.records = slices.Insert(slices.Delete(w.records, back, back+1), back+late, event)
		for i := at; i < len(w.records); i++ {
			w.records[i].Time = w.records[at].Time
		}
		res := judge.Judge(w.spec, w.entries, w.records)
		require.Equal(t, want, res.Verdict, "%d readings late: %s", late, describe(res.Findings))
	}
}
