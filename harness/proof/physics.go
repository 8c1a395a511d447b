package proof

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/motion/noise"
	"example.org/understudy/sim/power"
	"example.org/understudy/sim/probe"
)

// The models of tips, probes and cells.
var physics = map[string]func(given string) any{
	"sim/motion moves": func(given string) any {
		var name string
		var after time.Duration
		var shape motion.Shape
		scan(given, "%s after %d ms", &name, &after)
		read(&shape, name)
		p := motion.NewPath(0)
		p.Move(time.Second, 1024*decimal.Micrometre, 400*time.Millisecond, shape)
		return micrometres(p.At(time.Second + after*time.Millisecond))
	},
	"sim/motion span of a tilted gauge": func(given string) any {
		var name string
		var size, angle float64
		var plane motion.Plane
		given, ball, _ := strings.Cut(given, ", balls of ")
		scan(given, "%s %g mm at %g°", &name, &size, &angle)
		read(&plane, name)
		r := motion.Rock{Plane: plane}
		if ball != "" {
			r.Ball = length(ball)
		}
		return float64(r.Span(decimal.Length(size*1e9), angle)) / 1e9
	},
	"sim/motion movement of a lobed part": func(given string) any {
		var name string
		turn := motion.Turn{Amplitude: 10 * decimal.Micrometre, Period: 1200 * time.Millisecond, Turns: 1}
		scan(given, "%s contacts, %d lobes", &name, &turn.Lobes)
		read(&turn.Contacts, name)
		p := motion.NewPath(0)
		p.Turn(0, 20*decimal.Millimetre, turn)
		lo, hi := p.At(0), p.At(0)
		for at := time.Duration(0); at < turn.Period; at += time.Millisecond {
			lo, hi = min(lo, p.At(at)), max(hi, p.At(at))
		}
		return float64(hi-lo) / 1e6
	},
	"sim/motion fall":    func(given string) any { return float64(motion.FallTime(length(given))) / 1e6 },
	"sim/motion ringing": ringing,
	"sim/motion/noise normal deviates": func(given string) any {
		return noise.Quantile(must(strconv.ParseFloat(given, 64)))
	},
	"sim/motion/noise seeds of streams": func(given string) any {
		var seed, output uint64
		scan(given, "%d, output %d", &seed, &output)
		const names = (((0xcbf29ce484222325^0xff)*0x100000001b3&math.MaxUint64 ^ 0xff) * 0x100000001b3) & math.MaxUint64 // FNV-1a of two empty names
		return fmt.Sprint(noise.Split(seed+(output-1)*0x9e3779b97f4a7c15-names, "", ""))
	},
	"sim/motion/noise Allan deviation": noiseLevel,
	"sim/motion/noise drift": func(given string) any {
		var an, after int
		scan(given, "%d µm an hour, after %d s", &an, &after)
		s := noise.New(noise.Spec{Drift: decimal.Length(an) * decimal.Micrometre}, 3)
		return fmt.Sprint(int64(s.Next(time.Duration(after)*time.Second)) / 1000)
	},
	"sim/motion/noise mains hum": hum,
	"sim/probe reading":          probeReading,
	"sim/probe warm part":        warmed,
	"sim/probe play": func(given string) any {
		m, s := must(probe.New(probe.Spec{Play: 4 * decimal.Micrometre})), probe.NewState(1)
		var out []string
		for _, tip := range strings.Fields(given) {
			v, _ := m.Read(s, length(tip+" µm"), 0, probe.Reference, 0)
			out = append(out, micrometres(v))
		}
		return strings.Join(out, " ")
	},
	"sim/probe step response": func(given string) any {
		m, s := must(probe.New(probe.Spec{Lag: 100 * time.Millisecond})), probe.NewState(1)
		m.Read(s, 0, 0, probe.Reference, 0)
		v, _ := m.Read(s, decimal.Millimetre, time.Duration(must(strconv.Atoi(given)))*100*time.Millisecond, probe.Reference, 0)
		return float64(v) / 1e7
	},
	"sim/power hours to a charge": func(given string) any {
		var name string
		var capacity, charge, to, draw, into float64
		var temp int
		scan(given, "%s %g mAh at %d °C from %g %%, drawing %g mA, charged with %g mA, to %g %%", &name, &capacity, &temp, &charge, &draw, &into, &to)
		c, s := cellOf(name, power.Config{Capacity: capacity, Charge: charge})
		at, ok := c.TimeTo(&s, to, power.Load{Draw: power.MicroAmp(draw * 1000), Charge: power.MicroAmp(into * 1000), Temp: temp})
		if !ok {
			return "never"
		}
		return at.Hours()
	},
	"sim/power self-discharge": func(given string) any {
		var name string
		var temp, days int
		scan(given, "%s at %d °C, %d days", &name, &temp, &days)
		c, s := cellOf(name, power.Config{Capacity: 2000, Charge: 100})
		for ok := true; ok; {
			_, ok = c.Advance(&s, time.Duration(days)*24*time.Hour, power.Load{Temp: temp})
		}
		return 100 - float64(c.Charge(&s))/1e4
	},
	"sim/power rested voltage": func(given string) any {
		var name string
		var charge float64
		scan(given, "%s at %g %%", &name, &charge)
		c, s := cellOf(name, power.Config{Capacity: 1000, Charge: charge})
		return float64(c.Volts(&s, 0, 20)) / 1e6
	},
	"sim/power sag": func(given string) any {
		var series, temp int
		scan(given, "%d in series at %d °C", &series, &temp)
		c, s := cellOf("li-ion", power.Config{Series: series, Capacity: 850, Charge: 50, Milliohm: 120})
		return float64(c.Volts(&s, 0, temp)-c.Volts(&s, 100_000, temp)) / 1000
	},
	"sim/power hours of a gauge": func(given string) any {
		u := power.Use{Display: true, Radio: true, Temp: 20}
		scan(given, "%d µW, %d frames a second", &u.Microwatts, &u.FramesPerHour)
		u.FramesPerHour *= 3600
		c, s := cellOf("li-ion", power.Config{Capacity: 850, Charge: 100})
		at, _ := c.TimeTo(&s, 0, power.TypicalParts().Load(u))
		return at.Hours()
	},
	"sim/power charge shown": func(given string) any {
		how, rest, _ := strings.Cut(given, ", in ")
		cfg, draw := power.Config{Capacity: 850, Charge: 62}, 0
		scan(rest, "steps of %d %%, drawing %d mA", &cfg.Step, &draw)
		if how == "by-voltage" {
			cfg.ByVoltage = true
		}
		c, s := cellOf("li-ion", cfg)
		return fmt.Sprint(c.Shown(&s, power.Load{Peak: power.MicroAmp(draw) * 1000, Temp: 20}))
	},
}

