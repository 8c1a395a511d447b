//go:build unix

package stage_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
	"github.com/stretchr/testify/require"
)

// tampered plays one fault, done at 1 s, and returns each write to the port
// after that, the ledger, and the bytes of each frame as it was made.
func tampered(t *testing.T, words string, act stage.Act, more ...stage.Cue) (m stage.Member, written []string, all []ledger.Entry, made map[int][]byte) {
	m = talking(t, "g", words)
	cues := append([]stage.Cue{cue(900*time.Millisecond, stage.Plug{}), cue(time.Second, act)}, more...)
	all, got := played(t, m, 3*time.Second, cues, at{10 * time.Millisecond, port.Event{Kind: port.Received}})
	made = map[int][]byte{}
	before := 0
	for _, e := range all {
		switch {
		case e.Kind == ledger.KindFrame:
			made[e.Frame.ID] = e.Frame.Bytes
		case e.Kind == ledger.KindOut && e.T < time.Second:
			before++
		}
	}
	return m, got[before:], all, made
}

// outsOf are the entries of what was written with a fault.
func outsOf(all []ledger.Entry, fault string) (some []ledger.Out) {
	for _, e := range of(all, ledger.KindOut) {
		if strings.Contains(e.Out.Fault, fault) {
			some = append(some, *e.Out)
		}
	}
	return some
}

// decoded is how many good frames a decoder finds in bytes.
func decoded(d *wire.Dialect, raw ...[]byte) (good [][]byte) {
	end := d.NewEnd(wire.Host)
	keep := func(inc wire.Incoming) {
		if inc.Garbage == nil {
			good = append(good, bytes.Clone(inc.Raw))
		}
	}
	for _, p := range raw {
		end.Receive(p, 0, keep)
	}
	end.Quiet(time.Hour, keep)
	return good
}

// A garbled frame differs from the frame that was made in one bit, no decoder
// finds it, and the frame after it is found; after as many as were asked for,
// frames are right again.
//
// Kind: property.
func TestTamperGarble(t *testing.T) {
	for _, words := range []string{"line-ascii", "cobs-binary", "hdlc-binary", "slip-binary"} {
		m, _, all, made := tampered(t, words, stage.Garble{Frames: 30})
		bad := outsOf(all, "garble")
		require.Len(t, bad, 30, words)
		for _, o := range bad {
			damaged(t, m.Dialect, made[o.Frames[0]], o.Bytes)
		}
	}
}

// damaged holds a garbled frame to what garbling is.
func damaged(t *testing.T, d *wire.Dialect, whole, bad []byte) {
	require.Len(t, bad, len(whole))
	bits := 0
	for i := range whole {
		for x := whole[i] ^ bad[i]; x > 0; x &= x - 1 {
			bits++
		}
	}
	require.Equal(t, 1, bits, "bits that differ")
	require.Empty(t, decoded(d, bad), "a decoder takes the damaged frame")
	// The next frame is found, where the end of the damaged one may be its beginning (RFC 1662 §3.1).
	next := decoded(d, bad, whole)
	require.Len(t, next, 1, "the next frame is found")
	require.True(t, bytes.HasSuffix(whole, next[0]) && len(next[0]) >= len(whole)-1, "%x of %x", next[0], whole)
}

// A duplicated frame is the frame twice, in one piece.
//
// Kind: property.
func TestTamperDuplicate(t *testing.T) {
	_, written, all, made := tampered(t, "line-ascii", stage.Duplicate{Frames: 2})
	twice := outsOf(all, "duplicate")
	require.Len(t, twice, 2)
	for i, o := range twice {
		require.Equal(t, strings.Repeat(string(made[o.Frames[0]]), 2), string(o.Bytes))
		require.Equal(t, string(o.Bytes), written[i])
	}
	require.Len(t, written[2], len(written[0])/2, "the third goes once")
}

