package judge_test

import (
	"bytes"
	"encoding/json"
	"slices"
	"testing"

	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
)

// Whatever stands in a ledger and in the records, judging ends with a verdict.
//
// Kind: property.
func FuzzJudge(f *testing.F) {
	for seed := range uint64(3) {
		sh := shape{gauges: 1, channels: 1, steps: 4, events: true, streams: true}
		w := newWorld(seed, sh).play(sh).correct()
		var b bytes.Buffer
		lw := ledger.NewWriter(&b)
		for _, e := range w.entries {
			lw.Write(e)
		}
		if err := lw.Flush(); err != nil {
			f.Fatal(err)
		}
		recs, err := json.Marshal(w.records)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b.Bytes(), recs)
	}
	f.Add([]byte(`{"t":0,"k":"run","run":{"version":1}}
{"t":1,"g":"g1","k":"frame","frame":{"id":1,"cause":"tag","readings":[{"ch":"A","shown":"1e300","unit":"in"}],"tag":1,"bytes":"00"}}
{"t":1,"g":"g1","k":"out","out":{"frames":[1,1,2],"fate":"sent","bytes":"0000","count":-5}}
{"t":-1,"g":"g1","k":"out","out":{"fate":"unread","count":-9}}`), []byte(`[{"Kind":"reading","Gauge":"g1","Channel":"A","Value":"9e399"},{}]`))
	f.Fuzz(func(t *testing.T, text, rows []byte) {
		var entries []ledger.Entry
		_, _ = ledger.Read(bytes.NewReader(text), func(e ledger.Entry) bool { entries = append(entries, e); return len(entries) < 40 })
		var recs []judge.Record
		_ = json.Unmarshal(rows, &recs)
		w := newWorld(1, shape{gauges: 1, channels: 1})
		w.spec.Resolution = decimal.New(1, -3)
		recs = recs[:min(len(recs), 12)]
		res := judge.Judge(w.spec, entries, recs)
		if (res.Verdict == judge.Pass) != (res.Counts.Findings == 0 && len(res.Reasons) == 0) && res.Verdict != judge.Error {
			t.Errorf("%s with %d findings, %v", res.Verdict, res.Counts.Findings, res.Reasons)
		}
		again := judge.JudgeSeq(t.Context(), w.spec, slices.Values(entries), slices.Clone(recs))
		if describe(res.Findings) != describe(again.Findings) || res.Verdict != again.Verdict || !slices.Equal(res.Reasons, again.Reasons) {
			t.Errorf("judged twice: %s\n%s\n%s\n%s", res.Verdict, describe(res.Findings), again.Verdict, describe(again.Findings))
		}
		frames := map[int]bool{0: true}
		for _, e := range entries {
			if e.Frame != nil {
				frames[e.Frame.ID] = true
			}
		}
		for i := range res.Findings {
			f := &res.Findings[i]
			if !frames[f.Frame] {
				t.Errorf("%s names frame %d, which is not in the ledger", f.Kind, f.Frame)
			}
			if f.Record != nil && !slices.ContainsFunc(recs, func(r judge.Record) bool { return r.Row == f.Record.Row && r.Text == f.Record.Text }) {
				t.Errorf("%s names row %d, which is not in the records", f.Kind, f.Record.Row)
			}
		}
	})
}
