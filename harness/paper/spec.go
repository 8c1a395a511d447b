package paper

import (
	"example.org/understudy/harness/cause"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/wire"
)

// window is the retransmit window of a gauge's tags: the same number with the
// same reading within it, counted from when it was last seen, is one tag. A
// gauge that repeats its tags sets it; without repeats it covers a frame that
// the link delivers twice.
func window(s *scenario.Scenario, g int) quantity.Duration {
	t := s.Play.Cast[g].Profile.Tags
	return quantity.Duration(max(2*t.Repeat, 2e9))
}

// second reports whether the second of two words is stated; nil where neither is.
func second[T ~uint8](v *T) *bool {
	if v == nil {
		return nil
	}
	is := *v == 1
	return &is
}

// Spec states what the scenario asks of the host, for the judge.
func Spec(s *scenario.Scenario) cause.Spec {
	unit, step := s.HostStep(0, 0)
	at := &s.Host.AtPort
	spec := cause.Spec{Unit: unit, Resolution: step, Rounding: s.Host.Rounding, Rule: s.Rule(), All: s.Host.Keeps == "all",
		AtLine: cause.AtLine{DTR: second(at.DTR), RTS: second(at.RTS), Breaks: second(at.Breaks), Reads: at.Reads.D()}}
	for g := range s.Play.Cast {
		p := s.Play.Cast[g].Profile
		set := p.Channels[0].Settings
		cg := cause.Gauge{
			Name: p.Name, Serial: p.Serial, Factor: set.Factor, Preset: set.Preset, Sense: set.Sense.String(), Function: set.Function.String(),
			Tags: cause.Tags{First: p.Tags.First, Last: p.Tags.Last, Window: window(s, g).D()},
			Line: s.Line(g), Shows: s.Gauges[g].Port == scenario.RFC2217, Counts: s.Play.Cast[g].Dialect != nil && s.Play.Cast[g].Dialect.Term(wire.Seq) >= 0,
		}
		if d := s.Play.Cast[g].Dialect; d != nil && d.Term(wire.Tag) < 0 {
			cg.Tags.First, cg.Tags.Last = 0, 0 // its frames carry no number
		}
		for _, w := range s.Writes(g) {
			cg.Writes = append(cg.Writes, cause.Write{Verb: w.Verb, Setting: w.Setting, Channel: w.Channel, To: w.To})
		}
		for c := range p.Channels {
			own := decimal.Decimal{}
			if _, res := s.HostStep(g, c); !res.Equal(step) {
				own = res
			}
			cg.Channels = append(cg.Channels, cause.Channel{Name: p.Channels[c].Name, Resolution: own, Limits: s.Limits(g, c), LimitUnit: s.LimitUnit(g, c)})
		}
		spec.Gauges = append(spec.Gauges, cg)
	}
	return spec
}