// A split frame comes in pieces, none at the same instant as another; cut where
// it was said, or byte by byte. What follows waits for the last of them.
//
// Kind: property.
func TestTamperSplit(t *testing.T) {
	for first, pieces := range map[int]int{3: 2, 0: -1, 9999: -1} {
		_, written, all, made := tampered(t, "line-ascii", stage.Split{Frames: 1, At: first}, cue(1001*time.Millisecond, stage.Tag{}))
		split := outsOf(all, "split")
		require.Len(t, split, 1)
		whole := made[split[0].Frames[0]]
		if pieces < 0 {
			pieces = len(whole)
		}
		require.Equal(t, string(whole), strings.Join(written[:pieces], ""))
		if first == 3 {
			require.Equal(t, string(whole[:3]), written[0])
		} else {
			require.Len(t, written[0], 1)
		}
		at := map[int]time.Duration{}
		begun, ended := time.Duration(-1), time.Duration(0)
		for _, e := range all {
			if e.Kind == ledger.KindFrame {
				at[e.Frame.ID] = e.T
			}
			if e.Kind == ledger.KindOut && strings.Contains(e.Out.Fault, "split") {
				begun, ended = at[e.Out.Frames[0]], e.T
			}
		}
		gap := 2 * time.Millisecond
		if first == 3 {
			gap = 3 * 10 * time.Second / 9600 // start bit, 8 data bits, stop bit
		}
		require.InDelta(t, time.Duration(pieces-1)*gap, ended-begun, 1, "from piece to piece")
		tag := of(all, ledger.KindFrame)
		for _, e := range tag {
			if e.Frame.Cause == ledger.Tag {
				require.Equal(t, string(e.Frame.Bytes), written[pieces], "the tag waits for the last piece")
			}
		}
	}
}

// Merged frames go in one piece, in order, and then singly again; what is held
// when the link is lost is lost.
//
// Kind: property.
func TestTamperMerge(t *testing.T) {
	_, written, all, made := tampered(t, "line-ascii", stage.Merge{Frames: 3}, cue(1060*time.Millisecond, stage.Tag{}))
	merged := outsOf(all, "merge")
	require.Len(t, merged, 1)
	require.Len(t, merged[0].Frames, 3)
	var want string
	for i, id := range merged[0].Frames {
		want += string(made[id])
		require.Equal(t, merged[0].Frames[0]+i, id)
	}
	require.Equal(t, want, written[0])
	require.NotEqual(t, made[merged[0].Frames[0]], made[merged[0].Frames[2]], "frames whose order shows")
	require.Equal(t, string(made[merged[0].Frames[2]+1]), written[1])

	_, written, all, made = tampered(t, "line-ascii", stage.Merge{Frames: 100}, cue(1500*time.Millisecond, stage.LoseLink{For: seconds(0.5)}))
	require.Empty(t, outsOf(all, "merge"))
	lost := 0
	for id, fs := range fates(all) {
		if fs[0] == ledger.Lost {
			lost++
		} else if len(fs) != 1 || fs[0] != ledger.Sent {
			t.Errorf("frame %d: %v", id, fs)
		}
	}
	require.GreaterOrEqual(t, lost, 19, "10 held and 10 that were sent into the lost link, at 20 a second")
	require.Len(t, fates(all), len(made), "every frame has a fate")
	require.NotEmpty(t, written, "after the link is back")
}

// What a handshake says between frames is never tampered with, and does not use
// up what was asked for.
//
// Kind: property.
func TestTamperLeavesHandshakes(t *testing.T) {
	m, cues := threeTags(t)
	all := onPaper(t, stage.Play{Seed: 1, Cast: []stage.Member{m}, Until: 3 * time.Second,
		Cues: append([]stage.Cue{cue(500*time.Millisecond, stage.Duplicate{Frames: 2})}, cues...)})
	var said []string
	for _, e := range of(all, ledger.KindOut) {
		if len(e.Out.Frames) == 0 {
			require.Empty(t, e.Out.Fault)
			said = append(said, string(e.Out.Bytes))
		}
	}
	require.Equal(t, "\x05\x04\x05\x04\x05\x04", spoken(said))
	require.Len(t, outsOf(all, "duplicate"), 2)
}
