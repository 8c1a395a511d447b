package judge_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
	"github.com/google/go-cmp/cmp"
)

// one is a run of one tagged reading and the row a host wrote of it.
func one(spec judge.Spec, shown, unit, value, z string) judge.Result {
	tag, v := int64(1), decimal.MustParse(value)
	return oneRow(spec, shown, unit, judge.Record{Row: 2, Kind: "reading", Gauge: "g", Channel: "A", Tag: &tag, Value: &v, Unit: "mm", Zone: z})
}

// oneRow is the same with any row.
func oneRow(spec judge.Spec, shown, unit string, row judge.Record) judge.Result {
	tag := int64(1)
	spec.Gauges = []judge.Gauge{{Name: "g", Tags: judge.Tags{First: 1, Last: 99, Window: time.Second}, Channels: []judge.Channel{{Name: "A",
		Limits: zone.Limits{Lower: zone.At(7985 * decimal.Micrometre), Upper: zone.At(8015 * decimal.Micrometre)}}}}}
	return judge.Judge(spec, []ledger.Entry{
		{Kind: ledger.KindRun, Run: &ledger.Run{}},
		{Kind: ledger.KindPort, Gauge: "g", Port: &ledger.Port{What: "opened"}},
		{Kind: ledger.KindFrame, Gauge: "g", Frame: &ledger.Frame{ID: 1, Cause: ledger.Tag, Tag: &tag, Bytes: ledger.Hex("x"),
			Readings: []ledger.Reading{{Channel: "A", Shown: decimal.MustParse(shown), Unit: unit}}}},
		{Kind: ledger.KindOut, Gauge: "g", Out: &ledger.Out{Frames: []int{1}, Fate: ledger.Sent}},
		{Kind: ledger.KindEnd},
	}, []judge.Record{row})
}

// What a host is to record of one reading, by the rule that is stated.
//
// Kind: outside.
func TestRules(t *testing.T) {
	t.Parallel()
	res := decimal.MustParse("0.001")
	even := judge.Spec{Resolution: res}
	unrounded := judge.Spec{Resolution: res, Rule: zone.Rule{Decide: zone.Unrounded}}
	guarded := judge.Spec{Resolution: res, Rule: zone.Rule{Guard: 2 * decimal.Micrometre, U: 2 * decimal.Micrometre}}
	for _, c := range []struct {
		source                   string
		spec                     judge.Spec
		shown, unit, value, zone string
	}{
		// ASTM E29 §6 (rounding method): the observed value is rounded to the
		// places of the limit and then compared; §5 (absolute method): it is
		// compared as it is. The figures are ours.
		{"E29 rounding method", even, "8.0154", "mm", "8.015", "inside"},
		{"E29 absolute method", unrounded, "8.0154", "mm", "8.015", "above"},
		// ISO 80000-1 Annex B rule A, ASTM E29 §6.4: a tie goes to the even digit.
		{"tie to even", even, "8.0145", "mm", "8.014", "inside"},
		{"tie to even", even, "8.0155", "mm", "8.016", "above"},
		// ISO 80000-1 Annex B rule B: a tie goes to the greater magnitude.
		{"tie up", judge.Spec{Resolution: res, Rounding: decimal.HalfUp}, "8.0145", "mm", "8.015", "inside"},
		// NIST SP 811 Appendix B.8: 1 in = 25.4 mm exactly. 0.3155 in = 8.0137 mm.
		{"inch", even, "0.3155", "in", "8.014", "inside"},
		// JCGM 106:2012 §8.3.2 and ISO 14253-1: acceptance limits lie U inside.
		{"guarded, on the acceptance limit", guarded, "8.013", "mm", "8.013", "inside"},
		{"guarded, one count beyond", guarded, "8.014", "mm", "8.014", "above"},
		// JCGM 106:2012 §8.2: simple acceptance; the limit itself conforms.
		{"simple, on the limit", even, "8.015", "mm", "8.015", "inside"},
		{"strict, on the limit", judge.Spec{Resolution: res, Rule: zone.Rule{Strict: true}}, "8.015", "mm", "8.015", "above"},
	} {
		if res := one(c.spec, c.shown, c.unit, c.value, c.zone); res.Verdict != judge.Pass {
			t.Errorf("%s: %s %s recorded as %s, %s: %s\n%s", c.source, c.shown, c.unit, c.value, c.zone, res.Verdict, describe(res.Findings))
		}
		other := map[string]string{"inside": "above", "above": "inside"}[c.zone]
		if res := one(c.spec, c.shown, c.unit, c.value, other); res.Verdict != judge.Fail || len(res.Findings) != 1 || res.Findings[0].Kind != judge.KindZone {
			t.Errorf("%s: %s %s recorded as %s, %s passes", c.source, c.shown, c.unit, c.value, other)
		}
	}
}

