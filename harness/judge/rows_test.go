package judge_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

// bench is a run of one gauge that is written by hand, a frame a second.
type bench struct {
	spec    judge.Spec
	entries []ledger.Entry
	rows    []judge.Record
	id      int
}

func newBench() *bench {
	b := &bench{spec: judge.Spec{Resolution: decimal.New(1, -3), Unit: decimal.MM, Gauges: []judge.Gauge{{Name: "g",
		Tags: judge.Tags{First: 1, Last: 9999, Window: 2 * time.Second}, Channels: []judge.Channel{{Name: "A"}}}}}}
	b.add(ledger.Entry{Kind: ledger.KindRun, Run: &ledger.Run{}})
	b.add(ledger.Entry{Kind: ledger.KindPort, Gauge: "g", Port: &ledger.Port{What: "opened", Path: "p"}})
	return b
}

func (b *bench) add(e ledger.Entry) {
	e.T = time.Duration(b.id) * time.Second
	b.entries = append(b.entries, e)
}

// sends has the gauge send a tag, or with tag 0 a streamed reading.
func (b *bench) sends(tag int64, value, fault string, repeat bool) {
	b.id++
	f := &ledger.Frame{ID: b.id, Cause: ledger.Stream, Repeat: repeat, Bytes: ledger.Hex(fmt.Sprintf("<%d>", b.id)),
		Readings: []ledger.Reading{{Channel: "A", Shown: decimal.MustParse(value), Unit: "mm"}}}
	if tag > 0 {
		f.Cause, f.Tag = ledger.Tag, &tag
	}
	b.add(ledger.Entry{Kind: ledger.KindFrame, Gauge: "g", Frame: f})
	o := &ledger.Out{Frames: []int{b.id}, Fate: ledger.Sent, Fault: fault}
	switch fault {
	case "garble":
		o.Bytes = ledger.Hex("<?>")
	case "behind garbage":
		o.Bytes = append(ledger.Hex("??"), f.Bytes...)
	}
	b.add(ledger.Entry{Kind: ledger.KindOut, Gauge: "g", Out: o})
}

func (b *bench) row(tag int64, value string) {
	v := decimal.MustParse(value)
	rec := judge.Record{Row: len(b.rows) + 1, Kind: "reading", Gauge: "g", Channel: "A", Value: &v, Text: value, Unit: "mm", Zone: "inside"}
	if tag > 0 {
		rec.Tag = &tag
	}
	b.rows = append(b.rows, rec)
}

func (b *bench) judge() judge.Result {
	b.add(ledger.Entry{Kind: ledger.KindEnd})
	return judge.Judge(b.spec, b.entries, b.rows)
}

// What a host perhaps could not read has told it nothing: a tag with the same number as
// one before, whose frame came behind garbage, does not make a repeat of that one new.
//
// Kind: property.
func TestUnreadTellsNothing(t *testing.T) {
	for _, row := range []bool{false, true} { // the host may have read it
		b := newBench()
		b.sends(7, "1.000", "", false)
		b.row(7, "1.000")
		b.sends(7, "2.000", "behind garbage", false)
		if row {
			b.row(7, "2.000")
		}
		b.sends(7, "1.000", "", true)
		if row {
			b.row(7, "1.000")
		}
		if res := b.judge(); len(res.Findings) > 0 {
			t.Errorf("read %v: %s", row, describe(res.Findings))
		}
	}
}

