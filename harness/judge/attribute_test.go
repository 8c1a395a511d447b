package judge_test

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/testenv"
)

// mistaken turns a world into that of a host with mistakes: what a mistake
// leaves open is drawn.
func (w *world) mistaken(hyp cause.Hypothesis) *world {
	one := hyp.Has(cause.Named("last-row-lost")[0]) // which of several last ones that is may vary, their number not
	cut := int32(-1)
	if rows, _ := judge.Model(w.spec, w.entries, hyp); rows.Over {
		w.restart("stopped")
	}
	rows, h := judge.Model(w.spec, w.entries, hyp)
	if rows.Over {
		cut = int32(slices.IndexFunc(h.Seen, func(s cause.Seen) bool { return s.What == cause.Stopped }))
	}
	type placed struct {
		rec  judge.Record
		seen int32
		at   int
	}
	var all []placed
	width := w.spec.Width()
	whole := slices.ContainsFunc(hyp, cause.Variant.Whole) // it loses all that it may
	for s, ws := range rows.Readings {
		for _, want := range ws {
			spoilt := want.Changed&cause.LooseValue != 0
			if want.Loss == 0 && !spoilt || want.Loss < cause.Must && (whole || one && want.Loss == 1 || !one && w.r.Intn(2) == 0) || want.Seen < cut {
				continue
			}
			ga := w.spec.Gauges[s/width]
			rec := judge.Record{Kind: "reading", Gauge: ga.Name, Channel: ga.Channels[s%width].Name, Unit: want.Unit.Symbol(), Zone: want.Zone.String()}
			if want.Tagged {
				tag := want.Tag
				rec.Tag = &tag
			}
			if !want.Void {
				v := want.Value
				if spoilt {
					v = decimal.New(w.r.Int63n(1e6), -3)
				}
				rec.Value = &v
			}
			all = append(all, placed{rec, want.Seen, len(all)})
			if rows.Doubles && w.r.Intn(4) == 0 {
				all = append(all, placed{rec, want.Seen, len(all)})
			}
		}
	}
	for g, ws := range rows.Events {
		for _, want := range ws {
			if want.Loss == cause.Must && want.Seen >= cut {
				all = append(all, placed{judge.Record{Kind: want.Event.String(), Gauge: w.spec.Gauges[g].Name}, want.Seen, len(all)})
			}
		}
	}
	slices.SortFunc(all, func(a, b placed) int { return cmp.Or(cmp.Compare(a.seen, b.seen), cmp.Compare(a.at, b.at)) })
	if rows.Shuffles {
		last := map[string]int{}
		for i := range all {
			name := all[i].rec.Gauge + all[i].rec.Channel
			if k, ok := last[name]; ok && all[i].rec.Kind == "reading" && h.Seen[all[i].seen].Joined {
				all[i], all[k] = all[k], all[i]
			}
			last[name] = i
		}
	}
	if rows.Late {
		for i := len(all) - 1; i >= 0; i-- {
			if p := all[i]; p.rec.Kind != "reading" && p.rec.Kind != "link-lost" {
				to := min(i+12, len(all)-1)
				copy(all[i:to], all[i+1:to+1])
				all[to] = p
			}
		}
	}
	if rows.Nothing {
		all = slices.DeleteFunc(all, func(p placed) bool { return p.rec.Kind == "reading" })
	}
	if rows.Tails {
		all = all[:max(0, len(all)-5)]
	}
	if rows.Quits {
		w.entries = slices.Insert(w.entries, len(w.entries)-1, ledger.Entry{Kind: ledger.KindHost, Note: ledger.Quit + ": exit status 1"})
	}
	if rows.Slow {
		w.entries = slices.Insert(w.entries, len(w.entries)-1, ledger.Entry{Kind: ledger.KindOut, Gauge: "g1", Out: &ledger.Out{Frames: []int{1}, Fate: ledger.Full}})
	}
	add := func(p ledger.Port) {
		w.entries = slices.Insert(w.entries, len(w.entries)-1, ledger.Entry{Kind: ledger.KindPort, Gauge: "g1", Port: &p})
	}
	if rows.Breaks {
		add(ledger.Port{What: "break", Note: "true"})
	}
	if rows.Stalls {
		add(ledger.Port{What: "stalled", Lasted: 2 * time.Second})
	}
	for i := range w.entries {
		if p := w.entries[i].Port; p != nil && p.What == "lines" && rows.Idle {
			p.Note = "DTR false RTS false"
		}
	}
	w.records = nil
	for i, p := range all {
		w.now = time.Duration(i) * time.Second
		w.row(p.rec)
		rec := &w.records[i]
		if rows.Backwards && i%2 == 1 {
			rec.Time = rec.Time.Add(-time.Duration(min(i, 90)) * time.Second) // within the run
		}
		if rows.Jumps && i > len(all)/2 {
			rec.Time = rec.Time.Add(-time.Hour)
		}
		if rows.Zoned {
			rec.Time = rec.Time.Add(2 * time.Hour)
		}
	}
	for g := range w.spec.Gauges {
		name := w.spec.Gauges[g].Name
		var ws []judge.Write
		for _, r := range rows.Requests[g] {
			if rows.LoseValue {
				if r.Setting == "unit" {
					r.To = "in"
				} else if r.To != "" {
					r.To = "0.315"
				}
			}
			ws = append(ws, r.Write)
		}
		if rows.LateWrites {
			at := slices.IndexFunc(w.entries, func(e ledger.Entry) bool {
				return e.Kind == ledger.KindFrame && e.Frame.Cause == ledger.Tag && e.Gauge == name
			})
			for _, r := range ws {
				at++
				w.entries = slices.Insert(w.entries, at, ledger.Entry{Kind: ledger.KindRequest, Gauge: name,
					Request: &ledger.Request{Verb: r.Verb, Setting: r.Setting, Channel: r.Channel, Value: r.To}})
			}
		} else {
			w.configured(name, ws)
		}
		for i := range w.entries {
			if p := w.entries[i].Port; p != nil && p.What == "asked" && w.entries[i].Gauge == name {
				switch rows.Lines[g] {
				case cause.AnotherSpeed:
					p.Line = "19200 8N1"
				case cause.AnotherParity:
					p.Line = "9600 8E1"
				}
			}
		}
	}
	return w
}

