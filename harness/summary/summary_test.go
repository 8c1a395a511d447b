package summary

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"testing"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/study"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// run makes a run of one channel for each text: tagged readings in mm, - for a void one,
// ~ before one that is streamed.
func run(texts ...string) *Run {
	r := &Run{Rules: hostfile.Rules{Subgroup: 2, Deviations: decimal.New(6, 0)}, Spec: judge.Spec{Unit: decimal.MM}}
	for i, text := range texts {
		var due []judge.Due
		for word := range strings.FieldsSeq(text) {
			word, streamed := strings.CutPrefix(word, "~")
			d := judge.Due{Tagged: !streamed, Void: word == "-", Sure: true}
			if !d.Void {
				d.Shown = decimal.MustParse(word)
				d.Received = d.Shown.Mul(decimal.New(int64(decimal.Millimetre), 0))
			}
			due = append(due, d)
		}
		r.Due = append(r.Due, [][]judge.Due{due})
		r.Layouts = append(r.Layouts, nil)
		r.Spec.Gauges = append(r.Spec.Gauges, judge.Gauge{Name: fmt.Sprintf("g%d", i+1), Channels: []judge.Channel{{Name: "A",
			Limits: zone.Limits{Lower: zone.At(decimal.Length(i) * decimal.Millimetre), Upper: zone.At(6 * decimal.Millimetre)}}}})
	}
	return r
}

// write has a host write statistics: "g1 s 1.58", one for each text, perhaps with a unit.
func (run *Run) write(rows ...string) *Run {
	for i, text := range rows {
		words := append(strings.Fields(text), "")
		rec := judge.Record{Row: i + 1, Kind: words[1], Gauge: words[0], Channel: "A", Text: words[2], Unit: words[3]}
		if v, err := decimal.Parse(words[2]); err == nil {
			rec.Value = &v
		}
		run.Rows = append(run.Rows, rec)
	}
	return run
}

// told says in words what a judgement came to.
func told(res Result) (out []string) {
	for _, f := range res.Findings {
		out = append(out, fmt.Sprintf("%s: %s, not %s: %s", f.Gauge, f.Expected, f.Got, f.Cause))
	}
	return append(out, res.NotJudged...)
}