// What a host perhaps did not read it may have read the first of, the last of, or any
// of: a tag and its repeats are one row, which stands where the first of them was read.
// Readings are the same for long, so that it shows only among the rows around.
//
// Kind: property.
func TestAnyOfWhatIsPerhapsRead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := newBench()
		b.spec.All, b.spec.Gauges[0].Tags.Window = true, time.Hour
		type sent struct {
			tag   int64
			value string
		}
		var session, again []sent // since the last hang-up; tags that are still to be repeated
		recorded := map[int64]bool{}
		hangUp := func() {
			sure := rapid.IntRange(0, len(session)).Draw(t, "surely read")
			from, to := sure, len(session)
			any := rapid.Bool().Draw(t, "any")
			if rapid.Bool().Draw(t, "the first") {
				to = rapid.IntRange(sure, to).Draw(t, "to")
			} else {
				from = rapid.IntRange(sure, to).Draw(t, "from")
			}
			unread := &ledger.Out{Fate: ledger.Unread}
			for i, s := range session {
				if i >= sure {
					unread.Frames = append(unread.Frames, b.id-len(session)+1+i)
				}
				if read := i < sure || i >= from && i < to && (!any || rapid.Bool().Draw(t, "read")); !read || recorded[s.tag] {
					continue
				}
				recorded[s.tag] = s.tag > 0
				b.row(s.tag, s.value)
			}
			if len(unread.Frames) > 0 {
				b.add(ledger.Entry{Kind: ledger.KindOut, Gauge: "g", Out: unread})
			}
			session = nil
		}
		send := func(tag int64, value string, repeat bool) {
			b.sends(tag, value, "", repeat)
			session = append(session, sent{tag, value})
		}
		values := []string{"1.000", "1.001", "1.002"}[:rapid.IntRange(1, 3).Draw(t, "values")]
		value, tags := values[0], int64(0)
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			switch rapid.IntRange(0, 9).Draw(t, "step") {
			case 0, 1:
				tags++
				send(tags, value, false)
				again = append(again, sent{tags, value})
			case 2, 3:
				if len(again) > 0 {
					send(again[0].tag, again[0].value, true)
					again = again[1:]
				}
			case 4:
				value = rapid.SampledFrom(values).Draw(t, "value")
			case 5:
				hangUp()
			default:
				send(0, value, false)
			}
		}
		hangUp()
		if res := b.judge(); len(res.Findings) > 0 {
			t.Fatal(describe(res.Findings))
		}
	})
}

// A host that sees to each port by itself may record that one came back before it has
// recorded that it went, within the time that it takes to record; later it may not.
//
// Kind: property.
func TestEventsCloseTogether(t *testing.T) {
	for within, right := range map[time.Duration]bool{0: false, time.Second: false, 3 * time.Second: true} {
		b := newBench()
		b.spec.Within = within
		b.sends(1, "1.000", "", false)
		b.row(1, "1.000")
		b.add(ledger.Entry{Kind: ledger.KindPort, Gauge: "g", Port: &ledger.Port{What: "hung up", Path: "p"}})
		b.id += 2
		b.add(ledger.Entry{Kind: ledger.KindPort, Gauge: "g", Port: &ledger.Port{What: "returned", Path: "p"}})
		b.add(ledger.Entry{Kind: ledger.KindPort, Gauge: "g", Port: &ledger.Port{What: "opened", Path: "p"}})
		for _, what := range []string{"link-back", "link-lost"} {
			b.rows = append(b.rows, judge.Record{Row: len(b.rows) + 1, Kind: what, Gauge: "g"})
		}
		b.sends(2, "1.000", "", false)
		b.row(2, "1.000")
		if res := b.judge(); (len(res.Findings) == 0) != right {
			t.Errorf("within %s: %s", within, describe(res.Findings))
		}
	}
}

// Each row of a damaged frame has its own frame beside it.
//
// Kind: property.
func TestDamagedFramesAreCitedInTurn(t *testing.T) {
	b := newBench()
	b.sends(1, "1.000", "", false)
	b.row(1, "1.000")
	for k := range 3 {
		b.sends(int64(2+k), "1.500", "garble", false)
		b.row(90+int64(k), fmt.Sprintf("5.00%d", k))
	}
	b.sends(5, "1.000", "", false)
	b.row(5, "1.000")
	var frames []int
	for _, f := range b.judge().Findings {
		frames = append(frames, f.Frame)
	}
	if !slices.Equal(frames, []int{2, 3, 4}) {
		t.Errorf("frames %v", frames)
	}
}