// attribution counts how a cause fares over many worlds.
type attribution struct {
	shown, first, second, rival, other int
	wrong                              map[string]int
}

func (a *attribution) add(name string, res judge.Result) {
	a.shown++
	for k, e := range res.Explanations {
		if e.Cause.Name == name {
			if k == 0 {
				a.first++
			} else {
				a.second++
			}
			return
		}
	}
	for _, e := range res.Explanations {
		if slices.ContainsFunc(e.Rivals, func(r judge.Rival) bool { return r.Name == name }) {
			a.rival++
			a.wrong[e.Cause.Name]++
			return
		}
	}
	a.other++
	var names []string
	for _, e := range res.Explanations {
		names = append(names, e.Cause.Name)
	}
	a.wrong[name+" as "+strings.Join(names, "+")]++
}

// Every cause's own records are put down to it, or to a cause whose records
// are the same on that evidence, which then names it as its rival. The records are
// those of the judge's own model, to which TestHandWrittenRows holds it.
//
// Kind: self.
func TestEveryCauseIsNamed(t *testing.T) {
	t.Parallel()
	const worlds = 2
	few := testenv.Count(1, 0) // one more that is not named first weighs more in a sample
	total := attribution{wrong: map[string]int{}}
	shown := map[string]int{}
	for _, v := range testenv.Sample(t, 10, cause.Variants()) {
		for seed := uint64(0); seed < worlds || shown[v.Name()] == 0 && seed < 40; seed++ {
			sh := shape{gauges: 2, channels: 2, steps: 60, events: true, streams: true}
			w := newWorld(seed*7919+uint64(v.Rank()), sh).play(sh).mistaken(cause.Hypothesis{v})
			res := judge.Judge(w.spec, w.entries, w.records)
			if len(res.Findings) == 0 {
				continue // the mistake did not show in this world
			}
			shown[v.Name()]++
			total.add(v.Name(), res)
		}
		if shown[v.Name()] == 0 && v.Name() != "never-reopens" { // which has a test of its own
			t.Errorf("%s showed in no world", v.Name())
		}
	}
	t.Logf("%+v", total)
	if total.other > 0 || 100*(total.first+few) < 95*total.shown {
		t.Errorf("named first in %d of %d, second in %d, as a rival in %d; not at all in %d: %v", total.first, total.shown, total.second, total.rival, total.other, total.wrong)
	}
}

// In a run that is too long to be tried whole, ports that changed places long before
// are where they were left.
//
// Kind: self.
func TestPlacesInALongRun(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 2, channels: 1, steps: 5}
	w := newWorld(21, sh).play(sh)
	w.spec.Begun = time.Time{} // it goes on for hours
	w.entries = w.entries[:len(w.entries)-1]
	for g := range 2 {
		w.port(w.spec.Gauges[g].Name, ledger.Port{What: "hung up", Path: "ports/" + w.spec.Gauges[g].Name})
	}
	for g := range 2 {
		for _, what := range []string{"returned", "opened"} {
			w.port(w.spec.Gauges[g].Name, ledger.Port{What: what, Path: "ports/" + w.spec.Gauges[1-g].Name})
		}
	}
	still := shape{gauges: 2, channels: 1, steps: testenv.Count(300, 4000)}
	w = w.play(still).mistaken(cause.Named("gauges-by-port"))
	res := judge.Judge(w.spec, w.entries, w.records)
	if res.Searched == "" || len(res.Explanations) == 0 || res.Explanations[0].Cause.Name != "gauges-by-port" || 20*res.Unexplained > res.Counts.Findings {
		t.Errorf("%s %+v, %d unexplained of %d\n%s", res.Verdict, res.Explanations, res.Unexplained, res.Counts.Findings, describe(res.Findings[:min(5, len(res.Findings))]))
	}
}