// A finding says what was expected, what was got, and by which rule. The probability is
// that of the 8.0142 mm that were sent (0.7881 of the normal distribution lies below
// 0.8: any table of it), not of the 8.014 mm that are shown.
//
// Kind: golden.
func TestFindingsAreWorded(t *testing.T) {
	t.Parallel()
	res := one(judge.Spec{Resolution: decimal.MustParse("0.001"), Rule: zone.Rule{Guard: 2 * decimal.Micrometre, U: 2 * decimal.Micrometre}}, "8.0142", "mm", "8.015", "inside")
	type words struct{ Kind, Expected, Got, Rule string }
	var got []words
	for _, f := range res.Findings {
		got = append(got, words{string(f.Kind), f.Expected, f.Got, f.Rule})
	}
	want := []words{
		{"value", "8.014 mm", "8.015 mm", "the gauge sent 8.0142 mm, rounded half-even to 0.001 mm"},
		{"zone", "above", "inside", "the displayed value is above the upper specification limit 8.015 mm moved in by U = 0.002 mm; taking U for twice the standard uncertainty, it conforms with a probability of 0.79"},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// Where the evidence does not tell two causes apart, the second is named as
// the first one's rival: a single value on the upper specification limit does not show
// whether the comparison is strict or made in binary floating point.
//
// Kind: property.
func TestRivalsAreStated(t *testing.T) {
	t.Parallel()
	res := one(judge.Spec{Resolution: decimal.MustParse("0.001")}, "8.015", "mm", "8.015", "above")
	if len(res.Explanations) != 1 {
		t.Fatalf("%+v", res.Explanations)
	}
	e := res.Explanations[0]
	if e.Cause.Name != "strict-limits" || !slices.Contains(e.Rivals, judge.Rival{Name: "float-compare", Same: true}) {
		t.Errorf("%s, rivals %v", e.Cause.Name, e.Rivals)
	}
}

// What could not be decided is never a pass, and says why.
//
// Kind: property.
func TestInconclusive(t *testing.T) {
	t.Parallel()
	spec := judge.Spec{Resolution: decimal.MustParse("0.001"), Gauges: []judge.Gauge{{Name: "g", Channels: []judge.Channel{{Name: "A"}}}}}
	run, end := ledger.Entry{Kind: ledger.KindRun, Run: &ledger.Run{}}, ledger.Entry{Kind: ledger.KindEnd}
	open := ledger.Entry{Kind: ledger.KindPort, Gauge: "g", Port: &ledger.Port{What: "opened"}}
	for _, c := range []struct {
		entries []ledger.Entry
		verdict judge.Verdict
		reasons []string
	}{
		{[]ledger.Entry{run, end}, judge.Inconclusive, []string{"the host never opened the port of g"}},
		{[]ledger.Entry{run, open, end}, judge.Inconclusive, []string{"nothing was sent to the host"}},
		{[]ledger.Entry{run, open}, judge.Inconclusive, []string{"the ledger has no end: the run was cut off"}},
		{[]ledger.Entry{run, open, {Kind: ledger.KindPort, Gauge: "h", Port: &ledger.Port{What: "opened"}}, end}, judge.Inconclusive,
			[]string{`the ledger has a gauge "h" that the host was not told of`}},
	} {
		res := judge.Judge(spec, c.entries, nil)
		if d := cmp.Diff(c.reasons, res.Reasons); d != "" || res.Verdict != c.verdict {
			t.Errorf("%s %s", res.Verdict, d)
		}
	}
	spec.Resolution = decimal.Decimal{}
	if res := judge.Judge(spec, nil, nil); res.Verdict != judge.Error {
		t.Errorf("a resolution of 0: %s", res.Verdict)
	}
}

// A host that had to be killed at the end has had the time to record everything.
//
// Kind: property.
func TestKilled(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 1, channels: 1, steps: 30}
	for lost, want := range map[int]judge.Verdict{0: judge.Pass, 1: judge.Fail, 6: judge.Fail} {
		w := newWorld(4, sh).play(sh).correct()
		w.spec.Killed = true
		res := judge.Judge(w.spec, w.entries, w.records[:len(w.records)-lost])
		if res.Verdict != want {
			t.Errorf("%d rows lost: %s", lost, res.Verdict)
		}
		if lost == 6 && (len(res.Explanations) != 1 || res.Explanations[0].Cause.Name != "rows-buffered") {
			t.Errorf("%d rows lost: %+v", lost, res.Explanations)
		}
	}
}

// One that is killed in mid-run and started again may lose the record in hand, and no
// more; one that is asked to end may lose nothing.
//
// Kind: property.
func TestEndedInMidRun(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 1, channels: 1, steps: 30}
	for _, c := range []struct {
		how   string
		lost  int
		want  judge.Verdict
		cause string
	}{
		{"killed", 0, judge.Pass, ""}, {"killed", 1, judge.Pass, ""}, {"killed", 6, judge.Fail, "rows-buffered"}, {"killed", -1, judge.Fail, "starts-over"},
		{"stopped", 0, judge.Pass, ""}, {"stopped", 1, judge.Fail, "last-row-lost"}, {"stopped", -1, judge.Fail, "starts-over"},
	} {
		w := newWorld(4, sh).play(sh)
		w.entries = w.entries[:len(w.entries)-1] // not yet the end
		n := len(w.records)
		if c.lost < 0 { // all of them; and of the first of two lives already
			w.ends("stopped")
			w.play(sh)
			w.entries = w.entries[:len(w.entries)-1]
			n = len(w.records)
			c.lost = n
		}
		w.ends(c.how)
		w.play(sh).correct()
		res := judge.Judge(w.spec, w.entries, slices.Delete(w.records, n-c.lost, n))
		if res.Verdict != c.want || c.cause != "" && (len(res.Explanations) != 1 || res.Explanations[0].Cause.Name != c.cause) {
			t.Errorf("%s, %d rows lost: %s %+v\n%s", c.how, c.lost, res.Verdict, res.Explanations, describe(res.Findings))
		}
	}
}

