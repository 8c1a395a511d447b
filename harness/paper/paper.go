package paper

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/cause"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/zone"
)

// Cut is the error of a timeline that was not played to its end.
type Cut struct {
	At  time.Duration // how far it was played
	Why string
}

func (c Cut) Error() string {
	return fmt.Sprintf("the timeline was played to %s and no further: %s", c.At, c.Why)
}

// Play plays a scenario without ports, within the budget of ctx; opt says who is told
// what. The error is a Cut when it was stopped before its end.
func Play(ctx context.Context, s *scenario.Scenario, opt stage.Options) error {
	if most := budget.Of(ctx).Events; opt.Events == 0 || most < opt.Events {
		opt.Events = most
	}
	st, err := begin(s, opt)
	if err != nil {
		return err
	}
	return paper(ctx, st, opt.Events)
}

// begin has a host that does what it is asked to write to the gauges, as at ports before
// the timeline begins.
func begin(s *scenario.Scenario, opt stage.Options) (*stage.Stage, error) {
	opt.Writes = s.Commands()
	return stage.New(s.Play, opt)
}

func paper(ctx context.Context, st *stage.Stage, events int64) error {
	err := st.Run(ctx)
	switch {
	case errors.Is(err, stage.ErrEvents):
		err = Cut{st.Now(), fmt.Sprintf("more than %d events happen in it (--events)", events)}
	case err != nil && ctx.Err() != nil:
		err = Cut{st.Now(), context.Cause(ctx).Error()}
	case err == nil:
		return st.Finish("the timeline ended")
	}
	return errors.Join(err, st.Finish(err.Error()))
}

// Ledger plays a scenario without ports and returns its ledger.
func Ledger(ctx context.Context, s *scenario.Scenario) (entries []ledger.Entry, err error) {
	err = Play(ctx, s, stage.Options{Keep: func(e ledger.Entry) { entries = append(entries, e) }})
	return entries, err
}

// Shown is what a correct host makes of one reading.
type Shown struct {
	Value decimal.Decimal // in Unit
	Unit  decimal.Unit
	Zone  zone.Zone
	Rule  string // why the zone
}

// AtHost works out what a correct host records of a reading: the value in its
// unit and the zone, with the rule that gave it.
func AtHost(spec *cause.Spec, g, ch int, shown decimal.Decimal, unit decimal.Unit, void bool) Shown {
	h := &cause.History{Gauges: make([]cause.Facts, len(spec.Gauges))}
	all := *spec
	all.All = true
	h.Add(cause.Seen{Gauge: uint16(g)}, cause.Reading{Shown: shown, Unit: unit, Channel: uint16(ch), Void: void})
	w := cause.Expect(&all, h, nil).Readings[g*spec.Width()+ch][0]
	out := Shown{Value: w.Value, Unit: w.Unit, Zone: w.Zone, Rule: "there is no reading"}
	if !void {
		judged := w.Value.Mul(decimal.New(int64(w.Unit.Size()), 0))
		if spec.Rule.Decide == zone.Unrounded {
			judged = shown.Mul(decimal.New(int64(unit.Size()), 0))
		}
		c := spec.Gauges[g].Channels[ch]
		out.Rule = c.Limits.Why(judged, spec.Rule, c.LimitUnit)
	}
	return out
}

// refused are what the host is to write and the gauges refuse.
func refused(s *scenario.Scenario) error {
	var errs strict.Errors
	of := map[string][]*scenario.Write{}
	for g := range s.Gauges {
		for i := range s.Host.Writes {
			if w := &s.Host.Writes[i]; w.Gauge == "" || w.Gauge == s.Gauges[g].Name {
				of[s.Gauges[g].Name] = append(of[s.Gauges[g].Name], w)
			}
		}
	}
	_, err := begin(s, stage.Options{Keep: func(e ledger.Entry) {
		if e.Kind != ledger.KindRequest {
			return
		}
		if e.Request.Refused != "" {
			errs = append(errs, strict.Error{Pos: s.At(of[e.Gauge][0]), Msg: e.Gauge + " refuses what the host is to write: " + e.Request.Refused, Want: "put the order, the value or the gauge right"})
		}
		of[e.Gauge] = of[e.Gauge][1:]
	}})
	if err == nil && len(errs) > 0 {
		err = errs
	}
	return err
}

// Expectations plays a scenario on paper and compares it with what its expect
// section says, after the host has written what it is to write. The error is of type
// strict.Errors.
func Expectations(ctx context.Context, s *scenario.Scenario) error {
	if err := refused(s); err != nil || len(s.Expect) == 0 {
		return err
	}
	var asks []time.Duration
	var of []int
	for i := range s.Expect {
		if e := &s.Expect[i]; e.At != nil {
			asks = append(asks, e.At.D())
			of = append(of, i)
		}
	}
	got := map[int]gauge.Reading{}
	answer := func(ask, g int, rs []gauge.Reading) {
		if want, ch := s.Expected(of[ask]); g == want {
			got[of[ask]] = rs[ch]
		}
	}
	tags := map[string]int{}
	count := func(e ledger.Entry) {
		if f := e.Frame; f != nil && f.Cause == ledger.Tag && !f.Repeat && (len(f.Readings) == 0 || f.Readings[0].Channel == s.Play.Cast[s.GaugeIndex(e.Gauge)].Profile.Channels[0].Name) {
			tags[e.Gauge]++
		}
	}
	if err := Play(ctx, s, stage.Options{Keep: count, Asks: asks, Answer: answer}); err != nil {
		return strict.Errors{{Pos: s.At(&s.Expect), Msg: "what is expected cannot be checked: " + err.Error()}}
	}
	var errs strict.Errors
	spec := Spec(s)
	for i := range s.Expect {
		e := &s.Expect[i]
		g, ch := s.Expected(i)
		wrong := func(format string, args ...any) {
			errs = append(errs, strict.Error{Pos: s.At(e), Msg: fmt.Sprintf(format, args...), Want: "put the scenario or the expectation right"})
		}
		if n := tags[s.Gauges[g].Name]; e.Tags != nil && n != *e.Tags {
			wrong("%s makes %d tags, not %d", s.Gauges[g].Name, n, *e.Tags)
		}
		r, asked := got[i]
		if e.At == nil || !asked {
			continue
		}
		where := fmt.Sprintf("at %s %s", e.At, s.Gauges[g].Name)
		if r.Void.String() != e.Void && (e.Void != "" || e.Reading != nil) {
			wrong("%s reads %s, not %s", where, said(r), wanted(e))
			continue
		}
		if e.Reading != nil {
			if l, ok := decimal.Exactly(r.Shown, r.Unit); !ok || l != e.Reading.Picometres() {
				wrong("%s reads %s, not %s", where, said(r), wanted(e))
			}
		}
		if e.Zone != nil {
			if at := AtHost(&spec, g, ch, r.Shown, r.Unit, r.Void != gauge.Valid); at.Zone != *e.Zone {
				wrong("%s is %s for the host (%s), not %s", where, at.Zone, at.Rule, *e.Zone)
			}
		}
	}
	if len(errs) > 0 {
		return errs
	}
	return nil
}

func said(r gauge.Reading) string {
	if r.Void != gauge.Valid {
		return "void (" + r.Void.String() + ")"
	}
	return r.Shown.String() + " " + r.Unit.Symbol()
}

func wanted(e *scenario.Expect) string {
	if e.Void != "" {
		return "void (" + e.Void + ")"
	}
	return e.Reading.String()
}

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
