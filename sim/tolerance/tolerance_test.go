package tolerance

import (
	"os"
	"strings"
	"testing"

	"example.org/understudy/sim/decimal"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func um(t *testing.T, s string) decimal.Length {
	t.Helper()
	l, ok := decimal.Exactly(decimal.MustParse(s), decimal.UM)
	if !ok {
		t.Fatalf("%q is not a length", s)
	}
	return l
}

func micrometres(lower, upper decimal.Length) string {
	u, _ := upper.In(decimal.UM)
	l, _ := lower.In(decimal.UM)
	return u.Trim().String() + "/" + l.Trim().String()
}

// The limit deviations of whole tables; their source, and the two misprints
// in it, stand in the file.
//
// Kind: outside.
func TestTables(t *testing.T) {
	text, err := os.ReadFile("testdata/limits.txt")
	if err != nil {
		t.Fatal(err)
	}
	var sizes []string
	cells := 0
	for line := range strings.Lines(string(text)) {
		words := strings.Fields(line)
		if words[0] == "#" {
			continue
		}
		if words[0] == "size" {
			sizes = words[1:]
			continue
		}
		c, err := Parse(words[0])
		if err != nil {
			t.Fatal(err)
		}
		if len(words)-1 != len(sizes) {
			t.Fatalf("%s has %d sizes", words[0], len(words)-1)
		}
		for i, want := range words[1:] {
			end := um(t, sizes[i]+"000")
			lower, upper, err := c.Deviations(end)
			if err != nil {
				t.Fatalf("%s %v: %v", sizes[i], c, err)
			}
			if got := micrometres(lower, upper); got != want {
				t.Errorf("%s %v: %s µm, the table has %s", sizes[i], c, got, want)
			}
			cells++
		}
	}
	if cells != 34*20 {
		t.Errorf("%d cells were compared", cells)
	}
}

// The fundamental deviations of whole letters, from another table than the
// limits; a point stands where that table was not read.
//
// Kind: outside.
func TestFundamentalDeviations(t *testing.T) {
	text, err := os.ReadFile("testdata/fundamental.txt")
	if err != nil {
		t.Fatal(err)
	}
	var sizes []string
	compared := 0
	for line := range strings.Lines(string(text)) {
		words := strings.Fields(line)
		switch words[0] {
		case "#":
			continue
		case "size":
			sizes = words[1:]
			continue
		}
		if len(words)-1 != len(sizes) {
			t.Fatalf("%s has %d sizes", words[0], len(words)-1)
		}
		for i, want := range words[1:] {
			c := Class{words[0], 6}
			lower, upper, err := c.Deviations(um(t, sizes[i]+"000"))
			switch {
			case want == ".":
				continue
			case want == "-":
				if err == nil {
					t.Errorf("%s %v: %s", sizes[i], c, micrometres(lower, upper))
				}
			case err != nil:
				t.Errorf("%s %v: %v", sizes[i], c, err)
			default:
				got := lower
				if c.Letter < "h" {
					got = upper
				}
				if got != um(t, want) {
					t.Errorf("%s %v: %d pm, the table has %s µm", sizes[i], c, got, want)
				}
			}
			compared++
		}
	}
	if compared != 4*25+19+6 {
		t.Errorf("%d were compared", compared)
	}
}

// Kind: outside.
func TestExamples(t *testing.T) {
	for _, c := range []struct{ size, class, want, source string }{
		{"8", "H8", "22/0", "ISO 286-1 Table 1, IT8 over 6 to 10 mm"},
		{"3", "H7", "10/0", "ISO 286-1 Table 1, IT7 up to 3 mm"},
		{"2.5", "n6", "10/4", "ISO 286-2, from memory"},
		{"2", "P7", "-6/-16", "ISO 286-2, from memory"},
		{"10", "H14", "360/0", "public encyclopaedia on IT grades: 0.36 mm at 10 mm"},
		{"100", "h14", "0/-870", "public encyclopaedia on IT grades: 0.87 mm at 100 mm"},
		{"25", "g6", "-7/-20", "readme of the PyPI package pressfit: 24.9930 / 24.9800 mm"},
		{"25", "p6", "35/22", "readme of the PyPI package pressfit: 25.022 to 25.035"},
		{"450", "c11", "-440/-840", "handbook table of shafts a to k to 500 mm: es of 400 to 450 is -440"},
		{"300", "b9", "-540/-670", "handbook table of shafts a to k to 500 mm: es of 280 to 315 is -540"},
		{"260", "M6", "-9/-41", "iso_holes.csv"},
		{"20", "s6", "48/35", "textbook example 3.2 on H7-s6, FOSSEE Scilab textbook companion 764"},
		{"50", "s6", "59/43", "textbook example 3.3 on H7-s6, FOSSEE Scilab textbook companion 764"},
		{"50", "u6", "86/70", "ISO 286-2, from memory"},
		{"30", "t7", "62/41", "ISO 286-2, from memory"},
	} {
		cl, err := Parse(c.class)
		if err != nil {
			t.Fatal(err)
		}
		size, _ := decimal.Exactly(decimal.MustParse(c.size), decimal.MM)
		lower, upper, err := cl.Deviations(size)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(c.want, micrometres(lower, upper)); d != "" {
			t.Errorf("%s %s (%s): %s", c.size, c.class, c.source, d)
		}
	}
}

// Kind: property.
func TestRefuses(t *testing.T) {
	for _, code := range []string{"", "H", "7", "Hh7", "H19", "H07", "H-1", "j6", "ZZ9", "H7.5", "H 7", "Js7"} {
		if c, err := Parse(code); err == nil {
			t.Errorf("%q is taken as %v", code, c)
		}
	}
	for _, c := range []struct {
		size decimal.Length
		code string
	}{
		{0, "H7"}, {-1, "H7"}, {500*decimal.Millimetre + 1, "H7"}, {20 * decimal.Millimetre, "t6"}, {20 * decimal.Millimetre, "K9"},
		{decimal.Millimetre, "a9"}, {decimal.Millimetre, "H14"}, {20 * decimal.Millimetre, "K2"},
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
	letters := []string{"a", "b", "c", "d", "e", "f", "g", "h", "js", "k", "m", "n", "p", "r", "s", "t", "u"}
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
