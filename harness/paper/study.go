package paper

import (
	"math/big"
	"time"

	"example.org/understudy/harness/study"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
)

// studies keeps what was tagged, by gauge, and says what a gauge R&R study comes to.
type studies map[string][]tagged

type tagged struct {
	at   time.Duration
	read *big.Rat // in the gauge's unit; nil: void
}

func (s studies) see(e *ledger.Entry) {
	if e.Frame == nil || e.Frame.Tag == nil || e.Frame.Repeat {
		return
	}
	for _, r := range e.Frame.Readings[:min(1, len(e.Frame.Readings))] {
		t := tagged{at: e.T}
		if r.Void == "" {
			t.read, _ = new(big.Rat).SetString(r.Shown.String())
		}
		s[e.Gauge] = append(s[e.Gauge], t)
	}
}

// Layouts are those of the gauge R&R studies of a scenario's gauges; nil: of none, or of
// one in which the operators do not measure the same parts as often.
func Layouts(of *scenario.Scenario) []*study.Layout {
	all := make([]*study.Layout, len(of.Gauges))
	for g := range all {
		var l study.Layout
		for _, cue := range of.Play.Cues {
			y, ok := cue.Act.(stage.Study)
			if !ok || cue.Gauge >= 0 && cue.Gauge != g {
				continue
			}
			if parts, trials := y.Of(); l.Operators == 0 {
				l.Parts, l.Trials = parts, trials
			} else if parts != l.Parts || trials != l.Trials {
				l.Parts = 0
			}
			l.Operators++
		}
		if min(l.Operators, l.Parts, l.Trials) > 1 {
			all[g] = &l
		}
	}
	return all
}

// say writes the exact figures that software has to come to from what each gauge read
// in its study: those of its first channel.
func (s studies) say(of *scenario.Scenario, line func(format string, args ...any)) {
	for g := range of.Gauges {
		var r study.Gauge
		var all []*big.Rat
		same := true
		for _, cue := range of.Play.Cues {
			y, ok := cue.Act.(stage.Study)
			if !ok || cue.Gauge >= 0 && cue.Gauge != g {
				continue
			}
			parts, trials := y.Of()
			byPart := make([][]*big.Rat, parts)
			n := 0
			for _, t := range s[of.Gauges[g].Name] {
				if t.at < cue.At || t.at >= cue.At+stage.Lasts(y) || t.read == nil {
					continue
				}
				byPart[n%parts] = append(byPart[n%parts], t.read)
				all, n = append(all, t.read), n+1
			}
			same = same && n == parts*trials && parts > 1 && trials > 1 && (r == nil || len(r[0]) == parts && len(r[0][0]) == trials)
			r = append(r, byPart)
		}
		if len(all) < 2 {
			continue
		}
		unit := of.Play.Cast[g].Profile.Channels[0].Unit.Symbol()
		t := study.Of(all)
		line("%[1]s: n %[2]d, mean %[3]s %[6]s, s %.7[4]g %[6]s, range %[5]s %[6]s", of.Gauges[g].Name, t.N, t.Mean.FloatString(9), t.S(), t.Range.FloatString(6), unit)
		if !same || len(r) < 2 {
			continue
		}
		c := r.Components()
		line("%[1]s: equipment %.5[2]g %[9]s, operators %.5[3]g %[9]s, R&R %.5[4]g %[9]s, parts %.5[5]g %[9]s, total %.5[6]g %[9]s; %%R&R %.2[7]f, ndc %[8]d (analysis of variance, interaction pooled)",
			of.Gauges[g].Name, c.Equipment, c.Operators, c.Gauge, c.Parts, c.Total, c.Share, c.Classes, unit)
	}
}
