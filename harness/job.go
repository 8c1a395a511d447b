package harness

import (
	"encoding/json"

	"example.org/understudy/harness/cause"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/wire"
	"example.org/understudy/sim/zone"
)

// job is the job file, which tells a host what the scenario asks of it. A host
// that has its own configuration need not read it. Numbers that are readings
// or limits are decimal text.
type job struct {
	Version    int             `json:"version"`
	Feature    string          `json:"feature"`
	Unit       string          `json:"unit"`
	Resolution decimal.Decimal `json:"resolution"`
	Rounding   string          `json:"rounding"`
	Decide     string          `json:"decide"`
	LimitsAre  string          `json:"limits-are"`
	Guard      decimal.Decimal `json:"guard"`
	Keeps      string          `json:"keeps"`
	Records    string          `json:"records"`
	Gauges     []jobGauge      `json:"gauges"`
}

type jobGauge struct {
	Name     string          `json:"name"`
	Serial   string          `json:"serial"`
	Port     string          `json:"port"`
	PortKind string          `json:"port-kind"`
	Line     string          `json:"line"`
	Dialect  string          `json:"dialect"`
	Unit     string          `json:"unit"` // the gauge reports in it at the start
	Factor   decimal.Decimal `json:"factor"`
	Preset   decimal.Decimal `json:"preset"` // in the gauge's unit
	Function string          `json:"function"`
	Tags     jobTags         `json:"tags"`
	Writes   []jobWrite      `json:"writes,omitempty"`
	Channels []jobChannel    `json:"channels"`
}

type jobTags struct {
	First  int64  `json:"first"`
	Last   int64  `json:"last"`
	Window string `json:"window"`
}

type jobWrite struct {
	Verb    string `json:"verb,omitempty"`
	Setting string `json:"setting,omitempty"`
	Channel string `json:"channel,omitempty"`
	To      string `json:"to,omitempty"`
}

type jobChannel struct {
	Name       string           `json:"name"`
	LimitsUnit string           `json:"limits-unit"`
	Lower      *decimal.Decimal `json:"lower,omitempty"`
	Upper      *decimal.Decimal `json:"upper,omitempty"`
	WarnLower  *decimal.Decimal `json:"warn-lower,omitempty"`
	WarnUpper  *decimal.Decimal `json:"warn-upper,omitempty"`
}

// Window is the retransmit window of a gauge's tags: the same number with the
// same reading within it, counted from when it was last seen, is one tag. A
// gauge that repeats its tags sets it; without repeats it covers a frame that
// the link delivers twice.
func window(s *scenario.Scenario, g int) quantity.Duration {
	t := s.Play.Cast[g].Profile.Tags
	return quantity.Duration(max(2*t.Repeat, 2e9))
}

// Spec states what the scenario asks of the host, for the judge.
func Spec(s *scenario.Scenario) cause.Spec {
	unit, step := s.HostStep(0, 0)
	spec := cause.Spec{Unit: unit, Resolution: step, Rounding: s.Host.Rounding, Rule: s.Rule(), All: bool(s.Host.Keeps)}
	for g := range s.Play.Cast {
		p := s.Play.Cast[g].Profile
		set := p.Channels[0].Settings
		cg := cause.Gauge{
			Name: p.Name, Serial: p.Serial, Factor: set.Factor, Preset: set.Preset, Sense: set.Sense.String(), Function: set.Function.String(),
			Tags: cause.Tags{First: p.Tags.First, Last: p.Tags.Last, Window: window(s, g).D()},
			Line: s.Line(g),
		}
		if d := s.Play.Cast[g].Dialect; d != nil && d.Term(wire.Tag) < 0 {
			cg.Tags.First, cg.Tags.Last = 0, 0 // its frames carry no number
		}
		for _, w := range s.Writes(g) {
			cg.Writes = append(cg.Writes, cause.Write{Verb: w.Verb, Setting: w.Setting, Channel: w.Channel, To: w.To})
		}
		for c := range p.Channels {
			cg.Channels = append(cg.Channels, cause.Channel{Name: p.Channels[c].Name, Limits: s.Limits(g, c), LimitUnit: s.LimitUnit(g, c)})
		}
		spec.Gauges = append(spec.Gauges, cg)
	}
	return spec
}

// jobFor writes the job for a host: ports and dialects by gauge.
func jobFor(s *scenario.Scenario, ports []string, dialects map[string]string, records string) ([]byte, error) {
	spec := Spec(s)
	in := func(l decimal.Length, u decimal.Unit) decimal.Decimal { v, _ := l.In(u); return v }
	j := job{
		Version: 1, Feature: s.Part.Feature, Unit: spec.Unit.Symbol(), Resolution: spec.Resolution, Rounding: spec.Rounding.String(),
		Decide: spec.Rule.Decide.String(), LimitsAre: s.Host.LimitsAre.String(), Guard: in(spec.Rule.Guard, spec.Unit),
		Keeps: s.Host.Keeps.String(), Records: records,
	}
	for g := range spec.Gauges {
		cg, p := &spec.Gauges[g], s.Play.Cast[g].Profile
		unit := p.Channels[0].Unit
		jg := jobGauge{
			Name: cg.Name, Serial: cg.Serial, Port: ports[g], PortKind: s.Gauges[g].Port.String(), Line: cg.Line,
			Dialect: dialects[s.Gauges[g].Dialect], Unit: unit.Symbol(), Factor: cg.Factor, Preset: in(cg.Preset, unit), Function: cg.Function,
			Tags: jobTags{cg.Tags.First, cg.Tags.Last, quantity.Duration(cg.Tags.Window).String()},
		}
		for _, w := range cg.Writes {
			jg.Writes = append(jg.Writes, jobWrite(w))
		}
		for _, c := range cg.Channels {
			lim := func(l zone.Limit) *decimal.Decimal {
				if !l.Set {
					return nil
				}
				v := in(l.At, c.LimitUnit)
				return &v
			}
			jg.Channels = append(jg.Channels, jobChannel{Name: c.Name, LimitsUnit: c.LimitUnit.Symbol(),
				Lower: lim(c.Limits.Lower), Upper: lim(c.Limits.Upper), WarnLower: lim(c.Limits.WarnLower), WarnUpper: lim(c.Limits.WarnUpper)})
		}
		j.Gauges = append(j.Gauges, jg)
	}
	return json.MarshalIndent(j, "", "  ")
}
