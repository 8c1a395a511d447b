package gauge

import (
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// Step is one step of a channel's measuring chain with its value in words.
type Step struct{ Name, Value string }

// Trace shows the chain of a channel at the present sample, step by step.
func (g *Gauge) Trace(i int) []Step {
	c := &g.ch[i]
	r := g.reading(i)
	if r.Void != Valid && c.void != Valid {
		return []Step{{"probe", c.void.String()}, {"reading", "void: " + r.Void.String()}}
	}
	write := func(d decimal.Decimal) string { return inUnit(d, c.Unit) }
	sensed := c.pressed
	if c.Sense == Falling {
		sensed = c.stroke - c.pressed
	}
	steps := []Step{
		{"pressed", write(decimal.New(int64(c.pressed), 0))},
		{"sense " + c.Sense.String(), write(decimal.New(int64(sensed), 0))},
		{"factor " + c.Factor.String(), write(c.scaled(c.pressed))},
		{"datum " + write(c.datum), write(c.measure(c.pressed))},
	}
	if r.Void != Valid {
		return append(steps, Step{"reading", "void: " + r.Void.String()})
	}
	judged := r.Exact
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
