package motion_test

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/motion"
)

// Right triangles with whole sides: a chord of length 2b, e off the centre of
// a circle of diameter 2c, where b² + e² = c².
//
// Kind: outside.
func TestChord(t *testing.T) {
	for _, k := range [][3]decimal.Length{{4, 3, 5}, {12, 5, 13}, {15, 8, 17}, {24, 7, 25}} {
		b, e, c := k[0]*mm, k[1]*mm, k[2]*mm
		for _, off := range []decimal.Length{e, -e} {
			if got := motion.Chord(2*c, off); got != 2*b {
				t.Errorf("chord of %d at %d: %d, want %d", 2*c, off, got, 2*b)
			}
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		d := decimal.Length(rapid.Int64Range(1e6, 1e12).Draw(t, "d"))
		e := decimal.Length(rapid.Int64Range(0, int64(d)).Draw(t, "e"))
		got := motion.Chord(d, e)
		if got < 0 || got > d || (e == 0) && got != d || 2*e >= d && got != 0 {
			t.Fatalf("chord of %d at %d: %d", d, e, got)
		}
		// Two chords by hand: the power of the point, (d/2)² − e² = (chord/2)².
		want := math.Sqrt(float64(d-2*e)) * math.Sqrt(float64(d+2*e))
		if 2*e < d && math.Abs(float64(got)-want) > 1e-15*float64(d)+1 {
			t.Fatalf("chord of %d at %d: %d, want %.1f", d, e, got, want)
		}
	})
}

// The angle in a bore against its ellipse: a plane tilted by θ cuts a cylinder
// of radius R in x = R/cos θ · cos u, y = R · sin u, whose long diameter is
// found here by search.
//
// Kind: outside.
func TestSpanOfTiltedGauge(t *testing.T) {
	const size = 8 * mm
	for _, deg := range []float64{0, 0.5, -3, 10, 60} {
		sin, cos := math.Sincos(deg * math.Pi / 180)
		_ = sin
		axial := 0.0
		for u := 0.0; u < math.Pi; u += math.Pi / 1024 {
			axial = max(axial, 2*math.Hypot(4e9/cos*math.Cos(u), 4e9*math.Sin(u)))
		}
		if got := motion.Span(motion.Axial, size, deg); math.Abs(float64(got)-axial) > 1 {
			t.Errorf("axial, %v°: %d, want %.1f", deg, got, axial)
		}
		// Radial: from the contact at (−R, 0) in the direction θ, the circle is
		// met again where (−R + s·cos θ)² + (s·sin θ)² = R².
		s := 2 * 4e9 * cos
		if r := math.Hypot(-4e9+s*cos, s*sin); math.Abs(r-4e9) > 1e-3 {
			t.Fatalf("the far contact is not on the bore: %v", r)
		}
		if got := motion.Span(motion.Radial, size, deg); math.Abs(float64(got)-s) > 1 {
			t.Errorf("radial, %v°: %d, want %.1f", deg, got, s)
		}
	}
	if motion.Span(motion.Axial, size, 60) != 2*size || motion.Span(motion.Radial, size, 60) != size/2 {
		t.Error("cos 60° is one half, exactly")
	}
}

// spread brings n contacts at the given directions (turns) to a lobed profile
// R + a·cos(n(φ−turned)), with the gauge free to centre itself, and returns the
// common extension L: Newton's method on c + L·u on the profile.
func spread(a float64, lobes int, turned float64, directions [3]float64) float64 {
	const R = 10e9
	cx, cy, L := 0.0, 0.0, R
	f := func(cx, cy, L, d float64) float64 {
		s, c := math.Sincos(2 * math.Pi * d)
		x, y := cx+L*c, cy+L*s
		return math.Hypot(x, y) - R - a*math.Cos(float64(lobes)*(math.Atan2(y, x)-2*math.Pi*turned))
	}
	for range 6 {
		// With the profile nearly round, the Jacobian is nearly (cos, sin, 1):
		// the equal spacing makes it orthogonal.
		var g [3]float64
		for i, d := range directions {
			g[i] = f(cx, cy, L, d)
		}
		for i, d := range directions {
			s, c := math.Sincos(2 * math.Pi * d)
			cx -= g[i] * c * 2 / 3
			cy -= g[i] * s * 2 / 3
			L -= g[i] / 3
		}
	}
	return L
}

