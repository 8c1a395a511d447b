package proof

import (
	"math"
	"math/big"
	"strings"
	"time"

	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/rehearse"
	"example.org/understudy/harness/study"
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
	"harness/study statistics": func(given string) any {
		name, what, _ := strings.Cut(given, ", ")
		s := study.Of(reference(name))
		if what == "s" {
			return s.S
		}
		mean, _ := s.Mean.Float64()
		return mean
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
	for block := range strings.SplitSeq(`0.29 -0.56 1.34 0.47 -0.80 0.02 0.59 -0.31 2.26 -1.36
0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31

0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
0.25 -1.22 0.94 1.03 -1.20 0.22 0.55 0.08 2.12 -1.62
0.07 -0.68 1.34 0.20 -1.28 0.06 0.83 -0.34 2.19 -1.50

0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16`, "\n\n") {
		byPart := make([][]*big.Rat, 10)
		for n, x := range strings.Fields(block) {
			byPart[n%10] = append(byPart[n%10], ratio(x))
		}
		g = append(g, byPart)
	}
	return g
}()

func ratio(text string) *big.Rat {
	r, _ := new(big.Rat).SetString(text)
	return r
}

// reference is one of the data sets for univariate statistics that follow a rule.
func reference(name string) (x []*big.Rat) {
	if name == "NumAcc1" {
		return []*big.Rat{ratio("10000001"), ratio("10000003"), ratio("10000002")}
	}
	whole := map[string]string{"NumAcc2": "1", "NumAcc3": "1000000", "NumAcc4": "10000000"}[name]
	x = append(x, ratio(whole+".2"))
	for range 500 {
		x = append(x, ratio(whole+".1"), ratio(whole+".3"))
	}
	return x
}