// What a killed host had no real time to record is not due, and what it had the time
// for is.
//
// Kind: property.
func TestKilledBeforeItHadTheTime(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 1, channels: 1, steps: 30}
	for _, c := range []struct {
		since time.Duration // of the timeline before the kill
		lost  int
		want  judge.Verdict
	}{{0, 1, judge.Fail}, {0, 6, judge.Fail}, {time.Nanosecond, 1, judge.Pass}, {time.Hour, 6, judge.Pass}} {
		w := newWorld(4, sh).play(sh)
		w.entries = w.entries[:len(w.entries)-1]
		n := len(w.records)
		w.ends("killed")
		for i := range w.entries {
			if e := &w.entries[i]; e.Kind == ledger.KindHost && e.Note == "killed" {
				had := e.T - c.since
				e.Had = &had
			}
		}
		w.play(sh).correct()
		res := judge.Judge(w.spec, w.entries, slices.Delete(w.records, n-c.lost, n))
		if res.Verdict != c.want {
			t.Errorf("it had the time up to %s before: %s\n%s", c.since, res.Verdict, describe(res.Findings))
		}
	}
}

// A ledger that was cut off accuses nobody, wherever that was: what the host recorded
// after it would seem made up.
//
// Kind: property.
func TestCutOff(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 2, channels: 1, steps: 30}
	w := newWorld(4, sh).play(sh).correct()
	for n := range w.entries {
		if res := judge.Judge(w.spec, w.entries[:n], w.records); res.Verdict != judge.Inconclusive || len(res.Findings) > 0 {
			t.Fatalf("after %d entries: %s\n%s", n, res.Verdict, describe(res.Findings))
		}
	}
}

// Only the last rows of a gauge may be about to come.
//
// Kind: property.
func TestTail(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 1, channels: 1, steps: 30}
	for _, c := range []struct {
		from, to int // rows that are missing, counted from the end
		want     bool
	}{{1, 0, true}, {6, 0, true}, {6, 5, false}} {
		w := newWorld(4, sh).play(sh).correct()
		n := len(w.records)
		res := judge.Judge(w.spec, w.entries, slices.Delete(w.records, n-c.from, n-c.to))
		if res.Verdict != judge.Fail || res.Tail != c.want {
			t.Errorf("rows %d to %d from the end: %s, tail %v\n%s", c.from, c.to, res.Verdict, res.Tail, describe(res.Findings))
		}
	}
}

