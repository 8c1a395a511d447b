package proof

import (
	"math"
	"strings"
	"time"

	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/rehearse"
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
