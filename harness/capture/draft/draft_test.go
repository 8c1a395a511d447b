package draft_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/capture"
	"example.org/understudy/harness/capture/draft"
	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func shippedDialect(name string) (string, []byte, error) {
	file := "dialects/" + name + ".yaml"
	text, err := scenarios.Files.ReadFile(file)
	return file, text, err
}

func parse(t *testing.T, name string, text []byte) *scenario.Scenario {
	t.Helper()
	s, err := scenario.Parse(name, text, shippedDialect)
	require.NoError(t, err, "%s", text)
	return s
}

// heard is what a line's readings come to: streamed ones without those that
// repeat the last, tagged ones all, each with its tag number.
func heard(c *capture.Capture, line int, d *wire.Dialect) (streamed, tagged []string) {
	l := capture.NewLedger(d, "", func(e ledger.Entry) {
		if e.Frame == nil || len(e.Frame.Readings) == 0 {
			return
		}
		var words []string
		for _, r := range e.Frame.Readings {
			words = append(words, r.Channel, r.Void)
			if r.Void == "" {
				words = append(words, r.Shown.Trim().String(), r.Unit)
			}
			words = append(words, r.Zone.String())
		}
		said := strings.Join(words, " ")
		switch {
		case e.Frame.Cause == ledger.Tag && e.Frame.Tag != nil:
			tagged = append(tagged, time.Duration(*e.Frame.Tag).String()+" "+said)
		case e.Frame.Cause == ledger.Tag:
			tagged = append(tagged, said)
		case len(streamed) == 0 || streamed[len(streamed)-1] != said:
			streamed = append(streamed, said)
		}
	})
	for _, e := range c.Events {
		if e.Line == line {
			l.Event(e)
		}
	}
	l.End()
	return streamed, tagged
}

func onPaper(t *testing.T, s *scenario.Scenario) *capture.Capture {
	entries, err := paper.Ledger(t.Context(), s)
	require.NoError(t, err)
	return capture.FromLedger(entries, time.Time{})
}

// again drafts a scenario from a capture, reads it as a user's file, and plays it.
func again(t *testing.T, c *capture.Capture, opt draft.Options) (*capture.Capture, string) {
	f, notes, err := draft.Scenario(t.Context(), c, opt)
	require.NoError(t, err)
	text := scenario.Marshal(f, strings.Join(notes, "\n"))
	s := parse(t, "again.yaml", text)
	require.NoError(t, paper.Expectations(t.Context(), s), "%s", text)
	return onPaper(t, s), string(text)
}

// Every shipped scenario in a dialect that streams is played, and its bytes
// alone are turned into a scenario, which plays to the same readings, zones and
// tag numbers.
//
// Kind: property.
func TestPlaysBackToTheSameReadings(t *testing.T) {
	t.Parallel()
	files, err := scenarios.Files.ReadDir(".")
	require.NoError(t, err)
	for _, file := range files {
		name := file.Name()
		if !strings.HasSuffix(name, ".yaml") {
			continue
		}
		t.Run(name, func(t *testing.T) {
			text, err := scenarios.Files.ReadFile(name)
			require.NoError(t, err)
			s := parse(t, name, text)
			c := onPaper(t, s)
			for i, l := range c.Lines {
				g := s.Gauges[s.GaugeIndex(l.Name)]
				d := s.Play.Cast[s.GaugeIndex(l.Name)].Dialect
				one := &capture.Capture{Lines: []capture.Line{l}}
				for _, e := range c.Events {
					if e.Line == i {
						e.Line = 0
						one.Events = append(one.Events, e)
					}
				}
				streamed, tagged := heard(one, 0, d)
				if len(streamed)+len(tagged) == 0 {
					continue
				}
				dialectName := g.Dialect
				if dialectName == "" {
					for n, dd := range s.Dialects {
						if dd.Dialect == d {
							dialectName = n
						}
					}
				}
				played, text := again(t, one, draft.Options{Title: "From a capture", Dialect: d, Name: dialectName})
				streamed2, tagged2 := heard(played, 0, d)
				require.Empty(t, cmp.Diff(tagged, tagged2), "tagged\n%s", text)
				require.Empty(t, cmp.Diff(streamed, streamed2), "streamed\n%s", text)
			}
		})
	}
}