// cellOf is a cell of a chemistry, at its start.
func cellOf(name string, cfg power.Config) (*power.Cell, power.State) {
	read(&cfg.Chemistry, strings.TrimSuffix(name, ","))
	c := must(power.New(cfg))
	return c, c.Start()
}

// ringing is the ratio of a peak to the next.
func ringing(given string) any {
	var frequency float64
	var decay time.Duration
	scan(given, "%g Hz, decay %d ms", &frequency, &decay)
	p := motion.NewPath(0)
	p.Bounce(0, motion.Bounce{Amplitude: 100 * decimal.Micrometre, Frequency: frequency, Decay: decay * time.Millisecond})
	period := time.Duration(1e9 / frequency)
	peak := func(n time.Duration) float64 {
		best := decimal.Length(0)
		for t := n * period; t < (n+1)*period; t += period / 2000 {
			best = max(best, p.At(t))
		}
		return float64(best)
	}
	return peak(0) / peak(1)
}

// noiseLevel is the Allan deviation, in µm, of noise of one kind whose amount is 1 µm,
// over all the pairs of adjoining groups of m samples (NIST SP 1065, 5.2.4; from
// memory), of eight series.
func noiseLevel(given string) any {
	var kind string
	var rate, m int
	scan(given, "%s %d Hz, %d samples", &kind, &rate, &m)
	spec := map[string]noise.Spec{"white": {White: decimal.Micrometre}, "walk": {Walk: decimal.Micrometre}, "flicker": {Flicker: decimal.Micrometre}}[kind]
	sum, n := 0.0, 0
	for seed := range uint64(8) {
		s := noise.New(spec, seed)
		total := make([]float64, 40_001) // of the samples up to each
		for i := range total[1:] {
			total[i+1] = total[i] + float64(s.Next(time.Duration(i)*time.Second/time.Duration(rate)))/1e6
		}
		for i := 0; i+2*m < len(total); i++ {
			d := (total[i+2*m] - 2*total[i+m] + total[i]) / float64(m)
			sum += float64(d * d)
			n++
		}
	}
	return math.Sqrt(sum / float64(2*n))
}

