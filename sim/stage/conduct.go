package stage

import (
	"context"
	"errors"
	"fmt"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/stage/ledger"
)

// conduct is how a hand directs the timeline while it plays.
type conduct struct {
	held bool
	ran  time.Duration // when the last event happened
}

// handGrid is the grid acts by hand lie on, so that they are short to write.
const handGrid = 100 * time.Microsecond

// stand serves the hosts for a moment of a timeline that is held.
func (s *Stage) stand(ctx context.Context) error {
	s.flush()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-s.opt.Inbox.notify:
		s.takeInbox()
	case <-s.alarm():
		s.quiet()
	}
	return nil
}

// pass has all happen at once that is due up to a time, whatever the pace.
func (s *Stage) pass(t time.Duration) {
	for next, ok := s.queue.next(); ok && next <= t; next, ok = s.queue.next() {
		s.now = max(s.now, next)
		s.turn()
	}
	s.now = max(s.now, t)
	s.rebase()
}

// rebase has a timed pace count from the present.
func (s *Stage) rebase() {
	s.began, s.beganAt, s.horizon, s.ranAt, s.flushed = time.Now(), s.now, -1, 0, 0
}

// byHand moves the present to where an act by hand can be written as a cue and
// happen in the same order when it is played again: a cue comes before all
// else that is due at its time, so nothing may have happened at that time yet.
func (s *Stage) byHand() {
	if s.began.IsZero() {
		return // before the timeline begins
	}
	for next, ok := s.queue.next(); ok && next <= s.now; next, ok = s.queue.next() {
		s.turn()
	}
	at := (s.now + handGrid - 1) / handGrid * handGrid
	if at == s.conduct.ran {
		at += handGrid
	}
	if next, ok := s.queue.next(); ok && next < at {
		at = next
	}
	s.now = at
}

// Hold stops the timeline where it is. Hosts are still served.
func (s *Stage) Hold(ctx context.Context) error {
	return s.call(ctx, func() {
		s.conduct.held = true
	})
}

// Go lets the timeline go on after Hold.
func (s *Stage) Go(ctx context.Context) error {
	return s.call(ctx, func() {
		s.conduct.held = false
		s.rebase()
	})
}

// SetPace changes how fast the timeline runs from now on. Only paces that
// follow a clock can be set, and only while one of them is in force.
func (s *Stage) SetPace(ctx context.Context, p Pace) error {
	if !p.Timed() {
		return fmt.Errorf("the pace %s cannot be chosen while a scenario plays; write real or a speed factor such as 0.5x", p)
	}
	var err error
	if e := s.call(ctx, func() {
		if s.opt.Pace.kind != timed {
			err = fmt.Errorf("the pace is %s: the host sets it", s.opt.Pace)
			return
		}
		s.opt.Pace = p
		s.rebase()
	}); e != nil {
		return e
	}
	return err
}

// Step holds the timeline after a stretch of it that passes at once.
func (s *Stage) Step(ctx context.Context, d time.Duration) error {
	if d <= 0 || d > time.Hour {
		return fmt.Errorf("a step is longer than 0 s and at most 1 h, not %s", d)
	}
	return s.call(ctx, func() {
		s.conduct.held = true
		s.pass(min(s.now+d, s.play.Until))
	})
}

// NextCue lets all up to the next cue of the scenario pass at once, that cue
// among it. A timeline that is held stays held.
func (s *Stage) NextCue(ctx context.Context) error {
	var err error
	if e := s.call(ctx, func() {
		for i := range s.play.Cues {
			if at := s.play.Cues[i].At; at > s.now {
				s.pass(at)
				return
			}
		}
		err = errors.New("there is no cue left")
	}); e != nil {
		return e
	}
	return err
}

