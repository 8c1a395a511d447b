package gauge

import (
	"time"

	"example.org/understudy/sim/enum"
)

// PowerState is whether a gauge is on. What it keeps while it is off are its
// settings that are not volatile, its datums and the number of the next tag;
// max and min, tags that wait, and what a stream was doing are gone.
type PowerState = enum.Of[powers]

// States. A gauge that starts measures and answers nothing yet.
const (
	On PowerState = iota
	Starting
	Off
)

type powers struct{}

func (powers) Names() []string { return powerNames }
func (powers) What() string    { return "a power state" }

var powerNames = []string{"on", "starting", "off"}

// Power returns whether the gauge is on.
func (g *Gauge) Power() PowerState { return g.power }

// off switches the gauge off.
func (g *Gauge) off(why string, out *Out) {
	if g.power == Off {
		return
	}
	g.buzz("switched-off", out)
	g.power = Off
	for _, w := range g.waiting {
		g.lost(w.tag, out)
	}
	g.waiting, g.unacked, g.late = nil, nil, nil
	g.wanted, g.sampled, g.still = 0, false, false
	for i := range g.ch {
		c := &g.ch[i]
		c.memory, c.told, c.void, c.mean = false, false, Missing, moving{}
	}
	for i := range g.buttons {
		g.buttons[i].done, g.buttons[i].single = true, false // what is held now means nothing more
	}
	out.add(Emission{Kind: PowerTold, Power: Off, Text: "off: " + why})
}

// switchOn starts the gauge.
func (g *Gauge) switchOn(at time.Duration, out *Out) {
	if g.power != Off || g.dead {
		return
	}
	g.power = Starting
	g.wakeAt = at + g.p.Power.StartUp
	out.add(Emission{Kind: PowerTold, Power: Starting, Text: "starting"})
	if g.p.Power.StartUp == 0 {
		g.awake(at, out)
	}
}

// awake ends the start-up.
func (g *Gauge) awake(at time.Duration, out *Out) {
	g.power = On
	g.stirred = at
	for i := range g.ch {
		g.ch[i].came = at
	}
	g.changing("power", out, func() {
		for i := range list {
			if g.forgets(&list[i]) {
				g.restore(&list[i])
			}
		}
	})
	g.rate.set(g.Rate, at)
	g.own.set(g.p.Sampling, at)
	g.buzz("switched-on", out)
	out.add(Emission{Kind: PowerTold, Power: On, Text: "on"})
}

// cell takes whether the cell still carries the gauge. A gauge whose cell comes
// back comes on again.
func (g *Gauge) cell(at time.Duration, dead bool, out *Out) {
	was := g.dead
	g.dead = dead
	switch {
	case dead && !was:
		g.off("the cell is empty", out)
	case !dead && was:
		g.switchOn(at, out)
	}
}
