package link

import (
	"math"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/random"
	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %.9g, want %.9g ± %g", what, got, want, tol)
	}
}

// Kind: outside.
func TestPowerClasses(t *testing.T) {
	// 10·log10(P/1 mW); 100, 2.5 and 1 mW: Core Vol 2 Part A, table 3.1.
	near(t, "class 1 dBm", Class1.DBm(), 20, 1e-9)
	near(t, "class 2 dBm", Class2.DBm(), 3.979400087, 1e-9)
	near(t, "class 3 dBm", Class3.DBm(), 0, 1e-9)
	if Class(4).Microwatts() != 0 {
		t.Error("class 4 has a power")
	}
}

// Kind: outside.
func TestFreeSpace(t *testing.T) {
	// ITU-R P.525 in its working form, 32.45 + 20·log10(f/MHz) + 20·log10(d/km).
	for _, d := range []float64{1, 10, 100, 1000} {
		near(t, "P.525", FreeSpace(d, 2441), 32.45+20*math.Log10(2441)+20*math.Log10(d/1000), 0.003)
	}
	// Published values: the Bluetooth Toolbox reference page for pathLoss gives
	// 16.4188 m for a loss of 64.5 dB (at its mid-band frequency, taken here as
	// 2441 MHz).
	near(t, "toolbox", FreeSpace(16.4188, 2441), 64.5, 0.01)
	// SignalPlan docs/MODEL.md, 2.4 GHz (channel 6, 2437 MHz), to 0.1 dB.
	for d, want := range map[float64]float64{5: 54.2, 10: 60.2, 20: 66.2} {
		near(t, "table", FreeSpace(d, 2437), want, 0.05)
	}
}

// Kind: outside.
func TestIndoor(t *testing.T) {
	// Rows of a published table for the office, out of sight, coefficients of
	// ITU-R P.1238-13 (α 2.39, β 30.13, γ 2.40): SignalPlan docs/MODEL.md,
	// 2437 and 5500 MHz, to 0.1 dB.
	k := Coefficients{Alpha: 2.39, Beta: 30.13, Gamma: 2.40}
	for _, row := range [][3]float64{{2437, 5, 56.1}, {2437, 10, 63.3}, {2437, 20, 70.5}, {5500, 5, 64.6}, {5500, 10, 71.8}, {5500, 20, 79.0}} {
		near(t, "P.1238-13", k.Loss(row[1], row[0]), row[2], 0.05)
	}
	// By hand, office in sight at 10 m: 14.6 + 34.62 + 20.3·log10(2.441) = 57.0876.
	office, _ := PlaceCoefficients(OfficeLoS)
	near(t, "office", office.Loss(10, Megahertz), 57.0876, 0.0001)
	// By hand, shop out of sight at 20 m: 37.9·1.30103 + 21.01 + 13.4·0.387568
	shop, _ := PlaceCoefficients(IndustrialNLoS)
	near(t, "shop", shop.Loss(20, Megahertz), 75.5124, 0.0001)
	if _, ok := PlaceCoefficients(FreeAir); ok {
		t.Error("free air has coefficients")
	}
	for p := OfficeLoS; p <= IndustrialNLoS; p++ {
		k, ok := PlaceCoefficients(p)
		if !ok || k.Min >= k.Max || k.Sigma <= 0 {
			t.Errorf("%v: %+v", p, k)
		}
	}
}

// Kind: outside.
func TestBudget(t *testing.T) {
	b := Budget{Class: Class2, Place: IndustrialLoS, Metres: 10, Walls: LightWall + HeavyWall, Gains: -2, Shadow: 3}
	// By hand: 3.9794 - 2 - (23.1 + 24.52 + 20.6·0.387568) - 10.3 - 3 = -66.9245
	near(t, "received", b.Received(), -66.9245, 0.0001)
	near(t, "margin", b.Margin(), 3.0755, 0.0001)
	b.Sensitivity = -85
	near(t, "better receiver", b.Margin(), 18.0755, 0.0001)
	one, three := b, b
	one.Class, three.Class = Class1, Class3
	near(t, "class 1 over class 3", one.Margin()-three.Margin(), 20, 1e-8)
}

// Kind: outside.
func TestErrorRates(t *testing.T) {
	// The definition of sensitivity: 0.1 % at margin 0. Doubling the energy
	// squares 2Pb: ½·0.002² at 10·log10(2) dB.
	near(t, "at 0 dB", BitErrorRate(0), 0.001, 1e-15)
	near(t, "at 3.01 dB", BitErrorRate(10*math.Log10(2)), 2e-6, 1e-15)
	near(t, "nothing heard", BitErrorRate(-400), 0.5, 1e-9)
	// 1-(1-Pb)^n
	near(t, "one bit", FrameErrorRate(0, 1), 0.001, 1e-9)
	near(t, "366 bits", FrameErrorRate(0, 366), 1-math.Pow(0.999, 366), 1e-9)
	near(t, "far over", FrameErrorRate(30, 366), 0, 0)
	near(t, "far under", FrameErrorRate(-30, 366), 1, 1e-9)
}

