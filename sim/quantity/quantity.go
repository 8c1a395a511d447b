// Package quantity holds the quantities of description files: a number and a
// unit in one text, "8.000 mm" or "20 Hz", checked for dimension. The number
// stays exact and keeps its decimals.
package quantity

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
)

// dimension is a kind of quantity, in words that read well in an error.
type dimension string

const (
	length      dimension = "a length"
	duration    dimension = "a time"
	rate        dimension = "a rate"
	speed       dimension = "a line speed"
	charge      dimension = "a battery charge"
	current     dimension = "a current"
	ratio       dimension = "a percentage"
	temperature dimension = "a temperature"
	power       dimension = "a radio power"
	voltage     dimension = "a voltage"
	pressure    dimension = "a pressure"
	mass        dimension = "a mass"
	angle       dimension = "an angle"
	gain        dimension = "a level difference"
)

// units gives each unit's dimension and its size in the base unit of the
// dimension. Those without a type here are known so that an error can name them.
var units = map[string]struct {
	dim  dimension
	base decimal.Decimal
}{
	"h": {duration, decimal.New(3600, 9)}, "min": {duration, decimal.New(60, 9)}, "s": {duration, decimal.New(1, 9)},
	"ms": {duration, decimal.New(1, 6)}, "µs": {duration, decimal.New(1, 3)}, "us": {duration, decimal.New(1, 3)}, "ns": {duration, decimal.New(1, 0)},
	"Hz": {rate, decimal.New(1, 0)}, "/s": {rate, decimal.New(1, 0)}, "kHz": {rate, decimal.New(1, 3)}, "MHz": {rate, decimal.New(1, 6)}, "GHz": {rate, decimal.New(1, 9)}, "/min": {rate, decimal.Decimal{}},
	"Bd": {speed, decimal.New(1, 0)}, "kBd": {speed, decimal.New(1, 3)},
	"mAh": {charge, decimal.New(1, 0)}, "Ah": {charge, decimal.New(1, 3)},
	"mA": {current, decimal.New(1, 0)}, "µA": {current, decimal.New(1, -3)}, "uA": {current, decimal.New(1, -3)}, "A": {current, decimal.New(1, 3)},
	"%":  {ratio, decimal.New(1, 0)},
	"°C": {temperature, decimal.New(1, 0)}, "degC": {temperature, decimal.New(1, 0)}, "K": {temperature, decimal.Decimal{}},
	"mW": {power, decimal.New(1, 0)}, "W": {power, decimal.New(1, 3)}, "dBm": {power, decimal.Decimal{}},
	"V": {voltage, decimal.New(1, 0)}, "mV": {voltage, decimal.New(1, -3)},
	"Pa": {pressure, decimal.New(1, 0)}, "kPa": {pressure, decimal.New(1, 3)}, "bar": {pressure, decimal.New(1, 5)}, "psi": {pressure, decimal.Decimal{}},
	"g": {mass, decimal.New(1, 0)}, "kg": {mass, decimal.New(1, 3)},
	"°": {angle, decimal.New(1, 0)}, "deg": {angle, decimal.New(1, 0)}, "rad": {angle, decimal.Decimal{}},
	"dB": {gain, decimal.New(1, 0)},
}

// Split cuts "8.000 mm" into its number and its unit.
func Split(text string) (num decimal.Decimal, unit string, err error) {
	t := strings.TrimSpace(text)
	// An exponent's e is part of the number, so the unit starts at the first
	// character that cannot continue one.
	i := 0
	for i < len(t) {
		c := t[i]
		isExp := (c == 'e' || c == 'E') && i+1 < len(t) && strings.IndexByte("+-0123456789", t[i+1]) >= 0
		if strings.IndexByte("+-.0123456789", c) < 0 && !isExp {
			break
		}
		i++
	}
	num, err = decimal.Parse(t[:i])
	if err != nil {
		return num, "", fmt.Errorf("%q does not start with a number", text)
	}
	return num, strings.TrimSpace(t[i:]), nil
}

// Unit returns the dimension of a unit and its size in a base of that dimension, by
// which differences convert: 1 K is as much as 1 °C. A unit that does not convert at all,
// such as dBm, is a dimension of its own.
func Unit(symbol string) (dim string, base decimal.Decimal, ok bool) {
	if u, ok := decimal.ParseUnit(symbol); ok {
		return string(length), decimal.New(int64(u.Size()), 0), true
	}
	u, ok := units[symbol]
	if u.base.IsZero() && u.dim != temperature {
		return symbol, decimal.New(1, 0), ok
	}
	if u.base.IsZero() {
		u.base = decimal.New(1, 0)
	}
	return string(u.dim), u.base, ok
}

