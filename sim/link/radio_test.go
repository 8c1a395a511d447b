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

// Kind: property.
func TestFades(t *testing.T) {
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
