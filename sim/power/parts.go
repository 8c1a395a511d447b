package power

import "time"

// Parts is what each part of a gauge draws.
type Parts struct {
	Idle    MicroAmp // measuring, everything else off
	Display MicroAmp
	Lamp    MicroAmp // one lamp lit
	Buzzer  MicroAmp // sounding

	RadioIdle  MicroAmp // joined, answering polls
	RadioBase  MicroAmp // the radio's electronics while it sends
	Efficiency int      // of its power amplifier, per cent, 1 to 100
	Millivolts int      // the radio's supply
	PerFrame   time.Duration
}

// TypicalParts is a small hand gauge. Common practice, no source.
func TypicalParts() Parts {
	return Parts{
		Idle: 4_000, Display: 1_500, Lamp: 5_000, Buzzer: 25_000,
		RadioIdle: 8_000, RadioBase: 25_000, Efficiency: 25, Millivolts: 3_000,
		PerFrame: 2500 * time.Microsecond, // send, acknowledge, protocol overhead
	}
}

// Use is what the gauge is doing.
type Use struct {
	Display, Lamp, Buzzer bool
	Radio                 bool  // joined to a radio
	Microwatts            int64 // transmit power, at most 1 W
	FramesPerHour         int64 // streaming: 30 a second is 108 000
	Cradle                MicroAmp
	Temp                  int // °C
}

// Load adds the parts up. While the radio sends it draws
//
//	Itx = base + P ÷ (η·V)        µW ÷ V = µA
//
// on top of the rest; on average Itx × frames × time for each, and never more
// than all the time.
func (p Parts) Load(u Use) Load {
	l := Load{Draw: p.Idle, Charge: u.Cradle, Temp: u.Temp}
	for _, part := range []struct {
		on bool
		i  MicroAmp
	}{{u.Display, p.Display}, {u.Lamp, p.Lamp}, {u.Buzzer, p.Buzzer}, {u.Radio, p.RadioIdle}} {
		if part.on {
			l.Draw += part.i
		}
	}
	l.Peak = l.Draw
	if u.Radio && p.Efficiency > 0 && p.Millivolts > 0 {
		watts := min(max(u.Microwatts, 0), 1_000_000)
		tx := min(p.RadioBase+MicroAmp(watts*100*1000/(int64(p.Efficiency)*int64(p.Millivolts))), MaxCurrent)
		frames := min(max(u.FramesPerHour, 0), 3_600_000_000)
		busy := min(frames*min(p.PerFrame.Nanoseconds(), 1e9)/3600, 1e9) // ns in a second
		l.Peak += tx
		l.Draw += MicroAmp(int64(tx) * busy / 1e9)
	}
	return l
}
