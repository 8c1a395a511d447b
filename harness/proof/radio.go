package proof

import (
	"fmt"
	"strings"
	"time"

	"example.org/understudy/sim/link"
	"example.org/understudy/sim/random"
)

// The models of the radio link.
var radio = map[string]func(given string) any{
	"sim/link power classes": func(given string) any {
		var class link.Class
		scan(given, "class %d", &class)
		return class.DBm()
	},
	"sim/link free space": func(given string) any {
		var metres, megahertz float64
		scan(given, "%g m at %g MHz", &metres, &megahertz)
		return link.FreeSpace(metres, megahertz)
	},
	"sim/link indoor loss": func(given string) any {
		var k link.Coefficients
		var metres, megahertz float64
		scan(given, "%g, %g, %g: %g m at %g MHz", &k.Alpha, &k.Beta, &k.Gamma, &metres, &megahertz)
		return k.Loss(metres, megahertz)
	},
	"sim/link indoor loss by place": func(given string) any {
		name, rest, _ := strings.Cut(given, ": ")
		var metres, megahertz float64
		scan(rest, "%g m at %g MHz", &metres, &megahertz)
		return coefficients(name).Loss(metres, megahertz)
	},
	"sim/link coefficients": func(given string) any {
		k := coefficients(given)
		return fmt.Sprint(k.Alpha, k.Beta, k.Gamma, k.Sigma, k.Min, k.Max)
	},
	"sim/link walls": func(given string) any {
		return map[string]float64{"light wall": link.LightWall, "heavy wall": link.HeavyWall, "one floor": link.OneFloor}[given]
	},
	"sim/link margin": func(given string) any {
		b := link.Budget{Place: link.IndustrialLoS, Walls: link.LightWall + link.HeavyWall, Gains: -2, Shadow: 3}
		scan(given, "class %d at %g m, sensitivity %g dBm", &b.Class, &b.Metres, &b.Sensitivity)
		return b.Margin()
	},
	"sim/link bit error rate": func(given string) any {
		var margin float64
		scan(given, "%g dB", &margin)
		return link.BitErrorRate(margin)
	},
	"sim/link frame error rate": func(given string) any {
		var margin float64
		var bits int
		scan(given, "%g dB, %d bits", &margin, &bits)
		return link.FrameErrorRate(margin, bits)
	},
	"sim/link fades": func(given string) any {
		what, rest, _ := strings.Cut(given, " at ")
		var a, b float64
		if what == "shift" {
			scan(rest, "%g m/s, %g MHz", &a, &b)
			return link.Doppler(a, b)
		}
		scan(rest, "%g dB, %g Hz", &a, &b)
		_, crossings, mean := link.Fades(a, b)
		if what == "crossings" {
			return crossings
		}
		return mean.Seconds() * 1e6
	},
	"sim/link lost link": func(string) any {
		l := must(link.New(link.Config{}))
		s := l.Start(random.NewSource(1), nil)
		l.Stall(s, time.Minute)
		for s.Phase != link.Lost {
			l.Advance(s, time.Minute)
		}
		return fmt.Sprint(s.Now.Seconds())
	},
	"sim/link seats": func(string) any {
		l, all := must(link.New(link.Config{})), link.Radio{}
		for i := range uint64(8) {
			l.Start(random.NewSource(i), &all)
		}
		return fmt.Sprint(all.Active())
	},
	"sim/link packets": func(given string) any {
		var size int
		scan(given, "%d bytes", &size)
		l := must(link.New(link.Config{Attempt: 2 * link.Slot, Air: link.Slot, Payload: 27}))
		s := l.Start(random.NewSource(1), nil)
		l.Advance(s, 2*time.Millisecond)
		l.Offer(s, 2*time.Millisecond, 1, size)
		ev, _ := l.Advance(s, time.Second)
		return ev.At.Seconds() * 1000
	},
	// A frame every second or so, with nothing before it.
	"sim/link latency": func(given string) any {
		var w link.Latency
		scan(given, "stack %d ms, sniff %d ms, driver %d ms", &w.Stack, &w.Sniff, &w.Driver)
		w.Stack, w.Sniff, w.Driver = w.Stack*time.Millisecond, w.Sniff*time.Millisecond, w.Driver*time.Millisecond
		l := must(link.New(link.Config{Latency: w}))
		s := l.Start(random.NewSource(1), nil)
		const frames = 20_000
		var sum time.Duration
		for id := range uint64(frames) {
			at := time.Duration(id) * 1_003_007 * time.Microsecond
			l.Advance(s, at)
			l.Offer(s, at, id, 20)
			ev, _ := l.Advance(s, at+time.Second)
			sum += ev.At - at
		}
		return sum.Seconds() * 1000 / frames
	},
	"sim/link tries": func(given string) any {
		cfg := link.Config{Attempt: time.Millisecond}
		scan(given, "loss %g", &cfg.Bursts.LossGood)
		l := must(link.New(cfg))
		s := l.Start(random.NewSource(1), nil)
		const frames = 20_000
		tries := 0
		for id := range uint64(frames) {
			l.Offer(s, s.Now, id, 1)
			ev, _ := l.Advance(s, s.Now+time.Hour)
			tries += ev.Tries
		}
		return float64(tries) / frames
	},
}

// coefficients are those of the place of a name.
func coefficients(name string) link.Coefficients {
	var p link.Place
	read(&p, name)
	k, _ := link.PlaceCoefficients(p)
	return k
}
