package check

import (
	"cmp"
	"encoding/json"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/paper"
	"example.org/understudy/harness/schema"
	"example.org/understudy/harness/study"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// Job tells a host what the scenario asks of it: the job file, {job}, is this as
// JSON. A host that has its own configuration need not read it. Numbers that are
// readings or limits are decimal text.
type Job struct {
	Version    int             `json:"version" doc:"version of the job file: 1"`
	Feature    string          `json:"feature" doc:"what is measured"`
	Unit       string          `json:"unit" doc:"the host records in it"`
	Resolution decimal.Decimal `json:"resolution" doc:"step of the host's display, in Unit"`
	Rounding   string          `json:"rounding" doc:"half-even, half-up, truncate, half-down or half-to-plus"`
	Decide     string          `json:"decide" doc:"what is compared with the limits: displayed or unrounded"`
	LimitsAre  string          `json:"limits-are" doc:"inclusive or strict"`
	Guard      decimal.Decimal `json:"guard" doc:"in Unit; 0: simple acceptance"`
	Unproven   bool            `json:"unproven" doc:"a value that is not accepted, and lies beyond a specification limit by no more than the guard, is unproven"`
	Keeps      string          `json:"keeps" doc:"tagged or all"`
	Records    string          `json:"records" doc:"file or address that the records go to"`
	AtLine     JobAtLine       `json:"at-port" doc:"how the host is to behave at its ports; what is not stated is not judged"`
	Summary    *hostfile.Rules `json:"summary,omitempty" doc:"how statistics of the tagged readings are worked out; absent: the host's description claims none"`
	Gauges     []JobGauge      `json:"gauges" doc:"the gauges"`
}

// JobGauge is one gauge: where it is, how it speaks, how it stands at the start.
type JobGauge struct {
	Name     string          `json:"name" doc:"name"`
	Serial   string          `json:"serial" doc:"what the gauge says of itself"`
	Port     string          `json:"port" doc:"of a pty a path, of tcp HOST:PORT, of rfc2217 a URL: rfc2217://HOST:PORT"`
	PortKind string          `json:"port-kind" doc:"pty, tcp or rfc2217"`
	Line     string          `json:"serial-line" doc:"how the serial line is set, such as 9600 8N1"`
	Dialect  string          `json:"dialect" doc:"file of its description"`
	Unit     string          `json:"unit" doc:"the gauge reports in it at the start"`
	Factor   decimal.Decimal `json:"factor" doc:"the gauge applies it; the host does not"`
	Preset   decimal.Decimal `json:"preset" doc:"in the gauge's unit"`
	Function string          `json:"function" doc:"what the gauge reports at the start: live, max, min or fim"`
	Tags     JobTags         `json:"tags" doc:"how its tags are numbered"`
	Study    *study.Layout   `json:"study,omitempty" doc:"its tags are those of a gauge study, in this order"`
	Writes   []JobWrite      `json:"writes,omitempty" doc:"what the host writes to the gauge, in this order, before it is ready"`
	Channels []JobChannel    `json:"channels" doc:"its channels"`
}

// JobAtLine is how the host is to behave at the line, where the scenario says so.
type JobAtLine struct {
	DTR    *scenario.Level  `json:"DTR,omitempty" doc:"raised or lowered"`
	RTS    *scenario.Level  `json:"RTS,omitempty" doc:"raised or lowered"`
	Breaks *scenario.Breaks `json:"breaks,omitempty" doc:"none or some"`
	Reads  string           `json:"reads-within,omitempty" doc:"bytes wait no longer, such as 500 ms"`
}

// JobTags are the gauge's tag numbers, and the window in which the same number with
// the same reading is the same tag.
type JobTags struct {
	First  int64  `json:"first" doc:"first number"`
	Last   int64  `json:"last" doc:"last number, after which the first follows; 0 where frames carry no number"`
	Window string `json:"window" doc:"the same number with the same reading within this time is one tag; in seconds, such as 2.5 s"`
}

// JobWrite is a setting that the host is to write, or what it is to do, in order,
// before it is ready.
type JobWrite struct {
	Verb    string `json:"verb,omitempty" doc:"a command instead of a setting"`
	Setting string `json:"setting,omitempty" doc:"name of the setting"`
	Channel string `json:"channel,omitempty" doc:"name of the channel; every channel when empty"`
	To      string `json:"to,omitempty" doc:"value"`
}

// JobChannel is one channel and its limits, in LimitsUnit; nil: there is none.
type JobChannel struct {
	Name       string           `json:"name" doc:"name"`
	LimitsUnit string           `json:"limits-unit" doc:"unit of the limits"`
	Resolution *decimal.Decimal `json:"resolution,omitempty" doc:"step of this channel's displayed value, in the job's unit; absent: the job's resolution"`
	Lower      *decimal.Decimal `json:"lower,omitempty" doc:"lower specification limit; absent: there is none"`
	Upper      *decimal.Decimal `json:"upper,omitempty" doc:"upper specification limit; absent: there is none"`
	WarnLower  *decimal.Decimal `json:"warn-lower,omitempty" doc:"lower warning limit; absent: there is none"`
	WarnUpper  *decimal.Decimal `json:"warn-upper,omitempty" doc:"upper warning limit; absent: there is none"`
}

// JobSchema is the JSON Schema of the job file.
func JobSchema() []byte { return schema.Document("understudy job", Job{}) }

// JobFor writes the job file of a scenario: the ports by gauge, what the job is to
// call each dialect, and where the records go.
func JobFor(s *scenario.Scenario, ports []string, dialects map[string]string, records string) ([]byte, error) {
	return json.MarshalIndent(newJob(s, ports, dialects, records), "", "  ")
}

func newJob(s *scenario.Scenario, ports []string, dialects map[string]string, records string) *Job {
	spec := paper.Spec(s)
	in := func(l decimal.Length, u decimal.Unit) decimal.Decimal { v, _ := l.In(u); return v }
	j := Job{
		Version: 1, Feature: s.Part.Feature, Unit: spec.Unit.Symbol(), Resolution: spec.Resolution, Rounding: spec.Rounding.String(),
		Decide: spec.Rule.Decide.String(), LimitsAre: cmp.Or(s.Host.LimitsAre, "inclusive"), Guard: in(spec.Rule.Guard, spec.Unit), Unproven: spec.Rule.Unproven,
		Keeps: cmp.Or(s.Host.Keeps, "tagged"), Records: records, AtLine: JobAtLine{DTR: s.Host.AtPort.DTR, RTS: s.Host.AtPort.RTS, Breaks: s.Host.AtPort.Breaks},
	}
	if d := s.Host.AtPort.Reads; d > 0 {
		j.AtLine.Reads = d.String()
	}
	studies := paper.Layouts(s)
	for g := range spec.Gauges {
		cg, p := &spec.Gauges[g], s.Play.Cast[g].Profile
		unit := p.Channels[0].Unit
		jg := JobGauge{
			Name: cg.Name, Serial: cg.Serial, Port: ports[g], PortKind: s.Gauges[g].Port.String(), Line: cg.Line,
			Dialect: dialects[s.Gauges[g].Dialect], Unit: unit.Symbol(), Factor: cg.Factor, Preset: in(cg.Preset, unit), Function: cg.Function,
			Study: studies[g], Tags: JobTags{cg.Tags.First, cg.Tags.Last, decimal.New(int64(cg.Tags.Window), -9).Trim().String() + " s"},
		}
		for _, w := range cg.Writes {
			jg.Writes = append(jg.Writes, JobWrite(w))
		}
		for _, c := range cg.Channels {
			lim := func(l zone.Limit) *decimal.Decimal {
				if !l.Set {
					return nil
				}
				v := in(l.At, c.LimitUnit)
				return &v
			}
			var own *decimal.Decimal
			if !c.Resolution.IsZero() {
				own = &c.Resolution
			}
			jg.Channels = append(jg.Channels, JobChannel{Name: c.Name, Resolution: own, LimitsUnit: c.LimitUnit.Symbol(),
				Lower: lim(c.Limits.Lower), Upper: lim(c.Limits.Upper), WarnLower: lim(c.Limits.WarnLower), WarnUpper: lim(c.Limits.WarnUpper)})
		}
		j.Gauges = append(j.Gauges, jg)
	}
	return &j
}
