package paper_test

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"regexp"
	"strings"
	"testing"

	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

// The chains are worked out here a second time, in fractions and without the
// product's arithmetic: the definition of a chain is that of package gauge.

func fraction(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		panic(s)
	}
	return r
}

func sum(x, y *big.Rat) *big.Rat   { return new(big.Rat).Add(x, y) }
func less(x, y *big.Rat) *big.Rat  { return new(big.Rat).Sub(x, y) }
func times(x, y *big.Rat) *big.Rat { return new(big.Rat).Mul(x, y) }
func over(x, y *big.Rat) *big.Rat  { return new(big.Rat).Quo(x, y) }

var millimetres = map[string]*big.Rat{"mm": fraction("1"), "µm": fraction("0.001"), "cm": fraction("10"), "in": fraction("25.4"), "thou": fraction("0.0254")}

// rounded is a number as a whole number of steps, by the definition of each method.
func rounded(x, step *big.Rat, method string) *big.Rat {
	q := over(x, step)
	down := new(big.Int).Div(q.Num(), q.Denom()) // toward minus infinity: the denominator is above 0
	n := new(big.Rat).SetInt(down)
	up := sum(n, fraction("1"))
	half := less(q, n).Cmp(fraction("0.5"))
	even := down.Bit(0) == 0
	if map[string]bool{
		"truncate":  q.Sign() < 0 && !q.IsInt(),
		"half-even": half > 0 || half == 0 && !even,
		"half-up":   half > 0 || half == 0 && q.Sign() > 0,
		"half-down": half > 0 || half == 0 && q.Sign() < 0,

		"half-to-plus": half >= 0,
	}[method] {
		n = up
	}
	return times(n, step)
}

// formulas over channels A and B, in the scenario's words and in fractions of mm.
var formulas = []struct {
	text string
	of   func(a, b *big.Rat) *big.Rat
}{
	{"A / 3 * 3", func(a, _ *big.Rat) *big.Rat { return a }},
	{"(A + B) / 2", func(a, b *big.Rat) *big.Rat { return over(sum(a, b), fraction("2")) }},
	{"A / 7 * 3 - B / 11", func(a, b *big.Rat) *big.Rat { return less(times(a, fraction("3/7")), over(b, fraction("11"))) }},
	{"mean(A, B, mm(0.1) / 3)", func(a, b *big.Rat) *big.Rat { return over(sum(sum(a, b), fraction("1/30")), fraction("3")) }},
	{"inch(1) / 3 - A + B / 0.7", func(a, b *big.Rat) *big.Rat { return sum(less(fraction("254/30"), a), over(b, fraction("0.7"))) }},
	{"A / (A + mm(1000)) * B", func(a, b *big.Rat) *big.Rat { return times(over(a, sum(a, fraction("1000"))), b) }},
	{"A / 9 * 9 + (B / 6 - B / 6)", func(a, _ *big.Rat) *big.Rat { return a }},
	{"max(A / 3, B / 3) - min(A, B) / 3", func(a, b *big.Rat) *big.Rat {
		return over(new(big.Rat).Abs(less(a, b)), fraction("3"))
	}},
}

// link is a channel in the making: what the scenario says of it.
type link struct {
	name, factor, unit, step, rounding string
	falling, releases, last            bool
	base                               *big.Rat // mm
	datum                              *big.Rat
}

func (l *link) value() *big.Rat {
	if l.last {
		return times(fraction(l.factor), sum(l.base, l.datum))
	}
	return sum(times(fraction(l.factor), l.base), l.datum)
}

// set makes the value read a master.
func (l *link) set(mm *big.Rat) {
	if l.last {
		l.datum = less(over(mm, fraction(l.factor)), l.base)
	} else {
		l.datum = less(mm, times(fraction(l.factor), l.base))
	}
}

// rest puts the tip on a size: the stroke is 200 mm, and 100 mm is its middle.
func (l *link) rest(mm *big.Rat) {
	l.base = mm
	if l.releases != l.falling {
		l.base = less(fraction("200"), mm)
	}
}

func (l *link) reading() *big.Rat {
	return rounded(over(l.value(), millimetres[l.unit]), fraction(l.step), l.rounding)
}

