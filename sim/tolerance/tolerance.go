// Package tolerance works a tolerance code such as "H8" or "js6" out into the
// limits of a size, by the ISO code system for tolerances on linear sizes.
//
// Source: ISO 286-1:2010, Table 1 (standard tolerances), Table 2 and 3
// (fundamental deviations of shafts), and the rules for holes with their Δ
// (Tables 4 and 5). The standard itself was not opened: Table 1 is as two public
// programs transcribe it in the same way, the deviations are from memory; the
// tests compare them with tables of limit deviations of a third (E to R, a to r) and
// of fundamental deviations of a fourth (r to u).
//
// Nominal sizes over 0 up to 500 mm, grades IT01 to IT18, holes A to H, J, JS,
// K, M, N, P, R, S, T, U and shafts a to h, j, js, k, m, n, p, r, s, t, u. Anything
// else is an error: no value is guessed.
package tolerance

import (
	"fmt"
	"strconv"
	"strings"

	"example.org/understudy/sim/decimal"
)

// tenth is the unit of the table of grades: every value of the standard is a whole
// number of tenths of a micrometre.
const tenth = decimal.Micrometre / 10

// Grade is a standard tolerance grade.
type Grade int8

// IT01 and IT0 come before 1; grade 7 is IT7.
const (
	IT01 Grade = -1
	IT0  Grade = 0
)

func (g Grade) String() string {
	if g == IT01 {
		return "IT01"
	}
	return "IT" + strconv.Itoa(int(g))
}

// steps are the upper ends, inclusive, of the main steps of nominal size in mm;
// fine those of the intermediate steps, which some deviations need.
var (
	steps = [...]decimal.Length{3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500}
	fine  = [...]decimal.Length{3, 6, 10, 18, 24, 30, 40, 50, 65, 80, 100, 120, 140, 160, 180, 200, 225, 250, 280, 315, 355, 400, 450, 500}
)

// grades holds IT01 to IT18 for each main step, in tenths of a micrometre.
var grades = [len(steps)][20]decimal.Length{
	{3, 5, 8, 12, 20, 30, 40, 60, 100, 140, 250, 400, 600, 1000, 1400, 2500, 4000, 6000, 10000, 14000},
	{4, 6, 10, 15, 25, 40, 50, 80, 120, 180, 300, 480, 750, 1200, 1800, 3000, 4800, 7500, 12000, 18000},
	{4, 6, 10, 15, 25, 40, 60, 90, 150, 220, 360, 580, 900, 1500, 2200, 3600, 5800, 9000, 15000, 22000},
	{5, 8, 12, 20, 30, 50, 80, 110, 180, 270, 430, 700, 1100, 1800, 2700, 4300, 7000, 11000, 18000, 27000},
	{6, 10, 15, 25, 40, 60, 90, 130, 210, 330, 520, 840, 1300, 2100, 3300, 5200, 8400, 13000, 21000, 33000},
	{6, 10, 15, 25, 40, 70, 110, 160, 250, 390, 620, 1000, 1600, 2500, 3900, 6200, 10000, 16000, 25000, 39000},
	{8, 12, 20, 30, 50, 80, 130, 190, 300, 460, 740, 1200, 1900, 3000, 4600, 7400, 12000, 19000, 30000, 46000},
	{10, 15, 25, 40, 60, 100, 150, 220, 350, 540, 870, 1400, 2200, 3500, 5400, 8700, 14000, 22000, 35000, 54000},
	{12, 20, 35, 50, 80, 120, 180, 250, 400, 630, 1000, 1600, 2500, 4000, 6300, 10000, 16000, 25000, 40000, 63000},
	{20, 30, 45, 70, 100, 140, 200, 290, 460, 720, 1150, 1850, 2900, 4600, 7200, 11500, 18500, 29000, 46000, 72000},
	{25, 40, 60, 80, 120, 160, 230, 320, 520, 810, 1300, 2100, 3200, 5200, 8100, 13000, 21000, 32000, 52000, 81000},
	{30, 50, 70, 90, 130, 180, 250, 360, 570, 890, 1400, 2300, 3600, 5700, 8900, 14000, 23000, 36000, 57000, 89000},
	{40, 60, 80, 100, 150, 200, 270, 400, 630, 970, 1550, 2500, 4000, 6300, 9700, 15500, 25000, 40000, 63000, 97000},
}

// shafts holds the size of the fundamental deviation for each intermediate
// step, in micrometres: below the nominal size (es) for a to g, above it (ei)
// for m to u. None marks a step the standard leaves empty.
const none = -1

