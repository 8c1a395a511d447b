package proof

import (
	"context"
	"fmt"
	"strings"
	"time"

	"example.org/understudy/harness/library"
	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage/ledger"
)

// The models of the gauge, and of the whole of them on the stage.
var measuring = map[string]func(given string) any{
	"sim/gauge readings": readings,
	"sim/gauge resolution in another unit": func(given string) any {
		step, to, _ := strings.Cut(given, " to ")
		return gauge.ResolutionIn(length(step), unit(to)).String()
	},
	"sim/gauge formulas": func(given string) any {
		e := must(gauge.NewExpr(given))
		var args []decimal.Fraction
		for _, name := range e.Args {
			args = append(args, decimal.MustParse(map[string]string{"A": "2e9", "B": "3.5e9"}[name]).Fraction())
		}
		v, _ := (&gauge.Calc{Kind: gauge.Formula, Formula: e}).Value(args)
		return v.Mul(decimal.New(1, -9).Fraction()).Trim().String()
	},
	"sim/stage tagged reading": tagged,
	// A gauge samples every 100 ms; the part is changed, and the tag pressed at 1.05 s.
	"sim/gauge what a tag takes": func(given string) any {
		takes, changed, _ := strings.Cut(given, "; changed at ")
		return firstTag(`gauges: [{name: g, dialect: line-ascii, resolution: 0.001 mm, stream: 10 Hz, ` + takes + `}]
cues:
  - {at: 0 s, do: preset, to: 20.000 mm}
  - {at: ` + changed + `, do: rest on, size: 20.020 mm}
  - {at: 1050 ms, do: tag}
until: 3 s
`)
	},
	"sim/gauge master overdue": func(given string) any {
		every, set, _ := strings.Cut(given, ", set at ")
		var said []string
		for _, e := range played(`gauges: [{name: g, dialect: line-ascii, resolution: 0.001 mm, stream: 10 Hz, master-` + every + `}]
cues: [{at: ` + set + `, do: zero}]
until: 10 s
`) {
			if strings.HasSuffix(e.Note, "set on its master again") {
				said = append(said, e.T.String())
			}
		}
		return strings.Join(said, ", ")
	},
}

// readings carries out what is given, step by step, on a gauge with a stroke of 10 mm,
// and returns what it reads at last. "at 5000" presses the tip 5000 µm in.
func readings(given string) any {
	g := must(gauge.New(&gauge.Profile{Name: "g", Common: gauge.Common{Rate: quantity.Rate{Hz: decimal.New(20, 0)}}, Tags: gauge.Tags{First: 1, Last: 9},
		Channels: []gauge.Channel{{Name: "A", Stroke: 10 * decimal.Millimetre, Settings: gauge.Settings{Factor: decimal.New(1, 0), Unit: decimal.MM, Resolution: decimal.New(1, -3)}}}}))
	var out gauge.Out
	for i, step := range strings.Split(given, "; ") {
		at := time.Duration(i) * 50 * time.Millisecond
		words := strings.Fields(step)
		e := gauge.Event{Kind: gauge.Asked, Command: gauge.Command{Verb: words[0], Channel: -1}}
		switch {
		case words[0] == "at":
			e = gauge.Event{Kind: gauge.Sampled, Tips: []gauge.Tip{{Pressed: length(words[1] + " µm")}}}
		case words[0] == "set":
			e.Command.Setting, e.Command.Value = words[1], gauge.Text(words[2])
		case len(words) > 1:
			e.Command.Value = gauge.Text(words[1])
		}
		g.Step(at, e, &out)
	}
	return g.Readings(nil)[0].Shown.String()
}

// tagged plays a scenario of one cue on paper and returns the reading that is tagged
// after it, by a function of the gauge.
func tagged(given string) any {
	function, cue, _ := strings.Cut(given, "; ")
	_, reading, _ := strings.Cut(firstTag(fmt.Sprintf(`gauges: [{name: g, dialect: line-ascii, resolution: 0.001 mm, stream: 100 Hz}]
cues:
  - {at: 0 s, do: preset, to: 20.000 mm}
  - {at: 100 ms, do: set, setting: function, to: %s}
  - {at: 1 s, do: %s}
  - {at: 1010 ms, do: clear}
  - {at: 4 s, do: tag}
`, function, cue)), ", ")
	return reading
}

// firstTag plays a scenario on paper and returns when its first tag was sent, and what
// it reads.
func firstTag(gaugesAndCues string) string {
	for _, e := range played(gaugesAndCues) {
		if e.Frame != nil && e.Frame.Tag != nil {
			return e.T.String() + ", " + e.Frame.Readings[0].Shown.String()
		}
	}
	return "nothing"
}

// played is the ledger of a scenario that is played on paper.
func played(gaugesAndCues string) []ledger.Entry {
	text := `understudy: 1
title: proof
seed: 1
part: {feature: pin, nominal: 20.000 mm, limits: [19.9 mm, 20.1 mm]}
` + gaugesAndCues
	s := must(scenario.Parse("proof.yaml", []byte(text), library.DialectsBeside("proof.yaml")))
	return must(paper.Ledger(context.Background(), s))
}