// read reads a quantity of one dimension and returns its size in the base unit.
func read(text []byte, want dimension, example string) (base decimal.Decimal, err error) {
	num, unit, err := Split(string(text))
	if err != nil {
		return base, fmt.Errorf("%w; write %s, such as %s", err, want, example)
	}
	u, known := units[unit]
	switch {
	case unit == "":
		return base, fmt.Errorf("%q has no unit; write %s, such as %s", text, want, example)
	case known && u.dim == want && !u.base.IsZero():
		return num.Mul(u.base), nil
	}
	return base, wrongUnit(string(text), unit, want, example)
}

func wrongUnit(text, unit string, want dimension, example string) error {
	dim := units[unit].dim
	if _, ok := decimal.ParseUnit(unit); ok {
		dim = length
	}
	if dim != "" && dim != want {
		return fmt.Errorf("%q is %s, and %s belongs here; write it such as %s", text, dim, want, example)
	}
	return fmt.Errorf("%q has the unit %q, which is not known for %s; write it such as %s", text, unit, want, example)
}

// Length is a length with the unit it is written in; the number keeps its
// decimals. The zero value is 0 mm.
type Length struct {
	Num  decimal.Decimal
	Unit decimal.Unit
	pm   decimal.Length
}

// MM returns a length in millimetres, for tests and defaults.
func MM(text string) Length {
	l, err := NewLength(decimal.MustParse(text), decimal.MM)
	if err != nil {
		panic(err)
	}
	return l
}

// NewLength checks that num units is a whole number of picometres.
func NewLength(num decimal.Decimal, u decimal.Unit) (Length, error) {
	pm, ok := decimal.Exactly(num, u)
	if !ok {
		return Length{}, fmt.Errorf("%s %s is finer than a picometre or too large", num, u)
	}
	return Length{num, u, pm}, nil
}

// Of is the length l written in a unit; exact is false when the unit cannot
// write it with a finite number of decimals.
func Of(l decimal.Length, u decimal.Unit) (q Length, exact bool) {
	n, ok := l.In(u)
	return Length{n, u, l}, ok
}

// Picometres returns the exact length.
func (l Length) Picometres() decimal.Length { return l.pm }

func (l Length) String() string { return l.Num.String() + " " + l.Unit.Symbol() }

// Equal reports whether two lengths are the same, whatever their unit.
func (l Length) Equal(m Length) bool { return l.pm == m.pm }

// MarshalText writes the number and the unit.
func (l Length) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// UnmarshalText reads "8.000 mm".
func (l *Length) UnmarshalText(b []byte) error {
	num, unit, err := Split(string(b))
	if err != nil {
		return fmt.Errorf("%w; write a length, such as 8.000 mm", err)
	}
	if unit == "" {
		return fmt.Errorf("%q has no unit; write a length, such as 8.000 mm", b)
	}
	u, ok := decimal.ParseUnit(unit)
	if !ok {
		return wrongUnit(string(b), unit, length, "8.000 mm")
	}
	v, err := NewLength(num, u)
	if err == nil {
		*l = v
	}
	return err
}

// Pattern describes the text for the JSON Schema.
func (Length) Pattern() (string, string) { return pattern(decimal.UnitSymbols()...), "8.000 mm" }

func pattern(units ...string) string {
	return `^[+-]?[0-9.]+([eE][+-]?[0-9]+)?\s*(` + strings.Join(units, "|") + `)$`
}

// Duration is a time span to the nanosecond, or a moment as a time since the
// scenario's start.
type Duration time.Duration

// D returns it as a time.Duration.
func (d Duration) D() time.Duration { return time.Duration(d) }

func (d Duration) String() string {
	n := int64(d)
	for _, u := range []struct {
		size int64
		name string
	}{{3600e9, "h"}, {60e9, "min"}, {1e9, "s"}, {1e6, "ms"}, {1e3, "µs"}} {
		if n != 0 && n%u.size == 0 {
			return fmt.Sprintf("%d %s", n/u.size, u.name)
		}
	}
	if n == 0 {
		return "0 s"
	}
	return decimal.New(n, -9).Trim().String() + " s"
}

// MarshalText writes the time in the largest unit that leaves a whole number,
// or in seconds.
func (d Duration) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads "400 ms"; the time must be a whole number of nanoseconds.
func (d *Duration) UnmarshalText(b []byte) error {
	ns, err := read(b, duration, "400 ms")
	if err != nil {
		return err
	}
	n, ok := ns.Int64()
	if !ok {
		return fmt.Errorf("%q is finer than a nanosecond or longer than 292 years", b)
	}
	*d = Duration(n)
	return nil
}

// Pattern describes the text for the JSON Schema.
func (Duration) Pattern() (string, string) {
	return pattern("h", "min", "s", "ms", "µs", "us", "ns"), "400 ms"
}

// Rate is a number of events a second, exact.
type Rate struct{ Hz decimal.Decimal }

// LeastRate is the slowest rate there is.
var LeastRate = decimal.New(1, -3)

// ErrRate is returned for a rate that is out of range.
var ErrRate = errors.New("a rate is 0.001 Hz to 1 GHz")

