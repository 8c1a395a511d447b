package tolerance

import (
	"strings"
	"testing"

	"example.org/understudy/sim/decimal"
	"pgregory.net/rapid"
)

// Kind: property.
func TestRefuses(t *testing.T) {
	for _, code := range []string{"", "H", "7", "Hh7", "H19", "H07", "H-1", "ZZ9", "H7.5", "H 7", "Js7"} {
		if c, err := Parse(code); err == nil {
			t.Errorf("%q is taken as %v", code, c)
		}
	}
	for _, c := range []struct {
		size decimal.Length
		code string
	}{
		{0, "H7"}, {-1, "H7"}, {500*decimal.Millimetre + 1, "H7"}, {20 * decimal.Millimetre, "t6"}, {20 * decimal.Millimetre, "K9"},
		{decimal.Millimetre, "a9"}, {decimal.Millimetre, "H14"}, {20 * decimal.Millimetre, "K2"}, {20 * decimal.Millimetre, "j8"}, {20 * decimal.Millimetre, "J5"},
	} {
		cl, err := Parse(c.code)
		if err != nil {
			t.Fatal(err)
		}
		if l, u, err := cl.Deviations(c.size); err == nil {
			t.Errorf("%v at %d pm is %d, %d", cl, c.size, l, u)
		}
	}
}

// A hole and the shaft of the same letter and grade mirror each other where the
// standard says so, and the width is always that of the grade.
//
// Kind: outside.
func TestWidths(t *testing.T) {
	letters := []string{"a", "b", "c", "d", "e", "f", "g", "h", "j", "js", "k", "m", "n", "p", "r", "s", "t", "u"}
	rapid.Check(t, func(t *rapid.T) {
		size := decimal.Length(rapid.Int64Range(1, int64(500*decimal.Millimetre)).Draw(t, "size"))
		c := Class{rapid.SampledFrom(letters).Draw(t, "letter"), Grade(rapid.IntRange(-1, 18).Draw(t, "grade"))}
		hole := Class{strings.ToUpper(c.Letter), c.Grade}
		for _, k := range []Class{c, hole} {
			lower, upper, err := k.Deviations(size)
			if err != nil {
				continue
			}
			width, err := Width(size, k.Grade)
			if err != nil || upper-lower != width {
				t.Fatalf("%v: %d to %d is not %d wide (%v)", k, lower, upper, width, err)
			}
		}
		if back, err := Parse(c.String()); err != nil || back != c {
			t.Fatalf("%v reads back as %v: %v", c, back, err)
		}
		l, u, err := c.Deviations(size)
		hl, hu, err2 := hole.Deviations(size)
		if c.Letter <= "h" && err == nil && err2 == nil && (l != -hu || u != -hl) {
			t.Fatalf("%v is %d to %d, %v is %d to %d", c, l, u, hole, hl, hu)
		}
	})
}

// Kind: property.
func FuzzParse(f *testing.F) {
	f.Add("H7")
	f.Add("js01")
	f.Fuzz(func(t *testing.T, code string) {
		if c, err := Parse(code); err == nil && c.String() != code {
			t.Errorf("%q is read as %v", code, c)
		}
	})
}