// zoneOf places a value among the limits of the test, 40 mm and 60 mm with warnings at 45 mm and 55 mm.
func zoneOf(mm *big.Rat) string {
	for _, l := range []struct {
		zone, at string
		side     int
	}{{"below", "40", -1}, {"above", "60", 1}, {"warn-low", "45", -1}, {"warn-high", "55", 1}} {
		if mm.Cmp(fraction(l.at)) == l.side {
			return l.zone
		}
	}
	return "inside"
}

const anyUnit = `
dialect: any-unit
title: Any unit
framing: {kind: delimited, end: "\n", longest: 4000}
frames:
  - name: readings
    sent: [reading, tag]
    fields:
      - each: channel
        count: rest
        between: ","
        fields: [{decimal: channel, decimals: 0, sign: none}, ":", {decimal: reading, void: {under: u, over: o, missing: m, empty: e}}, {choice: unit, is: {mm: m, µm: u, cm: c, in: i, thou: t}}]
`

var (
	readingLine = regexp.MustCompile(`tag \d+ +(g\d+)  (\w)  part size .*reading (\S+) (\S+)$`)
	hostLine    = regexp.MustCompile(`host: (\S+) (\S+), ([a-z-]+): `)
)

// Chains with random factors, datums, units, resolutions, roundings and formulas, 10,050
// of them in a long test and a sample in others, read on paper what the fractions give,
// and so does their host. A preset reads its master.
//
// Kind: model.
func TestRandomChains(t *testing.T) {
	const each = 50
	scenarios := testenv.Count(14, 67) // of three chains for each gauge
	steps := map[string][]string{"mm": {"0.001", "0.0005", "0.01", "0.002"}, "µm": {"1", "0.5", "0.1"}, "cm": {"0.0001", "0.00005"}, "in": {"0.0001", "0.00005", "0.00002"}, "thou": {"0.1", "0.05", "0.02"}}
	units := []string{"mm", "µm", "cm", "in", "thou"}
	roundings := []string{"half-even", "half-up", "truncate", "half-down", "half-to-plus"}
	for seed := range scenarios {
		rnd := rand.New(rand.NewPCG(uint64(seed), 20))
		pick := func(of []string) string { return of[rnd.IntN(len(of))] }
		size := func(l *link) string { // often half a step from the next
			n := rnd.Int64N(19_900) + 1
			if rnd.IntN(3) == 0 {
				return fmt.Sprintf("%d.%09d", rnd.IntN(200), rnd.Int64N(1e9))
			}
			return fmt.Sprintf("%d.%02d%s", n/100, n%100, pick([]string{"", "5", "05", "25", "0005", "00025"}))
		}
		hostUnit, hostRounding := pick(units), pick(roundings)
		hostStep := pick(steps[hostUnit])
		var gauges, cues strings.Builder
		at := map[int][]string{}
		cue := func(t int, format string, args ...any) { at[t] = append(at[t], fmt.Sprintf(format, args...)) }
		want := map[string]*big.Rat{} // by the line's gauge, channel and tag
		tags := map[string]int{}
		for g := range each {
			gauge := fmt.Sprintf("g%d", g)
			last := rnd.IntN(2) == 0
			var links [3]link
			fmt.Fprintf(&gauges, "  - {name: %s, dialect: any-unit, stream: none, stroke: 200 mm, mid-stroke: 100 mm, chain: {factor: %s},\n     channels: [", gauge, map[bool]string{true: "after-datum", false: "before-datum"}[last])
			for i := range links {
				l := &links[i]
				*l = link{name: string("ABF"[i]), unit: pick(units), rounding: pick(roundings), last: last, datum: new(big.Rat), falling: rnd.IntN(2) == 0, releases: rnd.IntN(2) == 0}
				l.step = pick(steps[l.unit])
				l.factor = pick([]string{"1", "2", "0.5", "3", "0.7", "-1", "1.1", "0.999", "-0.3", "7", "1.000001", fmt.Sprintf("%d.%03d", rnd.IntN(9)+1, rnd.IntN(1000))})
				common := fmt.Sprintf("name: %s, factor: %s, resolution: %s %s, rounding: %s, limits: [40 mm, 60 mm], warn: [45 mm, 55 mm]", l.name, l.factor, l.step, l.unit, l.rounding)
				if i < 2 {
					start := size(l)
					l.rest(fraction(start))
					fmt.Fprintf(&gauges, "{%s, starts-on: %s mm, sense: %s, larger-part: %s}", common, start, map[bool]string{true: "falling", false: "rising"}[l.falling], map[bool]string{true: "releases", false: "presses"}[l.releases])
					gauges.WriteString(map[int]string{0: ", ", 1: "],\n     computed: ["}[i])
				} else {
					fmt.Fprintf(&gauges, "{%s, is: formula, formula: %q}]}\n", common, formulas[(seed+g)%len(formulas)].text)
				}
			}
			compute := func() { links[2].base = formulas[(seed+g)%len(formulas)].of(links[0].value(), links[1].value()) }
			compute()
			tag := func(t int) {
				tags[gauge]++
				for i := range links {
					want[fmt.Sprintf("%s %s %d", gauge, links[i].name, tags[gauge])] = links[i].reading()
				}
				cue(t, "do: tag, gauge: %s", gauge)
			}
			for i := range links {
				l := &links[i]
				if rnd.IntN(4) > 0 {
					master := size(l)
					cue(0, "do: preset, to: %s mm, gauge: %s, channel: %s", master, gauge, l.name)
					l.set(fraction(master))
					compute()
				}
			}
			tag(1)
			if rnd.IntN(3) == 0 {
				i := rnd.IntN(3)
				links[i].factor = pick([]string{"1", "0.3", "1.7", "-2"})
				cue(2, "do: set, setting: factor, to: %q, gauge: %s, channel: %s", links[i].factor, gauge, links[i].name)
			}
			for i := range 2 {
				next := size(&links[i])
				links[i].rest(fraction(next))
				cue(2, "do: rest on, size: %s mm, gauge: %s, channel: %s", next, gauge, links[i].name)
			}
			compute()
			tag(3)
		}
		for t := range 4 {
			for _, c := range at[t] {
				fmt.Fprintf(&cues, "  - {at: %d s, %s}\n", t, c)
			}
		}
		text := fmt.Sprintf("understudy: 1\ntitle: Random chains\nhost: {unit: %s, resolution: %s %s, rounding: %s}\ngauges:\n%scues:\n%s",
			hostUnit, hostStep, hostUnit, hostRounding, &gauges, &cues)
		s, err := scenario.Parse("chains.yaml", []byte(text), func(string) (string, []byte, error) { return "any-unit.yaml", []byte(anyUnit), nil })
		require.NoError(t, err, text)
		var out strings.Builder
		require.NoError(t, paper.Explain(t.Context(), &out, s, true, true))
		compareChains(t, out.String(), want, hostUnit, hostStep, hostRounding)
	}
}

// compareChains compares what explain says of each tagged reading.
func compareChains(t *testing.T, out string, want map[string]*big.Rat, hostUnit, hostStep, hostRounding string) {
	seen := map[string]int{}
	var host *big.Rat
	for line := range strings.Lines(out) {
		line = strings.TrimRight(line, "\n")
		if m := readingLine.FindStringSubmatch(line); m != nil {
			seen[m[1]+m[2]]++
			key := fmt.Sprintf("%s %s %d", m[1], m[2], seen[m[1]+m[2]])
			require.Contains(t, want, key)
			require.Zero(t, fraction(m[3]).Cmp(want[key]), "%s reads %s %s, not %s", key, m[3], m[4], want[key].FloatString(9))
			host = rounded(over(times(want[key], millimetres[m[4]]), millimetres[hostUnit]), fraction(hostStep), hostRounding)
			delete(want, key)
		} else if m := hostLine.FindStringSubmatch(line); m != nil && host != nil {
			require.Zero(t, fraction(m[1]).Cmp(host), "%s, not %s", line, host.FloatString(9))
			require.Equal(t, zoneOf(times(host, millimetres[hostUnit])), m[3], line)
			host = nil
		}
	}
	require.Empty(t, want, "each chain is tagged")
}
