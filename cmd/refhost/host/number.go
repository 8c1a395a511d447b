package host

import (
	"fmt"
	"math/big"
	"regexp"
	"strings"
)

// number is a decimal number as it was written: its exact value, and how many
// decimals it was written with.
type number struct {
	rat    *big.Rat
	places int
}

var decimalForm = regexp.MustCompile(`^[+-]?[0-9]+(\.[0-9]+)?$`)

// parseNumber reads a number with a point for its decimal mark.
func parseNumber(text string) (number, error) {
	if !decimalForm.MatchString(text) {
		return number{}, fmt.Errorf("%q is not a decimal number; write one such as 8.015", text)
	}
	rat, _ := new(big.Rat).SetString(text)
	_, decimals, _ := strings.Cut(text, ".")
	return number{rat, len(decimals)}, nil
}

// UnmarshalText reads a number.
func (n *number) UnmarshalText(b []byte) (err error) {
	*n, err = parseNumber(string(b))
	return err
}

// value is the number's exact value, 0 where none was written.
func (n number) value() *big.Rat {
	if n.rat == nil {
		return new(big.Rat)
	}
	return n.rat
}

// unit is a unit of length, by its symbol.
type unit string

// sizes are the units in millimetres. NIST SP 811 (2008) B.8: 1 in = 25.4 mm
// exactly; a thou is a thousandth of it.
var sizes = map[unit]*big.Rat{
	"mm": big.NewRat(1, 1), "µm": big.NewRat(1, 1000), "nm": big.NewRat(1, 1e6), "pm": big.NewRat(1, 1e9), "cm": big.NewRat(10, 1), "m": big.NewRat(1000, 1),
	"in": big.NewRat(254, 10), "thou": big.NewRat(254, 1e4), "µin": big.NewRat(254, 1e7),
}

// spellings are other ways to write a unit.
var spellings = map[string]unit{"um": "µm", "μm": "µm", "micron": "µm", "microns": "µm", "mil": "thou", "mils": "thou",
	"uin": "µin", "μin": "µin", "inch": "in", "inches": "in", `"`: "in"}

// UnmarshalText reads a unit in one of its spellings.
func (u *unit) UnmarshalText(b []byte) error {
	named := unit(b)
	if other, ok := spellings[string(b)]; ok {
		named = other
	}
	if sizes[named] == nil {
		return fmt.Errorf("%q is not a unit of length; write one of mm, µm, cm, m, in, thou, µin, nm, pm", b)
	}
	*u = named
	return nil
}

// imperial reports whether a unit derives from the inch.
func (u unit) imperial() bool { return u == "in" || u == "thou" || u == "µin" }

// other is the unit that a muddled host takes for u: inch for metric, else
// millimetre.
func (u unit) other() unit {
	if u.imperial() {
		return "mm"
	}
	return "in"
}

// ratio is how many of to make one of from.
func ratio(from, to unit) *big.Rat { return new(big.Rat).Quo(sizes[from], sizes[to]) }

// Roundings a job may state.
const (
	halfEven = "half-even" // ISO 80000-1:2009 Annex B, rule A
	halfUp   = "half-up"   // rule B: a tie goes away from zero
	truncate = "truncate"
	halfDown = "half-down"    // a tie goes toward zero
	halfPlus = "half-to-plus" // a tie goes toward plus infinity
)

// round returns the multiple of step that stands for x.
func round(x, step *big.Rat, how string) *big.Rat {
	steps := new(big.Rat).Quo(x, step)
	below := new(big.Int).Div(steps.Num(), steps.Denom()) // the next multiple at or under x
	beyond := new(big.Rat).Sub(steps, new(big.Rat).SetInt(below))
	negative, up := steps.Sign() < 0, false
	switch tie := beyond.Cmp(big.NewRat(1, 2)); {
	case how == truncate:
		up = negative && beyond.Sign() > 0
	case tie != 0:
		up = tie > 0
	case how == halfUp:
		up = !negative
	case how == halfDown:
		up = negative
	case how == halfPlus:
		up = true
	default:
		up = below.Bit(0) == 1
	}
	if up {
		below.Add(below, big.NewInt(1))
	}
	return steps.Mul(steps.SetInt(below), step)
}

// tenth is a power of ten: 1 with so many decimals.
func tenth(places int) *big.Rat {
	r, _ := new(big.Rat).SetString(fmt.Sprintf("1e%d", -places))
	return r
}
