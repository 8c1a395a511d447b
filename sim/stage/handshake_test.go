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

// A text that was corrupted is sent again, on paper too; a host that accepts it all the
// same is told of in the ledger, and so is one that refuses a whole one again and again
// until it is given up. An answer that may be to something else is not.
//
// Kind: property.
func TestAnswersToWhatWasNotSaid(t *testing.T) {
	says := func(ms int, text string) at {
		return at{time.Duration(ms) * time.Millisecond, port.Event{Kind: port.Received, Data: []byte(text)}}
	}
	one := []stage.Cue{cue(900*time.Millisecond, stage.Garble{}), cue(time.Second, stage.Tag{})}
	whole := one[1:]
	twice := append([]stage.Cue{cue(800*time.Millisecond, stage.Duplicate{})}, one...)
	session := []at{says(1100, "\x06")}
	for ms := 1200; ms < 1900; ms += 100 {
		session = append(session, says(ms, "\x15"))
	}
	for _, c := range []struct {
		name, dialect string
		cues          []stage.Cue
		host          []at
		want          []ledger.Port
	}{
		{"refused and sent again", "block-check", one, []at{says(1100, "\x06"), says(1200, "\x15"), says(1300, "\x06")}, nil},
		{"accepted", "block-check", one, []at{says(1100, "\x06"), says(1200, "\x06")}, []ledger.Port{{What: ledger.Accepts, Frame: 1}}},
		{"accepted when it came again", "block-check", one, []at{says(1100, "\x06"), says(3500, "\x06")}, nil},
		{"doubled", "block-check", twice, []at{says(1100, "\x06"), says(1200, "\x06")}, nil},
		{"whole, and refused", "astm-e1381", whole, session, []ledger.Port{{What: ledger.Refuses, Frame: 1}}},
		{"refused once", "astm-e1381", whole, []at{says(1100, "\x06"), says(1200, "\x15"), says(1300, "\x06")}, nil},
	} {
		m := talking(t, "g", c.dialect)
		m.Profile.Streaming = false
		all, _ := played(t, m, 5*time.Second, c.cues, c.host...)
		var got []ledger.Port
		for _, e := range of(all, ledger.KindPort) {
			if e.Port.Frame > 0 {
				got = append(got, *e.Port)
			}
		}
		require.Empty(t, cmp.Diff(c.want, got), c.name)
	}
	m, _ := threeTags(t)
	all := onPaper(t, stage.Play{Seed: 1, Cast: []stage.Member{m}, Cues: one, Until: 3 * time.Second})
	require.Empty(t, cmp.Diff(map[int][]ledger.Fate{1: {ledger.Sent, ledger.Sent}}, fates(all)), "refused by the listener on paper")
}
