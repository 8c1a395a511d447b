//go:build unix

package stage_test

import (
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/uart"
	"github.com/stretchr/testify/require"
)

// The line carries no more than its speed: what does not fit is given up, and
// what is sent begins when the line is free.
//
// Kind: property.
func TestLineCarriesItsSpeed(t *testing.T) {
	t.Parallel()
	m := talking(t, "g", "line-ascii")
	m.Line = uart.Settings{Baud: 300, DataBits: 8, Stop: uart.Stop1}
	all := onPaper(t, stage.Play{Seed: 1, Cast: []stage.Member{m}, Until: 4 * time.Second})
	bytes, lost := 0, 0
	frames := map[int]int{}
	for _, e := range of(all, ledger.KindFrame) {
		frames[e.Frame.ID] = len(e.Frame.Bytes)
	}
	for _, e := range of(all, ledger.KindOut) {
		if e.Out.Fate == ledger.Sent {
			bytes += frames[e.Out.Frames[0]]
		} else {
			require.Equal(t, "the line is too slow", e.Out.Fault)
			lost++
		}
	}
	// 30 characters of 10 bits a second for 4 s, and the last frame may have begun.
	require.LessOrEqual(t, bytes, 120+24)
	require.Greater(t, bytes, 72)
	require.Greater(t, lost, 50)
}

// Frames that are to be merged do not hold up a conversation in which the host
// answers each.
//
// Kind: property.
func TestMergeInAConversation(t *testing.T) {
	t.Parallel()
	m := talking(t, "g", "block-check")
	m.Profile.Streaming = false
	all := onPaper(t, stage.Play{Seed: 1, Cast: []stage.Member{m}, Until: 3 * time.Second,
		Cues: []stage.Cue{cue(500*time.Millisecond, stage.Merge{Frames: 2}), cue(time.Second, stage.Tag{Times: 3, Every: seconds(0.5)})}})
	for id, f := range fates(all) {
		require.Equal(t, []ledger.Fate{ledger.Sent}, f, "frame %d", id)
	}
	require.Len(t, fates(all), 3)
}

// The number of the last tag reaches the register for it (input register 16), and
// a damaged answer is one that a host finds damaged.
//
// Kind: property.
func TestRegistersKeepTheTag(t *testing.T) {
	t.Parallel()
	m := talking(t, "g", "modbus-rtu")
	m.Profile.Streaming = false
	asks := func(at_ time.Duration) at { // 01 04 0010 0001, CRC-16/MODBUS
		p, err := hex.DecodeString("010400100001300f")
		require.NoError(t, err)
		return at{at_, port.Event{Kind: port.Received, Data: p}}
	}
	all, got := played(t, m, 5*time.Second, []stage.Cue{cue(time.Second, stage.Tag{Times: 2, Every: seconds(0.1)}), cue(3*time.Second, stage.Garble{Frames: 1})},
		asks(500*time.Millisecond), asks(2*time.Second), asks(4*time.Second))
	require.Len(t, got, 3)
	require.Equal(t, "0104020000b930", hex.EncodeToString([]byte(got[0])))
	require.Equal(t, "0104020002", hex.EncodeToString([]byte(got[1]))[:10])
	require.NotEqual(t, got[1], got[2])
	var faults []string
	for _, e := range of(all, ledger.KindOut) {
		faults = append(faults, e.Out.Fault)
	}
	require.Equal(t, "garble", strings.TrimSpace(strings.Join(faults, " ")))
}
