package proof

import (
	"fmt"

	"example.org/understudy/sim/decimal"
)

// models compute the values of the table, by package and model. Each takes what is
// given as it stands in the table, and returns words or a float64.
var models = map[string]func(given string) any{
	"sim/decimal rounding": rounding,
}

// scan takes what is given apart.
func scan(given, form string, into ...any) {
	if _, err := fmt.Sscanf(given, form, into...); err != nil {
		panic(fmt.Sprintf("%q is not of the form %q: %v", given, form, err)) // the table is part of the program
	}
}

// must is a value that the table has no mistake in.
func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func rounding(given string) any {
	var value, step, rule string
	scan(given, "%s to %s %s", &value, &step, &rule)
	var r decimal.Rounding
	if err := r.UnmarshalText([]byte(rule)); err != nil {
		panic(err)
	}
	return decimal.MustParse(value).RoundTo(decimal.MustParse(step[:len(step)-1]), r).String()
}