// A host that records only OK and NOK is held to that: a warning is OK, a reading
// called OK outside a limit is found, which limit it was is not told. The rows are
// written by hand.
//
// Kind: outside.
func TestCoarseVerdicts(t *testing.T) {
	t.Parallel()
	words := map[string]string{
		"OK":  zone.SetOf(zone.Inside, zone.WarnLow, zone.WarnHigh).String(),
		"NOK": zone.SetOf(zone.Below, zone.Above).String(),
	}
	values := []string{"8.000", "8.016", "7.984", "8.011", "7.988", "8.015"} // in, above, below, warn-high, warn-low, on the limit
	for _, c := range []struct {
		cause string
		says  string // of each value
		want  judge.Verdict
	}{
		{"", "OK NOK NOK OK OK OK", judge.Pass}, // as warnings-ignored and limits-swapped have it, too
		{"lower-ignored", "OK NOK OK OK OK OK", judge.Fail},
		{"upper-ignored", "OK OK NOK OK OK OK", judge.Fail},
		{"zone-always-inside", "OK OK OK OK OK OK", judge.Fail},
		{"warnings-as-limits", "OK NOK NOK NOK NOK NOK", judge.Fail},
		{"strict-limits", "OK NOK NOK OK OK NOK", judge.Fail},
	} {
		facts := ""
		for i, z := range strings.Fields(c.says) {
			facts += fmt.Sprintf("tag %d %s\n  row g A %d %s mm %s\n", i+1, values[i], i+1, values[i], z)
		}
		w := tell(t, facts, "wrong")
		for i := range w.records {
			w.records[i].Zone = words[w.records[i].Zone]
		}
		res := judge.Judge(w.spec, w.entries, w.records)
		if res.Verdict != c.want || res.Unexplained > 0 || c.want == judge.Fail && (len(res.Explanations) != 1 || !names(res.Explanations[0], c.cause)) {
			t.Errorf("%s: %s %+v\n%s", c.cause, res.Verdict, res.Explanations, describe(res.Findings))
		}
	}
}

// names reports whether an explanation names a cause, or one whose records would be
// the same.
func names(e judge.Explanation, cause string) bool {
	return e.Cause.Name == cause || slices.Contains(e.Rivals, judge.Rival{Name: cause, Same: true})
}

// An event word that nobody has said the meaning of leaves the run undecided: the
// rows may be readings.
//
// Kind: property.
func TestUnmappedEvents(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 1, channels: 1, steps: 10}
	w := newWorld(3, sh).play(sh).correct()
	for i := range w.records[:3] {
		w.records[i].Kind = "Mass"
	}
	res := judge.Judge(w.spec, w.entries, w.records)
	if d := cmp.Diff([]string{fmt.Sprintf(`row %d and 2 more: unknown event word "Mass": map it under events in the host description, as reading, or as ignored if it says nothing that is judged`,
		w.records[0].Row)}, res.Reasons); d != "" || res.Verdict != judge.Inconclusive || len(res.Findings) > 0 {
		t.Errorf("%s %s", res.Verdict, d)
	}
}

// A host may say that it is connected when it starts, and no longer when it ends;
// once each.
//
// Kind: property.
func TestConnectedAndNot(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 1, channels: 1, steps: 10}
	for n, want := range map[int]judge.Verdict{1: judge.Pass, 2: judge.Fail} {
		w := newWorld(3, sh)
		for range n {
			w.row(judge.Record{Kind: "link-back", Gauge: "g1"})
		}
		w.play(sh)
		w.row(judge.Record{Kind: "link-lost", Gauge: "g1"})
		w.correct()
		if res := judge.Judge(w.spec, w.entries, w.records); res.Verdict != want {
			t.Errorf("%d times: %s\n%s", n, res.Verdict, describe(res.Findings))
		}
	}
}

// What a host does not claim is not judged, and said not to be.
//
// Kind: property.
func TestNotClaimed(t *testing.T) {
	t.Parallel()
	sh := shape{gauges: 2, channels: 2, steps: 40, events: true}
	w := newWorld(9, sh).play(sh).correct()
	w.spec.RealTime = true
	for i := range w.records {
		w.records[i].Zone = "above"
	}
	for _, claim := range []bool{true, false} {
		if w.spec.Claims = nil; !claim {
			for _, a := range []judge.Aspect{"value", "unit", "tag", "complete"} {
				w.spec.Claims = append(w.spec.Claims, a)
			}
		}
		res := judge.Judge(w.spec, w.entries, w.records)
		if (res.Verdict == judge.Fail) != claim {
			t.Errorf("claimed %v: %s", claim, res.Verdict)
		}
		if claim != (len(res.NotJudged) == 0) {
			t.Errorf("claimed %v, not judged: %q", claim, res.NotJudged)
		}
	}
}