// Of 1, 2, 4, 5 with limits 0 and 6, by hand: mean 3; squared deviations 4, 1, 1, 4, sum
// 10; s = √(10/3); in pairs (1, 2) and (4, 5) each variance is 1/2, so Cp = 6/(6·√½) = √2,
// and Cpk the same, for the mean is in the middle.
//
// Kind: outside.
func TestByHand(t *testing.T) {
	const four = "1 2 4 5"
	ten := strings.Fields("count=4 mean=3 s=1.825742 range=4 Cp=1.4142 Cpk=1.4142 Pp=0.547723 Ppk=0.547723")
	for _, c := range []struct {
		name string
		run  *Run
		rows []string
		want []string
	}{
		{"all right", run(four), ten, nil},
		{"fewer digits are right too", run(four), []string{"s=1.8", "Pp=0.5", "Cp=1"}, nil},
		{"another last digit is not", run(four), []string{"s=1.9"}, []string{"g1: s 1.8 mm, not s 1.9 mm: "}},
		{"the nearer limit", run("1 2 3"), []string{"Ppk=0.6667"}, nil},
		{"a mean beyond a limit", run("7 8 9"), []string{"Ppk=-0.6667", "Pp=1"}, nil},
		{"a tie goes either way", run("1 2"), []string{"mean=2", "mean=1"}, nil},
		{"with n", run(four), []string{"mean=3", "s=1.58114", "Pp=0.632456"}, []string{
			"g1: s 1.82574 mm, not s 1.58114 mm: spread-over-n", "g1: Pp 0.547723, not Pp 0.632456: spread-over-n"}},
		{"with n in one of two rows: a row contradicts it", run(four), []string{"s=1.58114", "Pp=0.547723"}, []string{
			"g1: s 1.82574 mm, not s 1.58114 mm: "}},
		{"nearly with n: no cause", run(four), []string{"s=1.58115"}, []string{"g1: s 1.82574 mm, not s 1.58115 mm: "}},
		{"two digits may be so by chance", run(four), []string{"s=1.6"}, []string{"g1: s 1.8 mm, not s 1.6 mm: "}},
		{"Cp of all", run(four), []string{"Cp=0.547723", "Cpk=0.547723", "Pp=0.547723"}, []string{
			"g1: Cp 1.414214, not Cp 0.547723: capability-overall", "g1: Cpk 1.414214, not Cpk 0.547723: capability-overall"}},
		{"Pp within", run(four), []string{"Pp=1.41421"}, []string{"g1: Pp 0.54772, not Pp 1.41421: performance-within"}},
		{"streamed ones among them", run("1 ~2 3"), []string{"count=3", "mean=2", "s=1.000"}, []string{
			"g1: count 2, not count 3: summary-streamed", "g1: s 1.414 mm, not s 1.000 mm: summary-streamed"}},
		{"void as 0", run("2 - 4"), []string{"count=3", "mean=2.000"}, []string{
			"g1: count 2, not count 3: summary-void-as-zero", "g1: mean 3.000 mm, not mean 2.000 mm: summary-void-as-zero"}},
		{"the word of no value", run(four), []string{"s=NaN"}, []string{"g1: s 1.825742 mm, not s NaN mm: "}},
		{"in inches", run("25.4 50.8"), []string{"mean=1.5 in", "range=25.4"}, nil},
		{"none of one reading", run("1"), []string{"count=1", "s=0"}, []string{"s of g1: the readings, the limits or the study that it takes are not there"}},
		{"the last row counts", run(four), []string{"s=7", "s=1.8257"}, nil},
		{"no such word", run(four), []string{"median=3"}, []string{"median of g1: it is not a statistic: write under events which it is"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var rows []string
			for _, r := range c.rows {
				rows = append(rows, "g1 "+strings.Replace(r, "=", " ", 1))
			}
			res := Judge(c.run.write(rows...))
			if d := cmp.Diff(c.want, told(res)); d != "" {
				t.Error(d)
			}
		})
	}
}

// Where it is not sure which tags the host has received, nothing is said; a streamed
// reading that it may not have read does not matter.
//
// Kind: property.
func TestTagsThatAreNotSure(t *testing.T) {
	r := run("1 2 ~4")
	r.Due[0][0][2].Sure = false
	require.Equal(t, []string{"g1: mean 1.5 mm, not mean 7.5 mm: "}, told(Judge(r.write("g1 mean 7.5"))))
	r.Due[0][0][1].Sure = false
	require.Equal(t, []string{"mean of g1: which tags the host has received as readings of their own is not sure"}, told(Judge(r)))
}

// A host that does not claim void readings may count them as it likes.
//
// Kind: property.
func TestVoidThatIsNotClaimed(t *testing.T) {
	r := run("2 - 4", "1 2").write("g1 count 3", "g2 count 3")
	r.Spec.Claims = []judge.Aspect{cause.Value, cause.Complete}
	require.Equal(t, []string{"g2: count 2, not count 3: ", "count of g1: a tag has no reading, and the host does not claim void"}, told(Judge(r)))
}

// By hand: the limits of g1 are 0 and 6, those of g2 1 and 6. Of 2 and 4, s = √2, so Pp =
// 5/(6·√2) = 0.589256 by its own and 6/(6·√2) = 0.707107 by the others.
//
// Kind: outside.
func TestLimitsOfAnotherGauge(t *testing.T) {
	res := Judge(run("1 2 4 5", "2 4").write("g1 Pp 0.547723", "g2 Pp 0.707107"))
	require.Equal(t, []string{"g2: Pp 0.589256, not Pp 0.707107: summary-limits"}, told(res))
	require.Equal(t, 1, res.Right)
	require.Contains(t, res.Shown, "spread-over-n")
	require.NotContains(t, res.Shown, "classes-rounded")
}

