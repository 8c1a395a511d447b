package judge

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
)

// The ways from a reading to the host's steps.

// stepOp makes the host's steps of a reading.
type stepOp struct {
	bits float64
	text string
	do   func(r *cause.Reading) (decimal.Decimal, bool)
}

// factors are numbers that hosts take for 25.4, and one divided by it.
var factors = []string{"25", "25.4001", "25.40005", "0.03937", "0.0394", "0.039", "0.04"}

// stepped are values in wrong steps of the host.
func (j *judging) stepped(add adds) {
	if c, _ := j.Resolution.Trim().Coefficient(); c > 1 {
		e := j.Resolution.Trim().Exponent()
		add(4, fmt.Sprintf("the value is in steps of %s, not of %s", j.number(decimal.New(1, e)), j.number(j.Resolution)), func(it *item) (answer, bool) {
			if it.r == nil || it.r.Void {
				return answer{}, false
			}
			return answer{v: it.r.Length().Quo(decimal.New(int64(j.Unit.Size()), 0), e, j.Rounding)}, true
		})
	}
	steps, ops := []decimal.Decimal{j.Resolution}, [][]stepOp{j.stepping(j.Resolution)}
	at := func(it *item) int {
		own := j.Step(it.g, it.c)
		return slices.IndexFunc(steps, func(s decimal.Decimal) bool { return s.Equal(own) })
	}
	for g := range j.Gauges {
		for c := range j.Gauges[g].Channels {
			if at(&item{g: g, c: c}) < 0 {
				steps = append(steps, j.Step(g, c))
				ops = append(ops, j.stepping(j.Step(g, c)))
			}
		}
	}
	for n, op := range ops[0] {
		add(op.bits, op.text, func(it *item) (answer, bool) {
			if it.r == nil || it.r.Void {
				return answer{}, false
			}
			v, ok := ops[at(it)][n].do(it.r)
			return answer{v: steps[at(it)].Mul(v)}, ok
		})
	}
	if len(steps) == 1 {
		return
	}
	for _, step := range steps {
		add(4, "the value is rounded to "+j.number(step)+", whichever the channel's own step", func(it *item) (answer, bool) {
			if it.r == nil || it.r.Void {
				return answer{}, false
			}
			return answer{v: it.r.Length().Quo(decimal.New(int64(j.Unit.Size()), 0), -12, decimal.HalfEven).RoundTo(step, j.Rounding)}, true
		})
	}
}

// rounding is a way from a length in picometres to steps.
type rounding struct {
	bits float64
	text string
	do   func(pm decimal.Decimal) decimal.Decimal
}

// roundings are the ways to round to a step.
func (j *judging) roundings(res decimal.Decimal) []rounding {
	size := decimal.New(int64(j.Unit.Size()), 0)
	step := res.Mul(size)
	floor := func(pm decimal.Decimal) decimal.Decimal {
		n := pm.Quo(step, 0, decimal.Truncate)
		if n.Mul(step).Cmp(pm) > 0 {
			n = n.Sub(decimal.New(1, 0))
		}
		return n
	}
	ways := []rounding{
		{3, "cut off towards 0", func(pm decimal.Decimal) decimal.Decimal { return pm.Quo(step, 0, decimal.Truncate) }},
		{3, "rounded down, also below 0", floor},
		{5, "rounded up, also below 0", func(pm decimal.Decimal) decimal.Decimal { return floor(pm.Neg()).Neg() }},
		{3, "rounded half away from 0", func(pm decimal.Decimal) decimal.Decimal { return pm.Quo(step, 0, decimal.HalfUp) }},
		{3, "rounded half to even", func(pm decimal.Decimal) decimal.Decimal { return pm.Quo(step, 0, decimal.HalfEven) }},
		{3, "rounded half upwards, also below 0", func(pm decimal.Decimal) decimal.Decimal { return pm.Quo(step, 0, decimal.HalfToPlus) }},
		{4, "rounded half towards 0", func(pm decimal.Decimal) decimal.Decimal { return pm.Quo(step, 0, decimal.HalfDown) }},
	}
	ways = append(ways, rounding{3.5, "rounded, and cut off where it is negative", func(pm decimal.Decimal) decimal.Decimal {
		if pm.Sign() < 0 {
			return pm.Quo(step, 0, decimal.Truncate)
		}
		return pm.Quo(step, 0, j.Rounding)
	}})
	ways = append(ways, ways[0])
	ways[len(ways)-1].bits, ways[len(ways)-1].text = 3.5, "rounded with a step that is added upwards, also below 0"
	ways[len(ways)-1].do = func(pm decimal.Decimal) decimal.Decimal {
		n := pm.Quo(step, 0, decimal.Truncate)
		if !n.Equal(pm.Quo(step, 0, j.Rounding)) {
			n = n.Add(decimal.New(1, 0))
		}
		return n
	}
	return ways
}