// Rows that stand behind the place where others are missing say that these are not the
// last ones, in whichever stream they are.
//
// Kind: property.
func TestLastRowsAreNotMissingBeforeAnEvent(t *testing.T) {
	b := newBench()
	for k := range int64(8) {
		b.sends(1+k, fmt.Sprintf("1.00%d", k), "", false)
		if k < 5 {
			b.row(1+k, fmt.Sprintf("1.00%d", k))
		}
	}
	b.add(ledger.Entry{Kind: ledger.KindPort, Gauge: "g", Port: &ledger.Port{What: "hung up", Path: "p"}})
	b.add(ledger.Entry{Kind: ledger.KindPort, Gauge: "g", Port: &ledger.Port{What: "returned", Path: "p"}})
	b.add(ledger.Entry{Kind: ledger.KindPort, Gauge: "g", Port: &ledger.Port{What: "opened", Path: "p"}})
	for _, e := range []string{"link-lost", "link-back"} {
		b.rows = append(b.rows, judge.Record{Row: len(b.rows) + 1, Kind: e, Gauge: "g"})
	}
	res := b.judge()
	if res.Counts.Findings != 3 || slices.ContainsFunc(res.Explanations, func(e judge.Explanation) bool {
		return e.Cause.Name == "rows-buffered" || e.Cause.Name == "last-row-lost"
	}) {
		t.Errorf("%+v\n%s", res.Explanations, describe(res.Findings))
	}
}

// A row of an event between two tags is that of the cue between them, not of a later one.
//
// Kind: property.
func TestEventsStandAmongReadings(t *testing.T) {
	b := newBench()
	cell := func(low bool) {
		b.add(ledger.Entry{Kind: ledger.KindCell, Gauge: "g", Cell: &ledger.Cell{Percent: 8, Low: low}})
	}
	tag := int64(0)
	some := func(rows int) {
		for range rows {
			tag++
			b.sends(tag, "1.000", "", false)
			b.row(tag, "1.000")
		}
	}
	some(3)
	cell(true)
	b.rows = append(b.rows, judge.Record{Row: 99, Kind: "low-cell", Gauge: "g"})
	some(4)
	cell(false)
	some(4)
	cell(true) // the host misses this one
	some(4)
	res := b.judge()
	if len(res.Findings) != 1 || res.Findings[0].Kind != judge.KindEventMissing || res.Findings[0].At < 11*time.Second {
		t.Errorf("%s", describe(res.Findings))
	}
}

// Rows of two tags with equal readings that stand in each other's bursts are rows in
// another place, not a row under another tag, one that is missing and one too many.
//
// Kind: property.
func TestEqualReadingsInOtherPlaces(t *testing.T) {
	b := newBench()
	b.spec.Gauges[0].Tags.Last = 30
	values := map[int64]string{28: "1.000", 29: "1.001", 30: "1.002", 1: "1.000", 2: "1.003", 3: "1.004", 4: "1.000"}
	for _, tag := range []int64{28, 29, 30, 1, 2, 3, 4} {
		b.sends(tag, values[tag], "", false)
	}
	for _, tag := range []int64{29, 30, 28, 2, 3, 4, 1} {
		b.row(tag, values[tag])
	}
	res := b.judge()
	if len(res.Findings) != 2 || res.Findings[0].Kind != judge.KindOrder || res.Findings[1].Kind != judge.KindOrder {
		t.Error(describe(res.Findings))
	}
}

