package stage

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/motion/noise"
	"example.org/understudy/sim/power"
)

// each calls f for the channels the act under way is about.
func (a *actor) each(f func(t *tipper)) {
	for i := range a.probes {
		if a.channel < 0 || a.channel == i {
			f(&a.probes[i])
		}
	}
}

// on calls f for the channels an act was about, once it is no longer under way.
func (a *actor) on(channel int, f func(t *tipper)) {
	was := a.channel
	a.channel = channel
	a.each(f)
	a.channel = was
}

func (r RestOn) do(s *Stage, a *actor) error {
	a.each(func(t *tipper) { t.path.Rest(s.now, r.Size.Picometres()) })
	return nil
}

func (m MoveTo) do(s *Stage, a *actor) error {
	to := m.Size.Picometres()
	a.each(func(t *tipper) { t.path.Move(s.now, to, m.Over.D(), m.Shape) })
	if m.Bounce.Picometres() != 0 {
		// The bounce takes the path over when the tip strikes, unless
		// something else has taken it over by then.
		channel := a.channel
		s.at(s.now+m.Over.D(), func() {
			a.on(channel, func(t *tipper) {
				if t.path.At(s.now) == to {
					t.path.Bounce(s.now, ring(m.Bounce))
				}
			})
		})
	}
	return nil
}

func (l Lift) do(s *Stage, a *actor) error {
	a.each(func(t *tipper) { t.path.Move(s.now, t.fit.free(t.stroke), l.Over.D(), motion.MinimumJerk) })
	return nil
}

func (r Rock) do(s *Stage, a *actor) error {
	a.each(func(t *tipper) {
		t.path.Rock(s.now, r.Size.Picometres(), motion.Rock{Plane: r.Plane, Angle: r.Angle.Degrees.Float64(), Period: r.Period.D(), Swings: max(r.Swings, 1)})
	})
	return nil
}

func (r Turn) do(s *Stage, a *actor) error {
	a.each(func(t *tipper) {
		t.path.Turn(s.now, r.Size.Picometres(), motion.Turn{Contacts: r.Contacts, Lobes: r.Lobes, Amplitude: r.Amplitude.Picometres(), Period: r.Period.D(), Turns: max(r.Turns, 1)})
	})
	return nil
}

func (m Measure) do(s *Stage, a *actor) error {
	h, channel := m.hand(), a.channel
	var visit func(left int)
	visit = func(left int) {
		seed := noise.Split(s.play.Seed, a.name, "hand "+strconv.Itoa(a.visits))
		a.visits++
		var v motion.Visit
		a.on(channel, func(t *tipper) {
			h.Free = t.fit.free(t.stroke)
			luck := noise.NewRand(seed) // one hand holds all the tips
			v = h.Measure(t.path, s.now, m.Size.Picometres(), &luck)
		})
		for _, at := range v.Presses[:v.Pressed] {
			s.at(at, func() { _ = Press{}.do(s, a) }) // a gauge without a charge is pressed in vain
		}
		if left > 1 {
			s.at(v.End+m.pause(), func() { visit(left - 1) })
		}
	}
	visit(max(m.Times, 1))
	return nil
}

func (c Cycle) do(s *Stage, a *actor) error {
	f, channel := c.fixture(), a.channel
	for n := range max(c.Times, 1) {
		begin := func() {
			var v motion.Visit
			a.on(channel, func(t *tipper) {
				f.Free = t.fit.free(t.stroke)
				v = f.Measure(t.path, s.now, c.Size.Picometres())
			})
			s.at(v.Presses[0], func() { _ = Tag{}.do(s, a) }) // a gauge that is off takes none
		}
		if n == 0 {
			begin()
		} else {
			s.at(s.now+time.Duration(n)*f.Cycle, begin)
		}
	}
	return nil
}

