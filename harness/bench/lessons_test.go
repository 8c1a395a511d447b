package bench_test

import (
	"fmt"
	"io/fs"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage/ledger"
)

// The shipped lessons are complete: they play in under five minutes, do what
// they say, and every chapter has something to say, to ask and to answer.
//
// Kind: property.
func TestLessons(t *testing.T) {
	for _, file := range lessons(t) {
		text, err := scenarios.Files.ReadFile(file)
		require.NoError(t, err)
		s := parse(t, string(text))
		require.NotEmpty(t, s.Expect, file)
		require.NoError(t, paper.Expectations(t.Context(), s), file)
		require.Less(t, s.Play.Until, 5*time.Minute, file)
		require.GreaterOrEqual(t, len(s.Chapters), 5, file)
		all, err := paper.Ledger(t.Context(), s)
		require.NoError(t, err, file)
		for _, e := range all { // but for the press on a gauge whose cell is empty
			require.True(t, !strings.HasPrefix(e.Note, ledger.NotDone) || e.T == 80*time.Second && e.Gauge == "loud-snap", "%s: %s", file, e.Note)
		}
		for i, c := range s.Chapters {
			next := s.Play.Until
			if i+1 < len(s.Chapters) {
				next = s.Chapters[i+1].At.D()
			}
			require.Greater(t, next-c.At.D(), 15*time.Second, "%s: %s leaves no time to ask", file, c.Title)
			require.NotEmpty(t, c.Say)
			require.NotEmpty(t, c.Ask)
			require.NotEmpty(t, c.Answer)
		}
	}
}

func lessons(t testing.TB) []string {
	files, err := fs.Glob(scenarios.Files, "lessons/*.yaml")
	require.NoError(t, err)
	require.Len(t, files, 6)
	return files
}

func lesson(t *testing.T, file string) *scenario.Scenario {
	text, err := scenarios.Files.ReadFile(file)
	require.NoError(t, err)
	return parse(t, string(text))
}

var (
	sizes  = regexp.MustCompile(`[+-]?[0-9]+\.[0-9]{3}\b`)
	counts = regexp.MustCompile(`([0-9]+) µm`)
	prose  = strings.NewReplacer("number 2", "", "number 3", "", "9.5 dB", "", "1 mW, class 3", "", "100 mW, class 1", "")
)

// Each size that a chapter says is one of the part's drawing or a reading that the
// lesson expects, and TestLessons plays those; each number of micrometres is the
// difference of two, or one of them. Other numbers are few, and listed as prose.
//
// Kind: property.
func TestLessonsSayOnlyWhatIsRead(t *testing.T) {
	for _, file := range lessons(t) {
		s := lesson(t, file)
		pm := func(text string) int64 {
			var l quantity.Length
			require.NoError(t, l.UnmarshalText([]byte(strings.TrimPrefix(text, "+")+" mm")))
			return int64(l.Picometres())
		}
		read := map[int64]bool{0: true}
		for _, text := range sizes.FindAllString(partLine(t, file), -1) {
			read[pm(text)] = true
		}
		for _, e := range s.Expect {
			if e.Reading != nil {
				read[int64(e.Reading.Picometres())] = true
			}
		}
		apart := map[string]bool{}
		for a := range read {
			for b := range read {
				apart[fmt.Sprint((a-b)/1e6)] = true
			}
		}
		for _, c := range s.Chapters {
			text := c.Say + " " + c.Ask + " " + c.Answer
			for _, n := range sizes.FindAllString(text, -1) {
				require.True(t, read[pm(n)], "%s: %s: no expectation reads %s mm", file, c.Title, n)
			}
			for _, n := range counts.FindAllStringSubmatch(text, -1) {
				require.True(t, apart[n[1]], "%s: %s: nothing expected is %s µm apart", file, c.Title, n[1])
			}
			rest := prose.Replace(counts.ReplaceAllString(sizes.ReplaceAllString(text, ""), ""))
			require.NotRegexp(t, `[0-9]`, rest, "%s: %s: a number that nothing proves", file, c.Title)
		}
	}
	require.InDelta(t, 9.5, 20*math.Log10(3), 0.05, "free-space loss grows with the square of the distance")
}

// partLine is the line of a lesson that gives the part's sizes.
func partLine(t *testing.T, file string) string {
	text, err := scenarios.Files.ReadFile(file)
	require.NoError(t, err)
	m := regexp.MustCompile(`(?m)^part: .*$`).FindString(string(text))
	require.NotEmpty(t, m)
	return m
}

// A lesson opens on the gauge that its chapters are about, which is the one that
// faults are done to.
//
// Kind: property.
func TestLessonsOpenOnTheirGauge(t *testing.T) {
	for _, file := range lessons(t) {
		s := lesson(t, file)
		for _, c := range s.Cues {
			require.Contains(t, []string{"", s.Gauges[0].Name}, c.Gauge, file)
		}
	}
}

// A class has the time to say the zone of each spacer before the page shows it.
//
// Kind: property.
func TestTheClassSaysTheZoneFirst(t *testing.T) {
	s := lesson(t, "lessons/1-limits-and-warnings.yaml")
	for _, c := range s.Chapters[1:] {
		for _, cue := range s.Cues {
			if cue.At >= c.At {
				require.GreaterOrEqual(t, cue.At.D()-c.At.D(), 10*time.Second, c.Title)
				break
			}
		}
	}
}

// A tag that comes late comes while the class looks at its chapter, and as late as
// the chapter says.
//
// Kind: property.
func TestLateTagsComeInTheirChapter(t *testing.T) {
	for _, c := range []struct {
		file, chapter string
		tag           int64
		pressed       time.Duration // as the cue says
		late          time.Duration // by more than this and less than a second more; 0: no matter
	}{
		{"lessons/4-tags.yaml", "A tag that comes late", 4, 96 * time.Second, 2 * time.Second},
		{"lessons/5-radio.yaml", "Back again", 1, 80 * time.Second, 0},
	} {
		s := lesson(t, c.file)
		all, err := paper.Ledger(t.Context(), s)
		require.NoError(t, err)
		frame, came := 0, time.Duration(0)
		for _, e := range all {
			if e.Frame != nil && e.Frame.Tag != nil && *e.Frame.Tag == c.tag && e.Gauge == s.Gauges[0].Name {
				frame = e.Frame.ID
			}
			if e.Kind == ledger.KindOut && e.Out != nil && e.Out.Fate == ledger.Sent && e.Gauge == s.Gauges[0].Name && frame != 0 {
				for _, id := range e.Out.Frames {
					if id == frame {
						came = e.T
					}
				}
			}
		}
		require.NotZero(t, came, c.file)
		for i, ch := range s.Chapters {
			if ch.Title == c.chapter {
				require.Greater(t, came, ch.At.D(), c.file)
				require.Less(t, came, s.Chapters[i+1].At.D(), c.file)
			}
		}
		if c.late > 0 {
			require.Greater(t, came-c.pressed, c.late, c.file)
			require.Less(t, came-c.pressed, c.late+time.Second, c.file)
		}
	}
}

func parse(t testing.TB, text string) *scenario.Scenario {
	s, err := scenario.Parse("s.yaml", []byte(text), func(name string) (string, []byte, error) {
		b, err := scenarios.Files.ReadFile("dialects/" + name + ".yaml")
		return name, b, err
	})
	require.NoError(t, err)
	return s
}
