// Package generate makes scenarios that nobody wrote: rows of a covering array
// of everything that varies, and after them random timelines that lean to the
// edges.
//
// What is made is a scenario.File. Written out it is a scenario like any other.
package generate

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"example.org/understudy/scenario/generate/cover"
)

// Factors lists what varies. The first level of each is the plainest.
func Factors() []cover.Factor {
	return []cover.Factor{
		{Name: "dialect", Levels: []string{"line-ascii", "compact-binary", "multi-ascii", "cobs-binary", "slip-binary", "hdlc-binary", "block-check", "multi-binary", "parts-ascii"}},
		{Name: "port", Levels: []string{"pty", "tcp", "rfc2217"}},
		{Name: "at-port", Levels: []string{"unsaid", "stated"}},
		{Name: "carries", Levels: []string{"all", "no tail", "no number", "no keys or lead"}},
		{Name: "gauges", Levels: []string{"1", "2"}},
		{Name: "channels", Levels: []string{"1", "2"}},
		{Name: "unit", Levels: []string{"mm", "in"}},
		{Name: "host-unit", Levels: []string{"same", "other"}},
		{Name: "limits-unit", Levels: []string{"same", "other"}},
		{Name: "resolution", Levels: []string{"medium", "coarse", "fine"}},
		{Name: "host-step", Levels: []string{"same", "5 times", "10 times"}},
		{Name: "rounding", Levels: []string{"half-even", "half-up", "truncate"}},
		{Name: "nominal", Levels: []string{"size", "zero"}},
		{Name: "factor", Levels: []string{"1", "2", "0.5", "-1"}},
		{Name: "larger-part", Levels: []string{"presses", "releases"}},
		{Name: "sense", Levels: []string{"natural", "reversed"}},
		{Name: "function", Levels: []string{"live", "max", "min", "fim"}},
		{Name: "decide", Levels: []string{"displayed", "unrounded"}},
		{Name: "limits-are", Levels: []string{"inclusive", "strict"}},
		{Name: "uncertainty", Levels: []string{"none", "stated"}},
		{Name: "limits", Levels: []string{"both", "upper", "lower"}},
		{Name: "warn", Levels: []string{"both", "none", "upper"}},
		{Name: "keeps", Levels: []string{"tagged", "all"}},
		{Name: "stream", Levels: []string{"none", "20 Hz"}},
		{Name: "tags", Levels: []string{"apart", "burst", "wrap", "repeated"}},
		{Name: "writes", Levels: []string{"none", "function", "limits"}},
		{Name: "fault", Levels: []string{"none", "lose link", "silent loss", "stall", "garble", "duplicate", "split", "merge", "unplug", "over", "lift", "fade", "swap ports", "restart", "kill", "line speed"}},
		{Name: "timing", Levels: []string{"at", "before", "after"}},
	}
}

// Rules say what cannot stand together.
func Rules() []cover.Rule {
	numberless := []string{"cobs-binary", "slip-binary", "hdlc-binary"}
	asked := []string{"line-ascii", "compact-binary"} // who they are
	tellsLow := []string{"line-ascii", "compact-binary"}
	writes := []string{"line-ascii", "compact-binary", "block-check", "parts-ascii"}
	channels := []string{"multi-ascii", "multi-binary"}
	return []cover.Rule{
		{Why: "the dialect carries one channel", Forbid: map[string][]string{"channels": {"2"}, "dialect": allBut(channels)}},
		{Why: "the dialect has no tag numbers that could wrap, or by which a repeat is known", Forbid: map[string][]string{"tags": {"wrap", "repeated"}, "dialect": numberless}},
		{Why: "without tag numbers nothing tells a frame sent twice from two tags", Forbid: map[string][]string{"fault": {"duplicate"}, "dialect": numberless}},
		{Why: "ports are swapped between two gauges", Forbid: map[string][]string{"fault": {"swap ports"}, "gauges": {"1"}}},
		{Why: "a gauge that is not asked who it is cannot be told from another", Forbid: map[string][]string{"fault": {"swap ports"}, "dialect": allBut(asked)}},
		{Why: "the dialect does not say that the cell is low", Forbid: map[string][]string{"fault": {"fade"}, "dialect": allBut(tellsLow)}},
		{Why: "the dialect has no command that writes settings", Forbid: map[string][]string{"writes": {"function", "limits"}, "dialect": allBut(writes)}},
		{Why: "the dialect's tag names no reading but the one streamed last", Forbid: map[string][]string{"stream": {"none"}, "dialect": {"multi-binary"}}},
		{Why: "the dialect has four decimals", Forbid: map[string][]string{"resolution": {"fine"}, "unit": {"in"}, "dialect": {"block-check"}}},
		{Why: "the dialect sends all its parts always", Forbid: map[string][]string{"carries": {"no tail", "no number", "no keys or lead"}, "dialect": allBut([]string{"parts-ascii"})}},
		{Why: "without tag numbers nothing wraps, and nothing tells a repeat", Forbid: map[string][]string{"carries": {"no number"}, "tags": {"wrap", "repeated"}}},
		{Why: "without tag numbers nothing tells a frame sent twice from two tags", Forbid: map[string][]string{"carries": {"no number"}, "fault": {"duplicate"}}},
		{Why: "the port shows neither control lines nor breaks", Forbid: map[string][]string{"at-port": {"stated"}, "port": {"pty", "tcp"}}},
		{Why: "full indicator movement has no size", Forbid: map[string][]string{"function": {"fim"}, "nominal": {"size"}}},
		{Why: "full indicator movement has no lower limit alone", Forbid: map[string][]string{"function": {"fim"}, "limits": {"lower"}}},
		{Why: "a host that takes over the function has nothing to read from max, min or fim before it is cleared", Forbid: map[string][]string{"writes": {"function"}, "function": {"live"}}},
		{Why: "no upper warning limit above an absent upper limit", Forbid: map[string][]string{"limits": {"lower"}, "warn": {"upper"}}},
		{Why: "without a fault there is no time of it", Forbid: map[string][]string{"fault": {"none"}, "timing": {"before", "after"}}},
		{Why: "max, min and fim are read after the gauge has left the part", Forbid: map[string][]string{"fault": {"over", "lift"}, "function": {"max", "min", "fim"}}},
	}
}

