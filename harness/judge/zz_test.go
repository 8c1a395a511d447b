package judge_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
)

func TestZZ(t *testing.T) {
	say := func(name string, f func() judge.Result) {
		at := time.Now()
		r := f()
		fmt.Printf("%-30s %8.2fs %d findings %d left %v %v %s\n", name, time.Since(at).Seconds(), r.Counts.Findings, r.Unexplained, zzNames(r), r.Patterns, r.Searched)
	}
	for _, n := range []int{500, 4000, 300_000} {
		spec, entries, records := longRun(2000, -1)
		extra := records[700]
		v := decimal.New(7001, -3)
		extra.Value = &v
		rs := append([]judge.Record{}, records[:1000]...)
		for range n {
			rs = append(rs, extra)
		}
		rs = append(rs, records[1000:]...)
		say(fmt.Sprint("extra equal ", n), func() judge.Result { return judge.JudgeSeq(context.Background(), spec, entries, rs) })
		rs = append([]judge.Record{}, records[:1000]...)
		for i := range n {
			e := extra
			tag, v := int64(20000+i), decimal.New(int64(5000+i), -3)
			e.Tag, e.Value = &tag, &v
			rs = append(rs, e)
		}
		rs = append(rs, records[1000:]...)
		say(fmt.Sprint("extra other ", n), func() judge.Result { return judge.JudgeSeq(context.Background(), spec, entries, rs) })
	}
	const n = 1_000_000
	spec, entries, records := longRun(n, -1)
	rs := append([]judge.Record{}, records...)
	for k := range 12 {
		i := 40_000 + k*80_000
		v := rs[i].Value.Neg()
		rs[i].Value, rs[i].Zone = &v, "below"
	}
	say("million, 12", func() judge.Result { return judge.JudgeSeq(context.Background(), spec, entries, rs) })
	var kept []judge.Record
	for i := range records {
		if (i+1)%80_000 != 0 {
			kept = append(kept, records[i])
		}
	}
	say("million, 12 lost", func() judge.Result { return judge.JudgeSeq(context.Background(), spec, entries, kept) })
}

func zzNames(r judge.Result) (s []string) {
	for _, e := range r.Explanations {
		s = append(s, e.Cause.Name)
	}
	return s
}
