package wire_test

import (
	"encoding/hex"
	"os"
	"testing"
	"time"

	"example.org/understudy/sim/wire"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// A damaged length byte asks for more than is left. When nothing more comes,
// the good frames behind it are not lost with it, in what pieces they come.
//
// Kind: property.
func TestGoodFramesBehindADamagedLength(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../scenarios/dialects/compact-binary.yaml")
	require.NoError(t, err)
	d, err := wire.Parse("compact-binary", text)
	require.NoError(t, err)
	const good, long = "a50a012a000000c800026497", "a51a012a000000c800026497" // the same frame; bit 4 of its length flipped
	for _, pieces := range [][]string{{long, good}, {long + good}, {long[:6], long[6:] + good[:10], good[10:]}} {
		e := d.NewEnd(wire.Host)
		var got []string
		read := func(inc wire.Incoming) {
			what := "junk "
			if inc.Garbage == nil {
				what = "frame "
			}
			got = append(got, what+hex.EncodeToString(inc.Raw))
		}
		for _, p := range pieces {
			b, err := hex.DecodeString(p)
			require.NoError(t, err)
			e.Receive(b, time.Second, read)
		}
		require.Empty(t, got)
		at, ok := e.Deadline()
		require.True(t, ok)
		e.Quiet(at, read)
		require.Empty(t, cmp.Diff([]string{"junk " + long, "frame " + good}, got))
		_, ok = e.Deadline()
		require.False(t, ok)
	}
}