// allBut are the other dialects.
func allBut(some []string) (rest []string) {
	for _, d := range Factors()[0].Levels {
		if !slices.Contains(some, d) {
			rest = append(rest, d)
		}
	}
	return rest
}

// Plan is the covering of the factors by combinations of so many of them.
func Plan(strength int, seed uint64) cover.Plan {
	return cover.Plan{Factors: Factors(), Rules: Rules(), Strength: strength, Seed: seed, Effort: 150}
}

// Only is the plan with only some levels of some factors, such as the dialects
// that a host speaks: by the factors' names, their levels' names. The error says
// what is not there.
func Only(p cover.Plan, only map[string][]string) (cover.Plan, error) {
	var names []string
	p.Factors = slices.Clone(p.Factors)
	for i := range p.Factors {
		f := &p.Factors[i]
		names = append(names, f.Name)
		keep, some := only[f.Name]
		if !some {
			continue
		}
		for _, l := range keep {
			if !slices.Contains(f.Levels, l) {
				return p, fmt.Errorf("%s cannot be %q; it is one of %s", f.Name, l, strings.Join(f.Levels, ", "))
			}
		}
		f.Levels = slices.DeleteFunc(slices.Clone(f.Levels), func(l string) bool { return !slices.Contains(keep, l) })
		if len(f.Levels) == 0 {
			return p, fmt.Errorf("%s can be nothing: name a level, one of %s", f.Name, strings.Join(Factors()[i].Levels, ", "))
		}
	}
	for name := range only {
		if !slices.Contains(names, name) {
			return p, fmt.Errorf("nothing varies by the name %q; what varies is %s", name, strings.Join(names, ", "))
		}
	}
	var rules []cover.Rule
	for _, r := range p.Rules {
		forbid, applies := map[string][]string{}, true
		for f, levels := range r.Forbid {
			left := p.Factors[slices.Index(names, f)].Levels
			forbid[f] = slices.DeleteFunc(slices.Clone(levels), func(l string) bool { return !slices.Contains(left, l) })
			applies = applies && len(forbid[f]) > 0
		}
		if applies {
			rules = append(rules, cover.Rule{Why: r.Why, Forbid: forbid})
		}
	}
	p.Rules = rules
	return p, nil
}

// Without is what Only keeps, without some levels of a factor.
func Without(only map[string][]string, factor string, levels ...string) map[string][]string {
	all, some := only[factor]
	if i := index(factor); !some && i >= 0 {
		all = Factors()[i].Levels
	}
	left := maps.Clone(only)
	if left == nil {
		left = map[string][]string{}
	}
	left[factor] = slices.DeleteFunc(slices.Clone(all), func(l string) bool { return slices.Contains(levels, l) })
	return left
}

// Levels says what a scenario is made of: a level's name for each factor.
type Levels map[string]string

// Row names the levels of a row of the plan.
func Row(p *cover.Plan, row []int) Levels {
	l := Levels{}
	for f, level := range row {
		l[p.Factors[f].Name] = p.Factors[f].Levels[level]
	}
	return l
}
