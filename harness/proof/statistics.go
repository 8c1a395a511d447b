package proof

import (
	"cmp"
	"embed"
	"math"
	"math/big"
	"strings"
	"time"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/rehearse"
	"example.org/understudy/harness/study"
	"example.org/understudy/harness/summary"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// The models of probability, of the judge and of a rehearsal.
var statistics = map[string]func(given string) any{
	"harness/judge conformance probability": func(given string) any {
		var y, u float64
		var lower, upper string
		scan(given, "%g ± %g in %s to %s", &y, &u, &lower, &upper)
		at := func(v float64) decimal.Length { return decimal.Length(math.Round(v * 1e9)) }
		limit := func(text string) zone.Limit {
			if text == "-" {
				return zone.Limit{}
			}
			return zone.At(length(text + " mm"))
		}
		return judge.Conformity(at(y), at(u), zone.Limits{Lower: limit(lower), Upper: limit(upper)})
	},
	"harness/judge verdicts combined": func(given string) any {
		a, b, _ := strings.Cut(given, " and ")
		verdict := map[string]judge.Verdict{"pass": judge.Pass, "inconclusive": judge.Inconclusive, "fail": judge.Fail, "error": judge.Error}
		return judge.Combine(verdict[a], verdict[b]).String()
	},
	"harness/rehearse risks of a gamma process": func(given string) any {
		density := func(x float64) float64 { return math.Pow(4, 4) * x * x * x * math.Exp(-4*x) / 6 }
		to := 1000.0 // all are accepted
		if given != "not conforming" {
			scan(given, "consumer's risk, accepted to %g", &to)
		}
		in, _ := rehearse.MisjudgedOf(density, [2]float64{0, 20}, [2]float64{0, 2}, [2]float64{min(0, 2-to), to}, 0.25)
		return in
	},
	"harness/rehearse risks of a normal process": func(given string) any {
		var whose string
		var limits, to, u float64
		scan(given, "%s risk, limits %g, accepted to %g, u %g", &whose, &limits, &to, &u)
		in, out := rehearse.Misjudged([2]float64{-limits, limits}, [2]float64{-to, to}, 0, 1, u)
		if whose == "producer's" {
			return out
		}
		return in
	},
	"harness/rehearse capability": func(given string) any {
		what, rest, _ := strings.Cut(given, ", ")
		var lower, upper, mean, spread float64
		var n int
		scan(rest, "limits %g to %g, mean %g, spread %g, %d parts", &lower, &upper, &mean, &spread, &n)
		sum := mean * float64(n)
		m := rehearse.Moments{N: n, Groups: 1, Within: 4 * spread * spread, Sum: sum, Square: spread*spread*float64(n-1) + mean*sum}
		c := m.Capability(lower, upper, n)
		index := c.Pp
		if strings.HasSuffix(what, "Ppk") {
			index = c.Ppk
		}
		switch {
		case strings.HasPrefix(what, "lower"):
			return index.Low
		case strings.HasPrefix(what, "upper"):
			return index.High
		}
		return index.Value
	},
	"harness/study gauge R&R": func(given string) any {
		v, c := workedStudy.Variance(), workedStudy.Components()
		squares := map[string]*big.Rat{"of operators": v.Operators, "of parts": v.Parts, "of both": v.Both, "of equipment": v.Equipment, "in all": v.Total}
		if of, ok := strings.CutPrefix(given, "squares "); ok {
			f, _ := squares[of].Float64()
			return f
		}
		return map[string]float64{"equipment": c.Equipment, "operators": c.Operators, "R&R": c.Gauge, "parts": c.Parts, "%R&R": c.Share, "ndc": float64(c.Classes)}[given]
	},
	"harness/summary mean and s": func(given string) any {
		var name, what string
		var places int
		scan(given, "%s %s %d decimals", &name, &what, &places)
		name, factor, _ := strings.Cut(name, "×")
		values := reference(name)
		for _, v := range values {
			v.Mul(v, ratio(cmp.Or(factor, "1")))
		}
		return summary.Exact(what, places, usualRules, nil, nil, nil, values...)
	},
	"harness/summary capability": func(given string) any {
		of, limits, _ := strings.Cut(given, ", limits ")
		what, readings, _ := strings.Cut(of, " of ")
		lower, upper, _ := strings.Cut(limits, " to ")
		rules := usualRules
		if base, ok := strings.CutSuffix(what, " by mean range"); ok {
			what, rules.Within = base, hostfile.MeanRange
		}
		return summary.Exact(what, 4, rules, nil, ratio(lower), ratio(upper), ratios(readings)...)
	},
	"harness/summary constant d2": func(given string) any {
		var n int
		scan(given, "subgroups of %d", &n)
		return summary.MeanRange(n)
	},
	"harness/summary gauge R&R": func(given string) any {
		var values []*big.Rat
		for _, byPart := range workedStudy {
			for i := range 30 {
				values = append(values, byPart[i%10][i/10])
			}
		}
		places := map[string]int{"%R&R": 1}[given]
		return summary.Exact(given, places, usualRules, &study.Layout{Operators: 3, Parts: 10, Trials: 3}, nil, nil, values...)
	},
	// Two operators, two parts, two trials.
	"harness/summary rules of a study": func(given string) any {
		statistic, rule, _ := strings.Cut(given, ", ")
		rules := usualRules
		if rule == "of a tolerance of 60" {
			rules.ShareOf = hostfile.OfTolerance
		} else if rule == "interaction kept" {
			rules.Interaction = hostfile.Kept
		}
		places := map[string]int{"%R&R": 3}[statistic]
		return summary.Exact(statistic, places, rules, &study.Layout{Operators: 2, Parts: 2, Trials: 2}, ratio("0"), ratio("60"), ratios("0 4 2 6 2 3 4 5")...)
	},
	"harness/rehearse waiting": func(given string) any {
		var use float64
		var seconds time.Duration
		var queue, rest string
		scan(given, "use %g, service %d s, %s in the %s", &use, &seconds, &queue, &rest)
		cv2 := map[string]float64{"M/D/1": 0, "M/M/1": 1}[queue]
		wait := rehearse.Waiting(use, seconds*time.Second, cv2)
		if rest == "system" {
			wait += seconds * time.Second
		}
		return wait.Hours()
	},
}

// workedStudy is the worked example of a gauge R&R study: a block for each operator, a
// line for each trial, a column for each part.
var workedStudy = func() (g study.Gauge) {
	for block := range strings.SplitSeq(dataOf("study"), "\n\n") {
		byPart := make([][]*big.Rat, 10)
		for n, x := range ratios(block) {
			byPart[n%10] = append(byPart[n%10], x)
		}
		g = append(g, byPart)
	}
	return g
}()

// usualRules are a host's where its description states none.
var usualRules = hostfile.Rules{Subgroup: 5, Deviations: decimal.New(6, 0)}

func ratios(text string) (out []*big.Rat) {
	for word := range strings.FieldsSeq(text) {
		out = append(out, ratio(word))
	}
	return out
}

func ratio(text string) *big.Rat {
	r, _ := new(big.Rat).SetString(text)
	return r
}

// reference is one of the data sets for univariate statistics. Three of them follow a rule.
func reference(name string) []*big.Rat {
	if whole := map[string]string{"NumAcc2": "1", "NumAcc3": "1000000", "NumAcc4": "10000000"}[name]; whole != "" {
		return ratios(whole + ".2" + strings.Repeat(" "+whole+".1 "+whole+".3", 500))
	}
	return ratios(dataOf(name))
}

//go:embed data/*.txt
var data embed.FS

func dataOf(name string) string { return string(must(data.ReadFile("data/" + name + ".txt"))) }
