package proof

import (
	"cmp"
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

// reference is one of the data sets for univariate statistics.
func reference(name string) []*big.Rat {
	if text := referenceData[name]; text != "" {
		return ratios(text)
	}
	whole := map[string]string{"NumAcc2": "1", "NumAcc3": "1000000", "NumAcc4": "10000000"}[name]
	return ratios(whole + ".2" + strings.Repeat(" "+whole+".1 "+whole+".3", 500))
}

// referenceData are the readings of those that follow no rule.
var referenceData = map[string]string{
	"NumAcc1": "10000001 10000003 10000002",
	"Mavro": `2.00180 2.00170 2.00180 2.00190 2.00180 2.00170 2.00150 2.00140 2.00150 2.00150 2.00170 2.00180 2.00180 2.00190 2.00190 2.00210 2.00200 2.00160 2.00140 2.00130 2.00130 2.00150 2.00150 2.00160 2.00150
2.00140 2.00130 2.00140 2.00150 2.00140 2.00150 2.00160 2.00150 2.00160 2.00190 2.00200 2.00200 2.00210 2.00220 2.00230 2.00240 2.00250 2.00270 2.00260 2.00260 2.00260 2.00270 2.00260 2.00250 2.00240`,
	"Michelso": `299.85 299.74 299.90 300.07 299.93 299.85 299.95 299.98 299.98 299.88 300.00 299.98 299.93 299.65 299.76 299.81 300.00 300.00 299.96 299.96 299.96 299.94 299.96 299.94 299.88
299.80 299.85 299.88 299.90 299.84 299.83 299.79 299.81 299.88 299.88 299.83 299.80 299.79 299.76 299.80 299.88 299.88 299.88 299.86 299.72 299.72 299.62 299.86 299.97 299.95
299.88 299.91 299.85 299.87 299.84 299.84 299.85 299.84 299.84 299.84 299.89 299.81 299.81 299.82 299.80 299.77 299.76 299.74 299.75 299.76 299.91 299.92 299.89 299.86 299.88
299.72 299.84 299.85 299.85 299.78 299.89 299.84 299.78 299.81 299.76 299.81 299.79 299.81 299.82 299.85 299.87 299.87 299.81 299.74 299.81 299.94 299.95 299.80 299.81 299.87`,
	"Lottery": `162 671 933 414 788 730 817 33 536 875 670 236 473 167 877 980 316 950 456 92 517 557 956 954 104 178 794 278 147 773 437 435 502 610 582 780 689 562 964 791 28 97 848 281
858 538 660 972 671 613 867 448 738 966 139 636 847 659 754 243 122 455 195 968 793 59 730 361 574 522 97 762 431 158 429 414 22 629 788 999 187 215 810 782 47 34 108 986
25 644 829 630 315 567 919 331 207 412 242 607 668 944 749 168 864 442 533 805 372 63 458 777 416 340 436 140 919 350 510 572 905 900 85 389 473 758 444 169 625 692 140 897
672 288 312 860 724 226 884 508 976 741 476 417 831 15 318 432 241 114 799 955 833 358 935 146 630 830 440 642 356 373 271 715 367 393 190 669 8 861 108 795 269 590 326 866
64 523 862 840 219 382 998 4 628 305 747 247 34 747 729 645 856 974 24 568 24 694 608 480 410 729 947 293 53 930 223 203 677 227 62 455 387 318 562 242 428 968`,
}