var update = flag.Bool("update", false, "write the golden files anew")

func dialect(t require.TestingT, name string) *wire.Dialect {
	file, text, err := shippedDialect(name)
	require.NoError(t, err)
	d, err := wire.Parse(file, text)
	require.NoError(t, err)
	return d
}

// said is a line of line-ascii with its check.
func said(body string) []byte {
	xor := byte(0)
	for _, b := range []byte(body + "*") {
		xor ^= b
	}
	return fmt.Appendf(nil, "%s*%02X\r\n", body, xor)
}

func asReading(count int) string { return fmt.Sprintf("%+010.3f mm", float64(count)/1000) }

// A tapped session, with what a tap hears, becomes a scenario that reads like
// one a person wrote.
//
// Kind: golden.
func TestReadsLikeAScenario(t *testing.T) {
	t.Parallel()
	c := &capture.Capture{Lines: []capture.Line{capture.NewLine("ttyUSB0", "9600 8N1")}}
	add := func(at time.Duration, k capture.Kind, data []byte) {
		c.Events = append(c.Events, capture.Event{At: at, Kind: k, Bytes: data})
	}
	const ms = time.Millisecond
	add(0, capture.Opened, nil)
	add(90*ms, capture.FromHost, []byte("W rate=20\r\nS1\r\n"))
	add(93*ms, capture.FromGauge, []byte("OK\r\nOK\r\n"))
	at := 200 * ms
	for i := range 60 {
		jitter := time.Duration(i*i%11-5) * ms // −5 ms to 5 ms
		switch {
		case i == 30:
			add(at, capture.Gone, nil)
		case i > 30 && i < 40:
		case i == 40:
			add(at, capture.Back, nil)
		case i == 50:
			add(at+jitter, capture.FromGauge, []byte("R +00008.0"+"@5 mm 3 .*00\r\n"))
		default:
			add(at+jitter, capture.FromGauge, said("R "+asReading(8000+i/10*5)+" "+zoneOf(8000+i/10*5)+" ."))
		}
		if i == 25 {
			add(at+20*ms, capture.FromGauge, said("T0041 "+asReading(8010)+" 3 ."))
		}
		at += 50 * ms
	}
	f, notes, err := draft.Scenario(t.Context(), c, draft.Options{Title: "From a tapped line", Dialect: dialect(t, "line-ascii"), Name: "line-ascii"})
	require.NoError(t, err)
	text := scenario.Marshal(f, strings.Join(notes, "\n"))
	s := parse(t, "tapped.yaml", text)
	require.NoError(t, paper.Expectations(t.Context(), s))
	golden := filepath.Join("testdata", "tapped.yaml")
	if *update {
		require.NoError(t, os.WriteFile(golden, text, 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	require.Empty(t, cmp.Diff(string(want), string(text)))
	streamed, tagged := heard(c, 0, dialect(t, "line-ascii"))
	streamed2, tagged2 := heard(onPaper(t, s), 0, dialect(t, "line-ascii"))
	require.Empty(t, cmp.Diff(tagged, tagged2))
	require.Empty(t, cmp.Diff(streamed, streamed2))
}

// zoneOf is where a reading in µm falls for limits at 8.020 mm.
func zoneOf(count int) string {
	if count > 8020 {
		return "5"
	}
	return "3"
}

// However the readings go, and however a steady stream that the line can carry is
// jittered on its way, the scenario plays back to the same sequence.
//
// Kind: property.
func TestJitterDoesNotMatter(t *testing.T) {
	t.Parallel()
	d := dialect(t, "line-ascii")
	rapid.Check(t, func(rt *rapid.T) {
		period := time.Duration(rapid.SampledFrom([]int{100, 200, 500, 1000}).Draw(rt, "period")) * time.Millisecond
		c := &capture.Capture{Lines: []capture.Line{{Name: "g"}}}
		tag := rapid.IntRange(1, 9990).Draw(rt, "tag")
		for i := range rapid.IntRange(4, 40).Draw(rt, "frames") {
			// A tag stands well between two readings, so that jitter does not
			// change their order.
			at := time.Duration(i)*period + time.Duration(rapid.Int64Range(0, int64(period)/4).Draw(rt, "jitter"))
			n := rapid.IntRange(-3000, 3000).Draw(rt, "reading")
			c.Events = append(c.Events, capture.Event{At: at, Kind: capture.FromGauge, Bytes: said("R " + asReading(n) + " 3 .")})
			if rapid.IntRange(0, 4).Draw(rt, "tagged") == 0 {
				c.Events = append(c.Events, capture.Event{At: time.Duration(i)*period + period/2, Kind: capture.FromGauge, Bytes: said(fmt.Sprintf("T%04d %s 3 .", tag, asReading(n+1)))})
				tag++
			}
		}
		streamed, tagged := heard(c, 0, d)
		f, _, err := draft.Scenario(t.Context(), c, draft.Options{Title: "t", Dialect: d, Name: "line-ascii"})
		require.NoError(rt, err)
		text := scenario.Marshal(f, "")
		s, err := scenario.Parse("again.yaml", text, shippedDialect)
		require.NoError(rt, err, "%s", text)
		streamed2, tagged2 := heard(onPaper(t, s), 0, d)
		require.Empty(rt, cmp.Diff(tagged, tagged2), "%s", text)
		require.Empty(rt, cmp.Diff(streamed, streamed2), "%s", text)
	})
}

// Kind: property.
func TestSaysWhenThereIsNothing(t *testing.T) {
	t.Parallel()
	c := &capture.Capture{Lines: []capture.Line{{Name: "g"}}, Events: []capture.Event{{Kind: capture.FromGauge, Bytes: []byte("nothing of ours\r\n")}}}
	_, notes, err := draft.Scenario(t.Context(), c, draft.Options{Title: "t", Dialect: dialect(t, "line-ascii"), Name: "line-ascii"})
	require.ErrorContains(t, err, "is line-ascii the right dialect?")
	require.Len(t, notes, 1)
}

// FuzzScenario drafts from anything: nothing panics, and what is drafted is a
// scenario without a mistake that can be played.
//
// Kind: property.
func FuzzScenario(f *testing.F) {
	d := dialect(f, "line-ascii")
	f.Add([]byte("R +00008.000 mm 3 .*2D\nT0001 +00008.000 mm 3 .*1A\nN\nR ?????????? mm 6 .*2B\n"), uint16(40))
	f.Add(append(said("R +99999.999 mm 5 L"), said("R -<<<<<<<<< mm 6 .")...), uint16(3))
	f.Fuzz(func(t *testing.T, text []byte, gap uint16) {
		c := &capture.Capture{Lines: []capture.Line{{Name: "g/0"}}}
		at := time.Duration(0)
		for i, line := range strings.SplitAfter(string(text), "\n") {
			e := capture.Event{At: at, Kind: capture.FromGauge, Bytes: []byte(line)}
			switch {
			case line == "gone\n":
				e.Kind = capture.Gone
			case line == "back\n":
				e.Kind = capture.Back
			case i%5 == 4:
				e.Kind = capture.FromHost
			}
			c.Events = append(c.Events, e)
			at += time.Duration(gap) * time.Duration(i%3) * time.Millisecond
		}
		file, notes, err := draft.Scenario(t.Context(), c, draft.Options{Title: "t", Dialect: d, Name: "line-ascii"})
		if err != nil {
			return
		}
		out := scenario.Marshal(file, strings.Join(notes, "\n"))
		s, err := scenario.Parse("again.yaml", out, shippedDialect)
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		onPaper(t, s)
	})
}
