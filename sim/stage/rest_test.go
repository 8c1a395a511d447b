package stage

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A host that polls rests; one whose thread runs or waits for a processor does not;
// each sign of work done begins the rest anew.
// Kind: property.
func TestRest(t *testing.T) {
	t.Parallel()
	at := time.Unix(0, 0)
	var r Rest
	look := func(s Signs, stirred bool) time.Duration {
		at = at.Add(2 * time.Millisecond)
		return r.See(at, s, stirred)
	}
	look(Signs{}, false)
	for i := range 500 { // every tenth look finds a thread of it running
		look(Signs{Working: i%10 == 0}, false)
	}
	require.Equal(t, 800*time.Millisecond, look(Signs{Working: true}, false))
	for range 500 {
		require.Equal(t, 800*time.Millisecond, look(Signs{Working: true}, false), "it runs")
	}
	require.Zero(t, look(Signs{Records: 1}, false), "a row was written")
	require.Equal(t, 2*time.Millisecond, look(Signs{Records: 1}, false))
	require.Zero(t, look(Signs{Records: 1}, true), "it has spoken")
	require.Zero(t, look(Signs{Records: 1, Holds: true}, false), "it holds a port that was hung up")
	at = at.Add(time.Hour)
	look(Signs{Records: 1}, false)
	at = at.Add(time.Hour)
	require.Equal(t, restMost, r.See(at, Signs{Records: 1}, false), "nobody looked for an hour")
}