// A host that leaves the port closed after a hang-up loses nothing that it was
// given, and is found all the same.
//
// Kind: property.
func TestPortNotOpenedAgain(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 1, channels: 1, steps: 10}
	w := newWorld(3, sh).play(sh).correct()
	end := w.entries[len(w.entries)-1]
	w.entries = w.entries[:len(w.entries)-1]
	w.port("g1", ledger.Port{What: "hung up", Path: "ports/g1"})
	w.row(judge.Record{Kind: "link-lost", Gauge: "g1"})
	w.now += time.Second
	w.port("g1", ledger.Port{What: "returned", Path: "ports/g1"})
	f := w.frame(0, w.tag(0, []ledger.Reading{w.reading(0, 0, decimal.MM)}))
	w.out(0, ledger.Out{Frames: []int{f.ID}, Fate: ledger.Unheard})
	w.entries = append(w.entries, end)
	res := judge.Judge(w.spec, w.entries, w.records)
	if len(res.Findings) != 1 || res.Findings[0].Kind != judge.KindReopen || res.Findings[0].Cause != "never-reopens" {
		t.Errorf("%s\n%s", res.Verdict, describe(res.Findings))
	}
}

// Two mistakes at once are both found in at least nine of ten pairs that can
// be seen apart: where each changes the records beside the other.
//
// Kind: self.
func TestTwoCausesAtOnce(t *testing.T) {
	t.Parallel()
	vs := cause.Variants()
	r := random.New(5)
	both, tries := 0, 0
	missed := map[string]int{}
	few := testenv.Count(1, 0) // one miss weighs more in a sample
	for most := testenv.Count(3, 25); tries < most; {
		a, b := vs[r.Intn(len(vs))], vs[r.Intn(len(vs))]
		if a.Rank() == b.Rank() {
			continue
		}
		sh := shape{gauges: 2, channels: 2, steps: 60, events: true, streams: true}
		seed := r.Uint64()
		judged := func(h cause.Hypothesis) judge.Result {
			w := newWorld(seed, sh).play(sh).mistaken(h)
			return judge.Judge(w.spec, w.entries, w.records)
		}
		res := judged(cause.Hypothesis{a, b})
		if same(res, judged(cause.Hypothesis{a})) || same(res, judged(cause.Hypothesis{b})) {
			continue // one of them hides the other, or did not show
		}
		tries++
		found := 0
		for _, name := range []string{a.Name(), b.Name()} {
			if slices.ContainsFunc(res.Explanations, func(e judge.Explanation) bool { return names(e, name) }) {
				found++
			}
		}
		if found == 2 {
			both++
		} else {
			var names []string
			for _, e := range res.Explanations {
				names = append(names, fmt.Sprintf("%s(%d)", e.Cause.Name, e.Explains))
			}
			missed[fmt.Sprintf("%s and %s: %v, %d unexplained", a.Name(), b.Name(), names, res.Unexplained)]++
		}
	}
	t.Logf("%d of %d; %v", both, tries, missed)
	if 10*(both+few) < 9*tries {
		t.Errorf("both found in %d of %d pairs: %v", both, tries, missed)
	}
}

// same reports whether two worlds look alike to the judge.
func same(a, b judge.Result) bool {
	return describe(a.Findings) == describe(b.Findings) && a.Counts.Findings == b.Counts.Findings
}

// What no cause predicts is left unexplained, and nothing is accused of it.
//
// Kind: property.
func TestUnknownMistakesStayUnexplained(t *testing.T) {
	t.Parallel()
	r := random.New(11)
	named := 0
	runs := testenv.Count(1, 16)
	for n := range runs {
		sh := shape{gauges: 1, channels: 2, steps: 60, events: true}
		w := newWorld(uint64(n), sh).play(sh).correct()
		hit := 0
		for i := range w.records {
			if rec := &w.records[i]; rec.Value != nil && r.Intn(6) == 0 {
				v := rec.Value.Add(w.spec.Resolution.Mul(decimal.New(int64(3+r.Intn(500)), 0)))
				rec.Value = &v
				hit++
			}
		}
		if hit < 3 {
			continue
		}
		res := judge.Judge(w.spec, w.entries, w.records)
		if res.Verdict != judge.Fail || res.Counts.Findings < hit {
			t.Errorf("%d values changed, %d findings, %s", hit, res.Counts.Findings, res.Verdict)
		}
		for _, e := range res.Explanations {
			named++
			t.Logf("run %d: %s explains %d of %d", n, e.Cause.Name, e.Explains, hit)
		}
	}
	if named > runs/10 {
		t.Errorf("%d causes named in %d runs of random mistakes", named, runs)
	}
}
