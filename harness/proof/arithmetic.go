package proof

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/steady"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/tolerance"
	"example.org/understudy/sim/zone"
)

// The models that compute with exact numbers.
var arithmetic = map[string]func(given string) any{
	"sim/decimal rounding": func(given string) any {
		var value, step, rule string
		scan(given, "%s to %s %s", &value, &step, &rule)
		var r decimal.Rounding
		read(&r, rule)
		return decimal.MustParse(value).RoundTo(decimal.MustParse(step), r).String()
	},
	"sim/decimal units": func(given string) any {
		var value, from, to string
		scan(given, "%s %s in %s", &value, &from, &to)
		l, _ := decimal.Exactly(decimal.MustParse(value), unit(from))
		v, exact := l.In(unit(to))
		if !exact {
			return v.String() + "…"
		}
		return v.String()
	},
	"sim/quantity lengths": func(given string) any { return fmt.Sprint(int64(length(given))) },
	"sim/quantity line speeds": func(given string) any {
		var s quantity.Speed
		read(&s, given)
		return fmt.Sprint(int(s))
	},
	"sim/zone decision": decision,
	"scenario guard band": func(given string) any {
		edition, u, _ := strings.Cut(given, ", U ")
		var g scenario.GuardBand
		read(&g, edition)
		return micrometres(g.Of(length(u)))
	},
	"sim/strict scalars": func(given string) any {
		var file struct {
			Is string `yaml:"is"`
		}
		must(strict.Decode("", []byte("is: "+given), &file))
		return file.Is
	},
	"sim/steady functions": func(given string) any {
		var name string
		var x float64
		scan(given, "%s of %g", &name, &x)
		of := map[string]func(float64) float64{"sin": steady.Sin, "cos": steady.Cos, "exp": steady.Exp, "log": steady.Log}
		return strconv.FormatFloat(of[name](x)+0, 'g', -1, 64)
	},
	"sim/random bits": func(given string) any {
		var seed, draw, bits uint64
		scan(given, "seed %d, draw %d", &seed, &draw)
		src := random.NewSource(seed)
		for range draw {
			bits = src.Uint64()
		}
		return fmt.Sprintf("%016x", bits)
	},
	"sim/tolerance limits": func(given string) any {
		return classes(given, "", func(lower, upper decimal.Length, _ bool) string {
			return micrometres(upper) + "/" + micrometres(lower)
		})
	},
	"sim/tolerance fundamental deviations": func(given string) any {
		return classes(given, "6", func(lower, upper decimal.Length, above bool) string {
			if above {
				return micrometres(lower)
			}
			return micrometres(upper)
		})
	},
}

func decision(given string) any {
	var value, lower, upper, warnLower, warnUpper, strictly, u string
	scan(given, "%s mm in %s to %s warned %s to %s %s U %s", &value, &lower, &upper, &warnLower, &warnUpper, &strictly, &u)
	limit := func(text string) zone.Limit {
		if text == "-" {
			return zone.Limit{}
		}
		return zone.At(length(text + " mm"))
	}
	l := zone.Limits{Lower: limit(lower), Upper: limit(upper), WarnLower: limit(warnLower), WarnUpper: limit(warnUpper)}
	pm := decimal.MustParse(value).Mul(decimal.New(1, 9))
	return l.Place(pm, zone.Rule{Strict: strictly == "strict", Guard: length(u + " mm"), Unproven: strictly == "unproven"}).String()
}

// classes works a tolerance class out at each of some sizes in mm.
func classes(given, grade string, say func(lower, upper decimal.Length, above bool) string) string {
	class, sizes, _ := strings.Cut(given, " at ")
	c := must(tolerance.Parse(class + grade))
	var out []string
	for _, size := range strings.Fields(sizes) {
		lower, upper, err := c.Deviations(length(size + " mm"))
		if err != nil {
			out = append(out, "none")
			continue
		}
		out = append(out, say(lower, upper, c.Letter >= "h"))
	}
	return strings.Join(out, " ")
}

// scan takes what is given apart. A comma behind a word is left out.
func scan(given, form string, into ...any) {
	if _, err := fmt.Sscanf(given, form, into...); err != nil {
		panic(fmt.Sprintf("%q is not of the form %q: %v", given, form, err)) // the table is part of the program
	}
	for _, p := range into {
		if s, ok := p.(*string); ok {
			*s = strings.TrimSuffix(*s, ",")
		}
	}
}

// must is a value that the table, which is part of the program, has no mistake in.
func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// read reads a value from its text.
func read(into interface{ UnmarshalText([]byte) error }, text string) {
	if err := into.UnmarshalText([]byte(text)); err != nil {
		panic(err) // the table is part of the program
	}
}

func length(text string) decimal.Length {
	var l quantity.Length
	read(&l, text)
	return l.Picometres()
}

func unit(text string) decimal.Unit {
	u, ok := decimal.ParseUnit(text)
	if !ok {
		panic(text + " is no unit") // the table is part of the program
	}
	return u
}

func micrometres(l decimal.Length) string {
	v, _ := l.In(decimal.UM)
	return v.Trim().String()
}

// keys are what is given as key: value, separated by commas.
type keys map[string]string

func keysOf(given string) keys {
	k := keys{}
	for _, part := range strings.Split(given, ", ") {
		name, value, ok := strings.Cut(part, ": ")
		if !ok {
			panic(part + " is no key with a value") // the table is part of the program
		}
		k[name] = value
	}
	return k
}

// number is the number that a key's value begins with; 0 without the key.
func (k keys) number(name string) float64 {
	text := strings.TrimRightFunc(k[name], func(r rune) bool { return !unicode.IsDigit(r) })
	if text == "" {
		return 0
	}
	return must(strconv.ParseFloat(text, 64))
}

// length is a key's length; 0 without the key.
func (k keys) length(name string) decimal.Length {
	if k[name] == "" {
		return 0
	}
	return length(k[name])
}