// Which of equal readings is missing is not known, and the finding says so.
//
// Kind: property.
func TestLostAmongEqualOnes(t *testing.T) {
	b := newBench()
	b.spec.All = true
	for k := range 9 {
		v := []string{"1.000", "2.000", "3.000"}[k/3]
		b.sends(0, v, "", false)
		if k != 4 {
			b.row(0, v)
		}
	}
	res := b.judge()
	if len(res.Findings) != 1 || !strings.Contains(res.Findings[0].Rule, "of 3 equal readings") || res.Findings[0].Frame != 0 {
		t.Errorf("%s", describe(res.Findings))
	}
	// A sentence may say which, and no more of them than are missing.
	c := judge.NewCase(t.Context(), b.spec, b.entries, b.rows)
	for text, want := range map[string]judge.Weight{
		"where it is row 4 of every 10 of the channel, the row is missing": {Explains: []int{0}, Rows: 1},
		"where it is row 6 of every 10 of the channel, the row is missing": {Explains: []int{0}, Rows: 1},
		"where it is row 7 of every 10 of the channel, the row is missing": {Against: true},
		"where it is row 1 of every 2 of the channel, the row is missing":  {Against: true},
		"where the cell is low, the row is missing":                        {},
	} {
		if diff := cmp.Diff(want, c.Weigh(judge.Candidate{Text: text}), cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("%s (-want +got):\n%s", text, diff)
		}
	}
}

// Rows by the thousand that nobody asked for are counted, the first of them listed, and
// put down to nothing; that they stand in one place does not make them doubles. Each of
// their times may be wrong too.
//
// Kind: property.
func TestManyRowsNobodyAskedFor(t *testing.T) {
	many := testenv.Count(4_000, 20_000)
	spec, entries, records := longRun(500, -1)
	for _, c := range []struct {
		name            string
		same, earlier   bool
		findings, kinds int
		cause           string
	}{{"equal", true, false, many, 1, ""}, {"other", false, false, many, 1, ""}, {"of an earlier time", false, true, 2 * many, 2, "times-backwards"}} {
		rs := slices.Clone(records[:250])
		if now := time.Now(); c.earlier {
			rs[249].Time, rs[249].HasTime = now, true
		}
		for i := range many {
			rec := records[100]
			tag, v := int64(20_000), decimal.New(5000, -3)
			if !c.same {
				tag, v = tag+int64(i), decimal.New(int64(5000+i), -3)
			}
			rec.Tag, rec.Value = &tag, &v
			if rec.HasTime = c.earlier; c.earlier {
				rec.Time = rs[249].Time.Add(-time.Second)
			}
			rs = append(rs, rec)
		}
		rs = append(rs, records[250:]...)
		res := judge.JudgeSeq(context.Background(), spec, entries, rs)
		named := ""
		for _, e := range res.Explanations {
			named += e.Cause.Name
		}
		if res.Counts.Findings != c.findings || len(res.Findings) != c.kinds*budget.Default().Findings || named != c.cause || res.Searched == "" {
			t.Errorf("%s: %d findings, %d listed, %+v, %q", c.name, res.Counts.Findings, len(res.Findings), res.Explanations, res.Searched)
		}
	}
}

// A judgement that is to end says so.
//
// Kind: property.
func TestJudgingIsEnded(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	spec, entries, records := longRun(10_000, 3)
	if res := judge.JudgeSeq(ctx, spec, entries, records); res.Verdict != judge.Inconclusive || len(res.Reasons) == 0 {
		t.Errorf("%s %v", res.Verdict, res.Reasons)
	}
}

