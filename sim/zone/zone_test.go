package zone_test

import (
	"math/big"
	"slices"
	"testing"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func um(n int64) decimal.Length { return decimal.Length(n) * decimal.Micrometre }

func pm(l decimal.Length) decimal.Decimal { return decimal.New(int64(l), 0) }

// common practice, no source: limits 9.75/10.25 with warnings 9.8/10.2 about
// 10 mm classify 10.25 in (a warning, not a reject), 10.2 in, and 10.25 plus
// one count above.
var about10 = zone.Limits{Lower: zone.At(um(9750)), Upper: zone.At(um(10250)), WarnLower: zone.At(um(9800)), WarnUpper: zone.At(um(10200))}

// Kind: property.
func TestWhyNamesTheLimit(t *testing.T) {
	for at, want := range map[int64]string{
		10250: "the displayed value equals the upper specification limit 10.25 mm and limits are inclusive; the displayed value is above the upper warning limit 10.2 mm",
		10210: "the displayed value is above the upper warning limit 10.2 mm",
		10200: "the displayed value equals the upper warning limit 10.2 mm and limits are inclusive",
		10251: "the displayed value is above the upper specification limit 10.25 mm",
		9000:  "the displayed value is below the lower specification limit 9.75 mm",
		10000: "the displayed value is inside all limits",
	} {
		require.Equal(t, want, about10.Why(pm(um(at)), zone.Rule{}, decimal.MM))
	}
	require.Equal(t, "the unrounded value equals the upper specification limit 10.25 mm and limits are strict",
		about10.Why(pm(um(10250)), zone.Rule{Decide: zone.Unrounded, Strict: true}, decimal.MM))
}

// The zone never falls as the value rises, and mirroring limits and value
// mirrors the zone.
//
// Kind: property.
func TestZonesAreOrderedAndSymmetric(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Int64Range(-50, 50), 4, 4).Draw(t, "limits")
		l := zone.Limits{Lower: zone.At(decimal.Length(min(v[0], v[1]))), Upper: zone.At(decimal.Length(max(v[0], v[1])))}
		w := zone.Rule{Strict: rapid.Bool().Draw(t, "strict"), Guard: decimal.Length(rapid.Int64Range(0, 3).Draw(t, "U"))}
		l.WarnLower = zone.At(l.Lower.At + 2)
		l.WarnUpper = zone.At(l.Upper.At - 2)
		if l.Upper.At-l.Lower.At <= 4+2*w.Guard { // no room between the limits
			t.Skip("limits out of order")
		}
		m := zone.Limits{Lower: zone.At(-l.Upper.At), Upper: zone.At(-l.Lower.At), WarnLower: zone.At(-l.WarnUpper.At), WarnUpper: zone.At(-l.WarnLower.At)}
		last := zone.Void
		for x := int64(-60); x <= 60; x++ {
			z := l.Place(decimal.New(x, 0), w)
			if z < last {
				t.Fatalf("zone fell from %s to %s at %d", last, z, x)
			}
			last = z
			if back := m.Place(decimal.New(-x, 0), w); back != zone.Above+zone.Below-z {
				t.Fatalf("at %d: %s, mirrored %s", x, z, back)
			}
		}
	})
}

