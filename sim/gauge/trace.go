package gauge

import (
	"fmt"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// Step is one step of a channel's measuring chain with its value in words.
type Step struct{ Name, Value string }

// Trace shows the chain of a channel at the present sample, step by step, in
// the order the profile has it.
func (g *Gauge) Trace(i int) []Step {
	c := &g.ch[i]
	r := g.reading(i)
	if r.Void != Valid && c.void != Valid {
		return []Step{{"probe", c.void.String()}, {"reading", "void: " + r.Void.String()}}
	}
	write := func(d decimal.Fraction) string { return inUnit(d, c.Unit) }
	var steps []Step
	if c.calc != nil {
		var of []string
		for _, j := range c.calc.Of {
			of = append(of, g.ch[j].name+" "+write(g.ch[j].value))
		}
		what := c.calc.Kind.String()
		if c.calc.Formula != nil {
			what = c.calc.Formula.Text
		}
		steps = append(steps, Step{what + " of " + strings.Join(of, ", "), write(c.base)})
	} else {
		steps = append(steps, Step{"tip travel", write(whole(c.raw))})
		if c.Average > 1 {
			steps = append(steps, Step{fmt.Sprintf("mean of the last %d", c.Average), write(whole(c.pressed))})
		}
		steps = append(steps, Step{"sense " + c.Sense.String(), write(c.base)})
	}
	factor, datum := Step{"factor " + c.Factor.String(), ""}, Step{"datum " + write(c.datum), ""}
	if g.p.Chain.FactorLast {
		datum.Value, factor.Value = write(c.base.Add(c.datum)), write(c.value)
		steps = append(steps, datum, factor)
	} else {
		factor.Value, datum.Value = write(c.base.Mul(c.Factor.Fraction())), write(c.value)
		steps = append(steps, factor, datum)
	}
	if r.Void != Valid {
		return append(steps, Step{"reading", "void: " + r.Void.String()})
	}
	judged := r.Exact.Beside()
	if c.Rule.Decide == zone.Displayed {
		n, _ := r.Exact.Steps(decimal.New(int64(c.step), 0), c.Rounding)
		judged = decimal.New(int64(c.step), 0).Mul(decimal.New(n, 0))
	}
	return append(steps,
		Step{"function " + c.Function.String(), write(r.Exact)},
		Step{"rounded " + c.Rounding.String() + " to " + c.Resolution.String(), r.Shown.String() + " " + c.Unit.Symbol()},
		Step{"zone " + r.Zone.String(), c.Limits.Why(judged, c.Rule, c.Unit)},
	)
}