// By hand: subgroups (1, 2) and (4, 5) have a mean range of 1, and 1/1.128 is the spread
// within by printed tables; a host that has d2 to eight places is right as well. A limit on
// one side has a Cpk and no Cp.
//
// Kind: outside.
func TestMeanRange(t *testing.T) {
	of := func() *Run {
		r := run("1 2 4 5")
		r.Within = hostfile.MeanRange
		return r
	}
	require.Empty(t, told(Judge(of().write("g1 Cp 1.128000"))))
	require.Empty(t, told(Judge(of().write("g1 Cp 1.128379"))))
	require.Equal(t, []string{"g1: Cp 1.12800, not Cp 1.12830: "}, told(Judge(of().write("g1 Cp 1.12830"))))
	one := of()
	one.Spec.Gauges[0].Channels[0].Limits.Lower = zone.Limit{}
	require.Equal(t, []string{"Cp of g1: the readings, the limits or the study that it takes are not there"}, told(Judge(one.write("g1 Cp 1.128", "g1 Cpk 1.128"))))
}

// The constants d2 are the mean ranges of values of a normal distribution: the integral of
// 1 - (1-Φ)ⁿ - Φⁿ, here by the trapezoidal rule.
//
// Kind: outside.
func TestMeanRangesOfNormalValues(t *testing.T) {
	for n := 2; n < len(d2); n++ {
		sum, step := 0.0, 1e-3
		for x := -9.0; x < 9; x += step {
			p := math.Erfc(-x/math.Sqrt2) / 2
			sum += step * (1 - math.Pow(1-p, float64(n)) - math.Pow(p, float64(n)))
		}
		require.Equal(t, d2[n][1], strconv.FormatFloat(sum, 'f', 8, 64))
		require.Equal(t, d2[n][0], strconv.FormatFloat(sum, 'f', 3, 64))
	}
}

// Two operators measure two parts twice: 1 5 1 5 and 2 6 2 8. By hand the cells' means are
// 1, 5 and 2, 7, the squares within them 0, 0, 0 and 2, the operators' means 3 and 4.5, the
// parts' 1.5 and 6, all of them 3.75. Squares of operators 4·2·0.75² = 4.5, of parts
// 4·2·2.25² = 40.5, of both 2·4·0.25² = 0.5, of equipment 2. Pooled: equipment 2.5/5 = 0.5,
// operators (4.5 - 0.5)/4 = 1, parts (40.5 - 0.5)/4 = 10. R&R 1.5 of 11.5: √ = 36.1158 %;
// six times over the tolerance of 6, √1.5 = 122.474 %; ndc 1.41·√(10/1.5) = 3.64. Kept:
// equipment 0.5, both (0.5 - 0.5)/2 = 0, operators 1, the same here.
//
// Kind: outside.
func TestStudyByHand(t *testing.T) {
	of := func(share hostfile.ShareOf, rows ...string) []string {
		r := run("1 5 1 5 2 6 2 8")
		r.Layouts[0], r.ShareOf = &study.Layout{Operators: 2, Parts: 2, Trials: 2}, share
		return told(Judge(r.write(rows...)))
	}
	require.Empty(t, of(0, "g1 %R&R 36.1158", "g1 ndc 3"))
	require.Empty(t, of(hostfile.OfTolerance, "g1 %R&R 122.474", "g1 ndc 3"))
	require.Equal(t, []string{"g1: ndc 3, not ndc 4: classes-rounded"}, of(0, "g1 %R&R 36.1158", "g1 ndc 4"))
	require.Equal(t, []string{"g1: %R&R 36.1158, not %R&R 13.0435: share-of-variances"}, of(0, "g1 %R&R 13.0435"))
	require.Equal(t, []string{"g1: %R&R 122.474, not %R&R 36.116: share-of-other"}, of(hostfile.OfTolerance, "g1 %R&R 36.116"))
	require.Equal(t, []string{"g1: %R&R 122.474, not %R&R 105.124: study-variation"}, of(hostfile.OfTolerance, "g1 %R&R 105.124"))
}

