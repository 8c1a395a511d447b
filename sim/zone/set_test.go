package zone_test

import (
	"testing"

	"example.org/understudy/sim/zone"
	"github.com/stretchr/testify/require"
)

// Kind: property.
func TestSet(t *testing.T) {
	s := zone.SetOf(zone.Inside, zone.WarnLow)
	require.True(t, s.Has(zone.Inside))
	require.False(t, s.Has(zone.Below))
	require.False(t, s.Has(250))
	require.Equal(t, "warn-low or inside", s.String())
	var again zone.Set
	require.NoError(t, again.UnmarshalText([]byte(s.String())))
	require.Equal(t, s, again)
	require.ErrorContains(t, again.UnmarshalText([]byte("inside or warm")), `"warm" is not a zone`)
	require.ErrorContains(t, again.UnmarshalText([]byte("in")), `"in" is called "inside" now; write inside`)
	require.Equal(t, s, again, "a mistake changes nothing")
	require.Empty(t, zone.Set(0).String())
}
