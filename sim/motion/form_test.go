package motion_test

import (
	"math"
	"testing"

	"example.org/understudy/sim/motion"
)

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
