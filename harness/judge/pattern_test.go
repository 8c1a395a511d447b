package judge_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/testenv"
)

// The mistakes of these tests are made here, on the rows of a correct host, apart from
// the conditions and ways to be wrong that the judge knows.

// whenWrong is a condition on the rows of a host: row i of rs, its rows before in order.
type whenWrong struct {
	name string
	is   func(rs []judge.Record, i int) bool
}

// earlier is the row before of the same channel, −1 for none.
func earlier(rs []judge.Record, i int) int {
	for k := i - 1; k >= 0; k-- {
		if rs[k].Kind == "reading" && rs[k].Gauge == rs[i].Gauge && rs[k].Channel == rs[i].Channel {
			return k
		}
	}
	return -1
}

func nth(rs []judge.Record, i int) (n int) {
	for k := i; k >= 0; k = earlier(rs, k) {
		n++
	}
	return n
}

// backs counts the link-back rows of the gauge before a row, and the rows of the channel
// since the last.
func backs(rs []judge.Record, i int) (n, since int) {
	for k := i; k >= 0; k-- {
		if rs[k].Gauge != rs[i].Gauge {
			continue
		}
		if rs[k].Kind == "link-back" {
			n++
		} else if n == 0 && rs[k].Kind == "reading" && rs[k].Channel == rs[i].Channel {
			since++
		}
	}
	return n, since
}

var whensWrong = []whenWrong{
	{"always", func([]judge.Record, int) bool { return true }},
	{"negative", func(rs []judge.Record, i int) bool { return rs[i].Value != nil && rs[i].Value.Sign() < 0 }},
	{"void", func(rs []judge.Record, i int) bool { return rs[i].Value == nil }},
	{"of g2", func(rs []judge.Record, i int) bool { return rs[i].Gauge == "g2" }},
	{"of channel B", func(rs []judge.Record, i int) bool { return rs[i].Channel == "B" }},
	{"of g1, channel A", func(rs []judge.Record, i int) bool { return rs[i].Gauge == "g1" && rs[i].Channel == "A" }},
	{"above", func(rs []judge.Record, i int) bool { return rs[i].Zone == "above" }},
	{"a warning", func(rs []judge.Record, i int) bool { return strings.HasPrefix(rs[i].Zone, "warn-l") }},
	{"less than before", func(rs []judge.Record, i int) bool {
		k := earlier(rs, i)
		return k >= 0 && rs[k].Value != nil && rs[i].Value != nil && rs[i].Value.Cmp(*rs[k].Value) < 0
	}},
	{"first of the channel", func(rs []judge.Record, i int) bool { return earlier(rs, i) < 0 }},
	{"after the port came back", func(rs []judge.Record, i int) bool { n, _ := backs(rs, i); return n > 0 }},
	{"tag odd", func(rs []judge.Record, i int) bool { return rs[i].Tag != nil && *rs[i].Tag%2 == 1 }},
	{"tag from 7 on", func(rs []judge.Record, i int) bool { return rs[i].Tag != nil && *rs[i].Tag >= 7 }},
	{"tag wrapped", func(rs []judge.Record, i int) bool {
		k := earlier(rs, i)
		return k >= 0 && rs[k].Tag != nil && rs[i].Tag != nil && *rs[i].Tag < *rs[k].Tag
	}},
	{"every third", func(rs []judge.Record, i int) bool { return nth(rs, i)%3 == 0 }},
	{"from the tenth row on", func(rs []judge.Record, i int) bool { return nth(rs, i) >= 10 }},
	{"8 or more", func(rs []judge.Record, i int) bool {
		return rs[i].Value != nil && rs[i].Value.Cmp(decimal.New(8, 0)) >= 0
	}},
	{"after a void one", func(rs []judge.Record, i int) bool { k := earlier(rs, i); return k >= 0 && rs[k].Value == nil }},
	{"negative of g1", func(rs []judge.Record, i int) bool {
		return rs[i].Gauge == "g1" && rs[i].Value != nil && rs[i].Value.Sign() < 0
	}},
	{"above, of channel A", func(rs []judge.Record, i int) bool { return rs[i].Channel == "A" && rs[i].Zone == "above" }},
}

// whatWrong changes row i of rs into a row of a mistaken host; nil leaves it out.
type whatWrong struct {
	name string
	do   func(rs []judge.Record, i int, rec judge.Record) []judge.Record
}

func valued(f func(rs []judge.Record, i int, v decimal.Decimal) (decimal.Decimal, bool)) func(rs []judge.Record, i int, rec judge.Record) []judge.Record {
	return func(rs []judge.Record, i int, rec judge.Record) []judge.Record {
		if rec.Value == nil {
			return []judge.Record{rec}
		}
		if v, ok := f(rs, i, *rec.Value); ok {
			rec.Value, rec.Text = &v, v.String()
		}
		return []judge.Record{rec}
	}
}

func tagged(f func(n int64) int64) func(rs []judge.Record, i int, rec judge.Record) []judge.Record {
	return func(_ []judge.Record, _ int, rec judge.Record) []judge.Record {
		if rec.Tag != nil {
			n := f(*rec.Tag)
			rec.Tag = &n
		}
		return []judge.Record{rec}
	}
}

func zoned(f func(rs []judge.Record, i int) string) func(rs []judge.Record, i int, rec judge.Record) []judge.Record {
	return func(rs []judge.Record, i int, rec judge.Record) []judge.Record {
		rec.Zone = f(rs, i)
		return []judge.Record{rec}
	}
}

