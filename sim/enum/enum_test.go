package enum_test

import (
	"encoding"
	"testing"

	"example.org/understudy/sim/enum"
	"github.com/stretchr/testify/require"
)

type colours struct{}

func (colours) Names() []string { return []string{"red", "green", "blue"} }
func (colours) What() string    { return "a colour" }

type colour = enum.Of[colours]

var _ encoding.TextMarshaler = colour(0)

// Every word is read as its value and written as itself; another word gives an
// error that lists those there are, and changes nothing.
//
// Kind: property.
func TestOf(t *testing.T) {
	t.Parallel()
	for i, n := range colour(0).Names() {
		var c colour
		require.NoError(t, c.UnmarshalText([]byte(n)))
		require.Equal(t, colour(i), c)
		b, err := c.MarshalText()
		require.NoError(t, err)
		require.Equal(t, n, string(b))
	}
	c := colour(2)
	require.EqualError(t, c.UnmarshalText([]byte("Red")), `"Red" is not a colour; write red, green or blue`)
	require.Equal(t, colour(2), c)
	require.Equal(t, "?(7)", colour(7).String())
	colour(0).Names()[0] = "changed"
	require.Equal(t, "red", colour(0).String())
}
