package generate

import (
	"fmt"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/wire"
)

// events takes a gauge through what is no matter of one reading.
func (m *steering) events() {
	const anything = ""
	wired, numberless := "", ""
	if m.s.Play.Cast[m.g].Wired {
		wired = "it is wired"
	}
	if !m.tells(wire.Tag) {
		numberless = "its frames carry no tag number"
	}
	noCell, noUnit := "", ""
	switch {
	case m.s.Play.Cast[m.g].Cell == nil:
		noCell = "it has no cell"
	case !m.tells(wire.Low) && !m.tells(wire.Cell):
		noCell = "its frames do not tell of the cell"
	}
	if !m.tells(wire.Unit) {
		noUnit = "its frames carry no unit"
	}
	for k, e := range []struct {
		of, not string
		play    func(timing string)
	}{
		{again, anything, m.tagAgain},
		{sentTwice, numberless, m.strikes("duplicate")},
		{lost, anything, m.strikes("lose link")},
		{silence, anything, m.strikes("silent loss")},
		{stall, wired, m.strikes("stall")},
		{damaged, anything, m.strikes("garble")},
		{split, anything, m.strikes("split")},
		{merged, anything, m.mergeTags},
		{lowCell, noCell, m.fadeCell},
		{unplugged, anything, m.strikes("unplug")},
		{unitSet, noUnit, m.setUnit},
		{zeroed, anything, m.setZero},
		{wrap, numberless, m.wrapTags},
	} {
		from := m.now
		if e.not == "" {
			e.play([]string{"at", "before", "after"}[(m.g+k)%3])
			m.work()
			m.capture(m.now)
		}
		m.exercise(Exercise{Gauge: m.name(), Case: e.of, From: from, To: m.now, Not: e.not})
	}
}

// strikes plays a fault between two readings that differ, with a tag before, at or
// after its beginning.
func (m *steering) strikes(fault string) func(timing string) {
	return func(timing string) {
		m.work()
		m.wait(m.dwell())
		m.fault = fault
		act, of, last, settle := m.act(m.name())
		m.during(timing, of, act, last, m.tagNow)
		m.wait(time.Duration(settle) * time.Millisecond)
	}
}

func (m *steering) tagAgain(string) {
	m.work()
	m.wait(m.dwell())
	m.tagNow()
	m.wait(300 * time.Millisecond)
	m.tagNow()
	m.wait(300 * time.Millisecond)
	m.do("", stage.Tag{Times: 3, Every: quantity.Duration(5 * time.Millisecond)})
	m.wait(200 * time.Millisecond)
}

// mergeTags has a tag share one write with the stream, and then several tags share one:
// tags that only come soon after each other are each read alone where time waits for
// the host.
func (m *steering) mergeTags(timing string) {
	m.strikes("merge")(timing)
	m.work()
	m.wait(m.dwell())
	m.do("", stage.Merge{Frames: 3})
	m.do("", stage.Tag{Times: 3, Every: quantity.Duration(5 * time.Millisecond)})
	m.wait(500 * time.Millisecond)
}

func (m *steering) fadeCell(string) {
	fade := func(to int64) {
		m.do("", stage.FadeCell{To: quantity.Percent{Value: decimal.New(to, 0)}})
		m.wait(m.dwell())
		m.tagNow()
		m.wait(100 * time.Millisecond)
	}
	fade(6)
	fade(5)
	fade(90)
	fade(7)
	fade(90)
}

func (m *steering) setUnit(string) {
	u := m.profile().Channels[0].Unit
	set := func(symbol string) {
		m.do("", stage.Set{Setting: "unit", To: symbol})
		m.wait(m.dwell())
		m.tagNow()
		m.wait(100 * time.Millisecond)
	}
	set(other(u).Symbol())
	m.work()
	m.capture(m.now)
	set(u.Symbol())
}

func (m *steering) setZero(string) {
	m.work()
	m.wait(m.dwell())
	m.do("", stage.Zero{})
	m.wait(m.dwell())
	m.tagNow()
	for _, c := range m.probes() {
		m.show(c, m.settings(c).Preset)
	}
	m.wait(m.dwell())
	m.do("", stage.Preset{})
	m.wait(m.dwell())
}

// wrapTags tags twice across the end of the numbers, once the numbers that come again
// are old enough to be no repeats.
func (m *steering) wrapTags(string) {
	m.wait(2200 * time.Millisecond)
	m.work()
	m.wait(m.dwell())
	m.do("", stage.Set{Setting: "tag-next", To: fmt.Sprint(m.profile().Tags.Last)})
	m.tagNow()
	m.wait(100 * time.Millisecond)
	m.tagNow()
	m.wait(100 * time.Millisecond)
}

// swaps swaps the ports of gauges that can say who they are, two by two.
func (m *steering) swaps() {
	done := map[int]bool{}
	for g := range m.s.Gauges {
		m.g = g
		for with := g + 1; with < len(m.s.Gauges) && !done[g]; with++ {
			if done[with] || m.s.CanSwap(g, m.s.Gauges[with].Name) != nil || m.s.Line(g) != m.s.Line(with) {
				continue
			}
			done[g], done[with] = true, true
			from := m.now
			for range 2 { // and back: who starts the host again tells it of the old places
				m.g = g
				m.do("", stage.SwapPorts{With: m.s.Gauges[with].Name, For: quantity.Duration(300 * time.Millisecond)})
				m.wait(700 * time.Millisecond)
				m.everyGauge(g, with)
			}
			for _, i := range []int{g, with} {
				m.exercise(Exercise{Gauge: m.s.Gauges[i].Name, Case: swapped, From: from, To: m.now})
			}
		}
		if m.g = g; !done[g] {
			m.exercise(Exercise{Gauge: m.name(), Case: swapped, Not: "no gauge that is asked who it is has a port like its own"})
		}
	}
}

// ends ends the host, and kills it, with tags at every gauge before and after.
func (m *steering) ends() {
	var all []int
	for g := range m.s.Gauges {
		all = append(all, g)
	}
	m.everyGauge(all...)
	for _, by := range []struct {
		of  string
		end stage.Ending
	}{{ended, stage.Stop}, {killed, stage.Kill}} {
		from := m.now
		m.everyGauge(all...)
		m.cue("", "", stage.RestartHost{By: by.end, For: quantity.Duration(200 * time.Millisecond)})
		m.wait(2600 * time.Millisecond) // a gauge that asks before it sends asks again after up to 2 s
		m.everyGauge(all...)
		for g := range m.s.Gauges {
			m.exercise(Exercise{Gauge: m.s.Gauges[g].Name, Case: by.of, From: from, To: m.now})
		}
	}
}

// everyGauge has gauges show readings and tag them, one soon after the other.
func (m *steering) everyGauge(gauges ...int) {
	from, end := m.now, m.now
	for i, g := range gauges {
		m.g, m.now = g, from+time.Duration(i)*20*time.Millisecond
		m.work()
		m.capture(m.now)
		end = max(end, m.now)
	}
	m.now = end
}
