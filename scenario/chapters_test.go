package scenario_test

import (
	"strings"
	"testing"

	"example.org/understudy/scenario"
	"github.com/stretchr/testify/require"
)

// Chapters stand in the order of their times, inside the timeline, and answer
// only what they ask; each mistake is at its line and column.
//
// Kind: property.
func TestChapterOrder(t *testing.T) {
	text := one("dialect: line-ascii", `until: 10 s
chapters:
  - {at: -1 s, title: A, say: a}
  - {at: 3 s, title: B, say: b}
  - at: 3 s
    title: C
    say: c
  - {at: 12 s, title: D, say: d}
  - {at: 9 s, title: E, say: e}
  - {at: 9500 ms, title: F, say: f, answer: x}
  - {at: 9600 ms, title: G, say: g, ask-at: 9600 ms}
  - {at: 9700 ms, title: H, say: h, ask: q, ask-at: 9 s}
  - {at: 9800 ms, title: I, say: i, ask: q, ask-at: 9900 ms}
  - {at: 9900 ms, title: J, say: j}`)
	_, err := scenario.Parse("s.yaml", text, shippedDialect)
	require.Equal(t, []string{
		`s.yaml:9:10: the chapter "A" begins at -1 s, before the start; the timeline starts at 0 s`,
		`s.yaml:11:9: the chapter "C" begins at 3 s, and the one before it at 3 s; write the chapters in the order of their times`,
		`s.yaml:14:10: the chapter "D" begins at 12 s, when the timeline has ended; begin it earlier, or write a later until:`,
		`s.yaml:15:10: the chapter "E" begins at 9 s, and the one before it at 12 s; write the chapters in the order of their times`,
		`s.yaml:16:45: the chapter "F" answers what it does not ask; write ask: and the question`,
		`s.yaml:17:45: the chapter "G" has no question to ask at 9600 ms; write ask: and the question`,
		`s.yaml:18:53: the chapter "H" asks at 9 s, when it has not begun or is over; ask while the chapter lasts`,
		`s.yaml:19:53: the chapter "I" asks at 9900 ms, when it has not begun or is over; ask while the chapter lasts`,
	}, strings.Split(err.Error(), "\n"))
	require.Len(t, parse(t, one("dialect: line-ascii", "until: 10 s\nchapters: [{at: 0 s, title: A, say: a}, {at: 1 ns, title: B, say: b, ask: q, answer: x, ask-at: 2 s}]")).Chapters, 2)
}
