package judge_test

import (
	"context"
	"iter"
	"maps"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"slices"
	"testing"
	"time"

	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/testenv"
	"example.org/understudy/sim/zone"
)

// longRun is a run of n tags of one gauge, as it comes from a ledger file, and
// the records of a host that loses one of them.
func longRun(n, lost int) (judge.Spec, iter.Seq[ledger.Entry], []judge.Record) {
	spec := judge.Spec{Unit: decimal.MM, Resolution: decimal.New(1, -3), Gauges: []judge.Gauge{{
		Name: "bore-1", Tags: judge.Tags{First: 1, Last: 9999, Window: 2 * time.Second}, Line: "9600 8N1",
		Channels: []judge.Channel{{Name: "A", Limits: zone.Limits{Lower: zone.At(7985 * decimal.Micrometre), Upper: zone.At(8015 * decimal.Micrometre),
			WarnLower: zone.At(7990 * decimal.Micrometre), WarnUpper: zone.At(8010 * decimal.Micrometre)}}}}}}
	limits := spec.Gauges[0].Channels[0].Limits
	value := func(i int) decimal.Decimal { return decimal.New(7980+int64(i*7919%41), -3) }
	place := func(i int) zone.Zone {
		v, _ := decimal.Exactly(value(i), decimal.MM)
		return limits.Place(decimal.New(int64(v), 0), spec.Rule)
	}
	entries := func(yield func(ledger.Entry) bool) {
		yield(ledger.Entry{Kind: ledger.KindRun, Run: &ledger.Run{}})
		yield(ledger.Entry{Kind: ledger.KindPort, Gauge: "bore-1", Port: &ledger.Port{What: "opened"}})
		for i := range n {
			tag := int64(i%9999) + 1
			at := time.Duration(i) * 100 * time.Millisecond
			yield(ledger.Entry{T: at, Kind: ledger.KindFrame, Gauge: "bore-1", Frame: &ledger.Frame{ID: i + 1, Cause: ledger.Tag, Name: "tag", Tag: &tag,
				Readings: []ledger.Reading{{Channel: "A", Shown: value(i), Unit: "mm"}}, Bytes: ledger.Hex("T0001 A +08.0000 mm OK 55\r\n")}})
			if !yield(ledger.Entry{T: at, Kind: ledger.KindOut, Gauge: "bore-1", Out: &ledger.Out{Frames: []int{i + 1}, Fate: ledger.Sent}}) {
				return
			}
		}
		yield(ledger.Entry{Kind: ledger.KindEnd})
	}
	records := make([]judge.Record, 0, n)
	for i := range n {
		if i == lost {
			continue
		}
		tag, v := int64(i%9999)+1, value(i)
		records = append(records, judge.Record{Row: i + 2, Kind: "reading", Gauge: "bore-1", Channel: "A", Tag: &tag, Value: &v, Unit: "mm", Zone: place(i).String()})
	}
	return spec, entries, records
}

// One lost record among very many is one finding, and put down to no cause: no
// mistake of the catalogue loses one record in the middle and no other.
//
// Kind: property.
func TestOneLostAmongMany(t *testing.T) {
	t.Parallel()
	n := testenv.Count(10_000, 30_000)
	spec, entries, records := longRun(n, n/2)
	res := judge.JudgeSeq(context.Background(), spec, entries, records)
	if res.Counts.Findings != 1 || res.Findings[0].Kind != judge.KindTagLost || res.Findings[0].Frame != n/2+1 {
		t.Errorf("%d findings\n%s", res.Counts.Findings, describe(res.Findings))
	}
	if len(res.Explanations) > 0 || res.Unexplained != 1 {
		t.Errorf("%+v, %d unexplained", res.Explanations, res.Unexplained)
	}
}

