//go:build unix

package stage_test

import (
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// threeTags is a gauge with a handshake, tagged faster than the handshake goes.
func threeTags(t testing.TB) (stage.Member, []stage.Cue) {
	m := talking(t, "g", "block-check")
	m.Profile.Streaming = false
	return m, []stage.Cue{cue(time.Second, stage.Tag{Times: 3, Every: seconds(0.01)})}
}

// fates tells what became of each frame that has a number.
func fates(all []ledger.Entry) map[int][]ledger.Fate {
	f := map[int][]ledger.Fate{}
	for _, e := range of(all, ledger.KindOut) {
		for _, id := range e.Out.Frames {
			f[id] = append(f[id], e.Out.Fate)
		}
	}
	return f
}

// spoken are the bytes that stand outside a text, and # for a text.
func spoken(pieces []string) string {
	var b strings.Builder
	for _, p := range pieces {
		if strings.HasPrefix(p, "\x02") {
			p = "#"
		}
		b.WriteString(p)
	}
	return b.String()
}

// On paper the listener acknowledges, so every frame is sent once, under its
// own number and whole.
//
// Kind: outside.
func TestHandshakeOnPaper(t *testing.T) {
	m, cues := threeTags(t)
	all := onPaper(t, stage.Play{Seed: 1, Cast: []stage.Member{m}, Cues: cues, Until: 3 * time.Second})
	sent := []ledger.Fate{ledger.Sent}
	require.Empty(t, cmp.Diff(map[int][]ledger.Fate{1: sent, 2: sent, 3: sent}, fates(all)))
	for _, e := range of(all, ledger.KindFrame) {
		require.Equal(t, "\x02", string(e.Frame.Bytes[:1]), "the text is what the frame is, not the enquiry for it")
	}
	var said []string
	for _, e := range of(all, ledger.KindOut) {
		said = append(said, string(e.Out.Bytes))
	}
	// ENQ, text, EOT for each (ISO 1745); a text that went whole is in its frame
	require.Equal(t, "\x05\x04\x05\x04\x05\x04", spoken(said))
}

// A host that never answers is asked three times for each frame; the frames
// that are given up are said to be lost.
//
// Kind: property.
func TestHandshakeWithoutAHost(t *testing.T) {
	m, cues := threeTags(t)
	all, got := played(t, m, 30*time.Second, cues)
	require.Equal(t, strings.Repeat("\x05", 12), spoken(got), "the first enquiry and three more for each frame")
	lost := []ledger.Fate{ledger.Lost}
	require.Empty(t, cmp.Diff(map[int][]ledger.Fate{1: lost, 2: lost, 3: lost}, fates(all)))
}

// A text the host refuses is sent again under the same number.
//
// Kind: property.
func TestHandshakeRepeats(t *testing.T) {
	m, cues := threeTags(t)
	hears := func(ms int, text string) at {
		return at{time.Duration(ms) * time.Millisecond, port.Event{Kind: port.Received, Data: []byte(text)}}
	}
	all, got := played(t, m, 2*time.Second, cues, hears(1100, "\x06"), hears(1200, "\x15"), hears(1300, "\x06"), hears(1400, "\x06"))
	require.Equal(t, "\x05##\x04\x05#", spoken(got))
	require.Empty(t, cmp.Diff(map[int][]ledger.Fate{1: {ledger.Sent, ledger.Sent}, 2: {ledger.Sent}}, fates(all)))
}