var whatsWrong = []whatWrong{
	{"missing", func([]judge.Record, int, judge.Record) []judge.Record { return nil }},
	{"doubled", func(_ []judge.Record, _ int, rec judge.Record) []judge.Record { return []judge.Record{rec, rec} }},
	{"no value", func(_ []judge.Record, _ int, rec judge.Record) []judge.Record {
		rec.Value, rec.Text = nil, ""
		return []judge.Record{rec}
	}},
	{"value before", valued(func(rs []judge.Record, i int, v decimal.Decimal) (decimal.Decimal, bool) {
		if k := earlier(rs, i); k >= 0 && rs[k].Value != nil {
			return *rs[k].Value, true
		}
		return v, false
	})},
	{"value 0", valued(func([]judge.Record, int, decimal.Decimal) (decimal.Decimal, bool) { return decimal.Decimal{}, true })},
	{"too large by a constant", valued(func(_ []judge.Record, _ int, v decimal.Decimal) (decimal.Decimal, bool) {
		return v.Add(decimal.New(37, -3)), true
	})},
	{"ten times", valued(func(_ []judge.Record, _ int, v decimal.Decimal) (decimal.Decimal, bool) {
		return v.Mul(decimal.New(10, 0)), true
	})},
	{"no sign", valued(func(_ []judge.Record, _ int, v decimal.Decimal) (decimal.Decimal, bool) { return v.Abs(), true })},
	{"one decimal fewer", valued(func(_ []judge.Record, _ int, v decimal.Decimal) (decimal.Decimal, bool) {
		return v.Quantize(-2, decimal.Truncate), true
	})},
	{"tag mod 10", tagged(func(n int64) int64 { return n % 10 })},
	{"tag one more", tagged(func(n int64) int64 { return n + 1 })},
	{"no tag", func(_ []judge.Record, _ int, rec judge.Record) []judge.Record {
		rec.Tag = nil
		return []judge.Record{rec}
	}},
	{"zone inside", zoned(func([]judge.Record, int) string { return "inside" })},
	{"zone before", zoned(func(rs []judge.Record, i int) string {
		if k := earlier(rs, i); k >= 0 {
			return rs[k].Zone
		}
		return rs[i].Zone
	})},
	{"zone void", zoned(func([]judge.Record, int) string { return "void" })},
}

// changed reports whether a row was changed, and not into what it was.
func changed(rec judge.Record, to []judge.Record) bool {
	if len(to) != 1 {
		return true
	}
	o := to[0]
	same := func(a, b *decimal.Decimal) bool { return a == b || a != nil && b != nil && a.Equal(*b) }
	return !same(rec.Value, o.Value) || rec.Zone != o.Zone || (rec.Tag == nil) != (o.Tag == nil) || rec.Tag != nil && *rec.Tag != *o.Tag
}

// composed is a run of a host that makes one mistake composed of when and what.
func composed(seed uint64) (w *world, name string, rows int) {
	r := random.New(seed)
	when, what := whensWrong[r.Intn(len(whensWrong))], whatsWrong[r.Intn(len(whatsWrong))]
	sh := shape{gauges: 1 + r.Intn(3), channels: 1 + r.Intn(2), steps: 40 + r.Intn(50), events: r.Intn(2) == 0, streams: r.Intn(2) == 0}
	w = newWorld(seed, sh).play(sh).correct()
	own := slices.Clone(w.records)
	w.records = nil
	for i, rec := range own {
		if rec.Kind == "reading" && when.is(own, i) {
			made := what.do(own, i, rec)
			if w.records = append(w.records, made...); changed(rec, made) {
				rows++
			}
			continue
		}
		w.records = append(w.records, rec)
	}
	for i := range w.records {
		w.records[i].Row = i + 1
	}
	return w, when.name + ": " + what.name, rows
}

// A mistake composed of when and what is said in one sentence, or named by one cause,
// that speaks of the very rows it was made in: nothing is left, and no other row. How
// often that is so is counted; a sentence about another number of rows is false of some.
//
// Kind: property.
func TestPatternsAreFound(t *testing.T) {
	t.Parallel()
	runs := uint64(testenv.Count(8, 1000))
	shown, whole := 0, 0
	missed := map[string]int{}
	for seed := range runs {
		w, name, rows := composed(seed + 1000)
		res := judge.Judge(w.spec, w.entries, w.records)
		if res.Counts.Findings == 0 {
			continue
		}
		shown++
		s := fmt.Sprintf("%d %s: %d findings in %d rows, %d left;", seed, name, res.Counts.Findings, rows, res.Unexplained)
		for _, e := range res.Explanations {
			s += fmt.Sprintf(" [%s %d]", e.Cause.Name, e.Explains)
		}
		for _, p := range res.Patterns {
			s += fmt.Sprintf(" {%s: %d, %d left}", p.Text, p.Rows, p.Left)
			if p.Rows > rows {
				t.Errorf("speaks of more rows than are wrong: %s", s)
			}
		}
		switch n := len(res.Explanations) + len(res.Patterns); {
		case res.Unexplained == 0 && n == 1 && (len(res.Patterns) == 0 || res.Patterns[0].Rows == rows):
			whole++
		default:
			missed[s]++
		}
	}
	t.Logf("%d of %d", whole, shown)
	for s := range missed {
		t.Log(s)
	}
	few := testenv.Count(1, 0) // one miss weighs more in a sample
	if 100*(whole+few) < 95*shown {
		t.Errorf("%d of %d are said whole", whole, shown)
	}
}