// A run could have shown a mistake if its host would have left other records.
//
// Kind: property.
func TestCoverage(t *testing.T) {
	b := newBench()
	b.sends(1, "8.001", "", false)
	b.sends(2, "8.002", "", false)
	b.add(ledger.Entry{Kind: ledger.KindEnd})
	covers := func() judge.Coverage {
		return judge.Covers(t.Context(), b.spec, slices.Values(b.entries), false)
	}
	c := covers()
	for name, shown := range map[string]bool{"decimal-shifted": true, "value-stale": true, "row-doubled": true, "first-tag-missed": true,
		"sign-lost": false, "channels-swapped": false, "never-reopens": false, "time-zone": false, "tag-merged": false, "checksum-ignored": false} {
		if slices.Contains(c.Shown, name) != shown || slices.Contains(c.Unshown, name) == shown {
			t.Errorf("%s: shown %v", name, !shown)
		}
	}
	if !slices.Contains(c.Lacks, "negative reading") || !slices.Contains(c.Lacks, "loss of the port") {
		t.Errorf("lacks %v", c.Lacks)
	}
	b.entries = b.entries[:len(b.entries)-1]
	b.sends(3, "-8.002", "", false)
	b.sends(4, "8.002", "garble", false)
	c = covers()
	for _, name := range []string{"sign-lost", "checksum-ignored"} {
		if !slices.Contains(c.Shown, name) {
			t.Errorf("%s is not shown", name)
		}
	}
	if slices.Contains(c.Lacks, "negative reading") {
		t.Errorf("lacks %v", c.Lacks)
	}
}

// A frame of several messages is due once the last has come, as one row, and not where
// the gauge gave it up or the host may not have read all of it.
//
// Kind: property.
func TestFrameOfSeveralMessages(t *testing.T) {
	for _, c := range []struct {
		name         string
		rest, unread bool
		rows         int
		found        []judge.Kind
	}{
		{"whole", true, false, 1, nil},
		{"whole, no row", true, false, 0, []judge.Kind{judge.KindTagLost}},
		{"whole, two rows", true, false, 2, []judge.Kind{judge.KindTagRepeated}},
		{"given up", false, false, 0, nil},
		{"given up, known from the first", false, false, 1, nil},
		{"unread in part", true, true, 0, nil},
	} {
		b := newBench()
		b.sends(7, "1.000", ledger.Partly, false)
		out := b.entries[len(b.entries)-1].Out
		out.Bytes = ledger.Hex("<head>")
		more := func(o ledger.Out) { b.add(ledger.Entry{Kind: ledger.KindOut, Gauge: "g", Out: &o}) }
		more(ledger.Out{Frames: out.Frames, Fate: ledger.Sent, Fault: ledger.Partly, Bytes: ledger.Hex("<result>")})
		if c.unread {
			more(ledger.Out{Fate: ledger.Unread, Count: 5})
		}
		if c.rest {
			more(ledger.Out{Frames: out.Frames, Fate: ledger.Sent, Bytes: ledger.Hex("<last>")})
		}
		for range c.rows {
			b.row(7, "1.000")
		}
		b.sends(8, "2.000", "", false) // so that something is due
		b.row(8, "2.000")
		var got []judge.Kind
		res := b.judge()
		for _, f := range res.Findings {
			got = append(got, f.Kind)
		}
		if diff := cmp.Diff(c.found, got); diff != "" || res.Verdict == judge.Inconclusive {
			t.Errorf("%s: %v %s", c.name, res.Verdict, diff)
		}
	}
}

// A host that accepts what was corrupted on its way is told so, though no row of it is due.
//
// Kind: property.
func TestWrongAnswers(t *testing.T) {
	for what, says := range map[string]string{ledger.Accepts: "accepted a message that was corrupted on its way", ledger.Refuses: "refused an intact message each time it was sent"} {
		b := newBench()
		b.sends(7, "1.000", "garble", false)
		b.add(ledger.Entry{Kind: ledger.KindPort, Gauge: "g", Port: &ledger.Port{What: what, Frame: 1}})
		b.sends(8, "2.000", "", false)
		b.row(8, "2.000")
		res := b.judge()
		if len(res.Findings) != 1 || res.Findings[0].Kind != judge.KindAnswer || res.Findings[0].Got != says || len(res.Patterns) != 1 {
			t.Errorf("%s: %s, %d patterns", what, describe(res.Findings), len(res.Patterns))
		}
	}
}
