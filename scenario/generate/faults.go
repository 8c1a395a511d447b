package generate

import (
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
)

func (m *maker) tag() stage.Act {
	if m.random && m.rng.Intn(6) == 0 {
		return stage.Press{Button: 0}
	}
	if m.Levels["tags"] == "burst" || m.Levels["tags"] == "wrap" && m.rng.Intn(2) == 0 {
		return stage.Tag{Times: 2 + m.rng.Intn(3), Every: quantity.Duration(time.Duration(m.rng.Intn(3)) * 5 * time.Millisecond)}
	}
	return stage.Tag{}
}

// strike has the fault at a tag: before it, at its instant, or after.
func (m *maker) strike(g string) {
	if m.fault == "none" {
		m.cue(g, "", m.tag())
		return
	}
	act, of, last, settle := m.act(g)
	timing := m.Levels["timing"]
	if m.struck {
		timing = []string{"at", "before", "after"}[m.rng.Intn(3)]
	}
	tagNow := func() { m.cue(g, "", m.tag()) }
	m.during(timing, of, act, last, tagNow)
	pause := func(n int) { m.now += time.Duration(n) * time.Millisecond }
	pause(settle)
	switch m.fault {
	case "over", "lift": // back on the part
		m.place(g, "")
		pause(100)
		tagNow()
	default:
		if m.rng.Intn(2) == 0 {
			tagNow()
		}
	}
}

// during plays a fault and a tag, the fault before the tag, at it, or after it.
func (m *maker) during(timing, of string, act stage.Act, last int, tagNow func()) {
	switch timing {
	case "before":
		m.cue(of, "", act)
		m.now += 20 * time.Millisecond
		tagNow()
	case "at":
		m.cue(of, "", act)
		tagNow()
	case "after":
		tagNow()
		m.now += 5 * time.Millisecond
		m.cue(of, "", act)
	}
	m.now += time.Duration(last) * time.Millisecond
}

// act is the fault as an act at a gauge, which gauge it is done to, how many
// milliseconds it goes on, and those to wait after it.
func (m *maker) act(g string) (act stage.Act, of string, last, settle int) {
	ms := func(n int) quantity.Duration { return quantity.Duration(time.Duration(n) * time.Millisecond) }
	of = g
	switch m.fault {
	case "lose link":
		last, settle = 300+100*m.rng.Intn(3), 200
		act = stage.LoseLink{For: ms(last)}
	case "swap ports":
		last, settle = 300, 200
		other := m.f.Gauges[0].Name
		if g == other {
			other = m.f.Gauges[1].Name
		}
		act = stage.SwapPorts{With: other, For: ms(last)}
	case "silent loss":
		last, settle = 300, 200
		act = stage.LoseLink{For: ms(last), Seen: stage.Silence}
	case "stall":
		last, settle = 200+100*m.rng.Intn(2), 100
		act = stage.Stall{For: ms(last)}
	case "garble":
		act = stage.Garble{Frames: 1 + m.rng.Intn(2)}
	case "duplicate":
		act = stage.Duplicate{Frames: 1 + m.rng.Intn(2)}
	case "split":
		act = stage.Split{Frames: 1 + m.rng.Intn(3)}
		settle = 300
	case "merge":
		act = stage.Merge{Frames: 2 + m.rng.Intn(2)}
		settle = 200
	case "unplug":
		last = 150
		act = stage.Unplug{For: ms(last)}
	case "over":
		act = stage.RestOn{Size: in(m.nominal+6*decimal.Millimetre, decimal.MM)}
		last = 100
	case "lift":
		act = stage.Lift{}
		last = 100
	case "restart", "kill":
		last, settle = 100*m.rng.Intn(4), 300
		r := stage.RestartHost{For: ms(last)}
		if m.fault == "kill" {
			r.By = stage.Kill
		}
		act, of = r, ""
	case "line speed":
		last, settle = 200+100*m.rng.Intn(2), 200
		act = stage.ChangeSpeed{To: []quantity.Speed{19200, 4800, 57600}[m.rng.Intn(3)], For: ms(last)}
	case "fade":
		act = stage.FadeCell{To: quantity.Percent{Value: decimal.New(int64(5+m.rng.Intn(5)), 0)}}
	}
	return act, of, last, settle
}

// leaves reports whether an act may take a tip to an end of its stroke, which is 10 mm with
// the nominal size in the middle; moves is false for one that leaves the tip alone.
func (m *maker) leaves(act stage.Act) (beyond, moves bool) {
	var size quantity.Length
	by := decimal.Length(0)
	switch a := act.(type) {
	case stage.RestOn:
		size = a.Size
	case stage.MoveTo:
		size = a.Size
	case stage.Rock:
		size = a.Size
	case stage.Turn: // an even lobe shows in diameter as four times its height in radius
		size, by = a.Size, 4*a.Amplitude.Picometres()
	case stage.Lift:
		return true, true
	default:
		return false, false
	}
	d := size.Picometres() - m.nominal
	return max(d, -d)+by > 4*decimal.Millimetre, true
}

// readable has every channel of a gauge show a reading, without which there is no datum.
func (m *maker) readable(g string) {
	away := false
	for at, beyond := range m.beyond {
		if at[0] == g {
			away, m.beyond[at] = away || beyond, false
		}
	}
	if away {
		m.cue(g, "", stage.RestOn{Size: in(m.nominal, m.unit)})
		m.now += 60 * time.Millisecond
	}
}