// stepping are ways from a reading to the host's steps that differ from the right one
// in the rounding, in binary fractions or in the factor between the units.
func (j *judging) stepping(res decimal.Decimal) (ops []stepOp) {
	ways := j.roundings(res)
	for _, w := range ways {
		ops = append(ops, stepOp{bits: w.bits, text: "the value is " + w.text, do: func(r *cause.Reading) (decimal.Decimal, bool) { return w.do(r.Length()), true }})
	}
	for _, f := range factors {
		k := decimal.MustParse(f)
		for _, w := range append(ways[:1:1], ways[3:5]...) {
			bits, text := 6.0, "inches are reckoned with "+f+", and the value is "+w.text
			if how := map[decimal.Rounding]string{decimal.Truncate: ways[0].text, decimal.HalfUp: ways[3].text, decimal.HalfEven: ways[4].text}[j.Rounding]; how == w.text {
				bits, text = 4, "inches are reckoned with "+f
				if f == "0.03937" {
					bits = 3.5 // which many know by heart
				}
			}
			ops = append(ops, stepOp{bits: bits, text: text, do: func(r *cause.Reading) (decimal.Decimal, bool) {
				inch := decimal.New(254, -1)
				if (r.Unit == decimal.IN) == (j.Unit == decimal.IN) {
					return decimal.Decimal{}, false
				}
				up, down := k, inch
				if one := decimal.New(1, 0); k.Cmp(one) < 0 { // it is the other way round
					up, down = one, inch.Mul(k)
				}
				if j.Unit == decimal.IN {
					up, down = down, up
				}
				return w.do(r.Length().Mul(up).Quo(down, -6, decimal.HalfEven)), true
			}})
		}
	}
	step := res.Mul(decimal.New(int64(j.Unit.Size()), 0))
	for _, count := range []int64{100, 1000, 10_000, 100_000} { // pm
		pm := decimal.New(count, 0)
		ops = append(ops, stepOp{bits: 6, text: fmt.Sprintf("the value in counts of %s nm overflows 32 bits", decimal.New(count, -3).Trim()), do: func(r *cause.Reading) (decimal.Decimal, bool) {
			n, ok := r.Length().Quo(pm, 0, decimal.HalfEven).Int64()
			return decimal.New(int64(int32(n)), 0).Mul(pm).Quo(step, 0, j.Rounding), ok
		}})
	}
	return append(ops, j.binary(res)...)
}

// binary are ways through binary fractions.
func (j *judging) binary(res decimal.Decimal) (ops []stepOp) {
	unit, s := j.Unit, res.Float64()
	per := math.Round(1 / s)
	for _, b := range []struct {
		text string
		do   func(x float64) float64
		mode decimal.Rounding // the same in decimals
	}{
		{"divided by the step and cut off", func(x float64) float64 { return math.Trunc(x / s) }, decimal.Truncate},
		{"multiplied and cut off", func(x float64) float64 { return math.Trunc(x * per) }, decimal.Truncate},
		{"divided by the step and rounded half to even", func(x float64) float64 { return math.RoundToEven(x / s) }, decimal.HalfEven},
		{"multiplied and rounded half to even", func(x float64) float64 { return math.RoundToEven(x * per) }, decimal.HalfEven},
		{"multiplied and rounded half up", func(x float64) float64 { return math.Round(x * per) }, decimal.HalfUp},
		{"printed with so many decimals", func(x float64) float64 {
			v, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'f', -res.Exponent(), 64), 64)
			return math.Round(v / s)
		}, decimal.HalfEven},
		{"held in 32 bits", func(x float64) float64 { return math.RoundToEven(float64(float32(x)) / s) }, decimal.HalfEven},
	} {
		bits := 5.0
		if b.mode == j.Rounding { // so that it differs from what is right only where the fraction is off
			bits = 2.5
		}
		ops = append(ops, stepOp{bits, "the value is a binary fraction, " + b.text, func(r *cause.Reading) (decimal.Decimal, bool) {
			x := r.Shown.Float64()
			if r.Unit != unit {
				x = x * float64(r.Unit.Size()) / float64(unit.Size())
			}
			return decimal.New(int64(b.do(x)), 0), math.Abs(x/s) < 1e15
		}})
	}
	return ops
}