// In a long run the cause is found too: when every value is wrong, and when
// many rows are missing.
//
// Kind: model.
func TestCausesOfLongRuns(t *testing.T) {
	t.Parallel()
	n := testenv.Count(3_500, 25_000)
	spoilt := map[string]func(spec *judge.Spec, rs []judge.Record) []judge.Record{
		"decimal-shifted": func(_ *judge.Spec, rs []judge.Record) []judge.Record {
			for i := range rs {
				v := rs[i].Value.Mul(decimal.New(10, 0))
				rs[i].Value, rs[i].Zone = &v, "above"
			}
			return rs
		},
		"tag-number-off": func(_ *judge.Spec, rs []judge.Record) []judge.Record {
			for i := range rs {
				tag := *rs[i].Tag + 1
				rs[i].Tag = &tag
			}
			return rs
		},
		"rows-buffered": func(_ *judge.Spec, rs []judge.Record) []judge.Record { return rs[:n-512] },
		"upper-ignored": func(_ *judge.Spec, rs []judge.Record) []judge.Record {
			for i := range rs {
				if rs[i].Zone == "above" {
					rs[i].Zone = "warn-high"
				}
			}
			return rs
		},
	}
	for _, name := range testenv.Sample(t, 1, slices.Sorted(maps.Keys(spoilt))) {
		spec, entries, records := longRun(n, -1)
		res := judge.JudgeSeq(context.Background(), spec, entries, spoilt[name](&spec, records))
		if len(res.Explanations) == 0 || res.Explanations[0].Cause.Name != name || res.Unexplained > 0 {
			t.Errorf("%s: %+v, %d unexplained", name, res.Explanations, res.Unexplained)
		}
	}
}

// BenchmarkMillion judges a million records of which one is lost, and explains
// it. It reports the most memory the process held, the records among it, with
// the limit that the command sets itself; and the time against one plain pass over the ledger's entries.
func BenchmarkMillion(b *testing.B) {
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(540 << 20))
	const n = 1_000_000
	spec, entries, records := longRun(n, n/2)
	start := time.Now()
	for range entries {
	}
	base := time.Since(start)
	held := func() uint64 {
		s := []metrics.Sample{{Name: "/memory/classes/total:bytes"}, {Name: "/memory/classes/heap/released:bytes"}}
		metrics.Read(s)
		return s[0].Value.Uint64() - s[1].Value.Uint64()
	}
	runtime.GC()
	before, peak := held(), uint64(0)
	stop, done := make(chan bool), make(chan bool)
	go func() {
		defer close(done)
		for tick := time.NewTicker(5 * time.Millisecond); ; {
			select {
			case <-stop:
				tick.Stop()
				return
			case <-tick.C:
				peak = max(peak, held())
			}
		}
	}()
	for b.Loop() {
		res := judge.JudgeSeq(context.Background(), spec, entries, records)
		if res.Counts.Findings != 1 {
			b.Fatalf("%d findings", res.Counts.Findings)
		}
	}
	close(stop)
	<-done
	b.ReportMetric(float64(peak)/1e6, "MB-held")
	b.ReportMetric(float64(before)/1e6, "MB-before")
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(base.Nanoseconds()), "x-reading-the-ledger")
}

// BenchmarkExtra judges a short run in whose records many rows stand that nobody asked
// for.
func BenchmarkExtra(b *testing.B) {
	const more = 300_000
	spec, entries, records := longRun(1000, -1)
	for i := range more {
		tag, v := int64(i%9999)+1, decimal.New(int64(9_000_000+i), -6)
		records = append(records, judge.Record{Row: len(records) + 2, Kind: "reading", Gauge: "bore-1", Channel: "A", Tag: &tag, Value: &v, Unit: "mm", Zone: "above"})
	}
	for b.Loop() {
		if res := judge.JudgeSeq(context.Background(), spec, entries, records); res.Counts.Findings != more {
			b.Fatalf("%d findings", res.Counts.Findings)
		}
	}
}

// BenchmarkDiagnose explains twelve findings in a million frames.
func BenchmarkDiagnose(b *testing.B) {
	const n = 1_000_000
	spec, entries, records := longRun(n, -1)
	for k := range 12 {
		r := &records[(k+1)*n/13]
		v := r.Value.Mul(decimal.New(10, 0))
		r.Value, r.Zone = &v, "above"
	}
	for b.Loop() {
		if res := judge.JudgeSeq(context.Background(), spec, entries, records); res.Counts.Findings < 12 {
			b.Fatalf("%d findings", res.Counts.Findings)
		}
	}
}