// Kind: outside.
func TestFades(t *testing.T) {
	// Rappaport, Wireless Communications, 2nd ed., examples 5.7 and 5.8 (from
	// memory): at ρ = 1 and 20 Hz, 18.44 crossings a second; at 200 Hz fades of
	// 19.9 µs (ρ 0.01), 200 µs (ρ 0.1) and 3.43 ms (ρ 1).
	_, n, _ := Fades(0, 20)
	near(t, "crossings", n, 18.44, 0.005)
	for margin, want := range map[float64]float64{40: 19.9e-6, 20: 200e-6, 0: 3.43e-3} {
		_, _, mean := Fades(margin, 200)
		near(t, "fade", mean.Seconds(), want, 0.005*want)
	}
	rapid.Check(t, func(t *rapid.T) {
		margin, fd := rapid.Float64Range(-10, 40).Draw(t, "margin"), rapid.Float64Range(0.1, 50).Draw(t, "Hz")
		share, n, mean := Fades(margin, fd)
		if math.Abs(n*mean.Seconds()-share) > 1e-6+1e-9*mean.Seconds() {
			t.Fatalf("crossings %v × mean %v is not the share %v", n, mean, share)
		}
	})
	if _, _, mean := Fades(10, 0); mean < 24*time.Hour {
		t.Errorf("standing still a fade ends after %v", mean)
	}
}

// Kind: property.
func TestBurstsOfKeepsShareAndLength(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		share := rapid.Float64Range(0, 1).Draw(t, "share")
		mean := rapid.Float64Range(0.01, 1e4).Draw(t, "mean")
		w, r := burstsOf(share, mean)
		b := Bursts{Worsen: w, Recover: r, LossBad: 1}
		if err := b.Validate(); err != nil {
			t.Fatal(err)
		}
		if share > 1e-3 && share < 0.999 && math.Abs(b.BadShare()-share) > 1e-4 {
			t.Fatalf("share %v became %v", share, b.BadShare())
		}
		if share > 0 && share < 1 && w < 1 && r > 1e-3 && mean > 1 && math.Abs(b.MeanBad()/mean-1) > 1e-5 {
			t.Fatalf("mean %v became %v", mean, b.MeanBad())
		}
	})
}

// Where a class 3 radio must send one packet in five again, a class 1 radio
// hardly ever must; common practice.
//
// Kind: outside.
func TestClass1ReachesFarther(t *testing.T) {
	run := func(c Class) Stats {
		cfg, err := Budget{Class: c, Place: IndustrialLoS, Metres: 25, Sensitivity: -80}.Config(0.3)
		if err != nil {
			t.Fatal(err)
		}
		l := mustNew(t, cfg)
		s := l.Start(random.NewSource(1), nil)
		for at := time.Duration(0); at < 2*time.Minute; at += time.Second / 30 {
			drainLink(l, s, at)
			l.Offer(s, at, 0, 12)
		}
		return s.Stats
	}
	one, three := run(Class1), run(Class3)
	if one.Delivered < 3590 || one.Failed*20 > one.Attempts {
		t.Errorf("class 1: %+v", one)
	}
	if three.Failed*5 < three.Attempts {
		t.Errorf("class 3: %+v", three)
	}
	t.Logf("class 1 %+v", one)
	t.Logf("class 3 %+v", three)
}

// Kind: property.
func TestBudgetSaysWhatIsWrong(t *testing.T) {
	ok := Budget{Class: Class1, Metres: 5}
	for part, spoil := range map[string]func(*Budget){
		"power class 0": func(b *Budget) { b.Class = 0 },
		"?(9)":          func(b *Budget) { b.Place = 9 },
		"NaN m apart":   func(b *Budget) { b.Metres = math.NaN() },
		"walls":         func(b *Budget) { b.Walls = -1 },
		"shadow":        func(b *Budget) { b.Shadow = 99 },
		"gains":         func(b *Budget) { b.Gains = 41 },
		"sensitivity":   func(b *Budget) { b.Sensitivity = 1 },
	} {
		b := ok
		spoil(&b)
		if _, err := b.Config(0); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("error %v, want one with %q", err, part)
		}
	}
	for _, v := range []float64{-1, math.NaN(), 101} {
		if _, err := ok.Config(v); err == nil {
			t.Errorf("speed %v is taken", v)
		}
	}
	if cfg, err := ok.Config(0); err != nil || cfg.Bursts.Worsen != 0 {
		t.Errorf("standing still: %+v, %v", cfg, err)
	}
	rapid.Check(t, func(t *rapid.T) {
		b := Budget{
			Class:       Class(rapid.IntRange(1, 3).Draw(t, "class")),
			Place:       Place(rapid.IntRange(0, 6).Draw(t, "place")),
			Metres:      rapid.Float64Range(0.1, 1000).Draw(t, "m"),
			Walls:       rapid.Float64Range(0, 200).Draw(t, "walls"),
			Shadow:      rapid.Float64Range(-60, 60).Draw(t, "shadow"),
			Gains:       rapid.Float64Range(-40, 40).Draw(t, "gains"),
			Sensitivity: rapid.Float64Range(-120, 0).Draw(t, "sensitivity"),
		}
		cfg, err := b.Config(rapid.Float64Range(0, 100).Draw(t, "speed"))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := New(cfg); err != nil {
			t.Fatalf("%+v: %v", cfg, err)
		}
	})
}