// What two and three contacts see of a lobed part, from the profile itself.
//
// Kind: outside.
func TestContactsOnLobes(t *testing.T) {
	const a = 1e6 // 1 µm
	for lobes := 2; lobes <= 12; lobes++ {
		lo2, hi2, lo3, hi3 := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
		for k := range 720 {
			turned := float64(k) / 720
			r := func(d float64) float64 { return 10e9 + a*math.Cos(2*math.Pi*float64(lobes)*(d-turned)) }
			two := r(0) + r(0.5)
			three := 2 * spread(a, lobes, turned, [3]float64{0, 1. / 3, 2. / 3})
			lo2, hi2 = min(lo2, two), max(hi2, two)
			lo3, hi3 = min(lo3, three), max(hi3, three)
		}
		for _, c := range []struct {
			contacts motion.Contacts
			movement float64
			slack    float64 // the three-contact gain is of first order in a/R
		}{{motion.TwoContacts, hi2 - lo2, 1}, {motion.ThreeContacts, hi3 - lo3, 6e3}} {
			if got := 2 * a * motion.Gain(c.contacts, lobes); math.Abs(got-c.movement) > c.slack {
				t.Errorf("%d lobes, %v contacts: full movement %.0f pm, want %.0f", lobes, c.contacts, got, c.movement)
			}
		}
	}
}

// The three-point symmetrical summit setting (the method of ISO 4292:1985),
// its factors worked by hand from the sines and cosines of whole angles. (The
// familiar ones, 3 in a vee of 60° for three lobes and 2 in one of 90°, agree
// with the standard's table, from memory.)
//
// Kind: outside.
func TestVeeGain(t *testing.T) {
	third := 1 / math.Sqrt(3)
	for _, c := range []struct {
		vee  float64
		want map[int]float64
	}{
		{60, map[int]float64{2: 0, 3: 3, 4: 0, 5: 0, 6: 3, 7: 0}},
		{90, map[int]float64{2: 1, 3: 2, 4: 1 - math.Sqrt2, 5: 2, 6: 1, 7: 0, 8: 1 + math.Sqrt2}},
		{120, map[int]float64{2: 1 + third, 3: 1, 4: 1 - third, 5: 2, 6: 1 - 2*third, 7: 2}},
	} {
		for n, want := range c.want {
			if got := motion.VeeGain(n, c.vee); math.Abs(got-want) > 1e-14 {
				t.Errorf("%d lobes in a vee of %v°: %v, want %v", n, c.vee, got, want)
			}
		}
	}
}

// One revolution of a three-lobed part: invisible to two contacts, twice the
// amplitude to three. An eccentric part shows twice its eccentricity.
//
// Kind: outside.
func TestTurn(t *testing.T) {
	for _, c := range []struct {
		turn     motion.Turn
		movement decimal.Length
	}{
		{motion.Turn{Contacts: motion.TwoContacts, Lobes: 3}, 0},
		{motion.Turn{Contacts: motion.TwoContacts, Lobes: 2}, 40 * um},
		{motion.Turn{Contacts: motion.ThreeContacts, Lobes: 3}, 40 * um},
		{motion.Turn{Contacts: motion.ThreeContacts, Lobes: 4}, 0},
		{motion.Turn{Contacts: motion.OneContact, Lobes: 1}, 20 * um},
	} {
		c.turn.Amplitude, c.turn.Period, c.turn.Turns = 10*um, 1200*ms, 2
		p := motion.NewPath(0)
		p.Turn(0, 20*mm, c.turn)
		lo, hi := p.At(0), p.At(0)
		for at := time.Duration(0); at < 2400*ms; at += ms {
			lo, hi = min(lo, p.At(at)), max(hi, p.At(at))
		}
		if hi-lo != c.movement || (hi+lo)/2 != 20*mm {
			t.Errorf("%v contacts, %d lobes: from %d to %d, want a movement of %d about 20 mm", c.turn.Contacts, c.turn.Lobes, lo, hi, c.movement)
		}
		if p.At(0) != p.At(1200*ms) || p.At(p.End()) != p.At(0) || p.End() != 2400*ms {
			t.Errorf("%v contacts, %d lobes: a revolution does not end where it began", c.turn.Contacts, c.turn.Lobes)
		}
	}
}
