package scenario

import (
	"fmt"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/tolerance"
)

// Size is a nominal size in mm and a tolerance class of ISO 286-1.
type Size struct {
	Nominal quantity.Length
	Class   tolerance.Class
}

// UnmarshalText reads "8 H8".
func (s *Size) UnmarshalText(b []byte) error {
	num, class, ok := strings.Cut(string(b), " ")
	if !ok {
		return fmt.Errorf("%q is not a size with its class; write one such as 8 H8", b)
	}
	v, err := decimal.Parse(num)
	if err != nil {
		return fmt.Errorf("%q is not a nominal size in mm: %v", num, err)
	}
	if s.Nominal, err = quantity.NewLength(v, decimal.MM); err != nil {
		return err
	}
	s.Class, err = tolerance.Parse(class)
	if err == nil {
		_, _, err = s.Class.Deviations(s.Nominal.Picometres())
	}
	return err
}

// MarshalText writes it.
func (s Size) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

func (s Size) String() string { return s.Nominal.Num.String() + " " + s.Class.String() }

// Pattern describes the text for the JSON Schema.
func (Size) Pattern() (string, string) { return `^[0-9.]+ ([A-Z]{1,2}|[a-z]{1,2})[0-9]{1,2}$`, "8 H8" }

// Limits are the limits of size.
func (s Size) Limits() (lower, upper decimal.Length) {
	at := s.Nominal.Picometres()
	lower, upper, _ = s.Class.Deviations(at) // it was read without a mistake
	return at + lower, at + upper
}

func (s Size) limits() *Pair {
	var p Pair
	lower, upper := s.Limits()
	p[0].Of, _ = quantity.Of(lower, decimal.MM)
	p[1].Of, _ = quantity.Of(upper, decimal.MM)
	return &p
}
