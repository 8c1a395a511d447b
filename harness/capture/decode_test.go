package capture_test

import (
	"path"
	"slices"
	"testing"
	"time"

	"example.org/understudy/harness/capture"
	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

func shippedDialect(name string) (string, []byte, error) {
	file := path.Join("dialects", name+".yaml")
	text, err := scenarios.Files.ReadFile(file)
	return file, text, err
}

func shipped(t *testing.T) (names []string) {
	all, err := scenarios.Files.ReadDir(".")
	require.NoError(t, err)
	for _, f := range all {
		if path.Ext(f.Name()) == ".yaml" {
			names = append(names, f.Name())
		}
	}
	return names
}

func load(t *testing.T, name string) *scenario.Scenario {
	text, err := scenarios.Files.ReadFile(name)
	require.NoError(t, err)
	s, err := scenario.Parse(name, text, shippedDialect)
	require.NoError(t, err)
	return s
}

// said is what a frame says to a listener.
type said struct {
	At    time.Duration
	Cause ledger.Cause
	Tag   int64
	Reads []string
}

// saying is what a frame says. The wire numbers channels; names maps those of
// the ledger to the letters a listener gives them.
func saying(at time.Duration, f *ledger.Frame, names map[string]string) said {
	s := said{At: at, Cause: f.Cause}
	if f.Tag != nil {
		s.Tag = *f.Tag
	}
	for _, r := range f.Readings {
		if letter := names[r.Channel]; letter != "" {
			r.Channel = letter
		}
		if r.Void != "" {
			s.Reads = append(s.Reads, r.Channel+" "+r.Void)
		} else {
			s.Reads = append(s.Reads, r.Channel+" "+r.Shown.Trim().String()+" "+r.Unit+" "+r.Zone.String())
		}
	}
	return s
}

// delivered are the frames of a gauge that reached its host whole, once for
// each time they did.
func delivered(entries []ledger.Entry, gauge string, names map[string]string) (out []said) {
	frames := map[int]*ledger.Frame{}
	for _, e := range entries {
		if e.Gauge != gauge {
			continue
		}
		if e.Frame != nil {
			frames[e.Frame.ID] = e.Frame
		}
		if e.Out == nil || e.Out.Fate != ledger.Sent || e.Out.Fault != "" {
			continue
		}
		for _, id := range e.Out.Frames {
			out = append(out, saying(e.T, frames[id], names))
		}
	}
	return out
}

// A listener makes of the bytes what the gauge meant: every shipped scenario is
// played, and its bytes alone are decoded again.
//
// Kind: property.
func TestDecodesWhatShippedScenariosSay(t *testing.T) {
	t.Parallel()
	for _, name := range shipped(t) {
		t.Run(name, func(t *testing.T) {
			s := load(t, name)
			entries, err := paper.Ledger(t.Context(), s)
			require.NoError(t, err)
			faults := slices.ContainsFunc(entries, func(e ledger.Entry) bool { return e.Out != nil && e.Out.Fault != "" })
			c := capture.FromLedger(entries, began)
			for i, line := range c.Lines {
				d := s.Play.Cast[s.GaugeIndex(line.Name)].Dialect
				if d.Term(wire.Reading) < 0 {
					continue
				}
				var got []said
				l := capture.NewLedger(d, line.Name, func(e ledger.Entry) {
					if e.Frame != nil {
						got = append(got, saying(e.T, e.Frame, nil))
					}
				})
				for _, e := range c.Events {
					if e.Line == i {
						l.Event(e)
					}
				}
				l.End()
				names := map[string]string{}
				for k, ch := range s.Play.Cast[s.GaugeIndex(line.Name)].Profile.Channels {
					names[ch.Name] = string(rune('A' + k))
				}
				want := delivered(entries, line.Name, names)
				if faults { // what was damaged on its way is heard as something else
					require.Subset(t, got, want)
					continue
				}
				require.Empty(t, cmp.Diff(want, got))
			}
		})
	}
}

// A listener tells what was asked, and what answers it, from what the gauge
// sends on its own.
//
// Kind: property.
func TestTellsAnswersFromTheStream(t *testing.T) {
	t.Parallel()
	_, text, err := shippedDialect("line-ascii")
	require.NoError(t, err)
	d, err := wire.Parse("line-ascii", text)
	require.NoError(t, err)
	type heard struct {
		From    string
		Name    string
		Cause   ledger.Cause
		Answers int
		Verb    string
	}
	var got []heard
	dec := capture.NewDecoder(d, func(m capture.Message) {
		got = append(got, heard{m.From.String(), m.Name, m.Cause, m.Answers, m.Request.Verb})
	})
	reading := "R +00006.001 mm 3 .*67\r\n"
	tag := "T0017 +00006.001 mm 3 .*67\r\n"
	for i, e := range []capture.Event{
		{Kind: capture.FromGauge, Bytes: []byte(reading)},
		{Kind: capture.FromHost, Bytes: []byte("Q un")},
		{Kind: capture.FromHost, Bytes: []byte("it\r\nN\r\n")},
		{Kind: capture.FromGauge, Bytes: []byte(tag + "V unit=mm\r\n" + reading + reading)},
		{Kind: capture.FromGauge, Bytes: []byte("R +000\r\n")},
	} {
		e.At = time.Duration(i) * time.Millisecond
		dec.Event(e)
	}
	dec.End()
	require.Empty(t, cmp.Diff([]heard{
		{"gauge", "reading", ledger.Stream, 0, ""},
		{"host", "ask", "", 0, "get"},
		{"host", "read", "", 0, "read"},
		{"gauge", "reading", ledger.Tag, 0, ""},
		{"gauge", "ask-reply", ledger.Reply, 1, ""},
		{"gauge", "reading", ledger.Asked, 2, ""},
		{"gauge", "reading", ledger.Stream, 0, ""},
		{"gauge", "", "", 0, ""},
	}, got))
}