// command has the gauge do something as if from its own menu.
func (a *actor) command(c gauge.Command) error {
	c.Channel = a.channel
	a.look()
	var err error
	a.stepped(gauge.Event{Kind: gauge.Asked, Command: c, By: a.by}, func(e *gauge.Emission) {
		if e.Kind != gauge.Replied {
			a.emitted(e)
		} else if e.Outcome.Refused != gauge.Done {
			err = errors.New(string(e.Outcome.Refused))
		}
	})
	a.schedule()
	return err
}

func (Zero) do(_ *Stage, a *actor) error { return a.command(gauge.Command{Verb: "zero"}) }

func (p Preset) do(_ *Stage, a *actor) error {
	c := gauge.Command{Verb: "preset"}
	if p.To != nil {
		v, _ := p.To.Picometres().In(a.g.Settings(max(a.channel, 0)).Unit)
		c.Value = gauge.Number(v)
	}
	return a.command(c)
}

func (Clear) do(_ *Stage, a *actor) error { return a.command(gauge.Command{Verb: "clear"}) }

func (t Tag) do(s *Stage, a *actor) error {
	if a.g.Power() != gauge.On {
		return errors.New("the gauge is " + a.g.Power().String())
	}
	for i := range max(t.Times, 1) {
		s.at(s.now+time.Duration(i)*t.Every.D(), func() {
			if a.g.Power() == gauge.On {
				_ = a.command(gauge.Command{Verb: "tag"}) // a tag is never refused
			}
		})
	}
	return nil
}

func (p Press) do(s *Stage, a *actor) error {
	if a.cell.Dead {
		return errors.New("the cell is empty")
	}
	// move is a contact that closes or opens, and bounces before it rests.
	move := func(at time.Duration, kind gauge.EventKind, what string) {
		first := func() {
			a.note("button " + p.Button.String() + " " + what)
			for _, b := range p.Button.buttons() {
				a.act(gauge.Event{Kind: kind, Button: b})
			}
		}
		if at > s.now {
			s.at(at, first)
		} else {
			first()
		}
		back := gauge.Pressed + gauge.Released - kind
		for n := range 2 * p.Bounces {
			k := [...]gauge.EventKind{back, kind}[n%2]
			s.at(at+time.Duration(n+1)*time.Millisecond, func() {
				for _, b := range p.Button.buttons() {
					a.act(gauge.Event{Kind: k, Button: b})
				}
			})
		}
	}
	for i := range max(p.Times, 1) {
		at := s.now + time.Duration(i)*p.every()
		move(at, gauge.Pressed, "pressed")
		move(at+p.hold(), gauge.Released, "released")
	}
	return nil
}

func (p Pedal) do(s *Stage, a *actor) error {
	a.note("pedal pressed")
	a.act(gauge.Event{Kind: gauge.PedalDown})
	s.at(s.now+hold(p.For), func() {
		a.note("pedal released")
		a.act(gauge.Event{Kind: gauge.PedalUp})
	})
	return nil
}

func (t Tilt) do(_ *Stage, a *actor) error {
	d, _ := t.To.Degrees.Quantize(0, decimal.HalfEven).Int64()
	was := a.g.Face().UpsideDown
	a.act(gauge.Event{Kind: gauge.Tilted, Degrees: int(d)})
	if now := a.g.Face().UpsideDown; now != was {
		a.note("the display turns over")
	}
	return nil
}

func (c Set) do(_ *Stage, a *actor) error {
	v := gauge.Text(c.To)
	if n, err := decimal.Parse(c.To); err == nil {
		v = gauge.Number(n)
	}
	return a.command(gauge.Command{Verb: "set", Setting: c.Setting, Value: v})
}

// during sets something on the act's channels, and back after a time.
func (a *actor) during(d time.Duration, set func(t *tipper, on bool)) {
	a.each(func(t *tipper) {
		set(t, true)
		if d > 0 {
			a.s.at(a.s.now+d, func() { set(t, false) })
		}
	})
}

func (u Unplug) do(_ *Stage, a *actor) error {
	a.during(u.For.D(), func(t *tipper, on bool) { t.state.Missing = on })
	return nil
}

