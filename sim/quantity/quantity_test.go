package quantity_test

import (
	"encoding"
	"reflect"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Kind: property.
func TestWrongQuantitiesAreNamed(t *testing.T) {
	type text = encoding.TextUnmarshaler
	for _, c := range []struct {
		into text
		src  string
		want string
	}{
		{new(quantity.Length), "8 bar", `"8 bar" is a pressure, and a length belongs here; write it such as 8.000 mm`},
		{new(quantity.Length), "8", `"8" has no unit; write a length, such as 8.000 mm`},
		{new(quantity.Length), "8 furlong", `"8 furlong" has the unit "furlong", which is not known for a length; write it such as 8.000 mm`},
		{new(quantity.Length), "mm", `"mm" does not start with a number; write a length, such as 8.000 mm`},
		{new(quantity.Length), "0.0001 nm", `0.0001 nm is finer than a picometre or too large`},
		{new(quantity.Duration), "8 mm", `"8 mm" is a length, and a time belongs here; write it such as 400 ms`},
		{new(quantity.Duration), "0.1 ns", `"0.1 ns" is finer than a nanosecond or longer than 292 years`},
		{new(quantity.Rate), "0 Hz", `"0 Hz": a rate is 0.001 Hz to 1 GHz`},
		{new(quantity.Speed), "9600 Hz", `"9600 Hz" is a rate, and a line speed belongs here; write it such as 9600 Bd`},
		{new(quantity.Speed), "0 Bd", `"0 Bd": a line speed is a whole number of baud above zero`},
		{new(quantity.Speed), "9600.5 Bd", `"9600.5 Bd": a line speed is a whole number of baud above zero`},
		{new(quantity.Percent), "101 %", `"101 %" is out of range; a percentage here is 0 to 100 %`},
		{new(quantity.Charge), "5 kg", `"5 kg" is a mass, and a battery charge belongs here; write it such as 850 mAh`},
		{new(quantity.Celsius), "293 K", `"293 K" has the unit "K", which is not known for a temperature; write it such as 20 °C`},
	} {
		require.EqualError(t, c.into.UnmarshalText([]byte(c.src)), c.want)
	}
}

// Kind: property.
func TestSpeedsReadBack(t *testing.T) {
	for _, want := range []quantity.Speed{9600, 19200, 1} {
		b, err := want.MarshalText()
		require.NoError(t, err)
		var back quantity.Speed
		require.NoError(t, back.UnmarshalText(b))
		require.Equal(t, want, back)
	}
}

// Kind: property.
func TestRateDoesNotDrift(t *testing.T) {
	var r quantity.Rate
	require.NoError(t, r.UnmarshalText([]byte("30 Hz")))
	require.Equal(t, 33_333_333*time.Nanosecond, r.Interval(1))
	require.Equal(t, 8*time.Hour, r.Interval(30*3600*8))
	require.NoError(t, r.UnmarshalText([]byte("0.1 Hz")))
	require.Equal(t, 10*time.Second, r.Interval(1))
	require.NoError(t, r.UnmarshalText([]byte("2.5 Hz")))
	require.Equal(t, 400*time.Millisecond, r.Interval(1))
}

// Kind: property.
func TestTextRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := quantity.Duration(rapid.Int64Range(-1e15, 1e15).Draw(t, "ns"))
		var back quantity.Duration
		b, _ := d.MarshalText()
		require.NoError(t, back.UnmarshalText(b))
		require.Equal(t, d, back)

		u := decimal.Unit(rapid.IntRange(0, int(decimal.NM)).Draw(t, "unit"))
		l, err := quantity.NewLength(decimal.New(rapid.Int64Range(-1e6, 1e6).Draw(t, "n"), -rapid.IntRange(0, 2).Draw(t, "places")), u)
		require.NoError(t, err)
		var lback quantity.Length
		b, _ = l.MarshalText()
		require.NoError(t, lback.UnmarshalText(b))
		require.Equal(t, l.String(), lback.String())
		require.True(t, l.Equal(lback))
	})
}

// Kind: property.
func FuzzText(f *testing.F) {
	f.Add("8.000 mm")
	f.Add("1e9 Hz")
	f.Fuzz(func(t *testing.T, s string) {
		for _, q := range []encoding.TextUnmarshaler{new(quantity.Length), new(quantity.Duration), new(quantity.Rate), new(quantity.Speed), new(quantity.Percent), new(quantity.Celsius)} {
			err := q.UnmarshalText([]byte(s))
			if err != nil {
				if err.Error() == "" {
					t.Error("an error without words")
				}
				continue
			}
			text, err := q.(encoding.TextMarshaler).MarshalText()
			if err != nil {
				t.Fatal(err)
			}
			again := reflect.New(reflect.TypeOf(q).Elem()).Interface().(encoding.TextUnmarshaler)
			if err := again.UnmarshalText(text); err != nil {
				t.Fatalf("%T: %q is written as %q, which does not read back: %v", q, s, text, err)
			}
			if back, _ := again.(encoding.TextMarshaler).MarshalText(); string(back) != string(text) {
				t.Fatalf("%T: %q is written as %q, and that as %q", q, s, text, back)
			}
		}
	})
}