var shafts = map[string][len(fine)]decimal.Length{
	"a": {270, 270, 280, 290, 300, 300, 310, 320, 340, 360, 380, 410, 460, 520, 580, 660, 740, 820, 920, 1050, 1200, 1350, 1500, 1650},
	"b": {140, 140, 150, 150, 160, 160, 170, 180, 190, 200, 220, 240, 260, 280, 310, 340, 380, 420, 480, 540, 600, 680, 760, 840},
	"c": {60, 70, 80, 95, 110, 110, 120, 130, 140, 150, 170, 180, 200, 210, 230, 240, 260, 280, 300, 330, 360, 400, 440, 480},
	"d": {20, 30, 40, 50, 65, 65, 80, 80, 100, 100, 120, 120, 145, 145, 145, 170, 170, 170, 190, 190, 210, 210, 230, 230},
	"e": {14, 20, 25, 32, 40, 40, 50, 50, 60, 60, 72, 72, 85, 85, 85, 100, 100, 100, 110, 110, 125, 125, 135, 135},
	"f": {6, 10, 13, 16, 20, 20, 25, 25, 30, 30, 36, 36, 43, 43, 43, 50, 50, 50, 56, 56, 62, 62, 68, 68},
	"g": {2, 4, 5, 6, 7, 7, 9, 9, 10, 10, 12, 12, 14, 14, 14, 15, 15, 15, 17, 17, 18, 18, 20, 20},
	"h": {},
	"k": {0, 1, 1, 1, 2, 2, 2, 2, 2, 2, 3, 3, 3, 3, 3, 4, 4, 4, 4, 4, 4, 4, 5, 5}, // IT4 to IT7; otherwise 0
	"m": {2, 4, 6, 7, 8, 8, 9, 9, 11, 11, 13, 13, 15, 15, 15, 17, 17, 17, 20, 20, 21, 21, 23, 23},
	"n": {4, 8, 10, 12, 15, 15, 17, 17, 20, 20, 23, 23, 27, 27, 27, 31, 31, 31, 34, 34, 37, 37, 40, 40},
	"p": {6, 12, 15, 18, 22, 22, 26, 26, 32, 32, 37, 37, 43, 43, 43, 50, 50, 50, 56, 56, 62, 62, 68, 68},
	"r": {10, 15, 19, 23, 28, 28, 34, 34, 41, 43, 51, 54, 63, 65, 68, 77, 80, 84, 94, 98, 108, 114, 126, 132},
	"s": {14, 19, 23, 28, 35, 35, 43, 43, 53, 59, 71, 79, 92, 100, 108, 122, 130, 140, 158, 170, 190, 208, 232, 252},
	"t": {none, none, none, none, none, 41, 48, 54, 66, 75, 91, 104, 122, 134, 146, 166, 180, 196, 218, 240, 268, 294, 330, 360},
	"u": {18, 23, 28, 33, 41, 48, 60, 70, 87, 102, 124, 144, 170, 190, 210, 236, 258, 284, 315, 350, 390, 435, 490, 540},
}

// between holds the deviations of j (lower, ei) and J (upper, ES), which lie to both
// sides of the nominal size and go by no formula, for each main step in micrometres.
var between = map[string][len(steps)]decimal.Length{
	"j5": {-2, -2, -2, -3, -4, -5, -7, -9, -11, -13, -16, -18, -20},
	"j6": {-2, -2, -2, -3, -4, -5, -7, -9, -11, -13, -16, -18, -20},
	"j7": {-4, -4, -5, -6, -8, -10, -12, -15, -18, -21, -26, -28, -32},
	"J6": {2, 5, 5, 6, 8, 10, 13, 16, 18, 22, 25, 29, 33},
	"J7": {4, 6, 8, 10, 12, 14, 18, 22, 26, 30, 36, 39, 43},
	"J8": {6, 10, 12, 15, 20, 24, 28, 34, 41, 47, 55, 60, 66},
}

// Class is a tolerance class: a fundamental deviation and a grade. A letter in
// capitals is a hole's, another a shaft's.
type Class struct {
	Letter string
	Grade  Grade
}

func (c Class) String() string { return c.Letter + strings.TrimPrefix(c.Grade.String(), "IT") }

// Hole says whether the class is that of a hole (an internal feature).
func (c Class) Hole() bool { return c.Letter == strings.ToUpper(c.Letter) }