func (Plug) do(_ *Stage, a *actor) error {
	a.each(func(t *tipper) { t.state.Missing = false })
	return nil
}

func (st Stick) do(_ *Stage, a *actor) error {
	a.during(st.For.D(), func(t *tipper, on bool) { t.state.Stuck = on })
	return nil
}

func (l LoseLink) do(_ *Stage, a *actor) error {
	a.linkRun()
	if !a.link.Phase.Joined() {
		return errors.New("the link is lost already")
	}
	a.silent, a.away = l.Seen == Silence, l.Return
	a.lose(l.For.D())
	return nil
}

func (sw SwapPorts) do(s *Stage, a *actor) error {
	i := slices.IndexFunc(s.actors, func(b *actor) bool { return b.name == sw.With })
	if i < 0 || s.actors[i] == a {
		return fmt.Errorf("there is no other gauge %q", sw.With)
	}
	both := [2]*actor{a, s.actors[i]}
	for _, x := range both {
		if x.linkRun(); !x.link.Phase.Joined() {
			return fmt.Errorf("the link of %s is lost already", x.name)
		}
	}
	if reflect.TypeOf(a.port) != reflect.TypeOf(both[1].port) {
		return fmt.Errorf("the ports of %s and %s are of two kinds", a.name, sw.With)
	}
	if a.port != nil {
		both[0].away, both[1].away = both[1].port.Name(), both[0].port.Name()
	}
	for _, x := range both {
		x.silent = false
		x.lose(sw.For.D())
	}
	return nil
}

func (st Stall) do(s *Stage, a *actor) error {
	a.linkRun()
	err := a.m.Link.Inject(a.link, link.Fault{Kind: link.Stall, At: s.now, For: st.For.D()})
	a.linkRun()
	a.linkWake()
	return err
}

func (g Garble) do(_ *Stage, a *actor) error { a.tamper.garble = max(g.Frames, 1); return nil }

func (d Duplicate) do(_ *Stage, a *actor) error { a.tamper.duplicate = max(d.Frames, 1); return nil }

func (sp Split) do(_ *Stage, a *actor) error {
	a.tamper.split, a.tamper.splitAt = max(sp.Frames, 1), sp.At
	return nil
}

func (m Merge) do(_ *Stage, a *actor) error { a.tamper.merge = max(m.Frames, 1); return nil }

func (c ChangeSpeed) do(s *Stage, a *actor) error {
	a.setSpeed(int(c.To))
	if mine := a.speeds; c.For > 0 {
		s.at(s.now+c.For.D(), func() {
			if a.speeds == mine { // not changed again since
				_ = RestoreSpeed{}.do(s, a) // it always can be
			}
		})
	}
	return nil
}

func (RestoreSpeed) do(_ *Stage, a *actor) error {
	a.setSpeed(a.m.lineSettings().Baud)
	return nil
}

func (f FadeCell) do(s *Stage, a *actor) error {
	if a.m.Cell == nil {
		return errors.New("the gauge has no cell")
	}
	a.drainTo(s.now)
	a.m.Cell.SetCharge(&a.cell, f.To.Value.Float64())
	a.tellCell(true)
	a.reload()
	return nil
}

func (c Cradle) do(s *Stage, a *actor) error {
	if a.m.Cell == nil {
		return errors.New("the gauge has no cell")
	}
	current := decimal.New(500, 0)
	if c.Current != nil {
		current = c.Current.MA
	}
	microamps, _ := current.Mul(decimal.New(1000, 0)).Quantize(0, decimal.HalfEven).Int64()
	a.cradle = power.MicroAmp(microamps)
	a.cradles++
	a.reload()
	mine := a.cradles
	s.at(s.now+c.For.D(), func() {
		if a.cradles == mine { // not set on it again since
			a.cradle = 0
			a.reload()
			a.tellCell(true)
		}
	})
	return nil
}