// Interval is the time of the n-th event after the first, rounded down to the
// nanosecond. Times are computed from n, so that 30 Hz does not drift.
func (r Rate) Interval(n int64) time.Duration {
	coef, ok := r.Hz.Coefficient()
	if !ok || coef <= 0 {
		return 0
	}
	if e := r.Hz.Exponent(); e == 0 && n < 1<<32 && n > -1<<32 {
		// n×10⁹/coef without overflow: whole part and remainder apart.
		return time.Duration(n/coef*1e9 + n%coef*1e9/coef)
	}
	v, ok := decimal.New(n, 9).Quo(r.Hz, 0, decimal.Truncate).Int64()
	if !ok {
		return math.MaxInt64 // later than any time there is
	}
	return time.Duration(v)
}

// IsZero reports whether no rate is set.
func (r Rate) IsZero() bool { return r.Hz.IsZero() }

func (r Rate) String() string { return r.Hz.String() + " Hz" }

// Equal compares rates by value.
func (r Rate) Equal(s Rate) bool { return r.Hz.Equal(s.Hz) }

// MarshalText writes the rate in hertz.
func (r Rate) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText reads "20 Hz".
func (r *Rate) UnmarshalText(b []byte) error {
	hz, err := read(b, rate, "20 Hz")
	if err != nil {
		return err
	}
	if hz.Cmp(LeastRate) < 0 || hz.Cmp(decimal.New(1, 9)) > 0 {
		return fmt.Errorf("%q: %w", b, ErrRate)
	}
	r.Hz = hz
	return nil
}

// Pattern describes the text for the JSON Schema.
func (Rate) Pattern() (string, string) { return pattern("Hz", "/s", "kHz", "MHz", "GHz"), "20 Hz" }

// Speed is the speed of a serial line in baud: a whole number above zero.
type Speed int32

func (s Speed) String() string { return fmt.Sprintf("%d Bd", int32(s)) }

// MarshalText writes "9600 Bd".
func (s Speed) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads "9600 Bd".
func (s *Speed) UnmarshalText(b []byte) error {
	v, err := read(b, speed, "9600 Bd")
	if err != nil {
		return err
	}
	n, whole := v.Int64()
	if !whole || n < 1 || n > math.MaxInt32 {
		return fmt.Errorf("%q: a line speed is a whole number of baud above zero", b)
	}
	*s = Speed(n)
	return nil
}

// Pattern describes the text for the JSON Schema.
func (Speed) Pattern() (string, string) { return pattern("Bd", "kBd"), "9600 Bd" }

// Plain is a quantity that is a decimal in one base unit, range checked on reading.
type Plain[B bounded] struct{ Value decimal.Decimal }

type bounded interface{ bounds() bounds }

type bounds struct {
	dim      dimension
	example  string
	units    []string // the first is the base unit
	min, max int64
}

// The plain quantities.
type (
	Percent = Plain[percent] // a share
	Charge  = Plain[mAh]     // of a battery, in mAh
	Current = Plain[mA]      // in mA
	Celsius = Plain[celsius] // a temperature
	Angle   = Plain[degrees] // of a plane
	Level   = Plain[dB]      // a difference of levels
)

type (
	percent struct{}
	mAh     struct{}
	mA      struct{}
	celsius struct{}
	degrees struct{}
	dB      struct{}
)

func (percent) bounds() bounds { return bounds{ratio, "62 %", []string{"%"}, 0, 100} }
func (mAh) bounds() bounds     { return bounds{charge, "850 mAh", []string{"mAh", "Ah"}, 0, 1_000_000} }
func (mA) bounds() bounds {
	return bounds{current, "12 mA", []string{"mA", "µA", "uA", "A"}, 0, 100_000}
}
func (celsius) bounds() bounds {
	return bounds{temperature, "20 °C", []string{"°C", "degC"}, -100, 200}
}
func (degrees) bounds() bounds { return bounds{angle, "2 °", []string{"°", "deg"}, -360, 360} }
func (dB) bounds() bounds      { return bounds{gain, "6 dB", []string{"dB"}, -300, 300} }

// limits are the bounds of a plain quantity.
func (Plain[B]) limits() bounds {
	var b B
	return b.bounds()
}

func (p Plain[B]) String() string { return p.Value.String() + " " + p.limits().units[0] }

// MarshalText writes the number and the base unit.
func (p Plain[B]) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads a number and one of the units.
func (p *Plain[B]) UnmarshalText(text []byte) error {
	b := p.limits()
	v, err := read(text, b.dim, b.example)
	if err != nil {
		return err
	}
	if v.Cmp(decimal.New(b.min, 0)) < 0 || v.Cmp(decimal.New(b.max, 0)) > 0 {
		return fmt.Errorf("%q is out of range; %s here is %d to %d %s", text, b.dim, b.min, b.max, b.units[0])
	}
	p.Value = v
	return nil
}

// Pattern describes the text for the JSON Schema.
func (p Plain[B]) Pattern() (string, string) {
	b := p.limits()
	return pattern(b.units...), b.example
}