// hum is the amplitude, in µm, at which hum is seen at a frequency.
func hum(given string) any {
	var f, rate, alias float64
	scan(given, "%g Hz at %g Hz, seen at %g Hz", &f, &rate, &alias)
	const n = 4000
	s := noise.New(noise.Spec{Hum: noise.Hum{Amplitude: decimal.Micrometre, Frequency: f, Phase: 0.2}}, 1)
	re, im := 0.0, 0.0
	for i := range n {
		v := float64(s.Next(time.Duration(float64(i)*1e9/rate))) / 1e6
		sin, cos := math.Sincos(2 * math.Pi * alias * float64(i) / rate)
		re += float64(v * cos)
		im += float64(v * sin)
	}
	amplitude := math.Hypot(re, im) * 2 / n
	if alias == 0 || alias == rate/2 { // the samples all fall on one phase
		amplitude /= 2
	}
	return amplitude
}

func probeReading(given string) any {
	k := keysOf(given)
	growth := func(what, of string) probe.Growth {
		return probe.Growth{Length: k.length(what), PerKelvin: map[string]float64{"steel": probe.Steel, "aluminium": probe.Aluminium}[k[of]]}
	}
	m := must(probe.New(probe.Spec{Centre: k.length("centre"), Stroke: k.length("stroke"), Offset: k.length("offset"), GainError: k.number("gain-error"),
		Tilt: k.number("tilt"), AirGap: k.length("air-gap"), Linearity: [2]decimal.Length{k.length("bow"), k.length("s-curve")}, Part: growth("part", "of"), Gauge: growth("gauge", "gauge-of"),
		ZeroDrift: k.length("zero-drift")}))
	temperature := float64(probe.Reference)
	if k["temperature"] != "" {
		temperature = k.number("temperature")
	}
	s := probe.NewState(1)
	v, _ := m.Read(s, k.length("tip"), 0, temperature, 0)
	return micrometres(v)
}

// warmed is by how much a part or a gauge of 100 mm of steel, so much warmer than its
// room at 20 °C, moves a reading some time constants later; in µm.
func warmed(given string) any {
	var what string
	var kelvin, after float64
	scan(given, "%s %g K warmer, after %g time constants", &what, &kelvin, &after)
	g := probe.Growth{Length: 100 * decimal.Millimetre, PerKelvin: probe.Steel, Settles: time.Minute}
	spec, s := probe.Spec{Part: g}, probe.NewState(1)
	s.Part.Above = kelvin
	if what == "gauge" {
		spec = probe.Spec{Gauge: g}
		s.Part.Above, s.Gauge.Above = 0, kelvin
	}
	v, _ := must(probe.New(spec)).Read(s, 0, time.Duration(after*float64(time.Minute)), probe.Reference, 0)
	return float64(v) / float64(decimal.Micrometre)
}