// By how far a value lies beyond each limit, in fractions: it is out where that is above
// nothing, or nothing and limits are strict. An absent limit has no such distance.
//
// Kind: model.
func TestPlaceAgainstDistances(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := func(name string) zone.Limit {
			return zone.Limit{At: decimal.Length(rapid.Int64Range(-3, 3).Draw(t, name)), Set: rapid.Bool().Draw(t, name)}
		}
		l := zone.Limits{Lower: limit("lower"), WarnLower: limit("warn-lower"), WarnUpper: limit("warn-upper"), Upper: limit("upper")}
		r := zone.Rule{Strict: rapid.Bool().Draw(t, "strict"), Unproven: rapid.Bool().Draw(t, "unproven"), Guard: decimal.Length(rapid.Int64Range(0, 2).Draw(t, "guard"))}
		for quarters := int64(-30); quarters <= 30; quarters++ { // of a picometre
			out := func(of zone.Limit, side, inwards int64) bool {
				beyond := big.NewRat(side*quarters, 4)
				beyond.Add(beyond, big.NewRat(inwards-side*int64(of.At), 1))
				return of.Set && (beyond.Sign() > 0 || beyond.Sign() == 0 && r.Strict)
			}
			want := zone.Inside
			for _, k := range []struct {
				of      zone.Limit
				side, w int64
				z       zone.Zone
			}{{l.WarnUpper, 1, 0, zone.WarnHigh}, {l.WarnLower, -1, 0, zone.WarnLow}, {l.Upper, 1, int64(r.Guard), zone.Above}, {l.Lower, -1, int64(r.Guard), zone.Below}} {
				if !out(k.of, k.side, k.w) {
					continue
				}
				if want = k.z; k.w > 0 && r.Unproven && !out(k.of, k.side, -k.w) {
					want = zone.Unproven
				}
			}
			require.Equal(t, want, l.Place(decimal.New(25*quarters, -2), r), "%d quarters", quarters)
		}
	})
}

// Kind: property.
func TestLimitsOutOfOrder(t *testing.T) {
	bad := about10
	bad.WarnUpper = zone.At(um(10300))
	require.EqualError(t, bad.Check(), "the upper warning limit lies above the upper specification limit")
	require.NoError(t, about10.Check())
}

// Limits may be equal, as where a part has no room for warnings.
//
// Kind: property.
func TestEqualLimitsAreInOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := func(name string) zone.Limit {
			return zone.Limit{At: decimal.Length(rapid.IntRange(0, 2).Draw(t, name)), Set: rapid.Bool().Draw(t, name)}
		}
		l := zone.Limits{Lower: at("lower"), WarnLower: at("warn-lower"), WarnUpper: at("warn-upper"), Upper: at("upper")}
		var set []decimal.Length
		for _, x := range []zone.Limit{l.Lower, l.WarnLower, l.WarnUpper, l.Upper} {
			if x.Set {
				set = append(set, x.At)
			}
		}
		require.Equal(t, slices.IsSorted(set), l.Check() == nil, "%+v", l)
	})
}

// A guarded decision tells the limit as it was written, and the guard band
// beside it.
//
// Kind: property.
func TestWhyTellsTheGuardBand(t *testing.T) {
	r := zone.Rule{Guard: um(10)}
	require.Equal(t, "the displayed value is above the upper specification limit 10.25 mm moved in by U = 0.01 mm", about10.Why(pm(um(10245)), r, decimal.MM))
	require.Equal(t, "the displayed value is below the lower specification limit 9.75 mm moved in by U = 0.01 mm", about10.Why(pm(um(9755)), r, decimal.MM))
	r.Strict = true
	require.Equal(t, "the displayed value equals the upper specification limit 10.25 mm moved in by U = 0.01 mm and limits are strict", about10.Why(pm(um(10240)), r, decimal.MM))

	r.Unproven = true // what is outside is so beyond the band on the far side
	require.Equal(t, "the displayed value is above the upper specification limit 10.25 mm moved out by U = 0.01 mm", about10.Why(pm(um(10261)), r, decimal.MM))
	require.Equal(t, "the displayed value equals the lower specification limit 9.75 mm moved out by U = 0.01 mm and limits are strict", about10.Why(pm(um(9740)), r, decimal.MM))
	require.Equal(t, "the displayed value is within U = 0.01 mm of the upper specification limit 10.25 mm: neither conformity nor nonconformity is proven", about10.Why(pm(um(10255)), r, decimal.MM))
	require.Equal(t, "the displayed value is within U = 0.01 mm of the lower specification limit 9.75 mm: neither conformity nor nonconformity is proven", about10.Why(pm(um(9741)), r, decimal.MM))
}