// Parse reads a class such as H8, g6 or js7.
func Parse(code string) (Class, error) {
	i := strings.IndexAny(code, "0123456789")
	bad := func(why string) (Class, error) {
		return Class{}, fmt.Errorf("%q is not a tolerance class of ISO 286-1: %s; write one such as H8, g6 or js7", code, why)
	}
	if i < 1 {
		return bad("letters, then a grade, are needed")
	}
	letter := code[:i]
	lower := strings.ToLower(letter)
	if letter != lower && letter != strings.ToUpper(letter) {
		return bad("the letters are all capitals (a hole) or none is (a shaft)")
	}
	if _, ok := shafts[lower]; !ok && lower != "js" && lower != "j" {
		return bad("no deviation " + letter + " is known here")
	}
	digits := code[i:]
	n, err := strconv.Atoi(digits)
	switch {
	case digits == "01":
		n = int(IT01)
	case err != nil || n > 18 || strconv.Itoa(n) != digits:
		return bad("grades are 01, 0, and 1 to 18")
	}
	return Class{letter, Grade(n)}, nil
}

// step finds a nominal size among upper ends in mm; -1 if it is outside.
func step(size decimal.Length, ends []decimal.Length) int {
	if size > 0 {
		for i, end := range ends {
			if size <= end*decimal.Millimetre {
				return i
			}
		}
	}
	return -1
}

var errSize = fmt.Errorf("nominal sizes are over 0 and up to 500 mm here")

// Width is the standard tolerance of a grade at a nominal size.
func Width(size decimal.Length, g Grade) (decimal.Length, error) {
	i := step(size, steps[:])
	if i < 0 {
		return 0, errSize
	}
	if g < IT01 || g > 18 {
		return 0, fmt.Errorf("there is no grade %v: they are IT01, IT0, and IT1 to IT18", g)
	}
	if g >= 14 && size <= decimal.Millimetre {
		return 0, fmt.Errorf("grades IT14 to IT18 are not for sizes up to 1 mm")
	}
	return grades[i][g+1] * tenth, nil
}

// Deviations are the lower and the upper limit deviation of a class at a
// nominal size: the limits are the nominal size plus these.
func (c Class) Deviations(size decimal.Length) (lower, upper decimal.Length, err error) {
	it, err := Width(size, c.Grade)
	if err != nil {
		return 0, 0, err
	}
	letter := strings.ToLower(c.Letter)
	if letter == "js" {
		return -it / 2, it / 2, nil
	}
	if letter == "j" {
		row, ok := between[c.String()]
		if !ok {
			return 0, 0, fmt.Errorf("%v is not known here: j is for grades 5 to 7, J for 6 to 8", c)
		}
		dev := row[step(size, steps[:])] * decimal.Micrometre
		if c.Hole() {
			return dev - it, dev, nil
		}
		return dev, dev + it, nil
	}
	table, ok := shafts[letter]
	if !ok {
		return 0, 0, fmt.Errorf("no deviation %s is known here", c.Letter)
	}
	dev := table[step(size, fine[:])]
	if dev == none {
		return 0, 0, fmt.Errorf("ISO 286-1 has no %v at this size", c)
	}
	dev *= decimal.Micrometre
	if letter <= "h" {
		if letter <= "b" && size <= decimal.Millimetre {
			return 0, 0, fmt.Errorf("deviations A and B are not for sizes up to 1 mm")
		}
		if c.Hole() {
			return dev, dev + it, nil
		}
		return -dev - it, -dev, nil
	}
	if !c.Hole() {
		if letter == "k" && (c.Grade < 4 || c.Grade > 7) {
			dev = 0
		}
		return dev, dev + it, nil
	}
	if upper, err = c.holeAbove(letter, dev, size, it); err != nil {
		return 0, 0, err
	}
	return upper - it, upper, nil
}

// holeAbove is the upper deviation of a hole K to U: that of the shaft mirrored,
// less, in the finer grades, Δ = IT(n) - IT(n-1), so that a hole and the next
// finer shaft of the other system make the same fit.
func (c Class) holeAbove(letter string, dev, size, it decimal.Length) (decimal.Length, error) {
	small := size <= 3*decimal.Millimetre
	coarsest := Grade(7)
	if letter <= "n" {
		coarsest = 8
	}
	if c.Grade > coarsest {
		switch {
		case letter == "k" && !small:
			return 0, fmt.Errorf("ISO 286-1 has no %v at this size: K is for grades up to 8 over 3 mm", c)
		case letter == "n" && !small:
			return 0, nil
		case letter == "n" && size <= decimal.Millimetre:
			return 0, fmt.Errorf("deviation N is not for grades above 8 at sizes up to 1 mm")
		}
		return -dev, nil
	}
	if c.Grade < 3 && !small {
		return 0, fmt.Errorf("%v: grades finer than 3 are not known here for deviations K to U", c)
	}
	if small {
		return -dev, nil
	}
	finer, err := Width(size, c.Grade-1)
	if err != nil {
		return 0, err
	}
	// the one exception in the table
	if letter == "m" && c.Grade == 6 && size > 250*decimal.Millimetre && size <= 315*decimal.Millimetre {
		return -9 * decimal.Micrometre, nil
	}
	return it - finer - dev, nil
}