// A host that works in binary numbers of 64 bits, in two passes, is not accused of what
// they cannot hold, with all the digits they print, nor where s is 0; one that works in one
// pass is, and the cause is named. The data are those of NumAcc4 as a gauge of 1000 mm reads
// them in steps of 10 nm: the certified values 10000000.2 and 0.1, times 10⁻⁴ mm.
//
// Kind: outside.
func TestBinaryHost(t *testing.T) {
	texts := "1000.00002" + strings.Repeat(" 1000.00001 1000.00003", 500)
	var values []float64
	mean := 0.0
	for _, word := range strings.Fields(texts) {
		x, err := strconv.ParseFloat(word, 64)
		require.NoError(t, err)
		values = append(values, x)
		mean += x / 1001
	}
	two, sum, squares := 0.0, 0.0, 0.0
	for _, x := range values {
		two += float64((x - mean) * (x - mean))
		sum, squares = sum+x, squares+float64(x*x)
	}
	print := func(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
	s := print(math.Sqrt(two / 1000))
	require.NotEqual(t, "0.00001", s, "it is not exact, and shows that")
	require.Empty(t, told(Judge(run(texts).write("g1 mean "+print(mean), "g1 s "+s, "g1 range "+print(values[2]-values[1])))))
	require.Empty(t, told(Judge(run(texts).write("g1 mean 1000.0000200", "g1 s 0.0000100000"))), "the certified values")
	require.Empty(t, told(Judge(run("0.1 0.1 0.1").write("g1 s 1.7e-17"))))

	one := strconv.FormatFloat(math.Sqrt(max(0, (squares-float64(sum*sum)/1001)/1000)), 'f', 12, 64)
	require.Equal(t, []string{"g1: s 0.0000100000 mm, not s " + one + " mm: spread-in-one-pass"}, told(Judge(run(texts).write("g1 s "+one))))
}

// What is written of an exact value at any number of decimals is near it, and the next step
// to either side is not.
//
// Kind: property.
func TestNear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := big.NewRat(rapid.Int64Range(-1e12, 1e12).Draw(t, "numerator"), rapid.Int64Range(1, 1e9).Draw(t, "denominator"))
		v := exactly(r)
		if rapid.Bool().Draw(t, "root") {
			v = root(r)
		}
		n := rapid.IntRange(0, 12).Draw(t, "decimals")
		text := v.text(n)
		require.True(t, v.near(decimal.MustParse(text), n), text)
		step := decimal.New(1, -n)
		beyond := decimal.New(2, -n)
		for _, off := range []decimal.Decimal{beyond, beyond.Neg()} {
			require.False(t, v.near(decimal.MustParse(text).Add(off), n), text)
		}
		one, other := v.near(decimal.MustParse(text).Add(step), n), v.near(decimal.MustParse(text).Sub(step), n)
		tie := new(big.Rat).Quo(big.NewRat(1, 2), power(n))
		at := new(big.Rat).Abs(new(big.Rat).Sub(rat(decimal.MustParse(text)), r))
		require.False(t, (one || other) && v.square.Cmp(signed(r)) == 0 && at.Cmp(tie) != 0, "only of a tie")
	})
}

// A value with so many decimals is what arithmetic with 300 bits has.
//
// Kind: model.
func TestRootsAgainstLongFloats(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := big.NewRat(rapid.Int64Range(0, 1e15).Draw(t, "numerator"), rapid.Int64Range(1, 1e12).Draw(t, "denominator"))
		f := new(big.Float).SetPrec(300).SetRat(r)
		n := rapid.IntRange(0, 10).Draw(t, "decimals")
		f.Add(f.Sqrt(f), big.NewFloat(1e-40)) // a tie goes away from zero
		require.Equal(t, f.Text('f', n), root(r).text(n))
	})
}

// Each mistake has a page, and each page of a summary a mistake.
//
// Kind: self.
func TestEveryCauseIsAMistake(t *testing.T) {
	all := mistakes(nil)
	var pages []string
	for _, c := range cause.Summaries() {
		pages = append(pages, c.Name)
		found, ok := cause.Find(c.Code)
		require.True(t, ok && found == c)
	}
	require.Len(t, all, len(pages))
	for name := range all {
		require.True(t, slices.Contains(pages, name), name)
	}
}