// ByHand has an act carried out by hand on a gauge of the cast, or on all of
// them when member is −1, and returns when on the timeline that was: played as
// a cue at that time it has the same effect, even when the gauge refused it.
// did, if not nil, is called in the stage's loop as soon as it has happened.
func (s *Stage) ByHand(ctx context.Context, member, channel int, a Act, did func(at time.Duration, err error)) (time.Duration, error) {
	var at time.Duration
	var err error
	if e := s.call(ctx, func() {
		if member < -1 || member >= len(s.actors) {
			err = fmt.Errorf("there is no gauge %d", member)
			return
		}
		s.byHand()
		at = s.now
		s.write(ledger.Entry{Kind: ledger.KindCue, Gauge: s.nameOf(member), Note: "by hand: " + Describe(a)})
		err = s.perform(member, a, target{channel: channel, by: "hand"})
		if did != nil {
			did(at, err)
		}
	}); e != nil {
		return 0, e
	}
	return at, err
}

// Succeed has the stage take over the ports from one that has ended: ports that
// were hung up, or have another's name, come back under their own, and what the
// hosts have asked of the line stays. Call it before Prelude or Run.
func (s *Stage) Succeed(old *Stage) error {
	var errs []error
	for _, was := range old.actors {
		if was.port != nil && !was.down && was.port.Name() != was.home {
			_, _, err := was.port.HangUp()
			was.down, errs = true, append(errs, err)
		}
	}
	for i, was := range old.actors {
		a := s.actors[i]
		if was.port == nil {
			continue
		}
		if was.down {
			errs = append(errs, was.port.Return(was.home))
		}
		a.home, a.opened, a.asked = was.home, was.port.Open(), was.asked
	}
	return errors.Join(errs...)
}

// View is all there is to see of a stage at one moment.
type View struct {
	At       time.Duration `json:"at"` // ns since the start
	Held     bool          `json:"held"`
	Pace     string        `json:"pace"`
	NextCue  time.Duration `json:"nextCue"` // −1: there is none
	NextText string        `json:"nextText,omitempty"`
	Gauges   []GaugeView   `json:"gauges"`
}

// GaugeView is all there is to see of a gauge. Lengths are picometres.
type GaugeView struct {
	Name     string        `json:"name"`
	Power    string        `json:"power"`
	Channels []ChannelView `json:"channels"`
	Face     gauge.Face    `json:"face"`
	Lamps    []LampView    `json:"lamps,omitempty"`
	Down     [3]bool       `json:"down"` // button A, button B, pedal
	Tags     int           `json:"tags"`
	NextTag  int64         `json:"nextTag"`
	Waiting  int           `json:"waiting,omitempty"` // tags that wait for the link
	Percent  int           `json:"percent"`
	Low      bool          `json:"low,omitempty"`
	Link     string        `json:"link"`
	Path     string        `json:"path,omitempty"`
	Open     bool          `json:"open"` // a host has the port open
	Unread   int           `json:"unread,omitempty"`
	Frames   int           `json:"frames"`
	Lost     int           `json:"lost,omitempty"`
	Line     string        `json:"serialLine"`
	Asked    string        `json:"asked,omitempty"` // line settings of the host, where they are not the gauge's
}

// ChannelView is one channel's tip and reading.
type ChannelView struct {
	Name      string    `json:"name"`
	Computed  bool      `json:"computed,omitempty"`
	Releases  bool      `json:"releases,omitempty"` // a larger part lets the tip out
	Size      int64     `json:"size"`               // true size the gauge is on
	MidStroke int64     `json:"midStroke"`          // size at the middle of the stroke
	Stroke    int64     `json:"stroke"`
	Pressed   int64     `json:"pressed"` // as the probe says
	Stuck     bool      `json:"stuck,omitempty"`
	Missing   bool      `json:"missing,omitempty"`
	Value     int64     `json:"value"` // the reading; 0 when void
	Shown     string    `json:"shown"` // the reading as reported
	Unit      string    `json:"unit"`
	Step      int64     `json:"step"` // one count
	Function  string    `json:"function"`
	Zone      string    `json:"zone"`
	Void      string    `json:"void,omitempty"`
	Limits    [4]*int64 `json:"limits"` // lower, lower warning, upper warning, upper
	Preset    int64     `json:"preset"`
}

