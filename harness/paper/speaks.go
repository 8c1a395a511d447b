package paper

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/strict"
)

// spokenEvents are looked at: the frames of a long timeline repeat themselves.
const spokenEvents = 200_000

// Speaks plays a scenario on paper and reports, for each gauge, what its dialect
// has no frame for and what its line is too slow for, and the cues that cannot be done.
func Speaks(ctx context.Context, s *scenario.Scenario) error {
	said := map[string]bool{}
	late := map[string]int{}
	var errs strict.Errors
	refused := make([][]string, len(s.Cues))
	err := Play(ctx, s, stage.Options{Events: spokenEvents, Keep: func(e ledger.Entry) {
		switch {
		case e.Cue > 0:
			refused[e.Cue-1] = append(refused[e.Cue-1], strings.TrimPrefix(e.Note, ledger.NotDone))
		case e.Kind == ledger.KindGauge && strings.HasPrefix(e.Note, "no frame: ") && !said[e.Gauge+e.Note]:
			said[e.Gauge+e.Note] = true
			errs = append(errs, strict.Error{Pos: s.At(&s.Gauges[s.GaugeIndex(e.Gauge)]), Want: "take a dialect with room for what the gauge sends",
				Msg: fmt.Sprintf("%s: %s", e.Gauge, strings.TrimPrefix(e.Note, "no frame: "))})
		case e.Out != nil && strings.Contains(e.Out.Fault, "the line is too slow"):
			late[e.Gauge] += len(e.Out.Frames)
		}
	}})
	if err != nil && (ctx.Err() != nil || !errors.As(err, new(Cut))) {
		return err
	}
	for i := range s.Gauges {
		if n := late[s.Gauges[i].Name]; n > 0 {
			errs = append(errs, strict.Error{Pos: s.At(&s.Gauges[i]), Want: "stream less often, or set a faster line",
				Msg: fmt.Sprintf("%s: its line is too slow for its stream: %d frames are given up", s.Gauges[i].Name, n)})
		}
	}
	for i := range s.Cues {
		if wrong := s.Cues[i].Differs(refused[i]); wrong != "" && err == nil {
			errs = append(errs, strict.Error{Pos: s.Cues[i].Pos(), Msg: wrong, Want: "put the cue right, or write refused: and the reason where that is the point"})
		}
	}
	if len(errs) > 0 {
		return errs
	}
	return nil
}