// LampView is a lamp and how it looks.
type LampView struct {
	Name   string  `json:"name"`
	State  string  `json:"state"`
	Colour string  `json:"colour,omitempty"` // dark when empty
	Rhythm []int64 `json:"rhythm,omitempty"` // ms on and off in turn
}

// See returns all there is to see. It may be called while the stage runs.
func (s *Stage) See(ctx context.Context) (View, error) {
	var v View
	err := s.call(ctx, func() {
		v = View{At: s.now, Held: s.conduct.held, Pace: s.opt.Pace.String(), NextCue: -1}
		for i := range s.play.Cues {
			if c := &s.play.Cues[i]; c.At > s.now {
				v.NextCue, v.NextText = c.At, c.Text
				break
			}
		}
		for _, a := range s.actors {
			v.Gauges = append(v.Gauges, a.view())
		}
	})
	if err != nil {
		return View{}, err // the loop may still be about to fill it in
	}
	return v, nil
}

func (a *actor) view() GaugeView {
	v := GaugeView{Name: a.name, Power: a.g.Power().String(), Face: a.g.Face(), Tags: a.tags, NextTag: a.g.NextTag(), Waiting: a.g.Waiting(),
		Link: a.link.Phase.String(), Frames: a.frames, Lost: a.lost, Line: a.line.String()}
	v.Percent, v.Low = a.percent()
	v.Down[0], v.Down[1], v.Down[2] = a.g.Inputs()
	if a.asked != a.line {
		v.Asked = a.asked.String()
	}
	if a.port != nil {
		v.Path, v.Open = a.port.Path(), !a.down && a.port.Open()
		if !a.down {
			v.Unread, _ = a.port.Unread()
		}
	}
	for i, state := range a.g.Lamps() {
		lamp := &a.m.Profile.Lamps[i]
		l := LampView{Name: lamp.Name, State: state}
		if look, ok := lamp.Looks[state]; ok {
			l.Colour = look.Colour
			for _, d := range look.Rhythm {
				l.Rhythm = append(l.Rhythm, d.Milliseconds())
			}
		}
		v.Lamps = append(v.Lamps, l)
	}
	for i, r := range a.g.Readings(nil) {
		t, set := &a.probes[i], a.g.Settings(i)
		c := ChannelView{Name: a.m.Profile.Channels[i].Name, Computed: t.calc != nil, Releases: t.fit.Releases, Size: int64(t.path.At(a.s.now)),
			MidStroke: int64(t.fit.MidStroke), Stroke: int64(t.stroke), Pressed: int64(r.Pressed), Stuck: t.state.Stuck, Missing: t.state.Missing,
			Unit: r.Unit.Symbol(), Function: set.Function.String(), Zone: r.Zone.String(), Void: r.Void.String(), Preset: int64(set.Preset)}
		c.Step, _ = set.Resolution.Mul(size(set.Unit)).Int64()
		if t.calc != nil {
			c.Size = int64(t.size)
		}
		if r.Void == gauge.Valid {
			c.Shown = r.Shown.String()
			c.Value, _ = r.Shown.Mul(size(r.Unit)).Int64()
		}
		if v.Power != gauge.On.String() {
			c.Zone, c.Void, c.Shown, c.Value = "void", v.Power, "", 0
		}
		lim := set.Limits
		for k, l := range []struct {
			at  int64
			set bool
		}{{int64(lim.Lower.At), lim.Lower.Set}, {int64(lim.WarnLower.At), lim.WarnLower.Set}, {int64(lim.WarnUpper.At), lim.WarnUpper.Set}, {int64(lim.Upper.At), lim.Upper.Set}} {
			if l.set {
				c.Limits[k] = &l.at
			}
		}
		v.Channels = append(v.Channels, c)
	}
	return v
}

// size is a unit's size as a number, to turn a reading into picometres.
func size(u decimal.Unit) decimal.Decimal { return decimal.New(int64(u.Size()), 0) }
